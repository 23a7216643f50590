"""Traverses in one stretch of a track: what lies between its turns."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...readings import BoolArray, FloatArray, IntArray

ComplexArray = npt.NDArray[np.complex128]

NODES = 4
"""Nodes in a window: readings closer together are one node, so that standing still is no way."""

FITTED = 2.0
"""Windows of a traverse that tell the line it ends on."""

STRAY, WITHIN = 4.0, 1.5
"""A reading so many times the scatter off a traverse's line has left it; one within so many has
not yet."""

JOINED = 3.0
"""Windows that a wobble may take up along the line and still not cut it."""


@dataclass(frozen=True)
class Limits:
    """What makes a traverse; see `lynchet.algorithms.intake.splitlines.SplitOptions`."""

    window: float
    turn_angle: float
    min_length: float
    bearings: tuple[float, ...] = ()
    bearing_tolerance: float = 20.0
    slowest: float | None = None
    fastest: float | None = None


@dataclass
class _Run:
    """Readings ``start`` to ``end``, both within, and the unit vectors ahead at both ends."""

    start: int
    end: int
    sets_out: complex
    arrives: complex


def traverses_between_turns(
    place: ComplexArray, time: FloatArray | None, limits: Limits
) -> IntArray:
    """Number of the traverse that each reading lies on.

    Parameters
    ----------
    place
        Easting and northing as complex numbers, ``(n,)``, in walking order.
    time
        Seconds, ``(n,)``, or None.

    Returns
    -------
    array
        Shape ``(n,)``: 0 and up in walking order, -1 for a reading of none.

    Examples
    --------
    >>> up = 1j * np.arange(0, 20, 0.5)
    >>> track = np.concatenate([up, 1 + up[::-1]])
    >>> found = traverses_between_turns(track, None, Limits(2.0, 45.0, 5.0))
    >>> np.flatnonzero(np.diff(found)).tolist(), int(found[-1])
    ([39], 1)
    """
    number = np.full(len(place), -1, np.int64)
    first = nodes(place, limits.window / NODES)
    if len(first) < 2:
        return number
    path = _Path.of(place, first)
    stopped, hasty = _off_speed(path, time, limits)
    turning = _turning(path, limits) | stopped | hasty
    runs = _joined(_runs(path, turning, limits.window), path, limits)
    count = 0
    for run in runs:
        if path.length(run.start, run.end) >= limits.min_length * (1 - 1e-9):
            number[run.start : run.end + 1] = count
            count += 1
    number[(stopped | hasty)[path.node]] = -1
    return number


def nodes(place: ComplexArray, spacing: float) -> IntArray:
    """Readings that lie at least `spacing` from the one before among them, the first to begin with.

    Examples
    --------
    >>> nodes(np.array([0, 0.4, 1.1, 1.2, 1.1, 2.5], complex), 1.0).tolist()
    [0, 2, 5]
    """
    n = len(place)
    after = np.arange(1, n + 1)
    looking = np.arange(n - 1)
    # For all readings side by side: the first reading after it that is far enough.
    while len(looking):
        near = np.abs(place[after[looking]] - place[looking]) < spacing
        looking = looking[near]
        after[looking] += 1
        looking = looking[after[looking] < n]
    chain, to = [0], after.tolist()
    while to[chain[-1]] < n:
        chain.append(to[chain[-1]])
    return np.array(chain, np.int64)


@dataclass(frozen=True, eq=False)
class _Path:
    """A stretch, and the way through its nodes.

    Parameters
    ----------
    place
        ``(n,)``.
    first
        First reading of each node, ``(m,)``.
    node
        Node of each reading, ``(n,)``.
    at, walked
        Mean place of each node and the way to it, ``(m,)``.
    """

    place: ComplexArray
    first: IntArray
    node: IntArray
    at: ComplexArray
    walked: FloatArray

    @classmethod
    def of(cls, place: ComplexArray, first: IntArray) -> _Path:
        size = np.diff(np.append(first, len(place)))
        at: ComplexArray = np.add.reduceat(place - place[0], first) / size + place[0]
        walked = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(at)))])
        return cls(place, first, np.repeat(np.arange(len(first)), size), at, walked)

    def ahead(self, way: float) -> ComplexArray:
        """Where each node is `way` further on, behind where that is negative, ``(m,)``."""
        to = self.walked + way
        east = np.interp(to, self.walked, self.at.real)
        found: ComplexArray = east + 1j * np.interp(to, self.walked, self.at.imag)
        return found

    def length(self, start: int, end: int) -> float:
        """Way from a reading to a later one, through the nodes between theirs."""
        a, b = self.node[start] + 1, self.node[end] - 1
        ends = self.place[start], self.place[end]
        if a > b:
            return float(abs(ends[1] - ends[0]))
        inner = self.walked[b] - self.walked[a]
        return float(abs(self.at[a] - ends[0]) + inner + abs(ends[1] - self.at[b]))


def _turning(path: _Path, limits: Limits) -> BoolArray:
    """Nodes where the directions before and after differ too much, or are none of the bearings."""
    window = limits.window
    after, before = path.ahead(window) - path.at, path.at - path.ahead(-window)
    angle = np.abs(np.angle(after * before.conj()))
    turning: BoolArray = angle > np.radians(limits.turn_angle)
    if limits.bearings:
        way = path.ahead(window / 2) - path.ahead(-window / 2)
        bearing = np.degrees(np.angle(1j * way.conj()))
        off = np.abs((bearing[:, np.newaxis] - np.array(limits.bearings) + 90) % 180 - 90)
        turning |= off.min(axis=1) > limits.bearing_tolerance
    return turning


def _off_speed(path: _Path, time: FloatArray | None, limits: Limits) -> tuple[BoolArray, BoolArray]:
    """Nodes left too slowly, and nodes passed too fast (over a window, for clocks are coarse)."""
    m = len(path.first)
    none = np.zeros(m, np.bool_)
    if time is None:
        return none, none
    starts = path.first
    slow: BoolArray = none
    if limits.slowest is not None:
        left = np.abs(np.diff(path.place[starts]))
        # The last node is left by nobody: it lasts to its last reading.
        took = np.diff(time[np.append(starts, len(time) - 1)])
        way = np.append(left, np.abs(path.place[-1] - path.place[starts[-1]]))
        slow = way < limits.slowest * took
        slow[-1] &= took[-1] * limits.slowest > limits.window / NODES
    hasty: BoolArray = none
    if limits.fastest is not None:
        half = limits.window / 2
        a = np.searchsorted(path.walked, path.walked - half, side="left")
        b = np.searchsorted(path.walked, path.walked + half, side="right") - 1
        a, b = np.minimum(a, np.maximum(np.arange(m) - 1, 0)), np.maximum(b, a + 1)
        b = np.minimum(b, m - 1)
        hasty = path.walked[b] - path.walked[a] > limits.fastest * (
            time[starts[b]] - time[starts[a]]
        )
    return slow, hasty


def _runs(path: _Path, turning: BoolArray, window: float) -> list[_Run]:
    """Runs of nodes that do not turn, led on along their own lines as far as readings follow."""
    edges = np.flatnonzero(np.diff(np.concatenate([[True], turning, [True]])))
    a, b = edges[::2], edges[1::2]  # nodes a to b - 1 do not turn
    starts = path.first[a]
    ends = np.append(path.first, len(path.place))[b] - 1
    runs: list[_Run] = []
    for k in range(len(a)):
        own = np.arange(starts[k], ends[k] + 1)
        way = path.walked[path.node[own]]
        last = own[way >= way[-1] - FITTED * window]
        first = own[way <= way[0] + FITTED * window][::-1]
        before = runs[-1].end + 1 if runs else 0
        beyond = starts[k + 1] if k + 1 < len(a) else len(path.place)
        behind = ends[k - 1] + 1 if k else 0
        on, arrives = _led_on(path.place[last], path.place[ends[k] + 1 : beyond], window)
        back, left = _led_on(path.place[first], path.place[behind : starts[k]][::-1], window)
        start, end = int(starts[k] - back), int(ends[k] + on)
        if start < before:  # two runs claim the readings of a sharp turn
            start = (start + before) // 2
            runs[-1].end = start - 1
        runs.append(_Run(start, end, -left, arrives))
    return runs


def _led_on(line: ComplexArray, further: ComplexArray, window: float) -> tuple[int, complex]:
    """How many readings further follow the line through a run's last ones, and its direction.

    They follow as long as they stay beside it, and as they come further along it.
    """
    centre = line.mean()
    off = line - centre
    # The axis of greatest scatter, turned the way the readings go.
    ahead = np.exp(0.5j * np.angle(np.sum(off * off)))
    rank = np.arange(len(line)) - (len(line) - 1) / 2
    if np.sum(rank * (off * ahead.conj()).real) < 0:
        ahead = -ahead
    turned = off * ahead.conj()
    scatter = float(np.sqrt(np.mean(turned.imag**2)))
    finest = window / NODES / 4
    to = (further - centre) * ahead.conj()
    along, aside = to.real, to.imag
    astray = np.abs(aside) > max(STRAY * scatter, finest)
    astray[:-1] &= astray[1:]  # a single stray reading is a stray position
    leaves = int(np.argmax(astray)) if astray.any() else len(further)
    if leaves < len(further):
        # It began to leave where it last lay within the scatter on that side, not long before.
        aside = aside * np.sign(aside[leaves])
        begins = aside <= max(WITHIN * scatter, finest / 4)
        begins |= along <= along[leaves] - window / NODES / 2
        within = np.flatnonzero(begins[:leaves])
        leaves = int(within[-1]) + 1 if len(within) else 0
    if leaves == 0:
        return 0, complex(ahead)
    furthest = int(np.argmax(along[:leaves]))
    return (furthest + 1 if along[furthest] > turned.real.max() else 0), complex(ahead)


def _joined(runs: list[_Run], path: _Path, limits: Limits) -> list[_Run]:
    """Runs with those that go on in line after a wobble made one."""
    found: list[_Run] = []
    for run in runs:
        if found and _goes_on(found[-1], run, path, limits):
            found[-1].end, found[-1].arrives = run.end, run.arrives
        else:
            found.append(run)
    return found


def _goes_on(one: _Run, other: _Run, path: _Path, limits: Limits) -> bool:
    bend = abs(np.angle(other.sets_out * np.conj(one.arrives)))
    if bend > np.radians(limits.turn_angle / 2):
        return False
    if other.start == one.end + 1:
        return True
    between = path.place[other.start] - path.place[one.end]
    direct = abs(between)
    onward = (between * np.conj(one.arrives)).real
    return bool(direct <= JOINED * limits.window and onward >= np.cos(np.radians(45.0)) * direct)
