"""Repeats: against the published example of Bland and Altman, pandas, SciPy and shapely."""

import numpy as np
import pandas as pd
import pytest
from lynchet.algorithms.check.comparerepeats import comparerepeats
from lynchet.algorithms.check.repeat_pairs import pair_crossings, pair_repeats
from lynchet.algorithms.readings import Readings
from scipy import stats
from shapely.geometry import LineString, Point

# Bland and Altman (1986), Lancet 327, Table: peak expiratory flow (l/min) of 17 subjects by two
# meters, twice each. From memory; the published figures below come out of the recalled numbers.
LARGE_1 = [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427]
LARGE_2 = [490, 397, 512, 401, 470, 611, 415, 431, 638, 429, 420, 633, 275, 492, 165, 372, 421]
SMALL_1 = [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451]


def at_places(values, **fields):
    """Values at places a metre apart along a line."""
    n = len(values)
    return Readings.build(x=np.arange(n), y=np.zeros(n), values=values, **fields)


def test_limits_are_those_published_by_bland_and_altman():
    # Published: mean difference -2.1, standard deviation 38.8 l/min (limits by 2 of them, -79.7
    # and 75.5, where 1.96 is used here).
    found = comparerepeats(at_places(SMALL_1), at_places(LARGE_1), 0.1).agreements[0]
    assert found.mean == pytest.approx(-2.1, abs=0.05)
    assert found.deviation == pytest.approx(38.8, abs=0.05)
    by_two = found.mean + np.array([-2, 2]) * found.deviation
    np.testing.assert_allclose(by_two, [-79.7, 75.5], atol=0.1)
    assert found.lower == pytest.approx(found.mean - 1.96 * found.deviation)
    # Published: standard error of a limit 16.3 l/min, sqrt(3 s^2 / n).
    assert found.limit_error / 1.96 == pytest.approx(
        np.sqrt(3 * 38.8**2 / 17) * np.sqrt(17 / found.effective), rel=2e-3
    )


def test_repeatability_of_the_large_meter_is_as_published():
    # Published: standard deviation of the large meter's own differences 21.6 l/min (about zero).
    found = comparerepeats(at_places(LARGE_1), at_places(LARGE_2), 0.1).agreements[0]
    about_zero = np.sqrt(found.mean**2 + found.deviation**2 * 16 / 17)
    assert about_zero == pytest.approx(21.6, abs=0.06)


def two_walks(seed, n=4000, sigma=0.3, shift=0.0):
    rng = np.random.default_rng(seed)
    ground = 20 + rng.normal(0, 2, n)
    return at_places(ground + rng.normal(0, sigma, n)), at_places(
        ground + shift + rng.normal(0, sigma, n)
    )


def test_figures_are_those_of_pandas_and_scipy():
    first, second = two_walks(1, n=900, shift=0.1)
    found = comparerepeats(first, second, 0.1).agreements[0]
    table = pd.DataFrame({"one": first.values[:, 0], "two": second.values[:, 0]})
    difference, level = table.two - table.one, table.mean(axis=1)
    assert found.median == pytest.approx(difference.median())
    assert (found.mean, found.deviation) == pytest.approx((difference.mean(), difference.std()))
    assert found.spread == pytest.approx(stats.median_abs_deviation(difference, scale="normal"))
    assert found.rank == pytest.approx(stats.spearmanr(level, difference)[0])
    assert found.slope == pytest.approx(stats.theilslopes(difference, level)[0])
    # By hand: spearmanr of SciPy 1.15 gives 0 for the chance here.
    t = found.rank * np.sqrt((len(level) - 2) / (1 - found.rank**2))
    expected = 2 * stats.t.sf(abs(t), len(level) - 2)
    assert found.chance == pytest.approx(expected, rel=0.2)


def test_a_slope_of_very_many_pairs_is_that_of_all_of_them():
    first, second = two_walks(2)
    second.values[:] = second.values + 0.2 * (second.values - 20)
    found = comparerepeats(first, second, 0.1).agreements[0]
    difference, level = (second.values - first.values)[:, 0], (first.values + second.values)[:, 0]
    assert found.slope == pytest.approx(stats.theilslopes(difference, level / 2)[0], abs=0.01)


def test_the_noise_of_a_single_reading_is_found_again():
    found = comparerepeats(*two_walks(3), 0.1).agreements[0]
    assert found.repeatability == pytest.approx(0.3, rel=0.04)
    assert found.repeatability == pytest.approx(found.spread / np.sqrt(2))


