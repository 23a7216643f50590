from dataclasses import replace

import numpy as np
import pytest
import variants
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.alignpasses import AlignOptions, alignpasses, find_lags
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings

TURN = 20.0
AHEAD = 1j * np.exp(-1j * np.radians(TURN))  # of a traverse walked forward, on the map
TENTH = 0.1 * variants.INTERVAL


def loud(variant):
    """Noise a fifth of the bodies' root mean square where there are any."""
    bodies = variant.anomalies[np.abs(variant.anomalies) > 0.1]
    return variant.noise / variants.NOISE * np.sqrt(np.mean(bodies**2)) / 5


def survey(seed, lag=0.0, **columns):
    made = variants.variant(seed)
    readings = made.readings(made.late(lag) + loud(made), turn=TURN)
    return made, replace(readings, **columns)


def number_of(made):
    """Number of each reading's traverse in the whole survey, in walking order."""
    return np.arange(len(made.u)) // variants.COUNT


def moved_back(made, before, after):
    """How far each reading was moved against its direction of travel, and to the side."""
    place = (before.x - after.x) + 1j * (before.y - after.y)
    along = place / (AHEAD * made.way)
    return along.real, along.imag


# -- the lag is found --------------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("lag", [0.0, 0.05, 0.12, 0.4])
def test_one_lag_is_found_to_a_tenth_of_the_reading_interval(seed, lag):
    _, readings = survey(seed, lag)
    (found,) = find_lags(readings)
    assert found.shift.lag == pytest.approx(lag, abs=TENTH)
    assert found.shift.evident == (lag > 0)
    assert abs(found.shift.lag - lag) < 4 * found.shift.error
    assert found.shift.traverses == 4 * (variants.LINES - 2)


def test_a_lag_the_other_way_is_found_too():
    _, readings = survey(1, -0.2)
    assert find_lags(readings)[0].shift.lag == pytest.approx(-0.2, abs=TENTH)


@pytest.mark.parametrize("seed", [0, 1])
def test_each_data_grid_has_its_own_lag(seed):
    # A quarter of the readings: twice the error.
    lags = {"A1": 0.05, "A2": 0.12, "B1": 0.4, "B2": 0.0}
    made = variants.variant(seed)
    lag = np.array([lags[name] for name in made.grid])
    _, readings = survey(seed, lag)
    for found in find_lags(readings, AlignOptions(scope="each_grid")):
        assert found.shift.lag == pytest.approx(lags[found.grid], abs=2 * TENTH)
        assert found.shift.evident == (lags[found.grid] > 0)


def test_a_traverse_with_a_lag_of_its_own_moves_further_than_the_others():
    made = variants.variant(1)
    number = number_of(made)
    _, readings = survey(1, np.where(number == 20, 0.4, 0.12))
    found = alignpasses(readings, AlignOptions(scope="each_line"))
    ahead, _ = moved_back(made, readings, found.readings)
    others = ahead[(number < variants.LINES) & (np.abs(number - 20) > 1)]
    assert ahead[number == 20][0] > others.max()
    assert np.median(others) == pytest.approx(0.12, abs=TENTH)
    # Whole traverses move, and no data grid without such a traverse scatters as much.
    assert all(np.ptp(ahead[number == k]) < 1e-6 for k in (3, 20, 70))
    assert found.figures["lag grid A1 scatter"] > 0
    assert any("own lags scatter by" in message for message in found.messages)


@pytest.mark.parametrize("lag", [0.05, 0.12, 0.3])
def test_a_time_lag_is_found_where_speeds_differ_and_a_distance_is_not(lag):
    made = variants.variant(1)
    number = number_of(made)
    speed = np.random.default_rng(3).uniform(0.6, 1.6, number.max() + 1)[number]
    time = 1000.0 * number + made.sequence * variants.INTERVAL / speed
    _, readings = survey(1, lag * speed, time=time)
    as_time = find_lags(readings, AlignOptions(scope="time"))[0].shift
    assert as_time.lag == pytest.approx(lag, abs=0.1 * variants.INTERVAL / np.median(speed))
    wrong = {}
    for scope in ("time", "survey"):
        found = alignpasses(readings, AlignOptions(scope=scope)).readings
        ahead, _ = moved_back(made, readings, found)
        wrong[scope] = variants.rms(ahead - lag * speed)
    assert wrong["time"] < TENTH
    assert wrong["survey"] > 2.5 * wrong["time"]
    assert wrong["survey"] > 0.2 * lag


