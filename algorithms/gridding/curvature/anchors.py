"""Which node of the grid each reading holds, and how far off it lies."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import chain
from typing import Any

import numpy as np
import numpy.typing as npt

from ...readings import BoolArray, FloatArray, IntArray
from ..frame import Frame
from ..places import median_by_key
from .energy import Grid, Links
from .sight import Sight
from .slopes import slope

Offsets = npt.NDArray[np.floating[Any]]

TIE = 1e-6
"""A reading midway between nodes, but for this part of a cell, holds the one further on, to the
south and to the east: neighbours that lie midway as well hold other nodes."""


@dataclass(frozen=True, eq=False)
class Anchors:
    """Where readings lie, one for each node that is held.

    Parameters
    ----------
    row, column
        The nodes, shape ``(k,)``; no node twice.
    south, east
        How far the readings lie from them, in cells, shape ``(k,)``.
    """

    row: IntArray
    column: IntArray
    south: Offsets
    east: Offsets

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
) -> tuple[IntArray, Offsets, BoolArray]:
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
    place: FloatArray = np.empty(xy.shape)
    np.divide(xy[:, 1], -frame.cell_height, out=place[:, 0])
    np.divide(xy[:, 0], frame.cell_width, out=place[:, 1])
    place -= 0.5
    nodes: IntArray = np.empty(xy.shape, dtype=np.int32)
    for axis, count in enumerate((frame.rows, frame.columns)):
        nodes[:, axis] = np.clip(np.floor(place[:, axis] + (0.5 + TIE)), 0, count - 1)
    seen: BoolArray = np.ones(len(xy), dtype=np.bool_)
    if sight is not None:
        hidden = np.flatnonzero(sight.barriers.hide(xy, sight.place(*nodes.T)))
        nodes[hidden], seen[hidden] = _next_seen(frame, xy[hidden], place[hidden], sight)
    place -= nodes
    return nodes, place.astype(np.float32), seen


def anchors_at(
    nodes: IntArray, offset: Offsets, values: Iterable[FloatArray]
) -> tuple[Anchors, list[FloatArray]]:
    """Readings that hold the same node made one: their median place, and their median values.

    The values are taken and come channel by channel, of shapes ``(n,)`` and ``(k,)``.
    """
    key = nodes[:, 0] * (nodes[:, 1].max() + 1) + nodes[:, 1]
    columns = chain((offset[:, 0], offset[:, 1]), values)
    rows, tables = median_by_key(key, (np.asarray(one)[:, np.newaxis] for one in columns))
    south, east = (table[:, 0].astype(np.float32) for table in tables[:2])
    anchors = Anchors(nodes[rows, 0], nodes[rows, 1], south, east)
    return anchors, [table[:, 0] for table in tables[2:]]


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
