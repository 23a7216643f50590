import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lynchet.algorithms.interpret.shape import (
    Outline,
    azimuth,
    ring_area,
    ring_length,
    smallest_rectangle,
)


def closed(*vertices):
    return np.array([*vertices, vertices[0]], dtype=float)


def rotated_rectangle(length, width, degrees, centre=(0.0, 0.0)):
    """Corners of a rectangle whose long side points `degrees` clockwise from north."""
    bearing = np.radians(degrees)
    along = np.array([np.sin(bearing), np.cos(bearing)])
    across = np.array([along[1], -along[0]])
    corners = [(-1, -1), (-1, 1), (1, 1), (1, -1)]
    return np.array([centre + 0.5 * (i * length * along + j * width * across) for i, j in corners])


def test_area_is_positive_counter_clockwise_and_negative_clockwise():
    ring = closed((0, 0), (4, 0), (4, 3))
    assert ring_area(ring) == 6.0
    assert ring_area(ring[::-1]) == -6.0


def test_area_keeps_its_digits_far_from_the_origin():
    ring = closed((0, 0), (0.25, 0), (0.25, 0.25), (0, 0.25))
    assert ring_area(ring + [500_000.0, 5_500_000.0]) == pytest.approx(0.0625, rel=1e-12)


def test_length_goes_all_the_way_round():
    assert ring_length(closed((0, 0), (4, 0), (4, 3))) == 12.0


def test_a_hole_takes_area_away_and_adds_perimeter():
    outer = closed((0, 0), (10, 0), (10, 10), (0, 10))
    hole = closed((2, 2), (2, 4), (4, 4), (4, 2))
    outline = Outline(outer, (hole,))
    assert outline.area == 96.0
    assert outline.perimeter == 48.0


@pytest.mark.parametrize(
    ("east", "north", "degrees"),
    [(0, 1, 0), (1, 1, 45), (1, 0, 90), (1, -1, 135), (0, -1, 0), (-1, -1, 45), (-1e-300, 1, 0)],
)
def test_azimuth_is_that_of_an_axis_clockwise_from_north(east, north, degrees):
    assert azimuth(east, north) == pytest.approx(degrees, abs=1e-9)
    assert 0 <= azimuth(east, north) < 180


@given(
    length=st.floats(1.1, 100.0),
    ratio=st.floats(0.01, 0.9),
    degrees=st.floats(0.0, 179.0),
    seed=st.integers(0, 1000),
)
def test_a_turned_rectangle_gives_back_its_sides_and_direction(length, ratio, degrees, seed):
    width = length * ratio
    corners = rotated_rectangle(length, width, degrees, centre=(431_000.0, 1200.0))
    weights = np.random.default_rng(seed).dirichlet(np.ones(4), size=20)
    found = smallest_rectangle(np.concatenate([weights @ corners, corners]))
    assert found.length == pytest.approx(length, rel=1e-6)
    assert found.width == pytest.approx(width, rel=1e-6)
    assert (found.azimuth - degrees + 90) % 180 - 90 == pytest.approx(0, abs=1e-4)
    assert found.elongation == pytest.approx(1 / ratio, rel=1e-6)


def test_the_rectangle_is_no_larger_than_any_turned_by_trial():
    points = np.random.default_rng(3).normal(size=(60, 2)) * [3.0, 1.0]
    found = smallest_rectangle(points)
    trials = []
    for turn in np.radians(np.arange(0.0, 90.0, 0.05)):
        cosine, sine = np.cos(turn), np.sin(turn)
        trials.append(np.prod(np.ptp(points @ [[cosine, -sine], [sine, cosine]], axis=0)))
    assert found.length * found.width <= min(trials) * (1 + 1e-12)
    assert found.length * found.width == pytest.approx(min(trials), rel=0.01)


def test_points_on_one_line_are_refused():
    with pytest.raises(ValueError, match=r"^The vertices lie on one line: a rectangle needs an"):
        smallest_rectangle(closed((0, 0), (1, 1), (2, 2)))
