"""Trends: against NumPy's, SciPy's and pandas' own fits and filters."""

import numpy as np
import pandas as pd
import pytest
from lynchet.algorithms.correct.centres import BIWEIGHT
from lynchet.algorithms.correct.removetrend import FWHM, RemoveTrendOptions, removetrend
from lynchet.algorithms.correct.trend_blocks import block_medians
from lynchet.algorithms.correct.trend_surfaces import (
    HUBER,
    fit_polynomial,
    fit_thin_plate,
    gaussian_mean,
    moving_median,
)
from lynchet.algorithms.readings import Readings
from scipy import ndimage
from scipy.interpolate import RBFInterpolator
from scipy.optimize import least_squares, minimize


def scattered(n=300, seed=0, outliers=40):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 50, n), rng.uniform(0, 30, n)
    values = 20 + 0.2 * x - 0.1 * y + 0.01 * x * y + rng.normal(0, 0.5, n)
    values[:outliers] += rng.uniform(3, 20, outliers)
    return x, y, values


def powers(x, y, degree):
    return np.column_stack([x**i * y**j for i in range(degree + 1) for j in range(degree + 1 - i)])


@pytest.mark.parametrize("degree", range(5))
def test_least_squares_is_numpys(degree):
    x, y, values = scattered()
    basis = powers(x / 50, y / 50, degree)
    expected = basis @ np.linalg.lstsq(basis, values, rcond=None)[0]
    found = fit_polynomial(x, y, values, degree, "least_squares")(x, y)
    np.testing.assert_allclose(found, expected, rtol=1e-9)


@pytest.mark.parametrize("degree", [1, 2, 4])
def test_map_coordinates_of_seven_digits_lose_nothing(degree):
    x, y, values = scattered()
    near = fit_polynomial(x, y, values, degree)(x, y)
    far = fit_polynomial(x + 430000, y + 5900000, values, degree)(x + 430000, y + 5900000)
    np.testing.assert_allclose(far, near, rtol=1e-7)


@pytest.mark.parametrize("degree", [1, 2])
def test_hubers_fit_is_the_minimum_that_scipy_finds(degree):
    x, y, values = scattered()
    fit = fit_polynomial(x, y, values, degree, "huber")
    basis = powers(x / 50, y / 50, degree)
    start = np.linalg.lstsq(basis, values, rcond=None)[0]
    found = least_squares(
        lambda p: basis @ p - values, start, loss="huber", f_scale=HUBER * fit.sigma, xtol=1e-14,
        ftol=1e-14, gtol=1e-14,
    )  # fmt: skip
    np.testing.assert_allclose(fit(x, y), basis @ found.x, rtol=1e-5)


def test_tukeys_fit_is_a_minimum_of_the_bisquare_loss():
    x, y, values = scattered()
    fit = fit_polynomial(x, y, values, 2, "tukey")
    basis = powers(x / 50, y / 50, 2)

    def loss(p):
        u = np.clip(np.abs(values - basis @ p) / (BIWEIGHT * fit.sigma), 0, 1)
        return np.sum(1 - (1 - u**2) ** 3)

    start = np.linalg.lstsq(basis, fit(x, y), rcond=None)[0]
    found = minimize(loss, start, method="BFGS", options={"gtol": 1e-9})
    np.testing.assert_allclose(basis @ found.x, fit(x, y), rtol=1e-4)
    assert loss(start) <= loss(found.x) + 1e-6


def test_a_survey_of_separate_readings_is_fitted_reading_by_reading():
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(30.0), np.arange(30.0)))
    values = np.random.default_rng(2).normal(20, 2, 900)
    basis = powers(x / 30, y / 30, 3)
    expected = basis @ np.linalg.lstsq(basis, values, rcond=None)[0]
    found = removetrend(
        Readings.build(x=x, y=y, values=values), RemoveTrendOptions(degree=3, loss="least_squares")
    )
    np.testing.assert_allclose(found.trend[:, 0], expected, rtol=1e-9)


