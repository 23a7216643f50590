"""Measures of outlines: area, perimeter, and the smallest rectangle around them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from ..readings import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Outline:
    """A polygon with holes, in map coordinates.

    Parameters
    ----------
    outer
        Outer ring, shape ``(k, 2)`` of (x, y), counter-clockwise, first vertex repeated at the end.
    holes
        Rings of the holes, each clockwise and closed in the same way.
    """

    outer: FloatArray
    holes: tuple[FloatArray, ...] = ()

    @property
    def rings(self) -> tuple[FloatArray, ...]:
        """The outer ring, then the holes."""
        return (self.outer, *self.holes)

    @property
    def area(self) -> float:
        """Area less the holes, square map units."""
        return sum(ring_area(ring) for ring in self.rings)

    @property
    def perimeter(self) -> float:
        """Length of all rings, the holes' included, map units."""
        return sum(ring_length(ring) for ring in self.rings)


@dataclass(frozen=True)
class Rectangle:
    """The smallest rectangle around a shape.

    Parameters
    ----------
    length, width
        Its long and its short side, map units.
    azimuth
        Direction of the long side, degrees clockwise from grid north, 0 <= azimuth < 180. For a
        square either side may be the long one.
    """

    length: float
    width: float
    azimuth: float

    @property
    def elongation(self) -> float:
        """Length over width, 1 or more."""
        return self.length / self.width


def ring_area(ring: FloatArray) -> float:
    """Signed area of a closed ring: positive when it runs counter-clockwise.

    Coordinates are first referred to the ring's own start, so that the digits of large eastings
    and northings are not lost.

    Parameters
    ----------
    ring
        Vertices (x, y), shape ``(k, 2)``, the first repeated at the end.

    Examples
    --------
    >>> ring_area(np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0], [0.0, 0.0]]))
    2.0
    """
    x, y = (ring - ring[0]).T
    return 0.5 * float(np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]))


def ring_length(ring: FloatArray) -> float:
    """Length of a closed ring.

    Examples
    --------
    >>> ring_length(np.array([[0.0, 0.0], [3.0, 4.0], [0.0, 0.0]]))
    10.0
    """
    step_x, step_y = np.diff(ring, axis=0).T
    return float(np.sum(np.hypot(step_x, step_y)))


def smallest_rectangle(points: FloatArray) -> Rectangle:
    """The rectangle of least area, at any angle, that holds all the points.

    One of its sides lies along an edge of the convex hull (Freeman & Shapira 1975), so only the
    hull's edges are tried as directions; the outermost vertex either way is found from the order
    of the edges' directions, not by trying every vertex.

    Parameters
    ----------
    points
        Vertices (x, y), shape ``(k, 2)``; a repeated vertex does no harm.

    Raises
    ------
    ValueError
        If the points lie on one line.

    References
    ----------
    H. Freeman, R. Shapira (1975), Determining the minimum-area encasing rectangle for an arbitrary
    closed curve. Communications of the ACM 18(7), 409-413.

    Examples
    --------
    >>> smallest_rectangle(np.array([[0.0, 0.0], [0.0, 3.0], [1.0, 3.0], [1.0, 0.0]]))
    Rectangle(length=3.0, width=1.0, azimuth=0.0)
    """
    hull = _hull(points)
    edges = np.diff(hull, axis=0, append=hull[:1])
    angles = np.unwrap(np.arctan2(edges[:, 1], edges[:, 0]))
    along = edges / np.hypot(edges[:, 0], edges[:, 1])[:, np.newaxis]
    ahead, opposite, behind = (
        hull[_outermost(angles, angles + turn)] for turn in (0.0, np.pi / 2, np.pi)
    )
    lengthwise = np.sum((ahead - behind) * along, axis=1)
    away = opposite - hull
    crosswise = along[:, 0] * away[:, 1] - along[:, 1] * away[:, 0]
    best = int(np.argmin(lengthwise * crosswise))
    sides = float(lengthwise[best]), float(crosswise[best])
    east, north = along[best] if sides[0] >= sides[1] else (-along[best, 1], along[best, 0])
    return Rectangle(max(sides), min(sides), azimuth(float(east), float(north)))


def azimuth(east: float, north: float) -> float:
    """Direction of an axis, degrees clockwise from grid north, 0 <= azimuth < 180.

    Examples
    --------
    >>> azimuth(1.0, 0.0), azimuth(0.0, -1.0), azimuth(-1.0, 1.0)
    (90.0, 0.0, 135.0)
    """
    degrees = float(np.degrees(np.arctan2(east, north))) % 180.0
    return 0.0 if degrees >= 180.0 else degrees  # a hair below zero comes out as 180


def _hull(points: FloatArray) -> FloatArray:
    """Corners of the convex hull, counter-clockwise, referred to the first point."""
    local = points - points[0]
    try:
        corners: FloatArray = local[ConvexHull(local).vertices]
    except (RuntimeError, ValueError) as error:  # Qhull's own error is a RuntimeError
        raise ValueError("The vertices lie on one line: a rectangle needs an area.") from error
    return corners


def _outermost(angles: FloatArray, direction: FloatArray) -> IntArray:
    """Index of the hull's outermost vertex towards each direction.

    A vertex is outermost from the direction square to the edge before it to the one square to the
    edge after it.
    """
    turned = angles[0] + (direction + np.pi / 2 - angles[0]) % (2 * np.pi)
    found: IntArray = np.searchsorted(angles, turned) % len(angles)
    return found
