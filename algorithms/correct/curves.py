"""Curves in time made of pieces, each a uniform B-spline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix, vstack

from ..readings import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class Curves:
    """The pieces that drift is made of: each has knots of its own in time.

    Parameters
    ----------
    start, end
        First and last time of each piece, ``(p,)``.
    first
        Number of the first coefficient of each piece, and the total last, ``(p + 1,)``.
    degree
        1 or 3.
    order
        Order of the differences held down.
    """

    start: FloatArray
    end: FloatArray
    first: IntArray
    degree: int
    order: int

    @property
    def size(self) -> int:
        """Number of coefficients."""
        return int(self.first[-1])

    def weights(self, piece: IntArray, time: FloatArray) -> tuple[IntArray, FloatArray]:
        """Which coefficients make up the curve at times of pieces, and with which weights.

        Both ``(m, degree + 1)``.
        """
        count = np.diff(self.first)[piece]
        pieces = np.maximum(count - self.degree, 1)
        span = np.maximum(self.end - self.start, 1e-9)[piece]
        place = np.clip((time - self.start[piece]) / span, 0.0, 1.0) * pieces
        low = np.minimum(np.floor(place), pieces - 1).astype(np.int64)
        flat = count <= 1
        table = spline_weights(place - low, self.degree)
        table[flat] = np.eye(self.degree + 1)[0]
        steps = np.arange(self.degree + 1) * ~flat[:, np.newaxis]
        return self.first[piece][:, np.newaxis] + low[:, np.newaxis] + steps, table

    def design(self, piece: IntArray, time: FloatArray) -> csr_matrix:
        """Weight of each coefficient in the curve at times of pieces, ``(m, size)``."""
        columns, table = self.weights(piece, time)
        rows = np.repeat(np.arange(len(time)), self.degree + 1)
        shape = (len(time), self.size)
        return csr_matrix((table.ravel(), (rows, columns.ravel())), shape=shape)

    def penalty(self) -> csr_matrix:
        """Differences of the coefficients, by piece, of the order held down."""
        parts = []
        for first, last in zip(self.first[:-1], self.first[1:]):
            order = min(self.order, last - first - 1)
            if order < 1:
                continue
            table = np.diff(np.eye(last - first), order, axis=0)
            rows, columns = np.nonzero(table)
            shape = (len(table), self.size)
            parts.append(csr_matrix((table[rows, columns], (rows, columns + first)), shape=shape))
        return vstack(parts, format="csr") if parts else csr_matrix((0, self.size))


def spline_weights(share: FloatArray, degree: int) -> FloatArray:
    """Uniform B-spline weights of a share of the way between two knots, ``(m, degree + 1)``.

    Parameters
    ----------
    share
        0 to 1, ``(m,)``.
    degree
        1 or 3.

    References
    ----------
    C. de Boor (1978), *A Practical Guide to Splines*, Springer.

    Examples
    --------
    >>> (6 * spline_weights(np.array([0.0, 1.0]), 3)).round(9).tolist()
    [[1.0, 4.0, 1.0, 0.0], [0.0, 1.0, 4.0, 1.0]]
    """
    f, g = share, 1 - share
    if degree == 1:
        return np.stack([g, f], axis=1)
    middle = 4 - 6 * f**2 + 3 * f**3, 4 - 6 * g**2 + 3 * g**3
    return np.stack([g**3, *middle, f**3], axis=1) / 6
