"""An instrument's description as text: a JSON form of our own, read strictly.

What all coil pairs share stands once, above the pairs; a pair may say otherwise::

    {
      "name": "two spacings",
      "orientation": "vertical",
      "frequency_hz": 10000,
      "height_m": 0.05,
      "pairs": [
        {"spacing_m": 0.5, "quadrature_field": "ec_050", "in_phase_field": "ip_050"},
        {"spacing_m": 1, "quadrature_field": "ec_100", "in_phase_field": "ip_100"}
      ]
    }
"""

from __future__ import annotations

import json
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from unicodedata import category

from ..intake.text.strict_json import Keys, Written, read_json
from .instrument import (
    CONDUCTIVITY,
    FREQUENCIES,
    HEIGHTS,
    SCALES,
    SPACINGS,
    CoilPair,
    Instrument,
    told_in,
)

ORIENTATION_WORDS = {
    "vertical": "vertical",
    "horizontal": "horizontal",
    "perpendicular": "perpendicular",
    "horizontal coplanar": "vertical",
    "vertical coplanar": "horizontal",
}
"""Words for an orientation: of the dipoles, or of the coils with "coplanar" behind."""

ORIENTATION_ADVICE = (
    "write how the dipoles stand: vertical (coils flat, horizontal coplanar), horizontal (coils "
    "upright, vertical coplanar) or perpendicular"
)

SHARED_KEYS = ("orientation", "frequency_hz", "height_m")
"""Keys that stand above the pairs, in a pair, or both: then the pair's counts."""

TOP_KEYS = ("name", "quadrature_unit", "in_phase_unit", *SHARED_KEYS, "pairs")
PAIR_KEYS = ("name", "spacing_m", *SHARED_KEYS, "quadrature_field", "in_phase_field")

UNITS: Mapping[str, tuple[str, ...]] = {
    "quadrature_unit": (CONDUCTIVITY, *SCALES),
    "in_phase_unit": tuple(SCALES),
}

_RANGES = {
    "spacing_m": (SPACINGS, "metres", 0.01, "cm"),
    "frequency_hz": (FREQUENCIES, "hertz", 1e3, "kHz"),
    "height_m": (HEIGHTS, "metres", 0.01, "cm"),
}
"""Range and unit of each number, and the unit it may have been told in by mistake."""

_SHOWN = 40
"""Characters of a value that a message shows."""


def parse_instrument(text: str, name: str = "The description") -> Instrument:
    """An instrument from its description.

    Parameters
    ----------
    text
        JSON; see the head of this module.
    name
        What it is called in messages, such as the file's name.

    Raises
    ------
    ValueError
        At the first mistake: one sentence with the name, the pair's number, the key, what stands
        there and what to write.

    Examples
    --------
    >>> found = parse_instrument(
    ...     '{"orientation": "vertical", "frequency_hz": 10000, "height_m": 0,'
    ...     ' "pairs": [{"spacing_m": 1, "quadrature_field": "ec_100"}]}'
    ... )
    >>> found.pairs[0].spacing, found.channels[0].field, found.quadrature_unit
    (1.0, 'ec_100', 'mS/m')
    >>> parse_instrument('{"pairs": [{"spacing_m": 100}]}', "coils.json")
    Traceback (most recent call last):
    ValueError: Pair 1 of coils.json: 'spacing_m' is 100; write metres, 0.05 to 40 (100 cm is 1).
    """
    text = text[1:] if text.startswith("\ufeff") else text
    if not text.strip():
        raise ValueError(f"{name} is empty. Choose an instrument description.")
    found = read_json(text, name)
    if not isinstance(found, Keys):
        raise ValueError(
            f"{name} holds {_shown(found)} and no instrument: write braces round all of it, "
            "with the coil pairs under 'pairs'."
        )
    top = _Reader(name, name, found)
    top.keys(TOP_KEYS, "an instrument description")
    listed = top.list_of_pairs()
    readers = [
        _Reader(name, f"Pair {number} of {name}", pair, found)
        for number, pair in enumerate(listed, start=1)
    ]
    for reader in readers:
        reader.keys(PAIR_KEYS, "a pair")
    pairs = tuple(reader.pair() for reader in readers)
    top.check_shared()
    _check_fields(name, pairs)
    title = top.text("name")
    return Instrument(
        pairs,
        title if title.strip() else Instrument.name,
        top.unit("quadrature_unit", Instrument.quadrature_unit),
        top.unit("in_phase_unit", Instrument.in_phase_unit),
    )


