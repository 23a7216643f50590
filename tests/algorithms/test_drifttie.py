from dataclasses import replace

import numpy as np
import pytest
import variants
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.crossings import find_crossings
from lynchet.algorithms.correct.drifttie import DriftTieOptions, drifttie
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings


def survey(seed, drift=None):
    """Four data grids with tie lines over them, and what drifted."""
    made = variants.variant(seed, ties=True)
    drift = made.drift() if drift is None else drift(made)
    return made, made.readings(made.ground + made.noise + drift), drift


def ties_of(readings):
    return np.array([line.grid == "ties" for line in readings.lines])


def taken(readings, ties="ties", **options):
    """What was taken off, and the whole correction."""
    marked = ties_of(readings) if isinstance(ties, str) else ties
    found = drifttie(readings, marked, DriftTieOptions(**options))
    return readings.values[:, 0] - found.readings.values[:, 0], found


def share_left(off, drift):
    """Root mean square of what is left of a drift, general level aside, by its amplitude."""
    rest = off - drift
    return float(np.std(rest) / np.ptp(drift))


# -- the drift is found ------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("shape", ["cubic", "linear"])
def test_one_curve_is_found_to_a_fortieth_of_its_amplitude(seed, shape):
    # Measured: 0.006 to 0.01.
    _, readings, drift = survey(seed)
    off, found = taken(readings, shape=shape)
    assert share_left(off, drift) < 0.025
    assert found.figures["drift ec"] == pytest.approx(np.ptp(drift), rel=0.1)
    assert found.figures["crossings"] == 480


@pytest.mark.parametrize("smoothness", [0.0, 0.1, 1.0])
def test_a_smoothness_given_is_taken(smoothness):
    _, readings, drift = survey(1)
    off, found = taken(readings, smoothness=smoothness)
    assert found.figures["smoothness ec"] == smoothness
    assert share_left(off, drift) < 0.05


def test_much_smoothness_leaves_a_straight_drift_alone():
    straight = lambda made: made.time / 2000  # noqa: E731
    _, readings, drift = survey(1, straight)
    off, _ = taken(readings, smoothness=1e6)
    assert share_left(off, drift) < 0.01
    assert np.polyfit(readings.time, off, 1)[0] == pytest.approx(1 / 2000, rel=0.02)


def test_the_smoothness_chosen_is_no_worse_than_those_a_hundred_times_away():
    for seed in range(3):
        _, readings, drift = survey(seed)
        off, found = taken(readings)
        chosen = found.figures["smoothness ec"]
        for other in (chosen / 100, chosen * 100):
            assert share_left(off, drift) < 1.2 * share_left(
                taken(readings, smoothness=other)[0], drift
            )


def test_a_survey_that_did_not_drift_changes_by_less_than_its_noise():
    for seed in range(3):
        _, readings, _ = survey(seed, lambda made: np.zeros(len(made.u)))
        off, _ = taken(readings)
        assert np.std(off) < 0.3 * variants.NOISE
        assert np.abs(off).max() < variants.NOISE


@pytest.mark.parametrize("seed", [0, 1])
def test_zeros_set_anew_between_data_grids_need_new_curves_at_pauses(seed):
    zeros = lambda made: made.drift() + made.grid_offsets(3.0)  # noqa: E731
    _, readings, drift = survey(seed, zeros)
    off, _ = taken(readings, pause=60.0)
    without, _ = taken(readings)
    assert share_left(off, drift) < 0.025
    assert share_left(without, drift) > 3 * share_left(off, drift)


@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize("options", [{}, {"knots": 10.0, "smoothness": 1.0}])
def test_each_line_by_itself_is_levelled_in_each_set(seed, options):
    made, readings, drift = survey(seed)
    off, found = taken(readings, model="each_line", **options)
    # The ties of the southern data grids cross nothing in the north. Measured: 0.03 to 0.05.
    for part in (made.v < 20, made.v > 20):
        assert np.std((off - drift)[part]) / np.ptp(drift) < 0.1
    assert any("2 sets that do not cross each other" in text for text in found.warnings)


