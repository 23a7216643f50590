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

FIRST, SAME, WORSE, CHANCE, NEARER = (
    "first", "the same", "worse", "within chance", "nearer typically"
)  # fmt: skip
"""How a candidate stands to the one placed first: see `Score.verdict`."""

MAE, RMSE = "mae", "rmse"
MEASURES = (MAE, RMSE)
"""What candidates are ranked by: mean absolute, or root mean square error."""

PAIRED = 1000
"""Most traverses, evenly picked, whose pairs a typical lead is taken from; bounds the memory."""

EXACT = 1e-9
"""Share of a channel's range below which errors are those of arithmetic."""

WHOLE = 0.5
"""Share of the usual number of readings that a traverse needs to be judged by itself."""


@dataclass(frozen=True)
class Score:
    """How well one candidate predicts one channel; errors are predicted less measured.

    Parameters
    ----------
    channel, unit
        Which; 'all' for all channels together, errors in shares of the least that any candidate
        has in the channel by the measure ranked by, so that each weighs alike; of 'all', `mae` and
        `rmse` are in shares of the least `mae` and of the least `rmse`.
    count
        Readings.
    mae, rmse, median, bias, p95
        Mean absolute, root mean square, median absolute, mean, and 95th percentile of the
        absolute error.
    relative
        `rmse` as a share of the channel's robust spread; of 'all', root mean square of these.
    worst, worst_error
        Number of the traverse that is predicted worst, and its error by the measure ranked by.
    more
        By how much that measure exceeds the one of the candidate placed first, as a share of the
        latter.
    typical
        The same on a typical traverse: one over a strong feature weighs no more than others.
    first_better
        Share of traverses that the candidate placed first predicts better.
    chance
        Chance of a lead as large, either way, over the traverses if both were equally good; see
        `paired_chance`. NaN for the one placed first.
    exact
        Whether there is no error but that of arithmetic.
    same
        Whether the candidate placed first predicts the same in all channels.
    """

    channel: str
    unit: str
    count: int
    mae: float
    rmse: float
    median: float
    bias: float
    p95: float
    relative: float
    worst: int
    worst_error: float
    more: float
    typical: float
    first_better: float
    chance: float
    exact: bool = False
    same: bool = False

    def by(self, measure: str) -> float:
        """The error by one of `MEASURES`."""
        return self.mae if measure == MAE else self.rmse

    @property
    def verdict(self) -> str:
        """`FIRST`, `SAME`, `WORSE`, `CHANCE` or, where traverses speak for it, `NEARER`."""
        if self.chance != self.chance:
            return FIRST
        if self.same:
            return SAME
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
    measure
        One of `MEASURES`: what candidates are ranked by.
    floor
        An error less than this, over all readings or over a traverse, counts as this: see
        `precisions`.
    """

    channel: str
    unit: str
    spread: float
    traverse: IntArray
    run: IntArray
    measure: str = MAE
    floor: float = 0.0

    def score(self, errors: FloatArray, first: FloatArray | None = None) -> Score:
        """Figures of one candidate's errors, shape ``(m,)``, beside those of the one first."""
        whole, each = self._by_traverse(errors)
        worst = int(np.argmax(each))
        own = measured_by(self.measure, errors)
        more, typical, better, chance = 0.0, 0.0, float("nan"), float("nan")
        if first is not None:
            more = excess(max(own, self.floor), max(measured_by(self.measure, first), self.floor))
            best = self._by_traverse(first)[1]
            lead = balance(np.maximum(best, self.floor), np.maximum(each, self.floor))
            typical = ratio_of(pseudo_median(lead)) - 1
            better = float(np.mean(0.5 * (1 + np.sign(lead))))
            chance = paired_chance(lead, self.run[whole])
        size = np.abs(errors)
        rmse = measured_by(RMSE, errors)
        return Score(
            channel=self.channel,
            unit=self.unit,
            count=len(errors),
            mae=measured_by(MAE, errors),
            rmse=rmse,
            median=float(np.median(size)),
            bias=float(errors.mean()),
            p95=float(np.percentile(size, 95)),
            relative=rmse / self.spread,
            worst=int(whole[worst]),
            worst_error=float(each[worst]),
            more=more,
            typical=typical,
            first_better=better,
            chance=chance,
            exact=own <= self.floor,
        )

    def _by_traverse(self, errors: FloatArray) -> tuple[IntArray, FloatArray]:
        """The traverses with readings enough, and the measure over each."""
        count = np.bincount(self.traverse)
        present = np.flatnonzero(count)
        whole = present[count[present] >= WHOLE * np.median(count[present])]
        size = np.abs(errors) if self.measure == MAE else errors**2
        mean = np.bincount(self.traverse, size)[whole] / count[whole]
        return whole, mean if self.measure == MAE else np.sqrt(mean)


def measured_by(measure: str, errors: FloatArray) -> float:
    """Mean absolute error or root mean square error.

    Examples
    --------
    >>> errors = np.array([1.0, -7.0, 1.0, 7.0])
    >>> measured_by("mae", errors), measured_by("rmse", errors)
    (4.0, 5.0)
    """
    if measure == MAE:
        return float(np.mean(np.abs(errors)))
    return float(np.sqrt(np.mean(errors**2)))


def excess(one: float, least: float) -> float:
    """By how much one amount exceeds another, as a share of the latter.

    Examples
    --------
    >>> excess(3.0, 2.0), excess(0.0, 0.0)
    (0.5, 0.0)
    """
    if least > 0:
        return one / least - 1
    return math.inf if one > 0 else 0.0


def precisions(measured: FloatArray, counted: BoolArray) -> FloatArray:
    """Errors of a channel below which there are none: `EXACT` of its range, shape ``(c,)``.

    NaN for a channel without a value.

    Examples
    --------
    >>> values = np.array([[0.0], [2.5], [1e9]])
    >>> precisions(values, values < 1e9).tolist()
    [2.5e-09]
    """
    found: FloatArray = np.full(measured.shape[1], np.nan)
    for c in range(measured.shape[1]):
        values = measured[counted[:, c], c]
        if len(values):
            found[c] = EXACT * float(np.ptp(values))
    return found


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
