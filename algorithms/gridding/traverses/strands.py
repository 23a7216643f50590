"""Traverses of one direction as curves: where each runs, what it reads, which lie beside a cell."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ..barriers import Barriers
from .hermite import between
from .turning import along_back

BESIDE = 3
"""Traverses looked at on either side of a cell, of which the nearest two count."""
RULED = 1e-7
"""Share of the separation within which a traverse is as straight as if drawn with a ruler."""


@dataclass(frozen=True, eq=False)
class Beside:
    """The traverses on either side of cells: two below, two above, by the place across.

    Parameters
    ----------
    strand
        Shape ``(4, m)``; any where there is none.
    across
        Place across of each, shape ``(4, m)``.
    there
        Whether there is one, shape ``(4, m)``; the inner two are numbers 1 and 2.
    """

    strand: IntArray
    across: FloatArray
    there: BoolArray

    @property
    def both(self) -> BoolArray:
        """Whether a cell lies between two traverses."""
        inside: BoolArray = self.there[1] & self.there[2]
        return inside

    @property
    def gap(self) -> FloatArray:
        """Distance between the inner two, infinite where one is missing."""
        wide: FloatArray = np.where(self.both, self.across[2] - self.across[1], np.inf)
        return wide

    def of(self, rows: IntArray) -> Beside:
        """Those of some of the cells."""
        return Beside(self.strand[:, rows], self.across[:, rows], self.there[:, rows])


@dataclass(frozen=True, eq=False)
class Spots:
    """Spots on strands: strand, place along within its knots, knot before and knot after.

    Shape ``(m,)`` each. The knot before is a strand's last, and the knot after the same, only
    where the strand has no other.
    """

    strand: IntArray
    s: FloatArray
    knot: IntArray
    following: IntArray

    def but(self, rows: IntArray, other: Spots) -> Spots:
        """These spots, but others at some rows."""
        s, knot, following = self.s.copy(), self.knot.copy(), self.following.copy()
        s[rows], knot[rows], following[rows] = other.s, other.knot, other.following
        return Spots(self.strand, s, knot, following)


@dataclass(frozen=True, eq=False)
class Strands:
    """Traverses, joined where one continues another, as functions of the place along.

    Parameters
    ----------
    s, a
        Place of each knot along and across, strand by strand, rising along; shape ``(n,)``.
    v
        Values, shape ``(c, n)``.
    first
        First knot of each strand, and one after the last, shape ``(t + 1,)``.
    low, high
        From where to where along a strand counts, shape ``(t,)``; beyond its knots it keeps the
        value of the end.
    separation, interval
        Usual distance between strands and between knots.
    """

    s: FloatArray
    a: FloatArray
    v: FloatArray
    first: IntArray
    low: FloatArray
    high: FloatArray
    separation: float
    interval: float

    def __len__(self) -> int:
        return len(self.first) - 1

    @property
    def start(self) -> FloatArray:
        """Place along of the first knot of each strand."""
        return self.s[self.first[:-1]]

    @property
    def end(self) -> FloatArray:
        """Place along of the last knot of each strand."""
        return self.s[self.first[1:] - 1]

    @property
    def of(self) -> IntArray:
        """Strand of each knot."""
        numbers: IntArray = np.repeat(np.arange(len(self)), np.diff(self.first))
        return numbers

    @cached_property
    def _span(self) -> float:
        """More than the length of all along: strands lie one behind the other by this."""
        return float(self.s.max() - self.s.min()) + 1.0

    @cached_property
    def _key(self) -> FloatArray:
        """Place along, one strand behind the other."""
        key: FloatArray = (self.s - self.s.min()) + self.of * self._span
        return key

    @cached_property
    def _strays(self) -> float:
        """Greatest distance across of a knot from the straight line between its strand's ends."""
        size = np.diff(self.first)
        on_line = self._on_line(np.repeat(np.arange(len(self)), size), self.s)
        return float(np.abs(self.a - on_line).max())

    @cached_property
    def _course(self) -> tuple[FloatArray, FloatArray]:
        """Of the straight line between a strand's ends: place across at 0 along, and slope."""
        first, last = self.first[:-1], self.first[1:] - 1
        slope = (self.a[last] - self.a[first]) / np.maximum(self.end - self.start, 1e-9)
        return self.a[first] - slope * self.start, slope

    @property
    def course(self) -> FloatArray:
        """Way across for each step along from end to end of each strand, shape ``(t,)``."""
        return self._course[1]

    def _on_line(self, strand: IntArray, s: FloatArray) -> FloatArray:
        """Place across on the straight line between a strand's ends."""
        base, slope = self._course
        across: FloatArray = base[strand] + slope[strand] * s
        return across

    @property
    def ruled(self) -> bool:
        """Whether every strand is as straight as if drawn with a ruler."""
        return self._strays <= RULED * self.separation

    @cached_property
    def upright(self) -> bool:
        """Whether every strand, moreover, keeps one place across."""
        aside = self.course * (self.end - self.start)
        return self.ruled and bool(np.abs(aside).max() <= RULED * self.separation)

    @cached_property
    def _rate(self) -> FloatArray:
        """Knots per length of each strand, were they even."""
        rate: FloatArray = (np.diff(self.first) - 1) / np.maximum(self.end - self.start, 1e-9)
        return rate

    def find(self, strand: IntArray, s: FloatArray) -> Spots:
        """Spots on strands by the place along."""
        first, last = self.first[strand], self.first[strand + 1] - 1
        held = np.minimum(np.maximum(s, self.s[first]), self.s[last])
        highest = np.maximum(last - 1, first)
        # knots lie nearly even: guess, step once, and search only where that was not enough
        knot = first + ((held - self.s[first]) * self._rate[strand]).astype(np.int64)
        knot = np.minimum(knot, highest)
        knot += (held >= self.s[np.minimum(knot + 1, last)]).astype(np.int64)
        knot = np.minimum(knot, last)  # a strand may have a single knot
        knot -= held < self.s[knot]
        knot = np.maximum(knot, first)
        knot = np.minimum(knot, highest)
        below = held < self.s[knot]
        above = (held >= self.s[np.minimum(knot + 1, last)]) & (knot < highest)
        rows = np.flatnonzero(below | above)
        if len(rows):
            key = (held[rows] - self.s.min()) + strand[rows] * self._span
            found = np.searchsorted(self._key, key, side="right") - 1
            knot[rows] = np.clip(found, first[rows], highest[rows])
        return Spots(strand, held, knot, np.minimum(knot + 1, last))

    def across(self, strand: IntArray, s: FloatArray) -> FloatArray:
        """Where a strand runs: straight from knot to knot."""
        if self.ruled:
            return self._on_line(strand, np.clip(s, self.start[strand], self.end[strand]))
        return self.across_at(self.find(strand, s))

    def across_at(self, spots: Spots) -> FloatArray:
        """Where strands run at spots."""
        one = self.a[spots.knot]
        where: FloatArray = one + self._share(spots) * (self.a[spots.following] - one)
        return where

    def _share(self, spots: Spots) -> FloatArray:
        """How far from one knot to the next spots are, 0 to 1."""
        one = self.s[spots.knot]
        share = (spots.s - one) / np.maximum(self.s[spots.following] - one, 1e-9)
        held: FloatArray = np.clip(share, 0.0, 1.0)
        return held

    def chords(self, spots: Spots) -> FloatArray:
        """Values straight from knot to knot, shape ``(c, m)``."""
        one = self.v.take(spots.knot, axis=1)
        following = self.v.take(spots.following, axis=1)
        values: FloatArray = one + self._share(spots) * (following - one)
        return values

    def values(self, spots: Spots, slope: FloatArray | None = None) -> FloatArray:
        """Values of strands at spots, shape ``(c, m)``.

        Parameters
        ----------
        spots
            Where.
        slope
            How the values change across, shape ``(c, m)``: what a wandering strand reads more or
            less because it leads aside follows its course, and the rest is the smooth curve.
        """
        first, last = self.first[spots.strand], self.first[spots.strand + 1] - 1
        before, after = spots.knot > first, spots.following < last
        outer = np.where(before, spots.knot - 1, first), np.where(after, spots.following + 1, last)
        rows = [outer[0], spots.knot, spots.following, outer[1]]
        y = [self.v.take(row, axis=1) for row in rows]
        if slope is not None:
            where = self.across_at(spots)
            y = [of - slope * (self.a[row] - where) for of, row in zip(y, rows)]
        return between([self.s[row] for row in rows], y, spots.s, before, after)

    def rise(self, spots: Spots, slope: FloatArray) -> FloatArray:
        """How the values change along a strand by chords, less what it leads aside, ``(c, m)``."""
        knot, following = spots.knot, spots.following
        step = np.maximum(self.s[following] - self.s[knot], 1e-9)
        change = self.v.take(following, axis=1) - self.v.take(knot, axis=1)
        rises: FloatArray = (change - slope * (self.a[following] - self.a[knot])) / step
        return rises

    @cached_property
    def _table(self) -> tuple[float, IntArray, IntArray, FloatArray]:
        """Strands by stretch along.

        Width of a stretch, first entry of each, and of each entry the strand and the place
        across, rising within the stretch.
        """
        width = max(2.0 * self.interval, 0.5 * self.separation)
        origin = float(self.low.min())
        width = max(width, (float(self.high.max()) - origin) / 4e6)
        from_, to = (
            np.floor((self.low - origin) / width).astype(np.int64),
            np.floor((self.high - origin) / width).astype(np.int64),
        )
        count = to - from_ + 1
        strand = np.repeat(np.arange(len(self)), count)
        number = np.arange(len(strand)) - np.repeat(np.cumsum(count) - count, count)
        stretch = from_[strand] + number
        across = self.across(strand, origin + (stretch + 0.5) * width)
        order = np.lexsort((across, stretch))
        first = np.searchsorted(stretch[order], np.arange(int(to.max()) + 2))
        return width, first, strand[order], across[order]

    @property
    def stretch(self) -> float:
        """Length of the stretches that strands next to each other are looked up by."""
        return self._table[0]

    @cached_property
    def _table_key(self) -> tuple[float, float, FloatArray]:
        """Lowest place across, room across, and a key of the entries that rises throughout."""
        _, first, _, across = self._table
        low = float(across.min()) - 1.0
        room = float(across.max()) + 1.0 - low
        stretch = np.repeat(np.arange(len(first) - 1), np.diff(first))
        return low, room, stretch * room + (across - low)

    def neighbours(self) -> tuple[IntArray, IntArray, FloatArray]:
        """Strands next to each other, once for every stretch: lower, upper, distance."""
        _, first, strand, across = self._table
        same = np.ones(len(strand), dtype=bool)
        same[first[1:-1][first[1:-1] < len(strand)]] = False
        upper = np.flatnonzero(same[1:]) + 1
        return strand[upper - 1], strand[upper], across[upper] - across[upper - 1]

    def beside(
        self,
        s: FloatArray,
        a: FloatArray,
        without: IntArray | None = None,
        within: bool = False,
        sight: Sight | None = None,
    ) -> Beside:
        """The strands on either side of places.

        Parameters
        ----------
        s, a
            Places along and across, shape ``(m,)``.
        without
            A strand for each place that does not count.
        within
            Whether a strand counts only between its first and last knot.
        sight
            What may hide strands from places.
        """
        width, first, strand, _ = self._table
        low, room, key = self._table_key
        stretches = len(first) - 1
        stretch = np.floor((s - self.low.min()) / width).astype(np.int64)
        on = (stretch >= 0) & (stretch < stretches)
        stretch = np.clip(stretch, 0, stretches - 1)
        middle = np.searchsorted(key, stretch * room + np.clip(a - low, 0.0, room))
        entry = middle + np.arange(-BESIDE, BESIDE)[:, np.newaxis]
        good = on & (entry >= first[stretch]) & (entry < first[stretch + 1])
        which = strand[np.clip(entry, 0, len(strand) - 1)]
        from_, to = (self.start, self.end) if within else (self.low, self.high)
        good &= (s >= from_[which]) & (s <= to[which])
        if without is not None:
            good &= which != without
        where = np.stack([self.across(strand, s) for strand in which])
        where[~good] = np.inf
        if sight is not None:
            held = np.clip(s, self.start[which], self.end[which])
            where[sight.hides(s, a, held, where)] = np.inf
        return _inner_four(which, where, a)


