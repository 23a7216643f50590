"""Traverse separation, reading interval and walking direction, measured from the readings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import ConvexHull

from ..readings import FloatArray, IntArray, Readings
from .search import search_tree

SAMPLE = 4000
"""Readings at which the separation is measured: enough for a median, however large the survey."""
NEIGHBOUR_CELLS = 4_000_000
"""Most entries of one neighbour table."""
DETOUR = 4.0
"""On a track, another pass is where walking there takes this many times the direct distance."""
CHORD = 8
"""Steps spanned when measuring a direction, so that position noise averages out."""
HEAP = 5.0
"""Rows of one track that step this many times the nearest distance are in no walking order."""
PARALLEL = 0.5
"""Least strength (0 to 1) at which the walking directions count as one common direction."""


@dataclass(frozen=True)
class Spacing:
    """How closely a survey was walked and read, in map units.

    Parameters
    ----------
    separation
        Distance across from a traverse to its nearest neighbour.
    interval
        Distance from a reading to the next along its traverse.
    """

    separation: float
    interval: float

    @property
    def cell_size(self) -> float:
        """Half the separation, not finer than the interval, as a neat figure."""
        return neat_near(max(self.separation / 2, self.interval), least=0.9 * self.interval)

    @property
    def blanking_distance(self) -> float:
        """One and a half times the wider spacing.

        The middle of the gap that one missing traverse leaves is one separation from the
        readings: the gap closes, even where the lines wander by a quarter of the separation to
        either side. A gap of more than three separations stays open.
        """
        return 1.5 * max(self.separation, self.interval)

    @property
    def explanation(self) -> str:
        """How the cell size follows, as a sentence for the user."""
        return (
            f"Measured traverse separation {self.separation:.3g}, reading interval "
            f"{self.interval:.3g}: suggested cell size {self.cell_size:g} "
            "(half the separation, not finer than the interval, as a neat figure)."
        )


def neat_figures(decade: int) -> FloatArray:
    """The neat figures 1, 2, 2.5 and 5 of a power of ten."""
    scale = 10.0 ** abs(decade)
    figures = np.array([1.0, 2.0, 2.5, 5.0])
    neat: FloatArray = figures / scale if decade < 0 else figures * scale
    return neat


def neat_near(size: float, least: float = 0.0) -> float:
    """The neat figure (1, 2, 2.5 or 5 times a power of ten) nearest in proportion to `size`.

    Examples
    --------
    >>> neat_near(0.24), neat_near(0.9), neat_near(0.3, least=0.28)
    (0.25, 1.0, 0.5)
    """
    decade = math.floor(math.log10(size))
    figures = np.concatenate([neat_figures(decade + step) for step in (-1, 0, 1)])
    figures = figures[figures >= least]
    return float(figures[np.argmin(np.abs(np.log(figures / size)))])


def neat_at_least(size: float) -> float:
    """The smallest neat figure that is not below `size`.

    Examples
    --------
    >>> neat_at_least(0.21), neat_at_least(6)
    (0.25, 10.0)
    """
    decade = math.floor(math.log10(size))
    figures = np.concatenate([neat_figures(decade), neat_figures(decade + 1)])
    return float(figures[figures >= size].min())


def significant(distance: float) -> float:
    """A distance less the rounding noise of map coordinates: six significant figures."""
    return float(f"{distance:.6g}")


def measure(readings: Readings) -> Spacing:
    """Traverse separation and reading interval of a survey.

    Raises
    ------
    ValueError
        If the readings do not show either; see `traverse_separation`.
    """
    return Walk(readings).spacing


def suggest_cell_size(readings: Readings) -> float:
    """A cell size that suits the readings, map units.

    Common practice, no source: about half the traverse separation, so that every gap between
    traverses holds a cell, yet not finer than the reading interval, since finer cells draw
    detail nobody measured; rounded to a neat figure (1, 2, 2.5, 5).

    Raises
    ------
    ValueError
        If the readings do not show their spacing; see `traverse_separation`.

    Examples
    --------
    >>> east, north = np.meshgrid(np.arange(0, 10, 0.5), np.arange(0, 10, 0.125))
    >>> r = Readings.build(x=east.T.ravel(), y=north.T.ravel(), values=np.zeros(1600),
    ...                    line=np.repeat(np.arange(20), 80))
    >>> suggest_cell_size(r)
    0.25
    """
    return measure(readings).cell_size


def reading_interval(readings: Readings) -> float:
    """Median distance from a reading to the next along its traverse, map units.

    Readings that repeat the position before them do not count. Where no traverse has two
    readings, the median distance from a reading to the nearest other.

    Raises
    ------
    ValueError
        If fewer than two positions are known.
    """
    return Walk(readings).measured_interval


def traverse_separation(readings: Readings) -> float:
    """Median distance across from each traverse to its nearest neighbouring traverse, map units.

    From readings spread along every traverse, the nearest reading of another traverse is found
    and the distance taken square to the walking direction. The median is taken along each
    traverse, then over the traverses, so that tie lines, repeated lines and ends that meet the
    next data grid do not matter.

    A single track that turns back and forth has no other traverses: there the nearest reading of
    another pass serves, one that took a detour to walk to. Readings in no walking order at all
    are as far apart as their number spread evenly over their outline would be.

    Raises
    ------
    ValueError
        If the readings lie on a single line or in a single place. A cell size and a blanking
        distance given by the user do without.
    """
    return Walk(readings).separation


def traverse_bearing(readings: Readings) -> float | None:
    """Direction in which the traverses run, degrees clockwise from grid north, 0 to below 180.

    The axial mean (by doubled angles) of the directions walked, weighted by their length, so
    that the two directions of a zigzag agree.

    Returns
    -------
    float or None
        None if the readings were walked in no common direction.

    References
    ----------
    N. I. Fisher (1993), *Statistical Analysis of Circular Data*, for the mean of axes.
    """
    return Walk(readings).bearing


class Walk:
    """The placed readings in walking order, traverse by traverse, those of none last.

    Parameters
    ----------
    readings
        In any order.

    Attributes
    ----------
    order
        Their rows, shape ``(m,)``.
    run_of
        Number of the traverse each is on, counting from 0, shape ``(m,)``; -1 for none.
    untold
        Whether no reading is on a traverse: in the order of their rows they may be a track then,
        and count as one here.
    """

    def __init__(self, readings: Readings) -> None:
        placed = np.isfinite(readings.x) & np.isfinite(readings.y)
        rows = [line.rows for line in readings.lines]
        self.untold = not rows
        if self.untold:
            rows = [np.arange(len(placed))]
        if not placed.all():
            rows = [kept for kept in (r[placed[r]] for r in rows) if len(kept)]
        loose = placed
        for r in rows:
            loose[r] = False
        self.order: IntArray = np.concatenate([*rows, np.flatnonzero(loose)])
        sizes: IntArray = np.array([len(r) for r in rows], dtype=np.int64)
        self._walked = int(sizes.sum())
        self._end: IntArray = np.cumsum(sizes)
        self._start: IntArray = self._end - sizes
        self.run_of: IntArray = np.full(len(self.order), -1, dtype=np.int64)
        self.run_of[: self._walked] = np.repeat(np.arange(len(rows)), sizes)
        # from a local origin; axis by axis, which is much quicker than both at once
        self._xy: FloatArray = np.empty((len(self.order), 2))
        self._extent = 0.0
        for axis, along in enumerate((readings.x, readings.y)):
            if len(self.order):
                own = along[self.order]
                own -= own.min()
                self._xy[:, axis] = own
                self._extent = max(self._extent, float(own.max()))

    @property
    def spacing(self) -> Spacing:
        """Separation and interval; see `measure`."""
        return Spacing(self.separation, self.measured_interval)

    @property
    def measured_interval(self) -> float:
        """The reading interval; see `reading_interval`."""
        if self.positions < 2:
            raise ValueError(
                "The spacing of the readings cannot be measured: they show "
                f"{self.positions} position(s). Give a cell size and a blanking distance."
            )
        return significant(self.interval)

    @property
    def separation(self) -> float:
        """The traverse separation; see `traverse_separation`."""
        across = self.across()
        if across is None and (self.untold or not (self._walked and self.ordered)):
            across = self.even_spacing()
        if across is None:
            raise ValueError(
                "The traverse separation cannot be measured: the readings show no second traverse "
                "beside the first. Choose the line field that tells the traverses apart, or give "
                "a cell size and a blanking distance."
            )
        return significant(across)

    @property
    def bearing(self) -> float | None:
        """The common direction of the traverses; see `traverse_bearing`."""
        total, doubled = 0.0, 0j
        for start, end in zip(self._start, self._end):
            if end - start > 1 and self.ordered:
                span = min(CHORD, end - start - 1)
                east, north = (self._xy[start + span : end] - self._xy[start : end - span]).T
                length = np.hypot(east, north)
                total += float(length.sum())
                # length * exp(2i * bearing), without the angle
                length[length == 0] = 1.0
                doubled += complex(((north + 1j * east) ** 2 / length).sum())
        if total == 0 or abs(doubled) < PARALLEL * total:
            return None
        bearing = math.degrees(math.atan2(doubled.imag, doubled.real)) / 2 % 180.0
        return 0.0 if bearing > 180.0 - 1e-9 else bearing

    @cached_property
    def positions(self) -> int:
        """How many different positions there are, counted no further than three."""
        count = 0
        for seen in (self._xy[:SAMPLE], self._xy):  # the first few tell, as a rule
            count = 0
            while count < 3 and len(seen):
                count += 1
                seen = seen[(seen[:, 0] != seen[0, 0]) | (seen[:, 1] != seen[0, 1])]
            if count == 3:
                break
        return count

    @cached_property
    def steps(self) -> FloatArray:
        """Distance walked to each reading of a traverse from the one before; 0 at its start."""
        step: FloatArray = np.zeros(self._walked)
        east, north = self._xy[: self._walked].T
        np.hypot(np.diff(east), np.diff(north), out=step[1:])
        step[self._start] = 0.0
        return step

    @cached_property
    def step(self) -> float:
        """Median of the steps that lead on; 0 where none does."""
        moved = self.steps[self.steps > 0]
        return float(np.median(moved)) if len(moved) else 0.0

    @cached_property
    def interval(self) -> float:
        """Median distance from a reading to the next, or to the nearest other in a heap."""
        return self.step if self.step and self.ordered else self.nearest

    @cached_property
    def ordered(self) -> bool:
        """Whether the readings follow each other on the ground; a heap of rows does not."""
        return len(self._start) > 1 or not self.step or self.step <= HEAP * self.nearest

    @cached_property
    def _distinct(self) -> FloatArray:
        """Every position once, as `numpy.unique` gives them but much sooner."""
        xy: FloatArray = self._xy[np.lexsort((self._xy[:, 1], self._xy[:, 0]))]
        new = np.ones(len(xy), dtype=np.bool_)
        new[1:] = (xy[1:, 0] != xy[:-1, 0]) | (xy[1:, 1] != xy[:-1, 1])
        distinct: FloatArray = xy[new]
        return distinct

    @cached_property
    def nearest(self) -> float:
        """Median distance from a reading to the nearest other position."""
        positions = self._distinct
        some = positions[:: -(-len(positions) // SAMPLE)]
        return float(np.median(search_tree(positions).query(some, k=2)[0][:, 1]))

    def across(self) -> float | None:
        """Separation across, by traverses or by the passes of one track; None if neither shows."""
        if not self._walked or self.positions < 3 or not self.ordered:
            return None
        share = max(2, SAMPLE // len(self._start))
        gap = (self._end - self._start - 1) / (share + 1)
        spread = np.arange(1, share + 1) * gap[:, np.newaxis]
        sample = np.unique(self._start[:, np.newaxis] + spread.astype(np.int64))
        other = self._nearest_of_another_pass(sample)
        sample, other = sample[other >= 0], other[other >= 0]
        if not len(sample):
            return None
        offset = self._xy[other] - self._xy[sample]
        run = self.run_of[sample]
        first, last = self._start[run], self._end[run] - 1
        half = CHORD // 2
        way = self._xy[np.minimum(sample + half, last)] - self._xy[np.maximum(sample - half, first)]
        length = np.hypot(*way.T)
        cross = np.abs(way[:, 0] * offset[:, 1] - way[:, 1] * offset[:, 0])
        square = np.where(
            length > 0, cross / np.where(length > 0, length, 1.0), np.hypot(*offset.T)
        )
        each = [
            float(np.median(part)) for part in np.split(square, np.flatnonzero(np.diff(run)) + 1)
        ]
        separation = float(np.median(each))
        return separation if separation > 1e-6 * self._extent else None

    def _nearest_of_another_pass(self, sample: IntArray) -> IntArray:
        """Index of the nearest reading on another pass for each of `sample`; -1 if not found."""
        xy = self._xy[: self._walked]
        tree = search_tree(xy)
        walked = np.cumsum(self.steps)
        found = np.full(len(xy), -1)
        pending, k = sample, 16
        while len(pending):
            k = min(k, len(xy))
            most = max(1, NEIGHBOUR_CELLS // k)
            pending = pending[:: -(-len(pending) // most)]
            distance, near = tree.query(xy[pending], k=k)
            if len(self._start) > 1:
                another = self.run_of[near] != self.run_of[pending, np.newaxis]
            else:
                way = np.abs(walked[near] - walked[pending, np.newaxis])
                another = (way > DETOUR * distance) & (distance > self.interval)
            hit = another.any(axis=1)
            found[pending[hit]] = near[hit, np.argmax(another[hit], axis=1)]
            pending = pending[~hit]
            if k == len(xy):
                break
            k *= 2
        return found[sample]

    def even_spacing(self) -> float | None:
        """Side of the square each reading would have, spread evenly over the outline."""
        positions = self._distinct
        if len(positions) < 3:
            return None
        spread = np.linalg.svd(positions - positions.mean(axis=0), compute_uv=False)
        if spread[1] < 1e-6 * spread[0]:
            return None
        return math.sqrt(ConvexHull(positions).volume / len(positions))
