"""Depth sensitivity and layered readings against closed forms and published figures."""

import numpy as np
import pytest
from lynchet.algorithms.ground.depth.sensitivity import (
    exact_curves,
    in_phase_curve,
    low_curve,
    turning_depth,
)
from lynchet.algorithms.ground.depthtable import RULE_OF_THUMB, DepthOptions, depthtable
from lynchet.algorithms.ground.grounds.modelled import Layered, model_channels
from lynchet.algorithms.ground.grounds.typed import TypedGround
from lynchet.algorithms.ground.instrument import CoilPair, Instrument
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import jv

MU_0 = 4e-7 * np.pi
DEPTHS = np.linspace(0, 6, 61)
ORIENTATIONS = ("vertical", "horizontal", "perpendicular")


def of_ground(pair, sigma):
    """gamma s with the time factor exp(i w t); sigma in S/m."""
    return np.sqrt(2j * np.pi * pair.frequency * MU_0 * sigma) * pair.spacing


def half_space(pair, sigma):
    """Hs/Hp of coils on a half-space: J. R. Wait (1955), as McNeill (1980), TN-6, writes it."""
    x = of_ground(pair, sigma)
    if pair.orientation == "vertical":
        whole = 2 / x**2 * (9 - (9 + 9 * x + 4 * x**2 + x**3) * np.exp(-x))
    else:
        whole = 2 * (1 - 3 / x**2 + (3 + 3 * x + x**2) * np.exp(-x) / x**2)
    return whole - 1


def half_space_slope(pair, sigma):
    """Its derivative by sigma, by hand; gamma s goes with the square root of sigma."""
    x, e = of_ground(pair, sigma), np.exp(-of_ground(pair, sigma))
    if pair.orientation == "vertical":
        p, dp = 9 + 9 * x + 4 * x**2 + x**3, 9 + 8 * x + 3 * x**2
        slope = -4 / x**3 * (9 - p * e) + 2 / x**2 * (p - dp) * e
    else:
        p, dp = 3 + 3 * x + x**2, 3 + 2 * x
        slope = 2 * (6 / x**3 + ((dp - p) / x**2 - 2 * p / x**3) * e)
    return slope * x / (2 * sigma)


def shown(pair, quadrature):
    """Apparent conductivity 4 Q / (w mu_0 s^2), S/m: McNeill (1980)."""
    return 4 * quadrature / (2 * np.pi * pair.frequency * MU_0 * pair.spacing**2)


def test_published_exploration_depths():
    # McNeill (1980), TN-6: R_V(1.5) = 0.316 and R_H(0.75) = 0.303, some 70 % from above.
    for orientation, below in (("vertical", 0.316), ("horizontal", 0.303)):
        depth = RULE_OF_THUMB[orientation] * 2.0
        curve = low_curve(CoilPair(2.0, orientation), [0.0, depth])
        assert 1 - curve.above[1] == pytest.approx(below, abs=5e-4)


def test_the_depth_of_a_share_is_that_of_the_closed_form():
    # R_V(z) = 0.3 at z = sqrt(1 / 0.09 - 1) / 2; R_H(z) = 0.3 at z = (1 / 0.3 - 0.3) / 4.
    found = depthtable(Instrument((CoilPair(1.0), CoilPair(1.0, "horizontal"))))
    vertical, horizontal = (one.depth_low for one in found.pairs)
    assert vertical == pytest.approx(np.sqrt(1 / 0.09 - 1) / 2, abs=1e-5)
    assert horizontal == pytest.approx((1 / 0.3 - 0.3) / 4, abs=1e-5)


def test_lifted_coils_share_out_what_the_ground_gives():
    # R_V at the depth reckoned from the coils is 0.3 of R_V at their height.
    height = 0.4
    below = 0.3 / np.sqrt(4 * height**2 + 1)
    found = depthtable(Instrument((CoilPair(1.0, height=height),)))
    assert found.pairs[0].depth_low == pytest.approx(
        np.sqrt(1 / below**2 - 1) / 2 - height, abs=1e-5
    )
    assert found.pairs[0].kept == pytest.approx(1 / np.sqrt(4 * height**2 + 1))


