"""Coil pairs over layered ground: against an independent modeller, textbook integrals and slopes.

The modeller is empymod (D. Werthmüller 2017, *An open-source full 3D electromagnetic modeler for
1D VTI media in Python: empymod*, Geophysics 82). It integrates by digital filters, which have
errors of their own: see `modelled`. The judge between it and ours is `textbook`.
"""

from itertools import product

import empymod
import numpy as np
import pytest
from lynchet.algorithms.ground.instrument import CoilPair
from lynchet.algorithms.ground.layeredresponse import layered_jacobian, layered_response
from lynchet.algorithms.ground.low_induction import ORIENTATIONS, layered_conductivity
from scipy.special import factorial, hankel1, hankel2, iv, kv

MU_0 = 4e-7 * np.pi
AIR = 1e20
"""Ohm m."""
COMPONENTS = {"vertical": "66", "horizontal": "55", "perpendicular": "46"}
"""Empymod's, magnetic receiver and source; line between the coils along x."""
CASES = 80
"""Random grounds for each orientation, without and with susceptibility: 480 in all."""


def modelled(pair, conductivity, thickness, susceptibility=None, permittivity=0.0):
    """Field ratio by empymod, which takes e^{+iwt} and gives H of a source of i w mu_0 times 1.

    Over susceptible ground with the coils on it, the integral does not converge by itself: of the
    filters tried only one gets it right to 1e-4. Elsewhere the longest does best.
    """
    layers = len(conductivity)
    mu = np.ones(layers + 1)
    mu[1:] += np.zeros(layers) if susceptibility is None else susceptibility
    epsilon = np.r_[min(permittivity, 1.0), np.full(layers, permittivity)]
    lying = pair.height == 0 and susceptibility is not None
    field = empymod.dipole(
        [0, 0, -pair.height], [pair.spacing, 0, -pair.height], np.r_[0, np.cumsum(thickness)],
        np.r_[AIR, 1e3 / np.asarray(conductivity)], pair.frequency,
        ab=COMPONENTS[pair.orientation], epermH=epsilon, epermV=epsilon, mpermH=mu, mpermV=mu,
        xdirect=None, htarg={"dlf": "wer_201_2018" if lying else "key_401_2009"}, verb=0,
    )  # fmt: skip
    primary = -1 / (4 * np.pi * pair.spacing**3)
    if pair.orientation == "perpendicular":
        # We take the receiver's direction so that the quadrature part over uniform ground is
        # positive: against empymod's x, which runs from the transmitter to the receiver.
        primary = -primary
    return complex(field) * 2j * np.pi * pair.frequency * MU_0 / primary


def textbook(pair, conductivity, thickness, susceptibility=None, nodes=1000):
    """Field ratio by the textbook's integral (Ward and Hohmann 1988), with a rule of our own.

    The Bessel function is half the sum of two Hankel functions. Each integral is taken along a ray
    above or below the real axis where its Hankel function dies away exponentially, by trapezia in
    the logarithm of the wavenumber. By surface admittances, kept as their difference to that of
    air. Other densities and rays agree to 1e-13.
    """
    sigma, s = 1e-3 * np.asarray(conductivity), pair.spacing
    kappa = np.zeros(len(sigma)) if susceptibility is None else np.asarray(susceptibility)
    mu, induction = 1 + kappa, 2j * np.pi * pair.frequency * MU_0
    order = 0 if pair.orientation == "vertical" else 1
    power = 2 if pair.orientation == "horizontal" else 3
    logarithms, step = np.linspace(-50, 5.2, nodes, retstep=True)
    total = 0.0
    for turn, hankel in ((np.pi / 8, hankel1), (-np.pi / 8, hankel2)):
        g = np.exp(logarithms + 1j * turn) / s
        excess = 0.0
        for j in range(len(sigma) - 1, -1, -1):
            u = np.sqrt(g**2 + induction * mu[j] * sigma[j])
            own = induction * sigma[j] * mu[j] - g**2 * kappa[j] * (2 + kappa[j])
            own = own / (mu[j] * (u + mu[j] * g))
            if j == len(sigma) - 1:
                excess = own
                continue
            echo = np.exp(-2 * u * thickness[j])
            short = 2 * echo / (1 + echo)
            y = u / mu[j]
            excess = own + y * short * (excess - own) / (y + (g + excess) * (1 - short))
        reflected = -excess / (2 * g + excess)
        kernel = g ** (power - 1) * reflected * np.exp(-2 * g * pair.height) * hankel(order, g * s)
        total += -(s**power) * np.sum(kernel * g) * step / 2
    return total


