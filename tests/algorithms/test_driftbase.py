from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.driftbase import DriftBaseOptions, clock, driftbase, find_visits
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import Qc, Readings


def at(time, values, **fields):
    n = len(time)
    return Readings.build(x=np.arange(n), y=np.zeros(n), values=values, time=time, **fields)


BASE = at([0.0, 1.0, 2.0, 1000.0, 1001.0, 1002.0], [10.0, 10, 10, 14, 14, 14])


def test_visits_are_parted_by_gaps_and_count_by_their_median():
    base = at([0, 1, 2, 500, 501], [1.0, 100.0, 3.0, 7.0, 9.0])
    visits = find_visits(base, np.zeros(5, int), 0, 60)
    assert visits.time.tolist() == [1.0, 500.5]
    assert visits.value.tolist() == [3.0, 8.0]


def test_excluded_base_readings_do_not_count():
    base = at([0, 1, 2], [1.0, 100.0, 1.0], qc=[0, Qc.EXCLUDED, 0])
    assert find_visits(base, np.zeros(3, int), 0, 60).value.tolist() == [1.0]


def test_base_readings_may_come_in_any_order():
    found = driftbase(at([500.0], [20.0]), BASE.take(np.array([5, 0, 3, 1, 4, 2]))).readings
    assert found.values[0, 0] == pytest.approx(20 - 4 * 499 / 1000)


@pytest.mark.parametrize(
    ("reference", "level"), [("first_visit", 10.0), ("median_of_visits", 12.0), ("zero", 0.0)]
)
def test_the_reference_is_the_level_readings_come_to(reference, level):
    options = DriftBaseOptions(reference=reference)
    found = driftbase(at([1.0, 1001.0], [10.0, 14.0]), BASE, options).readings
    assert found.values[:, 0].tolist() == [level, level]


def test_readings_before_the_first_visit_are_refused_by_clock():
    readings = at([32400.0, 33000.0], [1.0, 2.0])
    base = at([32530.0, 34000.0], [1.0, 1.0])
    with pytest.raises(ValueError) as caught:  # noqa: PT011, the text is compared below
        driftbase(readings, base)
    assert str(caught.value) == (
        "1 readings were taken before the first base visit at 09:02:10, the earliest at 09:00:00. "
        "Add base readings there, or allow the drift to be held beyond the first and last visit."
    )


def test_readings_after_the_last_visit_are_refused_for_every_method():
    for method in ("linear", "smooth", "stepwise"):
        with pytest.raises(ValueError, match="after the last base visit at 00:16:41"):
            driftbase(at([1002.0], [1.0]), BASE, DriftBaseOptions(method=method))


def test_drift_is_held_beyond_the_visits_when_allowed():
    options = DriftBaseOptions(extend=True)
    found = driftbase(at([-50.0, 5000.0], [10.0, 14.0]), BASE, options).readings
    assert found.values[:, 0].tolist() == [10.0, 10.0]


def test_days_have_curves_of_their_own_and_one_level():
    base = at([0.0, 1000.0, 0.0, 1000.0], [10.0, 12.0, 30.0, 34.0])
    readings = at([0.0, 500.0, 1000.0] * 2, [10.0, 11.0, 12.0, 30.0, 32.0, 34.0])
    found = driftbase(readings, base, day=np.repeat([0, 1], 3), base_day=np.array([0, 0, 1, 1]))
    np.testing.assert_allclose(found.readings.values[:, 0], 10.0)
    assert [curve.day for curve in found.curves] == [0, 1]


def test_a_day_without_base_readings_is_refused():
    with pytest.raises(ValueError, match="There are no base readings for the 1 readings of day 1"):
        driftbase(at([1.0, 1.0], [1.0, 1.0]), BASE, day=np.array([0, 1]), base_day=np.zeros(6, int))


def test_a_visit_without_a_value_is_passed_over():
    base = at([0.0, 500.0, 1000.0], [10.0, np.nan, 14.0])
    found = driftbase(at([500.0], [20.0]), base).readings
    assert found.values[0, 0] == 18.0


def test_a_channel_without_any_base_value_is_refused_by_name():
    base = at([0.0, 1.0], [np.nan, np.nan])
    with pytest.raises(ValueError, match="The base readings hold no usable value of 'c1'"):
        driftbase(at([0.5], [1.0]), base)


def test_a_channel_the_base_does_not_have_is_refused_by_name():
    base = at([0.0, 1.0], [1.0, 1.0], channels=["ec"])
    with pytest.raises(
        ValueError, match=r"The base readings have no channel 'c1'\. They have: ec\."
    ):
        driftbase(at([0.5], [1.0]), base)


def test_curves_pass_through_the_visits():
    curve = driftbase(at([500.0], [20.0]), BASE).curves[0]
    np.testing.assert_allclose(np.interp(curve.visit_time, curve.time, curve.value), [10.0, 14.0])
    assert curve.reference == 10.0