def test_a_fast_traverse_goes_back_further_for_a_time_lag():
    made = variants.variant(0)
    number = number_of(made)
    speed = np.where(number % 4 < 2, 0.5, 1.5)
    time = 1000.0 * number + made.sequence * variants.INTERVAL / speed
    _, readings = survey(0, time=time)
    found = alignpasses(readings, AlignOptions(scope="time", lag=0.2)).readings
    ahead, _ = moved_back(made, readings, found)
    np.testing.assert_allclose(ahead, 0.2 * speed, atol=1e-6)


def test_each_channel_has_its_own_lag_by_resampling():
    made = variants.variant(1)
    noise = loud(made)
    values = np.column_stack([made.late(0.05) + noise, made.late(0.4) + noise[::-1]])
    readings = replace(
        made.readings(values[:, 0]), values=values, channels=("ec", "ip"), units=("mS/m", "ppt")
    )
    options = AlignOptions(channel_lags="each", application="resample")
    lags = {lag.channel: lag.shift.lag for lag in find_lags(readings, options)}
    assert lags["ec"] == pytest.approx(0.05, abs=TENTH)
    assert lags["ip"] == pytest.approx(0.4, abs=TENTH)
    found = alignpasses(readings, options)
    np.testing.assert_array_equal(found.readings.x, readings.x)
    for k, name in enumerate(("ec", "ip")):
        assert found.figures[f"lag {name}"] == pytest.approx(lags[name], rel=1e-3)
        alone = replace(
            readings, values=values[:, [k]], channels=(name,), units=(readings.units[k],)
        )
        known = alignpasses(alone, AlignOptions(application="resample", lag=lags[name]))
        np.testing.assert_allclose(found.readings.values[:, k], known.readings.values[:, 0])


def test_resampling_brings_the_ground_back():
    made = variants.variant(2)
    late = made.readings(made.late(0.4) + made.noise)
    found = alignpasses(late, AlignOptions(application="resample")).readings
    inner = (made.sequence > 3) & (made.sequence < variants.COUNT - 4)
    before = variants.rms((late.values[:, 0] - made.ground)[inner])
    after = variants.rms((found.values[:, 0] - made.ground)[inner])
    assert before > 3 * after
    assert after < variants.NOISE


def lag_through(seed, spikes):
    """Lag of 0.12 found through gaps, single and long, and spikes; its error."""
    made = variants.variant(seed)
    values = made.late(0.12) + loud(made) + (made.spikes() if spikes else 0.0)
    rng = np.random.default_rng(8)
    values[rng.uniform(size=len(values)) < 0.05] = np.nan
    for start in rng.integers(0, len(values) - 20, 100):
        values[start : start + 12] = np.nan
    found = alignpasses(made.readings(values))
    np.testing.assert_array_equal(found.readings.values[:, 0], values)
    return found.figures["lag"] - 0.12


def test_gaps_leave_the_lag_where_it_is():
    assert variants.rms([lag_through(seed, False) for seed in range(6)]) < TENTH


def test_spikes_leave_the_lag_where_it_is():
    # A hundredth of the readings are off by 3 to 30.
    assert variants.rms([lag_through(seed, True) for seed in range(6)]) < TENTH


def test_excluded_readings_do_not_inform_and_move_all_the_same():
    made = variants.variant(1)
    values = made.late(0.12) + loud(made)
    plain = made.readings(values)
    bad = np.random.default_rng(9).uniform(size=len(values)) < 0.1
    ruined = replace(
        plain,
        values=np.where(bad, 1e6 * made.v, values)[:, np.newaxis],
        qc=np.where(bad, int(Qc.EXCLUDED), 0),
    )
    found = alignpasses(ruined)
    assert found.figures["lag"] == pytest.approx(0.12, abs=TENTH)
    ahead, _ = moved_back(made, plain, found.readings)
    np.testing.assert_allclose(ahead[bad], ahead[~bad][0], atol=1e-6)


# -- what is done about it ---------------------------------------------------------------------


@pytest.mark.parametrize("application", ["move", "resample"])
def test_without_evidence_nothing_is_done_and_it_is_said(application):
    _, readings = survey(0)
    found = alignpasses(readings, AlignOptions(application=application))
    np.testing.assert_array_equal(found.readings.values, readings.values)
    np.testing.assert_array_equal(found.readings.x, readings.x)
    np.testing.assert_array_equal(found.readings.y, readings.y)
    assert len(found.messages) == 1
    assert "no evidence of a lag" in found.messages[0]
    assert found.messages[0].endswith("less than a tenth of the reading interval.")


