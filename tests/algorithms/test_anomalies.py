from dataclasses import fields, replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.interpret.anomalies import (
    CAUTION,
    AnomalyOptions,
    outline_anomalies,
)
from lynchet.algorithms.interpret.regions import fill_holes, hysteresis
from lynchet.algorithms.progress import Cancelled
from shapely.geometry import MultiPoint, Point, Polygon
from shapely.ops import unary_union

PLAIN = AnomalyOptions(smallest_area=0.0, largest_filled_hole=0.0)


def frame_of(values, width=1.0, height=1.0):
    return Frame(431_000.0, 1_200_000.0, width, height, values.shape[1], values.shape[0])


def quiet_soil(shape, level=20.0):
    """Soil whose median is `level` and whose median absolute deviation is 1, features or not."""
    return level + np.indices(shape).sum(axis=0) % 3 - 1.0


def soil_with(features, cell, half=15.0):
    """Quiet soil with smooth features: (east, north) -> mS/m; robust sigma 1.4826."""
    n = round(2 * half / cell)
    frame = Frame(-half, half, cell, cell, n, n)
    east, north = np.meshgrid(frame.centres_x, frame.centres_y)
    feature = features(east, north)
    # The smooth feature replaces the soil where it matters, so its isolines stay exact.
    return np.where(np.abs(feature) > 0.01, 20.0 + feature, quiet_soil(feature.shape)), frame


def polygon(anomaly):
    return Polygon(anomaly.outline.outer, anomaly.outline.holes)


def azimuth_error(found, true):
    return abs((found - true + 90) % 180 - 90)


def test_a_pit_is_found_where_it_is_with_its_values():
    values = quiet_soil((30, 40))
    values[10:14, 20:23] = 50.0
    values[11, 21] = 60.0
    frame = frame_of(values, 0.5, 0.25)
    result = outline_anomalies(values, frame, PLAIN)
    (pit,) = result.anomalies
    assert (pit.number, pit.polarity, pit.cells) == (1, "positive", 12)
    assert (pit.peak, pit.peak_x, pit.peak_y) == (60.0, 431_010.75, 1_199_997.125)
    assert pit.mean == pytest.approx((11 * 50 + 60) / 12)
    assert (pit.background, pit.contrast) == (20.0, 40.0)
    assert pit.robust_z == pytest.approx(40.0 / result.scale)
    assert pit.integral == pytest.approx((11 * 30 + 40) * 0.125)
    assert pit.area == pytest.approx(polygon(pit).area)
    assert pit.perimeter == pytest.approx(polygon(pit).length)


def test_the_global_background_and_scale_are_the_median_and_1_4826_median_deviations():
    values = quiet_soil((30, 40))
    values[3:9, 3:9] = 900.0
    result = outline_anomalies(values, frame_of(values), PLAIN)
    assert result.background == 20.0
    assert result.scale == pytest.approx(1.4826, abs=5e-5)
    assert result.figures == {
        "positive": 1, "negative": 0, "background": 20.0, "scale": result.scale,
    }  # fmt: skip


def test_a_round_pit_is_outlined_at_the_extent_threshold_the_closer_the_finer():
    errors = []
    for cell in (1.0, 0.5, 0.25, 0.125):
        values, frame = soil_with(lambda x, y: 60 * np.exp(-(x**2 + y**2) / 8), cell)
        result = outline_anomalies(values, frame)
        (pit,) = result.anomalies
        radius = np.sqrt(8 * np.log(60 / (2.0 * result.scale)))  # where the bump falls to the level
        errors.append(abs(pit.area / (np.pi * radius**2) - 1))
        assert pit.length == pytest.approx(2 * radius, rel=0.06 * cell)
        assert pit.elongation == pytest.approx(1.0, abs=0.06 * cell)
    assert errors[0] < 0.02
    assert errors[-1] < 0.001
    assert errors == sorted(errors, reverse=True)