def test_figures_tell_the_drift():
    found = driftbase(at([500.0], [20.0]), BASE)
    assert found.figures["drift c1"] == 4.0
    assert found.figures["visits"] == 2


def test_clocks_for_people():
    assert clock(86_400 + 3_600) == "01:00:00 on day 2"


def test_drift_correction_can_be_cancelled():
    with pytest.raises(Cancelled):
        driftbase(at([500.0], [20.0]), BASE, progress=lambda fraction: False)


@given(st.floats(-1e3, 1e3), st.floats(0.1, 10), st.integers(0, 1000))
@settings(max_examples=40)
def test_adding_and_scaling_go_through_and_nothing_else_changes(shift, factor, seed):
    rng = np.random.default_rng(seed)
    time = rng.uniform(1, 1001, 30)
    values = rng.normal(20, 3, 30)
    values[3] = np.nan
    readings = at(time, values)
    plain = driftbase(readings, BASE).readings
    lifted = driftbase(at(time, values + shift), BASE).readings
    np.testing.assert_allclose(lifted.values, plain.values + shift, atol=1e-9)
    scaled_base = at(BASE.time, BASE.values[:, 0] * factor)
    scaled = driftbase(at(time, values * factor), scaled_base).readings
    np.testing.assert_allclose(scaled.values, plain.values * factor, atol=1e-9)
    for name in ("x", "y", "line", "sequence", "grid", "time", "qc"):
        assert getattr(plain, name) is getattr(readings, name)
    np.testing.assert_array_equal(readings.values[:, 0], values)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"method": "cubic"}, "Method 'cubic' is unknown"),
        ({"reference": "mean"}, "Reference 'mean' is unknown"),
        ({"visit_gap": 0}, "The gap between visits is 0 s: give more than 0."),
    ],
)
def test_options_that_cannot_be(options, sentence):
    with pytest.raises(ValueError, match=sentence):
        DriftBaseOptions(**options)


def test_a_visits_spread_is_its_robust_standard_deviation():
    from scipy.stats import median_abs_deviation

    values = [1.0, 2.0, 4.0, 9.0, 3.0]
    visits = find_visits(at([0.0, 1, 2, 3, 4], values), np.zeros(5, int), 0, 60)
    assert visits.spread[0] == pytest.approx(median_abs_deviation(values, scale="normal"), rel=1e-3)


def test_readings_after_the_last_visit_are_refused_by_clock_and_day():
    readings = at([500.0, 40_000.0, 50_000.0], [1.0] * 3)
    base = at([0.0, 36_000.0, 0.0, 39_600.0], [1.0] * 4)
    days = {"day": np.array([0, 1, 1]), "base_day": np.array([0, 0, 1, 1])}
    with pytest.raises(ValueError) as caught:  # noqa: PT011, the text is compared below
        driftbase(readings, base, **days)
    assert str(caught.value) == (
        "2 readings of day 1 were taken after the last base visit at 11:00:00, the latest at "
        "13:53:20. Add base readings there, or allow the drift to be held beyond the first and "
        "last visit."
    )


def test_readings_at_the_very_first_and_last_visit_are_not_refused():
    assert driftbase(at([1.0, 1001.0], [10.0, 14.0]), BASE).readings.values.ravel().tolist() == [
        10.0,
        10.0,
    ]


def test_readings_without_a_time_are_refused_by_row():
    with pytest.raises(ValueError) as caught:  # noqa: PT011, the text is compared below
        driftbase(at([5.0, np.nan, 7.0, np.nan], [1.0] * 4), BASE)
    assert str(caught.value) == (
        "2 readings have no time, the first of them reading 2: their drift is unknown. Fill in "
        "the time, or leave them out."
    )


@pytest.mark.parametrize("method", ["linear", "smooth", "stepwise"])
def test_drift_is_held_beyond_the_visits_by_every_method(method):
    options = DriftBaseOptions(method=method, reference="zero", extend=True)
    found = driftbase(at([-9e4, 1.0, 1001.0, 9e4], [0.0] * 4), BASE, options).readings
    assert found.values[:, 0].tolist() == [-10.0, -10.0, -14.0, -14.0]


def test_a_visit_holds_until_the_next_stepwise():
    options = DriftBaseOptions(method="stepwise", reference="zero")
    found = driftbase(at([1.0, 1000.9, 1001.0], [0.0] * 3), BASE, options).readings
    assert found.values[:, 0].tolist() == [-10.0, -10.0, -14.0]


@pytest.mark.parametrize("method", ["linear", "smooth", "stepwise"])
def test_a_single_visit_takes_off_one_number_when_held(method):
    options = DriftBaseOptions(method=method, reference="zero", extend=True)
    found = driftbase(at([0.0, 7.0, 99.0], [5.0, 6.0, 7.0]), at([7.0], [4.0]), options).readings
    assert found.values[:, 0].tolist() == [1.0, 2.0, 3.0]


