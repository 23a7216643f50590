"""What a flagged reading holds informs nothing: no other reading's result, no cell, no figure."""

from dataclasses import astuple, replace

import numpy as np
import pytest
from lynchet.algorithms.check.checkreadings import checkreadings
from lynchet.algorithms.check.comparerepeats import comparecrossings, comparerepeats
from lynchet.algorithms.correct.alignpasses import AlignOptions, alignpasses
from lynchet.algorithms.correct.balancegrids import BalanceOptions, balancegrids
from lynchet.algorithms.correct.despike import DespikeOptions, despike
from lynchet.algorithms.correct.driftbase import DriftBaseOptions, driftbase
from lynchet.algorithms.correct.drifttie import DriftTieOptions, drifttie
from lynchet.algorithms.correct.flagreadings import FlagOptions, flagreadings
from lynchet.algorithms.correct.levellines import LevelOptions, levellines
from lynchet.algorithms.correct.removetrend import RemoveTrendOptions, removetrend
from lynchet.algorithms.correct.temperature import logged_temperature, temperature
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from lynchet.algorithms.gridding.methods import methods
from lynchet.algorithms.readings import Qc, Readings

LINES, COUNT = 24, 48
N = LINES * COUNT
TIES = 4
COMPARED = ("values", "qc", "x", "y")