def test_each_line_takes_offsets_that_one_curve_does_not():
    offsets = lambda made: made.line_offsets(1.0)  # noqa: E731
    made, readings, drift = survey(2, offsets)
    south = made.v < 20
    single, _ = taken(readings, model="each_line")
    curve, _ = taken(readings)
    assert np.std((single - drift)[south]) < 0.2
    assert np.std((curve - drift)[south]) > 0.8


def test_lines_that_tilt_in_time_are_followed_with_corners_inside_lines():
    made = variants.variant(0, ties=True)
    rng = np.random.default_rng(5)
    number = np.cumsum(np.append(True, np.diff(made.sequence) < 0)) - 1
    tilt = rng.normal(0, 1.0, number.max() + 1)[number] * (made.sequence / 160 - 0.5) * ~made.tie
    _, readings, drift = survey(0, lambda made: tilt)
    # Three crossings a line are too few to choose the smoothness by.
    bending, _ = taken(readings, model="each_line", knots=10.0, smoothness=0.1)
    level, _ = taken(readings, model="each_line", knots=1000.0)
    inner = (made.v < 20) & ~made.tie
    assert np.std((bending - drift)[inner]) < 0.7 * np.std((level - drift)[inner])


def test_every_channel_has_a_drift_of_its_own():
    made, readings, drift = survey(3)
    other = (made.ground + made.noise)[:, np.newaxis] - 2 * drift[:, np.newaxis]
    both = replace(
        readings, values=np.hstack([readings.values, other]), channels=("ec", "ip"),
        units=("mS/m", "ppt"),
    )  # fmt: skip
    found = drifttie(both, ties_of(both))
    off = both.values - found.readings.values
    assert share_left(off[:, 0], drift) < 0.025
    assert share_left(off[:, 1], -2 * drift) < 0.025
    assert [curve.channel for curve in found.curves] == ["ec", "ip"]


def test_a_tenth_of_bad_crossings_hardly_counts():
    for seed in range(3):
        _, readings, drift = survey(seed)
        # Two readings stand at each crossing: a twentieth of them is bad.
        bad = np.random.default_rng(seed).uniform(size=len(readings)) < 0.05
        ruined = readings.with_values(readings.values + 20.0 * bad[:, np.newaxis])
        found = drifttie(ruined, ties_of(ruined)).readings
        assert share_left(ruined.values[:, 0] - found.values[:, 0], drift) < 0.05


def test_excluded_and_missing_readings_do_not_inform_and_are_corrected_all_the_same():
    _, readings, _ = survey(1)
    bad = np.random.default_rng(4).uniform(size=len(readings)) < 0.1
    column = bad[:, np.newaxis]
    ruined = readings.with_values(
        np.where(column, 1e5, readings.values), np.where(bad, int(Qc.EXCLUDED), 0)
    )
    missing = readings.with_values(np.where(column, np.nan, readings.values))
    off, _ = taken(ruined)
    expected, _ = taken(missing)
    np.testing.assert_allclose(off[~bad], expected[~bad], atol=1e-9)
    assert np.std(off[bad]) > 0.3  # as the drift itself
    assert np.isnan(drifttie(missing, ties_of(missing)).readings.values[bad]).all()


def test_any_two_lines_that_cross_are_compared_where_no_ties_are_told():
    _, readings, _ = survey(0)
    off, _ = taken(readings)
    every, found = taken(readings, ties=None)
    # Here nothing crosses but ties and traverses.
    assert found.figures["crossings"] == 480
    np.testing.assert_allclose(every - every.mean(), off - off.mean(), atol=0.05)


# -- what is said ------------------------------------------------------------------------------


def test_what_crossings_differed_by_is_the_robust_spread_of_their_differences():
    _, readings, _ = survey(0)
    ties = ties_of(readings)
    _, found = taken(readings)
    for what, values in (("before", readings.values), ("after", found.readings.values)):
        at = find_crossings(readings, ties).at(values[:, 0])
        spread = 1.4826 * np.median(np.abs(at[:, 0] - at[:, 1]))
        assert found.figures[f"crossings differ ec {what}"] == pytest.approx(spread, rel=1e-3)
    assert found.messages[0].startswith("ec: at 480 crossings the readings differed by 2.47 mS/m")


