"""Place readings by traverse and reading number on data grids, or along a track."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..options import check_words
from ..readings import NO_LINE, BoolArray, FloatArray, IntArray
from .walk.heading import WINDOW, travel_of
from .walk.walked import progress_of

WALKING = ("zigzag", "one_way")
SIDES = ("right", "left")
ALONG_FROM = ("walk", "baseline")
BATCH = 250_000
"""Rows placed at a time."""


@dataclass(frozen=True)
class Origin:
    """Where a data grid lies.

    Parameters
    ----------
    x, y
        The corner where the first traverse's side begins, map units.
    bearing
        Direction of the first traverse, degrees clockwise from grid north.
    length
        Length of the traverses, map units; None for the site grid's own.
    width
        Across the bearing, map units; None where unknown.
    """

    x: float
    y: float
    bearing: float = 0.0
    length: float | None = None
    width: float | None = None


@dataclass(frozen=True)
class SiteGrid:
    """Data grids and how they were walked. Lengths in map units.

    Parameters
    ----------
    origins
        Corner of each data grid by name; the name ``""`` alone serves every data grid.
    separation, interval
        Traverse separation and reading interval.
    length
        Length of the traverses where the origin does not say.
    first_position
        First reading from the traverse's start; None for half the interval.
    first_line, first_offset
        Number of the traverse nearest to the corner, and its distance from the side; None for half
        the separation.
    walking
        ``"zigzag"``: every second traverse was walked back; or ``"one_way"``.
    side
        Further traverses lie to the ``"right"`` or ``"left"`` of the first.
    along_from
        Whether given positions are measured from where each traverse's ``"walk"`` started, or from
        the ``"baseline"`` where the first began.

    Raises
    ------
    ValueError
        If a length is not above 0 or a word is unknown.
    """

    origins: Mapping[str, Origin]
    separation: float = 1.0
    interval: float = 0.25
    length: float = 20.0
    first_position: float | None = None
    first_line: int = 1
    first_offset: float | None = None
    walking: str = "zigzag"
    side: str = "right"
    along_from: str = "walk"

    def __post_init__(self) -> None:
        for what, length in (
            ("traverse separation", self.separation),
            ("reading interval", self.interval),
            ("length of the traverses", self.length),
        ):
            if not length > 0:
                raise ValueError(f"The {what} is {length:g}: give a length above 0.")
        check_words(
            ("Walking", self.walking, WALKING),
            ("Side", self.side, SIDES),
            ("Positions from", self.along_from, ALONG_FROM),
        )
        if not self.origins:
            raise ValueError("The layout holds no data grid. Add a row for each.")

    def origin_of(self, grid: str) -> Origin:
        """Where a data grid lies.

        Raises
        ------
        ValueError
            If the layout does not know it.
        """
        if grid in self.origins:
            return self.origins[grid]
        if list(self.origins) == [""]:
            return self.origins[""]
        called = f"data grid '{grid}'" if grid else "a data grid without a name"
        raise ValueError(
            f"The layout has no place for {called}. It has: {', '.join(self.origins)}. Add it, or "
            "name the data grid column."
        )


@dataclass(frozen=True, eq=False)
class Placed:
    """Readings on the map, shape ``(n,)`` each, NaN where a reading has no place.

    Parameters
    ----------
    x, y
        Easting and northing, map units.
    sequence
        Order of walking along the traverse.
    along
        Distance from where the traverse's walk started, map units.
    bearing
        Direction of travel, degrees clockwise from grid north, 0 to below 360.
    """

    x: FloatArray
    y: FloatArray
    sequence: FloatArray
    along: FloatArray
    bearing: FloatArray


def place_on_site_grid(
    grid: IntArray,
    grid_names: tuple[str, ...],
    line: IntArray,
    sequence: FloatArray | None,
    along: FloatArray | None,
    site: SiteGrid,
) -> Placed:
    """Place readings on data grids.

    Without a position, a reading's number gives it: the first reading of a traverse is number 1.
    Without a number, the order of the rows does. Readings of no traverse, or without a number or
    position where there is a column for it, stay unplaced.

    Parameters
    ----------
    grid, grid_names
        Code of each reading's data grid, ``(n,)``, and the names behind the codes.
    line
        Traverse numbers, ``(n,)``, `NO_LINE` for none.
    sequence, along
        Reading numbers and positions, ``(n,)``, or None where there are none.

    Raises
    ------
    ValueError
        If a data grid is not in the layout, two readings share a number on one traverse, a
        position lies beyond the traverse's length, or a traverse beyond the data grid's width.

    Examples
    --------
    >>> site = SiteGrid({"": Origin(100.0, 200.0)}, separation=1.0, interval=0.5, length=10.0)
    >>> zero = np.zeros(2, int)
    >>> placed = place_on_site_grid(zero, ("",), np.array([1, 2]), np.array([1.0, 1.0]), None, site)
    >>> placed.x.tolist(), placed.y.tolist(), placed.bearing.tolist()
    ([100.5, 101.5], [200.25, 209.75], [0.0, 180.0])
    """
    n = len(line)
    order = _numbered(grid, line) if sequence is None else sequence
    if along is None:
        check_unique(grid, grid_names, line, order)
    lay = _Lay.of(site, grid_names, np.unique(grid[line != NO_LINE]))
    x, y, number, walked, bearing = (np.full(n, np.nan) for _ in range(5))
    # Some rows at a time, so that the work in between needs little memory.
    for start in range(0, n, BATCH):
        part = slice(start, start + BATCH)
        rows = start + np.flatnonzero(line[part] != NO_LINE)
        code, number[rows] = grid[rows], order[rows]
        length, angle = lay.length[code], lay.bearing[code]
        if along is None:
            first = site.interval / 2 if site.first_position is None else site.first_position
            ahead = first + (order[rows] - (1 if sequence is not None else 0)) * site.interval
            from_baseline = False
        else:
            ahead, from_baseline = along[rows], site.along_from == "baseline"
        _check_length(ahead, length, site, grid_names, code, line[rows])
        steps = line[rows] - site.first_line
        turned = (steps % 2 != 0) & (site.walking == "zigzag")
        offset = site.separation / 2 if site.first_offset is None else site.first_offset
        across: FloatArray = offset + steps.astype(np.float64) * site.separation
        _check_width(across, lay.width[code], site, grid_names, code, line[rows])
        across *= 1.0 if site.side == "right" else -1.0
        position = np.where(turned & (not from_baseline), length - ahead, ahead)
        walked[rows] = np.where(turned & from_baseline, length - ahead, ahead)
        x[rows] = lay.x[code] + position * lay.east[code] + across * lay.north[code]
        y[rows] = lay.y[code] + position * lay.north[code] - across * lay.east[code]
        bearing[rows] = (angle + 180.0 * turned) % 360.0
        bearing[part][~np.isfinite(x[part])] = np.nan
    return Placed(x, y, number, walked, bearing)


@dataclass(frozen=True, eq=False)
class _Lay:
    """How data grids lie, an item for each code, NaN for those not asked for.

    `east` and `north` are what a step along the first traverse goes that way.
    """

    x: FloatArray
    y: FloatArray
    bearing: FloatArray
    length: FloatArray
    width: FloatArray
    east: FloatArray
    north: FloatArray

    @classmethod
    def of(cls, site: SiteGrid, grid_names: tuple[str, ...], codes: IntArray) -> _Lay:
        """Those of a site grid, refusing a data grid that it does not know."""
        table = np.full((5, len(grid_names)), np.nan)
        for code in codes.tolist():
            origin = site.origin_of(grid_names[code])
            table[:, code] = (
                origin.x,
                origin.y,
                origin.bearing,
                site.length if origin.length is None else origin.length,
                np.inf if origin.width is None else origin.width,
            )
        angle = np.radians(table[2])
        x, y, bearing, length, width = table
        return cls(x, y, bearing, length, width, np.sin(angle), np.cos(angle))


def left_for_later(
    grid: IntArray, line: IntArray | None, sequence: FloatArray | None, along: FloatArray | None
) -> Placed:
    """Readings without a place on the map, for steps that place them afterwards.

    Readings without a number are numbered from 1 on their traverse, in the order of the rows.

    Examples
    --------
    >>> placed = left_for_later(np.zeros(2, int), np.array([3, 3]), None, None)
    >>> placed.x.tolist(), placed.sequence.tolist()
    ([nan, nan], [1.0, 2.0])
    """
    x, y, bearing = (np.full(len(grid), np.nan) for _ in range(3))
    lines = np.zeros(len(grid), np.int64) if line is None else line
    number = np.where(lines == NO_LINE, np.nan, _own_numbers(grid, lines, sequence))
    return Placed(x, y, number, np.full(len(grid), np.nan) if along is None else along, bearing)


def _own_numbers(grid: IntArray, line: IntArray, sequence: FloatArray | None) -> FloatArray:
    """Reading numbers as given, or from 1 in the order of the rows."""
    return _numbered(grid, line) + 1 if sequence is None else sequence


def _sorted_rows(grid: IntArray, line: IntArray, *within: FloatArray) -> IntArray:
    """Rows in the order of data grids, traverses and what is given; ties keep the rows' order."""
    order: IntArray = np.lexsort((*within, line, grid))
    return order


