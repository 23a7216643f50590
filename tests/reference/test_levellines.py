"""Levelling: against pandas and SciPy."""

import numpy as np
import pandas
import pytest
from lynchet.algorithms.correct.centres import NEAR, NEAR_TO_SIGMA, statistic_of
from lynchet.algorithms.correct.differential import smoothed
from lynchet.algorithms.correct.levellines import LevelOptions, levellines
from lynchet.algorithms.correct.waves import Waves
from lynchet.algorithms.readings import Readings
from scipy.stats import trim_mean, truncnorm


@pytest.fixture
def readings():
    rng = np.random.default_rng(8)
    lines, count = 30, 70
    values = rng.gamma(2.0, 3.0, lines * count) + np.repeat(rng.normal(size=lines), count)
    values[rng.choice(lines * count, 60)] = np.nan
    return Readings.build(
        x=np.repeat(np.arange(lines), count), y=np.tile(np.arange(count) * 0.25, lines),
        values=values, line=np.repeat(np.arange(lines), count),
        grid=np.repeat(["A", "B", "C"], lines * count // 3).tolist(),
    )  # fmt: skip


def test_whole_grid_shifts_are_those_of_pandas_group_medians(readings):
    found = levellines(readings, LevelOptions(method="whole_grid")).readings
    frame = pandas.DataFrame(
        {
            "grid": [readings.grid_names[code] for code in readings.grid],
            "line": readings.line,
            "value": readings.values[:, 0],
        }
    )
    medians = frame.groupby(["grid", "line"])["value"].median()
    shifts = medians - medians.groupby("grid").transform("median")
    expected = frame["value"] - pandas.MultiIndex.from_frame(frame[["grid", "line"]]).map(shifts)
    np.testing.assert_allclose(found.values[:, 0], expected.to_numpy(), rtol=0, atol=1e-12)


def test_the_trimmed_mean_is_scipys():
    values = np.random.default_rng(0).gamma(2.0, 3.0, 101)
    assert statistic_of(values, "trimmed_mean") == pytest.approx(trim_mean(values, 0.25), rel=1e-12)


def test_the_median_is_numpys():
    values = np.array([3.0, np.nan, 1.0, 10.0])
    assert statistic_of(values, "median") == np.nanmedian(values)


def test_the_smoothing_along_is_pandas_running_median():
    table = np.random.default_rng(1).normal(size=(3, 120))
    table[1, 30:50] = np.nan
    rolling = pandas.DataFrame(table.T).rolling(9, center=True, min_periods=1).median().to_numpy().T
    np.testing.assert_array_equal(smoothed(table, 9), np.where(np.isnan(table), np.nan, rolling))


def test_the_spread_of_values_nearby_is_that_of_a_cut_gaussian():
    # The cut lies at NEAR standard deviations found, not at NEAR true ones: the factor is theirs
    # where both agree.
    assert pytest.approx(1 / truncnorm(-NEAR, NEAR).std(), abs=1e-4) == NEAR_TO_SIGMA


@pytest.mark.parametrize("wavelength", [8.0, 15.0])
def test_the_slow_part_across_is_scipys_smoothing_spline(wavelength):
    pytest.importorskip("scipy", minversion="1.10")
    from scipy.interpolate import make_smoothing_spline

    across = np.concatenate([np.arange(30) * 0.25, 7.5 + np.arange(30) * 0.75])
    levels = np.sin(across / 3) + np.random.default_rng(4).normal(0, 0.8, 60)
    waves = Waves.of(across)
    place = across / waves.spacing
    spline = make_smoothing_spline(place, levels, lam=1 / waves.bend_of(wavelength))
    # Ours takes second differences for second derivatives: equal for waves many traverses long.
    np.testing.assert_allclose(waves.slow_part(levels, wavelength), spline(place), atol=0.012)