def test_block_medians_are_pandas():
    rng = np.random.default_rng(3)
    cells, values = rng.integers(0, 80, 2000), rng.normal(size=2000)
    values[rng.choice(2000, 300)] = np.nan
    values[cells == 7] = np.nan
    expected = pd.Series(values).groupby(cells).median().reindex(range(80)).to_numpy()
    np.testing.assert_array_equal(block_medians(cells, values, 80), expected)


@pytest.mark.filterwarnings("ignore:All-NaN slice")
@pytest.mark.parametrize("radius", [1.0, 2.5, 4.5])
def test_the_moving_median_is_scipys_with_gaps_left_out(radius):
    rng = np.random.default_rng(4)
    table = rng.normal(size=(23, 31))
    table[rng.uniform(size=table.shape) < 0.3] = np.nan
    reach = int(radius)
    away = np.arange(-reach, reach + 1)
    disc = np.add.outer(away**2, away**2) <= radius**2
    expected = ndimage.generic_filter(
        table, np.nanmedian, footprint=disc, mode="constant", cval=np.nan
    )
    np.testing.assert_allclose(moving_median(table, radius), expected, rtol=1e-14)


def test_the_gaussian_of_a_full_table_is_scipys_away_from_the_edges():
    table = np.random.default_rng(5).normal(size=(60, 60))
    found = gaussian_mean(table, 3.0)
    expected = ndimage.gaussian_filter(table, 3.0)
    inner = (slice(12, -12),) * 2
    np.testing.assert_allclose(found[inner], expected[inner], atol=1e-5)


def test_the_gaussian_with_gaps_is_a_weighted_fit_by_numpy():
    rng = np.random.default_rng(6)
    table = rng.normal(size=(30, 30))
    table[rng.uniform(size=table.shape) < 0.4] = np.nan
    found = gaussian_mean(table, 2.0)
    row, column = np.nonzero(np.isfinite(table))
    for r, c in ((0, 0), (3, 27), (15, 15), (29, 10)):
        away = np.maximum(np.abs(row - r), np.abs(column - c))
        # SciPy cuts its Gaussian off at 4 sigmas.
        weights = np.exp(-((row - r) ** 2 + (column - c) ** 2) / 8) * (away <= 8)
        root = np.sqrt(weights)[:, None]
        basis = np.column_stack([np.ones(len(row)), row - r, column - c])
        fit = np.linalg.lstsq(basis * root, table[row, column] * root[:, 0], rcond=None)[0]
        assert found[r, c] == pytest.approx(fit[0], abs=1e-5)


@pytest.mark.parametrize("share", [2.27, 8.33])
def test_waves_pass_the_gaussian_as_its_response_says(share):
    # exp(-2 (pi s / L)^2): a half at 2.27 widths, nineteen twentieths at 8.33 (closed form).
    width, spacing = 18.0, 1.0
    sigma = width / FWHM / spacing
    length = share * width / spacing
    column = np.arange(400)
    table = np.tile(np.cos(2 * np.pi * column / length), (80, 1))
    found = gaussian_mean(table, sigma)[40, 100:300]
    kept = np.dot(found, table[40, 100:300]) / np.dot(table[40, 100:300], table[40, 100:300])
    assert kept == pytest.approx(np.exp(-2 * (np.pi * sigma / length) ** 2), abs=2e-3)
    assert kept == pytest.approx({2.27: 0.5, 8.33: 0.95}[share], abs=3e-3)


def knots(n=120, seed=7):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, 40, n), rng.uniform(0, 25, n)
    return x, y, 3 * np.sin(x / 8) + 0.02 * y**2 + rng.normal(0, 0.3, n)


def scaled(x, y, spline):
    return np.column_stack([x - spline.middle[0], y - spline.middle[1]]) / spline.half


@pytest.mark.parametrize("freedom", [4.0, 12.0, 60.0])
def test_the_spline_is_scipys(freedom):
    x, y, values = knots()
    spline = fit_thin_plate(x, y, values, freedom, robust=False)
    expected = RBFInterpolator(
        scaled(x, y, spline), values, kernel="thin_plate_spline", smoothing=spline.smoothing
    )
    at_x, at_y = np.linspace(-5, 45, 50), np.linspace(-5, 30, 50)
    np.testing.assert_allclose(
        spline(at_x, at_y), expected(scaled(at_x, at_y, spline)), rtol=1e-6, atol=1e-8
    )


