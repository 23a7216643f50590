"""Gridding: what holds whatever the method, and what holds for each."""

import numpy as np
import pytest
from lynchet.algorithms.gridding import gridreadings as engine
from lynchet.algorithms.gridding import method as package
from lynchet.algorithms.gridding.blanking import cells_within
from lynchet.algorithms.gridding.frame import frame_for
from lynchet.algorithms.gridding.gridreadings import (
    GriddingOptions,
    gridreadings,
)
from lynchet.algorithms.gridding.method import Method, Option, Surface
from lynchet.algorithms.gridding.methods import method_named, methods
from lynchet.algorithms.gridding.places import median_by_place
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings

METHODS = [
    "inverse_distance",
    "natural_neighbour",
    "triangulation",
    "along_across",
    "minimum_curvature",
    "kriging",
]
EAST, NORTH = 431000.0, 5530000.0


def survey(values=None, noise=0.03, lines=14, length=40, qc=None, channels=None):
    """Traverses running north, half a metre apart, readings every quarter."""
    rng = np.random.default_rng(2)
    number = np.repeat(np.arange(lines), length)
    x = EAST + number * 0.5 + rng.normal(0, noise, number.size)
    y = NORTH + np.tile(np.arange(length) * 0.25, lines) + rng.normal(0, noise, number.size)
    if values is None:
        values = rng.normal(20, 3, number.size)
    elif callable(values):
        values = values(x - EAST, y - NORTH)
    return Readings.build(x=x, y=y, values=values, line=number, qc=qc, channels=channels)


def turned(readings, degrees):
    """The survey turned clockwise about (EAST, NORTH)."""
    angle = np.radians(degrees)
    east, north = readings.x - EAST, readings.y - NORTH
    return Readings.build(
        x=EAST + east * np.cos(angle) + north * np.sin(angle),
        y=NORTH - east * np.sin(angle) + north * np.cos(angle),
        values=readings.values,
        line=readings.line,
    )


def at(grid, band=0):
    """Eastings, northings and values of the cells with data, from (EAST, NORTH)."""
    x, y = np.meshgrid(grid.frame.centres_x - EAST, grid.frame.centres_y - NORTH)
    held = np.isfinite(grid.bands[band])
    return x[held], y[held], grid.bands[band][held]


def test_both_methods_are_found():
    assert set(METHODS) <= set(methods())
    assert all(method.id == name for name, method in methods().items())


@pytest.mark.parametrize("method", METHODS)
def test_a_constant_stays_exactly_constant(method):
    grid = gridreadings(survey(lambda x, y: np.full(x.shape, 17.3)), GriddingOptions(method))
    held = grid.bands[0][np.isfinite(grid.bands[0])]
    assert held.size > 500
    assert np.unique(held).tolist() == [np.float32(17.3)]


@pytest.mark.parametrize("method", sorted(set(METHODS) - {"minimum_curvature", "kriging"}))
def test_no_cell_leaves_the_range_of_the_readings(method):  # these two overshoot
    readings = survey()
    grid = gridreadings(readings, GriddingOptions(method, cell_size=0.1))
    assert np.nanmin(grid.bands) >= np.float32(readings.values.min())
    assert np.nanmax(grid.bands) <= np.float32(readings.values.max())


def test_triangulation_reproduces_a_plane():
    readings = survey(lambda x, y: 12 + 0.7 * x - 1.3 * y)
    x, y, value = at(gridreadings(readings, GriddingOptions("triangulation", cell_size=0.1)))
    np.testing.assert_allclose(value, 12 + 0.7 * x - 1.3 * y, rtol=0, atol=2e-6)


@pytest.mark.parametrize("method", METHODS)
def test_a_cell_at_a_reading_takes_that_reading(method):
    readings = survey(noise=0.0)
    exact = {"nugget": 0.0} if method == "kriging" else {}  # or it takes their noise off
    grid = gridreadings(readings, GriddingOptions(method, cell_size=0.25, method_options=exact))
    column = np.searchsorted(grid.frame.centres_x, readings.x - 0.01)
    row = np.searchsorted(-grid.frame.centres_y, -readings.y - 0.01)
    np.testing.assert_array_equal(
        grid.bands[0, row, column], readings.values[:, 0].astype(np.float32)
    )


