"""The direction of fewest turns over an outline, and the frame its traverses start from."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.spatial import ConvexHull

from ..intake.sitegrid import Origin, SiteGrid
from ..interpret.shape import azimuth
from ..readings import FloatArray
from .lattice import directions

AT_ONCE = 256
"""Directions tried at a time, so that an outline of many vertices fits in memory."""

THIN = 1e-6
"""An outline no wider than this, map units, has no width."""

SAME = 1e-9
"""Widths that differ by less than this share are one."""


@dataclass(frozen=True)
class Area:
    """A data grid, or the frame of an outline: a rectangle to lay traverses in.

    Parameters
    ----------
    name
        As in the field `grid`.
    x, y
        The corner where the first traverse's side begins, map units.
    bearing
        Direction of the first traverse, degrees clockwise from grid north.
    length, width
        Along and across the traverses, map units.
    """

    name: str
    x: float
    y: float
    bearing: float
    length: float
    width: float

    @property
    def origin(self) -> Origin:
        """Where it lies, for placing readings."""
        return Origin(self.x, self.y, self.bearing, self.length)

    def corners(self, side: str) -> FloatArray:
        """Its four corners from the first one on, shape ``(4, 2)``."""
        ahead, across = directions(self.bearing, side)
        steps = np.array([[0, 0], [1, 0], [1, 1], [0, 1]]) * [self.length, self.width]
        corners: FloatArray = np.array([self.x, self.y]) + steps @ np.stack([ahead, across])
        return corners


def fewest_turns(vertices: FloatArray) -> float:
    """Bearing of the traverses that cover an outline with the fewest turns.

    Across them the convex outline is narrowest, and it is narrowest across one of its own edges
    (Shamos 1978). Of directions equally good, the one nearest to grid north by the clock.

    Parameters
    ----------
    vertices
        Of the outline, map units, shape ``(k, 2)``.

    Returns
    -------
    float
        Degrees clockwise from grid north, 0 to below 180.

    Raises
    ------
    ValueError
        If the vertices lie on one line.

    References
    ----------
    M. I. Shamos (1978), *Computational Geometry*, PhD thesis, Yale University: width of a convex
    polygon.

    Examples
    --------
    >>> fewest_turns(np.array([[0.0, 0.0], [30.0, 0.0], [30.0, 10.0], [0.0, 10.0]]))
    90.0
    """
    local = vertices - vertices[0]
    try:
        hull = local[ConvexHull(local).vertices]
    except (RuntimeError, ValueError) as error:  # Qhull's own error is a RuntimeError
        raise ValueError("The outline has no width.") from error
    edges = np.diff(hull, axis=0, append=hull[:1])
    along = edges / np.hypot(edges[:, 0], edges[:, 1])[:, np.newaxis]
    across = np.column_stack([along[:, 1], -along[:, 0]])
    width = np.concatenate(
        [
            np.ptp(across[start : start + AT_ONCE] @ hull.T, axis=1)
            for start in range(0, len(hull), AT_ONCE)
        ]
    )
    best = np.flatnonzero(width <= width.min() * (1 + SAME))
    return min(azimuth(float(along[k, 0]), float(along[k, 1])) for k in best)


def frame_outline(name: str, vertices: FloatArray, bearing: float | None, site: SiteGrid) -> Area:
    """The frame in which an outline's traverses lie.

    It is wide enough for whole traverse separations and long enough for whole reading intervals,
    what is over lying evenly on both sides; with the first traverse's distance from the side
    given, it begins where the outline does.

    Parameters
    ----------
    vertices
        Of the outline, map units, shape ``(k, 2)``.
    bearing
        Of the first traverse; None for that of the fewest turns.
    site
        Separation, interval, side and first offset; its origins do not matter.

    Raises
    ------
    ValueError
        If the outline has no width.

    Examples
    --------
    >>> site = SiteGrid({"": Origin(0.0, 0.0)}, separation=2.0, interval=0.5)
    >>> square = np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 20.0], [0.0, 20.0]])
    >>> frame_outline("A", square, 0.0, site)
    Area(name='A', x=-0.5, y=0.0, bearing=0.0, length=20.0, width=10.0)
    """
    found = fewest_turns(vertices) if bearing is None else bearing
    ahead, across = directions(found, site.side)
    local = vertices - vertices[0]
    along_range, across_range = local @ ahead, local @ across
    length, width = float(np.ptp(along_range)), float(np.ptp(across_range))
    if not min(length, width) > THIN:
        raise ValueError("The outline has no width.")
    length = _whole(length, site.interval)
    begin = (along_range.min() + along_range.max() - length) / 2
    left = across_range.min()
    if site.first_offset is None:
        whole = _whole(width, site.separation)
        left, width = left + (width - whole) / 2, whole
    corner = vertices[0] + begin * ahead + left * across
    return Area(name, float(corner[0]), float(corner[1]), found % 360.0, length, width)


def _whole(distance: float, step: float) -> float:
    """The distance made up to a whole number of steps, at least one."""
    return max(1, math.ceil(distance / step - 1e-6)) * step
