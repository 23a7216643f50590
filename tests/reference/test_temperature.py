"""Temperature: against the published factors and SciPy's interpolation."""

import numpy as np
import pytest
from lynchet.algorithms.correct.temperature import (
    TemperatureOptions,
    factor_to,
    logged_temperature,
    temperature,
)
from lynchet.algorithms.readings import Readings
from scipy.interpolate import interp1d

# US Salinity Laboratory (1954), Agriculture Handbook 60, Table 15: factors that refer the
# conductivity of soil extracts to 25 °C. From memory.
HANDBOOK = {
    10.0: 1.411, 15.0: 1.247, 20.0: 1.112, 25.0: 1.000, 30.0: 0.907,
}  # fmt: skip
FURTHER = {5.0: 1.613, 12.0: 1.341, 18.0: 1.163, 22.0: 1.064, 35.0: 0.829, 40.0: 0.763}


@pytest.mark.parametrize(("degrees", "factor"), {**HANDBOOK, **FURTHER}.items())
@pytest.mark.parametrize(("model", "within"), [("exponential", 0.01), ("handbook", 0.01)])
def test_factors_are_those_of_the_handbook_within_one_percent(degrees, factor, model, within):
    found = factor_to(np.array([degrees]), TemperatureOptions(model))
    assert found[0] == pytest.approx(factor, rel=within)


@pytest.mark.parametrize(("degrees", "factor"), HANDBOOK.items())
def test_the_cubic_meets_the_handbook_to_a_thousandth(degrees, factor):
    found = factor_to(np.array([degrees]), TemperatureOptions("handbook"))
    assert found[0] == pytest.approx(factor, rel=1e-3)


def test_the_exponential_is_the_published_formula():
    # Sheets and Hendrickx (1995), corrected form in Corwin and Lesch (2005): its own numbers.
    readings = Readings.build(x=[0] * 3, y=[0] * 3, values=[20.0] * 3, units=["mS/m"])
    found = temperature(readings, [0.0, 26.815, 53.63]).readings.values[:, 0]
    expected = [20 * (0.4470 + 1.4034 / np.e**k) for k in range(3)]
    np.testing.assert_allclose(found, expected, rtol=1e-14)


def test_the_ratio_is_a_straight_line_through_25_degrees():
    degrees = np.linspace(0, 45, 10)
    conductivity = 30 * (1 + 0.0191 * (degrees - 25))
    readings = Readings.build(x=degrees, y=degrees, values=conductivity, units=["mS/m"])
    found = temperature(readings, degrees, TemperatureOptions("ratio")).readings.values[:, 0]
    np.testing.assert_allclose(found, 30.0, rtol=1e-14)


def test_another_reference_is_the_ratio_of_factors():
    for model in ("exponential", "ratio", "handbook"):
        at = {t: factor_to(np.array([t]), TemperatureOptions(model))[0] for t in (12.0, 20.0, 25.0)}
        to_20 = factor_to(np.array([12.0]), TemperatureOptions(model, reference=20.0))[0]
        assert to_20 == pytest.approx(at[12.0] / at[20.0], rel=1e-14)


def test_a_log_is_followed_as_scipy_would():
    rng = np.random.default_rng(0)
    times, degrees = np.sort(rng.uniform(0, 3600, 40)), rng.normal(12, 3, 40)
    at = rng.uniform(times[0], times[-1], 500)
    log = Readings.build(x=times, y=times, values=degrees, time=times)
    readings = Readings.build(x=at, y=at, values=at, time=at)
    expected = interp1d(times, degrees)(at)
    np.testing.assert_allclose(logged_temperature(readings, log), expected, rtol=1e-12)
