"""Filters over rasters with gaps, a piece at a time: pad, mask, apply, restore.

A filter gives an operator on a block with NaN for no data. The raster is cut into tiles; each is
handed to the operator with a border of its neighbours as wide as the filter reaches, so that no
seam shows and the memory stays bounded however large the raster is. Cells without data inform no
other cell and stay without.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial

import numpy as np
from scipy import fft

from ..progress import Progress, keep_going, side_by_side
from ..readings import FloatArray

TILE = 1024
"""Side of a tile, cells."""

REACH = 5.0
"""Standard deviations at which a Gaussian is cut: 4e-6 of its height."""

NOTHING = 1e-12
"""Sum of weights, of 1, below any that a cell with data has: it informs itself."""

LEAST_SPREAD = 1e-9
"""Squared spread of weights, against the Gaussian's, below which cells lie on a line."""

Area = tuple[slice, slice]
Operator = Callable[..., FloatArray]
"""From blocks of the raster's arrays to the part that `inner`, the last argument, points at."""


@dataclass(frozen=True)
class Tile:
    """A piece of a raster.

    Parameters
    ----------
    core
        The cells to fill.
    block
        Those cells and the border of neighbours that inform them, cut at the raster's edge.
    inner
        Where the cells to fill lie in the block.
    """

    core: Area
    block: Area
    inner: Area


