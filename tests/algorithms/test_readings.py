import numpy as np
import pytest
from lynchet.algorithms.readings import NO_LINE, Qc, Readings


def test_lines_are_told_apart_by_grid_and_number_and_sorted_by_sequence():
    readings = Readings.build(
        x=range(6), y=[0] * 6, values=range(6),
        grid=["B", "A", "A", "B", "A", "A"], line=[1, 1, 2, 1, 1, NO_LINE],
        sequence=[2, 5, 1, 1, 4, 0],
    )  # fmt: skip
    found = [(t.grid, t.line, t.rows.tolist()) for t in readings.lines]
    assert found == [("A", 1, [4, 1]), ("A", 2, [2]), ("B", 1, [3, 0])]


def test_a_reading_without_a_sequence_comes_last_in_its_line():
    readings = Readings.build(x=[0, 1, 2], y=[0] * 3, values=[0] * 3, sequence=[np.nan, 2, 1])
    assert readings.lines[0].rows.tolist() == [2, 1, 0]


def test_arrays_of_other_lengths_are_refused():
    with pytest.raises(ValueError, match="'y' has shape"):
        Readings.build(x=[0, 1], y=[0], values=[1, 2])


def test_off_scale_excluded_and_missing_values_are_not_usable():
    readings = Readings.build(
        x=[0] * 4, y=[0] * 4, values=[1, np.nan, 3, 4], qc=[0, 0, Qc.OFF_SCALE, Qc.EXCLUDED]
    )
    assert readings.usable[:, 0].tolist() == [True, False, False, False]


def test_quality_bits_are_those_of_the_conventions():
    # Stored in users' layers: they must never change.
    assert {bit.name: int(bit) for bit in Qc} == {
        "SPIKE": 1,
        "FILLED": 2,
        "OFF_SCALE": 4,
        "REPEATED_POSITION": 8,
        "DOUBTFUL_POSITION": 16,
        "EXCLUDED": 32,
    }
