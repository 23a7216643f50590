"""Lines that interpolation must not cross: walls, banks, the edges of another ground."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ..readings import BoolArray, FloatArray, IntArray

FIRST_LOOK = 8
"""Pieces of barrier looked at for each sight line before more are fetched."""
PIECES = 64
"""A long segment is cut into at most this many pieces, so that near ones are found by place."""


class Barriers:
    """Straight pieces of barrier, found by place.

    Parameters
    ----------
    pieces
        Both ends of each piece, shape ``(s, 2, 2)``: piece, end, east and north.
    """

    def __init__(self, pieces: FloatArray) -> None:
        self.pieces = pieces
        self._tree = cKDTree(pieces.mean(axis=1))
        self._reach = 0.5 * float(np.hypot(*(pieces[:, 1] - pieces[:, 0]).T).max())

    @staticmethod
    def along(segments: FloatArray) -> Barriers | None:
        """Barriers along segments, shape ``(s, 2, 2)``; None where there is not one of a length.

        Segments much longer than the others are cut, which changes nothing but the speed.
        """
        length = np.hypot(*(segments[:, 1] - segments[:, 0]).T)
        segments, length = segments[length > 0], length[length > 0]
        if not len(segments):
            return None
        parts = np.clip(np.ceil(length / np.median(length)), 1, PIECES).astype(np.int64)
        which = np.repeat(np.arange(len(segments)), parts)
        number = np.arange(len(which)) - np.repeat(np.cumsum(parts) - parts, parts)
        start, arm = segments[which, 0], (segments[:, 1] - segments[:, 0])[which]
        ends = [start + arm * ((number + k) / parts[which])[:, np.newaxis] for k in (0, 1)]
        return Barriers(np.stack(ends, axis=1))

    def moved(self, east: float, north: float) -> Barriers:
        """The same barriers, shifted."""
        return Barriers(self.pieces + (east, north))

    def within(self, xy: FloatArray, distance: float | FloatArray) -> BoolArray:
        """Positions, shape ``(m, 2)``, that may have a barrier within a distance; none is missed.

        Quick; for leaving out of closer work what lies far from every barrier.
        """
        farthest = float(np.max(distance, initial=0.0)) + self._reach
        nearest = self._tree.query(xy, distance_upper_bound=np.nextafter(farthest, np.inf))[0]
        close: BoolArray = nearest <= distance + self._reach
        return close

    def hide(self, here: FloatArray, there: FloatArray) -> BoolArray:
        """Whether a barrier stands between two positions.

        A position on a barrier is hidden from neither side of it. A sight line through the end of
        a piece is cut, so that none slips through where two pieces join.

        Parameters
        ----------
        here, there
            Both ends of each sight line, shape ``(m, 2)``.

        Returns
        -------
        array
            Shape ``(m,)``.

        Examples
        --------
        >>> wall = Barriers(np.array([[[1.0, -1.0], [1.0, 1.0]]]))
        >>> wall.hide(np.zeros((3, 2)), np.array([[2.0, 0.0], [2.0, 4.0], [1.0, 0.0]])).tolist()
        [True, False, False]
        """
        hidden: BoolArray = np.zeros(len(here), dtype=np.bool_)
        middle = (here + there) / 2
        half = 0.5 * np.hypot(*(there - here).T)
        open_: IntArray = np.flatnonzero(self.within(middle, half))
        seen, count = 0, min(FIRST_LOOK, len(self.pieces))
        while len(open_):
            distance, near = self._tree.query(middle[open_], k=list(range(seen + 1, count + 1)))
            piece = self.pieces[near]
            cut = _crosses(here[open_], there[open_], piece[..., 0, :], piece[..., 1, :])
            hidden[open_] = cut.any(axis=1)
            if count == len(self.pieces):
                break
            more = ~hidden[open_] & (distance[:, -1] <= half[open_] + self._reach)
            open_ = open_[more]
            seen, count = count, min(2 * count, len(self.pieces))
        return hidden

    def hide_among(self, cells: FloatArray, xy: FloatArray, near: IntArray) -> BoolArray:
        """Which neighbours of each cell stand behind a barrier.

        Parameters
        ----------
        cells
            Shape ``(m, 2)``.
        xy
            Positions of the readings, shape ``(n, 2)``.
        near
            Rows of `xy` that are neighbours of each cell, shape ``(m, k)``.

        Returns
        -------
        array
            Shape ``(m, k)``.
        """
        hidden: BoolArray = np.zeros(near.shape, dtype=np.bool_)
        offset = xy[near] - cells[:, np.newaxis]
        reach = np.sqrt(np.einsum("mkd,mkd->mk", offset, offset).max(axis=1, initial=0.0))
        rows = np.flatnonzero(self.within(cells, reach))
        if len(rows):
            here = np.repeat(cells[rows], near.shape[1], axis=0)
            hidden[rows] = self.hide(here, xy[near[rows]].reshape(-1, 2)).reshape(len(rows), -1)
        return hidden


def _crosses(here: FloatArray, there: FloatArray, start: FloatArray, end: FloatArray) -> BoolArray:
    """Sight lines, ends ``(m, 2)``, against the pieces of each, ends ``(m, k, 2)``."""

    def side(of: FloatArray, a: FloatArray, b: FloatArray) -> FloatArray:
        """Twice the area of a triangle: its sign tells the side of the line from a to b."""
        area: FloatArray = (b[..., 0] - a[..., 0]) * (of[..., 1] - a[..., 1]) - (
            b[..., 1] - a[..., 1]
        ) * (of[..., 0] - a[..., 0])
        return area

    here, there = here[:, np.newaxis], there[:, np.newaxis]
    crossed: BoolArray = (side(here, start, end) * side(there, start, end) < 0) & (
        side(start, here, there) * side(end, here, there) <= 0
    )
    return crossed
