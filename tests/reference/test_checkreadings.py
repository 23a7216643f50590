"""Checks against general-purpose libraries and published closed forms."""

import numpy as np
import pandas
import pytest
from lynchet.algorithms.check.coverage import COVERED, GAP, cover, hull_of
from lynchet.algorithms.check.lines import Lines, group_medians, robust_spread
from lynchet.algorithms.check.noise import noise_by_line
from lynchet.algorithms.check.positions import repeated_positions
from lynchet.algorithms.check.values import PERCENTILES, saturated, summarise
from lynchet.algorithms.correct.stuck import longest_by_chance
from lynchet.algorithms.readings import Readings
from scipy import stats
from shapely.affinity import rotate
from shapely.geometry import LinearRing, MultiPoint, Point, Polygon, box
from shapely.ops import unary_union

SEPARATION, INTERVAL, REACH = 1.0, 0.5, 0.75


def holed_survey(turn=0.0, seed=0):
    """Traverses over a square with a missing traverse and a hole, turned about the origin."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(16) * SEPARATION, np.arange(32) * INTERVAL)
    x, y, line = x.T.ravel(), y.T.ravel(), np.repeat(np.arange(16), 32)
    kept = (line != 12) & (np.hypot(x - 5, y - 7) > 3)
    x, y, line = x[kept], y[kept], line[kept]
    x = x + rng.uniform(-0.1, 0.1, len(x))
    z = np.exp(1j * turn) * (x + 1j * y)
    return Readings.build(x=z.real, y=z.imag, values=np.zeros(len(x)), line=line)


@pytest.mark.parametrize("turn", [0.0, 0.4])
def test_coverage_is_shapelys_union_of_circles_cut_by_the_outline(turn):
    r = holed_survey(turn)
    patches = cover(r, np.arange(len(r)), SEPARATION, INTERVAL, REACH)
    outline = Polygon(hull_of(r, SEPARATION, INTERVAL).corners)
    circles = unary_union([Point(x, y).buffer(REACH, 64) for x, y in zip(r.x, r.y)])
    for kind, expected in ((COVERED, outline & circles), (GAP, outline - circles)):
        ours = unary_union(
            [Polygon(p.outline.outer, p.outline.holes) for p in patches if p.kind == kind]
        )
        assert ours.is_valid
        # Narrow corners between circles, and pieces below one square of separation, are cut off.
        assert ours.symmetric_difference(expected).area < 0.02 * outline.area
        assert ours.area == pytest.approx(sum(p.area for p in patches if p.kind == kind))
        assert ours.area == pytest.approx(expected.area, rel=0.05)


def test_the_outline_is_shapelys_hull_of_the_ground_each_reading_stands_for():
    r = holed_survey()
    # Unturned, the ground of a reading is a box along the axes; traverses run north to a hair.
    stands_for = [
        box(x - SEPARATION / 2, y - INTERVAL / 2, x + SEPARATION / 2, y + INTERVAL / 2)
        for x, y in zip(r.x, r.y)
    ]
    expected = unary_union(stands_for).convex_hull
    found = Polygon(hull_of(r, SEPARATION, INTERVAL).corners)
    assert LinearRing(found.exterior.coords).is_ccw
    assert found.symmetric_difference(expected).area < 2e-3 * expected.area


def test_the_outline_of_a_single_traverse_is_a_strip():
    r = Readings.build(x=np.arange(11) * INTERVAL, y=np.zeros(11), values=np.zeros(11))
    found = Polygon(hull_of(r, SEPARATION, INTERVAL).corners)
    expected = MultiPoint([(0, 0), (5, 0)]).convex_hull.buffer(SEPARATION / 2, cap_style=3)
    assert found.area == pytest.approx(5.5 * SEPARATION)
    assert found.contains(expected.buffer(-1e-6).intersection(box(0, -1, 5, 1)))
    turned = rotate(found, 90)
    assert turned.area == pytest.approx(found.area)


def test_medians_of_traverses_are_those_of_pandas():
    rng = np.random.default_rng(0)
    for lengths in ([50] * 30, rng.integers(1, 200, 40)):
        number = np.repeat(np.arange(len(lengths)), lengths)
        values = rng.normal(0, 1, len(number))
        values[rng.uniform(size=len(number)) < 0.2] = np.nan
        expected = pandas.Series(values).groupby(number).median()
        np.testing.assert_array_equal(group_medians(values, number, len(lengths)), expected)
        lines = Lines((None,) * len(lengths), np.arange(len(number)), number)
        np.testing.assert_array_equal(lines.medians(values), expected)


def test_the_figures_of_a_channel_are_those_of_pandas_and_scipy():
    values = np.random.default_rng(1).gamma(3, 2, 5000).round(2)
    values[::50] = np.nan
    found = summarise(Readings.build(x=range(5000), y=[0] * 5000, values=values), 0)
    known = pandas.Series(values).dropna()
    assert found.count == known.count()
    assert (found.median, found.lowest, found.highest) == (
        known.median(),
        known.min(),
        known.max(),
    )
    np.testing.assert_allclose(found.percentiles, known.quantile(np.array(PERCENTILES) / 100))
    assert found.sigma == pytest.approx(stats.median_abs_deviation(known, scale="normal"))
    assert found.resolution == pytest.approx(0.01)


def test_the_robust_spread_is_scipys():
    values = np.random.default_rng(2).standard_t(2, 1001)
    expected = stats.median_abs_deviation(values, scale="normal")
    assert robust_spread(values) == pytest.approx(expected, rel=1e-9)


def test_repeated_positions_are_those_pandas_calls_duplicates():
    rng = np.random.default_rng(3)
    x, y = rng.integers(0, 30, 2000) * 0.1 + 430_000, rng.integers(0, 30, 2000) * 0.1 + 5_900_000
    expected = pandas.DataFrame({"x": x, "y": y}).duplicated().sum()
    assert repeated_positions(x, y) == expected


def test_noise_of_each_traverse_is_the_standard_deviation_of_white_noise():
    # Independent noise: the second difference has six times its variance (closed form).
    rng = np.random.default_rng(4)
    sigmas = np.array([0.1, 0.5, 2.0])
    number = np.repeat(np.arange(3), 20_000)
    ramp = np.tile(np.arange(20_000) * 0.3, 3)
    values = ramp + rng.normal(0, 1, 60_000) * sigmas[number]
    lines = Lines((None,) * 3, np.arange(60_000), number)
    np.testing.assert_allclose(noise_by_line(values, lines), sigmas, rtol=0.03)


def test_runs_by_chance_are_hardly_ever_longer_than_said():
    # Longest run of heads: Feller, An Introduction to Probability Theory, vol. 1 (from memory):
    # in n trials about log(n (1 - p)) / log(1 / p); the limit must lie well above, not miles above.
    rng = np.random.default_rng(5)
    n, p = 20_000, 0.3
    usual = np.log(n * (1 - p)) / np.log(1 / p)
    longest = []
    for _ in range(200):
        alike = rng.uniform(size=n) < p
        ends = np.flatnonzero(~np.concatenate([[False], alike, [False]]))
        longest.append(np.diff(ends).max())  # a run of k alike neighbours is k + 1 readings
    limit = longest_by_chance(n, p)
    assert np.mean(longest) == pytest.approx(usual + 1, abs=1.5)
    assert max(longest) <= limit
    assert limit < usual + 1 + np.log(1e7) / np.log(1 / p)


def test_rounded_noise_repeats_itself_as_often_as_the_density_at_zero_says():
    # Two readings of sigma s in steps q agree with chance q / (2 s sqrt(pi)) for q << s.
    rng = np.random.default_rng(6)
    values = (rng.normal(0, 0.2, 400_000) / 0.01).round()
    assert np.mean(np.diff(values) == 0) == pytest.approx(
        0.01 / (2 * 0.2 * np.sqrt(np.pi)), rel=0.05
    )


@pytest.mark.parametrize("draw", [stats.norm, stats.logistic, stats.uniform, stats.gamma(3)])
def test_no_end_of_scale_is_seen_in_a_tail(draw):
    for seed in range(20):
        values = np.round(draw.rvs(20_000, random_state=seed), 2)
        counts = np.unique(values, return_counts=True)[1]
        assert saturated(counts, 1) == 0
        assert saturated(counts, -1) == 0


def test_a_clipped_normal_holds_as_many_at_the_end_as_scipy_says():
    values = np.minimum(np.round(stats.norm.rvs(size=50_000, random_state=0), 2), 1.5)
    found = saturated(np.unique(values, return_counts=True)[1], 1)
    assert found == pytest.approx(50_000 * stats.norm.sf(1.495), rel=0.05)
