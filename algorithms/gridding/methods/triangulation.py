"""Triangulation: flat triangles between neighbouring readings."""

from __future__ import annotations

import numpy as np
from scipy.spatial import Delaunay

from ...progress import Progress, keep_going
from ...readings import BoolArray, FloatArray
from ..hull import flat
from ..method import Method, Option, Surface, Task

PLACES = 6
"""Decimals to which positions are triangulated and searched. Rounding noise below this, left by
large map coordinates, would make slivers of an even layout, which are slow to search, and would
drop cells whose centres lie on the outline."""


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
    B. Delaunay (1934), *Sur la sphere vide*; barycentric coordinates after A. F. Moebius (1827).
    """
    if flat(task.xy):
        raise ValueError(
            f"The {len(task.xy)} usable position(s) of {', '.join(task.channels)} lie on a "
            "single line, which cannot be triangulated. Choose the method 'Inverse distance'."
        )
    mesh = Delaunay(np.round(task.xy, PLACES))
    longest = task.options["longest_edge"]
    hole: BoolArray = np.zeros(len(mesh.simplices), dtype=np.bool_)
    if longest is not None:
        hole = long_edged(task.xy[mesh.simplices], float(longest))
    highest = task.values.max(axis=0)

    def evaluate(cells: FloatArray) -> FloatArray:
        triangle = mesh.find_simplex(np.round(cells, PLACES))
        values: FloatArray = np.full((len(cells), task.values.shape[1]), np.nan)
        inside = np.flatnonzero(triangle >= 0)
        inside = inside[~hole[triangle[inside]]]
        triangle = triangle[inside]
        weights = barycentric(task.xy[mesh.simplices[triangle]], cells[inside])
        corners = task.values[mesh.simplices[triangle]]
        values[inside] = np.einsum("mk,mkc->mc", weights, corners)
        np.minimum(values, highest, out=values)
        return values

    return Surface(evaluate, figures={"triangles": int(len(hole) - hole.sum())})


def long_edged(corners: FloatArray, longest: float) -> BoolArray:
    """Triangles, corners of shape ``(t, 3, 2)``, with an edge longer than `longest`."""
    edges = corners - np.roll(corners, 1, axis=1)
    lengths: FloatArray = np.hypot(edges[..., 0], edges[..., 1])
    long: BoolArray = np.any(lengths > longest, axis=1)
    return long


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
    # area opposite to corner i is spanned by the two corners after it
    area = arms[..., 0] * following[..., 1] - arms[..., 1] * following[..., 0]
    area = np.roll(area, -1, axis=1)
    area *= np.sign(area.sum(axis=1, keepdims=True))
    area = np.maximum(area, 0.0)
    total = area.sum(axis=1, keepdims=True)
    flat = total == 0  # a sliver of rounding noise: its corners share alike
    shares: FloatArray = np.where(flat, 1 / 3, area / np.where(flat, 1.0, total))
    return shares


METHOD = Method(
    id="triangulation",
    title="Triangulation",
    help=(
        "Joins neighbouring readings to triangles and slopes evenly between their corners. It "
        "keeps within the range of the readings and adds nothing beyond their outline. Good for "
        "evenly spread readings; along dense traverses that lie far apart the triangles show."
    ),
    options=(
        Option(
            "longest_edge",
            "Longest edge of a triangle",
            None,
            unit="map units",
            help="Cells in triangles with a longer edge stay empty. Empty: no limit but the "
            "blanking distance.",
            minimum=1e-6,
        ),
    ),
    prepare=prepare,
)
