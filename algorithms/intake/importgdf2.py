"""Bring in readings from ASEG-GDF2 line data: fields by role, values, and the first thing wrong."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from ..progress import Progress, keep_going, portion
from ..readings import NO_LINE, FloatArray, IntArray
from .clock import DAY, TIME_ADVICE, scan_times, unwrap_midnight
from .gdf2.definition import Definition, Place, parse_definition
from .gdf2.records import Records, numbers, read_records, shown, words
from .gdf2.roles import Chosen, LineRoles, Names, choose, plain_name, same_fields
from .sitegrid import Placed, along_track
from .table import Table, codes_of, not_whole, whole_numbers
from .walk.heading import WINDOW

__all__ = ["LineData", "LineRoles", "read_line_data", "remarks_beside"]

Words = npt.NDArray[np.object_]
"""Words with None, ``(n,)``."""


@dataclass(frozen=True, eq=False)
class LineData:
    """Readings of line data, and what else the files tell.

    Parameters
    ----------
    table
        The readings.
    bearing
        Directions of travel in degrees, ``(n,)``, or None where the files tell none.
    geographic
        Whether the coordinates are longitude and latitude in degrees.
    others
        Number of records that are no readings, by type; ``""`` for blank rows.
    beyond
        Number of records that hold characters behind their last field.
    crs_name
        What the definition calls the coordinate reference system; may be empty.
    """

    table: Table
    bearing: FloatArray | None
    geographic: bool
    others: Mapping[str, int]
    beyond: int
    crs_name: str

    def place(self, x: FloatArray, y: FloatArray, window: float = WINDOW) -> Placed:
        """Put the readings on the map: at `x` and `y`, along tracks where the files do not say.

        `window` is the path that a direction is taken from, map units.
        """
        table = self.table
        placed = along_track(x, y, table.grid, table.line, table.sequence, window)
        along, bearing = table.along, self.bearing
        return replace(
            placed,
            along=placed.along if along is None else along,
            bearing=placed.bearing if bearing is None else bearing % 360.0,
        )


def definition_beside(path: Path) -> Path:
    """The definition file of a data file: its name with the ending .dfn, in any case.

    Raises
    ------
    ValueError
        If there is none, or the data file is itself a definition.
    """
    if path.suffix.lower() == ".dfn":
        raise ValueError(f"{path.name} is a definition. Choose the data file that belongs to it.")
    return _beside(path, ".dfn") or _refuse_definition(path)


def _refuse_definition(path: Path) -> Path:
    raise ValueError(
        f"There is no definition file '{path.stem}.dfn' beside {path.name}, and without it the "
        "columns are unknown. Put it there, or choose the definition."
    )


def _beside(path: Path, ending: str) -> Path | None:
    wanted = f"{path.stem}{ending}".casefold()
    found = [file for file in path.parent.iterdir() if file.name.casefold() == wanted]
    # On some disks two files may differ in case alone: the name as it is comes first.
    return min(found, key=lambda file: (file.stem != path.stem, file.name), default=None)


def read_definition(path: Path) -> Definition:
    """Read a definition file.

    Raises
    ------
    ValueError
        If it cannot be read, or a line of it defines nothing.
    """
    return parse_definition(_text(path), path.name)


def remarks_beside(path: Path) -> tuple[str, ...]:
    """The remarks (COMM records) of the description file (.des) beside a data file, if any."""
    found = _beside(path, ".des")
    lines = _text(found).split("\n") if found else []
    return tuple(line[4:].strip() for line in lines if line.upper().startswith("COMM"))


def _text(path: Path) -> str:
    try:
        content = path.read_bytes()
    except OSError as wrong:
        raise ValueError(f"{path.name} cannot be read ({wrong.strerror}).") from wrong
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")


def read_line_data(
    paths: Sequence[Path],
    roles: LineRoles | None = None,
    definition: Path | None = None,
    progress: Progress = keep_going,
) -> LineData:
    """Read data files with the same fields, each by the definition beside it or by the one given.

    Raises
    ------
    ValueError
        At the first thing that cannot be read: a file, a field, a record or a value, named by file,
        row and field.
    """
    roles = roles or LineRoles()
    if not paths:
        raise ValueError("No file is given. Choose one or several.")
    definitions = [read_definition(definition or definition_beside(path)) for path in paths]
    first = definitions[0]
    chosen = choose(first, roles)
    gathered = _Gathered(roles.bad_values)
    for number, (path, its) in enumerate(zip(paths, definitions)):
        part = portion(progress, number / len(paths), (number + 1) / len(paths))
        places = same_fields(its, first)
        before = sum(map(len, gathered.rows))
        for records in read_records(path, its, part):
            gathered.add(records, chosen, places, path.name)
        rows = sum(map(len, gathered.rows)) - before
        if not rows:
            raise ValueError(
                f"{path.name} holds no data records. Choose the data file, and the definition "
                "that belongs to it."
            )
        gathered.files.append(np.full(rows, number, np.int64))
    return _assembled(gathered, chosen, tuple(path.name for path in paths), first)


# -- values --------------------------------------------------------------------------------


@dataclass
class _Gathered:
    """Columns as they grow, by the field's name in small letters."""

    bad_values: str
    words: dict[str, list[Words]] = field(default_factory=dict)
    numbers: dict[str, list[FloatArray]] = field(default_factory=dict)
    rows: list[IntArray] = field(default_factory=list)
    files: list[IntArray] = field(default_factory=list)
    others: Counter[str] = field(default_factory=Counter)
    beyond: int = 0
    unreadable: Counter[str] = field(default_factory=Counter)

    def add(self, records: Records, chosen: Chosen, places: Mapping[str, Place], file: str) -> None:
        """Add columns of records, or refuse their first unreadable value."""
        bad: list[tuple[int, str, str]] = []
        grid = chosen.roles.get("grid")
        for name, place in places.items():
            if place.field.is_text or (grid is not None and grid.name.casefold() == name):
                self.words.setdefault(name, []).append(words(records.characters, place))
                continue
            column, wrong = numbers(records.characters, place)
            if len(wrong):
                first = int(wrong[0])
                bad.append((first, place.name, shown(records.characters, first, place)))
                self.unreadable[place.name] += len(wrong)
            self.numbers.setdefault(name, []).append(column)
        if bad and self.bad_values == "refuse":
            first, name, word = min(bad)
            raise ValueError(
                f"Row {records.row[first]} of {file}: '{name}' is '{word}', which is no number. "
                "Correct the file, choose the definition that belongs to it, or take unreadable "
                "values as NULL."
            )
        self.rows.append(records.row)
        self.others += records.others
        self.beyond += records.beyond

    def take_words(self, place: Place) -> Words:
        """A whole column of words, given away: it is not kept twice."""
        return np.concatenate(self.words.pop(place.name.casefold()))

    def take_numbers(self, place: Place) -> FloatArray:
        """A whole column of numbers, given away likewise."""
        return np.concatenate(self.numbers.pop(place.name.casefold()))


