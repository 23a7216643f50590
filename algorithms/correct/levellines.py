"""Level traverses: take off what sets one traverse apart from the others of its data grid."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from ..options import check_words
from ..progress import Progress, keep_going, side_by_side
from ..readings import BoolArray, Correction, FloatArray, IntArray, Readings
from .centres import STATISTICS, statistic_of
from .differential import GridLevels, common_wavelength, grid_levels, offsets_along, places_of
from .directions import direction_effect_of
from .junctions import find_junctions, left_by_levelling
from .neighbours import reading_interval
from .steps_inside import StepInside, find_steps, step_shifts
from .traverses import GridLines, grids_of
from .waves import FEW
from .windows import row_medians

METHODS = ("differential", "whole_grid", "same_direction", "neighbours", "direction")
SHOWN = 5
"""Steps and traverses named in a message."""


@dataclass(frozen=True)
class LevelOptions:
    """How traverses are levelled.

    Parameters
    ----------
    method
        What a traverse is compared with. ``"differential"``: its neighbours, place by place along
        the traverse; ``"whole_grid"``: all traverses of the data grid; ``"same_direction"``: those
        walked the same way; ``"neighbours"``: a moving set on either side. These three compare one
        `statistic` per traverse, and weaken what runs parallel to the traverses. ``"direction"``:
        only the two directions of walking with each other, as ``"differential"`` compares
        traverses; one number for the data grid, half of it for each direction.
    statistic
        ``"median"``, ``"trimmed_mean"`` (the middle half) or ``"mode"``.
    neighbours
        How many places on either side count, for all but ``"whole_grid"`` and
        ``"same_direction"``; halves or repeats of a traverse lie at one place.
    wavelength
        Differential: change across the traverses broader than this belongs to the ground and
        stays, map units; None for the length that the levels themselves make likeliest.
    join
        Differential: where traverses go on in those of the next data grid, let the steps between
        them tell what is still off.
    window
        Differential: length along the traverse that shares one offset, map units; 0 for the whole
        traverse. A feature parallel to the traverses is kept while it fills less than half of it.
    lowest, highest
        Only values from `lowest` to `highest` count, channel units; None for no limit.
    fewest
        A traverse with fewer readings that count is left as it is; with ``"direction"`` it does not
        inform, but is shifted like the others walked its way.
    steps
        Differential: first take off steps inside traverses (see `steps_inside.find_steps`).

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
    steps: bool = False
    join: bool = True

    @property
    def joins(self) -> bool:
        """Whether junctions between data grids are looked at."""
        return self.join and self.method == "differential"

    def __post_init__(self) -> None:
        check_words(("Method", self.method, METHODS), ("Statistic", self.statistic, STATISTICS))
        if self.steps and self.method != "differential":
            raise ValueError(
                f"Steps inside traverses are not found with the method '{self.method}': choose "
                "'differential', or leave the steps."
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

    With ``"differential"``, where traverses go on in those of the next data grid, the steps between
    them tell more of what each is off (`junctions`).

    The shifts of a data grid have median 0, so that its general level stays: with
    ``"same_direction"`` those of each direction, so that what sets the directions apart stays too;
    with ``"differential"`` those of each set of traverses that lie beside each other. With
    ``"direction"`` the two shifts have mean 0, and both are 0 where the evidence does not exceed
    `directions.ERRORS` standard errors. All values
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
    columns = []
    for k in range(len(readings.channels)):
        counts = usable[:, k] & _within(readings.values[:, k], options)
        columns.append(np.where(counts, readings.values[:, k], np.nan))
    ready = side_by_side(
        [partial(_prepared, column, lines, options) for column in columns for lines in grids],
        progress,
    )
    junctions = find_junctions(readings, grids if options.joins else ())
    for k, (channel, unit) in enumerate(zip(readings.channels, readings.units)):
        of_channel = ready[k * len(grids) : (k + 1) * len(grids)]
        wavelength = options.wavelength or common_wavelength(
            [grid.levels for grid in of_channel if grid.levels is not None]
        )
        shifts: list[float] = []
        levelled: list[IntArray] = []
        number: list[int] = []
        place = 0
        for lines, grid in zip(grids, of_channel):
            offsets, told, found = grid.offsets_with(lines, wavelength), grid.told, grid.figures
            of_grid = f" {lines.grid}" if lines.grid else ""
            figures.update({f"{name}{of_grid} {channel}": value for name, value in found.items()})
            messages += [f"{channel}{of_grid and ', grid' + of_grid}: {told}"] if told else []
            for traverse, offset in zip(lines.traverses, offsets):
                if np.isfinite(offset).all():
                    rows = whole[traverse.grid, traverse.line].rows
                    values[rows, k] -= _on_all_rows(rows, traverse.rows, offset)
                    shifts.append(float(np.median(offset)))
                    levelled.append(rows)
                    number.append(place)
                else:
                    left.add(traverse.name)
                place += 1
        if len(junctions):
            counted = np.where(np.isfinite(columns[k]), values[:, k], np.nan)
            still = left_by_levelling(junctions, counted, place)[number]
            for rows, more in zip(levelled, still):
                values[rows, k] -= more
            shifts = [shift + more for shift, more in zip(shifts, still.tolist())]
            figures[f"rms shift by junctions {channel}"] = float(
                f"{np.sqrt(np.mean(still**2)) if len(still) else 0.0:.4g}"
            )
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
            if np.any(shifts)
            else f"{channel}: no traverse was shifted."
        )
    figures["traverses left as they are"] = len(left)
    warnings: tuple[str, ...] = ()
    if left:
        shown = ", ".join(sorted(left)[:SHOWN]) + (" and others" if len(left) > SHOWN else "")
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


