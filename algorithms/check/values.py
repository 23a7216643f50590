"""What the values of a channel look like: spread, shape, and readings that are none."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import bdtrc

from ..correct.stuck import CHANCE, equal_runs, resolution_of
from ..readings import FloatArray, IntArray, Qc, Readings
from ..words import SHOWN, in_unit, plural, share_text
from .findings import CANNOT_TELL, GOOD, LOOK, MEND, Finding
from .lines import Lines, robust_spread

PERCENTILES = (1, 5, 25, 75, 95, 99)
BINS = 48
"""Bars of a histogram."""

NEIGHBOURS = 5
"""Distinct values next to an extreme that it is compared with."""

FEWEST_VALUES = 10
"""Distinct values below which nothing is said of saturation."""

SEVERAL = 3
"""Equal readings far beyond all others from which on they are the end of the scale."""

FAR = 5.0
"""How far beyond, robust standard deviations of the channel."""

RARE = 0.01
"""Share of the readings up to which saturated or stuck ones are worth a look only."""

MISSING = 0.01
"""Share of missing values from which they are worth a look."""


@dataclass(frozen=True, eq=False)
class Summary:
    """A channel in figures, of its usable values.

    Parameters
    ----------
    channel, unit
        Which channel.
    count, missing, off_scale, excluded
        Usable values; NULL; flagged off scale; excluded by the user.
    median, sigma, lowest, highest
        Sigma is robust: 1.4826 times the median absolute deviation.
    percentiles
        Values at `PERCENTILES`.
    resolution
        Smallest step between two different values.
    distinct, counts
        The different values, rising, and how often each comes up.
    edges, bars
        Histogram between the 0.5th and 99.5th percentile, ``(BINS + 1,)`` and ``(BINS,)``.
    """

    channel: str
    unit: str
    count: int
    missing: int
    off_scale: int
    excluded: int
    median: float
    sigma: float
    lowest: float
    highest: float
    percentiles: tuple[float, ...]
    resolution: float
    distinct: FloatArray
    counts: IntArray
    edges: FloatArray
    bars: IntArray


def summarise(readings: Readings, channel: int) -> Summary:
    """Put a channel into figures.

    Examples
    --------
    >>> r = Readings.build(x=range(5), y=[0] * 5, values=[1.0, 2.0, 3.0, 4.0, np.nan])
    >>> found = summarise(r, 0)
    >>> found.count, found.missing, found.median, found.resolution
    (4, 1, 2.5, 1.0)
    """
    column = readings.values[:, channel]
    values = column[readings.usable[:, channel]]
    nothing = float("nan")
    edges: FloatArray = np.zeros(BINS + 1)
    bars: IntArray = np.zeros(BINS, np.int64)
    ranks: FloatArray = np.full(len(PERCENTILES) + 3, nothing)
    distinct, counts = np.unique(values, return_counts=True)
    if len(values):
        ranks = np.asarray(np.percentile(values, [0.5, 50, 99.5, *PERCENTILES]), np.float64)
        low, high = float(ranks[0]), float(ranks[2])
        if not high > low:
            low, high = low - 0.5, high + 0.5
        edges = np.linspace(low, high, BINS + 1, dtype=np.float64)
        bars = np.histogram(values, edges)[0].astype(np.int64)
    return Summary(
        readings.channels[channel],
        readings.units[channel],
        len(values),
        int(np.isnan(column).sum()),
        int((readings.qc & int(Qc.OFF_SCALE) != 0).sum()),
        int((readings.qc & int(Qc.EXCLUDED) != 0).sum()),
        float(ranks[1]),
        robust_spread(values),
        float(distinct[0]) if len(values) else nothing,
        float(distinct[-1]) if len(values) else nothing,
        tuple(float(rank) for rank in ranks[3:]),
        resolution_of(distinct),
        distinct,
        counts.astype(np.int64),
        edges,
        bars,
    )


def value_findings(
    readings: Readings, lines: Lines, channel: int, summary: Summary, noise: float
) -> list[Finding]:
    """Findings on one channel: missing values, saturation, stuck values.

    Parameters
    ----------
    lines
        The traverses, all their readings.
    noise
        Noise of the channel along the traverses, channel units.
    """
    name, unit = summary.channel, summary.unit
    n = len(readings)
    gone = n - summary.count
    findings = [
        Finding(
            "Counts",
            "values missing",
            GOOD if gone <= MISSING * n else LOOK,
            f"{name}: {gone:,} of {n:,} readings have no value that counts "
            f"({summary.missing:,} NULL)."
            if gone
            else f"{name}: all {n:,} readings have a value.",
            float(gone),
            channel=name,
        ),
        Finding(
            "Values",
            "median",
            GOOD,
            f"{name}: half of the values lie above {in_unit(summary.median, unit)}, their usual "
            f"spread is {in_unit(summary.sigma, unit)}, from {in_unit(summary.lowest, unit)} to "
            f"{in_unit(summary.highest, unit)}.",
            summary.median,
            unit,
            channel=name,
        ),
    ]
    usable = readings.usable[:, channel]
    findings.append(_saturation_finding(summary))
    column = np.where(usable, readings.values[:, channel], np.nan)
    # At the end of the scale readings are equal without standing still.
    for side, extreme in ((-1, summary.lowest), (1, summary.highest)):
        if saturated(summary.counts, side):
            column[column == extreme] = np.nan
    findings += stuck_findings(column, lines, summary, noise)
    return findings


def saturated(counts: IntArray, side: int) -> int:
    """How many values lie exactly at the lowest (`side` -1) or highest (1), more than by chance.

    In a tail that thins out, an extreme is hit no more often than the values next to it. Had it
    the same chance as the most frequent of these, it would come up as often as it did less than
    once in a million surveys: then it is the end of the scale. Otherwise 0.

    Parameters
    ----------
    counts
        How often each distinct value comes up, in rising order of the values.

    Examples
    --------
    >>> ramp = np.repeat(3, 20)
    >>> saturated(ramp, 1), saturated(np.append(ramp, 43), 1)
    (0, 43)
    """
    if len(counts) < FEWEST_VALUES:
        return 0
    inward = counts[::-1] if side > 0 else counts
    extreme, beside = int(inward[0]), int(inward[1 : NEIGHBOURS + 1].max())
    chance = float(bdtrc(extreme - 1, extreme + beside, 0.5))
    return extreme if chance < CHANCE else 0


def off_by_itself(summary: Summary, side: int) -> int:
    """How many values lie exactly at the lowest (`side` -1) or highest (1), far from all others.

    Spikes differ from each other; several exactly equal readings far beyond the rest are the end of
    the scale, however few. 0 below `SEVERAL`.
    """
    if len(summary.distinct) < FEWEST_VALUES or not summary.sigma > 0:
        return 0
    end = -1 if side > 0 else 0
    gap = abs(float(summary.distinct[end] - summary.distinct[end - side]))
    count = int(summary.counts[end])
    return count if count >= SEVERAL and gap > FAR * summary.sigma else 0


def _saturation_finding(summary: Summary) -> Finding:
    name, unit = summary.channel, summary.unit
    low, high = (
        max(saturated(summary.counts, side), off_by_itself(summary, side)) for side in (-1, 1)
    )
    if not low + high:
        sentence = f"{name}: no more readings lie at the lowest or highest value than by chance."
        return Finding("Values", "saturated readings", GOOD, sentence, 0.0, channel=name)
    parts = [
        f"{count:,} at the {side} value, {in_unit(extreme, unit)}"
        for count, side, extreme in (
            (low, "lowest", summary.lowest),
            (high, "highest", summary.highest),
        )
        if count
    ]
    return Finding(
        "Values",
        "saturated readings",
        LOOK if low + high <= RARE * summary.count else MEND,
        f"{name}: readings pile up at the end of the scale ({' and '.join(parts)}). Mark them off "
        "scale, so that they inform no correction.",
        float(low + high),
        channel=name,
        mend="flagreadings",
    )


def stuck_findings(
    column: FloatArray, lines: Lines, summary: Summary, noise: float
) -> list[Finding]:
    """Runs of exactly equal readings that the resolution of the channel does not explain.

    See `equal_runs`.
    """
    name = summary.channel
    what = "stuck readings"
    values = column[lines.rows]
    if not len(values) or not np.isfinite(summary.resolution):
        stuck = summary.count > 1 and len(lines.rows) > 1
        sentence = f"{name}: all readings are the same." if stuck else f"{name}: too few readings."
        verdict = MEND if stuck else CANNOT_TELL
        return [Finding("Values", what, verdict, sentence, float(summary.count), channel=name)]
    found = equal_runs(values, lines.number, summary.resolution, noise)
    if found.by_chance is None:
        sentence = (
            f"{name}: most readings equal the one before, in steps of "
            f"{in_unit(summary.resolution, summary.unit)}: stuck ones cannot be told."
        )
        return [Finding("Values", what, CANNOT_TELL, sentence, channel=name)]
    starts, length, limit = found.start, found.length, found.by_chance
    long = length > limit
    if not long.any():
        sentence = f"{name}: no run of equal readings is longer than chance makes it."
        return [Finding("Values", what, GOOD, sentence, 0.0, channel=name)]
    total, worst = int(length[long].sum()), int(length[long].max())
    findings = [
        Finding(
            "Values",
            what,
            LOOK if total <= RARE * len(values) else MEND,
            f"{name}: {plural(total, 'reading')} ({share_text(total, len(values))}) in "
            f"{plural(int(long.sum()), 'run')} of exactly equal values, up to {worst} long where "
            f"chance makes {limit}: the instrument or logger stood still.",
            float(total),
            channel=name,
            mend="flagreadings",
        )
    ]
    runs = np.flatnonzero(long)
    for run in runs[np.argsort(-length[runs], kind="stable")][:SHOWN]:
        traverse = lines.traverses[lines.number[starts[run]]]
        findings.append(
            Finding(
                "Values",
                "run of equal readings",
                LOOK,
                f"{name}: {traverse.name} has {length[run]} equal readings one after another.",
                float(length[run]),
                "readings",
                traverse.grid,
                traverse.line,
                name,
            )
        )
    return findings
