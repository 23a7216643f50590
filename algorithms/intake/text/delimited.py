"""Delimited text as loggers and spreadsheets write it: encoding, delimiter, rows, cells."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import chain, islice
from pathlib import Path
from typing import BinaryIO

import numpy as np

from ...options import check_words
from ...progress import Progress, advance, keep_going
from ...readings import IntArray

DELIMITERS = {"tab": "\t", "semicolon": ";", "comma": ",", "blanks": None}
DECIMALS = ("auto", "point", "comma")
ENCODINGS = ("auto", "utf-8", "latin-1", "utf-16")
BAD_VALUES = ("refuse", "null")
NULL_VALUES = ("", "NA", "N/A", "NaN", "NULL", "none", "*", "-")
CHUNK = 20_000
"""Rows worked on at a time."""
SAMPLE = 50
"""Rows looked at to guess the delimiter and the decimal sign."""

_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_WITH_COMMA = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d+)?", re.ASCII)
_WITH_POINT = re.compile(r"[+-]?\d*\.\d+([eE][+-]?\d+)?", re.ASCII)


@dataclass(frozen=True)
class TableFormat:
    """How a text table is written.

    Parameters
    ----------
    delimiter
        ``"auto"``, ``"comma"``, ``"semicolon"``, ``"tab"`` or ``"blanks"`` (any run of blanks).
    decimal
        ``"auto"``, ``"point"`` or ``"comma"``.
    header
        Whether the first row names the columns.
    comment
        Rows that begin with this are passed over, as blank rows are; empty for none.
    encoding
        ``"auto"`` (a byte order mark, else UTF-8, else Latin-1), ``"utf-8"``, ``"latin-1"`` or
        ``"utf-16"``.
    null_values
        Words that mean "no reading", whatever their case.
    bad_values
        What becomes of cells that cannot be read: ``"refuse"`` the table, or take them as
        ``"null"``.

    Raises
    ------
    ValueError
        If a word is unknown, or delimiter and decimal sign are both the comma.
    """

    delimiter: str = "auto"
    decimal: str = "auto"
    header: bool = True
    comment: str = "#"
    encoding: str = "auto"
    null_values: tuple[str, ...] = NULL_VALUES
    bad_values: str = "refuse"

    def __post_init__(self) -> None:
        check_words(
            ("Delimiter", self.delimiter, ("auto", *DELIMITERS)),
            ("Decimal sign", self.decimal, DECIMALS),
            ("Encoding", self.encoding, ENCODINGS),
            ("Treatment of unreadable values", self.bad_values, BAD_VALUES),
        )
        if self.delimiter == self.decimal == "comma":
            raise ValueError("The comma cannot be both delimiter and decimal sign: change one.")

    @property
    def nulls(self) -> set[str]:
        """The words that mean "no reading", in lower case, the empty one among them."""
        return {word.casefold() for word in self.null_values} | {""}


@dataclass(frozen=True)
class Layout:
    """What one file turned out to be.

    Parameters
    ----------
    path, encoding
        The file and how to decode it.
    delimiter
        The delimiter, None for runs of blanks.
    decimal_comma
        Whether numbers are written with a comma.
    titles
        Titles of the columns; ``1``, ``2``, ... without a header.
    sample
        The first rows of cells.
    """

    path: Path
    encoding: str
    delimiter: str | None
    decimal_comma: bool
    titles: tuple[str, ...]
    sample: tuple[tuple[str, ...], ...]

    @property
    def name(self) -> str:
        """The file's name, for messages."""
        return self.path.name


@dataclass(frozen=True)
class Chunk:
    """Some rows of a file, one at least: line numbers in it (from 1) and cells, equally many."""

    numbers: IntArray
    rows: list[list[str]]


def is_number(word: str) -> bool:
    """Whether a word is a plain number, with a decimal point or comma.

    Examples
    --------
    >>> [is_number(word) for word in ("12.5", "-3,1", "1e3", "1_000", "inf", "x")]
    [True, True, True, False, False, False]
    """
    return _NUMBER.fullmatch(word.strip()) is not None


def no_number(row: int, where: str, word: str, layout: Layout) -> str:
    """What is said of a word that is no number.

    Parameters
    ----------
    row
        Line of the file, from 1.
    where
        What the column is called.
    """
    comma = is_number(word) and "," in word and not layout.decimal_comma
    advice = "Choose the decimal comma or correct the file" if comma else "Correct the file"
    return (
        f"Row {row} of {layout.name}: {where} is '{word}'. {advice}, or take unreadable values as "
        "NULL."
    )


