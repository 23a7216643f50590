"""Lay out data grids over the outline of a site before anybody walks."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..options import check_words
from ..progress import Progress, advance, keep_going, portion
from ..readings import FloatArray, IntArray
from ..words import in_unit, plural, share_text, squared
from .cover import edges_area, outline_edges
from .fit import fit_lattice
from .lattice import Lattice, kept

LABELS = ("row_column", "order")
MOST_GRIDS = 100_000
"""More data grids than a site can want: the side is mistyped, or in another unit."""
ORDER_PREFIX = "G"
FAR = 1.0
"""A start corner further from the outline than this many times its extent is looked at again."""
TOO_FAR = 10.0
"""One further than this many times its extent, and as many of the data grids, is refused."""


@dataclass(frozen=True)
class GridOptions:
    """How data grids are laid out. Lengths in map units.

    Parameters
    ----------
    size
        Side of the data grids along the traverses.
    width
        Side across; None for squares.
    bearing
        Direction of the first traverse, degrees clockwise from grid north; None for the best fit.
    corner
        Easting and northing of a corner that the data grids meet at; None for the best fit.
    least_share
        Share of a data grid that must lie inside for it to be kept, per cent; 0 keeps all that
        hold any ground.
    labels
        ``"row_column"``: a letter a row, a number a column; ``"order"``: numbers in walking order.
    prefix
        Before every label; empty for none before rows and columns and `ORDER_PREFIX` before
        numbers.

    Raises
    ------
    ValueError
        If a length is not above 0, the share out of its range or a word unknown.
    """

    size: float = 20.0
    width: float | None = None
    bearing: float | None = None
    corner: tuple[float, float] | None = None
    least_share: float = 1.0
    labels: str = "row_column"
    prefix: str = ""

    def __post_init__(self) -> None:
        for what, length in (("side of the data grids", self.size), ("side across", self.width)):
            if length is not None and not 0 < length < np.inf:
                raise ValueError(f"The {what} is {length:g}: give a length above 0.")
        if not 0 <= self.least_share <= 100:
            raise ValueError(
                f"The least share inside is {self.least_share:g} %: give 0 to 100 per cent."
            )
        check_words(("Kind of label", self.labels, LABELS))


@dataclass(frozen=True, eq=False)
class Plan:
    """Data grids in walking order, arrays of shape ``(n,)``.

    Parameters
    ----------
    lattice
        The lattice they lie on; its corner is that of row 0, column 0.
    row, column
        Counted from 0: rows along the bearing, columns to the right of it.
    share
        Share of each inside the outline, 0 to 1.
    names
        Their labels.
    outline_area
        Area of the outline, square map units.
    figures, messages, warnings
        What to tell.
    """

    lattice: Lattice
    row: IntArray
    column: IntArray
    share: FloatArray
    names: tuple[str, ...]
    outline_area: float
    figures: Mapping[str, object] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.names)

    @property
    def corners(self) -> FloatArray:
        """Corners of the data grids, shape ``(n, 4, 2)`` of (x, y), clockwise from the near left.

        The first is where the side of the first traverse begins, the second where it ends.
        """
        row = self.row[:, np.newaxis] + np.array([0, 1, 1, 0])
        column = self.column[:, np.newaxis] + np.array([0, 0, 1, 1])
        return self.lattice.corner(row, column)

    @property
    def area(self) -> FloatArray:
        """Area of each inside the outline, square map units."""
        return self.share * self.lattice.length * self.lattice.width

    @property
    def percent(self) -> FloatArray:
        """Share of each inside the outline, per cent."""
        return 100.0 * self.share


def lay_out(
    polygons: Sequence[Sequence[FloatArray]],
    options: GridOptions,
    unit: str = "map units",
    progress: Progress = keep_going,
) -> Plan:
    """Lay data grids of one size side by side over an outline.

    Parameters
    ----------
    polygons
        Parts of the outline, which do not overlap: for each its outer ring, then its holes, shape
        ``(k, 2)`` of (x, y), map units.
    unit
        Name of the map unit, for the messages.

    Returns
    -------
    Plan
        Every data grid of which enough lies inside. Walked row by row, to and fro.

    Raises
    ------
    ValueError
        If the outline holds no area, no data grid is kept, there would be too many, or the start
        corner lies out of all reach.
    Cancelled
        If the user asked to stop.

    Examples
    --------
    >>> field = np.array([[0.0, 0.0], [40.0, 0.0], [40.0, 60.0], [0.0, 60.0]])
    >>> plan = lay_out([[field]], GridOptions(bearing=0.0, corner=(0.0, 0.0)))
    >>> plan.names
    ('A1', 'A2', 'B2', 'B1', 'C1', 'C2')
    """
    centre = _centre(polygons)
    edges = outline_edges([[ring - centre for ring in rings] for rings in polygons])
    area = edges_area(edges)
    width = options.size if options.width is None else options.width
    _check_count(area, options.size, width)
    corner = np.zeros(2) if options.corner is None else np.array(options.corner) - centre
    away, extent = _away(edges, corner)
    if away > TOO_FAR * max(extent, TOO_FAR * max(options.size, width)):
        raise ValueError(
            f"The start corner lies {in_unit(away, unit)} from the outline. The coordinate "
            "reference system or the order of its coordinates, easting first, may be wrong."
        )
    start = Lattice(
        float(corner[0]), float(corner[1]), (options.bearing or 0.0) % 360.0, options.size, width
    )
    start.cover(edges)  # refuses parts that lie too far apart before the search begins
    least = options.least_share / 100
    fitted = fit_lattice(
        edges, start, least, options.bearing is None, options.corner is None,
        portion(progress, 0.0, 0.9),
    )  # fmt: skip
    shares, first_row, first_column = fitted.cover(edges)
    good = kept(shares, least)
    if not good.any():
        raise ValueError(_none_kept(options, width, float(shares.max()), unit))
    if np.count_nonzero(good) > MOST_GRIDS:
        _check_count(float(np.count_nonzero(good)) * options.size * width, options.size, width)
    rows, columns = np.nonzero(good)
    order = np.lexsort((columns, rows))
    rows, columns = rows[order], columns[order]
    share = shares[rows, columns]
    low_row, low_column = int(rows.min()), int(columns.min())
    place = fitted.corner(first_row + low_row, first_column + low_column)
    lattice = replace(fitted, x=float(place[0] + centre[0]), y=float(place[1] + centre[1]))
    rows, columns = rows - low_row, columns - low_column
    walk = np.lexsort((np.where(rows % 2 == 0, columns, -columns), rows))
    rows, columns, share = rows[walk], columns[walk], share[walk]
    advance(progress, 1.0)
    plan = Plan(lattice, rows, columns, share, labels(rows, columns, options), area)
    return _told(plan, options, corner, edges, unit)


def labels(row: IntArray, column: IntArray, options: GridOptions) -> tuple[str, ...]:
    """Names of data grids that are given in walking order.

    Examples
    --------
    >>> labels(np.array([0, 26]), np.array([0, 2]), GridOptions())
    ('A1', 'AA3')
    >>> labels(np.array([0, 26]), np.array([0, 2]), GridOptions(labels="order", prefix="S"))
    ('S1', 'S2')
    """
    if options.labels == "order":
        prefix = options.prefix or ORDER_PREFIX
        return tuple(f"{prefix}{number + 1}" for number in range(len(row)))
    letters = [_letters(number) for number in range(int(row.max()) + 1)]
    return tuple(
        f"{options.prefix}{letters[r]}{c + 1}" for r, c in zip(row.tolist(), column.tolist())
    )


def _letters(number: int) -> str:
    """A, B, ... Z, AA, AB and so on, from 0."""
    text = ""
    number += 1
    while number:
        number, rest = divmod(number - 1, 26)
        text = chr(ord("A") + rest) + text
    return text


def _centre(polygons: Sequence[Sequence[FloatArray]]) -> FloatArray:
    """Middle of the outline's extent: coordinates referred to it keep all their digits."""
    points = [ring for rings in polygons for ring in rings if len(ring)]
    if not points:
        raise ValueError("The outline holds no area. Draw it round the ground to survey.")
    every = np.concatenate(points)
    middle: FloatArray = (every.min(axis=0) + every.max(axis=0)) / 2
    return middle