def instrument_text(instrument: Instrument) -> str:
    r"""The description of an instrument, from which `parse_instrument` makes it again.

    Examples
    --------
    >>> made = Instrument((CoilPair(0.5), CoilPair(1.0, "horizontal")), "two spacings")
    >>> parse_instrument(instrument_text(made)) == made
    True
    """
    found: dict[str, object] = {
        "name": instrument.name,
        "quadrature_unit": instrument.quadrature_unit,
        "in_phase_unit": instrument.in_phase_unit,
    }
    pairs = [_pair_keys(pair) for pair in instrument.pairs]
    for key in SHARED_KEYS:
        if all(pair[key] == pairs[0][key] for pair in pairs):
            found[key] = pairs[0][key]
            for pair in pairs:
                del pair[key]
    found["pairs"] = pairs
    return json.dumps(found, indent=2, ensure_ascii=False) + "\n"


def orientation_of(word: str) -> str | None:
    """The orientation that a word stands for, in letters of either case; None for no such word.

    Examples
    --------
    >>> orientation_of("Horizontal coplanar"), orientation_of("upright")
    ('vertical', None)
    """
    return ORIENTATION_WORDS.get(" ".join(word.casefold().replace("-", " ").split()))


def _pair_keys(pair: CoilPair) -> dict[str, object]:
    """What a description says of a pair; empty texts are left out."""
    said: dict[str, object] = {
        "name": pair.name,
        "spacing_m": _tidy(pair.spacing),
        "orientation": pair.orientation,
        "frequency_hz": _tidy(pair.frequency),
        "height_m": _tidy(pair.height),
        "quadrature_field": pair.quadrature,
        "in_phase_field": pair.in_phase,
    }
    return {key: value for key, value in said.items() if value != ""}


def _tidy(value: float) -> float | int:
    value = float(value)
    return int(value) if value.is_integer() else value


