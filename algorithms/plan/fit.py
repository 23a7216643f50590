"""Turn and shift a lattice so that it wastes least over an outline."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from ..interpret.shape import smallest_rectangle
from ..progress import Progress, advance, keep_going
from ..readings import FloatArray
from .cover import cell_shares
from .lattice import Lattice, kept

WORTH = 1e-3
"""Gains smaller than this share of one rectangle are none: the outline's own rounding."""
STEP = 2.0
"""Degrees from one bearing tried to the next, before the best is refined."""
EDGES = 24
"""How many of the longest edges of the outline are tried as directions."""
SHIFTS = 10
"""Shifts tried along each side of a rectangle; fewer on large sites."""
FINE_CELLS = 250_000
"""Most cells of the table in which shifts are tried."""
HALVINGS = 7
"""How often the refinement halves its steps: down to 1/64 of a degree and 1/1280 of a side."""

SWEEPS = 20
"""Most rounds of moves of one step: on from there, smaller steps gain more."""


@dataclass(frozen=True)
class Score:
    """How well a lattice fits: the less waste the better, then the more whole the better.

    Parameters
    ----------
    waste
        Area of the rectangles kept that lies outside the outline, and of the outline that lies in
        none, in rectangles.
    whole
        Sum of the squared shares of the rectangles kept: large where many are full.
    """

    waste: float
    whole: float

    @property
    def rank(self) -> tuple[int, int]:
        """What is compared, the lower the better: both in steps of `WORTH`."""
        return round(self.waste / WORTH), -round(self.whole / WORTH)

    def beats(self, other: Score | None) -> bool:
        """Tell whether this is worth changing to."""
        return other is None or self.rank < other.rank


def fit_lattice(
    edges: FloatArray,
    start: Lattice,
    least: float,
    free_bearing: bool,
    free_shift: bool,
    progress: Progress = keep_going,
) -> Lattice:
    """The lattice that wastes least over an outline.

    Bearings are tried every `STEP` degrees, counted from that of the smallest rectangle about the
    outline, and along its longest edges; at each, shifts by tenths of the sides. The best is then
    refined by a pattern search that halves its steps. What is found is the best of what was tried,
    which need not be the best there is. The same outline gives the same lattice; turned or moved,
    it is fitted as well, for everything is tried from the outline itself.

    Parameters
    ----------
    edges
        As `cover.outline_edges` gives them.
    start
        Size of the rectangles; and the corner and bearing where these are not free.
    least
        Share of a rectangle, from 0 to 1, that must lie inside for it to be kept.

    Returns
    -------
    Lattice
        Its bearing, if it was free, is that of the equivalent ones which is nearest to north.

    Raises
    ------
    Cancelled
        If the user asked to stop.
    """
    if not (free_bearing or free_shift):
        return start
    period = 90.0 if start.length == start.width else 180.0
    bearings = _bearings(edges, period) if free_bearing else [start.bearing]
    best, best_score = start, None
    for number, bearing in enumerate(bearings):
        advance(progress, 0.8 * number / len(bearings))
        turned = replace(start, bearing=bearing)
        tried, score = _shifted(edges, turned, least) if free_shift else (turned, None)
        score = score or _score(turned.cover(edges)[0], least)
        if score.beats(best_score):
            best, best_score = tried, score
    best = _refined(edges, best, least, (free_bearing, free_shift), progress)
    if free_bearing:
        nearest = (best.bearing + period / 2) % period - period / 2
        best = replace(best, bearing=nearest % 360.0)
    return best


def _score(shares: FloatArray, least: float) -> Score:
    good = kept(shares, least)
    waste = float(np.where(good, 1.0 - shares, shares).sum())
    return Score(waste, float(np.square(shares[good]).sum()))


def _bearings(edges: FloatArray, period: float) -> list[float]:
    """Directions to try, most likely first."""
    base = smallest_rectangle(edges[:, :2]).azimuth
    east, north = (edges[:, 2:] - edges[:, :2]).T
    longest = np.argsort(-np.round(np.hypot(east, north), 6), kind="stable")[:EDGES]
    along = np.degrees(np.arctan2(east[longest], north[longest]))
    turns = np.arange(0.0, period, STEP)
    crosswise = [base, base + 90.0] if period > 90.0 else [base]
    tried = np.concatenate([crosswise, along, along + 90.0, base + turns]) % period
    _, first = np.unique(np.round(tried, 7), return_index=True)
    return [float(tried[place]) for place in np.sort(first)]


