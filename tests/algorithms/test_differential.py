import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.centres import typical
from lynchet.algorithms.correct.differential import (
    differential_offsets,
    on_common_positions,
    places_of,
    relative_levels,
)
from lynchet.algorithms.correct.waves import (
    SHORTEST,
    Waves,
    direction_effect,
    offsets_of_levels,
    usual_spacing,
)
from scipy.interpolate import interp1d

LINES = 24
ALONG = np.arange(120) * 0.125
ACROSS = np.arange(LINES) * 0.5
FORWARD = np.zeros(LINES, bool)


def found_for(table, across=ACROSS, along=None, backward=None, **options):
    """Offsets of every reading for values of shape (lines, readings)."""
    settings = {"neighbours": 3, "wavelength": None, "window": 0.0, "fewest": 10, **options}
    return np.array(
        differential_offsets(
            (ALONG,) * len(table) if along is None else along,
            across,
            np.zeros(len(table), bool) if backward is None else backward,
            list(table),
            interval=0.125,
            **settings,
        )
    )


# -- common positions ---------------------------------------------------------------------------


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=30)
def test_traverses_on_common_positions_are_scipys_interpolation(seed):
    rng = np.random.default_rng(seed)
    along = tuple(rng.permutation(np.cumsum(rng.uniform(0.3, 1.0, 40))) for _ in range(4))
    values = [rng.normal(size=40) for _ in range(4)]
    positions, table = on_common_positions(along, values, 1.0)
    np.testing.assert_allclose(np.diff(positions), 1.0)
    for a, v, row in zip(along, values, table):
        expected = interp1d(a, v, bounds_error=False, fill_value=np.nan)(positions)
        inside = np.isfinite(expected)
        np.testing.assert_allclose(row[inside], expected[inside], atol=1e-9)
        assert np.isnan(row[(positions < a.min() - 1e-3) | (positions > a.max() + 1e-3)]).all()


def test_a_single_missing_reading_is_bridged_and_two_are_not():
    along = (np.arange(9.0),)
    one, two = np.arange(9.0), np.arange(9.0)
    one[4] = np.nan
    two[4:6] = np.nan
    assert on_common_positions(along, [one], 1.0)[1].tolist() == [list(range(9))]
    row = on_common_positions(along, [two], 1.0)[1][0]
    assert np.flatnonzero(np.isnan(row)).tolist() == [4, 5]


def test_a_traverse_with_one_value_has_none_on_common_positions():
    values = [np.array([np.nan, 5.0, np.nan]), np.arange(3.0)]
    _, table = on_common_positions((np.arange(3.0), np.arange(3.0)), values, 1.0)
    assert np.isnan(table[0]).all()


def test_the_usual_spacing_does_not_count_repeats():
    assert usual_spacing(np.array([0, 0.01, 0.5, 0.51, 1.0, 1.5])) == pytest.approx(0.49)
    assert usual_spacing(np.zeros(4)) == 1.0


# -- relative levels ----------------------------------------------------------------------------


def test_levels_of_traverses_alike_but_for_an_offset_are_those_offsets():
    rng = np.random.default_rng(1)
    profile = rng.normal(size=120).cumsum()
    planted = rng.normal(0, 2, LINES)
    for neighbours in (1, 3, LINES):
        levels, groups = relative_levels(
            profile + planted[:, None], places_of(ACROSS), neighbours, 10
        )
        np.testing.assert_allclose(levels, planted - planted.mean(), atol=1e-6)
        assert len(set(groups)) == 1


def test_levels_are_the_least_squares_fit_of_all_pairs():
    table = np.random.default_rng(2).normal(size=(7, 60)).cumsum(axis=1)
    pairs = [(i, j) for i in range(7) for j in range(i + 1, min(i + 3, 7))]
    design = np.zeros((len(pairs) + 1, 7))
    seen = np.zeros(len(pairs) + 1)
    for row, (i, j) in enumerate(pairs):
        design[row, [i, j]] = -1, 1
        seen[row] = typical((table[j] - table[i])[None])[0]
    design[-1] = 1  # the levels add up to 0
    expected = np.linalg.lstsq(design, seen, rcond=None)[0]
    levels, _ = relative_levels(table, np.arange(7), 2, 10)
    np.testing.assert_allclose(levels, expected, atol=1e-6)


