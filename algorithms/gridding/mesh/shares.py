"""Values of cells from shares of the readings around them, whichever way these are found."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.sparse import csr_matrix

from ...progress import Progress, keep_going, portion
from ...readings import FloatArray, IntArray
from ..method import Surface, Task
from .delaunay import LONGEST_EDGE, Mesh, mesh_of
from .locate import Locator

Weigh = Callable[[Mesh, FloatArray, IntArray], csr_matrix]
"""From cells and the triangle each is in to shares of the readings, shape ``(m, n)``."""

AT_ONCE = 1 << 13
"""Cells worked on at a time by each core: what they need stays close to it."""

AT_READING = 1e-9
"""Distance, map units, below which a cell takes the value of a reading."""

NEAREST = 16
"""Readings looked at for one that is seen from a cell whose neighbours are all hidden."""


def surface_by_shares(task: Task, weigh: Weigh, progress: Progress = keep_going) -> Surface:
    """A surface over the triangles of a task, with its option `LONGEST_EDGE`.

    Readings that a barrier hides from a cell lose their share to the others. A cell whose
    neighbours are all hidden takes the nearest reading it sees within the blanking distance.

    Raises
    ------
    ValueError
        If the readings lie on a single line.
    """
    mesh = mesh_of(task, portion(progress, 0.0, 0.8))
    longest = task.options[LONGEST_EDGE.name]
    left_out = mesh.thin
    if longest is not None:
        left_out = left_out | mesh.longer_than(float(longest))
    locator = Locator(mesh)
    highest = task.values.max(axis=0)

    def some(cells: FloatArray, values: FloatArray) -> None:
        triangle, nearest, distance = locator.find(cells)
        at_reading = distance <= AT_READING
        values[at_reading] = task.values[nearest[at_reading]]
        rows = np.flatnonzero(~at_reading & (triangle >= 0))
        rows = rows[~left_out[triangle[rows]]]
        if len(rows):
            shares = weigh(mesh, cells[rows], triangle[rows])
            if task.barriers is not None:
                shares = _seen(task, locator, cells[rows], shares)
            total = np.asarray(shares.sum(axis=1))
            with np.errstate(invalid="ignore"):
                values[rows] = np.minimum(shares @ task.values / total, highest)

    def evaluate(cells: FloatArray) -> FloatArray:
        values: FloatArray = np.full((len(cells), task.values.shape[1]), np.nan)
        for start in range(0, len(cells), AT_ONCE):
            some(cells[start : start + AT_ONCE], values[start : start + AT_ONCE])
        return values

    return Surface(evaluate, figures={"triangles": int(len(left_out) - left_out.sum())})


def _seen(task: Task, locator: Locator, cells: FloatArray, shares: csr_matrix) -> csr_matrix:
    """Shares of the readings in sight; where none is, all to the nearest one seen, if any."""
    barriers = task.barriers
    assert barriers is not None
    cell = np.repeat(np.arange(len(cells)), np.diff(shares.indptr))
    shares.data[barriers.hide(cells[cell], task.xy[shares.indices])] = 0.0
    blind = np.flatnonzero(np.asarray(shares.sum(axis=1))[:, 0] == 0)
    if not len(blind):
        return shares
    distance, near = locator.tree.query(
        cells[blind],
        k=list(range(1, min(NEAREST, len(task.xy)) + 1)),
        distance_upper_bound=task.blanking_distance,
    )
    within = np.isfinite(distance)
    near = np.where(within, near, 0)
    seen = within & ~barriers.hide_among(cells[blind], task.xy, near)
    choice = seen.argmax(axis=1)
    every = np.arange(len(blind))
    stand_in = csr_matrix(
        (seen[every, choice].astype(np.float64), (blind, near[every, choice])), shape=shares.shape
    )
    return shares + stand_in
