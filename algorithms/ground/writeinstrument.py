"""An instrument from a few lists, and what is worth saying about it."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

from ..words import plural
from .instrument import (
    NO_LONGER_LOW,
    CoilPair,
    Instrument,
    doubtful_heights,
    doubtful_spacings,
    induction_number,
)
from .instrument_text import ORIENTATION_ADVICE, orientation_of

Item = TypeVar("Item")

PLACEHOLDERS = ("cm", "orientation", "pair")
"""What a pattern for field names may hold in braces."""

USUAL_GROUND = 20.0
"""mS/m, soil of middling conductivity: common practice, no source."""

_PLACEHOLDER = re.compile(r"\{([^{}]*)\}")


@dataclass(frozen=True)
class Described:
    """Lists of what the coil pairs are: as many entries as pairs, or one that holds for all.

    Parameters
    ----------
    spacing
        m, one a pair.
    orientation
        Words that `orientation_of` knows.
    frequency
        Hz.
    height
        Of the coils above the ground, m.
    name
        How the pairs are called; none: by spacing and orientation.
    quadrature, in_phase
        Fields: one a pair, empty for a part not recorded, or one pattern for all with
        `PLACEHOLDERS` in braces; none: the part is not recorded.
    """

    spacing: Sequence[float] = (0.5, 1.0)
    orientation: Sequence[str] = ("vertical",)
    frequency: Sequence[float] = (10_000.0,)
    height: Sequence[float] = (0.05,)
    name: Sequence[str] = ()
    quadrature: Sequence[str] = ("ec_{cm}",)
    in_phase: Sequence[str] = ("ip_{cm}",)


def coil_pairs(given: Described) -> tuple[CoilPair, ...]:
    """The coil pairs that lists describe.

    Raises
    ------
    ValueError
        If a list has neither one entry nor one a pair, a word or number is out of place, or two
        channels would have one field.

    Examples
    --------
    >>> [pair.quadrature for pair in coil_pairs(Described())]
    ['ec_050', 'ec_100']
    """
    count = len(given.spacing)
    if not count:
        raise ValueError("No coil spacing is given: give one a coil pair, in metres.")
    orientations = [_orientation(word) for word in given.orientation]
    names = _spread("names of the pairs", given.name or ("",), count)
    if count > 1 and len(given.name) == 1:
        raise ValueError(f"One name is given for {count} coil pairs: give each its own, or none.")
    columns = zip(
        given.spacing,
        _spread("orientations", orientations, count),
        _spread("frequencies", given.frequency, count),
        _spread("heights", given.height, count),
        names,
    )
    made = []
    for number, (spacing, orientation, frequency, height, name) in enumerate(columns, start=1):
        try:
            made.append(CoilPair(spacing, orientation, frequency, height, name))
        except ValueError as wrong:
            raise ValueError(f"Coil pair {number}: {_small_initial(str(wrong))}") from None
    fields = [
        _fields(f"{part} fields", names, made)
        for part, names in (("quadrature", given.quadrature), ("in-phase", given.in_phase))
    ]
    _check_fields(fields)
    return tuple(
        CoilPair(p.spacing, p.orientation, p.frequency, p.height, p.name, quadrature, in_phase)
        for p, quadrature, in_phase in zip(made, *fields)
    )


def pair_lines(instrument: Instrument) -> tuple[list[str], list[str]]:
    """What each pair is, in words, and hints on numbers that are unlikely or no longer low."""
    said, hints = [], []
    for number, pair in enumerate(instrument.pairs, start=1):
        parts = [
            f"{channel.part.replace('_', '-')} in '{channel.field}' ({channel.unit})"
            for channel in instrument.channels
            if channel.number == number - 1
        ]
        called = f" '{pair.name}'" if pair.name else ""
        low = induction_number(pair, USUAL_GROUND)
        said.append(
            f"Pair {number}{called}: {pair.spacing:g} m, {pair.orientation} dipoles, "
            f"{pair.frequency:,.10g} Hz, {pair.height:g} m above ground; "
            f"{', '.join(parts) or 'no field'}; induction number {low:.2g} at "
            f"{USUAL_GROUND:g} mS/m."
        )
        if low >= NO_LONGER_LOW:
            hints.append(
                f"Pair {number}: an induction number of {low:.2g} at {USUAL_GROUND:g} mS/m is not "
                "low. If spacing and frequency are right, use the exact form wherever a step "
                "offers it."
            )
    pairs = instrument.pairs
    return said, [*doubtful_spacings(pairs), *doubtful_heights(pairs), *hints]


def usual_name(pairs: Sequence[CoilPair]) -> str:
    """A name for an instrument that was given none.

    Examples
    --------
    >>> usual_name(coil_pairs(Described()))
    'instrument with 2 coil pairs'
    """
    return f"instrument with {plural(len(pairs), 'coil pair')}"


def _orientation(word: str) -> str:
    found = orientation_of(word)
    if found is None:
        raise ValueError(f"Orientation '{word}' is unknown: {ORIENTATION_ADVICE}.")
    return found


def _spread(what: str, given: Sequence[Item], count: int) -> Sequence[Item]:
    """One entry a pair from one for all, or from as many as there are pairs."""
    if len(given) == 1:
        return [given[0]] * count
    if len(given) != count:
        raise ValueError(
            f"The {what} are {len(given)} for {plural(count, 'coil pair')}: give one for all, or "
            "one a pair."
        )
    return given


def _fields(what: str, given: Sequence[str], pairs: Sequence[CoilPair]) -> list[str]:
    """The field of each pair, from a list or a pattern."""
    if not given:
        return [""] * len(pairs)
    if len(given) == 1 and "{" in given[0]:
        given = [given[0]] * len(pairs)
    if len(given) != len(pairs):
        raise ValueError(
            f"The {what} are {len(given)} for {plural(len(pairs), 'coil pair')}: give one a pair, "
            "or one pattern for all such as ec_{cm}."
        )
    return [
        _filled(what, text, number, pair)
        for number, (text, pair) in enumerate(zip(given, pairs), start=1)
    ]


def _filled(what: str, pattern: str, number: int, pair: CoilPair) -> str:
    """A pattern with its placeholders filled; spacings as three or more digits of centimetres."""
    if re.search("[{}]", _PLACEHOLDER.sub("", pattern)):
        raise ValueError(
            f"The {what} hold '{pattern}', in which a brace is not closed or not opened: write "
            "placeholders such as {cm}."
        )
    centimetres = round(100 * float(pair.spacing), 6)
    values = {
        "cm": f"{centimetres:03.0f}",
        "orientation": pair.orientation,
        "pair": str(number),
    }

    def value(found: re.Match[str]) -> str:
        if found[1] not in values:
            raise ValueError(
                f"The {what} hold '{{{found[1]}}}', which is no placeholder: there are "
                f"{', '.join('{' + word + '}' for word in PLACEHOLDERS)}."
            )
        if found[1] == "cm" and not centimetres.is_integer():
            raise ValueError(
                f"The {what} hold {{cm}}, but coil pair {number} is {pair.spacing:g} m, no whole "
                "number of centimetres: list the fields, or use {pair}."
            )
        return values[found[1]]

    return _PLACEHOLDER.sub(value, pattern)


def _check_fields(fields: Sequence[Sequence[str]]) -> None:
    """Refuse a field that two channels would have."""
    said: dict[str, int] = {}
    for number, both in enumerate(zip(*fields), start=1):
        for field in filter(None, both):
            if said.get(field) == number:
                raise ValueError(
                    f"Both parts of coil pair {number} would have field '{field}': give each its "
                    "own."
                )
            if field in said:
                raise ValueError(
                    f"Coil pairs {said[field]} and {number} would both have field '{field}': list "
                    "a field for each, or add {orientation} or {pair} to the pattern."
                )
            said[field] = number


def _small_initial(sentence: str) -> str:
    return sentence[:1].lower() + sentence[1:]
