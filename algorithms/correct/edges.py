"""The step between two parts of a survey where they meet or overlap.

There the ground goes on, and the instrument's zero may not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.spatial import cKDTree

from ..progress import Progress, keep_going, side_by_side
from ..readings import BoolArray, FloatArray, IntArray, Readings
from .centres import BIWEIGHT, bisquare
from .windows import MAD_TO_SIGMA, Walk

TOUCHING = 3.0
"""Cells of two parts nearer than this many cells lie beside each other."""

MOST_WINDOWS = 200
"""Windows looked at along one edge; more tell no more."""

FEWEST_CELLS = 5
"""Cells of either part below which a window tells no step."""

FEWEST_WINDOWS = 3
"""Places along an edge below which it is but a corner."""

RADII = (1.0, 0.65, 0.4, 0.25)
"""Radii of a window that are tried, shares of the reach."""

AS_WELL = 1.15
"""A window fits well when it leaves no more than so many times what narrow ones usually leave."""

OUTLYING = 1.5
"""Robust standard deviations beyond which a cell counts as no further off."""

MANY = 15
"""Traverses on either side of an edge from which on it shows what traverses are still off."""

AKIN = 6.0
"""Neighbouring traverses that are off alike, after levelling."""

LEAST = 1e-12
"""Noise is never taken for less than this, channel units."""

ROUNDS = 3
OVERLAP = 4.0
"""How many windows share each place of an edge, half a reach apart and two reaches wide."""


@dataclass(frozen=True, eq=False)
class Cells:
    """Readings of each part taken together in square cells, ``m`` of them.

    Parameters
    ----------
    x, y, part, line
        Mean position, part and traverse (a code) of each cell, ``(m,)``.
    values
        Mean values, ``(m, c)``, NaN where no reading counts.
    size
        Side of the cells, map units.
    """

    x: FloatArray
    y: FloatArray
    part: IntArray
    line: IntArray
    values: FloatArray
    size: float


@dataclass(frozen=True, eq=False)
class Edge:
    """Two parts that lie beside each other, and what sets them apart.

    Parameters
    ----------
    first, second
        Codes of the parts.
    step, error
        What the second part reads more than the first, each channel, ``(c,)``, and its standard
        error; NaN where it cannot be told.
    windows
        Places along the edge that were looked at.
    levels
        What either part reads at each of those places, ``(w, 2, c)``.
    traverses
        How many traverses of the part that has fewer of them lie at those places.
    scatter
        Variance of the step from place to place beyond the places' own errors, ``(c,)``.
    """

    first: int
    second: int
    step: FloatArray
    error: FloatArray
    windows: int
    levels: FloatArray
    traverses: int
    scatter: FloatArray


def cells_of(readings: Readings, parts: IntArray, size: float) -> Cells:
    """Means of readings in cells of each part; readings without position or part left out.

    Parameters
    ----------
    parts
        Code of each reading's part, ``(n,)``, -1 for none.
    size
        Side of the cells, map units.
    """
    placed = np.isfinite(readings.x) & np.isfinite(readings.y) & (parts >= 0)
    rows = np.flatnonzero(placed)
    x, y = readings.x[rows], readings.y[rows]
    column, row = (
        np.floor((place - place.min(initial=np.inf)) / size).astype(np.int64) for place in (x, y)
    )
    key = (parts[rows] * (row.max(initial=0) + 1) + row) * (column.max(initial=0) + 1) + column
    _, first, inverse = np.unique(key, return_index=True, return_inverse=True)
    inverse = inverse.ravel()
    count = np.bincount(inverse, minlength=len(first)).astype(np.float64)
    values = np.full((len(first), len(readings.channels)), np.nan)
    usable = readings.usable[rows]
    for k in range(values.shape[1]):
        known = usable[:, k]
        number = np.bincount(inverse[known], minlength=len(first))
        total = np.bincount(inverse[known], readings.values[rows[known], k], len(first))
        values[:, k] = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    return Cells(
        np.bincount(inverse, x, len(first)) / count,
        np.bincount(inverse, y, len(first)) / count,
        parts[rows][first],
        _line_codes(readings)[rows][first],
        values,
        size,
    )


def _line_codes(readings: Readings) -> IntArray:
    """A code of each reading's traverse, ``(n,)``; readings of none are one."""
    codes = np.full(len(readings), -1, np.int64)
    walk = Walk.of(readings)
    codes[walk.rows] = walk.number
    return codes


