"""Correct drift from base readings: what the instrument read at one place as the day went on."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.interpolate import PchipInterpolator

from ..options import check_words
from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, Correction, FloatArray, IntArray, Readings
from ..words import in_unit, same_unit
from .windows import MAD_TO_SIGMA

DAY = 86_400
DATED = 1000
"""Days since when a time must be a date, counted from 1970, and not a long survey's clock."""

METHODS = ("linear", "smooth", "stepwise")
REFERENCES = ("first_visit", "median_of_visits", "zero")


@dataclass(frozen=True)
class DriftBaseOptions:
    """How drift is drawn through the base readings.

    Parameters
    ----------
    method
        ``"linear"`` between visits; ``"smooth"``, a shape-preserving cubic that never swings
        beyond the visits; ``"stepwise"``, the last visit holding until the next, for an instrument
        that is set to zero at every visit.
    reference
        What the readings are brought to: the base's value at the ``"first_visit"``, the
        ``"median_of_visits"``, or ``"zero"``, so that readings become differences from the base.
    visit_gap
        Base readings further apart in time than this belong to two visits, seconds.
    extend
        Hold the first and last visit's value for readings taken before and after them. Otherwise
        such readings are refused.

    Raises
    ------
    ValueError
        If a word is unknown or the gap is not above 0.
    """

    method: str = "linear"
    reference: str = "first_visit"
    visit_gap: float = 60.0
    extend: bool = False

    def __post_init__(self) -> None:
        check_words(("Method", self.method, METHODS), ("Reference", self.reference, REFERENCES))
        if not self.visit_gap > 0:
            raise ValueError(f"The gap between visits is {self.visit_gap:g} s: give more than 0.")


@dataclass(frozen=True, eq=False)
class DriftCurve:
    """The drift of one channel on one day, for drawing.

    Parameters
    ----------
    channel, unit, day
        What and when; `day` is the day's code.
    visit_time, visit_value, visit_spread
        Each visit's median time (s), median value and robust spread (channel units), ``(v,)``.
    time, value
        The curve at closely spaced times, the reference not yet taken off.
    reference
        The level the readings are brought to.
    """

    channel: str
    unit: str
    day: int
    visit_time: FloatArray
    visit_value: FloatArray
    visit_spread: FloatArray
    time: FloatArray
    value: FloatArray
    reference: float


@dataclass(frozen=True, eq=False)
class DriftCorrection(Correction):
    """A `Correction` with the curves that were taken off."""

    curves: tuple[DriftCurve, ...] = ()


@dataclass(frozen=True, eq=False)
class Visits:
    """Visits to the base in order of time: medians of one channel, shape ``(v,)`` each."""

    day: IntArray
    time: FloatArray
    value: FloatArray
    spread: FloatArray


