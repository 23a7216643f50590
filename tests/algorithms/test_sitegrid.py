from dataclasses import replace

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
    found = along_track(x, y, np.zeros(2001, int), None, window=1.0)
    assert found.along[-1] == pytest.approx(10 * np.pi / 2, rel=1e-6)
    off = found.bearing - 90 - np.degrees(angle)
    inside = np.abs(10 * angle - 10 * np.pi / 4) < 10 * np.pi / 4 - 0.5
    np.testing.assert_allclose(off[inside], 0, atol=1e-6)
    # At the ends a direction is that of a quarter of the window, an arc of 0.25 / 10.
    np.testing.assert_allclose(off, 0, atol=np.degrees(0.25 / 10 / 2) + 1e-3)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0, 200.0, 359.0])
def test_a_straight_track_is_measured_exactly(bearing):
    way = np.arange(81) * 0.25
    x, y = way * np.sin(np.radians(bearing)), way * np.cos(np.radians(bearing))
    found = along_track(x, y, np.zeros(81, int), None)
    np.testing.assert_allclose(found.along, way, atol=1e-9)
    off = (found.bearing - bearing + 180) % 360 - 180
    np.testing.assert_allclose(off, 0, atol=1e-6)


def test_jitter_neither_lengthens_a_track_nor_turns_it():
    rng = np.random.default_rng(7)
    way = np.arange(401) * 0.125
    jitter = rng.normal(size=(2, 401)) * 0.03
    x, y = jitter[0], way + jitter[1]
    assert np.hypot(np.diff(x), np.diff(y)).sum() > 1.05 * way[-1]
    found = along_track(x, y, np.zeros(401, int), None)
    np.testing.assert_allclose(found.along, way, atol=0.15)
    assert (np.diff(found.along) >= 0).all()
    off = (found.bearing + 180) % 360 - 180
    assert np.sqrt(np.mean(off**2)) < 2.5


def test_standing_still_adds_nothing_to_a_track():
    rng = np.random.default_rng(8)
    y = np.concatenate([np.arange(0, 5, 0.25), np.full(60, 5.0), np.arange(5, 10.1, 0.25)])
    stood = y == 5.0
    x = np.where(stood, rng.normal(size=len(y)) * 0.05, 0.0)
    y = y + np.where(stood, rng.normal(size=len(y)) * 0.05, 0.0)
    found = along_track(x, y, np.zeros(len(y), int), None)
    assert found.along[-1] == pytest.approx(10, abs=0.2)


@pytest.mark.parametrize("n", [1, 5])
def test_a_track_that_stays_in_one_place_has_no_direction_and_no_length(n):
    found = along_track(np.full(n, 3.0), np.full(n, 4.0), np.zeros(n, int), None)
    assert found.along.tolist() == [0.0] * n
    assert np.isnan(found.bearing).all()


def test_tracks_are_measured_line_by_line_and_pass_over_gaps():
    x = np.array([0.0, 0.0, np.nan, 0.0, 5.0])
    y = np.array([0.0, 1.0, np.nan, 3.0, 0.0])
    found = along_track(x, y, np.zeros(5, int), np.array([1, 1, 1, 1, 2]))
    np.testing.assert_array_equal(found.along, [0, 1, np.nan, 3, 0])
    assert found.sequence.tolist() == [1, 2, 3, 4, 1]


@pytest.mark.parametrize("side", ["right", "left"])
def test_traverses_fit_a_data_grid_of_known_width(side):
    site = SiteGrid({"G": Origin(0.0, 0.0, width=2.0)}, separation=1.0, length=9.0, side=side)

    def placed(*lines):
        zero, one = np.zeros(len(lines), int), np.ones(len(lines))
        return place_on_site_grid(zero, ("G",), np.array(lines), one, None, site)

    # The far edge may be walked as well, half a separation beyond the last traverse.
    assert np.abs(placed(1, 2).x).tolist() == [0.5, 1.5]
    on_edge = replace(site, first_offset=0.0)
    zero = np.zeros(3, int)
    edges = place_on_site_grid(zero, ("G",), np.array([1, 2, 3]), np.ones(3), None, on_edge)
    assert np.abs(edges.x).tolist() == [0.0, 1.0, 2.0]
    with pytest.raises(ValueError, match=r"Traverse 4 of data grid G would lie 3\.5 from the side"):
        placed(1, 4)
    with pytest.raises(ValueError, match=r"Traverse -1 of data grid G would lie -1\.5"):
        placed(-1)