def find_edges(cells: Cells, reach: float, progress: Progress = keep_going) -> tuple[Edge, ...]:
    """Every pair of parts that lie beside each other or overlap, with the step between them.

    At places along the edge one smooth surface, a polynomial of the second degree, is fitted to
    the cells of both parts within `reach`, and to it a step from the one part to the other;
    outliers count less (Huber's weights). The step of the edge is the robust mean of those of its
    places, each with the weight of its certainty.

    Parameters
    ----------
    reach
        Radius of the places, map units.

    References
    ----------
    The local form: G. W. Imbens and T. Lemieux (2008), *Regression discontinuity designs*, Journal
    of Econometrics 142, 615-635. The weights: P. J. Huber (1981), *Robust Statistics*, Wiley.
    """
    codes = np.unique(cells.part)
    points = np.column_stack([cells.x, cells.y])
    members = {int(code): np.flatnonzero(cells.part == code) for code in codes}
    trees = {code: cKDTree(points[rows]) for code, rows in members.items()}
    boxes = {c: (points[r].min(axis=0), points[r].max(axis=0)) for c, r in members.items()}
    near = TOUCHING * cells.size

    def compared(pair: tuple[int, int], part: Progress) -> Edge | None:
        a, b = pair
        (low_a, high_a), (low_b, high_b) = boxes[a], boxes[b]
        if (low_a - near > high_b).any() or (low_b - near > high_a).any():
            return None
        distance, _ = trees[b].query(points[members[a]], distance_upper_bound=near)
        beside = points[members[a]][np.isfinite(distance)]
        if not len(beside):
            return None
        centres = _spread_out(beside, reach / 2)
        sides = []
        for code in pair:
            lists = trees[code].query_ball_point(centres, reach)
            sides.append([members[code][np.asarray(some, np.int64)] for some in lists])
        return _edge(cells, points, pair, centres, sides, reach)

    pairs = [(int(a), int(b)) for i, a in enumerate(codes) for b in codes[i + 1 :]]
    looked = side_by_side([partial(compared, pair) for pair in pairs], progress)
    found = [edge for edge in looked if edge is not None]
    # Parts that touch at a corner only are told from each other by their neighbours.
    long = [edge for edge in found if edge.windows >= FEWEST_WINDOWS]
    linked = {code for edge in long for code in (edge.first, edge.second)}
    kept = [e for e in found if e in long or not {e.first, e.second} <= linked]
    return tuple(_doubted(kept))


def _doubted(edges: list[Edge]) -> list[Edge]:
    """Edges with the doubt in their errors that traverses still being off brings.

    Along an edge that runs with the traverses all places share the same few traverses, and what
    those are still off after levelling. How much that is shows along the edges that run across
    many; the calmest of them has the fewest features.
    """
    across = [edge.scatter for edge in edges if edge.traverses >= MANY]
    if not across:
        return edges
    usual = np.min(np.nan_to_num(np.array(across), nan=np.inf), axis=0)
    usual[~np.isfinite(usual)] = 0.0
    return [
        replace(e, error=np.sqrt(e.error**2 + usual / max(1.0, e.traverses / AKIN))) for e in edges
    ]