def driftbase(
    readings: Readings,
    base: Readings,
    options: DriftBaseOptions | None = None,
    *,
    day: IntArray | None = None,
    base_day: IntArray | None = None,
    progress: Progress = keep_going,
) -> DriftCorrection:
    """Take the drift that base readings show off every reading, per channel and day.

    Base readings close in time are one visit and count by their median. The curve through a day's
    visits, less the reference level, is subtracted from that day's readings; all days are brought
    to one level.

    Parameters
    ----------
    readings, base
        Survey and base readings with the same channels, in the same clock.
    day, base_day
        Code of the day of each reading, shapes ``(n,)`` and ``(b,)``; None for one day.

    Raises
    ------
    ValueError
        If a reading has no time, lies before the first or after the last visit of its day without
        `extend`, or a channel or day has no base readings.
    """
    options = options or DriftBaseOptions()
    _check_channels(readings, base)
    days = np.zeros(len(readings), np.int64) if day is None else day
    base_days = np.zeros(len(base), np.int64) if base_day is None else base_day
    untimed = np.flatnonzero(~np.isfinite(readings.time))
    if len(untimed):
        raise ValueError(
            f"{len(untimed):,} readings have no time, the first of them reading {untimed[0] + 1}: "
            "their drift is unknown. Fill in the time, or leave them out."
        )
    values = readings.values.copy()
    figures: dict[str, float | int | str] = {}
    messages: list[str] = []
    curves: list[DriftCurve] = []
    for k, (channel, unit) in enumerate(zip(readings.channels, readings.units)):
        advance(progress, k / len(readings.channels))
        visits = find_visits(base, base_days, base.channels.index(channel), options.visit_gap)
        if not len(visits.time):
            raise ValueError(f"The base readings hold no usable value of '{channel}'.")
        level = reference_level(visits, options.reference)
        for code in np.unique(days):
            rows = np.flatnonzero(days == code)
            at_base = visits.day == code
            curve = _curve(visits, at_base, readings.time[rows], options, _day_name(days, code))
            values[rows, k] -= curve(readings.time[rows]) - level
            curves.append(_drawn(visits, at_base, curve, channel, unit, int(code), level))
        drift = np.concatenate([c.value for c in curves if c.channel == channel])
        figures[f"drift {channel}"] = float(f"{np.ptp(drift):.4g}")
        figures[f"base noise {channel}"] = float(f"{np.median(visits.spread):.4g}")
        figures["visits"] = max(int(figures.get("visits", 0)), len(visits.time))
        messages.append(
            f"{channel}: drifted over {in_unit(np.ptp(drift), unit)} in "
            f"{len(visits.time)} visits to the base."
        )
    return DriftCorrection(
        readings.with_values(values), figures, tuple(messages), curves=tuple(curves)
    )


def _check_channels(readings: Readings, base: Readings) -> None:
    missing = [name for name in readings.channels if name not in base.channels]
    if missing:
        raise ValueError(
            f"The base readings have no channel '{missing[0]}'. They have: "
            f"{', '.join(base.channels)}."
        )
    check_units(readings, base, "base readings")


def check_units(readings: Readings, other: Readings, whose: str) -> None:
    """Refuse other readings of which a channel is known to be in another unit.

    Raises
    ------
    ValueError
        If both units of a channel are known and differ.

    Examples
    --------
    >>> r = Readings.build(x=[0], y=[0], values=[1], channels=["ec"], units=["mS/m"])
    >>> check_units(r, r, "base readings")
    """
    units = dict(zip(other.channels, other.units))
    for name, unit in zip(readings.channels, readings.units):
        theirs = units.get(name, "")
        if unit and theirs and not same_unit(unit, theirs):
            raise ValueError(
                f"Channel '{name}' is in {unit} in the readings, but in {theirs} in the {whose}: "
                f"convert the {whose} the same way, or correct drift before you convert."
            )


def find_visits(base: Readings, days: IntArray, channel: int, gap: float) -> Visits:
    """Visits of one channel: base readings of one day no further apart than `gap` seconds.

    Examples
    --------
    >>> base = Readings.build(x=[0] * 4, y=[0] * 4, values=[1, 3, 9, 9], time=[0, 1, 500, 501])
    >>> visits = find_visits(base, np.zeros(4, int), 0, 60)
    >>> visits.time.tolist(), visits.value.tolist()
    ([0.5, 500.5], [2.0, 9.0])
    """
    rows = np.flatnonzero(base.usable[:, channel] & np.isfinite(base.time))
    rows = rows[np.lexsort((base.time[rows], days[rows]))]
    if not len(rows):
        none = np.empty(0)
        return Visits(np.empty(0, np.int64), none, none, none)
    time = base.time[rows]
    starts = np.flatnonzero((np.diff(time) > gap) | (np.diff(days[rows]) != 0)) + 1
    groups = np.split(rows, starts)
    medians = np.array([np.median(base.values[group, channel]) for group in groups])
    spreads = [
        MAD_TO_SIGMA * np.median(np.abs(base.values[group, channel] - median))
        for group, median in zip(groups, medians)
    ]
    return Visits(
        np.array([days[group[0]] for group in groups], np.int64),
        np.array([np.median(base.time[group]) for group in groups]),
        medians,
        np.array(spreads),
    )


