"""Sections through inverted ground: which readings a line passes.

A section runs along a traverse as it was walked, or along any drawn line. There the ground under
each place of the line is that of the nearest reading: models are picked, never averaged.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from ..gridding.spacing import Walk
from ..intake.walk.heading import travel_of
from ..intake.walk.walked import progress_of
from ..readings import FloatArray, IntArray, Readings, Traverse
from ..words import plural

WINDOW = 2.0
"""Metres of path that the direction of walking is taken from: see docs/conventions.md."""

MOST = 4_000
"""Columns of a section along a drawn line at most."""

REACH = 1.0
"""Usual steps that a reading speaks for to either side at most."""

NAMED = 8
"""Traverses named where one is not found."""

WINDS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


@dataclass(frozen=True, eq=False)
class Section:
    """Columns of a section, left to right.

    Parameters
    ----------
    name
        What it runs along.
    rows
        Row of the reading under each column, ``(m,)``.
    left, right
        Where each column begins and ends, m along the section, ``(m,)``; gaps belong to none.
    ends
        Winds to which its left and right end lie.
    """

    name: str
    rows: IntArray
    left: FloatArray
    right: FloatArray
    ends: tuple[str, str]

    @property
    def middle(self) -> FloatArray:
        """Middle of each column, m, ``(m,)``."""
        middle: FloatArray = (self.left + self.right) / 2
        return middle


def named_traverse(readings: Readings, text: str) -> Traverse:
    """The traverse that a text names: its number, or its data grid and number.

    Raises
    ------
    ValueError
        If there is none of that name, or more than one.

    Examples
    --------
    >>> r = Readings.build(x=[0, 1], y=[0, 0], values=[1, 2], line=[7, 8], grid=["G 1", "G 1"])
    >>> named_traverse(r, "8").name, named_traverse(r, "G 1 7").name
    ('line 8 of grid G 1', 'line 7 of grid G 1')
    """
    grid, _, number = text.strip().rpartition(" ")
    grid = grid.strip().rstrip(",;")
    try:
        line = int(number)
    except ValueError:
        raise ValueError(
            f"'{text}' names no traverse: give its number, or its data grid and number, such as "
            "G2 12."
        ) from None
    found = [one for one in readings.lines if one.line == line and (not grid or one.grid == grid)]
    if len(found) == 1:
        return found[0]
    if found:
        names = [f"{one.grid} {one.line}" for one in found[:NAMED]]
        raise ValueError(
            f"{plural(len(found), 'traverse')} have the number {line}: give the data grid too, one "
            f"of {', '.join(names)}."
        )
    there = [f"{one.grid} {one.line}".strip() for one in readings.lines]
    shown = ", ".join(there[:NAMED]) + (", ..." if len(there) > NAMED else "")
    raise ValueError(f"There is no traverse '{text}'. There are: {shown or 'none'}.")


def along_traverse(
    readings: Readings, traverse: Traverse, metre: float = 1.0, name: str = ""
) -> Section:
    """A section along a traverse, from where its walker started.

    Readings without a position have no column; a step of more than twice the usual is a gap.

    Parameters
    ----------
    metre
        Map units of a metre.
    name
        What the section is called; empty for the traverse's own name.

    Raises
    ------
    ValueError
        If fewer than two readings have different positions.

    Examples
    --------
    >>> r = Readings.build(x=[0, 1, 2, 6], y=np.zeros(4), values=np.zeros(4))
    >>> found = along_traverse(r, r.lines[0])
    >>> found.left.tolist(), found.right.tolist(), found.ends
    ([-0.5, 0.5, 1.5, 5.0], [0.5, 1.5, 3.0, 6.5], ('W', 'E'))
    """
    rows, name = traverse.rows, name or traverse.name
    x, y = readings.x[rows] / metre, readings.y[rows] / metre
    way = progress_of(x, y, travel_of(x, y, WINDOW))
    known = np.flatnonzero(np.isfinite(way))
    steps = np.diff(way[known])
    if not (steps > 0).any():
        raise ValueError(
            f"The readings of {name} lie in one place or in none: choose another traverse."
        )
    rows, way = rows[known], way[known]
    usual = float(np.median(steps[steps > 0]))
    half = np.minimum(steps / 2, REACH * usual)
    left = way - np.concatenate([[usual / 2], half])
    right = way + np.concatenate([half, [usual / 2]])
    ends = _winds(x[known[-1]] - x[known[0]], y[known[-1]] - y[known[0]])
    return Section(name, rows, left, right, ends)


def along_line(
    readings: Readings,
    vertices: FloatArray,
    width: float,
    interval: float,
    metre: float = 1.0,
    name: str = "drawn line",
) -> Section:
    """A section along a drawn line.

    The line is divided into steps of the reading interval; each is given the nearest reading, if
    one lies in the corridor. Steps with the same reading are one column.

    Parameters
    ----------
    vertices
        Corners of the line, map units, shape ``(k, 2)``.
    width
        Of the corridor about the line, map units.
    interval
        Distance from a reading to the next along its traverse, map units. See `corridor`.

    Raises
    ------
    ValueError
        If the line has no length, or no reading lies in the corridor.

    Examples
    --------
    >>> r = Readings.build(x=[0, 1, 2, 5], y=[0.1, 0.1, 0.1, 3], values=np.zeros(4))
    >>> found = along_line(r, np.array([[0.0, 0.0], [3.0, 0.0]]), 0.5, 1.0)
    >>> found.rows.tolist(), found.left.tolist(), found.right.tolist()
    ([0, 1, 2], [0.0, 0.5, 1.5], [0.5, 1.5, 2.5])
    """
    hops = np.hypot(*np.diff(vertices, axis=0).T)
    way = np.concatenate([[0.0], np.cumsum(hops)])
    if not way[-1] > 0:
        raise ValueError(f"The {name} has no length: draw it from one place to another.")
    half = max(interval, way[-1] / MOST) / 2
    count = max(int(np.ceil(way[-1] / half)), 1)
    bounds = np.linspace(0.0, way[-1], count + 1)
    at = (bounds[:-1] + bounds[1:]) / 2
    places = np.column_stack([np.interp(at, way, axis) for axis in vertices.T])
    there = np.flatnonzero(np.isfinite(readings.x) & np.isfinite(readings.y))
    reach = np.hypot(width / 2, interval / 2) * (1 + 1e-9)
    rows = np.full(count, -1)
    if len(there):
        tree = cKDTree(np.column_stack([readings.x, readings.y])[there])
        apart, nearest = tree.query(places, distance_upper_bound=reach)
        rows[np.isfinite(apart)] = there[nearest[np.isfinite(apart)]]
    if not (rows >= 0).any():
        raise ValueError(
            f"No reading lies within {width / 2 / metre:.3g} m of the {name}: draw it across the "
            "readings, or give a wider corridor."
        )
    first = np.flatnonzero(np.concatenate([[True], rows[1:] != rows[:-1]]))
    last = np.append(first[1:], count)
    kept = rows[first] >= 0
    left, right = bounds[first[kept]] / metre, bounds[last[kept]] / metre
    across = vertices[-1] - vertices[0]
    return Section(name, rows[first[kept]], left, right, _winds(across[0], across[1]))


def corridor(readings: Readings, width: float | None = None) -> tuple[float, float]:
    """Width of the corridor about a drawn line, and step along it, map units.

    Where no width is given it is the traverse separation, so that a line never runs between two
    traverses unseen; the step is the reading interval.

    Raises
    ------
    ValueError
        If the readings show no separation.
    """
    walk = Walk(readings)
    if walk.positions < 2:
        raise ValueError("The readings lie in one place or in none: there is no section of them.")
    interval = walk.measured_interval
    try:
        return (max(walk.separation, interval) if width is None else width), interval
    except ValueError:
        raise ValueError(
            "The readings show no traverse separation to take for the width of the section's "
            "corridor: give the width."
        ) from None


def _winds(east: float, north: float) -> tuple[str, str]:
    """The winds to which the two ends of a line lie; none where it comes back to its start."""
    if not np.hypot(east, north) > 0:
        return "", ""
    number = round(float(np.degrees(np.arctan2(east, north))) % 360.0 / 45.0) % 8
    return WINDS[(number + 4) % 8], WINDS[number]