@dataclass(frozen=True, eq=False)
class _Ready:
    """A channel of a data grid, but for what is shared by all data grids.

    `offsets` are those of every reading of each traverse, NaN for a traverse left as it is, to
    which come those that follow from `levels`.
    """

    offsets: list[FloatArray]
    told: str = ""
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    levels: GridLevels | None = None

    def offsets_with(self, lines: GridLines, wavelength: float | None) -> list[FloatArray]:
        """The whole of the offsets."""
        if self.levels is None:
            return self.offsets
        found = offsets_along(lines.along, self.levels, wavelength)
        return [one + more for one, more in zip(self.offsets, found)]


def _prepared(
    column: FloatArray, lines: GridLines, options: LevelOptions, part: Progress
) -> _Ready:
    """A channel, NaN where it does not count, of one data grid."""
    chosen = [column[t.rows] for t in lines.traverses]
    enough = np.array([np.isfinite(v).sum() >= options.fewest for v in chosen])
    if enough.sum() < 2:
        return _Ready([np.full(len(v), np.nan) for v in chosen])
    if options.method in ("differential", "direction"):
        chosen = [v if ok else np.full(len(v), np.nan) for v, ok in zip(chosen, enough)]
        found = _differential if options.method == "differential" else _direction
        return found(chosen, lines, options)
    levels = np.array(
        [statistic_of(v, options.statistic) if ok else np.nan for v, ok in zip(chosen, enough)]
    )
    shifts = levels - _references(levels, lines, options)
    return _Ready([np.full(len(v), shift) for v, shift in zip(chosen, shifts)])


def _differential(chosen: list[FloatArray], lines: GridLines, options: LevelOptions) -> _Ready:
    interval = reading_interval(lines)
    told = ""
    figures: Mapping[str, float | int | str] = {}
    shifts: list[FloatArray] = [np.zeros(len(v)) for v in chosen]
    if options.steps:
        steps = find_steps(lines.along, lines.across, chosen, interval)
        for traverse, shift in step_shifts(lines.along, steps).items():
            shifts[traverse] = shift
        told, figures = _account_of(steps, lines)
    levels = grid_levels(
        lines.along,
        lines.across,
        lines.backward,
        [v - shift for v, shift in zip(chosen, shifts)],
        interval=interval,
        neighbours=options.neighbours,
        window=options.window,
        fewest=options.fewest,
    )
    return _Ready(shifts, told, figures, levels)


def _account_of(
    steps: tuple[StepInside, ...], lines: GridLines
) -> tuple[str, dict[str, float | int | str]]:
    """Steps in words, by distance from where the traverse begins and change in walking order."""
    words = []
    for step in steps:
        along = lines.along[step.traverse]
        back = bool(lines.backward[step.traverse])
        words.append(
            f"line {lines.traverses[step.traverse].line} at {abs(step.along - along[0]):.2f} along "
            f"by {-step.size if back else step.size:+.3g}"
        )
    figures: dict[str, float | int | str] = {"steps": len(steps)}
    if not steps:
        return "no step inside a traverse was found.", figures
    figures["steps at"] = "; ".join(words)
    more = f" and {len(words) - SHOWN} more" if len(words) > SHOWN else ""
    count = "1 step" if len(words) == 1 else f"{len(words)} steps"
    return f"{count} inside traverses taken off: {'; '.join(words[:SHOWN])}{more}.", figures


def _direction(chosen: list[FloatArray], lines: GridLines, options: LevelOptions) -> _Ready:
    effect = direction_effect_of(
        lines.along,
        lines.across,
        lines.backward,
        chosen,
        interval=reading_interval(lines),
        neighbours=options.neighbours,
        fewest=options.fewest,
    )
    half = effect.half if effect.evident else 0.0
    offsets: list[FloatArray] = [
        np.full(len(v), half if b else -half) for v, b in zip(chosen, lines.backward)
    ]
    if effect.bends < FEW:
        told = "too few neighbouring traverses walked both ways to tell the directions apart."
    elif not effect.evident:
        told = (
            f"the directions of walking differ by {2 * abs(effect.half):.3g} with a standard error "
            f"of {2 * effect.error:.3g}, which is no evidence: nothing was taken off."
        )
    else:
        told = (
            f"walking back along the first traverse's direction adds {2 * half:+.3g} "
            f"(standard error {2 * effect.error:.2g}); half was taken off each direction."
        )
    return _Ready(offsets, told, {"direction effect": float(f"{2 * half:.4g}")})


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
    # Halves or repeats at one place count as one, at their middle level.
    k = options.neighbours
    places = places_of(lines.across)
    at_place = np.split(levels, np.flatnonzero(np.diff(places)) + 1)
    of_place = np.array(
        [np.median(v[np.isfinite(v)]) if np.isfinite(v).any() else np.nan for v in at_place]
    )
    padded = np.pad(of_place, k, constant_values=np.nan)
    local = row_medians(np.lib.stride_tricks.sliding_window_view(padded, 2 * k + 1))[places]
    references: FloatArray = local + np.nanmedian(levels - local)
    return references
