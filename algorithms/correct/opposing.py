"""Traverses and their opposing neighbours, side by side at common positions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from ..readings import BoolArray, FloatArray, IntArray
from .differential import on_common_positions
from .traverses import GridLines
from .waves import SAME_PLACE, usual_spacing
from .windows import row_medians

FINEST = 1.5
"""Detail finer than this many reading intervals is noise, not ground."""

TIED = 2.0 * float(np.sqrt(np.pi)) * FINEST
"""Readings that the smoothing ties together: one in so many is independent."""

BROADEST = 12.0
"""Change broader than this many reading intervals is soil and drift, which say little of lag."""

LEAST_BROAD = 4.0
"""On short traverses the limit is an eighth of them, but no less than this."""

WHOLE = 0.75
"""Share of the broad mean's weight that must be there for its detail to count."""

WIDEST = 1.6
"""Traverses further apart than this many usual separations are no neighbours."""


@dataclass(frozen=True, eq=False)
class Profiles:
    """One channel's traverses of a data grid at common positions, ready to be compared.

    Parameters
    ----------
    table
        Band-passed values, shape ``(t, p)``, 0 where unknown.
    known
        Where they are known, ``(t, p)``.
    interval
        Distance between positions, map units.
    way
        1 for a traverse walked along the axis, -1 against it, ``(t,)``.
    middle, left, right
        Traverses with opposing neighbours on both sides, and these, ``(k,)``. Where there are
        none, traverses with one on one side, and -1 for the other.
    """

    table: FloatArray
    known: BoolArray
    interval: float
    way: FloatArray
    middle: IntArray
    left: IntArray
    right: IntArray


def profiles_of(lines: GridLines, values: list[FloatArray], interval: float) -> Profiles:
    """Put one channel's traverses on common positions and keep the detail that tells a lag."""
    _, table = on_common_positions(lines.along, values, interval)
    known: BoolArray = np.isfinite(table)
    # Short traverses have no room for a broad mean.
    fine, broad = FINEST, min(BROADEST, max(LEAST_BROAD, table.shape[1] / 8))
    plain = np.where(known, table - row_medians(table)[:, np.newaxis], 0.0)
    bands = []
    for width in (fine, broad):
        weight = gaussian_filter1d(known.astype(np.float64), width, axis=1, mode="constant")
        total = gaussian_filter1d(plain, width, axis=1, mode="constant")
        bands.append(total / np.maximum(weight, 1e-12))
    # Near an end or a gap the broad mean is one-sided: what it leaves stays there at any lag.
    known &= weight > WHOLE
    table = np.where(known, bands[0] - bands[1], 0.0)
    way = np.where(lines.backward, -1.0, 1.0)
    middle, left, right = _opposing(lines.across, way, np.asarray(known.any(axis=1)))
    return Profiles(table, known, interval, way, middle, left, right)


def _opposing(
    across: FloatArray, way: FloatArray, there: BoolArray
) -> tuple[IntArray, IntArray, IntArray]:
    """Traverses with neighbours of the opposite way, and these."""
    t = len(across)
    spacing = usual_spacing(across)
    gap = np.diff(across)
    near = (gap <= WIDEST * spacing) & (gap > SAME_PLACE * spacing)
    near &= (way[1:] != way[:-1]) & there[1:] & there[:-1]
    places = np.arange(t)
    left = np.where(np.append(False, near), places - 1, -1)
    right = np.where(np.append(near, False), places + 1, -1)
    # With a neighbour on one side only, what runs oblique to the traverses looks like a lag.
    middle = np.flatnonzero((left >= 0) & (right >= 0))
    if not len(middle):
        middle = np.flatnonzero((left >= 0) | (right >= 0))
    return middle, left[middle], right[middle]


def moved(table: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Rows read `shift` positions further on, by a cubic through four points, edges held.

    Returns
    -------
    value, slope
        What stands there, and how it changes with the position, both like `table`.

    References
    ----------
    R. G. Keys (1981), *Cubic convolution interpolation for digital image processing*, IEEE
    Transactions on Acoustics, Speech and Signal Processing 29, 1153-1160.

    Examples
    --------
    >>> value, slope = moved(np.arange(8.0)[np.newaxis], np.array([1.5]))
    >>> value[0, 2:5].tolist(), slope[0, 2:5].tolist()
    ([3.5, 4.5, 5.5], [1.0, 1.0, 1.0])
    """
    count = table.shape[1]
    whole = np.clip(np.floor(shift), -count, count).astype(np.int64)
    value, slope = np.empty(table.shape), np.empty(table.shape)
    for step in np.unique(whole):
        rows = np.flatnonzero(whole == step)
        some = table if len(rows) == len(table) else table[rows]
        # Two positions more on either side, the edges held.
        low, high = step - 1, step + 2
        held = np.pad(some, ((0, 0), (max(-low, 0), max(high, 0))), mode="edge")
        start = max(low, 0)
        f = (shift[rows] - step)[:, np.newaxis]
        a, b, c, d = (held[:, start + k : start + k + count] for k in range(4))
        # The cubic with the slopes that the points on either side give.
        first, second, third = (c - a) / 2, a - 2.5 * b + 2 * c - d / 2, 1.5 * (b - c) + (d - a) / 2
        value[rows] = b + f * (first + f * (second + f * third))
        slope[rows] = first + f * (2 * second + 3 * f * third)
    return value, slope


def compared(
    profiles: Profiles, scale: FloatArray, lag: float
) -> tuple[FloatArray, FloatArray, FloatArray, BoolArray]:
    """Traverses that have opposing neighbours, and these, all moved by a lag.

    Parameters
    ----------
    scale
        How far each traverse moves for a lag of 1, ``(t,)``.
    lag
        The lag.

    Returns
    -------
    value, others, change, sure
        The traverses, the means of their opposing neighbours, how the difference of the two changes
        with the lag, and where all that is known, ``(k, p)`` each.
    """
    shift = lag * scale * profiles.way / profiles.interval
    value, slope = moved(profiles.table, shift)
    slope *= (scale * profiles.way / profiles.interval)[:, np.newaxis]
    inside = _read(profiles.known, shift)
    change, sure = slope[profiles.middle], inside[profiles.middle]
    others = np.zeros(change.shape)
    sides = [(profiles.left, profiles.left >= 0), (profiles.right, profiles.right >= 0)]
    weight = sum(there.astype(np.float64) for _, there in sides)
    for other, there in sides:
        share = (there / weight)[:, np.newaxis]
        others += share * value[other]
        change = change - share * slope[other]
        sure = sure & (inside[other] | ~there[:, np.newaxis])
    return value[profiles.middle], others, change, sure


def _read(known: BoolArray, shift: FloatArray) -> BoolArray:
    """Where a moved row stands on known positions on either side."""
    count = known.shape[1]
    whole = np.clip(np.floor(shift), -count, count).astype(np.int64)
    found: BoolArray = np.zeros(known.shape, np.bool_)
    for step in np.unique(whole):
        rows = np.flatnonzero(whole == step)
        before, after = max(-step, 0), min(count - step - 1, count)
        if before < after:
            some = known[rows, before + step : after + step + 1]
            found[rows, before:after] = some[:, :-1] & some[:, 1:]
    return found
