"""The reading recipe: how a logger writes its instrument lines, in a few words."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from ..text.columns import split_title
from ..text.delimited import NULL_VALUES, is_number
from ..text.strict_json import Keys, read_json

SEPARATORS = {"blanks": None, "comma": ",", "semicolon": ";", "tab": "\t"}
WORDS = (
    "begins", "parted by", "pattern", "parts", "time", "line", "mark", "channels", "no reading",
    "decimal", "pass over", "time in", "stamp",
)  # fmt: skip
"""The words of a recipe."""
TIME_UNITS = {"seconds": 1.0, "milliseconds": 0.001}
COUNTS = {
    "parts": "write how many parts a line must have, where a separator parts it",
    "stamp": "write which part of what stands before a sentence is the time, counted from 1, where "
    "instrument lines have a 'time' too",
}
"""What to write for words that are counts."""

_WIDE = re.compile(r"(\d{1,5})\s*-\s*(\d{1,5})", re.ASCII)
_CHANNEL = re.compile(r"^(?:(?P<place>[^=\[\]()]+?)\s*=)?\s*(?P<title>.+)$")


@dataclass(frozen=True)
class Place:
    """Where in a line something stands.

    Parameters
    ----------
    asked
        As the recipe says it, for messages.
    part
        Number of the part, from 0.
    first, last
        First column, from 0, and the one behind the last.
    group
        Name of a part of the pattern.
    """

    asked: str
    part: int = -1
    first: int = -1
    last: int = -1
    group: str = ""


@dataclass(frozen=True)
class Channel:
    """A channel and where it stands."""

    name: str
    unit: str
    place: Place


@dataclass(frozen=True)
class Recipe:
    """How instrument lines are written.

    Parameters
    ----------
    channels
        What was measured, at least one.
    begins
        How instrument lines begin; empty: every line that is no sentence is one.
    separator
        What parts them: one character, None for runs of blanks; not used with columns or a
        pattern.
    columns
        Whether everything stands in fixed columns.
    pattern
        A regular expression that takes the whole line, or None.
    parts
        How many parts a line must have; 0: at least those asked for.
    time, line, mark
        Where the instrument's time, the traverse number and the mark stand, or None.
    no_reading
        Words that mean "no reading", in lower case, the empty one among them.
    decimal
        The decimal sign.
    pass_over
        How lines begin that are passed over, as blank ones are.
    time_unit
        Seconds of one unit that a time without colons is written in.
    stamp
        Number of the part, from 1, of what stands before a sentence that is the time of the same
        clock as `time`; 0 for none.
    text
        All that was given, as JSON.
    """

    channels: tuple[Channel, ...]
    begins: str = ""
    separator: str | None = None
    columns: bool = False
    pattern: re.Pattern[bytes] | None = None
    parts: int = 0
    time: Place | None = None
    line: Place | None = None
    mark: Place | None = None
    no_reading: frozenset[str] = field(default_factory=lambda: _nulls(()))
    decimal: str = "."
    pass_over: tuple[str, ...] = ("#",)
    time_unit: float = 1.0
    stamp: int = 0
    text: str = field(default="", compare=False)

    @property
    def places(self) -> dict[str, Place]:
        """Every place asked for: channels by ``channel NAME``, the rest by their words."""
        found = {f"channel {channel.name}": channel.place for channel in self.channels}
        for word in ("time", "line", "mark"):
            place: Place | None = getattr(self, word)
            if place is not None:
                found[word] = place
        return found

    @property
    def codes(self) -> tuple[float, ...]:
        """Numbers that mean "no reading"."""
        return tuple(float(word) for word in self.no_reading if is_number(word) and "," not in word)


def read_recipe(path: Path) -> Recipe:
    """A recipe from a file, JSON or the short form.

    Raises
    ------
    ValueError
        At the first mistake in it.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise ValueError(f"There is no file '{path}'. Check the name and folder.") from None
    except (OSError, UnicodeDecodeError):
        raise ValueError(f"{path.name} is no text in UTF-8. Choose a recipe.") from None
    return parse_recipe(text, path.name)


