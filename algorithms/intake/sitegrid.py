"""Place readings by traverse and reading number on data grids, or along a track."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ..readings import NO_LINE, FloatArray, IntArray

WALKING = ("zigzag", "one_way")
SIDES = ("right", "left")
ALONG_FROM = ("walk", "baseline")


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
    """

    x: float
    y: float
    bearing: float = 0.0
    length: float | None = None


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
        for what, word, words in (
            ("Walking", self.walking, WALKING),
            ("Side", self.side, SIDES),
            ("Positions from", self.along_from, ALONG_FROM),
        ):
            if word not in words:
                raise ValueError(f"{what} '{word}' is unknown: choose one of {', '.join(words)}.")
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
        If a data grid is not in the layout, two readings share a number on one traverse, or a
        position lies beyond the traverse's length.

    Examples
    --------
    >>> site = SiteGrid({"": Origin(100.0, 200.0)}, separation=1.0, interval=0.5, length=10.0)
    >>> zero = np.zeros(2, int)
    >>> placed = place_on_site_grid(zero, ("",), np.array([1, 2]), np.array([1.0, 1.0]), None, site)
    >>> placed.x.tolist(), placed.y.tolist(), placed.bearing.tolist()
    ([100.5, 101.5], [200.25, 209.75], [0.0, 180.0])
    """
    n = len(line)
    on_line = line != NO_LINE
    order = _numbered(grid, line) if sequence is None else sequence
    if along is None:
        first = site.interval / 2 if site.first_position is None else site.first_position
        from_start = first + (order - (1 if sequence is not None else 0)) * site.interval
        from_baseline = False
        check_unique(grid, grid_names, line, order)
    else:
        from_start, from_baseline = along, site.along_from == "baseline"
    steps = np.where(on_line, line - site.first_line, 0)
    back = (steps % 2 != 0) if site.walking == "zigzag" else np.zeros(n, np.bool_)
    offset = site.separation / 2 if site.first_offset is None else site.first_offset
    across = (offset + steps * site.separation) * (1.0 if site.side == "right" else -1.0)
    x, y, walked, bearing = (np.full(n, np.nan) for _ in range(4))
    for code in np.unique(grid):
        rows = np.flatnonzero((grid == code) & on_line)
        if not len(rows):
            continue
        origin = site.origin_of(grid_names[code])
        length = site.length if origin.length is None else origin.length
        ahead = from_start[rows]
        _check_length(ahead, length, site, grid_names[code], line[rows])
        turned = back[rows]
        position = np.where(turned & (not from_baseline), length - ahead, ahead)
        walked[rows] = np.where(turned & from_baseline, length - ahead, ahead)
        angle = np.radians(origin.bearing)
        x[rows] = origin.x + position * np.sin(angle) + across[rows] * np.cos(angle)
        y[rows] = origin.y + position * np.cos(angle) - across[rows] * np.sin(angle)
        bearing[rows] = (origin.bearing + 180.0 * turned) % 360.0
    bearing[~np.isfinite(x)] = np.nan
    return Placed(x, y, np.where(on_line, order, np.nan), walked, bearing)


def _numbered(grid: IntArray, line: IntArray) -> FloatArray:
    """Running number of each reading on its traverse, from 0, in the order of the rows."""
    order = np.lexsort((np.arange(len(line)), line, grid))
    same = (np.diff(grid[order]) == 0) & (np.diff(line[order]) == 0)
    starts = np.concatenate([[0], np.flatnonzero(~same) + 1]) if len(line) else np.empty(0, int)
    counts = np.diff(np.concatenate([starts, [len(line)]]))
    number = np.empty(len(line))
    number[order] = np.arange(len(line)) - np.repeat(starts, counts)
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
    order = np.lexsort((sequence, line, grid))
    a, b = order[:-1], order[1:]
    same = (grid[a] == grid[b]) & (line[a] == line[b]) & (sequence[a] == sequence[b])
    twice = np.flatnonzero(same & (line[a] != NO_LINE))
    if len(twice):
        first, second = sorted((int(a[twice[0]]), int(b[twice[0]])))
        name = grid_names[grid[first]]
        where = f" of data grid {name}" if name else ""
        raise ValueError(
            f"Readings {first + 1} and {second + 1} are both number {sequence[first]:g} on "
            f"traverse {line[first]}{where}. Was a file given twice, or is the data grid column "
            "missing?"
        )


def _check_length(
    ahead: FloatArray, length: float, site: SiteGrid, grid: str, line: IntArray
) -> None:
    # Zigzag turns beyond the far end would be mirrored to a false place.
    if site.walking != "zigzag":
        return
    beyond = np.flatnonzero(ahead > length + site.interval)
    if len(beyond):
        where = f" of data grid {grid}" if grid else ""
        raise ValueError(
            f"Traverse {line[beyond[0]]}{where} reaches {ahead[beyond[0]]:g}, beyond the length of "
            f"{length:g}. Correct the length of the traverses or the reading interval."
        )


def along_track(
    x: FloatArray,
    y: FloatArray,
    grid: IntArray,
    line: IntArray | None,
    sequence: FloatArray | None = None,
) -> Placed:
    """Distance and direction along tracks placed by coordinates, in the order of the rows.

    Readings without a number are numbered from 1. The direction at a reading is that from the
    placed reading before it to the one after.

    Examples
    --------
    >>> xs, zero = np.array([0.0, 3.0, 3.0]), np.zeros(3, int)
    >>> placed = along_track(xs, np.array([0.0, 0.0, 4.0]), zero, None)
    >>> placed.along.tolist(), placed.bearing.round(1).tolist()
    ([0.0, 3.0, 7.0], [90.0, 36.9, 0.0])
    """
    n = len(x)
    lines = np.zeros(n, np.int64) if line is None else line
    number = _numbered(grid, lines) + 1 if sequence is None else sequence
    along, bearing = np.full(n, np.nan), np.full(n, np.nan)
    placed = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    order = placed[np.lexsort((number[placed], lines[placed], grid[placed]))]
    if len(order):
        breaks = np.flatnonzero((np.diff(grid[order]) != 0) | (np.diff(lines[order]) != 0)) + 1
        for rows in np.split(order, breaks):
            dx, dy = np.diff(x[rows]), np.diff(y[rows])
            along[rows] = np.concatenate([[0.0], np.cumsum(np.hypot(dx, dy))])
            if len(rows) > 1:
                before = np.concatenate([[0], np.arange(len(rows) - 1)])
                after = np.concatenate([np.arange(1, len(rows)), [len(rows) - 1]])
                east = x[rows[after]] - x[rows[before]]
                north = y[rows[after]] - y[rows[before]]
                moved = (east != 0) | (north != 0)
                angle = np.degrees(np.arctan2(east, north)) % 360.0
                bearing[rows] = np.where(moved, angle, np.nan)
    number = np.where(lines == NO_LINE, np.nan, number)
    return Placed(np.array(x), np.array(y), number, along, bearing)
