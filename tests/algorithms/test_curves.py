import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.curves import Curves


def curves(degree=3, start=(0.0,), end=(1000.0,), sizes=(8,), order=2):
    first = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    return Curves(np.array(start), np.array(end), first, degree, order)


def at(found, piece, time):
    return found.design(np.full(len(time), piece), np.asarray(time, dtype=np.float64)).toarray()


TIME = np.linspace(0, 1000, 101)


@pytest.mark.parametrize("degree", [1, 3])
def test_weights_are_none_below_zero_and_sum_to_one_everywhere_ends_too(degree):
    table = at(curves(degree), 0, TIME)
    assert (table >= -1e-12).all()
    np.testing.assert_allclose(table.sum(axis=1), 1, atol=1e-9)


@pytest.mark.parametrize("degree", [1, 3])
def test_no_more_weights_than_the_degree_and_one_are_felt_at_a_time(degree):
    assert (at(curves(degree), 0, TIME) > 1e-12).sum(axis=1).max() == degree + 1


@pytest.mark.parametrize(("degree", "power"), [(1, 1), (3, 3)])
def test_polynomials_of_the_degree_are_among_the_curves(degree, power):
    table = at(curves(degree), 0, TIME)
    wanted = (TIME / 1000) ** power
    rest = wanted - table @ np.linalg.lstsq(table, wanted, rcond=None)[0]
    assert np.abs(rest).max() < 1e-9


def test_straight_pieces_pass_through_their_coefficients_at_the_corners():
    found = curves(degree=1, sizes=(6,))
    corners = np.linspace(0, 1000, 6)
    np.testing.assert_allclose(at(found, 0, corners), np.eye(6), atol=1e-9)
    heights = np.array([0.0, 3, 1, 4, 1, 5])
    np.testing.assert_allclose(
        at(found, 0, TIME) @ heights, np.interp(TIME, corners, heights), atol=1e-9
    )


def test_cubic_curves_have_no_corner():
    table = at(curves(), 0, np.linspace(0, 1000, 2001)) @ np.random.default_rng(0).normal(0, 1, 8)
    bend = np.diff(table, 2)
    assert np.abs(np.diff(bend)).max() < 0.02 * np.abs(bend).max()


def test_pieces_have_coefficients_of_their_own():
    found = curves(start=(0.0, 2000.0), end=(1000.0, 2500.0), sizes=(8, 5))
    assert found.size == 13
    assert not at(found, 0, TIME)[:, 8:].any()
    late = at(found, 1, [2000.0, 2250.0, 2500.0])
    assert not late[:, :8].any()
    np.testing.assert_allclose(late.sum(axis=1), 1, atol=1e-9)


def test_times_outside_a_piece_are_held():
    found = at(curves(), 0, [-50.0, 0.0, 1000.0, 1050.0])
    np.testing.assert_array_equal(found[0], found[1])
    np.testing.assert_array_equal(found[3], found[2])


@pytest.mark.parametrize("degree", [1, 3])
def test_a_piece_of_one_coefficient_is_a_number(degree):
    found = curves(degree, start=(0.0, 5.0), end=(4.0, 5.0), sizes=(1, 1))
    np.testing.assert_array_equal(at(found, 0, [0.0, 2.0, 4.0]), [[1, 0]] * 3)
    np.testing.assert_array_equal(at(found, 1, [5.0]), [[0, 1]])


@pytest.mark.parametrize("order", [1, 2])
def test_the_penalty_is_differences_within_each_piece(order):
    found = curves(start=(0.0, 0.0), end=(1.0, 1.0), sizes=(5, 4), order=order)
    coefficients = np.random.default_rng(1).normal(0, 1, 9)
    expected = np.concatenate([np.diff(coefficients[:5], order), np.diff(coefficients[5:], order)])
    np.testing.assert_allclose(found.penalty() @ coefficients, expected)


def test_bends_of_a_straight_drift_cost_nothing_and_changes_of_a_level_one():
    line = np.arange(8.0)
    np.testing.assert_allclose(curves(order=2).penalty() @ line, 0, atol=1e-12)
    np.testing.assert_allclose(curves(order=1).penalty() @ np.ones(8), 0, atol=1e-12)
    assert (curves(order=1).penalty() @ line == 1).all()


def test_pieces_of_one_coefficient_have_no_penalty():
    found = curves(start=(0.0, 0.0), end=(0.0, 0.0), sizes=(1, 1))
    assert found.penalty().shape == (0, 2)


@given(start=st.floats(-1e6, 1e9), span=st.floats(1.0, 1e5), share=st.floats(0, 1))
@settings(max_examples=30, deadline=None)
def test_only_the_share_of_a_piece_matters(start, span, share):
    moved = curves(start=(start,), end=(start + span,))
    # Of a clock of 1e9 seconds a double keeps 1e-7 of them.
    np.testing.assert_allclose(
        at(moved, 0, [start + share * span]), at(curves(), 0, [1000 * share]), atol=1e-5
    )