@pytest.mark.parametrize("true_azimuth", [0.0, 30.0, 90.0, 117.0, 170.0])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_long_pit_has_the_length_width_and_azimuth_of_its_ellipse(true_azimuth, sign):
    bearing = np.radians(true_azimuth)

    def ellipse(x, y):
        along = x * np.sin(bearing) + y * np.cos(bearing)
        across = x * np.cos(bearing) - y * np.sin(bearing)
        return sign * 60 * np.exp(-0.5 * ((along / 3.0) ** 2 + across**2))

    values, frame = soil_with(ellipse, 0.125)
    result = outline_anomalies(values, frame)
    (pit,) = result.anomalies
    stretch = 2 * np.sqrt(2 * np.log(60 / (2.0 * result.scale)))
    assert pit.polarity == ("positive" if sign > 0 else "negative")
    assert pit.length == pytest.approx(3.0 * stretch, rel=0.01)
    assert pit.width == pytest.approx(stretch, rel=0.01)
    assert pit.elongation == pytest.approx(3.0, rel=0.01)
    assert azimuth_error(pit.azimuth, true_azimuth) < 0.5
    assert pit.area == pytest.approx(np.pi / 4 * 3.0 * stretch**2, rel=0.01)


def test_a_ring_ditch_keeps_its_inside():
    values, frame = soil_with(lambda x, y: 30 * np.exp(-((np.hypot(x, y) - 6.0) ** 2) / 0.5), 0.125)
    result = outline_anomalies(values, frame)
    (ditch,) = result.anomalies
    half = np.sqrt(0.5 * np.log(30 / (2.0 * result.scale)))
    assert len(ditch.outline.holes) == 1
    assert ditch.area == pytest.approx(np.pi * ((6 + half) ** 2 - (6 - half) ** 2), rel=0.01)
    assert not polygon(ditch).contains(Point(0, 0))
    assert ditch.length == pytest.approx(2 * (6 + half), rel=0.01)


def test_a_hole_is_filled_up_to_the_given_area_and_counts_as_inside():
    values = quiet_soil((30, 30))
    values[10:17, 10:17] = 50.0
    values[13, 12:14] = 20.0  # a hole of two cells
    frame = frame_of(values, 0.5, 0.5)
    kept = outline_anomalies(values, frame, replace(PLAIN, largest_filled_hole=0.49))
    filled = outline_anomalies(values, frame, replace(PLAIN, largest_filled_hole=0.5))
    assert [len(a.outline.holes) for a in kept.anomalies] == [1]
    assert [len(a.outline.holes) for a in filled.anomalies] == [0]
    assert (kept.anomalies[0].cells, filled.anomalies[0].cells) == (47, 49)
    assert filled.anomalies[0].mean == pytest.approx((47 * 50 + 2 * 20) / 49)


def test_a_hole_without_data_is_never_filled():
    values = quiet_soil((30, 30))
    values[10:17, 10:17] = 50.0
    values[13, 13] = np.nan
    options = replace(PLAIN, largest_filled_hole=100.0)
    (pit,) = outline_anomalies(values, frame_of(values), options).anomalies
    assert len(pit.outline.holes) == 1
    assert pit.cells == 48


def test_an_iron_spike_of_both_signs_keeps_its_two_outlines_apart():
    values = quiet_soil((30, 30))
    values[10:17, 10:17] = 50.0
    values[12:15, 12:15] = -50.0
    options = replace(PLAIN, largest_filled_hole=100.0)
    positive, negative = outline_anomalies(values, frame_of(values), options).anomalies
    if positive.polarity == "negative":
        positive, negative = negative, positive
    assert len(positive.outline.holes) == 1
    assert polygon(negative).within(Polygon(positive.outline.holes[0]))


