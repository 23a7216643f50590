import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.directions import effect_of_levels

T = 40
ACROSS = np.arange(T) * 0.5
ZIGZAG = np.arange(T) % 2 == 1
ONE = np.zeros(T, int)


def effect(levels, across=ACROSS, groups=ONE, backward=ZIGZAG):
    return effect_of_levels(across, levels, groups, backward)


def way(half):
    return np.where(ZIGZAG, half, -half)


def test_the_effect_on_sloping_ground_is_half_the_difference():
    found = effect(way(0.7) + 3 * ACROSS - 8)
    assert found.half == pytest.approx(0.7)
    assert found.evident
    assert found.bends == T - 2


def test_an_uneven_spacing_does_not_feign_an_effect():
    across = np.cumsum(np.random.default_rng(0).uniform(0.2, 0.8, T))
    assert effect(3 * across, across).half == pytest.approx(0.0, abs=1e-8)
    assert effect(3 * across + way(0.5), across).half == pytest.approx(0.5, abs=1e-8)


def test_bodies_under_some_traverses_do_not_count():
    levels = way(0.5) + np.random.default_rng(1).normal(0, 0.02, T)
    levels[[8, 9, 10, 23, 31, 32]] += [2.0, 5.0, 1.0, 4.0, -3.0, -3.0]
    assert effect(levels).half == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("half", [0.0, 0.5])
def test_estimate_and_error_are_those_of_least_squares_with_independent_offsets(half):
    # Least squares of alternating levels: the mean of the alternated levels, whose standard error
    # is sigma / sqrt(t); the biweight has 95 % of its efficiency.
    found = [
        effect(way(half) + np.random.default_rng(seed).normal(0, 0.3, T)) for seed in range(300)
    ]
    halves = np.array([each.half for each in found])
    assert halves.mean() == pytest.approx(half, abs=3 * 0.3 / np.sqrt(T * 300))
    assert halves.std() == pytest.approx(0.3 / np.sqrt(T), rel=0.2)
    assert np.median([each.error for each in found]) == pytest.approx(0.3 / np.sqrt(T), rel=0.15)
    if half == 0.0:
        # Two standard errors: one in twenty, and somewhat more as the error is estimated too.
        assert np.mean([each.evident for each in found]) < 0.12
    else:
        assert all(each.evident for each in found)


def test_traverses_walked_in_pairs_tell_too():
    backward = np.arange(T) % 4 >= 2
    levels = np.where(backward, 0.4, -0.4) + ACROSS
    assert effect(levels, backward=backward).half == pytest.approx(0.4)


def test_few_bends_or_one_direction_are_no_evidence():
    few = slice(0, 6)
    assert not effect(way(1.0)[few], ACROSS[few], ONE[few], ZIGZAG[few]).evident
    assert not effect(way(1.0), backward=np.zeros(T, bool)).evident


def test_halves_of_traverses_inform_each_for_its_own_side():
    # Two sides that no traverse joins, 100 apart, their places interleaved.
    across = np.repeat(np.arange(20) * 0.5, 2)
    backward = np.repeat(np.arange(20) % 2 == 1, 2)
    groups = np.tile([0, 1], 20)
    levels = np.where(backward, 0.6, -0.6) + 100.0 * groups
    assert effect(levels, across, groups, backward).half == pytest.approx(0.6)


def test_a_traverse_without_a_level_is_stepped_over():
    levels = way(0.5)
    levels[[4, 17]] = np.nan
    assert effect(levels).half == pytest.approx(0.5)


@given(st.integers(0, 2**32 - 1), st.floats(-50, 50), st.sampled_from([-2.0, 0.5, 8.0]))
@settings(max_examples=30, deadline=None)
def test_level_slope_scale_and_order_do_not_matter(seed, shift, factor):
    levels = np.random.default_rng(seed).normal(0, 1, T)
    plain = effect(levels)
    assert effect(factor * levels + shift + shift * ACROSS).half == pytest.approx(
        factor * plain.half, abs=1e-6
    )
    turned = effect(levels[::-1], -ACROSS[::-1], ONE, ZIGZAG[::-1])
    assert turned.half == pytest.approx(plain.half, abs=1e-8)
