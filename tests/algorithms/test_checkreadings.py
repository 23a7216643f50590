import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.check.checkreadings import checkreadings
from lynchet.algorithms.check.findings import CANNOT_TELL, GOOD, LOOK, MEND, TOPICS, VERDICTS
from lynchet.algorithms.check.survey import CheckOptions
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings

LINES, PER_LINE = 20, 80
NOISE = 0.2


def survey(lines=LINES, per_line=PER_LINE, seed=0, c=1, east=0.0, north=0.0, **fields):
    """A square walked zigzag: traverses 0.5 and readings 0.125 apart, at a speed of 1."""
    rng = np.random.default_rng(seed)
    number = np.repeat(np.arange(lines), per_line)
    sequence = np.tile(np.arange(per_line), lines)
    along = np.where(number % 2, per_line - 1 - sequence, sequence)
    ground = 3 * np.sin((number * 0.5 + along * 0.125) / 3)
    made = {
        "x": east + number * 0.5,
        "y": north + along * 0.125,
        "values": 20 + ground[:, None] + rng.normal(0, NOISE, (lines * per_line, c)),
        "line": number,
        "sequence": sequence,
        "time": np.arange(lines * per_line) * 0.125,
    }
    return {**made, **fields}


def check(data, keep=None, **options):
    if keep is not None:
        data = {name: np.asarray(values)[keep] for name, values in data.items()}
    return checkreadings(Readings.build(**data), CheckOptions(**options))


def findings(found, what, line=None):
    return [f for f in found.findings if f.what == what and (line is None or f.line == line)]


def one(found, what):
    (finding,) = findings(found, what)
    return finding


def gap_area(found):
    return sum(p.area for p in found.patches if p.kind == "gap")


def test_a_good_survey_has_nothing_to_mend_and_nothing_to_look_at():
    found = check(survey())
    assert [f for f in found.findings if f.verdict in (MEND, LOOK)] == []
    assert found.fit
    assert found.verdict.startswith("Fit to process.")
    assert not found.warnings


def test_findings_come_in_the_order_of_the_topics_with_known_verdicts():
    found = check(survey())
    places = [TOPICS.index(f.topic) for f in found.findings]
    assert places == sorted(places)
    assert {f.verdict for f in found.findings} <= set(VERDICTS)
    assert found.figures["readings"] == LINES * PER_LINE


# -- coverage --------------------------------------------------------------------------------


def test_each_reading_stands_for_half_a_separation_and_half_an_interval():
    found = check(survey())
    area = LINES * 0.5 * PER_LINE * 0.125
    assert one(found, "area covered").figure == pytest.approx(area, rel=1e-3)
    assert gap_area(found) == 0.0


def test_a_missing_traverse_is_a_gap_and_its_neighbour_is_named():
    data = survey()
    found = check(data, data["line"] != 7)
    # Two separations apart, three quarters of one covered from either side.
    assert gap_area(found) == pytest.approx(0.25 * PER_LINE * 0.125, rel=0.02)
    assert one(found, "traverses too far apart").figure == pytest.approx(100 / (LINES - 2))
    assert findings(found, "distance to the traverse before", 8)[0].figure == pytest.approx(1.0)
    # Those on either side of it were walked the same way, and rightly so.
    assert findings(found, "same way as its neighbour") == []
    assert found.fit


def test_many_missing_traverses_make_a_survey_unfit():
    data = survey()
    found = check(data, ~np.isin(data["line"], [3, 7, 11, 15]))
    assert one(found, "traverses too far apart").verdict == MEND
    assert not found.fit


def test_a_hole_in_the_readings_is_one_gap_as_large_as_the_ground_out_of_reach():
    data = survey()
    hole = (np.abs(data["x"] - 5) < 2.1) & (np.abs(data["y"] - 5) < 2.1)
    found = check(data, ~hole)
    gaps = [p for p in found.patches if p.kind == "gap"]
    assert len(gaps) == 1
    # Readings are missing from x 3 to 7 and y 3 to 7; the next ones reach 0.375 into it.
    width = (7.5 - 2.5) - 0.75
    height = (7.125 - 2.875) - 0.75
    assert gaps[0].area == pytest.approx(width * height, rel=0.02)
    assert one(found, "gaps along traverses").verdict != GOOD


