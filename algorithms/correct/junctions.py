"""Where a traverse goes on in the next data grid: what levelling has left shows as a step there.

Within a data grid, offsets that change as slowly across as the ground cannot be told from it.
Where two data grids lie end to end, each traverse of the one meets a traverse of the other, and the
ground is the same on both sides: the step is what the one is still off, less what the other is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix, diags
from scipy.sparse.linalg import splu
from scipy.spatial import cKDTree

from ..readings import FloatArray, IntArray, Readings
from .traverses import GridLines
from .waves import DECIMALS, usual_spacing
from .windows import MAD_TO_SIGMA

TAKEN = 8
"""Readings of either traverse that tell the step."""

FEWEST_TAKEN = 5
FEWEST = 8
"""Junctions below which nothing can be said of what is usual."""

BESIDE = 0.3
"""Traverses further apart across than this many separations do not go on in each other."""

STRAIGHT = 0.95
"""Cosine of the angle up to which they go the same way."""

OUTLYING = 2.0
ROUNDS = 8


@dataclass(frozen=True, eq=False)
class Junctions:
    """Ends of traverses that meet, ``j`` of them.

    Parameters
    ----------
    line
        The two traverses, counted over all data grids, ``(j, 2)``.
    grid
        Their data grids, ``(j, 2)``.
    rows
        The readings next to the junction of either, ``(j, 2, TAKEN)``, -1 for none.
    place
        Where these lie along the line, from the middle of the junction, ``(j, 2, TAKEN)``.
    """

    line: IntArray
    grid: IntArray
    rows: IntArray
    place: FloatArray

    def __len__(self) -> int:
        return len(self.line)


def find_junctions(readings: Readings, grids: Sequence[GridLines]) -> Junctions:
    """Find where traverses of different data grids go on in each other."""
    ends, lines, codes, outward = [], [], [], []
    spacing = []
    number = 0
    for code, grid in enumerate(grids):
        spacing.append(usual_spacing(grid.across))
        for traverse in grid.traverses:
            rows = traverse.rows
            for some in (rows[:TAKEN], rows[::-1][:TAKEN]):
                ends.append(np.concatenate([some, np.full(TAKEN - len(some), -1)]))
                far = some[-1]
                outward.append(
                    [readings.x[some[0]] - readings.x[far], readings.y[some[0]] - readings.y[far]]
                )
                lines.append(number)
                codes.append(code)
            number += 1
    rows = np.array(ends, np.int64).reshape(-1, TAKEN)
    way = np.array(outward, np.float64).reshape(-1, 2)
    way /= np.maximum(np.hypot(way[:, 0], way[:, 1]), 1e-12)[:, np.newaxis]
    line, grid_of = np.array(lines, np.int64), np.array(codes, np.int64)
    points = np.column_stack([readings.x[rows[:, 0]], readings.y[rows[:, 0]]])
    reach = float(np.median(spacing)) if spacing else 0.0
    pairs = (
        cKDTree(points).query_pairs(reach, output_type="ndarray").astype(np.int64)
        if len(points)
        else np.empty((0, 2), np.int64)
    )
    a, b = pairs[:, 0], pairs[:, 1]
    gap = points[b] - points[a]
    across = np.abs(way[a, 0] * gap[:, 1] - way[a, 1] * gap[:, 0])
    meet = (
        (grid_of[a] != grid_of[b])
        & ((way[a] * way[b]).sum(axis=1) < -STRAIGHT)
        & (across <= BESIDE * reach)
        & ((way[a] * gap).sum(axis=1) > -0.1 * reach)
    )
    a, b = a[meet], b[meet]
    both = np.stack([rows[a], rows[b]], axis=1)
    middle = (points[a] + points[b]) / 2
    dx = readings.x[both] - middle[:, 0, np.newaxis, np.newaxis]
    dy = readings.y[both] - middle[:, 1, np.newaxis, np.newaxis]
    place = dx * way[a, 0, np.newaxis, np.newaxis] + dy * way[a, 1, np.newaxis, np.newaxis]
    return Junctions(
        np.stack([line[a], line[b]], axis=1),
        np.stack([grid_of[a], grid_of[b]], axis=1),
        both,
        place,
    )


def steps_at(junctions: Junctions, column: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Step from the first traverse to the second at each junction, and its variance, ``(j,)``.

    A straight line with a step, fitted to the readings on both sides; NaN where too few are known.
    """
    value = np.where(junctions.rows >= 0, column[junctions.rows], np.nan)
    known = np.isfinite(value)
    j = len(junctions)
    enough = (known.sum(axis=2) >= FEWEST_TAKEN).all(axis=1)
    side = np.zeros(value.shape)
    side[:, 1] = 1.0
    scale = max(float(np.abs(junctions.place).max(initial=0.0)), 1e-12)
    design = np.stack([np.ones(value.shape), junctions.place / scale, side], axis=-1)
    design = design.reshape(j, -1, 3) * known.reshape(j, -1, 1)
    flat = np.where(known, value, 0.0).reshape(j, -1)
    normal = design.transpose(0, 2, 1) @ design + 1e-12 * np.eye(3)
    right = np.einsum("jmi,jm->ji", design, flat)
    found = np.linalg.solve(normal, right[..., np.newaxis])[..., 0]
    rest = flat - np.einsum("jmi,ji->jm", design, found)
    noise = (rest**2).sum(axis=1) / np.maximum(known.sum(axis=(1, 2)) - 3, 1)
    variance = np.linalg.inv(normal)[:, 2, 2] * noise
    return np.where(enough, found[:, 2], np.nan), np.where(enough, variance, np.nan)