def half_space(pair, conductivity):
    """Field ratio of coils on uniform ground, closed forms.

    J. R. Wait (1954, 1955); Ward and Hohmann (1988), *Electromagnetic theory for geophysical
    applications*: (4.56) and (4.57) for the vertical transmitter.
    """
    omega = 2 * np.pi * pair.frequency
    x = pair.spacing * np.sqrt(1j * omega * MU_0 * conductivity * 1e-3)
    if pair.orientation == "perpendicular":
        return x**2 * (iv(1, x / 2) * kv(1, x / 2) - iv(2, x / 2) * kv(2, x / 2))
    # A polynomial times exp(-x) is written out in powers of x: as it stands, digits are lost.
    polynomial = (9, 9, 4, 1) if pair.orientation == "vertical" else (3, 3, 1)
    n = np.arange(4, 80)
    terms = sum(p * (-1.0) ** k / factorial(n - k) for k, p in enumerate(polynomial))
    series = np.sum(terms * (-1.0) ** n * x ** (n - 2))
    return -2 * series if pair.orientation == "vertical" else 2 * series


def random_cases(orientation, susceptible, count, start):
    """One to five layers over all that coils of 0.3 to 4 m may meet; a fifth lie on the ground."""
    rng = np.random.default_rng([start, ORIENTATIONS.index(orientation), susceptible])

    def between(low, high, size=None):
        return np.exp(rng.uniform(np.log(low), np.log(high), size))

    for number in range(count):
        layers = int(rng.integers(1, 6))
        height = 0.0 if number % 5 == 0 else float(rng.uniform(0, 1))
        pair = CoilPair(float(between(0.3, 4)), orientation, float(between(1e3, 1e5)), height)
        kappa = between(1e-5, 0.05, layers) if susceptible else None
        yield pair, between(1, 1000, layers), between(0.1, 4, layers - 1), kappa


