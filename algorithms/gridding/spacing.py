"""Traverse separation, reading interval and walking direction, measured from the readings."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.spatial import ConvexHull, cKDTree

from ..readings import FloatArray, IntArray, Readings

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
    walk = _Walk(readings)
    return Spacing(walk.separation, walk.measured_interval)


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
    return _Walk(readings).measured_interval


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
    return _Walk(readings).separation


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
    walk = _Walk(readings)
    chord = [_chords(walk.xy[run]) for run in walk.runs if len(run) > 1 and walk.ordered]
    east, north = np.concatenate(chord).T if chord else np.zeros((2, 0))
    length = np.hypot(east, north)
    total = length.sum()
    if total == 0:
        return None
    doubled = np.sum(length * np.exp(2j * np.arctan2(east, north))) / total
    if abs(doubled) < PARALLEL:
        return None
    bearing = math.degrees(float(np.angle(doubled))) / 2 % 180.0
    return 0.0 if bearing > 180.0 - 1e-9 else bearing


def _chords(xy: FloatArray) -> FloatArray:
    """Displacements over `CHORD` steps along one traverse, or over all of a shorter one."""
    span = min(CHORD, len(xy) - 1)
    chords: FloatArray = xy[span:] - xy[:-span]
    return chords


class _Walk:
    """The placed readings in walking order, traverse by traverse, from a local origin."""

    def __init__(self, readings: Readings) -> None:
        xy = np.column_stack([readings.x, readings.y])
        placed = np.isfinite(readings.x) & np.isfinite(readings.y)
        rows = [line.rows[placed[line.rows]] for line in readings.lines]
        rows = [r for r in rows if len(r)]
        loose = placed.copy()
        for r in rows:
            loose[r] = False
        order = np.concatenate([*rows, np.flatnonzero(loose)])
        self.xy: FloatArray = xy[order] - (xy[order].min(axis=0) if len(order) else 0.0)
        sizes = [len(r) for r in rows]
        starts = np.cumsum([0, *sizes])
        self.runs: list[IntArray] = [
            np.arange(start, start + size) for start, size in zip(starts, sizes)
        ]
        self.run_of: IntArray = np.repeat(np.arange(len(rows)), sizes)

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
        if across is None and not (len(self.run_of) and self.ordered):
            across = self.even_spacing()
        if across is None:
            raise ValueError(
                "The traverse separation cannot be measured: the readings show no second traverse "
                "beside the first. Choose the line field that tells the traverses apart, or give "
                "a cell size and a blanking distance."
            )
        return significant(across)

    @cached_property
    def positions(self) -> int:
        """How many different positions there are, counted no further than three."""
        seen = self.xy
        for count in range(3):
            if not len(seen):
                return count
            seen = seen[(seen[:, 0] != seen[0, 0]) | (seen[:, 1] != seen[0, 1])]
        return 3

    @cached_property
    def steps(self) -> FloatArray:
        """Distance walked to each reading of a traverse from the one before; 0 at its start."""
        xy = self.xy[: len(self.run_of)]
        step: FloatArray = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
        step[np.flatnonzero(np.diff(self.run_of, prepend=-1))] = 0.0
        return step

    @cached_property
    def interval(self) -> float:
        moved = self.steps[self.steps > 0]
        return float(np.median(moved)) if len(moved) and self.ordered else self.nearest

    @cached_property
    def ordered(self) -> bool:
        """Whether the readings follow each other on the ground; a heap of rows does not."""
        moved = self.steps[self.steps > 0]
        return len(self.runs) > 1 or not len(moved) or bool(np.median(moved) <= HEAP * self.nearest)

    @cached_property
    def nearest(self) -> float:
        """Median distance from a reading to the nearest other position."""
        positions = np.unique(self.xy, axis=0)
        some = positions[:: -(-len(positions) // SAMPLE)]
        return float(np.median(cKDTree(positions).query(some, k=2)[0][:, 1]))

    def across(self) -> float | None:
        """Separation across, by traverses or by the passes of one track; None if neither shows."""
        if not len(self.run_of) or self.positions < 3 or not self.ordered:
            return None
        share = max(2, SAMPLE // len(self.runs))
        picks = [
            run[np.linspace(0, len(run) - 1, share + 2)[1:-1].astype(int)] for run in self.runs
        ]
        sample = np.unique(np.concatenate(picks))
        other = self._nearest_of_another_pass(sample)
        sample, other = sample[other >= 0], other[other >= 0]
        if not len(sample):
            return None
        offset = self.xy[other] - self.xy[sample]
        first = np.array([run[0] for run in self.runs])[self.run_of[sample]]
        last = np.array([run[-1] for run in self.runs])[self.run_of[sample]]
        half = CHORD // 2
        way = self.xy[np.minimum(sample + half, last)] - self.xy[np.maximum(sample - half, first)]
        length = np.hypot(*way.T)
        cross = np.abs(way[:, 0] * offset[:, 1] - way[:, 1] * offset[:, 0])
        square = np.where(
            length > 0, cross / np.where(length > 0, length, 1.0), np.hypot(*offset.T)
        )
        run = self.run_of[sample]
        each = [
            float(np.median(part)) for part in np.split(square, np.flatnonzero(np.diff(run)) + 1)
        ]
        separation = float(np.median(each))
        return separation if separation > 1e-6 * float(np.ptp(self.xy, axis=0).max()) else None

    def _nearest_of_another_pass(self, sample: IntArray) -> IntArray:
        """Index of the nearest reading on another pass for each of `sample`; -1 if not found."""
        xy = self.xy[: len(self.run_of)]
        tree = cKDTree(xy)
        walked = np.cumsum(self.steps)
        found = np.full(len(xy), -1)
        pending, k = sample, 16
        while len(pending):
            k = min(k, len(xy))
            most = max(1, NEIGHBOUR_CELLS // k)
            pending = pending[:: -(-len(pending) // most)]
            distance, near = tree.query(xy[pending], k=k)
            if len(self.runs) > 1:
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
        positions = np.unique(self.xy, axis=0)
        if len(positions) < 3:
            return None
        spread = np.linalg.svd(positions - positions.mean(axis=0), compute_uv=False)
        if spread[1] < 1e-6 * spread[0]:
            return None
        return math.sqrt(ConvexHull(positions).volume / len(positions))
