"""The two methods on triangles: natural neighbour and triangulation."""

import numpy as np
import pytest
from lynchet.algorithms.gridding.barriers import Barriers
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from lynchet.algorithms.gridding.mesh.delaunay import mesh_of
from lynchet.algorithms.gridding.mesh.locate import Locator
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods import method_named
from lynchet.algorithms.readings import Readings
from scipy.spatial import Delaunay

METHODS = ["natural_neighbour", "triangulation"]
EAST, NORTH = 431000.0, 5530000.0


def task(method, xy, values, barriers=None, bearing=0.0, blanking=0.5, **options):
    values = np.asarray(values, dtype=float).reshape(len(xy), -1)
    return Task(
        xy=np.asarray(xy, dtype=float),
        values=values,
        line=np.full(len(xy), -1),
        channels=("c1",) * values.shape[1],
        units=("",) * values.shape[1],
        frame=Frame(0.0, 0.0, 1.0, 1.0, 1, 1),
        wanted=np.ones((1, 1), dtype=bool),
        options=method_named(method).checked(options),
        blanking_distance=blanking,
        bearing=bearing,
        barriers=barriers,
    )


def value(method, xy, values, cells, **how):
    """Values of one channel at cells."""
    surface = method_named(method).prepare(task(method, xy, values, **how), lambda done: True)
    return surface.evaluate(np.asarray(cells, dtype=float))[:, 0]


def traverses(lines=6, length=60, across=0.5, along=0.125):
    """Even traverses running north, ``(n, 2)``."""
    x, y = np.meshgrid(np.arange(lines) * across, np.arange(length) * along, indexing="ij")
    return np.column_stack([x.ravel(), y.ravel()])


def turned(xy, degrees):
    """Turned anticlockwise in map coordinates, with the rounding these bring."""
    angle = np.radians(degrees)
    turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    return (xy @ turn + (EAST, NORTH)) - (EAST, NORTH)


@pytest.mark.parametrize("bearing", [0.0, 33.0, 45.0, None])
@pytest.mark.parametrize("degrees", [0.0, 33.0, 45.0, 90.0, -12.3])
@pytest.mark.parametrize("method", METHODS)
def test_along_the_outermost_traverse_only_readings_close_by_count(method, degrees, bearing):
    # rounding makes long triangles of no height along it, which must not serve
    xy = turned(traverses(), degrees)
    values = (np.arange(360) % 60) ** 2.0  # by the number along the traverse
    number = np.arange(0.25, 59, 0.5)
    cells = turned(np.column_stack([0 * number, number * 0.125]), degrees)
    expected = np.interp(number, np.arange(60), np.arange(60) ** 2.0)
    np.testing.assert_allclose(
        value(method, xy, values, cells, bearing=bearing), expected, rtol=0, atol=1e-3
    )


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("degrees", [0.0, 33.0])
def test_no_cell_inside_the_outline_is_left_empty_and_none_outside_is_filled(method, degrees):
    xy = turned(traverses(), degrees)
    rng = np.random.default_rng(3)
    east, north = rng.uniform(-0.5, 3, 4000), rng.uniform(-0.5, 7.9, 4000)
    filled = np.isfinite(
        value(method, xy, xy[:, 0], turned(np.column_stack([east, north]), degrees))
    )
    inside = (east >= 0) & (east <= 2.5) & (north >= 0) & (north <= 59 * 0.125)
    np.testing.assert_array_equal(filled, inside)


def test_cells_are_found_as_by_scipy():
    rng = np.random.default_rng(4)
    xy, cells = rng.uniform(0, 20, (3000, 2)), rng.uniform(-1, 21, (20000, 2))
    mesh = mesh_of(task("triangulation", xy, xy[:, 0]))
    found = Locator(mesh).find(cells)[0]
    scipys = Delaunay(xy)
    theirs = scipys.find_simplex(cells)
    inside = theirs >= 0
    np.testing.assert_array_equal(found >= 0, inside)
    np.testing.assert_array_equal(
        np.sort(mesh.corners[found[inside]]), np.sort(scipys.simplices[theirs[inside]])
    )