@pytest.mark.parametrize(
    ("method", "options"),
    [
        ("inverse_distance", {"search_along": 1.1, "search_across": 2.3}),
        ("natural_neighbour", {}),
        ("triangulation", {}),
        ("minimum_curvature", {"tolerance": 1e-5}),
    ],
)
def test_a_survey_turned_by_a_right_angle_gives_the_raster_turned(method, options):
    chosen = GriddingOptions(method, 0.25, 0.9, method_options=options)
    plain = gridreadings(survey(), chosen)
    quarter = gridreadings(turned(survey(), 90), chosen)
    assert quarter.bands.shape[1:] == plain.bands.shape[:0:-1]
    # values at three readings a cell centre could sit on the edge between: none here
    np.testing.assert_allclose(quarter.bands[0], np.rot90(plain.bands[0], -1), rtol=1e-5)


@pytest.mark.parametrize("method", METHODS)
def test_two_runs_give_the_same_bytes_whatever_the_threads(method):
    runs = [
        gridreadings(survey(), GriddingOptions(method, workers=workers)).bands.tobytes()
        for workers in (1, 1, 2, -1)
    ]
    assert len(set(runs)) == 1


@pytest.mark.parametrize("method", METHODS)
def test_the_order_of_the_rows_does_not_matter(method):
    plain = survey(noise=0.0)  # an even layout, with many readings equally far from a cell
    order = np.random.default_rng(8).permutation(len(plain))
    shuffled = Readings.build(
        x=plain.x[order],
        y=plain.y[order],
        values=plain.values[order],
        line=plain.line[order],
        sequence=plain.sequence[order],
    )
    first, second = (gridreadings(r, GriddingOptions(method)) for r in (plain, shuffled))
    assert first.bands.tobytes() == second.bands.tobytes()


@pytest.mark.parametrize("distance", [0.05, 0.3, 0.75, 2.0])
def test_exactly_the_cells_within_the_blanking_distance_hold_data(distance):
    readings = survey(noise=0.1)
    keep = np.hypot(readings.x - EAST - 3, readings.y - NORTH - 5) > 2.5
    values = np.where(keep, readings.values[:, 0], np.nan)
    holed = Readings.build(x=readings.x, y=readings.y, values=values, line=readings.line)
    chosen = GriddingOptions(
        "inverse_distance",
        0.25,
        distance,
        beyond_hull=True,
        method_options={"search_along": 9, "search_across": 9},
    )
    grid = gridreadings(holed, chosen)
    x, y = np.meshgrid(grid.frame.centres_x, grid.frame.centres_y)
    apart = np.hypot(x[..., None] - readings.x[keep], y[..., None] - readings.y[keep]).min(axis=-1)
    np.testing.assert_array_equal(np.isfinite(grid.bands[0]), apart <= distance)


def test_far_and_wide_ground_is_searched_block_by_block_with_the_same_answer():
    rng = np.random.default_rng(6)
    x, y = rng.uniform(0, 1500, 40), rng.uniform(0, 1200, 40)
    frame = frame_for(x, y, 1.0, margin=3)
    xy = np.column_stack([x - frame.west, y - frame.north])
    east, north = np.meshgrid(frame.centres_x, frame.centres_y)
    apart = np.full(east.shape, np.inf)
    for px, py in zip(x, y):
        apart = np.minimum(apart, np.hypot(east - px, north - py))
    np.testing.assert_array_equal(cells_within(frame, xy, 90.0), apart <= 90.0)


def test_a_missing_reading_is_left_out_and_its_neighbours_serve():
    readings = survey(lambda x, y: np.column_stack([x, np.full(x.shape, 4.0)]))
    values = readings.values.copy()
    values[::5, 0] = np.nan
    grid = gridreadings(readings.with_values(values))
    assert np.isfinite(grid.bands[:, 2:-2, 2:-2]).all()
    assert np.all(grid.bands[1, 2:-2, 2:-2] == 4.0)


def test_off_scale_and_excluded_readings_do_not_count():
    qc = np.zeros(560)
    qc[100], qc[200] = Qc.OFF_SCALE, Qc.EXCLUDED
    readings = survey(qc=qc)
    values = readings.values.copy()
    values[[100, 200]] = 1e6
    assert np.nanmax(gridreadings(readings.with_values(values)).bands) < 100


