"""Runs of spikes: short plateaus too long for a running median to see through."""

from __future__ import annotations

import numpy as np

from ..readings import BoolArray, FloatArray, IntArray
from .windows import MAD_TO_SIGMA, Walk, running_median

BRIDGED = 3
"""Missing readings and single spikes over which a jump is still one."""

FLANK = 5
"""Good readings on either side that a run is compared with."""

FEWEST = 3
"""Of these, the fewest that will do."""

EDGE = 0.5
"""Least jump at either edge, as a share of the most that a reading of the run stands off."""

DIFFERENCE_TO_SIGMA = MAD_TO_SIGMA / float(np.sqrt(2.0))
"""Gaussian standard deviation per median size of the difference of two readings."""


def find_runs(
    column: FloatArray, walk: Walk, longest: int, threshold: float, floor: float, side: str = "both"
) -> BoolArray:
    """Find runs of spikes in one channel.

    A run is up to `longest` readings that all stand off from the medians of both sides, in one
    direction, by more than `threshold` times the larger spread of the two sides, and whose two
    edges are jumps: between one reading and the next by more than that too, and by at least `EDGE`
    of the most that a reading of the run stands off from either side. The sides are the `FLANK`
    good readings before and after; the run is left out of them, so that it cannot hide. The smooth
    flanks of a real feature are no jumps, so that most features are no runs, however narrow.

    Parameters
    ----------
    column
        Values in walking order, ``(m,)``; NaN values are stepped over.
    walk
        The order.
    longest
        Most readings of a run.
    threshold
        In robust standard deviations.
    floor
        The spread is never taken for less than this, channel units.
    side
        ``"both"``, or only runs that are ``"high"`` or ``"low"``.

    Returns
    -------
    array
        Which readings belong to runs, ``(m,)``.

    Examples
    --------
    >>> from ..readings import Readings
    >>> v = [1, 2, 1, 2, 9, 9, 8, 9, 9, 2, 1, 2, 1]
    >>> walk = Walk.of(Readings.build(x=range(13), y=[0] * 13, values=v))
    >>> find_runs(np.array(v, float), walk, 6, 5.0, 0.5).nonzero()[0].tolist()
    [4, 5, 6, 7, 8]
    """
    found: BoolArray = np.zeros(len(column), np.bool_)
    place = np.flatnonzero(np.isfinite(column))
    m = len(place)
    if longest < 1 or not m:
        return found
    value = column[place]
    first: IntArray = np.searchsorted(place, walk.first[place]).astype(np.int64)
    last: IntArray = np.searchsorted(place, walk.last[place]).astype(np.int64)
    at: IntArray = np.arange(m, dtype=np.int64)
    before = _medians(value, np.maximum(at - FLANK, first), at)
    after = _medians(value, at + 1, np.minimum(at + 1 + FLANK, last))
    # The jump into each reading from the one before, and from each to the one after.
    jump = np.diff(value)
    # Over a wide gap there is no jump: what lies in it is unknown.
    jump[np.diff(place) > BRIDGED + 1] = np.nan
    rise: FloatArray = np.concatenate([[np.nan], jump])
    fall = np.concatenate([-jump, [np.nan]])
    # Jumps between the readings of either side tell the spread: slopes hardly count in them.
    size = DIFFERENCE_TO_SIGMA * np.abs(rise)
    spread_before = _medians(size, np.maximum(at - FLANK, first) + 1, at)
    spread_after = _medians(size, at + 2, np.minimum(at + 1 + FLANK, last))
    low, high = value, value
    marks: IntArray = np.zeros(m + 1, np.int64)  # +1 where a run begins, -1 behind its end
    for length in range(1, min(longest, m - 1) + 1):
        start = at[: m - length + 1]
        end = start + length - 1
        if length > 1:
            low = np.minimum(low[:-1], value[end])
            high = np.maximum(high[:-1], value[end])
        # Good readings further apart than this in walking order are no neighbours.
        whole = (last[start] > end) & (place[end] - place[start] < length + FLANK)
        level = np.maximum(before[start], after[end])
        depth = np.minimum(before[start], after[end])
        spread = np.maximum(np.fmax(spread_before[start], spread_after[end]), floor)
        for sign, near, far in ((1, low - level, high - depth), (-1, depth - high, level - low)):
            if (side == "high" and sign < 0) or (side == "low" and sign > 0):
                continue
            edge = np.minimum(sign * rise[start], sign * fall[end])
            with np.errstate(invalid="ignore"):
                out = np.minimum(near, edge) > threshold * spread
                run = whole & out & (edge >= EDGE * far)
            marks[:-1] += np.bincount(start[run], minlength=m)
            marks -= np.bincount(end[run] + 1, minlength=m + 1)
    found[place] = np.cumsum(marks[:-1]) > 0
    return found


def _medians(value: FloatArray, low: IntArray, high: IntArray) -> FloatArray:
    """Median of each window, ``(m,)``; NaN where it holds fewer than `FEWEST`."""
    high = np.maximum(low, high)
    enough = high - low >= FEWEST
    if not enough.any():
        return np.full(len(value), np.nan)
    return np.where(enough, running_median(value, low, high), np.nan)
