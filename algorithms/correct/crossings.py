"""Where walked lines cross, found from their positions alone, and what each read there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray, IntArray, Readings
from .windows import GAP, Walk

BATCH = 1 << 20
"""Pairs of steps looked at at a time; bounds the memory."""


@dataclass(frozen=True, eq=False)
class Crossings:
    """Places where a line of one set crosses a line of another, ``k`` of them.

    Parameters
    ----------
    x, y
        Where, ``(k,)``, map units.
    line
        Number of the two lines in `Readings.lines`, ``(k, 2)``.
    before, after
        Rows of the readings on either side of the crossing, ``(k, 2)``, for each line.
    share
        How far along from the one to the other, 0 to 1, ``(k, 2)``.
    """

    x: FloatArray
    y: FloatArray
    line: IntArray
    before: IntArray
    after: IntArray
    share: FloatArray

    def __len__(self) -> int:
        return len(self.x)

    def at(self, column: FloatArray) -> FloatArray:
        """Values of a column ``(n,)`` interpolated at the crossings along both lines, ``(k, 2)``.

        A crossing that falls on a reading takes that reading alone, whatever lies beside it.
        """
        low, high = column[self.before], column[self.after]
        between = low + self.share * (high - low)
        found: FloatArray = np.where(self.share == 0, low, np.where(self.share == 1, high, between))
        return found

    def take(self, kept: BoolArray | IntArray) -> Crossings:
        """Only some of the crossings."""
        return Crossings(
            self.x[kept],
            self.y[kept],
            self.line[kept],
            self.before[kept],
            self.after[kept],
            self.share[kept],
        )


@dataclass(frozen=True, eq=False)
class _Steps:
    """Steps from reading to reading of a set of lines, ``(s,)`` each, positions ``(s, 2)``."""

    start: FloatArray
    end: FloatArray
    before: IntArray
    after: IntArray
    line: IntArray
    last: BoolArray

    def take(self, rows: IntArray) -> _Steps:
        return _Steps(
            self.start[rows],
            self.end[rows],
            self.before[rows],
            self.after[rows],
            self.line[rows],
            self.last[rows],
        )


def find_crossings(
    readings: Readings,
    first: BoolArray,
    second: BoolArray | None = None,
    progress: Progress = keep_going,
) -> Crossings:
    """Find where lines cross, in order of the first line, then of the second, then along it.

    Parameters
    ----------
    readings
        The survey.
    first
        Which of `Readings.lines` are in the first set (tie lines, say), shape ``(l,)``.
    second
        Which are in the second; None for all that are not in the first. A line does not cross
        itself, and two lines in both sets are taken once, the earlier of them first.

    Returns
    -------
    Crossings
        Steps longer than `windows.GAP` usual steps are gaps and cross nothing; lines that run along
        each other do not cross. Readings without position are stepped over.

    Examples
    --------
    >>> r = Readings.build(x=[0, 2, 1, 1], y=[0, 0, -1, 3], values=[10, 20, 1, 5],
    ...                    line=[1, 1, 2, 2])
    >>> found = find_crossings(r, np.array([True, False]))
    >>> found.x.tolist(), found.y.tolist(), found.at(r.values[:, 0]).tolist()
    ([1.0], [0.0], [[15.0, 2.0]])
    """
    second = ~first if second is None else second
    steps = _steps_of(readings)
    one = steps.take(np.flatnonzero(first[steps.line]))
    two = steps.take(np.flatnonzero(second[steps.line]))
    both = first & second
    parts: list[Crossings] = []
    if len(one.line) and len(two.line):
        # A hair more than the longest step, so that no step touches more than four cells.
        size = 1.000001 * max(float(np.abs(s.end - s.start).max()) for s in (one, two))
        origin = np.minimum(np.minimum(one.start, one.end).min(axis=0), two.start.min(axis=0))
        size = size if size > 0 else 1.0
        cells, rows = _cells(two, origin, size)
        order = np.argsort(cells, kind="stable")
        cells, rows = cells[order], rows[order]
        asked, asking = _cells(one, origin, size)
        low = np.searchsorted(cells, asked, "left")
        count = np.searchsorted(cells, asked, "right") - low
        total = np.concatenate([[0], np.cumsum(count)])
        start = 0
        while start < len(asked):
            advance(progress, start / len(asked))
            stop = int(np.searchsorted(total, total[start] + BATCH, "right")) - 1
            stop = min(max(stop, start + 1), len(asked))
            some = count[start:stop]
            place = np.arange(int(some.sum())) - np.repeat(np.cumsum(some) - some, some)
            i = np.repeat(asking[start:stop], some)
            j = rows[np.repeat(low[start:stop], some) + place]
            parts.append(_crossings_of(one, two, i, j, both))
            start = stop
    return _joined(parts)


def _steps_of(readings: Readings) -> _Steps:
    """All steps between neighbouring placed readings, gaps left out."""
    walk = Walk.of(readings)
    x, y = readings.x[walk.rows], readings.y[walk.rows]
    placed = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    line = walk.number[placed]
    same = line[1:] == line[:-1]
    length = np.hypot(np.diff(x[placed]), np.diff(y[placed]))
    moving = length[same & (length > 0)]
    usual = float(np.median(moving)) if len(moving) else 0.0
    kept = np.flatnonzero(same & (length > 0) & (length <= GAP * usual))
    before, after = placed[kept], placed[kept + 1]
    ends_line = np.append(line[1:] != line[:-1], True)[kept + 1]
    return _Steps(
        np.column_stack([x[before], y[before]]),
        np.column_stack([x[after], y[after]]),
        walk.rows[before],
        walk.rows[after],
        line[kept].astype(np.int64),
        ends_line.astype(np.bool_),
    )


def _cells(steps: _Steps, origin: FloatArray, size: float) -> tuple[IntArray, IntArray]:
    """Numbers of the square cells that each step's bounding box touches, and the steps' rows."""
    low = np.floor((np.minimum(steps.start, steps.end) - origin) / size).astype(np.int64)
    high = np.floor((np.maximum(steps.start, steps.end) - origin) / size).astype(np.int64)
    rows = np.arange(len(low))
    cells, owners = [], []
    for right in (0, 1):
        for up in (0, 1):
            there = (low[:, 0] + right <= high[:, 0]) & (low[:, 1] + up <= high[:, 1])
            # One number for a cell; 2^31 cells across are more than any survey has.
            cells.append(((low[there, 0] + right) << 32) + low[there, 1] + up)
            owners.append(rows[there])
    return np.concatenate(cells), np.concatenate(owners)


def _crossings_of(one: _Steps, two: _Steps, i: IntArray, j: IntArray, both: BoolArray) -> Crossings:
    """Which of the pairs of steps cross, and where."""
    a, b = one.line[i], two.line[j]
    apart = (a != b) & ~(both[a] & both[b] & (a > b))
    i, j = i[apart], j[apart]
    p, q = one.start[i], two.start[j]
    r, s = one.end[i] - p, two.end[j] - q
    turn = r[:, 0] * s[:, 1] - r[:, 1] * s[:, 0]
    gap = q - p
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (gap[:, 0] * s[:, 1] - gap[:, 1] * s[:, 0]) / turn
        u = (gap[:, 0] * r[:, 1] - gap[:, 1] * r[:, 0]) / turn
    scale = np.hypot(r[:, 0], r[:, 1]) * np.hypot(s[:, 0], s[:, 1])
    t, u = _snapped(t), _snapped(u)
    # A reading that two steps share belongs to the later one, but for the end of the line.
    on_one = (t >= 0) & ((t < 1) | ((t == 1) & one.last[i]))
    on_two = (u >= 0) & ((u < 1) | ((u == 1) & two.last[j]))
    hit = np.flatnonzero((np.abs(turn) > 1e-9 * scale) & on_one & on_two)
    i, j, t, u = i[hit], j[hit], t[hit], u[hit]
    place = one.start[i] + t[:, np.newaxis] * (one.end[i] - one.start[i])
    return Crossings(
        place[:, 0],
        place[:, 1],
        np.column_stack([one.line[i], two.line[j]]),
        np.column_stack([one.before[i], two.before[j]]),
        np.column_stack([one.after[i], two.after[j]]),
        np.column_stack([t, u]),
    )


def _snapped(share: FloatArray) -> FloatArray:
    """Shares with rounding at the ends taken away."""
    near: FloatArray = np.where(np.abs(share) < 1e-9, 0.0, share)
    near[np.abs(near - 1) < 1e-9] = 1.0
    return near


def _joined(parts: list[Crossings]) -> Crossings:
    if not parts:
        none, pairs = np.empty(0), np.empty((0, 2), np.int64)
        return Crossings(none, none, pairs, pairs, pairs, np.empty((0, 2)))
    x = np.concatenate([part.x for part in parts])
    line = np.concatenate([part.line for part in parts])
    before = np.concatenate([part.before for part in parts])
    # Two steps may share several cells, and so meet several times.
    _, kept = np.unique(np.hstack([line, before]), axis=0, return_index=True)
    whole = Crossings(
        x,
        np.concatenate([part.y for part in parts]),
        line,
        before,
        np.concatenate([part.after for part in parts]),
        np.concatenate([part.share for part in parts]),
    )
    return whole.take(kept)
