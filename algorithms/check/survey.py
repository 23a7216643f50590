"""What every part of a check needs to know of a survey, worked out once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..correct.differential import places_of
from ..correct.traverses import GridLines, grids_of
from ..gridding import spacing
from ..readings import BoolArray, FloatArray, IntArray, Readings, Traverse
from .lines import Lines

PARALLEL = 0.9
"""Least cosine between a traverse and its data grid's axis for the two to count as parallel."""

WINDING = 3.0
"""A traverse that walks this many times its own extent is a track that turns back and forth."""


@dataclass(frozen=True)
class CheckOptions:
    """What readings are checked against.

    Parameters
    ----------
    separation, interval
        Planned traverse separation and reading interval, map units; None to judge each traverse
        and reading by the rest of the survey.
    tolerance
        How far either may be off, per cent.
    reach
        Ground further than this from every reading is a gap, map units; None for three quarters of
        the separation (planned, or else measured).
    gap_factor
        A step along a traverse of more than so many intervals is a gap.
    length_unit
        What the map unit is called in sentences.

    Raises
    ------
    ValueError
        If a number is out of its range.
    """

    separation: float | None = None
    interval: float | None = None
    tolerance: float = 25.0
    reach: float | None = None
    gap_factor: float = 5.0
    length_unit: str = "map units"

    def __post_init__(self) -> None:
        for what, length in (
            ("planned traverse separation", self.separation),
            ("planned reading interval", self.interval),
            ("reach of a reading", self.reach),
        ):
            if length is not None and not (length > 0 and np.isfinite(length)):
                raise ValueError(f"The {what} is {length:g}: choose a length above 0.")
        if not 0 < self.tolerance < 1000:
            raise ValueError(
                f"The tolerance is {self.tolerance:g} %: choose more than 0 and less than 1000."
            )
        if not self.gap_factor > 1:
            raise ValueError(
                f"A gap along a traverse is a step of {self.gap_factor:g} intervals: choose more "
                "than 1."
            )

    @property
    def slack(self) -> float:
        """The tolerance as a fraction."""
        return self.tolerance / 100.0


@dataclass(frozen=True, eq=False)
class Survey:
    """A survey and how it was walked.

    Parameters
    ----------
    readings
        All of it.
    lines
        Its traverses, all their readings.
    placed, kept
        Which readings have a position, and which have a usable value of some channel as well,
        shape ``(n,)``.
    grids
        The traverses of every data grid, sorted across, of all placed readings.
    separation, interval
        As measured, map units; NaN where the readings do not show it.
    unit
        What the map unit is called.
    """

    readings: Readings
    lines: Lines
    placed: BoolArray
    kept: BoolArray
    grids: tuple[GridLines, ...]
    separation: float
    interval: float
    unit: str

    @classmethod
    def of(cls, readings: Readings, unit: str = "map units") -> Survey:
        """Look a survey over."""
        placed = np.isfinite(readings.x) & np.isfinite(readings.y)
        kept = placed & readings.usable.any(axis=1)
        grids = grids_of(readings)
        separation, interval = _spacing(readings.take(np.flatnonzero(kept)))
        # Traverses walked again have their like at no distance, and traverses of two blocks end to
        # end stand in each other's gaps: each way of measuring errs to the short side.
        none: FloatArray = np.empty(0)
        gaps = np.concatenate([none, *(gaps_across(readings, lines)[0] for lines in grids)])
        across = float(np.median(gaps)) if len(gaps) else float("nan")
        separation = spacing.significant(float(np.fmax(separation, across)))
        found = cls(
            readings,
            Lines.of(readings),
            placed,
            kept,
            grids,
            separation,
            interval,
            unit,
        )
        # Passes of a track that was never split are no traverses: their distance is none either.
        rows = sum(len(found.lines.traverses[number].rows) for number in found.winding)
        unsplit = rows > len(found.lines.rows) / 2
        return replace(found, separation=float("nan")) if unsplit else found

    @cached_property
    def steps(self) -> Steps:
        """From each reading with a position and a value to the next such one of its traverse."""
        lines = self.lines.where(self.kept)
        follows = np.flatnonzero(lines.follows)
        start, end = lines.rows[follows], lines.rows[follows + 1]
        x, y = self.readings.x, self.readings.y
        return Steps(start, end, lines.number[follows], x[end] - x[start], y[end] - y[start])

    @cached_property
    def winding(self) -> IntArray:
        """Numbers of the traverses that turn back and forth: tracks that were never split."""
        steps = self.steps
        count = len(self.lines.traverses)
        walked = np.bincount(steps.number, steps.length, minlength=count)
        lines = self.lines.where(self.kept)
        extent = np.zeros(count)
        if len(lines.rows):
            first = np.flatnonzero(np.diff(lines.number, prepend=-1))
            spans = [
                np.maximum.reduceat(v[lines.rows], first)
                - np.minimum.reduceat(v[lines.rows], first)
                for v in (self.readings.x, self.readings.y)
            ]
            extent[lines.number[first]] = np.hypot(*spans)
        return np.flatnonzero(walked > WINDING * extent)


@dataclass(frozen=True, eq=False)
class Steps:
    """Steps along traverses: rows of their ends, traverse, and way in map units, ``(s,)`` each."""

    start: IntArray
    end: IntArray
    number: IntArray
    east: FloatArray
    north: FloatArray

    @property
    def length(self) -> FloatArray:
        """Map units."""
        length: FloatArray = np.hypot(self.east, self.north)
        return length


def _spacing(walked: Readings) -> tuple[float, float]:
    """Separation and interval as measured; NaN where the readings do not show it."""
    try:
        found = spacing.measure(walked)
        return found.separation, found.interval
    except ValueError:  # no second traverse: a finding and no error
        pass
    try:
        return float("nan"), spacing.reading_interval(walked)
    except ValueError:
        return float("nan"), float("nan")


def along_axis(readings: Readings, lines: GridLines) -> BoolArray:
    """Which traverses of a data grid run along its axis, shape ``(t,)``; a tie line does not."""
    ends = np.array([[t.rows[0], t.rows[-1]] for t in lines.traverses])
    chord = np.hypot(np.diff(readings.x[ends])[:, 0], np.diff(readings.y[ends])[:, 0])
    run = np.array([abs(along[-1] - along[0]) for along in lines.along])
    parallel: BoolArray = run > PARALLEL * np.maximum(chord, 1e-12)
    return parallel


def gaps_across(readings: Readings, lines: GridLines) -> tuple[FloatArray, list[Traverse]]:
    """Gaps between the places of a data grid's parallel traverses, and the traverse after each.

    Traverses walked again lie at one place.
    """
    parallel = np.flatnonzero(along_axis(readings, lines))
    if len(parallel) < 2:
        return np.empty(0), []
    across = lines.across[parallel]
    places = places_of(across)
    first = np.flatnonzero(np.diff(places, prepend=-1))
    centre = np.bincount(places, across) / np.bincount(places)
    return np.diff(centre), [lines.traverses[i] for i in parallel[first[1:]]]
