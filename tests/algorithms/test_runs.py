import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.runs import EDGE, FLANK, find_runs
from lynchet.algorithms.correct.windows import Walk
from lynchet.algorithms.readings import Readings
from scipy.ndimage import grey_opening


def found_in(values, longest=6, threshold=5.0, floor=0.2, line=None, side="both"):
    n = len(values)
    walk = Walk.of(Readings.build(x=np.arange(n), y=np.zeros(n), values=values, line=line))
    column = np.asarray(values, float)[walk.rows]
    return walk.rows[find_runs(column, walk, longest, threshold, floor, side)].tolist()


def noise(n=200, seed=0, sigma=0.2):
    return np.random.default_rng(seed).normal(20, sigma, n)


@pytest.mark.parametrize("length", range(1, 7))
@pytest.mark.parametrize("high", [4.0, -4.0])
def test_a_run_is_found_whole_and_nothing_else(length, high):
    for seed in range(10):
        values = noise(seed=seed)
        values[100 : 100 + length] += high
        assert found_in(values) == list(range(100, 100 + length))


def test_a_plateau_longer_than_the_longest_run_is_kept():
    for length in (7, 8, 20):
        values = noise()
        values[100 : 100 + length] += 4
        assert found_in(values) == []


def test_one_side_alone_may_be_asked_for():
    values = noise()
    values[50:54] += 5
    values[120:124] -= 5
    assert found_in(values, side="high") == [50, 51, 52, 53]
    assert found_in(values, side="low") == [120, 121, 122, 123]


@pytest.mark.parametrize("sigma", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("high", [1.5, 3.0, 10.0])
def test_a_smooth_peak_is_no_run_however_narrow(sigma, high):
    # 3.5 to 7 readings wide at half height, wherever its top lies between readings.
    for seed in range(30):
        top = 100 + seed / 30
        peak = high * np.exp(-0.5 * ((np.arange(200) - top) / sigma) ** 2)
        assert found_in(noise(seed=seed) + peak) == []


def test_a_step_and_a_slope_are_no_runs():
    step = noise()
    step[100:] += 5
    assert found_in(step) == []
    assert found_in(noise() + 0.7 * np.arange(200)) == []


def test_a_run_on_a_slope_is_found():
    values = noise() + 0.4 * np.arange(200)
    values[100:105] += 6
    assert found_in(values) == [100, 101, 102, 103, 104]


def test_a_run_needs_ground_on_both_sides_within_its_traverse():
    values = noise(40)
    values[:4] += 9
    values[36:] += 9
    assert found_in(values) == []
    values = noise(40)
    values[18:22] += 9
    assert found_in(values) == [18, 19, 20, 21]
    assert found_in(values, line=np.repeat([1, 2], 20)) == []


def test_missing_readings_are_stepped_over_unless_many():
    values = noise()
    values[100:106] += 5
    values[[99, 102]] = np.nan
    assert found_in(values) == [100, 101, 103, 104, 105]
    values = noise()
    values[100:103] += 5
    values[103:110] = np.nan
    values[110:112] += 5
    assert found_in(values) == []


def test_edges_must_be_jumps_of_at_least_a_share_of_the_height():
    values = np.zeros(40)
    low, high = 10 * EDGE - 0.1, 10 * EDGE + 0.1
    values[20:25] = [low, 10, 10, 10, low]
    assert found_in(values) == [21, 22, 23]  # the rise from low to 10 is the jump
    values[20:25] = [low, 2 * low, 10, 2 * low, low]
    assert found_in(values) == []
    values[20:25] = [high, 10, 10, 10, high]
    assert found_in(values) == [20, 21, 22, 23, 24]


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=25, deadline=None)
def test_on_flat_ground_runs_are_what_a_grey_opening_takes_off(seed):
    # Independent: SciPy's morphological opening takes off plateaus shorter than its element.
    rng = np.random.default_rng(seed)
    values = np.zeros(300)
    for start in range(20, 280, 30):
        values[start : start + rng.integers(1, 12)] = rng.uniform(3, 9)
    expected = np.flatnonzero(values - grey_opening(values, 7) > 0)
    assert found_in(values) == expected.tolist()


@given(st.integers(0, 2**32 - 1), st.sampled_from([0.5, 4.0]), st.integers(-64, 64))
@settings(max_examples=25, deadline=None)
def test_runs_do_not_feel_level_scale_sign_or_direction(seed, factor, shift):
    rng = np.random.default_rng(seed)
    values = rng.integers(-20, 20, 80) / 64
    for start in rng.integers(6, 70, 3):
        values[start : start + rng.integers(1, 7)] += rng.integers(2, 9)
    plain = found_in(values)
    assert found_in(values * factor + shift, floor=0.2 * factor) == plain
    assert found_in(-values) == plain
    assert found_in(values[::-1]) == sorted(79 - np.array(plain, int))


def test_too_few_readings_for_two_sides_hold_no_run():
    assert found_in([0.0, 0, 9, 0, 0]) == []
    assert found_in([np.nan] * 9) == []
    assert found_in(np.zeros(FLANK), line=np.arange(FLANK)) == []
