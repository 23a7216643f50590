"""Medians, levels and the spread about them in a round window that moves over a raster."""

from __future__ import annotations

from collections.abc import Callable
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

MANY = 600
"""Cells of a window above which every second one is looked at, as on a chequerboard."""

SCANT = 150
"""Of those, the fewest with data; else all cells of the window are looked at."""

OUTLYING = 3.0
"""Robust standard deviations from a window's median beyond which cells tell nothing of its slope;
a plane cut by an edge or a corner stays within."""

MOST_LEVERAGE = 0.2
"""Variance of a fitted plane at the window's middle, in variances of a cell, above which the cells
lie too few or too much to one side to tell the slope."""

LEAST_SPREAD = 1e-9
"""Squared spread of cells, in squared radii, below which they lie on a line."""


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
    between: FloatArray = _between_nodes(window, block, inner, _median)[0]
    return between


def moving_level(window: RoundWindow, block: FloatArray, inner: Area) -> FloatArray:
    """Level and robust standard deviation of the window about each cell; for `masked.apply`.

    A plane through the window's cells, but for those that lie far from their median, gives the
    slope. The level is the median of the cells less that slope, at the window's middle; the spread
    is 1.4826 times the median of their differences from it. So a slope neither counts as spread nor
    draws the level to one side where an edge or a gap cuts the window. Where the cells left cannot
    tell a slope, none is taken off.

    Returns
    -------
    Shape ``(2, rows, columns)``: the levels and the spreads.

    Examples
    --------
    >>> line = np.array([[1.0, 2.0, 9.0]])
    >>> window = RoundWindow.of(4.0, 1, 1)
    >>> moving_level(window, line, (slice(0, 1), slice(0, 3))).round(2).tolist()
    [[[2.0, 2.0, 2.0]], [[1.48, 1.48, 1.48]]]
    """
    return _between_nodes(window, block, inner, _level_and_spread, 2)


def _inside(window: RoundWindow, block: FloatArray, inner: Area) -> bool:
    """Whether no window about an inner cell reaches over the block's edge."""
    return all(
        part.start >= half // 2 and part.stop + half // 2 <= size
        for part, half, size in zip(inner, window.disc.shape, block.shape)
    )


Measure = Callable[[FloatArray, FloatArray, FloatArray], FloatArray]
"""Of windows, one a row, with the cells' places down and across in radii: some values of each."""


def _between_nodes(
    window: RoundWindow, block: FloatArray, inner: Area, measure: Measure, layers: int = 1
) -> FloatArray:
    """What is measured of the windows at nodes, interpolated to the inner cells, layer by layer.

    Every cell with data lies in the windows of all four nodes about it, so that none of those is
    empty.
    """
    rows, columns = (_nodes(part, window.step, size) for part, size in zip(inner, block.shape))
    half_down, half_across = (size // 2 for size in window.disc.shape)
    padded = np.pad(
        block, ((half_down, half_down), (half_across, half_across)), constant_values=np.nan
    )
    down, across = np.nonzero(window.disc)
    y, x = down / half_down - 1.0, across / half_across - 1.0
    reach = down * padded.shape[1] + across
    thinned: IntArray = np.arange(len(reach))
    if len(reach) > MANY:
        thinned = np.flatnonzero((down + across - half_down - half_across) % 2 == 0)
    start = (rows[:, np.newaxis] * padded.shape[1] + columns).ravel()
    found = np.empty((layers, len(start)))
    count = max(1, BATCH // len(reach))
    flat = padded.ravel()
    for first in range(0, len(start), count):
        nodes = np.arange(first, min(first + count, len(start)))
        cells = flat[start[nodes, np.newaxis] + reach[thinned]]
        found[:, nodes] = measure(cells, y[thinned], x[thinned])
        if len(thinned) < len(reach):
            scant = nodes[np.isfinite(cells).sum(axis=1) < SCANT]
            if len(scant):
                found[:, scant] = measure(flat[start[scant, np.newaxis] + reach], y, x)
    tables = found.reshape(layers, len(rows), len(columns))
    if window.step == 1:
        return tables
    places = [np.arange(part.start, part.stop) for part in inner]
    between = [_along(_along(table, rows, places[0]).T, columns, places[1]).T for table in tables]
    return np.stack(between)


def _median(cells: FloatArray, y: FloatArray, x: FloatArray) -> FloatArray:
    """Median of each window; a `Measure`."""
    return median_of_known(cells)


def _level_and_spread(cells: FloatArray, y: FloatArray, x: FloatArray) -> FloatArray:
    """Level and spread of each window, shape ``(2, windows)``; a `Measure`."""
    southwards, eastwards, freedom = _slopes(cells, y, x)
    flat = cells - southwards[:, np.newaxis] * y
    flat -= eastwards[:, np.newaxis] * x
    level = median_of_known(flat)
    flat -= level[:, np.newaxis]
    return np.stack([level, SIGMA_OF_MAD * median_of_known(np.abs(flat, out=flat)) * freedom])


def _slopes(
    cells: FloatArray, y: FloatArray, x: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slope of each window, a radius down and across, and what a spread about it is short by."""
    median = median_of_known(cells)[:, np.newaxis]
    away = np.abs(cells - median)
    limit = OUTLYING * SIGMA_OF_MAD * median_of_known(away)
    kept = away <= limit[:, np.newaxis]
    ones = np.ones(len(y))
    moments = kept.astype(np.float64) @ np.stack([ones, y, x, y * y, x * y, x * x], axis=1)
    n, y1, x1, yy, xy, xx = moments.T
    away = np.where(kept, cells, 0.0)
    v1, yv, xv = (away @ np.stack([ones, y, x], axis=1)).T
    n = np.maximum(n, 1.0)
    y1, x1, v1 = y1 / n, x1 / n, v1 / n
    yy = yy / n - y1 * y1 + LEAST_SPREAD
    xx = xx / n - x1 * x1 + LEAST_SPREAD
    xy, yv, xv = xy / n - x1 * y1, yv / n - y1 * v1, xv / n - x1 * v1
    bent = xx * yy - xy * xy
    leverage = (1.0 + (y1 * y1 * xx - 2.0 * x1 * y1 * xy + x1 * x1 * yy) / bent) / n
    told = leverage <= MOST_LEVERAGE
    southwards = np.where(told, (xx * yv - xy * xv) / bent, 0.0)
    eastwards = np.where(told, (yy * xv - xy * yv) / bent, 0.0)
    # A plane goes along with its cells by as much as three of them.
    freedom = np.where(told, np.sqrt(n / np.maximum(n - 3.0, 1.0)), 1.0)
    return southwards, eastwards, freedom


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
