"""Text taken as bytes, many lines at once: lines, their parts, numbers and clock times."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ...progress import Progress, advance, keep_going
from ...readings import BoolArray, FloatArray, IntArray
from .delimited import is_number

ByteArray = npt.NDArray[np.uint8]

CHUNK = 1 << 22
"""Bytes worked on at a time."""
LONGEST = 1 << 20
"""Bytes of the longest line that is still taken for one of a text."""
EXACT_DIGITS = 15
"""Whole numbers of so many digits, and their quotients by powers of ten, are exact in binary."""

_NEWLINE, _BLANK, _TAB = 10, 32, 9
_ALNUM = np.array([chr(byte).isalnum() and byte < 128 for byte in range(256)])


@dataclass(frozen=True, eq=False)
class Lines:
    """Some lines of a file.

    Parameters
    ----------
    data
        Their bytes, ``(b,)``.
    start, end
        Where each line begins and ends in `data`, ``(n,)``, blanks around it left out.
    first
        Number of the first of them in its file, from 1.
    margin
        Blanks before each line, ``(n,)``.
    """

    data: ByteArray
    start: IntArray
    end: IntArray
    first: int
    margin: IntArray = field(default_factory=lambda: np.zeros(0, np.int64))
    _places: dict[int, IntArray] = field(default_factory=dict)

    def places(self, byte: int) -> IntArray:
        """Where a byte stands in the data, ascending."""
        if byte not in self._places:
            self._places[byte] = np.flatnonzero(self.data == byte)
        return self._places[byte]

    def text(self, start: int, end: int) -> str:
        """A piece of the data as text: UTF-8, or else Latin-1."""
        piece = self.data[start:end].tobytes()
        try:
            return piece.decode("utf-8")
        except UnicodeDecodeError:
            return piece.decode("latin-1")

    def begin_with(self, prefix: str, word: bool = False) -> BoolArray:
        """Whether each line begins with a prefix; as a `word`: no letter or digit follows."""
        wanted = np.frombuffer(prefix.encode("utf-8"), np.uint8)
        found: BoolArray = self.end - self.start >= len(wanted)
        for offset, byte in enumerate(wanted):
            found &= self.data[np.minimum(self.start + offset, len(self.data) - 1)] == byte
        if word and prefix[-1:].isalnum():
            after = self.start + len(wanted)
            head = self.data[np.minimum(after, len(self.data) - 1)]
            found &= (after >= self.end) | ~_ALNUM[head]
        return found


@dataclass(frozen=True, eq=False)
class Parts:
    """Lines parted by a separator: the number of parts of each line, and where each part lies."""

    lines: Lines
    start: IntArray
    end: IntArray
    separator: int | None
    first: IntArray
    count: IntArray

    def part(self, number: int, rows: IntArray | slice = slice(None)) -> tuple[IntArray, IntArray]:
        """Where part `number` (from 0) begins and ends in these rows, which must have it."""
        first = self.first[rows] + number
        if self.separator is None:
            rises, falls = _words(self.lines)
            return rises[first], falls[first]
        places = self.lines.places(self.separator)
        closed = np.append(places, len(self.lines.data))
        start = self.start[rows] if number == 0 else closed[first - 1] + 1
        return trimmed(self.lines.data, start, np.minimum(closed[first], self.end[rows]))


def part_lines(lines: Lines, start: IntArray, end: IntArray, separator: str | None) -> Parts:
    """Part pieces of the data at a separator of one byte, or None: at runs of blanks."""
    if separator is None:
        rises, _ = _words(lines)
        first = np.searchsorted(rises, start)
        return Parts(lines, start, end, None, first, np.searchsorted(rises, end) - first)
    byte = ord(separator)
    places = lines.places(byte)
    first = np.searchsorted(places, start)
    return Parts(lines, start, end, byte, first, np.searchsorted(places, end) - first + 1)


def chunks(path: Path, progress: Progress = keep_going) -> Iterator[Lines]:
    """The lines of a text file, some at a time; any line ends; UTF-16 by its byte order mark.

    Raises
    ------
    ValueError
        If there is no such file, it is empty, or a line is too long for one of a text.
    """
    if not path.is_file():
        raise ValueError(f"There is no file '{path}'. Check the name and folder.")
    size = path.stat().st_size
    if not size:
        raise ValueError(f"{path.name} is empty. Choose a file with readings.")
    done, number, rest = 0, 1, b""
    with open(path, "rb") as file:
        start = file.read(3)
        file.seek(3 if start == codecs.BOM_UTF8 else 0)
        wide = start[:2] in (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
        decoder = codecs.getincrementaldecoder("utf-16")("replace") if wide else None
        while True:
            advance(progress, done / size)
            block = file.read(CHUNK)
            done += len(block)
            text = decoder.decode(block, not block).encode("utf-8") if decoder else block
            rest += text
            if not block:
                break
            # A line end of two bytes may be cut in two.
            held = rest[-1:] == b"\r"
            whole = _plain_ends(rest[:-1] if held else rest)
            cut = whole.rfind(b"\n") + 1
            rest = whole[cut:] + (b"\r" if held else b"")
            if len(rest) > LONGEST:
                raise ValueError(
                    f"{path.name} has a line of more than {LONGEST:,} characters: it is no text. "
                    "Choose a text file."
                )
            if cut:
                lines = _lines(whole[:cut], number)
                number += len(lines.start)
                yield lines
    rest = _plain_ends(rest)
    if rest:
        yield _lines(rest if rest.endswith(b"\n") else rest + b"\n", number)


def trimmed(data: ByteArray, start: IntArray, end: IntArray) -> tuple[IntArray, IntArray]:
    """Pieces without the blanks around them.

    Examples
    --------
    >>> data = np.frombuffer(b"a, 12 ,b", np.uint8)
    >>> start, end = trimmed(data, np.array([2]), np.array([6]))
    >>> start.tolist(), end.tolist()
    ([3], [5])
    """
    if not len(start):
        return start, end
    last = len(data) - 1
    loose = (start < end) & (
        _is_blank(data[np.minimum(start, last)]) | _is_blank(data[np.clip(end - 1, 0, last)])
    )
    rows = np.flatnonzero(loose)
    if not len(rows):
        return start, end
    solid = np.flatnonzero(~_is_blank(data))
    start, end = start.copy(), end.copy()
    after = np.append(solid, len(data))[np.searchsorted(solid, start[rows])]
    before = np.append(-1, solid)[np.searchsorted(solid, end[rows])] + 1
    start[rows] = np.minimum(after, end[rows])
    end[rows] = np.maximum(before, start[rows])
    return start, end


def numbers(
    lines: Lines, start: IntArray, end: IntArray, decimal: str = "."
) -> tuple[FloatArray, IntArray]:
    """Plain numbers written in pieces of the data, and the places of pieces that hold none.

    Pieces of the same shape, as many digits before and behind the decimal sign, are read together.

    Examples
    --------
    >>> data = np.frombuffer(b"12.5 -3 x 1e3", np.uint8)
    >>> lines = Lines(data, np.array([0]), np.array([13]), 1)
    >>> values, none = numbers(lines, np.array([0, 5, 8, 10]), np.array([4, 7, 9, 13]))
    >>> values.tolist(), none.tolist()
    ([12.5, -3.0, nan, 1000.0], [2])
    """
    values = np.full(len(start), np.nan)
    if not len(start):
        return values, np.empty(0, np.int64)
    data, last = lines.data, len(lines.data) - 1
    head = data[np.minimum(start, last)]
    from_ = start + (((head == 43) | (head == 45)) & (start < end))
    length = end - from_
    points = np.append(lines.places(ord(decimal)), len(data))
    whole = np.minimum(points[np.searchsorted(points, from_)], end) - from_
    digits = length - (whole < length)
    quick = (digits >= 1) & (digits <= EXACT_DIGITS)
    key = np.where(quick, length * 32 + whole, 0).astype(np.uint16)
    order = np.argsort(key, kind="stable")
    breaks = np.flatnonzero(np.diff(key[order])) + 1
    for rows in np.split(order, breaks):
        shape = int(key[rows[0]])
        if not shape:
            continue
        before, behind = shape % 32, shape // 32 - shape % 32 - 1
        columns = [k for k in range(shape // 32) if k != before]
        written = data[from_[rows][:, np.newaxis] + np.array(columns)] - np.uint8(48)
        powers = 10.0 ** np.arange(len(columns) - 1, -1, -1)
        found = (written.astype(np.float64) @ powers) / 10.0 ** max(behind, 0)
        values[rows] = np.where((written < 10).all(axis=1), found, np.nan)
    values[head == 45] *= -1.0
    left = np.flatnonzero(np.isnan(values))
    for place in left.tolist():
        word = lines.text(int(start[place]), int(end[place])).strip()
        if is_number(word) and (decimal not in word or word.count(decimal) == 1):
            other = "," if decimal == "." else "."
            number = float(word.replace(",", ".")) if other not in word else np.nan
            values[place] = number if np.isfinite(number) else np.nan
    return values, left[np.isnan(values[left])]


def two_digits(data: ByteArray, start: IntArray) -> IntArray:
    """Whole numbers of two digits that begin at these places; -1 where there is none."""
    last = len(data) - 1
    tens = data[np.minimum(start, last)] - np.uint8(48)
    ones = data[np.minimum(start + 1, last)] - np.uint8(48)
    known = (tens < 10) & (ones < 10) & (start + 1 <= last)
    return np.where(known, tens.astype(np.int64) * 10 + ones, -1)


def clock_times(
    lines: Lines, start: IntArray, end: IntArray, joined: bool = False
) -> tuple[FloatArray, BoolArray]:
    """Times of day written ``HH:MM:SS.s`` or, `joined`, ``HHMMSS.s``: seconds since midnight.

    Returns
    -------
    seconds
        ``(n,)``, NaN where no such time is written.
    leap
        Whether it lies in a leap second, a second numbered 60, ``(n,)``.

    Examples
    --------
    >>> data = np.frombuffer(b"9:30:01.5 23:59:60", np.uint8)
    >>> lines = Lines(data, np.array([0]), np.array([18]), 1)
    >>> seconds, leap = clock_times(lines, np.array([0, 10]), np.array([9, 18]))
    >>> seconds.tolist(), leap.tolist()
    ([34201.5, 86400.0], [False, True])
    """
    data, last = lines.data, len(lines.data) - 1
    step = 2 if joined else 3
    short = np.zeros(len(start), np.bool_)
    if not joined:
        short = data[np.minimum(start + 1, last)] == 58
    lone = (data[np.minimum(start, last)] - np.uint8(48)).astype(np.int64)
    hours = np.where(short, np.where(lone < 10, lone, -1), two_digits(data, start))
    begin = start - short
    minutes = two_digits(data, begin + step)
    whole = two_digits(data, begin + 2 * step)
    fits = (hours >= 0) & (hours < 24) & (minutes >= 0) & (minutes < 60)
    fits &= (whole >= 0) & (whole <= 60) & (begin + 2 * step + 2 <= end)
    if not joined:
        for place in (begin + 2, begin + 5):
            fits &= data[np.minimum(place, last)] == 58
    sign = data[np.minimum(begin + 2 * step + 2, last)]
    more = begin + 2 * step + 2 < end
    fits &= ~more | (sign == 46) | ((sign == 44) & (not joined))
    seconds = whole.astype(np.float64)
    for mark in (".", ","):
        rows = np.flatnonzero(fits & more & (sign == ord(mark)))
        if len(rows):
            seconds[rows] = numbers(lines, begin[rows] + 2 * step, end[rows], mark)[0]
    fits &= np.floor(seconds) == whole
    return np.where(fits, hours * 3600.0 + minutes * 60.0 + seconds, np.nan), fits & (whole == 60)


def _plain_ends(text: bytes) -> bytes:
    return text.replace(b"\r\n", b"\n").replace(b"\r", b"\n")


def _lines(text: bytes, first: int) -> Lines:
    data = np.frombuffer(text, np.uint8)
    ends = np.flatnonzero(data == _NEWLINE)
    starts = np.concatenate([[0], ends[:-1] + 1])
    start, end = trimmed(data, starts, ends)
    return Lines(data, start, end, first, start - starts)


def _is_blank(data: ByteArray) -> BoolArray:
    blank: BoolArray = (data == _BLANK) | (data == _TAB)
    return blank


def _words(lines: Lines) -> tuple[IntArray, IntArray]:
    """Where words, parted by blanks and line ends, begin and end."""
    if -1 not in lines._places:
        gap = _is_blank(lines.data) | (lines.data == _NEWLINE)
        edges = np.flatnonzero(np.diff(gap.view(np.int8), prepend=1, append=1))
        lines._places[-1], lines._places[-2] = edges[0::2], edges[1::2]
    return lines._places[-1], lines._places[-2]
