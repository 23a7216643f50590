"""Raster filters against SciPy, scikit-image, NumPy's least squares and plain loops."""

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.smoothraster import SmoothOptions, smoothraster
from scipy import ndimage
from scipy.stats import median_abs_deviation
from skimage.filters import median
from skimage.morphology import disk

HEIGHT, WIDTH = 0.5, 0.25


def filtered(values, method, height=1.0, width=1.0, **given):
    rows, columns = values.shape
    frame = Frame(430_000.0, 5_900_000.0, width, height, columns, rows)
    return smoothraster(values, frame, SmoothOptions(method, **given)).values


@pytest.fixture
def ground():
    rng = np.random.default_rng(8)
    return 20.0 + ndimage.gaussian_filter(rng.normal(size=(80, 110)), 2.0) * 20


@pytest.fixture
def holed(ground):
    rng = np.random.default_rng(9)
    ground = ground[:30, :36].copy()
    ground[rng.random(ground.shape) < 0.2] = np.nan
    ground[8:16, 10:22] = np.nan
    return ground


def windows(values, diameter, height, width):
    """Known cells within half the diameter of each known cell."""
    rows, columns = np.indices(values.shape)
    for row, column in np.argwhere(np.isfinite(values)):
        away = np.hypot((rows - row) * height, (columns - column) * width)
        inside = values[away <= diameter / 2 + 1e-9]
        yield row, column, inside[np.isfinite(inside)]


@pytest.mark.parametrize("wavelength", [4.0, 6.0, 9.0])
def test_whole_rasters_are_smoothed_as_by_scipy(ground, wavelength):
    # Half of a wave remains: exp(-2 pi^2 sigma^2 / L^2) = 1/2, the Gaussian's Fourier transform.
    sigma = wavelength * np.sqrt(np.log(2) / (2 * np.pi**2))
    expected = ndimage.gaussian_filter(ground, (sigma / HEIGHT, sigma / WIDTH), truncate=8.0)
    down, across = (int(np.ceil(5 * sigma / cell)) for cell in (HEIGHT, WIDTH))
    inside = (slice(down, -down), slice(across, -across))
    found = filtered(ground, "low_pass", HEIGHT, WIDTH, shortest=wavelength)
    assert found[inside].size > 100
    np.testing.assert_allclose(found[inside], expected[inside], rtol=0, atol=2e-5)


@pytest.mark.parametrize("wavelength", [4.0, 8.0])
def test_with_gaps_each_cell_lies_on_the_plane_of_weighted_least_squares(holed, wavelength):
    sigma = wavelength * np.sqrt(np.log(2) / (2 * np.pi**2))
    found = filtered(holed, "low_pass", HEIGHT, WIDTH, shortest=wavelength)
    rows, columns = np.nonzero(np.isfinite(holed))
    known = holed[rows, columns]
    for row, column in zip(rows, columns):
        y, x = (rows - row) * HEIGHT, (columns - column) * WIDTH
        root = np.exp(-0.25 * (y**2 + x**2) / sigma**2)
        plane = np.stack([np.ones_like(y), y, x], axis=1) * root[:, np.newaxis]
        expected = np.linalg.lstsq(plane, known * root, rcond=None)[0][0]
        assert found[row, column] == pytest.approx(expected, abs=1e-4)


def test_away_from_gaps_it_is_the_normalised_mean_of_plain_loops(ground):
    ground = ground[:40, :40].copy()
    ground[0, 0] = np.nan  # far enough not to matter in the middle
    weights = np.exp(-0.5 * (np.arange(-5, 6) / (6.0 * np.sqrt(np.log(2) / 2) / np.pi)) ** 2)
    total = 0.0
    for i, down in enumerate(weights):
        for j, across in enumerate(weights):
            total += down * across * ground[20 - 5 + i, 20 - 5 + j]
    expected = total / weights.sum() ** 2
    assert filtered(ground, "low_pass", shortest=6.0)[20, 20] == pytest.approx(expected, abs=1e-3)


