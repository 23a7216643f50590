"""Figures of how well readings were predicted, and whether one prediction beats another."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr
from scipy.stats import rankdata

from ..check.comparerepeats import independent_share
from ..readings import BoolArray, FloatArray, IntArray

SURE = 0.05
"""Chance below which a difference counts as more than chance."""

FIRST, WORSE, CHANCE, NEARER = "first", "worse", "within chance", "nearer typically"
"""How a candidate stands to the one placed first: see `Score.verdict`."""

PAIRED = 1000
"""Most traverses, evenly picked, whose pairs a typical lead is taken from; bounds the memory."""

WHOLE = 0.5
"""Share of the usual number of readings that a traverse needs to be judged by itself."""


@dataclass(frozen=True)
class Score:
    """How well one candidate predicts one channel; errors are predicted less measured.

    Parameters
    ----------
    channel, unit
        Which; 'all' for all channels together, errors in shares of the least `rmse` that any
        candidate has in the channel, so that each weighs alike.
    count
        Readings.
    rmse, median, bias, p95
        Root mean square, median absolute, mean, and 95th percentile of the absolute error.
    relative
        `rmse` as a share of the channel's robust spread; of 'all', root mean square of these.
    worst, worst_rmse
        Number of the traverse that is predicted worst, and its root mean square error.
    more
        By how much `rmse` exceeds that of the candidate placed first, as a share of the latter.
    typical
        The same on a typical traverse: strong features, which rule `rmse`, weigh no more there
        than quiet ground.
    first_better
        Share of traverses that the candidate placed first predicts better.
    chance
        Chance of a lead as large, either way, over the traverses if both were equally good; see
        `paired_chance`. NaN for the one placed first.
    """

    channel: str
    unit: str
    count: int
    rmse: float
    median: float
    bias: float
    p95: float
    relative: float
    worst: int
    worst_rmse: float
    more: float
    typical: float
    first_better: float
    chance: float

    @property
    def verdict(self) -> str:
        """`FIRST`, `WORSE`, `CHANCE` or, where traverses speak for it, `NEARER`."""
        if self.chance != self.chance:
            return FIRST
        if self.chance >= SURE:
            return CHANCE
        return WORSE if self.typical > 0 else NEARER


@dataclass(frozen=True, eq=False)
class Judge:
    """What the errors of all candidates in one channel, or in all, are judged by.

    Parameters
    ----------
    channel, unit
        As in `Score`.
    spread
        The channel's robust spread, in its unit.
    traverse
        Number of the traverse of each error, rising across the ground, shape ``(m,)``.
    run
        Of each traverse: the number of the data grid and piece of ground it lies in.
    """

    channel: str
    unit: str
    spread: float
    traverse: IntArray
    run: IntArray

    def score(self, errors: FloatArray, first: FloatArray | None = None) -> Score:
        """Figures of one candidate's errors, shape ``(m,)``, beside those of the one first."""
        rmse = root_mean_square(errors)
        count, squares = self._by_traverse(errors)
        present = np.flatnonzero(count)
        whole = present[count[present] >= WHOLE * np.median(count[present])]
        each = np.sqrt(squares[whole] / count[whole])
        worst = int(np.argmax(each))
        more, typical, better, chance = 0.0, 0.0, float("nan"), float("nan")
        if first is not None:
            least = root_mean_square(first)
            more = rmse / least - 1 if least > 0 else (math.inf if rmse > 0 else 0.0)
            best = np.sqrt(self._by_traverse(first)[1][whole] / count[whole])
            lead = balance(best, each)
            typical = ratio_of(pseudo_median(lead)) - 1
            better = float(np.mean(0.5 * (1 + np.sign(lead))))
            chance = paired_chance(lead, self.run[whole])
        size = np.abs(errors)
        return Score(
            channel=self.channel,
            unit=self.unit,
            count=len(errors),
            rmse=rmse,
            median=float(np.median(size)),
            bias=float(errors.mean()),
            p95=float(np.percentile(size, 95)),
            relative=rmse / self.spread,
            worst=int(whole[worst]),
            worst_rmse=float(each[worst]),
            more=more,
            typical=typical,
            first_better=better,
            chance=chance,
        )

    def _by_traverse(self, errors: FloatArray) -> tuple[IntArray, FloatArray]:
        """Number of errors and sum of their squares by traverse."""
        size = len(self.run)
        count = np.bincount(self.traverse, minlength=size).astype(np.int64)
        squares: FloatArray = np.bincount(self.traverse, errors**2, minlength=size).astype(float)
        return count, squares


