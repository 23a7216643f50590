"""How a survey was walked: separation, interval, gaps along traverses, speed and direction."""

from __future__ import annotations

import numpy as np

from ..readings import BoolArray, IntArray, Traverse
from ..words import SHOWN, in_unit, plural, sentence_start, share_text
from .findings import CANNOT_TELL, GOOD, LOOK, MEND, Finding
from .survey import CheckOptions, Survey, along_axis, gaps_across

FEW = 0.1
"""Share of the traverses, or of the way along them, up to which faults are worth a look only."""

AT_ONE_PLACE, BESIDE = 0.1, 1.5
"""Separations between which two traverses lie beside each other: not walked again, none missing."""

HARMLESS = 0.01
"""Share of long steps that need no look: a missing reading here and there."""

SLOW, FAST = 1 / 1.5, 1.5
"""A traverse slower or faster than these times the usual speed is far off."""

MIXED = 0.1
"""Share of neighbours walked opposite ways from which a survey counts as partly zigzag."""


def separation_findings(survey: Survey, options: CheckOptions) -> list[Finding]:
    """Distance between neighbouring traverses: against the plan, or the survey's own."""
    unit, found = survey.unit, survey.separation
    planned = options.separation
    if not np.isfinite(found):
        sentence = "The readings show no two traverses side by side to measure a separation."
        return [Finding("Spacing", "traverse separation", CANNOT_TELL, sentence)]
    findings = [_against_plan("traverse separation", found, planned, options, unit)]
    target = planned or found
    wide, judged, named = 0, 0, []
    for lines in survey.grids:
        gaps, after = gaps_across(survey.readings, lines)
        out = gaps > target * (1 + options.slack) * (1 + 1e-9)
        wide, judged = wide + int(out.sum()), judged + len(gaps)
        named += [(float(gaps[i]), after[i]) for i in np.flatnonzero(out)]
    if judged:
        limit = in_unit(target * (1 + options.slack), unit)
        findings.append(
            Finding(
                "Spacing",
                "traverses too far apart",
                GOOD if not wide else LOOK if wide <= FEW * judged else MEND,
                f"Of {judged} gaps between neighbouring traverses "
                f"{plural(wide, 'is', 'are')} wider than {limit}."
                if wide
                else f"No gap between neighbouring traverses is wider than {limit}.",
                100.0 * wide / judged,
                "%",
            )
        )
    findings += [
        Finding(
            "Spacing",
            "distance to the traverse before",
            LOOK,
            f"{sentence_start(traverse.name)} lies {in_unit(gap, unit)} from its neighbour.",
            gap,
            unit,
            traverse.grid,
            traverse.line,
        )
        for gap, traverse in sorted(named, key=lambda pair: -pair[0])[:SHOWN]
    ]
    findings.append(
        Finding(
            "Spacing",
            "feature crossed twice",
            GOOD,
            f"Features from {in_unit(2 * found, unit)} across are crossed by two traverses or more "
            "wherever they lie; smaller ones may be crossed by one or none.",
            2 * found,
            unit,
        )
    )
    return findings


def interval_findings(survey: Survey, options: CheckOptions) -> list[Finding]:
    """Distance from reading to reading: against the plan, or the survey's own."""
    unit, found, steps = survey.unit, survey.interval, survey.steps
    length = steps.length
    moved = length > 0
    if not np.isfinite(found) or not moved.any():
        sentence = "No traverse has two readings at different places to measure an interval."
        return [Finding("Spacing", "reading interval", CANNOT_TELL, sentence)]
    findings = [_against_plan("reading interval", found, options.interval, options, unit)]
    target = options.interval or found
    limit = target * (1 + options.slack)
    wide, judged = int((length > limit * (1 + 1e-9)).sum()), int(moved.sum())
    findings.append(
        Finding(
            "Spacing",
            "readings too far apart",
            GOOD if wide <= HARMLESS * judged else LOOK,
            f"{share_text(wide, judged)} of the steps from reading to reading "
            f"({wide:,}) are longer than {in_unit(limit, unit)}."
            if wide
            else f"No step from reading to reading is longer than {in_unit(limit, unit)}.",
            100.0 * wide / judged,
            "%",
        )
    )
    if np.isfinite(survey.separation):
        enough = found <= survey.separation / 2 * (1 + 1e-6)
        than = "at least" if enough else "less than"
        findings.append(
            Finding(
                "Spacing",
                "separation to interval",
                GOOD if enough else LOOK,
                f"Readings lie {than} twice as dense along the traverses as the traverses lie "
                f"across ({survey.separation / found:.3g} to 1).",
                survey.separation / found,
            )
        )
    return findings + _gap_findings(survey, options, target)


