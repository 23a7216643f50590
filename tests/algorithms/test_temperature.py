import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.temperature import (
    MODELS,
    TemperatureOptions,
    factor_to,
    is_conductivity,
    logged_temperature,
    temperature,
)
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings


def readings_of(values, units=("mS/m",), **fields):
    n = len(values)
    return Readings.build(x=np.arange(n), y=np.zeros(n), values=values, units=units, **fields)


def log_of(times, degrees, **fields):
    n = len(times)
    return Readings.build(x=[np.nan] * n, y=[np.nan] * n, values=degrees, time=times, **fields)


def test_cold_ground_is_raised_and_warm_ground_lowered():
    readings = readings_of([10.0, 10.0, 10.0])
    found = temperature(readings, [5.0, 25.0, 35.0]).readings.values[:, 0]
    assert found[0] > 15
    assert found[1] == pytest.approx(10, rel=1e-3)
    assert found[2] < 8.5


def test_the_in_phase_part_is_left_alone():
    readings = readings_of(np.full((4, 2), 2.0), units=("mS/m", "ppt"))
    found = temperature(readings, 10.0)
    assert (found.readings.values[:, 0] > 2.7).all()
    assert found.readings.values[:, 1].tolist() == [2.0] * 4
    assert found.messages[-1] == "Left as they are, being no conductivity by their unit: c2."


def test_a_channel_of_another_unit_is_refused_when_chosen():
    readings = readings_of(np.ones((4, 2)), units=("mS/m", "ppt"))
    with pytest.raises(ValueError, match=r"Channel 'c2' is in ppt, which is no conductivity"):
        temperature(readings, 10.0, channels=["c1", "c2"])


def test_without_any_conductivity_the_step_says_what_there_is():
    readings = readings_of(np.ones((4, 2)), units=("", "ppt"))
    with pytest.raises(ValueError, match=r"by its unit: c1 \(no unit\), c2 \(ppt\)\. Choose"):
        temperature(readings, 10.0)


def test_a_chosen_channel_without_a_unit_is_corrected_with_a_warning():
    found = temperature(readings_of([10.0], units=("",)), 20.0, channels=["c1"])
    assert found.readings.values[0, 0] == pytest.approx(11.12, rel=2e-3)
    assert found.warnings == ("c1: no unit is known; taken for conductivity as chosen.",)


@pytest.mark.parametrize(
    "unit", ["mS/m", "S/m", "µS/cm", "μS/cm", "uS/cm", "dS/m", "mS m-1", "mS·m⁻¹", "mS/cm", "ms/m"]
)
def test_units_of_conductivity_are_known_in_their_usual_writings(unit):
    assert is_conductivity(unit)


@pytest.mark.parametrize("unit", ["", "ppt", "m", "S", "Ω m", "mS", "nT", "mS/m2", "s/mm"])
def test_other_units_are_not_taken_for_conductivity(unit):
    assert not is_conductivity(unit)


def test_a_temperature_out_of_bounds_is_named_with_its_reading():
    with pytest.raises(ValueError, match=r"Reading 3 has a soil temperature of 77 °C"):
        temperature(readings_of([1.0, 1, 1]), [10.0, 12.0, 77.0])
    with pytest.raises(ValueError, match=r"Reading 1 has a soil temperature of -6 °C"):
        temperature(readings_of([1.0]), -6.0)


def test_a_missing_temperature_is_refused_where_there_is_a_value():
    readings = readings_of([1.0, np.nan, 1.0])
    with pytest.raises(
        ValueError, match="1 readings have no temperature, the first of them reading 3"
    ):
        temperature(readings, [10.0, np.nan, np.nan])
    found = temperature(readings, [10.0, np.nan, 12.0]).readings.values[:, 0]
    assert np.isnan(found).tolist() == [False, True, False]


@pytest.mark.parametrize(("degrees", "warned"), [(2.0, 1), (-1.0, 2), (10.0, 0), (50.0, 1)])
def test_temperatures_beyond_the_fit_and_frost_are_warned_of(degrees, warned):
    assert len(temperature(readings_of([10.0]), degrees).warnings) == warned


def test_a_rate_that_leaves_nothing_to_conduct_is_refused():
    with pytest.raises(ValueError, match="the ground would conduct nothing at 0 °C"):
        temperature(readings_of([1.0]), 0.0, TemperatureOptions("ratio", rate=0.05))


@pytest.mark.parametrize("model", MODELS)
@given(st.floats(-5, 60), st.floats(-5, 60))
@settings(max_examples=40)
def test_two_references_are_one_step_apart(model, degrees, reference):
    # Referred to 20 °C and from there to another temperature, or straight: the same.
    at = np.array([degrees])
    straight = factor_to(at, TemperatureOptions(model, reference=reference))
    over = factor_to(at, TemperatureOptions(model, reference=20.0)) * factor_to(
        np.array([20.0]), TemperatureOptions(model, reference=reference)
    )
    # The exponential as published is 0.9994 at 25 °C, so that this holds to that.
    np.testing.assert_allclose(straight, over, rtol=1e-3 if reference == 25 else 1e-12)


@pytest.mark.parametrize("model", MODELS)
def test_factors_fall_all_the_way_as_the_ground_warms(model):
    factors = factor_to(np.linspace(-5, 60, 500), TemperatureOptions(model))
    assert (np.diff(factors) < 0).all()
    assert (factors > 0).all()


