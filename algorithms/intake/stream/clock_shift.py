"""When a stream's readings were taken, on the clock of its positions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import median_filter

from ...readings import BoolArray, FloatArray, IntArray
from ...words import plural
from ..clock import DAY
from .fixes import passed_midnights
from .lines import Stream
from .nmea import NO_DAY

CLOCKS = ("shared", "found", "arrival")
SUSPECT = 2.0
"""Seconds, and usual times between fixes, by which a shared clock may miss the order of lines."""
LATE = 0.01
"""Share of lines that may come out of their turn."""
EVENED = 61
"""Stamps whose median is taken, so that sentences held up on their way do not tell."""


@dataclass(frozen=True, eq=False)
class Timed:
    """Times of readings, ``(n,)`` each, NaN where unknown.

    Parameters
    ----------
    moment
        On the clock of the fixes.
    shown
        As the instrument showed it, running on over midnight; as `moment` where it has no clock.
    figures
        What was found about the clock, seconds, by short name.
    messages, warnings
        Sentences for the user.
    """

    moment: FloatArray
    shown: FloatArray
    figures: dict[str, float]
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def timed(stream: Stream, clock: str, shift: float) -> Timed:
    """When each reading was taken.

    Parameters
    ----------
    clock, shift
        As in `lynchet.algorithms.intake.importstream.JoinOptions`. A recipe without a time leaves
        the order of arrival alone.

    Raises
    ------
    ValueError
        If the clock is to be told by the order of lines, and positions are in files of their own.
    """
    stamped = bool(np.isfinite(stream.fixes.stamp).any())
    if not stream.together and (stream.clock is None or clock == "arrival"):
        raise ValueError(
            "The positions are in a file of their own: only a clock that both share can join them. "
            "Name the time in the recipe and choose the shared clock."
        )
    if not stream.together and clock == "found" and not stamped:
        raise ValueError(
            "The positions are in a file of their own: without the logger's time before each "
            "sentence ('stamp' in the recipe), only a clock that both share can join them."
        )
    if stream.clock is None and clock == "found":
        raise ValueError("The recipe names no time. Name it, or choose the order of arrival.")
    if stream.clock is None or clock == "arrival":
        arrived = arrival_times(stream)
        said = "Readings lie evenly between the sentences they came between."
        return Timed(arrived, _from_first_midnight(arrived), {}, (said,))
    ran, back = _running(stream.clock, stream.leap, stream.day)
    warnings: list[str] = []
    if back:
        warnings.append(
            f"The instrument's clock falls back {plural(back, 'time')}. Readings lie where it says."
        )
    if clock == "shared":
        return _shared(stream, ran, shift, warnings)
    found, figures, said = _by_stamps(stream, ran) if stamped else _by_order(stream, ran)
    return Timed(ran + found, _from_first_midnight(ran), figures, (said,), tuple(warnings))


def _shared(stream: Stream, ran: FloatArray, shift: float, warnings: list[str]) -> Timed:
    """Times by a clock that is that of the fixes but for the shift."""
    moment = _on_day(ran + shift, stream)
    ahead = clock_ahead(stream, moment) if stream.together else None
    figures = {} if ahead is None else {"clock ahead by order of lines": round(ahead, 3)}
    if ahead is not None and abs(ahead) > SUSPECT * max(1.0, np.nan_to_num(stream.fixes.interval)):
        warnings.append(
            f"By the order of the lines, the instrument's clock is {abs(ahead):,.1f} s "
            f"{'ahead of' if ahead > 0 else 'behind'} the positions'. Check the clock shift."
        )
    shown = _from_first_midnight(moment - shift)
    return Timed(moment, shown, figures, (), tuple(warnings))


def _by_order(stream: Stream, ran: FloatArray) -> tuple[float, dict[str, float], str]:
    """Shift of a clock that runs true, by the order of the lines."""
    found = -(clock_ahead(stream, ran) or 0.0)
    said = f"Clock shift found from the order of the lines: {found:.2f} s."
    return found, {"clock shift found": round(found, 3)}, said


def _by_stamps(stream: Stream, ran: FloatArray) -> tuple[FloatArray, dict[str, float], str]:
    """Shift of the clock at each reading, by the logger's own time before each sentence.

    The shift is the running median of fix less stamp, and goes on evenly from stamp to stamp: a
    clock that drifts is followed.
    """
    fixes = stream.fixes
    rows = np.argsort(fixes.place)
    rows = rows[np.isfinite(fixes.stamp[rows])]
    stamp, _ = _running(fixes.stamp[rows], None, stream.day)
    # Both clocks are one: their middles are within half a day.
    middle = np.nanmedian(ran) if np.isfinite(ran).any() else 0.0
    stamp += DAY * np.rint((middle - np.median(stamp)) / DAY)
    apart = fixes.time[rows] - stamp
    # No window longer than what it runs over: SciPy 1.15 then gives zeros.
    shift = median_filter(apart, min(EVENED, len(apart) - 1 | 1), mode="nearest")
    order = np.argsort(stamp, kind="stable")
    figures = {
        "stamps": len(rows),
        "clock shift found": round(float(np.median(apart)), 3),
        "clock drift": round(float(shift[-1] - shift[0]), 3),
        "stamps stray by": round(float(np.median(np.abs(apart - shift))), 3),
    }
    said = (
        f"Clock shift by {plural(len(rows), 'stamp')} before sentences: {shift[0]:.3f} s at the "
        f"first, {shift[-1]:.3f} s at the last; single stamps stray by "
        f"{figures['stamps stray by']:.3f} s (median)."
    )
    return np.interp(ran, stamp[order], shift[order]), figures, said


def arrival_times(stream: Stream) -> FloatArray:
    """When readings came, by the fixes between which they came, ``(n,)``; NaN outside all.

    The ``j``-th of ``k`` readings between two fixes came at ``(j - 1/2) / k`` of the time.
    """
    after, start, end = _arrived_between(stream)
    count = np.bincount(after)
    # Readings come in the order of lines, so that those of one stretch stand together.
    begins = np.concatenate([[0], np.cumsum(count)[:-1]])
    number = np.arange(len(after)) - begins[after] + 0.5
    found: FloatArray = start + number / count[after] * (end - start)
    return found


def clock_ahead(stream: Stream, moment: FloatArray) -> float | None:
    """Seconds by which moments are ahead of what the order of the lines says; None if unknown.

    Each reading came after one fix and before the next. A clock that is right by all of them is
    that much ahead at least and at most; one in a hundred may be late or early.
    """
    _, start, end = _arrived_between(stream)
    known = np.isfinite(moment - start)
    if not known.any():
        return None
    least = np.quantile((moment - end)[known], 1 - LATE)
    most = np.quantile((moment - start)[known], LATE)
    return float(least + most) / 2


def _arrived_between(stream: Stream) -> tuple[IntArray, FloatArray, FloatArray]:
    """How many fixes came before each reading, and the times of the fixes beside; NaN outside."""
    order = np.argsort(stream.fixes.place)
    place = stream.fixes.place[order]
    time = np.concatenate([[np.nan], stream.fixes.time[order], [np.nan]])
    after = np.searchsorted(place, stream.place)
    start, end = time[after], time[after + 1]
    outside = np.isnan(start) | np.isnan(end)
    return after, np.where(outside, np.nan, start), np.where(outside, np.nan, end)


def _running(
    clock: FloatArray, leap: BoolArray | None, day: float | None
) -> tuple[FloatArray, int]:
    """A clock that runs on over midnight and leap seconds, and how often it falls back."""
    known = np.flatnonzero(np.isfinite(clock))
    ran = clock.astype(np.float64)
    if day is None and len(known):
        ran[known] += DAY * passed_midnights(clock[known])
    if leap is not None and leap.any():
        told = leap[known]
        ran[known] += np.cumsum(np.concatenate([[False], told[:-1] & ~told[1:]]))
    return ran, int(np.count_nonzero(np.diff(ran[known]) < 0))


def _on_day(moment: FloatArray, stream: Stream) -> FloatArray:
    """Moments moved by whole days to those of the fixes.

    In one stream, the line of a reading tells its day. Otherwise dates do, or else the middles of
    both recordings are within half a day.
    """
    fixes = stream.fixes
    if stream.together:
        order = np.argsort(fixes.place)
        near = np.searchsorted(fixes.place[order], stream.place) - 1
        beside = fixes.time[order][np.maximum(near, 0)]
        days: FloatArray = np.rint((beside - moment) / DAY)
        return moment + DAY * days
    if stream.day is not None and fixes.day != NO_DAY:
        return moment + DAY * (stream.day - fixes.day)
    if not np.isfinite(moment).any():
        return moment
    apart = fixes.time[0] + fixes.time[-1] - np.nanmin(moment) - np.nanmax(moment)
    return moment + DAY * round(float(apart) / 2 / DAY)


def _from_first_midnight(time: FloatArray) -> FloatArray:
    """Times counted from the midnight before the first known one."""
    known = np.isfinite(time)
    day = np.floor(time[np.argmax(known)] / DAY) if known.any() else 0.0
    return time - DAY * day
