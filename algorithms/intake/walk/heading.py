"""Direction of travel along a traverse, from positions that jitter."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...readings import BoolArray, FloatArray, IntArray

ComplexArray = npt.NDArray[np.complex128]

WINDOW = 2.0
"""Metres of path that a direction of travel is taken from, unless told otherwise."""

STRAIGHT = 0.5
"""Share of the path walked within the window that leads onwards: below it, no direction is told."""

BLOCK = 1024
"""Readings whose sums are taken together, about a centre of their own, to keep their digits."""


@dataclass(frozen=True, eq=False)
class Travel:
    """How the readings of one traverse were walked, each array ``(n,)``.

    Parameters
    ----------
    bearing
        Direction of travel, degrees clockwise from grid north, 0 to below 360; NaN at a reading
        without a position, and everywhere where the traverse leads nowhere.
    doubtful
        Where the direction is not that of the readings themselves but the last one told.
    low, high
        The window of each reading: rows ``low <= row < high``; its own row at a reading without a
        position.
    """

    bearing: FloatArray
    doubtful: BoolArray
    low: IntArray
    high: IntArray

    @property
    def east(self) -> FloatArray:
        """Eastward part of the unit vector ahead; NaN where the direction is unknown."""
        part: FloatArray = np.sin(np.radians(self.bearing))
        return part

    @property
    def north(self) -> FloatArray:
        """Northward part of the unit vector ahead; NaN where the direction is unknown."""
        part: FloatArray = np.cos(np.radians(self.bearing))
        return part


def smoothed_heading(x: FloatArray, y: FloatArray, window: float) -> FloatArray:
    """Direction of travel at each reading of one traverse; see `travel_of`.

    Parameters
    ----------
    x, y
        Positions in walking order, ``(n,)``, map units; NaN where missing.
    window
        Length of path that a direction is taken from, map units.

    Returns
    -------
    array
        Degrees clockwise from grid north, 0 to below 360, ``(n,)``; NaN where unknown.

    Raises
    ------
    ValueError
        If the window is not above 0.

    Examples
    --------
    >>> smoothed_heading(np.array([0.0, 1.0, 2.0, 2.0]), np.zeros(4), 2.0).tolist()
    [90.0, 90.0, 90.0, 90.0]
    """
    return travel_of(x, y, window).bearing


def travel_of(x: FloatArray, y: FloatArray, window: float) -> Travel:
    """Direction of travel at each reading of one traverse, and where it is doubtful.

    Easting and northing are each fitted by a straight line against the path walked, over a window
    of path about the reading. The window is symmetric: near the ends of the traverse it shrinks
    with the path left, down to a quarter of its width; it always holds the places next to its own.
    Where less than half of the path in the window leads onwards, as when standing still or turning
    on the spot, the last direction told goes on (before the first one told, that one).

    Parameters
    ----------
    x, y, window
        As for `smoothed_heading`.

    Raises
    ------
    ValueError
        If the window is not above 0.

    References
    ----------
    Local linear regression: J. Fan and I. Gijbels (1996), *Local Polynomial Modelling and Its
    Applications*, Chapman & Hall (from memory).
    """
    if not window > 0:
        raise ValueError(f"The window of the direction is {window:g}: give a length above 0.")
    n = len(x)
    rows = np.arange(n)
    placed = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    bearing, doubtful = np.full(n, np.nan), np.zeros(n, np.bool_)
    low, high = rows.copy(), rows + 1
    if len(placed) < 2:
        return Travel(bearing, doubtful, low, high)
    east, north = x[placed], y[placed]
    path = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    first, after = _windows(path, window)
    onward = _slopes(path, east + 1j * north, first, after)
    told = np.abs(onward) >= STRAIGHT
    low[placed], high[placed] = placed[first], placed[after - 1] + 1
    if not told.any():
        return Travel(bearing, doubtful, low, high)
    # The last told; before the first told, that.
    last = np.maximum.accumulate(np.where(told, np.arange(len(placed)), -1))
    last[last < 0] = int(np.argmax(told))
    way = onward[last]
    bearing[placed] = np.degrees(np.arctan2(way.real, way.imag)) % 360.0
    bearing[bearing >= 360.0] = 0.0  # a tiny negative angle rounds up to the whole circle
    doubtful[placed] = ~told
    return Travel(bearing, doubtful, low, high)


def _windows(path: FloatArray, window: float) -> tuple[IntArray, IntArray]:
    """First place of each window and the place after its last."""
    to_end = np.minimum(path, path[-1] - path)
    half = np.clip(to_end, window / 4, window / 2)
    slack = 1e-9 * (1.0 + path[-1])
    first = np.searchsorted(path, path - half - slack, side="left")
    after = np.searchsorted(path, path + half + slack, side="right")
    # Never narrower than from the place before to the place after, however often each repeats.
    begins = np.flatnonzero(np.concatenate([[True], np.diff(path) > 0]))
    spot = np.cumsum(np.concatenate([[True], np.diff(path) > 0])) - 1
    ends = np.append(begins[1:], len(path))
    first = np.minimum(first, begins[np.maximum(spot - 1, 0)])
    after = np.maximum(after, ends[np.minimum(spot + 1, len(begins) - 1)])
    return first.astype(np.int64), after.astype(np.int64)


def _slopes(
    path: FloatArray, place: ComplexArray, first: IntArray, after: IntArray
) -> ComplexArray:
    """Slope of places (complex) against the path in each window; 0 where all are at one spot."""
    slope = np.zeros(len(path), np.complex128)
    for start in range(0, len(path), BLOCK):
        block = slice(start, start + BLOCK)
        low, high = first[block], after[block]
        begin, end = int(low.min()), int(high.max())
        low, high = low - begin, high - begin
        s = path[begin:end] - path[start]
        z = place[begin:end] - place[start]
        count = high - low
        sums = [
            total[high] - total[low]
            for total in (np.concatenate([[0.0], np.cumsum(part)]) for part in (s, s * s, z, z * s))
        ]
        spread = sums[1] - sums[0] ** 2 / count
        shared = sums[3] - sums[0] * sums[2] / count
        # Of what cancels in the sums, a few last digits are left.
        moved = spread > 1e-12 * np.maximum(sums[1], 1e-300)
        slope[block] = np.where(moved, shared / np.where(moved, spread, 1.0), 0.0)
    return slope