def test_the_noise_of_a_single_reading_is_found_between_readings_too():
    rng = np.random.default_rng(4)
    n, sigma = 20_000, 0.3
    first = Readings.build(x=np.arange(n), y=np.zeros(n), values=rng.normal(0, sigma, n))
    at = np.sort(rng.uniform(0, n - 1, n))
    second = Readings.build(x=at, y=np.zeros(n), values=rng.normal(0, sigma, n))
    found = comparerepeats(first, second, 0.1).agreements[0]
    assert found.repeatability == pytest.approx(sigma, rel=0.02)
    assert found.spread / np.sqrt(2) < 0.94 * sigma


@pytest.mark.parametrize("alike", [0.0, 0.6])
def test_intervals_of_the_median_hold_it_95_times_in_100(alike):
    # Differences that follow each other with a known correlation; the systematic part is 0.
    held, trials, n = 0, 300, 400
    rng = np.random.default_rng(5)
    for _ in range(trials):
        chance = rng.normal(size=n + 50)
        for i in range(1, n + 50):
            chance[i] += alike * chance[i - 1]
        flat = at_places(np.zeros(n))
        found = comparerepeats(flat, at_places(chance[50:]), 0.1).agreements[0]
        held += found.median_low <= 0 <= found.median_high
    # Three standard errors of a share of 0.95 in 300 are 0.038.
    assert held / trials == pytest.approx(0.95, abs=0.04)


def test_ninety_five_of_a_hundred_differences_lie_within_the_limits():
    first, second = two_walks(6, n=20_000)
    found = comparerepeats(first, second, 0.1).agreements[0]
    difference = (second.values - first.values)[:, 0]
    inside = (difference > found.lower) & (difference < found.upper)
    assert inside.mean() == pytest.approx(0.95, abs=0.005)


def test_nearest_points_are_shapelys():
    rng = np.random.default_rng(7)
    lines = []
    for number in range(8):
        x = np.arange(0, 20, 0.5)
        lines.append(np.column_stack([x, number + rng.normal(0, 0.1, len(x))]))
    xy = np.concatenate(lines)
    first = Readings.build(
        x=xy[:, 0], y=xy[:, 1], values=3 * xy[:, 0], line=np.repeat(np.arange(8), 40)
    )
    spots = rng.uniform((0, -0.5), (19.5, 7.5), (300, 2))
    second = Readings.build(x=spots[:, 0], y=spots[:, 1], values=np.zeros(300))
    pairs = pair_repeats(first, second, 0.4)
    shapes = [LineString(line) for line in lines]
    expected = []
    for spot in spots:
        distance, number = min((shape.distance(Point(spot)), i) for i, shape in enumerate(shapes))
        if distance <= 0.4:
            at = shapes[number].interpolate(shapes[number].project(Point(spot)))
            expected.append((number, distance, 3 * at.x))
    number, distance, value = np.array(expected).T
    assert pairs.line_first.tolist() == number.tolist()
    np.testing.assert_allclose(pairs.distance, distance, atol=1e-12)
    np.testing.assert_allclose(pairs.first[:, 0], value, atol=1e-9)


def test_crossings_are_shapelys():
    rng = np.random.default_rng(8)
    steps = np.arange(0, 10, 0.25)
    along = [np.column_stack([np.full(40, i) + rng.normal(0, 0.05, 40), steps]) for i in range(6)]
    over = [np.column_stack([steps - 1, np.full(40, 3.3 * (i + 1)) + rng.normal(0, 0.05, 40)])
            for i in range(2)]  # fmt: skip
    xy = np.concatenate(along + over)
    readings = Readings.build(
        x=xy[:, 0], y=xy[:, 1], values=xy[:, 0] - xy[:, 1], line=np.repeat(np.arange(8), 40)
    )
    tie = np.arange(8) >= 6
    pairs = pair_crossings(readings, tie)
    expected = [LineString(a).intersection(LineString(o)) for o in over for a in along]
    np.testing.assert_allclose(pairs.x, [point.x for point in expected], atol=1e-9)
    np.testing.assert_allclose(pairs.y, [point.y for point in expected], atol=1e-9)
    # Values even in x and y are the same along both lines.
    np.testing.assert_allclose(pairs.first, pairs.second, atol=1e-9)
