"""Instrument lines by a recipe: values, times, traverses and marks, many lines at once."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ...readings import BoolArray, FloatArray, IntArray
from ...words import plural
from ..clock import TIME_ADVICE, Clock
from ..text.bytelines import Lines, clock_times, numbers, part_lines, trimmed
from ..text.delimited import is_number
from .recipe import Recipe

Pieces = tuple[IntArray, IntArray]
"""Where in the data something begins and ends, row by row."""

_BLANK = np.uint8(32)
_PARTING = np.frombuffer(b",;|/()[]<>", np.uint8)
"""What parts a logger's stamp from the sentence behind it, besides blanks."""

CHOICE = " Correct the file or the recipe, or take unreadable values as NULL."


class Refused(ValueError):
    """A line or value that cannot be read; `sentence` says so with the file's name."""

    def __init__(self, row: int, problem: str):
        super().__init__(f"Row {row}{problem}")
        self.row, self.problem = row, problem

    def sentence(self, file: str) -> str:
        """The whole sentence."""
        return f"Row {self.row} of {file}{self.problem}"


@dataclass(frozen=True, eq=False)
class Instrument:
    """Readings of some lines, ``(n,)`` each.

    Parameters
    ----------
    row
        Number of the line in its file.
    values
        Channels in the recipe's order, ``(n, c)``, NaN for no reading.
    clock, leap
        Seconds that the clock showed, and whether in a leap second; None without a clock.
    line
        Traverse number, NaN for none; None where the recipe names none.
    mark
        Text, None for none; None where the recipe names none.
    unreadable
        Number of values taken as no reading because they could not be read, by name.
    """

    row: IntArray
    values: FloatArray
    clock: FloatArray | None
    leap: BoolArray | None
    line: FloatArray | None
    mark: npt.NDArray[np.object_] | None
    unreadable: dict[str, int]


def take_lines(
    lines: Lines, rows: IntArray, recipe: Recipe, clock: Clock, bad_values: str = "refuse"
) -> tuple[Instrument, IntArray]:
    """Readings in these rows, and the numbers of lines that are none.

    Raises
    ------
    Refused
        At the first line or value that cannot be read, if `bad_values` is ``"refuse"``.

    Examples
    --------
    >>> from .recipe import parse_recipe
    >>> recipe = parse_recipe("parted by: comma; time: 1; channels: 2 = ec [mS/m]")
    >>> data = np.frombuffer(b"09:00:01.5,21.5", np.uint8)
    >>> lines = Lines(data, np.array([0]), np.array([15]), 1)
    >>> lot, left = take_lines(lines, np.array([0]), recipe, Clock())
    >>> lot.values.tolist(), lot.clock.tolist(), left.tolist()
    ([[21.5]], [32401.5], [])
    """
    pieces, sound = _pieces(lines, rows, recipe)
    reader = _Reader(lines, rows[sound], recipe, bad_values == "refuse")
    left = rows[~sound]
    if len(left):
        reader.refused.append((int(left[0]), _no_reading(lines, int(left[0]), recipe)))
    pieces = {word: (start[sound], end[sound]) for word, (start, end) in pieces.items()}
    values = np.empty((len(reader.rows), len(recipe.channels)))
    for k, channel in enumerate(recipe.channels):
        values[:, k] = reader.numbers(channel.name, pieces[f"channel {channel.name}"])
    line = reader.numbers("line", pieces["line"], whole=True) if recipe.line else None
    times, leap = reader.times(pieces["time"], clock) if recipe.time else (None, None)
    if reader.refused and reader.strict:
        row, problem = min(reader.refused)
        raise Refused(lines.first + row, problem)
    mark = reader.words(pieces["mark"]) if recipe.mark else None
    found = Instrument(
        lines.first + reader.rows, values, times, leap, line, mark, reader.unreadable
    )
    return found, lines.first + left


def stamps(
    lines: Lines, rows: IntArray, sentence: IntArray, recipe: Recipe, clock: Clock
) -> FloatArray:
    """Times of the logger's clock that stand before sentences, NaN for none, ``(n,)``.

    Parameters
    ----------
    rows, sentence
        The lines, and where the sentence in each begins, ``(n,)``.

    Examples
    --------
    >>> from .recipe import parse_recipe
    >>> recipe = parse_recipe("parted by: comma; time: 1; channels: 2 = ec; stamp: 1")
    >>> data = np.frombuffer(b"[09:00:01.5],$GPZDA", np.uint8)
    >>> lines = Lines(data, np.array([0]), np.array([19]), 1)
    >>> stamps(lines, np.array([0]), np.array([13]), recipe, Clock()).tolist()
    [32401.5]
    """
    # Whatever parts the instrument's lines, before a sentence any of these does.
    parting = _PARTING[ord(recipe.decimal) != _PARTING]
    data = np.where(np.isin(lines.data, parting), _BLANK, lines.data)
    plain = Lines(data, lines.start, lines.end, lines.first)
    parts = part_lines(plain, lines.start[rows], sentence, None)
    has = np.flatnonzero(parts.count >= recipe.stamp)
    found = np.full(len(rows), np.nan)
    reader = _Reader(lines, rows[has], recipe, strict=False)
    found[has] = reader.times(parts.part(recipe.stamp - 1, has), clock)[0]
    return found


# -- where in the lines things stand ---------------------------------------------------------


