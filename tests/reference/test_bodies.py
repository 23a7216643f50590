"""A sphere under coil pairs: against Bessel functions, series, integrals, images and limits."""

import math

import numpy as np
import pytest
from lynchet.algorithms.ground.bodies import (
    NEAR_ZERO,
    Sphere,
    dipole_coupling,
    response_function,
    sphere_response,
    susceptibility_kernel,
)
from lynchet.algorithms.ground.instrument import CoilPair
from scipy.integrate import dblquad
from scipy.special import spherical_in

MU_0 = 4e-7 * math.pi
TURN = np.exp(0.25j * np.pi)
"""The direction of every real induction parameter: the root of i."""
ORIENTATIONS = ("vertical", "horizontal", "perpendicular")
IRON = Sphere(0.1, conductivity=1e10, permeability=100.0)


@pytest.mark.parametrize("size", [0.1, 1.0, NEAR_ZERO - 1e-9, NEAR_ZERO + 1e-9, 8.0, 40.0])
@pytest.mark.parametrize("mu", [1.0, 1.5, 20.0, 200.0])
def test_the_fields_in_and_outside_fit_at_the_surface(size, mu):
    # Independent: SciPy's modified spherical Bessel functions, and the two conditions at the
    # surface (vector potential and tangential H) solved as they stand. Inside c i_1(k r), outside
    # r / 2 + m / (4 pi r^2), for a = mu_0 = H = 1.
    alpha = size * TURN
    inside = spherical_in(1, alpha)
    slope = inside + alpha * spherical_in(1, alpha, derivative=True)
    conditions = np.array([[inside, -1 / (4 * np.pi)], [slope / mu, 1 / (4 * np.pi)]])
    _, moment = np.linalg.solve(conditions, [0.5, 1.0])
    found = response_function(alpha, mu)
    assert abs(found + moment / (2 * np.pi)) < 1e-11 * max(1, abs(found))


def test_a_conductor_is_the_sum_of_its_decaying_currents():
    # Wait and Spies (1969), Quasi-static transient response of a conducting permeable sphere,
    # Geophysics 34 (from memory), mu = 1: time constants sigma mu_0 a^2 / (n pi)^2. A form with no
    # digits that cancel, from the faintest induction to the strongest.
    poles = (np.pi * np.arange(1, 200_001)) ** 2
    for size in np.logspace(-6, 3, 19):
        square = 1j * size**2
        series = (6 / poles * square / (square + poles)).sum()
        # What lies beyond: 6 x sum of 1 / p^2, as an integral.
        series += 6 * square / (3 * np.pi**4 * 200_000.5**3)
        # The part of the faint ones that is in phase is a millionth of a millionth of the other.
        assert abs(response_function(size * TURN) - series) < 1e-8 * abs(series)


def test_both_parts_to_many_digits():
    # Independent: mpmath with fifty digits, from faint to iron at the highest frequencies.
    mpmath = pytest.importorskip("mpmath")
    with mpmath.workdps(50):
        for mu in (1.0, 1.001, 100.0):
            for size in (1e-4, 1e-2, 0.5, 2.9, 3.1, 20.0, 300.0, 9000.0):
                alpha = mpmath.mpc(*(float(part) for part in ((size * TURN).real,) * 2))
                t = mpmath.tanh(alpha)
                ratio = alpha**2 * t / (alpha - t) - 1
                exact = complex((ratio - 2 * mu) / (ratio + mu))
                found = complex(response_function(complex(alpha), mu))
                assert found.imag == pytest.approx(exact.imag, rel=1e-12)
                # What stands beside a larger part is known to the digits of that.
                still = max(abs(2 * (mu - 1) / (mu + 2)), abs(exact))
                assert found.real == pytest.approx(exact.real, rel=1e-12, abs=1e-15 * still)


@pytest.mark.parametrize("mu", [0.5, 1.0, 1 + 1e-9, 4.0, 1e3])
def test_without_currents_it_is_the_magnetostatic_sphere(mu):
    # m = 4 pi a^3 (mu - 1) / (mu + 2) H, any textbook of electrostatics by analogy.
    expected = 4 * np.pi * 0.1**3 * (mu - 1) / (mu + 2)
    assert Sphere(0.1, permeability=mu).polarizability(1e4) == pytest.approx(expected, rel=1e-14)


