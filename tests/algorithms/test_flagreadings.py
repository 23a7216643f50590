"""Flagging: limits, stuck runs, exclusion, and points in polygons against Shapely."""

import numpy as np
import pytest
import shapely.geometry
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.check.lines import Lines
from lynchet.algorithms.check.values import stuck_findings, summarise
from lynchet.algorithms.correct.despike import noise_level
from lynchet.algorithms.correct.flagreadings import (
    FlagOptions,
    flagreadings,
    stuck_runs,
    within,
)
from lynchet.algorithms.correct.windows import Walk
from lynchet.algorithms.readings import NO_LINE, Qc, Readings


def line_of(values, **more):
    n = len(values)
    return Readings.build(x=np.arange(n) * 0.125, y=np.zeros(n), values=values, **more)


def flags(found):
    return found.readings.qc.tolist()


def noise(count=400, seed=0, step=0.01, sigma=1.0):
    """Gaussian noise written in steps."""
    values = np.random.default_rng(seed).normal(20, sigma, count)
    return np.round(values / step) * step


def test_values_at_or_beyond_the_ends_of_the_scale_are_off_scale():
    values = [-1.0, 0.0, 0.1, 50.0, 99.9, 100.0, 101.0]
    found = flagreadings(line_of(values), FlagOptions(lowest=(0.0,), highest=(100.0,)))
    assert flags(found) == [4, 4, 0, 0, 0, 4, 4]
    assert found.figures["off scale low c1"] == 2
    assert found.figures["off scale high c1"] == 2
    assert found.messages[0] == (
        "c1: 2 readings (29 %) at or below 0, 2 readings (29 %) at or above 100."
    )


def test_a_limit_is_met_by_what_single_precision_made_of_it():
    # 0.7 in single precision is 0.699999988, and 3.3 is 3.29999995.
    values = np.array([0.7, 3.3], np.float32).astype(float)
    assert (values < [0.7, 3.3]).all()
    for value, limit in zip(values, (0.7, 3.3)):
        assert flags(flagreadings(line_of([value, 0.1]), FlagOptions(highest=(limit,)))) == [4, 0]
    assert flags(flagreadings(line_of([0.69999, 0.1]), FlagOptions(highest=(0.7,)))) == [0, 0]


def test_each_channel_has_its_limits_and_the_flag_is_the_readings():
    values = [[5.0, 5.0], [15.0, 5.0], [5.0, 15.0], [15.0, 25.0]]
    each = flagreadings(line_of(values), FlagOptions(highest=(10.0, 20.0)))
    assert flags(each) == [0, 4, 0, 4]
    assert not each.readings.usable[[1, 3]].any()
    one = flagreadings(line_of(values), FlagOptions(highest=(10.0,)))
    assert flags(one) == [0, 4, 4, 4]
    second = flagreadings(line_of(values), FlagOptions(highest=(np.nan, 10.0)))
    assert flags(second) == [0, 0, 4, 4]
    assert "off scale high c1" not in second.figures


def test_limits_hold_outside_traverses_and_missing_values_are_on_no_side():
    readings = line_of([500.0, np.nan, 5.0], line=[NO_LINE, 1, 1])
    found = flagreadings(readings, FlagOptions(lowest=(0.0,), highest=(100.0,)))
    assert flags(found) == [4, 0, 0]
    assert np.isnan(found.readings.values[1, 0])


def test_a_stuck_run_is_flagged_whole_and_told_by_line():
    values = noise()
    values[250:262] = values[250]
    readings = line_of(values, line=np.repeat([1, 2], 200), grid=["G2"] * 400)
    found = flagreadings(readings, FlagOptions(stuck=8))
    assert np.flatnonzero(found.readings.qc).tolist() == list(range(250, 262))
    assert found.figures["stuck c1"] == 12
    assert found.figures["stuck runs c1"] == 1
    assert "c1: line 2 of grid G2 has 12 equal readings from its reading 51 on." in found.messages


@pytest.mark.parametrize(("length", "expected"), [(7, 0), (8, 8)])
def test_only_runs_as_long_as_asked_for_are_flagged(length, expected):
    values = noise()
    values[100 : 100 + length] = 17.03
    found = flagreadings(line_of(values), FlagOptions(stuck=8))
    assert found.figures["stuck c1"] == expected