def test_a_weak_region_is_left_out_and_a_strong_cell_brings_its_whole_region():
    values = quiet_soil((30, 30))
    values[5:8, 5:8] = 24.5  # between two and four sigmas
    values[20:23, 20:23] = 24.5
    values[21, 21] = 40.0
    result = outline_anomalies(values, frame_of(values), PLAIN)
    assert [a.cells for a in result.anomalies] == [9]
    assert result.anomalies[0].peak == 40.0
    lower = outline_anomalies(values, frame_of(values), replace(PLAIN, seed=2.0))
    assert [a.cells for a in lower.anomalies] == [9, 9]


def test_a_minimum_contrast_leaves_out_what_is_strong_only_against_quiet_soil():
    values = quiet_soil((30, 30))
    values[5:8, 5:8] = 30.0
    values[20:23, 20:23] = 5.0
    options = replace(PLAIN, minimum_contrast=12.0)
    assert len(outline_anomalies(values, frame_of(values), PLAIN).anomalies) == 2
    (kept,) = outline_anomalies(values, frame_of(values), options).anomalies
    assert kept.polarity == "negative"


def test_outlines_under_the_smallest_area_are_left_out_and_counted():
    values = quiet_soil((30, 30))
    values[5, 5] = 60.0
    values[20:24, 20:24] = 60.0
    result = outline_anomalies(values, frame_of(values), replace(PLAIN, smallest_area=5.0))
    assert [a.cells for a in result.anomalies] == [16]
    assert [a.number for a in result.anomalies] == [1]
    assert "Left out 1 outlines smaller than 5 square map units." in result.messages


def test_polarity_chooses_what_is_outlined():
    values = quiet_soil((30, 30))
    values[5:8, 5:8] = 60.0
    values[20:24, 20:24] = -60.0

    def polarities(polarity):
        options = replace(PLAIN, polarity=polarity)
        result = outline_anomalies(values, frame_of(values), options)
        return [a.polarity for a in result.anomalies], result.figures

    assert polarities("positive")[0] == ["positive"]
    assert polarities("negative")[0] == ["negative"]
    both, figures = polarities("both")
    assert both == ["negative", "positive"]
    assert (figures["positive"], figures["negative"]) == (1, 1)


def test_numbers_run_from_the_strongest_down_and_ties_from_the_north_west():
    values = quiet_soil((30, 30))
    for row, column, value in [(25, 3, 50.0), (5, 20, 50.0), (5, 3, 50.0), (15, 15, 90.0)]:
        values[row, column] = value
    result = outline_anomalies(values, frame_of(values), PLAIN)
    west, north = result.anomalies[0].peak_x - 15.5, result.anomalies[0].peak_y + 15.5
    places = [(north - a.peak_y - 0.5, a.peak_x - west - 0.5) for a in result.anomalies]
    assert [a.number for a in result.anomalies] == [1, 2, 3, 4]
    assert places == [(15, 15), (5, 3), (5, 20), (25, 3)]


def test_a_raster_turned_negative_gives_the_same_outlines_with_the_other_sign():
    rng = np.random.default_rng(8)
    values = rng.normal(size=(40, 40)).cumsum(axis=0).cumsum(axis=1)
    values[10:14, 30:] = np.nan
    options = replace(PLAIN, extent=0.5, seed=1.0)
    there = outline_anomalies(values, frame_of(values), options).anomalies
    back = outline_anomalies(-values, frame_of(values), options).anomalies
    assert len(there) == len(back) > 3
    for a, b in zip(there, back):
        assert {a.polarity, b.polarity} == {"positive", "negative"}
        assert np.array_equal(a.outline.outer, b.outline.outer)
        for name in ("number", "cells", "area", "perimeter", "length", "width", "azimuth"):
            assert getattr(a, name) == getattr(b, name)
        for name in ("peak", "background", "contrast", "robust_z", "mean", "integral"):
            assert getattr(a, name) == pytest.approx(-getattr(b, name), rel=1e-12)