@pytest.mark.parametrize("noise", [0.0, 0.02])
def test_a_walk_from_the_far_end_ends_in_the_same_triangle(noise):
    rng = np.random.default_rng(5)
    xy = traverses() + rng.normal(0, noise, (360, 2)) if noise else turned(traverses(), 33.0)
    mesh = mesh_of(task("triangulation", xy, xy[:, 0]))
    locator = Locator(mesh)
    cells = xy[rng.integers(0, 360, 500)] * 0.97 + 0.03 * xy.mean(axis=0) + (1e-4, 2e-4)
    near = locator.find(cells)[0]
    locator._around[:] = locator._around[0]
    np.testing.assert_array_equal(locator.find(cells)[0], near)
    assert (near >= 0).mean() > 0.9


@pytest.mark.parametrize("method", METHODS)
def test_the_surface_has_no_steps(method):
    rng = np.random.default_rng(6)
    xy = np.concatenate([traverses(), [[1.3, 2.2], [1.3, 2.200002]]])
    values = rng.uniform(0, 1, len(xy))
    # through readings, along and across edges, over the circles of even layouts, to the outline
    ends = np.array([[0, 0, 2.5, 7.375], [0, 3, 2.5, 3], [0.5, 0, 0.5, 7], [1.3, 2, 1.3, 2.4]])
    for x0, y0, x1, y1 in ends:
        share = np.linspace(0, 1, 40001)[:, np.newaxis]
        path = value(method, xy, values, (1 - share) * (x0, y0) + share * (x1, y1))
        step = np.hypot(x1 - x0, y1 - y0) / 40000
        assert np.isfinite(path).all()
        # steeper than 20 in a metre only between the two readings that nearly share a place
        steep = np.abs(np.diff(path)) > 40 * step
        assert steep.sum() <= (4 if x0 == 1.3 else 0)


def test_natural_neighbour_of_an_even_layout_does_not_depend_on_its_diagonals():
    rng = np.random.default_rng(7)
    square = np.stack(np.meshgrid(np.arange(9.0), np.arange(9.0)), axis=-1).reshape(-1, 2)
    values = rng.normal(size=81)
    cells = rng.uniform(0, 8, (500, 2))
    plain = value("natural_neighbour", square, values, cells)
    other = value(
        "natural_neighbour", square * (-1, 1), values, cells * (-1, 1)
    )  # diagonals the other way
    np.testing.assert_allclose(other, plain, rtol=0, atol=1e-9)
    triangles = [value("triangulation", square * (s, 1), values, cells * (s, 1)) for s in (1, -1)]
    assert np.abs(triangles[0] - triangles[1]).max() > 0.1


def test_natural_neighbour_is_smoother_than_triangulation_between_readings():
    xy = traverses()
    values = np.random.default_rng(8).normal(size=len(xy))
    x = np.linspace(0.6, 1.9, 4001)
    kinks = [
        np.abs(np.diff(value(m, xy, values, np.column_stack([x, 0 * x + 3.3])), 2)).max()
        for m in METHODS
    ]
    assert kinks[0] < 0.1 * kinks[1]


@pytest.mark.parametrize("method", METHODS)
def test_cells_of_triangles_with_a_long_edge_stay_empty(method):
    xy = traverses()
    holed = xy[(xy[:, 0] != 1.0) & (xy[:, 0] != 1.5)]
    cells = [[1.25, 3.0], [0.7, 3.01], [0.3, 3.01], [2.25, 3.0], [0.5, 3.0]]
    filled = np.isfinite(value(method, holed, holed[:, 0], cells, longest_edge=0.6))
    assert filled.tolist() == [False, False, True, True, True]
    assert np.isfinite(value(method, holed, holed[:, 0], cells)).all()


WALL = np.array([[[1.2, -1.0], [1.2, 9.0]]])