def test_channels_with_other_gaps_are_gridded_as_if_alone():
    both = np.random.default_rng(4).normal(size=(560, 2))
    both[50:90, 1] = np.nan
    chosen = GriddingOptions("triangulation", 0.25, 0.4)
    together = gridreadings(survey(lambda x, y: both), chosen)
    for channel in (0, 1):
        alone = gridreadings(survey(lambda x, y, c=channel: both[:, c]), chosen)
        np.testing.assert_array_equal(together.bands[channel], alone.bands[0])
    assert np.isnan(together.bands[1]).sum() > np.isnan(together.bands[0]).sum()


def test_channels_keep_their_order_when_their_gaps_differ():
    def values(x, y):
        table = np.column_stack([np.full(x.shape, v) for v in (1.0, 2.0, 3.0)])
        table[7, 1] = np.nan
        return table

    grid = gridreadings(survey(values, channels=("a", "b", "c")))
    assert grid.channels == ("a", "b", "c")
    assert [float(np.nanmax(band)) for band in grid.bands] == [1.0, 2.0, 3.0]


def test_a_channel_without_readings_is_empty_and_said_so():
    grid = gridreadings(survey(lambda x, y: np.column_stack([x, x * np.nan])))
    assert np.isnan(grid.bands[1]).all()
    assert grid.warnings == ("Channel c2 has no usable reading: its band is empty.",)


def test_readings_at_one_position_count_once_with_their_median():
    readings = survey(lambda x, y: np.full(x.shape, 5.0))
    x = np.append(readings.x, [readings.x[30]] * 2)
    y = np.append(readings.y, [readings.y[30]] * 2)
    values = np.append(readings.values, [999.0, 5.0])
    line = np.append(readings.line, [0, 0])
    for method in METHODS:
        grid = gridreadings(
            Readings.build(x=x, y=y, values=values, line=line), GriddingOptions(method)
        )
        assert np.nanmax(grid.bands) == 5.0
        assert grid.figures["repeated_positions"] == 2
        assert any("2 reading(s) repeat the position" in text for text in grid.messages)


def test_median_by_place_agrees_with_numpy():
    rng = np.random.default_rng(1)
    xy = rng.integers(0, 6, (300, 2)) * 0.5
    values = rng.normal(size=(300, 3))
    rows, medians = median_by_place(xy, values)
    assert np.all(np.diff(rows) > 0)
    for row, median in zip(rows, medians):
        here = (xy == xy[row]).all(axis=1)
        assert row == np.flatnonzero(here)[0]
        np.testing.assert_allclose(median, np.median(values[here], axis=0), rtol=1e-12)


def test_a_single_traverse_cannot_be_triangulated():
    line = survey(lines=1, noise=0.0)
    with pytest.raises(ValueError, match=r"single line.*Choose the method 'Inverse distance'"):
        gridreadings(line, GriddingOptions("triangulation", 0.25, 0.5))


@pytest.mark.parametrize("bearing", [0.0, 37.0])
def test_collinear_positions_in_large_coordinates_cannot_be_triangulated(bearing):
    with pytest.raises(ValueError, match="single line, which cannot be triangulated"):
        gridreadings(
            turned(survey(lines=1, noise=0.0), bearing),
            GriddingOptions("triangulation", 0.25, 0.5),
        )


def test_a_single_traverse_is_gridded_by_inverse_distance():
    grid = gridreadings(survey(lines=1, noise=0.0), GriddingOptions("inverse_distance", 0.25, 0.3))
    assert grid.figures["cells_filled"] == 3 * 42 - 4  # the line, a cell around it, no corners


def test_a_single_traverse_suggests_no_cell_size():
    with pytest.raises(ValueError, match="give a cell size and a blanking distance"):
        gridreadings(survey(lines=1))


def test_one_reading_fills_a_disc():
    one = Readings.build(x=[3.0], y=[4.0], values=[8.0])
    grid = gridreadings(one, GriddingOptions("inverse_distance", 0.5, 0.5))
    assert np.nan_to_num(grid.bands[0]).tolist() == [[0, 8, 0], [8, 8, 8], [0, 8, 0]]


def test_nothing_usable_is_refused():
    with pytest.raises(ValueError, match="No reading can be gridded"):
        gridreadings(survey(lambda x, y: x * np.nan))