@pytest.mark.parametrize("orientation", ["vertical", "horizontal"])
@pytest.mark.parametrize("conductivity", [2.0, 50.0, 2000.0, 60000.0])
def test_exact_sensitivities_add_up_to_the_slope_of_the_half_space(orientation, conductivity):
    pair = CoilPair(1.0, orientation)
    (curve,) = exact_curves([pair], TypedGround((conductivity,)), DEPTHS)
    expected = shown(pair, half_space_slope(pair, 1e-3 * conductivity).imag)
    assert curve.whole == pytest.approx(expected, rel=1e-6)


def test_the_slope_by_hand_is_the_slope_of_the_closed_form():
    for orientation in ("vertical", "horizontal"):
        pair, step = CoilPair(1.0, orientation), 1e-4
        change = half_space(pair, 2.0 + step) - half_space(pair, 2.0 - step)
        assert half_space_slope(pair, 2.0) == pytest.approx(change / (2 * step), rel=1e-6)


def thin_layer(pair, sigma, depth):
    """What a thin layer at a depth of a half-space adds, per metre, by adaptive quadrature.

    The reflection coefficient changes by -i w mu_0 2 g / (g + u)^2 exp(-2 u z) per S/m and metre:
    the square of the field that the half-space lets through, by reciprocity.
    """
    induction = 2j * np.pi * pair.frequency * MU_0
    order = 0 if pair.orientation == "vertical" else 1
    power = 1 if pair.orientation == "horizontal" else 2
    s = pair.spacing

    def kernel(g):
        u = np.sqrt(g**2 + induction * sigma)
        change = -induction * 2 * g / (g + u) ** 2 * np.exp(-2 * u * depth)
        return (g**power * change * np.exp(-2 * g * pair.height) * jv(order, g * s)).imag

    end = 40 / (depth + pair.height)
    whole = quad(kernel, 0, end, limit=2000, epsabs=1e-16, epsrel=1e-10)[0]
    return shown(pair, -(s ** (power + 1)) * whole)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize(("conductivity", "height"), [(20.0, 0.0), (20.0, 0.3), (5000.0, 0.1)])
def test_exact_sensitivity_at_a_depth_is_that_by_quadrature(orientation, conductivity, height):
    pair = CoilPair(1.0, orientation, height=height)
    (curve,) = exact_curves([pair], TypedGround((conductivity,)), DEPTHS)
    for row in (3, 10, 25):
        expected = thin_layer(pair, 1e-3 * conductivity, DEPTHS[row])
        assert curve.change[row] == pytest.approx(expected, rel=2e-5, abs=1e-6)


def test_slopes_are_those_of_the_sums():
    depths = np.linspace(0, 3, 301)
    (curve,) = exact_curves([CoilPair(1.0)], TypedGround((15, 40, 20), (0.333, 0.8)), depths)
    rise = (curve.total[2:] - curve.total[:-2]) / (depths[2:] - depths[:-2])
    assert curve.change[1:-1] == pytest.approx(rise, abs=5e-4)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_small_induction_numbers_give_mcneills_curves(orientation):
    pair = CoilPair(1.0, orientation, frequency=1000.0, height=0.2)
    (exact,) = exact_curves([pair], TypedGround((1e-4,)), DEPTHS)
    low = low_curve(pair, DEPTHS)
    np.testing.assert_allclose(exact.change, low.change, rtol=1e-3, atol=3e-5)
    np.testing.assert_allclose(exact.total, low.total, atol=1e-4)


def image(pair, depth):
    """In-phase part per susceptibility of all ground below a depth: half an image dipole.

    The magnetic field of a dipole, J. D. Jackson, Classical Electrodynamics, section 5.6.
    """
    s, down = pair.spacing, 2 * (depth + pair.height)
    r = np.hypot(s, down)
    if pair.orientation == "vertical":
        # The image stands as its dipole does; coplanar coils see the primary field reversed.
        return -0.5 * (3 * down**2 - r**2) / r**5 * s**3
    return -0.5 * s**3 / r**3


