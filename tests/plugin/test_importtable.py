"""Text tables to a readings layer: places by longitude and latitude, and readings placed later."""

import json
from types import SimpleNamespace

import numpy as np
import pytest
from support import attributes

TABLE = "grid,line,reading,time,ec,mark\nG1,1,1,09:00,20.5,a\nG1,1,2,09:01,,b\nG1,2,2,09:02,22,\n"
ROLES = {
    "GRID_COLUMN": "grid",
    "LINE_COLUMN": "line",
    "SEQUENCE_COLUMN": "reading",
    "TIME_COLUMN": "time",
    "KEEP_COLUMNS": "mark",
    "CRS": "EPSG:25831",
    "OUTPUT": "memory:",
}


@pytest.fixture
def table(tmp_path):
    def write(text=TABLE):
        path = tmp_path / "table.csv"
        path.write_text(text)
        return [str(path)]

    return write


def task(epsg):
    from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingContext

    class Task(dict):
        context = QgsProcessingContext()

    return Task(CRS=QgsCoordinateReferenceSystem(f"EPSG:{epsg}"))


def places(n, seed=0):
    rng = np.random.default_rng(seed)
    return rng.uniform(0, 6, n), rng.uniform(45, 60, n)


@pytest.fixture
def to_map(qgis_app, monkeypatch):
    from lynchet.plugin.intake import places

    monkeypatch.setattr(places, "BATCH", 1000)
    return lambda lon, lat, epsg=25831: places.to_map(
        np.asarray(lon), np.asarray(lat), task(epsg), lambda fraction: True
    )


@pytest.mark.parametrize("epsg", [25831, 27700, 32631, 2154])
def test_places_are_those_the_host_gives_point_by_point(to_map, epsg):
    from qgis.core import QgsCoordinateReferenceSystem, QgsCoordinateTransform

    lon, lat = places(2500)
    x, y = to_map(lon, lat, epsg)
    given = task(epsg)
    degrees = QgsCoordinateReferenceSystem("EPSG:4326")
    transform = QgsCoordinateTransform(degrees, given["CRS"], given.context.transformContext())
    single = [transform.transform(*place) for place in zip(lon.tolist(), lat.tolist())]
    assert x.tolist() == [point.x() for point in single]
    assert y.tolist() == [point.y() for point in single]


@pytest.mark.parametrize(("epsg", "east", "north"), [(32631, 0.0, 60.0), (32733, 12.0, -33.0)])
def test_places_agree_with_pyproj_to_a_millimetre(to_map, epsg, east, north):
    # pyproj: an independent binding of the PROJ library.
    pyproj = pytest.importorskip("pyproj")
    lon, lat = places(1500)
    lon, lat = lon + east, lat % 4 + north
    project = pyproj.Proj(proj="utm", zone=epsg % 100, south=epsg > 32700, ellps="WGS84")
    x, y = to_map(lon, lat, epsg)
    theirs = project(lon, lat)
    np.testing.assert_allclose(x, theirs[0], rtol=0, atol=1e-3)
    np.testing.assert_allclose(y, theirs[1], rtol=0, atol=1e-3)


def test_the_central_meridian_on_the_equator_is_where_the_zone_says(to_map):
    # UTM: false easting of 500 km, the equator at northing 0 (from memory).
    x, y = to_map([3.0], [0.0], 32631)
    assert (x[0], y[0]) == pytest.approx((500_000, 0), abs=1e-6)


def test_a_reading_without_longitude_or_latitude_has_no_place(to_map):
    lon, lat = places(5)
    expected = to_map(lon, lat)
    lon[1], lat[3] = np.nan, np.nan
    for found, whole in zip(to_map(lon, lat), expected):
        assert np.isnan(found).tolist() == [False, True, False, True, False]
        assert found[[0, 2, 4]].tolist() == whole[[0, 2, 4]].tolist()


def test_the_reading_that_has_no_place_in_the_system_is_named(to_map):
    lon, lat = places(2300)
    lon[2200], lat[2200] = 93.0, 0.0  # a quarter round the world: beyond a transverse Mercator
    with pytest.raises(ValueError, match="has no place") as caught:
        to_map(lon, lat, 27700)
    assert str(caught.value) == (
        "Reading 2201 at longitude 93, latitude 0 has no place in EPSG:27700. Choose a coordinate "
        "reference system for the site."
    )


def test_long_transforming_can_be_cancelled(qgis_app):
    from lynchet.algorithms.progress import Cancelled
    from lynchet.plugin.intake.places import to_map

    with pytest.raises(Cancelled):
        to_map(*places(5), task(25831), lambda fraction: False)


