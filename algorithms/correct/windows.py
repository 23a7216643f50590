"""Running order statistics along traverses: one kernel for every window.

A window is a range of places ``low <= place < high`` in the readings put traverse after traverse in
walking order. It never reaches into another traverse and holds no invented value: at the ends of a
traverse it is simply shorter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..progress import Progress, advance, keep_going
from ..readings import FloatArray, IntArray, Readings

BATCH = 1 << 21
"""Window cells worked on at a time; bounds the memory."""

MAD_TO_SIGMA = 1.482602218505602
"""Gaussian standard deviation per median absolute deviation, 1 / Phi^-1(3/4)."""


@dataclass(frozen=True, eq=False)
class Walk:
    """Readings traverse by traverse in walking order; those of no traverse are left out.

    Parameters
    ----------
    rows
        Row of the reading at each place, shape ``(m,)``.
    first, last
        First place of the traverse and the place after its last, for every place, ``(m,)``.
    distance
        Walked distance from the first placed reading of the traverse, map units, ``(m,)``; NaN
        where a position is missing.
    """

    rows: IntArray
    first: IntArray
    last: IntArray
    distance: FloatArray

    @classmethod
    def of(cls, readings: Readings) -> Walk:
        """Put readings into walking order."""
        lines = readings.lines
        if not lines:
            none = np.empty(0, np.int64)
            return cls(none, none, none, np.empty(0))
        rows = np.concatenate([traverse.rows for traverse in lines])
        counts = np.array([len(traverse.rows) for traverse in lines])
        ends = np.cumsum(counts)
        first = np.repeat(ends - counts, counts)
        last = np.repeat(ends, counts)
        x, y = readings.x[rows], readings.y[rows]
        # A missing position is stepped over: its neighbours are as far apart as they lie.
        placed = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
        start = first[placed]
        step = np.hypot(np.diff(x[placed]), np.diff(y[placed]))
        step[np.diff(start) > 0] = 0.0
        total = np.concatenate([[0.0], np.cumsum(step)])[: len(placed)]
        distance = np.full(len(rows), np.nan)
        distance[placed] = total - total[np.searchsorted(start, start)]
        return cls(rows, first, last, distance)

    def by_count(self, count: int) -> tuple[IntArray, IntArray]:
        """Windows of `count` readings (odd) centred on each place."""
        place = np.arange(len(self.rows))
        half = count // 2
        return np.maximum(place - half, self.first), np.minimum(place + half + 1, self.last)

    def by_distance(self, width: float) -> tuple[IntArray, IntArray]:
        """Windows of `width` map units, measured along the walk, centred on each place.

        A reading without a position has a window of its own place only.
        """
        place = np.arange(len(self.rows))
        known = np.isfinite(self.distance)
        reach = float(np.nanmax(self.distance, initial=0.0)) + width + 1.0
        traverse = np.cumsum(place == self.first) - 1
        # One rising axis for all traverses: no window can reach over the gap between two.
        axis = self.distance[known] + traverse[known] * 2.0 * reach
        at = place[known]
        slack = 1e-9 * reach
        low, high = place.copy(), place + 1
        low[known] = at[np.searchsorted(axis, axis - width / 2 - slack, side="left")]
        high[known] = at[np.searchsorted(axis, axis + width / 2 + slack, side="right") - 1] + 1
        return low, high


def running_median(
    values: FloatArray, low: IntArray, high: IntArray, progress: Progress = keep_going
) -> FloatArray:
    """Median of each window, NaN ignored.

    Parameters
    ----------
    values
        Shape ``(m,)``, in walking order.
    low, high
        Windows, shape ``(m,)``.

    Returns
    -------
    array
        Shape ``(m,)``; NaN where a window holds no value.

    Examples
    --------
    >>> running_median(np.array([1.0, 9.0, 2.0]), np.array([0, 0, 1]), np.array([2, 3, 3])).tolist()
    [5.0, 2.0, 5.5]
    """
    return _running(values, None, low, high, progress)


def running_deviation(
    values: FloatArray,
    centre: FloatArray,
    low: IntArray,
    high: IntArray,
    progress: Progress = keep_going,
) -> FloatArray:
    """Median absolute deviation of each window from its own `centre`, shape ``(m,)``."""
    return _running(values, centre, low, high, progress)


def _running(
    values: FloatArray,
    centre: FloatArray | None,
    low: IntArray,
    high: IntArray,
    progress: Progress,
) -> FloatArray:
    m = len(values)
    found = np.full(m, np.nan)
    if m == 0:
        return found
    # The longest windows decide a batch's width, so batches go by place, where lengths are alike.
    batch = max(1, BATCH // int((high - low).max()))
    for start in range(0, m, batch):
        advance(progress, start / m)
        stop = min(start + batch, m)
        width = int((high[start:stop] - low[start:stop]).max())
        at = low[start:stop, np.newaxis] + np.arange(width)
        inside = at < high[start:stop, np.newaxis]
        window = np.where(inside, values[np.minimum(at, m - 1)], np.nan)
        if centre is not None:
            window = np.abs(window - centre[start:stop, np.newaxis])
        found[start:stop] = row_medians(window)
    return found


def row_medians(table: FloatArray) -> FloatArray:
    """Median of each row, NaN ignored: NaN for a row without values."""
    ordered = np.sort(table, axis=1)  # NaN goes to the end
    count = np.count_nonzero(~np.isnan(ordered), axis=1)
    rows = np.arange(len(ordered))
    upper = ordered[rows, np.minimum(count // 2, ordered.shape[1] - 1)]
    lower = ordered[rows, np.maximum((count - 1) // 2, 0)]
    return np.where(count > 0, (lower + upper) / 2, np.nan)