def read_layout(path: Path, form: TableFormat) -> Layout:
    """Find out how a file is written.

    Raises
    ------
    ValueError
        If there is no such file, it is no text, or it holds no row of data.
    """
    encoding = _encoding(path, form.encoding)
    lines: list[str] = []
    numbers: list[int] = []
    for _, places, block in _blocks(path, encoding, form.comment, SAMPLE + 1):
        lines += block
        numbers += places.tolist()
        if len(lines) > SAMPLE:
            lines, numbers = lines[: SAMPLE + 1], numbers[: SAMPLE + 1]
            break
    if not lines:
        raise ValueError(f"{path.name} holds no rows. Choose a file with readings.")
    if form.header and len(lines) == 1:
        raise ValueError(
            f"{path.name} holds no readings: its only row was taken for the names of the columns."
        )
    data = lines[1:] if form.header else lines
    delimiter = (
        _likeliest_delimiter(lines, data, path.name)
        if form.delimiter == "auto"
        else DELIMITERS[form.delimiter]
    )
    whole = _whole_rows(lines, np.array(numbers), delimiter, path.name)
    rows = [tuple(cell.strip() for cell in row) for row in whole]
    body = rows[1:] if form.header else rows
    if form.header:
        titles = rows[0]
        while len(titles) > 1 and not titles[-1]:
            titles = titles[:-1]
        if all(is_number(title) for title in titles):
            raise ValueError(
                f"The first row of {path.name} holds numbers where the names of the columns are "
                "expected. Say that the table has no header."
            )
    else:
        titles = tuple(str(number) for number in range(1, max(map(len, rows)) + 1))
    comma = form.decimal == "comma" or (
        form.decimal == "auto" and delimiter != "," and _writes_comma(body)
    )
    return Layout(path, encoding, delimiter, comma, titles, tuple(body))


def chunks(layout: Layout, form: TableFormat, progress: Progress = keep_going) -> Iterator[Chunk]:
    """The rows of data of a file, some at a time, each with as many cells as there are titles.

    Raises
    ------
    ValueError
        If a row has too few or too many cells (unless unreadable values are to be NULL), or a
        quotation mark is not closed.
    """
    size = max(layout.path.stat().st_size, 1)
    width = len(layout.titles)
    titles_ahead = form.header
    for done, numbers, lines in _blocks(layout.path, layout.encoding, form.comment, CHUNK):
        rows = _whole_rows(lines, numbers, layout.delimiter, layout.name)
        if titles_ahead and rows:
            titles_ahead = False
            rows, numbers = rows[1:], numbers[1:]
        if any(len(row) != width for row in rows):
            rows = [
                _fitted(row, width, number, layout, form)
                for row, number in zip(rows, numbers.tolist())
            ]
        advance(progress, min(done / size, 1.0))
        if rows:
            yield Chunk(numbers, rows)


def _fitted(
    row: list[str], width: int, number: int, layout: Layout, form: TableFormat
) -> list[str]:
    """A row with as many cells as there are titles; blank cells too many are dropped."""
    if len(row) == width:
        return row
    if len(row) > width and not any(cell.strip() for cell in row[width:]):
        return row[:width]
    if len(row) < width and form.bad_values == "null":
        return row + [""] * (width - len(row))
    raise ValueError(
        f"Row {number} of {layout.name} has {len(row)} cells where {width} are expected. Choose "
        "another delimiter or decimal sign, or correct the row."
    )


def _encoding(path: Path, asked: str) -> str:
    """The encoding to open a file with."""
    if not path.is_file():
        raise ValueError(f"There is no file '{path}'. Check the name and folder.")
    try:
        with open(path, "rb") as file:
            return _found_encoding(file, asked, path.name)
    except OSError as wrong:
        raise ValueError(
            f"{path.name} cannot be read: {wrong.strerror}. Check the file's permissions."
        ) from None


def _found_encoding(file: BinaryIO, asked: str, name: str) -> str:
    start = file.read(1 << 16)
    if not start.strip():
        raise ValueError(f"{name} is empty. Choose a file with readings.")
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or asked == "utf-16":
        return "utf-16"
    if b"\0" in start:
        raise ValueError(f"{name} is not a text file. Choose a delimited text file.")
    if asked == "latin-1":
        return asked
    decoder = codecs.getincrementaldecoder("utf-8")()
    try:
        while start:
            decoder.decode(start)
            start = file.read(1 << 20)
        decoder.decode(b"", True)
    except UnicodeDecodeError:
        if asked == "utf-8":
            raise ValueError(f"{name} is not UTF-8. Choose another encoding.") from None
        return "latin-1"
    return "utf-8-sig"