def _gap_findings(survey: Survey, options: CheckOptions, interval: float) -> list[Finding]:
    """Long steps along traverses. Turns of a track that was never split count as they come."""
    limit, unit, steps = options.gap_factor * interval, survey.unit, survey.steps
    length = steps.length
    gaps = length > limit
    numbers = steps.number[gaps]
    count = len(survey.lines.traverses)
    holding = np.bincount(numbers, minlength=count)
    longest = np.zeros(count)
    np.maximum.at(longest, numbers, length[gaps])
    affected = int((holding > 0).sum())
    if not affected:
        sentence = f"No traverse has a gap of more than {in_unit(limit, unit)}."
        return [Finding("Spacing", "gaps along traverses", GOOD, sentence, 0.0)]
    findings = [
        Finding(
            "Spacing",
            "gaps along traverses",
            LOOK if length[gaps].sum() <= FEW * length.sum() else MEND,
            f"{plural(int(gaps.sum()), 'gap')} of more than {in_unit(limit, unit)} in "
            f"{plural(affected, 'traverse')}, the longest {in_unit(float(longest.max()), unit)}.",
            float(gaps.sum()),
        )
    ]
    for number in np.argsort(-longest, kind="stable")[: min(SHOWN, affected)]:
        traverse = survey.lines.traverses[number]
        findings.append(
            Finding(
                "Spacing",
                "longest gap of a traverse",
                LOOK,
                f"{sentence_start(traverse.name)} has {plural(int(holding[number]), 'gap')}, the "
                f"longest {in_unit(float(longest[number]), unit)}.",
                float(longest[number]),
                unit,
                traverse.grid,
                traverse.line,
            )
        )
    return findings


def speed_findings(survey: Survey) -> list[Finding]:
    """Walking speed from the time field, traverse by traverse."""
    time, steps = survey.readings.time, survey.steps
    lapse = time[steps.end] - time[steps.start]
    known = np.isfinite(lapse)
    if not known.any():
        return [Finding("Walking", "speed", CANNOT_TELL, "The readings have no time.")]
    findings: list[Finding] = []
    backwards = int((lapse[known] < 0).sum())
    if backwards:
        findings.append(
            Finding(
                "Walking",
                "clock runs backwards",
                MEND,
                f"Along the traverses the time falls from one reading to the next in "
                f"{plural(backwards, 'place')}: the sequence or the clock is wrong.",
                float(backwards),
            )
        )
    count = len(survey.lines.traverses)
    forward = known & (lapse > 0)
    walked = np.bincount(steps.number[forward], steps.length[forward], minlength=count)
    took = np.bincount(steps.number[forward], lapse[forward], minlength=count)
    speed = np.divide(walked, took, out=np.full(count, np.nan), where=took > 0)
    if not np.isfinite(speed).any():
        sentence = "The time does not rise along any traverse."
        return [*findings, Finding("Walking", "speed", CANNOT_TELL, sentence)]
    usual = float(np.nanmedian(speed))
    unit = f"{survey.unit}/s"
    with np.errstate(invalid="ignore"):
        off = np.flatnonzero((speed < SLOW * usual) | (speed > FAST * usual))
    also = f"; {plural(len(off), 'traverse was', 'traverses were')} far slower or faster"
    findings.append(
        Finding(
            "Walking",
            "speed",
            LOOK if len(off) else GOOD,
            f"The usual speed is {in_unit(usual, unit)}{also if len(off) else ''}.",
            usual,
            unit,
        )
    )
    for number in off[np.argsort(-np.abs(np.log(speed[off] / usual)), kind="stable")][:SHOWN]:
        traverse = survey.lines.traverses[number]
        findings.append(
            Finding(
                "Walking",
                "speed of a traverse",
                LOOK,
                f"{sentence_start(traverse.name)} was walked at "
                f"{in_unit(float(speed[number]), unit)} where {in_unit(usual, unit)} was usual.",
                float(speed[number]),
                unit,
                traverse.grid,
                traverse.line,
            )
        )
    return findings


