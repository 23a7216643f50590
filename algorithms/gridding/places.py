"""One value for each place or block: medians of the readings there."""

from __future__ import annotations

import numpy as np

from ..readings import FloatArray, IntArray

SAME_PLACE = 1e-6
"""Positions that agree to this many map units are one."""


def median_by_place(xy: FloatArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    """One value per place: the median of the readings there.

    Parameters
    ----------
    xy
        Positions, shape ``(n, 2)``.
    values
        Shape ``(n, c)``, all finite.

    Returns
    -------
    rows
        The first row of each place, rising, shape ``(p,)``.
    values
        Medians by channel, shape ``(p, c)``.

    Examples
    --------
    >>> rows, values = median_by_place(
    ...     np.array([[0.0, 0], [1, 0], [0, 0], [0, 0]]), np.array([[9.0], [5], [1], [2]]))
    >>> rows.tolist(), values.ravel().tolist()
    ([0, 1], [2.0, 5.0])
    """
    return _medians(_order_of(np.rint(xy / SAME_PLACE).astype(np.int64)), values)


def thin_by_block(
    xy: FloatArray, values: FloatArray, line: IntArray, block: float
) -> tuple[IntArray, FloatArray, FloatArray]:
    """One reading for each block of ground and traverse: the medians of those there.

    The blocks are squares whose sides lie on multiples of their size, traverse by traverse, so
    that no traverse is mixed with another.

    Parameters
    ----------
    xy
        Positions, shape ``(n, 2)``.
    values
        Shape ``(n, c)``, all finite.
    line
        Number of the traverse of each reading, shape ``(n,)``.
    block
        Side of a block, map units.

    Returns
    -------
    rows
        The first row of each block, rising, shape ``(b,)``.
    xy, values
        Medians by coordinate and by channel, shapes ``(b, 2)`` and ``(b, c)``. Along a straight
        traverse the median position is that of the median reading: a plane stays a plane.

    Examples
    --------
    >>> x = np.arange(8.0) / 8
    >>> rows, xy, values = thin_by_block(
    ...     np.column_stack([x, x]), 10 * x[:, np.newaxis], np.zeros(8, dtype=int), 0.5)
    >>> rows.tolist(), xy[:, 0].tolist(), values.ravel().tolist()
    ([0, 4], [0.1875, 0.6875], [1.875, 6.875])
    """
    squares = np.floor(xy / block).astype(np.int64)
    order = _order_of(np.column_stack([line, squares]))
    rows, medians = _medians(order, np.column_stack([xy, values]))
    return rows, medians[:, :2], medians[:, 2:]


def _order_of(keys: IntArray) -> tuple[IntArray, IntArray]:
    """Rows in the order of their keys, shape ``(n, k)``, and where each new key begins."""
    order = np.lexsort(keys.T[::-1])  # stable: rows rise within a key
    new = np.ones(len(keys), dtype=bool)
    new[1:] = np.any(np.diff(keys[order], axis=0) != 0, axis=1)
    return order, np.flatnonzero(new)


def _medians(grouped: tuple[IntArray, IntArray], values: FloatArray) -> tuple[IntArray, FloatArray]:
    """First row of each group, rising, and the medians of its rows by column."""
    order, start = grouped
    rows = np.sort(order[start])
    medians: FloatArray = values[rows]
    if len(rows) == len(order):
        return rows, medians
    size = np.diff(np.append(start, len(order)))
    group = np.repeat(np.arange(len(start)), size)
    target = np.searchsorted(rows, order[start])
    for column in range(values.shape[1]):
        ranked = values[order, column]
        ranked = ranked[np.lexsort((ranked, group))]
        lower, upper = ranked[start + (size - 1) // 2], ranked[start + size // 2]
        medians[target, column] = lower + (upper - lower) / 2
    return rows, medians
