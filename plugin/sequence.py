"""A correction sequence as text: what to run, in which order, with which parameters.

A step's id stands on a line of its own, its parameters below it, indented, one a line::

    # Quillmere, as corrected in the office
    despike
        window = 7
        replace_by = interpolation
    levellines

A parameter not named keeps its default. Values are numbers, true or false, words, words in double
quotes, or lists in square brackets; a line that begins with # is a remark.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from .history import Entry

PREFIX = "lynchet:"


@dataclass(frozen=True)
class Called:
    """A step of a sequence: its id, its parameters in upper case, and the line it stands on."""

    step: str
    parameters: Mapping[str, object] = field(default_factory=dict)
    line: int = 0


def parse(text: str) -> tuple[Called, ...]:
    r"""Read a sequence.

    Raises
    ------
    ValueError
        If a line is neither a step, a parameter nor a remark, or the sequence holds no step.

    Examples
    --------
    >>> parse("despike\n  window = 7\nlevellines")[0].parameters
    {'WINDOW': 7}
    """
    found: list[Called] = []
    for number, line in enumerate(text.lstrip("\ufeff").splitlines(), start=1):
        words = line.strip()
        if not words or words.startswith("#"):
            continue
        name, given, value = words.partition("=")
        name = name.strip()
        if not given:
            if line[0].isspace() or len(words.split()) > 1:
                raise ValueError(
                    f"Line {number} of the sequence, '{words}', is neither a step's id nor "
                    "'parameter = value'. Put a step's id at the start of a line of its own."
                )
            found.append(Called(words.removeprefix(PREFIX), {}, number))
            continue
        if not found:
            raise ValueError(
                f"Line {number} of the sequence sets '{name}' before any step is named."
            )
        called = found[-1]
        if name.upper() in called.parameters:
            raise ValueError(f"Line {number} of the sequence sets '{name}' a second time.")
        found[-1] = Called(
            called.step,
            {**called.parameters, name.upper(): _value(value.strip(), number)},
            called.line,
        )
    if not found:
        raise ValueError("The sequence names no step. Write one step's id a line.")
    return tuple(found)


def _value(text: str, number: int) -> object:
    """A value as written: JSON where it is that, else the words as they stand."""
    try:
        return json.loads(text)
    except ValueError:
        if text[:1] in ('"', "["):
            raise ValueError(
                f"Line {number} of the sequence: {text} lacks its end, or holds what does not "
                "belong there."
            ) from None
        return text


def write(called: Iterable[Called], remarks: Sequence[str] = ()) -> str:
    """A sequence as text that `parse` reads back."""
    lines = [f"# {remark}" for remark in remarks]
    for one in called:
        lines.append(one.step)
        for name, value in one.parameters.items():
            lines.append(f"    {name.lower()} = {json.dumps(value, ensure_ascii=False)}")
    return "\n".join(lines) + "\n"


def of_history(
    lines: Iterable[str], corrections: Mapping[str, Sequence[str]]
) -> tuple[tuple[Called, ...], tuple[str, ...]]:
    """The corrections in a layer's history as a sequence, and remarks on what is left out.

    Parameters
    ----------
    lines
        The history, oldest first.
    corrections
        Names of the parameters that a sequence may set, by id of each correction.
    """
    found, remarks = [], []
    for line in lines:
        entry = Entry.parse(line)
        if entry is None:
            continue
        step = entry.step.removeprefix(PREFIX)
        if step not in corrections:
            remarks.append(f"Left out, for it is no correction of readings: {step}")
            continue
        asked = {
            name: value
            for name, value in entry.parameters.items()
            if name in corrections[step] and value is not None
        }
        found.append(Called(step, asked))
    return tuple(found), tuple(remarks)