def left_by_levelling(junctions: Junctions, column: FloatArray, count: int) -> FloatArray:
    """What each traverse still reads too much, as the junctions tell, ``(count,)``.

    Every junction gives a difference of two traverses; by itself it says nothing of their sum, so
    that half goes to either. How much the traverses are usually off follows from how much more the
    steps scatter than their own noise explains; where that is nothing, nothing is found. What sets
    whole data grids apart is not part of it.

    Parameters
    ----------
    junctions
        See `find_junctions`.
    column
        Values of one channel, levelled, ``(n,)``; NaN where they may not count.
    count
        How many traverses there are.
    """
    off: FloatArray = np.zeros(count)
    step, variance = steps_at(junctions, column)
    known = np.flatnonzero(np.isfinite(step))
    if len(known) < FEWEST:
        return off
    step, variance = step[known].copy(), variance[known]
    line, grid = junctions.line[known], junctions.grid[known]
    for pair in np.unique(np.sort(grid, axis=1), axis=0):
        some = (np.sort(grid, axis=1) == pair).all(axis=1)
        turned = np.where(grid[some, 0] == pair[0], 1.0, -1.0)
        step[some] -= turned * np.median(turned * step[some])
    noise = np.maximum(variance, float(np.median(variance)))
    usual = max((MAD_TO_SIGMA * float(np.median(np.abs(step)))) ** 2 - float(np.median(noise)), 0.0)
    if usual == 0.0:
        return off
    rows = np.arange(len(step))
    one = np.ones(len(step))
    design = csr_matrix(
        (np.concatenate([one, -one]), (np.concatenate([rows, rows]), line.T[::-1].ravel())),
        shape=(len(step), count),
    )
    weight = 1.0 / noise
    for _ in range(ROUNDS):
        normal = (design.T @ diags(weight) @ design + diags(np.full(count, 2.0 / usual))).tocsc()
        off = np.asarray(splu(normal).solve(design.T @ (weight * step)), np.float64)
        # A step far from what is usual comes from a feature on one side.
        rest = np.abs(step) / np.sqrt(usual + noise)
        weight = np.minimum(1.0, OUTLYING / np.maximum(rest, 1e-300)) / noise
    for code in np.unique(grid):
        some = np.unique(line[grid == code])
        off[some] -= np.median(off[some])
    return off.round(DECIMALS)
