"""Natural neighbour weights: the ground a cell would take from the readings around it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix

from ...readings import BoolArray, FloatArray, IntArray
from .delaunay import Mesh, cross, dot

TOUCHING = 1e-9
"""Distance, map units, below which a cell counts as being on the outline."""


@dataclass(frozen=True, eq=False)
class _Rim:
    """Edges around the cells, counter-clockwise, each that of one triangle opposite a corner.

    `start` and `end` hold the ground taken from the reading at either end by the triangles found
    so far; what a reading loses is the sum over the two edges that meet at it.
    """

    cell: IntArray
    triangle: IntArray
    corner: IntArray
    start: FloatArray
    end: FloatArray

    def where(self, kept: BoolArray) -> _Rim:
        return _Rim(
            self.cell[kept],
            self.triangle[kept],
            self.corner[kept],
            self.start[kept],
            self.end[kept],
        )


def sibson_weights(mesh: Mesh, cells: FloatArray, triangle: IntArray) -> csr_matrix:
    """Shares of the readings in the value at each cell.

    Were the cell a reading too, it would take a piece of ground from the Voronoi cells of its
    neighbours; the pieces are the weights. The triangles whose circumcircle holds the cell are
    the ones that would go. They are found from the cell's own triangle outwards, each across an
    edge of the last, and the cell would be joined to the rim of their union. What a reading loses
    is its ground in the triangles that go less its ground in those that come, each triangle being
    divided among its corners by the bisectors of its edges (signed, where an angle is obtuse).
    No circumcentre is computed, and edges inside the rim cancel by themselves, so that a cell may
    lie on one. A triangle taken in or left out by rounding, its circle passing by the cell,
    changes the weights by the square of that rounding only, and never the plane they reproduce.

    Parameters
    ----------
    mesh
        The triangles between the readings.
    cells
        Shape ``(m, 2)``; none at a reading.
    triangle
        The triangle each is in, shape ``(m,)``, none of them thin.

    Returns
    -------
    sparse matrix
        Shape ``(m, n)``: none negative, rows of sum 1 and centred on their cell.

    References
    ----------
    R. Sibson (1981), *A brief description of natural neighbour interpolation*, in V. Barnett
    (ed.), Interpreting Multivariate Data, Wiley, 21-36. D. F. Watson (1992), *Contouring: a guide
    to the analysis and display of spatial data*, Pergamon. The division of a triangle among its
    corners: M. Meyer, M. Desbrun, P. Schröder and A. H. Barr (2003), *Discrete
    differential-geometry operators for triangulated 2-manifolds*, in Visualization and
    Mathematics III, Springer, 35-57.
    """
    taken = _on_outline(mesh, cells, triangle)
    others = np.delete(np.arange(len(cells)), taken[0][0])
    rim = _first_rim(mesh, others, triangle)
    while len(rim.cell):
        ends = [mesh.corner(rim.triangle, rim.corner + k) for k in (1, 2)]
        a, b = (mesh.xy[end] - cells[rim.cell] for end in ends)
        rim, stays, final = _grow(mesh, cells, rim, a, b)
        of_start, of_end, _ = _parts(a[stays], b[stays], np.zeros((1, 2)))
        taken.append((final.cell, ends[0][stays], final.start - of_start))
        taken.append((final.cell, ends[1][stays], final.end - of_end))
    cell, reading, ground = (np.concatenate(column) for column in zip(*taken))
    weights = coo_matrix((ground, (cell, reading)), shape=(len(cells), len(mesh.xy))).tocsr()
    np.maximum(weights.data, 0.0, out=weights.data)
    total = np.add.reduceat(weights.data, weights.indptr[:-1])
    weights.data /= np.repeat(total, np.diff(weights.indptr))
    return weights


def _first_rim(mesh: Mesh, cell: IntArray, triangle: IntArray) -> _Rim:
    """The edges of the cells' own triangles."""
    here = triangle[cell]
    parts = _parts(*(mesh.xy[mesh.corners[here, k]] for k in range(3)))
    return _Rim(
        np.tile(cell, 3),
        np.tile(here, 3),
        np.repeat(np.arange(3), len(cell)),
        np.concatenate([parts[1], parts[2], parts[0]]),
        np.zeros(3 * len(cell)),
    )


