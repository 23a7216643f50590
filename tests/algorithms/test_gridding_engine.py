"""How the gridding engine deals out its work, and what it keeps in memory."""

import gc
import tracemalloc
import weakref

import numpy as np
import pytest
from lynchet.algorithms.gridding import gridreadings as engine
from lynchet.algorithms.gridding import method as package
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from lynchet.algorithms.gridding.method import Method, Surface, Task, fill
from lynchet.algorithms.gridding.spacing import Walk
from lynchet.algorithms.readings import NO_LINE, Readings


def survey(lines, values=None):
    line = np.repeat(np.arange(lines), 1000)
    y = np.tile(np.arange(1000) * 0.125, lines)
    if values is None:
        values = np.random.default_rng(3).normal(20, 1, (line.size, 4))
    return Readings.build(x=line * 0.5, y=y, values=values, line=line)


@pytest.mark.parametrize("batch", [1, 10, 64, 5000])
@pytest.mark.parametrize(("rows", "columns"), [(1, 90), (90, 1), (17, 23), (3, 200), (1, 1)])
def test_every_wanted_cell_is_asked_for_once_at_its_centre(rows, columns, batch, monkeypatch):
    monkeypatch.setattr(package, "BATCH", batch)
    monkeypatch.setattr(package, "JOBS", 7)
    asked = []

    def evaluate(xy):
        asked.append(len(xy))
        return xy * 1.0

    task = Task(
        xy=np.zeros((1, 2)),
        values=np.zeros((1, 2)),
        line=np.zeros(1, dtype=int),
        channels=("east", "north"),
        units=("", ""),
        frame=Frame(10.0, 20.0, 0.5, 0.25, columns, rows),
        wanted=np.random.default_rng(0).random((rows, columns)) < 0.8,
        options={},
        blanking_distance=1.0,
        lowest=np.array([10.0, 20.0]),
    )
    bands, _ = fill(Method("m", "M", "", (), lambda task, progress: Surface(evaluate)), task)
    x, y = np.meshgrid(task.frame.centres_x, task.frame.centres_y)
    np.testing.assert_array_equal(bands[0], np.where(task.wanted, x, np.nan).astype(np.float32))
    np.testing.assert_array_equal(bands[1], np.where(task.wanted, y, np.nan).astype(np.float32))
    assert sum(asked) == task.wanted.sum()
    assert max(asked, default=0) <= batch


def test_a_surface_is_let_go_of_before_the_next_is_made(monkeypatch):
    held = []

    class Heavy:
        def __call__(self, xy):
            return np.zeros((len(xy), 1))

    def prepare(task, progress):
        gc.collect()
        assert not any(old() for old in held)
        heavy = Heavy()
        held.extend([weakref.ref(heavy), weakref.ref(task)])
        return Surface(heavy, figures={"tried": len(held)})

    monkeypatch.setattr(engine, "method_named", lambda name: Method("m", "M", "", (), prepare))
    values = np.random.default_rng(3).normal(20, 1, (3000, 3))
    values[[5, 50, 500], [0, 1, 2]] = np.nan  # three sets of usable readings
    grid = gridreadings(survey(3, values), GriddingOptions("m", 0.5, 0.75))
    assert len(held) == 6
    assert grid.figures["tried"] == 2


def test_methods_get_values_less_their_lowest(monkeypatch):
    tasks = []

    def prepare(task, progress):
        tasks.append(task)
        return Surface(lambda xy: np.zeros((len(xy), 4)))

    monkeypatch.setattr(engine, "method_named", lambda name: Method("m", "M", "", (), prepare))
    readings = survey(4)
    before = readings.values.copy()
    grid = gridreadings(readings, GriddingOptions("m", 0.25, 0.75))
    lowest = readings.values.min(axis=0)
    np.testing.assert_array_equal(tasks[0].values, readings.values - lowest)
    np.testing.assert_array_equal(np.nanmax(grid.bands, axis=(1, 2)), lowest.astype(np.float32))
    np.testing.assert_array_equal(readings.values, before)


def test_the_walk_leaves_out_the_unplaced_and_puts_those_of_no_traverse_last():
    readings = Readings.build(
        x=[0, 1, 2, 3, 4, np.nan, 6, 7],
        y=[0, 0, 0, 0, 0, 0, 0, np.nan],
        values=np.zeros(8),
        line=[3, NO_LINE, 2, 3, 2, 2, NO_LINE, 1],
        sequence=[1, 0, 5, 0, 4, 3, 0, 0],
    )
    walk = Walk(readings)
    assert walk.order.tolist() == [4, 2, 3, 0, 1, 6]
    assert walk.run_of.tolist() == [0, 0, 1, 1, -1, -1]


@pytest.mark.parametrize(("cell_size", "most"), [(0.25, 125), (0.5, 150)])
def test_arrays_made_on_the_way_stay_small(cell_size, most, monkeypatch):
    # Bytes a reading of four channels. Beside them come 88 of the readings themselves and some 20
    # of search trees, which are not NumPy's: tests/benchmarks/gridding.py measures all of it.
    monkeypatch.setattr(package, "BATCH", 1000)
    readings = survey(200)
    options = GriddingOptions("inverse_distance", cell_size, 0.75)
    gridreadings(readings, options)
    del readings.__dict__["lines"]
    gc.collect()
    tracemalloc.start()
    try:
        grid = gridreadings(readings, options)
        peak = tracemalloc.get_traced_memory()[1] - grid.bands.nbytes
    finally:
        tracemalloc.stop()
    assert ("block" in grid.figures) == (cell_size == 0.5)
    assert peak < most * len(readings)
