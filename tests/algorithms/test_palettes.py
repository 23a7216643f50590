import numpy as np
import pytest
from lynchet.algorithms.deliver.palettes import HEDGE, PEAT, bipolar, lab_to_srgb, symmetric_range

PLACES = np.linspace(0, 1, 201)


@pytest.mark.parametrize("palette", [PEAT, HEDGE])
def test_palettes_agree_with_scikit_image(palette):
    # Independent library: skimage.color
    color = pytest.importorskip("skimage.color")
    lab = palette.lab(PLACES)
    ours = lab_to_srgb(lab)
    assert np.abs(color.lab2rgb(lab[np.newaxis])[0] - ours).max() < 2e-3


@pytest.mark.parametrize("palette", [PEAT, HEDGE])
def test_every_colour_can_be_shown_on_a_screen(palette):
    srgb = lab_to_srgb(palette.lab(PLACES))
    assert srgb.min() > -0.005
    assert srgb.max() < 1.005


def test_peat_rises_evenly_in_lightness():
    steps = np.diff(PEAT.lab(PLACES)[:, 0])
    assert steps.min() > 0
    assert np.ptp(steps) < 1e-9


def test_hedge_is_as_dark_below_the_background_as_above():
    lightness = HEDGE.lab(PLACES)[:, 0]
    np.testing.assert_allclose(lightness, lightness[::-1])
    assert lightness.argmax() == 100


def test_hedge_ends_differ_most_on_the_blue_yellow_axis():
    # The axis that the common red-green colour deficiencies leave (common practice, no source).
    low, high = HEDGE.lab(0.1), HEDGE.lab(0.9)
    assert abs(high[2] - low[2]) > abs(high[1] - low[1])


def test_the_background_is_the_middle_of_a_bipolar_range():
    low, high = symmetric_range(-2.0, 0.5, 1.0)
    assert (low + high) / 2 == 0.5
    assert (low, high) == (-2.0, 3.0)
    assert bipolar(-1, 1)
    assert not bipolar(1, 3)
