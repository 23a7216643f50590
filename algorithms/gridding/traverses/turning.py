"""Positions told along a bearing and across it."""

from __future__ import annotations

import numpy as np

from ...readings import FloatArray


def along_and_across(xy: FloatArray, bearing: float) -> tuple[FloatArray, FloatArray]:
    """Places along a bearing and to the right of it."""
    angle = np.radians(bearing)
    east, north = float(np.sin(angle)), float(np.cos(angle))
    return xy[:, 0] * east + xy[:, 1] * north, xy[:, 0] * north - xy[:, 1] * east


def along_back(s: FloatArray, a: FloatArray, bearing: float) -> FloatArray:
    """Positions, shape ``(m, 2)``, of places along a bearing and to the right of it."""
    angle = np.radians(bearing)
    east, north = float(np.sin(angle)), float(np.cos(angle))
    return np.column_stack([s * east + a * north, s * north - a * east])