def _begins(grid: IntArray, line: IntArray, order: IntArray) -> BoolArray:
    """Whether each row, in that order, is on another traverse than the row before it."""
    begins = np.ones(len(order), np.bool_)
    for column in (grid, line):
        ordered = column[order]
        other = ordered[1:] != ordered[:-1]
        begins[1:] = other if column is grid else begins[1:] | other
    return begins


def _numbered(grid: IntArray, line: IntArray) -> FloatArray:
    """Running number of each reading on its traverse, from 0, in the order of the rows."""
    order = _sorted_rows(grid, line)
    places = np.arange(len(order))
    starts = np.maximum.accumulate(np.where(_begins(grid, line, order), places, 0))
    number = np.empty(len(order))
    number[order] = places - starts
    return number


def check_unique(
    grid: IntArray, grid_names: tuple[str, ...], line: IntArray, sequence: FloatArray
) -> None:
    """Refuse two readings with one number on one traverse.

    Raises
    ------
    ValueError
        Naming the two readings, counted from 1.
    """
    order = _sorted_rows(grid, line, sequence)
    same = ~_begins(grid, line, order)[1:]
    ordered = sequence[order]
    same &= ordered[1:] == ordered[:-1]
    same &= (line[order] != NO_LINE)[1:]
    twice = np.flatnonzero(same)
    if len(twice):
        first, second = sorted((int(order[twice[0]]), int(order[twice[0] + 1])))
        name = grid_names[grid[first]]
        where = f" of data grid {name}" if name else ""
        raise ValueError(
            f"Readings {first + 1} and {second + 1} are both number {sequence[first]:g} on "
            f"traverse {line[first]}{where}. Was a file given twice, or is the data grid column "
            "missing?"
        )


