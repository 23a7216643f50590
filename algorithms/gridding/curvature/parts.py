"""Ground that is solved by itself: what lies far from the rest, and what barriers cut off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import binary_dilation, label

from ...readings import BoolArray, FloatArray, IntArray
from .energy import Links

BLOCK = 32
"""Side of the blocks in which ground is looked at, cells. Readings with two blocks or more
without a wanted cell between them do not shape each other's ground."""


@dataclass(frozen=True, eq=False)
class Part:
    """A rectangle of the frame's cells.

    Parameters
    ----------
    top, left
        Its first row and column in the frame.
    own
        Which of its cells are its own, rather than another part's or nobody's.
    """

    top: int
    left: int
    own: BoolArray

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return self.own.shape[0], self.own.shape[1]

    def holds(self, nodes: IntArray) -> BoolArray:
        """Which nodes of the frame, row and column, shape ``(n, 2)``, are its own."""
        at = nodes - (self.top, self.left)
        inside: BoolArray = np.all((at >= 0) & (at < self.shape), axis=1)
        inside[inside] = self.own[tuple(at[inside].T)]
        return inside


def parts_of(wanted: BoolArray, nodes: IntArray) -> list[Part]:
    """The ground around wanted cells and the readings' nodes, in parts far from each other."""
    rows, columns = wanted.shape
    live = np.zeros((-(-rows // BLOCK), -(-columns // BLOCK)), dtype=bool)
    for number in range(len(live)):
        band = wanted[number * BLOCK : (number + 1) * BLOCK].any(axis=0)
        live[number] = np.logical_or.reduceat(band, np.arange(0, columns, BLOCK))
    live[tuple((nodes // BLOCK).T)] = True
    labels, count = label(binary_dilation(live, np.ones((3, 3))), np.ones((3, 3)))
    parts = []
    for number in range(1, count + 1):
        down, across = np.nonzero(labels == number)
        top, left = down.min(), across.min()
        bottom, right = down.max() + 1, across.max() + 1
        own = (labels[top:bottom, left:right] == number).repeat(BLOCK, axis=0)
        own = own.repeat(BLOCK, axis=1)[: rows - top * BLOCK, : columns - left * BLOCK]
        parts.append(Part(int(top) * BLOCK, int(left) * BLOCK, own))
    return parts


def fields_of(
    links: Links | None, shape: tuple[int, int], within: BoolArray | None = None
) -> IntArray:
    """Number of the field each node is in; no way leads from one field to another.

    Shape ``(rows, columns)``, or one 0 for all where there are no barriers. Nodes not `within`
    are in no field, -1, and no way leads through them.
    """
    if links is None:
        return np.zeros((1, 1), dtype=np.int32)
    rows, columns = shape
    ways = np.zeros((2 * rows - 1, 2 * columns - 1), dtype=bool)
    ways[::2, ::2] = True if within is None else within
    ways[::2, 1::2] = links.across
    ways[1::2, ::2] = links.down
    numbers: IntArray = label(ways)[0][::2, ::2]
    if within is not None:
        # links between nodes that are not within have got numbers as well: count again
        numbers = np.where(within, numbers, 0)
        numbers = np.unique(np.append(0, numbers), return_inverse=True)[1][1:].reshape(shape)
    fields: IntArray = (numbers - 1).astype(np.int32)
    return fields


@dataclass(frozen=True, eq=False)
class Planes:
    """A level or sloping plane through the readings of each field, by least squares.

    Parameters
    ----------
    middle
        Mean row and column of each field's readings, shape ``(f, 2)``; NaN for no reading.
    height, slope
        Of the plane there and for each row and column, shapes ``(f, c)`` and ``(f, 2, c)``.
    """

    middle: FloatArray
    height: FloatArray
    slope: FloatArray

    def at(self, field: IntArray, place: FloatArray, channel: int) -> FloatArray:
        """Heights in places, row and column, shape ``(m, 2)``, in one channel, ``(m,)``."""
        slope, middle = self.slope[..., channel], self.middle
        heights: FloatArray = self.height[field, channel]
        heights += (place[:, 0] - middle[field, 0]) * slope[field, 0]
        heights += (place[:, 1] - middle[field, 1]) * slope[field, 1]
        return heights

    def over(self, fields: IntArray, shape: tuple[int, int], channel: int) -> FloatArray:
        """Heights of all nodes in one channel, shape ``(rows, columns)``."""
        slope, middle = self.slope[..., channel], self.middle
        level = self.height[:, channel] - np.einsum("fd,fd->f", slope, middle)
        down, across = np.arange(shape[0])[:, np.newaxis], np.arange(shape[1])
        heights: FloatArray = down * slope[fields, 0] + across * slope[fields, 1]
        heights += level[fields]
        return heights


NARROW = 0.01
"""Readings that scatter less than this about a line, in square cells, tell no slope across it."""


def planes_through(field: IntArray, place: FloatArray, values: FloatArray, count: int) -> Planes:
    """Planes by least squares.

    Parameters
    ----------
    field
        Which field each reading is in, shape ``(n,)``.
    place
        Rows and columns, shape ``(n, 2)``.
    values
        Shape ``(n, c)``.
    count
        Number of fields.
    """
    channels = values.shape[1]
    middle, height = np.full((count, 2), np.nan), np.full((count, channels), np.nan)
    slope = np.full((count, 2, channels), np.nan)
    for number in np.unique(field):
        rows = field == number if count > 1 else slice(None)
        some = values[rows]
        middle[number], height[number] = place[rows].mean(axis=0), some.mean(axis=0)
        apart = place[rows] - middle[number]
        # einsum adds up in the same order whatever the threads, matrix products do not
        spread, axes = np.linalg.eigh(np.einsum("nd,ne->de", apart, apart) / len(apart))
        axes = axes[:, spread > NARROW]
        along = np.einsum("nd,de->ne", apart, axes)
        for channel in range(channels):
            rise = some[:, channel] - height[number, channel]
            steep = np.einsum("ne,n->e", along, rise) / len(apart)
            slope[number, :, channel] = axes @ (steep / spread[spread > NARROW])
    return Planes(middle, height, slope)
