"""Robust centres of a set of values: what stands for a traverse, or for a difference of two."""

from __future__ import annotations

import numpy as np

from ..readings import FloatArray
from .windows import MAD_TO_SIGMA

STATISTICS = ("median", "trimmed_mean", "mode")
TRIM = 0.25
"""Share of the values left out at either end by the trimmed mean."""

BIWEIGHT = 4.685
"""Tukey's tuning constant: 95 % efficiency for Gaussian noise."""

NEAR = 2.5
"""Standard deviations within which values count when their spread is found again."""

NEAR_TO_SIGMA = 1.0475
"""Gaussian standard deviation per standard deviation of the values nearer than `NEAR` of them."""

ROUNDS = 8
"""Rounds of reweighting; the estimates settle well before."""


def statistic_of(values: FloatArray, statistic: str) -> float:
    """Median, trimmed mean or mode of values, NaN ignored.

    Examples
    --------
    >>> statistic_of(np.array([1.0, 2.0, 2.1, 2.2, 50.0]), "median")
    2.1
    """
    known = np.sort(values[np.isfinite(values)])
    if statistic == "median":
        return float(np.median(known))
    if statistic == "trimmed_mean":
        cut = int(TRIM * len(known))
        return float(np.mean(known[cut : len(known) - cut]))
    return half_sample_mode(known)


def half_sample_mode(ordered: FloatArray) -> float:
    """The mode of sorted values: half of the values that lie closest together, again and again.

    References
    ----------
    D. R. Bickel and R. Fruehwirth (2006), *On a fast, robust estimator of the mode*,
    Computational Statistics & Data Analysis 50, 3500-3530.

    Examples
    --------
    >>> half_sample_mode(np.array([0.0, 1.0, 1.1, 1.2, 5.0, 9.0]))
    1.1
    """
    kept = ordered
    while len(kept) > 3:
        half = (len(kept) + 1) // 2
        spans = kept[half - 1 :] - kept[: len(kept) - half + 1]
        closest = np.flatnonzero(spans == spans.min())
        start = int(closest[len(closest) // 2])  # the middle one of equals
        kept = kept[start : start + half]
    if len(kept) == 3:
        low, high = kept[1] - kept[0], kept[2] - kept[1]
        if np.isclose(low, high):
            return float(kept[1])
        kept = kept[:2] if low < high else kept[1:]
    return float(np.mean(kept))


def bisquare(u: FloatArray) -> FloatArray:
    """Tukey's weights: ``(1 - u²)²`` within -1 ... 1, 0 beyond."""
    weights: FloatArray = np.clip(1.0 - u**2, 0.0, None) ** 2
    return weights


def typical(table: FloatArray) -> FloatArray:
    """Typical value of each row: the middle of its densest half, refined by Tukey's biweight.

    Values far off, such as those where a feature lies under only one of two traverses, do not
    count at all: the estimate stays true until they are half. NaN is ignored; NaN for a row
    without values.

    References
    ----------
    P. J. Rousseeuw and A. M. Leroy (1987), *Robust Regression and Outlier Detection*, Wiley, for
    the least median of squares, its scale and the reweighting; J. W. Tukey's biweight.

    Examples
    --------
    >>> typical(np.array([[1.0, 1.1, 1.2, 9.0, 9.5]])).round(3).tolist()
    [1.1]
    """
    centre, scale = densest_half(table)
    spread = scale > 0
    plain = np.nan_to_num(table)
    # Half of all values is most of the true ones where many are far off: its scale is too wide.
    for _ in range(ROUNDS):
        with np.errstate(invalid="ignore"):
            near = np.abs(table - centre[:, np.newaxis]) <= NEAR * scale[:, np.newaxis]
        count = np.maximum(near.sum(axis=1), 1)
        mean = np.where(near, plain, 0.0).sum(axis=1) / count
        square = np.where(near, (plain - mean[:, np.newaxis]) ** 2, 0.0).sum(axis=1) / count
        narrower = spread & (square > 0)
        scale = np.where(narrower, np.fmin(scale, NEAR_TO_SIGMA * np.sqrt(square)), scale)
        settled = not (narrower & (mean != centre)).any()
        centre = np.where(narrower, mean, centre)
        if settled:
            break
    reach = BIWEIGHT * np.where(spread, scale, 1.0)[:, np.newaxis]
    for _ in range(ROUNDS):
        off = np.abs(table - centre[:, np.newaxis])
        with np.errstate(invalid="ignore"):
            weight = np.where(off < reach, (1 - (off / reach) ** 2) ** 2, 0.0)
        total = weight.sum(axis=1)
        mean = (weight * plain).sum(axis=1) / np.maximum(total, 1e-300)
        centre = np.where((total > 0) & spread, mean, centre)
    return centre


def densest_half(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle and robust standard deviation of the shortest half of each row, ``(t,)`` each."""
    ordered = np.sort(table, axis=1)  # NaN goes to the end
    count = np.count_nonzero(~np.isnan(ordered), axis=1)
    half = count // 2 + 1
    start = np.arange(table.shape[1])
    end = np.minimum(start + half[:, np.newaxis] - 1, table.shape[1] - 1)
    inside = start + half[:, np.newaxis] <= count[:, np.newaxis]
    span = np.where(inside, np.take_along_axis(ordered, end, axis=1) - ordered, np.inf)
    best = np.argmin(span, axis=1)
    rows = np.arange(len(table))
    shortest = np.where(count > 0, span[rows, best], np.nan)
    middle = np.where(count > 0, ordered[rows, best] + shortest / 2, np.nan)
    return middle, MAD_TO_SIGMA * shortest / 2
