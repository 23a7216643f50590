"""Which way ground slopes when a barrier within it makes a step."""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from ...readings import BoolArray, FloatArray, IntArray
from .energy import Links
from .sight import Sight

SPREAD = 400
"""About so many readings, spread evenly, tell the slope."""
NEIGHBOURS = 24
"""Each is compared with so many around it."""
ROUNDS = 40
CLOSE = 1e-12
"""Misfits below this part of the largest rise count alike."""


def stepped(fields: IntArray, links: Links) -> BoolArray:
    """Which fields have a barrier within, that a way leads round, by number."""
    inside: BoolArray = np.zeros(int(fields.max()) + 1, dtype=np.bool_)
    for open_, one, other in (
        (links.across, fields[:, :-1], fields[:, 1:]),
        (links.down, fields[:-1], fields[1:]),
    ):
        inside[one[~open_ & (one == other)]] = True
    return inside


def tilt(place: FloatArray, values: FloatArray, sight: Sight) -> FloatArray:
    """Rise for each row and column between readings that see each other, shape ``(2, c)``.

    The least sum of absolute misfits over pairs of near readings: neither a step at a barrier
    nor what few readings about its end do of it tilts the rest.

    Parameters
    ----------
    place
        Rows and columns, shape ``(n, 2)``.
    values
        Shape ``(n, c)``.

    References
    ----------
    E. J. Schlossmacher (1973), *An iterative technique for absolute deviations curve fitting*,
    Journal of the American Statistical Association 68, 857-859.
    """
    some = _spread_out(place)
    place, values = place[some], values[some]
    slope: FloatArray = np.zeros((2, values.shape[1]))
    near = cKDTree(place).query(place, k=list(range(1, min(NEIGHBOURS + 1, len(place)) + 1)))[1]
    one, other = np.repeat(np.arange(len(place)), near.shape[1]), near.ravel()
    one, other = np.unique(np.sort(np.column_stack([one, other]), axis=1), axis=0).T
    kept = one < other
    one, other = one[kept], other[kept]
    seen = ~sight.hidden(tuple(place[one].T), tuple(place[other].T))
    one, other = one[seen], other[seen]
    apart, rise = place[other] - place[one], values[other] - values[one]
    if not len(apart):
        return slope
    for channel in range(rise.shape[1]):
        weight = np.ones(len(apart))
        close = CLOSE * np.abs(rise[:, channel]).max()
        for _ in range(ROUNDS if close > 0 else 0):
            spread = np.einsum("p,pd,pe->de", weight, apart, apart)
            moment = np.einsum("p,pd,p->d", weight, apart, rise[:, channel])
            # readings on one line tell no slope across it
            slope[:, channel] = np.linalg.pinv(spread, rcond=1e-6, hermitian=True) @ moment
            miss = np.abs(rise[:, channel] - np.einsum("pd,d->p", apart, slope[:, channel]))
            weight = 1 / np.maximum(miss, close)
    return slope


def _spread_out(place: FloatArray) -> IntArray:
    """Rows of the readings nearest to the middles of even squares, one each."""
    start, size = place.min(axis=0), np.maximum(np.ptp(place, axis=0), 1.0)
    square = np.sqrt(size.prod() / SPREAD)
    at = (place - start) / square
    block = np.floor(at).astype(np.int64)
    off = np.hypot(*(at - block - 0.5).T)
    order = np.lexsort((off, block[:, 1], block[:, 0]))
    block = block[order]
    first: BoolArray = np.ones(len(order), dtype=np.bool_)
    first[1:] = (block[1:] != block[:-1]).any(axis=1)
    return np.sort(order[first])
