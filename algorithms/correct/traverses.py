"""How the traverses of a data grid lie: along, across and which way each was walked."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..readings import BoolArray, FloatArray, IntArray, Readings, Traverse


@dataclass(frozen=True, eq=False)
class GridLines:
    """The traverses of one data grid, sorted by their position across.

    Parameters
    ----------
    grid
        Name of the data grid.
    traverses
        ``t`` traverses.
    along
        For each traverse, the positions of its rows along the common axis, map units.
    across
        Median position of each traverse across the axis, ``(t,)``, rising.
    backward
        Which traverses were walked against the axis, ``(t,)``.
    """

    grid: str
    traverses: tuple[Traverse, ...]
    along: tuple[FloatArray, ...]
    across: FloatArray
    backward: BoolArray


def axis_of(chords: FloatArray) -> FloatArray:
    """Unit vector of the common axis of traverses walked either way, from their chords ``(t, 2)``.

    The axial mean (doubled angles), weighted by length.

    Examples
    --------
    >>> axis_of(np.array([[0.0, 20.0], [0.0, -20.0]])).round(6).tolist()
    [0.0, 1.0]
    """
    doubled = np.sum((chords[:, 0] + 1j * chords[:, 1]) ** 2 / np.hypot(*chords.T).clip(1e-12))
    angle = np.angle(doubled) / 2
    axis = np.array([np.cos(angle), np.sin(angle)])
    # Along the first traverse, so that "backward" means what a surveyor would call it.
    return -axis if axis @ chords[0] < 0 else axis


def grids_of(readings: Readings) -> tuple[GridLines, ...]:
    """The traverses of every data grid. Traverses with fewer than two positions are left out."""
    found: dict[str, list[Traverse]] = {}
    for traverse in readings.lines:
        placed = np.isfinite(readings.x[traverse.rows]) & np.isfinite(readings.y[traverse.rows])
        rows = traverse.rows[placed]
        if len(rows) >= 2:
            found.setdefault(traverse.grid, []).append(Traverse(traverse.grid, traverse.line, rows))
    return tuple(_laid_out(readings, grid, lines) for grid, lines in found.items())


def _laid_out(readings: Readings, grid: str, lines: list[Traverse]) -> GridLines:
    ends: IntArray = np.array([[line.rows[0], line.rows[-1]] for line in lines])
    origin = np.array([readings.x[ends[0, 0]], readings.y[ends[0, 0]]])
    chords = np.column_stack(
        [np.diff(readings.x[ends], axis=1)[:, 0], np.diff(readings.y[ends], axis=1)[:, 0]]
    )
    axis = axis_of(chords)
    square = np.array([axis[1], -axis[0]])
    along, across = [], []
    for line in lines:
        local = np.column_stack([readings.x[line.rows], readings.y[line.rows]]) - origin
        along.append(local @ axis)
        across.append(float(np.median(local @ square)))
    order = np.argsort(across, kind="stable")
    return GridLines(
        grid,
        tuple(lines[i] for i in order),
        tuple(along[i] for i in order),
        np.array(across)[order],
        (chords @ axis < 0)[order],
    )