def test_runs_that_the_resolution_explains_stay():
    # Whole units on a noise of one: equal neighbours are common, runs of five too.
    coarse = noise(4000, step=1.0)
    runs = np.diff(np.flatnonzero(np.concatenate([[True], np.diff(coarse) != 0, [True]])))
    assert (runs >= 4).sum() > 10
    assert not flagreadings(line_of(coarse), FlagOptions(stuck=4)).readings.qc.any()
    coarse[1000:1040] = 20.0
    found = flagreadings(line_of(coarse), FlagOptions(stuck=4))
    assert found.figures["stuck c1"] in range(40, 43)  # a neighbour may be equal by chance


def test_chance_makes_no_stuck_run_in_a_hundred_surveys():
    for seed in range(100):
        for step in (0.1, 0.5):
            found = stuck_runs(line_of(noise(2000, seed, step)), 0, 3)
            assert not len(found.rows)


def test_the_check_and_the_flags_find_the_same_runs():
    values = noise(2000, step=0.1)
    values[300:330] = 21.0
    values[900:920] = 19.0
    readings = line_of(values, line=np.repeat(np.arange(4), 500))
    runs = stuck_runs(readings, 0, 3)
    column = readings.values[:, 0]
    findings = stuck_findings(
        column, Lines.of(readings), summarise(readings, 0), noise_level(column, Walk.of(readings))
    )
    assert findings[0].figure == len(runs.rows)
    assert [f.figure for f in findings[1:]] == sorted(runs.length, reverse=True)
    assert f"chance makes {runs.by_chance}:" in findings[0].sentence


def test_runs_end_at_traverses_at_missing_and_at_barred_readings():
    values = noise()
    values[100:112] = 17.03
    ends = {
        "traverse": {"line": np.repeat([1, 2], [106, 294])},
        "barred": {"qc": np.where(np.arange(400) == 106, int(Qc.EXCLUDED), 0)},
    }
    for more in ends.values():
        assert flagreadings(line_of(values, **more), FlagOptions(stuck=8)).figures["flagged"] == 0
    values[106] = np.nan
    assert flagreadings(line_of(values), FlagOptions(stuck=8)).figures["flagged"] == 0


def test_readings_at_the_end_of_the_scale_are_flagged_as_such_and_not_as_stuck():
    values = noise()
    values[100:120] = 99.9
    found = flagreadings(line_of(values), FlagOptions(highest=(99.9,), stuck=8))
    assert (found.figures["off scale high c1"], found.figures["stuck c1"]) == (20, 0)
    assert found.figures["barred"] == 20


@pytest.mark.parametrize(
    ("values", "sentence"),
    [
        (np.full(50, 3.0), "c1: all readings are the same: stuck ones cannot be told"),
        (np.repeat([1.0, 2.0], 200), "c1: most readings equal the one before, in steps of 1"),
    ],
)
def test_where_stuck_readings_cannot_be_told_it_is_said_and_none_is_flagged(values, sentence):
    found = flagreadings(line_of(values), FlagOptions(stuck=5))
    assert not found.readings.qc.any()
    assert found.warnings[0].startswith(sentence)


def test_reasons_to_exclude_are_counted_each_and_joined():
    one, two = np.array([True, True, False, False]), np.array([False, True, True, False])
    found = flagreadings(
        line_of([1.0, 2, 3, 99]), FlagOptions(highest=(50.0,)), {"by area": one, "by field": two}
    )
    assert flags(found) == [32, 32, 32, 4]
    assert found.figures["excluded by area"] == 2
    assert found.figures["flagged"] == found.figures["barred"] == 4
    assert "Excluded by area: 2 readings (50 %)." in found.messages
    nothing = flagreadings(line_of([1.0]), excluded={"by area": np.array([False])})
    assert nothing.warnings == ("Excluded by area: no reading.",)


