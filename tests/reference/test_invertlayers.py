"""Inversion to layers: against SciPy's least squares, and the closed answer of the linear limit.

What is made least is written here once more: Huber's loss of the residuals over their standard
deviations (`scipy.special.huber`) and the departure from the prior, whitened by its Cholesky
factor. Only the forward response is ours; it is held against others in its own tests.
"""

from dataclasses import replace

import numpy as np
import pytest
from lynchet.algorithms.ground.instrument import CoilPair, Instrument
from lynchet.algorithms.ground.inversion.lateral import Likeness, precision
from lynchet.algorithms.ground.inversion.layering import THICKNESS_FACTOR
from lynchet.algorithms.ground.inversion.layers import BAND
from lynchet.algorithms.ground.inversion.options import InversionOptions
from lynchet.algorithms.ground.invertlayers import invert_layers
from lynchet.algorithms.ground.layeredresponse import layered_jacobian, layered_response
from lynchet.algorithms.readings import Readings
from scipy.linalg import block_diag
from scipy.optimize import least_squares, minimize
from scipy.special import huber
from scipy.stats import norm

NOISE, RELATIVE, USUAL = 0.2, 0.03, 20.0
LEVEL, CONTRAST, REACH = 2.5, 3.0, 1.0
THICKNESSES = (0.14, 0.19, 0.27, 0.37, 0.53)
NO_OUTLIER = 0.5
"""Of the assumed noise, so that no residual is large enough to count less."""
NEAR = 0.05
"""Of what the readings leave open, in standard deviations, a search may end short."""
EASIER = 0.3
"""The same where thicknesses are sought, single values count less, or soundings hang together."""


def channels(frequency=10_000.0, height=0.0, spacings=(0.5, 1.0)):
    return Instrument(
        tuple(
            CoilPair(spacing, way, frequency, height, quadrature=f"{way}_{spacing}")
            for spacing in spacings
            for way in ("vertical", "horizontal")
        )
    ).channels


def told(chosen, conductivity, thickness, height=None):
    """Apparent conductivities and their slopes by each logarithm, ``(n, p)`` and ``(n, p, k)``."""
    pairs = [channel.pair for channel in chosen]
    scale = np.array([channel.scale for channel in chosen])
    found = layered_jacobian(pairs, conductivity, thickness, height=height, accuracy="quick")
    thick = np.broadcast_to(thickness, (len(conductivity), conductivity.shape[1] - 1))
    slopes = np.concatenate(
        [
            found.by_conductivity.imag * conductivity[:, np.newaxis],
            found.by_thickness.imag * thick[:, np.newaxis],
        ],
        axis=2,
    )
    return found.ratio.imag / scale, slopes / scale[:, np.newaxis]


