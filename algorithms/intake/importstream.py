"""Join a stream's readings with its positions: clocks, interpolation, antenna, quality."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..readings import BoolArray, FloatArray, IntArray, Qc
from ..words import plural, sentence_start
from .clock import DAY
from .sitegrid import Placed, along_track
from .stream.clock_shift import CLOCKS, Timed, timed
from .stream.fixes import Fixes
from .stream.lines import KINDS, Stream
from .table import Table
from .walk.heading import travel_of

ROUNDING = 1e-6
"""Seconds by which a reading may miss the first or last fix and still be at it."""

_SHIFT = re.compile(r"([+-]?)(\d{1,2}):(\d{2})(?::(\d{2}(?:\.\d+)?))?", re.ASCII)
_SECONDS = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)", re.ASCII)


@dataclass(frozen=True)
class JoinOptions:
    """How readings get their positions.

    Parameters
    ----------
    clock
        ``"shared"``: the instrument's clock is that of the positions but for `clock_shift`;
        ``"found"``: it runs true, but the shift is found from the order of the lines;
        ``"arrival"``: the order of the lines alone tells when a reading was taken.
    clock_shift
        Seconds added to the instrument's clock to make it that of the positions.
    latency
        Seconds by which a position comes after the moment it is of.
    longest_gap
        Seconds between fixes beyond which no position is interpolated.
    bridge_gaps
        Whether readings in longer gaps are placed on the straight line all the same, doubtful.
    ahead, right
        Where the antenna is as seen from the instrument's reference point, map units.
    course_window
        Length of path that the course is taken from, map units.
    good_quality
        Fix qualities whose positions are not doubtful.
    highest_hdop
        Dilution of precision beyond which a position is doubtful; None for no limit.
    keep_fix
        Whether quality, dilution and antenna height are kept with the readings.

    Raises
    ------
    ValueError
        If a length or time is out of bounds or a word is unknown.
    """

    clock: str = "shared"
    clock_shift: float = 0.0
    latency: float = 0.0
    longest_gap: float = 3.0
    bridge_gaps: bool = False
    ahead: float = 0.0
    right: float = 0.0
    course_window: float = 2.0
    good_quality: tuple[int, ...] = (1, 2, 3, 4, 5)
    highest_hdop: float | None = None
    keep_fix: bool = False

    def __post_init__(self) -> None:
        if self.clock not in CLOCKS:
            raise ValueError(f"Clock '{self.clock}' is unknown: choose one of {', '.join(CLOCKS)}.")
        for what, length in (
            ("longest gap", self.longest_gap),
            ("window of the course", self.course_window),
        ):
            if not length > 0:
                raise ValueError(f"The {what} is {length:g}: give one above 0.")


@dataclass(frozen=True, eq=False)
class Joined:
    """Readings with positions, and what there is to say about them.

    Parameters
    ----------
    table, placed
        The readings, ``n`` rows, and where they are.
    figures
        Key figures by short name.
    messages, warnings
        Sentences for the user.
    """

    table: Table
    placed: Placed
    figures: Mapping[str, float | int]
    messages: tuple[str, ...]
    warnings: tuple[str, ...]


def parse_shift(text: str) -> float:
    """A clock shift in seconds from seconds (``-3599.5``) or hours (``-01:00``, ``+05:30``).

    Raises
    ------
    ValueError
        If it is neither.

    Examples
    --------
    >>> parse_shift("-01:00"), parse_shift("18"), parse_shift("")
    (-3600.0, 18.0, 0.0)
    """
    word = text.strip().replace("\u2212", "-")
    if not word:
        return 0.0
    if _SECONDS.fullmatch(word):
        return float(word)
    found = _SHIFT.fullmatch(word)
    if not found or int(found[3]) > 59 or float(found[4] or 0) >= 60:
        raise ValueError(
            f"The clock shift is '{text}'. Give seconds, as in -3599.5, or hours and minutes, as "
            "in -01:00."
        )
    size = int(found[2]) * 3600.0 + int(found[3]) * 60.0 + float(found[4] or 0)
    return -size if found[1] == "-" else size


def parse_qualities(text: str) -> tuple[int, ...]:
    """Fix qualities from a list such as ``"4, 5"``.

    Raises
    ------
    ValueError
        If it holds anything but the digits 1 to 9.

    Examples
    --------
    >>> parse_qualities("4, 5")
    (4, 5)
    """
    words = text.replace(",", " ").replace(";", " ").split()
    for word in words:
        if word not in tuple("123456789"):
            raise ValueError(
                f"The good fix qualities hold '{word}'. Give digits from 1 to 9, such as 4, 5."
            )
    if not words:
        raise ValueError("No fix quality is good. Name those that are, such as 1, 2, 4, 5.")
    return tuple(dict.fromkeys(map(int, words)))


@dataclass(frozen=True, eq=False)
class _Between:
    """Between which fixes each reading lies, and how far on; meaningless where `outside`."""

    before: IntArray
    after: IntArray
    share: FloatArray
    outside: BoolArray

    def of(self, values: FloatArray) -> FloatArray:
        """What changes evenly from fix to fix, at the readings."""
        start = values[self.before]
        return start + self.share * (values[self.after] - start)

    @property
    def nearest(self) -> IntArray:
        """The fix nearer in time."""
        return np.where(self.share > 0.5, self.after, self.before)


def place_stream(
    stream: Stream, x: FloatArray, y: FloatArray, options: JoinOptions | None = None
) -> Joined:
    """Give each reading a time on the positions' clock, and the position of that time.

    Parameters
    ----------
    stream
        Readings and fixes.
    x, y
        The fixes on the map, ``(m,)``, map units.

    Raises
    ------
    ValueError
        If the clock asked for is not there, or no reading can be placed.
    """
    options = options or JoinOptions()
    fixes = stream.fixes
    time = timed(stream, options.clock, options.clock_shift)
    moment = time.moment + options.latency
    between = _between(moment, fixes.time)
    unknown = np.isnan(moment)
    gap = fixes.time[between.after] - fixes.time[between.before]
    in_gap = (gap > options.longest_gap) & ~between.outside & ~unknown
    placed = ~between.outside & ~unknown & (options.bridge_gaps | ~in_gap)
    if not placed.any():
        raise ValueError(_nowhere(moment, fixes, in_gap))
    east, north = _course(x, y, fixes.time, between, options)
    told = np.isfinite(east)
    at_x, at_y = between.of(x), between.of(y)
    at_x -= np.where(told, options.ahead * east + options.right * north, 0.0)
    at_y -= np.where(told, options.ahead * north - options.right * east, 0.0)
    at_x[~placed], at_y[~placed] = np.nan, np.nan
    offset = bool(options.ahead or options.right)
    lost = placed & ~told & offset
    poor = _poor(fixes, options)
    poor_here = placed & (poor[between.before] | poor[between.after])
    doubtful = poor_here | lost | (placed & in_gap)
    line, sequence = stream.table.line, stream.table.sequence
    track = along_track(at_x, at_y, stream.table.grid, line, sequence)
    bearing = np.degrees(np.arctan2(east, north)) % 360.0
    bearing[bearing >= 360.0] = 0.0
    track = replace(track, bearing=np.where(placed, bearing, np.nan))
    kept = dict(stream.table.kept)
    if options.keep_fix:
        near = between.nearest
        for name, values in (
            ("fix_quality", fixes.quality[near].astype(np.float64)),
            ("hdop", fixes.hdop[near]),
            ("height", between.of(fixes.height)),
        ):
            kept[name] = np.where(placed, values, np.nan)
    table = replace(
        stream.table,
        time=time.shown,
        quality=np.where(doubtful, int(Qc.DOUBTFUL_POSITION), 0),
        kept=kept,
    )
    groups = {
        "no time": unknown,
        "before or after all fixes": between.outside & ~unknown,
        "in gaps": in_gap,
        "poor fixes": poor_here,
        "course unknown": lost,
    }
    counts = {name: int(np.count_nonzero(rows)) for name, rows in groups.items()}
    return Joined(table, track, *_told(stream, time, counts, options))


# -- positions -------------------------------------------------------------------------------


def _between(moment: FloatArray, times: FloatArray) -> _Between:
    known = np.nan_to_num(moment, nan=times[0])
    near = np.clip(known, times[0], times[-1])
    outside = np.abs(known - near) > ROUNDING
    after = np.searchsorted(times, near)
    before = np.where(times[after] == near, after, after - 1)
    span = times[after] - times[before]
    share = (near - times[before]) / np.where(span > 0, span, 1.0)
    return _Between(before, after, share, outside)


def _course(
    x: FloatArray, y: FloatArray, time: FloatArray, between: _Between, options: JoinOptions
) -> tuple[FloatArray, FloatArray]:
    """The unit vector ahead at each reading; NaN where the track leads nowhere."""
    ahead = np.full(len(x), np.nan, np.complex128)
    breaks = np.flatnonzero(np.diff(time) > options.longest_gap) + 1
    for rows in np.split(np.arange(len(x)), breaks):
        travel = travel_of(x[rows], y[rows], options.course_window)
        ahead[rows] = travel.east + 1j * travel.north
    start, end = ahead[between.before], ahead[between.after]
    # Beside a stretch that leads nowhere, the course is that of the other fix.
    start = np.where(np.isnan(start), end, start)
    end = np.where(np.isnan(end), start, end)
    way = start + between.share * (end - start)
    length = np.abs(way)
    way = np.where(length > 1e-9, way / np.where(length > 1e-9, length, 1.0), start)
    return way.real, way.imag


def _poor(fixes: Fixes, options: JoinOptions) -> BoolArray:
    poor: BoolArray = ~np.isin(fixes.quality, options.good_quality)
    if options.highest_hdop is not None:
        poor |= np.nan_to_num(fixes.hdop) > options.highest_hdop
    return poor


# -- words -----------------------------------------------------------------------------------


def clock_text(seconds: float) -> str:
    """Seconds since midnight as a time of day.

    Examples
    --------
    >>> clock_text(86400 + 3661.26)
    '01:01:01.3'
    """
    tenths = round(10 * (seconds % DAY))
    return f"{tenths // 36000 % 24:02d}:{tenths // 600 % 60:02d}:{tenths % 600 / 10:04.1f}"


def _nowhere(moment: FloatArray, fixes: Fixes, in_gap: BoolArray) -> str:
    if np.isnan(moment).all():
        return "No reading has a time. Check where the recipe says that it stands."
    if in_gap.any():
        return (
            f"No reading can be placed: all lie in gaps between fixes, which come every "
            f"{fixes.interval:.3g} s. Raise the longest gap."
        )
    low, high = np.nanmin(moment), np.nanmax(moment)
    return (
        f"No reading can be placed: the instrument's clock runs from {clock_text(low)} to "
        f"{clock_text(high)}, the positions' from {clock_text(fixes.time[0])} to "
        f"{clock_text(fixes.time[-1])}. Correct the clock shift, or choose another clock."
    )


def _told(
    stream: Stream, time: Timed, counts: dict[str, int], options: JoinOptions
) -> tuple[dict[str, float | int], tuple[str, ...], tuple[str, ...]]:
    """Figures, messages and warnings."""
    fixes, first = stream.fixes, stream.first
    lines = {kind: stream.counts[kind] for kind in KINDS}
    gaps = np.diff(fixes.time)
    gaps = gaps[gaps > options.longest_gap]
    figures: dict[str, float | int] = {
        "lines": sum(lines.values()),
        **lines,
        "fixes": len(fixes),
        "repeated fixes": fixes.repeated,
        "gaps": len(gaps),
        **{f"readings {name}": count for name, count in counts.items()},
    }
    if len(fixes) > 1:
        figures["seconds between fixes"] = round(fixes.interval, 3)
    if time.ahead is not None:
        figures["clock ahead by order of lines"] = round(time.ahead, 3)
    messages = [
        f"{plural(sum(lines.values()), 'line')}: "
        + ", ".join(f"{count:,} {kind}" for kind, count in lines.items() if count)
        + ".",
        f"{plural(len(fixes), 'fix', 'fixes')}, usually every {fixes.interval:.3g} s.",
    ]
    messages += time.messages
    warnings = list(time.warnings)

    for kind, one, what in (
        ("broken sentences", "sentence", "cut short, garbled or with a wrong checksum"),
        ("sentences without a position", "sentence", "without a position: the receiver had no fix"),
        ("unreadable lines", "line", "neither reading nor sentence, left out"),
    ):
        if lines[kind]:
            warnings.append(
                f"{plural(lines[kind], one)} {what}. {sentence_start(first[kind])} is the first."
            )
    if len(fixes.backward):
        warnings.append(
            f"{plural(len(fixes.backward), 'sentence')} told an earlier moment than the one "
            "before: fixes were put in the order of time."
        )
    if counts["in gaps"]:
        fate = "are doubtful: they lie on a straight line" if options.bridge_gaps else "unplaced"
        warnings.append(
            f"{plural(counts['in gaps'], 'reading')} in {plural(len(gaps), 'gap')} of more than "
            f"{options.longest_gap:g} s between fixes (the longest {gaps.max():.3g} s) {fate}."
        )
    for name, fate in (
        ("no time", "without a time have no position"),
        ("before or after all fixes", "before or after all fixes have no position"),
        ("poor fixes", "at fixes of poor quality are marked doubtful"),
        ("course unknown", "where the track leads nowhere are marked doubtful: the antenna's "
         "offset was not taken off"),
    ):  # fmt: skip
        if counts[name]:
            warnings.append(f"Of the readings, {counts[name]:,} {fate}.")
    return figures, tuple(messages), tuple(warnings)
