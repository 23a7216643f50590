"""Fixes on one time base, from sentences that tell a time of day and, some of them, a date."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import FloatArray, IntArray
from ..clock import DAY
from .nmea import NO_DAY, Sentences


@dataclass(frozen=True, eq=False)
class Fixes:
    """Positions of the antenna in the order of time, one a moment, ``(m,)`` each.

    Parameters
    ----------
    time
        Seconds since midnight (UTC) of the day of the first one; a leap second counts.
    longitude, latitude, quality, hdop, height
        As in `lynchet.algorithms.intake.nmea.Sentences`.
    place
        Running number of the line it came in.
    day
        First day as `datetime.date.toordinal` counts, `NO_DAY` where no sentence tells a date.
    repeated
        How many sentences told a moment again.
    backward
        Numbers of lines that tell an earlier moment than the sentence before.
    leaps
        How many leap seconds were told.
    """

    time: FloatArray
    longitude: FloatArray
    latitude: FloatArray
    quality: IntArray
    hdop: FloatArray
    height: FloatArray
    place: IntArray
    day: int
    repeated: int
    backward: IntArray
    leaps: int

    def __len__(self) -> int:
        return len(self.time)

    @property
    def interval(self) -> float:
        """Usual time from one fix to the next, seconds; NaN for a single one."""
        return float(np.median(np.diff(self.time))) if len(self) > 1 else np.nan


def fixes_of(said: Sentences) -> Fixes:
    r"""Fixes from sentences with positions, in the order of their arrival.

    Dates come from RMC; a GGA, which has none, lies within half a day of the dated sentence before
    it. Without any date, a clock that falls by more than 12 h has passed midnight. Where GGA and
    RMC tell the same moment, the GGA counts; where a sentence comes twice, the first.

    Examples
    --------
    >>> import numpy as np
    >>> from ..text.bytelines import Lines
    >>> from .nmea import checksum, parse_sentences
    >>> body = "GPGGA,{},4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    >>> words = [body.format(time) for time in ("235959", "235960", "000000")]
    >>> text = "".join(f"${word}*{checksum(word)}\n" for word in words).encode()
    >>> ends = np.flatnonzero(np.frombuffer(text, np.uint8) == 10)
    >>> lines = Lines(np.frombuffer(text, np.uint8), np.append(0, ends[:-1] + 1), ends, 1)
    >>> fixes_of(parse_sentences(lines)).time.tolist()
    [86399.0, 86400.0, 86401.0]
    """
    n = len(said.clock)
    day = _days(said)
    # A moment of a day counts the leap seconds at the ends of earlier days.
    leap_days = np.unique(day[said.leap])
    leaps = np.searchsorted(leap_days, day)
    first = int(day[0]) if n else 0
    time = (day - first) * DAY + said.clock + leaps
    order = np.lexsort((np.arange(n), ~said.full, time))
    new = np.diff(time[order], prepend=-np.inf) > 0
    again = ~new & (np.diff(said.full[order].astype(np.int8), prepend=-1) == 0)
    kept = order[new]
    return Fixes(
        time=time[kept],
        longitude=said.longitude[kept],
        latitude=said.latitude[kept],
        quality=said.quality[kept],
        hdop=said.hdop[kept],
        height=said.height[kept],
        place=said.place[kept],
        day=first if (said.day != NO_DAY).any() else NO_DAY,
        repeated=int(np.count_nonzero(again)),
        backward=said.place[np.flatnonzero(np.diff(time) < 0) + 1],
        leaps=len(leap_days),
    )


def _days(said: Sentences) -> IntArray:
    """Day of each sentence, as an ordinal, or from 0 where no sentence tells one."""
    dated = np.flatnonzero(said.day != NO_DAY)
    if not len(dated):
        return passed_midnights(said.clock)
    before = np.searchsorted(dated, np.arange(len(said.clock)), side="right") - 1
    near = dated[np.maximum(before, 0)]
    days = np.rint((said.clock[near] - said.clock) / DAY).astype(np.int64)
    return np.where(said.day != NO_DAY, said.day, said.day[near] + days)


def passed_midnights(clock: FloatArray) -> IntArray:
    """How many midnights had passed at each time of day since the first, in order of arrival.

    Examples
    --------
    >>> passed_midnights(np.array([86399.0, 1.0, 86399.5, 2.0])).tolist()
    [0, 1, 0, 1]
    """
    steps = np.diff(clock, prepend=clock[:1])
    falls = (steps < -DAY / 2).astype(np.int64) - (steps > DAY / 2)
    return np.cumsum(falls)
