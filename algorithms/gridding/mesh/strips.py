"""Delaunay triangles of many positions, a strip at a time: Qhull's memory stays bounded."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import Delaunay

from ...progress import Progress, advance, keep_going
from ...readings import BoolArray, FloatArray, IntArray

Indices = npt.NDArray[np.int32]

FEWEST = 1 << 16
"""Positions in a strip, at least."""

MOST_STRIPS = 8
"""More would save little more memory, and cost time at the seams."""


def triangles(xy: FloatArray, progress: Progress = keep_going) -> tuple[Indices, Indices]:
    """The Delaunay triangles of positions.

    A triangle is Delaunay if its circumcircle is empty. The positions are cut into strips. A
    triangle of one strip whose circle stays between the positions of the strips on either side
    is one of the whole; the readings on all other triangles are triangulated once more, for what
    lies between. Such seams are narrow. Positions that share a circle come out of one and the
    same triangulation, whichever it is, so that ties are settled one way. Should rounding tear a
    seam all the same, or a strip be a single line, the whole is done at once.

    Parameters
    ----------
    xy
        Shape ``(n, 2)``, not on one line.

    Returns
    -------
    corners
        Rows of `xy`, counter-clockwise, shape ``(t, 3)``.
    beside
        The triangle across the edge opposite to each corner, shape ``(t, 3)``; -1 for none.

    Raises
    ------
    RuntimeError
        Qhull's error, if there is no triangle.

    Examples
    --------
    >>> corners, beside = triangles(np.array([[0.0, 0], [1, 0], [1.1, 1], [0, 1]]))
    >>> sorted(np.sort(corners).tolist()), sorted(beside.max(axis=1).tolist())
    ([[0, 1, 3], [1, 2, 3]], [0, 1])
    """
    count = min(len(xy) // FEWEST, MOST_STRIPS)
    if count > 1:
        try:
            corners, beside = _by_strips(xy, count, progress)
            if _join(corners, beside, len(xy)):
                return corners, beside
        except RuntimeError:  # Qhull's, of a strip that is a single line
            pass
    whole = Delaunay(xy)
    return whole.simplices, whole.neighbors


def _join(corners: Indices, beside: Indices, count: int) -> bool:
    """Enter which triangles lie across the edges that are still open; whether all fit together.

    They do if every edge is passed once in each direction, but for those of one outline, and no
    position is left out (Euler's formula).
    """
    triangle, corner = np.nonzero(beside < 0)
    start, end = (corners[triangle, (corner + k) % 3].astype(np.int64) for k in (1, 2))
    edge = np.minimum(start, end) * count + np.maximum(start, end)
    order = np.argsort(edge, kind="stable")
    same = edge[order[1:]] == edge[order[:-1]]
    first, second = order[:-1][same], order[1:][same]
    beside[triangle[first], corner[first]] = triangle[second]
    beside[triangle[second], corner[second]] = triangle[first]
    outline = len(edge) - 2 * len(first)
    return not (
        np.any(same[1:] & same[:-1])
        or np.any(start[first] != end[second])
        or len(corners) != 2 * count - 2 - outline
    )


def _by_strips(xy: FloatArray, count: int, progress: Progress) -> tuple[Indices, Indices]:
    """The triangles, and those beside them within one strip; across the seams -1."""
    axis = int(np.ptp(xy, axis=0).argmax())
    order = np.argsort(xy[:, axis], kind="stable")
    cuts = np.linspace(0, len(xy), count + 1).astype(np.int64)
    pieces: list[tuple[Indices, Indices]] = []
    rims: list[Indices] = []
    seam: BoolArray = np.zeros(len(xy), dtype=np.bool_)
    for number in range(count):
        advance(progress, number / (count + 1))
        low, high = cuts[number], cuts[number + 1]
        rows = order[low:high].astype(np.int32)
        before = xy[order[low - 1], axis] if low else -np.inf
        after = xy[order[high], axis] if high < len(order) else np.inf
        strip = Delaunay(xy[rows])
        settled = _between(strip.points[strip.simplices], axis, before, after)
        corners, beside = rows[strip.simplices], strip.neighbors
        del strip
        seam[corners[~settled]] = True
        for k in range(3):
            edge = corners[:, [(k + 1) % 3, (k + 2) % 3]]
            seam[edge[beside[:, k] < 0]] = True
            rims.append(edge[settled & ~(settled[beside[:, k]] & (beside[:, k] >= 0))])
        pieces.append(_only(corners, beside, settled))
    advance(progress, count / (count + 1))
    pieces.append(_seams(xy, np.flatnonzero(seam), np.concatenate(rims)))
    passed = 0
    for corners, beside in pieces:
        beside[beside >= 0] += passed
        passed += len(corners)
    return np.concatenate([p[0] for p in pieces]), np.concatenate([p[1] for p in pieces])


def _only(corners: Indices, beside: Indices, kept: BoolArray) -> tuple[Indices, Indices]:
    """Some of the triangles, numbered anew."""
    number = np.append(np.where(kept, np.cumsum(kept) - 1, -1), -1).astype(np.int32)
    return corners[kept], number[beside[kept]]  # beside is -1 for none: the last number


def _between(corners: FloatArray, axis: int, before: float, after: float) -> BoolArray:
    """Triangles, ``(t, 3, 2)``, whose circumcircle lies between two places on an axis."""
    origin = corners[:, 0]
    (bx, by), (cx, cy) = (corners[:, 1] - origin).T, (corners[:, 2] - origin).T
    b, c = bx * bx + by * by, cx * cx + cy * cy
    with np.errstate(divide="ignore", invalid="ignore"):
        half = 0.5 / (bx * cy - by * cx)
        x, y = (cy * b - by * c) * half, (bx * c - cx * b) * half
        radius = np.hypot(x, y) * (1 + 1e-9)
        centre = origin[:, axis] + (x, y)[axis]
        between: BoolArray = (centre - radius > before) & (centre + radius < after)
    return between


def _seams(xy: FloatArray, rows: IntArray, rims: Indices) -> tuple[Indices, Indices]:
    """The triangles outside the settled ground, whose rims run counter-clockwise."""
    mesh = Delaunay(xy[rows])
    corners, beside = mesh.simplices, mesh.neighbors
    del mesh
    count = len(rows)
    start, end = (np.roll(corners, -1, axis=1).ravel(), np.roll(corners, 1, axis=1).ravel())
    edges = start.astype(np.int64) * count + end
    rim = np.searchsorted(rows, rims)
    inward, outward = rim[:, 0] * count + rim[:, 1], rim[:, 1] * count + rim[:, 0]
    within = np.isin(edges, inward)
    linked = (beside.ravel() >= 0) & ~within & ~np.isin(edges, outward)
    here = np.flatnonzero(linked)
    links = coo_matrix(
        (np.ones(len(here), dtype=np.int8), (here // 3, beside.ravel()[here])),
        shape=(len(corners), len(corners)),
    )
    part = connected_components(links, directed=False)[1]
    settled = np.zeros(part.max() + 1, dtype=bool)
    settled[part[np.flatnonzero(within) // 3]] = True
    return _only(rows[corners].astype(np.int32), beside, ~settled[part])
