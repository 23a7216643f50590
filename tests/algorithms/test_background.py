import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.interpret.background import (
    SIGMA_OF_MAD,
    median_of_known,
    moving_median,
    robust_scatter,
)
from lynchet.algorithms.progress import Cancelled
from scipy.stats import norm


def frame_of(values, width=1.0, height=1.0):
    return Frame(0.0, 0.0, width, height, values.shape[1], values.shape[0])


def window_medians(values, half_rows, half_columns):
    """The moving median cell by cell, the slow plain way."""
    out = np.full(values.shape, np.nan)
    for r, c in zip(*np.nonzero(np.isfinite(values))):
        rows = slice(max(r - half_rows, 0), r + half_rows + 1)
        columns = slice(max(c - half_columns, 0), c + half_columns + 1)
        out[r, c] = np.nanmedian(values[rows, columns])
    return out


def test_the_factor_is_that_of_the_normal_distribution():
    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-12) == SIGMA_OF_MAD


def test_scatter_of_normal_values_is_their_standard_deviation_whatever_a_tenth_of_them_do():
    values = np.random.default_rng(7).normal(20.0, 3.0, 50_000)
    values[:5_000] += 200.0
    assert robust_scatter(values).sigma == pytest.approx(3.0, rel=0.16)
    assert not robust_scatter(values).from_mean


def test_scatter_leaves_out_cells_without_data():
    values = np.array([1.0, 2, 3, 4, 5])
    gappy = np.array([np.nan, 1, 2, np.nan, 3, 4, 5, np.inf])
    assert robust_scatter(gappy) == robust_scatter(values)


def test_scatter_falls_back_on_the_mean_deviation_when_most_cells_are_equal():
    found = robust_scatter(np.array([7.0] * 8 + [9.0, 3.0]))
    assert found.from_mean
    assert found.sigma == pytest.approx(np.sqrt(np.pi / 2) * 0.6)


@pytest.mark.parametrize("value", [0.0, 20.1])
def test_a_flat_raster_is_refused(value):
    flat = np.full(50, value) * (1 + 1e-16)
    with pytest.raises(ValueError, match=r"^All cells hold the same value: nothing stands out"):
        robust_scatter(flat)


def test_an_empty_raster_is_refused():
    with pytest.raises(ValueError, match=r"^The raster holds no data: choose another band"):
        robust_scatter(np.full(5, np.nan))


@pytest.mark.parametrize("window", [3.0, 5.0, 7.0])
def test_small_windows_are_exact_with_gaps_and_uneven_cells(window):
    values = np.random.default_rng(1).normal(size=(14, 9))
    values[np.random.default_rng(2).random(values.shape) < 0.3] = np.nan
    found = moving_median(values, frame_of(values, 1.0, 0.999), window)
    half = round((window - 1) / 2)
    assert np.array_equal(found, window_medians(values, half, half), equal_nan=True)


def test_the_window_is_measured_in_map_units_each_way():
    values = np.random.default_rng(1).normal(size=(12, 20))
    found = moving_median(values, frame_of(values, width=0.5, height=1.0), 3.5)
    assert np.array_equal(found, window_medians(values, 1, 3))  # three rows, seven columns


def test_large_windows_stay_close_to_the_exact_median():
    row, column = np.mgrid[:60, :50]
    soil = 20 + 3 * np.sin(row / 25) + 2 * np.cos(column / 30)
    noisy = soil + np.random.default_rng(5).normal(0, 0.5, soil.shape)
    found = moving_median(noisy, frame_of(noisy), 17.0)
    exact = window_medians(noisy, 8, 8)
    assert np.abs(found - exact).max() < 0.25
    assert np.sqrt(np.mean((found - exact) ** 2)) < 0.05


def test_a_plane_is_its_own_background_away_from_the_edge():
    row, column = np.mgrid[:40, :60]
    plane = 5.0 + 0.25 * row - 0.125 * column
    found = moving_median(plane, frame_of(plane), 13.0)
    assert found[9:-9, 9:-9] == pytest.approx(plane[9:-9, 9:-9], abs=1e-12)


@pytest.mark.parametrize("window", [4.0, 11.0, 1000.0])
def test_a_constant_is_its_own_background_and_gaps_stay_gaps(window):
    values = np.full((30, 30), 4.5)
    values[10:20, 5:25] = np.nan
    assert np.array_equal(moving_median(values, frame_of(values), window), values, equal_nan=True)


def test_a_ditch_narrower_than_half_the_window_leaves_no_mark():
    values = np.full((40, 40), 10.0)
    values[:, 18:22] = 50.0
    assert (moving_median(values, frame_of(values), 11.0) == 10.0).all()


def test_cells_without_data_pull_nothing_and_lone_cells_are_served():
    values = np.full((60, 60), np.nan)
    values[:10], values[50:], values[30, 30] = 10.0, 90.0, 7.0
    found = moving_median(values, frame_of(values), 21.0)
    assert np.array_equal(found, values, equal_nan=True)


def test_the_input_is_left_alone():
    values = np.random.default_rng(1).normal(size=(20, 20))
    values[3, 4] = np.nan
    before = values.copy()
    moving_median(values, frame_of(values), 9.0)
    assert np.array_equal(values, before, equal_nan=True)


def test_a_window_under_three_cells_is_refused():
    with pytest.raises(ValueError, match=r"^The background window of 1 map units is under three"):
        moving_median(np.zeros((9, 9)), frame_of(np.zeros((9, 9))), 1.0)


def test_the_moving_median_can_be_stopped():
    with pytest.raises(Cancelled):
        moving_median(np.zeros((50, 50)), frame_of(np.zeros((50, 50))), 9.0, lambda f: f < 0.4)


def test_median_of_known_matches_the_plain_one_row_by_row():
    table = np.random.default_rng(4).normal(size=(200, 7))
    table[np.random.default_rng(5).random(table.shape) < 0.4] = np.nan
    table[0] = np.nan
    table[1, 1:] = np.nan
    expected = [np.nan if np.isnan(r).all() else np.nanmedian(r) for r in table]
    assert np.array_equal(median_of_known(table), expected, equal_nan=True)
