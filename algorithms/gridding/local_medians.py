"""Medians, and the spread about them, in a round window that moves over a raster."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import ndimage

from ..interpret.background import SIGMA_OF_MAD, median_of_known
from ..readings import BoolArray, FloatArray, IntArray
from .masked import Area

FINENESS = 8
"""Windows more than this many cells across are taken at every second cell, or fewer."""

BATCH = 1 << 20
"""Window cells sorted at a time."""


@dataclass(frozen=True)
class RoundWindow:
    """A round window, and how far apart it is set down.

    Parameters
    ----------
    disc
        Cells of the window, its middle the cell it is set on.
    step
        Cells from one window to the next, down and across; the values between are interpolated.
    """

    disc: BoolArray
    step: int

    @classmethod
    def of(cls, diameter: float, cell_height: float, cell_width: float) -> RoundWindow:
        """The window of a diameter in map units: the cells whose centres lie within it.

        Raises
        ------
        ValueError
            If it would hold no neighbour either way.

        Examples
        --------
        >>> RoundWindow.of(2.0, 0.5, 1.0).disc.astype(int).tolist()
        [[0, 1, 0], [0, 1, 0], [1, 1, 1], [0, 1, 0], [0, 1, 0]]
        """
        radius = diameter / 2 * (1 + 1e-9)
        down, across = int(radius / cell_height), int(radius / cell_width)
        if min(down, across) < 1:
            widest = max(cell_height, cell_width)
            raise ValueError(
                f"The window of {diameter:g} map units holds no neighbours among cells of "
                f"{widest:g}: make it {2 * widest:g} or wider."
            )
        y = np.arange(-down, down + 1)[:, np.newaxis] * cell_height
        x = np.arange(-across, across + 1) * cell_width
        step = max(1, int(min(2 * down + 1, 2 * across + 1) / FINENESS))
        return cls(np.hypot(y, x) <= radius, step)

    @property
    def border(self) -> tuple[int, int]:
        """Rows and columns that inform a cell."""
        return self.disc.shape[0] // 2 + self.step, self.disc.shape[1] // 2 + self.step


def moving_median(window: RoundWindow, block: FloatArray, inner: Area) -> FloatArray:
    """Median of the known cells in the window about each cell; an operator of `masked.apply`.

    Examples
    --------
    >>> line = np.array([[1.0, 9.0, np.nan, 3.0]])
    >>> moving_median(RoundWindow.of(2.0, 1, 1), line, (slice(0, 1), slice(0, 4))).tolist()
    [[5.0, 5.0, 6.0, 3.0]]
    """
    if window.step == 1 and np.isfinite(block).all() and _inside(window, block, inner):
        found: FloatArray = ndimage.median_filter(block, footprint=window.disc)[inner]
        return found
    return _between_nodes(window, block, inner, spread=False)


def moving_spread(window: RoundWindow, block: FloatArray, inner: Area) -> FloatArray:
    """Robust standard deviation in the window about each cell; an operator of `masked.apply`.

    1.4826 times the median of the differences from the window's median.

    Examples
    --------
    >>> line = np.array([[1.0, 2.0, 9.0]])
    >>> moving_spread(RoundWindow.of(4.0, 1, 1), line, (slice(0, 1), slice(0, 3))).round(2).tolist()
    [[1.48, 1.48, 1.48]]
    """
    return _between_nodes(window, block, inner, spread=True)


def _inside(window: RoundWindow, block: FloatArray, inner: Area) -> bool:
    """Whether no window about an inner cell reaches over the block's edge."""
    return all(
        part.start >= half // 2 and part.stop + half // 2 <= size
        for part, half, size in zip(inner, window.disc.shape, block.shape)
    )


def _between_nodes(window: RoundWindow, block: FloatArray, inner: Area, spread: bool) -> FloatArray:
    """Median or robust standard deviation at nodes, interpolated to the inner cells.

    Every cell with data lies in the windows of all four nodes about it, so that none of those is
    empty.
    """
    rows, columns = (_nodes(part, window.step, size) for part, size in zip(inner, block.shape))
    half_down, half_across = (size // 2 for size in window.disc.shape)
    padded = np.pad(
        block, ((half_down, half_down), (half_across, half_across)), constant_values=np.nan
    )
    down, across = np.nonzero(window.disc)
    reach = down * padded.shape[1] + across
    start = (rows[:, np.newaxis] * padded.shape[1] + columns).ravel()
    found = np.empty(len(start))
    count = max(1, BATCH // len(reach))
    for first in range(0, len(start), count):
        batch = slice(first, first + count)
        cells = padded.ravel()[start[batch, np.newaxis] + reach]
        middle = median_of_known(cells)
        if spread:
            middle = SIGMA_OF_MAD * median_of_known(np.abs(cells - middle[:, np.newaxis]))
        found[batch] = middle
    table = found.reshape(len(rows), len(columns))
    if window.step == 1:
        return table
    places = [np.arange(part.start, part.stop) for part in inner]
    return _along(_along(table, rows, places[0]).T, columns, places[1]).T


def _nodes(part: slice, step: int, size: int) -> IntArray:
    """Places of windows that lie about a range of cells."""
    last = min(-(-(part.stop - 1) // step) * step, size - 1)
    first = part.start // step * step
    nodes: IntArray = np.unique(np.append(np.arange(first, last, step), last)).astype(np.int64)
    return nodes


def _along(table: FloatArray, nodes: IntArray, places: IntArray) -> FloatArray:
    """Rows of a table known at nodes, interpolated linearly at places."""
    if len(nodes) == 1:
        return np.repeat(table, len(places), axis=0)
    low = np.clip(np.searchsorted(nodes, places, side="right") - 1, 0, len(nodes) - 2)
    share = ((places - nodes[low]) / (nodes[low + 1] - nodes[low]))[:, np.newaxis]
    # A node without data weighs nothing where a place lies on its neighbour.
    first = np.where(share < 1, table[low], 0.0) * (1.0 - share)
    second = np.where(share > 0, table[low + 1], 0.0) * share
    mixed: FloatArray = first + second
    return mixed