def _pieces(lines: Lines, rows: IntArray, recipe: Recipe) -> tuple[dict[str, Pieces], BoolArray]:
    """Where everything asked for stands in each row, and which rows are readings at all."""
    start, end = lines.start[rows], lines.end[rows]
    places = recipe.places
    if recipe.pattern is not None:
        return _by_pattern(lines, start, end, recipe)
    if recipe.columns:
        begin = start - lines.margin[rows]
        return {
            word: trimmed(
                lines.data,
                np.minimum(begin + place.first, end),
                np.minimum(begin + place.last, end),
            )
            for word, place in places.items()
        }, np.ones(len(rows), np.bool_)
    parts = part_lines(lines, start, end, recipe.separator)
    needed = 1 + max(place.part for place in places.values())
    sound: BoolArray = parts.count == recipe.parts if recipe.parts else parts.count >= needed
    found = {word: (start.copy(), start.copy()) for word in places}
    good = np.flatnonzero(sound)
    for word, place in places.items():
        found[word][0][good], found[word][1][good] = parts.part(place.part, good)
    return found, sound


def _by_pattern(
    lines: Lines, start: IntArray, end: IntArray, recipe: Recipe
) -> tuple[dict[str, Pieces], BoolArray]:
    assert recipe.pattern is not None
    text, match = lines.data.tobytes(), recipe.pattern.fullmatch
    places = recipe.places
    groups = [place.group for place in places.values()]
    found = np.zeros((len(start), len(groups), 2), np.int64)
    sound = np.zeros(len(start), np.bool_)
    for row, (first, last) in enumerate(zip(start.tolist(), end.tolist())):
        matched = match(text[first:last])
        if matched is not None:
            sound[row] = True
            found[row] = [matched.span(group) for group in groups]
    # A part that is not there has the span (-1, -1).
    spans = np.maximum(found, 0) + start[:, np.newaxis, np.newaxis]
    pieces = {
        word: trimmed(lines.data, spans[:, k, 0], spans[:, k, 1]) for k, word in enumerate(places)
    }
    return pieces, sound


def _no_reading(lines: Lines, row: int, recipe: Recipe) -> str:
    """What is wrong with a line that is no reading, to follow its place."""
    start, end = int(lines.start[row]), int(lines.end[row])
    shown = f"('{lines.text(start, end)[:40]}')"
    if recipe.pattern is not None:
        return f" is not what the recipe's pattern takes {shown}.{CHOICE}"
    parts = part_lines(lines, lines.start[[row]], lines.end[[row]], recipe.separator)
    count = int(parts.count[0])
    needed = 1 + max(place.part for place in recipe.places.values())
    wanted = f"{recipe.parts}" if recipe.parts else f"at least {needed}"
    return f" has {plural(count, 'part')} where the recipe asks for {wanted} {shown}.{CHOICE}"


# -- what stands there -----------------------------------------------------------------------


@dataclass
class _Reader:
    """Reads pieces of some rows, and remembers what cannot be read."""

    lines: Lines
    rows: IntArray
    recipe: Recipe
    strict: bool
    refused: list[tuple[int, str]] = field(default_factory=list)
    unreadable: dict[str, int] = field(default_factory=dict)

    def numbers(self, name: str, pieces: Pieces, whole: bool = False) -> FloatArray:
        """Numbers, NaN where there is no reading or none that can be read."""
        values, none = numbers(self.lines, *pieces, self.recipe.decimal)
        for code in self.recipe.codes:
            values[values == code] = np.nan
        if whole:
            broken = np.flatnonzero(values != np.floor(values))
            none = np.union1d(none, broken[np.isfinite(values[broken])])
            values[none] = np.nan
        bad = [place for place in none.tolist() if not self.null(self.word(pieces, place))]
        if bad:
            word = self.word(pieces, bad[0])
            other = "," if self.recipe.decimal == "." else "."
            sign = "comma" if other == "," else "point"
            named = "a traverse number" if whole else "a number"
            advice = f", which is not {named}.{CHOICE}"
            if is_number(word) and other in word:
                advice = f". Write 'decimal: {sign}' in the recipe or correct the file."
            self.note(name, pieces, bad, advice)
        return values

    def times(self, pieces: Pieces, clock: Clock) -> tuple[FloatArray, BoolArray]:
        """What the clock showed, and whether it was in a leap second."""
        times, leap = clock_times(self.lines, *pieces)
        left = np.flatnonzero(np.isnan(times)).tolist()
        words = [self.word(pieces, place) for place in left]
        if clock.dated is not True and all(map(self.null, words)):
            if len(left) < len(times):
                clock.dated = False
            return times, leap
        words = [self.word(pieces, place) for place in range(len(times))]
        words = ["" if self.null(word) else word.replace(",", ".") for word in words]
        times, bad = clock.scan(words)
        if self.recipe.time_unit != 1.0:
            plain = [place for place, word in enumerate(words) if ":" not in word]
            times[plain] *= self.recipe.time_unit
        if len(bad):
            advice = f", which is not a time like those before it. {TIME_ADVICE}"
            self.note("time", pieces, bad.tolist(), advice)
        return times, leap & np.isfinite(times) & (clock.dated is False)

    def words(self, pieces: Pieces) -> npt.NDArray[np.object_]:
        """Text, None where it stands for nothing."""
        found = np.full(len(self.rows), None, object)
        known: dict[str, str] = {}
        for place in np.flatnonzero(pieces[1] > pieces[0]).tolist():
            word = self.word(pieces, place)
            found[place] = None if self.null(word) else known.setdefault(word, word)
        return found

    def word(self, pieces: Pieces, place: int) -> str:
        return self.lines.text(int(pieces[0][place]), int(pieces[1][place])).strip()

    def null(self, word: str) -> bool:
        return word.casefold() in self.recipe.no_reading

    def note(self, name: str, pieces: Pieces, bad: list[int], advice: str) -> None:
        """Remember what cannot be read: how often, and the first."""
        word = self.word(pieces, bad[0])[:40]
        self.refused.append((int(self.rows[bad[0]]), f": '{name}' is '{word}'{advice}"))
        self.unreadable[name] = len(bad)