def _check_width(
    across: FloatArray,
    width: FloatArray,
    site: SiteGrid,
    grid_names: tuple[str, ...],
    code: IntArray,
    line: IntArray,
) -> None:
    # The far side may be walked too: half a separation is let pass.
    spare = site.separation / 2 + 1e-6 * site.separation
    beyond = np.flatnonzero((across > width + spare) | (across < -spare) & np.isfinite(width))
    if len(beyond):
        place = beyond[0]
        name = grid_names[code[place]]
        raise ValueError(
            f"Traverse {line[place]}{f' of data grid {name}' if name else ''} would lie "
            f"{across[place]:g} from the side of a data grid {width[place]:g} wide. Check the "
            "traverse separation, the number of the first traverse and the traverse column."
        )


def _check_length(
    ahead: FloatArray,
    length: FloatArray,
    site: SiteGrid,
    grid_names: tuple[str, ...],
    code: IntArray,
    line: IntArray,
) -> None:
    # Zigzag turns beyond the far end would be mirrored to a false place.
    if site.walking != "zigzag":
        return
    beyond = np.flatnonzero(ahead > length + site.interval)
    if len(beyond):
        row = beyond[0]
        name = grid_names[code[row]]
        where = f" of data grid {name}" if name else ""
        raise ValueError(
            f"Traverse {line[row]}{where} reaches {ahead[row]:g}, beyond the length of "
            f"{length[row]:g}. Correct the length of the traverses or the reading interval."
        )


def along_track(
    x: FloatArray,
    y: FloatArray,
    grid: IntArray,
    line: IntArray | None,
    sequence: FloatArray | None = None,
    window: float = WINDOW,
) -> Placed:
    """Distance and direction along tracks placed by coordinates, in the order of the rows.

    Readings without a number are numbered from 1. The direction is fitted over a window of path and
    the distance is the way made in it, so that positions that jitter neither turn the one nor
    lengthen the other; see `travel_of` and `progress_of`. A track that leads nowhere has no
    direction, and no length.

    Parameters
    ----------
    x, y
        Positions, ``(n,)``, map units, NaN where missing.
    grid, line
        Data grid and traverse, ``(n,)`` each; a traverse of each data grid is a track of its own.
    sequence
        Order of walking along the traverse, ``(n,)``.
    window
        Path that a direction is taken from, map units.

    Examples
    --------
    >>> xs, zero = np.array([0.0, 3.0, 6.0, 9.0]), np.zeros(4, int)
    >>> placed = along_track(xs, np.array([0.0, 4.0, 8.0, 12.0]), zero, None)
    >>> placed.along.round(6).tolist(), placed.bearing.round(1).tolist()
    ([0.0, 5.0, 10.0, 15.0], [36.9, 36.9, 36.9, 36.9])
    """
    lines = np.zeros(len(x), np.int64) if line is None else line
    number = _own_numbers(grid, lines, sequence)
    along, bearing = np.full(len(x), np.nan), np.full(len(x), np.nan)
    order = _sorted_rows(grid, lines, number)
    order = order[np.isfinite(x[order]) & np.isfinite(y[order])]
    starts = np.flatnonzero(_begins(grid, lines, order))
    for start, end in zip(starts.tolist(), [*starts[1:].tolist(), len(order)]):
        rows = order[start:end]
        travel = travel_of(x[rows], y[rows], window)
        bearing[rows] = travel.bearing
        along[rows] = np.nan_to_num(progress_of(x[rows], y[rows], travel))
    number = np.where(lines == NO_LINE, np.nan, number)
    return Placed(np.array(x), np.array(y), number, along, bearing)
