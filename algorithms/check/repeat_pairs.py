"""Pairs of readings at one place: of a line and its repeat, or of lines that cross."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..correct.crossings import find_crossings
from ..correct.windows import GAP, Walk
from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray, IntArray, Readings, Traverse

NEAREST = 8
"""Readings whose steps are looked at for the nearest line."""


@dataclass(frozen=True, eq=False)
class Pairs:
    """Values of two walks at the same places, ``p`` of them, along the second walk.

    Parameters
    ----------
    x, y
        Where, ``(p,)``, map units.
    first, second
        What was read there, ``(p, c)``, NaN where a channel has no usable value.
    line_first, line_second
        Number of the line in `lines_first` and `lines_second`, ``(p,)``; -1 for none.
    distance
        From the second reading to the first line, map units, ``(p,)``.
    carried
        Variance of the difference, in variances of one reading, if the noise of all readings is
        independent, ``(p,)``: 2 at a reading, less where a value is interpolated.
    lines_first, lines_second
        The lines of the two walks.
    """

    x: FloatArray
    y: FloatArray
    first: FloatArray
    second: FloatArray
    line_first: IntArray
    line_second: IntArray
    distance: FloatArray
    carried: FloatArray
    lines_first: tuple[Traverse, ...]
    lines_second: tuple[Traverse, ...]

    def __len__(self) -> int:
        return len(self.x)


def pair_crossings(
    readings: Readings, tie: BoolArray | None = None, progress: Progress = keep_going
) -> Pairs:
    """Pair what lines read where they cross, along each line of the second walk.

    The second walk are the `tie` lines, ``(l,)`` of `Readings.lines`; with None, the later by data
    grid and number of any two lines that cross.
    """
    every = np.ones(len(readings.lines), np.bool_)
    one, two = (every, every) if tie is None else (~tie, tie)
    found = find_crossings(readings, one, two, progress)
    usable = np.where(readings.usable, readings.values, np.nan)
    both = np.stack([found.at(column) for column in usable.T], axis=-1)
    walked = Walk.of(readings).rows
    place = np.empty(len(readings), np.int64)
    place[walked] = np.arange(len(walked))
    order = np.lexsort((found.share[:, 1], place[found.before[:, 1]], found.line[:, 1]))
    kept = order[np.isfinite(both[order]).all(axis=1).any(axis=1)]
    share = found.share[kept]
    return Pairs(
        found.x[kept], found.y[kept], both[kept, 0], both[kept, 1], found.line[kept, 0],
        found.line[kept, 1], np.zeros(len(kept)),
        (share**2 + (1.0 - share) ** 2).sum(axis=1), readings.lines, readings.lines,
    )  # fmt: skip


def pair_repeats(
    first: Readings, second: Readings, reach: float, progress: Progress = keep_going
) -> Pairs:
    """Pair repeat readings with the first survey's value at the nearest point of its lines.

    Between two readings of a line the value counts as changing evenly; steps of more than
    `GAP` usual steps are gaps. Pairs follow the repeat as it was walked, then its readings
    of no line.
    """
    walk, again = Walk.of(first), Walk.of(second)
    outside = np.setdiff1d(np.arange(len(second)), again.rows)
    rows = np.concatenate([again.rows, outside])
    number = np.concatenate([again.number, np.full(len(outside), -1)])
    placed = np.isfinite(second.x[rows]) & np.isfinite(second.y[rows])
    asking = np.flatnonzero(placed & (second.usable[rows].sum(axis=1) > 0))
    spots = np.column_stack([second.x[rows[asking]], second.y[rows[asking]]])
    near = _nearest(first, walk, spots, reach, progress)
    usable = np.where(first.usable, first.values, np.nan)
    low, high, share = usable[near.before], usable[near.after], near.share[:, np.newaxis]
    value = np.where(share == 0, low, np.where(share == 1, high, low + share * (high - low)))
    other = np.where(second.usable, second.values, np.nan)[rows[asking]]
    both = np.isfinite(value) & np.isfinite(other)
    kept = np.flatnonzero((near.distance <= reach) & both.any(axis=1))
    at = rows[asking[kept]]
    return Pairs(
        second.x[at], second.y[at], value[kept], other[kept], near.line[kept],
        number[asking[kept]], near.distance[kept],
        1.0 + near.share[kept] ** 2 + (1.0 - near.share[kept]) ** 2, first.lines, second.lines,
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class _Near:
    """Nearest points of lines, ``(m,)`` each: rows on either side, share between, distance."""

    before: IntArray
    after: IntArray
    share: FloatArray
    distance: FloatArray
    line: IntArray


def _nearest(
    first: Readings, walk: Walk, spots: FloatArray, reach: float, progress: Progress
) -> _Near:
    m = len(spots)
    best = _Near(
        np.zeros(m, np.int64), np.zeros(m, np.int64), np.zeros(m), np.full(m, np.inf),
        np.full(m, -1),
    )  # fmt: skip
    xy = np.column_stack([first.x[walk.rows], first.y[walk.rows]])
    place = np.flatnonzero(np.isfinite(xy).all(axis=1))
    if not len(place) or not m:
        return best
    xy, row, line = xy[place], walk.rows[place], walk.number[place]
    step = np.hypot(*np.diff(xy, axis=0).T)
    same = line[1:] == line[:-1]
    moving = step[same & (step > 0)]
    # A place without a step to the next is a step to itself.
    on = same & (step <= GAP * (float(np.median(moving)) if len(moving) else 0.0))
    after = np.arange(len(place)) + np.append(on, False)
    longest = float(step[on].max(initial=0.0))
    k = min(NEAREST, len(place))
    _, found = cKDTree(xy).query(spots, k=k, distance_upper_bound=reach + longest)
    for number, column in enumerate(found.reshape(m, k).T):
        advance(progress, number / k)
        there = np.flatnonzero(column < len(place))
        for start in (column[there], np.maximum(column[there] - 1, 0)):
            end = after[start]
            along = xy[end] - xy[start]
            length = (along**2).sum(axis=1)
            away = spots[there] - xy[start]
            share = (away * along).sum(axis=1) / np.where(length > 0, length, 1.0)
            share = np.clip(share, 0.0, 1.0)
            share[np.abs(share) < 1e-9] = 0.0
            share[np.abs(share - 1.0) < 1e-9] = 1.0
            distance = np.hypot(*(away - share[:, np.newaxis] * along).T)
            won = distance < best.distance[there]
            at = there[won]
            best.before[at], best.after[at] = row[start[won]], row[end[won]]
            best.share[at], best.distance[at] = share[won], distance[won]
            best.line[at] = line[start[won]]
    return best
