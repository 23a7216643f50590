"""Rows of numbers of uneven length, as a file of a data grid holds them."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ..importtable import to_numbers
from .delimited import Layout, TableFormat, no_number, read_layout


@dataclass(frozen=True)
class Words:
    """The rows of a file as words.

    Parameters
    ----------
    layout
        How the file is written.
    numbers
        Line of each row in the file, from 1.
    rows
        The words of each row, without the blank ones at its end.
    written
        How many cells each row was written with, blank ones at its end among them.
    """

    layout: Layout
    numbers: list[int]
    rows: list[list[str]]
    written: list[int]

    @property
    def name(self) -> str:
        """The file's name, for messages."""
        return self.layout.name

    @property
    def widest(self) -> int:
        """Cells of the longest row."""
        return max(map(len, self.rows))

    @property
    def shape(self) -> str:
        """Rows and cells in words."""
        return f"{len(self.rows)} x {self.widest}"


@dataclass(frozen=True, eq=False)
class Cells:
    """The rows of a file as numbers, ``(r, c)``: NaN where blank, coded or unreadable.

    Parameters
    ----------
    values
        The numbers.
    blank
        Where nothing is written.
    unreadable
        Number of words in each column that could not be read, ``(c,)``: no reading either.
    """

    values: FloatArray
    blank: BoolArray
    unreadable: IntArray


def read_words(path: Path, form: TableFormat) -> Words:
    """Read a file's rows; those of blank cells at its end are left out.

    Raises
    ------
    ValueError
        If the file cannot be read, holds no cell, or has an empty line between its rows, which may
        stand for a reading or a traverse that is missing.
    """
    try:
        layout = read_layout(path, replace(form, header=False))
        numbers, rows, written = [], [], []
        for number, cells in _rows(layout, form.comment):
            numbers.append(number)
            written.append(len(cells))
            while cells and not cells[-1]:
                cells.pop()
            rows.append(cells)
    except UnicodeError:
        raise ValueError(f"{path.name} is not {form.encoding}. Choose another encoding.") from None
    except csv.Error as wrong:
        raise ValueError(
            f"{path.name} is not a table of numbers ({wrong}). Choose another delimiter or file."
        ) from None
    if form.header:
        del numbers[:1], rows[:1], written[:1]
    while rows and not rows[-1]:
        del numbers[-1], rows[-1], written[-1]
    if not rows:
        raise ValueError(f"{path.name} holds no readings. Choose a file with readings.")
    return Words(layout, numbers, rows, written)


def _rows(layout: Layout, comment: str) -> Iterator[tuple[int, list[str]]]:
    empty = None
    begun = False
    with open(layout.path, encoding=layout.encoding) as file:
        for number, line in enumerate(file, start=1):
            if comment and line.lstrip().startswith(comment):
                continue
            if not line.strip() and (layout.delimiter is None or layout.delimiter not in line):
                empty = number if begun and empty is None else empty
                continue
            if empty is not None:
                raise ValueError(
                    f"Row {empty} of {layout.name} is empty. Delete it, or write the missing-value "
                    "code in it if it stands for what was not read."
                )
            begun = True
            if layout.delimiter is None:
                cells = line.split()
            elif '"' in line:
                cells = next(csv.reader([line], delimiter=layout.delimiter, skipinitialspace=True))
            else:
                cells = line.split(layout.delimiter)
            yield number, [cell.strip() for cell in cells]


def to_cells(words: Words, form: TableFormat, columns: Sequence[int] | None = None) -> Cells:
    """Words as numbers: all of them, or some columns of them.

    Raises
    ------
    ValueError
        Naming row and cell of the first word that is no number, unless such words are to be NULL.
    """
    rows = words.rows
    if columns is not None:
        rows = [[row[k] if k < len(row) else "" for k in columns] for row in rows]
    lengths = np.array([len(row) for row in rows], np.int64)
    flat = [word for row in rows for word in row]
    there = np.arange(lengths.max(initial=0)) < lengths[:, None]
    numbers, bad = to_numbers(flat, words.layout.decimal_comma, form.nulls)
    if len(bad) and form.bad_values == "refuse":
        _refuse(words, flat[bad[0]], int(bad[0]), lengths, columns)
    values = np.full(there.shape, np.nan)
    values[there] = numbers
    blank = ~there
    blank[there] = [not word for word in flat]
    wrong = np.zeros(len(flat), np.bool_)
    wrong[bad] = True
    unreadable = np.zeros(there.shape, np.int64)
    unreadable[there] = wrong
    return Cells(values, blank, unreadable.sum(axis=0))


def _refuse(
    words: Words, word: str, place: int, lengths: IntArray, columns: Sequence[int] | None
) -> None:
    ends = np.cumsum(lengths)
    row = int(np.searchsorted(ends, place, side="right"))
    cell = int(place - (ends[row] - lengths[row]))
    cell = columns[cell] if columns is not None else cell
    raise ValueError(no_number(words.numbers[row], f"cell {cell + 1}", word[:40], words.layout))
