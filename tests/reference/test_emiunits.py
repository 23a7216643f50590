"""Field ratio, apparent conductivity, susceptibility: closed forms, integrals, published rules."""

import numpy as np
import pytest
from lynchet.algorithms.ground.conversion.apparent import (
    exact_conductivity,
    exact_ratio,
    half_space,
    most_conductivity,
)
from lynchet.algorithms.ground.conversion.forms import Lifted
from lynchet.algorithms.ground.instrument import MU_0, CoilPair
from lynchet.algorithms.ground.layeredresponse import layered_response
from lynchet.algorithms.ground.low_induction import ORIENTATIONS
from lynchet.algorithms.ground.response.halfspace import electrical_size, halfspace_ratio
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import j0, j1

# The closed forms of Wait (1954, 1955) and Ward & Hohmann (1988) at sixty digits, with the
# general-purpose library mpmath: orientation, size of gamma s, in-phase and quadrature part.
AT_SIXTY_DIGITS = [
    ("vertical", 1e-05, 1.8856055831910646e-16, 2.499981143819169e-11),
    ("vertical", 0.01, 1.8731450204533186e-7, 2.4811440876754376e-5),
    ("vertical", 0.5, 0.016591656415397707, 0.039644661966237934),
    ("vertical", 1.9, 0.26521153773752529, -0.03725164024235636),
    ("vertical", 2.1, 0.28789913642624586, -0.098697742226678925),
    ("vertical", 10.0, -1.0216668547713554, -0.17350475264512341),
    ("vertical", 2000.0, -1.0, -4.5e-6),
    ("horizontal", 1e-05, 9.4280487492213128e-17, 2.4999905719095847e-11),
    ("horizontal", 0.01, 9.3864910924702194e-8, 2.4905719767542584e-5),
    ("horizontal", 0.5, 0.0093900634627665282, 0.050899664993041297),
    ("horizontal", 1.9, 0.25870420633375914, 0.35692853314401315),
    ("horizontal", 2.1, 0.31509928438945783, 0.38753984672624648),
    ("horizontal", 10.0, 1.0011607509605739, 0.058250353710834014),
    ("horizontal", 2000.0, 1.0, 1.5e-6),
    ("perpendicular", 1e-05, 7.7533359340800371e-21, 2.499999999950913e-11),
    ("perpendicular", 0.01, 3.4359927195711033e-9, 2.499950915628745e-5),
    ("perpendicular", 0.5, 0.0062520445731379567, 0.059604936027522814),
    ("perpendicular", 1.9, 0.35208671552505773, 0.49223213637671898),
    ("perpendicular", 2.1, 0.44456843635348036, 0.53029354989391805),
    ("perpendicular", 10.0, 0.45060254974449957, -0.4178177615343258),
    ("perpendicular", 75.0, 0.056644083881469089, -0.056493235748625257),
    ("perpendicular", 85.0, 0.049965295560766717, -0.049861669630666908),
    ("perpendicular", 2000.0, 0.0021213243210439874, -0.0021213163660926992),
]


@pytest.mark.parametrize(("orientation", "size", "in_phase", "quadrature"), AT_SIXTY_DIGITS)
def test_closed_forms_to_twelve_digits_in_each_part(orientation, size, in_phase, quadrature):
    found = halfspace_ratio(size, orientation)
    assert found.real == pytest.approx(in_phase, rel=1e-12)
    # At large sizes only the sum of both parts can be so exact.
    assert found.imag == pytest.approx(quadrature, rel=1e-12, abs=2e-16)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("size", [0.3, 1.5, 3.0])
def test_closed_forms_are_the_integrals_they_come_from(orientation, size):
    # Ward & Hohmann (1988): -s^3 int g^2 R J0(g s) dg and the like, s = 1; by SciPy's adaptive
    # quadrature, with a fade that is taken to nothing by Richardson's rule.
    def kernel(g, part, fade):
        u = np.sqrt(g**2 + 1j * size**2)
        bessel = {
            "vertical": g**2 * j0(g), "horizontal": g * j1(g), "perpendicular": g**2 * j1(g)
        }[orientation]  # fmt: skip
        return -getattr((g - u) / (g + u), part) * bessel * np.exp(-2 * g * fade)

    for part in ("real", "imag"):
        rows = [
            [quad(kernel, 0, 60 / h, args=(part, h), limit=2000, epsrel=1e-10)[0]]
            for h in (0.04, 0.02, 0.01, 0.005)
        ]
        table = np.array(rows)[:, 0]
        for power in (1, 2, 3):
            table = (2**power * table[1:] - table[:-1]) / (2**power - 1)
        closed = halfspace_ratio(size, orientation)
        assert table[0] == pytest.approx(getattr(closed, part), abs=1e-5)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_small_sizes_follow_mcneills_rule(orientation):
    # McNeill (1980), TN-6: Q = w mu_0 sigma s^2 / 4 where the induction number is small.
    pair = CoilPair(1.0, orientation, 10_000.0)
    rule = 2 * np.pi * 10_000.0 * MU_0 * 1e-9 / 4
    found = halfspace_ratio(electrical_size(pair, [1e-6]), orientation)
    assert found.imag[0] == pytest.approx(rule, rel=1e-5)
    assert exact_conductivity(pair, [rule])[0] == pytest.approx(1e-6, rel=1e-5)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("height", [0.0, 0.05, 0.3, 1.5])
