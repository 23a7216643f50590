"""The definition of ASEG-GDF2 line data: which characters of a record are which field.

What is known of the standard here (Pratt 2003, *ASEG-GDF2: a standard for point located data
exchange*, Australian Society of Exploration Geophysicists) is from memory. A definition line reads

    DEFN 4 ST=RECD,RT=;EASTING:F11.2:UNIT=m,NULL=-999999.99,NAME=Easting

with the record type behind ``RT=`` (nothing for data records) and a Fortran format; ``30F10.4`` is
an array of 30 values under one name.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

COMMENT, PROJECTION, DATA = "COMM", "PROJ", ""
WIDEST_RECORD = 1_000_000
"""Characters of a record beyond which a definition is taken for damaged."""

_FORMAT = re.compile(
    r"(?P<repeat>\d{0,7})\s*(?P<letter>[IFEDA])\s*(?P<width>\d{1,7})\s*(?:\.\s*(?P<decimals>\d{1,3}))?",
    re.ASCII | re.IGNORECASE,
)
_KEY = re.compile(r"(?:^|[,:])\s*(NULL|UNIT|UNITS|NAME|COMMENT|COMMENTS)\s*=", re.IGNORECASE)
_TYPE = re.compile(r"\bRT\s*=\s*(\w*)", re.IGNORECASE)
_STRUCTURE = re.compile(r"\bST\s*=\s*(\w*)", re.IGNORECASE)
_END = re.compile(r"END\s*DEFN", re.IGNORECASE)


@dataclass(frozen=True)
class Field:
    """One field of a record.

    Parameters
    ----------
    name
        Its name.
    letter
        Kind of its Fortran format: ``I`` whole number, ``F`` ``E`` ``D`` real number, ``A`` text.
    width
        Characters, those that part it from the field before among them.
    decimals
        Digits behind the point; 0 for whole numbers and text.
    repeat
        Number of values, more than 1 for an array.
    unit, null, title, comment
        Unit, the code that means no reading, the name in full, and a remark; may be empty.
    """

    name: str
    letter: str
    width: int
    decimals: int = 0
    repeat: int = 1
    unit: str = ""
    null: str = ""
    title: str = ""
    comment: str = ""

    @property
    def format(self) -> str:
        """The Fortran format.

        Examples
        --------
        >>> Field("EC", "F", 8, 2).format, Field("EC", "F", 8, 2, repeat=3).format
        ('F8.2', '3F8.2')
        """
        many = str(self.repeat) if self.repeat > 1 else ""
        behind = f".{self.decimals}" if self.letter in "FED" else ""
        return f"{many}{self.letter}{self.width}{behind}"

    @property
    def is_text(self) -> bool:
        """Whether it holds text."""
        return self.letter == "A"


@dataclass(frozen=True)
class Place:
    """A column of a record: its name, its field and the characters ``start`` to ``end``, from 0."""

    name: str
    field: Field
    start: int
    end: int


@dataclass(frozen=True)
class Definition:
    """The fields of each type of record, by the type's name, and the file that says so."""

    records: Mapping[str, tuple[Field, ...]] = field(default_factory=dict)
    name: str = ""

    @property
    def data_type(self) -> str:
        """The type of the data records: without a name, or else that of the most fields.

        Raises
        ------
        ValueError
            If no type of record holds data.
        """
        found = {
            kind: len(_without_type(fields))
            for kind, fields in self.records.items()
            if kind not in (COMMENT, PROJECTION) and _without_type(fields)
        }
        if not found:
            raise ValueError(
                f"{self.name} defines no field of data records. Choose the definition that belongs "
                "to the data."
            )
        return DATA if DATA in found else max(found, key=lambda kind: found[kind])

    @property
    def places(self) -> tuple[Place, ...]:
        """The columns of the data records in their order, arrays as ``name_1``, ``name_2`` ...

        Raises
        ------
        ValueError
            If two bear one name.
        """
        made: list[Place] = []
        start = 0
        for item in self.records[self.data_type]:
            for number in range(1, item.repeat + 1):
                name = item.name if item.repeat == 1 else f"{item.name}_{number}"
                made.append(Place(name, item, start, start + item.width))
                start += item.width
        names: set[str] = set()
        for place in made:
            if place.name.casefold() in names:
                raise ValueError(
                    f"{self.name} defines the field '{place.name}' twice. Give each field a name "
                    "of its own."
                )
            names.add(place.name.casefold())
        return tuple(place for place in made if not _is_type(place.field))

    @property
    def marked(self) -> bool:
        """Whether each data record begins with the name of its type."""
        return _is_type(self.records[self.data_type][0])

    @property
    def crs_name(self) -> str:
        """What the definition says about the coordinate reference system; may be empty."""
        told = [item.comment for item in self.records.get(PROJECTION, ()) if item.comment]
        return told[0] if told else ""


def _is_type(item: Field) -> bool:
    return item.name.upper() == "RT" and item.is_text


def _without_type(fields: Sequence[Field]) -> list[Field]:
    return [item for item in fields if not _is_type(item)]


