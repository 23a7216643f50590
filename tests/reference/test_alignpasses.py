"""Lag: against SciPy's correlation, minimiser and splines, and planted lags."""

import numpy as np
import pytest
from lynchet.algorithms.correct.alignpasses import AlignOptions, alignpasses
from lynchet.algorithms.correct.opposing import moved, profiles_of
from lynchet.algorithms.correct.passes import find_shift
from lynchet.algorithms.correct.traverses import grids_of
from lynchet.algorithms.readings import Readings
from scipy.interpolate import CubicHermiteSpline, CubicSpline
from scipy.ndimage import gaussian_filter1d, shift
from scipy.optimize import minimize_scalar
from scipy.signal import correlate
from scipy.signal.windows import hann

INTERVAL, COUNT = 0.125, 200
PLACES = np.arange(COUNT) * INTERVAL


def pair(lag, seed, noise=0.02):
    """Values at `PLACES` of two passes over the same ground, there and back."""
    rng = np.random.default_rng(seed)
    rough = gaussian_filter1d(rng.normal(0, 1, COUNT + 400), 3.0)
    ground = CubicSpline((np.arange(COUNT + 400) - 200) * INTERVAL, rough / rough.std())
    there = ground(PLACES - lag) + rng.normal(0, noise, COUNT)
    return there, ground(PLACES + lag) + rng.normal(0, noise, COUNT)


def found_lag(there, back):
    readings = Readings.build(
        x=np.repeat([0.0, 0.5], COUNT), y=np.concatenate([PLACES, PLACES[::-1]]),
        values=np.concatenate([there, back[::-1]]), line=np.repeat([1, 2], COUNT),
    )  # fmt: skip
    (lines,) = grids_of(readings)
    values = [readings.values[traverse.rows, 0] for traverse in lines.traverses]
    return find_shift([profiles_of(lines, values, INTERVAL)], [np.ones(2)], 1.0).lag


LAGS = [(0.0, 0), (0.03, 1), (0.05, 2), (0.12, 3), (-0.21, 4), (0.4, 5)]


@pytest.mark.parametrize(("lag", "seed"), LAGS)
def test_the_lag_is_that_of_the_least_sum_of_squares(lag, seed):
    there, back = pair(lag, seed)
    one, two = CubicSpline(PLACES, there), CubicSpline(PLACES, back)
    inner = PLACES[20:-20]

    def disagreement(trial):
        off = one(inner + trial) - two(inner - trial)
        return np.sum((off - off.mean()) ** 2)

    trials = np.arange(-0.6, 0.6, 0.02)
    start = trials[np.argmin([disagreement(trial) for trial in trials])]
    best = minimize_scalar(disagreement, bounds=(start - 0.02, start + 0.02), method="bounded").x
    assert found_lag(there, back) == pytest.approx(best, abs=0.04 * INTERVAL)
    assert best == pytest.approx(lag, abs=0.02 * INTERVAL)


@pytest.mark.parametrize(("lag", "seed"), LAGS)
def test_the_lag_is_that_of_the_best_correlation_of_upsampled_passes(lag, seed):
    there, back = pair(lag, seed)
    fine = np.arange(0, PLACES[-1], INTERVAL / 50)
    one, two = (CubicSpline(PLACES, v - v.mean())(fine) * hann(len(fine)) for v in (there, back))
    agreement = correlate(one, two, mode="full")
    delay = (np.argmax(agreement) - (len(fine) - 1)) * INTERVAL / 50
    # Each pass is off by the lag, and the two by twice that; the taper draws that a little to 0.
    assert found_lag(there, back) == pytest.approx(delay / 2, abs=0.05 * INTERVAL)


@pytest.mark.parametrize("by", [0.0, 0.3, 1.5, -2.25, 4.999])
@pytest.mark.parametrize("degree", [0, 1, 2])
def test_polynomials_up_to_the_second_degree_are_moved_exactly(degree, by):
    # R. G. Keys (1981), Cubic convolution interpolation for digital image processing, IEEE Trans.
    # ASSP 29, 1153-1160: third-order accurate (from memory), exact for degree 2.
    at = np.arange(30.0)
    polynomial = np.polynomial.Polynomial([3.0, -0.7, 0.11][: degree + 1])
    value, slope = moved(polynomial(at)[np.newaxis], np.array([by]))
    np.testing.assert_allclose(value[0, 8:-8], polynomial(at + by)[8:-8], atol=1e-9)
    np.testing.assert_allclose(slope[0, 8:-8], polynomial.deriv()(at + by)[8:-8], atol=1e-9)


def test_a_cubic_is_not_moved_exactly():
    at = np.arange(30.0)
    value, _ = moved((at**3)[np.newaxis], np.array([0.3]))
    assert np.abs(value[0] - (at + 0.3) ** 3)[8:-8].min() > 0.01


@pytest.mark.parametrize("by", [0.2, 0.5, 3.7, -1.4])
def test_moved_rows_lie_on_the_hermite_spline_with_central_slopes(by):
    # E. Catmull and R. Rom (1974), A class of local interpolating splines, in Computer Aided
    # Geometric Design, 317-326 (from memory).
    table = np.random.default_rng(0).normal(0, 1, (3, 40))
    at = np.arange(40.0)
    value, slope = moved(table, np.full(3, by))
    for row, change, values in zip(value, slope, table):
        spline = CubicHermiteSpline(at, values, np.gradient(values))
        np.testing.assert_allclose(row[8:-8], spline(at[8:-8] + by), atol=1e-12)
        np.testing.assert_allclose(change[8:-8], spline(at[8:-8] + by, 1), atol=1e-12)


def test_moved_rows_are_near_those_of_an_image_filter():
    row = gaussian_filter1d(np.random.default_rng(1).normal(0, 1, 200), 3.0)
    row /= row.std()
    value, _ = moved(row[np.newaxis], np.array([1.3]))
    np.testing.assert_allclose(value[0, 10:-10], shift(row, -1.3, order=3)[10:-10], atol=0.01)


@pytest.mark.parametrize("lag", [0.07, -0.3, 0.5])
def test_resampling_is_numpys_interpolation_along_each_traverse(lag):
    rng = np.random.default_rng(2)
    walked = np.cumsum(rng.uniform(0.05, 0.3, (3, 60)), axis=1)
    values = rng.normal(20, 3, (3, 60))
    ways = np.array([1.0, -1.0, 1.0])[:, np.newaxis]
    readings = Readings.build(
        x=np.repeat([0.0, 0.5, 1.0], 60), y=(walked * ways).ravel(), values=values.ravel(),
        line=np.repeat([1, 2, 3], 60),
    )  # fmt: skip
    found = alignpasses(readings, AlignOptions(application="resample", lag=lag)).readings
    for k in (0, 1):
        expected = np.interp(walked[k] + lag, walked[k], values[k])
        np.testing.assert_allclose(found.values[found.line == k + 1, 0], expected, atol=1e-9)
