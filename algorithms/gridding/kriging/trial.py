"""Readings left out and predicted from the others: what variograms are judged by."""

from __future__ import annotations

import numpy as np

from ...readings import FloatArray, IntArray
from .models import Variogram
from .neighbours import Neighbours
from .system import TOGETHER, Distances, distances, solved

TARGETS = 800
"""Readings predicted: enough to tell models apart, however large the survey."""
FEWEST = 3
"""With fewer traverses than this, stretches of them are left out instead of whole ones."""
STRETCH = 3.0
"""Length of such a stretch, in traverse separations."""
ONE_SIDED = 0.5
"""A reading at the rim, whose neighbours lie this much to one side (0 to 1), is no test of
interpolation."""
WILD = 8.0
"""Readings of a neighbourhood that differ by this many times more than is usual are wild."""
MOST_WILD = 0.15
"""If more of the readings to predict are among wild ones than this share, none is."""


class Trial:
    """Some readings with the neighbours that each would have if those of its group were missing.

    Parameters
    ----------
    neighbours
        Finds them, as it will for the cells.
    group
        What is left out together, for each reading; see `left_out_together`.
    targets
        How many readings to predict, spread evenly over the rows.
    """

    def __init__(self, neighbours: Neighbours, group: IntArray, targets: int = TARGETS) -> None:
        xy = neighbours.xy
        rows = np.unique(np.linspace(0, len(xy) - 1, min(targets, len(xy))).astype(np.int64))
        near, hidden = neighbours.of_others(xy[rows], group[rows], group)
        offsets = xy[near] - xy[rows, np.newaxis]
        offsets[hidden] = 0.0
        middle = np.hypot(*offsets.mean(axis=1).T)
        reach = np.hypot(offsets[..., 0], offsets[..., 1]).mean(axis=1)
        some = ~hidden.all(axis=1)
        inner = some & (middle <= ONE_SIDED * reach)
        kept = inner if 2 * inner.sum() >= len(rows) else some
        self.rows: IntArray = rows[kept]
        self.near: IntArray = near[kept]
        self.hidden = hidden[kept]
        self.offsets: FloatArray = offsets[kept]
        self._isotropic: Distances | None = None

    def __len__(self) -> int:
        return len(self.rows)

    def every(self, step: int) -> Trial:
        """The same with every so many of its readings alone."""
        return self._of(np.arange(0, len(self), step))

    def off_iron(self, values: FloatArray) -> Trial:
        """The same without readings that have wild ones among their neighbours, or are wild.

        A strong small body spoils what is predicted around it, whatever the variogram, and would
        outweigh all that the rest tells of the ground. Where much of it is like that, it is the
        ground, and all readings stay.
        """
        own = values[self.rows, np.newaxis]
        around = np.hstack([own, np.where(self.hidden, own, values[self.near])])
        off = around - np.median(around, axis=1)[:, np.newaxis]
        spread = np.abs(off).max(axis=1)
        calm = spread <= WILD * float(np.median(spread))
        return self if calm.mean() < 1.0 - MOST_WILD else self._of(np.flatnonzero(calm))

    def _of(self, which: IntArray) -> Trial:
        fewer = object.__new__(Trial)
        fewer.rows, fewer.near = self.rows[which], self.near[which]
        fewer.hidden, fewer.offsets = self.hidden[which], self.offsets[which]
        fewer._isotropic = None
        return fewer

    def errors(self, variogram: Variogram, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What is predicted less what was read, and the variance foretold in shares of the sill.

        Parameters
        ----------
        variogram
            The one to try; only the nugget's share matters, not the figures as such.
        values
            One channel of all readings, shape ``(n,)``.
        """
        share = variogram.nugget / (variogram.nugget + variogram.sill)
        apart = self._apart(variogram)
        hidden = self.hidden.T if self.hidden.any() else None
        error: FloatArray = np.empty(len(self))
        foretold: FloatArray = np.empty(len(self))
        for start in range(0, len(self), TOGETHER):
            part = slice(start, start + TOGETHER)
            found = solved(
                Distances(apart.to[:, part], apart.among[:, part]),
                variogram,
                values[self.near[part].T],
                None if hidden is None else hidden[:, part],
            )
            error[part] = found.value - values[self.rows[part]]
            foretold[part] = found.variance + share
        return error, foretold

    def _apart(self, variogram: Variogram) -> Distances:
        if variogram.ratio != 1.0:
            return distances(self.offsets, variogram.metric)
        if self._isotropic is None:
            self._isotropic = distances(self.offsets, np.eye(2))
        return self._isotropic


def left_out_together(xy: FloatArray, line: IntArray, separation: float | None) -> IntArray:
    """Groups of readings to leave out at a time: whole traverses, where there are some.

    Parameters
    ----------
    xy, line, separation
        As `lynchet.algorithms.gridding.method.Task`.

    Returns
    -------
    array
        Shape ``(n,)``. A reading of no traverse is a group of its own; of fewer than `FEWEST`
        traverses, stretches are groups, or single readings where no separation is known.

    Examples
    --------
    >>> xy = np.column_stack([np.arange(7.0), np.zeros(7)])
    >>> left_out_together(xy, np.array([0, 0, 1, 1, 2, 2, -1]), 1.0).tolist()
    [0, 0, 1, 1, 2, 2, 3]
    >>> left_out_together(xy, np.zeros(7, dtype=int), 1.0).tolist()
    [0, 0, 0, 1, 1, 1, 2]
    """
    loose = line < 0
    new = np.diff(line, prepend=-2) != 0
    if len(np.unique(line[~loose])) < FEWEST:
        if separation is None:
            return np.arange(len(line))
        return stretches(xy, line, STRETCH * separation)
    group: IntArray = np.cumsum(new | loose) - 1
    return group


def stretches(xy: FloatArray, line: IntArray, length: float) -> IntArray:
    """Groups of readings that lie within a length on one traverse.

    A reading of no traverse is a group of its own.

    Examples
    --------
    >>> xy = np.column_stack([np.arange(6.0), np.zeros(6)])
    >>> stretches(xy, np.array([0, 0, 0, 0, -1, -1]), 2.0).tolist()
    [0, 0, 1, 1, 2, 3]
    """
    step = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    stretch = np.floor(np.cumsum(step) / length)
    new = (np.diff(line, prepend=-2) != 0) | (line < 0) | (np.diff(stretch, prepend=-1.0) != 0)
    group: IntArray = np.cumsum(new) - 1
    return group
