"""Gridding methods with their settings, as a line of text each."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from .method import OptionValue
from .methods import method_named


@dataclass(frozen=True)
class Candidate:
    """A method and the options it is given; those left out keep their defaults.

    Examples
    --------
    >>> Candidate("inverse_distance", {"power": 1.0, "neighbours": 24}).text
    'inverse_distance power=1 neighbours=24'
    """

    method: str
    options: Mapping[str, OptionValue] = field(default_factory=dict)

    @property
    def text(self) -> str:
        """The line that `read_candidates` reads back."""
        given = [f"{name}={_word(value)}" for name, value in self.options.items()]
        return " ".join([self.method, *given])

    def same(self, other: Candidate) -> bool:
        """Whether both do the same, defaults counted in."""
        if self.method != other.method:
            return False
        method = method_named(self.method)
        return method.checked(self.options) == method.checked(other.options)


def _word(value: OptionValue) -> str:
    """A value as it is written: whole numbers without a decimal point."""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value)


def read_candidates(text: str) -> tuple[Candidate, ...]:
    r"""Candidates written one a line, or with semicolons between.

    A line holds a method's id and then, with blanks between, its options as ``name=value``. A
    line that begins with # is a remark.

    Raises
    ------
    ValueError
        If a line names no method, or an option or value that the method does not take.

    Examples
    --------
    >>> [one.text for one in read_candidates("triangulation\n inverse_distance  power = 1.5")]
    ['triangulation', 'inverse_distance power=1.5']
    """
    found: list[Candidate] = []
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        if line.strip().startswith("#"):
            continue
        for part in line.split(";"):
            words = re.sub(r"\s*=\s*", "=", part.strip()).split()
            if words:
                found.append(_candidate(words, f"Line {number} of the candidates"))
    return tuple(found)


def _candidate(words: list[str], where: str) -> Candidate:
    """One line's words as a candidate; `where` begins what is said of it."""
    name = words[0].lower()
    try:
        method = method_named(name)
    except ValueError as wrong:
        raise ValueError(f"{where} begins with '{words[0]}'. {wrong}") from None
    options: dict[str, OptionValue] = {}
    known = {option.name: option for option in method.options}
    for word in words[1:]:
        given, equals, value = word.partition("=")
        given = given.lower()
        if not (given and equals and value):
            raise ValueError(
                f"{where}: '{word}' is no option. Write its name and value as name=value, with a "
                "blank between options."
            )
        if given not in known:
            raise ValueError(
                f"{where}: '{name}' has no option '{given}'. Choose from: "
                f"{', '.join(known) or 'none'}."
            )
        if given in options:
            raise ValueError(f"{where} sets '{given}' twice. Keep one.")
        try:
            options[given] = known[given].checked(value)
        except ValueError as wrong:
            raise ValueError(f"{where}, '{word}': {wrong}") from None
    return Candidate(name, options)


def distinct(candidates: Iterable[Candidate]) -> tuple[Candidate, ...]:
    """The candidates without those that do the same as one before.

    Examples
    --------
    >>> twice = [Candidate("inverse_distance"), Candidate("inverse_distance", {"power": 2.0})]
    >>> [one.text for one in distinct(twice)]
    ['inverse_distance']
    """
    kept: list[Candidate] = []
    for candidate in candidates:
        if not any(candidate.same(other) for other in kept):
            kept.append(candidate)
    return tuple(kept)
