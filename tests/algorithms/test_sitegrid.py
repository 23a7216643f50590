import numpy as np
import pytest
from lynchet.algorithms.intake.sitegrid import (
    Origin,
    SiteGrid,
    along_track,
    place_on_site_grid,
)
from lynchet.algorithms.readings import NO_LINE

GRIDS = {"A": Origin(1000.0, 2000.0, 30.0, 10.0), "B": Origin(0.0, 0.0, 300.0, 20.0)}


def walk(lines=4, count=20):
    line = np.repeat(np.arange(1, lines + 1), count)
    return line, np.tile(np.arange(1.0, count + 1), lines)


def place(site, line, sequence, along=None, grid=None, names=("A",)):
    grid = np.zeros(len(line), int) if grid is None else grid
    return place_on_site_grid(grid, names, line, sequence, along, site)


def test_positions_agree_with_turning_in_the_complex_plane():
    line, sequence = walk()
    site = SiteGrid(GRIDS, separation=0.5, interval=0.5)
    found = place(site, line, sequence)
    across = (line - 0.5) * 0.5
    walked = (sequence - 0.5) * 0.5
    along = np.where(line % 2 == 0, 10.0 - walked, walked)
    # East and north as a complex number; a bearing is clockwise from north.
    expected = complex(1000, 2000) + (across + 1j * along) * np.exp(-1j * np.radians(30.0))
    np.testing.assert_allclose(found.x + 1j * found.y, expected, rtol=0, atol=1e-9)
    np.testing.assert_array_equal(found.along, walked)
    assert set(found.bearing[line % 2 == 1]) == {30.0}
    assert set(found.bearing[line % 2 == 0]) == {210.0}


def test_one_way_walks_never_turn():
    line, sequence = walk()
    found = place(SiteGrid(GRIDS, 0.5, 0.5, walking="one_way"), line, sequence)
    assert set(found.bearing) == {30.0}


def test_left_is_the_mirror_of_right():
    line, sequence = walk()
    site = {"A": Origin(0.0, 0.0, 0.0, 10.0)}
    right = place(SiteGrid(site, 0.5, 0.5), line, sequence)
    left = place(SiteGrid(site, 0.5, 0.5, side="left"), line, sequence)
    np.testing.assert_allclose(left.x, -right.x)
    np.testing.assert_allclose(left.y, right.y)


@pytest.mark.parametrize("along_from", ["walk", "baseline"])
def test_a_position_column_gives_what_reading_numbers_give(along_from):
    line, sequence = walk()
    by_number = place(SiteGrid(GRIDS, 0.5, 0.5), line, sequence)
    walked = (sequence - 0.5) * 0.5
    column = np.where(line % 2 == 0, 10.0 - walked, walked) if along_from == "baseline" else walked
    found = place(SiteGrid(GRIDS, 0.5, 0.5, along_from=along_from), line, sequence, column)
    np.testing.assert_allclose(found.x, by_number.x)
    np.testing.assert_allclose(found.y, by_number.y)
    np.testing.assert_allclose(found.along, by_number.along)


def test_rows_serve_where_there_are_no_reading_numbers():
    line, sequence = walk()
    found = place(SiteGrid(GRIDS, 0.5, 0.5), line, None)
    expected = place(SiteGrid(GRIDS, 0.5, 0.5), line, sequence)
    np.testing.assert_allclose(found.x, expected.x)


def test_each_data_grid_lies_where_its_origin_says():
    line = np.array([1, 1])
    found = place(
        SiteGrid(GRIDS, 1.0, 1.0), line, np.array([1.0, 1.0]), grid=np.array([0, 1]),
        names=("A", "B"),
    )  # fmt: skip
    turn = np.exp(-1j * np.radians([30.0, 300.0]))
    expected = np.array([1000 + 2000j, 0]) + (0.5 + 0.5j) * turn
    np.testing.assert_allclose(found.x + 1j * found.y, expected)


def test_a_reading_of_no_traverse_stays_unplaced():
    line = np.array([1, NO_LINE])
    found = place(SiteGrid(GRIDS, 1.0, 1.0), line, np.array([1.0, 1.0]))
    assert np.isnan(found.x).tolist() == [False, True]
    assert np.isnan(found.bearing).tolist() == [False, True]


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"separation": 0.0}, "The traverse separation is 0: give a length above 0."),
        ({"interval": -1.0}, "The reading interval is -1: give a length above 0."),
        ({"walking": "x"}, "Walking 'x' is unknown: choose one of zigzag, one_way."),
        ({"origins": {}}, "The layout holds no data grid. Add a row for each."),
    ],
)
def test_site_grids_that_cannot_be(change, sentence):
    with pytest.raises(ValueError) as caught:  # noqa: PT011, the text is compared below
        SiteGrid(**{"origins": GRIDS, **change})
    assert str(caught.value) == sentence


def test_a_track_knows_its_length_and_direction():
    angle = np.linspace(0, np.pi / 2, 2001)
    x, y = 10 * np.sin(angle), 10 * np.cos(angle)  # clockwise from north round the origin
    found = along_track(x, y, np.zeros(2001, int), None)
    assert found.along[-1] == pytest.approx(10 * np.pi / 2, rel=1e-6)
    np.testing.assert_allclose(found.bearing[1:-1], 90 + np.degrees(angle[1:-1]), atol=1e-6)


def test_tracks_are_measured_line_by_line_and_pass_over_gaps():
    x = np.array([0.0, 0.0, np.nan, 0.0, 5.0])
    y = np.array([0.0, 1.0, np.nan, 3.0, 0.0])
    found = along_track(x, y, np.zeros(5, int), np.array([1, 1, 1, 1, 2]))
    np.testing.assert_array_equal(found.along, [0, 1, np.nan, 3, 0])
    assert found.sequence.tolist() == [1, 2, 3, 4, 1]
