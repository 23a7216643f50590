"""Closed isolines around regions of a raster, as polygons with holes.

The lines run between cell centres (marching squares), so a smooth anomaly gets a smooth outline
and not a staircase of cell edges:

- Between a cell of the region and a cell with a value outside it, the line crosses where the linear
  interpolation between the two centres meets the level.
- Towards a cell without a value, or off the raster, it crosses half way: half a cell out from the
  last centre, which at the raster's edge is the edge itself.
- Where four cells meet and only two, diagonally, belong to a region, the line joins them: regions
  hang together over corners (8-connected), holes do not (4-connected).
- A crossing keeps a thousandth of the distance from either centre, so that a value exactly on the
  level cannot make a ring touch itself. An outline holds exactly its region's cell centres.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from ..gridding.frame import Frame
from ..readings import BoolArray, FloatArray, IntArray
from .shape import Outline

CLEARANCE = 1e-3
"""Least distance of a crossing from a cell centre, as a fraction of the way to the next."""

TOP, RIGHT, BOTTOM, LEFT = range(4)


def outline_regions(
    labels: npt.NDArray[np.int32], values: FloatArray, level: float, frame: Frame
) -> list[Outline]:
    """Outline every region of a labelled raster at an isoline.

    Parameters
    ----------
    labels
        Region of each cell, shape ``(rows, columns)``: 1, 2, ... without gaps, 0 outside. Each
        region hangs together (8-connected) and touches no other, not even at a corner.
    values
        Value of each cell, same shape, NaN for no data: above the level at the rim of a region,
        not above it next to one.
    level
        The isoline's value.
    frame
        Where the cells lie.

    Returns
    -------
    list of Outline
        One per region, by label. Outer rings run counter-clockwise, holes clockwise; all rings are
        simple and none touches another.

    References
    ----------
    W. E. Lorensen, H. E. Cline (1987), Marching cubes. Computer Graphics 21(4), 163-169; in the
    plane, with the saddle rule above.

    Examples
    --------
    >>> frame = Frame(west=0.0, north=3.0, cell_width=1.0, cell_height=1.0, columns=3, rows=3)
    >>> values = np.zeros((3, 3))
    >>> values[1, 1] = 1.0
    >>> (outline,) = outline_regions((values > 0.5).astype(np.int32), values, 0.5, frame)
    >>> outline.area
    0.5
    """
    # One cell of outside all round: every crossing then lies between two cells of the padded array.
    padded = np.pad(labels, 1)
    inside, outside, following = _crossings(padded > 0)
    if not len(inside):
        return []
    position = _positions(inside, outside, values, level)
    order, starts = _cycles(following)
    # From padded rows and columns to map coordinates.
    x = frame.west + (position[order, 1] - 0.5) * frame.cell_width
    y = frame.north - (position[order, 0] - 0.5) * frame.cell_height
    rings = _closed(np.column_stack([x, y]), starts)
    region = padded[tuple(inside[order[starts]].T)]
    area = _signed_areas(position[order], starts)
    outlines: list[Outline] = []
    by_region = np.lexsort((-area, region))
    for members in np.split(by_region, np.flatnonzero(np.diff(region[by_region])) + 1):
        outer, *holes = (rings[i] for i in members)
        outlines.append(Outline(outer, tuple(holes)))
    return outlines


def _crossings(mask: BoolArray) -> tuple[IntArray, IntArray, IntArray]:
    """Every pair of neighbouring cells the outlines pass between, and the pair that follows.

    Returns the (row, column) of the inner and of the outer cell, each ``(n, 2)``, and the index of
    the next crossing when walking with the region on the left, ``(n,)``.
    """
    rows, columns = mask.shape
    size = rows * columns
    flat = mask.ravel()
    # A crossing is named by its left or upper cell; those between rows are numbered after the rest.
    across = np.flatnonzero((mask[:, :-1] != mask[:, 1:]).ravel())
    across += across // (columns - 1)
    down = np.flatnonzero((mask[:-1] != mask[1:]).ravel())
    names = np.concatenate([across, size + down])
    first = np.concatenate([across, down])
    second = np.concatenate([across + 1, down + columns])
    starts_inside = flat[first]
    inside = np.where(starts_inside, first, second)
    outside = np.where(starts_inside, second, first)

    # The square of four centres the walk enters here, named by its upper left cell, and the side
    # by which it enters: with the region on the left, that side is known from which cell is inside.
    vertical = names >= size
    square = first - np.where(vertical, ~starts_inside * 1, starts_inside * columns)
    side = np.where(
        vertical,
        np.where(starts_inside, LEFT, RIGHT),
        np.where(starts_inside, BOTTOM, TOP),
    )
    code = (
        flat[square]
        + 2 * flat[square + 1]
        + 4 * flat[square + columns + 1]
        + 8 * flat[square + columns]
    )
    leave = _EXIT[side, code]
    offset = np.array([0, size + 1, columns, size])  # TOP, RIGHT, BOTTOM, LEFT
    following = np.searchsorted(names, square + offset[leave])
    cells = (np.column_stack(np.unravel_index(index, mask.shape)) for index in (inside, outside))
    inner, outer = (cell.astype(np.int64) for cell in cells)
    return inner, outer, following.astype(np.int64)


def _exits() -> IntArray:
    """By which side a line leaves a square of four centres, by its side of entry and its corners.

    Corners count 1, 2, 4, 8 clockwise from the upper left. Going round the square clockwise, a
    line enters by the side where the region begins and leaves by the side where it ends; in a
    saddle it leaves by the last such side before its entry, which joins the two corners.
    """
    table = np.full((4, 16), -1, dtype=np.int64)
    for code in range(16):
        corner = [bool(code >> k & 1) for k in range(4)]
        ends = [side for side in range(4) if corner[side] and not corner[(side + 1) % 4]]
        for side in range(4):
            if not corner[side] and corner[(side + 1) % 4]:
                table[side, code] = min(ends, key=lambda end: (side - end) % 4)
    return table


_EXIT = _exits()


def _positions(inside: IntArray, outside: IntArray, values: FloatArray, level: float) -> FloatArray:
    """Where the line crosses between each pair of cells, padded (row, column), shape ``(n, 2)``."""
    inner = values[inside[:, 0] - 1, inside[:, 1] - 1]
    row, column = outside.T - 1
    rows, columns = values.shape
    on_raster = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    outer = np.full(len(inner), np.nan)
    outer[on_raster] = values[row[on_raster], column[on_raster]]
    fraction: FloatArray = np.full(len(inner), 0.5)
    np.divide(inner - level, inner - outer, out=fraction, where=inner > outer)
    np.clip(fraction, CLEARANCE, 1.0 - CLEARANCE, out=fraction)
    start, step = inside.astype(np.float64), (outside - inside).astype(np.float64)
    return start + fraction[:, np.newaxis] * step


def _cycles(following: IntArray) -> tuple[IntArray, IntArray]:
    """Split a permutation into its cycles.

    Returns all indices, cycle by cycle in walking order, and where each cycle starts. Places along
    a cycle are found by doubling the stride, so long rings cost no more than many short ones.
    """
    n = len(following)
    here = np.arange(n)
    links = coo_matrix((np.ones(n, dtype=np.int8), (here, following)), shape=(n, n))
    count, cycle = connected_components(links, directed=False)
    head = np.zeros(count, dtype=np.int64)
    head[cycle[::-1]] = here[::-1]
    last = following == head[cycle]
    ahead = np.where(last, here, following)
    left = (~last).astype(np.int64)  # steps left to the cycle's last index
    while True:
        further = left[ahead]
        if not further.any():
            break
        left += further
        ahead = ahead[ahead]
    order = np.lexsort((-left, cycle))
    starts = np.flatnonzero(np.diff(cycle[order], prepend=-1))
    return order.astype(np.int64), starts.astype(np.int64)


def _closed(vertices: FloatArray, starts: IntArray) -> list[FloatArray]:
    """Rings of vertices, each with its first repeated at the end."""
    parts = np.split(vertices, starts[1:])
    return [np.concatenate([part, part[:1]]) for part in parts]


def _signed_areas(position: FloatArray, starts: IntArray) -> FloatArray:
    """Area of each ring in cells, positive when counter-clockwise seen with north up."""
    lengths = np.diff(starts, append=len(position))
    origin = np.repeat(position[starts], lengths, axis=0)
    row, column = (position - origin).T
    later = np.arange(1, len(position) + 1)
    later[starts + lengths - 1] = starts
    areas: FloatArray = -0.5 * np.add.reduceat(column * row[later] - column[later] * row, starts)
    return areas
