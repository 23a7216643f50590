"""Running order statistics along traverses: one kernel for every window.

A window is a range of places ``low <= place < high`` in the readings put traverse after traverse in
walking order. It never reaches into another traverse and holds no invented value: at the ends of a
traverse it is simply shorter.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from ..progress import Progress, advance, keep_going
from ..readings import FloatArray, IntArray, Readings

BATCH = 1 << 21
"""Window cells worked on at a time; bounds the memory."""

NARROWEST = 65
"""Windows of up to so many readings are sorted side by side."""

NARROW_BATCH = 1 << 17
"""Window cells of these worked on at a time: as many as the processor keeps at hand."""

GAP = 5.0
"""A step along a traverse longer than this many usual ones is a gap: nothing was read on it."""

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

    def parted(self) -> Walk:
        """The same walk with each traverse ended before a gap and begun anew behind it.

        A gap is a step of more than `GAP` times the median one, such as ground left out. Windows
        then reach over none; what lies on its two sides need not be alike.
        """
        known = np.flatnonzero(np.isfinite(self.distance))
        step = np.diff(self.distance[known])
        step[self.first[known[1:]] != self.first[known[:-1]]] = 0.0
        moved = step[step > 0]
        if not len(moved):
            return self
        behind = known[1:][step > GAP * np.median(moved)]
        place = np.arange(len(self.rows))
        starts = np.unique(np.concatenate([self.first, behind]))
        number = np.searchsorted(starts, place, side="right") - 1
        first = starts[number]
        last = np.append(starts[1:], len(place))[number]
        return Walk(self.rows, first, last, self.distance)

    @property
    def number(self) -> IntArray:
        """Number of the stretch at each place, ``(m,)``: of a whole walk, of the traverse.

        That of a traverse is its place in `Readings.lines`.
        """
        numbers: IntArray = np.cumsum(self.first == np.arange(len(self.first))) - 1
        return numbers

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
        traverse = self.number
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
    longest = max(1, int((high - low).max()))
    batch = max(1, (NARROW_BATCH if longest <= NARROWEST else BATCH) // longest)
    for start in range(0, m, batch):
        advance(progress, start / m)
        stop = min(start + batch, m)
        first, length = low[start:stop], (high - low)[start:stop]
        width = int(length.max())
        table = np.empty((width, stop - start))
        for step in range(width):
            column = values[np.minimum(first + step, m - 1)]
            if centre is not None:
                column = np.abs(column - centre[start:stop])
            table[step] = np.where(step < length, column, np.nan)
        found[start:stop] = (
            column_medians(table) if width <= NARROWEST else row_medians(table.T.copy())
        )
    return found


def column_medians(table: FloatArray) -> FloatArray:
    """Median of each column of a low table, NaN ignored: NaN for a column without values.

    All columns are sorted side by side by the same exchanges, which is several times quicker than
    one after the other.

    References
    ----------
    K. E. Batcher (1968), *Sorting networks and their applications*, AFIPS Spring Joint Computer
    Conference 32, 307-314: merge exchange.

    Examples
    --------
    >>> column_medians(np.array([[3.0, np.nan], [1.0, 5.0], [2.0, np.nan]])).tolist()
    [2.0, 5.0]
    """
    height = len(table)
    missing = np.isnan(table)
    count = height - missing.sum(axis=0)
    rows = [np.where(gone, np.inf, row) for row, gone in zip(table, missing)]
    for i, j in exchanges(height):
        rows[i], rows[j] = np.minimum(rows[i], rows[j]), np.maximum(rows[i], rows[j])
    ordered = np.array(rows)
    columns = np.arange(table.shape[1])
    upper = ordered[np.minimum(count // 2, height - 1), columns]
    lower = ordered[np.maximum((count - 1) // 2, 0), columns]
    with np.errstate(invalid="ignore"):
        return np.where(count > 0, (lower + upper) / 2, np.nan)


@cache
def exchanges(count: int) -> tuple[tuple[int, int], ...]:
    """Pairs of places to put in order, one after the other, that sort `count` values.

    Examples
    --------
    >>> exchanges(3)
    ((0, 2), (0, 1), (1, 2))
    """
    pairs = []
    top = 1 << max(count - 1, 0).bit_length() >> 1
    p = top
    while p > 0:
        q, r, d = top, 0, p
        while True:
            pairs += [(i, i + d) for i in range(count - d) if i & p == r]
            if q == p:
                break
            d, q, r = q - p, q >> 1, p
        p >>= 1
    return tuple(pairs)


def row_medians(table: FloatArray) -> FloatArray:
    """Median of each row, NaN ignored: NaN for a row without values."""
    ordered = np.sort(table, axis=1)  # NaN goes to the end
    count = np.count_nonzero(~np.isnan(ordered), axis=1)
    rows = np.arange(len(ordered))
    upper = ordered[rows, np.minimum(count // 2, ordered.shape[1] - 1)]
    lower = ordered[rows, np.maximum((count - 1) // 2, 0)]
    return np.where(count > 0, (lower + upper) / 2, np.nan)
