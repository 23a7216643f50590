"""Where the cells of a raster lie. Row 0 is the northernmost; columns run east."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..readings import FloatArray
from .spacing import neat_at_least

MOST_CELLS = 200_000_000
"""Cells in a frame before it is refused: one channel of it takes 0.8 GB."""


@dataclass(frozen=True)
class Frame:
    """Cells of a north-up raster.

    Parameters
    ----------
    west, north
        Map coordinates of the raster's upper left corner (a corner, not a cell centre).
    cell_width, cell_height
        Size of a cell, map units, both positive.
    columns, rows
        Number of cells across and down.
    """

    west: float
    north: float
    cell_width: float
    cell_height: float
    columns: int
    rows: int

    @property
    def centres_x(self) -> FloatArray:
        """Eastings of the cell centres, shape ``(columns,)``."""
        steps: FloatArray = np.arange(self.columns, dtype=np.float64) + 0.5
        return self.west + steps * self.cell_width

    @property
    def centres_y(self) -> FloatArray:
        """Northings of the cell centres, shape ``(rows,)``, falling."""
        steps: FloatArray = np.arange(self.rows, dtype=np.float64) + 0.5
        return self.north - steps * self.cell_height

    @property
    def cell_area(self) -> float:
        """Area of a cell, square map units."""
        return self.cell_width * self.cell_height

    @property
    def cells(self) -> int:
        """Number of cells."""
        return self.columns * self.rows


def frame_for(
    x: FloatArray,
    y: FloatArray,
    cell_size: float,
    margin: int = 0,
    most_cells: int = MOST_CELLS,
) -> Frame:
    """The smallest frame of square cells that holds all positions, and a margin around it.

    Cell centres lie on whole multiples of the cell size, so that any two rasters of one site
    with one cell size overlay cell on cell.

    Parameters
    ----------
    x, y
        Eastings and northings, shape ``(n,)``; NaN positions do not count.
    cell_size
        Side of a cell, map units.
    margin
        Whole cells added on every side.
    most_cells
        More cells than this are refused.

    Raises
    ------
    ValueError
        If no position is known, the cell size is not positive, or there would be too many cells.

    Examples
    --------
    >>> frame_for(np.array([0.9, 3.1]), np.array([7.0, 7.0]), 0.5)
    Frame(west=0.75, north=7.25, cell_width=0.5, cell_height=0.5, columns=5, rows=1)
    """
    if not (np.isfinite(cell_size) and cell_size > 0):
        raise ValueError(f"The cell size is {cell_size:g}. Give a size above 0.")
    placed = np.isfinite(x) & np.isfinite(y)
    if not placed.any():
        raise ValueError("No reading has a position, so there is nothing to lay cells over.")
    west, east = float(x[placed].min()), float(x[placed].max())
    south, north = float(y[placed].min()), float(y[placed].max())

    def span(low: float, high: float, size: float) -> tuple[int, int]:
        """Numbers of the first and the last cell."""
        return math.floor(low / size + 0.5) - margin, math.floor(high / size + 0.5) + margin

    def count(size: float) -> tuple[int, int]:
        """Columns and rows."""
        (left, right), (bottom, top) = span(west, east, size), span(south, north, size)
        return right - left + 1, top - bottom + 1

    columns, rows = count(cell_size)
    if columns * rows > most_cells:
        coarser = neat_at_least(cell_size * math.sqrt(columns * rows / most_cells))
        while math.prod(count(coarser)) > most_cells:
            coarser = neat_at_least(coarser * 1.01)
        raise ValueError(
            f"Cells of {cell_size:g} over {east - west:,.0f} by {north - south:,.0f} map units "
            f"make {columns * rows:,} cells, more than {most_cells:,}. Choose a cell size of "
            f"{coarser:g} or more, or exclude readings that lie far from the site."
        )
    left, top = span(west, east, cell_size)[0], span(south, north, cell_size)[1]
    return Frame(
        (left - 0.5) * cell_size, (top + 0.5) * cell_size, cell_size, cell_size, columns, rows
    )
