import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.interpret.outline import CLEARANCE, outline_regions
from lynchet.algorithms.interpret.shape import ring_area
from scipy import ndimage
from shapely.geometry import MultiPoint, Polygon
from shapely.ops import unary_union


def frame_of(shape, width=1.0, height=1.0, west=0.0, north=0.0):
    return Frame(west, north, width, height, shape[1], shape[0])


def outlines_above(values, level, frame=None):
    """Regions of `values` above a level, their outlines, and the polygons as Shapely has them."""
    values = np.asarray(values, dtype=float)
    labels, _ = ndimage.label(values > level, structure=np.ones((3, 3)))
    outlines = outline_regions(labels, values, level, frame or frame_of(values.shape))
    return labels, outlines, [Polygon(o.outer, o.holes) for o in outlines]


def bump(frame, value_at, centre=(0.0, 0.0)):
    east, north = np.meshgrid(frame.centres_x - centre[0], frame.centres_y - centre[1])
    return value_at(east, north)


def around_origin(half, cell):
    n = round(2 * half / cell)
    return Frame(-half, half, cell, cell, n, n)


def test_one_cell_becomes_a_diamond_between_the_centres():
    _, (outline,), _ = outlines_above([[0, 0, 0], [0, 4, 0], [0, 0, 0]], 1.0)
    # Centre at (1.5, -1.5); 4 falls to 1 three quarters of the way to its neighbours.
    corners = {(0.75, -1.5), (1.5, -0.75), (2.25, -1.5), (1.5, -2.25)}
    assert {tuple(vertex) for vertex in outline.outer} == corners
    assert outline.area == pytest.approx(2 * 0.75**2)


def test_rings_are_closed_outer_counter_clockwise_holes_clockwise():
    values = np.pad(np.ones((3, 3)), 1)
    values[2, 2] = 0.0
    _, (outline,), _ = outlines_above(values, 0.5)
    assert len(outline.holes) == 1
    assert all((ring[0] == ring[-1]).all() for ring in outline.rings)
    assert ring_area(outline.outer) > 0 > ring_area(outline.holes[0])


def test_the_outline_stops_at_the_edge_of_the_raster():
    _, (outline,), _ = outlines_above(np.ones((4, 6)), 0.5)
    assert outline.outer.min(axis=0).tolist() == [0.0, -4.0]
    assert outline.outer.max(axis=0).tolist() == [6.0, 0.0]
    # Half a cell out all round: the raster's area less its four cut corners.
    assert outline.area == pytest.approx(24.0 - 4 * 0.5**3)


def test_the_outline_stops_half_a_cell_short_of_the_next_empty_cell():
    values = np.full((5, 5), np.nan)
    values[2, 1:4] = 9.0
    _, (outline,), _ = outlines_above(values, 1.0)
    assert outline.outer.min(axis=0).tolist() == [1.0, -3.0]
    assert outline.outer.max(axis=0).tolist() == [4.0, -2.0]


def test_cells_touching_at_a_corner_share_one_simple_outline():
    for values in (np.diag([0.0, 1, 1, 0]), np.diag([0.0, 1, 1, 0])[::-1]):
        labels, outlines, polygons = outlines_above(values, 0.5)
        assert labels.max() == len(outlines) == 1
        assert polygons[0].is_valid
        assert not polygons[0].interiors
        assert polygons[0].area == pytest.approx(1.5)  # two diamonds of 1/2 and the neck, 1/2


def test_a_ring_closed_only_over_corners_keeps_its_inside():
    values = np.zeros((5, 5))
    values[[1, 2, 3, 2], [2, 3, 2, 1]] = 1.0
    _, outlines, polygons = outlines_above(values, 0.5)
    assert len(outlines) == 1
    assert polygons[0].is_valid
    assert len(polygons[0].interiors) == 1


def test_an_anomaly_inside_a_ring_has_an_outline_of_its_own():
    values = np.zeros((9, 9))
    values[1:8, 1:8] = 1.0
    values[2:7, 2:7] = 0.0
    values[4, 4] = 1.0
    labels, outlines, polygons = outlines_above(values, 0.5)
    assert [len(outline.holes) for outline in outlines] == [1, 0]
    assert polygons[1].within(Polygon(polygons[0].interiors[0]))
    assert labels[4, 4] == 2


def test_a_value_on_the_level_leaves_its_ring_room():
    # The middle cell sits a hair above the level: unclamped, its four crossings would coincide.
    values = np.array([[5.0, 0, 5], [0, 1 + 1e-15, 0], [5, 0, 5]])
    _, (_,), (polygon,) = outlines_above(values, 1.0)
    assert polygon.is_valid
    assert polygon.exterior.distance(MultiPoint([(1.5, -1.5)])) >= CLEARANCE / 2