def direction_findings(survey: Survey) -> list[Finding]:
    """Which way traverses were walked, and those walked the same way as their neighbour."""
    findings: list[Finding] = []
    for number in survey.winding[:SHOWN]:
        traverse = survey.lines.traverses[number]
        findings.append(
            Finding(
                "Walking",
                "track not split",
                MEND,
                f"{sentence_start(traverse.name)} turns back and forth: it is a whole track. Split "
                "it into traverses before any correction that works by traverse.",
                grid=traverse.grid,
                line=traverse.line,
                mend="splitlines",
            )
        )
    forward = backward = 0
    same: list[Traverse] = []
    turns = pairs = 0
    for lines in survey.grids:
        parallel = np.flatnonzero(along_axis(survey.readings, lines))
        way = lines.backward[parallel]
        forward, backward = forward + int((~way).sum()), backward + int(way.sum())
        gap = np.diff(lines.across[parallel])
        beside = (gap > AT_ONE_PLACE * survey.separation) & (gap < BESIDE * survey.separation)
        alike = (way[1:] == way[:-1]) & beside
        turns, pairs = turns + int((beside & ~alike).sum()), pairs + int(beside.sum())
        same += [lines.traverses[i] for i in parallel[1:][alike]]
    if not pairs:
        return findings
    if turns <= MIXED * pairs:
        sentence = "The traverses were walked one way, not in zigzag."
        if turns:
            sentence = f"Nearly all traverses were walked one way; {turns} turn from a neighbour."
        findings.append(_balance(forward, backward, GOOD if not turns else LOOK, sentence))
        return findings
    sentence = (
        f"Walked in zigzag: {forward} traverses one way and {backward} the other"
        f"{f'; {len(same)} went the same way as a neighbour' if same else ''}."
    )
    findings.append(_balance(forward, backward, LOOK if same else GOOD, sentence))
    findings += [
        Finding(
            "Walking",
            "same way as its neighbour",
            LOOK,
            f"{sentence_start(traverse.name)} was walked the same way as the traverse beside it.",
            grid=traverse.grid,
            line=traverse.line,
        )
        for traverse in same[:SHOWN]
    ]
    return findings


def _balance(forward: int, backward: int, verdict: str, sentence: str) -> Finding:
    share = 100.0 * forward / max(forward + backward, 1)
    return Finding("Walking", "traverses walked forward", verdict, sentence, share, "%")


def directions(survey: Survey) -> IntArray:
    """Direction of every reading's traverse, ``(n,)``: 1 forward, 2 backward, 0 for neither."""
    way = np.zeros(len(survey.readings), np.int64)
    tracks = {(t.grid, t.line) for t in (survey.lines.traverses[i] for i in survey.winding)}
    for lines in survey.grids:
        along: BoolArray = along_axis(survey.readings, lines)
        for traverse, back, parallel in zip(lines.traverses, lines.backward, along):
            if parallel and (traverse.grid, traverse.line) not in tracks:
                way[traverse.rows] = 2 if back else 1
    return way


def _against_plan(
    what: str, found: float, planned: float | None, options: CheckOptions, unit: str
) -> Finding:
    if planned is None:
        sentence = f"The {what} measures {in_unit(found, unit)}."
        return Finding("Spacing", what, GOOD, sentence, found, unit)
    off = found / planned - 1
    verdict = GOOD if abs(off) <= options.slack else MEND if off > 0 else LOOK
    sentence = (
        f"The {what} measures {in_unit(found, unit)} where {in_unit(planned, unit)} was planned."
    )
    return Finding("Spacing", what, verdict, sentence, found, unit)
