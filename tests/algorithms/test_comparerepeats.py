import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.check.comparerepeats import comparecrossings, comparerepeats
from lynchet.algorithms.check.repeat_pairs import pair_crossings, pair_repeats
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings


def walk(x=(0.0, 1.0, 2.0), ny=40, step=0.25, noise=0.0, off=0.0, seed=0, lift=0.0, **fields):
    """Lines walked north, over ground that rises east and swings north."""
    rng = np.random.default_rng(seed)
    east, north = np.repeat(x, ny), np.tile(np.arange(ny) * step + off, len(x))
    values = 20 + 2 * east + np.sin(north) + lift + rng.normal(0, noise, len(east))
    fields = {"line": np.repeat(np.arange(len(x)), ny), "sequence": north, **fields}
    return Readings.build(x=east, y=north, values=values, **fields)


def cross(values_of, tie_at=(2.1, 5.3)):
    """Lines north at x = 0..3 and tie lines east, 0.25 m apart, a value a line."""
    x, y, line, values = [], [], [], []
    for number in range(4):
        north = np.arange(0, 8, 0.25)
        x += [float(number)] * len(north)
        y += north.tolist()
        line += [number] * len(north)
        values += [values_of(number)] * len(north)
    for number, at in enumerate(tie_at, start=4):
        east = np.arange(-0.9, 4, 0.25)
        x += east.tolist()
        y += [at] * len(east)
        line += [number] * len(east)
        values += [values_of(number)] * len(east)
    return Readings.build(x=x, y=y, values=values, line=line)


def test_the_same_walk_twice_agrees_wholly():
    found = comparerepeats(walk(), walk(), 0.1).agreements[0]
    assert (found.count, found.median, found.spread, found.lower, found.upper) == (120, 0, 0, 0, 0)
    assert (found.slope, found.chance) == (0.0, 1.0)


def test_a_lift_is_the_systematic_part_and_no_spread():
    found = comparerepeats(walk(), walk(lift=0.7), 0.1)
    one = found.agreements[0]
    assert one.median == pytest.approx(0.7)
    assert one.spread == pytest.approx(0.0, abs=1e-12)
    assert one.median_low == pytest.approx(one.median_high)
    assert "c1: the repeat reads systematically higher, by 0.7" in found.warnings[0]


def test_repeats_are_compared_with_the_value_between_two_readings():
    first = Readings.build(x=[0.0, 1.0, 2.0], y=[0.0] * 3, values=[10.0, 20.0, 10.0])
    second = Readings.build(x=[0.25, 1.5], y=[0.2, -0.1], values=[12.5, 15.5])
    pairs = pair_repeats(first, second, 0.3)
    assert pairs.first[:, 0].tolist() == [12.5, 15.0]
    assert pairs.second[:, 0].tolist() == [12.5, 15.5]
    np.testing.assert_allclose(pairs.distance, [0.2, 0.1])
    np.testing.assert_allclose(pairs.carried, [1 + 0.75**2 + 0.25**2, 1.5])


def test_the_nearest_line_counts_though_a_reading_of_another_is_nearer():
    # Between two coarse readings of its own line, half a metre from the next line's reading.
    first = Readings.build(
        x=[0.0, 0.0, 0.55], y=[0.0, 2.0, 1.0], values=[10.0, 10.0, 99.0], line=[1, 1, 2]
    )
    pairs = pair_repeats(first, Readings.build(x=[0.1], y=[1.0], values=[10.5]), 0.3)
    assert pairs.first.tolist() == [[10.0]]
    assert pairs.line_first.tolist() == [0]


def test_lines_are_not_joined_and_gaps_not_bridged():
    y = np.concatenate([np.arange(10) * 0.5, 20 + np.arange(10) * 0.5])
    first = Readings.build(x=np.zeros(20), y=y, values=y)
    inside = Readings.build(x=[0.0, 0.0], y=[2.2, 12.0], values=[2.2, 12.0])
    assert len(pair_repeats(first, inside, 0.5)) == 1
    two = Readings.build(x=np.zeros(20), y=y, values=y, line=np.repeat([0, 1], 10))
    near_end = Readings.build(x=[0.0], y=[4.9], values=[4.9])
    assert pair_repeats(two, near_end, 0.5).first.tolist() == [[4.5]]


def test_readings_out_of_reach_have_no_pair():
    second = walk(x=(0.2, 0.5))
    pairs = pair_repeats(walk(), second, 0.25)
    assert len(pairs) == 40
    assert set(pairs.line_second.tolist()) == {0}


