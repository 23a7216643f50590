"""One value for each place or block: medians of the readings there."""

from __future__ import annotations

from collections.abc import Iterable

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
        Medians by channel, shape ``(p, c)``; the values as they are, not a copy, where no place
        comes twice.

    Examples
    --------
    >>> rows, values = median_by_place(
    ...     np.array([[0.0, 0], [1, 0], [0, 0], [0, 0]]), np.array([[9.0], [5], [1], [2]]))
    >>> rows.tolist(), values.ravel().tolist()
    ([0, 1], [2.0, 5.0])
    """
    groups = _Groups([np.rint(along / SAME_PLACE).astype(np.int64) for along in xy.T])
    return groups.rows, groups.medians(values)


def median_by_key(key: IntArray, tables: Iterable[FloatArray]) -> tuple[IntArray, list[FloatArray]]:
    """One value per key: the median of its rows, of tables of shape ``(n, c)``.

    The tables are taken one by one, so that they may be made as they are asked for.

    Returns
    -------
    rows
        The first row of each key, rising, shape ``(p,)``.
    tables
        Medians by column, shape ``(p, c)``; the tables as they are, not copies, where no key
        comes twice.

    Examples
    --------
    >>> rows, (values,) = median_by_key(
    ...     np.array([4, 1, 4, 4]), [np.array([[9.0], [5], [1], [2]])])
    >>> rows.tolist(), values.ravel().tolist()
    ([0, 1], [2.0, 5.0])
    """
    groups = _Groups([key])
    return groups.rows, [groups.medians(table) for table in tables]


def thin_by_block(
    xy: FloatArray, values: FloatArray, line: IntArray, block: float
) -> tuple[IntArray, FloatArray, FloatArray]:
    """One reading for each block: the medians of those there.

    The blocks are equal lengths of way along each traverse, whatever its bearing, so that every
    reading left stands for about as many; readings of no traverse are thinned by squares.

    Parameters
    ----------
    xy
        Positions, shape ``(n, 2)``.
    values
        Shape ``(n, c)``, all finite.
    line
        Number of the traverse of each reading, shape ``(n,)``, -1 for none; readings of a traverse
        come one after the other in walking order.
    block
        Length of a block, map units.

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
    ...     np.column_stack([x, 0 * x]), 10 * x[:, np.newaxis], np.zeros(8, dtype=int), 0.5)
    >>> rows.tolist(), xy[:, 0].tolist(), values.ravel().tolist()
    ([0, 4], [0.1875, 0.6875], [1.875, 6.875])
    """
    keys = [line, _along_blocks(xy, line, block)]
    loose = line < 0
    if loose.any():
        squares = np.floor(xy[loose] / block).astype(np.int64)
        keys[1][loose] = squares[:, 0]
        keys.append(np.zeros_like(line))
        keys[2][loose] = squares[:, 1]
    groups = _Groups(keys)
    return groups.rows, groups.medians(xy), groups.medians(values)


def _along_blocks(xy: FloatArray, line: IntArray, block: float) -> IntArray:
    """Number of the block that each reading lies in along its traverse, shape ``(n,)``."""
    starts = np.flatnonzero(np.diff(line, prepend=line[:1] - 1))
    way = np.zeros(len(line))
    np.hypot(np.diff(xy[:, 0]), np.diff(xy[:, 1]), out=way[1:])
    way[starts] = 0.0
    np.cumsum(way, out=way)
    way -= np.repeat(way[starts], np.diff(np.append(starts, len(line))))
    # A step that ends a block to the last bit must not fall on either side by rounding.
    way += SAME_PLACE
    way /= block
    number: IntArray = np.floor(way, out=way).astype(np.int64)
    return number


class _Groups:
    """Rows with the same keys, by their keys.

    Parameters
    ----------
    keys
        Arrays of shape ``(n,)``.

    Attributes
    ----------
    rows
        The first row of each group, rising, shape ``(g,)``.
    """

    def __init__(self, keys: list[IntArray]) -> None:
        self._order = np.lexsort(keys[::-1])  # stable: rows rise within a group
        new = np.zeros(len(self._order), dtype=bool)
        new[:1] = True
        for key in keys:
            ranked = key[self._order]
            new[1:] |= ranked[1:] != ranked[:-1]
        self._start = np.flatnonzero(new)
        self.rows: IntArray = np.sort(self._order[self._start])

    def medians(self, values: FloatArray) -> FloatArray:
        """Medians of each group by column, shape ``(g, c)``; the values if each is alone."""
        if len(self.rows) == len(values):
            return values
        size = np.diff(np.append(self._start, len(values)))
        group = np.repeat(np.arange(len(size)), size)
        place = np.searchsorted(self.rows, self._order[self._start])
        lower, upper = self._start + (size - 1) // 2, self._start + size // 2
        medians: FloatArray = np.empty((len(size), values.shape[1]))
        for column in range(values.shape[1]):
            ranked = values[self._order, column]
            ranked = ranked[np.lexsort((ranked, group))]
            low = ranked[lower]
            medians[place, column] = low + (ranked[upper] - low) / 2
        return medians
