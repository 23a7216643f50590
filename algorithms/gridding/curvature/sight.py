"""Which nodes of a grid a barrier parts."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ..barriers import Barriers
from .energy import Links

NUDGE = (1.0e-6, 1.3e-6)
"""Nodes count as lying this part of a cell further east and north, so that one on a barrier
belongs to one side of it."""


@dataclass(frozen=True, eq=False)
class Sight:
    """Nodes in a grid with barriers across it.

    Parameters
    ----------
    barriers
        In map units from the frame's upper left corner.
    east, north
        Place of node (0, 0).
    width, height
        Size of a cell, map units.
    """

    barriers: Barriers
    east: float
    north: float
    width: float
    height: float

    def moved(self, top: int, left: int) -> Sight:
        """The same for a grid that starts at another of its nodes."""
        return replace(
            self, east=self.east + left * self.width, north=self.north - top * self.height
        )

    def place(self, row: FloatArray | IntArray, column: FloatArray | IntArray) -> FloatArray:
        """Positions of nodes, or of places between them, shape ``(m, 2)``."""
        return np.column_stack(
            [
                self.east + (column + NUDGE[0]) * self.width,
                self.north - (row - NUDGE[1]) * self.height,
            ]
        )

    def hidden(
        self,
        here: tuple[FloatArray | IntArray, FloatArray | IntArray],
        there: tuple[FloatArray | IntArray, FloatArray | IntArray],
    ) -> BoolArray:
        """Whether a barrier stands between rows and columns `here` and those `there`."""
        return self.barriers.hide(self.place(*here), self.place(*there))

    def near(self, shape: tuple[int, int], stride: int, reach: int) -> tuple[IntArray, IntArray]:
        """Rows and columns of the nodes of every `stride`-th row and column near a barrier.

        All within `reach` such nodes of one are among them.
        """
        start, end = self.barriers.pieces[:, 0], self.barriers.pieces[:, 1]
        scale = np.array([self.width, -self.height]) * stride
        start = (start - (self.east, self.north)) / scale
        end = (end - (self.east, self.north)) / scale
        count = np.ceil(np.abs(end - start).max(axis=1)).astype(np.int64) + 1
        piece = np.repeat(np.arange(len(count)), count)
        number = np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)
        share = number / np.maximum(count[piece] - 1, 1)
        at = np.rint(start[piece] + (end - start)[piece] * share[:, np.newaxis]).astype(np.int64)
        touched: BoolArray = np.zeros(shape, dtype=np.bool_)
        reach += 1
        inside = ((at >= -reach) & (at < np.array(shape[::-1]) + reach)).all(axis=1)
        at = np.unique(at[inside], axis=0)
        for down in range(-reach, reach + 1):
            for across in range(-reach, reach + 1):
                x, y = at[:, 0] + across, at[:, 1] + down
                on = (y >= 0) & (y < shape[0]) & (x >= 0) & (x < shape[1])
                touched[y[on], x[on]] = True
        row, column = np.nonzero(touched)
        return row.astype(np.int64), column.astype(np.int64)

    def links(self, shape: tuple[int, int], stride: int = 1) -> Links | None:
        """Which neighbours among every `stride`-th node see each other; None where all do."""
        across: BoolArray = np.ones((shape[0], shape[1] - 1), dtype=np.bool_)
        down: BoolArray = np.ones((shape[0] - 1, shape[1]), dtype=np.bool_)
        row, column = self.near(shape, stride, 1)
        for open_, south, east in ((across, 0, 1), (down, 1, 0)):
            on = (row < shape[0] - south) & (column < shape[1] - east)
            here = (stride * row[on], stride * column[on])
            there = (here[0] + stride * south, here[1] + stride * east)
            open_[row[on], column[on]] = ~self.hidden(here, there)
        return None if across.all() and down.all() else Links(across, down)
