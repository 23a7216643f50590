"""Which cells lie beyond the outline of the readings."""

from __future__ import annotations

import numpy as np
from scipy.spatial import ConvexHull

from ..readings import BoolArray, FloatArray
from .frame import Frame

FLAT = 1e-6
"""Breadth of the readings, relative to their length, below which they count as one line."""


def flat(xy: FloatArray) -> bool:
    """Whether positions, shape ``(n, 2)``, lie on one line or are too few for a triangle."""
    if len(xy) < 3:
        return True
    centred = xy - xy.mean(axis=0)
    spread = np.sqrt(np.maximum(np.linalg.eigvalsh(centred.T @ centred), 0.0))
    return bool(spread[0] <= FLAT * spread[1])


def cells_in_hull(frame: Frame, xy: FloatArray) -> BoolArray:
    """Cells whose centre lies in the convex hull of the readings, or on its edge.

    Parameters
    ----------
    frame
        The cells.
    xy
        Positions from the frame's upper left corner, shape ``(n, 2)``. On a single line they
        have no hull: every cell then counts as inside.

    Returns
    -------
    array
        True inside, shape ``(rows, columns)``.
    """
    if flat(xy):
        inside: BoolArray = np.ones((frame.rows, frame.columns), dtype=np.bool_)
        return inside
    east, north, offset = ConvexHull(xy).equations.T[..., np.newaxis]
    width, height = frame.cell_width, frame.cell_height
    offset = offset - FLAT * max(width, height)  # rounding must not take the edge off
    y = -(np.arange(frame.rows) + 0.5) * height
    room = -(offset + north * y)  # east * x may be no more than this, edge by edge and row by row
    with np.errstate(divide="ignore", invalid="ignore"):
        bound = room / east
    left = np.where(east < 0, bound, -np.inf).max(axis=0)
    right = np.where(east > 0, bound, np.inf).min(axis=0)
    x = (np.arange(frame.columns) + 0.5) * width
    open_ = ((east != 0) | (room >= 0)).all(axis=0)
    within: BoolArray = (x >= left[:, np.newaxis]) & (x <= right[:, np.newaxis])
    within &= open_[:, np.newaxis]
    return within