def root_mean_square(errors: FloatArray) -> float:
    """Root of the mean of squares."""
    return float(np.sqrt(np.mean(errors**2)))


def balance(one: FloatArray, other: FloatArray) -> FloatArray:
    """How far one of two amounts outweighs the other, -1 to 1: difference by sum; 0 for none.

    Examples
    --------
    >>> balance(np.array([1.0, 2.0, 0.0]), np.array([3.0, 2.0, 0.0])).tolist()
    [0.5, 0.0, 0.0]
    """
    total = one + other
    outweighs: FloatArray = (other - one) / np.where(total > 0, total, 1.0)
    return outweighs


def ratio_of(outweighs: float) -> float:
    """The ratio of two amounts of that `balance`.

    Examples
    --------
    >>> ratio_of(0.5), ratio_of(0.0)
    (3.0, 1.0)
    """
    return (1 + outweighs) / (1 - outweighs) if outweighs < 1 else math.inf


def pseudo_median(values: FloatArray) -> float:
    """Median of the means of all pairs, each value with itself too (Hodges and Lehmann).

    Its sign is that of the sum of signed ranks that `paired_chance` tests.

    Examples
    --------
    >>> pseudo_median(np.array([1.0, 2.0, 90.0]))
    23.75
    """
    some = values[:: -(-len(values) // PAIRED)]
    one, other = np.triu_indices(len(some))
    return float(np.median((some[one] + some[other]) / 2))


def paired_chance(lead: FloatArray, run: IntArray) -> float:
    """Chance of leads as one-sided, either way, if there were none: by their signed ranks.

    The readings of one traverse err alike, so that a traverse, not a reading, is one piece of
    evidence; by its rank, a traverse over one strong feature counts no more than others.
    Neighbouring traverses cross the same features: with the correlation `r` of their ranks, ``t``
    traverses are worth ``t (1 - r) / (1 + r)`` independent ones.

    Parameters
    ----------
    lead
        Of one over the other, traverse by traverse in order across the ground, shape ``(t,)``.
    run
        Traverses of one run are neighbours if they follow each other.

    Returns
    -------
    float
        From Student's t with one degree less than the traverses are worth; 1 with fewer than
        two traverses.

    References
    ----------
    F. Wilcoxon (1945), *Individual comparisons by ranking methods*, Biometrics Bulletin 1, 80-83;
    W. J. Conover and R. L. Iman (1981), *Rank transformations as a bridge between parametric and
    nonparametric statistics*, American Statistician 35, 124-129, for Student's t of the ranks;
    G. V. Bayley and J. M. Hammersley (1946), J. R. Statist. Soc. Suppl. 8, 184-197, for what
    correlated values are worth.

    Examples
    --------
    >>> one = np.ones(30, dtype=int)
    >>> paired_chance(np.tile([0.1, 0.12], 15), one) < 1e-9
    True
    >>> round(paired_chance(np.tile([0.1, -0.1], 15), one), 2)
    1.0
    """
    size = len(lead)
    if size < 2:
        return 1.0
    ranks = np.sign(lead) * rankdata(np.abs(lead))
    mean = float(ranks.mean())
    worth = size * independent_share(ranks, run)
    error = float(ranks.std(ddof=1)) / math.sqrt(worth)
    if error == 0:
        return 1.0 if mean == 0 else 0.0
    return float(2 * stdtr(max(worth - 1, 1.0), -abs(mean) / error))


def pooled(errors: FloatArray, counted: BoolArray, scale: FloatArray) -> FloatArray:
    """Errors of all channels in shares of a scale, shape ``(m,)``, channel by channel.

    Parameters
    ----------
    errors, counted
        Shape ``(n, c)``.
    scale
        Shape ``(c,)``; NaN leaves a channel out.
    """
    kept = np.flatnonzero(np.isfinite(scale))
    shares: FloatArray = np.concatenate([errors[counted[:, c], c] / scale[c] for c in kept])
    return shares