def test_what_was_found_is_said_with_its_error():
    _, readings = survey(1, 0.4)
    found = alignpasses(readings)
    lag = find_lags(readings)[0].shift.lag
    assert found.messages[0].startswith(f"All readings: a lag of {lag:.3g} map units (standard")
    assert "from 152 comparisons" in found.messages[0]
    assert found.figures["lag error"] == pytest.approx(find_lags(readings)[0].shift.error, rel=0.05)


def test_moving_takes_readings_back_along_the_walk_by_exactly_the_lag():
    made, readings = survey(1, 0.4)
    found = alignpasses(readings, AlignOptions(lag=0.25)).readings
    ahead, aside = moved_back(made, readings, found)
    # Northings of six million metres are kept to 1e-9.
    np.testing.assert_allclose(ahead, 0.25, atol=1e-8)
    np.testing.assert_allclose(aside, 0, atol=1e-8)
    np.testing.assert_array_equal(found.values, readings.values)
    np.testing.assert_array_equal(found.qc, readings.qc)


def test_a_known_lag_needs_no_opposing_passes():
    n = 20
    readings = Readings.build(x=np.arange(n) * 0.5, y=np.zeros(n), values=np.arange(n))
    found = alignpasses(readings, AlignOptions(lag=0.3))
    np.testing.assert_allclose(found.readings.x, readings.x - 0.3)
    assert found.messages == ("All readings: the known lag of 0.3 map units was taken off.",)


def test_a_known_lag_of_nothing_changes_nothing():
    _, readings = survey(0, 0.4)
    assert alignpasses(readings, AlignOptions(lag=0.0)).readings is readings


@pytest.mark.parametrize("lag", [0.05, 0.3, -0.3, 1.0])
def test_resampled_values_lie_on_straight_lines_between_readings(lag):
    _, readings = survey(0)
    found = alignpasses(readings, AlignOptions(application="resample", lag=lag)).readings
    walked = (np.arange(variants.COUNT) + 0.5) * variants.INTERVAL
    for traverse in [*readings.lines[::13], readings.lines[-1]]:
        values = readings.values[traverse.rows, 0]
        # numpy.interp holds the first and last value beyond the ends.
        expected = np.interp(walked + lag, walked, values)
        np.testing.assert_allclose(found.values[traverse.rows, 0], expected, atol=1e-5)
        at = walked + lag
        beyond = (at > walked[-1] + 1e-6) | (at < walked[0] - 1e-6)
        held = (found.qc[traverse.rows] & Qc.FILLED) > 0
        np.testing.assert_array_equal(held, beyond)
    np.testing.assert_array_equal(found.x, readings.x)


def test_values_held_at_the_ends_are_counted():
    _, readings = survey(0)
    found = alignpasses(readings, AlignOptions(application="resample", lag=0.3))
    # 0.3 is 2.4 intervals: the last three readings of each of 160 traverses.
    held = found.readings.qc & Qc.FILLED > 0
    assert (readings.sequence[held] >= variants.COUNT - 3).all()
    assert found.figures["values held at the ends of traverses"] == held.sum()
    assert held[: -variants.COUNT].sum() == 3 * 159


def test_values_are_held_at_the_end_of_the_last_traverse_too():
    readings = Readings.build(x=np.zeros(6), y=np.arange(6), values=np.arange(6))
    found = alignpasses(readings, AlignOptions(application="resample", lag=0.5)).readings
    np.testing.assert_allclose(found.values[:, 0], [0.5, 1.5, 2.5, 3.5, 4.5, 5.0])
    assert found.qc.tolist() == [0, 0, 0, 0, 0, int(Qc.FILLED)]


def resampled(y, values, lag, **columns):
    """A traverse resampled, another one walked after it."""
    n = len(values)
    after = {name: np.concatenate([column, np.zeros(2)]) for name, column in columns.items()}
    readings = Readings.build(
        x=np.append(np.zeros(n), [1, 1]), y=np.append(y, [0, 1]),
        values=np.append(values, [90, 99]), line=np.append(np.zeros(n), [1, 1]), **after,
    )  # fmt: skip
    found = alignpasses(readings, AlignOptions(application="resample", lag=lag)).readings
    return found.values[:n, 0], found.qc[:n]


