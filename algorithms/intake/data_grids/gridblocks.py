"""The cells of a data grid from its files: all channels, a row a traverse."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ...words import plural
from ..text.cells import Words, read_words, to_cells
from ..text.columns import Roles, channel_columns
from ..text.delimited import TableFormat, read_layout
from .cellorder import Expected

Held = Mapping[str, Path]
"""The file of each channel; the name ``""`` for one that holds all of them."""

_ALIKE = "All channels of a data grid need the same shape: correct the files."


@dataclass(frozen=True, eq=False)
class Block:
    """A data grid's cells, a row a traverse, in the files' own order.

    Parameters
    ----------
    values
        The numbers, ``(c, r, k)``, NaN for no reading.
    there
        Where there is a reading, with a value or without, ``(r, k)``.
    row
        Line of each cell in its file, ``(r, k)``.
    written
        Cells in the files that are not blank.
    unreadable
        Cells of each channel that could not be read, ``(c,)``.
    leftover
        A sentence on a list that ends within a traverse, or nothing.
    """

    values: FloatArray
    there: BoolArray
    row: IntArray
    written: int
    unreadable: IntArray
    leftover: str = ""


def read_matrix(
    held: Held, channels: Sequence[str], expected: Expected, traverses_in: str, form: TableFormat
) -> Block:
    """Read the matrices of a data grid.

    Raises
    ------
    ValueError
        If one cannot be read, has more cells than there is room for, or another shape.
    """
    first: Words | None = None
    parts = {}
    for number, channel in enumerate(channels):
        path = held.get(channel, held.get(""))
        if path is None:
            continue
        words = read_words(path, form)
        _check_room(words, expected, traverses_in)
        first = first or words
        _check_alike(first, words)
        parts[number] = to_cells(words, form)
    assert first is not None  # a data grid is known by its files
    shape = (len(first.rows), max(part.values.shape[1] for part in parts.values()))
    values = np.full((len(channels), *shape), np.nan)
    there = np.zeros(shape, np.bool_)
    unreadable = np.zeros(len(channels), np.int64)
    for number, part in parts.items():
        width = part.values.shape[1]
        values[number, :, :width] = part.values
        there[:, :width] |= ~part.blank
        unreadable[number] = part.unreadable.sum()
    row = np.repeat(np.array(first.numbers, np.int64)[:, None], shape[1], axis=1)
    if traverses_in == "columns":
        values, there, row = values.transpose(0, 2, 1), there.T, row.T
    # From the first cell written to the last: blanks between are readings.
    begun = np.maximum.accumulate(there, axis=1)
    going_on = np.maximum.accumulate(there[:, ::-1], axis=1)[:, ::-1]
    written = sum(int(np.count_nonzero(~part.blank)) for part in parts.values())
    return Block(values, begun & going_on, row, written, unreadable)


def _check_room(words: Words, expected: Expected, traverses_in: str) -> None:
    lengths = [len(row) for row in words.rows]
    longest = int(np.argmax(lengths))
    if traverses_in == "rows":
        expected.check_traverses(words.name, len(lengths))
        expected.check_readings(words.name, longest + 1, lengths[longest])
    else:
        expected.check_traverses(words.name, lengths[longest])
        expected.check_readings(words.name, 1, len(lengths))


def _check_alike(first: Words, words: Words) -> None:
    if len(first.rows) != len(words.rows):
        raise ValueError(
            f"{first.name} has a shape of {first.shape} (rows x cells), {words.name} one of "
            f"{words.shape}. {_ALIKE}"
        )
    for k, (a, b) in enumerate(zip(first.rows, words.rows)):
        # Cells written blank are told from cells that are not there.
        if len(a) != len(b) and first.written[k] != words.written[k]:
            raise ValueError(
                f"Row {first.numbers[k]} of {first.name} has {plural(len(a), 'cell')}, row "
                f"{words.numbers[k]} of {words.name} has {len(b):,}; their shapes are "
                f"{first.shape} and {words.shape} (rows x cells). {_ALIKE}"
            )


def read_list(
    held: Held, channels: Sequence[str], expected: Expected, asked: str, form: TableFormat
) -> Block:
    """Read the lists of a data grid: a row a reading, traverse after traverse.

    `asked` names the columns of lists that hold several channels, as `Roles.channels` does.

    Raises
    ------
    ValueError
        If one cannot be read, has more readings than there is room for, or not as many as the rest.
    """
    first: Words | None = None
    columns: dict[int, FloatArray] = {}
    unreadable = np.zeros(len(channels), np.int64)
    written = 0
    for name, path in held.items():
        words, places = _list_words(path, 1 if name else len(channels), "" if name else asked, form)
        first = first or words
        if len(words.rows) != len(first.rows):
            raise ValueError(
                f"{first.name} holds {plural(len(first.rows), 'reading')}, {words.name} "
                f"{len(words.rows):,}. {_ALIKE}"
            )
        cells = to_cells(words, form, places)
        written += int(np.count_nonzero(~cells.blank))
        start = channels.index(name) if name else 0
        for k in range(len(places)):
            columns[start + k] = cells.values[:, k]
            unreadable[start + k] = cells.unreadable[k]
    assert first is not None  # a data grid is known by its files
    total, per = len(first.rows), expected.readings
    lines = -(-total // per)
    expected.check_traverses(first.name, lines)
    left = total % per
    leftover = (
        f"{first.name} ends within a traverse: {plural(total, 'reading')} make "
        f"{plural(total // per, 'traverse')} of {per:,} ({expected.reading_room}) and {left:,} "
        "more. Are the length and the interval right?"
    )
    values = np.full((len(channels), lines * per), np.nan)
    for number, column in columns.items():
        values[number, :total] = column
    row = np.zeros(lines * per, np.int64)
    row[:total] = first.numbers
    there = np.arange(lines * per) < total
    return Block(
        values.reshape(len(channels), lines, per),
        there.reshape(lines, per),
        row.reshape(lines, per),
        written,
        unreadable,
        leftover if left else "",
    )


def _list_words(path: Path, count: int, asked: str, form: TableFormat) -> tuple[Words, list[int]]:
    """A list's rows, and which of their cells the channels are."""
    places, width = list(range(count)), count
    if form.header and asked:
        layout = read_layout(path, form)
        if len(layout.titles) > 1:
            found = channel_columns(Roles(channels=asked), layout, form.nulls)
            places, width = [column.index for _, column in found], len(layout.titles)
    # A column by itself needs no delimiter, and then its comma is a decimal one.
    alone = width == 1 and form.delimiter == "auto"
    words = read_words(path, replace(form, delimiter="blanks") if alone else form)
    for number, row, count in zip(words.numbers, words.rows, words.written):
        if len(row) > width or (count < width and form.bad_values == "refuse"):
            count = max(len(row), min(count, width))
            raise ValueError(
                f"Row {number} of {words.name} has {plural(count, 'cell')} where {width} "
                f"{'is' if width == 1 else 'are'} expected. Choose another kind of file, delimiter "
                "or decimal sign, or correct the row."
            )
    return words, places
