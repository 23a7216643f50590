"""Values between the nodes of a solved grid."""

from __future__ import annotations

import numpy as np

from ...readings import FloatArray, IntArray
from .sight import Sight

AT_NODE = 1e-9
"""A place no further than this from a node, in cells, is at it."""
AROUND = np.arange(-1, 3)


def lookup(
    cells: FloatArray, row: FloatArray, column: FloatArray, sight: Sight | None
) -> FloatArray:
    """Local cubic interpolation, which keeps the values of the nodes and every plane.

    Beside an edge, a barrier or cells without a value, a plane through the nodes around that are
    seen serves, fitted by least squares with weights that rise without bound towards each node.

    Parameters
    ----------
    cells
        Shape ``(c, rows, columns)``, NaN for no value.
    row, column
        Places, node (0, 0) at 0, shape ``(m,)``.

    Returns
    -------
    array
        Shape ``(m, c)``; NaN more than half a cell beyond the outermost nodes, and where no node
        around has a value and is seen.

    References
    ----------
    R. G. Keys (1981), *Cubic convolution interpolation for digital image processing*, IEEE
    Transactions on Acoustics, Speech and Signal Processing 29(6), 1153-1160.
    """
    count, rows, columns = cells.shape
    top, left = np.floor(row).astype(np.int64), np.floor(column).astype(np.int64)
    down, across = _cubic(row - top), _cubic(column - left)
    values: FloatArray = np.zeros((len(row), count))
    flat = cells.reshape(count, -1)
    inside = (top >= 1) & (left >= 1) & (top < rows - 2) & (left < columns - 2)
    corner = np.where(inside, (top - 1) * columns + left - 1, 0)
    shift = min(rows * columns, 3 * columns + 4)
    if shift == 3 * columns + 4 and inside.any():
        for south in range(4):
            for east in range(4):
                weight = down[south] * across[east]
                near = corner + (south * columns + east)
                for channel in range(count):
                    values[:, channel] += weight * flat[channel, near]
    plain = inside & np.isfinite(values).all(axis=1)
    if sight is not None:
        plain &= ~sight.barriers.within(
            sight.place(row, column), 3.0 * float(np.hypot(sight.width, sight.height))
        )
    other = np.flatnonzero(~plain)
    if len(other):
        values[other] = _fitted(cells, row[other], column[other], sight)
    beyond = (row < -0.5) | (column < -0.5) | (row > rows - 0.5) | (column > columns - 0.5)
    values[beyond] = np.nan
    return values


def _cubic(part: FloatArray) -> tuple[FloatArray, ...]:
    """Weights of the four nodes around a place, this part of the way between the middle two."""
    rest = 1.0 - part
    return (
        -0.5 * part * rest * rest,
        1.0 + part * part * (1.5 * part - 2.5),
        1.0 + rest * rest * (1.5 * rest - 2.5),
        -0.5 * part * part * rest,
    )


def _fitted(
    cells: FloatArray, row: FloatArray, column: FloatArray, sight: Sight | None
) -> FloatArray:
    """The weighted plane through the seen nodes around, in each place."""
    count, rows, columns = cells.shape
    south, east = (np.ravel(part) for part in np.meshgrid(AROUND, AROUND, indexing="ij"))
    there: IntArray = np.floor(row).astype(np.int64)[:, np.newaxis] + south
    beside: IntArray = np.floor(column).astype(np.int64)[:, np.newaxis] + east
    seen = (there >= 0) & (there < rows) & (beside >= 0) & (beside < columns)
    node = np.where(seen, there * columns + beside, 0)
    if sight is not None:
        here = np.repeat(sight.place(row, column), len(south), axis=0)
        hidden = sight.barriers.hide(here, sight.place(there.ravel(), beside.ravel()))
        seen &= ~hidden.reshape(seen.shape)
    apart = np.stack([there - row[:, np.newaxis], beside - column[:, np.newaxis]], axis=-1)
    square = np.einsum("mkd,mkd->mk", apart, apart)
    results: FloatArray = np.full((len(row), count), np.nan)
    for channel in range(count):
        value = cells[channel].ravel()[node]
        held = seen & np.isfinite(value)
        weight = np.where(held, 1.0 / np.maximum(square, AT_NODE**2) ** 2, 0.0)
        total = weight.sum(axis=1)
        some = total > 0
        results[some, channel] = _plane(
            weight[some] / total[some, np.newaxis], apart[some], np.where(held, value, 0.0)[some]
        )
    return results


def _plane(weight: FloatArray, apart: FloatArray, value: FloatArray) -> FloatArray:
    """Height at no distance of the plane by weighted least squares; level across a line."""
    middle = np.einsum("mk,mkd->md", weight, apart)
    height: FloatArray = np.einsum("mk,mk->m", weight, value)
    apart = apart - middle[:, np.newaxis]
    spread = np.einsum("mk,mkd,mke->mde", weight, apart, apart)
    moment = np.einsum("mk,mkd,mk->md", weight, apart, value)
    slope = np.einsum("mde,me->md", np.linalg.pinv(spread, rcond=1e-7, hermitian=True), moment)
    height -= np.einsum("md,md->m", middle, slope)
    return height
