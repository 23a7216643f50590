"""Traverses over data grids, and the pieces that outlines and areas to avoid leave of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..intake.sitegrid import SiteGrid, place_on_site_grid
from ..progress import Progress, keep_going
from ..readings import FloatArray, IntArray
from ..words import plural
from .fewest_turns import Area

MOST = 100_000
"""More traverses than anybody walks: a slip of the decimal point."""

NEAR = 1e-6
"""Map units within which two places on a traverse are one."""


@dataclass(frozen=True, eq=False)
class Traverses:
    """Whole traverses, data grid by data grid in the order of their numbers, ``(t,)`` each.

    Parameters
    ----------
    names
        Of the data grids, behind the codes in `area`.
    area, line
        Data grid and number.
    ends
        Where the walk starts and ends (x, y), map units, ``(t, 2, 2)``.
    bearing
        Direction of travel, degrees.
    length
        Map units.
    """

    names: tuple[str, ...]
    area: IntArray
    line: IntArray
    ends: FloatArray
    bearing: FloatArray
    length: FloatArray

    def named(self, row: int) -> str:
        """What one is called."""
        name = self.names[self.area[row]]
        return f"traverse {self.line[row]}" + (f" of data grid {name}" if name else "")


@dataclass(frozen=True, eq=False)
class Kept:
    """What outlines, the ground to walk within and areas to avoid leave of traverses.

    Parameters
    ----------
    traverse
        Row of the traverse that each piece belongs to, ``(p,)``, in any order.
    ends
        Of the pieces (x, y), either end first, ``(p, 2, 2)``.
    inside
        Length of each traverse inside its outline and where to walk, avoided or not, ``(t,)``.
    beyond
        Length of each inside its outline, but not where to walk, ``(t,)``; None where all of it is.
    """

    traverse: IntArray
    ends: FloatArray
    inside: FloatArray
    beyond: FloatArray | None = None


Cut = Callable[[Traverses, Progress], Kept]
"""Cuts traverses at outlines and areas to avoid: the host's geometry engine."""


def uncut(traverses: Traverses, progress: Progress = keep_going) -> Kept:
    """Keep traverses whole: the default `Cut`."""
    return Kept(np.arange(len(traverses.line)), traverses.ends, traverses.length)


@dataclass(frozen=True, eq=False)
class Pieces:
    """Pieces of traverses in the order of walking, ``(p,)`` each.

    Parameters
    ----------
    traverse
        Row of its traverse.
    number
        From 1 on each traverse, in the order of walking.
    start, end
        Distance from where the traverse's walk starts, map units.
    ends
        Start and end (x, y), map units, ``(p, 2, 2)``.
    readings, first_reading
        How many are expected, and the number that the first has on its traverse, from 1.
    """

    traverse: IntArray
    number: IntArray
    start: FloatArray
    end: FloatArray
    ends: FloatArray
    readings: IntArray
    first_reading: IntArray


def lay(areas: Sequence[Area], site: SiteGrid) -> Traverses:
    """The whole traverses of areas, just where `place_on_site_grid` places their readings.

    Raises
    ------
    ValueError
        If two areas share a name, one is too small for the separation, or there are far too many
        traverses.
    """
    names = tuple(area.name for area in areas)
    for name in names:
        if names.count(name) > 1:
            raise ValueError(f"There are two data grids '{name}'. Give each a name of its own.")
    offset = site.separation / 2 if site.first_offset is None else site.first_offset
    counts = []
    for area in areas:
        for what, size in (("length", area.length), ("width", area.width)):
            if not 0 < size < np.inf:
                raise ValueError(
                    f"The {what} of {called(area)} is {size:g}: give a length above 0."
                )
        if not 0 <= offset <= area.width + NEAR:
            raise ValueError(
                f"The first traverse, {offset:g} from the side, lies outside {called(area)}, "
                f"{area.width:g} wide. Correct its distance from the side or the separation."
            )
        if area.length < site.interval:
            raise ValueError(
                f"The reading interval of {site.interval:g} is longer than {called(area)}, "
                f"{area.length:g} long. Correct the one or the other."
            )
        counts.append(int((area.width - offset + NEAR) / site.separation) + 1)
    if sum(counts) > MOST:
        raise ValueError(
            f"A separation of {site.separation:g} gives {plural(sum(counts), 'traverse')}: too "
            f"many to walk (at most {MOST:,}). Check the separation and the layer's map units."
        )
    code = np.repeat(np.arange(len(areas)), counts)
    steps = np.arange(len(code)) - np.repeat(np.cumsum([0, *counts[:-1]]), counts)
    line = site.first_line + steps
    length = np.array([area.length for area in areas])[code]
    by_walk = replace(site, along_from="walk")
    begin, end = (
        place_on_site_grid(code, names, line, None, along, by_walk)
        for along in (np.zeros(len(code)), length)
    )
    ends = np.stack([np.column_stack([begin.x, begin.y]), np.column_stack([end.x, end.y])], axis=1)
    return Traverses(names, code, line, ends, begin.bearing, length)


def put_together(traverses: Traverses, kept: Kept, site: SiteGrid, shortest: float) -> Pieces:
    """Pieces in walking order with the readings that fall on each.

    Readings keep their places on the whole traverse: a piece begun in the middle begins with the
    number its first reading would have there.

    Raises
    ------
    ValueError
        If no piece is left.
    """
    row = kept.traverse
    origin, whole = traverses.ends[row, 0], traverses.length[row]
    ahead = (traverses.ends[row, 1] - origin) / whole[:, np.newaxis]
    along = np.sum((kept.ends - origin[:, np.newaxis]) * ahead[:, np.newaxis], axis=2)
    along = np.where(np.abs(along) < NEAR, 0.0, along)
    along = np.where(np.abs(along - whole[:, np.newaxis]) < NEAR, whole[:, np.newaxis], along)
    start, end = along.min(axis=1), along.max(axis=1)
    first = site.interval / 2 if site.first_position is None else site.first_position
    lowest = np.maximum(np.ceil((start - first) / site.interval - NEAR), 0).astype(np.int64)
    highest = np.floor((end - first) / site.interval + NEAR).astype(np.int64)
    readings = highest - lowest + 1
    order = np.lexsort((start, row))
    order = order[(readings[order] > 0) & (end - start >= shortest - NEAR)[order]]
    if not len(order):
        raise ValueError(
            "Nothing is left to walk: the outlines, the ground to walk within and the areas to "
            "avoid, with their clearance, leave no piece long enough. Check that they lie in one "
            "place, or make the clearance or the shortest piece smaller."
        )
    row, start, end = row[order], start[order], end[order]
    begins = np.flatnonzero(np.diff(row, prepend=-1))
    number = np.arange(len(row)) - np.repeat(begins, np.diff([*begins, len(row)])) + 1
    origin, ahead = origin[order], ahead[order]
    ends = np.stack([origin + s[:, np.newaxis] * ahead for s in (start, end)], axis=1)
    return Pieces(row, number, start, end, ends, readings[order], lowest[order] + 1)


def called(area: Area) -> str:
    """What an area is called."""
    return f"data grid '{area.name}'" if area.name else "the data grid"
