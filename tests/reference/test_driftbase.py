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


def test_a_drift_that_slows_down_is_recovered_to_a_few_hundredths():
    # An instrument warming up: 4.7 units in the hour, halving every 15 minutes, visited every 7.5.
    # Straight lines are off by at most step^2 / 8 times the largest second derivative (textbook
    # bound of linear interpolation): 0.075 here. Measured: 0.063, and 0.007 for the smooth curve.
    drift = lambda t: 5 * (1 - 0.5 ** (t / 900))  # noqa: E731
    times = np.arange(0, 3601, 450.0)
    readings = readings_at(TIMES, 20 + drift(TIMES))
    base = base_of(20 + drift(times), times)
    bound = 450**2 / 8 * 5 * (np.log(2) / 900) ** 2
    for method, worst in (("linear", bound), ("smooth", 0.01)):
        found = driftbase(readings, base, DriftBaseOptions(method=method)).readings
        assert np.abs(found.values[:, 0] - 20).max() < worst


def test_noise_of_the_base_readings_goes_through_as_that_of_their_medians():
    # The median of 5 Gaussian values has 0.536 of their standard deviation (order statistics,
    # found here by drawing).
    drawn = np.median(np.random.default_rng(0).normal(size=(200_000, 5)), axis=1).std()
    times = np.arange(200) * 600.0
    base = base_of(np.full(200, 20.0), times, noise=0.4, seed=3)
    readings = readings_at(times, np.zeros(200))
    found = driftbase(readings, base, DriftBaseOptions(reference="zero", extend=True)).readings
    assert found.values.std() == pytest.approx(0.4 * drawn, rel=0.15)


def test_several_days_have_one_curve_each():
    rng = np.random.default_rng(4)
    first, second = rng.normal(20, 2, (2, 5))
    days = np.repeat([0, 1], 997)
    base_days = np.repeat([0, 1], 25)
    one, other = base_of(first), base_of(second)
    base = Readings.build(
        x=np.zeros(50), y=np.zeros(50),
        values=np.concatenate([one.values, other.values]),
        time=np.concatenate([one.time, other.time]),
    )  # fmt: skip
    readings = readings_at(np.tile(TIMES, 2), np.zeros(2 * 997))
    options = DriftBaseOptions(reference="median_of_visits")
    found = driftbase(readings, base, options, day=days, base_day=base_days).readings
    level = np.median(np.concatenate([first, second]))
    drift = np.concatenate([np.interp(TIMES, VISITS, first), np.interp(TIMES, VISITS, second)])
    np.testing.assert_allclose(found.values[:, 0], level - drift, rtol=0, atol=1e-12)