Where = tuple[IntArray, IntArray, tuple[str, ...]]
"""Row in the file and file of each reading, and the files' names."""


def _assembled(
    gathered: _Gathered, chosen: Chosen, file_names: tuple[str, ...], definition: Definition
) -> LineData:
    roles = chosen.roles
    where = (np.concatenate(gathered.rows), np.concatenate(gathered.files), file_names)
    n = len(where[0])
    values = np.empty((n, len(chosen.channels)))
    for k, (place, _, _) in enumerate(chosen.channels):
        values[:, k] = gathered.take_numbers(place)
    kept = {
        name: gathered.take_words(place) if place.field.is_text else gathered.take_numbers(place)
        for place, name in chosen.kept
    }
    names = Names([name for _, name, _ in chosen.channels] + list(kept))

    def number(role: str) -> FloatArray | None:
        return gathered.take_numbers(roles[role]) if role in roles else None

    grid: IntArray = np.zeros(n, np.int64)
    grid_names: tuple[str, ...] = ("",)
    if "grid" in roles:
        known: dict[str, int] = {}
        grid = codes_of((word or "" for word in gathered.take_words(roles["grid"])), known)
        grid_names = tuple(known)
    line = None
    if "line" in roles and roles["line"].field.is_text:
        texts = gathered.take_words(roles["line"])
        line, named = _text_lines(texts)
        if named:
            kept[names.free(f"{roles['line'].name}_name")] = texts
    elif "line" in roles:
        lines = gathered.take_numbers(roles["line"])
        _check_whole(lines, roles["line"], "traverse", where)
        line = whole_numbers(lines, NO_LINE)
    sequence = number("sequence")
    if sequence is not None and not_whole(sequence).any():
        # Fiducials may be fractions: their order numbers the readings, and they are kept.
        kept[names.free(roles["sequence"].name)] = sequence
        sequence = _ranks(sequence)
    quality = number("quality")
    if quality is not None:
        _check_whole(quality, roles["quality"], "quality", where)
    table = Table(
        channels=tuple(name for _, name, _ in chosen.channels),
        units=tuple(unit for _, _, unit in chosen.channels),
        values=values,
        grid=grid,
        grid_names=grid_names,
        line=line,
        sequence=sequence,
        along=number("along"),
        x=number("x"),
        y=number("y"),
        time=_times(gathered, roles["time"], where) if "time" in roles else None,
        quality=None if quality is None else whole_numbers(quality, 0),
        kept=kept,
        file=where[1],
        file_names=file_names,
        row=where[0],
        unreadable=dict(gathered.unreadable),
    )
    return LineData(
        table=table,
        bearing=number("bearing"),
        geographic=chosen.geographic,
        others=dict(gathered.others),
        beyond=gathered.beyond,
        crs_name=definition.crs_name,
    )