def test_flags_add_up_and_other_bits_stay():
    before = [1, 4, 32, 16 | 2]
    readings = line_of([99.0, 1, 99, 1], qc=before)
    found = flagreadings(readings, FlagOptions(highest=(50.0,)))
    assert flags(found) == [1 | 4, 4, 32 | 4, 16 | 2]
    assert (found.figures["flagged"], found.figures["barred"]) == (2, 3)


def test_earlier_flags_can_be_taken_off_and_no_others():
    readings = line_of([99.0, 1, 1, 1], qc=[32, 4 | 1, 32 | 16, 2])
    everything = np.ones(4, bool)
    assert flags(flagreadings(readings, cleared=everything)) == [0, 1, 16, 2]
    some = flagreadings(readings, cleared=np.array([False, True, False, False]))
    assert flags(some) == [32, 1, 48, 2]
    found = flagreadings(readings, FlagOptions(highest=(50.0,)), cleared=everything)
    assert flags(found) == [4, 1, 16, 2]
    assert found.messages[0] == "Earlier flags taken off: 3 readings."


def test_what_was_flagged_is_restored_by_taking_it_off():
    readings = line_of(noise(), qc=np.random.default_rng(0).choice([0, 1, 2, 16], 400))
    there = flagreadings(readings, FlagOptions(highest=(21.0,)))
    assert there.readings.qc.tolist() != readings.qc.tolist()
    back = flagreadings(there.readings, cleared=np.ones(400, bool))
    np.testing.assert_array_equal(back.readings.qc, readings.qc)


def test_more_than_a_fifth_flagged_is_warned_of():
    values = np.arange(100.0)
    assert not flagreadings(line_of(values), FlagOptions(highest=(80.0,))).warnings
    (warning,) = flagreadings(line_of(values), FlagOptions(highest=(79.0,))).warnings
    assert warning.startswith("21 % of the readings are flagged.")
    both = flagreadings(line_of(values), FlagOptions(lowest=(99.0,))).warnings
    assert both[1] == "c1: no reading is left to inform later steps."


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (FlagOptions(), "Nothing is given to flag."),
        (FlagOptions(highest=(1.0, 2.0, 3.0)), "There are 3 highest values for 2 channels: give"),
        (FlagOptions((5.0,), (5.0,)), "The scale of 'c1' runs from 5 to 5: give a lowest value"),
    ],
)
def test_what_cannot_be_flagged_is_refused(options, sentence):
    with pytest.raises(ValueError, match=sentence):
        flagreadings(line_of(np.zeros((4, 2))), options)


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"lowest": (-np.inf,)}, "A limit is infinite: give the last value of the scale"),
        ({"stuck": 2}, "The run of equal readings is 2 long: choose 3 or more, or 0"),
        ({"stuck": -1}, "The run of equal readings is -1 long"),
    ],
)
def test_options_are_refused_in_these_words(given, sentence):
    with pytest.raises(ValueError, match=sentence):
        FlagOptions(**given)


def test_stuck_readings_need_traverses_and_masks_must_fit():
    with pytest.raises(ValueError, match="No reading belongs to a traverse"):
        flagreadings(line_of([1.0, 2.0], line=[NO_LINE] * 2), FlagOptions(stuck=3))
    with pytest.raises(ValueError, match="1 readings are chosen where there are 2"):
        flagreadings(line_of([1.0, 2.0]), excluded={"by area": np.array([True])})


@given(st.integers(0, 2**32 - 1), st.sampled_from([0.5, 4.0]), st.integers(-50, 50))
@settings(max_examples=15, deadline=None)
def test_level_scale_and_order_of_rows_go_through_and_nothing_but_qc_changes(seed, factor, shift):
    rng = np.random.default_rng(seed)
    values = np.round(rng.normal(20, 1, (300, 2)) * 64) / 64
    values[rng.integers(0, 300, 5)] = np.nan
    start = rng.integers(0, 250)
    values[start : start + 15, 0] = 20.25
    readings = line_of(values, line=np.repeat([1, 2, 3], 100), qc=rng.choice([0, 1, 4], 300))
    options = FlagOptions((18.0,), (22.0,), 6)
    plain = flagreadings(readings, options).readings
    limits = [(limit * factor + shift,) for limit in (18.0, 22.0)]
    moved = readings.with_values(values * factor + shift)
    np.testing.assert_array_equal(
        flagreadings(moved, FlagOptions(*limits, 6)).readings.qc, plain.qc
    )
    order = rng.permutation(300)
    shuffled = flagreadings(readings.take(order), options).readings
    np.testing.assert_array_equal(shuffled.qc, plain.qc[order])
    for name in ("x", "y", "values", "line", "sequence", "grid", "time"):
        np.testing.assert_array_equal(getattr(plain, name), getattr(readings, name))
    assert (plain.qc & readings.qc == readings.qc).all()
    again = flagreadings(plain, FlagOptions((18.0,), (22.0,))).readings
    np.testing.assert_array_equal(again.qc, plain.qc)