def test_missing_off_scale_and_excluded_readings_do_not_count():
    first, second = walk(), walk()
    first.values[10], second.values[20] = np.nan, np.nan
    first.qc[30], second.qc[40] = Qc.OFF_SCALE, Qc.EXCLUDED
    pairs = pair_repeats(first, second, 0.1)
    assert len(pairs) == 116
    assert np.isfinite(pairs.first).all()
    assert np.isfinite(pairs.second).all()


def test_a_channel_without_a_value_leaves_the_others_their_pair():
    table = np.column_stack([np.arange(9.0), np.arange(9.0)])
    first = Readings.build(x=np.arange(9), y=np.zeros(9), values=table)
    table[4, 1] = np.nan
    second = Readings.build(x=np.arange(9), y=np.zeros(9), values=table)
    found = comparerepeats(first, second, 0.1)
    assert [one.count for one in found.agreements] == [9, 8]
    assert len(found.pairs) == 9


def test_repeats_of_no_line_are_compared_after_the_others():
    line = np.r_[NO_LINE, np.zeros(5), np.ones(114)].astype(int)
    pairs = pair_repeats(walk(), walk(line=line), 0.1)
    assert pairs.line_second.tolist() == [0] * 5 + [1] * 114 + [-1]


def test_a_few_wild_pairs_move_the_limits_and_not_the_spread():
    calm, wild = walk(noise=0.1, seed=1), walk(noise=0.1, seed=2)
    plain = comparerepeats(calm, wild, 0.1).agreements[0]
    wild.values[::20] += 30
    shaken = comparerepeats(calm, wild, 0.1).agreements[0]
    assert shaken.spread < 1.3 * plain.spread
    assert abs(shaken.median) < 0.06
    assert shaken.upper > 10 * plain.upper


def test_a_gain_shows_as_dependence_on_the_level():
    first, second = walk(noise=0.05, seed=1), walk(noise=0.05, seed=2)
    second.values[:] = 22 + 1.1 * (second.values - 22)
    found = comparerepeats(first, second, 0.1)
    # Differences of a gain g against the mean: 2 (g - 1) / (g + 1).
    assert found.agreements[0].slope == pytest.approx(2 * 0.1 / 2.1, abs=0.01)
    assert found.agreements[0].rank > 0.9
    assert any("depends on the level" in said for said in found.warnings)
    even = comparerepeats(first, walk(noise=0.05, seed=3), 0.1)
    assert not any("depends on the level" in said for said in even.warnings)


def test_alike_neighbours_are_worth_less_and_widen_the_interval():
    first = walk(x=np.arange(20.0), seed=1)
    rng = np.random.default_rng(5)
    chance = rng.normal(0, 0.3, 800)
    smooth = np.convolve(rng.normal(0, 0.3, 800), np.ones(12) / np.sqrt(12), "same")
    found = [
        comparerepeats(first, first.with_values(first.values + extra[:, None]), 0.1).agreements[0]
        for extra in (chance, smooth)
    ]
    assert found[0].effective > 600
    assert found[1].effective < 150
    assert found[1].median_high - found[1].median_low > 2 * (
        found[0].median_high - found[0].median_low
    )


def test_few_pairs_are_warned_of():
    found = comparerepeats(walk(x=(0.0,), ny=10), walk(x=(0.0,), ny=10, lift=1.0), 0.1)
    assert found.warnings[0].startswith("c1: only 10 pairs; each limit may be off by ")
    assert found.warnings[1].startswith("c1: the repeat reads systematically higher, by 1:")


def test_crossings_compare_tie_lines_with_the_others():
    readings = cross(lambda number: 10.0 + number if number < 4 else 20.0)
    tie = np.array([False] * 4 + [True] * 2)
    found = comparecrossings(readings, tie)
    assert found.pairs.first[:, 0].tolist() == [10.0, 11.0, 12.0, 13.0] * 2
    assert found.pairs.second[:, 0].tolist() == [20.0] * 8
    assert found.pairs.line_second.tolist() == [4] * 4 + [5] * 4
    np.testing.assert_allclose(found.pairs.x, [0, 1, 2, 3] * 2, atol=1e-12)
    np.testing.assert_allclose(found.pairs.y, [2.1] * 4 + [5.3] * 4)
    assert found.agreements[0].median == 8.5
    assert found.messages[0] == "8 crossings with values of both lines."


