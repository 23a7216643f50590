"""Read a logger's stream: instrument lines by a recipe, and sentences, every line accounted for."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from ...options import check_words
from ...progress import Progress, keep_going, portion
from ...readings import NO_LINE, BoolArray, FloatArray, IntArray
from ...words import plural
from ..clock import Clock
from ..table import Table, whole_numbers
from ..text.bytelines import Lines, chunks
from .fixes import Fixes, fixes_of
from .instrument import Instrument, Refused, stamps, take_lines
from .nmea import (
    BROKEN,
    NO_POSITION,
    OTHER,
    POSITION,
    Sentences,
    parse_sentences,
    sentence_starts,
    talker_name,
)
from .recipe import Recipe

BAD_LINES = ("refuse", "null")
KINDS = {
    "readings": "reading",
    "position sentences": "position sentence",
    "sentences without a position": "sentence without a position",
    "other sentences": "other sentence",
    "broken sentences": "broken sentence",
    "lines passed over": "line passed over",
    "unreadable lines": "unreadable line",
}
"""What lines can be, and one line; together they are all lines."""


@dataclass(frozen=True)
class StreamFormat:
    """How strictly a stream is read.

    Parameters
    ----------
    without_checksum
        Whether sentences that have no checksum are taken.
    talker
        The talker whose sentences are used, two letters or digits; empty for any.
    bad_values
        What becomes of values and lines that cannot be read: ``"refuse"`` the file, or take values
        as ``"null"`` and leave lines out. Broken sentences are left out either way.

    Raises
    ------
    ValueError
        If a word is unknown.
    """

    without_checksum: bool = False
    talker: str = ""
    bad_values: str = "refuse"

    def __post_init__(self) -> None:
        check_words(("Treatment of unreadable values", self.bad_values, BAD_LINES))
        plain = self.talker.isascii() and self.talker.isalnum() and self.talker.isupper()
        if self.talker and not (plain and len(self.talker) == 2):
            raise ValueError(
                f"The talker is '{self.talker}'. Give the two capitals behind the $, such as GN, "
                "or nothing."
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
    talkers
        How many sentences with a position each talker told.
    starts
        Name of each file, those of positions too, and how many lines were before it.
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
    talkers: dict[str, int]
    starts: tuple[tuple[str, int], ...]

    def where(self, place: int) -> str:
        """A line by its running number, in words: its row and file."""
        name, before = [start for start in self.starts if start[1] < place][-1]
        return f"row {place - before:,} of {name}"


@dataclass(frozen=True)
class _Source:
    """A file: its name and number, the lines before it, and what is taken from it."""

    name: str
    number: int
    before: int
    readings: bool
    positions: bool


@dataclass
class _Gathered:
    """A stream as it grows."""

    recipe: Recipe
    form: StreamFormat
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(KINDS, 0))
    first: dict[str, str] = field(default_factory=dict)
    lots: list[Instrument] = field(default_factory=list)
    sources: list[_Source] = field(default_factory=list)
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
    gathered = _Gathered(recipe, form)
    paths = [Path(path) for path in (*files, *positions)]
    sizes = np.array([path.stat().st_size if path.is_file() else 0 for path in paths], np.float64)
    shares = np.concatenate([[0.0], np.cumsum(sizes)]) / max(sizes.sum(), 1.0)
    before, starts = 0, []
    for number, path in enumerate(paths):
        readings = number < len(files)
        source = _Source(path.name, number, before, readings, readings == (not positions))
        starts.append((path.name, before))
        for lines in chunks(path, portion(progress, shares[number], shares[number + 1])):
            instrument, sentences = _sorted_out(gathered, lines, source)
            if len(instrument):
                _take_readings(gathered, lines, instrument, source)
            if len(sentences):
                _take_sentences(gathered, lines, sentences, source)
            before = source.before + lines.first + len(lines.start) - 1
    return _assembled(gathered, starts, len(files), not positions)


# -- line by line ----------------------------------------------------------------------------


def _sorted_out(gathered: _Gathered, lines: Lines, source: _Source) -> tuple[IntArray, IntArray]:
    """Rows of instrument lines and of sentences; the others are accounted for."""
    recipe = gathered.recipe
    begins = recipe.begins.strip() if source.readings else ""
    blank: BoolArray = lines.start >= lines.end
    starting: BoolArray = np.zeros(len(blank), np.bool_)
    if begins:
        parted = recipe.pattern is None and not recipe.columns
        starting = lines.begin_with(recipe.begins.lstrip(), word=parted)
    start, sentence = sentence_starts(lines)
    # What begins with a dollar may be an instrument line; what has one further on is not.
    sentence &= ~(starting & (start == lines.start))
    passed = blank.copy()
    for prefix in recipe.pass_over:
        passed |= ~starting & lines.begin_with(prefix) & ~(sentence & (start == lines.start))
    sentence &= ~passed
    left = ~passed & ~sentence
    instrument = left & starting if begins or not source.readings else left
    # Where instrument lines are known by their beginning, a dollar in any other is of a sentence.
    sentence |= left & ~instrument & (start < lines.end)
    gathered.count("lines passed over", source.name, lines.first + np.flatnonzero(passed))
    _refuse_unknown(gathered, lines, np.flatnonzero(left & ~instrument & ~sentence), source)
    return np.flatnonzero(instrument), np.flatnonzero(sentence)


def _refuse_unknown(gathered: _Gathered, lines: Lines, unknown: IntArray, source: _Source) -> None:
    """Refuse the first line of no kind, or account for all."""
    if len(unknown) and gathered.form.bad_values == "refuse":
        row = int(unknown[0])
        text = lines.text(int(lines.start[row]), int(lines.end[row]))[:40]
        awaited = "and nothing else belongs here"
        if source.readings:
            awaited = f"nor begins with '{gathered.recipe.begins}'"
        raise ValueError(
            f"Row {lines.first + row} of {source.name} is no sentence {awaited}: '{text}'. Correct "
            "the file, name its beginning under 'pass over' in the recipe, or take unreadable "
            "values as NULL."
        )
    gathered.count("unreadable lines", source.name, lines.first + unknown)


def _take_readings(gathered: _Gathered, lines: Lines, rows: IntArray, source: _Source) -> None:
    try:
        lot, left = take_lines(
            lines, rows, gathered.recipe, gathered.clock, gathered.form.bad_values
        )
    except Refused as wrong:
        raise ValueError(wrong.sentence(source.name)) from None
    gathered.count("readings", source.name, lot.row)
    gathered.count("unreadable lines", source.name, left)
    gathered.lots.append(lot)
    gathered.sources.append(source)


def _take_sentences(gathered: _Gathered, lines: Lines, rows: IntArray, source: _Source) -> None:
    if not source.positions:
        gathered.count("other sentences", source.name, lines.first + rows)
        return
    form = gathered.form
    said = parse_sentences(lines, rows, form.without_checksum, form.talker)
    for kind, word in (
        (POSITION, "position sentences"),
        (NO_POSITION, "sentences without a position"),
        (BROKEN, "broken sentences"),
        (OTHER, "other sentences"),
    ):
        gathered.count(word, source.name, said.place[said.kind == kind])
    if gathered.recipe.stamp:
        start = sentence_starts(lines)[0][rows]
        said.stamp[:] = stamps(lines, rows, start, gathered.recipe, gathered.clock)
    said.place[:] += source.before
    # A GGA without a fix outdoes an RMC that has one.
    denies = said.full & (said.kind == NO_POSITION) & (said.quality == 0) & np.isfinite(said.clock)
    gathered.said.append(said.take((said.kind == POSITION) | denies))


# -- all together ----------------------------------------------------------------------------


def _assembled(
    gathered: _Gathered, starts: list[tuple[str, int]], files: int, together: bool
) -> Stream:
    recipe, lots = gathered.recipe, gathered.lots
    names = [name for name, _ in starts[:files]]
    if not gathered.counts["readings"]:
        begin = f" that begins with '{recipe.begins}'" if recipe.begins else ""
        raise ValueError(
            f"No line of {names[0]}{' or the other files' if names[1:] else ''}{begin} is a "
            "reading. Check the recipe."
        )
    said = _positions(gathered)
    fixes = fixes_of(said)
    if not len(fixes):
        raise ValueError("No position was found: the receiver had no fix. Choose another file.")
    if recipe.stamp and not np.isfinite(fixes.stamp).any():
        raise ValueError(
            f"No sentence has a time in part {recipe.stamp} of what stands before it. Correct "
            "'stamp' in the recipe, or leave it out."
        )
    row: IntArray = np.concatenate([lot.row for lot in lots])
    place: IntArray = row
    file: IntArray = np.zeros(len(row), np.int64)
    if files > 1:
        lengths = [len(lot.row) for lot in lots]
        place = row + np.repeat([source.before for source in gathered.sources], lengths)
        file = np.repeat([source.number for source in gathered.sources], lengths)
    line, mark = (_joined([getattr(lot, word) for lot in lots]) for word in ("line", "mark"))
    unreadable: dict[str, int] = {}
    for lot in lots:
        for name, count in lot.unreadable.items():
            unreadable[name] = unreadable.get(name, 0) + count
    table = Table(
        channels=tuple(channel.name for channel in recipe.channels),
        units=tuple(channel.unit for channel in recipe.channels),
        values=np.concatenate([lot.values for lot in lots]),
        grid=np.zeros(len(row), np.int64),
        grid_names=("",),
        line=None if line is None else whole_numbers(line, NO_LINE),
        sequence=None, along=None, x=None, y=None, time=None, quality=None,
        kept={} if mark is None else {"mark": mark},
        file=file,
        file_names=tuple(names),
        row=row,
        unreadable=unreadable,
    )  # fmt: skip
    codes, told = np.unique(said.talker[said.quality > 0], return_counts=True)
    return Stream(
        table=table,
        place=place,
        clock=_joined([lot.clock for lot in lots]),
        leap=_joined([lot.leap for lot in lots]),
        day=gathered.clock.day if gathered.clock.dated else None,
        fixes=fixes,
        together=together,
        counts=gathered.counts,
        first=gathered.first,
        talkers={talker_name(code): count for code, count in zip(codes.tolist(), told.tolist())},
        starts=tuple(starts),
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
    counts, talker = gathered.counts, gathered.form.talker
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
            f"{plural(counts['other sentences'], 'sentence')} but no GGA or RMC"
            f"{' of talker ' * bool(talker)}{talker}. Have the receiver send these"
        )
    else:
        why = "no sentence at all. Choose the file with the positions"
    raise ValueError(f"No position was found: {why}.")
