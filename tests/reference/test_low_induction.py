"""Responses at low induction numbers: against the Bessel integrals they are closed forms of.

To first order the reflection coefficient of ground below a depth z is ``-i w mu_0 sigma / (4 g^2)
exp(-2 g z)`` for conductivity and ``kappa / 2 exp(-2 g z)`` for susceptibility (S. H. Ward and
G. W. Hohmann 1988). Spacing 1; the integrals by SciPy's adaptive quadrature.
"""

import numpy as np
import pytest
from lynchet.algorithms.ground.low_induction import (
    ORIENTATIONS,
    cumulative_response,
    cumulative_susceptible,
    depth_below_which,
    layered_conductivity,
    relative_response,
    relative_susceptible,
)
from scipy.integrate import quad
from scipy.special import j0, j1

DEPTHS = [0.25, 0.5, 0.75, 1.5, 4.0]
KERNELS = {
    "vertical": lambda g: j0(g),
    "horizontal": lambda g: j1(g) / g,
    "perpendicular": lambda g: j1(g),
}
"""What ``g^2 R`` is multiplied with in the field of a pair."""


def integral(orientation, depth, power):
    """Of the orientation's kernel times ``g^power exp(-2 g depth)``."""
    kernel = KERNELS[orientation]
    found, _ = quad(
        lambda g: kernel(g) * g**power * np.exp(-2 * g * depth),
        0, 40 / depth, epsabs=1e-13, epsrel=1e-12, limit=500,
    )  # fmt: skip
    return found


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_conductive_ground_below_a_depth(orientation, depth):
    below = integral(orientation, depth, 0)
    assert cumulative_response(depth, orientation) == pytest.approx(below, rel=1e-9)


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_a_thin_conductive_layer(orientation, depth):
    slope = 2 * integral(orientation, depth, 1)
    assert relative_response(depth, orientation) == pytest.approx(slope, rel=1e-9)


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_susceptible_ground_below_a_depth(orientation, depth):
    below = -0.5 * integral(orientation, depth, 2)
    assert cumulative_susceptible(depth, orientation) == pytest.approx(below, rel=1e-8, abs=1e-11)


@pytest.mark.parametrize("depth", DEPTHS)
@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_a_thin_susceptible_layer(orientation, depth):
    slope = -integral(orientation, depth, 3)
    assert relative_susceptible(depth, orientation) == pytest.approx(slope, rel=1e-8, abs=1e-11)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize(
    ("cumulative", "relative"),
    [(cumulative_response, relative_response), (cumulative_susceptible, relative_susceptible)],
)
def test_thin_layers_add_up_from_the_surface(cumulative, relative, orientation):
    above, _ = quad(lambda z: relative(z, orientation), 0.0, 0.4, epsabs=1e-12)
    expected = cumulative(0.0, orientation) - cumulative(0.4, orientation)
    assert above == pytest.approx(expected, abs=1e-10)


def test_coils_on_susceptible_ground_read_half_of_it():
    # The image of the transmitter lies in the plane of the coils: no field along the line.
    read = [cumulative_susceptible(0.0, orientation) for orientation in ORIENTATIONS]
    assert read == [0.5, -0.5, 0.0]


def test_the_in_phase_part_of_vertical_dipoles_changes_its_sign_with_the_height():
    # A vertical dipole's field turns over at 54.7 degrees off its axis, tan = sqrt(2): from coils
    # at 0.354 of the spacing the image of the transmitter is seen at that angle.
    turn = 1 / (2 * np.sqrt(2))
    assert cumulative_susceptible(turn, "vertical") == pytest.approx(0.0, abs=1e-15)
    assert cumulative_susceptible(0.9 * turn, "vertical") > 0
    assert cumulative_susceptible(1.1 * turn, "vertical") < 0


def test_perpendicular_coils_over_layers_at_a_height():
    conductivities, tops = [20.0, 60.0, 5.0], np.array([0.0, 0.5, 1.3])
    below = [integral("perpendicular", (0.3 + top) / 2.0, 0) for top in tops]
    expected = np.sum(np.diff(conductivities, prepend=0.0) * below)
    found = layered_conductivity(conductivities, [0.5, 0.8], 2.0, "perpendicular", height=0.3)
    assert found == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_digits_are_kept_at_great_depth(orientation):
    # The first term of the expansion in 1 / z: deep ground is a far dipole.
    z = 1e6
    expected = {
        "vertical": 1 / (2 * z),
        "horizontal": 1 / (4 * z),
        "perpendicular": 1 / (8 * z**2),
    }[orientation]
    assert cumulative_response(z, orientation) == pytest.approx(expected, rel=1e-11)


@pytest.mark.parametrize(
    "function",
    [cumulative_response, relative_response, cumulative_susceptible, relative_susceptible],
)
def test_an_unknown_orientation_is_refused(function):
    with pytest.raises(ValueError, match="Orientation 'oblique' is unknown"):
        function(1.0, "oblique")


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_depth_below_which_is_the_cumulative_response_back(orientation):
    depth = np.geomspace(1e-3, 50, 40)
    share = cumulative_response(depth, orientation)
    np.testing.assert_allclose(depth_below_which(share, orientation), depth, rtol=1e-7)
    assert depth_below_which(0.0, orientation) == np.inf
