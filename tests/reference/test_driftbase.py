"""Drift: against NumPy's and SciPy's interpolation and planted drifts."""

import numpy as np
import pytest
from lynchet.algorithms.correct.driftbase import DriftBaseOptions, driftbase
from lynchet.algorithms.readings import Readings
from scipy.interpolate import PchipInterpolator

VISITS = np.array([0.0, 600.0, 1500.0, 1900.0, 3600.0])
LEVELS = np.array([20.0, 21.5, 21.0, 24.0, 23.0])


def base_of(levels, times=VISITS, noise=0.0, seed=0):
    """Five readings a visit, a second apart."""
    rng = np.random.default_rng(seed)
    time = (times[:, None] + np.arange(5) - 2).ravel()
    values = np.repeat(levels, 5) + rng.normal(0, noise, 5 * len(levels))
    n = len(time)
    return Readings.build(x=np.zeros(n), y=np.zeros(n), values=values, time=time)


def readings_at(time, values):
    n = len(time)
    return Readings.build(x=np.arange(n), y=np.zeros(n), values=values, time=time)


TIMES = np.linspace(0, 3600, 997)


@pytest.mark.parametrize(
    ("method", "curve"),
    [
        ("linear", lambda t: np.interp(t, VISITS, LEVELS)),
        ("smooth", PchipInterpolator(VISITS, LEVELS)),
        ("stepwise", lambda t: LEVELS[np.searchsorted(VISITS, t, "right") - 1]),
    ],
)
def test_the_curve_is_that_of_an_independent_interpolation(method, curve):
    readings = readings_at(TIMES, np.full(997, 50.0))
    found = driftbase(readings, base_of(LEVELS), DriftBaseOptions(method=method)).readings
    expected = 50.0 - (curve(TIMES) - LEVELS[0])
    np.testing.assert_allclose(found.values[:, 0], expected, rtol=0, atol=1e-12)


def test_a_linear_drift_is_taken_off_whole():
    truth = np.random.default_rng(1).normal(20, 3, 997)
    readings = readings_at(TIMES, truth + 0.002 * TIMES)
    found = driftbase(readings, base_of(20 + 0.002 * VISITS)).readings
    np.testing.assert_allclose(found.values[:, 0], truth, rtol=0, atol=1e-12)


def test_a_smooth_drift_is_taken_off_to_a_twentieth():
    drift = lambda t: 3 * np.sin(t / 3600 * np.pi)  # noqa: E731
    times = np.arange(0, 3601, 450.0)
    readings = readings_at(TIMES, 20 + drift(TIMES))
    base = base_of(20 + drift(times), times)
    for method, worst in (("linear", 0.06), ("smooth", 0.06)):
        found = driftbase(readings, base, DriftBaseOptions(method=method)).readings
        assert np.abs(found.values[:, 0] - 20).max() < worst
