"""What there is to say about a stream whose readings were given positions."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ...readings import FloatArray, IntArray
from ...words import plural, sentence_start
from ..clock import DAY
from .clock_shift import Timed
from .fixes import APART, Fixes
from .lines import KINDS, Stream

GROUPS = ("no time", "before or after all fixes", "in gaps", "poor fixes", "course unknown")
"""Readings with something to say about their position."""


def clock_text(seconds: float) -> str:
    """Seconds since midnight as a time of day.

    Examples
    --------
    >>> clock_text(86400 + 3661.26)
    '01:01:01.3'
    """
    tenths = round(10 * (seconds % DAY))
    return f"{tenths // 36000 % 24:02d}:{tenths // 600 % 60:02d}:{tenths % 600 / 10:04.1f}"


def why_nowhere(moment: FloatArray, fixes: Fixes, in_gap: bool) -> str:
    """Why no reading has a place, and what to do."""
    if np.isnan(moment).all():
        return "No reading has a time. Check where the recipe says that it stands."
    if in_gap:
        return (
            f"No reading can be placed: all lie in gaps between fixes, which come every "
            f"{fixes.interval:.3g} s. Raise the longest gap."
        )
    low, high = np.nanmin(moment), np.nanmax(moment)
    return (
        f"No reading can be placed: the instrument's clock runs from {clock_text(low)} to "
        f"{clock_text(high)}, the positions' from {clock_text(fixes.time[0])} to "
        f"{clock_text(fixes.time[-1])}. Correct the clock shift, or choose another clock."
    )


def account(
    stream: Stream, time: Timed, counts: dict[str, int], longest_gap: float, bridged: bool
) -> tuple[dict[str, float | int], tuple[str, ...], tuple[str, ...]]:
    """Figures, messages and warnings on a stream whose readings were given positions.

    Parameters
    ----------
    time
        When the readings were taken.
    counts
        How many readings are in each of `GROUPS`.
    longest_gap, bridged
        As in `lynchet.algorithms.intake.importstream.JoinOptions`.
    """
    fixes = stream.fixes
    lines = {kind: stream.counts[kind] for kind in KINDS}
    gaps = np.diff(fixes.time)
    gaps = gaps[gaps > longest_gap]
    figures: dict[str, float | int] = {
        "lines": sum(lines.values()),
        **lines,
        "fixes": len(fixes),
        "repeated fixes": fixes.repeated,
        "fixes denied by GGA": fixes.denied,
        "sentences apart": len(fixes.apart),
        "gaps": len(gaps),
        **{f"readings {name}": count for name, count in counts.items()},
    }
    often = ""
    if len(fixes) > 1:
        figures["seconds between fixes"] = round(fixes.interval, 3)
        often = f", usually every {fixes.interval:.3g} s"
    kinds = ", ".join(plural(count, KINDS[kind], kind) for kind, count in lines.items() if count)
    messages = [
        f"{plural(sum(lines.values()), 'line')}: {kinds}.",
        f"{plural(len(fixes), 'fix', 'fixes')}{often}.",
        *time.messages,
    ]
    if len(stream.talkers) > 1:
        told = ", ".join(f"{name} ({count:,})" for name, count in stream.talkers.items())
        messages.append(f"Several talkers told positions: {told}.")
    warnings = [
        *time.warnings,
        *_of_lines(stream),
        *_of_readings(counts, gaps, longest_gap, bridged),
    ]
    return {**figures, **time.figures}, tuple(messages), tuple(warnings)


def _of_lines(stream: Stream) -> Iterator[str]:
    """Warnings on lines and sentences."""
    fixes = stream.fixes
    for kind, one, what in (
        ("broken sentences", "sentence", "cut short, garbled or with a wrong checksum"),
        ("sentences without a position", "sentence", "without a position: the receiver had no fix"),
        ("unreadable lines", "line", "neither reading nor sentence, left out"),
    ):
        if stream.counts[kind]:
            first = sentence_start(stream.first[kind])
            yield f"{plural(stream.counts[kind], one)} {what}. {first} is the first."
    if len(fixes.backward):
        yield (
            f"{plural(len(fixes.backward), 'sentence')} told an earlier moment than the one "
            f"before: fixes were put in the order of time. {_first(stream, fixes.backward)}"
        )
    if fixes.denied:
        yield (
            f"At {plural(fixes.denied, 'moment')} an RMC told a position where the GGA said that "
            "there was no fix: it was left out."
        )
    if len(fixes.apart):
        yield (
            f"{plural(len(fixes.apart), 'sentence')} told a place more than {APART:g} m from "
            f"that told for the same moment (up to {fixes.farthest:,.0f} m). "
            f"{_first(stream, fixes.apart)} Two receivers? Keep to one talker, or to one file."
        )


def _of_readings(
    counts: dict[str, int], gaps: FloatArray, longest_gap: float, bridged: bool
) -> Iterator[str]:
    """Warnings on readings, by `GROUPS`."""
    if counts["in gaps"]:
        fate = "are doubtful: they lie on a straight line" if bridged else "unplaced"
        yield (
            f"{plural(counts['in gaps'], 'reading')} in {plural(len(gaps), 'gap')} of more than "
            f"{longest_gap:g} s between fixes (the longest {gaps.max():.3g} s) {fate}."
        )
    for name, fate in (
        ("no time", "without a time have no position"),
        ("before or after all fixes", "before or after all fixes have no position. Unless the "
         "receiver was switched on late, check the clock shift"),
        ("poor fixes", "at fixes of poor quality are marked doubtful"),
        ("course unknown", "where the track leads nowhere are marked doubtful: the antenna's "
         "offset was not taken off"),
    ):  # fmt: skip
        if counts[name]:
            yield f"Of the readings, {counts[name]:,} {fate}."


def _first(stream: Stream, places: IntArray) -> str:
    """Which is the first of some lines."""
    return f"{sentence_start(stream.where(int(places[0])))} is the first."
