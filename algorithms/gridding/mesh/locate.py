"""Which triangle a cell is in."""

from __future__ import annotations

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ..search import search_tree
from .delaunay import Mesh, cross, dot
from .strips import Indices

OUTSIDE = 1e-6
"""Distance, map units, from the outline within which a cell counts as on it."""

PATIENCE = 100
"""Thin triangles passed through, one below the other, before a cell is given up."""


class Locator:
    """Finds triangles by a walk from the nearest reading.

    Parameters
    ----------
    mesh
        The triangles.
    """

    def __init__(self, mesh: Mesh) -> None:
        self.mesh = mesh
        self.tree = search_tree(mesh.xy)
        count = len(mesh.corners)
        self._around: Indices = np.zeros(len(mesh.xy), dtype=np.int32)
        """A triangle at each reading."""
        for corner in range(3):
            self._around[mesh.corners[:, corner]] = np.arange(count, dtype=np.int32)

    def find(self, cells: FloatArray) -> tuple[IntArray, IntArray, FloatArray]:
        """Where cells lie.

        Parameters
        ----------
        cells
            Shape ``(m, 2)``.

        Returns
        -------
        triangle
            The one each cell is in or on the edge of, never a thin one; -1 beyond the outline.
        nearest, distance
            Row of the nearest reading, and how far it is.
        """
        distance, nearest = self.tree.query(cells)
        triangle = self._walk(cells, self._around[nearest].astype(np.int64))
        self._leave_thin(cells, triangle)
        return triangle, nearest, distance

    def _walk(self, cells: FloatArray, triangle: IntArray) -> IntArray:
        """From one triangle to the next towards each cell.

        Among Delaunay triangles such a walk comes to its end whichever edge is crossed first, as
        long as the cell lies beyond it; taking turns ends it in spite of rounding as well.

        References
        ----------
        O. Devillers, S. Pion and M. Teillaud (2002), *Walking in a triangulation*, International
        Journal of Foundations of Computer Science 13, 181-199.
        """
        mesh = self.mesh
        open_: IntArray = np.arange(len(cells))
        for turn in range(len(mesh.corners) + 3):
            if not len(open_):
                break
            here = triangle[open_]
            arms = mesh.xy[mesh.corners[here]] - cells[open_, np.newaxis]
            beyond = [cross(arms[:, (k + 1) % 3], arms[:, (k + 2) % 3]) for k in range(3)]
            side = np.column_stack([beyond[(k + turn) % 3] for k in range(3)])
            beside = np.column_stack([mesh.beside[here, (k + turn) % 3] for k in range(3)])
            out = (side < 0) & (beside < 0)
            rows = np.flatnonzero(out.any(axis=1))
            go = (side < 0) & (beside >= 0)
            choice = go.argmax(axis=1)
            moving = go[np.arange(len(go)), choice]
            rows = rows[~moving[rows]]
            if len(rows):
                lost = self._far_out(arms[rows], np.roll(side[rows], turn % 3, axis=1))
                triangle[open_[rows[lost]]] = -1
            open_ = open_[moving]
            triangle[open_] = beside[moving, choice[moving]]
        triangle[open_] = -1
        return triangle

    @staticmethod
    def _far_out(arms: FloatArray, side: FloatArray) -> BoolArray:
        """Cells too far beyond the outline to count as on it."""
        far: BoolArray = np.zeros(len(arms), dtype=np.bool_)
        for k in range(3):
            edge = arms[:, (k + 2) % 3] - arms[:, (k + 1) % 3]
            far |= side[:, k] < -OUTSIDE * np.sqrt(dot(edge, edge))
        return far

    def _leave_thin(self, cells: FloatArray, triangle: IntArray) -> None:
        """Move cells in thin triangles on to the triangle below, at whose edge they lie."""
        mesh = self.mesh
        open_ = np.flatnonzero(triangle >= 0)
        for _ in range(PATIENCE):
            open_ = open_[mesh.thin[triangle[open_]]]
            if not len(open_):
                return
            here = triangle[open_]
            corners = mesh.xy[mesh.corners[here]]
            edges = np.roll(corners, 1, axis=1) - np.roll(corners, -1, axis=1)
            apex = np.einsum("mkd,mkd->mk", edges, edges).argmax(axis=1)
            every = np.arange(len(open_))
            base, top = edges[every, apex], corners[every, apex]
            # the base runs from the corner after the apex to the one before it
            ahead = dot(cells[open_] - top, base) > 0
            triangle[open_] = mesh.beside[here, (apex + np.where(ahead, 1, 2)) % 3]
            open_ = open_[triangle[open_] >= 0]
        triangle[open_] = -1