def survey(seed=0):
    """Two data grids walked zigzag with a lag over a ditch, a stuck run in one; and tie lines."""
    rng = np.random.default_rng(seed)
    line = np.repeat(np.arange(LINES), COUNT)
    along = np.tile(np.arange(COUNT) * 0.25, LINES)
    backward = line % 2 == 1
    along[backward] = np.tile(np.arange(COUNT)[::-1] * 0.25, LINES // 2)
    x, y = line * 0.5, along
    grid = np.where(line < LINES // 2, "A", "B")
    tie = np.repeat(LINES + np.arange(TIES), LINES * 2)
    tie_x = np.tile(np.arange(LINES * 2) * 0.25, TIES)
    x, y = np.append(x, tie_x), np.append(y, 1.3 + 3.1 * (tie - LINES))
    line, grid = np.append(line, tie), np.append(grid, np.full(len(tie), "T"))
    lag = np.append(np.where(backward, -0.2, 0.2), np.zeros(len(tie)))
    ground = 20 + 0.1 * x + 4 * np.exp(-(((y + lag - 5 - 0.3 * x) / 0.8) ** 2))
    ground += np.cos(3 * (y + lag) + x)
    offset = rng.normal(0, 0.5, LINES + TIES)[line] + np.where(grid == "B", 1.5, 0.0)
    time = 32400.0 + np.arange(len(line))
    offset[:N][backward] += 1.5
    first = ground + offset + np.sin(time / 900) + rng.normal(0, 0.1, len(line))
    first[197:209] = 21.0
    return Readings.build(
        x=x, y=y, values=np.column_stack([first, 0.5 * first + rng.normal(0, 0.1, len(line))]),
        channels=["ec", "ip"], units=["mS/m", "mS/m"], line=line, grid=grid, time=time,
        sequence=np.arange(len(line)),
    )  # fmt: skip


def flagged(readings, seed=1):
    """Off scale or excluded by turns: single ones, ends, runs, some beside the other data grid."""
    rng = np.random.default_rng(seed)
    n = len(readings)
    runs = [np.arange(200, 206), np.arange(14 * COUNT, 14 * COUNT + 4)]
    edge = np.arange(11 * COUNT, 13 * COUNT, 7)
    rows = np.unique(np.concatenate([[0, COUNT - 1], rng.integers(0, n, 25), *runs, edge]))
    rows = rows[rows < n]
    qc = readings.qc.copy()
    qc[rows[::2]] |= int(Qc.OFF_SCALE)
    qc[rows[1::2]] |= int(Qc.EXCLUDED)
    return replace(readings, qc=qc), rows


def spoilt(readings, rows, seed=2):
    values = readings.values.copy()
    rng = np.random.default_rng(seed)
    values[rows] = rng.uniform(1e4, 1e6, (len(rows), 2)) * rng.choice([-1, 1], (len(rows), 2))
    return readings.with_values(values)


def walked(readings):
    return readings.take(np.arange(N))


BASE = Readings.build(
    x=[0] * 80, y=[0] * 80, values=np.random.default_rng(5).normal(20, 1, (80, 2)),
    channels=["ec", "ip"], units=["mS/m", "mS/m"], time=32390 + np.arange(80) * 20.0,
)  # fmt: skip
WIDE = LevelOptions(fewest=5)

CORRECTIONS = {
    "despike": lambda r: despike(r),
    "despike by distance": lambda r: despike(
        r, DespikeOptions(window=2.0, window_unit="map_units", replace_by="interpolation")
    ),
    "despike runs": lambda r: despike(
        r, DespikeOptions(longest_run=6, keep_shared=True, threshold=3, replace_by="median")
    ),
    **{
        f"level {method}": lambda r, method=method: levellines(
            walked(r), replace(WIDE, method=method)
        )
        for method in ("differential", "whole_grid", "same_direction", "neighbours", "direction")
    },
    "level by mode": lambda r: levellines(
        walked(r), replace(WIDE, method="whole_grid", statistic="mode")
    ),
    "level steps": lambda r: levellines(walked(r), replace(WIDE, steps=True, window=4.0)),
    **{
        f"drift from base {method}": lambda r, method=method: driftbase(
            r, BASE, DriftBaseOptions(method, extend=True)
        )
        for method in ("linear", "smooth", "stepwise")
    },
    "drift from ties": lambda r: drifttie(
        r, np.array([line.grid == "T" for line in r.lines]), DriftTieOptions(knots=300.0)
    ),
    "drift from ties by line": lambda r: drifttie(
        r, None, DriftTieOptions(model="each_line", smoothness=1.0)
    ),
    **{
        f"align {scope}": lambda r, scope=scope: alignpasses(walked(r), AlignOptions(scope))
        for scope in ("survey", "each_grid", "each_line", "time")
    },
    "align by resampling": lambda r: alignpasses(
        walked(r), AlignOptions(channel_lags="each", application="resample")
    ),
    "align by a known lag": lambda r: alignpasses(
        walked(r), AlignOptions(application="resample", lag=0.2)
    ),
    "balance": lambda r: balancegrids(walked(r)),
    "balance with gain": lambda r: balancegrids(walked(r), BalanceOptions(gain=True)),
    **{
        f"trend {method} {loss}": lambda r, method=method, loss=loss: removetrend(
            r, RemoveTrendOptions(method, degree=2, loss=loss, width=4.0)
        )
        for method in ("polynomial", "moving_median", "gaussian", "thin_plate")
        for loss in ("tukey", "least_squares")
    },
    "trend by grid": lambda r: removetrend(r, RemoveTrendOptions(scope="each_grid")),
    "temperature": lambda r: temperature(r, np.linspace(8.0, 12.0, len(r))),
    "flag stuck": lambda r: flagreadings(r, FlagOptions(stuck=4)),
}


def others(readings, rows):
    kept = np.setdiff1d(np.arange(len(readings)), rows)
    return readings.take(kept)


def assert_same_readings(one, two, rows):
    one, two = others(one, rows), others(two, rows)
    for name in COMPARED:
        np.testing.assert_array_equal(getattr(one, name), getattr(two, name), err_msg=name)


@pytest.mark.parametrize("case", CORRECTIONS)
def test_the_value_of_a_flagged_reading_reaches_no_other_reading(case):
    readings, rows = flagged(survey())
    plain = CORRECTIONS[case](readings)
    found = CORRECTIONS[case](spoilt(readings, rows))
    assert_same_readings(found.readings, plain.readings, rows)
    assert found.figures == pytest.approx(plain.figures, abs=0, rel=0, nan_ok=True)
    assert found.messages == plain.messages
    assert found.warnings == plain.warnings


@pytest.mark.parametrize("case", CORRECTIONS)
def test_a_flagged_reading_informs_others_no_more_than_one_without_a_value(case):
    readings, rows = flagged(survey())
    values = readings.values.copy()
    values[rows] = np.nan
    plain = CORRECTIONS[case](readings.with_values(values))
    found = CORRECTIONS[case](readings)
    assert_same_readings(found.readings, plain.readings, rows)


@pytest.mark.parametrize("case", CORRECTIONS)
def test_the_same_values_not_flagged_would_show(case):
    """Without this the tests above could hold of corrections that look at nothing."""
    if case.startswith(("drift from base", "temperature")):
        pytest.skip("each reading is corrected by itself")
    readings, rows = flagged(survey())
    open_ = replace(readings, qc=np.zeros_like(readings.qc))
    plain = CORRECTIONS[case](open_).readings
    values = open_.values.copy()
    values[rows] += np.random.default_rng(3).uniform(1, 4, (len(rows), 2))
    found = CORRECTIONS[case](open_.with_values(values)).readings
    one, two = others(plain, rows), others(found, rows)
    assert not all(np.array_equal(getattr(one, n), getattr(two, n)) for n in COMPARED)


@pytest.mark.parametrize("method", methods())
def test_no_cell_feels_the_value_of_a_flagged_reading(method):
    readings, rows = flagged(survey())
    plain = gridreadings(readings, GriddingOptions(method))
    found = gridreadings(spoilt(readings, rows), GriddingOptions(method))
    assert found.frame == plain.frame
    np.testing.assert_array_equal(found.bands, plain.bands)
    assert found.figures == plain.figures


@pytest.mark.parametrize("method", methods())
def test_cells_are_those_of_a_survey_without_the_flagged_readings(method):
    readings, rows = flagged(survey())
    options = GriddingOptions(method, cell_size=0.25, blanking_distance=0.75)
    plain = gridreadings(others(readings, rows), options)
    found = gridreadings(spoilt(readings, rows), options)
    assert found.frame == plain.frame
    np.testing.assert_array_equal(found.bands, plain.bands)


def test_a_flagged_base_reading_bends_no_drift():
    base, rows = flagged(BASE)
    for method in ("linear", "smooth", "stepwise"):
        options = DriftBaseOptions(method, extend=True)
        plain = driftbase(survey(), base, options)
        found = driftbase(survey(), spoilt(base, rows), options)
        np.testing.assert_array_equal(found.readings.values, plain.readings.values)
        assert found.figures == plain.figures


def test_a_flagged_entry_of_a_temperature_log_counts_for_nothing():
    log, rows = flagged(BASE)
    plain = logged_temperature(survey(), log, extend=True)
    found = logged_temperature(survey(), spoilt(log, rows), extend=True)
    np.testing.assert_array_equal(found, plain)


def assert_same_agreements(found, plain):
    assert [astuple(a) for a in found.agreements] == [astuple(a) for a in plain.agreements]
    assert len(found.agreements) == 2


def test_comparisons_leave_flagged_readings_of_either_walk_out():
    first, rows = flagged(walked(survey()))
    second, again = flagged(walked(survey(7)), seed=9)
    plain = comparerepeats(first, second, 0.3)
    found = comparerepeats(spoilt(first, rows), spoilt(second, again), 0.3)
    assert_same_agreements(found, plain)
    assert (found.figures, found.messages) == (plain.figures, plain.messages)
    crossing, rows = flagged(survey())
    plain, found = comparecrossings(crossing), comparecrossings(spoilt(crossing, rows))
    assert_same_agreements(found, plain)
    assert (found.figures, found.messages) == (plain.figures, plain.messages)


def test_the_check_says_the_same_whatever_flagged_readings_hold():
    readings, rows = flagged(survey())
    plain, found = checkreadings(readings), checkreadings(spoilt(readings, rows))
    assert [f.sentence for f in found.findings] == [f.sentence for f in plain.findings]
    np.testing.assert_array_equal(found.noise, plain.noise)
    np.testing.assert_array_equal(found.offsets, plain.offsets)
    assert (found.verdict, found.warnings) == (plain.verdict, plain.warnings)
