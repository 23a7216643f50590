"""Barriers, bands and choices as a user gives them."""

import numpy as np
import pytest
from host import ROOT


@pytest.fixture
def split(point_layer):
    """Two grounds, 10 and 30, that meet at a wall between two traverses."""
    x = np.repeat(np.arange(20) * 0.5, 30)
    y = np.tile(np.arange(30) * 0.25, 20)
    return point_layer(
        x=(430000.25 + x).tolist(),
        y=(5900000 + y).tolist(),
        line=np.repeat(np.arange(20), 30).tolist(),
        seq=np.tile(np.arange(30), 20).tolist(),
        ec_050=np.where(x < 5, 10.0, 30.0).tolist(),
    )


def wall(kind="LineString", crs="EPSG:25831", wkt=None):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    layer = QgsVectorLayer(f"{kind}?crs={crs}", "walls", "memory")
    if wkt:
        feature = QgsFeature()
        feature.setGeometry(QgsGeometry.fromWkt(wkt))
        layer.dataProvider().addFeatures([feature])
    return layer


WALL = "LINESTRING(430005.1 5899990, 430005.1 5900020)"


def values(path):
    from osgeo import gdal

    dataset = gdal.Open(path)  # kept: a band dies with its dataset
    band = dataset.GetRasterBand(1)
    cells = band.ReadAsArray()
    return cells[cells != band.GetNoDataValue()]


def test_what_lies_beyond_a_wall_does_not_count(run, split, tmp_path):
    asked = {"INPUT": split, "CHANNELS": ["ec_050"], "CELL_SIZE": 0.25}
    open_ = run("gridreadings", **asked, OUTPUT=str(tmp_path / "open.tif"))["OUTPUT"]
    cut = run("gridreadings", **asked, BARRIERS=wall(wkt=WALL), OUTPUT=str(tmp_path / "cut.tif"))
    assert len(np.unique(values(open_))) > 2
    assert np.unique(values(cut["OUTPUT"])).tolist() == [10.0, 30.0]


def test_barriers_in_another_system_are_brought_to_that_of_the_readings(run, split, tmp_path):
    from qgis.core import (
        QgsCoordinateReferenceSystem,
        QgsCoordinateTransform,
        QgsGeometry,
        QgsProject,
    )

    line = QgsGeometry.fromWkt(WALL)
    there = QgsCoordinateReferenceSystem("EPSG:25832")
    line.transform(
        QgsCoordinateTransform(split.crs(), there, QgsProject.instance().transformContext())
    )
    found = run(
        "gridreadings",
        INPUT=split,
        CHANNELS=["ec_050"],
        CELL_SIZE=0.25,
        BARRIERS=wall(crs="EPSG:25832", wkt=line.asWkt(6)),
        OUTPUT=str(tmp_path / "cut.tif"),
    )
    assert np.unique(values(found["OUTPUT"])).tolist() == [10.0, 30.0]


def test_the_outline_of_an_area_is_a_barrier(run, split, tmp_path):
    corners = ("430005.1 5899990", "430030 5899990", "430030 5900030", "430005.1 5900030")
    area = f"POLYGON(({', '.join((*corners, corners[0]))}))"
    found = run(
        "gridreadings",
        INPUT=split,
        CHANNELS=["ec_050"],
        CELL_SIZE=0.25,
        BARRIERS=wall("Polygon", wkt=area),
        OUTPUT=str(tmp_path / "cut.tif"),
    )
    assert np.unique(values(found["OUTPUT"])).tolist() == [10.0, 30.0]


@pytest.mark.parametrize(
    ("layer", "words"),
    [
        (lambda: wall(), "holds no line. Draw one"),
        (lambda: str(ROOT / "sample_layers" / "none.gpkg"), "Barriers"),
        (lambda: wall("Point", wkt="POINT(1 1)"), "holds no lines. Choose one of lines"),
    ],
)
def test_a_layer_that_is_no_barrier_is_refused(run, split, tmp_path, layer, words):
    from qgis.core import QgsProcessingException

    output = tmp_path / "cut.tif"
    asked = {"INPUT": split, "CHANNELS": ["ec_050"], "BARRIERS": layer(), "OUTPUT": str(output)}
    with pytest.raises(QgsProcessingException, match=words):
        run("gridreadings", **asked)
    assert not output.exists()