@pytest.mark.parametrize(
    ("reference", "level"), [("first_visit", 10.0), ("median_of_visits", 21.0), ("zero", 0.0)]
)
def test_all_days_come_to_the_level_of_the_reference(reference, level):
    base = at([0.0, 1000.0, 0.0, 1000.0], [30.0, 34.0, 10.0, 12.0])
    days = np.array([7, 7, 3, 3])
    readings = at([0.0, 1000.0] * 2, [30.0, 34.0, 10.0, 12.0])
    options = DriftBaseOptions(reference=reference)
    found = driftbase(readings, base, options, day=days, base_day=days)
    assert found.readings.values[:, 0].tolist() == [level] * 4
    assert {curve.reference for curve in found.curves} == {level}


@pytest.mark.parametrize(("gap", "visits"), [(9.0, 3), (10.0, 2), (490.0, 1)])
def test_visits_part_where_the_gap_is_longer_than_allowed(gap, visits):
    base = at([0.0, 10.0, 500.0], [1.0, 2.0, 3.0])
    assert len(find_visits(base, np.zeros(3, int), 0, gap).time) == visits


def test_a_new_day_is_a_new_visit_however_near():
    base = at([0.0, 1.0], [1.0, 2.0])
    assert find_visits(base, np.array([0, 1]), 0, 60).day.tolist() == [0, 1]


def test_base_readings_off_scale_missing_or_without_time_do_not_count():
    base = at(
        [0.0, 1.0, np.nan, 3.0, 4.0],
        [5.0, 500.0, 700.0, np.nan, 7.0],
        qc=[0, Qc.OFF_SCALE, 0, 0, 0],
    )
    visits = find_visits(base, np.zeros(5, int), 0, 60)
    assert visits.value.tolist() == [6.0]
    assert visits.time.tolist() == [2.0]


def test_channels_drift_each_for_itself_and_are_found_by_name():
    base = Readings.build(
        x=[0, 0], y=[0, 0], values=[[100.0, 1.0, 7.0], [104.0, 1.0, 9.0]],
        channels=["deep", "none", "shallow"], time=[0.0, 1000.0],
    )  # fmt: skip
    readings = Readings.build(
        x=[0, 1], y=[0, 0], values=[[7.5, 100.0], [9.5, 104.0]],
        channels=["shallow", "deep"], time=[0.0, 1000.0],
    )  # fmt: skip
    found = driftbase(readings, base).readings
    assert found.values.tolist() == [[7.5, 100.0], [7.5, 100.0]]


def test_a_visit_without_a_value_of_one_channel_still_counts_for_the_other():
    base = at([0.0, 500.0, 1000.0], [[0.0, 0.0], [np.nan, 8.0], [4.0, 0.0]])
    found = driftbase(at([500.0], [[20.0, 20.0]]), base).readings
    assert found.values.tolist() == [[18.0, 12.0]]


@pytest.mark.parametrize("method", ["linear", "smooth", "stepwise"])
@given(st.lists(st.floats(-50, 50), min_size=2, max_size=9))
@settings(max_examples=30)
def test_drawn_curves_pass_through_the_visits_and_never_swing_beyond_them(method, levels):
    time = np.arange(len(levels)) * 300.0
    options = DriftBaseOptions(method=method, reference="zero")
    curve = driftbase(at([0.0], [0.0]), at(time, levels), options).curves[0]
    np.testing.assert_array_equal(curve.visit_value, levels)
    assert np.isin(time, curve.time).all()
    at_visits = curve.value[np.searchsorted(curve.time, time)]
    np.testing.assert_allclose(at_visits, levels, rtol=0, atol=1e-9)
    left = np.clip(np.searchsorted(time, curve.time, "right") - 1, 0, len(levels) - 2)
    ends = np.array(levels)[[left, left + 1]]
    assert (curve.value >= ends.min(axis=0) - 1e-9).all()
    assert (curve.value <= ends.max(axis=0) + 1e-9).all()


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=20)
def test_order_of_rows_does_not_matter_and_missing_readings_stay_missing(seed):
    rng = np.random.default_rng(seed)
    values = rng.normal(20, 3, (40, 2))
    values[rng.uniform(size=(40, 2)) < 0.2] = np.nan
    readings = at(rng.uniform(1, 1001, 40), values)
    base = replace(
        BASE, values=np.tile(BASE.values, 2), channels=readings.channels, units=readings.units
    )
    base_before = base.values.copy()
    found = driftbase(readings, base).readings
    np.testing.assert_array_equal(np.isnan(found.values), np.isnan(values))
    np.testing.assert_array_equal(base.values, base_before)
    order = rng.permutation(40)
    shuffled = driftbase(readings.take(order), base).readings
    np.testing.assert_array_equal(shuffled.values, found.values[order])