def test_billions_of_cells_are_refused():
    with pytest.raises(ValueError, match=r"more than 200,000,000\. Choose a cell size of"):
        gridreadings(survey(), GriddingOptions(cell_size=1e-4))


def test_an_excluded_reading_far_away_does_not_stretch_the_frame():
    qc = np.zeros(560)
    qc[0] = Qc.EXCLUDED
    readings = survey(qc=qc)
    x = readings.x.copy()
    x[0] = 0.0
    far = Readings.build(x=x, y=readings.y, values=readings.values, line=readings.line, qc=qc)
    assert gridreadings(far).frame.columns < 40


def test_long_edges_are_left_open_on_request():
    readings = survey()
    gap = np.where((readings.line == 6) | (readings.line == 7), np.nan, readings.values[:, 0])
    holed = Readings.build(x=readings.x, y=readings.y, values=gap, line=readings.line)
    closed = gridreadings(holed, GriddingOptions("triangulation", 0.25, 5.0))
    open_ = gridreadings(
        holed, GriddingOptions("triangulation", 0.25, 5.0, method_options={"longest_edge": 1.2})
    )
    column = np.argmin(np.abs(open_.frame.centres_x - EAST - 3.25))
    assert np.isfinite(closed.bands[0, 4:-4, column]).all()
    assert np.isnan(open_.bands[0, :, column]).all()
    assert np.isfinite(open_.bands[0, 4:-4, 4]).all()


@pytest.mark.parametrize("stop", [0.05, 0.5])
@pytest.mark.parametrize("method", METHODS)
def test_the_user_can_cancel(method, stop, monkeypatch):
    monkeypatch.setattr(package, "BATCH", 10)
    with pytest.raises(Cancelled):
        gridreadings(survey(), GriddingOptions(method), lambda done: done < stop or done == 1)


@pytest.mark.parametrize("method", METHODS)
def test_the_size_of_the_batches_does_not_matter(method, monkeypatch):
    whole = gridreadings(survey(), GriddingOptions(method))
    monkeypatch.setattr(package, "BATCH", 100)
    assert gridreadings(survey(), GriddingOptions(method)).bands.tobytes() == whole.bands.tobytes()


def test_a_method_may_fill_the_whole_frame_and_add_bands(monkeypatch):
    tasks = []

    def prepare(task, progress):
        tasks.append(task)
        shape = (len(task.channels) + 1, task.frame.rows, task.frame.columns)
        cells = np.full(shape, task.values[0, 0])
        cells[-1] = 7
        extras = (("spread of " + task.channels[0], "mS/m"),)
        return Surface(None, extras, cells, {"tried": 1}, ("Done.",))

    method = Method("whole", "Whole", "", (), prepare)
    monkeypatch.setattr(engine, "method_named", lambda name: method)
    readings = survey(lambda x, y: np.column_stack([0 * x + 1, np.where(x > 2, 2, np.nan)]))
    order = np.random.default_rng(9).permutation(len(readings))
    shuffled = Readings.build(
        x=readings.x[order],
        y=readings.y[order],
        values=readings.values[order],
        line=readings.line[order],
        sequence=readings.sequence[order],
    )
    grid = gridreadings(shuffled, GriddingOptions("whole"))
    assert grid.channels == ("c1", "c2", "spread of c1", "spread of c2")
    assert grid.units == ("", "", "mS/m", "mS/m")
    assert [float(np.nanmean(band)) for band in grid.bands] == [1, 2, 7, 7]
    assert grid.figures["tried"] == 1
    assert grid.messages.count("Done.") == 1
    # blanked by the readings of their own channel
    near = np.isfinite(grid.bands).sum(axis=(1, 2))
    assert near[0] == near[2] > near[1] == near[3]
    # readings come in walking order
    np.testing.assert_array_equal(tasks[0].line, readings.line)
    np.testing.assert_allclose(tasks[0].xy[:, 0] + grid.frame.west, readings.x, atol=1e-9)


def test_progress_runs_from_the_start_to_the_end():
    seen = []
    readings = survey(lambda x, y: np.column_stack([x, np.where(x > 1, y, np.nan)]))
    gridreadings(readings, progress=lambda done: seen.append(done) or True)
    assert seen == sorted(seen)
    assert (seen[0], seen[-1]) == (0.0, 1.0)


