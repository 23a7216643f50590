"""Bring in readings from text tables: columns by role, values, and the first thing wrong."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ..progress import Progress, keep_going, portion
from ..readings import NO_LINE, FloatArray, IntArray
from .clock import TIME_ADVICE, scan_times, unwrap_midnight
from .columns import Column, Roles, channel_columns, columns_of
from .delimited import Chunk, Layout, TableFormat, chunks, is_number, read_layout
from .table import Table

__all__ = ["Roles", "Table", "TableFormat", "read_table"]


@dataclass
class _Gathered:
    """Columns as they grow, chunk by chunk."""

    form: TableFormat
    numbers: dict[str, list[FloatArray]] = field(default_factory=dict)
    words: dict[str, list[str]] = field(default_factory=dict)
    rows: list[int] = field(default_factory=list)
    unreadable: dict[str, int] = field(default_factory=dict)

    def whole(self, name: str) -> FloatArray:
        """A column of numbers, all chunks together."""
        return np.concatenate(self.numbers[name])


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
    files: list[int] = []
    for number, layout in enumerate(layouts):
        part = portion(progress, number / len(layouts), (number + 1) / len(layouts))
        columns = columns_of(roles, channels, layout)
        before = len(gathered.rows)
        for chunk in chunks(layout, form, part):
            _gather(gathered, chunk, columns, roles, layout)
        files += [number] * (len(gathered.rows) - before)
    return _assembled(gathered, channels, roles, layouts, np.array(files, np.int64))


# -- values --------------------------------------------------------------------------------


def _gather(
    gathered: _Gathered, chunk: Chunk, columns: dict[str, Column], roles: Roles, layout: Layout
) -> None:
    """Add a chunk's columns, or refuse its first unreadable value."""
    bad: list[tuple[int, str, str]] = []
    nulls = gathered.form.nulls
    cells = list(zip(*chunk.rows)) if chunk.rows else [()] * len(layout.titles)
    for key, column in columns.items():
        words = cells[column.index]
        if key in ("grid", "time") or key.startswith("keep "):
            # Names come again and again: clean each once.
            clean = {w: "" if w.strip().casefold() in nulls else w.strip() for w in set(words)}
            gathered.words.setdefault(key, []).extend(map(clean.__getitem__, words))
            continue
        whole = key in ("line", "quality")
        numbers, wrong = to_numbers(words, layout.decimal_comma, nulls, whole=whole)
        gathered.numbers.setdefault(key, []).append(numbers)
        if len(wrong):
            bad.append((int(wrong[0]), column.name, words[wrong[0]].strip()))
            count = gathered.unreadable.get(column.name, 0)
            gathered.unreadable[column.name] = count + len(wrong)
    if bad and gathered.form.bad_values == "refuse":
        place, name, word = min(bad)
        raise ValueError(_refusal(chunk.numbers[place], layout.name, name, word, layout))
    gathered.rows += chunk.numbers


def _refusal(row: int, file: str, name: str, word: str, layout: Layout) -> str:
    comma = is_number(word) and "," in word and not layout.decimal_comma
    advice = "Choose the decimal comma or correct the file" if comma else "Correct the file"
    return (
        f"Row {row} of {file}: '{name}' is '{word}'. {advice}, or take unreadable values as NULL."
    )


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
    try:
        # The quick way, for words that are all plain numbers.
        joined = "".join(words)
        plain = joined.isascii() and "_" not in joined and not decimal_comma
        numbers = np.array(list(map(float, words)), np.float64) if plain else None
    except ValueError:
        numbers = None
    codes = [float(word) for word in nulls if is_number(word) and "," not in word]
    if numbers is not None and np.isfinite(numbers).all() and not np.isin(numbers, codes).any():
        bad = np.flatnonzero(numbers != np.floor(numbers)) if whole else np.empty(0, np.int64)
        numbers[bad] = np.nan
        return numbers, bad
    read = _reader(decimal_comma, whole)
    numbers = np.full(len(words), np.nan)
    unreadable = []
    for place, word in enumerate(words):
        text = word.strip()
        if text.casefold() in nulls:
            continue
        value = read(text)
        if value is None:
            unreadable.append(place)
        elif value not in codes:
            numbers[place] = value
    return numbers, np.array(unreadable, np.int64)


def _reader(decimal_comma: bool, whole: bool) -> Callable[[str], float | None]:
    def read(text: str) -> float | None:
        if not is_number(text) or ("," in text and not decimal_comma):
            return None
        value = float(text.replace(",", "."))
        if not np.isfinite(value) or (whole and value != np.floor(value)):
            return None
        return value

    return read


def _assembled(
    gathered: _Gathered,
    channels: list[tuple[str, Column]],
    roles: Roles,
    layouts: Sequence[Layout],
    files: IntArray,
) -> Table:
    n = len(gathered.rows)
    names = tuple(layout.name for layout in layouts)
    rows = np.array(gathered.rows, np.int64)
    grid, grid_names = _codes(gathered.words.get("grid"), n)
    kept = {key[5:]: _kept(words) for key, words in gathered.words.items() if key[:5] == "keep "}

    def optional(name: str) -> FloatArray | None:
        return gathered.whole(name) if name in gathered.numbers else None

    line = optional("line")
    quality = optional("quality")
    return Table(
        channels=tuple(column.name for _, column in channels),
        units=tuple(column.unit for _, column in channels),
        values=np.stack([gathered.whole(f"channel {c.name}") for _, c in channels], axis=1),
        grid=grid,
        grid_names=grid_names,
        line=None if line is None else np.where(np.isnan(line), NO_LINE, line).astype(np.int64),
        sequence=optional("sequence"),
        along=optional("along"),
        x=optional("x"),
        y=optional("y"),
        time=_times(gathered, roles, names, files) if roles.time else None,
        quality=None if quality is None else np.nan_to_num(quality).astype(np.int64),
        kept=kept,
        file=files,
        file_names=names,
        row=rows,
        unreadable=gathered.unreadable,
    )


def _times(
    gathered: _Gathered, roles: Roles, names: tuple[str, ...], files: IntArray
) -> FloatArray:
    words = gathered.words["time"]
    # Clock times with a decimal comma are read as they stand; plain seconds need the point.
    times, bad = scan_times([word.replace(",", ".") for word in words])
    if len(bad):
        if gathered.form.bad_values == "refuse":
            place = int(bad[0])
            raise ValueError(
                f"Row {gathered.rows[place]} of {names[files[place]]}: '{roles.time}' is "
                f"'{words[place]}', which is not a time. {TIME_ADVICE}"
            )
        gathered.unreadable[str(roles.time)] = len(bad)
    return unwrap_midnight(times)


def _codes(words: list[str] | None, n: int) -> tuple[IntArray, tuple[str, ...]]:
    if words is None:
        return np.zeros(n, np.int64), ("",)
    found: dict[str, int] = {}
    codes = np.array([found.setdefault(word, len(found)) for word in words], np.int64)
    return codes, tuple(found)


def _kept(words: list[str]) -> npt.NDArray[np.object_] | FloatArray:
    """A column of numbers if it holds nothing else, otherwise of text; blanks are NULL."""
    if any(words) and all(word == "" or (is_number(word) and "," not in word) for word in words):
        return np.array([float(word) if word else np.nan for word in words], np.float64)
    text = np.empty(len(words), object)
    text[:] = [word or None for word in words]
    return text
