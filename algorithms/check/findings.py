"""What a check finds: one sentence with its figure, its verdict and the step that would mend it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

GOOD, LOOK, MEND, CANNOT_TELL = "good", "look", "mend", "cannot tell"
VERDICTS = (GOOD, LOOK, MEND, CANNOT_TELL)
"""In order: nothing to do; look at it; correct it or measure again; the readings do not show it."""

TOPICS = (
    "Counts",
    "Coverage",
    "Spacing",
    "Walking",
    "Positions",
    "Values",
    "Noise",
    "Levels",
    "Drift and matching",
)
"""In the order in which they are read."""

SHOWN = 10
"""Traverses named one by one in a topic, the worst first; the summary counts the others."""


@dataclass(frozen=True)
class Finding:
    """One thing found.

    Parameters
    ----------
    topic
        One of `TOPICS`.
    what
        What was measured, in a few words; the same for every grid, line or channel.
    verdict
        One of `VERDICTS`.
    sentence
        The finding in one plain sentence.
    figure, unit
        The number found and its unit; NaN where there is none.
    grid, line, channel
        What it is about; empty or None for the whole survey.
    mend
        Id of the step that would mend it. Empty where none would: with the verdict "mend", what
        is wrong must be measured again, or put right before the readings are brought in.

    Raises
    ------
    ValueError
        If the topic or the verdict is unknown.
    """

    topic: str
    what: str
    verdict: str
    sentence: str
    figure: float = float("nan")
    unit: str = ""
    grid: str = ""
    line: int | None = None
    channel: str = ""
    mend: str = ""

    def __post_init__(self) -> None:
        if self.topic not in TOPICS:
            raise ValueError(f"Topic '{self.topic}' is unknown: choose {', '.join(TOPICS)}.")
        if self.verdict not in VERDICTS:
            raise ValueError(f"Verdict '{self.verdict}' is unknown: choose {', '.join(VERDICTS)}.")


def by_topic(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings in the order of `TOPICS`, otherwise as they come."""
    return tuple(sorted(findings, key=lambda finding: TOPICS.index(finding.topic)))


def plural(count: int, one: str, many: str = "") -> str:
    """A count with its noun.

    Examples
    --------
    >>> plural(1, "traverse"), plural(1200, "reading"), plural(2, "is", "are")
    ('1 traverse', '1,200 readings', '2 are')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def in_unit(value: float, unit: str) -> str:
    """A figure of three digits with its unit.

    Examples
    --------
    >>> in_unit(0.12345, "mS/m"), in_unit(1234.5, "m"), in_unit(2.0, "")
    ('0.123 mS/m', '1,234 m', '2')
    """
    text = f"{value:,.0f}" if abs(value) >= 1000 else f"{value:.3g}"
    return f"{text} {unit}" if unit else text


def squared(unit: str) -> str:
    """The unit of area that belongs to a unit of length."""
    return f"square {unit}" if " " in unit else f"{unit}²"


def share_text(count: int, total: int) -> str:
    """A share as a percentage that does not pretend to be none.

    Examples
    --------
    >>> share_text(0, 10), share_text(1, 100_000), share_text(1, 3)
    ('0 %', 'under 0.01 %', '33 %')
    """
    share = 100.0 * count / max(total, 1)
    if count and share < 0.01:
        return "under 0.01 %"
    return f"{share:.2g} %" if share < 99.5 else f"{np.floor(share):.0f} %"


def sentence_start(name: str) -> str:
    """A name as the first words of a sentence.

    Examples
    --------
    >>> sentence_start("line 3 of grid G2")
    'Line 3 of grid G2'
    """
    return name[:1].upper() + name[1:]
