"""Which traverses run in one direction, and which can be told along from across."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray

CHORD = 8
"""Steps spanned when measuring a direction, so that position noise averages out."""
STRAIGHT = 0.6
"""Least strength (0 to 1) of a traverse's direction, and least share of the way walked that it
gets ahead: lines that turn back or wander about have less."""
APART = 25.0
"""Traverses within this many degrees of a direction belong to its family."""
APART_FROM_GIVEN = 45.0
"""The same where the user gives the direction."""
DIRECTIONS: FloatArray = np.arange(180).astype(np.float64)
"""Axes tried, degrees."""


@dataclass(frozen=True, eq=False)
class Walks:
    """Direction of every traverse.

    Parameters
    ----------
    first
        First row of each traverse, and the row after the last, shape ``(t + 1,)``.
    axis
        Bearing of each traverse, degrees, 0 to below 180, shape ``(t,)``.
    length
        Way made along it, map units.
    usable
        Whether it has a length and runs in one direction.
    """

    first: IntArray
    axis: FloatArray
    length: FloatArray
    usable: BoolArray


def walks(xy: FloatArray, line: IntArray) -> Walks:
    """Directions of the traverses of a `Task`, measured over `CHORD` steps.

    Examples
    --------
    >>> xy = np.array([[0.0, 0], [1, 1], [2, 2], [0, 3], [1, 2], [0, 1], [0, 0]])
    >>> found = walks(xy, np.array([0, 0, 0, 1, 1, 1, 1]))
    >>> found.axis.round().tolist()[0], found.usable.tolist()
    (45.0, [True, True])
    """
    on = np.flatnonzero(line >= 0)
    start = np.flatnonzero(np.diff(line[on], prepend=-1))
    first = np.append(start, len(on)).astype(np.int64)
    size = np.diff(first)
    span = np.minimum(CHORD, size - 1)
    chords = size - span
    which = np.repeat(np.arange(len(size)), chords)
    row = np.arange(len(which)) - np.repeat(np.cumsum(chords) - chords, chords) + first[which]
    east, north = (xy[row + span[which]] - xy[row]).T
    way = north + 1j * east
    step = np.abs(way)
    way *= way / np.maximum(step, 1e-12)  # angles doubled: opposite directions agree

    def total(of: FloatArray) -> FloatArray:
        sums: FloatArray = np.bincount(which, of, minlength=len(size)).astype(np.float64)
        return sums

    c, s, walked = total(way.real), total(way.imag), total(step)
    angle = np.arctan2(s, c) / 2.0
    ahead = east * np.sin(angle[which]) + north * np.cos(angle[which])
    forth, moved = np.abs(total(ahead)), total(np.abs(ahead))
    usable = (walked > 0) & (np.hypot(c, s) >= STRAIGHT * walked) & (forth >= STRAIGHT * moved)
    return Walks(first, np.degrees(angle) % 180.0, forth / np.maximum(span, 1), usable)


def families(axis: FloatArray, length: FloatArray, given: float | None = None) -> IntArray:
    """Family of each traverse, counting from 0 for the one of the greatest total length.

    Parameters
    ----------
    axis, length
        As in `Walks`, shape ``(t,)``.
    given
        Bearing of family 0, if the user says so.

    Examples
    --------
    >>> families(np.array([1.0, 179.0, 91.0, 2.0]), np.ones(4)).tolist()
    [0, 0, 1, 0]
    """
    family: IntArray = np.full(len(axis), -1, dtype=np.int64)
    number = 0
    while True:
        left = np.flatnonzero(family < 0)
        if not len(left):
            return family
        if number == 0 and given is not None:
            middle, apart = given, APART_FROM_GIVEN
        else:
            weight = np.bincount(
                np.floor(axis[left]).astype(np.int64) % 180, length[left], minlength=180
            )
            near = apart_by(DIRECTIONS[:, np.newaxis], DIRECTIONS + 0.5) <= APART / 2
            peak = float(DIRECTIONS[np.argmax(near @ weight)])
            close = left[apart_by(axis[left], peak) <= APART / 2 + 1.0]
            close = close if len(close) else left
            middle, apart = mean_axis(axis[close], length[close]), APART
        chosen = left[apart_by(axis[left], middle) <= apart]
        if not len(chosen) and (number or given is None):
            chosen = left[[np.argmin(apart_by(axis[left], middle))]]
        family[chosen] = number
        number += 1


def apart_by(one: FloatArray, other: FloatArray | float) -> FloatArray:
    """Angle between two axes, degrees, 0 to 90."""
    apart: FloatArray = np.abs((one - other + 90.0) % 180.0 - 90.0)
    return apart


def mean_axis(axis: FloatArray, length: FloatArray) -> float:
    """Mean of axes by doubled angles, weighted by length, degrees, 0 to below 180."""
    doubled = np.sum(length * np.exp(2j * np.radians(axis)))
    bearing = float(np.degrees(np.angle(doubled)) / 2.0 % 180.0)
    return 0.0 if bearing > 180.0 - 1e-9 else bearing