@dataclass(frozen=True)
class _Reader:
    """Checks what one object of a description says, key by key.

    Parameters
    ----------
    file
        What the description is called.
    where
        What this object is called, as the first words of a sentence.
    given
        Its keys and values.
    above
        For a pair: what stands above all pairs.
    """

    file: str
    where: str
    given: Keys
    above: Mapping[str, object] | None = None

    def keys(self, known: Collection[str], what: str) -> None:
        """Refuse a key said twice and one that is not `known`."""
        if self.given.twice:
            raise ValueError(f"{self.where} says {_shown(self.given.twice)} twice. Say it once.")
        for key in self.given:
            if key not in known:
                close = get_close_matches(key.lower()[:_SHOWN], known, 1, 0.55)
                meant = f" Is '{close[0]}' meant?" if close else ""
                raise ValueError(
                    f"{self.where} says {_shown(key)}, which is no key of {what}.{meant} The keys "
                    f"are: {', '.join(known)}."
                )

    def list_of_pairs(self) -> list[Keys]:
        """The pairs, each an object."""
        if "pairs" not in self.given:
            raise ValueError(
                f"{self.where} has no 'pairs': write a list of coil pairs, such as "
                '"pairs": [{"spacing_m": 1}].'
            )
        listed = self.given["pairs"]
        if not isinstance(listed, list):
            raise ValueError(
                f"{self.where}: 'pairs' is {_shown(listed)}; write a list of coil pairs in square "
                "brackets, each in braces."
            )
        if not listed:
            raise ValueError(f"{self.where}: 'pairs' is empty; write at least one coil pair.")
        for number, pair in enumerate(listed, start=1):
            if not isinstance(pair, Keys):
                raise ValueError(
                    f"Pair {number} of {self.where} is {_shown(pair)}; write it in braces, such as "
                    '{"spacing_m": 1}.'
                )
        return listed

    def pair(self) -> CoilPair:
        """What it says as a coil pair."""
        return CoilPair(
            spacing=self.number("spacing_m"),
            orientation=self.orientation(),
            frequency=self.number("frequency_hz"),
            height=self.number("height_m"),
            name=self.text("name"),
            quadrature=self.text("quadrature_field"),
            in_phase=self.text("in_phase_field"),
        )

    def check_shared(self) -> None:
        """Check what stands above the pairs, also where every pair says otherwise."""
        for key in SHARED_KEYS:
            if key in self.given:
                self.orientation() if key == "orientation" else self.number(key)

    def value(self, key: str) -> tuple[str, object]:
        """Who says it, and what: the pair, or what stands above the pairs."""
        if key in self.given:
            return self.where, self.given[key]
        if self.above is not None and key in SHARED_KEYS:
            if key in self.above:
                return self.file, self.above[key]
            raise ValueError(
                f"{self.where} has no '{key}', and none stands above the pairs: write it in one of "
                "the two places."
            )
        raise ValueError(f"{self.where} has no '{key}': write it.")

    def number(self, key: str) -> float:
        """A number in the range of its key."""
        where, value = self.value(key)
        (low, high), unit, factor, mistaken = _RANGES[key]
        begin = f"{where}: '{key}' is {_shown(value)}; write"
        if not isinstance(value, Written):
            quoted = " without quotation marks" if isinstance(value, str) else ""
            raise ValueError(
                f"{begin} a number of {unit} with a decimal point{quoted}, {low:g} to {high:.10g}."
            )
        number = float(value)
        if low <= number <= high:
            return number
        # As the file has it: no commas in the thousands.
        meant = told_in(number, factor, mistaken, low, high)
        raise ValueError(f"{begin} {unit}, {low:g} to {high:.10g}{meant and f' ({meant})'}.")

    def orientation(self) -> str:
        """One of `ORIENTATIONS`."""
        where, value = self.value("orientation")
        plain = isinstance(value, str) and not isinstance(value, Written)
        found = orientation_of(str(value)) if plain else None
        if found is None:
            raise ValueError(f"{where}: 'orientation' is {_shown(value)}; {ORIENTATION_ADVICE}.")
        return found

    def text(self, key: str) -> str:
        """A text of one line; empty where none is given."""
        value = self.given.get(key, "")
        if not isinstance(value, str) or isinstance(value, Written):
            raise ValueError(
                f"{self.where}: '{key}' is {_shown(value)}; write a text in quotation marks, or "
                "leave the key out."
            )
        if any(category(letter) in ("Cc", "Zl", "Zp") for letter in value):
            raise ValueError(
                f"{self.where}: '{key}' is {_shown(value)}, which holds a line end or another "
                "control character. Write it in one line."
            )
        return value

    def unit(self, key: str, usual: str) -> str:
        """One of the units of a part; the usual one where none is given."""
        value = self.given.get(key, usual)
        if not isinstance(value, str) or value not in UNITS[key]:
            words = UNITS[key]
            raise ValueError(
                f"{self.where}: '{key}' is {_shown(value)}; write {', '.join(words[:-1])} or "
                f"{words[-1]}."
            )
        return value


def _check_fields(name: str, pairs: tuple[CoilPair, ...]) -> None:
    """Refuse a field that stands for two channels."""
    said: dict[str, tuple[int, str]] = {}
    for number, pair in enumerate(pairs, start=1):
        for key, field in (
            ("quadrature_field", pair.quadrature),
            ("in_phase_field", pair.in_phase),
        ):
            if field in said:
                first, other = said[field]
                raise ValueError(
                    f"Pair {number} of {name}: '{key}' is '{field}', which is '{other}' of pair "
                    f"{first} already; write a field of its own for each."
                )
            if field:
                said[field] = (number, key)


def _shown(value: object) -> str:
    """A value as a message shows it: as written, and not too much of it."""
    if isinstance(value, (dict, list)):
        return "a group in braces" if isinstance(value, dict) else "a list"
    if isinstance(value, str):
        plain = "".join(
            "?" if category(c) in ("Cc", "Zl", "Zp") else c for c in value[: _SHOWN + 1]
        )
        cut = plain if len(plain) <= _SHOWN else plain[:_SHOWN] + "..."
        return cut if isinstance(value, Written) else f"'{cut}'"
    return json.dumps(value)
