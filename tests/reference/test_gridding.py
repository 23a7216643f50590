"""Gridding against the outside world: SciPy, GDAL, plain loops and published functions."""

import math

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods import inverse_distance, method_named, triangulation
from lynchet.algorithms.readings import Readings
from scipy.interpolate import griddata


def task(method, xy, values, bearing=None, **options):
    """A task for evaluating a method at any position; its frame does not matter."""
    return Task(
        xy=xy,
        values=values,
        line=np.full(len(xy), -1),
        channels=("c1",) * values.shape[1],
        units=("",) * values.shape[1],
        frame=Frame(0.0, 0.0, 1.0, 1.0, 1, 1),
        wanted=np.ones((1, 1), dtype=bool),
        options=method_named(method).checked(options),
        blanking_distance=0.5,
        bearing=bearing,
    )


def franke(x, y):
    """The test function of R. Franke (1982), Scattered data interpolation, Math. Comp. 38."""
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def test_triangulation_agrees_with_scipy():
    rng = np.random.default_rng(10)
    xy, values = rng.uniform(0, 20, (400, 2)), rng.normal(40, 9, (400, 3))
    cells = rng.uniform(-1, 21, (5000, 2))
    ours = triangulation.prepare(task("triangulation", xy, values)).evaluate(cells)
    theirs = griddata(xy, values, cells, method="linear")
    both = np.isfinite(ours) & np.isfinite(theirs)
    assert np.mean(np.isfinite(ours) == np.isfinite(theirs)) > 0.999
    assert both.mean() > 0.8
    np.testing.assert_allclose(ours[both], theirs[both], rtol=0, atol=1e-9)


def test_triangulation_of_large_map_coordinates_reproduces_a_plane():
    rng = np.random.default_rng(12)
    x, y = 431000 + rng.uniform(0, 20, 900), 5530000 + rng.uniform(0, 20, 900)
    readings = Readings.build(x=x, y=y, values=3 * (x - 431000) - 2 * (y - 5530000))
    grid = gridreadings(readings, GriddingOptions("triangulation", 0.25, 5.0))
    east, north = np.meshgrid(grid.frame.centres_x - 431000, grid.frame.centres_y - 5530000)
    held = np.isfinite(grid.bands[0])
    assert held.mean() > 0.8
    plane = (3 * east - 2 * north)[held]
    np.testing.assert_allclose(grid.bands[0][held], plane, rtol=0, atol=1e-5)


def plain_inverse_distance(xy, values, cell, along, across, bearing, power, neighbours):
    """The definition in plain loops, one cell and one channel."""
    east, north = math.sin(math.radians(bearing)), math.cos(math.radians(bearing))
    near = []
    for (x, y), value in zip(xy, values):
        dx, dy = x - cell[0], y - cell[1]
        forth, aside = dx * east + dy * north, dx * north - dy * east
        distance = math.sqrt((forth / along) ** 2 + (aside / across) ** 2)
        if distance <= 1:
            near.append((distance, value))
    near = sorted(near)[:neighbours]
    if not near:
        return math.nan
    total = sum(distance**-power for distance, _ in near)
    return sum(value * distance**-power for distance, value in near) / total


@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0])
@pytest.mark.parametrize(("power", "neighbours"), [(2.0, 12), (1.0, 300), (3.5, 4)])
def test_inverse_distance_agrees_with_its_definition(bearing, power, neighbours):
    rng = np.random.default_rng(13)
    xy, values = rng.uniform(0, 8, (200, 2)), rng.normal(20, 5, (200, 2))
    cells = rng.uniform(-1, 9, (60, 2))
    options = {
        "search_along": 1.4,
        "search_across": 0.6,
        "bearing": bearing,
        "power": power,
        "neighbours": neighbours,
    }
    ours = inverse_distance.prepare(task("inverse_distance", xy, values, **options)).evaluate(cells)
    theirs = [
        [
            plain_inverse_distance(xy, values[:, c], cell, 1.4, 0.6, bearing, power, neighbours)
            for c in range(2)
        ]
        for cell in cells
    ]
    assert 0 < np.isnan(theirs).sum() < 60
    np.testing.assert_allclose(ours, theirs, rtol=1e-10)