@pytest.mark.parametrize(("half", "verdict"), [(1.0, LOOK), (3.0, MEND)])
def test_a_gap_of_a_tenth_of_a_data_grid_is_to_be_measured_again(half, verdict):
    data = survey()
    hole = (np.abs(data["x"] - 5) < half) & (np.abs(data["y"] - 5) < half)
    data["grid"] = np.full(len(hole), "G1")
    finding = one(check(data, ~hole), "area in gaps")
    assert (finding.verdict, finding.grid, finding.mend) == (verdict, "G1", "")


def test_missing_values_leave_a_gap_like_missing_readings():
    data = survey()
    hole = (np.abs(data["x"] - 5) < 2.1) & (np.abs(data["y"] - 5) < 2.1)
    without = check(data, ~hole)
    data["values"][hole] = np.nan
    assert gap_area(check(data)) == pytest.approx(gap_area(without))


def test_a_longer_reach_closes_the_gap():
    data = survey()
    assert gap_area(check(data, data["line"] != 7, reach=0.6)) == 0.0


def grids(corners, **fields):
    parts = [survey(east=10.0 * i, north=10.0 * j, seed=k) for k, (i, j) in enumerate(corners)]
    joined = {name: np.concatenate([part[name] for part in parts]) for name in parts[0]}
    names = [f"G{k}" for k in range(len(parts)) for _ in range(LINES * PER_LINE)]
    joined["time"] = np.arange(len(names)) * 0.125
    return {**joined, "grid": names, **fields}


def test_the_notch_of_an_l_of_data_grids_is_no_gap():
    found = check(grids([(0, 0), (1, 0), (0, 1)]))
    assert gap_area(found) == 0.0
    assert found.figures["area covered"] == pytest.approx(300.0, rel=1e-3)


def test_a_data_grid_left_out_in_the_middle_is_a_gap_of_no_data_grid():
    ring = [(i, j) for i in range(3) for j in range(3) if (i, j) != (1, 1)]
    found = check(grids(ring))
    (gap,) = [p for p in found.patches if p.kind == "gap"]
    assert gap.grid == ""
    # The readings around it reach a little into it.
    assert 0.85 * 100 < gap.area < 100


def test_ground_of_two_overlapping_data_grids_counts_once():
    data = grids([(0, 0), (0.8, 0)])
    assert check(data).figures["area covered"] == pytest.approx(180.0, rel=2e-3)


def test_a_position_far_off_does_not_take_the_survey_for_a_gap():
    data = survey()
    data["x"] = data["x"].copy()
    data["x"][500] += 1e6
    found = check(data)
    assert one(found, "area covered").verdict == CANNOT_TELL
    assert one(found, "jump of position").figure == 1
    assert not found.fit


# -- spacing and walking ---------------------------------------------------------------------


def test_a_survey_wrong_throughout_is_seen_only_against_the_plan():
    assert one(check(survey()), "traverse separation").verdict == GOOD
    found = check(survey(), separation=0.25, interval=0.1)
    assert one(found, "traverse separation").verdict == MEND
    assert not found.fit
    assert one(found, "reading interval").verdict == GOOD
    assert (
        one(check(survey(), separation=0.25, tolerance=150), "traverse separation").verdict == GOOD
    )
    assert one(check(survey(), separation=1.0), "traverse separation").verdict == LOOK


def test_the_smallest_feature_that_two_traverses_must_cross_is_two_separations_wide():
    assert one(check(survey()), "feature crossed twice").figure == pytest.approx(1.0)


def test_readings_hardly_denser_than_traverses_are_worth_a_look():
    data = survey()
    found = check(data, data["sequence"] % 3 == 0)
    assert one(found, "separation to interval").verdict == LOOK


def test_a_gap_along_a_traverse_is_counted_and_its_traverse_named():
    data = survey()
    found = check(data, ~((data["line"] == 4) & (np.abs(data["sequence"] - 40) < 8)))
    assert one(found, "gaps along traverses").figure == 1
    assert one(found, "gaps along traverses").verdict == LOOK
    (named,) = findings(found, "longest gap of a traverse")
    assert named.line == 4
    assert named.figure == pytest.approx(16 * 0.125)
    assert one(check(data), "gaps along traverses").verdict == GOOD