def parse_definition(text: str, name: str) -> Definition:
    r"""Read a definition file's text; `name` is the file's, for messages.

    Raises
    ------
    ValueError
        At the first line that defines nothing, or a field with an unknown format.

    Examples
    --------
    >>> found = parse_definition("DEFN 1 ST=RECD,RT=;LINE:I6;EC:2F8.2:UNIT=mS/m\n", "q.dfn")
    >>> [(place.name, place.start, place.end) for place in found.places]
    [('LINE', 0, 6), ('EC_1', 6, 14), ('EC_2', 14, 22)]
    """
    records: dict[str, list[Field]] = {}
    for number, line in enumerate(text.split("\n"), start=1):
        words = line.strip().strip("\x1a\ufeff")
        if not words or words.upper().startswith(COMMENT) or _END.match(words):
            continue
        head, _, rest = words.partition(";")
        kind = _TYPE.search(head)
        if not head.upper().startswith("DEFN") or kind is None:
            raise ValueError(
                f"Line {number} of {name} is '{_short(words)}'. A definition line begins with "
                "'DEFN' and names its record type, 'ST=RECD,RT=...;': correct it, or choose the "
                "definition that belongs to the data."
            )
        structure = _STRUCTURE.search(head)
        if structure is not None and structure[1].upper() not in ("RECD", ""):
            continue  # tables and the like describe no records of the data file
        made = records.setdefault(kind[1].upper(), [])
        for part in rest.split(";"):
            if part.strip() and not _END.match(part.strip()):
                made.append(_field(part, f"Line {number} of {name}"))
    for fields in records.values():
        if sum(item.width * item.repeat for item in fields) > WIDEST_RECORD:
            raise ValueError(
                f"{name} defines records of more than {WIDEST_RECORD:,} characters. Correct the "
                "widths."
            )
    return Definition({kind: tuple(fields) for kind, fields in records.items()}, name)


def _field(text: str, where: str) -> Field:
    name, _, rest = (part.strip() for part in text.partition(":"))
    form, _, more = rest.partition(":")
    found = _FORMAT.fullmatch(form.strip())
    # The word END DEFN may follow the last field without a semicolon.
    if found is None:
        found = _FORMAT.fullmatch(_END.sub("", form).strip(" ,"))
    if not name or found is None:
        raise ValueError(
            f"{where}: field '{_short(name)}' has the format '{_short(form.strip())}'. Known are "
            "I, F, E, D and A with a width, such as F10.2, or 30F10.2 for an array."
        )
    width, repeat = int(found["width"]), int(found["repeat"] or 1)
    letter, decimals = found["letter"].upper(), int(found["decimals"] or 0)
    if width < 1 or repeat < 1:
        raise ValueError(f"{where}: field '{_short(name)}' has no width ({form.strip()}).")
    told = _attributes(more)
    return Field(
        name, letter, width, decimals if letter in "FED" else 0, repeat,
        told.get("UNIT", ""), told.get("NULL", ""), told.get("NAME", ""), told.get("COMMENT", ""),
    )  # fmt: skip


def _attributes(text: str) -> dict[str, str]:
    """What stands behind a field's format, by key; words without a key are a comment."""
    text = _END.sub("", text)
    keys = list(_KEY.finditer(text))
    told: dict[str, str] = {}
    free = [text[: keys[0].start()] if keys else text]
    for key, after in zip(keys, [*keys[1:], None]):
        name = key[1].upper().rstrip("S")
        value = text[key.end() : after.start() if after else len(text)]
        if name != "COMMENT":
            value, _, rest = value.partition(":")
            free.append(rest)
        told.setdefault(name, value.strip(" ,:"))
    remark = " ".join(words.strip(" ,:") for words in free).strip()
    if remark:
        told.setdefault("COMMENT", remark)
    return told


def _short(text: str) -> str:
    return text if len(text) <= 40 else f"{text[:40]}..."


def definition_text(definition: Definition) -> str:
    """The text of a definition file, comment and projection records first.

    Examples
    --------
    >>> made = Definition({"": (Field("EC", "F", 8, 2, unit="mS/m", null="-999.00"),)})
    >>> print(definition_text(made), end="")
    DEFN 1 ST=RECD,RT=;EC:F8.2:UNIT=mS/m,NULL=-999.00
    DEFN 2 ST=RECD,RT=;END DEFN
    """
    lines = []
    for kind in sorted(definition.records, key=lambda kind: (kind == DATA, kind)):
        fields = definition.records[kind]
        for number, item in enumerate(fields, start=1):
            told = [
                f"{key}={value}"
                for key, value in (
                    ("UNIT", item.unit), ("NULL", item.null), ("NAME", item.title),
                    ("COMMENT", item.comment),
                )
                if value
            ]  # fmt: skip
            words = ":".join([item.name, item.format, *([",".join(told)] if told else [])])
            lines.append(f"DEFN {number} ST=RECD,RT={kind};{words}")
        lines.append(f"DEFN {len(fields) + 1} ST=RECD,RT={kind};END DEFN")
    return "\n".join(lines) + "\n"
