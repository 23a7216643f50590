"""Records of fixed width, read many at a time: characters to columns of numbers and words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...progress import Progress, advance, keep_going
from ...readings import BoolArray, FloatArray, IntArray
from .definition import COMMENT, Definition, Place

BLOCK = 1 << 21
"""Bytes read at a time."""

LONGEST = 1 << 26
"""Bytes without a line end beyond which a file is taken for no text."""

BLANK, NEWLINE, RETURN, DOS_END = 32, 10, 13, 26
_OTHER = ord("?")
_OF_NUMBERS = np.zeros(256, np.bool_)
_OF_NUMBERS[[ord(sign) for sign in "0123456789+-.eE "]] = True

Characters = npt.NDArray[Any]
"""Character codes, ``(n, width)``, of one or four bytes."""


@dataclass(frozen=True, eq=False)
class Records:
    """Data records of a file, as many as were read at a time.

    Parameters
    ----------
    characters
        Codes, ``(n, width)``, blanks behind the end of a record.
    row
        Line of each in the file, from 1, ``(n,)``.
    others
        Number of records of other types, by type; blank rows as ``""``.
    beyond
        Number of records that hold characters behind the last field.
    """

    characters: Characters
    row: IntArray
    others: Counter[str]
    beyond: int


def read_records(
    path: Path, definition: Definition, progress: Progress = keep_going
) -> Iterator[Records]:
    """Read the data records of a file, some thousands at a time.

    Raises
    ------
    ValueError
        If the file cannot be read or is no text, or a record ends before its last number does.
    """
    layout = _Layout(path.name, definition)
    row = 0
    try:
        size = max(path.stat().st_size, 1)
        with path.open("rb") as file:
            left = b""
            while True:
                block = file.read(BLOCK)
                cut = block.rfind(b"\n") + 1
                whole, rest = (left + block[:cut], block[cut:]) if cut else (b"", left + block)
                if not block:
                    whole, rest = left, b""
                if len(rest) > LONGEST or (row == 0 and whole[:2] in (b"\xff\xfe", b"\xfe\xff")):
                    raise ValueError(
                        f"{path.name} is not plain text with a line for each record. Choose the "
                        "data file, in UTF-8 or Latin-1."
                    )
                left = rest
                if whole:
                    found, rows = layout.records(whole, row)
                    row += rows
                    yield found
                advance(progress, file.tell() / size)
                if not block:
                    return
    except OSError as wrong:
        raise ValueError(f"{path.name} cannot be read ({wrong.strerror}).") from wrong


class _Layout:
    """What the records of one file look like."""

    def __init__(self, file: str, definition: Definition) -> None:
        self.file, self.definition = file, definition
        self.places = definition.places
        self.width = self.places[-1].end
        numbers = [place.end for place in self.places if not place.field.is_text]
        # Editors cut blanks off line ends: only text may be missing there.
        self.needed = max(numbers, default=0)
        self.own = definition.data_type if definition.marked else ""
        kinds = {kind for kind in definition.records if kind} | {COMMENT}
        self.others = sorted(kinds - {definition.data_type})
        self.head = max(map(len, kinds)) + 1
        self.text_first = not definition.marked and self.places[0].field.is_text

    def records(self, block: bytes, before: int) -> tuple[Records, int]:
        """The data records of a block of whole lines, and its number of lines."""
        codes = _codes(block)
        ends = np.flatnonzero(codes == NEWLINE)
        if not len(ends) or ends[-1] != len(codes) - 1:
            ends = np.append(ends, len(codes))
        starts = np.concatenate([[0], ends[:-1] + 1])
        # The ends of what is not blank, and of the line without its carriage return.
        shown = np.flatnonzero((codes != BLANK) & (codes != NEWLINE) & (codes != RETURN)
                               & (codes != DOS_END))  # fmt: skip
        last = np.concatenate([[-1], shown])[np.searchsorted(shown, ends)] + 1
        filled = np.maximum(last - starts, 0)
        returned = (ends > starts) & (codes[np.maximum(ends - 1, 0)] == RETURN)
        lengths = ends - starts - returned
        kept = np.flatnonzero(filled)
        others = Counter({"": len(starts) - len(kept)})
        mine = self._mine(_cut(codes, starts[kept], filled[kept], self.head), others)
        data = kept[mine]
        self._check_lengths(data, lengths, before)
        width = min(self.width, int(filled[data].max())) if len(data) else self.width
        found = Records(
            characters=_cut(codes, starts[data], filled[data], width),
            row=(before + 1 + data).astype(np.int64),
            others=+others,
            beyond=int(np.count_nonzero(filled[data] > self.width)),
        )
        return found, len(starts)

    def _mine(self, characters: Characters, others: Counter[str]) -> BoolArray:
        """Which records are data; the others are counted."""
        mine = np.ones(len(characters), np.bool_)
        for kind in self.others:
            named = _begins(characters, kind)
            if self.text_first:
                # The first word of a data record may begin like the name of a type.
                named &= characters[:, len(kind)] == BLANK
            others[kind] += int(np.count_nonzero(mine & named))
            mine &= ~named
        if self.own:
            unnamed = mine & ~_begins(characters, self.own)
            others["unknown"] += int(np.count_nonzero(unnamed))
            mine &= ~unnamed
        return mine

    def _check_lengths(self, data: IntArray, lengths: IntArray, before: int) -> None:
        short = data[lengths[data] < self.needed]
        if not len(short):
            return
        length = int(lengths[short[0]])
        place = next(p for p in self.places if p.end > length and not p.field.is_text)
        raise ValueError(
            f"Row {before + int(short[0]) + 1} of {self.file} is too short: it has {length:,} "
            f"characters, and field '{place.name}' takes {place.start + 1:,} to {place.end:,} by "
            f"{self.definition.name}. Correct the row, or choose the definition that belongs to "
            "the file."
        )


def _codes(block: bytes) -> Characters:
    """The characters of a block: bytes where all are ASCII."""
    if block.isascii():
        return np.frombuffer(block, np.uint8)
    try:
        text = block.decode("utf-8").lstrip("\ufeff")
    except UnicodeDecodeError:
        text = block.decode("latin-1")
    return np.frombuffer(text.encode("utf-32-le"), "<u4").astype(np.uint32)


def _cut(codes: Characters, starts: IntArray, filled: IntArray, width: int) -> Characters:
    """The first `width` characters of each line, blanks behind its end."""
    at = starts[:, np.newaxis] + np.arange(width)
    characters: Characters = codes[np.minimum(at, len(codes) - 1)]
    characters[np.arange(width) >= filled[:, np.newaxis]] = BLANK
    return characters


def _begins(characters: Characters, word: str) -> BoolArray:
    codes = np.array([ord(letter) for letter in word])
    upper = characters[:, : len(codes)]
    upper = np.where((upper >= 97) & (upper <= 122), upper - 32, upper)
    begins: BoolArray = (upper == codes).all(axis=1)
    return begins


# -- cells ---------------------------------------------------------------------------------


def numbers(characters: Characters, place: Place) -> tuple[FloatArray, IntArray]:
    """A column as numbers, NaN for blanks, NULL codes and the unreadable, whose places come too.

    Examples
    --------
    >>> from .definition import Field
    >>> codes = np.frombuffer(b" 1.5D1   -99    x", np.uint8)[np.newaxis].repeat(1, axis=0)
    >>> field = Field("EC", "F", 6, 1, null="-99")
    >>> [numbers(codes, Place("EC", field, k, k + 6))[0].tolist() for k in (0, 6)]
    [[15.0], [nan]]
    """
    cells = characters[:, place.start : place.end]
    plain = np.ascontiguousarray(np.where((cells > 126) | (cells < 1), _OTHER, cells), np.uint8)
    plain[(plain == ord("D")) | (plain == ord("d"))] = ord("E")
    values = np.full(len(plain), np.nan)
    filled = (plain != BLANK).any(axis=1)
    likely = filled & _OF_NUMBERS[plain].all(axis=1)
    text = plain.view(f"S{plain.shape[1]}")[:, 0]
    try:
        values[likely] = text[likely].astype(np.float64)
    except ValueError:
        for row in np.flatnonzero(likely).tolist():
            values[row] = _number(text[row])
    bad = np.flatnonzero(filled & ~np.isfinite(values))
    if len(bad):
        # Read again from the cell itself: here a word may stand for no reading.
        bad = np.array(
            [row for row in bad.tolist() if not is_null(shown(characters, row, place), place)],
            np.int64,
        )
        values[~np.isfinite(values)] = np.nan
    codes = _null_codes(place)
    if codes:
        values[np.isin(values, codes)] = np.nan
    return values, bad


def _number(text: bytes) -> float:
    try:
        return float(text)
    except ValueError:
        return np.nan


def _null_codes(place: Place) -> list[float]:
    """The numbers that mean no reading: the code, and as the field's decimals show it."""
    try:
        code = float(place.field.null.replace("D", "E"))
    except ValueError:
        return []
    rounded = round(code, place.field.decimals) if place.field.letter == "F" else code
    return [code, rounded] if rounded else [code]


