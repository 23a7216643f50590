"""Tracks of known geometry split into the traverses they were made of."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.splitlines import (
    ON_LINE,
    TURN,
    UNPLACED,
    SplitOptions,
    splitlines,
)
from lynchet.algorithms.intake.walk.turns import nodes
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE
from tracks import jittered, readings, walked, zigzag


def lengths(found):
    return [piece.length for piece in found.pieces]


# -- zigzag ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("arcs", "most"), [(False, 0.55), (True, 0.75)])
def test_two_hundred_random_zigzags_give_every_traverse_with_its_ends(arcs, most):
    # Measured: every count right; square corners 0.11 rms, worst 0.49; half circles of up to 1 m
    # radius, where no end is sharp, 0.21 rms, worst 0.71.
    off = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        count, length = int(rng.integers(3, 12)), rng.uniform(8, 30)
        separation, interval = rng.choice([0.5, 1.0, 2.0]), rng.uniform(0.125, 0.25)
        place, at, starts, ends = zigzag(count, length, separation, interval, arcs)
        place = jittered(place, rng.uniform(0.02, 0.05), seed, rng.uniform(0, 360))
        found = splitlines(readings(place))
        assert len(found.pieces) == count, seed
        for k in range(count):
            rows = np.flatnonzero(found.line == k + 1)
            off += [at[rows[0]] - starts[k], at[rows[-1]] - ends[k]]
    assert np.abs(off).max() < most
    assert np.sqrt(np.mean(np.square(off))) < 0.25


def test_a_clean_zigzag_is_told_exactly():
    place, _, _, _ = zigzag(4, 20.0, 1.0, 0.25)
    found = splitlines(readings(place))
    assert lengths(found) == pytest.approx([20.0] * 4, abs=1e-6)
    assert [piece.bearing for piece in found.pieces] == pytest.approx([0, 180, 0, 180], abs=1e-6)
    first = found.line == 1
    np.testing.assert_allclose(found.along[first], np.arange(81) * 0.25, atol=1e-6)
    np.testing.assert_allclose(found.sequence[first], np.arange(1, 82))
    np.testing.assert_allclose(np.abs((found.bearing[first] + 180) % 360 - 180), 0, atol=1e-5)
    assert found.figures["readings in turns"] == 3 * 3  # those on the way across
    assert (found.why == TURN).sum() == 9


def test_walking_back_over_the_same_ground_is_two_traverses():
    place, _, _, _ = zigzag(2, 20.0, 0.0, 0.125)
    for seed in range(20):
        found = splitlines(readings(jittered(place, 0.03, seed)))
        assert [piece.line for piece in found.pieces] == [1, 2]
        assert lengths(found) == pytest.approx([20, 20], abs=0.35)


def test_jitter_adds_no_length():
    place, _, _, _ = zigzag(3, 40.0, 1.0, 0.125)
    noisy = jittered(place, 0.05, 3)
    raw = np.abs(np.diff(noisy[:320])).sum()
    assert raw > 45  # the way from dot to dot is no length
    assert lengths(splitlines(readings(noisy))) == pytest.approx([40] * 3, abs=0.5)


# -- other ways --------------------------------------------------------------------------------


def test_a_line_that_bends_slowly_is_one_traverse():
    # A quarter of a circle of 20 m: 90 degrees in all, 6 in any window.
    angle = np.linspace(0, np.pi / 2, 400)
    found = splitlines(readings(jittered(20 * np.exp(1j * angle), 0.03)))
    assert len(found.pieces) == 1
    assert found.pieces[0].readings == 400
    assert lengths(found) == pytest.approx([20 * np.pi / 2], abs=0.3)


@pytest.mark.parametrize(("radius", "one"), [(2.2, False), (3.2, True)])
def test_a_circle_is_a_turn_below_the_radius_that_window_and_angle_make(radius, one):
    # Chords of length h on a circle of radius r meet at 2 asin(h / 2r): 45 degrees at 2.61 m for
    # h = 2 by the chord, 2.55 m by the arc. Straight lines of 10 m lead in and out.
    arc = radius * (1 - np.exp(-1j * np.linspace(0, np.pi, 200)))
    place, _, _ = walked([-10j, *arc, 2 * radius - 10j], 0.125)
    found = splitlines(readings(place))
    assert len(found.pieces) == (1 if one else 2)


def test_a_square_spiral_is_cut_at_its_corners_until_the_sides_are_too_short():
    place, vertices = 0, [0]
    for k, side in enumerate(np.arange(20, 0, -1.0)):
        place += side * (1j * (-1j) ** k)
        vertices.append(place)
    track, _, _ = walked(vertices, 0.125)
    found = splitlines(readings(jittered(track, 0.02)), SplitOptions(min_length=5.5))
    assert lengths(found) == pytest.approx(np.arange(20, 5, -1), abs=0.4)
    bearings = np.array([piece.bearing for piece in found.pieces])
    off = (bearings - 90 * np.arange(15) + 180) % 360 - 180
    assert np.abs(off).max() < 3


def racetrack(rounds=3):
    vertices = []
    for k in range(rounds):
        a, b = k, 8 + k  # up here, down over there: headlands of 8 and 7 m
        vertices += [a, a + 30j, b + 30j, b]
    return walked(vertices, 0.2)


def test_headlands_of_a_racetrack_are_no_traverses_by_length_or_by_bearing():
    place, _, _ = racetrack()
    place = jittered(place, 0.03)
    by_length = splitlines(readings(place), SplitOptions(min_length=10))
    by_bearing = splitlines(readings(place), SplitOptions(bearings=(180.0,)))
    for found in (by_length, by_bearing):
        assert lengths(found) == pytest.approx([30] * 6, abs=0.6)
    assert len(splitlines(readings(place)).pieces) == 11


def test_bearings_cut_a_wide_turn_that_bends_slowly():
    arc = 8 * (1 - np.exp(-1j * np.linspace(0, np.pi, 300)))
    place, _, _ = walked([-25j, *arc, 16 - 25j], 0.25)
    assert len(splitlines(readings(place)).pieces) == 1
    found = splitlines(readings(place), SplitOptions(bearings=(0.0,), bearing_tolerance=15))
    assert len(found.pieces) == 2
    assert np.array(lengths(found)) == pytest.approx(25, abs=3)


def test_a_short_wobble_does_not_cut():
    place, _, _ = walked([0, 10j, 1 + 11j, 1 + 12j, 13j, 24j], 0.125)
    for seed in range(20):
        found = splitlines(readings(jittered(place, 0.03, seed)))
        assert len(found.pieces) == 1
        assert found.pieces[0].readings == len(place)


def test_a_long_way_round_something_cuts():
    place, _, _ = walked([0, 12j, 1.5 + 12j, 1.5 + 13j, 13j, 25j], 0.125)
    found = splitlines(readings(jittered(place, 0.02)))
    assert lengths(found) == pytest.approx([12, 12], abs=0.6)


@pytest.mark.parametrize("onward", [0.0, 1.5])
def test_a_loop_walked_on_a_line_is_in_turns(onward):
    turn = np.linspace(0, 2 * np.pi, 100)
    loop = 12j + 1 - np.exp(1j * turn) + 1j * onward * turn / (2 * np.pi)
    place, _, _ = walked([0, *loop, 24j + 1j * onward], 0.125)
    found = splitlines(readings(jittered(place, 0.02)))
    assert lengths(found) == pytest.approx([12, 12], abs=0.9)
    assert abs(found.figures["readings in turns"] * 0.125 - 2 * np.pi) < 1.6


# -- standing, repeats, gaps, speed ------------------------------------------------------------


def stop_and_go(sigma=0.04):
    """A traverse of 24 m with a stand of 30 s every 3 m, and one back."""
    place, _, _, _ = zigzag(2, 24.0, 1.0, 0.125)
    count = np.where((np.arange(len(place)) % 24 == 12), 240, 1)
    place = np.repeat(place, count)
    return jittered(place, sigma, 5), np.arange(len(place)) * 0.125


def test_standing_still_does_not_cut_and_adds_no_length():
    place, time = stop_and_go()
    found = splitlines(readings(place, time=time))
    assert lengths(found) == pytest.approx([24, 24], abs=0.6)
    assert found.figures["readings in turns"] < 20 + 240


def test_stops_leave_their_traverse_when_a_slowest_speed_is_given():
    place, time = stop_and_go()
    found = splitlines(readings(place, time=time), SplitOptions(slowest=0.3))
    assert lengths(found) == pytest.approx([24, 24], abs=0.6)
    assert found.figures["readings in turns"] > 15 * 230  # of 16 stands of 240 readings


def test_carrying_the_instrument_off_is_no_traverse_when_a_fastest_speed_is_given():
    place, _, _ = walked([0, 20j, 60j], 0.125)
    time = np.cumsum(np.where(place.imag > 20, 0.02, 0.125))
    every = splitlines(readings(place, time=time))
    assert lengths(every) == pytest.approx([60])
    found = splitlines(readings(place, time=time), SplitOptions(fastest=3.0))
    assert lengths(found) == pytest.approx([20], abs=1.2)


def test_repeated_positions_of_a_slow_receiver():
    # 8 readings a second, a position each second: 1.2 m steps, eight readings at each.
    place, _, _, _ = zigzag(4, 24.0, 1.2, 0.15)
    held = place[np.arange(len(place)) // 8 * 8]
    found = splitlines(readings(held))
    assert len(found.pieces) == 4
    assert lengths(found) == pytest.approx([24] * 4, abs=1.3)


def test_a_gap_in_distance_and_one_in_time_end_a_traverse():
    place, _, _ = walked([0, 40j], 0.25)
    kept = np.abs(place.imag - 20) > 2.0
    time = np.arange(len(place)) * 0.2
    found = splitlines(readings(place[kept], time=time[kept]))
    assert len(found.pieces) == 2
    assert found.figures["gaps"] == 1
    assert "1 gap in the track" in found.messages[1]
    paused = time + 60.0 * (place.imag > 10)
    found = splitlines(readings(place, time=paused))
    assert lengths(found) == pytest.approx([10, 29.75])
    assert len(splitlines(readings(place, time=paused), SplitOptions(gap_time=None)).pieces) == 1
    assert len(splitlines(readings(place[kept]), SplitOptions(gap=6)).pieces) == 1


def test_a_jump_of_position_cuts_nothing_and_is_told():
    place, _, _ = walked([0, 30j], 0.25)
    place[40] += 9
    found = splitlines(readings(place))
    assert len(found.pieces) == 1
    assert found.pieces[0].readings == len(place)
    assert found.figures["jumps of position"] == 1
    assert found.warnings == (
        "1 reading lies far from both neighbours on the track: the position is wrong, and cuts no "
        "traverse.",
    )


def test_readings_without_position_belong_to_the_traverse_around_them():
    place, _, _, _ = zigzag(2, 20.0, 1.0, 0.25)
    place[10:13] = np.nan
    place[-2:] = np.nan
    found = splitlines(readings(place))
    assert (found.line[10:13] == 1).all()
    assert np.isnan(found.along[10:13]).all()
    assert (found.line[-2:] == NO_LINE).all()
    assert (found.why[-2:] == UNPLACED).all()
    assert "2 readings have no position" in found.warnings[0]


# -- order and numbers -------------------------------------------------------------------------


def track():
    place, _, _, _ = zigzag(5, 15.0, 1.0, 0.25)
    return jittered(place, 0.03, 1)


@pytest.mark.parametrize("by", ["time", "sequence"])
def test_the_order_of_the_rows_does_not_matter_where_a_field_tells_the_order(by):
    place = track()
    order = np.arange(len(place), dtype=float)
    mixed = np.random.default_rng(0).permutation(len(place))
    plain = splitlines(readings(place, **{by: order}))
    found = splitlines(readings(place[mixed], **{by: order[mixed]}))
    np.testing.assert_array_equal(found.line, plain.line[mixed])
    np.testing.assert_allclose(found.along, plain.along[mixed])
    assert ("time" if by == "time" else "sequence") in found.messages[0]


def test_each_data_grid_is_numbered_from_the_first_number():
    place = np.concatenate([track(), track() + 50])
    grid = ["A"] * len(track()) + ["B"] * len(track())
    found = splitlines(readings(place, grid=grid), SplitOptions(first_line=11))
    assert [(piece.grid, piece.line) for piece in found.pieces] == [
        (name, line) for name in "AB" for line in range(11, 16)
    ]
    assert "10 traverses in 2 data grids" in found.messages[0]


def test_numbers_there_were_are_replaced_and_that_is_said():
    place = track()
    line = np.arange(len(place)) // 100
    found = splitlines(readings(place, line=line))
    assert len(found.pieces) == 5
    assert found.warnings[0] == (
        f"The traverse numbers there were, {line.max() + 1} different ones, are replaced."
    )


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.floats(-30, 30), st.floats(-30, 30)), min_size=2, max_size=8, unique=True
    ),
    st.integers(0, 2**16),
)
def test_any_track_keeps_all_its_readings_and_its_traverses_part_it(corners, seed):
    place, _, _ = walked([12j - 60, -60, *(complex(*corner) for corner in corners)], 0.3)
    place = jittered(place, 0.05, seed)
    data = readings(place)
    x = data.x.copy()
    found = splitlines(data)
    np.testing.assert_array_equal(data.x, x)
    assert len(found.line) == len(place)
    on = found.line != NO_LINE
    assert (on == (found.why == ON_LINE)).all()
    assert on.sum() == sum(piece.readings for piece in found.pieces)
    assert on.sum() + found.figures["readings in turns"] == len(place)
    last = -1
    for piece in found.pieces:
        rows = np.flatnonzero(found.line == piece.line)
        assert rows[0] > last  # in walking order, one after the other
        last = rows[-1]
        np.testing.assert_array_equal(found.sequence[rows], np.arange(1, len(rows) + 1))
        assert piece.length > 5 - 0.6  # told along smoothed headings
    again = splitlines(data)
    np.testing.assert_array_equal(again.along, found.along)


def test_nodes_lie_apart_and_skip_what_stands_still():
    rng = np.random.default_rng(0)
    place = np.repeat(np.arange(0, 10, 0.2), 7) + 0.01 * rng.normal(size=350) + 0j
    found = nodes(place, 1.0)
    slow = [0]
    for k in range(350):
        if abs(place[k] - place[slow[-1]]) >= 1.0:
            slow.append(k)
    assert found.tolist() == slow


# -- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"window": 0}, "The window is 0: give a number above 0."),
        ({"turn_angle": 5}, "The turn angle is 5 degrees: choose one from 10 to 120."),
        (
            {"window": 4},
            "Traverses of 5 cannot be told apart by directions taken over 4: the window must be at "
            "most half of the least length.",
        ),
        ({"bearings": (np.nan,)}, "A bearing of the traverses is no plain number: give degrees."),
        (
            {"bearings": (0,), "bearing_tolerance": 90},
            "The tolerance of the bearings is 90 degrees: choose more than 0 and at most 60.",
        ),
        (
            {"slowest": 3, "fastest": 2},
            "The slowest speed, 3, is not below the fastest, 2.",
        ),
    ],
)
def test_options_out_of_range_are_refused(options, sentence):
    with pytest.raises(ValueError, match="^" + sentence.replace(".", r"\.") + "$"):
        SplitOptions(**options)


def test_speeds_without_times_positions_that_lack_and_no_traverse_are_refused():
    with pytest.raises(ValueError, match="Speeds need the time of every reading"):
        splitlines(readings(track()), SplitOptions(slowest=0.2))
    with pytest.raises(ValueError, match="No reading has a position"):
        splitlines(readings(np.full(5, np.nan + 0j)))
    with pytest.raises(ValueError, match="No traverse of 50 map units or more is found"):
        splitlines(readings(track()), SplitOptions(min_length=50))
    with pytest.raises(ValueError, match="No traverse"):
        splitlines(readings(np.zeros(30, complex)))


def test_it_can_be_cancelled():
    with pytest.raises(Cancelled):
        splitlines(readings(track()), progress=lambda fraction: False)
