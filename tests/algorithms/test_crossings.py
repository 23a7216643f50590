import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.crossings import find_crossings
from lynchet.algorithms.readings import Readings


def lines_of(*walks):
    """Readings of lines given as lists of (x, y); the value is the row's number."""
    places = [place for walk in walks for place in walk]
    x, y = zip(*places)
    line = np.repeat(np.arange(len(walks)), [len(walk) for walk in walks])
    return Readings.build(x=x, y=y, values=np.arange(len(x)), line=line)


def test_ties_cross_every_traverse_once():
    traverses = [[(i * 0.5, j * 0.125) for j in range(161)] for i in range(40)]
    ties = [[(-1 + 0.11 * k, 3.03 + 7 * m) for k in range(210)] for m in range(3)]
    found = find_crossings(lines_of(*ties, *traverses), np.arange(43) < 3)
    assert len(found) == 120
    assert sorted(map(tuple, found.line.tolist())) == [
        (t, 3 + i) for t in range(3) for i in range(40)
    ]
    np.testing.assert_allclose(found.x, np.tile(np.arange(40) * 0.5, 3), atol=1e-9)
    np.testing.assert_allclose(found.y, np.repeat([3.03, 10.03, 17.03], 40), atol=1e-9)


def test_a_crossing_on_a_reading_of_both_lines_is_one_crossing():
    found = find_crossings(
        lines_of([(0, 0), (1, 0), (2, 0)], [(1, -1), (1, 0), (1, 1)]), np.array([True, False])
    )
    assert len(found) == 1
    assert found.at(np.arange(6.0)).tolist() == [[1.0, 4.0]]


@pytest.mark.parametrize("reverse", [False, True])
def test_a_line_that_ends_on_another_crosses_it(reverse):
    ending = [(1, -1), (1, 0)]
    found = find_crossings(
        lines_of([(0, 0), (2, 0)], ending[::-1] if reverse else ending), np.array([True, False])
    )
    assert len(found) == 1


def test_parallel_and_coincident_lines_do_not_cross():
    walks = [[(0, 0), (1, 0)], [(0, 1), (1, 1)], [(0.5, 0), (1.5, 0)]]
    assert len(find_crossings(lines_of(*walks), np.array([True, False, False]))) == 0


def test_a_gap_in_a_line_crosses_nothing():
    walk = [(0.1 * k, 0) for k in range(10)] + [(5 + 0.1 * k, 0) for k in range(10)]
    over = [(3, -1 + 0.1 * k) for k in range(21)]
    beside = [(0.55, -1.05 + 0.1 * k) for k in range(21)]
    found = find_crossings(lines_of(walk, over, beside), np.array([True, False, False]))
    assert found.line.tolist() == [[0, 2]]


def test_a_line_does_not_cross_itself_and_pairs_come_once():
    loop = [(0, 0), (2, 0), (2, 2), (1, 2), (1, -1)]
    other = [(0, 1), (3, 1)]
    everything = np.array([True, True])
    found = find_crossings(lines_of(loop, other), everything, everything)
    assert found.line.tolist() == [[0, 1], [0, 1]]
    assert sorted(found.x.tolist()) == [1.0, 2.0]


def test_readings_without_position_are_stepped_over():
    x, y = [0, np.nan, 2, 1, 1], [0, np.nan, 0, -1, 1]
    readings = Readings.build(x=x, y=y, values=[10, 99, 20, 1, 3], line=[1, 1, 1, 2, 2])
    found = find_crossings(readings, np.array([True, False]))
    assert found.at(readings.values[:, 0]).tolist() == [[15.0, 2.0]]


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=60, deadline=None)
def test_crossings_are_those_of_shapely(seed):
    shapely = pytest.importorskip("shapely.geometry")
    rng = np.random.default_rng(seed)
    walks = [
        (rng.uniform(0, 5, 2) + rng.normal(0, 1, (rng.integers(2, 12), 2)).cumsum(axis=0)).tolist()
        for _ in range(rng.integers(2, 7))
    ]
    readings = lines_of(*walks)
    first = np.arange(len(walks)) < len(walks) // 2
    found = find_crossings(readings, first)
    usual = np.median(
        np.concatenate([np.hypot(*np.diff(np.array(walk), axis=0).T) for walk in walks])
    )
    expected = []
    for i in np.flatnonzero(first):
        for j in np.flatnonzero(~first):
            for p, q in zip(walks[i], walks[i][1:]):
                for r, s in zip(walks[j], walks[j][1:]):
                    one, two = shapely.LineString([p, q]), shapely.LineString([r, s])
                    if max(one.length, two.length) <= 5 * usual:
                        met = one.intersection(two)
                        if not met.is_empty:
                            expected.append((i, j, met.x, met.y))
    got = sorted(zip(*found.line.T.tolist(), found.x.tolist(), found.y.tolist()))
    np.testing.assert_allclose(
        np.array(got).reshape(-1, 4), np.array(sorted(expected)).reshape(-1, 4), atol=1e-9
    )


def test_the_order_of_rows_does_not_matter():
    rng = np.random.default_rng(3)
    readings = lines_of(*[rng.normal(0, 1, (30, 2)).cumsum(axis=0).tolist() for _ in range(6)])
    first = np.arange(6) < 2
    order = rng.permutation(len(readings))
    whole = find_crossings(readings, first)
    mixed = find_crossings(readings.take(order), first)
    key = np.lexsort((whole.y, whole.x))
    other = np.lexsort((mixed.y, mixed.x))
    np.testing.assert_array_equal(whole.x[key], mixed.x[other])
    np.testing.assert_array_equal(whole.before[key], order[mixed.before[other]])
