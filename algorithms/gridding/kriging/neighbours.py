"""Which readings count for a cell: near ones, yet not all of one traverse."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.spatial import cKDTree

from ...readings import BoolArray, FloatArray, IntArray
from ..barriers import Barriers
from ..search import search_tree

EVEN_SHARE = 0.75
"""Share of a cell's readings that is taken from the evenly spread ones."""
DENSE = 1.5
"""Traverses this many times as far apart as their readings are dense along."""
MORE = 4
"""Candidates fetched, in times those wanted, where some may not count."""
MOST = 64
"""No more candidates than this, in times those wanted."""
EDGE = 1e-9
"""Rounding noise of a distance, in shares of it."""


def evenly_spread(xy: FloatArray, line: IntArray, spacing: float) -> BoolArray:
    """Readings some way apart along each traverse: as even a layout as the survey has.

    Parameters
    ----------
    xy, line
        As `lynchet.algorithms.gridding.method.Task`.
    spacing
        Distance along, map units.

    Returns
    -------
    array
        Shape ``(n,)``: the first reading of each stretch of this length. All readings of none.

    Examples
    --------
    >>> x = np.arange(6) * 0.5
    >>> evenly_spread(np.column_stack([x, x * 0]), np.zeros(6, dtype=int), 1.0).tolist()
    [True, False, True, False, True, False]
    """
    new = np.diff(line, prepend=line[0] - 1) != 0
    step = np.hypot(*np.diff(xy, axis=0, prepend=xy[:1]).T)
    step[new] = 0.0
    walked = np.cumsum(step)
    starts = np.flatnonzero(new)
    walked -= np.repeat(walked[starts], np.diff(np.append(starts, len(xy))))
    stretch = np.floor(walked / spacing * (1.0 + EDGE) + EDGE)
    first: BoolArray = (np.diff(stretch, prepend=-1.0) != 0) | new | (line < 0)
    return first


class Neighbours:
    """Finds the readings that count for each cell.

    Where the readings are dense along the traverses, the nearest of a cell may all lie on one: it
    then knows nothing of how the ground changes across. So most of a cell's readings are the
    nearest of those evenly spread over the ground, and the others the nearest of the rest.

    Parameters
    ----------
    xy
        Positions, shape ``(n, 2)``.
    even
        The readings evenly spread; None to take the nearest whichever they are.
    count
        Readings per cell; fewer where there are fewer.
    metric
        Matrix that positions are multiplied by before distances are measured.
    """

    def __init__(
        self, xy: FloatArray, even: BoolArray | None, count: int, metric: FloatArray
    ) -> None:
        self.xy = xy
        self.count = min(count, len(xy))
        self.metric = metric
        parts: list[IntArray] = [np.arange(len(xy))]
        shares = [self.count]
        if even is not None and not even.all():
            parts = [np.flatnonzero(even), np.flatnonzero(~even)]
            some = min(round(EVEN_SHARE * self.count), len(parts[0]))
            some = max(some, self.count - len(parts[1]))
            shares = [some, self.count - some]
        places = xy @ metric
        self._parts = [
            (rows, search_tree(places[rows]), share) for rows, share in zip(parts, shares) if share
        ]

    def nearest(self, cells: FloatArray) -> IntArray:
        """Rows of the readings that count for cells at ``(m, 2)``, shape ``(m, count)``."""
        found = [self._fetch(part, cells, part[2]) for part in self._parts]
        return np.concatenate(found, axis=1)

    def visible(self, cells: FloatArray, barriers: Barriers) -> tuple[IntArray, BoolArray]:
        """As `nearest`, but of those in view, and which of them do not count.

        Returns
        -------
        rows
            Shape ``(m, count)``.
        hidden
            True for those out of view, where fewer than wanted are in it, shape ``(m, count)``.
        """
        near = self.nearest(cells)
        hidden = barriers.hide_among(cells, self.xy, near)
        some = np.flatnonzero(hidden.any(axis=1))
        if len(some):
            near[some], hidden[some] = self._open(
                cells[some],
                lambda which, rows: barriers.hide_among(cells[some[which]], self.xy, rows),
            )
        return near, hidden

    def of_others(
        self, cells: FloatArray, own: IntArray, group: IntArray
    ) -> tuple[IntArray, BoolArray]:
        """As `visible`, but of those in another group than the cell's own.

        Parameters
        ----------
        cells, own
            Places and their groups, shapes ``(m, 2)`` and ``(m,)``.
        group
            Group of each reading, shape ``(n,)``.
        """
        return self._open(cells, lambda which, rows: group[rows] == own[which, np.newaxis])

    def _fetch(self, part: _Part, cells: FloatArray, count: int) -> IntArray:
        """So many nearest rows of a part, by distance, shape ``(m, count)``."""
        rows, tree, _ = part
        near: IntArray = tree.query(cells @ self.metric, k=list(range(1, count + 1)))[1]
        return rows[near]

    def _open(self, cells: FloatArray, shut: _Shut) -> tuple[IntArray, BoolArray]:
        """The nearest of each part that are not shut off, of more and more candidates."""
        found = [self._open_of(part, cells, shut) for part in self._parts]
        return (
            np.concatenate([rows for rows, _ in found], axis=1),
            np.concatenate([hidden for _, hidden in found], axis=1),
        )

    def _open_of(self, part: _Part, cells: FloatArray, shut: _Shut) -> tuple[IntArray, BoolArray]:
        share, size = part[2], len(part[0])
        near: IntArray = np.zeros((len(cells), share), dtype=np.int64)
        hidden: BoolArray = np.ones((len(cells), share), dtype=np.bool_)
        left: IntArray = np.arange(len(cells))
        count = share
        while len(left):
            # Each cell looks at as many candidates as it needs, whoever it is worked on with.
            count = min(MORE * count, size)
            rows = self._fetch(part, cells[left], count)
            closed = shut(left, rows)
            first = np.argsort(closed, axis=1, kind="stable")[:, :share]
            near[left] = np.take_along_axis(rows, first, axis=1)
            hidden[left] = np.take_along_axis(closed, first, axis=1)
            if count >= min(size, MOST * share):
                break
            left = left[hidden[left, -1]]
        return near, hidden


_Part = tuple[IntArray, cKDTree, int]
"""Rows of some readings, their search tree, and how many of them a cell takes."""
_Shut = Callable[[IntArray, IntArray], BoolArray]
"""From numbers of cells, shape ``(m,)``, and their candidates to those that do not count."""
