"""Bring in readings from text tables: columns by role, values, and the first thing wrong."""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ..progress import Progress, keep_going, portion
from ..readings import NO_LINE, FloatArray, IntArray
from .clock import TIME_ADVICE, Clock, unwrap_midnight
from .table import Table, codes_of, not_whole, whole_numbers
from .text.columns import Column, Roles, channel_columns, columns_of
from .text.delimited import Chunk, Layout, TableFormat, chunks, is_number, no_number, read_layout

__all__ = ["Roles", "Table", "TableFormat", "read_table"]

NUMBER_OF_NONE = {"line": NO_LINE, "quality": 0}
"""What stands for a blank cell in columns of whole numbers."""


@dataclass
class _Gathered:
    """Columns as they grow, chunk by chunk; of words no more is held than they need."""

    form: TableFormat
    numbers: dict[str, array[Any]] = field(default_factory=dict)
    text: dict[str, list[str]] = field(default_factory=dict)
    grids: dict[str, int] = field(default_factory=dict)
    clock: Clock = field(default_factory=Clock)
    unreadable: dict[str, int] = field(default_factory=dict)

    def add(self, name: str, part: npt.NDArray[Any]) -> None:
        """Add the next part of a column of numbers, or of several side by side."""
        # An array of Python's grows in place: parts put together at the end would need it twice.
        self.numbers.setdefault(name, array(part.dtype.char)).frombytes(part.tobytes())

    def column(self, name: str) -> npt.NDArray[Any] | None:
        """A column of numbers, all parts together; None if there is none."""
        if name not in self.numbers:
            return None
        return np.frombuffer(self.numbers[name], self.numbers[name].typecode)


def read_table(
    paths: Sequence[Path],
    form: TableFormat | None = None,
    roles: Roles | None = None,
    progress: Progress = keep_going,
) -> Table:
    """Read text tables with the same columns; the columns' order may differ between files.

    Raises
    ------
    ValueError
        At the first thing that cannot be read: a file, a column, or a value, named by file, row
        and column, unless unreadable values are to be NULL.
    """
    form, roles = form or TableFormat(), roles or Roles()
    if not paths:
        raise ValueError("No file is given. Choose one or several.")
    layouts = [read_layout(Path(path), form) for path in paths]
    channels = channel_columns(roles, layouts[0], form.nulls)
    gathered = _Gathered(form)
    for number, layout in enumerate(layouts):
        part = portion(progress, number / len(layouts), (number + 1) / len(layouts))
        columns = columns_of(roles, channels, layout)
        for chunk in chunks(layout, form, part):
            _gather(gathered, chunk, columns, layout)
            gathered.add("file", np.full(len(chunk.rows), number, np.int64))
    table = _assembled(gathered, channels, tuple(layout.name for layout in layouts))
    used = {column.index for column in columns_of(roles, channels, layouts[0]).values()}
    titles = layouts[0].titles
    return replace(table, left_out=tuple(t for k, t in enumerate(titles) if k not in used))


# -- values --------------------------------------------------------------------------------


def _gather(gathered: _Gathered, chunk: Chunk, columns: dict[str, Column], layout: Layout) -> None:
    """Add a chunk's columns, or refuse its first unreadable value."""
    bad: list[tuple[int, str, str, str]] = []
    nulls = gathered.form.nulls
    values: list[FloatArray] = []
    cells = list(zip(*chunk.rows))
    for key, column in columns.items():
        words: Sequence[str] = cells[column.index]
        wrong: IntArray = np.empty(0, np.int64)
        if key in ("grid", "time") or key.startswith("keep "):
            # Names come again and again: clean each once.
            clean = {w: "" if w.strip().casefold() in nulls else w.strip() for w in set(words)}
            words = list(map(clean.__getitem__, words))
        if key == "grid":
            gathered.add(key, codes_of(words, gathered.grids))
        elif key == "time":
            # Clock times with a decimal comma are read as they stand.
            times, wrong = gathered.clock.scan([word.replace(",", ".") for word in words])
            gathered.add(key, times)
        elif key.startswith("keep "):
            gathered.text.setdefault(key[5:], []).append("\n".join(words))
        else:
            whole = key in ("line", "sequence", "quality")
            numbers, wrong = to_numbers(words, layout.decimal_comma, nulls, whole=whole)
            if key.startswith("channel "):
                values.append(numbers)
            elif key in NUMBER_OF_NONE:
                gathered.add(key, whole_numbers(numbers, NUMBER_OF_NONE[key]))
            else:
                gathered.add(key, numbers)
        if len(wrong):
            bad.append((int(wrong[0]), column.name, words[wrong[0]].strip(), key))
            count = gathered.unreadable.get(column.name, 0)
            gathered.unreadable[column.name] = count + len(wrong)
    if bad and gathered.form.bad_values == "refuse":
        place, name, word, key = min(bad)
        row = int(chunk.numbers[place])
        if key == "time":
            said = f"Row {row} of {layout.name}: '{name}' is '{word}'"
            raise ValueError(f"{said}, which is not a time. {TIME_ADVICE}")
        raise ValueError(no_number(row, f"'{name}'", word, layout))
    gathered.add("values", np.stack(values, axis=1))
    gathered.add("row", chunk.numbers)