def test_nothing_given_is_changed():
    values, qc = noise(50), np.zeros(50, np.int64)
    readings, mask = line_of(values, qc=qc), np.ones(50, bool)
    kept = readings.values.copy(), readings.qc.copy()
    flagreadings(readings, FlagOptions(highest=(20.0,), stuck=5), {"by area": mask}, mask)
    np.testing.assert_array_equal(readings.values, kept[0])
    np.testing.assert_array_equal(readings.qc, kept[1])
    assert mask.all()


def test_a_cancelled_run_stops():
    from lynchet.algorithms.progress import Cancelled

    with pytest.raises(Cancelled):
        flagreadings(line_of(noise()), FlagOptions(stuck=5), progress=lambda fraction: False)


# -- positions in polygons, against Shapely ------------------------------------------------------


def covered(x, y, polygons):
    shapes = [shapely.geometry.Polygon(rings[0], rings[1:]) for rings in polygons]
    return [any(s.covers(shapely.geometry.Point(*p)) for s in shapes) for p in zip(x, y)]


def star(rng, corners, centre, low, high):
    """A simple ring round a centre; whole numbers, so that positions fall on edges."""
    angle = np.sort(rng.uniform(0, 2 * np.pi, corners))
    reach = rng.uniform(low, high, corners)
    return np.rint(centre + np.column_stack([reach * np.cos(angle), reach * np.sin(angle)]))


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=15, deadline=None)
def test_positions_in_polygons_are_those_shapely_covers(seed):
    rng = np.random.default_rng(seed)
    polygons = []
    for centre in ([430000.0, 5900000.0], [430012.0, 5900004.0]):
        outer = star(rng, 12, np.array(centre), 8, 20)
        if not shapely.geometry.Polygon(outer).is_valid:
            continue
        inner = star(rng, 5, np.array(centre), 1, 4)
        holed = shapely.geometry.Polygon(outer, [inner])
        polygons.append([outer, inner] if holed.is_valid else [outer])
    east, north = np.meshgrid(np.arange(-22, 36) + 430000.0, np.arange(-22, 30) + 5900000.0)
    x, y = east.ravel(), north.ravel()
    np.testing.assert_array_equal(within(x, y, polygons), covered(x, y, polygons))
    x, y = x + rng.uniform(-0.5, 0.5, len(x)), y + rng.uniform(-0.5, 0.5, len(y))
    np.testing.assert_array_equal(within(x, y, polygons), covered(x, y, polygons))


def test_a_ring_may_be_closed_turned_round_or_start_anywhere():
    rng = np.random.default_rng(0)
    x, y = rng.uniform(-1, 5, (2, 500))
    ring = np.array([[0.0, 0], [4, 1], [3, 4], [2, 2], [1, 4]])
    plain = within(x, y, [[ring]])
    assert 0.1 < plain.mean() < 0.9
    for other in (np.vstack([ring, ring[:1]]), ring[::-1], np.roll(ring, 2, axis=0)):
        np.testing.assert_array_equal(within(x, y, [[other]]), plain)


def test_readings_without_position_and_no_polygons_are_nowhere():
    square = np.array([[0.0, 0], [4, 0], [4, 4], [0, 4]])
    x = np.array([np.nan, 2.0, 2.0])
    assert within(x, np.array([2.0, np.nan, 2.0]), [[square]]).tolist() == [False, False, True]
    assert not within(x, x, []).any()
