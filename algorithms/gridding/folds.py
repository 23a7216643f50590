"""Which traverses are left out together, and on which ground a large survey is tested."""

from __future__ import annotations

import math

import numpy as np
from scipy.spatial import cKDTree

from ..readings import BoolArray, FloatArray, IntArray, Readings, Traverse
from .spacing import Spacing, traverse_bearing

WINDOWS = 5
"""Pieces of ground that a survey too large to test as a whole is tested on."""

ACROSS = 12
"""Traverses that such a piece holds at the least, where they lie as usual."""

OPPOSITE = 0.75
"""How far off, in separations, the traverse on the other side may wander."""

BESIDE = 0.25
"""Share of the traverse separation within which a reading has another traverse beside it."""


def informing(readings: Readings) -> BoolArray:
    """Where a value may inform a raster: usable and placed, shape ``(n, c)``."""
    placed = np.isfinite(readings.x) & np.isfinite(readings.y)
    found: BoolArray = readings.usable & placed[:, np.newaxis]
    return found


def traverses_across(readings: Readings) -> tuple[Traverse, ...]:
    """Traverses with readings that inform a raster, data grid by data grid, across the ground.

    Each holds only such readings. In a data grid whose traverses have no common direction the
    order is that of their numbers.

    Examples
    --------
    >>> r = Readings.build(x=[5, 5, 0, 0, 2, 2], y=[0, 1] * 3, values=[1] * 6,
    ...                    line=[1, 1, 2, 2, 3, 3])
    >>> [traverse.line for traverse in traverses_across(r)]
    [2, 3, 1]
    """
    informs: BoolArray = np.any(informing(readings), axis=1)
    by_grid: dict[str, list[Traverse]] = {}
    for traverse in readings.lines:
        rows = traverse.rows[informs[traverse.rows]]
        if len(rows):
            kept = Traverse(traverse.grid, traverse.line, rows)
            by_grid.setdefault(traverse.grid, []).append(kept)
    found: list[Traverse] = []
    for own in by_grid.values():
        bearing = traverse_bearing(readings.take(np.concatenate([t.rows for t in own])))
        if bearing is not None:
            angle = math.radians(bearing)
            east, north = math.cos(angle), -math.sin(angle)
            if east - 0.5 * north < 0:  # so that 0.1 and 179.9 degrees are counted the same way
                east, north = -east, -north
            across = [
                float(np.median(readings.x[t.rows] * east + readings.y[t.rows] * north))
                for t in own
            ]
            own = [own[k] for k in np.argsort(np.round(across, 6), kind="stable")]
        found += own
    return tuple(found)


def windows(readings: Readings, spacing: Spacing | None, most: int) -> tuple[list[IntArray], float]:
    """Rows of the ground to test on: the whole survey, or squares of it if it is too large.

    The squares lie side by side; those at least half as full as the fullest count, and `WINDOWS`
    of them, or as many as hold no more than `most` readings, are taken evenly from all over the
    survey.

    Returns
    -------
    rows
        Of each piece, rising.
    side
        Of the squares, map units; 0 for the whole survey.
    """
    rows = np.flatnonzero(informing(readings).any(axis=1))
    if len(rows) <= most or spacing is None:
        return [rows], 0.0
    each = most / WINDOWS
    side = max(math.sqrt(each * spacing.separation * spacing.interval), ACROSS * spacing.separation)
    x, y = readings.x[rows], readings.y[rows]
    column = np.floor((x - x.min()) / side).astype(np.int64)
    row = np.floor((y - y.min()) / side).astype(np.int64)
    _, square, count = np.unique(
        row * (column.max() + 1) + column, return_inverse=True, return_counts=True
    )
    full = np.flatnonzero(2 * count >= count.max())
    number = int(min(max(most // count.max(), 1), WINDOWS, len(full)))
    picked = full[((np.arange(number) + 0.5) * len(full) / number).astype(np.int64)]
    return [rows[square.reshape(-1) == one] for one in picked], side


def told_by_others(
    kept: FloatArray, left_out: FloatArray, reach: float, separation: float
) -> tuple[BoolArray, BoolArray]:
    """Which readings left out lie between readings kept, and which have one of those beside.

    Parameters
    ----------
    kept, left_out
        Positions, shapes ``(n, 2)`` and ``(m, 2)``.
    reach
        A reading further than this from all kept is not among them.
    separation
        Of the traverses.

    Returns
    -------
    among, beside
        Shape ``(m,)`` each. A reading among those kept has some on the side opposite to the
        nearest as well, `OPPOSITE` separations about the place one separation away: the
        outermost traverses, and those along a gap, have not. One beside has a reading kept
        within `BESIDE` separations.

    Examples
    --------
    >>> kept = np.array([[0.0, 0], [2, 0], [5, 0]])
    >>> among, beside = told_by_others(kept, np.array([[1.0, 0], [0.1, 0], [6, 0]]), 1.5, 1.0)
    >>> among.tolist(), beside.tolist()
    ([True, False, False], [False, True, False])
    """
    if not len(kept):
        return np.zeros(len(left_out), dtype=np.bool_), np.zeros(len(left_out), dtype=np.bool_)
    tree = cKDTree(kept)
    distance, nearest = tree.query(left_out)
    way = left_out - kept[nearest]
    opposite = left_out + separation * way / np.maximum(distance, 1e-9)[:, np.newaxis]
    across = tree.query(opposite)[0]
    among: BoolArray = (distance <= reach) & (across <= OPPOSITE * separation)
    beside: BoolArray = distance < BESIDE * separation
    return among, beside