@pytest.mark.parametrize("method", METHODS)
def test_nothing_is_carried_over_a_barrier(method):
    xy = traverses()
    east = xy[:, 0] > 1.2
    rng = np.random.default_rng(9)
    cells = rng.uniform((0, 0), (2.5, 7.3), (3000, 2))
    found = value(method, xy, np.where(east, 100.0, 5.0), cells, barriers=Barriers.along(WALL))
    np.testing.assert_allclose(found, np.where(cells[:, 0] > 1.2, 100.0, 5.0), rtol=1e-12)
    far = np.abs(cells[:, 0] - 1.2) > 1.5  # where no neighbour is behind it, it changes nothing
    values = rng.normal(size=len(xy))
    np.testing.assert_array_equal(
        value(method, xy, values, cells[far], barriers=Barriers.along(WALL)),
        value(method, xy, values, cells[far]),
    )


@pytest.mark.parametrize("method", METHODS)
def test_the_shares_of_hidden_readings_go_to_the_others_in_proportion(method):
    xy = traverses()
    cell = np.array([[1.05, 3.3]])
    shares = np.array([value(method, xy, row, cell)[0] for row in np.eye(len(xy))])
    seen = xy[:, 0] < 1.2
    assert 0.5 < shares[seen].sum() < 0.99
    values = np.random.default_rng(10).normal(size=len(xy))
    found = value(method, xy, values, cell, barriers=Barriers.along(WALL))
    np.testing.assert_allclose(found, shares[seen] @ values[seen] / shares[seen].sum(), rtol=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_where_all_neighbours_are_hidden_the_nearest_reading_in_sight_serves(method):
    corners = np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 4.0], [0.0, 4.0], [2.0, 6.0]])
    box = np.array([[1.0, 1.0], [3.0, 1.0], [3.0, 3.0], [1.0, 3.0]])
    closed = np.stack([box, np.roll(box, -1, axis=0)], axis=1)
    values = [1.0, 2.0, 3.0, 4.0, 9.0]
    cells = [[2.1, 2.4], [0.5, 1.8]]
    shut = value(method, corners, values, cells, barriers=Barriers.along(closed), blanking=9.0)
    assert np.isnan(shut).tolist() == [True, False]
    # a gap in the northern side, through which only the fifth reading shows
    gap = np.concatenate(
        [closed[[0, 1, 3]], [[[3.0, 3.0], [2.15, 3.0]], [[1.95, 3.0], [1.0, 3.0]]]]
    )
    open_ = value(method, corners, values, cells, barriers=Barriers.along(gap), blanking=9.0)
    assert open_[0] == 9.0
    near = value(method, corners, values, cells, barriers=Barriers.along(gap), blanking=3.0)
    # natural neighbours may lie that far
    assert bool(np.isnan(near[0])) == (method == "triangulation")


@pytest.mark.parametrize("method", METHODS)
def test_a_survey_of_two_traverses_is_gridded(method):
    x, y = traverses(lines=2, length=200).T
    readings = Readings.build(x=EAST + x, y=NORTH + y, values=3 * x - y, line=(x > 0).astype(int))
    grid = gridreadings(readings, GriddingOptions(method, 0.125, 0.5))
    east, north = np.meshgrid(grid.frame.centres_x - EAST, grid.frame.centres_y - NORTH)
    held = np.isfinite(grid.bands[0])
    assert held.sum() == 5 * 200
    np.testing.assert_allclose(grid.bands[0][held], (3 * east - north)[held], atol=1e-5)


@pytest.mark.parametrize("method", METHODS)
def test_a_bend_of_a_millimetre_makes_a_surface(method):
    y = np.arange(100) * 0.125
    xy = np.column_stack([np.where(y > 6, 0.001, 0.0) * (y - 6), y])
    cells = [[0.0005, 6.05], [0.2, 6.0]]
    found = value(method, xy, y, cells)
    assert found[0] == pytest.approx(6.05, abs=0.02)
    assert np.isnan(found[1])