def test_a_moving_background_finds_a_pit_on_ground_a_global_one_is_blind_to():
    values = quiet_soil((80, 80)) + 0.5 * np.arange(80)
    values[38:42, 8:12] += 12.0
    frame = frame_of(values, 0.5, 0.5)
    blind = outline_anomalies(values, frame, AnomalyOptions())
    options = AnomalyOptions(background="moving", window=8.0, extent=3.0, seed=5.0)
    seen = outline_anomalies(values, frame, options)
    assert not any(polygon(a).contains(Point(431_005.1, 1_199_980.1)) for a in blind.anomalies)
    assert [polygon(a).contains(Point(431_005.1, 1_199_980.1)) for a in seen.anomalies] == [True]
    (pit,) = seen.anomalies
    assert pit.contrast == pytest.approx(pit.peak - pit.background)
    assert pit.contrast == pytest.approx(12.0, abs=2.5)
    assert seen.background.shape == values.shape
    assert seen.figures["background"] == np.median(seen.background)


@settings(max_examples=150, deadline=None)
@given(
    hnp.arrays(
        np.float64, st.tuples(st.integers(4, 9), st.integers(4, 9)),
        elements=st.floats(-6, 6) | st.sampled_from([np.nan, 0.0, 1.0, -1.0, 3.0]),
    ),
    st.sampled_from([0.0, 2.0, 50.0]),
)  # fmt: skip
def test_any_raster_gives_valid_polygons_apart_from_each_other(values, hole):
    values = values.copy()
    values[:3, :3] = np.arange(9.0).reshape(3, 3)  # enough to have a scatter
    options = AnomalyOptions(
        extent=1.0, seed=1.5, polarity="positive", smallest_area=0.0, largest_filled_hole=hole
    )
    frame = frame_of(values, 0.5, 0.25)
    result = outline_anomalies(values, frame, options)
    polygons = [polygon(a) for a in result.anomalies]
    assert all(p.is_valid and p.area > 0 for p in polygons)
    assert unary_union(polygons).area == pytest.approx(sum(p.area for p in polygons))
    east, north = (c.ravel() for c in np.meshgrid(frame.centres_x, frame.centres_y))
    centres = MultiPoint(np.column_stack([east, north])).geoms
    for anomaly, shape in zip(result.anomalies, polygons):
        held = np.array([shape.contains(centre) for centre in centres])
        assert held.sum() == anomaly.cells
        assert np.isfinite(values.ravel()[held]).all()
        assert anomaly.mean == pytest.approx(values.ravel()[held].mean())
        # Values apart by less than rounding may differ from the background alike.
        assert anomaly.contrast == (values.ravel()[held] - result.background).max()
        assert anomaly.peak == pytest.approx(values.ravel()[held].max(), rel=1e-12)


def test_every_number_of_an_anomaly_is_a_plain_finite_number():
    values = quiet_soil((20, 20))
    values[5, 5] = 60.0
    (anomaly,) = outline_anomalies(values, frame_of(values), PLAIN).anomalies
    for entry in fields(anomaly):
        if entry.name not in ("polarity", "outline"):
            assert type(getattr(anomaly, entry.name)) in (int, float), entry.name
            assert np.isfinite(getattr(anomaly, entry.name)), entry.name


def test_quiet_ground_gives_no_anomalies_and_still_the_caution():
    values = quiet_soil((20, 20))
    result = outline_anomalies(values, frame_of(values))
    assert result.anomalies == ()
    assert result.messages[-1] == CAUTION
    assert "Outlined 0 positive and 0 negative anomalies." in result.messages
    assert result.warnings == ()


def test_a_mostly_constant_raster_warns_of_its_scatter():
    values = np.full((20, 20), 10.0)
    values[5:8, 5:8] = 60.0
    result = outline_anomalies(values, frame_of(values))
    assert len(result.anomalies) == 1
    assert result.warnings[0].startswith("More than half of the cells do not differ from their")


