"""How far the readings of opposing passes lie from where neighbouring traverses agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..readings import FloatArray
from .opposing import TIED, Profiles, compared
from .windows import MAD_TO_SIGMA

FEWEST = 4
"""Traverses with an opposing neighbour below which a lag cannot be judged."""

SIGMAS = 3.0
"""A lag below this many of its standard errors is no evidence of one."""

ALIKE = 6.0
"""Correlation of opposing neighbours below which they show no common ground, in units of its
scatter for noise alone; the best of many lags reaches 4."""

BY_CHANCE = 10.0
"""Gain in agreement that the best of many lags may reach on noise alone, in units of the square
root of the number of independent readings; measured at up to 7."""

ROUGH = 6.0
"""How many times the variance of noise the ground's own differences may give a traverse's lag."""

SEEN = 0.375
"""Share of the variance of traverses' own lags that shows: half of the traverse's own, and half of
the mean of its two neighbours'."""

OUTSTANDING = 4.0
"""Robust standard deviations beyond which a traverse has a lag of its own."""

SLIGHT = 0.1
"""A lag of less than this share of the reading interval is of no account."""

ROUNDS = 12
BLOCK = 3
"""Neighbouring traverses share readings: the standard error takes so many of them together."""
REACH = 2.0
"""Robust standard deviations beyond which a disagreement counts as no larger."""


@dataclass(frozen=True)
class Shift:
    """A lag found: how much of the scale given each reading is late, and how sure that is.

    Parameters
    ----------
    lag, error
        The lag and its standard error; map units, or seconds where the scale was a speed.
    traverses
        How many traverses were compared with opposing neighbours.
    before, after
        Typical disagreement between opposing neighbours with no lag and with this one, channel
        units, a mean over what was looked at together.
    slight
        Lags below this are of no account.
    likeness
        Correlation of opposing neighbours at the lag, in units of what noise alone gives: the
        ground must show in both for a lag to be told.
    """

    lag: float
    error: float
    traverses: int
    before: float
    after: float
    slight: float = 0.0
    likeness: float = 0.0

    @property
    def sure(self) -> bool:
        """Whether there is an estimate with an error."""
        return self.traverses > 0 and bool(np.isfinite(self.error))

    @property
    def why_not(self) -> str:
        """What evidence of a lag is lacking, in a sentence."""
        if self.traverses < FEWEST:
            return f"Only {self.traverses} traverses have opposing neighbours."
        if not self.sure:
            return "No lag within the largest looked for makes opposing passes agree best."
        if self.likeness <= ALIKE:
            return "Opposing passes show too little of the same ground to tell."
        if abs(self.lag) <= self.slight:
            return "It is less than a tenth of the reading interval."
        return "It does not exceed three standard errors, or makes the passes agree no better."

    @property
    def evident(self) -> bool:
        """Whether there is evidence of a lag at all."""
        return (
            self.traverses >= FEWEST
            and self.sure
            and self.likeness > ALIKE
            and abs(self.lag) > max(SIGMAS * self.error, self.slight)
            and self.after < self.before
        )


def coarse_lag(profiles: list[Profiles], weights: list[float], largest: float) -> float:
    """The lag, in half intervals, at which opposing neighbours agree best.

    By their cross-correlation, summed over all pairs, each data grid and channel with its weight;
    no larger than `largest` map units.
    """
    total: dict[int, float] = {}
    for p, weight in zip(profiles, weights):
        count = p.table.shape[1]
        spectrum = np.fft.rfft(p.table, 2 * count, axis=1)
        product = np.zeros(spectrum.shape[1], dtype=np.complex128)
        for other in (p.left, p.right):
            pairs = other >= 0
            i, j = p.middle[pairs], other[pairs]
            forward = p.way[i] > 0
            for some, turned in ((forward, False), (~forward, True)):
                part = np.einsum("kf,kf->f", spectrum[i[some]], np.conj(spectrum[j[some]]))
                product += np.conj(part) if turned else part
        agreement = np.fft.irfft(product, 2 * count)
        steps = int(min(2 * largest / p.interval, count - 1))
        for lag in range(-steps, steps + 1):
            total[lag] = total.get(lag, 0.0) + weight * float(agreement[lag])
    best = max(total, key=lambda lag: (total[lag], -abs(lag)))
    return best * float(np.median([p.interval for p in profiles])) / 2