def test_without_tie_lines_every_crossing_counts_once():
    readings = cross(float)
    pairs = pair_crossings(readings)
    assert len(pairs) == 8
    assert (pairs.line_first < pairs.line_second).all()


def test_crossings_follow_the_tie_line_as_it_was_walked():
    readings = cross(float, tie_at=(2.1,))
    back = Readings.build(
        x=readings.x, y=readings.y, values=readings.values, line=readings.line,
        sequence=-readings.sequence,
    )  # fmt: skip
    tie = np.array([False] * 4 + [True])
    assert pair_crossings(readings, tie).line_first.tolist() == [0, 1, 2, 3]
    assert pair_crossings(back, tie).line_first.tolist() == [3, 2, 1, 0]


def test_crossings_without_values_do_not_count():
    readings = cross(float)
    readings.values[readings.line == 4] = np.nan
    readings.qc[readings.line == 0] = Qc.EXCLUDED
    assert len(pair_crossings(readings)) == 3


def test_what_does_not_meet_is_refused():
    far = walk(x=(50.0,))
    with pytest.raises(ValueError, match=r"No usable repeat reading lies within 0\.1 map units"):
        comparerepeats(walk(), far, 0.1)
    with pytest.raises(ValueError, match="No two lines cross with usable values of both"):
        comparecrossings(walk())
    with pytest.raises(ValueError, match="The reach is 0: choose a length above 0"):
        comparerepeats(walk(), walk(), 0.0)
    with pytest.raises(ValueError, match="The repeat has the channels b where the first survey"):
        comparerepeats(walk(), walk(channels=["b"]), 0.1)
    with pytest.raises(ValueError, match="No channel has two pairs"):
        comparerepeats(walk(), Readings.build(x=[0], y=[0], values=[1]), 0.1)


def test_figures_and_messages_tell_what_was_found():
    found = comparerepeats(walk(units=["mS/m"]), walk(lift=0.5), 0.1)
    assert found.figures["pairs"] == 120
    assert found.figures["difference c1"] == 0.5
    assert set(found.figures) == {"pairs"} | {
        f"{name} c1"
        for name in (
            "pairs", "difference", "spread", "repeatability", "lower limit", "upper limit", "slope",
        )
    }  # fmt: skip
    assert found.messages[0] == (
        "120 of 120 repeat readings lie within 0.1 map units of a line of the first survey."
    )
    assert found.messages[1].startswith(
        "c1: 120 pairs, median difference 0.5 mS/m (95 % confidence 0.5 to 0.5), mean 0.5; a "
        "single reading "
    )


def test_it_can_be_cancelled():
    with pytest.raises(Cancelled):
        comparerepeats(walk(), walk(), 0.1, progress=lambda fraction: False)


@given(st.integers(0, 2**32 - 1), st.floats(-100, 100), st.sampled_from([0.5, 4.0]))
@settings(max_examples=15, deadline=None)
def test_lifting_scaling_row_order_and_exchange_go_through(seed, lift, by):
    first, second = walk(noise=0.3, seed=seed), walk(noise=0.3, off=0.1, seed=seed + 1)
    plain = comparerepeats(first, second, 0.3).agreements[0]
    lifted = comparerepeats(
        first.with_values(first.values + lift), second.with_values(second.values + lift), 0.3
    ).agreements[0]
    for name in ("median", "spread", "lower", "upper", "repeatability"):
        assert getattr(lifted, name) == pytest.approx(getattr(plain, name), abs=1e-9)
    scaled = comparerepeats(
        first.with_values(first.values * by), second.with_values(second.values * by), 0.3
    ).agreements[0]
    for name in ("median", "spread", "lower", "upper", "repeatability"):
        assert getattr(scaled, name) == pytest.approx(by * getattr(plain, name), abs=1e-9)
    assert scaled.slope == pytest.approx(plain.slope, abs=1e-9)
    order = np.random.default_rng(seed).permutation(len(first))
    shuffled = comparerepeats(first.take(order), second.take(order), 0.3).agreements[0]
    assert shuffled == plain or vars(shuffled) == vars(plain)
    same = walk(noise=0.3, seed=seed + 1)
    there = comparerepeats(first, same, 0.1).agreements[0]
    back = comparerepeats(same, first, 0.1).agreements[0]
    assert (back.median, back.lower) == pytest.approx((-there.median, -there.upper))
