"""Where the cells of a raster lie. Row 0 is the northernmost; columns run east."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..readings import FloatArray


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
        centres: FloatArray = self.west + (np.arange(self.columns) + 0.5) * self.cell_width
        return centres

    @property
    def centres_y(self) -> FloatArray:
        """Northings of the cell centres, shape ``(rows,)``, falling."""
        centres: FloatArray = self.north - (np.arange(self.rows) + 0.5) * self.cell_height
        return centres

    @property
    def cell_area(self) -> float:
        """Area of a cell, square map units."""
        return self.cell_width * self.cell_height