def is_null(word: str, place: Place) -> bool:
    """Whether a cell's word means no reading: nothing, the NULL code or, among numbers, NaN."""
    if word in ("", place.field.null):
        return True
    if place.field.is_text:
        return False
    if word.casefold() == "nan":
        return True
    return _number(word.encode("ascii", "replace")) in _null_codes(place)


def words(characters: Characters, place: Place) -> npt.NDArray[np.object_]:
    """A column as words without the blanks around them, None for no word and NULL codes."""
    cells = characters[:, place.start : place.end]
    found = np.empty(len(cells), object)
    if not cells.size:
        return found
    whole = np.ascontiguousarray(cells, np.uint32).view(f"U{cells.shape[1]}")[:, 0]
    # Names come again and again: clean each once.
    distinct, codes = np.unique(whole, return_inverse=True)
    clean = np.empty(len(distinct), object)
    for k, word in enumerate(distinct.tolist()):
        text = word.replace("\0", " ").strip()
        clean[k] = None if is_null(text, place) else text
    found[:] = clean[codes.reshape(len(cells))]
    return found


def shown(characters: Characters, row: int, place: Place) -> str:
    """One cell as it stands, without the blanks around it."""
    return "".join(map(chr, characters[row, place.start : place.end].tolist())).strip()
