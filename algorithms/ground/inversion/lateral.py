"""Fit layered grounds to soundings together: what lies close is alike.

Each unknown is taken for a smooth field over the plan, with a length of likeness along the
traverses and one between them: the field of Whittle and Matern that solves
``(1 - length^2 d^2) x = noise``, on the graph of each reading with the next of its traverse and the
nearest of the neighbouring ones. The field's variance at a place stays what the prior says.

References
----------
F. Lindgren, H. Rue and J. Lindstrom (2011), *An explicit link between Gaussian fields and Gaussian
Markov random fields*, Journal of the Royal Statistical Society B 73, 423-498 (from memory).
M. R. Hestenes and E. Stiefel (1952), *Methods of conjugate gradients for solving linear systems*,
Journal of Research of the National Bureau of Standards 49.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.sparse import coo_matrix, csr_matrix, diags, identity
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import SuperLU, splu
from scipy.spatial import cKDTree

from ...progress import Progress, advance, keep_going, portion
from ...readings import FloatArray, IntArray
from .fit import STEP, Fitted, Parting, counted_sd, misfit_cost
from .soundings import Soundings

ROUNDS = 6
STILL = 3e-3
"""A change of all logarithms below this ends the search."""

GAIN = 1e-4
"""So does a gain below this share of what is made least."""

INNER = 400
EASED = 0.02
"""The linear problem of a round is solved until its residual has fallen to this share."""

CLOSEST = 1e-3
"""Readings nearer to each other than this share of the length are reckoned to be so far apart."""

FAINT = 1e-3
"""Readings tell nothing of a direction of the unknowns that they tell less than this share of."""

LONE = 1e-4
"""Least share that a sounding is reckoned to stand on its own."""

SOUGHT = 24
"""Nearest readings among which those of other traverses are sought first."""

FARTHEST = 3.0
"""Readings of other traverses are tied within so many lengths of likeness."""


@dataclass(frozen=True)
class Likeness:
    """How far soundings are alike.

    Parameters
    ----------
    along, across
        Length of likeness along a traverse, and between traverses, m; 0 for none. At this
        distance the correlation has fallen to some 0.6 to 0.7, at twice it to 0.3 to 0.4.
    """

    along: float = 0.0
    across: float = 0.0

    def __post_init__(self) -> None:
        for what, value in (("along", self.along), ("across", self.across)):
            if not 0 <= value < np.inf:
                raise ValueError(
                    f"The distance {what} the traverses is {value:g}: give 0 m or more."
                )


def precision(places: FloatArray, chains: Sequence[IntArray], likeness: Likeness) -> csr_matrix:
    """Precision matrix over the plan of a field of variance 1, shape ``(n, n)``.

    Parameters
    ----------
    places
        Easting and northing, m, shape ``(n, 2)``.
    chains
        Rows of each traverse in walking order; a row in none stands alone.
    """
    count = len(places)
    along = _Ties.along(places, chains, likeness.along)
    across = _Ties.across(places, chains, likeness.across)
    if not (along.length or across.length):
        return identity(count, format="csr")
    if along.length and across.length:
        area = along.room * across.room
        stiff = along.matrix(across.room) + across.matrix(along.room)
        whole = 4 * np.pi * along.length * across.length
    else:
        only = along if along.length else across
        area, stiff, whole = only.room, only.matrix(np.ones(count)), 4 * only.length
    field = stiff + diags(area)
    found = (field @ diags(1 / (whole * area)) @ field).tocsr()
    return (found + diags(_settling(found))).tocsr()


def _settling(found: csr_matrix) -> FloatArray:
    """What must be added to the diagonal for the level of whole stretches to have variance 1.

    On ground that is small beside the length of likeness the field would be free as a whole.
    """
    _, stretch = connected_components(found, directed=False)
    held = np.bincount(stretch, np.asarray(found.sum(axis=1)).ravel())
    size = np.bincount(stretch)
    added: FloatArray = (np.maximum(1 - held, 0.0) / size)[stretch]
    return added


@dataclass(frozen=True, eq=False)
class _Ties:
    """Neighbours in one direction of a plan of `n` readings.

    Parameters
    ----------
    length
        Of likeness, m; 0 for none.
    ends
        Rows of the readings tied, shape ``(e, 2)``.
    apart
        How far apart they are, m, ``(e,)``.
    room
        How much of this direction each reading stands for, m, ``(n,)``.
    """

    length: float
    ends: IntArray
    apart: FloatArray
    room: FloatArray

    @classmethod
    def of(cls, places: FloatArray, ends: IntArray, length: float) -> _Ties:
        """Ties between readings."""
        left, right = ends.T
        apart = np.maximum(np.hypot(*(places[left] - places[right]).T), CLOSEST * length)
        count = len(places)
        degree = np.bincount(left, minlength=count) + np.bincount(right, minlength=count)
        total = np.bincount(left, apart, count) + np.bincount(right, apart, count)
        usual = float(np.median(apart)) if len(apart) else length
        room = np.where(degree > 0, total / np.maximum(degree, 1), usual)
        return cls(length if len(apart) else 0.0, ends, apart, room)

    @classmethod
    def along(cls, places: FloatArray, chains: Sequence[IntArray], length: float) -> _Ties:
        """Each reading with the next of its traverse."""
        pairs = [np.column_stack([chain[:-1], chain[1:]]) for chain in chains]
        none = np.zeros((0, 2), np.int64)
        return cls.of(places, np.concatenate([none, *pairs]) if length else none, length)

    @classmethod
    def across(cls, places: FloatArray, chains: Sequence[IntArray], length: float) -> _Ties:
        """Each reading with the nearest one of the two nearest other traverses."""
        ends = _nearest_of_others(places, chains, length) if length else np.zeros((0, 2), np.int64)
        return cls.of(places, ends, length)

    def matrix(self, width: FloatArray) -> csr_matrix:
        """How stiffly neighbours hang together, each tie as wide as its ends' `width`."""
        left, right = self.ends.T
        count = len(width)
        tie = self.length**2 / self.apart * (width[left] + width[right]) / 2
        diagonal = np.bincount(left, tie, count) + np.bincount(right, tie, count)
        rows = np.concatenate([np.arange(count), left, right])
        columns = np.concatenate([np.arange(count), right, left])
        cells = np.concatenate([diagonal, -tie, -tie])
        return coo_matrix((cells, (rows, columns)), shape=(count, count)).tocsr()