def test_the_drift_drawn_is_that_taken_off_and_the_dots_lie_about_it():
    _, readings, drift = survey(0)
    off, found = taken(readings)
    (curve,) = found.curves
    assert (curve.channel, curve.unit) == ("ec", "mS/m")
    order = np.argsort(readings.time)
    np.testing.assert_allclose(
        curve.value, np.interp(curve.time, readings.time[order], off[order]), atol=1e-6
    )
    away = curve.visit_value - np.interp(curve.visit_time, curve.time, curve.value)
    assert np.median(np.abs(away)) < 2 * variants.NOISE
    assert np.ptp(curve.value) == pytest.approx(np.ptp(drift), rel=0.2)


def test_a_line_that_crosses_nothing_is_named_and_stays():
    made, readings, _ = survey(1)
    # A data grid 100 further on, where no tie line comes: each line by itself knows nothing.
    far = (made.grid == "B2") & (made.line <= 3)
    apart = replace(readings, x=readings.x + 100.0 * far)
    off, found = taken(apart, model="each_line")
    assert not off[far].any()
    assert found.warnings[0] == (
        "3 lines cross no other and stay as they are: line 1 of grid B2, line 2 of grid B2, "
        "line 3 of grid B2."
    )
    assert found.figures["lines without crossing"] == 3


def test_one_curve_carries_the_drift_to_lines_that_cross_nothing():
    made, readings, drift = survey(1)
    far = (made.grid == "A2") & (made.line <= 3)
    apart = replace(readings, x=readings.x + 100.0 * far)
    off, found = taken(apart)
    assert share_left(off, drift) < 0.025
    assert found.figures["lines without crossing"] == 3
    assert found.warnings == ()


def test_rows_of_no_line_stay_and_need_no_time():
    _, readings, _ = survey(1)
    line, time = readings.line.copy(), readings.time.copy()
    line[100:110], time[100:110] = NO_LINE, np.nan
    off, _ = taken(replace(readings, line=line, time=time))
    assert not off[100:110].any()
    assert off[:100].any()


def test_the_level_is_that_of_the_mean_the_start_or_the_ties():
    made, readings, _ = survey(2)
    mean, _ = taken(readings)
    start, _ = taken(readings, level="start")
    ties, _ = taken(readings, level="ties")
    assert mean.mean() == pytest.approx(0, abs=1e-9)
    assert start[0] == pytest.approx(0, abs=1e-9)
    assert ties[made.tie].mean() == pytest.approx(0, abs=1e-9)
    # Nothing else differs.
    assert np.ptp(start - mean) < 1e-8
    assert np.ptp(ties - mean) < 1e-8
    assert abs(start[-1]) > 1


def test_the_start_is_the_earliest_reading_whatever_its_data_grid_is_called():
    made, readings, _ = survey(2)
    turned = {"A1": "Z", "A2": "Y", "B1": "X", "B2": "W", "ties": "ties"}
    renamed = Readings.build(
        x=readings.x, y=readings.y, values=readings.values, line=readings.line,
        sequence=readings.sequence, grid=[turned[name] for name in made.grid], time=readings.time,
    )  # fmt: skip
    off, _ = taken(renamed, level="start")
    assert off[np.argmin(readings.time)] == pytest.approx(0, abs=1e-9)


# -- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"model": "x"}, "Model 'x' is unknown: choose one of one_curve, each_line."),
        ({"shape": "x"}, "Shape 'x' is unknown: choose one of cubic, linear."),
        ({"level": "x"}, "Level 'x' is unknown: choose one of mean, start, ties."),
        ({"knots": 0.0}, "The time between corners is 0 s: give more than 0."),
        ({"smoothness": -1.0}, "The smoothness is -1: give 0 or more."),
        ({"pause": -5.0}, "The pause is -5 s: give 0 or more."),
    ],
)
def test_options_that_cannot_be(options, sentence):
    with pytest.raises(ValueError, match=sentence):
        DriftTieOptions(**options)


def test_readings_without_time_are_refused_with_their_number():
    _, readings, _ = survey(0)
    time = readings.time.copy()
    time[[700, 41]] = np.nan
    with pytest.raises(ValueError, match=r"2 readings have no time, the first of them reading 42:"):
        taken(replace(readings, time=time))