def test_the_log_is_followed_straight_between_its_entries_in_any_order():
    log = log_of([3600.0, 0.0, 7200.0], [14.0, 10.0, 12.0])
    readings = readings_of([1.0] * 4, time=[0, 1800, 5400, 7200])
    assert logged_temperature(readings, log).tolist() == [10.0, 12.0, 13.0, 12.0]


def test_entries_of_one_time_count_by_their_mean_and_empty_ones_not():
    log = log_of([0.0, 0.0, 50.0, 100.0], [10.0, 12.0, np.nan, 21.0])
    assert logged_temperature(readings_of([1.0], time=[50]), log).tolist() == [16.0]


def test_readings_outside_the_log_are_refused_unless_it_is_held():
    log = log_of([32400.0, 36000.0], [10.0, 14.0])
    readings = readings_of([1.0] * 3, time=[32400, 36010, 36020])
    with pytest.raises(
        ValueError,
        match=r"2 readings were taken outside the temperature log, which runs from 09:00:00 to "
        r"10:00:00: the first of them is reading 2, at 10:00:10\.",
    ):
        logged_temperature(readings, log)
    assert logged_temperature(readings, log, extend=True).tolist() == [10.0, 14.0, 14.0]


def test_each_day_has_a_log_of_its_own():
    log = log_of([0.0, 10.0, 0.0, 10.0], [10.0, 10.0, 20.0, 20.0])
    readings = readings_of([1.0, 1.0], time=[5, 5])
    days, log_days = np.array([0, 1]), np.array([0, 0, 1, 1])
    found = logged_temperature(readings, log, day=days, log_day=log_days)
    assert found.tolist() == [10.0, 20.0]
    with pytest.raises(ValueError, match="no entry with a time for the day of reading 2"):
        logged_temperature(readings, log, day=days, log_day=np.zeros(4, int))


def test_a_reading_without_a_time_is_refused_with_a_log():
    with pytest.raises(ValueError, match="1 readings have no time, the first of them reading 2"):
        logged_temperature(readings_of([1.0, 1.0], time=[0, np.nan]), log_of([0.0], [9.0]))


@given(st.integers(0, 2**32 - 1), st.sampled_from([0.25, 2.0, 64.0]), st.sampled_from(MODELS))
@settings(max_examples=30)
def test_order_scale_and_other_fields_go_through(seed, by, model):
    rng = np.random.default_rng(seed)
    n = 40
    values = rng.normal(20, 5, (n, 2))
    values[rng.choice(n, 5), 0] = np.nan
    degrees = rng.uniform(4, 30, n)
    readings = readings_of(
        values, units=("mS/m", "dS/m"), line=np.where(np.arange(n) < 5, NO_LINE, 1),
        qc=rng.choice([0, int(Qc.EXCLUDED), int(Qc.OFF_SCALE)], n),
    )  # fmt: skip
    before = readings.values.copy()
    options = TemperatureOptions(model)
    found = temperature(readings, degrees, options).readings
    np.testing.assert_array_equal(readings.values, before)
    for name in ("x", "y", "line", "sequence", "grid", "time", "qc"):
        assert getattr(found, name) is getattr(readings, name)
    np.testing.assert_array_equal(np.isnan(found.values), np.isnan(before))
    # Off-scale, excluded and lineless readings are shifted like the others.
    assert (found.values != before)[~np.isnan(before)].all()
    order = rng.permutation(n)
    shuffled = temperature(readings.take(order), degrees[order], options).readings
    np.testing.assert_array_equal(shuffled.values, found.values[order])
    scaled = temperature(readings.with_values(before * by), degrees, options).readings
    np.testing.assert_array_equal(scaled.values, found.values * by)


def test_the_figures_hold_the_range_of_temperatures_and_factors():
    found = temperature(readings_of([10.0, 10.0]), [10.0, 20.0], TemperatureOptions("ratio"))
    assert found.figures == {
        "lowest temperature": 10.0, "highest temperature": 20.0,
        "lowest factor": 1.106, "highest factor": 1.402,
    }  # fmt: skip
    assert found.messages == (
        "c1: multiplied by 1.106 to 1.402, for soil at 10.0 to 20.0 °C referred to 25 °C.",
    )


def test_readings_without_any_value_are_carried():
    found = temperature(readings_of([np.nan, np.nan]), 10.0)
    assert np.isnan(found.readings.values).all()
    assert found.figures == {}


def test_it_can_be_cancelled():
    with pytest.raises(Cancelled):
        temperature(readings_of([1.0]), 10.0, progress=lambda fraction: False)


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        (
            {"model": "linear"},
            "Model 'linear' is unknown: choose one of exponential, ratio, handbook.",
        ),
        ({"rate": 0.0}, "The rate is 0 per degree: give a share above 0 and below 0.1"),
        ({"rate": 1.91}, "The rate is 1.91 per degree"),
        ({"reference": 77.0}, "The reference temperature is 77 °C: choose one from -5 to 60 °C."),
    ],
)
def test_options_that_cannot_be(options, sentence):
    with pytest.raises(ValueError, match=sentence):
        TemperatureOptions(**options)