def _spread_out(points: FloatArray, apart: float) -> FloatArray:
    """Places about `apart` from each other among points, at most `MOST_WINDOWS`."""
    key = np.floor((points - points.min(axis=0)) / apart).astype(np.int64)
    _, inverse = np.unique(key, axis=0, return_inverse=True)
    inverse = inverse.ravel()
    count = np.bincount(inverse).astype(np.float64)
    centres = np.column_stack([np.bincount(inverse, points[:, d]) / count for d in (0, 1)])
    every = -(-len(centres) // MOST_WINDOWS)
    return centres[::every]


def _edge(
    cells: Cells,
    points: FloatArray,
    pair: tuple[int, int],
    centres: FloatArray,
    sides: list[list[IntArray]],
    reach: float,
) -> Edge:
    c = cells.values.shape[1]
    step, error, scatter = (np.full(c, np.nan) for _ in range(3))
    counts = np.array([[len(some) for some in side] for side in sides])
    kept = np.flatnonzero((counts >= FEWEST_CELLS).all(axis=0))
    levels = np.full((len(kept), 2, c), np.nan)
    if not len(kept):
        return Edge(*pair, step, error, 0, levels, 0, step)
    width = int(counts[:, kept].sum(axis=0).max())
    member = np.zeros((len(kept), width), np.int64)
    second, there = np.zeros((len(kept), width)), np.zeros((len(kept), width), np.bool_)
    for place, window in enumerate(kept):
        one, two = sides[0][window], sides[1][window]
        size = len(one) + len(two)
        member[place, :size] = np.concatenate([one, two])
        second[place, len(one) : size] = 1.0
        there[place, :size] = True
    offset = points[member] - centres[kept][:, np.newaxis]
    dx, dy = offset[..., 0], offset[..., 1]
    design = np.stack([np.ones_like(dx), dx, dy, dx * dx, dx * dy, dy * dy, second], axis=-1)
    for k in range(c):
        value = cells.values[member, k]
        known = there & np.isfinite(value)
        steps, errors, level = _best_fits(design, np.where(known, value, 0.0), known, reach)
        sure = np.isfinite(steps) & np.isfinite(errors)
        levels[:, 0, k], levels[:, 1, k] = level, level + steps
        if sure.any():
            step[k], error[k] = _robust_mean(steps[sure], errors[sure])
            spread = MAD_TO_SIGMA * float(np.median(np.abs(steps[sure] - step[k])))
            scatter[k] = max(spread**2 - float(np.median(errors[sure])) ** 2, 0.0)
    traverses = min(
        len(np.unique(cells.line[np.concatenate([side[window] for window in kept])]))
        for side in sides
    )
    return Edge(*pair, step, error, len(kept), levels, traverses, scatter)


def _best_fits(
    design: FloatArray, value: FloatArray, known: BoolArray, reach: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Step, its standard error and the first part's level in every window, ``(w,)`` each.

    A wide window knows a step well where the ground is smooth, and not at all where a feature lies
    in it: each window takes its widest radius that still fits as well as narrow ones usually do.
    """
    away = np.hypot(design[..., 1], design[..., 2])
    fits = [_fit(design, value, known & (away <= share * reach)) for share in RADII]
    rest = np.array([fit[3] for fit in fits])
    narrow = rest[-2:][np.isfinite(rest[-2:])]
    usual = float(np.median(narrow)) if len(narrow) else 0.0
    found = np.full((4, len(value)), np.nan)
    for fit in fits:  # from the widest to the narrowest
        better = np.isfinite(fit[0]) & ~(found[3] <= AS_WELL * usual)
        found[:, better] = np.array(fit)[:, better]
    return found[0], found[1] * np.maximum(usual / np.maximum(found[3], LEAST), 1.0), found[2]


def _fit(
    design: FloatArray, value: FloatArray, known: BoolArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Step, its standard error, the first part's level and what is left, ``(w,)`` each."""
    terms = design.shape[2]
    weight = known.astype(np.float64)
    number = known.sum(axis=1)
    several = [(known & (design[..., -1] == side)).sum(axis=1) for side in (0.0, 1.0)]
    judged = (np.minimum(*several) >= FEWEST_CELLS) & (number >= terms + 5)
    # A faint pull makes every system solvable; those that need it show by their error.
    faint = 1e-9 * np.eye(terms)
    for _ in range(ROUNDS):
        weighted = design * weight[..., np.newaxis]
        normal = np.matmul(weighted.transpose(0, 2, 1), design) + faint
        right = np.einsum("wmi,wm->wi", weighted, value)
        found = np.linalg.solve(normal, right[..., np.newaxis])[..., 0]
        rest = np.where(known, value - np.einsum("wmi,wi->wm", design, found), 0.0)
        off = np.where(known, np.abs(rest), np.nan)
        spread = np.zeros(len(off))
        spread[number > 0] = MAD_TO_SIGMA * np.nanmedian(off[number > 0], axis=1)
        reach = OUTLYING * np.maximum(spread, 1e-12)[:, np.newaxis]
        weight = np.where(known, np.minimum(1.0, reach / np.maximum(np.abs(rest), 1e-300)), 0.0)
    inverse = np.linalg.inv(normal)[:, -1, -1]
    noise = np.sqrt((rest**2).sum(axis=1) / np.maximum(number - terms, 1))
    judged &= (inverse > 0) & (inverse < 1e3)
    error = np.sqrt(np.maximum(inverse, 0.0)) * np.maximum(noise, LEAST)
    step, level, noise, error = (
        np.where(judged, one, np.nan) for one in (found[:, -1], found[:, 0], noise, error)
    )
    return step, error, level, noise


def _robust_mean(steps: FloatArray, errors: FloatArray) -> tuple[float, float]:
    """Huber's mean of steps with their errors, and its standard error."""
    errors = np.maximum(errors, 1e-3 * np.median(errors) + 1e-12)
    base = 1.0 / errors**2
    centre = float(np.median(steps))
    weight = base
    for _ in range(4 * ROUNDS):
        off = np.abs(steps - centre)
        spread = max(MAD_TO_SIGMA * float(np.median(off)), float(np.median(errors)) / 2)
        weight = base * bisquare(off / (BIWEIGHT * spread))
        centre = float((weight * steps).sum() / weight.sum())
    # The places left out of the mean are no noise: where many of them disagree, little is sure.
    held = np.minimum(base, float(np.median(base)))
    scatter = float((held * (steps - centre) ** 2).sum() / held.sum())
    shared = min(OVERLAP, len(steps))
    error = np.sqrt(max(shared * scatter / len(steps), shared / base.sum()))
    return centre, float(error)
