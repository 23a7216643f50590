"""Values taken along traverses to other places: shape kept, nothing invented beyond or between."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray

EVEN = 1e-6
"""Map units within which two places along a traverse are one."""


@dataclass(frozen=True, eq=False)
class Resampled:
    """What `resampled` gives back, each array ``(m,)``.

    Parameters
    ----------
    values
        Values at the targets, NaN where there is none.
    beyond
        Targets before the first or after the last place of their traverse.
    in_gap
        Targets between two values further apart than the limit.
    """

    values: FloatArray
    beyond: BoolArray
    in_gap: BoolArray


def resampled(
    traverse: IntArray,
    place: FloatArray,
    values: FloatArray,
    usable: BoolArray,
    target: FloatArray,
    limit: float,
) -> Resampled:
    """Values along traverses at other places, by monotone cubic interpolation.

    No value rises above or falls below the two it lies between. Values at one place count as their
    mean. A target whose nearest reading is missing or barred has no value, so that a gap stays
    about as wide as it was, and none is told beyond the traverse or in a gap.

    Parameters
    ----------
    traverse, place
        Number of each reading's traverse, rising, and its place along it, never falling within one,
        ``(m,)``, map units.
    values, usable
        Values, and which of them may inform others, ``(m,)``.
    target
        Where values are wanted, on the traverse of the same row, ``(m,)``.
    limit
        Longest distance between two values that is bridged, map units.

    References
    ----------
    F. N. Fritsch and J. Butland (1984), *A method for constructing local monotone piecewise cubic
    interpolants*, SIAM J. Sci. Stat. Comput. 5(2), 300-304.

    Examples
    --------
    >>> here = np.arange(5.0)
    >>> values = np.array([0.0, 0.0, 1.0, 2.0, 2.0])
    >>> found = resampled(np.zeros(5, int), here, values, here > -1, here + 0.5, 2.0)
    >>> found.values.round(4).tolist()
    [0.0, 0.375, 1.625, 2.0, nan]
    """
    m = len(place)
    good = np.flatnonzero(usable)
    nothing = Resampled(np.full(m, np.nan), np.zeros(m, np.bool_), np.zeros(m, np.bool_))
    if not m:
        return nothing
    # One rising axis for all traverses: no value can come from another.
    low = min(float(place.min()), float(target.min()))
    reach = max(float(place.max()), float(target.max())) - low + 1.0
    axis, wanted = (traverse * 2.0 * reach + part - low for part in (place, target))
    first = np.searchsorted(traverse, traverse, side="left")
    last = np.searchsorted(traverse, traverse, side="right") - 1
    beyond = (wanted < axis[first] - EVEN) | (wanted > axis[last] + EVEN)
    if not len(good):
        return Resampled(nothing.values, beyond, nothing.in_gap)
    known = ~beyond & usable[nearest_reading(axis, traverse, wanted)]
    starts, heights = _one_a_place(axis[good], values[good])
    knots, owner = axis[good][starts], traverse[good][starts]
    joined = (np.diff(knots) <= limit + EVEN) & (np.diff(owner) == 0)
    found, told = _cubic(knots, heights, joined, wanted)
    return Resampled(np.where(known & told, found, np.nan), beyond, known & ~told)


def nearest_reading(axis: FloatArray, traverse: IntArray, wanted: FloatArray) -> IntArray:
    """The reading of the same traverse nearest to each place wanted, ``(m,)``.

    Parameters
    ----------
    axis
        Places of the readings, rising over all traverses, ``(m,)``.
    traverse
        Number of each reading's traverse, rising, ``(m,)``.
    wanted
        Places on the traverse of the same row, ``(m,)``.

    Examples
    --------
    >>> axis, traverse = np.array([0.0, 1.0, 9.0]), np.array([0, 0, 1])
    >>> nearest_reading(axis, traverse, np.array([0.6, 3.0, 8.0])).tolist()
    [1, 1, 2]
    """
    first = np.searchsorted(traverse, traverse, side="left")
    last = np.searchsorted(traverse, traverse, side="right") - 1
    after = np.clip(np.searchsorted(axis, wanted), first, last)
    before = np.maximum(after - 1, first)
    nearer: IntArray = np.where(wanted - axis[before] <= axis[after] - wanted, before, after)
    return nearer


def _one_a_place(axis: FloatArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    """Where places that differ begin, and the mean of the values at each."""
    starts = np.flatnonzero(np.concatenate([[True], np.diff(axis) > EVEN]))
    counts = np.diff(np.append(starts, len(axis)))
    return starts.astype(np.int64), np.add.reduceat(values, starts) / counts


def _cubic(
    knots: FloatArray, heights: FloatArray, joined: BoolArray, wanted: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """Interpolate between knots that are joined; also whether a place lies between such, or on one.

    `joined` tells of each interval ``(k - 1,)`` whether it is bridged.
    """
    if len(knots) == 1:
        return np.full(len(wanted), heights[0]), np.abs(wanted - knots[0]) <= EVEN
    slope = monotone_slopes(knots, heights, joined)
    left = np.clip(np.searchsorted(knots, wanted, side="right") - 1, 0, len(knots) - 2)
    width = knots[left + 1] - knots[left]
    share = (wanted - knots[left]) / width
    inside = joined[left] & (share >= 0) & (share <= 1)
    share = np.clip(share, 0.0, 1.0)
    rest = 1.0 - share
    found = (
        heights[left] * rest**2 * (1 + 2 * share)
        + heights[left + 1] * share**2 * (3 - 2 * share)
        + width * share * rest * (slope[left] * rest - slope[left + 1] * share)
    )
    for knot in (left, left + 1):
        on = np.abs(wanted - knots[knot]) <= EVEN
        found, inside = np.where(on, heights[knot], found), inside | on
    return found, inside


def monotone_slopes(knots: FloatArray, heights: FloatArray, joined: BoolArray) -> FloatArray:
    """Slopes at knots that keep the interpolant monotone between them, ``(k,)``.

    Each run of joined intervals is a curve of its own; a knot joined to none has slope 0.
    """
    width = np.where(joined, np.diff(knots), np.nan)
    rise = np.diff(heights) / width
    none = np.array([np.nan])
    h0, h1 = np.concatenate([none, width]), np.concatenate([width, none])
    d0, d1 = np.concatenate([none, rise]), np.concatenate([rise, none])
    w0, w1 = 2 * h1 + h0, h1 + 2 * h0
    with np.errstate(divide="ignore", invalid="ignore"):
        inner = np.where(d0 * d1 > 0, (w0 + w1) / (w0 / d0 + w1 / d1), 0.0)
    # At an end of a run: from its two outermost intervals, or the only one.
    beyond1, beyond0 = np.append(h1[1:], np.nan), np.append(np.nan, h0[:-1])
    next1, next0 = np.append(d1[1:], np.nan), np.append(np.nan, d0[:-1])
    start, end = _end_slope(h1, beyond1, d1, next1), _end_slope(h0, beyond0, d0, next0)
    slope: FloatArray = np.where(
        np.isnan(h0), np.where(np.isnan(h1), 0.0, start), np.where(np.isnan(h1), end, inner)
    )
    return slope


def _end_slope(
    h: FloatArray, beyond: FloatArray, d: FloatArray, following: FloatArray
) -> FloatArray:
    """Slope at the end of a run by its last intervals, no steeper than keeps it monotone."""
    slope = ((2 * h + beyond) * d - h * following) / (h + beyond)
    slope = np.where(slope * d <= 0, 0.0, slope)
    steep = (d * following <= 0) & (np.abs(slope) > 3 * np.abs(d))
    only: FloatArray = np.where(np.isnan(beyond), d, np.where(steep, 3 * d, slope))
    return only
