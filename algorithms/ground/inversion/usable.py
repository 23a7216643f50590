"""Which readings can be inverted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...readings import FloatArray, IntArray, Readings
from ...words import plural
from ..instrument import HEIGHTS, Channel
from ..layeredresponse import CONDUCTIVITIES, layered_response

BELOW = 3.0
"""A quadrature so many times its noise below 0 is no reading of the ground."""


def usable_rows(
    readings: Readings, channels: Sequence[Channel], heights: FloatArray, noise: FloatArray
) -> tuple[IntArray, dict[str, int]]:
    """Rows that can be inverted, and how many cannot, by why.

    Parameters
    ----------
    heights
        Of the coils above the ground, m, shape ``(n, p)``.
    noise
        Standard deviation of each channel, ``(p,)``.

    Raises
    ------
    ValueError
        If there is no row left.
    """
    values = readings.values
    missing = ~np.isfinite(values).all(axis=1)
    barred = ~readings.usable.all(axis=1) & ~missing
    missing_or_barred = missing | barred
    low, high = HEIGHTS
    lost = ~((heights >= low) & (heights <= high)).all(axis=1) & ~missing_or_barred
    quadrature = np.array([channel.part == "quadrature" for channel in channels])
    negative = ((values < -BELOW * noise) & quadrature).any(axis=1) & ~missing_or_barred & ~lost
    left = ~(missing_or_barred | lost | negative)
    most = [
        saturation(channel, heights[left, k]) if left.any() else np.inf
        for k, channel in enumerate(channels)
    ]
    over = (values > np.array(most)).any(axis=1) & left
    reasons = {
        "without a reading in every channel": int(missing.sum()),
        "flagged off scale or excluded": int(barred.sum()),
        f"without a height from {low:g} to {high:g} m": int(lost.sum()),
        "with a quadrature well below 0, as metal or a wrong zero level give": int(negative.sum()),
        "above what any uniform ground can give at that height": int(over.sum()),
    }
    rows = np.flatnonzero(left & ~over)
    if not len(rows):
        why = "; ".join(
            f"{plural(count, 'reading')} {why}" for why, count in reasons.items() if count
        )
        raise ValueError(
            f"No reading can be inverted: {why or 'there is none'}. Check the channels, their "
            "units, the heights (in metres) and the instrument's description."
        )
    return rows, {why: count for why, count in reasons.items() if count}


def saturation(channel: Channel, heights: FloatArray) -> float:
    """The largest quadrature that uniform ground can give at any of the heights, channel units."""
    if channel.part != "quadrature":
        return np.inf
    grounds = np.geomspace(1.0, CONDUCTIVITIES[1], 200)[:, np.newaxis]
    # The most is not always at the lowest height.
    looked_at = np.unique(np.linspace(heights.min(), heights.max(), 9))
    most = [
        layered_response([channel.pair], grounds, height=height).imag.max()
        for height in looked_at.tolist()
    ]
    return float(max(most) / channel.scale)
