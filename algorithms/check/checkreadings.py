"""Check readings: whether a survey is fit to process, and what to mend first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..correct.windows import Walk
from ..progress import Progress, advance, keep_going, portion
from ..readings import FloatArray, IntArray, Readings, Traverse
from ..words import in_unit, plural, squared
from .coverage import COVERED, GAP, REACH, Patch, cover
from .evidence import evidence
from .findings import CANNOT_TELL, GOOD, LOOK, MEND, Finding, by_topic
from .lines import sample_blocks
from .noise import channel_noise, line_offsets, noise_findings, offset_findings, thinned_rows
from .positions import position_findings
from .survey import CheckOptions, Survey
from .values import Summary, summarise, value_findings
from .walking import (
    direction_findings,
    directions,
    interval_findings,
    separation_findings,
    speed_findings,
)

BARE = 0.1
"""Share of a data grid in gaps up to which they are worth a look only."""

SAMPLE = 200_000
"""Readings in which spikes are counted; of a larger survey, blocks of traverses."""

ORDER = (
    "splitlines",
    "flagreadings",
    "despike",
    "driftbase",
    "levellines",
    "alignpasses",
    "balancegrids",
)
"""Steps that mend, in the order in which they are best run."""


@dataclass(frozen=True, eq=False)
class Check:
    """What a check gives back.

    Parameters
    ----------
    findings
        In the order to be read.
    patches
        Covered ground and gaps.
    summaries
        Each channel in figures.
    traverses
        ``t`` traverses.
    noise, offsets
        Noise along and offset of each traverse, ``(t, c)``, channel units; NaN where unknown.
    direction
        Of every reading's traverse, ``(n,)``: 1 forward, 2 backward, 0 for neither.
    verdict, fit
        The whole in one or two sentences, and whether the survey is fit to process.
    figures, messages, warnings
        As in `lynchet.algorithms.readings.Correction`.
    """

    findings: tuple[Finding, ...]
    patches: tuple[Patch, ...]
    summaries: tuple[Summary, ...]
    traverses: tuple[Traverse, ...]
    noise: FloatArray
    offsets: FloatArray
    direction: IntArray
    verdict: str
    fit: bool
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def checkreadings(
    readings: Readings, options: CheckOptions | None = None, progress: Progress = keep_going
) -> Check:
    """Check whether a survey is fit to process. Nothing is changed.

    Readings off scale or excluded inform no statistic; where they lie is checked all the same.

    References
    ----------
    Common practice, no source: the smallest feature should be crossed by two traverses or more;
    readings lie at least twice as dense along the traverses as these lie across. ASTM D6639,
    *Standard guide for using the frequency domain electromagnetic method for subsurface site
    characterizations*, for repeated lines and drift checks (from memory).

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(20) * 0.5, np.arange(40) * 0.25)
    >>> values = np.random.default_rng(0).normal(20, 1, 800)
    >>> r = Readings.build(x=x.T.ravel(), y=y.T.ravel(), values=values,
    ...                    line=np.repeat(np.arange(20), 40))
    >>> found = checkreadings(r)
    >>> found.figures["traverse separation"], found.figures["to mend"]
    (0.5, 0)
    """
    options = options or CheckOptions()
    survey = Survey.of(readings, options.length_unit)
    advance(progress, 0.1)
    patches, covered = _coverage(survey, options, portion(progress, 0.1, 0.3))
    findings = [
        *_counts(survey),
        *covered,
        *separation_findings(survey, options),
        *interval_findings(survey, options),
        *speed_findings(survey),
        *direction_findings(survey),
        *position_findings(survey),
    ]
    advance(progress, 0.4)
    walk, lines = Walk.of(readings), survey.lines
    c = len(readings.channels)
    rows, sample = thinned_rows(readings), readings.take(sample_blocks(readings, SAMPLE))
    offsets = line_offsets(readings.take(rows), portion(progress, 0.4, 0.6))
    summaries, noises, by_line = [], np.full(c, np.nan), np.full((len(lines.traverses), c), np.nan)
    for k, (name, unit) in enumerate(zip(readings.channels, readings.units)):
        part = portion(progress, 0.6 + 0.35 * k / c, 0.6 + 0.35 * (k + 1) / c)
        summary = summarise(readings, k)
        noise = channel_noise(readings, k, walk, lines, summary.sigma, sample, part)
        noises[k], by_line[:, k] = noise.noise, noise.by_line
        summaries.append(summary)
        findings += value_findings(readings, lines, k, summary, noise.noise)
        findings += noise_findings(noise, lines, name, unit)
        findings += offset_findings(offsets[:, k], lines, name, unit, noise.noise)
    findings += evidence(survey, rows, options.separation or survey.separation, noises)
    advance(progress, 1.0)
    ordered = by_topic(findings)
    verdict = overall(ordered)
    return Check(
        ordered,
        patches,
        tuple(summaries),
        lines.traverses,
        by_line,
        offsets,
        directions(survey),
        verdict,
        not any(f.verdict == MEND and not f.mend for f in ordered),
        _figures(ordered, patches, survey),
        (verdict, *(f.sentence for f in ordered if f.verdict == LOOK and f.line is None)),
        tuple(f.sentence for f in ordered if f.verdict == MEND and f.line is None),
    )


def overall(findings: tuple[Finding, ...]) -> str:
    """The whole in one or two sentences."""
    whole = [f for f in findings if f.line is None]
    mend = [f for f in findings if f.verdict == MEND]
    again = list(dict.fromkeys(f.what for f in mend if not f.mend))
    steps = sorted({f.mend for f in mend if f.mend}, key=ORDER.index)
    look = list(dict.fromkeys(f.what for f in whole if f.verdict == LOOK))
    unknown = list(dict.fromkeys(f.what for f in whole if f.verdict == CANNOT_TELL))
    sentences = []
    if again:
        sentences.append(f"Not fit to process as it stands: no step mends {_listed(again)}.")
    else:
        sentences.append("Fit to process.")
    if steps:
        sentences.append(f"Steps that mend what was found: {_listed(steps)}.")
    if look:
        sentences.append(f"Look first at {_listed(look)}.")
    if unknown:
        sentences.append(f"The readings do not tell: {_listed(unknown)}.")
    if len(sentences) == 1 and not again:
        sentences.append("Nothing was found that asks for more than a look.")
    return " ".join(sentences)


def _listed(words: list[str]) -> str:
    return " and ".join([", ".join(words[:-1]), words[-1]] if len(words) > 1 else words)


def _counts(survey: Survey) -> list[Finding]:
    readings = survey.readings
    n, t = len(readings), len(survey.lines.traverses)
    named = sum(1 for code in np.unique(readings.grid) if readings.grid_names[code])
    where = f" in {plural(named, 'data grid')}" if named else ""
    findings = [
        Finding(
            "Counts",
            "readings",
            GOOD,
            f"{plural(n, 'reading')} in {plural(t, 'traverse')}{where}.",
            float(n),
        ),
    ]
    if t < 2:
        sentence = f"The survey has {plural(t, 'traverse')}: is the traverse number field right?"
        findings.append(Finding("Counts", "number of traverses", LOOK, sentence, float(t)))
    if survey.placed.any():
        width, height = (float(np.ptp(v[survey.placed])) for v in (readings.x, readings.y))
        findings.append(
            Finding(
                "Coverage",
                "extent",
                GOOD,
                f"The readings extend over {in_unit(width, survey.unit)} from west to east and "
                f"{in_unit(height, survey.unit)} from south to north.",
                max(width, height),
                survey.unit,
            )
        )
    return findings


def _coverage(
    survey: Survey, options: CheckOptions, progress: Progress
) -> tuple[tuple[Patch, ...], list[Finding]]:
    """Patches of ground and the findings on them."""
    separation = options.separation or survey.separation
    if not np.isfinite(separation):
        sentence = (
            "The ground covered cannot be told, for the readings show no traverse separation: give "
            "the planned one, or split the track into traverses."
        )
        return (), [Finding("Coverage", "area covered", CANNOT_TELL, sentence)]
    interval = survey.interval if np.isfinite(survey.interval) else separation
    reach = options.reach or REACH * max(separation, interval)
    rows: IntArray = np.flatnonzero(survey.kept)
    try:
        patches = cover(survey.readings, rows, separation, interval, reach, progress)
    except ValueError as wrong:
        return (), [Finding("Coverage", "area covered", CANNOT_TELL, str(wrong))]
    unit = squared(survey.unit)
    covered = sum(patch.area for patch in patches if patch.kind == COVERED)
    gaps = [patch for patch in patches if patch.kind == GAP]
    findings = [
        Finding(
            "Coverage",
            "area covered",
            GOOD,
            f"The readings cover {in_unit(covered, unit)}, each up to "
            f"{in_unit(reach, survey.unit)} around.",
            covered,
            unit,
        )
    ]
    if not gaps:
        findings.append(Finding("Coverage", "area in gaps", GOOD, "There are no gaps.", 0.0, unit))
    for grid in sorted({patch.grid for patch in gaps}):
        areas = [patch.area for patch in gaps if patch.grid == grid]
        ground = sum(patch.area for patch in patches if patch.grid == grid)
        missed = sum(areas)
        where = f" in data grid {grid}" if grid else ""
        share = f"{100 * missed / ground:.2g} % of it, " if grid else ""
        findings.append(
            Finding(
                "Coverage",
                "area in gaps",
                MEND if grid and missed > BARE * ground else LOOK,
                f"{plural(len(areas), 'gap')}{where}, {in_unit(missed, unit)} together: {share}"
                f"the largest {in_unit(max(areas), unit)}.",
                missed,
                unit,
                grid,
            )
        )
    return patches, findings


def _figures(
    findings: tuple[Finding, ...], patches: tuple[Patch, ...], survey: Survey
) -> dict[str, float | int | str]:
    figures: dict[str, float | int | str] = {
        "readings": len(survey.readings),
        "traverses": len(survey.lines.traverses),
    }
    for name, kind in (("area covered", COVERED), ("area in gaps", GAP)):
        figures[name] = float(f"{sum(p.area for p in patches if p.kind == kind):.6g}")
    for name, length in (
        ("traverse separation", survey.separation),
        ("reading interval", survey.interval),
    ):
        if np.isfinite(length):
            figures[name] = float(f"{length:.4g}")
    for finding in findings:
        if finding.channel and finding.line is None and np.isfinite(finding.figure):
            figures[f"{finding.what} {finding.channel}"] = float(f"{finding.figure:.4g}")
    for name, verdict in (
        ("to mend", MEND),
        ("to look at", LOOK),
        ("good", GOOD),
        ("cannot tell", CANNOT_TELL),
    ):
        figures[name] = sum(1 for finding in findings if finding.verdict == verdict)
    return figures
