"""Readings as they arrive, before they are placed: what every way of bringing in gives back."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ..readings import BoolArray, FloatArray, IntArray

LARGEST_WHOLE = 2.0**53
"""Whole numbers beyond it are not all held by a real number, and so not told apart."""


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
    left_out
        Titles of the first file's columns that were not asked for.
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
    left_out: tuple[str, ...] = ()

    def with_grids_from_files(self) -> Table:
        """The same table with each file a data grid, called by its name without the ending."""
        return replace(
            self, grid=self.file, grid_names=tuple(Path(name).stem for name in self.file_names)
        )


def codes_of(words: Iterable[str], known: dict[str, int]) -> IntArray:
    """Code words by the order in which they first come; `known` takes in the new ones.

    Examples
    --------
    >>> known = {"G1": 0}
    >>> codes_of(["G2", "G1", "G2"], known).tolist(), known
    ([1, 0, 1], {'G1': 0, 'G2': 1})
    """
    return np.array([known.setdefault(word, len(known)) for word in words], np.int64)


def not_whole(column: FloatArray) -> BoolArray:
    """Where a column holds a number that is no whole one, or is too large to tell; not where NaN.

    Examples
    --------
    >>> not_whole(np.array([1.0, 1.5, np.nan, 1e17])).tolist()
    [False, True, False, True]
    """
    broken: BoolArray = np.isfinite(column) & ((column % 1 != 0) | (np.abs(column) > LARGEST_WHOLE))
    return broken


def whole_numbers(column: FloatArray, nothing: int) -> IntArray:
    """A column of whole numbers, with `nothing` for NaN.

    Examples
    --------
    >>> whole_numbers(np.array([3.0, np.nan]), -1).tolist()
    [3, -1]
    """
    return np.where(np.isnan(column), nothing, column).astype(np.int64)
