"""Barriers, hull and thinning: what all gridding methods share."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.gridding.barriers import Barriers
from lynchet.algorithms.gridding.frame import frame_for
from lynchet.algorithms.gridding.hull import cells_in_hull, flat
from lynchet.algorithms.gridding.places import thin_by_block

shapely = pytest.importorskip("shapely.geometry")


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.integers(1, 40), st.floats(0.2, 30.0))
def test_what_a_barrier_hides_agrees_with_shapely(seed, count, reach):
    rng = np.random.default_rng(seed)
    start = rng.uniform(0, 20, (count, 2))
    segments = np.stack([start, start + rng.normal(0, reach / 3, (count, 2))], axis=1)
    here = rng.uniform(0, 20, (200, 2))
    there = here + rng.normal(0, 2, (200, 2))
    walls = shapely.MultiLineString([segment.tolist() for segment in segments])
    expected = [shapely.LineString([a, b]).intersects(walls) for a, b in zip(here, there)]
    assert Barriers.along(segments).hide(here, there).tolist() == expected
    assert np.array_equal(Barriers(segments).hide(here, there), expected)


def test_a_sight_line_does_not_slip_through_where_two_pieces_join():
    wall = Barriers.along(np.array([[[0.0, -5.0], [0.0, 0.0]], [[0.0, 0.0], [0.0, 5.0]]]))
    assert wall.hide(np.array([[-1.0, 0.0]]), np.array([[1.0, 0.0]])).all()
    assert not wall.hide(np.array([[-1.0, 0.0]]), np.array([[0.0, 0.0]])).any()


def test_neighbours_behind_a_wall_are_told_from_those_before_it():
    wall = Barriers.along(np.array([[[1.0, -9.0], [1.0, 9.0]]]))
    xy = np.array([[0.0, 0.0], [2.0, 0.0]])
    cells = np.array([[0.5, 0.0], [1.5, 0.0], [-30.0, 0.0]])
    hidden = wall.hide_among(cells, xy, np.array([[0, 1], [0, 1], [0, 0]]))
    assert hidden.tolist() == [[False, True], [True, False], [False, False]]


def test_segments_of_no_length_are_no_barrier():
    assert Barriers.along(np.zeros((3, 2, 2))) is None


@pytest.mark.parametrize("bearing", [0, 37, 90])
def test_the_cells_in_the_hull_are_those_whose_centre_shapely_finds_in_it(bearing):
    rng = np.random.default_rng(3)
    angle = np.radians(bearing)
    xy = rng.uniform(0, 1, (60, 2)) * (12, 5)
    xy = xy @ np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    frame = frame_for(*xy.T, 0.5, margin=3)
    local = xy - (frame.west, frame.north)
    hull = shapely.MultiPoint(local).convex_hull
    found = cells_in_hull(frame, local)
    expected = [
        [hull.contains(shapely.Point(x, y)) for x in (np.arange(frame.columns) + 0.5) * 0.5]
        for y in -(np.arange(frame.rows) + 0.5) * 0.5
    ]
    np.testing.assert_array_equal(found, expected)


def test_cells_on_the_edge_of_the_hull_are_in_it():
    x, y = np.meshgrid(np.arange(5) * 0.5, np.arange(4) * 0.5)
    frame = frame_for(430000.5 + x, 5900000.5 + y, 0.5, margin=1)
    xy = np.column_stack([430000.5 + x.ravel() - frame.west, 5900000.5 + y.ravel() - frame.north])
    found = cells_in_hull(frame, xy)
    assert found[1:-1, 1:-1].all()
    assert found.sum() == 20


def test_readings_on_one_line_have_no_hull():
    xy = np.column_stack([np.arange(5.0), 2 * np.arange(5.0)]) - (0, 9)
    frame = frame_for(xy[:, 0], xy[:, 1], 1.0)
    assert flat(xy)
    assert cells_in_hull(frame, xy).all()


def test_thinning_keeps_a_plane_a_plane_and_traverses_apart():
    along = np.linspace(0, 10, 401)
    xy = np.concatenate([np.column_stack([along, 0.3 * along]), np.column_stack([along, along])])
    line = np.repeat([0, 1], 401)
    plane = 3 * xy[:, :1] - 2 * xy[:, 1:] + 7
    rows, places, values = thin_by_block(xy, plane, line, 0.5)
    assert np.all(np.diff(rows) > 0)
    assert 40 < len(rows) < 100
    np.testing.assert_allclose(values[:, 0], 3 * places[:, 0] - 2 * places[:, 1] + 7, atol=1e-12)
    way = np.hypot(*(xy[:401] - xy[0]).T)
    np.testing.assert_allclose(places[0], np.median(xy[:401][way < 0.5], axis=0))


@pytest.mark.parametrize("bearing", [0, 37, 45, 90])
def test_thinned_readings_stand_for_as_many_each_at_any_bearing(bearing):
    along = np.tile(np.arange(200) * 0.1, 3)
    line = np.repeat([0, 1, 2], 200)
    angle = np.radians(bearing)
    xy = np.column_stack([along * np.sin(angle) + line, along * np.cos(angle)])
    rows, _, _ = thin_by_block(xy, along[:, np.newaxis], line, 0.5)
    assert rows.tolist() == list(range(0, 600, 5))


def test_readings_of_no_traverse_are_thinned_by_squares():
    xy = np.random.default_rng(0).uniform(0, 3, (500, 2))
    rows, places, _ = thin_by_block(xy, xy[:, :1], np.full(500, -1), 1.0)
    assert len(rows) == 9
    assert np.unique(np.floor(places), axis=0).shape == (9, 2)
