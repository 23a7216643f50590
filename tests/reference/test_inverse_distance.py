"""Inverse distance beside barriers, against plain loops with Shapely's lines of sight."""

import math

import numpy as np
import pytest
from lynchet.algorithms.gridding.barriers import Barriers
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods import inverse_distance
from lynchet.algorithms.gridding.methods.inverse_distance import METHOD

geometry = pytest.importorskip("shapely.geometry")

WALL = [[(3.0, -1.0), (3.0, 5.0)], [(3.0, 5.0), (6.3, 5.2)]]
PEN = [[(6, 1), (7, 1)], [(7, 1), (7, 2)], [(7, 2), (6, 2)], [(6, 2), (6, 1)]]
LINES = np.array([*WALL, *PEN], dtype=float)


def task(xy, values, lines=LINES, **options):
    return Task(
        xy=xy,
        values=values,
        line=np.full(len(xy), -1),
        channels=("c1", "c2"),
        units=("", ""),
        frame=Frame(0.0, 0.0, 1.0, 1.0, 1, 1),
        wanted=np.ones((1, 1), dtype=bool),
        options=METHOD.checked(options),
        blanking_distance=0.5,
        barriers=None if lines is None else Barriers.along(lines),
    )


def in_plain_loops(xy, values, cell, along, across, bearing, neighbours):
    """The definition of the nearest readings in view, one cell."""
    east, north = math.sin(math.radians(bearing)), math.cos(math.radians(bearing))
    walls = geometry.MultiLineString([[tuple(end) for end in line] for line in LINES])
    near = []
    for (x, y), value in zip(xy, values):
        dx, dy = x - cell[0], y - cell[1]
        forth, aside = dx * east + dy * north, dx * north - dy * east
        distance = math.sqrt((forth / along) ** 2 + (aside / across) ** 2)
        if distance <= 1 and not geometry.LineString([cell, (x, y)]).intersects(walls):
            near.append((distance, value))
    near = sorted(near, key=lambda found: found[0])[:neighbours]
    if not near:
        return np.full(2, np.nan)
    weights = [distance**-2.0 for distance, _ in near]
    return sum(w * value for w, (_, value) in zip(weights, near)) / sum(weights)


@pytest.mark.parametrize("sights", [1 << 16, 50])
@pytest.mark.parametrize(
    ("along", "across", "neighbours"), [(1.2, 1.2, 12), (2.5, 0.8, 6), (9.0, 9.0, 3)]
)
def test_only_readings_in_view_count_and_the_next_in_view_take_the_place_of_the_hidden(
    along, across, neighbours, sights, monkeypatch
):
    monkeypatch.setattr(inverse_distance, "SIGHTS", sights)
    rng = np.random.default_rng(5)
    xy, values = rng.uniform(0, 8, (300, 2)), rng.normal(20, 5, (300, 2))
    cells = np.concatenate([rng.uniform(0, 8, (60, 2)), rng.uniform((2.7, 4), (3.3, 6), (20, 2))])
    cells = np.concatenate([cells, rng.uniform((6, 1), (7, 2), (10, 2))])
    options = {
        "search_along": along,
        "search_across": across,
        "bearing": 30.0,
        "neighbours": neighbours,
    }
    ours = inverse_distance.prepare(task(xy, values, **options)).evaluate(cells)
    theirs = [
        in_plain_loops(xy, values, cell, along, across, 30.0, neighbours) for cell in cells.tolist()
    ]
    np.testing.assert_allclose(ours, theirs, rtol=1e-9)
    open_ground = inverse_distance.prepare(task(xy, values, None, **options)).evaluate(cells)
    assert np.mean(np.abs(open_ground - ours) > 1e-6) > 0.1  # the barriers matter


def test_a_cell_that_sees_no_reading_has_no_value():
    xy = np.random.default_rng(6).uniform(0, 8, (400, 2))
    xy = xy[((xy < (6, 1)) | (xy > (7, 2))).any(axis=1)]
    ready = inverse_distance.prepare(task(xy, np.ones((len(xy), 2)), search_across=3.0))
    inside = ready.evaluate(np.array([[6.5, 1.5], [6.1, 1.9]]))
    outside = ready.evaluate(np.array([[5.9, 1.5], [7.1, 1.9]]))
    assert np.isnan(inside).all()
    np.testing.assert_allclose(outside, 1.0)


def test_far_barriers_change_nothing():
    rng = np.random.default_rng(7)
    xy, values, cells = (
        rng.uniform(0, 8, (300, 2)),
        rng.normal(size=(300, 2)),
        rng.uniform(0, 8, (99, 2)),
    )
    far = inverse_distance.prepare(task(xy, values, LINES + 50.0)).evaluate(cells)
    none = inverse_distance.prepare(task(xy, values, None)).evaluate(cells)
    assert far.tobytes() == none.tobytes()