def reference_level(visits: Visits, reference: str) -> float:
    """The level all readings are brought to, channel units."""
    if reference == "zero":
        return 0.0
    if reference == "median_of_visits":
        return float(np.median(visits.value))
    return float(visits.value[0])


def _day_name(days: IntArray, code: int) -> str:
    return f" of day {code}" if len(np.unique(days)) > 1 else ""


def _curve(
    visits: Visits, at_base: BoolArray, time: FloatArray, options: DriftBaseOptions, whose: str
) -> Callable[[FloatArray], FloatArray]:
    visit_time, value = visits.time[at_base], visits.value[at_base]
    if not len(visit_time):
        raise ValueError(
            f"There are no base readings for the {len(time):,} readings{whose}. Add them, or "
            "correct that day by itself."
        )
    if not options.extend:
        _refuse_outside(visit_time, time, whose)
    return drift_curve(visit_time, value, options.method)


def _refuse_outside(visit_time: FloatArray, time: FloatArray, whose: str) -> None:
    first, last = visit_time[0], visit_time[-1]
    for outside, side, extreme, nearest, visit in (
        (time < first, "before the first", "earliest", time.min(), first),
        (time > last, "after the last", "latest", time.max(), last),
    ):
        if outside.any():
            raise ValueError(
                f"{int(outside.sum()):,} readings{whose} were taken {side} base visit at "
                f"{clock(visit)}, the {extreme} at {clock(nearest)}. Add base readings there, or "
                "allow the drift to be held beyond the first and last visit."
            )


def clock(seconds: float) -> str:
    """Seconds as a clock time, for messages.

    Examples
    --------
    >>> clock(32530.0), clock(90000.0), clock(1.9e9 + 36400)
    ('09:02:10', '01:00:00 on day 2', '03:53:20 on 2030-03-18')
    """
    days, rest = divmod(round(float(seconds)), DAY)
    text = f"{rest // 3600:02d}:{rest // 60 % 60:02d}:{rest % 60:02d}"
    if days >= DATED:
        return f"{text} on {date.fromordinal(date(1970, 1, 1).toordinal() + days)}"
    return f"{text} on day {days + 1}" if days else text


def drift_curve(
    time: FloatArray, value: FloatArray, method: str
) -> Callable[[FloatArray], FloatArray]:
    """A curve through visits in order of time, held at its ends, as a function of time.

    References
    ----------
    Smooth: F. N. Fritsch and J. Butland (1984), *A method for constructing local monotone
    piecewise cubic interpolants*, SIAM J. Sci. Stat. Comput. 5, 300-304, as in SciPy.
    """
    if method == "stepwise":
        return lambda at: value[np.clip(np.searchsorted(time, at, "right") - 1, 0, None)]
    if method == "smooth" and len(time) > 1:
        cubic = PchipInterpolator(time, value)
        return lambda at: np.asarray(cubic(np.clip(at, time[0], time[-1])), dtype=np.float64)
    return lambda at: np.interp(at, time, value)


def _drawn(
    visits: Visits,
    at_base: BoolArray,
    curve: Callable[[FloatArray], FloatArray],
    channel: str,
    unit: str,
    code: int,
    level: float,
) -> DriftCurve:
    time = visits.time[at_base]
    # The visits themselves are among the times, so that steps and corners show.
    dense = np.unique(np.concatenate([np.linspace(time[0], time[-1], 400), time, time - 1e-3]))
    dense = dense[dense >= time[0]]
    return DriftCurve(
        channel,
        unit,
        code,
        time,
        visits.value[at_base],
        visits.spread[at_base],
        dense,
        curve(dense),
        level,
    )
