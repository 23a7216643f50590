"""Resampling against SciPy's own monotone interpolation; places against PROJ and exact tracks."""

import numpy as np
import pytest
from lynchet.algorithms.intake.placesensors import PlaceOptions, placesensors
from lynchet.algorithms.intake.walk.heading import smoothed_heading
from lynchet.algorithms.intake.walk.resample import monotone_slopes, resampled
from lynchet.algorithms.readings import Readings
from scipy.interpolate import PchipInterpolator
from scipy.special import fresnel


def runs(seed, shortest=1):
    """Knots in runs that are joined, with flat stretches, steps and runs of few knots."""
    rng = np.random.default_rng(seed)
    lengths = rng.integers(shortest, 12, 30)
    knots = np.cumsum(rng.uniform(0.02, 0.3, lengths.sum()))
    heights = np.round(rng.normal(0, 1, len(knots)), 0 if seed % 2 else 6)
    joined = np.ones(len(knots) - 1, bool)
    joined[np.cumsum(lengths)[:-1] - 1] = False
    return knots, heights, joined, np.split(np.arange(len(knots)), np.cumsum(lengths)[:-1])


@pytest.mark.parametrize("seed", range(6))
def test_slopes_are_those_of_scipy_in_every_run(seed):
    knots, heights, joined, pieces = runs(seed)
    slope = monotone_slopes(knots, heights, joined)
    for rows in pieces:
        if len(rows) > 1:
            wanted = PchipInterpolator(knots[rows], heights[rows]).derivative()(knots[rows])
            np.testing.assert_allclose(slope[rows], wanted, atol=1e-9)


@pytest.mark.parametrize("seed", range(6))
def test_resampled_values_are_those_of_scipy_traverse_by_traverse(seed):
    knots, heights, _, pieces = runs(seed, shortest=2)
    traverse = np.repeat(np.arange(len(pieces)), [len(rows) for rows in pieces])
    target = knots + np.random.default_rng(seed + 50).normal(0, 0.2, len(knots))
    ones = np.ones(len(knots), bool)
    found = resampled(traverse, knots, heights, ones, target, np.inf)
    for rows in pieces:
        wanted = PchipInterpolator(knots[rows], heights[rows], extrapolate=False)(target[rows])
        np.testing.assert_allclose(found.values[rows], wanted, atol=1e-9)
        outside = (target[rows] < knots[rows[0]]) | (target[rows] > knots[rows[-1]])
        np.testing.assert_array_equal(found.beyond[rows], outside)


def test_a_midpoint_is_where_geodesy_puts_it():
    # PROJ's direct problem on a sphere so large that it is flat: azimuth clockwise from north.
    pyproj = pytest.importorskip("pyproj")
    earth = pyproj.Geod(a=6.4e9, b=6.4e9)
    metre = np.degrees(1 / 6.4e9)
    for azimuth in (0.0, 33.0, 141.0, 260.0):
        lon, lat, _ = earth.fwd(np.zeros(20), np.zeros(20), np.full(20, azimuth), np.arange(20) / 4)
        before = Readings.build(
            x=lon / metre, y=lat / metre, values=np.zeros(20), channels=["ec_100"]
        )
        options = PlaceOptions(ahead=-0.2, right=-0.7)
        found = placesensors(before, {"ec_100": 1.0}, options).readings
        lon, lat, _ = earth.fwd(lon, lat, np.full(20, azimuth), np.full(20, 0.2 - 0.5))
        lon, lat, _ = earth.fwd(lon, lat, np.full(20, azimuth + 90), np.full(20, 0.7))
        np.testing.assert_allclose(found.x, lon / metre, atol=1e-4)
        np.testing.assert_allclose(found.y, lat / metre, atol=1e-4)


def test_the_direction_on_a_clothoid_is_its_tangent():
    # Euler spiral: turns by s^2 / (2 A^2) over a path s (closed form; Fresnel integrals by SciPy).
    scale = 8.0
    path = np.arange(0, 15, 0.1)
    unit = np.sqrt(np.pi) * scale
    sine, cosine = fresnel(path / unit)
    found = smoothed_heading(sine * unit, cosine * unit, 2.0)
    tangent = np.degrees(path**2 / (2 * scale**2))
    off = (found - tangent + 180) % 360 - 180
    assert np.abs(off[11:-11]).max() < 0.2