def tiles(shape: tuple[int, int], border: tuple[int, int], step: int = 1) -> Iterator[Tile]:
    """Cut a raster into tiles that begin at whole multiples of `step`, and so do their blocks.

    Examples
    --------
    >>> [tile.block for tile in tiles((3, 1500), (9, 10))]
    [(slice(0, 3, None), slice(0, 1034, None)), (slice(0, 3, None), slice(1014, 1500, None))]
    """
    side = step * max(1, TILE // step)
    for top in range(0, shape[0], side):
        for left in range(0, shape[1], side):
            parts = [
                _cut(start, side, size, step * -(-reach // step))
                for start, size, reach in zip((top, left), shape, border)
            ]
            (core, block, inner), (core_, block_, inner_) = parts
            yield Tile((core, core_), (block, block_), (inner, inner_))


def _cut(start: int, side: int, size: int, reach: int) -> tuple[slice, slice, slice]:
    """Core, block and inner along one axis."""
    end, low = min(start + side, size), max(start - reach, 0)
    return slice(start, end), slice(low, min(end + reach, size)), slice(start - low, end - low)


def apply(
    operator: Operator,
    arrays: tuple[FloatArray, ...],
    border: tuple[int, int],
    progress: Progress = keep_going,
    step: int = 1,
    layers: tuple[int, ...] = (),
) -> FloatArray:
    """Run an operator over arrays of one raster, tile by tile and side by side.

    Parameters
    ----------
    operator
        Called with a block of each array and the place of the cells to fill in it; gives those.
    arrays
        Each of shape ``(rows, columns)``; NaN in the first is no data, here and in the result.
    border
        Rows and columns beyond a cell that inform it.
    step
        Blocks begin at whole multiples of this many cells.
    layers
        ``(k,)`` where the operator gives `k` values a cell, shape ``(k, rows, columns)``.

    Raises
    ------
    Cancelled
        If the user asked to stop.

    Examples
    --------
    >>> values = np.array([[1.0, np.nan, 3.0]])
    >>> apply(lambda block, inner: 2 * block[inner], (values,), (0, 0)).tolist()
    [[2.0, nan, 6.0]]
    """
    shape = arrays[0].shape
    result = np.empty(layers + shape)

    def fill(tile: Tile, _: Progress) -> None:
        known = np.isfinite(arrays[0][tile.core])
        found: FloatArray | float = np.nan
        if known.any():
            found = operator(*(array[tile.block] for array in arrays), tile.inner)
        result[(..., *tile.core)] = np.where(known, found, np.nan)

    pieces = tiles((shape[0], shape[1]), border, step)
    side_by_side([partial(fill, tile) for tile in pieces], progress)
    return result


def level_of(values: FloatArray) -> float:
    """A level to work from, so that constants come out exact and rounding stays small.

    Raises
    ------
    ValueError
        If no cell holds data.
    """
    known = values[np.isfinite(values)]
    if not known.size:
        raise ValueError("The raster holds no data: choose another band or raster.")
    return float(np.median(known))


@dataclass(frozen=True)
class Gaussian:
    """Gaussian weights with local straight-line fits: a moving plane.

    Each cell takes the value, at its own place, of the plane that fits the cells round it best
    under Gaussian weights. Where all cells hold data that is the plain weighted mean; at edges and
    gaps, where a mean would lean towards the side that holds data, planes stay planes. It is
    normalised convolution with a basis of a constant and two slopes.

    Parameters
    ----------
    rows, columns
        Standard deviations, in cells.

    References
    ----------
    H. Knutsson & C.-F. Westin (1993), Normalized and differential convolution, CVPR, 515-523.

    Examples
    --------
    >>> slope = np.array([[0.0, 1.0, np.nan, 3.0, 4.0]])
    >>> Gaussian(1.0, 1.0)(slope, (slice(0, 1), slice(0, 5))).round(6).tolist()
    [[0.0, 1.0, 2.0, 3.0, 4.0]]
    """

    rows: float
    columns: float

    def border(self, shape: tuple[int, ...]) -> tuple[int, int]:
        """Cells that the weights reach, rows and columns; no more than the raster has."""
        return (
            min(int(np.ceil(REACH * self.rows)), shape[0] - 1),
            min(int(np.ceil(REACH * self.columns)), shape[1] - 1),
        )

    def __call__(self, block: FloatArray, inner: Area) -> FloatArray:
        """Smooth a block; see `Operator`. NaN in the block is no data."""
        known = np.isfinite(block)
        down, across = self.border(block.shape)
        size = (
            int(fft.next_fast_len(block.shape[0] + down, real=False)),
            int(fft.next_fast_len(block.shape[1] + across, real=True)),
        )
        row_waves = _waves(size[0], down, self.rows, fft.fft)
        column_waves = _waves(size[1], across, self.columns, fft.rfft)

        def moment(waves: FloatArray, down: int, across: int) -> FloatArray:
            """Weighted sum of offsets to these powers times what the waves are of."""
            shaped = waves * row_waves[down][:, np.newaxis] * column_waves[across]
            found: FloatArray = fft.irfft2(shaped, size)[inner]
            return found

        values = fft.rfft2(np.where(known, block, 0.0), size)
        weights = fft.rfft2(known.astype(np.float64), size)
        total = np.maximum(moment(weights, 0, 0), NOTHING)
        mean: FloatArray = moment(values, 0, 0) / total
        if total.min() > 1.0 - 1e-12:  # no gap and no edge within reach: the slopes cancel
            return mean
        # Offsets in standard deviations: means, spreads and what goes with the values.
        y, x = moment(weights, 1, 0) / total, moment(weights, 0, 1) / total
        yy = moment(weights, 2, 0) / total - y * y + LEAST_SPREAD
        xx = moment(weights, 0, 2) / total - x * x + LEAST_SPREAD
        xy = moment(weights, 1, 1) / total - x * y
        yv = moment(values, 1, 0) / total - y * mean
        xv = moment(values, 0, 1) / total - x * mean
        bent = xx * yy - xy * xy
        mean -= (y * (xx * yv - xy * xv) + x * (yy * xv - xy * yv)) / bent
        return mean


def _waves(
    size: int, reach: int, sigma: float, transform: Callable[..., FloatArray]
) -> list[FloatArray]:
    """Transforms of Gaussian weights times the offset to the powers 0, 1 and 2.

    Offsets are in standard deviations, from the cell smoothed to the cell that informs it; the
    weights sum to 1.
    """
    place = np.arange(-reach, reach + 1)
    offset = place / sigma
    weight = np.exp(-0.5 * offset**2)
    weight /= weight.sum()
    found = []
    for power in range(3):
        line = np.zeros(size)
        # A convolution looks the other way. Where the line is shorter than the weights, they
        # meet the padding only.
        np.add.at(line, -place % size, weight * offset**power)
        found.append(transform(line))
    return found
