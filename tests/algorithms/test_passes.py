"""The lag between profiles: what is compared, what counts, and what a traverse adds."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.opposing import moved, profiles_of
from lynchet.algorithms.correct.passes import FEWEST, Shift, coarse_lag, find_shift, line_shifts
from lynchet.algorithms.correct.traverses import grids_of
from lynchet.algorithms.readings import Readings
from scipy.interpolate import CubicSpline
from scipy.ndimage import gaussian_filter1d

INTERVAL, COUNT = 0.125, 160
PLACES = (np.arange(COUNT) + 0.5) * INTERVAL


def profile(seed=0):
    """Ground that changes along the traverses only, features some six readings wide."""
    rough = gaussian_filter1d(np.random.default_rng(seed).normal(0, 1, COUNT + 400), 3.0)
    return CubicSpline((np.arange(COUNT + 400) - 200) * INTERVAL, 3 * rough / rough.std())


def zigzag(ground, lags, across=None, ways=None, noise=0.0):
    """Readings of traverses stamped `lags` ahead over `ground(u, v)`."""
    count = len(lags)
    across = np.arange(count) * 0.5 if across is None else across
    ways = np.where(np.arange(count) % 2 == 0, 1, -1) if ways is None else ways
    v = np.concatenate([PLACES[::way] for way in ways])
    u = np.repeat(across, COUNT)
    late = np.repeat(np.asarray(ways) * lags, COUNT)
    values = ground(u, v - late) + np.random.default_rng(1).normal(0, noise, len(u))
    return Readings.build(x=u, y=v, values=values, line=np.repeat(np.arange(count), COUNT))


def profiles(readings):
    (lines,) = grids_of(readings)
    return profiles_of(lines, [readings.values[t.rows, 0] for t in lines.traverses], INTERVAL)


def shift_of(readings, **options):
    found = profiles(readings)
    return find_shift([found], [np.ones(len(found.way))], options.pop("largest", 1.0), **options)


def along_only(seed=0):
    ground = profile(seed)
    return lambda u, v: ground(v)


@pytest.mark.parametrize("lag", [0.0, 0.05, -0.12, 0.4, 0.95])
def test_the_lag_of_ground_without_noise_is_found_to_a_thirtieth_of_an_interval(lag):
    found = shift_of(zigzag(along_only(), np.full(12, lag)))
    assert found.lag == pytest.approx(lag, abs=INTERVAL / 30)
    assert found.traverses == 10  # the outer two have no neighbour on one side


def test_a_lag_beyond_the_largest_looked_for_is_not_found():
    found = shift_of(zigzag(along_only(), np.full(12, 0.8)), largest=0.3)
    assert abs(found.lag) <= 0.3
    assert not found.evident


def test_the_coarse_lag_of_several_profiles_is_that_of_the_heavier():
    two = [profiles(zigzag(along_only(seed), np.full(12, 0.25 * seed))) for seed in (0, 1)]
    assert coarse_lag(two, [1.0, 0.001], 1.0) == 0.0
    assert coarse_lag(two, [0.001, 1.0], 1.0) == pytest.approx(0.25)


def test_the_coarse_lag_is_the_nearest_half_interval():
    for lag in (-0.5, -0.06, 0.0, 0.13, 0.44):
        found = coarse_lag([profiles(zigzag(along_only(), np.full(12, lag)))], [1.0], 1.0)
        assert found == pytest.approx(lag, abs=0.26 * INTERVAL)
        assert found / (INTERVAL / 2) == pytest.approx(round(found / (INTERVAL / 2)))


def test_a_feature_oblique_to_the_traverses_is_not_taken_for_a_lag():
    # Further along by 0.15 a traverse: half of that would be a lag.
    ground = profile(3)
    oblique = shift_of(zigzag(lambda u, v: ground(v - 0.3 * u), np.zeros(20)))
    assert abs(oblique.lag) < 0.1 * INTERVAL
    assert not oblique.evident
    # Compared with one neighbour only, it cannot be told from one.
    two = shift_of(zigzag(lambda u, v: ground(v - 0.3 * u), np.zeros(2)))
    assert abs(two.lag) == pytest.approx(0.075, abs=0.01)


def test_a_feature_at_45_degrees_narrower_than_the_separation_is_no_evidence():
    ground = profile(3)
    assert not shift_of(zigzag(lambda u, v: ground(v - u), np.zeros(20))).evident


def test_an_offset_of_each_traverse_and_broad_soil_do_not_count():
    plain = zigzag(along_only(), np.full(12, 0.1))
    offsets = np.random.default_rng(4).normal(0, 5, 12)[plain.line]
    broad = 10 * np.cos(2 * np.pi * plain.y / 40 + plain.x)
    tilted = plain.with_values(plain.values + (offsets + broad)[:, np.newaxis])
    assert shift_of(tilted).lag == pytest.approx(shift_of(plain).lag, abs=0.03 * INTERVAL)


def test_only_opposing_neighbours_are_compared():
    across = np.array([0.0, 0.5, 1.0, 3.0, 3.5, 3.51])
    ways = [1, -1, -1, 1, -1, 1]
    found = profiles(zigzag(along_only(), np.zeros(6), across, ways))
    # 1 and 2 go one way, 2 and 3 lie too far apart, 4 and 5 at one place.
    assert found.middle.tolist() == [0, 1, 3, 4]
    assert found.left.tolist() == [-1, 0, -1, 3]
    assert found.right.tolist() == [1, -1, 4, -1]


def test_traverses_walked_one_way_say_nothing():
    found = shift_of(zigzag(along_only(), np.full(6, 0.2), ways=[1] * 6))
    assert found.traverses == 0
    assert not found.evident


def test_evidence_needs_size_certainty_traverses_and_agreement():
    good = {
        "lag": 0.1, "error": 0.01, "traverses": FEWEST, "before": 2.0, "after": 1.0,
        "likeness": 20.0,
    }  # fmt: skip
    assert Shift(**good).evident
    assert Shift(**{**good, "lag": -0.1}).evident
    for worse in (
        {"lag": 0.029}, {"error": np.nan}, {"traverses": FEWEST - 1}, {"after": 2.0},
        {"slight": 0.11}, {"likeness": 2.0},
    ):  # fmt: skip
        assert not Shift(**{**good, **worse}).evident


def test_noise_alone_is_no_evidence():
    nothing = lambda u, v: 0.0 * u  # noqa: E731
    readings = zigzag(nothing, np.zeros(12))
    for seed in range(40):
        noise = np.random.default_rng(seed).normal(0, 1.0, readings.values.shape)
        assert not shift_of(readings.with_values(noise)).evident


def test_the_standard_error_is_that_of_repeated_noise():
    ground = along_only()
    found = []
    for seed in range(30):
        readings = zigzag(ground, np.full(12, 0.1))
        noise = np.random.default_rng(seed).normal(0, 1.0, readings.values.shape)
        found.append(shift_of(readings.with_values(readings.values + noise)))
    scatter = np.std([shift.lag for shift in found])
    claimed = np.median([shift.error for shift in found])
    # 30 repeats tell a standard deviation to 13 %; the claim may be wide and must not be narrow.
    assert 0.7 * scatter < claimed < 2.5 * scatter


def test_a_time_lag_is_found_by_the_speed_of_each_traverse():
    speed = np.random.default_rng(5).uniform(0.6, 1.6, 12)
    table = profiles(zigzag(along_only(), 0.2 * speed))
    found = find_shift([table], [speed], 1.0)
    assert found.lag == pytest.approx(0.2, abs=0.005)
    plain = find_shift([table], [np.ones(12)], 1.0)
    assert plain.after > 2 * found.after


def test_data_grids_looked_at_together_share_one_lag_in_between():
    two = [profiles(zigzag(along_only(seed), np.full(12, 0.04 * seed))) for seed in (1, 3)]
    found = find_shift(two, [np.ones(12)] * 2, 1.0)
    assert 0.04 < found.lag < 0.12
    assert found.traverses == 20


def test_spikes_hardly_move_the_lag():
    readings = zigzag(along_only(), np.full(20, 0.1), noise=0.1)
    hit = np.random.default_rng(6).uniform(size=readings.values.shape) < 0.01
    spiked = readings.with_values(readings.values + 30 * hit)
    assert shift_of(spiked).lag == pytest.approx(0.1, abs=0.1 * INTERVAL)


def test_gaps_do_not_move_the_lag():
    readings = zigzag(along_only(), np.full(20, 0.1), noise=0.1)
    rng = np.random.default_rng(7)
    values = readings.values.copy()
    values[rng.uniform(size=values.shape) < 0.05] = np.nan
    for line in range(20):
        start = line * COUNT + rng.integers(0, COUNT - 20)
        values[start : start + 15] = np.nan
    assert shift_of(readings.with_values(values)).lag == pytest.approx(0.1, abs=0.1 * INTERVAL)


def test_one_traverse_without_readings_leaves_the_lag_of_the_others():
    readings = zigzag(along_only(), np.full(12, 0.1))
    values = readings.values.copy()
    values[readings.line == 5] = np.nan
    found = shift_of(readings.with_values(values))
    assert found.lag == pytest.approx(0.1, abs=0.005)
    # That traverse is compared with none, and its neighbours with one.
    assert found.traverses == 7


def test_a_row_moved_there_and_back_is_itself():
    row = np.sin(np.arange(80) / 6)[np.newaxis]
    there, _ = moved(row, np.array([2.4]))
    back, _ = moved(there, np.array([-2.4]))
    np.testing.assert_allclose(back[0, 6:-6], row[0, 6:-6], atol=1e-3)


def test_a_row_moved_by_whole_positions_is_copied_and_held_at_its_end():
    row = np.arange(6.0)[np.newaxis] ** 2
    assert moved(row, np.array([2.0]))[0].tolist() == [[4, 9, 16, 25, 25, 25]]
    assert moved(row, np.array([-1.0]))[0].tolist() == [[0, 0, 1, 4, 9, 16]]


def test_rows_are_moved_each_by_its_own_shift():
    table = np.random.default_rng(2).normal(0, 1, (4, 30))
    shifts = np.array([0.5, -3.25, 0.5, 40.0])
    together = moved(table, shifts)
    for row in range(4):
        alone = moved(table[[row]], shifts[[row]])
        for one, both in zip(alone, together):
            np.testing.assert_array_equal(both[row], one[0])


def more_of(own, noise=0.1):
    found = profiles(zigzag(along_only(), 0.1 + own, noise=noise))
    ones = np.ones(len(own))
    return line_shifts([found], [ones], find_shift([found], [ones], 1.0))


def test_a_traverse_with_its_own_lag_is_told_from_its_neighbours():
    own = np.zeros(20)
    own[7] = 0.1
    more, scatter = more_of(own)
    assert np.argmax(more) == 7
    assert more[7] > 2 * np.abs(np.delete(more, 7)).max()
    assert scatter > 0


def test_the_own_lag_of_a_traverse_is_found_whole_where_noise_is_low():
    own = np.random.default_rng(1).normal(0, 0.05, 20)
    more, scatter = more_of(own)
    # Lags that alternate from traverse to traverse move all to one side, and do not show.
    assert 0.5 < np.polyfit(own, more, 1)[0] < 1.1
    assert scatter == pytest.approx(np.std(own), rel=0.5)


def test_traverses_alike_add_nothing_worth_the_name():
    more, _ = more_of(np.zeros(20), noise=0.5)
    assert np.abs(more).max() < 0.1 * INTERVAL


@given(shift=st.floats(-1e3, 1e3), factor=st.floats(1e-2, 1e2), seed=st.integers(0, 50))
@settings(max_examples=10, deadline=None)
def test_the_lag_does_not_depend_on_the_level_or_the_unit(shift, factor, seed):
    readings = zigzag(along_only(seed), np.full(8, 0.1), noise=0.2)
    other = readings.with_values(readings.values * factor + shift)
    assert shift_of(other).lag == pytest.approx(shift_of(readings).lag, abs=1e-6)