# -- tracks --------------------------------------------------------------------------------


@pytest.mark.parametrize(("epsg", "metre"), [(25831, 1.0), (2263, 3937 / 1200)])
def test_direction_and_distance_of_a_track_do_not_jitter_in_metres_or_feet(run, table, epsg, metre):
    rng = np.random.default_rng(11)
    way, jitter = np.arange(161) * 0.125, rng.normal(size=(2, 161)) * 0.03
    places = (300000 + jitter[0], 60000 + way + jitter[1])
    rows = (f"{x * metre:.9f},{y * metre:.9f},20" for x, y in zip(*places))
    layer = run(
        "importtable", FILES=table("\n".join(["x,y,ec", *rows]) + "\n"), PLACEMENT="projected",
        X_COLUMN="x", Y_COLUMN="y", CRS=f"EPSG:{epsg}", OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    along, bearing = np.array(attributes(layer, "along", "bearing")).T
    np.testing.assert_allclose(along / metre, way, atol=0.15)
    turned = (bearing + 180) % 360 - 180
    assert np.sqrt(np.mean(turned**2)) < 2.5


# -- placed later --------------------------------------------------------------------------


def test_readings_placed_later_keep_everything_but_a_position(run, table):
    found = run("importtable", FILES=table(), PLACEMENT="later", **ROLES)
    layer = found["OUTPUT"]
    assert all(not feature.hasGeometry() for feature in layer.getFeatures())
    names = ("grid", "line", "seq", "along", "bearing", "time", "qc", "ec", "mark")
    assert attributes(layer, *names) == [
        ("G1", 1, 1, None, None, 32400.0, 0, 20.5, "a"),
        ("G1", 1, 2, None, None, 32460.0, 0, None, "b"),
        ("G1", 2, 2, None, None, 32520.0, 0, 22.0, None),
    ]
    assert json.loads(found["FIGURES"])["unplaced"] == 3


def test_readings_placed_later_are_told_of_and_not_warned_of(provider, table):
    import processing
    from qgis.core import QgsProcessingFeedback

    heard = SimpleNamespace(said=[], warned=[])

    class Listener(QgsProcessingFeedback):
        def pushInfo(self, info):
            heard.said.append(info)

        def pushWarning(self, warning):
            heard.warned.append(warning)

    parameters = {"FILES": table(), "PLACEMENT": "later", **ROLES}
    processing.run("lynchet:importtable", parameters, feedback=Listener(False))
    assert "3 readings have no position yet." in heard.said
    assert not [word for word in heard.warned if "position" in word]
    text = TABLE.replace("G1,1,1", "G1,,1")
    parameters = {"FILES": table(text), "PLACEMENT": "site_grid", "ORIGIN": "0,0", **ROLES}
    processing.run("lynchet:importtable", parameters, feedback=Listener(False))
    assert "1 reading could not be placed and has no position." in heard.warned


def test_readings_placed_later_are_numbered_in_the_order_of_the_rows(run, table):
    roles = {**ROLES, "SEQUENCE_COLUMN": ""}
    text = TABLE.replace("reading,", "").replace("G1,1,1,", "G1,1,").replace("1,2,", "1,")
    layer = run("importtable", FILES=table(text.replace("2,2,", "2,")), PLACEMENT="later",
                **roles)["OUTPUT"]  # fmt: skip
    assert attributes(layer, "line", "seq") == [(1, 1), (1, 2), (2, 1)]


def test_readings_placed_later_survive_a_geopackage(run, table, tmp_path):
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "readings.gpkg")
    run("importtable", FILES=table(), PLACEMENT="later", **{**ROLES, "OUTPUT": path})
    layer = QgsVectorLayer(path, "readings", "ogr")
    assert layer.crs().authid() == "EPSG:25831"
    assert attributes(layer, "seq", "ec") == [(1, 20.5), (2, None), (2, 22.0)]


def test_features_are_the_same_whatever_the_batch(run, table, monkeypatch):
    from lynchet.plugin.intake import intake_step

    def made():
        layer = run("importtable", FILES=table(), PLACEMENT="site_grid", ORIGIN="10,20", **ROLES)
        return [
            (feature.attributes(), feature.geometry().asWkt())
            for feature in layer["OUTPUT"].getFeatures()
        ]

    whole = made()
    monkeypatch.setattr(intake_step, "BATCH", 2)
    assert made() == whole
