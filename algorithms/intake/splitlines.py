"""Split a track into traverses: by heading, gaps and speed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from ..progress import Progress, advance, keep_going
from ..readings import NO_LINE, BoolArray, FloatArray, IntArray, Readings
from ..words import in_unit, plural
from .walk.heading import smoothed_heading
from .walk.turns import Limits, traverses_between_turns
from .walk.walked import way_made

__all__ = ["ON_LINE", "Piece", "Split", "SplitOptions", "splitlines"]

GAP_STEPS = 5.0
"""A step of so many usual steps is a gap, and not one shorter than the window."""

USUAL = 75.0
"""Percentile of the steps that is the usual one: standing still makes many short steps."""

ON_LINE, TURN, UNPLACED = 0, 1, 2
"""Why a reading is on a traverse or not: see `Split.why`."""


@dataclass(frozen=True)
class SplitOptions:
    """How a track is split. Lengths in map units.

    Parameters
    ----------
    window
        Length of path before and after a place whose directions are compared there.
    turn_angle
        Directions that differ by more than so many degrees are a turn.
    min_length
        Shorter pieces are no traverses; at least twice the window.
    gap
        A longer step from reading to reading ends a traverse; None for five usual steps, or the
        window where that is longer.
    gap_time
        A longer time from reading to reading ends a traverse, seconds; None for no limit.
    bearings
        Directions of the traverses, degrees clockwise from grid north, walked either way; empty
        where they may run any way.
    bearing_tolerance
        How far a direction may be off them, degrees.
    slowest, fastest
        Speeds between which readings belong to a traverse, map units a second; None for no limit.
    first_line
        Number of the first traverse of each data grid.
    length_unit
        What the map unit is called in sentences.

    Raises
    ------
    ValueError
        If a number is out of its range.
    """

    window: float = 2.0
    turn_angle: float = 45.0
    min_length: float = 5.0
    gap: float | None = None
    gap_time: float | None = 30.0
    bearings: tuple[float, ...] = ()
    bearing_tolerance: float = 20.0
    slowest: float | None = None
    fastest: float | None = None
    first_line: int = 1
    length_unit: str = "map units"

    def __post_init__(self) -> None:
        for what, size in (
            ("window", self.window),
            ("least length of a traverse", self.min_length),
            ("gap", self.gap),
            ("gap in time", self.gap_time),
            ("slowest speed", self.slowest),
            ("fastest speed", self.fastest),
        ):
            if size is not None and not (size > 0 and np.isfinite(size)):
                raise ValueError(f"The {what} is {size:g}: give a number above 0.")
        if not 10 <= self.turn_angle <= 120:
            raise ValueError(
                f"The turn angle is {self.turn_angle:g} degrees: choose one from 10 to 120."
            )
        if self.min_length < 2 * self.window:
            raise ValueError(
                f"Traverses of {in_unit(self.min_length, '')} cannot be told apart by directions "
                f"taken over {in_unit(self.window, '')}: the window must be at most "
                "half of the least length."
            )
        if not np.isfinite(self.bearings).all():
            raise ValueError("A bearing of the traverses is no plain number: give degrees.")
        if self.bearings and not 0 < self.bearing_tolerance <= 60:
            raise ValueError(
                f"The tolerance of the bearings is {self.bearing_tolerance:g} degrees: choose "
                "more than 0 and at most 60."
            )
        if self.slowest is not None and self.fastest is not None and self.slowest >= self.fastest:
            raise ValueError(
                f"The slowest speed, {self.slowest:g}, is not below the fastest, {self.fastest:g}."
            )


@dataclass(frozen=True)
class Piece:
    """One traverse: data grid, number, readings, length (map units) and bearing from end to end."""

    grid: str
    line: int
    readings: int
    length: float
    bearing: float


@dataclass(frozen=True, eq=False)
class Split:
    """What splitting a track gives back.

    Parameters
    ----------
    line, sequence
        Traverse number and number of the reading along it from 1, ``(n,)``; `NO_LINE` and NaN for
        a reading of no traverse.
    along, bearing
        Distance from the traverse's start, map units, and direction of travel, degrees clockwise
        from grid north, ``(n,)``; NaN off the traverses and without a position.
    why
        ``(n,)``: `ON_LINE` (0), 1 in a turn, a stop or a piece too short, 2 without a position and
        between no two readings of one traverse.
    pieces
        The traverses in walking order.
    figures, messages, warnings
        As in `lynchet.algorithms.readings.Correction`.
    """

    line: IntArray
    sequence: FloatArray
    along: FloatArray
    bearing: FloatArray
    why: IntArray
    pieces: tuple[Piece, ...]
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def splitlines(
    readings: Readings, options: SplitOptions | None = None, progress: Progress = keep_going
) -> Split:
    """Split a track, data grid by data grid, into traverses numbered in walking order.

    Readings follow each other by time where all have one; else by traverse number and sequence
    where all have these and none comes twice; else in the order of the rows.

    Raises
    ------
    ValueError
        If the readings have no positions, no traverse is found, or a speed is asked for without
        times.

    References
    ----------
    Plane geometry and common practice, no source.

    Examples
    --------
    >>> up = np.arange(0, 20, 0.25)
    >>> r = Readings.build(x=np.repeat([0.0, 1.0], 80), y=np.concatenate([up, up[::-1]]),
    ...                    values=np.zeros(160))
    >>> found = splitlines(r)
    >>> [(piece.line, piece.readings, piece.bearing) for piece in found.pieces]
    [(1, 80, 0.0), (2, 80, 180.0)]
    """
    options = options or SplitOptions()
    placed = np.isfinite(readings.x) & np.isfinite(readings.y)
    if not placed.any():
        raise ValueError(
            "No reading has a position: place the readings before splitting the track."
        )
    timed = bool(np.isfinite(readings.time).all())
    if not timed and (options.slowest is not None or options.fastest is not None):
        raise ValueError(
            "Speeds need the time of every reading. Choose the time field, or leave out the "
            "slowest and fastest speed."
        )
    n = len(readings)
    order, by = walking_order(readings)
    found = _Found(
        line=np.full(n, NO_LINE, np.int64),
        sequence=np.full(n, np.nan),
        along=np.full(n, np.nan),
        bearing=np.full(n, np.nan),
        why=np.full(n, TURN, np.int64),
    )
    codes = list(dict.fromkeys(readings.grid[order].tolist()))
    for number, code in enumerate(codes):
        advance(progress, number / len(codes))
        _split_grid(readings, order[readings.grid[order] == code], timed, options, found)
    advance(progress, 1.0)
    if not found.pieces:
        raise ValueError(
            f"No traverse of {in_unit(options.min_length, options.length_unit)} or more is "
            f"found between turns of more than {options.turn_angle:g} degrees. Choose a shorter "
            "least length, or check the order of the readings and the bearings."
        )
    return _told(readings, options, by, found)


def walking_order(readings: Readings) -> tuple[IntArray, str]:
    """Rows in the order in which they were read, and what tells it, in words.

    Examples
    --------
    >>> r = Readings.build(x=[0, 1, 2], y=[0, 0, 0], values=[1, 2, 3], time=[30, 10, 20])
    >>> walking_order(r)[0].tolist()
    [1, 2, 0]
    """
    if np.isfinite(readings.time).all():
        return np.lexsort((readings.sequence, readings.time)).astype(np.int64), "their time"
    if (readings.line != NO_LINE).all() and np.isfinite(readings.sequence).all():
        order = np.lexsort((readings.sequence, readings.line, readings.grid))
        keys = (readings.sequence, readings.line, readings.grid)
        again = np.all([np.diff(key[order]) == 0 for key in keys], axis=0)
        if not again.any():
            return order.astype(np.int64), "traverse number and sequence"
    return np.arange(len(readings)), "their place in the layer"


@dataclass(eq=False)
class _Found:
    """What is gathered data grid by data grid."""

    line: IntArray
    sequence: FloatArray
    along: FloatArray
    bearing: FloatArray
    why: IntArray
    pieces: list[Piece] = field(default_factory=list)
    gaps: int = 0
    jumps: int = 0


def _split_grid(
    readings: Readings, rows: IntArray, timed: bool, options: SplitOptions, found: _Found
) -> None:
    """Split the readings of one data grid, given in walking order."""
    place = readings.x[rows] + 1j * readings.y[rows]
    there = np.flatnonzero(np.isfinite(place))
    found.why[rows[~np.isfinite(place)]] = UNPLACED
    if not len(there):
        return
    gap = _gap(place[there], options)
    stray = _jumps(place[there], gap)
    found.jumps += int(stray.sum())
    there = there[~stray]
    broken = np.abs(np.diff(place[there])) > gap
    time = readings.time[rows[there]] if timed else None
    if time is not None and options.gap_time is not None:
        broken |= np.diff(time) > options.gap_time
    cuts = np.flatnonzero(broken) + 1
    found.gaps += len(cuts)
    limits = Limits(
        options.window, options.turn_angle, options.min_length, options.bearings,
        options.bearing_tolerance, options.slowest, options.fastest,
    )  # fmt: skip
    number = np.full(len(rows), -1, np.int64)
    count = 0
    for part in np.split(np.arange(len(there)), cuts):
        lapse = None if time is None else time[part]
        held = traverses_between_turns(place[there[part]], lapse, limits)
        number[there[part]] = np.where(held >= 0, held + count, -1)
        count += int(held.max()) + 1
    _fill_between(number, there)
    by_number = np.argsort(number, kind="stable")
    bounds = np.searchsorted(number[by_number], np.arange(count + 1))
    for k in range(count):
        own = rows[by_number[bounds[k] : bounds[k + 1]]]
        _number_piece(readings, own, options.first_line + k, options.window, found)


def _gap(place: npt.NDArray[np.complex128], options: SplitOptions) -> float:
    if options.gap is not None:
        return options.gap
    steps = np.abs(np.diff(place))
    steps = steps[steps > 0]
    usual = float(np.percentile(steps, USUAL)) if len(steps) else 0.0
    return max(GAP_STEPS * usual, options.window)


def _jumps(place: npt.NDArray[np.complex128], gap: float) -> BoolArray:
    """Readings a gap away from both neighbours where these are near each other."""
    stray = np.zeros(len(place), np.bool_)
    far = np.abs(np.diff(place)) > gap
    stray[1:-1] = far[1:] & far[:-1] & (np.abs(place[2:] - place[:-2]) <= gap)
    return stray


def _fill_between(number: IntArray, known: IntArray) -> None:
    """Give a reading without a sound position to the traverse of those before and after it."""
    loose = np.setdiff1d(np.arange(len(number)), known)
    after = np.searchsorted(known, loose)
    inside = (after > 0) & (after < len(known))
    loose, after = loose[inside], after[inside]
    before = number[known[after - 1]]
    number[loose] = np.where(before == number[known[after]], before, -1)


def _number_piece(
    readings: Readings, rows: IntArray, line: int, window: float, found: _Found
) -> None:
    """Fill in a traverse whose readings are these rows, in walking order."""
    x, y = readings.x[rows], readings.y[rows]
    bearing = smoothed_heading(x, y, 2 * window)
    there = np.flatnonzero(np.isfinite(bearing))
    along = way_made(x, y, bearing)
    found.line[rows] = line
    found.sequence[rows] = np.arange(1, len(rows) + 1)
    found.bearing[rows] = bearing
    found.along[rows] = along
    found.why[rows] = ON_LINE
    a, b = there[0], there[-1]
    found.pieces.append(
        Piece(
            readings.grid_names[readings.grid[rows[0]]],
            line,
            len(rows),
            float(along[there[-1]]),
            float(np.degrees(np.arctan2(x[b] - x[a], y[b] - y[a])) % 360.0),
        )
    )


def _told(readings: Readings, options: SplitOptions, by: str, found: _Found) -> Split:
    lengths = np.array([piece.length for piece in found.pieces])
    turns, unplaced = (int(np.count_nonzero(found.why == code)) for code in (TURN, UNPLACED))
    unit = options.length_unit
    grids = len({piece.grid for piece in found.pieces})
    where = f" in {plural(grids, 'data grid')}" if grids > 1 else ""
    figures: dict[str, float | int | str] = {
        "readings": len(readings),
        "traverses": len(found.pieces),
        "readings in turns": turns,
        "readings unplaced": unplaced,
        "gaps": found.gaps,
        "jumps of position": found.jumps,
        "total length": float(f"{lengths.sum():.6g}"),
        "median length": float(f"{np.median(lengths):.6g}"),
        "shortest length": float(f"{lengths.min():.6g}"),
        "longest length": float(f"{lengths.max():.6g}"),
    }
    span = f"{in_unit(float(lengths.min()), '')} to {in_unit(float(lengths.max()), unit)} long"
    messages = [
        f"{plural(len(found.pieces), 'traverse')}{where}, {span}, half of them longer than "
        f"{in_unit(float(np.median(lengths)), unit)}. Readings were put in order by {by}.",
        f"{plural(turns, 'reading lies', 'readings lie')} in turns, stops or pieces too short, on "
        f"no traverse; {plural(found.gaps, 'gap')} in the track.",
    ]
    warnings = []
    before = np.unique(readings.line[readings.line != NO_LINE])
    if len(before) > 1:
        warnings.append(
            f"The traverse numbers there were, {len(before):,} different ones, are replaced."
        )
    if unplaced:
        warnings.append(
            f"{plural(unplaced, 'reading has', 'readings have')} no position and belong to no "
            "traverse."
        )
    if found.jumps:
        warnings.append(
            f"{plural(found.jumps, 'reading lies', 'readings lie')} far from both neighbours on "
            "the track: the position is wrong, and cuts no traverse."
        )
    return Split(
        found.line, found.sequence, found.along, found.bearing, found.why, tuple(found.pieces),
        figures, tuple(messages), tuple(warnings),
    )  # fmt: skip
