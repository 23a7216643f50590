"""Read a logger's stream: instrument lines by a recipe, and sentences, every line accounted for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from ...progress import Progress, keep_going, portion
from ...readings import NO_LINE, BoolArray, FloatArray, IntArray
from ...words import plural
from ..clock import Clock
from ..table import Table
from ..text.bytelines import Lines, chunks
from .fixes import Fixes, fixes_of
from .instrument import Instrument, Refused, take_lines
from .nmea import BROKEN, NO_POSITION, POSITION, Sentences, parse_sentences
from .recipe import Recipe

BAD_LINES = ("refuse", "null")
KINDS = (
    "readings", "position sentences", "sentences without a position", "other sentences",
    "broken sentences", "lines passed over", "unreadable lines",
)  # fmt: skip
"""What a line can be; together they are all lines."""


@dataclass(frozen=True)
class StreamFormat:
    """How strictly a stream is read.

    Parameters
    ----------
    without_checksum
        Whether sentences that have no checksum are taken.
    bad_values
        What becomes of values and lines that cannot be read: ``"refuse"`` the file, or take values
        as ``"null"`` and leave lines out. Broken sentences are left out either way.

    Raises
    ------
    ValueError
        If a word is unknown.
    """

    without_checksum: bool = False
    bad_values: str = "refuse"

    def __post_init__(self) -> None:
        if self.bad_values not in BAD_LINES:
            raise ValueError(
                f"Treatment of unreadable values '{self.bad_values}' is unknown: choose one of "
                f"{', '.join(BAD_LINES)}."
            )


@dataclass(frozen=True, eq=False)
class Stream:
    """What was read.

    Parameters
    ----------
    table
        The readings, without times, ``n`` rows.
    place
        Running number of each reading's line over all files, ``(n,)``.
    clock, leap
        What the instrument's clock showed, seconds, and whether that was in a leap second,
        ``(n,)``; None where it has none. Since midnight of its first day where it tells dates.
    day
        The first day of an instrument's clock that tells dates, as an ordinal; None where not.
    fixes
        The positions.
    together
        Whether readings and sentences came in one stream, so that their order tells their time.
    counts
        How many lines were what: see `KINDS`.
    first
        The first line of a kind, in words.
    """

    table: Table
    place: IntArray
    clock: FloatArray | None
    leap: BoolArray | None
    day: float | None
    fixes: Fixes
    together: bool
    counts: dict[str, int]
    first: dict[str, str]


@dataclass
class _Gathered:
    """A stream as it grows."""

    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    first: dict[str, str] = field(default_factory=dict)
    lots: list[Instrument] = field(default_factory=list)
    files: list[tuple[int, int]] = field(default_factory=list)
    said: list[Sentences] = field(default_factory=list)
    clock: Clock = field(default_factory=Clock)

    def count(self, kind: str, file: str, rows: IntArray) -> None:
        """Account for lines by their numbers in the file."""
        self.counts[kind] += len(rows)
        if len(rows):
            self.first.setdefault(kind, f"row {rows[0]:,} of {file}")


def read_stream(
    files: Sequence[Path],
    positions: Sequence[Path],
    recipe: Recipe,
    form: StreamFormat | None = None,
    progress: Progress = keep_going,
) -> Stream:
    """Read instrument lines and sentences, in one stream or in files of their own.

    Parameters
    ----------
    files
        Streams in the order of time. Without `positions`, they hold the sentences too.
    positions
        Files of sentences alone. With them, sentences in the other files are not used.

    Raises
    ------
    ValueError
        At the first line or value that cannot be read, unless such are to be left out; if there is
        no reading, or no sentence with a position.
    """
    form = form or StreamFormat()
    if not files:
        raise ValueError("No file is given. Choose one or several.")
    gathered = _Gathered()
    paths = [Path(path) for path in (*files, *positions)]
    sizes = np.array([path.stat().st_size if path.is_file() else 0 for path in paths], np.float64)
    shares = np.concatenate([[0.0], np.cumsum(sizes)]) / max(sizes.sum(), 1.0)
    before = 0
    for number, path in enumerate(paths):
        part = portion(progress, shares[number], shares[number + 1])
        mixed = number < len(files)
        lines_read = 0
        for lines in chunks(path, part):
            rows = _sorted_out(gathered, lines, recipe, mixed, path.name, form)
            if mixed and len(rows):
                try:
                    lot, left = take_lines(lines, rows, recipe, gathered.clock, form.bad_values)
                except Refused as wrong:
                    raise ValueError(wrong.sentence(path.name)) from None
                gathered.count("readings", path.name, lot.row)
                gathered.count("unreadable lines", path.name, left)
                gathered.lots.append(lot)
                gathered.files.append((number, before))
            if mixed == (not positions):
                _take_sentences(gathered, lines, recipe, mixed, form, before, path.name)
            else:
                _count_sentences(gathered, lines, recipe, mixed, path.name)
            lines_read = lines.first + len(lines.start) - 1
        before += lines_read
    return _assembled(gathered, [path.name for path in paths[: len(files)]], recipe, not positions)


# -- line by line ----------------------------------------------------------------------------


def _sentence_rows(lines: Lines, recipe: Recipe, mixed: bool) -> BoolArray:
    head = lines.data[np.minimum(lines.start, len(lines.data) - 1)]
    found: BoolArray = (lines.start < lines.end) & ((head == ord("$")) | (head == ord("!")))
    if mixed and recipe.begins[:1] in ("$", "!"):
        found &= ~lines.begin_with(recipe.begins, word=True)
    return found


def _sorted_out(
    gathered: _Gathered, lines: Lines, recipe: Recipe, mixed: bool, file: str, form: StreamFormat
) -> IntArray:
    """Rows of instrument lines; those passed over and unknown ones are accounted for."""
    left = ~_sentence_rows(lines, recipe, mixed)
    passed: BoolArray = lines.start >= lines.end
    instrument: BoolArray = np.zeros(len(left), np.bool_)
    if mixed and recipe.begins.strip():
        parted = recipe.pattern is None and not recipe.columns
        instrument = left & lines.begin_with(recipe.begins.lstrip(), word=parted)
    for prefix in recipe.pass_over:
        passed |= left & ~instrument & lines.begin_with(prefix)
    if mixed and not recipe.begins.strip():
        instrument = left & ~passed
    gathered.count("lines passed over", file, lines.first + np.flatnonzero(passed))
    unknown = np.flatnonzero(left & ~passed & ~instrument)
    if len(unknown) and form.bad_values == "refuse":
        row = int(unknown[0])
        text = lines.text(int(lines.start[row]), int(lines.end[row]))[:40]
        awaited = f"nor begins with '{recipe.begins}'" if mixed else "and nothing else belongs here"
        raise ValueError(
            f"Row {lines.first + row} of {file} is no sentence {awaited}: '{text}'. Correct the "
            "file, name its beginning under 'pass over' in the recipe, or take unreadable values "
            "as NULL."
        )
    gathered.count("unreadable lines", file, lines.first + unknown)
    return np.flatnonzero(instrument)


def _take_sentences(
    gathered: _Gathered,
    lines: Lines,
    recipe: Recipe,
    mixed: bool,
    form: StreamFormat,
    before: int,
    file: str,
) -> None:
    rows = np.flatnonzero(_sentence_rows(lines, recipe, mixed))
    if not len(rows):
        return
    said = parse_sentences(lines, rows, form.without_checksum)
    for kind, word in (
        (POSITION, "position sentences"),
        (NO_POSITION, "sentences without a position"),
        (BROKEN, "broken sentences"),
    ):
        gathered.count(word, file, said.place[said.kind == kind])
    gathered.count("other sentences", file, said.place[said.kind == 2])
    said.place[:] += before
    gathered.said.append(said.take(said.kind == POSITION))


def _count_sentences(
    gathered: _Gathered, lines: Lines, recipe: Recipe, mixed: bool, file: str
) -> None:
    rows = np.flatnonzero(_sentence_rows(lines, recipe, mixed))
    gathered.count("other sentences", file, lines.first + rows)


# -- all together ----------------------------------------------------------------------------


def _assembled(gathered: _Gathered, names: list[str], recipe: Recipe, together: bool) -> Stream:
    if not gathered.counts["readings"]:
        begin = f" that begins with '{recipe.begins}'" if recipe.begins else ""
        raise ValueError(
            f"No line of {names[0]}{' or the other files' if names[1:] else ''}{begin} is a "
            "reading. Check the recipe."
        )
    fixes = fixes_of(_positions(gathered))
    lots = gathered.lots
    row = np.concatenate([lot.row for lot in lots])
    lengths = [len(lot.row) for lot in lots]
    n = len(row)
    line = _joined([lot.line for lot in lots])
    kept: dict[str, npt.NDArray[np.object_] | FloatArray] = {}
    mark = _joined([lot.mark for lot in lots])
    if mark is not None:
        kept["mark"] = mark
    unreadable: dict[str, int] = {}
    for lot in lots:
        for name, count in lot.unreadable.items():
            unreadable[name] = unreadable.get(name, 0) + count
    table = Table(
        channels=tuple(channel.name for channel in recipe.channels),
        units=tuple(channel.unit for channel in recipe.channels),
        values=np.concatenate([lot.values for lot in lots]),
        grid=np.zeros(n, np.int64),
        grid_names=("",),
        line=None if line is None else np.where(np.isnan(line), NO_LINE, line).astype(np.int64),
        sequence=None, along=None, x=None, y=None, time=None, quality=None,
        kept=kept,
        file=np.repeat([number for number, _ in gathered.files], lengths),
        file_names=tuple(names),
        row=row,
        unreadable=unreadable,
    )  # fmt: skip
    return Stream(
        table=table,
        place=row + np.repeat([before for _, before in gathered.files], lengths),
        clock=_joined([lot.clock for lot in lots]),
        leap=_joined([lot.leap for lot in lots]),
        day=gathered.clock.day if gathered.clock.dated else None,
        fixes=fixes,
        together=together,
        counts=gathered.counts,
        first=gathered.first,
    )


def _joined(parts: list[Any]) -> Any:
    """Arrays one behind the other, or None where there are none."""
    return None if parts[0] is None else np.concatenate(parts)


def _positions(gathered: _Gathered) -> Sentences:
    """Every sentence with a position.

    Raises
    ------
    ValueError
        If there is none, saying why.
    """
    counts = gathered.counts
    if counts["position sentences"]:
        return Sentences.together(gathered.said)
    if counts["broken sentences"]:
        why = (
            f"{plural(counts['broken sentences'], 'sentence')} cut short, garbled, without a "
            f"checksum or with a wrong one, the first in {gathered.first['broken sentences']}. "
            "If they have no checksum, say that such sentences are taken"
        )
    elif counts["sentences without a position"]:
        why = "the receiver had no fix. Choose another file"
    elif counts["other sentences"]:
        why = (
            f"{plural(counts['other sentences'], 'sentence')} but no GGA or RMC. Have the receiver "
            "send these"
        )
    else:
        why = "no sentence at all. Choose the file with the positions"
    raise ValueError(f"No position was found: {why}.")
