"""What a check finds: one sentence with its figure, its verdict and the step that would mend it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ..options import check_words

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
        check_words(("Topic", self.topic, TOPICS), ("Verdict", self.verdict, VERDICTS))


def by_topic(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Findings in the order of `TOPICS`, otherwise as they come."""
    return tuple(sorted(findings, key=lambda finding: TOPICS.index(finding.topic)))