def corners(orientation):
    """The ends of every range, over uniform ground and over layers of the greatest contrast."""
    for spacing, frequency, height in product((0.3, 4.0), (1e3, 1e5), (0.0, 1.0)):
        pair = CoilPair(spacing, orientation, frequency, height)
        for kappa in (None, 1e-5, 0.05):
            for sigma in ([1.0], [1000.0], [1000.0, 1.0, 1000.0, 1.0, 1000.0]):
                grounds = None if kappa is None else [kappa, *[0.0, kappa] * (len(sigma) // 2)]
                yield pair, sigma, [0.25] * (len(sigma) - 1), grounds


def parts_off(found, expected):
    """How far the quadrature and the in-phase part are off, relative to each."""
    return (
        abs((found.imag - expected.imag) / expected.imag),
        abs((found.real - expected.real) / expected.real),
    )


def agree_with_the_modeller(cases):
    """Check cases to 1e-4 of each part; how many the textbook's integral had to decide."""
    decided = 0
    for pair, sigma, thickness, kappa in cases:
        found = layered_response([pair], sigma, thickness, kappa)[0, 0]
        quadrature, in_phase = parts_off(found, modelled(pair, sigma, thickness, kappa))
        case = f"{pair}, {sigma}, {thickness}, {kappa}"
        assert quadrature < 1e-4, case
        if in_phase >= 1e-4:
            # A filter is good to some 1e-8 of the field, and here the in-phase part all but
            # vanishes: with the coils on the ground, a static image has none along the line.
            assert abs(found.real) < 1e-4 * abs(found), case
            exact = textbook(pair, sigma, thickness, kappa)
            assert abs(found - exact) < 1e-7 * abs(exact), case
            assert 20 * parts_off(found, exact)[1] < in_phase, case
            decided += 1
    return decided


@pytest.mark.parametrize("susceptible", [False, True])
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_an_independent_modeller_agrees_to_a_ten_thousandth_of_each_part(orientation, susceptible):
    decided = agree_with_the_modeller(random_cases(orientation, susceptible, CASES, start=1))
    assert decided <= (2 if orientation == "perpendicular" and susceptible else 0)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_an_independent_modeller_agrees_at_the_ends_of_every_range(orientation):
    decided = agree_with_the_modeller(corners(orientation))
    assert decided <= (4 if orientation == "perpendicular" else 0)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("sigma", [1.0, 20.0])
def test_what_the_quasi_static_limit_leaves_out(orientation, sigma):
    # By the modeller, with a relative permittivity of 20 in the ground. To first order sigma
    # becomes sigma + i w epsilon, so that the in-phase part falls by (w s)^2 mu_0 epsilon / 4.
    def change(frequency):
        pair = CoilPair(1.0, orientation, frequency)
        with_it, without = (modelled(pair, [sigma], [], None, er) for er in (20.0, 0.0))
        return with_it - without, without

    epsilon = 20 * 8.854e-12
    for frequency in (1e4, 1e5):
        moved, without = change(frequency)
        slight = (2 * np.pi * frequency) ** 2 * MU_0 * epsilon / 4
        assert abs(moved.real + slight) < 0.2 * slight
        assert abs(moved.imag) < 1e-2 * without.imag
    # Less than a thousandth of 1 ppt at 10 kHz and a tenth of 1 ppt at 100 kHz.
    assert abs(change(1e4)[0]) < 1e-6
    assert abs(change(1e5)[0]) < 1e-4


@pytest.mark.parametrize("susceptible", [False, True])
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_the_textbooks_integral(orientation, susceptible):
    cases = random_cases(orientation, susceptible, CASES, start=2)
    for pair, sigma, thickness, kappa in cases:
        found = layered_response([pair], sigma, thickness, kappa)[0, 0]
        exact = textbook(pair, sigma, thickness, kappa)
        assert found.imag == pytest.approx(exact.imag, rel=1e-8, abs=0), pair
        assert found.real == pytest.approx(exact.real, rel=1e-8, abs=1e-14), pair


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_closed_forms_over_uniform_ground(orientation):
    for spacing, frequency in product((0.3, 0.5, 1.0, 2.0, 4.0), (1e3, 3e3, 1e4, 3e4, 1e5)):
        pair = CoilPair(spacing, orientation, frequency)
        sigma = np.array([1.0, 3.0, 10.0, 30.0, 100.0, 300.0, 1000.0])
        found = layered_response([pair], sigma[:, np.newaxis])[:, 0]
        expected = np.array([half_space(pair, one) for one in sigma])
        np.testing.assert_allclose(found.imag, expected.imag, rtol=1e-8)
        np.testing.assert_allclose(found.real, expected.real, rtol=1e-8)


@pytest.mark.parametrize("height", [0.0, 0.3, 1.0])
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_susceptible_ground_without_conductivity_is_an_image_of_the_transmitter(
    orientation, height
):
    # Magnetostatics: an image of kappa / (2 + kappa) as deep as the coils are high.
    kappa, s, z = 0.08, 0.8, 2 * height
    r = np.hypot(s, z)
    field = {
        "vertical": s**3 * (s**2 - 2 * z**2) / r**5,
        "horizontal": -(s**3) / r**3,
        "perpendicular": -3 * s**4 * z / r**5,
    }[orientation]
    found = layered_response([CoilPair(s, orientation, height=height)], [0.0], (), [kappa])[0, 0]
    assert found.real == pytest.approx(kappa / (2 + kappa) * field, rel=1e-12, abs=1e-13)
    assert found.imag == 0


LAYERS, THICKNESS = [8e-8, 3e-7, 1e-8, 5e-8], [0.3, 0.5, 1.1]
"""Induction numbers about 1e-7 at 100 Hz."""


@pytest.mark.parametrize("height", [0.0, 0.15, 0.9])
@pytest.mark.parametrize("spacing", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_the_limit_of_low_induction_numbers_is_mcneills(orientation, spacing, height):
    # McNeill (1980), TN-6: R(z) of vertical and horizontal dipoles, sigma_a = 4 Q / (w mu_0 s^2).
    def below(z):
        return {
            "vertical": 1 / np.sqrt(4 * z**2 + 1),
            "horizontal": np.sqrt(4 * z**2 + 1) - 2 * z,
            "perpendicular": 1 - 2 * z / np.sqrt(4 * z**2 + 1),
        }[orientation]

    pair = CoilPair(spacing, orientation, 100.0, height)
    found = layered_response([pair], LAYERS, THICKNESS)[0, 0]
    tops = (height + np.r_[0.0, np.cumsum(THICKNESS)]) / spacing
    expected = np.sum(np.diff(LAYERS, prepend=0.0) * below(tops))
    apparent = 4e3 * found.imag / (2 * np.pi * 100.0 * MU_0 * spacing**2)
    assert apparent == pytest.approx(expected, rel=1e-6)
    ours = layered_conductivity(LAYERS, THICKNESS, spacing, orientation, height)
    assert apparent == pytest.approx(ours, rel=1e-6)
    assert abs(found.real) < 1e-6 * found.imag


def slope_by_differences(response, values, j):
    """Slope by the value of that number, above 0: central differences of the fourth order."""
    step = np.zeros(len(values))
    step[j] = 2e-3 * values[j]
    far = response(values - 2 * step) - response(values + 2 * step)
    near = response(values + step) - response(values - step)
    return (far + 8 * near) / (12 * step[j])


def expected_slopes(pair, sigma, thickness, kappa):
    """Slopes of the textbook's integral by each conductivity and by each thickness."""
    count, values = len(sigma), np.r_[sigma, thickness]

    def response(values):
        return textbook(pair, values[:count], values[count:], kappa)

    slopes = [slope_by_differences(response, values, j) for j in range(len(values))]
    return slopes[:count], slopes[count:]


@pytest.mark.parametrize("susceptible", [False, True])
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_slopes_are_those_of_the_textbooks_integral(orientation, susceptible):
    for pair, sigma, thickness, kappa in random_cases(orientation, susceptible, 12, start=3):
        found = layered_jacobian([pair], sigma, thickness, kappa)
        ratio = layered_response([pair], sigma, thickness, kappa)
        np.testing.assert_allclose(found.ratio, ratio, rtol=1e-12)
        by_conductivity, by_thickness = expected_slopes(pair, sigma, thickness, kappa)
        close_by_parts(found.by_conductivity[0, 0], by_conductivity)
        close_by_parts(found.by_thickness[0, 0], by_thickness)


def close_by_parts(found, expected):
    """Within 1e-6 of either part, or 1e-8 of the largest slope where a part is next to nothing."""
    expected = np.array(expected, complex)
    assert found.shape == expected.shape
    slight = 1e-8 * np.abs(expected).max(initial=0.0)
    np.testing.assert_allclose(found.imag, expected.imag, rtol=1e-6, atol=slight)
    np.testing.assert_allclose(found.real, expected.real, rtol=1e-6, atol=slight)


def quick_is_off(orientation, spacing, frequency, others=()):
    """Worst error of the quick rule, of the field, over 400 grounds of three layers.

    A third of them uniform, a fifth with the coils on the ground, a fifth with them 1 m above it;
    `others` are spacings that are reckoned with in the same rule.
    """
    rng = np.random.default_rng(5)
    sigma = np.exp(rng.uniform(0, np.log(1000), (400, 3)))
    sigma[::3] = sigma[::3, :1]
    thickness = np.exp(rng.uniform(np.log(0.1), np.log(4), (400, 2)))
    height = rng.uniform(0, 1, 400)
    height[::5], height[1::5] = 0.0, 1.0
    pairs = [CoilPair(spacing, orientation, frequency)]
    pairs += [CoilPair(*other, frequency) for other in product(others, ORIENTATIONS)]
    exact = layered_response(pairs[:1], sigma, thickness, height=height)[:, 0]
    found = layered_response(pairs, sigma, thickness, height=height, accuracy="quick")[:, 0]
    return np.max(np.abs(found - exact) / np.abs(exact))


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_quick_is_good_to_some_ten_thousandths_of_the_field(orientation):
    frequencies = (1e3, 1e4, 1e5)
    wide = [quick_is_off(orientation, *case) for case in product((1.0, 2.0, 4.0), frequencies)]
    assert max(wide) < 2.5e-4
    close = [quick_is_off(orientation, *case) for case in product((0.3, 0.5), frequencies)]
    assert max(close) < 2.5e-4
    spacings = (0.3, 0.5, 1.0, 2.0, 4.0)
    together = [
        quick_is_off(orientation, *case, others=(0.3, 1.0, 4.0))
        for case in product(spacings, frequencies)
    ]
    assert max(together) < 2.5e-4
    # It is no other name for the fine rule.
    assert min(max(wide), max(together)) > 1e-6
