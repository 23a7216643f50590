"""Despiking: against the published rule in plain loops, and against independent libraries."""

import numpy as np
import pandas
import pytest
from lynchet.algorithms.correct.despike import DespikeOptions, despike, noise_level
from lynchet.algorithms.correct.windows import Walk, running_median
from lynchet.algorithms.readings import Qc, Readings
from scipy.ndimage import median_filter


def survey(seed=0, lines=20, count=150, spikes=40):
    rng = np.random.default_rng(seed)
    n = lines * count
    values = 20 + np.sin(np.arange(n) / 15) + rng.normal(0, 0.2, n)
    at = rng.choice(n, spikes, replace=False)
    values[at] += rng.choice([-1, 1], spikes) * rng.uniform(4, 30, spikes)
    readings = Readings.build(
        x=np.tile(np.arange(count) * 0.125, lines),
        y=np.repeat(np.arange(lines) * 0.5, count),
        values=values,
        line=np.repeat(np.arange(lines), count),
    )
    return readings, np.sort(at)


def by_the_published_rule(readings, window, threshold, floor):
    """The running median outlier identifier of Davies and Gather (1993), reading by reading."""
    flagged = []
    half = window // 2
    for traverse in readings.lines:
        v = readings.values[traverse.rows, 0]
        for place in range(len(v)):
            around = v[max(place - half, 0) : place + half + 1]
            median = np.median(around)
            spread = 1.482602218505602 * np.median(np.abs(around - median))
            if abs(v[place] - median) > threshold * max(spread, floor):
                flagged.append(int(traverse.rows[place]))
    return flagged


@pytest.mark.parametrize("window", [5, 9, 15])
@pytest.mark.parametrize("threshold", [3.0, 5.0])
def test_flags_are_those_of_the_published_rule(window, threshold):
    readings, _ = survey()
    options = DespikeOptions(
        window=window, threshold=threshold, noise_floor=(0.15,), passes=1, replace_by="null"
    )
    found = despike(readings, options).readings
    assert np.flatnonzero(found.qc & Qc.SPIKE).tolist() == by_the_published_rule(
        readings, window, threshold, 0.15
    )


def test_running_medians_are_those_of_pandas():
    readings, _ = survey()
    walk = Walk.of(readings)
    ours = running_median(readings.values[walk.rows, 0], *walk.by_count(9))
    frame = pandas.DataFrame({"line": readings.line, "value": readings.values[:, 0]})
    theirs = frame.groupby("line")["value"].transform(
        lambda v: v.rolling(9, center=True, min_periods=1).median()
    )
    np.testing.assert_allclose(ours, theirs.to_numpy())


def test_running_medians_within_a_traverse_are_those_of_scipy():
    readings, _ = survey()
    rows = readings.lines[0].rows
    walk = Walk.of(readings)
    ours = running_median(readings.values[walk.rows, 0], *walk.by_count(9))[: len(rows)]
    theirs = median_filter(readings.values[rows, 0], 9)
    np.testing.assert_array_equal(ours[4:-4], theirs[4:-4])


def test_interpolated_values_are_those_of_numpy():
    readings, _ = survey()
    found = despike(readings).readings
    spikes = (found.qc & Qc.SPIKE) != 0
    for traverse in readings.lines:
        rows = traverse.rows
        bad = spikes[rows]
        x = readings.x[rows]
        expected = np.interp(x[bad], x[~bad], readings.values[rows[~bad], 0])
        np.testing.assert_allclose(found.values[rows[bad], 0], expected, rtol=0, atol=1e-12)


def test_planted_spikes_are_found_and_little_else():
    # Spikes of at least 20 noise sigmas: all found; Gaussian noise at a threshold of 5: at most 1
    # false alarm in 3,000 readings.
    readings, planted = survey(5)
    found = np.flatnonzero(despike(readings).readings.qc & Qc.SPIKE)
    assert set(planted) <= set(found.tolist())
    assert len(found) - len(planted) <= 1


def test_the_noise_level_is_the_noise():
    rng = np.random.default_rng(1)
    n = 20_000
    readings = Readings.build(
        x=np.arange(n), y=np.zeros(n), values=np.arange(n) * 0.01 + rng.normal(0, 0.3, n)
    )
    walk = Walk.of(readings)
    assert noise_level(readings.values[:, 0], walk) == pytest.approx(0.3, rel=0.03)