def parse_recipe(text: str, name: str = "The recipe") -> Recipe:
    """A recipe from text: JSON, or ``word: value`` parted by semicolons or line ends.

    Raises
    ------
    ValueError
        At the first mistake: one sentence that says what is wrong and what to write.

    Examples
    --------
    >>> recipe = parse_recipe("begins: M; parted by: blanks; time: 2; channels: 3 = ec [mS/m]")
    >>> recipe.begins, recipe.time.part, recipe.channels[0].name, recipe.channels[0].unit
    ('M', 1, 'ec', 'mS/m')
    """
    if not text.strip():
        raise ValueError(f"{name} is empty. Say how instrument lines are written.")
    given = _json(text, name) if text.lstrip().startswith("{") else _short(text, name)
    return _Reader(name, given).recipe()


# -- two ways of writing one thing -----------------------------------------------------------


def _json(text: str, name: str) -> Mapping[str, object]:
    found = read_json(text, name)
    assert isinstance(found, Keys)  # it begins with a brace
    if found.twice:
        raise ValueError(f"{name} says '{found.twice}' twice. Say it once.")
    return found


def _short(text: str, name: str) -> dict[str, object]:
    found: dict[str, object] = {}
    for item in re.split(r"[;\n]", text):
        if not item.strip():
            continue
        word, colon, value = item.partition(":")
        word = word.strip()
        if not colon:
            raise ValueError(
                f"{name} says '{item.strip()}' without a colon. Write 'word: value', parted by "
                "semicolons; a value that holds one goes in a recipe of JSON."
            )
        if word in found:
            raise ValueError(f"{name} says '{word}' twice. Say it once.")
        found[word] = value.strip()
    return found


# -- what it says ----------------------------------------------------------------------------