def to_numbers(
    words: Sequence[str], decimal_comma: bool, nulls: set[str], *, whole: bool = False
) -> tuple[FloatArray, IntArray]:
    """Words as numbers, NaN for null words and unreadable ones, and the places of the latter.

    Parameters
    ----------
    words
        ``n`` words.
    decimal_comma
        Whether numbers are written with a comma.
    nulls
        Words that mean "no reading", in lower case.
    whole
        Whether only whole numbers will do.

    Examples
    --------
    >>> numbers, bad = to_numbers(["1,5", "", "x"], True, {""})
    >>> numbers.tolist(), bad.tolist()
    ([1.5, nan, nan], [2])
    """
    codes = [float(word) for word in nulls if is_number(word) and "," not in word]
    places: IntArray = np.arange(len(words))
    numbers = _plain_numbers(words)
    if numbers is None:
        texts = [word.strip() for word in words]
        known = [place for place, text in enumerate(texts) if text.casefold() not in nulls]
        texts = [texts[place] for place in known]
        if decimal_comma:
            texts = [text.replace(",", ".") for text in texts]
        numbers, places = _plain_numbers(texts), np.array(known, np.int64)
        if numbers is None:
            numbers = np.array([_number(text) for text in texts], np.float64)
    bad = np.isnan(numbers)
    if whole:
        bad |= not_whole(numbers)
    numbers[bad | np.isin(numbers, codes)] = np.nan
    if len(places) == len(words):
        return numbers, places[bad]
    found = np.full(len(words), np.nan)
    found[places] = numbers
    return found, places[bad]


def _plain_numbers(words: Sequence[str]) -> FloatArray | None:
    """The quick way, for words that are all plain numbers with a point; None if one is not."""
    joined = "".join(words)
    if not joined.isascii() or "_" in joined:
        return None
    try:
        numbers = np.array(list(map(float, words)), np.float64)
    except ValueError:
        return None
    return numbers if np.isfinite(numbers).all() else None


def _number(text: str) -> float:
    """A plain number with a point, or NaN."""
    value = float(text) if is_number(text) and "," not in text else np.nan
    return value if np.isfinite(value) else np.nan


def _assembled(
    gathered: _Gathered, channels: list[tuple[str, Column]], names: tuple[str, ...]
) -> Table:
    column = gathered.column
    row, file, values = column("row"), column("file"), column("values")
    assert row is not None  # every file holds rows
    assert file is not None
    assert values is not None
    time, grid = column("time"), column("grid")
    return Table(
        channels=tuple(channel.name for _, channel in channels),
        units=tuple(channel.unit for _, channel in channels),
        values=values.reshape(len(row), len(channels)),
        grid=np.zeros(len(row), np.int64) if grid is None else grid,
        grid_names=("",) if grid is None else tuple(gathered.grids),
        line=column("line"),
        sequence=column("sequence"),
        along=column("along"),
        x=column("x"),
        y=column("y"),
        time=None if time is None else unwrap_midnight(time),
        quality=column("quality"),
        kept={name: _kept(gathered.text.pop(name), len(row)) for name in list(gathered.text)},
        file=file,
        file_names=names,
        row=row,
        unreadable=gathered.unreadable,
    )


def _kept(parts: list[str], n: int) -> npt.NDArray[np.object_] | FloatArray:
    """A column of numbers if it holds nothing else, otherwise of text; blanks are NULL."""
    numbers = np.empty(n)
    start = 0
    for part in parts:
        words = part.split("\n")
        numbers[start : start + len(words)], wrong = to_numbers(words, False, {""})
        if len(wrong):
            break
        start += len(words)
    if start == n and np.isfinite(numbers).any():
        return numbers
    text = np.empty(n, object)
    start = 0
    # Equal words are one object.
    shared: dict[str, str | None] = {"": None}
    for part in parts:
        words = part.split("\n")
        text[start : start + len(words)] = [shared.setdefault(word, word) for word in words]
        start += len(words)
    return text