def find_shift(
    profiles: list[Profiles],
    scales: list[FloatArray],
    largest: float,
) -> Shift:
    """The lag that makes opposing neighbours agree best, over data grids or channels together.

    Least squares by Gauss and Newton on the disagreement of each traverse with the mean of its
    opposing neighbours, started at the best of the cross-correlation; a feature oblique to the
    traverses lies to one side in the one neighbour and to the other side in the other, and cancels.
    The standard error is the sandwich estimate over groups of neighbouring traverses.

    Parameters
    ----------
    profiles
        Of one channel a data grid.
    scales
        For each of them, how far each traverse moves for a lag of 1, ``(t,)``: 1 for a lag in map
        units, the speed for one in seconds.
    largest
        Largest lag looked for, map units.

    References
    ----------
    P. J. Huber (1981), *Robust Statistics*, Wiley: the weights and the sandwich.
    """
    usable = [(p, s) for p, s in zip(profiles, scales) if len(p.middle)]
    if not usable:
        return Shift(0.0, np.nan, 0, np.nan, np.nan)
    spreads = [_spread(_disagreement(p, s, 0.0)[0]) for p, s in usable]
    speed = float(np.median(np.concatenate([s for _, s in usable])))
    weights = [1.0 / max(spread, 1e-300) ** 2 for spread in spreads]
    best = coarse_lag([p for p, _ in usable], weights, largest) / speed
    near = _settled(usable, spreads, 0.0, largest / speed)
    far = _settled(usable, spreads, best, largest / speed)
    if abs(best - near.lag) < usable[0][0].interval / speed:
        return far if far.sure else near
    # Among many lags one agrees best by chance: a far one must be better by more than that.
    (one, many), (other, fewer) = (_cost(usable, spreads, at.lag) for at in (near, far))
    independent = min(many, fewer) / TIED
    better = (one - other) * independent > BY_CHANCE * np.sqrt(independent)
    return far if better and far.sure else near


def _settled(
    usable: list[tuple[Profiles, FloatArray]], spreads: list[float], start: float, limit: float
) -> Shift:
    """The lag near a start at which opposing neighbours agree best."""
    count = sum(len(p.middle) for p, _ in usable)
    interval = usable[0][0].interval * _unit_of(usable)
    lag, error = start, np.nan
    before = float(np.mean(spreads))
    for _ in range(ROUNDS):
        parts = [_normal(p, s, lag, spread) for (p, s), spread in zip(usable, spreads)]
        down = sum(float(part[1].sum()) for part in parts)
        if down <= 0:
            return Shift(0.0, np.nan, count, before, before)
        step = -sum(float(part[0].sum()) for part in parts) / down
        spread_out = sum(_blocks(part[0] + step * part[1]) for part in parts)
        error = float(np.sqrt(max(spread_out, TIED * down))) / down
        step = float(np.clip(step, -interval / 2, interval / 2))
        lag = float(np.clip(lag + step, -limit, limit))
        if abs(step) < 1e-3 * interval:
            break
    if abs(lag) >= limit:  # no best lag within reach
        return Shift(0.0, np.nan, count, before, before)
    after = [_spread(_disagreement(p, s, lag)[0]) for p, s in usable]
    alike = _likeness(usable, spreads, lag)
    return Shift(lag, error, count, before, float(np.mean(after)), SLIGHT * interval, alike)


def _likeness(usable: list[tuple[Profiles, FloatArray]], spreads: list[float], lag: float) -> float:
    """Correlation of opposing neighbours at a lag, times the root of the independent readings."""
    together, own, others, count = 0.0, 0.0, 0.0, 0
    for (p, s), spread in zip(usable, spreads):
        value, other, _, sure = compared(p, s, lag)
        # Clipped, so that a spike in one of the two counts as no more than a feature.
        reach = 2.0 * REACH * max(spread, 1e-300)
        one, two = (np.clip(side, -reach, reach)[sure] / spread for side in (value, other))
        together += float(one @ two)
        own, others = own + float(one @ one), others + float(two @ two)
        count += len(one)
    scale = np.sqrt(own * others)
    return together / scale * float(np.sqrt(count / TIED)) if scale > 0 else 0.0


def _unit_of(usable: list[tuple[Profiles, FloatArray]]) -> float:
    """What a lag of one map unit is in the unit of the lag: 1, or a second's share."""
    return 1.0 / float(np.median(np.concatenate([s for _, s in usable])))


def _blocks(contributions: FloatArray) -> float:
    """Sum of squares of the contributions of neighbouring traverses taken together."""
    padded = np.pad(contributions, (0, -len(contributions) % BLOCK))
    return float(np.square(padded.reshape(-1, BLOCK).sum(axis=1)).sum())