@pytest.mark.parametrize("orientation", ["vertical", "horizontal"])
def test_the_in_phase_curve_is_that_of_an_image_dipole(orientation):
    pair = CoilPair(1.0, orientation, height=0.1)
    curve = in_phase_curve(pair, DEPTHS)
    np.testing.assert_allclose(curve.total, image(pair, 0.0) - image(pair, DEPTHS), atol=1e-12)


def test_the_in_phase_part_turns_where_the_image_says():
    pair = CoilPair(1.0, height=0.1)
    slope = lambda z: image(pair, z + 1e-5) - image(pair, z - 1e-5)  # noqa: E731
    assert turning_depth(pair) == pytest.approx(brentq(slope, 0.2, 1.5), abs=1e-6)


def test_two_layers_as_mcneill_writes_them():
    # sigma_a = sigma_1 (1 - R(z)) + sigma_2 R(z), TN-6; three layers by differences.
    pairs = (CoilPair(1.0, quadrature="v"), CoilPair(1.0, "horizontal", quadrature="h"))
    r_v = lambda z: 1 / np.sqrt(4 * z**2 + 1)  # noqa: E731
    r_h = lambda z: np.sqrt(4 * z**2 + 1) - 2 * z  # noqa: E731
    two = Layered(np.array([[20.0, 50.0], [30.0, 10.0]]), np.array([[0.6], [1.2]]))
    found = model_channels(Instrument(pairs), two, "low_induction").values
    for column, r in enumerate((r_v, r_h)):
        assert found[0, column] == pytest.approx(20 * (1 - r(0.6)) + 50 * r(0.6), rel=1e-12)
        assert found[1, column] == pytest.approx(30 * (1 - r(1.2)) + 10 * r(1.2), rel=1e-12)
    three = Layered(np.array([[20.0, 50.0, 5.0]]), np.array([[0.6, 0.5]]), height=np.array([0.1]))
    found = model_channels(Instrument(pairs), three, "low_induction").values
    for column, r in enumerate((r_v, r_h)):
        expected = 20 * (r(0.1) - r(0.7)) + 50 * (r(0.7) - r(1.2)) + 5 * r(1.2)
        assert found[0, column] == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("orientation", ["vertical", "horizontal"])
def test_uniform_ground_reads_as_the_closed_form(orientation):
    pair = CoilPair(1.0, orientation, quadrature="q", in_phase="i")
    sigma = np.array([[20.0], [300.0], [5000.0]])
    none = np.empty((3, 0))
    apparent = model_channels(Instrument((pair,)), Layered(sigma, none)).values
    ppm = Instrument((pair,), quadrature_unit="ppm", in_phase_unit="ppm")
    parts = model_channels(ppm, Layered(sigma, none)).values
    expected = half_space(pair, 1e-3 * sigma[:, 0])
    assert apparent[:, 0] == pytest.approx(1e3 * shown(pair, expected.imag), rel=1e-8)
    assert apparent[:, 1] == pytest.approx(1e3 * expected.real, rel=1e-7)
    assert parts == pytest.approx(1e6 * np.stack([expected.imag, expected.real], 1), rel=1e-7)


def test_what_the_table_says_the_response_does():
    """A layer made 1 % more conductive changes the reading as its share foretells."""
    pair = CoilPair(1.0, height=0.05, quadrature="q")
    found = depthtable(
        Instrument((pair,)), DepthOptions(TypedGround((20.0,)), max_depth=2.0, depth_step=0.5)
    )
    total = found.pairs[0].exact.at(found.depth).total
    changed = Layered(np.array([[20.0, 20.2, 20.0]]), np.array([[0.5, 0.5]]))
    plain = Layered(np.array([[20.0, 20.0, 20.0]]), np.array([[0.5, 0.5]]))
    read = [model_channels(Instrument((pair,)), one).values[0, 0] for one in (changed, plain)]
    assert (read[0] - read[1]) / 0.2 == pytest.approx(total[2] - total[1], rel=1e-3)