def fit_together(
    soundings: Soundings,
    parting: Parting,
    start: Fitted,
    plan: csr_matrix,
    progress: Progress = keep_going,
) -> Fitted:
    """Fit all grounds at once.

    Parameters
    ----------
    start
        Fits to each sounding on its own.
    plan
        Precision over the plan, of `precision`, shape ``(n, n)``.
    """
    alone = np.asarray(plan.sum(axis=1)).ravel()
    soundings = soundings.averaged(np.clip(alone, LONE, 1.0))
    found = replace(start, sd=counted_sd(soundings, start.values))
    cost = _cost(soundings, parting, found, plan)
    for turn in range(ROUNDS):
        part = _Round(found, parting, plan)
        change = part.solved(soundings, portion(progress, turn / ROUNDS, (turn + 1) / ROUNDS))
        # The direction is kept: only so does the cost fall along it.
        change = change * min(1.0, STEP / max(float(np.abs(change).max()), STEP))
        for share in (1.0, 0.5, 0.25, 0.1):
            unknowns = found.unknowns + share * change
            values, slopes = parting.slopes(soundings, unknowns)
            tried = Fitted(unknowns, values, slopes, counted_sd(soundings, values))
            new_cost = _cost(soundings, parting, tried, plan)
            if new_cost <= cost:
                break
        else:
            break
        gained = cost - new_cost
        found, cost = tried, new_cost
        if np.abs(share * change).max() < STILL or gained < GAIN * new_cost:
            break
    advance(progress, 1.0)
    return found