def _spread(off: FloatArray) -> float:
    known = off[off != 0]
    return MAD_TO_SIGMA * float(np.median(np.abs(known))) if len(known) else 1.0


def _cost(
    usable: list[tuple[Profiles, FloatArray]], spreads: list[float], lag: float
) -> tuple[float, int]:
    """Mean robust squared disagreement, in units of its usual spread, and over how many places."""
    total, count = 0.0, 0
    for (p, s), spread in zip(usable, spreads):
        off = np.abs(_disagreement(p, s, lag)[0]) / max(spread, 1e-300)
        held = np.minimum(off, REACH)
        total += float((held * (2 * off - held)).sum())
        count += int(np.count_nonzero(off))
    return total / max(count, 1), count


def _normal(
    profiles: Profiles, scale: FloatArray, lag: float, spread: float
) -> tuple[FloatArray, FloatArray]:
    """Gradient and curvature of the robust disagreement, one of each a compared traverse."""
    off, slope = _disagreement(profiles, scale, lag)
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.where(off != 0, np.minimum(1.0, REACH * spread / np.abs(off)), 1.0)
    unit = max(spread, 1e-300) ** 2
    return (weight * off * slope).sum(axis=1) / unit, (weight * slope**2).sum(axis=1) / unit


def _disagreement(
    profiles: Profiles, scale: FloatArray, lag: float
) -> tuple[FloatArray, FloatArray]:
    """Each traverse less the mean of its opposing neighbours, and how that changes with the lag.

    Both ``(k, p)``, 0 where unknown.
    """
    value, other, change, sure = compared(profiles, scale, lag)
    # What is alike all along a traverse is its offset.
    number = np.maximum(sure.sum(axis=1), 1)[:, np.newaxis]
    found = []
    for part in (value - other, change):
        part = np.where(sure, part, 0.0)
        found.append(np.where(sure, part - part.sum(axis=1, keepdims=True) / number, 0.0))
    return found[0], found[1]


def line_shifts(
    profiles: list[Profiles], scales: list[FloatArray], shift: Shift
) -> tuple[FloatArray, float]:
    """How much each traverse of one data grid is off what the common lag leaves.

    Parameters
    ----------
    profiles, scales
        Of the channels of one data grid; see `find_shift`.
    shift
        The lag that all its traverses have in common.

    Returns
    -------
    more
        What to add to the lag of each traverse, ``(t,)``: what its disagreement with its neighbours
        says, drawn towards 0 by as much as that is noise; 0 but for traverses that stand out, where
        the others differ no more than the ground may.
    scatter
        Root mean square of these.
    """
    t = len(scales[0])
    gradient, curvature = np.zeros(t), np.zeros(t)
    relation = np.zeros((t, t))
    for p, s in zip(profiles, scales):
        spread = _spread(_disagreement(p, s, shift.lag)[0])
        down, bend = _normal(p, s, shift.lag, spread)
        gradient[p.middle] += down
        curvature[p.middle] += bend
        relation[p.middle, p.middle] = 0.5
        sides = (p.left >= 0).astype(np.float64) + (p.right >= 0)
        for other in (p.left, p.right):
            there = other >= 0
            # An opposing neighbour's lag moves it the other way: either makes half the difference
            # that a lag of both would.
            relation[p.middle[there], other[there]] = 0.5 / sides[there]
    compared = curvature > 0
    if compared.sum() < FEWEST:
        return np.zeros(t), 0.0
    found = -gradient[compared] / curvature[compared]
    noise = TIED / curvature[compared]
    size = np.abs(found) / np.sqrt(noise)
    # What the ground itself differs by is some times the noise; more than that is scatter.
    times = max((MAD_TO_SIGMA * float(np.median(size))) ** 2, 1.0)
    scatter = max(times - ROUGH, 0.0) * float(np.median(noise)) / SEEN
    own = np.full(t, scatter)
    own[compared] += np.where(size > OUTSTANDING * np.sqrt(times), (2.0 * found) ** 2, 0.0)
    free = np.flatnonzero(own > 0)
    if not len(free):
        return np.zeros(t), 0.0
    design = relation[np.ix_(compared, free)]
    weight = 1.0 / (min(times, ROUGH) * noise)
    normal = design.T @ (design * weight[:, np.newaxis]) + np.diag(1.0 / own[free])
    more: FloatArray = np.zeros(t)
    more[free] = np.linalg.solve(normal, design.T @ (weight * found)).round(9)
    return more, float(np.sqrt(np.mean(more**2)))
