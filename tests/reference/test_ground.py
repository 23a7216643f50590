"""The first-order physics of the sample survey: against closed forms and numerical integration."""

import numpy as np
import pytest
from lynchet.algorithms.ground.bodies import (
    body_response,
    conductivity_kernel,
    susceptibility_kernel,
    susceptible_below,
)
from lynchet.algorithms.ground.low_induction import (
    cumulative_response,
    layered_conductivity,
    relative_response,
)
from scipy.integrate import dblquad, quad


def test_published_exploration_depths():
    # McNeill (1980), TN-6: about 70 % of the response from above 1.5 spacings (vertical dipoles)
    # and above 0.75 spacings (horizontal dipoles).
    assert cumulative_response(1.5) == pytest.approx(0.316, abs=5e-4)
    assert cumulative_response(0.75, "horizontal") == pytest.approx(0.303, abs=5e-4)


@pytest.mark.parametrize("orientation", ["vertical", "horizontal"])
@pytest.mark.parametrize("depth", [0.0, 0.3, 1.0, 4.0])
def test_relative_response_adds_up_to_the_cumulative_one(orientation, depth):
    below, _ = quad(lambda z: relative_response(z, orientation), depth, np.inf)
    assert cumulative_response(depth, orientation) == pytest.approx(below, abs=1e-7)


def test_two_layers_as_mcneill_writes_them():
    # sigma_a = sigma_1 (1 - R(z)) + sigma_2 R(z), TN-6.
    r = 1 / np.sqrt(4 * 0.6**2 + 1)
    expected = 20 * (1 - r) + 50 * r
    assert layered_conductivity([20, 50], [0.6], 1.0) == pytest.approx(expected, rel=1e-12)


def test_lifting_the_coils_puts_a_layer_of_air_below_them():
    lifted = layered_conductivity([30, 60], [0.4], 1.0, height=0.2)
    assert lifted == pytest.approx(layered_conductivity([0, 30, 60], [0.2, 0.4], 1.0), rel=1e-12)


@pytest.mark.parametrize("spacing", [0.5, 1.0])
@pytest.mark.parametrize("depth", [0.2, 0.5, 1.5])
def test_conductivity_kernel_over_a_plane_is_mcneills_relative_response(spacing, depth):
    # By adaptive quadrature in the plane, over one quadrant of the symmetric kernel.
    whole, _ = dblquad(
        lambda y, x: 4 * conductivity_kernel(x, y, depth, spacing),
        0, np.inf, 0, np.inf, epsrel=1e-6,
    )  # fmt: skip
    assert whole == pytest.approx(relative_response(depth / spacing) / spacing, rel=1e-4)


@pytest.mark.parametrize("depth", [0.3, 1.0])
def test_susceptibility_kernel_over_a_plane_is_the_slope_of_its_closed_form(depth):
    whole, _ = dblquad(
        lambda y, x: 4 * susceptibility_kernel(x, y, depth, 1.0),
        0, np.inf, 0, np.inf, epsrel=1e-6,
    )  # fmt: skip
    step = 1e-5
    slope = (susceptible_below(depth - step, 1.0) - susceptible_below(depth + step, 1.0)) / (
        2 * step
    )
    assert whole == pytest.approx(slope, rel=1e-4)


def test_a_half_space_under_coils_on_the_surface_reads_half_its_susceptibility():
    # The low-frequency limit for coplanar vertical dipoles is kappa / 2 in magnitude.
    assert susceptible_below(0.0, 1.0) == 0.5


def test_a_very_wide_body_is_a_layer():
    plan = np.ones((241, 241))
    response = body_response(plan, 0.25, 0.4, 1.2, 1.0, "conductivity")[120, 120]
    expected = cumulative_response(0.4) - cumulative_response(1.2)
    # What lies beyond the kernel's reach is left out.
    assert response == pytest.approx(expected, abs=0.01)


def test_walking_back_reads_the_same():
    rng = np.random.default_rng(2)
    plan = rng.uniform(size=(60, 60))
    there = body_response(plan, 0.25, 0.4, 1.0, 1.0, "conductivity")
    back = body_response(plan[::-1], 0.25, 0.4, 1.0, 1.0, "conductivity")[::-1]
    np.testing.assert_allclose(there, back, atol=1e-12)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: layered_conductivity([1, 2], [], 1.0), "2 layers need 1 thicknesses, not 0"),
        (lambda: layered_conductivity([1], [], 0.0), "The coil spacing is 0"),
        (lambda: layered_conductivity([1, 2], [-1], 1.0), "A thickness or the height is below 0"),
        (lambda: cumulative_response(1, "oblique"), "Orientation 'oblique' is unknown"),
        (
            lambda: body_response(np.ones((3, 3)), 1, 2, 1, 1, "conductivity"),
            "A body from 2 to 1 is none",
        ),
        (lambda: body_response(np.ones((3, 3)), 1, 1, 2, 1, "x"), "'x' is unknown"),
    ],
)
def test_grounds_that_cannot_be(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call()