def test_no_tie_line_and_nothing_but_tie_lines_are_refused():
    _, readings, _ = survey(0)
    none = np.zeros(len(readings.lines), bool)
    with pytest.raises(ValueError, match=r"No line is a tie line. Choose what marks tie lines."):
        drifttie(readings, none)
    with pytest.raises(ValueError, match=r"Every line is a tie line."):
        drifttie(readings, ~none)


def test_readings_of_no_line_are_refused():
    _, readings, _ = survey(0)
    with pytest.raises(ValueError, match=r"No reading belongs to a traverse."):
        drifttie(replace(readings, line=np.full(len(readings), NO_LINE)))


def test_too_few_crossings_are_refused_with_their_number():
    _, readings, _ = survey(0)
    made = variants.variant(0, ties=True)
    few = readings.take(np.flatnonzero(((made.grid == "A1") & (made.line == 1)) | made.tie))
    with pytest.raises(ValueError, match=r"Lines cross 3 times; 4 crossings or more are needed."):
        drifttie(few, ties_of(few))


def test_a_channel_not_read_at_the_crossings_is_refused_by_name():
    made, readings, _ = survey(0)
    silent = readings.with_values(np.where(made.tie[:, np.newaxis], np.nan, readings.values))
    with pytest.raises(ValueError, match=r"'ec' was read at 0 crossings only."):
        drifttie(silent, ties_of(silent))


def test_times_that_are_all_alike_are_refused():
    _, readings, _ = survey(0)
    with pytest.raises(ValueError, match=r"time"):
        taken(replace(readings, time=np.zeros(len(readings))))


def test_the_work_can_be_cancelled():
    _, readings, _ = survey(0)
    with pytest.raises(Cancelled):
        drifttie(readings, ties_of(readings), progress=lambda fraction: fraction < 0.5)


# -- invariants --------------------------------------------------------------------------------

CHOICES = st.sampled_from(
    [
        {}, {"shape": "linear"}, {"pause": 60.0}, {"level": "start"}, {"level": "ties"},
        {"model": "each_line"}, {"smoothness": 0.1},
    ]
)  # fmt: skip


@given(choice=CHOICES, seed=st.integers(0, 20))
@settings(max_examples=4, deadline=None)
def test_only_the_values_change_and_order_and_count_stay(choice, seed):
    _, readings, _ = survey(seed)
    before = readings.values.copy()
    found = drifttie(readings, ties_of(readings), DriftTieOptions(**choice)).readings
    np.testing.assert_array_equal(readings.values, before)
    for name in ("x", "y", "line", "sequence", "grid", "time", "qc"):
        np.testing.assert_array_equal(getattr(found, name), getattr(readings, name))
    # What is taken off hangs on the line and the time alone: in order of time it never jumps
    # within a line.
    off = (before - found.values)[:, 0]
    inside = np.diff(readings.sequence) == 1
    assert np.abs(np.diff(off)[inside]).max() < 0.05


@given(
    choice=CHOICES, seed=st.integers(0, 20), shift=st.floats(-1e3, 1e3), factor=st.floats(0.05, 50)
)
@settings(max_examples=4, deadline=None)
def test_a_constant_and_a_factor_go_through(choice, seed, shift, factor):
    _, readings, _ = survey(seed)
    ties, options = ties_of(readings), DriftTieOptions(**choice)
    plain = drifttie(readings, ties, options).readings.values
    other = readings.with_values(readings.values * factor + shift)
    found = drifttie(other, ties, options).readings.values
    np.testing.assert_allclose(found, plain * factor + shift, atol=1e-5 * max(factor, 1))


@given(choice=CHOICES, seed=st.integers(0, 20))
@settings(max_examples=4, deadline=None)
def test_the_order_of_the_rows_changes_nothing(choice, seed):
    _, readings, _ = survey(seed)
    ties, options = ties_of(readings), DriftTieOptions(**choice)
    plain = drifttie(readings, ties, options).readings.values
    backwards = np.arange(len(readings))[::-1]
    found = drifttie(readings.take(backwards), ties, options).readings.values[backwards]
    np.testing.assert_allclose(found, plain, atol=1e-9)


def test_corners_by_the_hundred_thousand_are_a_slip():
    _, readings, _ = survey(0)
    with pytest.raises(ValueError, match="Choose a longer time between corners"):
        taken(readings, knots=0.001)
