"""Stakes at the corners of data grids, and tape distances that check them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..readings import BoolArray, FloatArray, IntArray
from ..words import SHOWN, plural
from .lattice import Lattice
from .plangrids import Plan

CORNERS = ("near left", "far left", "far right", "near right")
"""As `Plan.corners`: seen along the first traverse, whose side begins at the first of them."""
SIDE, DIAGONAL, BASELINE = "side", "diagonal", "base line"
EARTH_RADIUS = 6_371_000.0
"""Mean radius of the earth, metres (IUGG, GRS 80)."""


TEST_LENGTH = 1000.0
"""Map units of the lines that the scale is measured on."""


@dataclass(frozen=True, eq=False)
class Stakes:
    """Stakes in the order of setting out: row by row, to and fro; numbered from 1.

    Parameters
    ----------
    row, column
        Place on the plan's lattice, ``(n,)``.
    x, y
        Easting and northing, map units, ``(n,)``.
    serves
        What each stake is: ``"A1 near right, A2 near left"``.
    of
        Number of the stake at each data grid's corners, ``(grids, 4)``, in the order of `CORNERS`.
    """

    row: IntArray
    column: IntArray
    x: FloatArray
    y: FloatArray
    serves: tuple[str, ...]
    of: IntArray

    def __len__(self) -> int:
        return len(self.serves)


@dataclass(frozen=True)
class GroundScale:
    """Distances on the ground for distances on the map, about one site.

    The three factors are ground over map, along the traverses, across them and along the diagonal
    of equal steps of both: enough for any direction, on projections that keep angles and on others.
    """

    along: float = 1.0
    across: float = 1.0
    diagonal: float = 1.0

    @property
    def mean(self) -> float:
        """The factor to tell."""
        return (self.along + self.across) / 2

    @property
    def map_ppm(self) -> float:
        """How much longer the map is than the ground, parts per million."""
        return 1e6 * (1 / self.mean - 1)

    def ground(self, along: FloatArray, across: FloatArray) -> FloatArray:
        """Ground distances of steps along and across the traverses, map units.

        Examples
        --------
        >>> float(GroundScale(2.0, 2.0, 2.0).ground(np.array(3.0), np.array(4.0)))
        10.0
        """
        mixed = (2 * self.diagonal**2 - self.along**2 - self.across**2) / 2
        square = (self.along * along) ** 2 + (self.across * across) ** 2
        distance: FloatArray = np.sqrt(square + 2 * mixed * along * across)
        return distance

    def told(self, length: float, unit: str = "map units", known: bool = True) -> str:
        """What to know when taping a side of `length`, in one sentence."""
        if not known:
            return (
                "The ellipsoid of the coordinate reference system is not known: what map distances "
                "are on the ground cannot be told."
            )
        side, taped = f"{length:g} {unit}", f"{length * self.mean:.3f} {unit}"
        ppm = self.map_ppm
        if abs(ppm) < 0.5:
            return f"A side of {side} on the map is as long on the ground, to 1 part in a million."
        return (
            f"A side of {side} on the map is {taped} on the ground: the map is {abs(ppm):,.0f} "
            f"parts per million {'longer' if ppm > 0 else 'shorter'} here (combined scale factor "
            f"{1 / self.mean:.6f})."
        )


def scale_lines(plan: Plan) -> tuple[FloatArray, float]:
    """Lines to measure the scale on, through the middle of the plan, and their length on the map.

    Ends (x, y) of each, shape ``(3, 2, 2)``: along the traverses, across them, and diagonally.
    """
    ends = plan.corners.reshape(-1, 2)
    x, y = (ends.min(axis=0) + ends.max(axis=0)) / 2
    here = Lattice(float(x), float(y), plan.lattice.bearing, TEST_LENGTH / 2, TEST_LENGTH / 2)
    along, across = np.array([1.0, 0.0, np.sqrt(0.5)]), np.array([0.0, 1.0, np.sqrt(0.5)])
    return np.stack([here.corner(-along, -across), here.corner(along, across)], axis=1), TEST_LENGTH


def ground_scale(
    ellipsoid: Sequence[float], length: float, height: float = 0.0, radius: float = EARTH_RADIUS
) -> GroundScale:
    """Factors from map to ground.

    Parameters
    ----------
    ellipsoid
        Distances on the ellipsoid, map units, of lines of `length` on the map: along the
        traverses, across them and diagonally.
    height
        Height of the site above the ellipsoid, in the unit of `radius`: distances grow with the
        distance from the earth's centre.

    Raises
    ------
    ValueError
        If the height is not above the earth's centre.

    References
    ----------
    The combined factor of surveying textbooks, point scale factor times elevation factor
    R / (R + h), here upside down. From memory.

    Examples
    --------
    >>> round(ground_scale([1000.4, 1000.4, 1000.4], 1000.0).map_ppm)
    -400
    """
    raised = (radius + height) / radius
    if not raised > 0:
        raise ValueError(f"A height of {height:g} lies beyond the earth's centre.")
    along, across, diagonal = (raised * float(distance) / length for distance in ellipsoid)
    return GroundScale(along, across, diagonal)


@dataclass(frozen=True, eq=False)
class Checks:
    """Tape distances between stakes, ``(n,)`` each: data grid by data grid, then the base line.

    Parameters
    ----------
    what
        `SIDE`, `DIAGONAL` or `BASELINE` (running from the base line's first stake).
    grids
        The data grids they belong to; both, where a side is shared.
    start, end
        Numbers of the stakes.
    expected, ground
        Distance on the map and on the ground, map units.
    """

    what: tuple[str, ...]
    grids: tuple[str, ...]
    start: IntArray
    end: IntArray
    expected: FloatArray
    ground: FloatArray

    def __len__(self) -> int:
        return len(self.what)


def place_stakes(plan: Plan) -> Stakes:
    """One stake at every corner of the data grids, shared corners once.

    Examples
    --------
    >>> from .plangrids import GridOptions, lay_out
    >>> field = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 20.0], [0.0, 20.0]])
    >>> stakes = place_stakes(lay_out([[field]], GridOptions(bearing=0.0, corner=(0.0, 0.0))))
    >>> len(stakes), stakes.serves[1]
    (6, 'A1 near right, A2 near left')
    """
    row = plan.row[:, np.newaxis] + np.array([0, 1, 1, 0])
    column = plan.column[:, np.newaxis] + np.array([0, 0, 1, 1])
    across = int(column.max()) + 1
    nodes, inverse = np.unique(row * across + column, return_inverse=True)
    rows, columns = nodes // across, nodes % across
    order = np.lexsort((np.where(rows % 2 == 0, columns, -columns), rows))
    number = np.empty(len(nodes), np.int64)
    number[order] = np.arange(1, len(nodes) + 1)
    of = number[inverse.reshape(row.shape)]
    serves: list[list[str]] = [[] for _ in nodes]
    for name, stakes in zip(plan.names, of.tolist()):
        for stake, corner in zip(stakes, CORNERS):
            serves[stake - 1].append(f"{name} {corner}")
    rows, columns = rows[order], columns[order]
    place = plan.lattice.corner(rows, columns)
    return Stakes(
        rows, columns, place[:, 0], place[:, 1], tuple(", ".join(all_) for all_ in serves), of
    )


def beyond_outline(inside: BoolArray) -> tuple[str, ...]:
    """What to be warned of where stakes stand outside the outline, if any does.

    Examples
    --------
    >>> beyond_outline(np.array([True, False]))[0][:48]
    "1 of 2 stakes lies off the outline's ground (2):"
    """
    out = (np.flatnonzero(~inside) + 1).tolist()
    if not out:
        return ()
    named = ", ".join(str(number) for number in out[:SHOWN])
    more = f" and {len(out) - SHOWN:,} more" if len(out) > SHOWN else ""
    return (
        f"{len(out):,} of {plural(len(inside), 'stake')} {'lies' if len(out) == 1 else 'lie'} off "
        f"the outline's ground ({named}{more}): beyond a hedge or on a neighbour's land, perhaps. "
        "Ask before you go there.",
    )


def tape_checks(plan: Plan, stakes: Stakes, scale: GroundScale) -> Checks:
    """Sides and both diagonals of every data grid, and running distances along the base line.

    A side that two data grids share is measured once. The base line is the row with most stakes,
    the nearest of several.
    """
    of = stakes.of
    # Left, far, right and near side; then the diagonals.
    pairs = np.array([[0, 1], [1, 2], [3, 2], [0, 3], [0, 2], [1, 3]])
    ends = of[:, pairs]
    low, high = ends.min(axis=2), ends.max(axis=2)
    key = (low * (len(stakes) + 1) + high).ravel()
    _, first, same = np.unique(key, return_index=True, return_inverse=True)
    owners: list[list[str]] = [[] for _ in first]
    for place, measure in enumerate(np.ravel(same).tolist()):
        owners[measure].append(plan.names[place // len(pairs)])
    order = np.argsort(first)
    measured = first[order]
    base = _base_line(stakes)
    start = np.concatenate([ends[..., 0].ravel()[measured], np.full(len(base) - 1, base[0])])
    end = np.concatenate([ends[..., 1].ravel()[measured], base[1:]])
    diagonal = measured % len(pairs) >= 4
    along = (stakes.row[end - 1] - stakes.row[start - 1]) * plan.lattice.length
    across = (stakes.column[end - 1] - stakes.column[start - 1]) * plan.lattice.width
    return Checks(
        what=(
            *(DIAGONAL if slant else SIDE for slant in diagonal.tolist()),
            *(BASELINE for _ in base[1:]),
        ),
        grids=(
            *(", ".join(owners[number]) for number in order.tolist()),
            *("" for _ in base[1:]),
        ),
        start=start,
        end=end,
        expected=np.hypot(along, across),
        ground=scale.ground(along, across),
    )


def _base_line(stakes: Stakes) -> IntArray:
    """Numbers of the stakes of the base line, from its left end."""
    fullest = int(np.argmax(np.bincount(stakes.row)))
    on_line = np.flatnonzero(stakes.row == fullest)
    numbers: IntArray = on_line[np.argsort(stakes.column[on_line])] + 1
    return numbers
