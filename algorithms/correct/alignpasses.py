"""Align opposing passes: the lag that sets features of one direction off those of the other."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from ..intake.walk.resample import nearest_reading
from ..options import check_words
from ..progress import Progress, advance, keep_going, portion, side_by_side
from ..readings import Correction, FloatArray, Qc, Readings
from .neighbours import reading_interval
from .opposing import Profiles, profiles_of
from .passes import FEWEST, Shift, find_shift, line_shifts
from .traverses import GridLines, grids_of
from .windows import Walk

SCOPES = ("survey", "each_grid", "each_line", "time")
CHANNEL_CHOICES = ("together", "each")
APPLICATIONS = ("move", "resample")


EVEN = 1e-9
"""Map units within which a place is that of a reading."""


@dataclass(frozen=True)
class AlignOptions:
    """Which readings share a lag, and what is done about it.

    Parameters
    ----------
    scope
        ``"survey"``, one distance for all; ``"each_grid"``, one a data grid; ``"each_line"``, one a
        data grid and what each traverse adds to it; ``"time"``, one time for the whole survey,
        which is a distance by the speed of each traverse.
    channel_lags
        ``"together"``, one lag from all channels; ``"each"``, one a channel, which can only be
        taken off by resampling.
    application
        ``"move"`` the readings to where they belong, values untouched; ``"resample"`` the values
        along the traverse to the positions as they are.
    lag
        A known lag to take off in place of one found: how far a reading lies ahead of where it was
        taken, map units, or seconds for ``"time"``.
    largest
        Largest lag looked for, map units.

    Raises
    ------
    ValueError
        If a word is unknown, a number out of range, or the choices do not go together.
    """

    scope: str = "survey"
    channel_lags: str = "together"
    application: str = "move"
    lag: float | None = None
    largest: float = 1.0

    def __post_init__(self) -> None:
        check_words(
            ("Scope", self.scope, SCOPES),
            ("Choice of channels", self.channel_lags, CHANNEL_CHOICES),
            ("Application", self.application, APPLICATIONS),
        )
        if self.channel_lags == "each" and self.application == "move":
            raise ValueError(
                "Readings can be moved to one place only, and channels with lags of their own need "
                "several. Choose one lag for all channels, or resampling."
            )
        if not self.largest > 0:
            raise ValueError(f"The largest lag is {self.largest:g}: choose a length above 0.")
        if self.lag is not None and not np.isfinite(self.lag):
            raise ValueError("The known lag is no number. Give one, or leave it empty.")


@dataclass(frozen=True)
class Lag:
    """A lag that was found: whose, and the evidence.

    Parameters
    ----------
    grid, channel
        Data grid and channel it was found for; empty where it is for all of them.
    shift
        The lag, see `passes.Shift`.
    scatter
        Standard deviation of the traverses' own lags about it, where they were looked at.
    """

    grid: str
    channel: str
    shift: Shift
    scatter: float = 0.0


@dataclass(frozen=True, eq=False)
class _Grid:
    """A data grid ready to be compared: profiles and scale of each channel."""

    lines: GridLines
    profiles: list[Profiles]
    scale: FloatArray


def find_lags(
    readings: Readings, options: AlignOptions | None = None, progress: Progress = keep_going
) -> tuple[Lag, ...]:
    """Find lags without taking them off; see `alignpasses`."""
    options = options or AlignOptions()
    grids = _prepared(readings, options, progress)
    return tuple(lag for lag, _, _ in _found(grids, readings.channels, options))


def alignpasses(
    readings: Readings, options: AlignOptions | None = None, progress: Progress = keep_going
) -> Correction:
    """Take off the lag between opposing passes, where there is evidence of one.

    A reading that is stamped late lies ahead of where it was taken, in the direction of travel:
    passes the one way are set off to one side and passes the other way to the other. The lag found
    is the one at which neighbouring traverses of opposite direction agree best (`passes`).

    Where a lag is less than three of its standard errors, or than a tenth of the reading interval,
    nothing is done. Resampled, values lie on straight lines between the usable readings of the
    traverse; a value that would come from beyond its end is that of its last reading and flagged
    `Qc.FILLED`. Missing readings move as others do: a value whose nearest reading is missing is
    missing too.

    Raises
    ------
    ValueError
        If no two neighbouring traverses were walked in opposite directions, or a time lag is asked
        for and times are missing.
    """
    options = options or AlignOptions()
    grids = _prepared(readings, options, progress)
    found = _found(grids, readings.channels, options)
    if options.lag is None and not any(lag.shift.traverses for lag, _, _ in found):
        raise ValueError(
            "No two neighbouring traverses were walked in opposite directions, so that no lag can "
            "be told. Check the traverse number field, or give the lag if you know it."
        )
    advance(progress, 0.8)
    unit = "s" if options.scope == "time" else "map units"
    shift, figures, messages = _amounts(readings, found, options, unit)
    if not np.nan_to_num(shift).any():
        return Correction(readings, figures, tuple(messages))
    if options.application == "move":
        return Correction(_moved(readings, grids, shift[:, 0]), figures, tuple(messages))
    resampled, ends = _resampled(readings, shift)
    figures["values held at the ends of traverses"] = ends
    return Correction(resampled, figures, tuple(messages))


def _prepared(readings: Readings, options: AlignOptions, progress: Progress) -> list[_Grid]:
    grids = grids_of(readings)
    if not grids:
        raise ValueError("No traverse has two positions. Choose the traverse number field.")
    scales = [
        _speeds(readings, lines) if options.scope == "time" else np.ones(len(lines.across))
        for lines in grids
    ]
    if options.lag is not None:
        return [_Grid(lines, [], scale) for lines, scale in zip(grids, scales)]
    usable = readings.usable
    columns = [np.where(usable[:, k], column, np.nan) for k, column in enumerate(readings.values.T)]

    def prepared(lines: GridLines, part: Progress) -> list[Profiles]:
        interval = reading_interval(lines)
        return [
            profiles_of(lines, [column[t.rows] for t in lines.traverses], interval)
            for column in columns
        ]

    profiles = side_by_side(
        [partial(prepared, lines) for lines in grids], portion(progress, 0.0, 0.6)
    )
    return [_Grid(*one) for one in zip(grids, profiles, scales)]


def _speeds(readings: Readings, lines: GridLines) -> FloatArray:
    """Speed of each traverse, map units a second."""
    found = np.empty(len(lines.traverses))
    for k, (traverse, along) in enumerate(zip(lines.traverses, lines.along)):
        time = readings.time[traverse.rows]
        known = np.isfinite(time)
        span = float(np.ptp(time[known])) if known.any() else 0.0
        if not span > 0:
            raise ValueError(
                f"The readings of {traverse.name} have no times that rise, which a time lag needs. "
                "Fill in the time, or choose a distance."
            )
        found[k] = float(np.ptp(along[known])) / span
    return found


def _found(
    grids: list[_Grid], channels: tuple[str, ...], options: AlignOptions
) -> list[tuple[Lag, list[_Grid], FloatArray | None]]:
    """Each lag, the data grids it is for, and what each traverse of a single one adds to it."""
    if options.lag is not None:
        given = Shift(options.lag, 0.0, 0, np.nan, np.nan)
        return [(Lag("", "", given), grids, None)]
    together = options.channel_lags == "together"
    groups = [(g.lines.grid, [g]) for g in grids]
    if options.scope in ("survey", "time"):
        groups = [("", grids)]
    picks = [("", list(range(len(channels))))]
    if not together:
        picks = [(name, [k]) for k, name in enumerate(channels)]
    found = []
    for channel, picked in picks:
        for name, members in groups:
            profiles = [g.profiles[k] for g in members for k in picked]
            scales = [g.scale for g in members for _ in picked]
            shift = find_shift(profiles, scales, options.largest)
            own, scatter = None, 0.0
            if options.scope == "each_line" and shift.traverses >= FEWEST:
                common = shift if shift.evident else replace(shift, lag=0.0)
                own, scatter = line_shifts(profiles, scales, common)
            found.append((Lag(name, channel, shift, scatter), members, own))
    return found


def _amounts(
    readings: Readings,
    found: list[tuple[Lag, list[_Grid], FloatArray | None]],
    options: AlignOptions,
    unit: str,
) -> tuple[FloatArray, dict[str, float | int | str], list[str]]:
    """How far each reading of each channel lies ahead, ``(n, c)``, and what is said about it."""
    shift = np.zeros((len(readings), len(readings.channels)))
    figures: dict[str, float | int | str] = {}
    messages = []
    for lag, members, own in found:
        whose = " ".join(part for part in (lag.grid and f"grid {lag.grid}", lag.channel) if part)
        name, title = f"lag {whose}".strip(), whose or "All readings"
        title = f"Grid{title[4:]}" if lag.grid else title
        known = options.lag is not None
        taken = lag.shift.lag if known or lag.shift.evident else 0.0
        figures[name] = float(f"{taken:.4g}")
        if lag.shift.sure:
            figures[f"{name} error"] = float(f"{lag.shift.error:.2g}")
        if known:
            messages.append(f"{title}: the known lag of {taken:g} {unit} was taken off.")
        elif taken:
            messages.append(
                f"{title}: a lag of {taken:.3g} {unit} (standard error {lag.shift.error:.2g}, from "
                f"{lag.shift.traverses} comparisons of a traverse with its opposing neighbours, "
                f"which disagree by {lag.shift.after / lag.shift.before:.0%} of what they did)."
            )
        else:
            found_but = f" ({lag.shift.lag:.2g} {unit}, standard error {lag.shift.error:.2g})"
            messages.append(
                f"{title}: no evidence of a lag{found_but if lag.shift.sure else ''}; nothing was "
                f"done. {lag.shift.why_not}"
            )
        if lag.scatter:
            figures[f"{name} scatter"] = float(f"{lag.scatter:.4g}")
            messages.append(f"{title}: the traverses' own lags scatter by {lag.scatter:.2g}.")
        columns = [readings.channels.index(lag.channel)] if lag.channel else slice(None)
        for grid in members:
            amount = (taken if own is None else taken + own) * grid.scale
            for traverse, ahead in zip(grid.lines.traverses, amount):
                shift[traverse.rows, columns] = ahead
    return shift, figures, messages


def _moved(readings: Readings, grids: list[_Grid], ahead: FloatArray) -> Readings:
    """Readings moved back along their traverse."""
    x, y = readings.x.copy(), readings.y.copy()
    for traverse in (traverse for grid in grids for traverse in grid.lines.traverses):
        rows = traverse.rows
        east, north = x[rows[-1]] - x[rows[0]], y[rows[-1]] - y[rows[0]]
        length = float(np.hypot(east, north))
        if length > 0:
            x[rows] -= ahead[rows] * east / length
            y[rows] -= ahead[rows] * north / length
    return replace(readings, x=x, y=y)


def _resampled(readings: Readings, ahead: FloatArray) -> tuple[Readings, int]:
    """Values read further on along the walk, and how many were held at its ends."""
    walk = Walk.of(readings)
    placed = np.flatnonzero(np.isfinite(walk.distance))
    rows, distance = walk.rows[placed], walk.distance[placed]
    traverse = walk.number[placed]
    reach = float(distance.max(initial=0.0)) + 2.0 * float(np.abs(ahead).max()) + 1.0
    # One rising axis for all traverses: no value can come from another.
    axis = distance + traverse * 2.0 * reach
    values, qc, held = readings.values.copy(), readings.qc.copy(), np.zeros(len(readings), bool)
    usable = readings.usable[rows]
    for k in range(values.shape[1]):
        late, good = ahead[rows, k], np.flatnonzero(usable[:, k])
        if not len(good):
            continue
        target = axis + late
        source = nearest_reading(axis, traverse, target)
        new = np.interp(target, axis[good], readings.values[rows[good], k])
        # Beyond its first or last good reading a traverse has but that one.
        place = np.searchsorted(axis[good], target)
        before, after = (good[np.clip(place + step, 0, len(good) - 1)] for step in (-1, 0))
        strange = [
            (traverse[before] != traverse) | (place == 0),
            (traverse[after] != traverse) | (place == len(good)),
        ]
        for side, other in ((strange[0], after), (strange[1], before)):
            new = np.where(side, readings.values[rows[other], k], new)
        # What is barred from informing others keeps its own value; a gap moves as a reading does.
        barred = ~usable[:, k] & np.isfinite(readings.values[rows, k])
        changed = (late != 0) & ~barred
        known = usable[source, k]
        values[rows[changed], k] = np.where(known, new, np.nan)[changed]
        beyond = (
            changed & known & (strange[0] | strange[1]) & (np.abs(target - axis[source]) > EVEN)
        )
        held[rows[beyond]] = True
    qc[held] |= int(Qc.FILLED)
    return readings.with_values(values, qc), int(held.sum())