def test_speed_is_measured_and_a_slow_traverse_named():
    data = survey()
    slow = data["line"] == 6
    pace = np.where(slow, 0.25, 0.125)
    data["time"] = np.cumsum(pace)
    found = check(data)
    assert one(found, "speed").figure == pytest.approx(1.0)
    (named,) = findings(found, "speed of a traverse")
    assert (named.line, named.figure) == (6, pytest.approx(0.5))


def test_a_clock_that_runs_backwards_is_found():
    data = survey()
    data["time"][100:140] = data["time"][100:140][::-1].copy()
    assert one(check(data), "clock runs backwards").figure >= 38


def test_without_time_speed_and_drift_cannot_be_told():
    found = check(survey(time=np.full(LINES * PER_LINE, np.nan)))
    assert one(found, "speed").verdict == CANNOT_TELL
    assert one(found, "change with time").verdict == CANNOT_TELL


def test_a_traverse_walked_like_its_neighbour_in_a_zigzag_is_named():
    data = survey()
    turned = data["line"] == 9
    data["sequence"] = np.where(turned, PER_LINE - 1 - data["sequence"], data["sequence"])
    found = check(data)
    assert {f.line for f in findings(found, "same way as its neighbour")} == {9, 10}
    assert one(found, "traverses walked forward").verdict == LOOK


def test_a_survey_walked_one_way_is_no_broken_zigzag():
    data = survey()
    back = data["line"] % 2 == 1
    data["sequence"] = np.where(back, PER_LINE - 1 - data["sequence"], data["sequence"])
    found = check(data)
    assert one(found, "traverses walked forward").figure == 100.0
    assert findings(found, "same way as its neighbour") == []
    assert one(found, "lag between opposing passes").verdict == CANNOT_TELL