def test_pairs_with_too_few_common_positions_do_not_count():
    table = np.zeros((4, 30)) + np.arange(4)[:, None]
    table[3, 9:] = np.nan  # 9 positions left
    levels, _ = relative_levels(table, np.arange(4), 3, 10)
    np.testing.assert_allclose(levels[:3], [-1, 0, 1], atol=1e-6)
    assert np.isnan(levels[3])
    assert np.isfinite(relative_levels(table, np.arange(4), 3, 9)[0]).all()


def test_traverses_that_share_no_positions_form_groups_each_around_0():
    table = np.full((6, 40), np.nan)
    table[:3, :20] = np.array([0.0, 1, 2])[:, None]
    table[3:, 20:] = np.array([70.0, 74, 78])[:, None]
    levels, groups = relative_levels(table, np.arange(6), 5, 10)
    np.testing.assert_allclose(levels, [-1, 0, 1, -4, 0, 4], atol=1e-6)
    assert groups.tolist()[:3] == [groups[0]] * 3
    assert groups[3] == groups[5] != groups[0]


# -- ground and offsets -------------------------------------------------------------------------


def bends_of(count):
    return np.diff(np.eye(count), 2, axis=0)


@pytest.mark.parametrize("wavelength", [3.0, 6.0, 20.0])
def test_the_slow_part_on_even_spacing_is_whittakers_smoother(wavelength):
    # E. T. Whittaker (1923), On a new method of graduation: (I + lambda D'D) z = y with second
    # differences D, from memory. Halved at the wavelength: lambda = (L / 2 pi)^4 in spacings.
    levels = np.random.default_rng(0).normal(size=LINES)
    d = bends_of(LINES)
    smoothing = (wavelength / 0.5 / (2 * np.pi)) ** 4
    expected = np.linalg.solve(np.eye(LINES) + smoothing * d.T @ d, levels)
    np.testing.assert_allclose(Waves.of(ACROSS).slow_part(levels, wavelength), expected, atol=1e-9)


@pytest.mark.parametrize("seed", range(4))
def test_the_likeliest_wavelength_is_that_of_the_likelihood_of_second_differences(seed):
    # Second differences D of smooth ground plus noise are Gaussian with covariance
    # s^2 (D D' + b I): the same restricted likelihood, written without the waves.
    rng = np.random.default_rng(seed)
    levels = 2 * np.sin(ACROSS / 2 + seed) + rng.normal(0, 0.3, LINES)
    d = bends_of(LINES)
    z = d @ levels
    trial = 0.5 * np.geomspace(SHORTEST, 8.0 * LINES, 60)
    cost = []
    for wavelength in trial:
        v = d @ d.T + (2 * np.pi * 0.5 / wavelength) ** 4 * np.eye(LINES - 2)
        cost.append((LINES - 2) * np.log(z @ np.linalg.solve(v, z)) + np.linalg.slogdet(v)[1])
    found = Waves.of(ACROSS).likeliest_wavelength(levels)
    assert found == pytest.approx(trial[np.argmin(cost)], rel=1e-9)


def test_smooth_levels_have_a_short_wavelength_and_rough_ones_a_long():
    waves = Waves.of(ACROSS)
    rough = np.random.default_rng(3).normal(size=LINES)
    assert waves.likeliest_wavelength(np.sin(ACROSS / 2)) == pytest.approx(SHORTEST * 0.5)
    assert waves.likeliest_wavelength(rough) > 20 * 0.5


def test_few_traverses_are_brought_to_their_median():
    levels = np.array([3.0, 5.0, 10.0, 4.0])
    found = offsets_of_levels(np.arange(4.0), levels, np.zeros(4, bool), None)
    np.testing.assert_allclose(found, levels - 4.5)


@given(st.integers(0, 2**32 - 1), st.floats(-100, 100), st.floats(-20, 20))
@settings(max_examples=25, deadline=None)
def test_a_plane_added_to_the_levels_changes_no_offset(seed, level, slope):
    planted = np.random.default_rng(seed).normal(size=LINES)
    plain = offsets_of_levels(ACROSS, planted, FORWARD, 6.0)
    tilted = offsets_of_levels(ACROSS, planted + level + slope * ACROSS, FORWARD, 6.0)
    np.testing.assert_allclose(tilted, plain, atol=1e-7)


