"""How long a plan takes to walk, and where the walker stops: base checks, memory, batteries."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..options import check_words
from ..progress import Progress, advance, keep_going
from ..readings import FloatArray, IntArray
from ..words import in_unit, plural, sentence_start

BASE, DOWNLOAD, BATTERY = "base check", "download", "battery"
BASE_AT = ("areas", "interval")
EVERY = 1000
"""Traverses between two reports of progress."""
NAMED = 3
"""Downloads whose traverses are named."""


@dataclass(frozen=True)
class EffortOptions:
    """What walking costs.

    Parameters
    ----------
    speed
        Walking speed while reading and on the way to the next traverse, map units a second.
    turn_time
        Turning, stepping over and starting anew, seconds, for every start but a data grid's first.
    grid_time
        Moving to the next data grid: tapes, strings, instrument; minutes.
    base_at
        ``"areas"``: a base check at the start of every data grid, common practice without a source,
        and more where `base_every` asks for them; ``"interval"``: only where it does, and at the
        very start and end.
    base_every
        Longest time between two base checks, minutes; None for those of every data grid alone.
    base_time
        A base check with the way there and back, minutes.
    breaks
        Share of the time in the field that goes in breaks and mishaps, percent.
    day
        Hours in the field a day.
    capacity
        Readings that the logger holds; None for more than enough.
    battery
        Hours that a battery lasts; None for long enough.

    Raises
    ------
    ValueError
        If a figure is out of its range.
    """

    speed: float = 1.0
    turn_time: float = 10.0
    grid_time: float = 5.0
    base_at: str = "areas"
    base_every: float | None = 30.0
    base_time: float = 3.0
    breaks: float = 20.0
    day: float = 6.0
    capacity: int | None = None
    battery: float | None = None

    def __post_init__(self) -> None:
        for what, figure in (
            ("walking speed", self.speed),
            ("time between base checks", self.base_every),
            ("time in the field a day", self.day),
            ("logger's capacity", self.capacity),
            ("time a battery lasts", self.battery),
        ):
            if figure is not None and not figure > 0:
                raise ValueError(f"The {what} is {figure:g}: give a figure above 0.")
        for what, time in (
            ("time of a turn", self.turn_time),
            ("time of a base check", self.base_time),
            ("time of moving between data grids", self.grid_time),
        ):
            if not time >= 0:
                raise ValueError(f"The {what} is {time:g}: give 0 or more.")
        if not 0 <= self.breaks < 100:
            raise ValueError(f"The breaks take {self.breaks:g} %: give 0 to below 100.")
        check_words(("Place of base checks", self.base_at, BASE_AT))
        if self.base_at == "interval" and self.base_every is None:
            raise ValueError(
                "Base checks by interval need the longest time between two of them. Give it, or "
                "choose 'areas'."
            )


@dataclass(frozen=True, eq=False)
class Legs:
    """Pieces of traverses in the order of walking, ``(p,)`` each.

    Parameters
    ----------
    area, traverse
        Codes that change where another data grid or traverse begins.
    ends
        Start and end (x, y), map units, ``(p, 2, 2)``.
    readings
        Taken on each.
    named
        What each is called: "traverse 3 of data grid G2".
    """

    area: IntArray
    traverse: IntArray
    ends: FloatArray
    readings: IntArray
    named: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class Effort:
    """What a plan costs.

    Parameters
    ----------
    minutes
        When each piece begins, minutes in the field since the first base check, ``(p,)``.
    stops
        What to stop for before each piece, empty for nothing.
    hours
        In the field, breaks and all.
    shares
        Hours by what they go in, in words.
    longest
        Most minutes spent on one traverse.
    batteries
        Batteries used one after another; 0 if none was asked about.
    """

    minutes: FloatArray
    stops: tuple[str, ...]
    hours: float
    shares: dict[str, float]
    longest: float
    batteries: int

    def count(self, stop: str) -> int:
        """How many stops of a kind there are before a traverse."""
        return sum(stop in stops.split("; ") for stops in self.stops)


def estimate(legs: Legs, options: EffortOptions, progress: Progress = keep_going) -> Effort:
    """Time of a plan and its stops. Stops fall between traverses, never inside one.

    Breaks are spread evenly: every minute of work takes ``1 / (1 - breaks)`` minutes in the field.
    From the end of a piece to the start of the next of the same data grid the walker goes straight,
    at the walking speed. A base check comes at the start of the first data grid and, as asked for,
    of every other, and before a traverse that would end too long after the one before; a download
    before one that would overfill the logger; a battery before one that would outlast it, counting
    all time in the field.

    Raises
    ------
    ValueError
        If one traverse alone is more than the logger holds or a battery lasts.

    Examples
    --------
    >>> ends = np.array([[[0.0, 0.0], [0.0, 60.0]], [[1.0, 60.0], [1.0, 0.0]]])
    >>> legs = Legs(np.zeros(2, int), np.arange(2), ends, np.full(2, 240), ("1", "2"))
    >>> found = estimate(legs, EffortOptions(turn_time=9.0, base_time=3.0, breaks=0.0))
    >>> found.minutes.round(2).tolist(), found.stops, round(60 * found.hours, 2)
    ([3.0, 4.17], ('base check', ''), 8.17)
    """
    slower = 1 / (1 - options.breaks / 100)
    walk = _length(legs.ends[:, 1] - legs.ends[:, 0]) / options.speed * slower
    fresh = np.diff(legs.area, prepend=-1) != 0
    before = np.concatenate([legs.ends[:1, 0], legs.ends[:-1, 1]])
    over = _length(legs.ends[:, 0] - before) / options.speed + options.turn_time
    turn = np.where(fresh, 0.0, over) * slower
    first = np.flatnonzero(np.diff(legs.traverse, prepend=-1))
    spent = np.add.reduceat(walk + turn, first)
    readings = np.add.reduceat(legs.readings, first)
    _check(legs, first, spent, readings, options)
    begins, stops, end, batteries = _walked(fresh[first], spent, readings, options, progress)
    within = np.cumsum(walk + turn)
    of = np.repeat(np.arange(len(first)), np.diff([*first, len(walk)]))
    minutes = begins[of] + within - walk - (within - walk - turn)[first][of]
    told = [""] * len(walk)
    for row, stop in zip(first.tolist(), stops):
        told[row] = stop
    checks = 1 + sum(BASE in stop.split("; ") for stop in stops)
    work = {
        "walking": float(walk.sum()) / slower,
        "turning": float(turn.sum()) / slower,
        "base checks": checks * options.base_time * 60,
        "moving between areas": (int(fresh.sum()) - 1) * options.grid_time * 60,
    }
    shares = {name: seconds / 3600 for name, seconds in work.items()}
    shares["breaks"] = end / 3600 - sum(shares.values())
    return Effort(minutes / 60, tuple(told), end / 3600, shares, float(spent.max()) / 60, batteries)


def _walked(
    fresh: FloatArray,
    spent: FloatArray,
    readings: IntArray,
    options: EffortOptions,
    progress: Progress,
) -> tuple[FloatArray, list[str], float, int]:
    """Walk traverse by traverse: when each begins, its stops, the end, and the batteries used."""
    slower = 1 / (1 - options.breaks / 100)
    base, grid = options.base_time * 60 * slower, options.grid_time * 60 * slower
    every = math.inf if options.base_every is None else options.base_every * 60
    lasts = math.inf if options.battery is None else options.battery * 3600
    clock = checked = changed = 0.0
    held, batteries = 0, int(options.battery is not None)
    begins, told = np.empty(len(spent)), []
    for k, (new, takes, count) in enumerate(zip(fresh.tolist(), spent.tolist(), readings.tolist())):
        if k % EVERY == 0:
            advance(progress, k / len(spent))
        stops = []
        clock += grid if new and k else 0.0
        due = clock + takes - checked > every and clock > checked
        if k == 0 or due or (new and options.base_at == "areas"):
            stops.append(BASE)
            clock += base
            checked = clock
        if options.capacity is not None and held + count > options.capacity:
            stops.append(DOWNLOAD)
            held = 0
        if clock + takes - changed > lasts:
            stops.append(BATTERY)
            changed, batteries = clock, batteries + 1
        begins[k] = clock
        clock += takes
        held += count
        told.append("; ".join(stops))
    return begins, told, clock + base, batteries


def _check(
    legs: Legs, first: IntArray, spent: FloatArray, readings: IntArray, options: EffortOptions
) -> None:
    """Refuse a traverse that no stop can help."""
    most, longest = int(np.argmax(readings)), int(np.argmax(spent))
    if options.capacity is not None and readings[most] > options.capacity:
        raise ValueError(
            f"{sentence_start(legs.named[first[most]])} alone takes "
            f"{plural(int(readings[most]), 'reading')}, and the logger holds {options.capacity:,}. "
            "Plan shorter traverses, or correct the logger's capacity."
        )
    if options.battery is not None and spent[longest] > options.battery * 3600:
        raise ValueError(
            f"{sentence_start(legs.named[first[longest]])} alone takes "
            f"{in_unit(float(spent[longest]) / 3600, 'hours')}, and a battery lasts "
            f"{in_unit(options.battery, 'hours')}. Plan shorter traverses, or correct the hours."
        )


def effort_messages(found: Effort, legs: Legs, options: EffortOptions) -> list[str]:
    """Time, base checks, downloads and batteries in sentences."""
    parts = [f"{_duration(hours)} {name}" for name, hours in found.shares.items() if hours > 0]
    days = math.ceil(found.hours / options.day - 1e-9)
    told = [
        f"About {in_unit(found.hours, 'hours')} in the field, {plural(days, 'day')} of "
        f"{in_unit(options.day, 'hours')}: {', '.join(parts)}. Ground, weather and people decide.",
        f"{plural(found.count(BASE) + 1, 'base check')}, from before the first traverse to after "
        "the last.",
    ]
    total = int(legs.readings.sum())
    if options.capacity is not None:
        places = [name for name, stops in zip(legs.named, found.stops) if DOWNLOAD in stops]
        shown = f" before {', '.join(places[:NAMED])}" if places else ""
        more = f" and {len(places) - NAMED:,} more" if len(places) > NAMED else ""
        told.append(
            f"The logger holds {options.capacity:,} of {plural(total, 'reading')}: download"
            f"{shown}{more}{', and' if places else ''} at the end of every day."
        )
    if found.batteries:
        told.append(
            f"{plural(found.batteries, 'battery', 'batteries')} of "
            f"{in_unit(options.battery or 0, 'hours')}, fewer if charged between days. Take one to "
            "spare: cold shortens their life."
        )
    return told


def _duration(hours: float) -> str:
    """Hours, or minutes where it is less than one.

    Examples
    --------
    >>> _duration(1.25), _duration(0.7), _duration(0.001)
    ('1.2 h', '42 min', 'under 1 min')
    """
    if hours >= 1:
        return f"{hours:.1f} h"
    return f"{60 * hours:.0f} min" if 60 * hours >= 1 else "under 1 min"


def _length(steps: FloatArray) -> FloatArray:
    length: FloatArray = np.hypot(steps[:, 0], steps[:, 1])
    return length
