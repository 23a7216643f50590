"""Noise along the traverses, suspected spikes, and what sets traverses off against each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..correct.despike import CROWDED, DespikeOptions, find_spikes, noise_level
from ..correct.differential import differential_offsets
from ..correct.levellines import LevelOptions
from ..correct.neighbours import reading_interval
from ..correct.traverses import GridLines, grids_of
from ..correct.windows import MAD_TO_SIGMA, Walk
from ..progress import Progress, advance, keep_going
from ..readings import FloatArray, IntArray, Readings
from ..words import SHOWN, in_unit, plural, share_text
from .findings import CANNOT_TELL, GOOD, LOOK, MEND, Finding
from .lines import Lines, robust_spread

LEVELLING = LevelOptions(neighbours=1)
"""Each traverse against the one on either side: enough to measure offsets, and quick."""

NOISY = 2.0
"""A traverse this many times as noisy as the usual one is noisy."""

FAINT = 1.0
"""Signal to noise below which a channel shows little but noise."""

SPIKY = 0.0005
"""Share of suspected spikes from which they are to be removed."""

STRIPED, STRIPES_SEEN = 0.5, 0.25
"""Offsets of traverses, in noises: to be levelled, and worth a look."""

FAR_OFF = 4.0
"""A traverse whose offset is this many robust standard deviations of all offsets stands out."""

MOST_GRIDS = 50
"""Data grids in which offsets are found; of more, so many evenly spread ones at most."""

SAMPLE = 200_000
"""Readings from which offsets are found; of a larger survey, every so many along each traverse."""

SAMPLE_LEAST = 40
"""Readings of a usual traverse that are left by that at least."""


@dataclass(frozen=True, eq=False)
class ChannelNoise:
    """Noise of one channel.

    Parameters
    ----------
    noise
        Of the whole channel, channel units; see `despike.noise_level`.
    by_line
        The same of each traverse, ``(t,)``, NaN for one too short.
    signal
        Robust spread of the channel without its noise, channel units.
    spikes, judged
        How many spikes are suspected, and of how many readings.
    """

    noise: float
    by_line: FloatArray
    signal: float
    spikes: int
    judged: int


def channel_noise(
    readings: Readings,
    channel: int,
    walk: Walk,
    lines: Lines,
    sigma: float,
    sample: Readings,
    progress: Progress = keep_going,
) -> ChannelNoise:
    """Measure the noise of a channel along its traverses and count what looks like a spike.

    Spikes are counted as the step that removes them would by default, in a single pass, in a
    `sample` of whole traverses: `sample_blocks`.
    """
    column = _usable_column(readings, channel, walk)
    if not np.isfinite(column).any():
        nothing = float("nan")
        return ChannelNoise(nothing, np.full(len(lines.traverses), nothing), nothing, 0, 0)
    noise = noise_level(column, walk)
    options = DespikeOptions(passes=1)
    sampled = Walk.of(sample).parted()
    looked_at = _usable_column(sample, channel, sampled)
    windows = sampled.by_count(int(options.window))
    spikes, _ = find_spikes(looked_at, windows, noise, options, progress)
    signal = float(np.sqrt(max(sigma**2 - noise**2, 0.0)))
    return ChannelNoise(
        noise,
        noise_by_line(column, lines),
        signal,
        int(spikes.sum()),
        int(np.isfinite(looked_at).sum()),
    )


def _usable_column(readings: Readings, channel: int, walk: Walk) -> FloatArray:
    usable = readings.usable[walk.rows, channel]
    return np.where(usable, readings.values[walk.rows, channel], np.nan)


def noise_by_line(column: FloatArray, lines: Lines) -> FloatArray:
    """Noise of each traverse from its second differences, channel units, shape ``(t,)``.

    As `despike.noise_level` finds it for all traverses together, but about 0 and not about the
    median of the second differences, which is next to 0 already.
    """
    second = np.full(len(column), np.nan)
    if len(column) > 2:
        inside = lines.number[2:] == lines.number[:-2]
        bend = column[2:] - 2 * column[1:-1] + column[:-2]
        second[1:-1] = np.where(inside, np.abs(bend), np.nan)
    found: FloatArray = MAD_TO_SIGMA / np.sqrt(6.0) * lines.medians(second)
    return found


def noise_findings(found: ChannelNoise, lines: Lines, name: str, unit: str) -> list[Finding]:
    """Findings on the noise and the spikes of one channel."""
    if not found.judged:
        sentence = f"{name}: no value that counts."
        return [Finding("Noise", "noise along traverses", CANNOT_TELL, sentence, channel=name)]
    usual = float(np.nanmedian(found.by_line)) if np.isfinite(found.by_line).any() else found.noise
    with np.errstate(invalid="ignore"):
        noisy: IntArray = np.flatnonzero((found.by_line > NOISY * usual) & (usual > 0))
    also = f"; {plural(len(noisy), 'traverse is', 'traverses are')} more than twice as noisy"
    findings = [
        Finding(
            "Noise",
            "noise along traverses",
            LOOK if len(noisy) else GOOD,
            f"{name}: the noise from reading to reading is {in_unit(found.noise, unit)}"
            f"{also if len(noisy) else ''}.",
            found.noise,
            unit,
            channel=name,
        )
    ]
    if found.noise > 0:
        ratio = found.signal / found.noise
        faint = ratio < FAINT
        findings.append(
            Finding(
                "Noise",
                "signal to noise",
                LOOK if faint else GOOD,
                f"{name}: what changes over the survey is {in_unit(ratio, '')} times the noise"
                f"{': the channel shows little else' if faint else ''}.",
                ratio,
                channel=name,
            )
        )
    order = sorted(noisy, key=lambda number: -found.by_line[number])
    for number in order[:SHOWN]:
        traverse = lines.traverses[number]
        figure = float(found.by_line[number])
        findings.append(
            Finding(
                "Noise",
                "noise of a traverse",
                LOOK,
                f"{name}: {traverse.name} has a noise of {in_unit(figure, unit)} "
                f"where {in_unit(usual, unit)} is usual.",
                figure,
                unit,
                traverse.grid,
                traverse.line,
                name,
            )
        )
    return [*findings, _spike_finding(found, name)]


def _spike_finding(found: ChannelNoise, name: str) -> Finding:
    share = found.spikes / max(found.judged, 1)
    text = share_text(found.spikes, found.judged)
    stand_out = "stands out like a spike" if found.spikes == 1 else "stand out like spikes"
    counted = f"{found.spikes:,} of {plural(found.judged, 'reading')} looked at"
    sentence = f"{name}: {counted} ({text}) {stand_out}."
    if not found.spikes:
        sentence = f"{name}: none of {plural(found.judged, 'reading')} stands out like a spike."
    verdict, mend = GOOD, ""
    if share > SPIKY:
        verdict, mend = MEND, "despike"
    if share > CROWDED:
        verdict = LOOK
        sentence = (
            f"{name}: {text} of the readings stand out like spikes, too many to be spikes only: "
            "look at the features' width before removing any."
        )
    return Finding(
        "Noise", "suspected spikes", verdict, sentence, 100.0 * share, "%", channel=name, mend=mend
    )


def line_offsets(readings: Readings, progress: Progress = keep_going) -> FloatArray:
    """Offset of each traverse against its neighbours, ``(t, c)``, as levelling would take it off.

    NaN for a traverse that cannot be compared. Of a large survey, `thinned_rows` will do, for an
    offset is one number per traverse all the same; of very many data grids every so many are
    looked at.

    References
    ----------
    See `lynchet.algorithms.correct.levellines.levellines`, method ``"differential"``.
    """
    t, c = len(readings.lines), len(readings.channels)
    offsets = np.full((t, c), np.nan)
    if t < 2:
        return offsets
    columns = np.where(readings.usable, readings.values, np.nan).T
    number = {(line.grid, line.line): place for place, line in enumerate(readings.lines)}
    grids = grids_of(readings)
    grids = grids[:: -(-len(grids) // MOST_GRIDS) or 1]
    for place, lines in enumerate(grids):
        numbers = [number[line.grid, line.line] for line in lines.traverses]
        for k, column in enumerate(columns):
            advance(progress, (place * c + k) / (len(grids) * c))
            offsets[numbers, k] = _offsets_in_grid(column, lines)
    return offsets


def _offsets_in_grid(column: FloatArray, lines: GridLines) -> FloatArray:
    values = [column[line.rows] for line in lines.traverses]
    enough = [np.isfinite(v).sum() >= LEVELLING.fewest for v in values]
    if sum(enough) < 2:
        return np.full(len(values), np.nan)
    found = differential_offsets(
        lines.along,
        lines.across,
        lines.backward,
        [v if ok else np.full(len(v), np.nan) for v, ok in zip(values, enough)],
        interval=reading_interval(lines),
        neighbours=LEVELLING.neighbours,
        wavelength=LEVELLING.wavelength,
        window=0.0,
        fewest=LEVELLING.fewest,
    )
    return np.array([offset[0] for offset in found])


def thinned_rows(readings: Readings) -> IntArray:
    """Rows of all traverses; of a large survey, every so many along each."""
    lines = readings.lines
    if not lines:
        return np.empty(0, np.int64)
    usual = int(np.median([len(traverse.rows) for traverse in lines]))
    step = max(1, min(len(readings) // SAMPLE, usual // SAMPLE_LEAST))
    return np.concatenate([traverse.rows[::step] for traverse in lines])


def offset_findings(
    offsets: FloatArray, lines: Lines, name: str, unit: str, noise: float
) -> list[Finding]:
    """Findings on one channel's offsets of traverses, ``(t,)``, against its noise."""
    what = "offsets of traverses"
    known = np.isfinite(offsets)
    if known.sum() < 2:
        sentence = (
            f"{name}: no two traverses run side by side, so that their levels cannot be compared."
        )
        return [Finding("Levels", what, CANNOT_TELL, sentence, channel=name)]
    rms = float(np.sqrt(np.mean(offsets[known] ** 2)))
    ratio = rms / noise if noise > 0 else float("inf") if rms > 0 else 0.0
    verdict = MEND if ratio > STRIPED else LOOK if ratio > STRIPES_SEEN else GOOD
    words = {
        MEND: "they will show as stripes",
        LOOK: "they may show as faint stripes",
        GOOD: "too little to show",
    }
    findings = [
        Finding(
            "Levels",
            what,
            verdict,
            f"{name}: traverses are set off against each other by {in_unit(rms, unit)} (rms of "
            f"{int(known.sum()):,}) with a noise of {in_unit(noise, unit)}: {words[verdict]}.",
            rms,
            unit,
            channel=name,
            mend="" if verdict == GOOD else "levellines",
        )
    ]
    spread = robust_spread(offsets)
    with np.errstate(invalid="ignore"):
        far = np.flatnonzero(np.abs(offsets) > max(FAR_OFF * spread, noise))
    for number in far[np.argsort(-np.abs(offsets[far]), kind="stable")][:SHOWN]:
        traverse = lines.traverses[number]
        findings.append(
            Finding(
                "Levels",
                "offset of a traverse",
                MEND,
                f"{name}: {traverse.name} is set off by "
                f"{in_unit(float(offsets[number]), unit)}, far more than the others.",
                float(offsets[number]),
                unit,
                traverse.grid,
                traverse.line,
                name,
                "levellines",
            )
        )
    return findings