def smoother_of(x, y, spline, smoothing):
    """Matrix from data to fitted values, column by column through SciPy's spline."""
    u = scaled(x, y, spline)
    fit = RBFInterpolator(u, np.eye(len(x)), kernel="thin_plate_spline", smoothing=smoothing)
    return fit(u)


def test_degrees_of_freedom_are_the_trace_of_the_smoother():
    x, y, values = knots()
    spline = fit_thin_plate(x, y, values, 15.0, robust=False)
    trace = np.trace(smoother_of(x, y, spline, spline.smoothing))
    assert trace == pytest.approx(15.0, rel=1e-6)
    assert spline.freedom == pytest.approx(15.0, rel=1e-9)


def test_cross_validation_finds_the_least_score():
    # Craven and Wahba (1979): n |(I - A) y|^2 / trace(I - A)^2, with A from SciPy's spline.
    x, y, values = knots()
    spline = fit_thin_plate(x, y, values, robust=False)

    def score(smoothing):
        a = smoother_of(x, y, spline, smoothing)
        return np.sum((values - a @ values) ** 2) / (len(x) - np.trace(a)) ** 2

    least = score(spline.smoothing)
    assert 6 < spline.freedom < 60
    assert all(least <= score(spline.smoothing * by) for by in (0.01, 0.3, 0.9, 1.1, 3, 100))


def test_residuals_drawn_in_give_hubers_spline():
    # Its own equation: the smoother applied to fitted values plus Huber's psi gives the fit back.
    x, y, values = knots()
    values[::10] += 12
    spline = fit_thin_plate(x, y, values, 12.0)
    fitted = spline(x, y)
    residuals = values - fitted
    bound = HUBER * 1.482602218505602 * np.median(np.abs(residuals))
    drawn = fitted + np.clip(residuals, -bound, bound)
    again = smoother_of(x, y, spline, spline.smoothing) @ drawn
    np.testing.assert_allclose(again, fitted, atol=1e-4)
    plain = fit_thin_plate(x, y, values, 12.0, robust=False)(x, y)
    truth = 3 * np.sin(x / 8) + 0.02 * y**2
    rms = lambda error: np.sqrt(np.mean(error**2))  # noqa: E731
    assert rms(fitted - truth) < 0.5 * rms(plain - truth)


@pytest.mark.parametrize(
    ("way", "expected"),
    [
        ({"degree": 2}, 0.02),
        ({"degree": 4}, 0.01),
        ({"degree": 4, "loss": "least_squares"}, 0.50),
        ({"method": "gaussian", "width": 10.0}, 0.03),
        ({"method": "thin_plate"}, 0.06),
        ({"method": "moving_median", "width": 20.0}, 0.20),
    ],
    ids=str,
)
def test_a_known_trend_under_features_is_found_as_the_guide_says(way, expected):
    rng = np.random.default_rng(0)
    x, y = (axis.ravel() for axis in np.meshgrid(np.arange(80) * 0.5, np.arange(320) * 0.125))
    trend = 20 + 0.05 * x + 1.5 * np.sin(y / 15) + 0.002 * (x - 20) ** 2
    noise, features = rng.normal(0, 0.3, len(x)), np.zeros(len(x))
    features[np.abs(np.hypot(x - 20, y - 20) - 6) < 0.7] = 5
    for _ in range(12):
        east, north = rng.uniform(3, 37, 2)
        features[np.hypot(x - east, y - north) < 1] = rng.uniform(2, 6)
    features[np.abs(x - 32) < 0.8] = 3
    readings = Readings.build(x=x, y=y, values=trend + noise + features)
    found = removetrend(readings, RemoveTrendOptions(**way)).trend[:, 0]
    assert np.sqrt(np.mean((found - trend) ** 2)) == pytest.approx(expected, abs=0.006)
