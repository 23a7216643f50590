"""The empirical variogram, and fitting a model to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from ...readings import FloatArray, IntArray
from .models import Variogram

CLASSES = 15
"""Distance classes, and the share of the extent they cover: the usual ones, see `empirical`."""
SAMPLE = 2000
"""With no more readings than this each is paired with every other."""
CHUNK = 1 << 20
"""Pairs worked on at a time."""


@dataclass(frozen=True, eq=False)
class Empirical:
    """Half the mean squared difference of pairs of readings, by classes of distance.

    Parameters
    ----------
    distance
        Mean distance of the pairs of each class that has any, map units, shape ``(b,)``.
    gamma
        Half the mean squared difference, unit of the channel squared, shape ``(b,)``.
    pairs
        How many, shape ``(b,)``.
    """

    distance: FloatArray
    gamma: FloatArray
    pairs: IntArray


def empirical(
    xy: FloatArray, values: FloatArray, cutoff: float | None = None, classes: int = CLASSES
) -> Empirical:
    """The empirical variogram of one channel, whatever the direction.

    Of more than `SAMPLE` readings, so many spread evenly over the rows are paired.

    Parameters
    ----------
    xy
        Positions, shape ``(n, 2)``.
    values
        Shape ``(n,)``.
    cutoff
        Longest distance, map units; None for a third of the diagonal of the extent.
    classes
        Distance classes of even width.

    References
    ----------
    G. Matheron (1963), *Principles of geostatistics*, Economic Geology 58, 1246-1266, for the
    estimator. E. Pebesma (2004), *Multivariable geostatistics in S: the gstat package*,
    Computers & Geosciences 30, 683-691, for the cutoff and the classes.

    Examples
    --------
    On a line of readings that climb by 1 a step, half the squared difference is h * h / 2:

    >>> x = np.arange(4.0)
    >>> found = empirical(np.column_stack([x, 0 * x]), x, cutoff=3.0, classes=3)
    >>> found.distance.tolist(), found.gamma.tolist(), found.pairs.tolist()
    ([1.0, 2.0, 3.0], [0.5, 2.0, 4.5], [3, 2, 1])
    """
    if cutoff is None:
        cutoff = float(np.hypot(*np.ptp(xy, axis=0))) / 3.0
    if len(xy) > SAMPLE:
        rows = np.linspace(0, len(xy) - 1, SAMPLE).astype(np.int64)
        xy, values = xy[rows], values[rows]
    edges = np.linspace(0.0, cutoff, classes + 1)
    totals = np.zeros((3, classes))
    step = max(1, CHUNK // len(xy))
    for start in range(0, len(xy), step):
        part = slice(start, start + step)
        apart = np.hypot(*(xy[part, np.newaxis] - xy[np.newaxis, start:]).transpose(2, 0, 1))
        half = 0.5 * (values[part, np.newaxis] - values[np.newaxis, start:]) ** 2
        later = np.arange(len(xy) - start) > np.arange(len(apart))[:, np.newaxis]
        later &= (apart <= cutoff) & (apart > 0.0)
        apart, half = apart[later], half[later]
        which = np.clip(np.searchsorted(edges, apart) - 1, 0, classes - 1)  # upper ends belong
        for total, weights in zip(totals, (None, apart, half)):
            total += np.bincount(which, weights, classes)
    found = totals[0] > 0
    pairs, distance, gamma = totals[:, found]
    return Empirical(distance / pairs, gamma / pairs, pairs.astype(np.int64))


def fitted_to(found: Empirical, model: str, exponent: float = 1.0) -> Variogram:
    """A model with nugget, partial sill and range that suit an empirical variogram best.

    By least squares with weights of pairs over squared distance, none of the figures negative.

    References
    ----------
    E. Pebesma (2004), as `empirical`, for the weights; N. A. C. Cressie (1985), *Fitting variogram
    models by weighted least squares*, Mathematical Geology 17, 563-586.

    Examples
    --------
    >>> h = np.linspace(10.0, 150.0, 15)
    >>> true = Variogram("spherical", 2.0, 5.0, 100.0)
    >>> found = fitted_to(Empirical(h, true.gamma(h), np.full(15, 9)), "spherical")
    >>> round(float(found.nugget), 4), round(float(found.sill), 4), round(float(found.range), 3)
    (2.0, 5.0, 100.0)
    """
    top = float(found.gamma.max(initial=0.0))
    reach = float(found.distance.max(initial=0.0))
    if top <= 0.0 or reach <= 0.0:
        return Variogram(model, 0.0, 0.0, max(reach, 1.0), exponent=exponent)
    root = np.sqrt(found.pairs) / found.distance
    root /= np.sqrt(np.mean(root**2)) * top
    best: tuple[float, Variogram] | None = None
    for start in (0.15, 0.4, 1.0, 2.5):  # of several starts: the range has local minima

        def variogram(figures: FloatArray) -> Variogram:
            nugget, sill, log_range = figures.tolist()
            return Variogram(
                model, nugget * top, sill * top, reach * np.exp(log_range), exponent=exponent
            )

        def misfit(figures: FloatArray) -> FloatArray:
            off: FloatArray = root * (variogram(figures).gamma(found.distance) - found.gamma)
            return off

        solved = least_squares(
            misfit,
            np.array([0.1, 0.9, np.log(start)]),
            bounds=([0.0, 0.0, np.log(1e-3)], [np.inf, np.inf, np.log(1e2)]),
        )
        if best is None or solved.cost < best[0]:
            best = float(solved.cost), variogram(solved.x)
    assert best is not None
    return best[1]