def _away(edges: FloatArray, corner: FloatArray) -> tuple[float, float]:
    """How far a place lies from the extent of an outline, and the extent's diagonal."""
    ends = edges.reshape(-1, 2)
    low, high = ends.min(axis=0), ends.max(axis=0)
    beyond = np.maximum(np.maximum(low - corner, corner - high), 0.0)
    return float(np.hypot(*beyond)), float(np.hypot(*(high - low)))


def _check_count(area: float, size: float, width: float) -> None:
    count = area / (size * width)
    if count > MOST_GRIDS:
        # A tenth to spare, for those that lie only partly inside.
        larger = 1.1 * np.sqrt(area / MOST_GRIDS)
        raise ValueError(
            f"Data grids of {size:g} by {width:g} would be about {count:,.0f} over this outline; "
            f"at most {MOST_GRIDS:,} are laid out. Choose sides of {in_unit(larger, '')} or more, "
            "or a part of the outline."
        )


def _none_kept(options: GridOptions, width: float, fullest: float, unit: str) -> str:
    return (
        f"No data grid of {options.size:g} by {width:g} {unit} lies inside the outline by "
        f"{options.least_share:g} % or more; the fullest does by {100 * fullest:.3g} %. "
        "Choose a smaller side or a lower least share."
    )