def test_anomalies_over_much_of_the_ground_are_doubted():
    values = quiet_soil((20, 20))
    values[:8] = 60.0
    result = outline_anomalies(values, frame_of(values), replace(PLAIN, extent=1.0, seed=1.0))
    assert result.warnings == (
        "Anomalies cover 40% of the cells: raise the extent threshold, or take a moving "
        "background if the ground changes across the site.",
    )


@pytest.mark.parametrize(
    ("choices", "message"),
    [
        ({"seed": 1.5}, r"^The seed threshold \(1.5\) is below the extent threshold \(2\): raise"),
        ({"extent": 0.0}, r"^The extent threshold is 0: choose a number above 0, such as 2\.$"),
        ({"extent": np.nan}, r"^The extent threshold is nan"),
        ({"smallest_area": -1.0}, r"^The smallest area is -1: choose 0 or more\.$"),
        ({"largest_filled_hole": -1.0}, r"^The largest filled hole is -1: choose 0 or more\.$"),
        ({"minimum_contrast": -1.0}, r"^The minimum contrast is -1: choose 0 or more\.$"),
        ({"background": "flat"}, r"^Background 'flat' is unknown: choose one of global, moving\.$"),
        (
            {"polarity": "up"},
            r"^Polarity 'up' is unknown: choose one of both, positive, negative\.$",
        ),
    ],
)
def test_bad_choices_are_refused(choices, message):
    with pytest.raises(ValueError, match=message):
        AnomalyOptions(**choices)


def test_bad_rasters_are_refused():
    empty = np.full((5, 5), np.nan)
    with pytest.raises(ValueError, match=r"^The raster holds no data: choose another band"):
        outline_anomalies(empty, frame_of(empty))
    few = empty.copy()
    few[0] = np.arange(5.0)
    with pytest.raises(ValueError, match=r"^Only 5 cells hold data: a background needs at least 9"):
        outline_anomalies(few, frame_of(few))
    with pytest.raises(ValueError, match=r"^All cells hold the same value"):
        outline_anomalies(np.full((5, 5), 3.1), frame_of(empty))
    with pytest.raises(ValueError, match=r"^The values have shape \(5, 5\) where the frame has 4"):
        outline_anomalies(empty, frame_of(np.zeros((4, 5))))


def test_progress_rises_to_the_end_and_stops_the_work():
    values = quiet_soil((40, 40))
    values[5:8, 5:8] = 60.0
    options = AnomalyOptions(background="moving", window=8.0)
    seen = []
    outline_anomalies(values, frame_of(values), options, lambda f: seen.append(f) or True)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0
    assert len(seen) > 8
    for stop in seen[::3]:
        with pytest.raises(Cancelled):
            outline_anomalies(values, frame_of(values), options, lambda f, s=stop: f < s)


def test_the_input_is_left_alone():
    values = quiet_soil((20, 20))
    values[5, 5], values[0, 0] = 60.0, np.nan
    before = values.copy()
    outline_anomalies(values, frame_of(values), AnomalyOptions(background="moving", window=5.0))
    assert np.array_equal(values, before, equal_nan=True)


def test_hysteresis_reaches_over_corners_but_not_over_gaps():
    values = np.array([[3.0, 0, 0, 3], [0, 3, 0, np.nan], [0, 0, 5, 3]])
    kept = hysteresis(values, 2.0, 4.0)
    assert kept.tolist() == [
        [True, False, False, False],
        [False, True, False, False],
        [False, False, True, True],
    ]


def test_a_bay_open_to_the_edge_is_no_hole():
    mask = np.ones((4, 4), dtype=bool)
    mask[0:2, 1] = False
    mask[2, 2] = False
    filled = fill_holes(mask, 10.0, np.zeros_like(mask))
    assert np.argwhere(~filled).tolist() == [[0, 1], [1, 1]]