@pytest.mark.parametrize("diameter", [2.0, 3.0, 6.0])
def test_medians_with_gaps_are_those_of_numpy(holed, diameter):
    found = filtered(holed, "median", HEIGHT, WIDTH, window=diameter)
    for row, column, inside in windows(holed, diameter, HEIGHT, WIDTH):
        assert found[row, column] == np.median(inside)


@pytest.mark.parametrize("radius", [1, 3, 7])
def test_medians_of_whole_rasters_are_those_of_scikit_image(ground, radius):
    found = filtered(ground, "median", window=2.0 * radius)
    expected = median(ground, disk(radius))
    inside = (slice(radius, -radius), slice(radius, -radius))
    np.testing.assert_allclose(found[inside], expected[inside], rtol=0, atol=1e-12)


def less_the_plane(values, row, column, diameter):
    """Cells of a window less NumPy's least-squares slope, SciPy's spread of them, and freedom.

    Cells beyond three of SciPy's median absolute deviations tell nothing of the slope; nor is one
    taken where its variance at the window's middle is above a fifth of a cell's.
    """
    rows, columns = np.nonzero(np.isfinite(values))
    y, x = (rows - row) * HEIGHT, (columns - column) * WIDTH
    near = np.hypot(y, x) <= diameter / 2 + 1e-9
    y, x, inside = y[near], x[near], values[rows[near], columns[near]]
    away = np.abs(inside - np.median(inside))
    kept = away <= 3 * median_abs_deviation(inside, scale="normal")
    design = np.stack([np.ones_like(y), y, x], axis=1)[kept]
    freedom = 1.0
    if np.linalg.inv(design.T @ design)[0, 0] <= 0.2:
        _, south, east = np.linalg.lstsq(design, inside[kept], rcond=None)[0]
        inside = inside - south * y - east * x
        freedom = np.sqrt(kept.sum() / (kept.sum() - 3))
    return np.median(inside), median_abs_deviation(inside, scale="normal") * freedom


def test_local_sigmas_are_scipys_median_absolute_deviations_about_numpys_planes(holed):
    holed[0, :] += 30.0  # outliers
    found = filtered(holed, "local_sigmas", HEIGHT, WIDTH, window=3.5)
    places = [tuple(place) for place in np.argwhere(np.isfinite(holed))]
    measured = {place: less_the_plane(holed, *place, 3.5) for place in places}
    usual = np.median([spread for _, spread in measured.values()])
    for place, (level, spread) in measured.items():
        expected = (holed[place] - level) / max(spread, 0.1 * usual)
        assert found[place] == pytest.approx(expected, rel=1e-6, abs=1e-6)


@pytest.mark.parametrize("diameter", [18.0, 30.0])
def test_wide_medians_taken_at_nodes_are_near_the_exact_ones(ground, diameter):
    ground = ground[:60, :60].copy()
    ground[20:30, 20:45] = np.nan
    found = filtered(ground, "median", window=diameter)
    exact = np.full(ground.shape, np.nan)
    for row, column, inside in windows(ground, diameter, 1.0, 1.0):
        exact[row, column] = np.median(inside)
    difference = found - exact
    assert np.sqrt(np.nanmean(difference**2)) < 0.05 * np.nanstd(ground)
    assert np.nanmax(np.abs(difference)) > 0  # they are not the exact ones


@pytest.mark.parametrize("method", ["high_pass", "band_pass"])
def test_filters_are_differences_of_scipys_gaussians(ground, method):
    def smooth(wavelength):
        sigma = wavelength * np.sqrt(np.log(2) / 2) / np.pi
        return ndimage.gaussian_filter(ground, sigma, truncate=8.0)

    found = filtered(ground, method, shortest=5.0, longest=15.0)
    expected = (ground if method == "high_pass" else smooth(5.0)) - smooth(15.0)
    inside = (slice(15, -15), slice(15, -15))
    np.testing.assert_allclose(found[inside], expected[inside], rtol=0, atol=1e-3)
