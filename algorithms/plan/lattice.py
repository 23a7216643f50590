"""A lattice of equal rectangles at any bearing, and how it covers an outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..readings import BoolArray, FloatArray
from .cover import cell_shares

SLIVER = 1e-6
"""Share of a data grid below which it counts as outside: rounding, no ground."""
MOST_CELLS = 4_000_000
"""Most cells of the rectangle about an outline: beyond, its parts lie too far apart."""


@dataclass(frozen=True)
class Lattice:
    """Equal rectangles side by side.

    Parameters
    ----------
    x, y
        A corner of the lattice, map units: the near left one of the rectangle in row 0, column 0.
    bearing
        Direction of the left sides, along which rows are counted, degrees clockwise from grid
        north. Columns are counted to the right of it.
    length, width
        Sides along the bearing and across it, map units.
    """

    x: float
    y: float
    bearing: float
    length: float
    width: float

    def corner(self, row: npt.ArrayLike, column: npt.ArrayLike) -> FloatArray:
        """Map coordinates of the lattice's corners, shape ``(..., 2)`` of (x, y).

        Examples
        --------
        >>> Lattice(100.0, 200.0, 90.0, 20.0, 10.0).corner(1.0, 2.0).round(9).tolist()
        [120.0, 180.0]
        """
        (east, north), _ = directions(self.bearing)
        along, across = np.multiply(row, self.length), np.multiply(column, self.width)
        return np.stack(
            [self.x + across * north + along * east, self.y - across * east + along * north],
            axis=-1,
        )

    def local(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Row and column, with fractions, of places on the map: the reverse of `corner`."""
        (east, north), _ = directions(self.bearing)
        dx, dy = x - self.x, y - self.y
        return (dx * east + dy * north) / self.length, (dx * north - dy * east) / self.width

    def edges(self, edges: FloatArray) -> FloatArray:
        """Edges, shape ``(n, 4)``, in units of the cells: (column, row) from and to."""
        row0, column0 = self.local(edges[:, 0], edges[:, 1])
        row1, column1 = self.local(edges[:, 2], edges[:, 3])
        return np.stack([column0, row0, column1, row1], axis=1)

    def cover(self, edges: FloatArray) -> tuple[FloatArray, int, int]:
        """Share of each rectangle inside an outline, and the row and column the table begins at.

        Raises
        ------
        ValueError
            If the rectangle about the outline holds too many cells.
        """
        cells = self.edges(edges)
        low = np.floor(np.minimum(cells[:, :2], cells[:, 2:]).min(axis=0))
        high = np.ceil(np.maximum(cells[:, :2], cells[:, 2:]).max(axis=0))
        columns, rows = (int(count) for count in np.maximum(high - low, 1))
        if rows * columns > MOST_CELLS:
            raise ValueError(
                "The parts of the outline lie too far apart to lay out together. Lay out one part "
                "at a time."
            )
        shares = cell_shares(cells - np.tile(low, 2), rows, columns)
        return shares, int(low[1]), int(low[0])


def kept(shares: FloatArray, least: float) -> BoolArray:
    """Which rectangles hold enough of the outline, `least` being a share from 0 to 1."""
    enough: BoolArray = shares >= max(least - 1e-9, SLIVER)
    return enough


def directions(bearing: float, side: str = "right") -> tuple[FloatArray, FloatArray]:
    """Unit vectors (east, north) along a bearing and to a side of it, exact at the quarters.

    Examples
    --------
    >>> [vector.tolist() for vector in directions(90.0, "left")]
    [[1.0, 0.0], [0.0, 1.0]]
    """
    quarter, rest = divmod(bearing % 360.0, 90.0)
    sine, cosine = float(np.sin(np.radians(rest))), float(np.cos(np.radians(rest)))
    turned = ((sine, cosine), (cosine, -sine), (-sine, -cosine), (-cosine, sine))
    east, north = turned[int(quarter) % 4]
    right = np.array([north, -east])
    # 0 is added so that no 0 is a negative one.
    return np.array([east, north]) + 0.0, (right if side == "right" else -right) + 0.0