def test_faint_currents_are_those_that_the_primary_field_alone_drives():
    # E = -i w mu_0 H r sin(theta) / 2 round the axis; the moment is half the integral of r x J.
    radius, conductivity, frequency = 0.3, 50.0, 1e3
    field = 2 * np.pi * frequency * MU_0 / 2
    ring, _ = dblquad(
        lambda theta, r: 2 * np.pi * r**4 * np.sin(theta) ** 3, 0, radius, 0, np.pi, epsrel=1e-10
    )
    found = Sphere(radius, conductivity).polarizability(frequency)
    assert found.imag == pytest.approx(-field * conductivity * 1e-3 / 2 * ring, rel=1e-6)
    assert abs(found.real) < 1e-4 * abs(found.imag)
    # The same, closed: i w mu_0 sigma a^2 / 15 of -2 pi a^3.
    closed = 2 * field * conductivity * 1e-3 * radius**2 / 15
    assert found.imag == pytest.approx(-2 * np.pi * radius**3 * closed, rel=1e-6)


def test_at_the_inductive_limit_the_field_is_kept_out():
    for mu in (1.0, 100.0):
        assert response_function(1e9 * TURN, mu) == pytest.approx(1.0, abs=1e-6)
    # Nothing overflows on the way, and large parameters take their asymptotic form, tanh = 1.
    with np.errstate(over="raise", invalid="raise", divide="raise"):
        found = response_function(np.logspace(-200, 100, 61) * TURN, 100.0)
    assert np.isfinite(found).all()
    alpha = IRON.induction_parameter(1e4)
    # a sqrt(2 pi f mu_0 mu_r sigma), the skin depth of iron at 10 kHz being 0.16 mm.
    assert abs(alpha) == pytest.approx(0.1 * math.sqrt(2 * math.pi * 1e4 * MU_0 * 1e9), rel=1e-12)
    slope = alpha**2 / (alpha - 1) - 1
    expected = (slope - 200) / (slope + 100)
    assert complex(response_function(alpha, 100.0)) == pytest.approx(expected, rel=1e-13)


def test_conductors_lag_and_every_part_has_its_sign():
    function = response_function(np.logspace(-2, 4, 61) * TURN)
    assert (function.imag > 0).all()
    assert (np.diff(function.real) > 0).all()
    # Deep below vertical dipoles: a conductor reads positive in both parts, a magnet negative.
    pair = CoilPair(1.0)
    metal = complex(sphere_response(Sphere(0.2, 1e10), pair, 0.0, 0.0, 20.0))
    assert metal.real > 0
    assert metal.imag > 0
    magnet = complex(sphere_response(Sphere(0.2, permeability=5.0), pair, 0.0, 0.0, 20.0))
    assert magnet.real < 0
    # Both coils all but straight above a sphere no field enters: 2 a^3 s^3 / z^6.
    still = Sphere(0.2, 1e10).polarizability(1e6).real * dipole_coupling(0.0, 0.0, 99.0, 1.0)
    assert still == pytest.approx(2 * 0.2**3 / 99.0**6, rel=2e-3)


@pytest.mark.parametrize("spacing", [0.5, 1.0])
def test_a_weakly_magnetic_sphere_is_a_first_order_body(spacing):
    kappa, radius = 1e-7, 0.08
    x, y = np.meshgrid(np.linspace(-2, 2, 9), np.linspace(-2, 2, 17))
    pair = CoilPair(spacing, height=0.05)
    found = sphere_response(Sphere(radius, permeability=1 + kappa), pair, x, y, 0.3)
    volume = 4 / 3 * np.pi * radius**3
    expected = kappa * volume * susceptibility_kernel(x, y, 0.35, spacing)
    np.testing.assert_allclose(found.real, expected, rtol=1e-7, atol=1e-20)
    assert not found.imag.any()


def image(depth, spacing, orientation):
    """In-phase part per susceptibility of all ground below a depth under the coils.

    To first order the image of a dipole over a magnetic half-space: half its susceptibility in
    size, at twice the depth, upright parts kept and level ones turned round.
    """
    z, reach = 2 * depth, math.hypot(spacing, 2 * depth)
    return {
        "vertical": -0.5 * spacing**3 * (3 * z**2 - reach**2) / reach**5,
        "horizontal": -0.5 * spacing**3 / reach**3,
        "perpendicular": -1.5 * spacing**4 * z / reach**5,
    }[orientation]


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize(("depth", "spacing"), [(0.3, 1.0), (0.8, 1.0), (0.4, 0.5)])
def test_spheres_all_over_a_layer_are_the_image_in_magnetic_ground(orientation, depth, spacing):
    whole, _ = dblquad(
        lambda y, x: 2 * dipole_coupling(x, y, depth, spacing, orientation).item(),
        0, np.inf, -np.inf, np.inf, epsrel=1e-6, epsabs=1e-8,
    )  # fmt: skip
    step = 1e-4
    above, below = (image(depth + by, spacing, orientation) for by in (-step, step))
    assert whole == pytest.approx((above - below) / (2 * step), rel=1e-4)


