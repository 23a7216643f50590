import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from lynchet.algorithms.correct.windows import (
    MAD_TO_SIGMA,
    Walk,
    row_medians,
    running_deviation,
    running_median,
)
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Readings


def survey(seed=0, lines=5, count=40, gaps=0.1):
    rng = np.random.default_rng(seed)
    n = lines * count
    values = rng.normal(size=n)
    values[rng.uniform(size=n) < gaps] = np.nan
    order = rng.permutation(n)
    return Readings.build(
        x=np.tile(np.cumsum(rng.uniform(0.05, 0.3, count)), lines)[order],
        y=np.repeat(np.arange(lines), count)[order],
        values=values[order],
        line=np.repeat(np.arange(lines), count)[order],
        sequence=np.tile(np.arange(count), lines)[order],
    )


def by_loops(readings, neighbours):
    """Median of each reading's neighbours, found reading by reading."""
    found = np.full(len(readings), np.nan)
    for traverse in readings.lines:
        for place, row in enumerate(traverse.rows):
            window = readings.values[traverse.rows[neighbours(traverse, place)], 0]
            if np.isfinite(window).any():
                found[row] = np.nanmedian(window)
    return found


@pytest.mark.parametrize("count", [3, 7, 41, 101])
def test_windows_of_readings_agree_with_plain_loops(count):
    readings = survey()
    walk = Walk.of(readings)
    median = running_median(readings.values[walk.rows, 0], *walk.by_count(count))
    half = count // 2
    expected = by_loops(readings, lambda t, p: slice(max(p - half, 0), p + half + 1))
    np.testing.assert_array_equal(median, expected[walk.rows])


@pytest.mark.parametrize("width", [0.01, 0.5, 2.0, 100.0])
def test_windows_of_distance_agree_with_plain_loops(width):
    readings = survey()
    walk = Walk.of(readings)

    def near(traverse, place):
        x = readings.x[traverse.rows]
        return np.flatnonzero(np.abs(x - x[place]) <= width / 2 + 1e-9)

    median = running_median(readings.values[walk.rows, 0], *walk.by_distance(width))
    np.testing.assert_array_equal(median, by_loops(readings, near)[walk.rows])


def test_readings_at_one_place_share_their_window():
    readings = Readings.build(x=[0, 1, 1, 1, 2], y=[0] * 5, values=[1, 5, 6, 7, 9])
    walk = Walk.of(readings)
    low, high = walk.by_distance(0.5)
    assert (low[1:4] == 1).all()
    assert (high[1:4] == 4).all()


def test_a_reading_without_a_position_has_a_window_of_its_own():
    readings = Readings.build(x=[0, np.nan, 0.1], y=[0] * 3, values=[1, 2, 3])
    low, high = Walk.of(readings).by_distance(1.0)
    assert (low[1], high[1]) == (1, 2)
    assert (low[0], high[0]) == (0, 3)


def test_readings_of_no_traverse_are_left_out():
    readings = Readings.build(x=[0, 1], y=[0, 0], values=[1, 2], line=[NO_LINE, 3])
    assert Walk.of(readings).rows.tolist() == [1]


def test_deviation_is_numpys_median_of_absolute_deviations():
    readings = survey(3, gaps=0.0)
    walk = Walk.of(readings)
    values = readings.values[walk.rows, 0]
    low, high = walk.by_count(9)
    median = running_median(values, low, high)
    found = running_deviation(values, median, low, high)
    for place in range(len(values)):
        window = values[low[place] : high[place]]
        assert found[place] == np.median(np.abs(window - np.median(window)))


def test_the_factor_is_that_of_the_normal_distribution():
    from scipy.stats import norm

    assert pytest.approx(1 / norm.ppf(0.75), rel=1e-15) == MAD_TO_SIGMA


@given(arrays(np.float64, (5, 7), elements=st.floats(-1e6, 1e6) | st.just(np.nan)))
def test_row_medians_are_numpys(table):
    expected = [np.nanmedian(row) if np.isfinite(row).any() else np.nan for row in table]
    np.testing.assert_allclose(row_medians(table), expected)


def uneven(seed):
    """Traverses of uneven lengths and steps, with repeated and missing positions."""
    rng = np.random.default_rng(seed)
    counts = rng.integers(1, 30, 8)
    step = rng.choice([0.0, 0.1, 0.25, 0.7], counts.sum())
    x = np.cumsum(step)
    x[rng.uniform(size=len(x)) < 0.15] = np.nan
    return Readings.build(
        x=x,
        y=np.zeros(len(x)),
        values=rng.normal(size=len(x)),
        line=np.repeat(np.arange(8), counts),
    )


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("width", [0.05, 0.5, 3.0, 1000.0])
def test_windows_of_distance_hold_on_uneven_repeated_and_missing_positions(seed, width):
    readings = uneven(seed)
    low, high = Walk.of(readings).by_distance(width)
    place = 0
    for traverse in readings.lines:
        x = readings.x[traverse.rows]
        start = place
        for here in x:
            near = np.flatnonzero(np.abs(x - here) <= width / 2 + 1e-6)
            expected = (near[0], near[-1] + 1) if len(near) else (place - start, place - start + 1)
            assert (low[place] - start, high[place] - start) == expected
            place += 1


def test_the_distance_goes_on_over_a_missing_position():
    x = [np.nan, 3.0, 4.0, np.nan, np.nan, 7.5, 7.5, 100.0, np.nan, 102.0]
    readings = Readings.build(x=x, y=[0.0] * 10, values=[0.0] * 10, line=[1] * 7 + [2] * 3)
    np.testing.assert_array_equal(
        Walk.of(readings).distance, [np.nan, 0, 1, np.nan, np.nan, 4.5, 4.5, 0, np.nan, 2]
    )


def test_the_distance_is_walked_round_a_corner():
    readings = Readings.build(x=[0, 3, 3, 3], y=[0, 0, 4, 0], values=[0.0] * 4)
    assert Walk.of(readings).distance.tolist() == [0, 3, 7, 11]


@pytest.mark.parametrize("windows", ["by_count", "by_distance"])
def test_windows_never_cross_traverses(windows):
    walk = Walk.of(uneven(1))
    low, high = getattr(walk, windows)(1001)
    assert (low >= walk.first).all()
    assert (high <= walk.last).all()
    assert (low <= np.arange(len(low))).all()
    assert (high > np.arange(len(low))).all()


@pytest.mark.parametrize("cells", [1, 50, 333])
def test_batches_of_any_size_give_the_same(monkeypatch, cells):
    readings = survey(2)
    walk = Walk.of(readings)
    values = readings.values[walk.rows, 0]
    windows = walk.by_count(9)
    median = running_median(values, *windows)
    spread = running_deviation(values, median, *windows)
    monkeypatch.setattr("lynchet.algorithms.correct.windows.BATCH", cells)
    np.testing.assert_array_equal(running_median(values, *windows), median)
    np.testing.assert_array_equal(running_deviation(values, median, *windows), spread)


def test_windows_without_any_value_have_no_median_and_others_ignore_nan():
    values = np.array([np.nan, np.nan, 4.0, np.nan, 8.0])
    low, high = np.array([0, 0, 1, 2, 2]), np.array([2, 3, 4, 5, 5])
    np.testing.assert_array_equal(running_median(values, low, high), [np.nan, 4, 4, 6, 6])
    assert len(running_median(np.empty(0), low[:0], high[:0])) == 0


def test_medians_can_be_cancelled():
    readings = survey()
    walk = Walk.of(readings)
    with pytest.raises(Cancelled):
        running_median(readings.values[walk.rows, 0], *walk.by_count(5), lambda fraction: False)
