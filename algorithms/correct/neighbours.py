"""What the traverses beside a traverse show at the same place."""

from __future__ import annotations

import numpy as np

from ..readings import BoolArray, FloatArray, IntArray
from .differential import places_of
from .traverses import GridLines
from .waves import usual_spacing

BESIDE = 1.5
"""Usual separations within which the next place across still lies beside a traverse."""

LAG = 2
"""Reading intervals along by which the same thing may lie displaced in a traverse beside."""

COMPARABLE = (0.5, 2.0)
"""Departures that are one and the same thing's, as shares of the departure compared."""


def reading_interval(lines: GridLines) -> float:
    """Usual distance along between readings, map units; 1 where no two differ."""
    steps = np.concatenate([np.abs(np.diff(along)) for along in lines.along])
    steps = steps[steps > 0]
    return float(np.median(steps)) if len(steps) else 1.0


def traverses_beside(across: FloatArray) -> list[IntArray]:
    """For each traverse those that lie beside it: at its own place, and at the next on each side.

    Parameters
    ----------
    across
        Rising positions, shape ``(t,)``. A next place further than `BESIDE` usual separations off
        is not beside.

    Examples
    --------
    >>> [near.tolist() for near in traverses_beside(np.array([0.0, 0.5, 0.5, 1.0, 9.0]))]
    [[1, 2], [0, 2, 3], [0, 1, 3], [1, 2], []]
    """
    places = places_of(across)
    reach = BESIDE * usual_spacing(across)
    found = []
    for number, place in enumerate(places):
        first, last = np.searchsorted(places, [place - 1, place + 2])
        near = np.arange(first, last)
        near = near[np.abs(across[near] - across[number]) <= reach]
        found.append(near[near != number].astype(np.int64))
    return found


def shown_beside(lines: GridLines, departure: FloatArray, candidate: BoolArray) -> IntArray:
    """Rows of candidates that a traverse beside shows too.

    A traverse beside shows the same where, no further than `LAG` reading intervals along, its
    largest departure in the same direction is `COMPARABLE` with the candidate's own.

    Parameters
    ----------
    lines
        Layout of the data grid.
    departure
        How far each reading of the survey departs from the ground around it, ``(n,)``; NaN where
        unknown.
    candidate
        Which readings of the survey are asked about, ``(n,)``.

    Returns
    -------
    array
        Rows, in no particular order.
    """
    reach = (LAG + 1e-3) * reading_interval(lines)  # a turned survey must not lose its ends
    order = [np.argsort(along, kind="stable") for along in lines.along]
    along = [a[o] for a, o in zip(lines.along, order)]
    rows = [t.rows[o] for t, o in zip(lines.traverses, order)]
    known = [np.isfinite(departure[r]) for r in rows]
    along = [a[k] for a, k in zip(along, known)]
    rows = [r[k] for r, k in zip(rows, known)]
    found: list[IntArray] = [np.empty(0, np.int64)]
    for number, beside in enumerate(traverses_beside(lines.across)):
        asked = candidate[rows[number]]
        if not asked.any():
            continue
        at, own = along[number][asked], rows[number][asked]
        size = departure[own]
        shown = np.zeros(len(own), np.bool_)
        for other in beside:
            most = _largest(along[other], departure[rows[other]], at, np.sign(size), reach)
            least, greatest = COMPARABLE[0] * np.abs(size), COMPARABLE[1] * np.abs(size)
            shown |= (most >= least) & (most <= greatest)
        found.append(own[shown & (size != 0)])
    return np.concatenate(found)


def _largest(
    along: FloatArray, departure: FloatArray, at: FloatArray, sign: FloatArray, reach: float
) -> FloatArray:
    """Largest departure in the direction of `sign` within `reach` of each place, -inf for none."""
    low = np.searchsorted(along, at - reach, side="left")
    high = np.searchsorted(along, at + reach, side="right")
    width = int((high - low).max(initial=0))
    if width == 0:
        return np.full(len(at), -np.inf)
    near = low[:, np.newaxis] + np.arange(width)
    inside = near < high[:, np.newaxis]
    value = departure[np.minimum(near, len(along) - 1)] * sign[:, np.newaxis]
    largest: FloatArray = np.where(inside, value, -np.inf).max(axis=1)
    return largest
