"""Readings land where the survey was, or the step says that they do not."""

import json

import numpy as np
import pytest
from host import ROOT

SAMPLE = ROOT / "sample_layers"
G1 = {
    "FILES": [str(SAMPLE / "quillmere_g1.csv")], "GRID_COLUMN": "grid", "LINE_COLUMN": "line",
    "SEQUENCE_COLUMN": "reading", "TIME_COLUMN": "time", "SEPARATION": 0.5, "INTERVAL": 0.125,
    "CHANNELS": "ec_050", "LAYOUT": str(SAMPLE / "quillmere_grids.csv"),
}  # fmt: skip
TRACK = {
    "FILES": [str(SAMPLE / "quillmere_track.csv")], "PLACEMENT": "geographic",
    "TIME_COLUMN": "time",
}  # fmt: skip


@pytest.fixture
def data_grids(qgis_app):
    """A layer of data grids, as a plan makes it, in the system named."""
    from qgis.core import QgsFeature, QgsGeometry, QgsPointXY, QgsVectorLayer

    def frame(x, y, bearing, length, width):
        turn = np.radians(bearing)
        ahead, right = (
            np.array([np.sin(turn), np.cos(turn)]),
            np.array([np.cos(turn), -np.sin(turn)]),
        )
        ring = [(0, 0), (length, 0), (length, width), (0, width)]
        corners = [QgsPointXY(*((x, y) + a * ahead + b * right)) for a, b in ring]
        return QgsGeometry.fromPolygonXY([corners])

    def make(crs="EPSG:25831", share=1.0):
        fields = "field=grid:string&field=x:double&field=y:double&field=bearing:double"
        layer = QgsVectorLayer(
            f"Polygon?crs={crs}&{fields}&field=length:double&field=width:double", "plan", "memory"
        )
        features = []
        for row in (SAMPLE / "quillmere_grids.csv").read_text("utf-8").splitlines()[1:]:
            grid, *numbers = row.split(",")
            feature = QgsFeature(layer.fields())
            feature.setAttributes([grid, *map(float, numbers)])
            x, y, bearing, length, width = map(float, numbers)
            feature.setGeometry(frame(x, y, bearing, length, width * share))
            features.append(feature)
        layer.dataProvider().addFeatures(features)
        return layer

    return make


def refused(run, step, out, **given):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException) as caught:
        run(step, **given, OUTPUT=str(out / "readings.gpkg"))
    assert not list(out.iterdir())
    return str(caught.value)


def said(run):
    return "\n".join(run.listener.said)


@pytest.mark.parametrize("step", ["importtable", "importdatagrids", "placebymarks"])
def test_a_layout_in_another_system_is_refused(run, point_layer, data_grids, tmp_path, step):
    (tmp_path / "out").mkdir()
    marked = point_layer(x=[0.0], y=[0.0], grid=["G1"], line=[1], seq=[1], mark=[1])
    given = {
        "importtable": G1,
        "importdatagrids": {
            "FILES": [str(SAMPLE / "data_grids" / "quillmere_g1_ec_050.txt")],
            "PATTERN": "quillmere_{grid}_{channel}",
        },
        "placebymarks": {"INPUT": marked},
    }[step]
    asked = {**given, "LAYOUT": data_grids("EPSG:25831"), "CRS": "EPSG:27700"}
    sentence = refused(run, step, tmp_path / "out", **asked)
    assert "The layout 'plan' is in EPSG:25831, and EPSG:27700 is chosen" in sentence


def test_a_layout_of_the_same_system_or_of_none_serves(run, data_grids, tmp_path):
    for number, layout in enumerate((data_grids(), G1["LAYOUT"])):
        out = str(tmp_path / f"{number}.gpkg")
        found = run("importtable", **{**G1, "LAYOUT": layout}, CRS="EPSG:25831", OUTPUT=out)
        assert json.loads(found["FIGURES"])["readings"] == 6400
    assert "No reading is of 3 data grids of the layout: G2, G3, G4." in said(run)


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"SEPARATION": 5.0}, "Traverse 6 of data grid G1 would lie 27.5 from the side of a data "
                              "grid 20 wide. Check the traverse separation"),
        ({"LINE_COLUMN": "reading", "SEQUENCE_COLUMN": "line"}, "Traverse 42 of data grid G1"),
        ({"FIRST_LINE": 3}, "Traverse 1 of data grid G1 would lie -0.75"),
    ],
)  # fmt: skip
def test_a_traverse_beyond_its_data_grid_is_refused(run, tmp_path, change, sentence):
    (tmp_path / "out").mkdir()
    given = {**G1, **change, "CRS": "EPSG:25831", "WALKING": "one_way"}
    assert sentence in refused(run, "importtable", tmp_path / "out", **given)


