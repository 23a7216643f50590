"""Which cells of a raster hang together above a threshold, and their holes."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from ..readings import BoolArray, FloatArray

CORNERS: npt.NDArray[np.int_] = np.ones((3, 3), dtype=np.int_)
"""Neighbours of a cell, corners included."""

ROUNDING = 1e-9
"""Relative slack when an area is compared with a whole number of cells."""


def hysteresis(values: FloatArray, low: float, high: float) -> BoolArray:
    """Cells above `low` that hang together (8-connected) with a cell of at least `high`.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``; NaN belongs to nothing.
    low, high
        Thresholds.

    References
    ----------
    J. Canny (1986), A computational approach to edge detection. IEEE Transactions on Pattern
    Analysis and Machine Intelligence 8(6), 679-698: thresholding with hysteresis.

    Examples
    --------
    >>> hysteresis(np.array([[3.0, 5.0, 0.0, 3.0]]), 2.0, 4.0)
    array([[ True,  True, False, False]])
    """
    labels, count = ndimage.label(values > low, structure=CORNERS)
    seeded = np.zeros(count + 1, dtype=np.bool_)
    seeded[labels[values >= high]] = True
    seeded[0] = False
    kept: BoolArray = seeded[labels]
    return kept


def fill_holes(mask: BoolArray, most_cells: float, barred: BoolArray) -> BoolArray:
    """Fill the holes of up to so many cells.

    A hole is a patch of outside, hanging together by cell sides (4-connected), that does not reach
    the raster's edge.

    Parameters
    ----------
    mask
        Shape ``(rows, columns)``.
    most_cells
        Largest hole to fill, in cells.
    barred
        Cells, same shape; a hole with one of them stays.

    Examples
    --------
    >>> ring = np.ones((3, 3), dtype=bool)
    >>> ring[1, 1] = False
    >>> bool(fill_holes(ring, 1.0, np.zeros((3, 3), dtype=bool)).all())
    True
    """
    if most_cells * (1 + ROUNDING) < 1:
        return mask
    labels, count = ndimage.label(~mask)
    fill = np.bincount(labels.ravel(), minlength=count + 1) <= most_cells * (1 + ROUNDING)
    for edge in (labels[0], labels[-1], labels[:, 0], labels[:, -1], labels[barred]):
        fill[edge] = False
    fill[0] = False
    filled: BoolArray = mask | fill[labels]
    return filled
