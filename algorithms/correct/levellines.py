"""Level traverses: take off what sets one traverse apart from the others of its data grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, Correction, FloatArray, IntArray, Readings
from .centres import STATISTICS, statistic_of
from .differential import differential_offsets
from .traverses import GridLines, grids_of

METHODS = ("differential", "whole_grid", "same_direction", "neighbours")


@dataclass(frozen=True)
class LevelOptions:
    """How traverses are levelled.

    Parameters
    ----------
    method
        What a traverse is compared with. ``"differential"``: its neighbours, place by place along
        the traverse; ``"whole_grid"``: all traverses of the data grid; ``"same_direction"``: those
        walked the same way; ``"neighbours"``: a moving set on either side. All but the first
        compare one `statistic` per traverse, and weaken what runs parallel to the traverses.
    statistic
        ``"median"``, ``"trimmed_mean"`` (the middle half) or ``"mode"``.
    neighbours
        How many traverses on either side count, for ``"differential"`` and ``"neighbours"``.
    wavelength
        Differential: change across the traverses broader than this belongs to the ground and
        stays, map units; None for the length that the levels themselves make likeliest.
    window
        Differential: length along the traverse that shares one offset, map units; 0 for the whole
        traverse. A feature parallel to the traverses is kept while it fills less than half of it.
    lowest, highest
        Only values from `lowest` to `highest` count, channel units; None for no limit.
    fewest
        A traverse with fewer readings that count is left as it is.

    Raises
    ------
    ValueError
        If a word is unknown or a number out of its range.
    """

    method: str = "differential"
    statistic: str = "median"
    neighbours: int = 3
    wavelength: float | None = None
    window: float = 0.0
    lowest: float | None = None
    highest: float | None = None
    fewest: int = 10

    def __post_init__(self) -> None:
        if self.method not in METHODS:
            raise ValueError(f"Method '{self.method}' is unknown: choose {', '.join(METHODS)}.")
        if self.statistic not in STATISTICS:
            raise ValueError(
                f"Statistic '{self.statistic}' is unknown: choose {', '.join(STATISTICS)}."
            )
        if self.neighbours < 1:
            raise ValueError(f"The number of neighbours is {self.neighbours}: choose 1 or more.")
        if self.wavelength is not None and not self.wavelength > 0:
            raise ValueError(f"The wavelength is {self.wavelength:g}: choose a length above 0.")
        if not self.window >= 0:
            raise ValueError(f"The window is {self.window:g}: choose 0 or a length above it.")
        if self.fewest < 1:
            raise ValueError(f"The least number of readings is {self.fewest}: choose 1 or more.")
        if self.lowest is not None and self.highest is not None and self.lowest >= self.highest:
            raise ValueError(
                f"The range of values runs from {self.lowest:g} to {self.highest:g}: give a lowest "
                "below the highest."
            )


def levellines(
    readings: Readings, options: LevelOptions | None = None, progress: Progress = keep_going
) -> Correction:
    """Level the traverses of every data grid, each channel and data grid by itself.

    The shifts of a data grid have median 0, so that its general level stays: with
    ``"same_direction"`` those of each direction, so that what sets the directions apart stays too;
    with ``"differential"`` those of each set of traverses that lie beside each other. All values
    of a traverse are shifted, those that did not count or have no position included; missing
    values stay missing.

    Raises
    ------
    ValueError
        If no data grid has two traverses that can be compared.

    References
    ----------
    Differential: the principle of Mauring and Kihle (2006), *Leveling aerogeophysical data
    using a moving differential median filter*, Geophysics 71(1), L5-L11, from memory: offsets are
    medians of differences to neighbouring lines, not differences of medians. Solving all pairs
    together and leaving the slow part across to the ground are ours.
    """
    options = options or LevelOptions()
    grids = grids_of(readings)
    usable = readings.usable
    values = readings.values.copy()
    figures: dict[str, float | int | str] = {}
    messages: list[str] = []
    whole = {(traverse.grid, traverse.line): traverse for traverse in readings.lines}
    placed = {(t.grid, t.line) for lines in grids for t in lines.traverses}
    left = {traverse.name for key, traverse in whole.items() if key not in placed}
    jobs = len(grids) * len(readings.channels)
    for k, (channel, unit) in enumerate(zip(readings.channels, readings.units)):
        counts = usable[:, k] & _within(readings.values[:, k], options)
        shifts = []
        for number, lines in enumerate(grids):
            advance(progress, (k * len(grids) + number) / jobs)
            offsets = _offsets(readings.values[:, k], counts, lines, options)
            for traverse, offset in zip(lines.traverses, offsets):
                if np.isfinite(offset).all():
                    rows = whole[traverse.grid, traverse.line].rows
                    values[rows, k] -= _on_all_rows(rows, traverse.rows, offset)
                    shifts.append(float(np.median(offset)))
                else:
                    left.add(traverse.name)
        if not shifts and options.method == "differential" and options.window > 0:
            raise ValueError(
                f"Nothing can be levelled in '{channel}': no window of {options.window:g} along "
                f"holds {options.fewest} readings that count of two neighbouring traverses. Choose "
                "a longer window, 0 for the whole traverse, or fewer least readings."
            )
        if not shifts:
            raise ValueError(
                f"Nothing can be levelled in '{channel}': no data grid has two traverses with "
                f"{options.fewest} readings that count. Check the traverse number field, the range "
                "of values and the least number of readings."
            )
        figures[f"rms shift {channel}"] = float(f"{np.sqrt(np.mean(np.square(shifts))):.4g}")
        figures[f"largest shift {channel}"] = float(f"{np.abs(shifts).max():.4g}")
        messages.append(
            f"{channel}: {len(shifts)} traverses shifted by "
            f"{np.sqrt(np.mean(np.square(shifts))):.3g}{' ' + unit if unit else ''} (rms), at most "
            f"{np.abs(shifts).max():.3g}."
        )
    figures["traverses left as they are"] = len(left)
    warnings: tuple[str, ...] = ()
    if left:
        shown = ", ".join(sorted(left)[:5]) + (" and others" if len(left) > 5 else "")
        count = "1 traverse was" if len(left) == 1 else f"{len(left)} traverses were"
        warnings = (
            f"{count} left as {'it is' if len(left) == 1 else 'they are'} in some "
            f"channel: {shown}.",
        )
    return Correction(readings.with_values(values), figures, tuple(messages), warnings)


def _on_all_rows(rows: IntArray, placed: IntArray, offset: FloatArray) -> FloatArray:
    """Offsets of the placed rows of a traverse, carried to those without a position."""
    if len(placed) == len(rows):
        return offset
    at = np.flatnonzero(np.isin(rows, placed))
    everywhere: FloatArray = np.interp(np.arange(len(rows)), at, offset)
    return everywhere


def _within(column: FloatArray, options: LevelOptions) -> BoolArray:
    low = -np.inf if options.lowest is None else options.lowest
    high = np.inf if options.highest is None else options.highest
    with np.errstate(invalid="ignore"):
        inside: BoolArray = (column >= low) & (column <= high)
    return inside


def _offsets(
    column: FloatArray, counts: BoolArray, lines: GridLines, options: LevelOptions
) -> list[FloatArray]:
    """Offset of every reading of each traverse; NaN for a traverse left as it is."""
    chosen = [np.where(counts[t.rows], column[t.rows], np.nan) for t in lines.traverses]
    enough = np.array([np.isfinite(v).sum() >= options.fewest for v in chosen])
    if enough.sum() < 2:
        return [np.full(len(v), np.nan) for v in chosen]
    if options.method == "differential":
        chosen = [v if ok else np.full(len(v), np.nan) for v, ok in zip(chosen, enough)]
        return differential_offsets(
            lines.along,
            lines.across,
            lines.backward,
            chosen,
            interval=_interval(lines),
            neighbours=options.neighbours,
            wavelength=options.wavelength,
            window=options.window,
            fewest=options.fewest,
        )
    levels = np.array(
        [statistic_of(v, options.statistic) if ok else np.nan for v, ok in zip(chosen, enough)]
    )
    shifts = levels - _references(levels, lines, options)
    return [np.full(len(v), shift) for v, shift in zip(chosen, shifts)]


def _interval(lines: GridLines) -> float:
    steps = np.concatenate([np.abs(np.diff(along)) for along in lines.along])
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 1.0


def _references(levels: FloatArray, lines: GridLines, options: LevelOptions) -> FloatArray:
    """The level each traverse is brought to, shape ``(t,)``."""
    if options.method == "whole_grid":
        return np.full(len(levels), float(np.nanmedian(levels)))
    if options.method == "same_direction":
        found = np.full(len(levels), np.nan)
        for way in (lines.backward, ~lines.backward):
            if np.isfinite(levels[way]).sum() >= 2:  # one alone has nothing to be levelled with
                found[way] = np.nanmedian(levels[way])
        return found
    k = options.neighbours
    padded = np.pad(levels, k, constant_values=np.nan)
    sets = np.lib.stride_tricks.sliding_window_view(padded, 2 * k + 1)
    local: FloatArray = np.nanmedian(
        np.where(np.isfinite(levels)[:, np.newaxis], sets, 0.0), axis=1
    )
    references: FloatArray = local + np.nanmedian(levels - local)
    return references
