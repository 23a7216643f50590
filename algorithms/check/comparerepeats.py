"""Compare readings taken twice at one place, to learn how well the survey repeats itself."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.special import stdtr
from scipy.stats import rankdata, theilslopes

from ..correct.windows import MAD_TO_SIGMA
from ..progress import Progress, keep_going
from ..readings import BoolArray, FloatArray, IntArray, Readings
from .lines import robust_spread
from .repeat_pairs import Pairs, pair_crossings, pair_repeats

WITHIN = 1.96
"""Standard deviations either side that hold 95 % of Gaussian differences."""

ENOUGH = 30
"""Pairs below which limits are rough: common practice, no source."""

SLOPES = 1000
"""Pairs that a slope is taken from, spread evenly over the levels; bounds the time."""


@dataclass(frozen=True, eq=False)
class Agreement:
    """How one channel repeats itself; differences are second less first, channel units.

    Parameters
    ----------
    channel, unit
        Which.
    count, effective
        Pairs, and how many independent ones they are worth.
    median, median_low, median_high
        The systematic part, with its 95 % confidence interval.
    spread, repeatability
        Robust standard deviation of the differences, and of a single reading.
    mean, deviation, lower, upper, limit_error
        Mean and standard deviation of the differences, the 95 % limits of agreement, and how far
        each of these may be off (half of its 95 % confidence interval).
    levels
        How far the levels range, 5 to 95 % of them; the level is the mean of a pair.
    slope, rank, chance
        Slope of the difference against the level (Theil-Sen), rank correlation of the two
        (Spearman), and the chance of one so large without dependence.
    """

    channel: str
    unit: str
    count: int
    effective: float
    median: float
    median_low: float
    median_high: float
    spread: float
    repeatability: float
    mean: float
    deviation: float
    lower: float
    upper: float
    limit_error: float
    levels: float
    slope: float
    rank: float
    chance: float


@dataclass(frozen=True, eq=False)
class Comparison:
    """What a comparison gives back: the pairs, an `Agreement` a channel, and words for the user.

    `channels` names the columns of the pairs; one with too few pairs has no agreement.
    """

    pairs: Pairs
    channels: tuple[str, ...]
    agreements: tuple[Agreement, ...]
    figures: dict[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def comparerepeats(
    first: Readings, second: Readings, reach: float, progress: Progress = keep_going
) -> Comparison:
    """Compare lines or data grids with the same walked again.

    Parameters
    ----------
    first, second
        The survey and the repeat, with the same channels in the same order.
    reach
        How far a repeat reading may lie from the nearest line of the first survey, map units.

    Raises
    ------
    ValueError
        If the channels differ, the reach is not above 0, or no repeat reading is near enough.

    References
    ----------
    J. M. Bland and D. G. Altman (1986), *Statistical methods for assessing agreement between two
    methods of clinical measurement*, Lancet 327, 307-310.

    Examples
    --------
    >>> first = Readings.build(x=range(9), y=[0] * 9, values=range(9))
    >>> second = Readings.build(x=range(9), y=[0.1] * 9, values=np.arange(9) + 0.5)
    >>> comparerepeats(first, second, 0.25).agreements[0].median
    0.5
    """
    if first.channels != second.channels:
        raise ValueError(
            f"The repeat has the channels {', '.join(second.channels)} where the first survey has "
            f"{', '.join(first.channels)}. Choose channels that both have."
        )
    if not reach > 0:
        raise ValueError(f"The reach is {reach:g}: choose a length above 0.")
    pairs = pair_repeats(first, second, reach, progress)
    near = f"within {reach:g} map units of a line"
    if not len(pairs):
        raise ValueError(
            f"No usable repeat reading lies {near} of the first survey with a usable value there. "
            "Raise the reach, or check that both are in the same place."
        )
    asked = int(np.count_nonzero(second.usable.sum(axis=1)))
    told = f"{len(pairs):,} of {asked:,} repeat readings lie {near} of the first survey."
    return summarise(pairs, first.channels, first.units, told)


def comparecrossings(
    readings: Readings, tie: BoolArray | None = None, progress: Progress = keep_going
) -> Comparison:
    """Compare what lines read where they cross.

    Parameters
    ----------
    tie
        Which of `Readings.lines` are tie lines, shape ``(l,)``: the second walk, compared with
        the others. None: every crossing of two lines, the one named first in order of data grid
        and number as the first walk.

    Raises
    ------
    ValueError
        If no two lines cross with usable values of both.
    """
    pairs = pair_crossings(readings, tie, progress)
    if not len(pairs):
        raise ValueError(
            "No two lines cross with usable values of both. Choose the traverse number field, or "
            "compare repeated lines instead."
        )
    told = f"{len(pairs):,} crossings with values of both lines."
    return summarise(pairs, readings.channels, readings.units, told)


def summarise(pairs: Pairs, channels: Sequence[str], units: Sequence[str], told: str) -> Comparison:
    """Make an `Agreement` a channel of pairs, with figures and words."""
    agreements = []
    figures: dict[str, float | int | str] = {"pairs": len(pairs)}
    messages, warnings = [told], []
    for k, (channel, unit) in enumerate(zip(channels, units)):
        found = agreement(pairs, k, channel, unit)
        if found is None:
            warnings.append(f"{channel}: fewer than two pairs with values; not compared.")
            continue
        agreements.append(found)
        figures[f"pairs {channel}"] = found.count
        for name, value in (
            ("difference", found.median),
            ("spread", found.spread),
            ("repeatability", found.repeatability),
            ("lower limit", found.lower),
            ("upper limit", found.upper),
            ("slope", found.slope),
        ):
            figures[f"{name} {channel}"] = float(f"{value:.4g}")
        shown = f" {unit}" if unit else ""
        messages.append(
            f"{channel}: {found.count:,} pairs, median difference {found.median:.3g}{shown} (95 % "
            f"confidence {found.median_low:.3g} to {found.median_high:.3g}), mean "
            f"{found.mean:.3g}; a single reading repeats to {found.repeatability:.3g}{shown} "
            "(standard deviation); 95 % limits of "
            f"agreement {found.lower:.3g} to {found.upper:.3g}{shown}."
        )
        warnings += _cautions(found, shown)
    if not agreements:
        raise ValueError("No channel has two pairs with usable values: there is too little to say.")
    return Comparison(
        pairs, tuple(channels), tuple(agreements), figures, tuple(messages), tuple(warnings)
    )


def _cautions(found: Agreement, shown: str) -> list[str]:
    cautions = []
    if found.count < ENOUGH:
        cautions.append(
            f"{found.channel}: only {found.count} pairs; each limit may be off by "
            f"{found.limit_error:.3g}{shown}."
        )
    if found.median_low > 0 or found.median_high < 0:
        cautions.append(
            f"{found.channel}: the repeat reads systematically "
            f"{'higher' if found.median > 0 else 'lower'}, by {abs(found.median):.3g}{shown}: "
            "look for drift, another carrying height or another zero."
        )
    # Among many pairs the faintest dependence is sure; only one that shows is worth a word.
    if found.chance < 0.01 and abs(found.slope) * found.levels > found.spread / 2:
        cautions.append(
            f"{found.channel}: the difference depends on the level, {found.slope:.3g} per unit "
            f"(rank correlation {found.rank:.2f}): one figure does not hold for all levels."
        )
    return cautions


def agreement(pairs: Pairs, k: int, channel: str, unit: str) -> Agreement | None:
    """Work out how channel `k` repeats itself; None with fewer than two pairs.

    Neighbouring differences along a walk are alike, so that `count` pairs tell less than as many
    independent ones. With their correlation `r` from one to the next they are worth
    ``count (1 - r) / (1 + r)``, which widens the intervals.

    References
    ----------
    Limits: Bland and Altman (1986). Interval of the median, by ranks: M. J. Campbell and M. J.
    Gardner (1988), BMJ 296, 1454-1456, from memory. Worth of correlated values: G. V. Bayley and
    J. M. Hammersley (1946), J. R. Statist. Soc. Suppl. 8, 184-197. Slope: P. K. Sen (1968), JASA
    63, 1379-1389.
    """
    here = np.isfinite(pairs.first[:, k]) & np.isfinite(pairs.second[:, k])
    n = int(np.count_nonzero(here))
    if n < 2:
        return None
    one, two = pairs.first[here, k], pairs.second[here, k]
    difference, level = two - one, (one + two) / 2
    median = float(np.median(difference))
    spread = robust_spread(difference)
    worth = n * independent_share(difference, pairs.line_second[here])
    ordered = np.sort(difference)
    half = WITHIN * n / (2 * np.sqrt(worth))
    low = max(int(np.round(n / 2 - half)), 1) - 1
    high = min(int(np.round(1 + n / 2 + half)), n) - 1
    mean, deviation = float(difference.mean()), float(difference.std(ddof=1))
    slope, rank = level_slope(level, difference)
    return Agreement(
        channel=channel,
        unit=unit,
        count=n,
        effective=worth,
        median=median,
        median_low=float(ordered[low]),
        median_high=float(ordered[high]),
        spread=spread,
        repeatability=spread / float(np.sqrt(pairs.carried[here].mean())),
        mean=mean,
        deviation=deviation,
        lower=mean - WITHIN * deviation,
        upper=mean + WITHIN * deviation,
        # Bland and Altman (1986): the variance of a limit is about 3 s² / n.
        limit_error=WITHIN * float(np.sqrt(3.0 / worth)) * deviation,
        levels=float(np.ptp(np.percentile(level, [5, 95]))),
        slope=slope,
        rank=rank,
        chance=_chance(rank, worth),
    )


def independent_share(difference: FloatArray, run: IntArray) -> float:
    """Share of differences along runs that are worth an independent one, above 0 to 1.

    Examples
    --------
    >>> alternating = np.tile([1.0, -1.0], 20)
    >>> independent_share(alternating, np.zeros(40, int))
    1.0
    """
    middle = float(np.median(difference))
    bound = 3 * MAD_TO_SIGMA * float(np.median(np.abs(difference - middle)))
    drawn = np.clip(difference - middle, -bound, bound) if bound > 0 else difference - middle
    following = (run[1:] == run[:-1]) & (run[1:] >= 0)
    power = float(np.mean(drawn**2))
    if np.count_nonzero(following) < 10 or power == 0:
        return 1.0
    alike = float(np.mean((drawn[1:] * drawn[:-1])[following])) / power
    alike = min(max(alike, 0.0), 0.99)
    return (1.0 - alike) / (1.0 + alike)


def level_slope(level: FloatArray, difference: FloatArray) -> tuple[float, float]:
    """Theil-Sen slope of the difference against the level, and Spearman's rank correlation."""
    if np.ptp(level) == 0 or np.ptp(difference) == 0:
        return 0.0, 0.0
    rank = float(np.corrcoef(rankdata(level), rankdata(difference))[0, 1])
    n = len(level)
    order = np.argsort(level, kind="stable")
    picked = order[np.round(np.linspace(0, n - 1, min(n, SLOPES))).astype(np.int64)]
    return float(theilslopes(difference[picked], level[picked])[0]), rank


def _chance(rank: float, worth: float) -> float:
    """Two-sided chance of a rank correlation that large among independent pairs."""
    if worth <= 2 or abs(rank) >= 1:
        return 0.0 if worth > 2 else 1.0
    t = abs(rank) * np.sqrt((worth - 2) / (1 - rank**2))
    return float(2 * stdtr(worth - 2, -t))