def _check_whole(column: FloatArray, place: Place, role: str, where: Where) -> None:
    broken = np.flatnonzero(not_whole(column))
    if len(broken):
        at, (rows, files, names) = int(broken[0]), where
        raise ValueError(
            f"Row {rows[at]} of {names[files[at]]}: '{place.name}' is {column[at]:g} where the "
            f"{role} is a whole number. Name another field as {role}."
        )


def _text_lines(words: Words) -> tuple[IntArray, bool]:
    """Traverse numbers, and whether they only number names in the order they come in."""
    found = dict.fromkeys(word for word in words.tolist() if word is not None)
    whole = all(re.fullmatch(r"[+-]?\d{1,15}", word, re.ASCII) for word in found)
    numbered = {word: int(word) if whole else k for k, word in enumerate(found, start=1)}
    lines = [NO_LINE if word is None else numbered[word] for word in words.tolist()]
    return np.array(lines, np.int64), not whole


def _ranks(column: FloatArray) -> FloatArray:
    """The order of values from 1, equal ones sharing theirs; NaN stays."""
    known = np.isfinite(column)
    ranks = np.full(len(column), np.nan)
    ranks[known] = np.unique(column[known], return_inverse=True)[1] + 1
    return ranks


def _times(gathered: _Gathered, place: Place, where: Where) -> FloatArray:
    """Times as seconds that run on over midnight."""
    if not place.field.is_text:
        seconds = gathered.take_numbers(place)
        if plain_name(place.field.unit).startswith("hhmmss"):
            hours, rest = np.divmod(seconds, 10_000)
            minutes, rest = np.divmod(rest, 100)
            seconds = 3600 * hours + 60 * minutes + rest
        # Seconds beyond a day have been made to run on already.
        return seconds if (seconds > DAY).any() else unwrap_midnight(seconds)
    texts = [word or "" for word in gathered.take_words(place).tolist()]
    times, bad = scan_times(texts)
    if len(bad):
        at, (rows, files, names) = int(bad[0]), where
        if gathered.bad_values == "refuse":
            raise ValueError(
                f"Row {rows[at]} of {names[files[at]]}: '{place.name}' is '{texts[at]}', which is "
                f"not a time. {TIME_ADVICE}"
            )
        gathered.unreadable[place.name] += len(bad)
    return unwrap_midnight(times)
