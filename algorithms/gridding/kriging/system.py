"""The ordinary kriging system, solved for many cells at a time."""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from .models import BOUNDED, Variogram

JITTER = 1e-11
"""Added to the diagonal, in shares of it: keeps the systems of very smooth models solvable."""
TOGETHER = 128
"""Cells solved together: their systems stay in the processor's own memory."""
TINY = 1e-14
"""Least square of a pivot: below it there is only rounding noise."""


class Solved(NamedTuple):
    """What the solved systems give, each of shape ``(m,)``.

    Parameters
    ----------
    value
        The noise-free value of each cell.
    variance
        Of its error, in shares of nugget and sill together.
    """

    value: FloatArray
    variance: FloatArray


class Distances(NamedTuple):
    """Distances of cells and neighbours in one metric. Cells run along the last axis.

    Parameters
    ----------
    to
        From each cell to its neighbours, shape ``(k, m)``.
    among
        Between the neighbours, each pair once and then 0, shape ``(k (k - 1) / 2 + 1, m)``.
    """

    to: FloatArray
    among: FloatArray


@lru_cache(maxsize=8)
def _pairs(count: int) -> tuple[IntArray, IntArray, IntArray]:
    """Each pair of neighbours once, and where a full matrix finds its entries among them."""
    first, second = np.triu_indices(count, 1)
    places = np.full((count, count), len(first))
    places[first, second] = places[second, first] = np.arange(len(first))
    return first, second, places


def distances(offsets: FloatArray, metric: FloatArray) -> Distances:
    """Distances of neighbours at offsets from each cell, shape ``(m, k, 2)``; see `Distances`."""
    first, second, _ = _pairs(offsets.shape[1])
    east, north = np.ascontiguousarray(offsets.transpose(2, 1, 0))
    east, north = (
        east * metric[0, 0] + north * metric[1, 0],
        east * metric[0, 1] + north * metric[1, 1],
    )
    among = np.zeros((len(first) + 1, len(offsets)))
    x = east[first] - east[second]
    y = north[first] - north[second]
    x *= x
    y *= y
    x += y
    np.sqrt(x, out=among[:-1])
    return Distances(np.sqrt(east * east + north * north), among)


def solved(
    apart: Distances, variogram: Variogram, values: FloatArray, hidden: BoolArray | None = None
) -> Solved:
    """The value of each cell from its neighbours', and the variance of its error.

    The nugget is on the diagonal of the readings' covariances and nowhere else: it is the noise
    of the readings, and the cell is the ground without it. A model that does not level out has a
    covariance but for a constant, which cancels out where weights add up to 1.

    With the covariances ``C = L L'``, those towards the cell ``c`` and ones ``e``, the weights are
    ``C^-1 (c + l e)``, ``l`` such that they add up to 1. All that is wanted of them follows from
    the products of ``L^-1 c``, ``L^-1 e`` and ``L^-1 z``.

    Parameters
    ----------
    apart
        Distances in the variogram's metric.
    variogram
        With a nugget or a sill above 0.
    values
        Of the neighbours, shape ``(k, m)``.
    hidden
        Neighbours that do not count, shape ``(k, m)``. One of each cell must.

    References
    ----------
    N. A. C. Cressie (1993), *Statistics for Spatial Data*, rev. ed., sections 3.2.1 and 3.2.4.

    Examples
    --------
    Two readings, one to either side of the cell:

    >>> apart = distances(np.array([[[-1.0, 0.0], [1.0, 0.0]]]), np.eye(2))
    >>> found = solved(apart, Variogram("linear", 0.0, 1.0, 1.0), np.array([[4.0], [8.0]]))
    >>> found.value.round(6).tolist(), found.variance.round(6).tolist()
    ([6.0], [1.0])
    """
    count, cells = apart.to.shape
    total = variogram.nugget + variogram.sill
    ground, noise = variogram.sill / total, variogram.nugget / total
    rows = np.empty((count + 3, count, cells))
    if variogram.model in BOUNDED:
        shape = BOUNDED[variogram.model]
        top: FloatArray = np.full(cells, ground)
        rows[count] = ground * shape(apart.to / variogram.range)
        among = ground * shape(apart.among / variogram.range)
    else:
        towards, among = variogram.rise(apart.to), variogram.rise(apart.among)
        # Any constant large enough will do; in shares of the system's own figures, so that
        # neither a small nor a large neighbourhood loses precision.
        top = np.maximum(towards.max(axis=0), among.max(axis=0))
        top *= ground * 4.0 / (2.0 - variogram.power)
        rows[count] = top - ground * towards
        among = top - ground * among
    among[-1] = (top + noise) * (1.0 + JITTER)
    np.take(among, _pairs(count)[2], axis=0, out=rows[:count], mode="clip")
    rows[count + 1] = 1.0
    rows[count + 2] = values
    if hidden is not None:
        _leave_out(rows, hidden)
    _factorise(rows)
    towards, ones, read = rows[count:]
    both = _product(towards, ones)
    square = _product(ones, ones)
    lagrange = (1.0 - both) / square
    value = _product(towards, read) + lagrange * _product(ones, read)
    variance = top - _product(towards, towards) + (1.0 - both) * lagrange
    return Solved(value, np.maximum(variance, 0.0))


def _leave_out(rows: FloatArray, hidden: BoolArray) -> None:
    """Make neighbours strangers to the cell, to the mean and to each other."""
    count = len(hidden)
    rows[:count][hidden[:, np.newaxis] | hidden[np.newaxis]] = 0.0
    rows[count:][:, hidden] = 0.0
    which, cell = np.nonzero(hidden)
    rows[which, which, cell] = 1.0


def _factorise(rows: FloatArray) -> None:
    """Cholesky's factor in place of a matrix, and its inverse times the rows below.

    Of many matrices at a time, column by column, shape ``(k + r, k, m)``: a library's routine for
    single matrices takes longer on ones so small, the more so where it spreads over threads that
    others are using.
    """
    for column in range(rows.shape[1]):
        here = rows[column:, column]
        if column:
            here -= np.einsum("ikm,km->im", rows[column:, :column], rows[column, :column])
        here /= np.sqrt(np.maximum(here[0], TINY))


def _product(a: FloatArray, b: FloatArray) -> FloatArray:
    product: FloatArray = np.einsum("km,km->m", a, b)
    return product