def test_the_direction_effect_is_found_on_sloping_ground_and_not_from_few():
    way = np.arange(LINES) % 2 == 1
    levels = np.where(way, 0.7, -0.7) + 3 * ACROSS
    assert direction_effect(levels, way) == pytest.approx(0.7)
    assert direction_effect(levels, FORWARD) == 0.0
    assert direction_effect(levels[:6], way[:6]) == 0.0  # four bends


# -- offsets ------------------------------------------------------------------------------------


def test_offsets_planted_on_a_common_profile_are_recovered_but_for_their_slow_part():
    # Measured over 20 draws: 0.23 of the offsets' rms is left on average, 0.62 at most, all of it
    # their own slow change across the traverses.
    left = []
    for seed in range(20):
        rng = np.random.default_rng(seed)
        planted = rng.normal(0, 1.0, LINES)
        table = rng.normal(size=120).cumsum() + planted[:, None]
        found = found_for(table)
        assert np.ptp(found, axis=1).max() == 0.0
        rest = planted - found[:, 0]
        left.append(np.std(rest) / np.std(planted))
        assert np.abs(np.diff(rest, 2)).max() < 0.6 * np.abs(np.diff(planted, 2)).max()
    assert np.mean(left) < 0.25
    assert max(left) < 0.7


def test_what_all_traverses_have_in_common_is_not_touched():
    profile = np.random.default_rng(0).normal(size=120).cumsum()
    assert np.abs(found_for(np.tile(profile, (LINES, 1)))).max() == 0.0


def test_a_longer_wavelength_takes_more_for_offsets():
    levels = np.sin(ACROSS)[:, None] + np.zeros(120)
    size = [np.abs(found_for(levels, wavelength=w)).max() for w in (1.5, 6.0, 50.0)]
    assert size[0] < 0.05
    assert size[0] < size[1] < size[2]
    assert size[2] > 0.5


def test_values_off_on_two_fifths_of_a_traverse_do_not_move_it():
    table = np.random.default_rng(0).normal(0, 0.1, (LINES, 120))
    spoilt = table.copy()
    spoilt[10, 20:68] += 50.0
    np.testing.assert_allclose(found_for(spoilt), found_for(table), atol=0.06)


def test_windows_are_joined_by_straight_lines():
    # An offset that rises along a traverse, from windows of 5 on a traverse of 14.875.
    table = np.zeros((LINES, 120))
    table[10] += 0.4 * (ALONG - ALONG.mean())
    found = found_for(table, window=5.0)
    middle = np.abs(ALONG - ALONG.mean()) < ALONG.mean() - 2.5
    np.testing.assert_allclose(found[10, middle], table[10, middle], atol=0.25)
    assert np.ptp(found_for(table)[10]) == 0.0


def test_a_traverse_without_values_has_no_offset_and_does_not_stop_the_others():
    rng = np.random.default_rng(4)
    table = rng.normal(0, 0.1, (LINES, 120)) + rng.normal(0, 1, LINES)[:, None]
    table[7] = np.nan
    found = found_for(table)
    assert np.isnan(found[7]).all()
    assert np.isfinite(np.delete(found, 7, axis=0)).all()


@given(st.integers(0, 2**32 - 1), st.floats(-500, 500), st.sampled_from([-2.0, 0.5, 4.0]))
@settings(max_examples=15, deadline=None)
def test_offsets_do_not_feel_the_level_and_scale_with_the_values(seed, level, factor):
    rng = np.random.default_rng(seed)
    table = rng.normal(0, 0.2, (LINES, 120)) + rng.normal(0, 1, LINES)[:, None]
    before = table.copy()
    plain = found_for(table)
    np.testing.assert_array_equal(table, before)
    np.testing.assert_allclose(found_for(table + level), plain, atol=1e-3)
    np.testing.assert_allclose(found_for(table * factor), plain * factor, atol=1e-3)


def test_the_other_way_round_across_gives_the_same():
    rng = np.random.default_rng(5)
    table = rng.normal(0, 0.2, (LINES, 120)) + rng.normal(0, 1, LINES)[:, None]
    np.testing.assert_allclose(found_for(table[::-1])[::-1], found_for(table), atol=1e-6)
    reversed_walks = tuple(ALONG[::-1] if i % 2 else ALONG for i in range(LINES))
    zigzag = np.array([row[::-1] if i % 2 else row for i, row in enumerate(table)])
    np.testing.assert_allclose(found_for(zigzag, along=reversed_walks), found_for(table), atol=1e-9)
