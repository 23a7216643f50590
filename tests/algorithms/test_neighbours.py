import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.neighbours import (
    reading_interval,
    shown_beside,
    traverses_beside,
)
from lynchet.algorithms.correct.traverses import grids_of
from lynchet.algorithms.readings import Readings
from scipy.spatial import cKDTree

LINES, COUNT = 6, 40


def survey(turn=0.0):
    """Six traverses 0.5 apart with readings every 0.125, walked zigzag."""
    u, v = np.meshgrid(np.arange(LINES) * 0.5, np.arange(COUNT) * 0.125, indexing="ij")
    v[1::2] = v[1::2, ::-1]
    place = (u + 1j * v) * np.exp(-1j * np.radians(turn))
    return Readings.build(
        x=place.real.ravel(), y=place.imag.ravel(), values=np.zeros(LINES * COUNT),
        line=np.repeat(np.arange(LINES), COUNT),
    )  # fmt: skip


def row(line, place):
    """Row of the reading at a place along, counted in readings from the lower end."""
    return line * COUNT + (place if line % 2 == 0 else COUNT - 1 - place)


def kept(departures, asked, turn=0.0):
    readings = survey(turn)
    departure = np.zeros(len(readings))
    for (line, place), size in departures.items():
        departure[row(line, place)] = size
    candidate = np.zeros(len(readings), bool)
    candidate[row(*asked)] = True
    (lines,) = grids_of(readings)
    return shown_beside(lines, departure, candidate).tolist() == [row(*asked)]


@pytest.mark.parametrize("turn", [0.0, 37.0])
@pytest.mark.parametrize(("shift", "expected"), [(0, True), (2, True), (-2, True), (3, False)])
def test_the_same_may_lie_two_reading_intervals_further_along(shift, expected, turn):
    assert kept({(2, 20): 5.0, (3, 20 + shift): 5.0}, (2, 20), turn) is expected
    assert kept({(2, 20): 5.0, (1, 20 + shift): 5.0}, (2, 20), turn) is expected


@pytest.mark.parametrize(
    ("other", "expected"), [(2.4, False), (2.6, True), (9.9, True), (10.1, False), (-5.0, False)]
)
def test_half_to_twice_as_much_in_the_same_direction_is_comparable(other, expected):
    assert kept({(2, 20): 5.0, (3, 20): other}, (2, 20)) is expected
    assert kept({(2, 20): -5.0, (3, 20): -other}, (2, 20)) is expected


def test_the_traverse_after_the_next_does_not_tell():
    assert not kept({(2, 20): 5.0, (4, 20): 5.0}, (2, 20))


def test_a_reading_that_does_not_depart_is_shown_by_none():
    assert not kept({(3, 20): 5.0}, (2, 20))


def test_readings_with_unknown_departures_tell_nothing():
    readings = survey()
    departure = np.full(len(readings), np.nan)
    departure[row(2, 20)] = 5.0
    (lines,) = grids_of(readings)
    candidate = np.zeros(len(readings), bool)
    candidate[row(2, 20)] = candidate[row(3, 20)] = True
    assert shown_beside(lines, departure, candidate).tolist() == []


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=20, deadline=None)
def test_what_is_shown_is_what_a_search_of_every_reading_nearby_finds(seed):
    # Independent: every reading of the traverses beside within the box, by a k-d tree.
    rng = np.random.default_rng(seed)
    readings = survey()
    departure = rng.normal(0, 3, len(readings))
    candidate = rng.uniform(size=len(readings)) < 0.2
    (lines,) = grids_of(readings)
    tree = cKDTree(np.column_stack([readings.x / 0.51, readings.y / 0.251]))
    expected = []
    for at in np.flatnonzero(candidate):
        near = tree.query_ball_point(tree.data[at], 1.0, p=np.inf)
        signed = [
            departure[other] * np.sign(departure[at])
            for line in readings.line[at] + np.array([-1, 1])
            for other in [[n for n in near if readings.line[n] == line]]
            if len(other)
        ]
        most = [values.max() for values in signed]
        if any(abs(departure[at]) / 2 <= m <= abs(departure[at]) * 2 for m in most):
            expected.append(at)
    assert sorted(shown_beside(lines, departure, candidate).tolist()) == expected


def test_beside_are_the_next_places_unless_they_are_far():
    across = np.array([0.0, 0.5, 1.0, 1.0, 1.5, 2.5])
    found = [near.tolist() for near in traverses_beside(across)]
    assert found == [[1], [0, 2, 3], [1, 3, 4], [1, 2, 4], [2, 3], []]


def test_the_reading_interval_is_the_usual_one():
    (lines,) = grids_of(survey())
    assert reading_interval(lines) == pytest.approx(0.125)