def survey(chosen, count, layers=3, share=1.0, height=None, low=5.0, high=80.0):
    """Readings over random grounds, at places 0.5 m apart on two traverses a metre apart."""
    rng = np.random.default_rng(11)
    sigma = np.exp(rng.uniform(np.log(low), np.log(high), (count, layers)))
    thickness = rng.uniform(0.15, 0.8, (count, layers - 1))
    pairs = [channel.pair for channel in chosen]
    exact = layered_response(pairs, sigma, thickness, height=height).imag
    exact = exact / [channel.scale for channel in chosen]
    sd = np.hypot(NOISE, RELATIVE * exact)
    half = (count + 1) // 2
    return Readings.build(
        x=0.5 * (np.arange(count) % half),
        y=1.0 * (np.arange(count) // half),
        line=np.arange(count) // half,
        values=exact + share * sd * rng.normal(size=exact.shape),
    )


def prior(tops, close, free=0):
    """Covariance of the logarithms: the page's formula, and of thicknesses by itself."""
    middle = np.append((tops[:-1] + tops[1:]) / 2, 1.5 * tops[-1])
    place = np.log(middle + close)
    apart = np.abs(place[:, np.newaxis] - place)
    covariance = np.log(LEVEL) ** 2 + np.log(CONTRAST) ** 2 * np.exp(-apart / REACH)
    return (
        block_diag(covariance, np.log(THICKNESS_FACTOR) ** 2 * np.eye(free)) if free else covariance
    )


def options(few=False, **others):
    thick = (0.4, 0.7) if few else THICKNESSES
    return InversionOptions(
        method="few" if few else "smooth", thicknesses=thick, noise=(NOISE,), relative=RELATIVE,
        usual=USUAL, level=LEVEL, contrast=CONTRAST, reach=REACH, **others,
    )  # fmt: skip


class Problem:
    """Soundings as one dense problem; `plan` ties them, each stands alone without."""

    def __init__(self, chosen, values, few=False, height=None, plan=None, alone=1.0):
        self.chosen, self.values, self.height, self.few = chosen, values, height, few
        self.thick = np.array((0.4, 0.7) if few else THICKNESSES)
        self.layers = len(self.thick) + 1
        tops = np.concatenate([[0.0], np.cumsum(self.thick)])
        close = min(0.25 * channel.pair.spacing + channel.pair.height for channel in chosen)
        covariance = prior(tops, close, len(self.thick) if few else 0)
        self.usual = np.full(self.layers, np.log(USUAL))
        if few:
            self.usual = np.append(self.usual, np.log(self.thick))
        self.sd = np.hypot(NOISE, RELATIVE * np.abs(values) / np.sqrt(alone))
        count = len(values)
        over = np.eye(count) if plan is None else plan
        self.white = np.kron(
            np.linalg.cholesky(over).T, np.linalg.inv(np.linalg.cholesky(covariance))
        )

    def ground(self, x):
        x = x.reshape(len(self.values), -1)
        thick = np.exp(x[:, self.layers :]) if self.few else self.thick
        return np.exp(x[:, : self.layers]), thick

    def parts(self, x):
        values, slopes = told(self.chosen, *self.ground(x), self.height)
        slopes = slopes[:, :, : len(self.usual)] / self.sd[:, :, np.newaxis]
        away = x - np.tile(self.usual, len(self.values))
        return (values - self.values) / self.sd, block_diag(*slopes), self.white @ away

    def residuals(self, x):
        values, _, away = self.parts(x)
        return np.concatenate([values.ravel(), away])

    def jacobian(self, x):
        return np.concatenate([self.parts(x)[1], self.white])

    def robust(self, x):
        values, slopes, away = self.parts(x)
        size = values.ravel()
        cost = huber(2.0, np.abs(size)).sum() + (away**2).sum() / 2
        return cost, slopes.T @ np.clip(size, -2.0, 2.0) + self.white.T @ away

    def solve(self, *starts):
        """The least of what is found from the usual ground and from others."""
        tried = [
            least_squares(self.residuals, x, self.jacobian, xtol=1e-13, ftol=1e-13, gtol=1e-12)
            for x in (np.tile(self.usual, len(self.values)), *starts)
        ]
        return min(tried, key=lambda found: found.cost)


def logs(found, few=False):
    parts = [found.conductivity, found.thickness] if few else [found.conductivity]
    return np.log(np.concatenate(parts, axis=1))


CASES = {
    "four channels": ({}, False, None),
    "thicknesses too": ({}, True, None),
    "raised coils": ({"height": 0.3}, False, None),
    "a height each": ({}, False, np.linspace(0.0, 0.5, 24)),
    "wide coils, not low induction numbers": ({"spacings": (2.0, 4.0)}, False, None),
}


@pytest.mark.parametrize("case", CASES)
def test_a_sounding_is_what_least_squares_finds(case):
    how, few, height = CASES[case]
    chosen = channels(**how)
    readings = survey(chosen, 24, share=NO_OUTLIER, height=height)
    found = invert_layers(readings, chosen, options(few), height)
    assert float(np.nanmax(found.misfit)) < 2.0
    factor = norm.ppf((1 + BAND ** (1 / (5 if few else 6))) / 2)
    for row in range(24):
        one = None if height is None else height[row : row + 1]
        problem = Problem(chosen, readings.values[row : row + 1], few, one)
        # With thicknesses sought there may be two least costs: it starts at ours too.
        best = problem.solve(logs(found, few)[row])
        assert np.abs(best.fun[: len(chosen)]).max() < 2.0
        # What is left of the variances, and how many numbers were told, from its Jacobian.
        after = np.linalg.inv(best.jac.T @ best.jac)
        sd = np.sqrt(np.diag(after))
        np.testing.assert_allclose(
            (logs(found, few)[row] - best.x) / sd, 0.0, atol=EASIER if few else NEAR
        )
        half = np.log(found.high[row] / found.low[row]) / 2
        if few:
            # Bounds of few layers allow for the bend of the response: never narrower.
            half = np.append(half, np.log(found.thick[row] / found.thin[row]) / 2)
            assert (half >= 0.98 * factor * sd).all()
        else:
            np.testing.assert_allclose(half, factor * sd, rtol=0.02)
        slopes = best.jac[: len(chosen)]
        resolution = np.diag(after @ slopes.T @ slopes)
        np.testing.assert_allclose(found.resolution[row], resolution[: problem.layers], atol=0.03)
        assert found.numbers[row] == pytest.approx(resolution.sum(), abs=0.03)


@pytest.mark.parametrize("few", [False, True])
def test_good_readings_are_fitted_as_well_as_least_squares_does(few):
    """Noise of 0.01 mS/m and 0.1 %: from far away the search must not stop on its way."""
    chosen = channels()
    rng = np.random.default_rng(5)
    sigma = np.exp(rng.uniform(np.log(5), np.log(80), (40, 3 if few else 6)))
    thickness = rng.uniform(0.15, 0.8, (40, 2)) if few else np.array(THICKNESSES)
    values = told(chosen, sigma, thickness)[0]
    readings = Readings.build(x=np.arange(40), y=np.zeros(40), values=values)
    found = invert_layers(readings, chosen, replace(options(few), noise=(0.01,), relative=1e-3))
    problem = Problem(chosen, values, few)
    problem.sd = np.hypot(0.01, 1e-3 * values)
    best = problem.solve()
    cost = (problem.residuals(logs(found, few).ravel()) ** 2).sum()
    assert cost < 2 * best.cost + 0.5 * 40


def test_a_bad_value_counts_as_hubers_loss_says():
    chosen = channels()
    readings = survey(chosen, 12)
    readings.values[:, 2] *= 1.4
    found = logs(invert_layers(readings, chosen, options()))
    plain = 0.0
    for row in range(12):
        problem = Problem(chosen, readings.values[row : row + 1])
        start = problem.solve().x
        best = minimize(problem.robust, start, jac=True, method="BFGS", options={"gtol": 1e-6})
        assert problem.robust(best.x)[0] <= problem.robust(start)[0]
        after = np.linalg.inv(problem.jacobian(best.x).T @ problem.jacobian(best.x))
        sd = np.sqrt(np.diag(after))
        np.testing.assert_allclose((found[row] - best.x) / sd, 0.0, atol=EASIER)
        plain = max(plain, float(np.abs((start - best.x) / sd).max()))
    assert plain > 3 * EASIER


def test_in_the_linear_limit_it_is_the_closed_answer():
    """Tarantola (2005), eq. 3.37 to 3.38 (from memory); responses by McNeill (1980), TN-6."""
    chosen = channels(frequency=100.0)
    usual, noise = 0.01, 1e-4
    tops = np.concatenate([[0.0], np.cumsum(THICKNESSES)])
    rng = np.random.default_rng(2)
    share = []
    for channel in chosen:
        z = tops / channel.pair.spacing
        below = np.sqrt(4 * z**2 + 1)
        below = 1 / below if channel.pair.orientation == "vertical" else below - 2 * z
        share.append(below - np.append(below[1:], 0.0))
    slopes = usual * np.array(share)
    signal = slopes @ (1e-3 * rng.normal(size=(6, 20)))
    uniform = told(chosen, np.array([[usual]]), ())[0][0]
    # Low induction numbers: 0.0001 from what McNeill's limit says.
    np.testing.assert_allclose(uniform, usual, rtol=2e-4)
    values = uniform[:, np.newaxis] + signal
    covariance = prior(tops, 0.125)
    sd = np.hypot(noise, RELATIVE * values)
    readings = Readings.build(x=np.arange(20), y=np.zeros(20), values=values.T)
    found = invert_layers(readings, chosen, replace(options(), usual=usual, noise=(noise,)))
    for row in range(20):
        gain = slopes @ covariance @ slopes.T + np.diag(sd[:, row] ** 2)
        gain = covariance @ slopes.T @ np.linalg.inv(gain)
        change = gain @ signal[:, row]
        np.testing.assert_allclose(np.log(found.conductivity[row] / usual), change, atol=5e-6)
        left = np.sqrt(np.diag(covariance - gain @ slopes @ covariance))
        half = np.log(found.high[row] / found.low[row]) / 2
        factor = norm.ppf((1 + BAND ** (1 / 6)) / 2)
        np.testing.assert_allclose(half, factor * left, rtol=5e-3)
        assert found.numbers[row] == pytest.approx(np.trace(gain @ slopes), abs=1e-3)
    # Signals of a thousandth, found to some millionths.
    assert np.abs(np.log(found.conductivity / usual)).max() > 5e-4


@pytest.mark.parametrize("few", [False, True])
@pytest.mark.parametrize(("along", "across"), [(1.5, 0.0), (0.0, 1.5), (1.0, 1.5)])
def test_soundings_together_are_what_dense_least_squares_finds(few, along, across):
    chosen = channels()
    readings = survey(chosen, 20, share=NO_OUTLIER, low=15.0, high=40.0)
    places = np.column_stack([readings.x, readings.y])
    lines = [line.rows for line in readings.lines]
    plan = precision(places, lines, Likeness(along, across)).toarray()
    alone = np.clip(plan.sum(axis=1), 1e-4, 1.0)[:, np.newaxis]
    best = Problem(chosen, readings.values, few, plan=plan, alone=alone).solve()
    assert np.abs(best.fun[:80]).max() < 2.0
    found = invert_layers(readings, chosen, options(few, along=along, across=across))
    sd = np.sqrt(np.diag(np.linalg.inv(best.jac.T @ best.jac)))
    np.testing.assert_allclose((logs(found, few).ravel() - best.x) / sd, 0.0, atol=EASIER)
    by_itself = invert_layers(readings, chosen, options(few))
    assert np.abs(logs(found, few) - logs(by_itself, few)).max() > 0.1
