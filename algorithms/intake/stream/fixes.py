"""Fixes on one time base, from sentences that tell a time of day and, some of them, a date."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import FloatArray, IntArray
from ..clock import DAY
from .nmea import NO_DAY, Sentences

APART = 3.0
"""Metres by which two places of one moment may differ and still be of one antenna (common practice,
no source)."""
EARTH = 6_371_000.0
"""Radius of the earth, metres."""


@dataclass(frozen=True, eq=False)
class Fixes:
    """Positions of the antenna in the order of time, one a moment, ``(m,)`` each.

    Parameters
    ----------
    time
        Seconds since midnight (UTC) of the day of the first one; a leap second counts.
    longitude, latitude, quality, hdop, height, stamp
        As in `lynchet.algorithms.intake.stream.nmea.Sentences`.
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
    denied
        At how many moments a GGA without a fix outdid an RMC with one.
    apart
        Numbers of lines that tell a moment again, further than `APART` from where it counts.
    farthest
        The largest of these distances, metres; 0 for none.
    """

    time: FloatArray
    longitude: FloatArray
    latitude: FloatArray
    quality: IntArray
    hdop: FloatArray
    height: FloatArray
    stamp: FloatArray
    place: IntArray
    day: int
    repeated: int
    backward: IntArray
    leaps: int
    denied: int
    apart: IntArray
    farthest: float

    def __len__(self) -> int:
        return len(self.time)

    @property
    def interval(self) -> float:
        """Usual time from one fix to the next, seconds; NaN for a single one."""
        return float(np.median(np.diff(self.time))) if len(self) > 1 else np.nan


def fixes_of(said: Sentences) -> Fixes:
    """Fixes from sentences with positions and GGA without, in the order of their arrival.

    Dates come from RMC; a GGA, which has none, lies within half a day of the dated sentence before
    it. Without any date, a clock that falls by more than 12 h has passed midnight. Where GGA and
    RMC tell the same moment, the GGA counts, also where it says that there is no fix; where a
    sentence comes twice, the first.

    Examples
    --------
    >>> import numpy as np
    >>> from ..text.bytelines import Lines
    >>> from .nmea import checksum, parse_sentences
    >>> body = "GPGGA,{},4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"
    >>> words = [body.format(time) for time in ("235959", "235960", "000000")]
    >>> text = "".join(f"${word}*{checksum(word)} " for word in words).encode()
    >>> ends = np.flatnonzero(np.frombuffer(text, np.uint8) == 32)
    >>> lines = Lines(np.frombuffer(text, np.uint8), np.append(0, ends[:-1] + 1), ends, 1)
    >>> fixes_of(parse_sentences(lines)).time.tolist()
    [86399.0, 86400.0, 86401.0]
    """
    known = said.quality > 0
    day = _days(said)
    # A moment of a day counts the leap seconds at the ends of earlier days.
    leap_days = np.unique(day[said.leap])
    first = int(day[np.argmax(known)])
    time = (day - first) * DAY + said.clock + np.searchsorted(leap_days, day)
    rank = np.select([said.full & known, said.full], [0, 1], 2)
    order = np.lexsort((np.arange(len(time)), rank, time))
    new = np.diff(time[order], prepend=-np.inf) > 0
    moment = np.cumsum(new) - 1
    counts = order[new]
    short = np.bincount(moment[rank[order] == 2], minlength=len(counts)) > 0
    again = ~new & (np.diff(rank[order], prepend=-1) == 0)
    distance = _metres(said, order, counts[moment])
    far = distance > APART
    kept = counts[known[counts]]
    told = np.flatnonzero(known)
    return Fixes(
        time=time[kept],
        longitude=said.longitude[kept],
        latitude=said.latitude[kept],
        quality=said.quality[kept],
        hdop=said.hdop[kept],
        height=said.height[kept],
        stamp=said.stamp[kept],
        place=said.place[kept],
        day=first if (said.day != NO_DAY).any() else NO_DAY,
        repeated=int(np.count_nonzero(again)),
        backward=said.place[told[np.flatnonzero(np.diff(time[told]) < 0) + 1]],
        leaps=len(leap_days),
        denied=int(np.count_nonzero(short & ~known[counts])),
        apart=np.sort(said.place[order[far]]),
        farthest=float(distance[far].max(initial=0.0)),
    )


def _metres(said: Sentences, one: IntArray, other: IntArray) -> FloatArray:
    """How far apart sentences tell places, on a sphere, for short distances; NaN for no place."""
    longitude, latitude = np.radians(said.longitude), np.radians(said.latitude)
    north = latitude[one] - latitude[other]
    # The shorter way round, where the half circles of east and west meet.
    east = (longitude[one] - longitude[other] + np.pi) % (2 * np.pi) - np.pi
    metres: FloatArray = EARTH * np.hypot(north, east * np.cos(latitude[other]))
    return metres


def _days(said: Sentences) -> IntArray:
    """Day of each sentence, as an ordinal, or from 0 where no sentence tells one."""
    dated = np.flatnonzero(said.day != NO_DAY)
    told = said.day[dated]
    if not len(dated):
        # Before its first fix a receiver's clock may run wild.
        dated = np.flatnonzero(said.quality > 0)
        told = passed_midnights(said.clock[dated])
    before = np.searchsorted(dated, np.arange(len(said.clock)), side="right") - 1
    near = np.maximum(before, 0)
    days = np.rint((said.clock[dated[near]] - said.clock) / DAY).astype(np.int64)
    found: IntArray = told[near] + days
    return found


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
