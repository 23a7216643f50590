"""Join a stream's readings with its positions: clocks, interpolation, antenna, quality."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..options import check_words
from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray, IntArray, Qc
from .sitegrid import Placed, left_for_later
from .stream.account import GROUPS, account, why_nowhere
from .stream.clock_shift import CLOCKS, timed
from .stream.fixes import Fixes
from .stream.lines import Stream
from .table import Table
from .walk.heading import ComplexArray, travel_of
from .walk.walked import way_made

BATCH = 50_000
"""Readings placed at a time, so that the work in between needs little memory."""

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
        ``"found"``: the shift is found, by the logger's time before each sentence where the recipe
        tells of it, or else from the order of the lines by a clock that runs true;
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
        check_words(("Clock", self.clock, CLOCKS))
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


def place_stream(
    stream: Stream,
    x: FloatArray,
    y: FloatArray,
    options: JoinOptions | None = None,
    progress: Progress = keep_going,
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
    fixes, table = stream.fixes, stream.table
    time = timed(stream, options.clock, options.clock_shift)
    ahead, poor = _courses(x, y, fixes.time, options), _poor(fixes, options)
    n = len(time.moment)
    track = left_for_later(table.grid, table.line, None, None)
    quality = np.zeros(n, np.int64)
    kept = dict(table.kept)
    if options.keep_fix:
        kept |= {name: np.full(n, np.nan) for name in ("fix_quality", "hdop", "height")}
    counts = dict.fromkeys(GROUPS, 0)
    for start in range(0, n, BATCH):
        advance(progress, start / n)
        part = slice(start, start + BATCH)
        moment = time.moment[part] + options.latency
        between = _between(moment, fixes.time)
        unknown = np.isnan(moment)
        outside = between.outside & ~unknown
        gap = fixes.time[between.after] - fixes.time[between.before]
        in_gap = (gap > options.longest_gap) & ~between.outside & ~unknown
        placed = ~between.outside & ~unknown & (options.bridge_gaps | ~in_gap)
        way = _course_at(ahead, between)
        lost = placed & np.isnan(way) & bool(options.ahead or options.right)
        poor_here = placed & (poor[between.before] | poor[between.after])
        off_east, off_north = _offset(way, options)
        track.x[part] = np.where(placed, between.of(x) - off_east, np.nan)
        track.y[part] = np.where(placed, between.of(y) - off_north, np.nan)
        turned = np.degrees(np.arctan2(way.real, way.imag)) % 360.0
        turned[turned >= 360.0] = 0.0
        track.bearing[part] = np.where(placed, turned, np.nan)
        doubtful = poor_here | lost | (placed & in_gap)
        quality[part] = np.where(doubtful, int(Qc.DOUBTFUL_POSITION), 0)
        if options.keep_fix:
            near = between.nearest
            kept["fix_quality"][part] = np.where(placed, fixes.quality[near], np.nan)
            kept["hdop"][part] = np.where(placed, fixes.hdop[near], np.nan)
            kept["height"][part] = np.where(placed, between.of(fixes.height), np.nan)
        for name, rows in zip(GROUPS, (unknown, outside, in_gap, poor_here, lost)):
            counts[name] += int(np.count_nonzero(rows))
    if not np.isfinite(track.x).any():
        raise ValueError(why_nowhere(time.moment + options.latency, fixes, counts["in gaps"] > 0))
    for rows in _traverses(track, table.line):
        track.along[rows] = _furthest(track, rows)
    return Joined(
        replace(table, time=time.shown, quality=quality, kept=kept),
        track,
        *account(stream, time, counts, options.longest_gap, options.bridge_gaps),
    )


# -- positions -------------------------------------------------------------------------------


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


def _between(moment: FloatArray, times: FloatArray) -> _Between:
    known = np.nan_to_num(moment, nan=times[0])
    near = np.clip(known, times[0], times[-1])
    outside = np.abs(known - near) > ROUNDING
    after = np.searchsorted(times, near)
    before = np.where(times[after] == near, after, after - 1)
    span = times[after] - times[before]
    share = (near - times[before]) / np.where(span > 0, span, 1.0)
    return _Between(before, after, share, outside)


def _courses(x: FloatArray, y: FloatArray, time: FloatArray, options: JoinOptions) -> ComplexArray:
    """Way ahead at each fix, east and north as one complex number; NaN where there is none."""
    ahead = np.full(len(x), np.nan, np.complex128)
    breaks = np.flatnonzero(np.diff(time) > options.longest_gap) + 1
    for rows in np.split(np.arange(len(x)), breaks):
        travel = travel_of(x[rows], y[rows], options.course_window)
        ahead[rows] = travel.east + 1j * travel.north
    return ahead


def _course_at(ahead: ComplexArray, between: _Between) -> ComplexArray:
    """Way ahead at each reading, of length 1; NaN where the track leads nowhere."""
    start, end = ahead[between.before], ahead[between.after]
    # Beside a stretch that leads nowhere, the course is that of the other fix.
    start = np.where(np.isnan(start), end, start)
    end = np.where(np.isnan(end), start, end)
    way = start + between.share * (end - start)
    length = np.abs(way)
    onward = length > 1e-9
    way[onward] /= length[onward]
    return np.where(onward, way, start)


def _offset(way: ComplexArray, options: JoinOptions) -> tuple[FloatArray, FloatArray]:
    """How far east and north the antenna is of the reference point; 0 where no way is known."""
    # To the right of what is ahead: a quarter turn clockwise.
    offset = np.nan_to_num(way) * (options.ahead - 1j * options.right)
    return offset.real, offset.imag


def _poor(fixes: Fixes, options: JoinOptions) -> BoolArray:
    poor: BoolArray = ~np.isin(fixes.quality, options.good_quality)
    if options.highest_hdop is not None:
        poor |= np.nan_to_num(fixes.hdop) > options.highest_hdop
    return poor


def _traverses(track: Placed, line: IntArray | None) -> Iterator[IntArray]:
    """Placed readings of each traverse, in the order of the rows."""
    placed = np.flatnonzero(np.isfinite(track.x))
    if line is None:
        yield placed
        return
    order = placed[np.argsort(line[placed], kind="stable")]
    yield from np.split(order, np.flatnonzero(np.diff(line[order])) + 1)


def _furthest(track: Placed, rows: IntArray) -> FloatArray:
    """Furthest way made by each of these readings, ``(k,)``; 0 before there is a direction."""
    way = np.zeros(len(rows))
    told = np.flatnonzero(np.isfinite(track.bearing[rows]))
    for start in range(0, len(told), BATCH):
        some = told[max(start - 1, 0) : start + BATCH]
        here = rows[some]
        made = way_made(track.x[here], track.y[here], track.bearing[here])
        way[some] = way[some[0]] + made
    np.maximum.accumulate(way, out=way)
    return way