@dataclass(frozen=True, eq=False)
class _Round:
    """The linear problem about fitted grounds, in unknowns of variance 1 before the readings."""

    fitted: Fitted
    parting: Parting
    plan: csr_matrix

    def solved(self, soundings: Soundings, progress: Progress) -> FloatArray:
        """The change of all unknowns, ``(n, k)``, by conjugate gradients.

        Eased by the same problem with every sounding's readings as telling as all are on average:
        that falls apart into as many fields as there are unknowns.
        """
        plain = np.linalg.cholesky(self.parting.covariance)
        slopes = (self.fitted.slopes @ plain) / self.fitted.sd[:, :, np.newaxis]
        residual = (soundings.values - self.fitted.values) / self.fitted.sd
        away = np.linalg.solve(plain, (self.fitted.unknowns - self.parting.usual).T).T
        curved = slopes.transpose(0, 2, 1) @ slopes
        easing = _Easing.of(curved.mean(axis=0), self.plan)

        def times(x: FloatArray) -> FloatArray:
            product: FloatArray = (curved @ x[:, :, np.newaxis])[:, :, 0] + self.plan @ x
            return product

        left = np.einsum("npk,np->nk", slopes, residual) - self.plan @ away
        change = np.zeros_like(left)
        easy = easing(left)
        way = easy
        size = first = float((left * easy).sum())
        for turn in range(INNER):
            if size <= EASED**2 * first:
                break
            advance(progress, turn / INNER)
            ahead = times(way)
            pace = size / float((way * ahead).sum())
            change = change + pace * way
            left = left - pace * ahead
            easy = easing(left)
            size, before = float((left * easy).sum()), size
            way = easy + (size / before) * way
        found: FloatArray = change @ plain.T
        return found


@dataclass(frozen=True, eq=False)
class _Easing:
    """Solves ``curved x + plan x`` where all soundings share `curved`."""

    turned: FloatArray
    factors: tuple[SuperLU, ...]

    @classmethod
    def of(cls, curved: FloatArray, plan: csr_matrix) -> _Easing:
        """Factors of one field an unknown; what the readings hardly tell shares one."""
        told, turned = np.linalg.eigh(curved)
        told = np.where(told < FAINT * told[-1], 0.0, told)
        made = {
            value: splu(
                (plan + value * identity(plan.shape[0])).tocsc(),
                permc_spec="MMD_AT_PLUS_A",
                diag_pivot_thresh=0.0,
                options={"SymmetricMode": True},
            )
            for value in sorted(set(told.tolist()))
        }
        return cls(turned, tuple(made[value] for value in told.tolist()))

    def __call__(self, x: FloatArray) -> FloatArray:
        parts = x @ self.turned
        solved = [factor.solve(part) for factor, part in zip(self.factors, parts.T)]
        found: FloatArray = np.stack(solved, axis=1) @ self.turned.T
        return found


def _cost(soundings: Soundings, parting: Parting, fitted: Fitted, plan: csr_matrix) -> float:
    """What is made least, over all soundings."""
    away = fitted.unknowns - parting.usual
    inverse = np.linalg.inv(parting.covariance)
    tied = float((away * ((plan @ away) @ inverse)).sum())
    return float(misfit_cost(soundings, fitted.values).sum()) + tied


def _nearest_of_others(places: FloatArray, chains: Sequence[IntArray], length: float) -> IntArray:
    """Pairs of a reading and the nearest one of each of the two nearest other traverses.

    Within `FARTHEST` times the length of likeness: beyond, readings hardly tell of each other.
    """
    count = len(places)
    owner = np.full(count + 1, -1)
    for number, chain in enumerate(chains):
        owner[chain] = number
    tree = cKDTree(places)
    asked = np.flatnonzero(owner[:count] >= 0)
    pairs = [np.zeros((0, 2), np.int64)]
    near = SOUGHT
    # Where readings lie close, the nearest ones are all of the own traverse: more are looked at.
    while len(asked):
        near = min(near, count)
        _, rows = tree.query(places[asked], near, distance_upper_bound=FARTHEST * length)
        rows = rows.reshape(len(asked), near)
        theirs = owner[rows]
        others = (theirs >= 0) & (theirs != owner[asked, np.newaxis])
        one = np.argmax(others, axis=1)
        each = np.arange(len(asked))
        more = others & (theirs != theirs[each, one][:, np.newaxis])
        two = np.argmax(more, axis=1)
        ended = (rows[:, -1] == count) | more.any(axis=1) | (near == count)
        for place, there in ((one, others.any(axis=1)), (two, more.any(axis=1))):
            mine = np.flatnonzero(there & ended)
            pairs.append(np.sort(np.column_stack([asked[mine], rows[mine, place[mine]]]), axis=1))
        asked = asked[~ended]
        near *= 4
    found: IntArray = np.unique(np.concatenate(pairs), axis=0)
    return found
