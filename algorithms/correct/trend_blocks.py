"""Square blocks over a survey: what makes a trend of a million readings a matter of seconds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..readings import FloatArray, IntArray


@dataclass(frozen=True)
class Lattice:
    """Square blocks in rows and columns, with one block of margin on every side.

    Parameters
    ----------
    x0, y0
        Centre of the block of row 0 and column 0; rows run north.
    size
        Side of a block, map units.
    rows, columns
        How many there are.
    """

    x0: float
    y0: float
    size: float
    rows: int
    columns: int

    @classmethod
    def over(cls, x: FloatArray, y: FloatArray, size: float) -> Lattice:
        """Blocks of that size over positions, centred on them.

        Examples
        --------
        >>> Lattice.over(np.array([0.0, 4.0]), np.array([0.0, 1.0]), 1.0)
        Lattice(x0=-1.0, y0=-1.0, size=1.0, rows=4, columns=7)
        """
        corners, counts = [], []
        for axis in (x, y):
            low, high = float(axis.min()), float(axis.max())
            # The slack keeps a row of readings on the spacing of the blocks from needing one more.
            count = int((high - low) / size + 1e-9) + 1
            corners.append((low + high) / 2 - (count + 1) / 2 * size)
            counts.append(count + 2)
        return cls(corners[0], corners[1], size, counts[1], counts[0])

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        return (self.rows, self.columns)

    def cells(self, x: FloatArray, y: FloatArray) -> IntArray:
        """Number of the block that each position lies in, counted row by row, shape ``(n,)``."""
        column = np.floor((x - self.x0) / self.size + 0.5).astype(np.int64)
        row = np.floor((y - self.y0) / self.size + 0.5).astype(np.int64)
        clipped: IntArray = np.clip(row, 0, self.rows - 1) * self.columns + np.clip(
            column, 0, self.columns - 1
        )
        return clipped

    def places(self, x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Row and column of positions as fractions, for interpolation."""
        return (y - self.y0) / self.size, (x - self.x0) / self.size

    def centres(self) -> tuple[FloatArray, FloatArray]:
        """Position of every block's centre, each of shape ``(rows * columns,)``."""
        row, column = np.divmod(np.arange(self.rows * self.columns), self.columns)
        return self.x0 + column * self.size, self.y0 + row * self.size

    def between(self, table: FloatArray, x: FloatArray, y: FloatArray) -> FloatArray:
        """Values at positions, bilinear between the block centres of a table; NaN spreads."""
        row, column = self.places(x, y)
        r = np.clip(np.floor(row).astype(np.int64), 0, self.rows - 2)
        c = np.clip(np.floor(column).astype(np.int64), 0, self.columns - 2)
        up, right = row - r, column - c
        flat, at = table.ravel(), r * self.columns + c
        south = (1 - right) * flat[at] + right * flat[at + 1]
        north = (1 - right) * flat[at + self.columns] + right * flat[at + self.columns + 1]
        found: FloatArray = (1 - up) * south + up * north
        return found


def size_for(x: FloatArray, y: FloatArray, most: int) -> float:
    """Side of blocks of which some `most` cover the extent of positions; 1 for a single place."""
    wide, high = float(np.ptp(x)), float(np.ptp(y))
    return max(np.sqrt(wide * high / most), max(wide, high) / most) or 1.0


def block_medians(cells: IntArray, values: FloatArray, count: int) -> FloatArray:
    """Median of the values in each of `count` blocks, NaN ignored; NaN for an empty block.

    Examples
    --------
    >>> block_medians(np.array([0, 2, 0, 0]), np.array([1.0, 5.0, 2.0, 9.0]), 3).tolist()
    [2.0, nan, 5.0]
    """
    there = np.isfinite(values)
    cells, values = cells[there], values[there]
    ordered = values[np.lexsort((values, cells))]
    held = np.bincount(cells, minlength=count)
    first = np.cumsum(held) - held
    medians = np.full(count, np.nan)
    full = np.flatnonzero(held)
    low, high = first[full] + (held[full] - 1) // 2, first[full] + held[full] // 2
    medians[full] = (ordered[low] + ordered[high]) / 2
    return medians


def block_means(cells: IntArray, values: FloatArray, weights: FloatArray) -> FloatArray:
    """Mean of the values in each block; `weights` is how many each block holds, 0 gives NaN."""
    sums = np.bincount(cells, values, minlength=len(weights))
    means = np.full(len(weights), np.nan)
    full = weights > 0
    means[full] = sums[full] / weights[full]
    return means
