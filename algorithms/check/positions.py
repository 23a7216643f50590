"""Where readings lie: those without a position, at one place, out of order, or far off."""

from __future__ import annotations

import numpy as np

from ..readings import NO_LINE, BoolArray, FloatArray, IntArray
from ..words import SHOWN, plural, sentence_start, share_text
from .findings import GOOD, LOOK, MEND, Finding
from .survey import Survey

SAME = 1e-6
"""Positions that agree to this many map units are one."""

JUMP = 10.0
"""A reading so many intervals from both of its neighbours, which are near each other, jumped."""

STRAIGHT = 0.95
"""Share of a traverse's scatter that lies along its axis, for its steps to have a direction."""

BACK = 0.1
"""A step back of more than so many intervals is out of order; less is position noise."""

RARE = 0.01
"""Share of the readings up to which a fault of position is worth a look only."""


def position_findings(survey: Survey) -> list[Finding]:
    """All findings on positions."""
    readings = survey.readings
    n = len(readings)
    unplaced = int((~survey.placed).sum())
    loose = int((readings.line == NO_LINE).sum())
    findings = [
        _counted("without position", unplaced, n, "have no position", "have a position"),
    ]
    if loose:
        findings.append(
            Finding(
                "Positions",
                "without traverse",
                LOOK,
                f"{plural(loose, 'reading belongs', 'readings belong')} to no traverse: "
                "corrections by traverse pass them over.",
                float(loose),
            )
        )
    stood = int((survey.steps.length <= SAME).sum())
    findings.append(
        _counted("repeated position", stood, n, "lie where the one before lies", "moves on")
    )
    again = repeated_positions(readings.x, readings.y) - stood
    if again > 0:
        findings.append(
            Finding(
                "Positions",
                "place read again",
                GOOD,
                f"{plural(again, 'reading lies', 'readings lie')} where another pass read already: "
                "compare the two.",
                float(again),
                mend="comparerepeats",
            )
        )
    findings += _order_findings(survey)
    jumped = jumps(survey)
    if len(jumped):
        findings.append(
            Finding(
                "Positions",
                "jump of position",
                MEND,
                f"{plural(len(jumped), 'reading lies', 'readings lie')} far from both neighbours "
                "on the traverse: the position is wrong.",
                float(len(jumped)),
            )
        )
    return findings


def _counted(what: str, count: int, n: int, wrong: str, right: str) -> Finding:
    if not count:
        sentence = (
            "Every reading has a position."
            if right == "have a position"
            else f"Every reading {right}."
        )
        return Finding("Positions", what, GOOD, sentence, 0.0)
    return Finding(
        "Positions",
        what,
        LOOK if count <= RARE * n else MEND,
        f"{plural(count, 'reading')} ({share_text(count, n)}) {wrong}.",
        float(count),
    )


def repeated_positions(x: FloatArray, y: FloatArray) -> int:
    """How many readings lie where an earlier one lies already.

    Examples
    --------
    >>> repeated_positions(np.array([0.0, 1.0, 0.0, np.nan]), np.array([0.0, 0.0, 0.0, 0.0]))
    1
    """
    placed = np.isfinite(x) & np.isfinite(y)
    if not placed.any():
        return 0
    east = np.rint((x[placed] - x[placed].min()) / SAME).astype(np.int64)
    north = np.rint((y[placed] - y[placed].min()) / SAME).astype(np.int64)
    order = np.lexsort((north, east))
    same = (np.diff(east[order]) == 0) & (np.diff(north[order]) == 0)
    return int(same.sum())


def _order_findings(survey: Survey) -> list[Finding]:
    lines, steps = survey.lines, survey.steps
    count = len(lines.traverses)
    sequence = survey.readings.sequence[lines.rows]
    ties = int((lines.follows & (np.diff(sequence) == 0)).sum())
    findings: list[Finding] = []
    if ties:
        findings.append(
            Finding(
                "Positions",
                "repeated sequence number",
                MEND,
                f"{plural(ties, 'reading repeats', 'readings repeat')} the sequence number before "
                "it on the same traverse: the order of the readings is in doubt.",
                float(ties),
            )
        )
    back = backward_steps(survey)
    total = int(back.sum())
    if not total:
        sentence = "The readings of every straight traverse follow each other in order."
        return [*findings, Finding("Positions", "out of order", GOOD, sentence, 0.0)]
    each = np.bincount(steps.number[back], minlength=count)
    affected = np.flatnonzero(each)
    findings.append(
        Finding(
            "Positions",
            "out of order",
            LOOK if total <= RARE * len(back) else MEND,
            f"{plural(total, 'step leads', 'steps lead')} backward along the traverse, in "
            f"{plural(len(affected), 'traverse')}: readings or their positions are out of order.",
            float(total),
        )
    )
    for number in affected[np.argsort(-each[affected], kind="stable")][:SHOWN]:
        traverse = lines.traverses[number]
        findings.append(
            Finding(
                "Positions",
                "steps backward on a traverse",
                LOOK,
                f"{sentence_start(traverse.name)} has "
                f"{plural(int(each[number]), 'step')} backward.",
                float(each[number]),
                grid=traverse.grid,
                line=traverse.line,
            )
        )
    return findings


def backward_steps(survey: Survey) -> BoolArray:
    """Steps against the way most of their traverse's steps lead, shape ``(s,)``.

    Only traverses that are straight count: the way is their axis of greatest scatter.
    """
    lines, steps = survey.lines.where(survey.kept), survey.steps
    x = survey.readings.x[lines.rows]
    y = survey.readings.y[lines.rows]
    held = np.maximum(lines.totals(np.ones(len(x))), 1.0)
    x = x - (lines.totals(x) / held)[lines.number]
    y = y - (lines.totals(y) / held)[lines.number]
    xx, yy, xy = lines.totals(x * x), lines.totals(y * y), lines.totals(x * y)
    angle = np.arctan2(2 * xy, xx - yy) / 2
    half = np.hypot((xx - yy) / 2, xy)
    longest = (xx + yy) / 2 + half
    straight = longest >= STRAIGHT * np.maximum(xx + yy, 1e-300)
    way = steps.east * np.cos(angle)[steps.number] + steps.north * np.sin(angle)[steps.number]
    count = len(survey.lines.traverses)
    onward = np.bincount(steps.number, np.sign(way), minlength=count)
    way = way * np.where(onward < 0, -1.0, 1.0)[steps.number]
    back: BoolArray = straight[steps.number] & (way < -BACK * survey.interval)
    return back


def jumps(survey: Survey) -> IntArray:
    """Rows of readings far from both neighbours where these are near each other."""
    steps = survey.steps
    if len(steps.start) < 2 or not np.isfinite(survey.interval):
        return np.empty(0, np.int64)
    joined = steps.end[:-1] == steps.start[1:]
    length = steps.length
    least = np.minimum(length[:-1], length[1:])
    across = np.hypot(steps.east[:-1] + steps.east[1:], steps.north[:-1] + steps.north[1:])
    found: BoolArray = joined & (least > JUMP * survey.interval) & (across < least)
    return steps.end[:-1][found]
