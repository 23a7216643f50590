"""A map position that names the coordinate reference system it was picked in."""

import pytest
from support import attributes

TABLE = "line,reading,ec\n1,1,5.0\n1,2,6.0\n"
ROLES = {"LINE_COLUMN": "line", "SEQUENCE_COLUMN": "reading"}
CRS = "EPSG:25831"
# Zone 31's middle meridian: easting 500,000 m by definition; northing from pyproj 3.4.
DEGREES, EAST, NORTH = "3,53 [EPSG:4326]", 500000.0, 5872270.528


@pytest.fixture
def placed(run, tmp_path):
    """Where the first reading comes to lie when the data grid's corner is given so."""
    path = tmp_path / "readings.csv"
    path.write_text(TABLE)

    def go(corner):
        found = run(
            "importtable", FILES=[str(path)], PLACEMENT="site_grid", CRS=CRS, ORIGIN=corner,
            OUTPUT="memory:", **ROLES,
        )["OUTPUT"]  # fmt: skip
        point = next(found.getFeatures()).geometry().asPoint()
        return (point.x() - 0.5, point.y() - 0.125), found.metadata().history()[0]

    return go


@pytest.fixture
def referenced(qgis_app):
    from qgis.core import QgsCoordinateReferenceSystem, QgsPointXY, QgsReferencedPointXY

    return QgsReferencedPointXY(QgsPointXY(3, 53), QgsCoordinateReferenceSystem("EPSG:4326"))


def test_a_corner_picked_in_degrees_is_brought_to_the_readings_system(placed):
    place, history = placed(DEGREES)
    assert place == pytest.approx((EAST, NORTH), abs=1e-3)
    assert f'"ORIGIN": "{DEGREES}"' in history


def test_a_corner_that_a_script_gives_with_its_system_is_brought_over_and_remembered(
    placed, referenced
):
    place, history = placed(referenced)
    assert place == pytest.approx((EAST, NORTH), abs=1e-3)
    assert '"ORIGIN": "3.0,53.0 [EPSG:4326]"' in history


def test_a_corner_without_a_system_is_in_the_readings_own(placed):
    assert placed("430000,5900000")[0] == (430000.0, 5900000.0)
    assert placed(f"430000,5900000 [{CRS}]")[0] == (430000.0, 5900000.0)


def test_marks_are_placed_from_a_corner_picked_in_degrees(run, point_layer):
    layer = point_layer(
        x=[None] * 4, y=[None] * 4, line=[1] * 4, mark=[1, None, None, 1], ec=[1.0] * 4
    )
    found = run(
        "placebymarks", INPUT=layer, CRS=CRS, ORIGIN=DEGREES, MARK_SPACING=3, LENGTH=3,
        MARK_AT="reading", OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    first = next(found.getFeatures()).geometry().asPoint()
    assert (first.x() - 0.5, first.y()) == pytest.approx((EAST, NORTH), abs=1e-3)


@pytest.mark.parametrize(
    ("corner", "sentence"),
    [
        ("here", "'Corner of the data grid' is 'here'; give easting and northing, such as"),
        ("3,53 [EPSG:9999999]", "The coordinate reference system of 'Corner of the data grid', '3"),
        ("95,95 [EPSG:4326]", "'Corner of the data grid', '95,95 [EPSG:4326]', has no place in "
         "EPSG:25831. Check the point and its coordinate reference system."),
    ],
)  # fmt: skip
def test_a_corner_that_is_nowhere_is_refused(placed, corner, sentence):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException) as found:
        placed(corner)
    assert sentence in str(found.value)


def test_data_grids_begin_at_a_corner_picked_in_degrees(run, qgis_app):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    layer = QgsVectorLayer(f"Polygon?crs={CRS}", "field", "memory")
    feature = QgsFeature()
    ring = "0 0, 40 0, 40 40, 0 40, 0 0"
    geometry = QgsGeometry.fromWkt(f"Polygon(({ring}))")
    geometry.translate(EAST, NORTH)
    feature.setGeometry(geometry)
    layer.dataProvider().addFeature(feature)
    found = run("plangrids", INPUT=layer, BEARING=0, CORNER=DEGREES, OUTPUT="memory:")["OUTPUT"]
    assert attributes(found, "x", "y")[0] == pytest.approx((EAST, NORTH), abs=1e-3)
