"""Readings as they arrive, before they are placed: what every way of bringing in gives back."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ..readings import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Table:
    """Readings of one or several files, ``n`` rows in the order of files and rows.

    Parameters
    ----------
    channels, units, values
        Names, units and values of the channels, ``(n, c)``, NaN for no reading.
    grid, grid_names
        Code of each reading's data grid, ``(n,)``, and the names behind the codes.
    line
        Traverse numbers, ``(n,)``, `NO_LINE` for none; None where the files tell none.
    sequence, along, x, y, time
        ``(n,)``, NaN where unknown; None where the files tell none. Times are seconds
        since the first day's midnight.
    quality
        Quality bits, ``(n,)``; None where the files tell none.
    kept
        Further columns: float64, or object arrays of text with None.
    file, file_names, row
        Which file each reading is from, ``(n,)``, the files' names, and its line there, from 1.
    unreadable
        Number of cells taken as NULL because they could not be read, by column.
    """

    channels: tuple[str, ...]
    units: tuple[str, ...]
    values: FloatArray
    grid: IntArray
    grid_names: tuple[str, ...]
    line: IntArray | None
    sequence: FloatArray | None
    along: FloatArray | None
    x: FloatArray | None
    y: FloatArray | None
    time: FloatArray | None
    quality: IntArray | None
    kept: dict[str, npt.NDArray[np.object_] | FloatArray]
    file: IntArray
    file_names: tuple[str, ...]
    row: IntArray
    unreadable: dict[str, int]

    def with_grids_from_files(self) -> Table:
        """The same table with each file a data grid, called by its name without the ending."""
        return replace(
            self, grid=self.file, grid_names=tuple(Path(name).stem for name in self.file_names)
        )
