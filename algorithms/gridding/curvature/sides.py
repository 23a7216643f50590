"""Barriers carried on through ground that holds no cells, where nobody walks round their ends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.ndimage import binary_erosion, label

from ...readings import BoolArray, FloatArray, IntArray
from ..barriers import Barriers
from .energy import Links
from .parts import fields_of
from .sight import Sight


def carried_on(sight: Sight, ground: BoolArray, nodes: IntArray) -> Sight:
    """The same barriers, and more beyond the ground wherever they cut it in two.

    A barrier that ends within a cell of the outline, or beyond it, cuts the ground: its sides
    meet nowhere, though a way round its end may lead through cells outside. Such ways are shut
    half way, that is, where the nearest ground by any way is no longer that of one side but of
    the other. Ground without a reading is no side of its own.

    Parameters
    ----------
    ground
        The cells that count as ground, shape ``(rows, columns)``.
    nodes
        Row and column of the readings' nodes, shape ``(n, 2)``.
    """
    shape = ground.shape[0], ground.shape[1]
    links = sight.links(shape)
    if links is None:
        return sight
    core = _core(ground)
    whole = label(core)[0].astype(np.int32)
    side = fields_of(links, shape, core)
    of_whole = np.zeros(side.max() + 2, dtype=np.int32)  # the last stands for -1: no side
    of_whole[side] = whole
    read = np.zeros(len(of_whole), dtype=np.bool_)
    read[side[tuple(nodes.T)]] = True
    read[-1] = False
    if len(np.unique(of_whole[read])) == read.sum():
        return sight
    side[~read[side]] = -1
    _spread(side.reshape(-1), links)
    edges = [
        _edges(sight, open_ & (one != other) & (of_whole[one] == of_whole[other]), south)
        for open_, one, other, south in (
            (links.across, side[:, :-1], side[:, 1:], False),
            (links.down, side[:-1], side[1:], True),
        )
    ]
    pieces = Barriers.along(np.concatenate([sight.barriers.pieces, *edges]))
    return sight if pieces is None else replace(sight, barriers=pieces)


def _core(ground: BoolArray) -> BoolArray:
    """Ground without its outermost cells; where it is so narrow that nothing would be left, all."""
    core: BoolArray = binary_erosion(ground)
    number, count = label(ground)
    narrow = np.ones(count + 1, dtype=np.bool_)
    narrow[number[core]] = False
    narrow[0] = False
    core |= narrow[number]
    return core


def _spread(side: IntArray, links: Links) -> None:
    """Give each node without a side, -1, that of the nearest one with a side, by open links.

    `side` counts by node, row after row. Of two equally near sides the lower number counts.
    """
    columns = links.down.shape[1]
    front = np.flatnonzero(side >= 0)
    while len(front):
        row, column = np.divmod(front, columns)
        steps = []
        for open_, down, across in (
            (links.across, 0, 1),
            (links.across, 0, -1),
            (links.down, 1, 0),
            (links.down, -1, 0),
        ):
            south, east = row + min(down, 0), column + min(across, 0)
            on = (south >= 0) & (east >= 0) & (south < open_.shape[0]) & (east < open_.shape[1])
            on[on] = open_[south[on], east[on]]
            steps.append((front[on], front[on] + down * columns + across))
        here, there = (np.concatenate(part) for part in zip(*steps))
        new = side[there] < 0
        here, there = here[new], there[new]
        order = np.lexsort((side[here], there))
        here, there = here[order], there[order]
        first = np.ones(len(there), dtype=np.bool_)
        first[1:] = there[1:] != there[:-1]
        front = there[first]
        side[front] = side[here[first]]


def _edges(sight: Sight, nodes: BoolArray, south: bool) -> FloatArray:
    """The southern or the eastern edges of the cells of some nodes, shape ``(k, 2, 2)``."""
    row, column = np.nonzero(nodes)
    ends: FloatArray = np.empty((len(row), 2, 2))
    for end, half in enumerate((-0.5, 0.5)):
        down, across = (0.5, half) if south else (half, 0.5)
        ends[:, end, 0] = sight.east + (column + across) * sight.width
        ends[:, end, 1] = sight.north - (row + down) * sight.height
    return ends