def test_apparent_conductivity_of_uniform_ground_is_its_own(orientation, height):
    pair = CoilPair(0.8, orientation, 20_000.0, height)
    ground = np.logspace(-2, np.log10(0.8 * most_conductivity(pair)), 60)
    ratio = layered_response([pair], ground[:, np.newaxis])[:, 0]
    np.testing.assert_allclose(exact_conductivity(pair, ratio.imag), ground, rtol=2e-9)
    back = exact_ratio(pair, ground)
    np.testing.assert_allclose(back.imag, ratio.imag, rtol=1e-9)
    assert np.abs(back.real - ratio.real).max() < 1e-9 * np.abs(ratio).max()


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_each_reading_may_have_a_height_of_its_own(orientation):
    pair = CoilPair(1.0, orientation, 10_000.0)
    rng = np.random.default_rng(0)
    heights = rng.uniform(0, 0.4, 200)
    ground = np.exp(rng.uniform(np.log(0.1), np.log(0.8 * most_conductivity(pair)), 200))
    ratio = layered_response([pair], ground[:, np.newaxis], height=heights)[:, 0].imag
    np.testing.assert_allclose(exact_conductivity(pair, ratio, heights), ground, rtol=1e-9)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("varied", [False, True])
def test_ratio_to_conductivity_and_back(orientation, varied):
    pair = CoilPair(1.0, orientation, 10_000.0, 0.1)
    heights = np.linspace(0.05, 0.15, 300) if varied else np.full(300, 0.1)
    ratio = np.concatenate([-np.logspace(-8, -2, 100), np.logspace(-8, np.log10(0.06), 200)])
    coils = Lifted(pair, heights)
    for form in ("exact", "low_induction", "low_induction_lifted"):
        there = coils.of_ratio(ratio, form)
        np.testing.assert_allclose(coils.to_ratio(there, form), ratio, rtol=1e-9)


def test_a_worked_number():
    # 0.4 thousandths in quadrature, coils 1 m apart on the surface, 10 kHz. The rule by hand:
    # 4 Q / (w mu_0 s^2) = 1.6e-3 / 0.0789568 = 20.264 mS/m; exact by SciPy's root finder.
    def miss(sigma):
        x = np.sqrt(1j * 2 * np.pi * 1e4 * 4e-7 * np.pi * sigma)
        ratio = 2 / x**2 * (9 - (9 + 9 * x + 4 * x**2 + x**3) * np.exp(-x)) - 1
        return ratio.imag - 4e-4

    pair = CoilPair(1.0, frequency=10_000.0)
    assert Lifted(pair, np.zeros(1)).of_ratio(np.array([4e-4]), "low_induction") == pytest.approx(
        20.264, abs=5e-4
    )
    expected = 1e3 * brentq(miss, 0.015, 0.03, xtol=1e-14)
    assert exact_conductivity(pair, [4e-4])[0] == pytest.approx(expected, rel=1e-7)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_the_greatest_quadrature_part_is_that_of_the_closed_form(orientation):
    sizes = np.linspace(0.5, 6, 200_001)
    expected = halfspace_ratio(sizes, orientation).imag
    table = half_space(orientation, 0.0)
    assert table.most == pytest.approx(expected.max(), rel=1e-9)
    assert np.exp(table.top) == pytest.approx(sizes[expected.argmax()], abs=1e-3)
    pair = CoilPair(1.0, orientation, 10_000.0)
    found = exact_conductivity(pair, [0.999 * table.most, 1.001 * table.most])
    assert np.isfinite(found).tolist() == [True, False]


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_readings_smaller_than_any_follow_mcneills_rule(orientation):
    # Coils lifted: McNeill (1980) with the share that the height leaves.
    coils = Lifted(CoilPair(1.0, orientation, 10_000.0, 0.4), np.full(2, 0.4))
    ratio = np.array([1e-16, 1e-18])
    rule = coils.of_ratio(ratio, "low_induction_lifted")
    np.testing.assert_allclose(coils.of_ratio(ratio, "exact"), rule, rtol=1e-6)
    np.testing.assert_allclose(coils.to_ratio(rule, "exact"), ratio, rtol=1e-6)


def test_conductivity_beyond_belief_is_none():
    # 0.05 m and 100 Hz: small induction numbers up to metal. 1e6 mS/m is what is believed.
    pair = CoilPair(0.05, "vertical", 100.0)
    ratio = layered_response([pair], [[0.99e6]]).imag[0]
    found = exact_conductivity(pair, np.append(ratio, 1.02 * ratio))
    assert found[0] == pytest.approx(0.99e6, rel=1e-8)
    assert np.isnan(found[1])


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize("kappa", [1e-4, 0.02, 1.5])
def test_susceptibility_is_that_of_a_magnetic_half_space(orientation, kappa):
    # The engine over ground that does not conduct, with the permeability in full.
    pair = CoilPair(1.0, orientation, 10_000.0, 0.1)
    ratio = layered_response([pair], [[0.0]], susceptibility=[[kappa]]).real[0]
    coils = Lifted(pair, np.full(1, 0.1))
    assert coils.of_ratio(ratio, "susceptibility")[0] == pytest.approx(1e5 * kappa, rel=1e-7)
    assert coils.to_ratio(np.array([1e5 * kappa]), "susceptibility")[0] == pytest.approx(
        ratio[0], rel=1e-7
    )


def test_the_image_of_an_upright_dipole_in_magnetic_ground():
    # An image kappa / (2 + kappa) as deep as the coils are high; the field of a dipole at depth
    # 2 h and distance s: (2 d^2 - s^2) / (d^2 + s^2)^(5/2), against -1 / s^3 of the primary.
    kappa, s, h = 0.5, 2.0, 0.3
    d = 2 * h
    expected = kappa / (2 + kappa) * -(2 * d**2 - s**2) / (d**2 + s**2) ** 2.5 * s**3
    coils = Lifted(CoilPair(s, height=h), np.full(1, h))
    assert coils.to_ratio(np.array([1e5 * kappa]), "susceptibility")[0] == pytest.approx(expected)