def test_the_input_is_not_changed():
    readings = survey()
    before = readings.values.copy(), readings.x.copy()
    gridreadings(readings)
    np.testing.assert_array_equal(readings.values, before[0])
    np.testing.assert_array_equal(readings.x, before[1])


def test_search_radii_that_differ_need_a_direction():
    rng = np.random.default_rng(0)
    heap = Readings.build(x=rng.uniform(0, 9, 99), y=rng.uniform(0, 9, 99), values=np.zeros(99))
    uneven = {"search_along": 2, "search_across": 1}
    with pytest.raises(ValueError, match="Give the bearing of the traverses"):
        gridreadings(heap, GriddingOptions("inverse_distance", method_options=uneven))
    turned_so = GriddingOptions("inverse_distance", method_options={**uneven, "bearing": 30})
    assert gridreadings(heap, turned_so).figures["bearing"] == pytest.approx(30)


def test_a_short_blanking_distance_warns_of_empty_stripes():
    grid = gridreadings(survey(), GriddingOptions(blanking_distance=0.2))
    assert any("empty stripes" in text for text in grid.warnings)


def test_cells_finer_than_the_readings_are_warned_of():
    grid = gridreadings(survey(), GriddingOptions(cell_size=0.05))
    assert any("detail that was not measured" in text for text in grid.warnings)


def test_cells_finer_than_the_traverses_allow_are_warned_of():
    x = np.repeat(np.arange(10) * 1.0, 80)
    readings = Readings.build(
        x=x, y=np.tile(np.arange(80) * 0.125, 10), values=x, line=np.repeat(np.arange(10), 80)
    )
    fine = gridreadings(readings, GriddingOptions(cell_size=0.2))
    assert any("finer than a quarter of the traverse separation (1)" in w for w in fine.warnings)
    assert not gridreadings(readings, GriddingOptions(cell_size=0.25)).warnings


def test_unknown_method_and_options_are_named():
    with pytest.raises(ValueError, match="no gridding method 'magic'"):
        gridreadings(survey(), GriddingOptions("magic"))
    with pytest.raises(ValueError, match="'Inverse distance' has no option 'radius'"):
        gridreadings(survey(), GriddingOptions("inverse_distance", method_options={"radius": 2}))
    with pytest.raises(ValueError, match=r"Power of the distance is 0\. Give 0\.1 or more"):
        gridreadings(survey(), GriddingOptions("inverse_distance", method_options={"power": 0}))
    with pytest.raises(ValueError, match=r"Number of readings per cell is 2\.5\. Give a whole"):
        gridreadings(
            survey(), GriddingOptions("inverse_distance", method_options={"neighbours": 2.5})
        )


def test_options_are_checked_by_kind():
    model = Option("model", "Model", "round", choices=("round", "flat"))
    assert model.checked("flat") == "flat"
    with pytest.raises(ValueError, match=r"Model is 'square'\. Choose one of: round, flat"):
        model.checked("square")
    with pytest.raises(ValueError, match=r"Length is 'long'\. Give a number"):
        Option("length", "Length", 1.0).checked("long")
    assert method_named("inverse_distance").checked({})["neighbours"] == 12


def test_a_track_without_traverse_numbers_is_measured_as_one_track():
    way = np.arange(0, 60, 0.2)
    x = np.where((way // 10) % 2 == 0, way % 10, 10 - way % 10)
    y = 3.0 * (way // 10)
    values = np.zeros(len(way))
    told = gridreadings(Readings.build(x=x, y=y, values=values, line=np.ones(len(way))))
    untold = gridreadings(Readings.build(x=x, y=y, values=values, line=np.full(len(way), NO_LINE)))
    assert told.figures["traverse_separation"] == pytest.approx(3, rel=0.01)
    assert untold.figures["traverse_separation"] == told.figures["traverse_separation"]


def test_barriers_beyond_the_readings_are_told():
    far = np.array([[[0.0, 0.0], [5.0, 5.0]]])
    near = np.array([[[EAST - 5.0, NORTH + 3.0], [EAST + 9.0, NORTH + 3.0]]])
    for barriers, missed in ((far, True), (near, False), (np.concatenate([far, near]), False)):
        grid = gridreadings(survey(), GriddingOptions("inverse_distance", barriers=barriers))
        assert any("barriers lie beyond" in text for text in grid.warnings) is missed