def _blocks(
    path: Path, encoding: str, comment: str, size: int
) -> Iterator[tuple[int, IntArray, list[str]]]:
    """Lines that are neither blank nor comments, from `size` lines of the file at a time.

    Before them go the letters read so far, and the lines' numbers in the file from 1.
    """
    done, first = 0, 1
    try:
        with open(path, encoding=encoding) as file:
            while lines := list(islice(file, size)):
                # So that a quotation mark left open shows by a line end in its cell.
                lines[-1] = lines[-1].rstrip("\n") + "\n"
                done += sum(map(len, lines))
                numbers = np.arange(first, first + len(lines))
                first += len(lines)
                passed = {k for k, line in enumerate(lines) if _is_passed_over(line, comment)}
                if passed:
                    numbers = np.delete(numbers, list(passed))
                    lines = [line for k, line in enumerate(lines) if k not in passed]
                if "\0" in "".join(lines):
                    number = next(n for n, line in zip(numbers.tolist(), lines) if "\0" in line)
                    raise ValueError(
                        f"Row {number} of {path.name} holds a NUL character, which is no text. "
                        "Choose another encoding or correct the row."
                    )
                yield done, numbers, lines
    except UnicodeError:
        raise ValueError(f"{path.name} is not {encoding}. Choose another encoding.") from None


def _is_passed_over(line: str, comment: str) -> bool:
    # Most rows are told by their first character.
    if "!" <= line[0] <= "~" and line[0] != comment[:1]:
        return False
    return line.isspace() or (comment != "" and line.lstrip().startswith(comment))


def _whole_rows(
    lines: list[str], numbers: IntArray, delimiter: str | None, name: str
) -> list[list[str]]:
    """The cells of lines, each a row of its own.

    Raises
    ------
    ValueError
        If a quotation mark is not closed in its row: the rows after it would be lost in a cell.
    """
    rows = _cells(lines, delimiter, name)
    if delimiter is None or (len(rows) == len(lines) and not any(map(_is_open, rows[-1:]))):
        return rows
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True)
    for row, number in zip(reader, enumerate(numbers.tolist(), start=1)):
        if reader.line_num != number[0] or _is_open(row):
            break
    raise ValueError(
        f"Row {number[1]} of {name} has a quotation mark that is not closed in its row. Correct "
        "the file."
    )


def _is_open(row: list[str]) -> bool:
    return bool(row) and row[-1].endswith("\n")


def _cells(lines: Sequence[str], delimiter: str | None, name: str) -> list[list[str]]:
    if delimiter is None:
        return [line.split() for line in lines]
    try:
        return list(csv.reader(lines, delimiter=delimiter, skipinitialspace=True))
    except csv.Error as wrong:
        raise ValueError(
            f"{name} cannot be parted into cells: {wrong}. Choose another delimiter or encoding."
        ) from None


def _likeliest_delimiter(lines: Sequence[str], data: Sequence[str], name: str) -> str | None:
    """The delimiter that parts most rows into equally many cells, most of them numbers."""
    best: tuple[float, float, str | None] = (0.0, 0.0, ",")
    for delimiter in DELIMITERS.values():
        counts = [len(row) for row in _cells(lines, delimiter, name)]
        usual = max(set(counts), key=counts.count)
        if usual < 2:
            continue
        even = round(counts.count(usual) / len(counts), 2)
        if (even, 1.0) <= best[:2]:  # its numbers cannot make up for it
            continue
        # Matrices repeat their words: judge each once.
        cells = Counter(chain.from_iterable(_cells(data, delimiter, name)))
        numbers = sum(count for cell, count in cells.items() if is_number(cell))
        numeric = round(numbers / max(sum(cells.values()), 1), 2)
        if (even, numeric) > best[:2]:
            best = (even, numeric, delimiter)
    return best[2]


def _writes_comma(rows: Sequence[Sequence[str]]) -> bool:
    cells = set(chain.from_iterable(rows))
    return any(map(_WITH_COMMA.fullmatch, cells)) and not any(map(_WITH_POINT.fullmatch, cells))