@dataclass(frozen=True)
class _Reader:
    """Checks what a recipe says, word by word."""

    name: str
    given: Mapping[str, object]

    def recipe(self) -> Recipe:
        for word in self.given:
            if word not in WORDS:
                raise ValueError(
                    f"{self.name} says '{word}', which is no word of a recipe. The words are: "
                    f"{', '.join(WORDS)}."
                )
        pattern = self.pattern()
        asked = self.text("parted by")
        if (pattern is None) == (asked == ""):
            raise ValueError(
                f"{self.name} must say one of the two: 'parted by' (blanks, comma, semicolon, tab, "
                "columns or one character) or 'pattern'."
            )
        columns = asked == "columns"
        separator = None if pattern is not None or columns else self.separator(asked)

        def place(word: str, text: str) -> Place:
            if pattern is not None:
                return self.group(word, text, pattern)
            return self.columns(word, text) if columns else self.part(word, text)

        def single(word: str) -> Place | None:
            return place(word, self.text(word)) if self.text(word) else None

        decimal = self.text("decimal") or "point"
        if decimal not in ("point", "comma"):
            raise ValueError(f"{self.name}: 'decimal' is '{decimal}'; write point or comma.")
        if decimal == "comma" and separator == ",":
            raise ValueError(
                f"{self.name}: the comma cannot both part the line and be the decimal sign."
            )
        recipe = Recipe(
            channels=self.channels(place, pattern is not None),
            begins=self.text("begins", stripped=False),
            separator=separator,
            columns=columns,
            pattern=pattern,
            parts=self.count("parts", pattern is None and not columns),
            time=single("time"),
            line=single("line"),
            mark=single("mark"),
            no_reading=_nulls(self.words("no reading")),
            decimal="," if decimal == "comma" else ".",
            pass_over=tuple(self.words("pass over")) or ("#",),
            time_unit=self.time_unit(),
            stamp=self.count("stamp", bool(self.text("time"))),
            text=json.dumps(self.given, ensure_ascii=False),
        )
        needed = 1 + max(where.part for where in recipe.places.values())
        if recipe.parts and recipe.parts < needed:
            raise ValueError(
                f"{self.name}: lines of {recipe.parts} 'parts' have no part {needed}, which is "
                "asked for."
            )
        return recipe

    def text(self, word: str, stripped: bool = True) -> str:
        """A value that is one text, or a number."""
        value = self.given.get(word, "")
        if not isinstance(value, str):
            raise ValueError(f"{self.name}: '{word}' must be one text.")
        return value.strip() if stripped else value

    def words(self, word: str) -> list[str]:
        """A value that is a list of texts, or one text with blanks between."""
        value = self.given.get(word, "")
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return [item for item in value if item]
        return self.text(word).split()

    def separator(self, asked: str) -> str | None:
        if asked in SEPARATORS:
            return SEPARATORS[asked]
        if len(asked) == 1 and asked.isascii() and not asked.isalnum() and asked not in ".+-$!*":
            return asked
        raise ValueError(
            f"{self.name}: 'parted by' is '{asked}'; write blanks, comma, semicolon, tab, columns "
            "or one character that is neither letter, digit, sign nor point."
        )

    def pattern(self) -> re.Pattern[bytes] | None:
        text = self.text("pattern", stripped=False)
        if not text.strip():
            return None
        try:
            return re.compile(text.encode("utf-8"))
        except (re.error, RecursionError, OverflowError) as wrong:
            raise ValueError(
                f"{self.name}: 'pattern' is no regular expression: {wrong}. Correct it."
            ) from None

    def group(self, word: str, text: str, pattern: re.Pattern[bytes]) -> Place:
        if text not in pattern.groupindex:
            named = ", ".join(pattern.groupindex) or "none: write (?P<name>...)"
            raise ValueError(
                f"{self.name}: '{word}' is '{text}', which the pattern does not name. Its named "
                f"parts are {named}."
            )
        return Place(text, group=text)

    def columns(self, word: str, text: str) -> Place:
        found = _WIDE.fullmatch(text)
        if not found or not 1 <= int(found[1]) <= int(found[2]) <= 10_000:
            raise ValueError(
                f"{self.name}: '{word}' is '{text}'; write the first and last column of the line, "
                "counted from 1, as in '3-10'."
            )
        return Place(text, first=int(found[1]) - 1, last=int(found[2]))

    def part(self, word: str, text: str) -> Place:
        if not (text.isascii() and text.isdigit() and 1 <= int(text[:6]) <= 10_000):
            raise ValueError(
                f"{self.name}: '{word}' is '{text}'; write the number of the part of the line, "
                "counted from 1."
            )
        return Place(text, part=int(text) - 1)

    def count(self, word: str, allowed: bool) -> int:
        text = self.text(word)
        if not text:
            return 0
        if not allowed or not (text.isascii() and text.isdigit() and 1 <= int(text[:6]) <= 10_000):
            raise ValueError(f"{self.name}: '{word}' is '{text}'; {COUNTS[word]}.")
        return int(text)

    def time_unit(self) -> float:
        unit = self.text("time in") or "seconds"
        if unit not in TIME_UNITS:
            raise ValueError(
                f"{self.name}: 'time in' is '{unit}'; write {' or '.join(TIME_UNITS)}."
            )
        return TIME_UNITS[unit]

    def channels(self, place: Callable[[str, str], Place], by_name: bool) -> tuple[Channel, ...]:
        value = self.given.get("channels", "")
        items = value if isinstance(value, list) else self.text("channels").split(",")
        if not all(isinstance(item, str) for item in items):
            raise ValueError(f"{self.name}: 'channels' must be texts such as '3 = ec_050 [mS/m]'.")
        found: list[Channel] = []
        for item in filter(None, map(str.strip, items)):
            match = _CHANNEL.match(item)
            name, unit = split_title(match["title"]) if match else ("", "")
            where = (match["place"] or "").strip() if match else ""
            if not where and by_name:
                where = name
            if not name or not where:
                raise ValueError(
                    f"{self.name}: '{item}' is no channel. Write where it stands, its name and its "
                    "unit, as in '3 = ec_050 [mS/m]'."
                )
            if any(channel.name == name for channel in found):
                raise ValueError(f"{self.name} names channel '{name}' twice. Name each once.")
            found.append(Channel(name, unit, place("channels", where)))
        if not found:
            raise ValueError(
                f"{self.name} names no channel. Add 'channels', as in '3 = ec_050 [mS/m]'."
            )
        return tuple(found)


def _nulls(words: Sequence[str]) -> frozenset[str]:
    return frozenset(word.casefold() for word in (*NULL_VALUES, *words)) | {""}