@pytest.mark.parametrize("turn", [37.0, 90.0, -160.0])
@pytest.mark.parametrize("method", [inverse_distance, triangulation])
def test_a_turned_survey_gives_the_same_values_at_turned_positions(method, turn):
    rng = np.random.default_rng(14)
    xy, values = rng.uniform(0, 9, (300, 2)), rng.normal(size=(300, 2))
    cells = rng.uniform(0, 9, (400, 2))
    angle = np.radians(turn)
    clockwise = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    name = method.METHOD.id
    options = {"search_along": 2.0, "search_across": 0.7} if method is inverse_distance else {}
    plain = method.prepare(task(name, xy, values, 20.0, **options)).evaluate(cells)
    turned = method.prepare(
        task(name, (xy - 4) @ clockwise + 4, values, 20.0 + turn, **options)
    ).evaluate((cells - 4) @ clockwise + 4)
    assert np.isfinite(plain).mean() > 0.8
    np.testing.assert_allclose(turned, plain, rtol=0, atol=1e-9)


@pytest.mark.parametrize("power", [0.5, 2.0])
def test_inverse_distance_is_exact_at_a_reading_but_for_rounding_noise(power):
    rng = np.random.default_rng(17)
    xy, values = rng.uniform(0, 8, (200, 2)), rng.normal(20, 5, (200, 2))
    ready = inverse_distance.prepare(task("inverse_distance", xy, values, power=power))
    np.testing.assert_array_equal(ready.evaluate(xy), values)
    np.testing.assert_array_equal(ready.evaluate(xy + 1e-10), values)


def gdal_inverse_distance(frame, x, y, value, radius):
    """The same method of GDAL's grid program, at the centres of a frame's cells."""
    gdal, ogr = pytest.importorskip("osgeo.gdal"), pytest.importorskip("osgeo.ogr")
    gdal.UseExceptions()
    points = gdal.GetDriverByName("Memory").Create("", 0, 0, 0, gdal.GDT_Unknown)
    layer = points.CreateLayer("readings")
    for place in zip(x, y, value):
        feature = ogr.Feature(layer.GetLayerDefn())
        feature.SetGeometry(ogr.CreateGeometryFromWkt("POINT Z ({!r} {!r} {!r})".format(*place)))
        layer.CreateFeature(feature)
    raster = gdal.Grid(
        "",
        points,
        format="MEM",
        outputType=gdal.GDT_Float64,
        width=frame.columns,
        height=frame.rows,
        outputBounds=[
            frame.west,
            frame.north,
            frame.west + frame.columns * frame.cell_width,
            frame.north - frame.rows * frame.cell_height,
        ],
        algorithm=f"invdistnn:power=2:smoothing=0:radius={radius}:max_points=12:nodata=-999",
    )
    return raster.ReadAsArray()


def test_inverse_distance_agrees_with_gdal():
    rng = np.random.default_rng(15)
    x, y, value = rng.uniform(0, 10, 500), rng.uniform(0, 6, 500), rng.normal(30, 4, 500)
    grid = gridreadings(
        Readings.build(x=x, y=y, values=value),
        GriddingOptions("inverse_distance", 0.25, 0.4, method_options={"search_across": 0.8}),
    )
    theirs = gdal_inverse_distance(grid.frame, x.tolist(), y.tolist(), value.tolist(), 0.8)
    held = np.isfinite(grid.bands[0])
    assert held.mean() > 0.5
    np.testing.assert_allclose(grid.bands[0][held], theirs[held], rtol=1e-5)


def franke_rms(method, count, seed=16):
    rng = np.random.default_rng(seed)
    inner = rng.uniform(0, 1, (count, 2))
    edge = np.linspace(0, 1, max(int(math.sqrt(count)), 2))
    rim = np.concatenate(
        [np.column_stack(p) for s in (0, 1) for p in ((edge, 0 * edge + s), (0 * edge + s, edge))]
    )
    x, y = np.unique(np.concatenate([inner, rim]), axis=0).T
    readings = Readings.build(x=x, y=y, values=franke(x, y))
    grid = gridreadings(readings, GriddingOptions(method, 0.01, 0.5))
    east, north = np.meshgrid(grid.frame.centres_x, grid.frame.centres_y)
    inside = (east > -1e-9) & (east < 1 + 1e-9) & (north > -1e-9) & (north < 1 + 1e-9)
    miss = grid.bands[0][inside] - franke(east, north)[inside]
    assert np.isfinite(miss).all()
    return float(np.sqrt(np.mean(miss**2)))


def test_frankes_function_is_recovered_and_better_with_more_readings():
    # triangulation errs with the square of the spacing: 16 times the readings, a sixteenth
    coarse, fine = franke_rms("triangulation", 250), franke_rms("triangulation", 4000)
    assert coarse < 0.02
    assert coarse / fine == pytest.approx(16, rel=0.5)
    assert franke_rms("inverse_distance", 250) < 0.06
    assert franke_rms("inverse_distance", 4000) < 0.015