def _shifted(edges: FloatArray, lattice: Lattice, least: float) -> tuple[Lattice, Score]:
    """The best of a table of shifts, from one exact cover by small cells."""
    cells = lattice.edges(edges)
    ends = cells.reshape(-1, 2)
    low, high = ends.min(axis=0), ends.max(axis=0)
    extent = high - low
    parts = int(np.clip(np.sqrt(FINE_CELLS / np.prod(extent + 2)), 1, SHIFTS))
    columns, rows = (int(count) * parts for count in np.ceil(extent) + 2)
    best: tuple[Lattice, Score] | None = None
    # A side of the lattice on the outline's own extremes is the likeliest of all shifts.
    anchors = [low, high, np.array([low[0], high[1]]), np.array([high[0], low[1]])]
    for anchor in anchors:
        begin = anchor - np.ceil(np.round(anchor - low, 9)) - 1.0
        fine = cell_shares((cells - np.tile(begin, 2)) * parts, rows, columns) / parts**2
        sums = np.zeros((rows + 1, columns + 1))
        sums[1:, 1:] = fine.cumsum(axis=0).cumsum(axis=1)
        windows = (
            sums[parts:, parts:] - sums[:-parts, parts:] - sums[parts:, :-parts]
            + sums[:-parts, :-parts]
        )  # fmt: skip
        for (row, column), score in _scores(windows, (rows, columns), parts, least):
            if best is None or score.beats(best[1]):
                shift = begin + np.array([column, row]) / parts
                x, y = lattice.corner(shift[1], shift[0])
                best = replace(lattice, x=float(x), y=float(y)), score
    assert best is not None
    return best


def _scores(
    windows: FloatArray, shape: tuple[int, int], parts: int, least: float
) -> Iterator[tuple[tuple[int, int], Score]]:
    """Score of each shift, the anchor's own first; the window at each small cell is given."""
    whole = np.zeros(shape)
    whole[: len(windows), : windows.shape[1]] = windows
    good = kept(whole, least)
    waste, full = (
        table.reshape(shape[0] // parts, parts, shape[1] // parts, parts).sum(axis=(0, 2))
        for table in (np.where(good, 1.0 - whole, whole), np.where(good, whole**2, 0.0))
    )
    for shift in np.ndindex(parts, parts):
        yield (shift[0], shift[1]), Score(float(waste[shift]), float(full[shift]))


def _refined(
    edges: FloatArray,
    lattice: Lattice,
    least: float,
    free: tuple[bool, bool],
    progress: Progress,
) -> Lattice:
    """Turn and shift by ever smaller steps as long as that gains anything."""
    turns = (0.0, 1.0, -1.0) if free[0] else (0.0,)
    shifts = (0.0, 1.0, -1.0) if free[1] else (0.0,)
    moves = [(t, r, c) for t in turns for r in shifts for c in shifts][1:]
    centre = edges.reshape(-1, 2).mean(axis=0)
    best_score = _score(lattice.cover(edges)[0], least)
    turn, shift = STEP / 2, 1 / (2 * SHIFTS)
    for number in range(HALVINGS):
        advance(progress, 0.8 + 0.2 * number / HALVINGS)
        for _ in range(SWEEPS):
            gained = False
            for way, row, column in moves:
                x, y = lattice.corner(row * shift, column * shift)
                moved = replace(lattice, x=float(x), y=float(y))
                if way and free[1]:
                    moved = _turned(moved, way * turn, centre)
                elif way:
                    moved = replace(moved, bearing=moved.bearing + way * turn)
                score = _score(moved.cover(edges)[0], least)
                if score.beats(best_score):
                    lattice, best_score, gained = moved, score, True
            if not gained:
                break
        turn, shift = turn / 2, shift / 2
    return lattice


def _turned(lattice: Lattice, degrees: float, centre: FloatArray) -> Lattice:
    """Turn a lattice about a place, so that it moves as little as may be."""
    row, column = lattice.local(centre[0], centre[1])
    turned = replace(lattice, bearing=lattice.bearing + degrees)
    moved = turned.corner(row, column)
    x, y = np.array([lattice.x, lattice.y]) + centre - moved
    return replace(turned, x=float(x), y=float(y))
