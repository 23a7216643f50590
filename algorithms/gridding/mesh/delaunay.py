"""The Delaunay triangles of a survey, made robust against the evenness of surveys."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...progress import Progress, advance, keep_going, portion
from ...readings import BoolArray, FloatArray, IntArray
from ..hull import flat
from ..method import Option, Task
from .strips import Indices, triangles

SHEAR = 1e-5
"""Slant given to the positions before they are triangulated. On an even layout four readings or
more share a circle; Qhull takes twice the time and thrice the memory over such ties. The slant
settles them, all diagonals one way, and keeps straight traverses straight."""

THIN = 1e-6
FLAT = 1e-3
"""A triangle of less height than this many map units, and than this share of its shortest edge, is
rounding noise along a straight edge of the survey. One between two readings that nearly share a
place is not: it narrows to one of its corners only."""

CHUNK = 1 << 16
"""Triangles measured at a time."""

LONGEST_EDGE = Option(
    "longest_edge",
    "Longest edge of a triangle",
    None,
    unit="map units",
    help="Cells whose triangle of neighbouring readings has a longer edge stay empty, as across a "
    "gap or a bay of the outline. Empty: no limit but the blanking distance.",
    minimum=1e-6,
)


@dataclass(frozen=True, eq=False)
class Mesh:
    """Delaunay triangles.

    Parameters
    ----------
    xy
        Positions, shape ``(n, 2)``.
    corners
        Rows of `xy`, counter-clockwise, shape ``(t, 3)``.
    beside
        The triangle across the edge opposite to each corner, shape ``(t, 3)``; -1 for none.
    thin
        Triangles that hold no ground, see `THIN`, shape ``(t,)``.
    """

    xy: FloatArray
    corners: Indices
    beside: Indices
    thin: BoolArray

    def corner(self, triangle: IntArray, number: IntArray) -> IntArray:
        """Rows of `xy` at a corner of each triangle, counted on past 2 from 0."""
        return self.corners[triangle, number % 3].astype(np.int64)

    def ground_beside(self, triangle: IntArray, corner: IntArray) -> IntArray:
        """The triangle opposite to a corner of each; -1 for none or a thin one."""
        across = self.beside[triangle, corner].astype(np.int64)
        across[self.thin[across]] = -1  # of -1 the last one's: no harm
        return across

    def longer_than(self, longest: float) -> BoolArray:
        """Triangles with an edge longer than this, shape ``(t,)``."""
        return np.concatenate(
            [_measure(self.xy, part)[1] > longest for part in _chunks(self.corners)]
        )


def mesh_of(task: Task, progress: Progress = keep_going) -> Mesh:
    """The triangles between the readings of a task, the same for all its channels.

    Raises
    ------
    ValueError
        If the readings lie on a single line.

    References
    ----------
    B. Delaunay (1934), *Sur la sphère vide*, Bulletin de l'Académie des Sciences de l'URSS 6,
    793-800. C. B. Barber, D. P. Dobkin and H. Huhdanpaa (1996), *The quickhull algorithm for
    convex hulls*, ACM Transactions on Mathematical Software 22, 469-483.
    """
    try:
        if flat(task.xy):
            raise RuntimeError
        angle = np.radians(task.bearing or 0.0)
        along = np.array([np.sin(angle), np.cos(angle)])
        across = np.array([along[1], -along[0]])
        slanted = task.xy + SHEAR * np.outer(task.xy @ across, along)
        corners, beside = triangles(slanted, portion(progress, 0.0, 0.9))
    except RuntimeError:  # Qhull's error too, whose place differs between versions of SciPy
        raise ValueError(
            f"The {len(task.xy)} usable position(s) of {', '.join(task.channels)} lie on a "
            "single line, which cannot be triangulated. Choose the method 'Inverse distance'."
        ) from None
    advance(progress, 0.9)
    thin = np.concatenate([_measure(task.xy, part)[0] for part in _chunks(corners)])
    return Mesh(task.xy, corners, beside, thin)


def _chunks(corners: Indices) -> list[Indices]:
    return [corners[start : start + CHUNK] for start in range(0, len(corners), CHUNK)]


def _measure(xy: FloatArray, corners: Indices) -> tuple[BoolArray, FloatArray]:
    """Whether each triangle is thin, and the length of its longest edge."""
    first, second, third = xy[corners[:, 0]], xy[corners[:, 1]], xy[corners[:, 2]]
    edges = second - first, third - second, first - third
    squares = [dot(edge, edge) for edge in edges]
    longest = np.sqrt(np.maximum.reduce(squares))
    height = cross(edges[0], edges[1]) / longest
    thin: BoolArray = height < np.minimum(THIN, FLAT * np.sqrt(np.minimum.reduce(squares)))
    return thin, longest


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Twice the area spanned by vectors, shape ``(m, 2)`` each; positive if b lies left of a."""
    area: FloatArray = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
    return area


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Product of vectors, shape ``(m, 2)`` each."""
    product: FloatArray = a[:, 0] * b[:, 0] + a[:, 1] * b[:, 1]
    return product
