"""Which node of the grid each reading holds, and how far off it lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ..frame import Frame
from ..places import median_by_place
from .energy import Grid, Links
from .sight import Sight
from .slopes import slope


@dataclass(frozen=True, eq=False)
class Anchors:
    """Readings brought to one for each node.

    Parameters
    ----------
    row, column
        The nodes, shape ``(k,)``; no node twice.
    south, east
        How far the readings lie from them, in cells, shape ``(k,)``.
    values
        Shape ``(k, c)``.
    """

    row: IntArray
    column: IntArray
    south: FloatArray
    east: FloatArray
    values: FloatArray

    def rise(self, surface: Grid, links: Links | None) -> FloatArray:
        """How much higher the surface is at the readings than at their nodes, shape ``(k,)``.

        By Taylor's series to the second order, its slopes and bends taken over some nodes: a
        plane or a curve is followed, noise is not steepened.
        """
        at = self.row, self.column
        rise: FloatArray = np.zeros(len(self.row))
        for axis, offset in ((0, self.south), (1, self.east)):
            steep = slope(surface, axis, links)
            rise += offset * steep[at]
            for other, aside in ((0, self.south), (1, self.east)):
                rise += 0.5 * offset * aside * slope(steep, other, links)[at]
        return rise


def nearest_nodes(
    frame: Frame, xy: FloatArray, sight: Sight | None
) -> tuple[IntArray, FloatArray, BoolArray]:
    """The node each reading is to hold: the nearest it sees of those around it.

    Returns
    -------
    nodes
        Row and column, shape ``(n, 2)``.
    offset
        From there to the reading, in cells to the south and to the east, shape ``(n, 2)``.
    seen
        False for readings that see no node around them, shape ``(n,)``.
    """
    place = np.column_stack([-xy[:, 1] / frame.cell_height, xy[:, 0] / frame.cell_width]) - 0.5
    nodes: IntArray = np.rint(place).astype(np.int64)
    np.clip(nodes, 0, (frame.rows - 1, frame.columns - 1), out=nodes)
    seen: BoolArray = np.ones(len(xy), dtype=np.bool_)
    if sight is not None:
        hidden = np.flatnonzero(sight.barriers.hide(xy, sight.place(*nodes.T)))
        nodes[hidden], seen[hidden] = _next_seen(frame, xy[hidden], place[hidden], sight)
    return nodes, place - nodes, seen


def anchors_at(nodes: IntArray, offset: FloatArray, values: FloatArray) -> Anchors:
    """Readings that hold the same node made one: their median place and values."""
    rows, medians = median_by_place(nodes.astype(np.float64), np.column_stack([offset, values]))
    row, column = np.ascontiguousarray(nodes[rows].T)
    south, east = np.ascontiguousarray(medians[:, :2].T)
    return Anchors(row, column, south, east, medians[:, 2:].copy())


def _next_seen(
    frame: Frame, xy: FloatArray, place: FloatArray, sight: Sight
) -> tuple[IntArray, BoolArray]:
    """The nearest of the four nodes around that is seen, and whether there is any."""
    nearest = np.full(len(xy), np.inf)
    nodes = np.zeros((len(xy), 2), dtype=np.int64)
    for corner in ((0, 0), (0, 1), (1, 0), (1, 1)):
        there = np.floor(place).astype(np.int64) + corner
        apart = np.hypot(*(there - place).T)
        apart[sight.barriers.hide(xy, sight.place(*there.T))] = np.inf
        apart[((there < 0) | (there >= (frame.rows, frame.columns))).any(axis=1)] = np.inf
        nearer = apart < nearest
        nearest[nearer], nodes[nearer] = apart[nearer], there[nearer]
    return nodes, np.isfinite(nearest)