@dataclass(frozen=True, eq=False)
class Sight:
    """Barriers, seen from places told along and across."""

    barriers: Barriers
    bearing: float

    def turned(self, s: FloatArray, a: FloatArray) -> FloatArray:
        """Positions, shape ``(m, 2)``."""
        return along_back(s, a, self.bearing)

    def hides(self, s: FloatArray, a: FloatArray, to_s: FloatArray, to_a: FloatArray) -> BoolArray:
        """Whether barriers stand between places ``(m,)`` and places ``(k, m)``.

        A place that is infinite is hidden from nowhere.
        """
        hidden: BoolArray = np.zeros(to_s.shape, dtype=np.bool_)
        here = self.turned(s, a)
        known = np.isfinite(to_a)
        apart = np.hypot(np.where(known, to_a - a, 0.0), to_s - s).max(axis=0)
        near = np.flatnonzero(self.barriers.within(here, apart))
        for k in range(len(to_s)):
            rows = near[known[k, near]]
            there = self.turned(to_s[k, rows], to_a[k, rows])
            hidden[k, rows] = self.barriers.hide(here[rows], there)
        return hidden


def _inner_four(which: IntArray, where: FloatArray, a: FloatArray) -> Beside:
    """Two strands below each place and two above, of those found, infinite for none."""
    mend = np.flatnonzero((where[1:] < where[:-1]).any(axis=0))
    if len(mend):
        order = np.argsort(where[:, mend], axis=0, kind="stable")
        where[:, mend] = np.take_along_axis(where[:, mend], order, axis=0)
        which[:, mend] = np.take_along_axis(which[:, mend], order, axis=0)
    below = (where <= a).sum(axis=0)
    row = below + np.arange(-2, 2)[:, np.newaxis]
    held = np.clip(row, 0, len(where) - 1)
    across = np.take_along_axis(where, held, axis=0)
    there = (row >= 0) & (row < len(where)) & np.isfinite(across)
    return Beside(np.take_along_axis(which, held, axis=0), np.where(there, across, 0.0), there)
