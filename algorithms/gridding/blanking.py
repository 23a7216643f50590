"""Which cells lie near enough to a reading to be drawn."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import cKDTree

from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray, IntArray
from .frame import Frame
from .search import search_tree

BLOCK = 1024
"""Side of the blocks the search starts from, cells; a power of two."""

QUARTER_ROWS: IntArray = np.array([0, 0, 1, 1], dtype=np.int64)
QUARTER_COLUMNS: IntArray = np.array([0, 1, 0, 1], dtype=np.int64)
"""Place of the four quarters of a block in it."""


def cells_within(
    frame: Frame,
    xy: FloatArray,
    distance: float,
    workers: int = 1,
    progress: Progress = keep_going,
) -> BoolArray:
    """Cells whose centre lies within a distance of any of the positions.

    The distance at the middle of a block of cells, less or more the block's half diagonal,
    decides most blocks at one stroke; the others are quartered, down to single cells. Empty
    ground therefore costs next to nothing, and the answer is that of asking at every cell.

    Parameters
    ----------
    frame
        The cells.
    xy
        Positions from the frame's upper left corner, shape ``(n, 2)``.
    distance
        Greatest distance, map units.

    Returns
    -------
    array
        True where near enough, shape ``(rows, columns)``.
    """
    tree = search_tree(xy)
    near = np.zeros((frame.rows, frame.columns), dtype=bool)
    tops, lefts = range(0, frame.rows, BLOCK), range(0, frame.columns, BLOCK)
    done = 0
    for top in tops:
        for left in lefts:
            advance(progress, done / (len(tops) * len(lefts)))
            tile = near[top : top + BLOCK, left : left + BLOCK]
            tile[...] = _near_in_block(frame, tree, (top, left), distance, workers)[
                : tile.shape[0], : tile.shape[1]
            ]
            done += 1
    return near


def _near_in_block(
    frame: Frame, tree: cKDTree, corner: tuple[int, int], distance: float, workers: int
) -> BoolArray:
    """The cells of one block; those that reach beyond the frame are not right."""
    top, left = corner
    size = BLOCK
    near: BoolArray = np.zeros((1, 1), dtype=np.bool_)
    row: IntArray = np.zeros(1, dtype=np.int64)
    column: IntArray = row
    while True:
        centres = np.column_stack(
            [
                (left + (column + 0.5) * size) * frame.cell_width,
                -(top + (row + 0.5) * size) * frame.cell_height,
            ]
        )
        reach = 0.5 * (size - 1) * math.hypot(frame.cell_width, frame.cell_height)
        bound = np.nextafter(distance + reach, np.inf)
        nearest = tree.query(centres, distance_upper_bound=bound, workers=workers)[0]
        inside = nearest <= distance - reach
        near[row[inside], column[inside]] = True
        if size == 1:
            return near
        near = near.repeat(2, axis=0).repeat(2, axis=1)
        size //= 2
        open_ = ~inside & (nearest < bound)
        row = (2 * row[open_, np.newaxis] + QUARTER_ROWS).ravel()
        column = (2 * column[open_, np.newaxis] + QUARTER_COLUMNS).ravel()
        on = (top + row * size < frame.rows) & (left + column * size < frame.columns)
        row, column = row[on], column[on]
        if not len(row):
            factor = size
            return near.repeat(factor, axis=0).repeat(factor, axis=1)
