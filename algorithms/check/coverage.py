"""Which ground the readings cover, and the gaps they leave.

A reading stands for the ground around it: half of a traverse separation to either side, half of a
reading interval before and behind. The outline of a data grid is the convex hull of its readings,
grown by that much. Inside it, ground further than the reach from every reading is a gap.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import ndimage
from scipy.spatial import ConvexHull, cKDTree

from ..gridding.frame import Frame
from ..gridding.spacing import traverse_bearing
from ..interpret.outline import outline_regions
from ..interpret.regions import CORNERS
from ..interpret.shape import Outline
from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray, IntArray, Readings

COVERED, GAP = "covered", "gap"
REACH = 0.75
"""Default reach, traverse separations: a missing traverse leaves a gap, and lines that wander by a
quarter of the separation towards either side leave none."""

FINE = 4.0
"""Cells to a reach."""

MANY_CELLS = 400_000
"""Cells of the whole survey from which they are made coarser."""

COARSEST = 2 / 3
"""Coarsest cell, reaches: the gap that a missing traverse leaves must not fall between cells."""

MOST_CELLS = 40_000_000
"""Cells that are refused: then some position lies far off."""


@dataclass(frozen=True, eq=False)
class Patch:
    """A piece of ground: what it is (`COVERED` or `GAP`), in which data grid, and its outline."""

    kind: str
    grid: str
    outline: Outline

    @property
    def area(self) -> float:
        """Square map units."""
        return float(self.outline.area)


@dataclass(frozen=True, eq=False)
class Hull:
    """The outline of a data grid: ``normals @ (x, y) <= reach``, one row an edge.

    Parameters
    ----------
    corners
        Its corners counter-clockwise, ``(k, 2)``.
    normals, reach
        Outward unit normals ``(k, 2)`` and the distance of each edge from the origin ``(k,)``.
    """

    corners: FloatArray
    normals: FloatArray
    reach: FloatArray

    def depth(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """How deep points lie inside, map units, negative outside; shape ``(len(y), len(x))``."""
        deepest = np.full((len(y), len(x)), np.inf)
        for (across, up), reach in zip(self.normals, self.reach):
            np.minimum(deepest, reach - (across * x + up * y[:, np.newaxis]), out=deepest)
        return deepest


def cover(
    readings: Readings,
    rows: IntArray,
    separation: float,
    interval: float,
    reach: float,
    progress: Progress = keep_going,
) -> tuple[Patch, ...]:
    """Patches of covered ground and gaps, data grid by data grid.

    Where data grids are named, readings of none cover ground but have no outline of their own.
    Ground of two data grids belongs to the one that it lies deeper in. Gaps smaller than a square
    of one separation are left out: ragged ends of traverses are no gaps.

    Parameters
    ----------
    readings
        The survey.
    rows
        The readings that count: placed, with a value.
    separation, interval, reach
        Map units; see the module.

    Raises
    ------
    ValueError
        If the readings spread so far that cells fine enough would be too many.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(10.0), np.arange(10.0))
    >>> r = Readings.build(x=x.T.ravel(), y=y.T.ravel(), values=np.zeros(100),
    ...                    line=np.repeat(np.arange(10), 10))
    >>> (patch,) = cover(r, np.arange(100), 1.0, 1.0, 0.75)
    >>> patch.kind, round(patch.area, 2)
    ('covered', 100.0)
    """
    hulls = _hulls(readings, rows, separation, interval)
    if not hulls:
        return ()
    # From a local origin: map coordinates of millions would cost digits.
    xy = np.column_stack([readings.x[rows], readings.y[rows]])
    cell = _cell_size(hulls, reach)
    tree = cKDTree(_thinned(xy, cell / 16))
    patches: list[Patch] = []
    for number, (grid, hull) in enumerate(hulls.items()):
        advance(progress, number / len(hulls))
        frame = _frame(hull, cell)
        depth = hull.depth(frame.centres_x, frame.centres_y)
        mine = np.ones(depth.shape, dtype=np.bool_)
        for other_number, (other_grid, other) in enumerate(hulls.items()):
            if other_grid != grid and _meet(hull, other):
                theirs = other.depth(frame.centres_x, frame.centres_y)
                mine &= (depth > theirs) if other_number < number else (depth >= theirs)
        near = _distance(tree, frame, depth > -2 * cell, reach + 3 * cell)
        for kind, margin in ((COVERED, reach - near), (GAP, near - reach)):
            inside = np.where(mine, np.minimum(margin, depth), np.nan)
            patches += [
                Patch(kind, grid, outline)
                for outline in _outlines(inside, frame)
                if kind == COVERED or outline.area > separation**2
            ]
    patches += _enclosed(hulls, cell, tree, reach, separation)
    advance(progress, 1.0)
    return tuple(patches)


def _hulls(
    readings: Readings, rows: IntArray, separation: float, interval: float
) -> dict[str, Hull]:
    """Outline of each data grid with a name, or of all readings where none has."""
    codes = readings.grid[rows]
    named = [code for code in np.unique(codes) if readings.grid_names[code]]
    groups = (
        {readings.grid_names[code]: rows[codes == code] for code in named}
        if named
        else ({"": rows} if len(rows) else {})
    )
    return {
        grid: hull_of(readings.take(members), separation, interval)
        for grid, members in groups.items()
    }


def hull_of(readings: Readings, separation: float, interval: float) -> Hull:
    """Convex hull of placed readings, grown by what each reading stands for."""
    xy = np.column_stack([readings.x, readings.y])
    try:
        xy = xy[ConvexHull(xy).vertices]
    except (RuntimeError, ValueError):  # on one line, or fewer than three
        xy = np.unique(xy, axis=0)
    bearing = traverse_bearing(readings)
    if bearing is None:
        angle, ahead = 0.0, separation / 2
    else:
        angle, ahead = math.radians(bearing), interval / 2
    along = ahead * np.array([math.sin(angle), math.cos(angle)])
    across = separation / 2 * np.array([math.cos(angle), -math.sin(angle)])
    corners = np.concatenate([xy + i * along + j * across for i in (-1, 1) for j in (-1, 1)])
    origin = corners.mean(axis=0)
    hull = ConvexHull(corners - origin)
    normals = hull.equations[:, :2]
    reach = -hull.equations[:, 2] + normals @ origin
    return Hull(corners[hull.vertices], normals, reach)


def _frame(hull: Hull, cell: float) -> Frame:
    west, south = hull.corners.min(axis=0)
    east, north = hull.corners.max(axis=0)
    left, top = math.floor(west / cell) - 1, math.ceil(north / cell) + 1
    columns, rows = math.ceil(east / cell) + 1 - left, top - math.floor(south / cell) + 1
    return Frame(left * cell, top * cell, cell, cell, columns, rows)


def _cell_size(hulls: dict[str, Hull], reach: float) -> float:
    ground = sum(float(np.prod(np.ptp(hull.corners, axis=0))) for hull in hulls.values())
    cell = min(max(reach / FINE, math.sqrt(ground / MANY_CELLS)), COARSEST * reach)
    if ground > MOST_CELLS * cell**2:
        raise ValueError(
            f"The readings spread over {ground:,.0f} square map units, too much to look for gaps "
            f"of {reach:.3g}. Exclude positions that lie far off, give a longer reach, or check "
            "the survey part by part."
        )
    return cell


def _thinned(xy: FloatArray, size: float) -> FloatArray:
    """One position for each small square that holds any: as good, and quicker to search."""
    place = np.floor(xy / size).astype(np.int64)
    place -= place.min(axis=0)
    code = place[:, 0] * (int(place[:, 1].max()) + 1) + place[:, 1]
    thinned: FloatArray = xy[np.unique(code, return_index=True)[1]]
    return thinned


def _distance(tree: cKDTree, frame: Frame, wanted: BoolArray, most: float) -> FloatArray:
    """Distance from the centres of wanted cells to the nearest reading, `most` at the most."""
    row, column = np.nonzero(wanted)
    centres = np.column_stack([frame.centres_x[column], frame.centres_y[row]])
    distance = np.full(wanted.shape, most)
    found = tree.query(centres, distance_upper_bound=most, workers=-1)[0]
    distance[row, column] = np.minimum(found, most)
    return distance


def _outlines(margin: FloatArray, frame: Frame) -> list[Outline]:
    """Outlines of the cells with a margin above 0."""
    with np.errstate(invalid="ignore"):
        labels = ndimage.label(margin > 0, structure=CORNERS)[0].astype(np.int32)
    return outline_regions(labels, margin, 0.0, frame)


def _meet(one: Hull, other: Hull) -> bool:
    """Whether the boxes around two outlines meet."""
    low = np.maximum(one.corners.min(axis=0), other.corners.min(axis=0))
    high = np.minimum(one.corners.max(axis=0), other.corners.max(axis=0))
    return bool((low <= high).all())


def _enclosed(
    hulls: dict[str, Hull], cell: float, tree: cKDTree, reach: float, separation: float
) -> list[Patch]:
    """Gaps of no data grid: ground that data grids lie all around, such as one left out."""
    if len(hulls) < 4:
        return []
    corners = np.concatenate([hull.corners for hull in hulls.values()])
    extent = np.ptp(corners, axis=0)
    cell = max(cell, math.sqrt(float(np.prod(extent)) / MANY_CELLS))
    frame = _frame(Hull(corners, np.empty((0, 2)), np.empty(0)), cell)
    depth = np.full((frame.rows, frame.columns), -np.inf)
    for hull in hulls.values():
        west, south = hull.corners.min(axis=0) - 3 * cell
        east, north = hull.corners.max(axis=0) + 3 * cell
        columns = slice(*np.searchsorted(frame.centres_x, [west, east]))
        rows = slice(*np.searchsorted(-frame.centres_y, [-north, -south]))
        part = hull.depth(frame.centres_x[columns], frame.centres_y[rows])
        np.maximum(depth[rows, columns], part, out=depth[rows, columns])
    outside = depth <= 0
    labels, count = ndimage.label(outside)
    open_ = np.zeros(count + 1, dtype=np.bool_)
    for edge in (labels[0], labels[-1], labels[:, 0], labels[:, -1]):
        open_[edge] = True
    open_[0] = True
    closed = ~open_[labels]
    if not closed.any():
        return []
    near = _distance(tree, frame, closed, reach + 3 * cell)
    margin = np.where(closed, np.minimum(near - reach, np.minimum(-depth, 3 * cell)), -cell)
    return [
        Patch(GAP, "", outline)
        for outline in _outlines(margin, frame)
        if outline.area > separation**2
    ]