def test_directions_are_those_walked():
    found = check(survey())
    assert found.direction.reshape(LINES, PER_LINE)[:, 0].tolist() == [1, 2] * (LINES // 2)


def test_a_track_that_was_never_split_is_found_and_its_passes_are_no_traverses():
    data = survey(line=np.zeros(LINES * PER_LINE), sequence=np.arange(LINES * PER_LINE))
    found = check(data)
    assert one(found, "track not split").mend == "splitlines"
    assert one(found, "traverse separation").verdict == CANNOT_TELL
    assert not found.direction.any()


# -- positions -------------------------------------------------------------------------------


def test_readings_without_position_or_traverse_are_counted():
    data = survey()
    data["x"][:30] = np.nan
    data["line"][40:60] = NO_LINE
    found = check(data)
    assert one(found, "without position").figure == 30
    assert one(found, "without position").verdict == MEND
    assert one(found, "without traverse").figure == 20


def test_standing_still_and_reading_a_place_again_are_two_things():
    data = survey()
    data["y"][100:105] = data["y"][99]
    again = {name: np.concatenate([v, v[:PER_LINE]]) for name, v in data.items()}
    again["line"][-PER_LINE:] = LINES
    found = check(again)
    assert one(found, "repeated position").figure == 5
    assert one(found, "place read again").figure == PER_LINE
    assert one(found, "place read again").mend == "comparerepeats"


def test_swapped_readings_are_out_of_order():
    data = survey()
    sequence = data["sequence"].copy()
    sequence[[210, 214]] = sequence[[214, 210]]
    found = check({**data, "sequence": sequence})
    assert one(found, "out of order").figure == 2
    assert findings(found, "steps backward on a traverse")[0].line == 2


def test_a_sequence_number_given_twice_leaves_the_order_in_doubt():
    data = survey()
    data["sequence"][50] = data["sequence"][49]
    assert one(check(data), "repeated sequence number").figure == 1


# -- values and noise ------------------------------------------------------------------------


def test_a_channel_is_put_into_figures():
    data = survey()
    data["values"][:7] = np.nan
    summary = check(data).summaries[0]
    known = data["values"][7:, 0]
    assert (summary.count, summary.missing) == (LINES * PER_LINE - 7, 7)
    assert summary.median == np.median(known)
    assert (summary.lowest, summary.highest) == (known.min(), known.max())
    inside = (known >= summary.edges[0]) & (known <= summary.edges[-1])
    assert summary.bars.sum() == inside.sum()


def test_readings_at_the_end_of_the_scale_are_saturated():
    data = survey()
    data["values"] = data["values"].round(2)
    assert one(check(data), "saturated readings").figure == 0
    limit = np.percentile(data["values"], 97)
    clipped = np.minimum(data["values"], limit)
    found = one(check({**data, "values": clipped}), "saturated readings")
    assert found.figure == (data["values"] >= limit).sum()
    assert found.verdict == MEND


@pytest.mark.parametrize(("count", "value", "told"), [(4, 100.0, 4), (2, 100.0, 0), (4, 24.0, 0)])
def test_a_few_equal_readings_far_beyond_all_others_are_the_end_of_the_scale(count, value, told):
    data = survey()
    data["values"][40 : 40 + 3 * count : 3, 0] = value
    assert one(check(data), "saturated readings").figure == told


def test_saturated_readings_are_equal_without_having_stood_still():
    data = survey()
    values = data["values"].round(2)
    clipped = np.minimum(values, np.percentile(values, 80))
    found = check({**data, "values": clipped})
    assert one(found, "saturated readings").verdict == MEND
    assert one(found, "stuck readings").verdict == GOOD


def test_a_stuck_run_is_found_and_its_traverse_named():
    data = survey()
    data["values"] = data["values"].round(2)
    assert one(check(data), "stuck readings").figure == 0
    data["values"][330:345] = data["values"][330]
    found = check(data)
    assert one(found, "stuck readings").figure == 15
    assert findings(found, "run of equal readings")[0].line == 4


def test_a_coarse_resolution_explains_equal_readings():
    data = survey(seed=3)
    data["values"] = data["values"].round(0)
    assert one(check(data), "stuck readings").verdict in (GOOD, CANNOT_TELL)


def test_a_channel_that_never_changes_is_to_be_mended():
    found = check(survey(values=np.full(LINES * PER_LINE, 7.0)))
    assert one(found, "stuck readings").verdict == MEND
    assert "all readings are the same" in one(found, "stuck readings").sentence


def test_noise_is_that_of_the_readings_and_a_noisy_traverse_is_named():
    data = survey()
    found = check(data)
    assert one(found, "noise along traverses").figure == pytest.approx(NOISE, rel=0.05)
    noisy = data["line"] == 3
    more = np.random.default_rng(1).normal(0, 5 * NOISE, noisy.sum())
    data["values"][noisy, 0] += more
    found = check(data)
    assert [f.line for f in findings(found, "noise of a traverse")] == [3]
    assert found.noise[3, 0] == pytest.approx(NOISE * np.sqrt(26), rel=0.25)


def test_a_channel_of_noise_alone_is_worth_a_look():
    values = np.random.default_rng(2).normal(20, NOISE, LINES * PER_LINE)
    assert one(check(survey(values=values)), "signal to noise").verdict == LOOK


def test_spikes_are_counted_and_despiking_named():
    data = survey()
    at = np.arange(20, LINES * PER_LINE, 100)
    data["values"][at] += 15
    found = one(check(data), "suspected spikes")
    assert found.figure == pytest.approx(100 * len(at) / (LINES * PER_LINE), rel=0.1)
    assert (found.verdict, found.mend) == (MEND, "despike")


def test_offsets_of_traverses_are_measured_and_levelling_named():
    data = survey()
    offset = np.random.default_rng(5).normal(0, 1.0, LINES)
    data["values"][:, 0] += offset[data["line"]]
    found = check(data)
    stripes = one(found, "offsets of traverses")
    assert stripes.figure == pytest.approx(1.0, rel=0.35)
    assert (stripes.verdict, stripes.mend) == (MEND, "levellines")
    assert np.corrcoef(found.offsets[:, 0], offset)[0, 1] > 0.95


def test_a_single_traverse_set_off_is_named():
    data = survey()
    data["values"][data["line"] == 12] += 2.0
    (named,) = findings(check(data), "offset of a traverse")
    assert (named.line, named.figure) == (12, pytest.approx(2.0, abs=0.3))


def test_off_scale_and_excluded_readings_inform_no_statistic():
    data = survey()
    clean = check(data)
    qc = np.zeros(LINES * PER_LINE, int)
    qc[100:110], qc[700:705] = Qc.OFF_SCALE, Qc.EXCLUDED
    data["values"][qc != 0] = 9999.0
    found = check({**data, "qc": qc})
    assert found.summaries[0].highest == clean.summaries[0].highest
    assert one(found, "suspected spikes").figure == 0
    assert (found.summaries[0].off_scale, found.summaries[0].excluded) == (10, 5)
    assert one(found, "values missing").figure == 15


# -- drift and matching ----------------------------------------------------------------------


def walked_again(drift):
    """Seven of the traverses walked again after half an hour."""
    first, again = survey(), survey(seed=9)
    repeated = again["line"] % 3 == 1
    again["line"] += LINES
    again["time"] += 1800.0
    again["values"] += drift
    return {name: np.concatenate([first[name], again[name][repeated]]) for name in first}


def test_drift_shows_where_the_ground_was_walked_again_later():
    found = one(check(walked_again(1.5)), "change with time")
    assert (found.verdict, found.mend) == (MEND, "driftbase")
    assert found.figure == pytest.approx(1.5, rel=0.2)
    assert one(check(walked_again(0.0)), "change with time").verdict == GOOD


def test_drift_along_with_the_ground_cannot_be_told_from_it():
    data = survey(time=np.arange(LINES * PER_LINE) * 5.0)
    data["values"][:, 0] += np.linspace(0, 8, LINES * PER_LINE)
    assert one(check(data), "change with time").verdict == CANNOT_TELL


def test_a_lag_between_opposing_passes_is_found_with_its_size():
    # Each reading was taken 0.2 short of where it is placed.
    data = survey()
    way = np.where(data["line"] % 2, -1.0, 1.0)
    rough = np.random.default_rng(4).normal(0, 1, 400)
    rough = np.convolve(rough, np.hanning(9), "same")
    taken = data["y"] - 0.2 * way
    data["values"][:, 0] = 20 + 2 * np.interp(taken, np.arange(400) * 0.125 - 5, rough)
    data["values"][:, 0] += np.random.default_rng(6).normal(0, 0.05, len(taken))
    found = one(check(data), "lag between opposing passes")
    assert (found.verdict, found.mend) == (MEND, "alignpasses")
    assert found.figure == pytest.approx(0.2, abs=0.03)
    assert "ahead of where it was taken" in found.sentence
    assert one(check(survey()), "lag between opposing passes").verdict == GOOD


def test_data_grids_of_different_zero_are_a_mismatch():
    data = grids([(0, 0), (1, 0)])
    flat = np.random.default_rng(0).normal(20, NOISE, len(data["grid"]))
    second = np.array(data["grid"]) == "G1"
    found = one(check({**data, "values": flat + 3.0 * second}), "mismatch between data grids")
    assert (found.verdict, found.mend) == (MEND, "balancegrids")
    assert found.figure == pytest.approx(3.0, rel=0.1)
    assert "G1 and G0" in found.sentence
    assert one(check({**data, "values": flat}), "mismatch between data grids").verdict == GOOD


# -- the whole -------------------------------------------------------------------------------


def test_what_no_step_can_mend_makes_a_survey_unfit_and_what_one_can_does_not():
    data = survey()
    data["values"][::50] += 15
    found = check(data)
    assert found.fit
    assert found.figures["to mend"] == 1
    assert "Steps that mend what was found: despike." in found.verdict
    data["y"][:40] = np.nan
    found = check(data)
    assert not found.fit
    assert found.verdict.startswith("Not fit to process as it stands: no step mends without")


@pytest.mark.parametrize(
    "data",
    [
        {"x": [0.0], "y": [0.0], "values": [1.0]},
        {"x": [np.nan] * 5, "y": [np.nan] * 5, "values": [1.0, 2, 3, 4, 5]},
        {"x": [0.0, 1, 2], "y": [0.0, 0, 0], "values": [1.0, 2, 3], "line": [NO_LINE] * 3},
        {"x": [0.0, 0, 0], "y": [0.0, 0, 0], "values": [1.0, 1, 1], "time": [0.0, 0, 0]},
        {"x": [0.0, 1, 0, 1], "y": [0.0, 0, 1, 1], "values": [[1.0, np.nan]] * 4,
         "line": [1, 1, 2, 2]},
        {"x": [0.0, 1, 0, 1], "y": [0.0, 0, 1, 1], "values": [1.0, 2, 3, 4], "line": [1, 2, 3, 4],
         "grid": ["A", "A", "B", "B"]},
    ],
)  # fmt: skip
def test_hardly_any_readings_are_checked_all_the_same(data):
    found = check(data)
    assert found.verdict
    assert all(np.isfinite(value) for value in found.figures.values())


@settings(max_examples=5, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_the_order_of_the_rows_changes_nothing(seed):
    data = survey(c=2)
    data["values"][::37] += 9
    rows = np.random.default_rng(seed).permutation(LINES * PER_LINE)
    one_way, other = check(data), check(data, rows)
    assert [(f.what, f.verdict, f.line) for f in one_way.findings] == [
        (f.what, f.verdict, f.line) for f in other.findings
    ]
    np.testing.assert_allclose(
        [f.figure for f in one_way.findings], [f.figure for f in other.findings], rtol=1e-9
    )


@settings(max_examples=5, deadline=None)
@given(shift=st.floats(-1e3, 1e3), factor=st.floats(0.1, 50))
def test_noise_and_offsets_scale_with_the_values_and_know_no_constant(shift, factor):
    data = survey()
    plain = check(data)
    moved = check({**data, "values": data["values"] * factor + shift})
    np.testing.assert_allclose(moved.noise, plain.noise * factor, rtol=1e-6)
    np.testing.assert_allclose(moved.offsets, plain.offsets * factor, rtol=1e-4, atol=1e-6 * factor)
    assert [f.verdict for f in moved.findings] == [f.verdict for f in plain.findings]


def test_a_turned_and_moved_survey_covers_the_same_ground():
    data = survey()
    turn = np.exp(0.5j) * (data["x"] + 1j * data["y"])
    data["x"], data["y"] = 430_000 + turn.real, 5_900_000 + turn.imag
    found = check(data)
    assert found.figures["area covered"] == pytest.approx(LINES * 0.5 * PER_LINE * 0.125, rel=2e-3)
    assert not [f for f in found.findings if f.verdict in (LOOK, MEND)]


def test_a_large_survey_is_sampled_and_the_sample_says_the_same():
    data = survey(lines=400, per_line=700, c=1)
    data["values"][::70] += 15
    found = check(data)
    assert one(found, "suspected spikes").figure == pytest.approx(100 / 70, rel=0.05)
    # The spikes' own second differences, 4 in 100, raise the median a little.
    assert one(found, "noise along traverses").figure == pytest.approx(NOISE, rel=0.08)


def test_progress_rises_to_the_end_and_the_user_can_stop():
    seen = []
    readings = Readings.build(**survey())
    checkreadings(readings, progress=lambda f: seen.append(f) or True)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    with pytest.raises(Cancelled):
        checkreadings(readings, progress=lambda f: f < 0.5)


def test_nothing_that_was_given_is_changed():
    readings = Readings.build(**survey())
    before = [getattr(readings, name).copy() for name in ("x", "y", "values", "qc", "sequence")]
    checkreadings(readings)
    for name, array in zip(("x", "y", "values", "qc", "sequence"), before):
        np.testing.assert_array_equal(getattr(readings, name), array)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"separation": 0.0}, "The planned traverse separation is 0"),
        ({"interval": -1.0}, "The planned reading interval is -1"),
        ({"reach": 0.0}, "The reach of a reading is 0"),
        ({"tolerance": 0.0}, "The tolerance is 0 %"),
        ({"gap_factor": 1.0}, "a step of 1 intervals"),
    ],
)
def test_options_out_of_range_are_refused(options, words):
    with pytest.raises(ValueError, match=words):
        CheckOptions(**options)
