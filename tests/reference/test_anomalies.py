"""Anomalies against general-purpose libraries: scikit-image, Shapely, SciPy."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.interpret.anomalies import AnomalyOptions, outline_anomalies
from lynchet.algorithms.interpret.background import moving_median, robust_scatter
from lynchet.algorithms.interpret.outline import outline_regions
from lynchet.algorithms.interpret.regions import fill_holes, hysteresis
from lynchet.algorithms.interpret.shape import Outline, smallest_rectangle
from scipy import ndimage
from scipy.stats import median_abs_deviation
from shapely.geometry import MultiPoint, Polygon
from skimage.filters import apply_hysteresis_threshold
from skimage.measure import find_contours, label, regionprops
from skimage.morphology import reconstruction, remove_small_holes


def smooth_field(seed, shape=(90, 120), sigma=3.0):
    field = ndimage.gaussian_filter(np.random.default_rng(seed).standard_normal(shape), sigma)
    return field / field.std()


def frame_of(values, cell=1.0):
    return Frame(0.0, 0.0, cell, cell, values.shape[1], values.shape[0])


@pytest.mark.parametrize("seed", range(5))
def test_hysteresis_is_that_of_scikit_image_on_smooth_ground(seed):
    field = smooth_field(seed, sigma=6.0)
    corners = field[:-1, :-1] > 0.8, field[1:, 1:] > 0.8, field[:-1, 1:] > 0.8, field[1:, :-1] > 0.8
    saddles = (corners[0] & corners[1] & ~corners[2] & ~corners[3]) | (
        ~corners[0] & ~corners[1] & corners[2] & corners[3]
    )
    assert not saddles.any()  # scikit-image does not join over corners
    kept = hysteresis(field, 0.8, 1.6)
    assert np.array_equal(kept, apply_hysteresis_threshold(field, 0.8, 1.6))
    assert 0 < kept.sum() < (field > 0.8).sum()


@pytest.mark.parametrize("seed", range(5))
def test_hysteresis_over_corners_is_reconstruction_by_dilation(seed):
    field = np.random.default_rng(seed).standard_normal((50, 60))
    low, high = field > 0.3, field >= 1.8
    expected = reconstruction(high.astype(int), low.astype(int)).astype(bool)
    assert np.array_equal(hysteresis(field, 0.3, 1.8), expected)
    assert 0 < expected.sum() < low.sum()


@pytest.mark.parametrize("most", [1, 4, 30])
def test_small_holes_are_those_of_scikit_image(most):
    mask = smooth_field(3, sigma=1.0) > -0.9
    mask[[0, -1]] = mask[:, [0, -1]] = True  # scikit-image also fills bays open to the edge
    filled = fill_holes(mask, float(most), np.zeros_like(mask))
    # Its threshold is the first size that stays.
    assert np.array_equal(filled[1:-1, 1:-1], remove_small_holes(mask, most + 1)[1:-1, 1:-1])
    assert filled.sum() > mask.sum()


def test_scale_is_the_normal_median_absolute_deviation_of_scipy():
    values = np.random.default_rng(1).gamma(2.0, 3.0, size=1001)
    expected = median_abs_deviation(values, scale="normal")
    assert robust_scatter(values).sigma == pytest.approx(expected, rel=1e-9)


def test_small_moving_medians_are_those_of_scipy_inside():
    field = smooth_field(2)
    found = moving_median(field, frame_of(field), 7.0)
    expected = ndimage.median_filter(field, size=7)
    assert np.array_equal(found[3:-3, 3:-3], expected[3:-3, 3:-3])


@pytest.mark.parametrize("seed", range(4))
def test_outlines_are_the_isolines_of_scikit_image(seed):
    field = smooth_field(seed)
    field[[0, -1]] = field[:, [0, -1]] = -3.0  # keep every line closed
    labels, count = ndimage.label(field > 0.5, structure=np.ones((3, 3)))
    outlines = outline_regions(labels, field, 0.5, frame_of(field))
    contours = find_contours(field, 0.5, fully_connected="high")
    # Ours keep a thousandth of a cell from every centre, theirs do not.
    rings = [Polygon(c[:, ::-1]) for c in contours]
    ours = [Polygon(ring) for outline in outlines for ring in outline.rings]
    assert len(ours) == len(rings)
    assert sorted(r.area for r in ours) == pytest.approx(sorted(r.area for r in rings), abs=2e-3)
    assert sum(r.length for r in ours) == pytest.approx(sum(r.length for r in rings), rel=1e-4)
    assert len(outlines) == count == label(field > 0.5, connectivity=2).max()


@pytest.mark.parametrize("seed", range(3))
def test_cells_values_and_size_agree_with_regionprops(seed):
    field = smooth_field(seed, sigma=8.0, shape=(200, 200))
    frame = Frame(0.0, 100.0, 0.5, 0.5, 200, 200)
    options = AnomalyOptions(extent=0.8, seed=1.0, smallest_area=0.0, largest_filled_hole=0.0)
    result = outline_anomalies(field, frame, options)
    z = (field - np.median(field)) / median_abs_deviation(field, axis=None, scale="normal")
    mask = np.where(z > 0, hysteresis(z, 0.8, 1.0), False)
    props = {}
    for p in regionprops(label(mask, connectivity=2), intensity_image=field):
        row, column = p.coords[np.argmax(field[tuple(p.coords.T)])]
        props[frame.centres_x[column], frame.centres_y[row]] = p
    positive = [a for a in result.anomalies if a.polarity == "positive"]
    assert len(positive) == len(props) > 3
    for anomaly in positive:
        p = props[anomaly.peak_x, anomaly.peak_y]
        assert anomaly.cells == p.area
        assert anomaly.mean == pytest.approx(p.mean_intensity)
        assert anomaly.peak == p.max_intensity
        if p.area > 150:
            # Cells counted against an isoline, corners of the raster cut: a few in a hundred.
            assert anomaly.area == pytest.approx(p.area * 0.25, rel=0.06)
            assert anomaly.perimeter == pytest.approx(p.perimeter * 0.5, rel=0.15)


@pytest.mark.parametrize("turn", [-80, -35, 0, 10, 44, 60, 89])
def test_the_long_axis_is_that_of_regionprops(turn):
    north, east = np.mgrid[20.0:-20.5:-0.5, -20.0:20.5:0.5]
    along = east * np.sin(np.radians(turn)) + north * np.cos(np.radians(turn))
    across = east * np.cos(np.radians(turn)) - north * np.sin(np.radians(turn))
    field = 9 * np.exp(-((along / 6) ** 2) - (across / 2) ** 2)
    (p,) = regionprops((field > 2.0).astype(int))
    (outline,) = outline_regions((field > 2.0).astype(np.int32), field, 2.0, frame_of(field, 0.5))
    # Its angle is from the row axis (south), turning to the columns (east).
    expected = np.degrees(np.arctan2(np.sin(p.orientation), -np.cos(p.orientation)))
    found = smallest_rectangle(outline.outer)
    assert abs((found.azimuth - expected + 90) % 180 - 90) < 1.5
    assert found.length == pytest.approx(p.major_axis_length * 0.5, rel=0.03)
    assert found.width == pytest.approx(p.minor_axis_length * 0.5, rel=0.05)


@settings(max_examples=100, deadline=None)
@given(st.integers(3, 40), st.integers(0, 10_000), st.floats(0.01, 1.0))
def test_the_smallest_rectangle_is_that_of_shapely(count, seed, flatness):
    points = np.random.default_rng(seed).normal(size=(count, 2)) * [1.0, flatness]
    found = smallest_rectangle(points)
    expected = MultiPoint(points).minimum_rotated_rectangle
    assert found.length * found.width == pytest.approx(expected.area, rel=1e-6)


@pytest.mark.parametrize("seed", range(3))
def test_area_perimeter_and_rectangle_of_anomalies_are_those_of_shapely(seed):
    field = smooth_field(seed, sigma=2.0)
    field[40:45, 30:50] = np.nan
    options = AnomalyOptions(extent=0.5, seed=1.0, smallest_area=0.0)
    result = outline_anomalies(field, frame_of(field, 0.25), options)
    assert sum(len(a.outline.holes) for a in result.anomalies) > 0
    for anomaly in result.anomalies:
        outline: Outline = anomaly.outline
        shape = Polygon(outline.outer, outline.holes)
        rectangle = shape.minimum_rotated_rectangle
        assert shape.is_valid
        assert anomaly.area == pytest.approx(shape.area, rel=1e-9)
        assert anomaly.perimeter == pytest.approx(shape.length, rel=1e-9)
        assert anomaly.length * anomaly.width == pytest.approx(rectangle.area, rel=1e-6)
        assert anomaly.length >= anomaly.width
