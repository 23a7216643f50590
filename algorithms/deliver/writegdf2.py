"""Write readings as ASEG-GDF2 line data: a format for each column, records, and a description.

The definition is that of `lynchet.algorithms.intake.gdf2.definition`, as for reading.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Union

import numpy as np
import numpy.typing as npt

from ..intake.gdf2.definition import COMMENT, PROJECTION, Definition, Field
from ..progress import Progress, advance, keep_going
from ..readings import NO_LINE, FloatArray, IntArray, Readings

MOST_DECIMALS = 6
"""Decimals up to which automatic ones are sought; what needs more is rounded to these."""

CHUNK = 20_000
"""Records made at a time."""

_EXACT = 2.0**53
_EXPONENT_WIDTH = 25
_LARGE, _SMALL = 1e9, 1e-2
_UNSAFE = re.compile("[\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")

Values = Union[npt.NDArray[np.object_], FloatArray]


@dataclass(frozen=True, eq=False)
class Column:
    """A column to write.

    Parameters
    ----------
    name
        What it is called.
    values
        Numbers with NaN for no reading, or objects with None, ``(n,)``.
    unit, remark
        Its unit, and what it means; may be empty.
    decimals
        Digits behind the point; None for as few as hold the values, up to `MOST_DECIMALS`.
    whole
        Whether it holds whole numbers only.
    """

    name: str
    values: Values
    unit: str = ""
    remark: str = ""
    decimals: int | None = None
    whole: bool = False

    @property
    def is_text(self) -> bool:
        """Whether it holds words."""
        return self.values.dtype == object


@dataclass(frozen=True)
class Planned:
    """The fields for the columns, and what is lost by them.

    Parameters
    ----------
    fields
        One for each column, in order.
    rounded
        Greatest change of a value by column, where the decimals do not hold all values.
    cleaned
        Columns whose words hold control signs, which are written as blanks.
    beyond_ascii
        Columns whose words hold letters that take more than one byte.
    """

    fields: tuple[Field, ...]
    rounded: Mapping[str, float]
    cleaned: tuple[str, ...]
    beyond_ascii: tuple[str, ...]


def plan_fields(columns: Sequence[Column]) -> Planned:
    """Choose a name, format, width and no-reading code for each column from its values.

    Raises
    ------
    ValueError
        If the decimals asked for are below 0 or above 15.

    Examples
    --------
    >>> ec = Column("ec 050", np.array([21.25, np.nan, 8.0]), unit="mS/m")
    >>> plan_fields([ec]).fields
    (Field(name='ec_050', letter='F', width=8, decimals=2, repeat=1, unit='mS/m', null='-999.00', \
title='ec 050', comment=''),)
    """
    fields, rounded = [], {}
    cleaned, beyond = [], []
    taken: set[str] = {"rt"}
    for column in columns:
        name = _free_name(column.name, taken)
        plain = Field(
            name,
            "A",
            2,
            unit=_attribute(column.unit),
            title=_attribute(column.name) if name != column.name else "",
            comment=_attribute(column.remark),
        )
        if column.is_text:
            texts = [text for text in set(column.values.tolist()) if text is not None]
            clean = [_clean(text) for text in texts]
            width = 1 + max(map(len, clean), default=1)
            fields.append(replace(plain, width=max(width, 2)))
            if any(_UNSAFE.search(str(text)) for text in texts):
                cleaned.append(column.name)
            if not all(text.isascii() for text in clean):
                beyond.append(column.name)
            continue
        field, change = _number_field(column, plain)
        fields.append(field)
        if change:
            rounded[column.name] = change
    return Planned(tuple(fields), rounded, tuple(cleaned), tuple(beyond))


def _number_field(column: Column, plain: Field) -> tuple[Field, float]:
    values = column.values[np.isfinite(column.values)].astype(np.float64)
    if column.decimals is not None and not 0 <= column.decimals <= 15:
        raise ValueError(
            f"'{column.name}' cannot have {column.decimals} decimals. Give 0 to 15 of them."
        )
    decimals = 0 if column.whole else _decimals(values, column.decimals)
    scaled = None if decimals is None else _scaled(values, decimals)
    if scaled is None or decimals is None:
        null = _far_code(values)
        return replace(plain, letter="E", width=_EXPONENT_WIDTH, decimals=16, null=null), 0.0
    low, high = int(scaled.min(initial=0)), int(scaled.max(initial=0))
    code = _near_code(low, decimals)
    widest = max(len(_fixed(number, decimals)) for number in (low, high, code))
    null = _fixed(code, decimals)
    change = float(np.abs(scaled / 10.0**decimals - values).max(initial=0.0))
    letter = "I" if column.whole else "F"
    return replace(plain, letter=letter, width=widest + 1, decimals=decimals, null=null), change


def _decimals(values: FloatArray, asked: int | None) -> int | None:
    """Decimals for a fixed point; None where the values need an exponent."""
    if asked is not None:
        return asked if _scaled(values, asked) is not None else None
    for decimals in range(1, MOST_DECIMALS + 1):
        scaled = _scaled(values, decimals)
        if scaled is not None and (scaled / 10.0**decimals == values).all():
            return decimals
    largest = float(np.abs(values).max(initial=0.0))
    return MOST_DECIMALS if _SMALL <= largest < _LARGE else None


def _scaled(values: FloatArray, decimals: int) -> IntArray | None:
    """Values in units of the last decimal, rounded; None where those are not exact any more."""
    limit = _EXACT / 10.0**decimals
    if (np.abs(values) >= limit).any():
        return None
    return np.rint(values * 10.0**decimals).astype(np.int64)


def _near_code(low: int, decimals: int) -> int:
    """A code below all values, in units of the last decimal: -999, -9999 and so on."""
    unit = int(10**decimals)
    code = -999
    while code * unit >= low:
        code = 10 * code - 9
    return code * unit


def _far_code(values: FloatArray) -> str:
    """A code of great size that no value has."""
    for exponent in (32, 64, 128, 256, 300, 308):
        for code in (f"-1.0E+{exponent}", f"1.0E+{exponent}"):
            if not (values == float(code)).any():
                return code
    return ""  # then a blank means no reading


def _fixed(scaled: int, decimals: int) -> str:
    """A whole number of last decimals with its point."""
    digits = str(abs(scaled)).rjust(decimals + 1, "0")
    point = len(digits) - decimals
    return ("-" if scaled < 0 else "") + digits[:point] + ("." if decimals else "") + digits[point:]


def _clean(text: object) -> str:
    return _UNSAFE.sub(" ", str(text)).strip()


def _attribute(text: str) -> str:
    """Words that may stand in a definition line."""
    return re.sub(r"\s+", " ", re.sub("[;:,=]", " ", _clean(text))).strip()


def _free_name(name: str, taken: set[str]) -> str:
    plain = re.sub(r"\W", "_", name, flags=re.ASCII) or "_"
    made, number = plain, 1
    while made.casefold() in taken:
        number += 1
        made = f"{plain}_{number}"
    taken.add(made.casefold())
    return made


def order_of(readings: Readings) -> tuple[IntArray, dict[int, str]]:
    """Rows traverse by traverse in walking order, those outside all traverses last.

    Returns
    -------
    order, starts
        The rows, ``(n,)``, and the name of each traverse by the place it begins at in them.
    """
    starts: dict[int, str] = {}
    place = 0
    for traverse in readings.lines:
        starts[place] = traverse.name
        place += len(traverse.rows)
    outside = np.flatnonzero(readings.line == NO_LINE)
    order = np.concatenate([*(traverse.rows for traverse in readings.lines), outside])
    return order.astype(np.int64), starts


# -- records -------------------------------------------------------------------------------


def record_bytes(
    columns: Sequence[Column],
    fields: Sequence[Field],
    order: IntArray,
    remarks: Mapping[int, str] | None = None,
    progress: Progress = keep_going,
) -> Iterator[bytes]:
    r"""The data file, some thousands of records at a time, UTF-8.

    Parameters
    ----------
    columns, fields
        The columns and their fields.
    order
        Rows of the columns in the order to be written, ``(n,)``.
    remarks
        Words to put in a COMM record before the record of that place in the order.

    Examples
    --------
    >>> ec = Column("ec", np.array([1.5, np.nan]))
    >>> b"".join(record_bytes([ec], plan_fields([ec]).fields, np.array([1, 0])))
    b' -999.0\n    1.5\n'
    """
    remarks = remarks or {}
    cuts = sorted({0, len(order), *range(0, len(order), CHUNK), *remarks})
    for start, stop in zip(cuts[:-1], cuts[1:]):
        advance(progress, start / max(len(order), 1))
        if start in remarks:
            yield f"{COMMENT} {_clean(remarks[start])}\n".encode()
        rows = order[start:stop]
        cells = [_cells(column, item, rows) for column, item in zip(columns, fields)]
        ends = np.full((len(rows), 1), ord("\n"), np.uint32)
        yield np.hstack([*cells, ends]).astype("<u4").tobytes().decode("utf-32-le").encode()


def _cells(column: Column, item: Field, rows: IntArray) -> npt.NDArray[np.uint32]:
    """Character codes of some cells of a column, ``(n, width)``."""
    values = column.values[rows]
    if item.letter == "A":
        clean = {text: "" if text is None else _clean(text) for text in set(values.tolist())}
        return _codes([f" {clean[text]}" for text in values.tolist()], item.width)
    known = np.isfinite(values.astype(np.float64))
    if item.letter == "E":
        null = item.null.rjust(item.width)
        texts = [f"{value:{item.width}.16E}" for value in values.tolist()]
        return _codes([text if there else null for text, there in zip(texts, known)], item.width)
    code = int(item.null.replace(".", ""))
    scaled = np.full(len(rows), code, np.int64)
    scaled[known] = np.rint(values[known] * 10.0**item.decimals).astype(np.int64)
    return _digits(scaled, item.width, item.decimals)


def _codes(texts: Sequence[str], width: int) -> npt.NDArray[np.uint32]:
    whole = np.array(texts, f"U{width}").view(np.uint32).reshape(len(texts), width)
    return np.where(whole == 0, np.uint32(ord(" ")), whole)


def _digits(scaled: IntArray, width: int, decimals: int) -> npt.NDArray[np.uint32]:
    """Whole numbers of last decimals as character codes, to the right, ``(n, width)``."""
    cells = np.full((len(scaled), width), ord(" "), np.uint32)
    left = np.abs(scaled)
    sign = np.full(len(scaled), -1)
    place = width
    for number in range(width):
        if number == decimals and decimals:
            place -= 1
            cells[:, place] = ord(".")
        there = (left > 0) | (number <= decimals)
        if not there.any():
            break
        place -= 1
        left, digit = np.divmod(left, 10)
        cells[there, place] = ord("0") + digit[there]
        sign[there] = place - 1
    negative = np.flatnonzero(scaled < 0)
    cells[negative, sign[negative]] = ord("-")
    return cells


# -- what goes with them -------------------------------------------------------------------


def definition_of(
    fields: Sequence[Field], crs_name: str, remarks: Sequence[str] = ()
) -> Definition:
    """The definition of the data file and of the remarks in it and in its description."""
    name = _attribute(crs_name)
    mark = Field("RT", "A", 4)
    widest = max([76, *map(len, remarks)])
    return Definition(
        {
            COMMENT: (mark, Field("COMMENTS", "A", widest)),
            PROJECTION: (mark, Field("PROJNAME", "A", max(len(name), 1), comment=name)),
            "": tuple(fields),
        }
    )


def remark_lines(remarks: Sequence[str]) -> str:
    """The text of a description file: a COMM record for each remark."""
    return "".join(f"{COMMENT} {_clean(remark)}\n" for remark in remarks)
