"""Frames of cells: they cover the readings, and any two of one cell size overlay."""

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import frame_for


def edges(frame):
    return (
        frame.west,
        frame.west + frame.columns * frame.cell_width,
        frame.north - frame.rows * frame.cell_height,
        frame.north,
    )


@pytest.mark.parametrize("size", [0.1, 0.25, 0.3, 1.0, 7.0])
def test_every_reading_lies_in_a_cell(size):
    rng = np.random.default_rng(11)
    x, y = 431000 + rng.uniform(-40, 40, 200), 5530000 + rng.uniform(-9, 9, 200)
    west, east, south, north = edges(frame_for(x, y, size))
    assert west <= x.min()
    assert x.max() <= east
    assert south <= y.min()
    assert y.max() <= north


def test_no_empty_row_or_column_is_added_without_a_margin():
    frame = frame_for(np.array([0.9, 3.1]), np.array([6.9, 7.6]), 0.5)
    assert frame.centres_x.tolist() == [1.0, 1.5, 2.0, 2.5, 3.0]
    assert frame.centres_y.tolist() == [7.5, 7.0]


def test_a_margin_adds_its_cells_on_every_side():
    x, y = np.array([0.9, 3.1]), np.array([6.9, 7.6])
    plain, wide = frame_for(x, y, 0.5), frame_for(x, y, 0.5, margin=2)
    assert (wide.columns, wide.rows) == (plain.columns + 4, plain.rows + 4)
    assert (wide.west, wide.north) == (plain.west - 1.0, plain.north + 1.0)


@pytest.mark.parametrize("size", [0.1, 0.25, 0.3])
def test_two_frames_of_one_site_overlay_cell_on_cell(size):
    first = frame_for(np.array([431000.03, 431020.0]), np.array([5530000.0, 5530040.71]), size)
    second = frame_for(np.array([431007.77, 431060.0]), np.array([5530011.9, 5530020.0]), size)
    across = (second.west - first.west) / size
    down = (first.north - second.north) / size
    assert across == pytest.approx(round(across), abs=1e-6)
    assert down == pytest.approx(round(down), abs=1e-6)
    for centres in (first.centres_x, first.centres_y, second.centres_x, second.centres_y):
        np.testing.assert_allclose(centres / size, np.rint(centres / size), rtol=0, atol=1e-6)


def test_readings_west_and_south_of_the_origin_are_covered():
    frame = frame_for(np.array([-3.2, -0.1]), np.array([-8.0, -7.4]), 0.5)
    assert frame.centres_x.tolist() == [-3.0, -2.5, -2.0, -1.5, -1.0, -0.5, 0.0]
    assert frame.centres_y.tolist() == [-7.5, -8.0]


def test_unplaced_readings_do_not_count():
    x, y = np.array([1.0, np.nan, 900.0, 2.0]), np.array([1.0, 5.0, np.nan, 1.0])
    assert (frame_for(x, y, 1.0).columns, frame_for(x, y, 1.0).rows) == (2, 1)


def test_billions_of_cells_are_refused_with_a_cell_size_that_passes():
    x, y = np.array([0.0, 400.0]), np.array([0.0, 300.0])
    with pytest.raises(ValueError, match="Choose a cell size of") as refused:
        frame_for(x, y, 0.001)
    text = str(refused.value)
    assert "Cells of 0.001 over 400 by 300 map units make 120,000,700,001 cells" in text
    assert "more than 200,000,000" in text
    assert "Choose a cell size of 0.025 or more" in text
    frame = frame_for(x, y, 0.025)
    assert frame.cells == 16001 * 12001 <= 200_000_000


@pytest.mark.parametrize(("width", "height"), [(37.0, 911.0), (250.0, 250.0), (3000.0, 0.5)])
def test_the_cell_size_proposed_is_neat_and_passes(width, height):
    x, y = np.array([0.0, width]), np.array([0.0, height])
    with pytest.raises(ValueError, match="Choose a cell size of") as refused:
        frame_for(x, y, 0.0003, most_cells=1_000_000)
    proposed = str(refused.value).split("Choose a cell size of ")[1].split()[0]
    assert proposed.lstrip("0.") in ("1", "2", "25", "5")
    assert frame_for(x, y, float(proposed), most_cells=1_000_000).cells > 100_000


@pytest.mark.parametrize("size", [0.0, -0.5, np.nan, np.inf])
def test_a_cell_size_must_be_positive(size):
    with pytest.raises(ValueError, match="Give a size above 0"):
        frame_for(np.zeros(1), np.zeros(1), size)


def test_readings_without_any_position_are_refused():
    with pytest.raises(ValueError, match="No reading has a position"):
        frame_for(np.array([np.nan]), np.array([1.0]), 0.5)