def test_half_the_susceptibility_under_coils_on_the_surface():
    # The orientations' signs: + 1/2, - 1/2 and nothing.
    assert [image(0.0, 1.0, orientation) for orientation in ORIENTATIONS] == [0.5, -0.5, -0.0]


def test_dipole_fields_beside_and_along_the_axis():
    # 1 / (2 pi r^3) on the axis, 1 / (4 pi r^3) beside it; the pair's own as the unit.
    # Horizontal dipoles across the line, right above its midpoint: both fields run level.
    depth, spacing = 0.6, 1.0
    reach = math.hypot(0.5, depth)
    expected = -4 * np.pi * spacing**3 / (4 * np.pi * reach**3) ** 2
    found = dipole_coupling(0.0, 0.0, depth, spacing, "horizontal")
    assert found == pytest.approx(expected, rel=1e-12)
    # Straight below a perpendicular pair's transmitter: its field points along the axis.
    level = 3 * spacing * depth / (4 * np.pi * math.hypot(spacing, depth) ** 5)
    expected = -4 * np.pi * spacing**3 / (2 * np.pi * depth**3) * level
    found = dipole_coupling(0.0, -spacing / 2, depth, spacing, "perpendicular")
    assert found == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_a_turned_pair_reads_what_the_turned_ground_would_give(orientation):
    pair = CoilPair(0.8, orientation, height=0.1)
    here = sphere_response(IRON, pair, -0.2, 0.7, 0.3)
    assert sphere_response(IRON, pair, 0.7, 0.2, 0.3, azimuth=90.0) == pytest.approx(here)
    assert sphere_response(IRON, pair, 0.2, -0.7, 0.3, azimuth=180.0) == pytest.approx(here)
    ahead, right = np.exp(1j * np.radians(30.0)), np.exp(1j * np.radians(120.0))  # north + i east
    place = 0.7 * ahead - 0.2 * right
    oblique = sphere_response(IRON, pair, place.imag, place.real, 0.3, azimuth=30.0)
    assert oblique == pytest.approx(here)
    # Transmitter and receiver may change places, but not where they differ.
    back = sphere_response(IRON, pair, -0.2, 0.7, 0.3, azimuth=180.0)
    assert bool(back == pytest.approx(here)) == (orientation != "perpendicular")
    # Right and left are the same.
    assert sphere_response(IRON, pair, 0.2, 0.7, 0.3) == pytest.approx(here)


def test_many_places_and_azimuths_at_once_and_no_place_no_response():
    pair = CoilPair(1.0, "perpendicular", height=0.1)
    x, y, azimuth = np.array([[0.0, 0.4, np.nan]]), np.array([[0.3], [-0.5]]), [0.0, 30.0, 60.0]
    found = sphere_response(IRON, pair, x, y, 0.4, azimuth)
    assert found.shape == (2, 3)
    assert found[1, 1] == pytest.approx(complex(sphere_response(IRON, pair, 0.4, -0.5, 0.4, 30.0)))
    assert np.isnan(found[:, 2]).all()
    assert np.isfinite(found[:, :2]).all()


def test_higher_and_deeper_are_the_same():
    low, high = CoilPair(1.0), CoilPair(1.0, height=0.2)
    assert sphere_response(IRON, high, 0.1, 0.2, 0.3) == pytest.approx(
        sphere_response(IRON, low, 0.1, 0.2, 0.5)
    )


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: Sphere(0.0), "The sphere's radius is 0 m: give a length above 0"),
        (lambda: Sphere(math.nan), "The sphere's radius is nan m"),
        (lambda: Sphere(1.0, -1.0), "The sphere's conductivity is -1 mS/m: give 0 or more"),
        (lambda: Sphere(1.0, 1.0, 0.0), "The sphere's relative permeability is 0: give a number"),
        (
            lambda: sphere_response(IRON, CoilPair(1.0, height=0.02), 0, 0, 0.08),
            "centre is 0.1 m below the coils and its radius 0.1 m: bury it deeper",
        ),
        (lambda: dipole_coupling(0, 0, 0.0, 1.0), "The depth below the coils is 0 m"),
        (lambda: dipole_coupling(0, 0, 1.0, 1.0, "oblique"), "Orientation 'oblique' is unknown"),
    ],
)
def test_spheres_that_cannot_be(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call()