def test_a_gap_stays_as_wide_as_it_was_and_moves_with_the_readings():
    values = np.array([0.0, 1.0, np.nan, 3.0, 4.0, 5.0])
    # The value read at 2.4 is nearest to the one missing; that at 1.4 is not, and is drawn from
    # the readings on either side that are there.
    near, qc = resampled(np.arange(6), values, 0.4)
    np.testing.assert_allclose(near, [0.4, 1.4, np.nan, 3.4, 4.4, 5.0])
    assert qc.tolist() == [0, 0, 0, 0, 0, int(Qc.FILLED)]
    whole, _ = resampled(np.arange(6), values, 1.0)
    np.testing.assert_allclose(whole, [1, np.nan, 3, 4, 5, 5])


def test_readings_missing_at_the_ends_stay_missing():
    values = np.array([np.nan, np.nan, 2.0, 3.0, np.nan, np.nan])
    found, _ = resampled(np.arange(6), values, 0.4)
    np.testing.assert_allclose(found, [np.nan, np.nan, 2.4, 3.0, np.nan, np.nan])


def test_an_excluded_reading_keeps_its_value_and_gives_it_to_no_other():
    off = int(Qc.OFF_SCALE)
    values = np.array([0.0, 1.0, 99.0, 3.0, 4.0, 5.0])
    found, qc = resampled(np.arange(6), values, 0.4, qc=np.array([0, 0, off, 0, 0, 0]))
    np.testing.assert_allclose(found, [0.4, 1.4, 99.0, 3.4, 4.4, 5.0])
    assert qc[2] == off


def test_resampling_follows_uneven_steps():
    y = np.array([0.0, 1.0, 1.5, 4.0, 4.0, 6.0])
    values = np.array([0.0, 2.0, 1.0, 7.0, 7.0, 3.0])
    found, _ = resampled(y, values, 0.25)
    np.testing.assert_allclose(found, np.interp(y + 0.25, y, values))


def test_rows_of_no_traverse_and_without_position_stay():
    _, readings = survey(1, 0.4)
    line, x = readings.line.copy(), readings.x.copy()
    line[100:105] = NO_LINE
    x[5000] = np.nan
    lost = replace(readings, line=line, x=x)
    for application in ("move", "resample"):
        found = alignpasses(lost, AlignOptions(application=application)).readings
        for name in ("x", "y", "values"):
            before, after = getattr(lost, name), getattr(found, name)
            np.testing.assert_array_equal(after[100:105], before[100:105])
            np.testing.assert_array_equal(after[5000], before[5000])


@pytest.mark.parametrize("scope", ["survey", "each_grid", "each_line", "time"])
def test_ground_without_any_change_is_left_alone(scope):
    made = variants.variant(0)
    readings = made.readings(np.full(len(made.u), 5.0))
    found = alignpasses(readings, AlignOptions(scope=scope))
    assert found.readings is readings
    assert "no evidence of a lag; nothing was done." in found.messages[0]


def with_a_silent_channel(made):
    values = np.column_stack([made.late(0.4) + made.noise, np.full(len(made.u), np.nan)])
    return replace(
        made.readings(values[:, 0]), values=values, channels=("ec", "ip"), units=("mS/m", "ppt")
    )


def test_a_channel_without_any_reading_leaves_the_lag_of_the_others():
    found = alignpasses(with_a_silent_channel(variants.variant(0)))
    assert found.figures["lag"] == pytest.approx(0.4, abs=TENTH)


def test_a_channel_without_any_reading_has_no_lag_of_its_own():
    readings = with_a_silent_channel(variants.variant(0))
    found = alignpasses(readings, AlignOptions(channel_lags="each", application="resample"))
    assert found.figures["lag ec"] == pytest.approx(0.4, abs=TENTH)
    assert np.isnan(found.readings.values[:, 1]).all()


# -- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"scope": "x"}, "Scope 'x' is unknown: choose one of survey, each_grid, each_line, time."),
        ({"channel_lags": "x"}, "Choice of channels 'x' is unknown"),
        ({"application": "x"}, "Application 'x' is unknown: choose one of move, resample."),
        ({"channel_lags": "each"}, "Readings can be moved to one place only"),
        ({"largest": 0.0}, "The largest lag is 0: choose a length above 0."),
        ({"largest": np.nan}, "The largest lag is nan"),
        ({"lag": np.inf}, "The known lag is no number"),
    ],
)
def test_options_that_cannot_be(options, sentence):
    with pytest.raises(ValueError, match=sentence):
        AlignOptions(**options)


