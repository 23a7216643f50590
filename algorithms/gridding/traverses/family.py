"""All traverses of one direction, ready to tell values between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import BoolArray, FloatArray
from .hermite import between
from .oblique import Oblique
from .strands import Beside, Sight, Spots, Strands
from .turning import along_and_across

BY_BARRIERS = 4.0
"""Within this many separations of a barrier the values are taken straight across."""


@dataclass(frozen=True, eq=False)
class Family:
    """Traverses of one direction.

    Parameters
    ----------
    bearing
        Degrees clockwise from grid north.
    strands
        The traverses in the coordinates of that direction.
    sight
        Barriers, if any.
    oblique
        How what is buried runs across the traverses, if that is followed.
    """

    bearing: float
    strands: Strands
    sight: Sight | None = None
    oblique: Oblique | None = None

    def beside(self, cells: FloatArray) -> Beside:
        """The traverses on either side of positions, shape ``(m, 2)``."""
        s, a = along_and_across(cells, self.bearing)
        return self.strands.beside(s, a, sight=self.sight)

    def standing(self, cells: FloatArray, beside: Beside, widest: float) -> FloatArray:
        """How little the traverses have to do with positions.

        -1 between two traverses no further apart than `widest`, neither of which ended before;
        else the distance to the nearer one, infinite where there is none.
        """
        s, a = along_and_across(cells, self.bearing)
        two = beside.strand[1:3]
        beyond = np.maximum(self.strands.start[two] - s, s - self.strands.end[two])
        beyond = np.maximum(beyond, 0.0)
        apart = np.hypot(beside.across[1:3] - a, beyond)
        apart = np.where(beside.there[1:3], apart, np.inf).min(axis=0)
        amid = (beside.gap <= widest) & (beyond == 0.0).all(axis=0)
        stands: FloatArray = np.where(amid, -1.0, apart)
        return stands

    def values(self, cells: FloatArray, beside: Beside) -> FloatArray:
        """Values at positions, shape ``(c, m)``; NaN where no traverse lies beside.

        Between two traverses: a curve across through the values of up to four. Beyond the
        outermost: the value of that.
        """
        strands = self.strands
        s, a = along_and_across(cells, self.bearing)
        both = beside.both
        single = np.where(beside.there[2] & ~both, 2, 1)
        found = np.full((len(strands.v), len(s)), np.nan)
        some = np.flatnonzero((beside.there[1] | beside.there[2]) & ~both)
        if len(some):
            strand = beside.strand[single[some], some]
            found[:, some] = strands.values(strands.find(strand, s[some]))
        rows = np.flatnonzero(both)
        if len(rows):
            found[:, rows] = self._between(s[rows], a[rows], beside.of(rows))
        return found

    def _between(self, s: FloatArray, a: FloatArray, beside: Beside) -> FloatArray:
        """Values at places between two traverses."""
        strands = self.strands
        lean = self._lean(s, a, beside)
        at = s + lean * (beside.across - a)
        there = beside.there.copy()
        for k in (0, 3):
            strand = beside.strand[k]
            there[k] &= (at[k] >= strands.start[strand]) & (at[k] <= strands.end[strand])
        # what a traverse reads more or less because it leads aside is no shape of its own
        slopes = None
        spots = [strands.find(beside.strand[k], s) for k in range(4)]
        leaning = np.flatnonzero(lean)
        if not strands.ruled or (len(leaning) and not strands.upright):
            slopes = _slopes(strands, spots, beside.across, there)
        x, y = [], []
        for k in range(4):
            slope = None if slopes is None else slopes[k]
            if len(leaning):
                slanted = strands.find(beside.strand[k, leaning], at[k, leaning])
                spots[k] = spots[k].but(leaning, slanted)
            where = beside.across[k] if strands.upright else strands.across_at(spots[k])
            values = strands.values(spots[k], slope)
            if slope is not None and len(leaning):
                # where it leads aside it is not met quite where the slanting line meets it
                off = slanted.s - (s[leaning] + lean[leaning] * (where[leaning] - a[leaning]))
                values[:, leaning] -= strands.rise(slanted, slope[:, leaning]) * off
            x.append(where)
            y.append(values)
        return between(x, y, a, there[0], there[3])

    def _lean(self, s: FloatArray, a: FloatArray, beside: Beside) -> FloatArray:
        """Way along for each step across that the values are followed by."""
        lean: FloatArray = np.zeros(len(s))
        if self.oblique is None:
            return lean
        lean = self.oblique.lean(self.strands, beside, s, a)
        if self.sight is not None:
            place = self.sight.turned(s, a)
            lean[self.sight.barriers.within(place, BY_BARRIERS * self.strands.separation)] = 0.0
        if not self.strands.upright:
            # hardly beside a traverse, the slanting line may meet it on the other side
            for k, side in ((1, 1.0), (2, -1.0)):
                rows = np.flatnonzero(lean)
                at = s[rows] + lean[rows] * (beside.across[k, rows] - a[rows])
                where = self.strands.across(beside.strand[k, rows], at)
                lean[rows[side * (where - a[rows]) > 0.0]] = 0.0
        return lean


def _slopes(
    strands: Strands, spots: list[Spots], across: FloatArray, there: BoolArray
) -> list[FloatArray]:
    """How the values change across at each of four strands, by chords, ``(c, m)`` each."""
    chords = [strands.chords(four) for four in spots]
    steps = np.maximum(np.diff(across, axis=0), 1e-6)
    rise = [(chords[k + 1] - chords[k]) / steps[k] for k in range(3)]
    first = np.where(there[0], rise[0], rise[1])
    last = np.where(there[3], rise[2], rise[1])
    return [first, _shared(first, rise[1]), _shared(rise[1], last), last]


def _shared(one: FloatArray, other: FloatArray) -> FloatArray:
    """The smaller of two slopes of one sign, else none."""
    agree: BoolArray = one * other > 0
    return np.where(agree, np.where(np.abs(one) < np.abs(other), one, other), 0.0)