def test_cells_need_not_be_square_nor_at_the_origin():
    values = [[0, 0, 0], [0, 4, 0], [0, 0, 0]]
    frame = frame_of((3, 3), width=2.0, height=0.5, west=1000.0, north=500.0)
    _, (outline,), _ = outlines_above(values, 1.0, frame)
    corners = {(1001.5, 499.25), (1003.0, 499.625), (1004.5, 499.25), (1003.0, 498.875)}
    assert {tuple(vertex) for vertex in outline.outer} == corners


def test_a_gaussian_bump_is_outlined_by_a_circle_ever_closer_with_smaller_cells():
    # exp(-r^2 / 2) = 1/2 at r^2 = 2 ln 2.
    area = np.pi * 2 * np.log(2)
    errors = []
    for cell in (0.4, 0.2, 0.1, 0.05):
        frame = around_origin(4.0, cell)
        values = bump(frame, lambda x, y: np.exp(-(x**2 + y**2) / 2), centre=(0.03, -0.06))
        _, (outline,), _ = outlines_above(values, 0.5, frame)
        errors.append(abs(outline.area / area - 1))
    assert errors[0] < 0.04
    # Linear interpolation errs with the square of the cell: a quarter at each halving.
    assert all(later < 0.35 * sooner for sooner, later in zip(errors, errors[1:]))


def test_a_ring_ditch_has_the_area_between_its_two_circles():
    # exp(-(r - 6)^2 / 2) = 1/2 at r = 6 -+ sqrt(2 ln 2).
    frame = around_origin(10.0, 0.1)
    values = bump(frame, lambda x, y: np.exp(-((np.hypot(x, y) - 6.0) ** 2) / 2))
    _, (outline,), _ = outlines_above(values, 0.5, frame)
    half = np.sqrt(2 * np.log(2))
    assert len(outline.holes) == 1
    assert outline.area == pytest.approx(np.pi * ((6 + half) ** 2 - (6 - half) ** 2), rel=1e-3)
    assert outline.perimeter == pytest.approx(2 * np.pi * 12, rel=1e-3)


fields = hnp.arrays(
    np.float64,
    hnp.array_shapes(min_dims=2, max_dims=2, min_side=1, max_side=9),
    elements=st.sampled_from([0.0, 1.0, 1.0 + 1e-12, 1.5, 2.0, 1e9, -1e9, np.nan]),
)


@settings(max_examples=300, deadline=None)
@given(fields, st.sampled_from([(1.0, 1.0), (0.25, 2.0)]))
def test_every_outline_is_valid_apart_and_holds_just_its_own_cells(values, cell):
    frame = frame_of(values.shape, *cell, west=431_000.0, north=1_200_000.0)
    labels, outlines, polygons = outlines_above(values, 1.0, frame)
    assert len(outlines) == labels.max(initial=0)
    assert all(polygon.is_valid and polygon.area > 0 for polygon in polygons)
    assert all(o.area == pytest.approx(p.area, rel=1e-3) for o, p in zip(outlines, polygons))
    assert all(ring_area(o.outer) > 0 for o in outlines)
    assert all(ring_area(hole) < 0 for o in outlines for hole in o.holes)
    whole = unary_union(polygons)
    assert whole.area == pytest.approx(sum(polygon.area for polygon in polygons))
    east, north = (c.ravel() for c in np.meshgrid(frame.centres_x, frame.centres_y))
    centres = MultiPoint(np.column_stack([east, north])).geoms
    for region, polygon in enumerate(polygons, start=1):
        held = [polygon.contains(centre) for centre in centres]
        assert held == (labels.ravel() == region).tolist()


@settings(max_examples=50, deadline=None)
@given(
    hnp.arrays(
        np.float64, (7, 6), elements=st.sampled_from([0.0, 2.0, 0.5, 3.0]), fill=st.nothing()
    )
)
def test_turning_the_raster_upside_down_turns_the_outlines_with_it(values):
    _, _, polygons = outlines_above(values, 1.0)
    _, _, turned = outlines_above(values[::-1, ::-1], 1.0)
    assert sorted(p.area for p in turned) == pytest.approx(sorted(p.area for p in polygons))
    assert sorted(p.length for p in turned) == pytest.approx(sorted(p.length for p in polygons))


def test_nothing_above_the_level_gives_no_outline():
    assert outlines_above(np.zeros((3, 3)), 1.0)[1] == []