def one_way(count=6):
    v = np.tile(np.arange(50) * 0.125, count)
    values = np.sin(v) + np.random.default_rng(0).normal(0, 0.1, len(v))
    line = np.repeat(np.arange(count), 50)
    return Readings.build(x=line * 0.5, y=v, values=values, line=line)


def test_traverses_walked_one_way_are_refused():
    with pytest.raises(ValueError, match=r"No two neighbouring traverses were walked in opposite"):
        alignpasses(one_way())


def test_readings_without_a_traverse_are_refused():
    readings = replace(one_way(), line=np.full(300, NO_LINE))
    with pytest.raises(ValueError, match=r"No traverse has two positions. Choose the traverse"):
        alignpasses(readings)


def test_a_time_lag_without_times_is_refused_by_the_traverse():
    made, readings = survey(0)
    time = np.where((made.grid == "B1") & (made.line == 12), np.nan, readings.time)
    with pytest.raises(ValueError, match=r"line 12 of grid B1 have no times that rise"):
        alignpasses(replace(readings, time=time), AlignOptions(scope="time"))


def test_the_work_can_be_cancelled():
    _, readings = survey(0)
    with pytest.raises(Cancelled):
        alignpasses(readings, progress=lambda fraction: fraction < 0.3)


# -- invariants --------------------------------------------------------------------------------

CHOICES = st.sampled_from(
    [
        {}, {"application": "resample"}, {"scope": "each_grid"},
        {"scope": "each_line", "application": "resample"}, {"scope": "time"},
        {"channel_lags": "each", "application": "resample"},
    ]
)  # fmt: skip


def half(seed):
    """Two data grids of a survey with a lag: enough for an invariant."""
    _, readings = survey(seed, 0.2)
    return readings.take(np.arange(len(readings) // 2))


@given(choice=CHOICES, seed=st.integers(0, 20), data=st.data())
@settings(max_examples=8, deadline=None)
def test_order_count_and_all_other_columns_stay(choice, seed, data):
    readings = half(seed)
    before = {name: getattr(readings, name).copy() for name in ("x", "y", "values", "qc")}
    found = alignpasses(readings, AlignOptions(**choice)).readings
    for name in ("line", "sequence", "grid", "time"):
        np.testing.assert_array_equal(getattr(found, name), getattr(readings, name))
    kept = ("x", "y") if choice.get("application") == "resample" else ("values", "qc")
    for name in kept:
        np.testing.assert_array_equal(getattr(found, name), before[name])
    for name, column in before.items():
        np.testing.assert_array_equal(getattr(readings, name), column)
    assert found.channels == readings.channels
    assert found.units == readings.units


@given(
    choice=CHOICES, seed=st.integers(0, 20), shift=st.floats(-1e3, 1e3), factor=st.floats(0.05, 50)
)
@settings(max_examples=8, deadline=None)
def test_a_constant_and_a_factor_go_through(choice, seed, shift, factor):
    readings, options = half(seed), AlignOptions(**choice)
    plain = alignpasses(readings, options).readings
    other = alignpasses(readings.with_values(readings.values * factor + shift), options).readings
    np.testing.assert_allclose(other.x, plain.x, atol=1e-5)
    np.testing.assert_allclose(other.y, plain.y, atol=1e-5)
    np.testing.assert_allclose(other.values, plain.values * factor + shift, rtol=1e-6, atol=1e-4)


@given(choice=CHOICES, seed=st.integers(0, 20))
@settings(max_examples=6, deadline=None)
def test_the_order_of_the_rows_changes_nothing(choice, seed):
    readings, options = half(seed), AlignOptions(**choice)
    plain = alignpasses(readings, options).readings
    backwards = np.arange(len(readings))[::-1]
    found = alignpasses(readings.take(backwards), options).readings.take(backwards)
    np.testing.assert_allclose(found.values, plain.values, atol=1e-9)
    np.testing.assert_allclose(found.x, plain.x, atol=1e-9)
    np.testing.assert_allclose(found.y, plain.y, atol=1e-8)
    np.testing.assert_array_equal(found.qc, plain.qc)