def _told(
    plan: Plan, options: GridOptions, corner: FloatArray, edges: FloatArray, unit: str
) -> Plan:
    """The plan with its figures and what to tell of them."""
    cell = plan.lattice.length * plan.lattice.width
    covered = float(plan.area.sum())
    left = max(plan.outline_area - covered, 0.0)
    outside = max(len(plan) * cell - covered, 0.0)
    figures = {
        "data grids": len(plan),
        "bearing": round(plan.lattice.bearing, 6),
        "outline area": round(plan.outline_area, 3),
        "covered": round(covered, 3),
        "left out": round(left, 3),
        "outside": round(outside, 3),
    }
    area_unit = squared(unit)
    size = f"{plan.lattice.length:g} by {plan.lattice.width:g} {unit}"
    fitted = " and ".join(
        word
        for word, given in (("bearing", options.bearing), ("corner", options.corner))
        if given is None
    )
    how = f", best fit of the {fitted}" if fitted else ""
    messages = (
        f"{plural(len(plan), 'data grid')} of {size}, first traverse at bearing "
        f"{plan.lattice.bearing:.4g}°{how}.",
        f"{covered:,.0f} of {plan.outline_area:,.0f} {area_unit} of the outline covered; "
        f"{outside:,.0f} {area_unit} of the data grids lie outside it.",
    )
    warnings: list[str] = []
    share = left / plan.outline_area
    if share > 0.5e-2:
        warnings.append(
            f"{left:,.0f} {area_unit} of the outline lie in no data grid "
            f"({share_text(round(1e6 * share), 1_000_000)}): lower the least share to cover them."
        )
    if 0 < options.least_share < 1:
        warnings.append(
            f"The least share inside is {options.least_share:g} %, which keeps nearly all: it is "
            f"per cent. Give {100 * options.least_share:g} if a share of 1 was meant."
        )
    away, extent = _away(edges, corner)
    if away > FAR * extent:
        warnings.append(
            f"The start corner lies {in_unit(away, unit)} from the outline. Is it the right place, "
            "in the right coordinate reference system?"
        )
    return replace(plan, figures=figures, messages=messages, warnings=tuple(warnings))
