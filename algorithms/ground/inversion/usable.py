"""Which readings can be inverted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...readings import FloatArray, IntArray, Readings
from ...words import plural
from ..instrument import HEIGHTS, Channel
from ..layeredresponse import CONDUCTIVITIES, layered_response


def usable_rows(
    readings: Readings, channels: Sequence[Channel], heights: FloatArray
) -> tuple[IntArray, dict[str, int]]:
    """Rows that can be inverted, and how many cannot, by why.

    Parameters
    ----------
    heights
        Of the coils above the ground, m, shape ``(n, p)``.

    Raises
    ------
    ValueError
        If there is no row left.
    """
    values = readings.values
    missing = ~readings.usable.all(axis=1)
    low, high = HEIGHTS
    lost = ~((heights >= low) & (heights <= high)).all(axis=1) & ~missing
    quadrature = [channel.part == "quadrature" for channel in channels]
    negative = (values[:, quadrature] < 0).any(axis=1) & ~missing & ~lost
    left = ~(missing | lost | negative)
    most = [
        saturation(channel, heights[left, k]) if left.any() else np.inf
        for k, channel in enumerate(channels)
    ]
    over = (values > np.array(most)).any(axis=1) & left
    reasons = {
        "without a reading in every channel": int(missing.sum()),
        f"without a height from {low:g} to {high:g} m": int(lost.sum()),
        "with a quadrature below 0, as over metal": int(negative.sum()),
        "above what any uniform ground can give": int(over.sum()),
    }
    rows = np.flatnonzero(left & ~over)
    if not len(rows):
        why = "; ".join(
            f"{plural(count, 'reading')} {why}" for why, count in reasons.items() if count
        )
        raise ValueError(
            f"No reading can be inverted: {why or 'there is none'}. Check the channels, their "
            "units and the instrument's description."
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
