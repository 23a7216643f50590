import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.traverses import axis_of, grids_of
from lynchet.algorithms.readings import NO_LINE, Readings


def zigzag(turn=0.0, lines=6, count=11, origin=430000 + 5900000j, grid=None):
    """Traverses 0.5 apart, every second one walked back, turned clockwise by `turn` degrees."""
    along = np.tile(np.arange(count) * 0.25, (lines, 1))
    along[1::2] = along[1::2, ::-1]
    across = np.repeat(np.arange(lines) * 0.5, count)
    place = (across + 1j * along.ravel()) * np.exp(-1j * np.radians(turn)) + origin
    return Readings.build(
        x=place.real,
        y=place.imag,
        values=np.zeros(lines * count),
        line=np.repeat(np.arange(1, lines + 1), count),
        grid=None if grid is None else [grid] * (lines * count),
    )


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=40)
def test_the_axis_is_the_first_eigenvector_of_the_chords(seed):
    # The axial mean weighted by length maximises the sum of (axis . chord)^2 / length.
    rng = np.random.default_rng(seed)
    way = rng.choice([-1, 1], 9) * rng.uniform(5, 40, 9)
    angle = rng.uniform(0, np.pi) + rng.normal(0, 0.1, 9)
    chords = np.column_stack([way * np.cos(angle), way * np.sin(angle)])
    length = np.hypot(*chords.T)
    _, vectors = np.linalg.eigh(chords.T @ (chords / length[:, None]))
    axis = axis_of(chords)
    assert np.hypot(*axis) == pytest.approx(1, rel=1e-12)
    assert abs(axis @ vectors[:, 1]) == pytest.approx(1, rel=1e-9)
    assert axis @ chords[0] > 0


def test_traverses_without_extent_do_not_upset_the_axis():
    chords = np.array([[0.0, 0.0], [0.0, 8.0], [0.0, -8.0]])
    np.testing.assert_allclose(np.abs(axis_of(chords)), [0, 1], atol=1e-12)
    assert np.isfinite(axis_of(np.zeros((2, 2)))).all()


@pytest.mark.parametrize("turn", [0.0, 37.0, 90.0, 145.0, 270.0])
def test_a_turned_data_grid_lies_alike(turn):
    (lines,) = grids_of(zigzag(turn))
    assert [t.line for t in lines.traverses] == [1, 2, 3, 4, 5, 6]
    np.testing.assert_allclose(np.diff(lines.across), 0.5, atol=1e-6)
    assert lines.backward.tolist() == [False, True] * 3
    forward = np.arange(11) * 0.25
    for number, along in enumerate(lines.along):
        expected = forward[::-1] if number % 2 else forward
        np.testing.assert_allclose(along, expected, atol=1e-6)


def test_positions_across_are_medians_and_do_not_mind_one_wild_position():
    readings = zigzag(origin=0)
    x = readings.x.copy()
    x[5] += 40
    moved = Readings.build(x=x, y=readings.y, values=readings.values, line=readings.line)
    np.testing.assert_allclose(grids_of(moved)[0].across, np.arange(6) * 0.5, atol=1e-9)


def test_each_data_grid_has_an_axis_of_its_own():
    one, other = zigzag(0.0, grid="G1"), zigzag(60.0, lines=4, grid="G2")
    both = Readings.build(
        x=np.concatenate([one.x, other.x]),
        y=np.concatenate([one.y, other.y]),
        values=np.zeros(len(one) + len(other)),
        line=np.concatenate([one.line, other.line]),
        grid=["G1"] * len(one) + ["G2"] * len(other),
    )
    found = grids_of(both)
    assert [lines.grid for lines in found] == ["G1", "G2"]
    assert [len(lines.traverses) for lines in found] == [6, 4]
    for lines in found:
        np.testing.assert_allclose(np.diff(lines.across), 0.5, atol=1e-6)


def test_traverses_with_fewer_than_two_positions_and_readings_of_none_are_left_out():
    readings = Readings.build(
        x=[0, 0, 1, np.nan, 2, 2, 9],
        y=[0, 9, 0, 9, 9, 0, 9],
        values=np.zeros(7),
        line=[1, 1, 2, 2, 3, 3, NO_LINE],
    )
    (lines,) = grids_of(readings)
    assert [t.line for t in lines.traverses] == [1, 3]
    assert np.concatenate([t.rows for t in lines.traverses]).tolist() == [0, 1, 4, 5]
    nowhere = Readings.build(x=[np.nan] * 2, y=[0, 1], values=[0, 0])
    assert grids_of(nowhere) == ()


def test_rows_in_another_order_lie_alike():
    readings = zigzag(37.0)
    sequence = np.tile(np.arange(11), 6)
    order = np.random.default_rng(0).permutation(len(readings))
    shuffled = Readings.build(
        x=readings.x[order], y=readings.y[order], values=readings.values[order],
        line=readings.line[order], sequence=sequence[order],
    )  # fmt: skip
    (plain,), (found,) = grids_of(readings), grids_of(shuffled)
    np.testing.assert_array_equal(found.across, plain.across)
    for ours, theirs in zip(found.traverses, plain.traverses):
        np.testing.assert_array_equal(order[ours.rows], theirs.rows)
