import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.walk.heading import BLOCK, smoothed_heading, travel_of


def apart(found, wanted):
    """Difference of bearings, degrees, -180 to 180."""
    return (np.asarray(found) - wanted + 180) % 360 - 180


def fitted(x, y, at, window):
    """The definition, one reading at a time: NumPy's own straight-line fit."""
    path = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
    half = np.clip(min(path[at], path[-1] - path[at]), window / 4, window / 2)
    inside = np.abs(path - path[at]) <= half + 1e-9
    inside[max(at - 1, 0) : at + 2] = True
    east = np.polyfit(path[inside] - path[at], x[inside] - x[at], 1)[0]
    north = np.polyfit(path[inside] - path[at], y[inside] - y[at], 1)[0]
    return np.degrees(np.arctan2(east, north)) % 360


@pytest.mark.parametrize("bearing", [0.0, 17.0, 90.0, 197.0, 359.9])
def test_a_straight_traverse_has_its_bearing_everywhere(bearing):
    along = np.arange(80) * 0.25
    x = 430000 + along * np.sin(np.radians(bearing))
    y = 5900000 + along * np.cos(np.radians(bearing))
    np.testing.assert_allclose(apart(smoothed_heading(x, y, 2.0), bearing), 0, atol=1e-5)


def test_every_direction_is_that_of_a_straight_line_fit_to_its_window():
    rng = np.random.default_rng(1)
    turn = np.cumsum(rng.normal(0, 0.05, 3 * BLOCK))
    x = np.cumsum(0.12 * np.sin(turn)) + 430000
    y = np.cumsum(0.12 * np.cos(turn)) + 5900000
    found = travel_of(x, y, 2.0)
    for at in (0, 1, 5, 100, BLOCK - 1, BLOCK, 2 * BLOCK + 3, len(x) - 2, len(x) - 1):
        assert not found.doubtful[at]
        assert apart(found.bearing[at], fitted(x, y, at, 2.0)) == pytest.approx(0, abs=1e-4)


def test_jitter_of_2_cm_does_not_throw_the_direction_about():
    rng = np.random.default_rng(2)
    along = np.arange(160) * 0.125
    x, y = rng.normal(0, 0.02, 160), along + rng.normal(0, 0.02, 160)
    found = smoothed_heading(x, y, 2.0)
    step = np.degrees(np.arctan2(np.diff(x), np.diff(y)))
    assert np.std(step) > 10
    assert np.std(apart(found[8:-8], 0)) < 0.6  # closed form: 0.02 sqrt(12) / (0.125 17^1.5) rad
    assert np.abs(apart(found, 0)).max() < 9  # at the ends five readings: 2.9 degrees


def test_a_circle_is_followed_without_lag():
    angle = np.arange(0, 2 * np.pi, 0.02)  # radius 5: a reading every 0.1
    found = smoothed_heading(5 * np.sin(angle), -5 * np.cos(angle), 2.0)
    tangent = 90 - np.degrees(angle)
    np.testing.assert_allclose(apart(found, tangent)[10:-10], 0, atol=1e-6)
    # At the ends the window lies to one side: half a quarter of it, on the circle.
    assert np.abs(apart(found, tangent)).max() < np.degrees(0.25 / 5) + 0.2


def test_standing_still_keeps_the_last_direction_and_says_so():
    rng = np.random.default_rng(3)
    walk = np.arange(40) * 0.25
    wait = np.full(400, walk[-1])
    x = np.concatenate([walk, wait + rng.normal(0, 0.01, 400), walk[-1] + 0.25 + walk])
    y = np.concatenate([np.zeros(40), rng.normal(0, 0.01, 400), np.zeros(40)])
    found = travel_of(x, y, 2.0)
    assert found.doubtful[100:380].all()
    assert not found.doubtful[:36].any()
    assert not found.doubtful[-36:].any()
    np.testing.assert_allclose(apart(found.bearing, 90), 0, atol=5)


def test_waiting_at_the_start_takes_the_first_direction_told():
    x = np.concatenate([np.zeros(30), np.arange(1, 20) * 0.5])
    found = travel_of(x, np.zeros(49), 1.0)
    assert (found.bearing == 90).all()


def test_repeated_positions_do_not_matter():
    # Positions once a second, readings ten times as often.
    x = np.repeat(np.arange(20.0), 10)
    found = travel_of(x, np.zeros(200), 3.0)
    np.testing.assert_allclose(found.bearing, 90, atol=1e-9)
    assert not found.doubtful.any()


def test_turning_on_the_spot_is_doubtful_and_both_ways_are_right_away_from_it():
    y = np.concatenate([np.arange(0, 10, 0.1), np.arange(10, 0, -0.1)])
    found = travel_of(np.zeros(200), y, 2.0)
    assert (found.bearing[:95] == 0).all()
    assert (found.bearing[110:] == 180).all()
    assert found.doubtful[100]
    assert found.doubtful.sum() < 12


def test_missing_positions_are_carried_and_stepped_over():
    x, y = np.arange(9.0), np.zeros(9)
    x[4] = np.nan
    found = travel_of(x, y, 4.0)
    assert np.isnan(found.bearing[4])
    assert (np.delete(found.bearing, 4) == 90).all()
    assert (found.low[4], found.high[4]) == (4, 5)


@pytest.mark.parametrize("x", [[], [1.0], [np.nan, 2.0], [3.0, 3.0, 3.0]])
def test_a_traverse_that_leads_nowhere_has_no_direction(x):
    x = np.array(x)
    found = travel_of(x, np.zeros(len(x)), 1.0)
    assert np.isnan(found.bearing).all()
    assert not found.doubtful.any()


def test_a_window_narrower_than_the_interval_takes_the_neighbours():
    x = np.array([0.0, 1.0, 2.0, 2.0, 2.0])
    y = np.array([0.0, 0.0, 0.0, 1.0, 2.0])
    np.testing.assert_allclose(smoothed_heading(x, y, 0.01), [90, 90, 45, 0, 0], atol=1e-9)


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 10**6), st.floats(0, 360), st.floats(-1e6, 1e6))
def test_turning_and_moving_the_map_turns_the_directions(seed, turn, shift):
    rng = np.random.default_rng(seed)
    place = np.cumsum(rng.normal(0.2, 0.05, 50) * np.exp(1j * np.cumsum(rng.normal(0, 0.1, 50))))
    plain = smoothed_heading(place.real, place.imag, 1.0)
    turned = place * np.exp(-1j * np.radians(turn)) + shift
    found = smoothed_heading(turned.real, turned.imag, 1.0)
    np.testing.assert_allclose(apart(found - turn, plain), 0, atol=1e-4)
    back = smoothed_heading(place.real[::-1], place.imag[::-1], 1.0)[::-1]
    np.testing.assert_allclose(apart(back + 180, plain), 0, atol=1e-6)


def test_a_window_that_is_none_is_refused():
    with pytest.raises(ValueError, match="window of the direction is 0: give a length above 0"):
        smoothed_heading(np.arange(3.0), np.arange(3.0), 0.0)


def test_a_bearing_is_never_a_whole_circle():
    assert smoothed_heading(np.array([0.0, -1e-20]), np.array([0.0, 1.0]), 1.0).tolist() == [0, 0]