def _grow(
    mesh: Mesh, cells: FloatArray, rim: _Rim, a: FloatArray, b: FloatArray
) -> tuple[_Rim, BoolArray, _Rim]:
    """One step outwards, over edges from `a` to `b`, seen from their cells.

    Returns
    -------
    grown
        The two edges that take the place of each that gave way.
    stays
        Which of the edges do not.
    final
        Those.
    """
    across = mesh.ground_beside(rim.triangle, rim.corner)
    gives = np.flatnonzero(across >= 0)
    beyond = across[gives]
    apex = (mesh.beside[beyond] == rim.triangle[gives, np.newaxis]).argmax(axis=1)
    a, b = a[gives], b[gives]
    c = mesh.xy[mesh.corners[beyond, apex]] - cells[rim.cell[gives]]
    area = cross(b - c, a - c)
    # The cell lies inside the circle if its angle over the edge and the apex's exceed 180 degrees.
    inside = dot(a - c, b - c) * cross(a, b) + dot(a, b) * area < 0
    inside &= (cross(a, c) > 0) & (cross(c, b) > 0)  # but for rounding they always are
    gives, beyond, apex = gives[inside], beyond[inside], apex[inside]
    to_a, to_c, to_b = _parts(a[inside], c[inside], b[inside])
    stays: BoolArray = np.ones(len(rim.cell), dtype=np.bool_)
    stays[gives] = False
    grown = _Rim(
        np.tile(rim.cell[gives], 2),
        np.tile(beyond, 2),
        np.concatenate([(apex + 1) % 3, (apex + 2) % 3]),
        np.concatenate([rim.start[gives] + to_a, np.zeros(len(gives))]),
        np.concatenate([to_c, rim.end[gives] + to_b]),
    )
    return grown, stays, rim.where(stays)


def _on_outline(
    mesh: Mesh, cells: FloatArray, triangle: IntArray
) -> list[tuple[IntArray, IntArray, FloatArray]]:
    """Cells on an edge with no ground beyond, and what each takes from its ends: their shares.

    It is what the weights come to as a cell nears the outline, where it would take all the ground
    outside.

    Returns
    -------
    list
        Two times cells, readings and shares; cells that are not on the outline are left out.
    """
    height = np.full((len(cells), 3), np.inf)
    for k in range(3):
        open_ = np.flatnonzero(mesh.ground_beside(triangle, np.full(len(cells), k)) < 0)
        start, end = (mesh.xy[mesh.corners[triangle[open_], (k + i) % 3]] for i in (1, 2))
        edge = end - start
        height[open_, k] = cross(edge, cells[open_] - start) / np.sqrt(dot(edge, edge))
    corner = height.argmin(axis=1)
    cell = np.flatnonzero(height[np.arange(len(cells)), corner] <= TOUCHING)
    from_, to = (mesh.corner(triangle[cell], corner[cell] + k) for k in (1, 2))
    edge = mesh.xy[to] - mesh.xy[from_]
    share = np.clip(dot(cells[cell] - mesh.xy[from_], edge) / dot(edge, edge), 0.0, 1.0)
    return [(cell, from_, 1.0 - share), (cell, to, share)]


def _parts(a: FloatArray, b: FloatArray, c: FloatArray) -> tuple[FloatArray, ...]:
    """Ground of each corner of triangles ``(m, 2)``, counter-clockwise: eight times its area."""
    sides = c - b, a - c, b - a
    area = cross(sides[0], sides[1])
    # square of the side opposite to a corner, times the cotangent of the angle there
    parts = [
        dot(sides[k], sides[k]) * -dot(sides[(k + 1) % 3], sides[(k + 2) % 3]) / area
        for k in range(3)
    ]
    return parts[1] + parts[2], parts[2] + parts[0], parts[0] + parts[1]