@pytest.mark.parametrize(("share", "outside"), [(1.0, 0), (0.5, 3200)])
def test_readings_outside_the_polygons_of_the_layout_are_counted(
    run, data_grids, tmp_path, share, outside
):
    layout = data_grids(share=share)
    out = str(tmp_path / "r.gpkg")
    run("importtable", **{**G1, "LAYOUT": layout}, CRS="EPSG:25831", OUTPUT=out)
    told = "3,200 readings lie outside the polygons of the layout 'plan'."
    assert (told in said(run)) == bool(outside)
    assert ("outside the polygons" in said(run)) == bool(outside)


@pytest.mark.parametrize("crs", ["EPSG:27700", "EPSG:2274"])
def test_readings_outside_what_a_system_is_made_for_are_told(run, tmp_path, crs):
    run("importtable", **{**G1, "LAYOUT": G1["LAYOUT"]}, CRS=crs, OUTPUT=str(tmp_path / "r.gpkg"))
    assert f"outside the area that {crs} is made for" in said(run)


def test_easting_and_northing_exchanged_are_told(run, tmp_path):
    run(
        "importtable", FILES=[str(SAMPLE / "quillmere_base.csv")], PLACEMENT="projected",
        X_COLUMN="y", Y_COLUMN="x", CRS="EPSG:25831", OUTPUT=str(tmp_path / "b.gpkg"),
    )  # fmt: skip
    assert "Check the coordinate reference system, and whether easting and northing" in said(run)


def test_readings_where_they_belong_raise_no_doubt(run, tmp_path):
    run("importtable", **G1, CRS="EPSG:25831", OUTPUT=str(tmp_path / "r.gpkg"))
    assert "is made for" not in said(run)
    assert "6,400 readings from 1 file; channels: ec_050 [mS/m]." in said(run)
    left = "Columns not brought in: ip_050 [ppt], ec_100 [mS/m], ip_100 [ppt], mark."
    assert left in said(run)


def test_how_well_degrees_come_to_the_map_is_told_and_kept(run, tmp_path):
    # The accuracy is that of the host's own database of operations.
    from qgis.core import (
        QgsCoordinateReferenceSystem,
        QgsCoordinateTransform,
        QgsProject,
        QgsVectorLayer,
    )

    crs = QgsCoordinateReferenceSystem("EPSG:27700")
    degrees = QgsCoordinateReferenceSystem("EPSG:4326")
    host = QgsCoordinateTransform(degrees, crs, QgsProject.instance().transformContext())
    accuracy = host.instantiatedCoordinateOperationDetails().accuracy
    assert accuracy > 0
    out = str(tmp_path / "t.gpkg")
    found = run(
        "importtable", **TRACK, X_COLUMN="longitude", Y_COLUMN="latitude", CRS=crs, OUTPUT=out
    )
    assert f"WGS 84 comes to EPSG:27700 to within some {accuracy:g} m" in said(run)
    figures = json.loads(found["FIGURES"])
    assert figures["accuracy of that in metres"] == accuracy
    from lynchet.plugin.history import read_history

    assert "brought to the map by" in read_history(QgsVectorLayer(out, "t", "ogr"))[-1]


def test_longitude_and_latitude_exchanged_are_told(run, tmp_path):
    run(
        "importtable", **TRACK, X_COLUMN="latitude", Y_COLUMN="longitude", CRS="EPSG:25831",
        OUTPUT=str(tmp_path / "t.gpkg"),
    )  # fmt: skip
    assert "outside the area that EPSG:25831 is made for" in said(run)
