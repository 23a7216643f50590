"""Triangulation: flat triangles between neighbouring readings."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix

from ...progress import Progress, keep_going
from ...readings import FloatArray, IntArray
from ..mesh.delaunay import LONGEST_EDGE, Mesh
from ..mesh.shares import surface_by_shares
from ..method import Method, Surface, Task


def prepare(task: Task, progress: Progress = keep_going) -> Surface:
    """Triangulate the positions (Delaunay), one triangulation for all channels.

    A cell takes the value of the plane through the three readings of the triangle its centre is
    in: a plane is reproduced, and no value lies outside the range of the readings. Cells outside
    the outline of the readings have no value.

    Raises
    ------
    ValueError
        If the readings lie on a single line.

    References
    ----------
    See `lynchet.algorithms.gridding.mesh.delaunay.mesh_of`; barycentric coordinates after A. F.
    Möbius (1827), *Der barycentrische Calcul*.
    """
    return surface_by_shares(task, corner_shares, progress)


def corner_shares(mesh: Mesh, cells: FloatArray, triangle: IntArray) -> csr_matrix:
    """Shares of the corners of its triangle in each cell, shape ``(m, n)``."""
    corners = mesh.corners[triangle]
    shares = barycentric(mesh.xy[corners], cells)
    rows = np.arange(0, shares.size + 1, 3)
    return csr_matrix((shares.ravel(), corners.ravel(), rows), shape=(len(cells), len(mesh.xy)))


def barycentric(corners: FloatArray, xy: FloatArray) -> FloatArray:
    """Shares of a triangle's corners, ``(m, 3, 2)``, in positions ``(m, 2)`` inside them.

    Returns
    -------
    array
        Shape ``(m, 3)``, none negative, of sum 1.

    Examples
    --------
    >>> barycentric(np.array([[[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]]]), np.array([[0.25, 0.5]]))
    array([[0.25, 0.25, 0.5 ]])
    """
    arms = corners - xy[:, np.newaxis]
    following = np.roll(arms, -1, axis=1)
    # the area opposite to a corner is spanned by the two corners after it
    area = arms[..., 0] * following[..., 1] - arms[..., 1] * following[..., 0]
    area = np.maximum(np.roll(area, -1, axis=1), 0.0)  # below 0 only by rounding, at the outline
    shares: FloatArray = area / area.sum(axis=1, keepdims=True)
    return shares


METHOD = Method(
    id="triangulation",
    title="Triangulation",
    help=(
        "Joins neighbouring readings to triangles and slopes evenly between their corners. It "
        "keeps within the range of the readings and adds nothing beyond their outline. Good for "
        "evenly spread readings and a quick look at the bare data; along dense traverses that lie "
        "far apart the triangles show as a herringbone, which is not in the ground. Noise and "
        "steps between traverses stay. A peak between two traverses comes out no higher than the "
        "readings beside it. Readings behind a barrier do not count; a cell that sees no corner "
        "of its triangle takes the nearest reading it sees within the blanking distance."
    ),
    options=(LONGEST_EDGE,),
    prepare=prepare,
)
