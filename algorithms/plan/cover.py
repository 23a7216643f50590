"""How much of each cell of a lattice lies inside an outline, to the last digit."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..interpret.shape import ring_area
from ..readings import FloatArray, IntArray


def outline_edges(polygons: Sequence[Sequence[FloatArray]]) -> FloatArray:
    """Edges of an outline, shape ``(n, 4)`` of (x, y) from and (x, y) to, its inside to the left.

    Parameters
    ----------
    polygons
        Parts of the outline, which do not overlap: for each its outer ring, then its holes, shape
        ``(k, 2)`` of (x, y). Rings may run either way, closed or not.

    Raises
    ------
    ValueError
        If the outline holds no area or a coordinate is no number.

    Examples
    --------
    >>> outline_edges([[np.array([[0.0, 0.0], [0.0, 1.0], [1.0, 0.0]])]]).tolist()[0]
    [0.0, 0.0, 1.0, 0.0]
    """
    found: list[FloatArray] = []
    inside = 0.0
    for rings in polygons:
        for number, ring in enumerate(rings):
            if not np.isfinite(ring).all():
                raise ValueError("A coordinate of the outline is no number. Correct the outline.")
            closed = np.concatenate([ring, ring[:1]])
            area = ring_area(closed)
            if (area > 0) != (number == 0):
                closed = closed[::-1]
            inside += abs(area) if number == 0 else -abs(area)
            edges = np.concatenate([closed[:-1], closed[1:]], axis=1)
            found.append(edges[(edges[:, :2] != edges[:, 2:]).any(axis=1)])
    if not inside > 0:
        raise ValueError("The outline holds no area. Draw it round the ground to survey.")
    return np.concatenate(found)


def edges_area(edges: FloatArray) -> float:
    """Area inside edges that have it to their left.

    Examples
    --------
    >>> edges_area(outline_edges([[np.array([[0.0, 0.0], [0.0, 2.0], [3.0, 0.0]])]]))
    3.0
    """
    x0, y0, x1, y1 = (edges - np.tile(edges[0, :2], 2)).T
    return 0.5 * float(np.sum(x0 * y1 - x1 * y0))


def cell_shares(edges: FloatArray, rows: int, columns: int) -> FloatArray:
    """Share of each unit cell that lies inside, shape ``(rows, columns)``, from 0 to 1.

    Green's theorem, cell by cell: the edges are cut where they pass from one cell into another;
    each piece gives its own cell what lies to the left of it, and the height it rises to all cells
    further left. Exact but for rounding, whatever the outline's shape.

    Parameters
    ----------
    edges
        As `outline_edges` gives them, in units of the cells: the cell in row r and column c
        reaches from (c, r) to (c + 1, r + 1). All must lie on the lattice.

    Examples
    --------
    >>> triangle = outline_edges([[np.array([[0.0, 0.0], [2.0, 0.0], [0.0, 1.0]])]])
    >>> cell_shares(triangle, 1, 2).tolist()
    [[0.75, 0.25]]
    """
    start, end = _pieces(edges)
    rise = end[:, 1] - start[:, 1]
    middle = (start + end) / 2
    column = np.clip(np.floor(middle[:, 0]).astype(np.int64), 0, columns - 1)
    row = np.clip(np.floor(middle[:, 1]).astype(np.int64), 0, rows - 1)
    cell = row * columns + column
    size = rows * columns
    own = np.bincount(cell, (middle[:, 0] - column) * rise, size).reshape(rows, columns)
    passed = np.bincount(cell, rise, size).reshape(rows, columns)
    # What rises in the columns further right, the cell's own left out.
    further = np.cumsum(passed[:, ::-1], axis=1)[:, ::-1] - passed
    return np.clip(own + further, 0.0, 1.0)


def _pieces(edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Edges cut at every whole x and y, as ends of shape ``(m, 2)`` each."""
    n = len(edges)
    owners: list[IntArray] = [np.arange(n), np.arange(n)]
    places: list[FloatArray] = [np.zeros(n), np.ones(n)]
    for first, last in ((edges[:, 0], edges[:, 2]), (edges[:, 1], edges[:, 3])):
        lowest = np.floor(np.minimum(first, last)) + 1
        count = np.maximum(np.ceil(np.maximum(first, last)) - lowest, 0).astype(np.int64)
        owner = np.repeat(np.arange(n), count)
        running = np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)
        cut = lowest[owner] + running
        owners.append(owner)
        places.append((cut - first[owner]) / (last - first)[owner])
    owner, place = np.concatenate(owners), np.concatenate(places)
    order = np.lexsort((place, owner))
    owner, place = owner[order], place[order]
    at = edges[owner, :2] + place[:, np.newaxis] * (edges[owner, 2:] - edges[owner, :2])
    same = owner[1:] == owner[:-1]
    return at[:-1][same], at[1:][same]
