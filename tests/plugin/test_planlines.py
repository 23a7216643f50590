import csv
import json

import numpy as np
import pytest
from host import ROOT
from shapely import wkt
from shapely.ops import unary_union
from support import attributes

SAMPLE = ROOT / "sample_layers"
CRS = "EPSG:25831"
GRIDS = (
    ("G1", 430000.0, 5900000.0, 17.0, 20.0, 20.0),
    ("G2", 430050.0, 5900000.0, 90.0, 30.0, 8.0),
)


@pytest.fixture
def layer(qgis_app):
    """Make a memory layer of a geometry type from WKT and rows of attributes."""
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer
    from qgis.PyQt.QtCore import QVariant

    def make(kind, shapes, fields=(), rows=None, crs=CRS):
        query = "".join(f"&field={name}:{'string' if name == 'grid' else 'double'}"
                        for name in fields)  # fmt: skip
        made = QgsVectorLayer(f"{kind}?crs={crs}{query}", "quillmere", "memory")
        for row, shape in enumerate(shapes):
            feature = QgsFeature(made.fields())
            if shape:
                feature.setGeometry(QgsGeometry.fromWkt(shape))
            if rows:
                feature.setAttributes([QVariant() if v is None else v for v in rows[row]])
            assert made.dataProvider().addFeature(feature)
        made.updateExtents()
        return made

    return make


FIELDS = ("grid", "x", "y", "bearing", "length", "width")


@pytest.fixture
def grids(layer):
    from lynchet.algorithms.plan.fewest_turns import Area

    def make(rows=GRIDS, side="right"):
        return layer("Polygon", [_polygon(Area(*row).corners(side)) for row in rows], FIELDS, rows)

    return make


def _polygon(ring):
    corners = [f"{x!r} {y!r}" for x, y in np.asarray(ring).tolist()]
    return f"POLYGON(({', '.join([*corners, corners[0]])}))"


OUTLINE = (
    "POLYGON((430000 5900000, 430060 5900010, 430050 5900040, 430010 5900030, 430000 5900000))"
)


def drawn(target):
    return [wkt.loads(feature.geometry().asWkt(12)) for feature in target.getFeatures()]


def test_data_grids_are_planned_with_their_own_bearings(run, grids):
    out = run("planlines", INPUT=grids(), SEPARATION=2.0, INTERVAL=0.5, OUTPUT="memory:")
    found = attributes(out["OUTPUT"], "grid", "line", "piece", "walk_order", "bearing", "length",
                       "along", "readings", "first_no", "start_x", "start_y")  # fmt: skip
    assert len(found) == 10 + 4
    grid, line, piece, order, bearing, length, along, count, first, x, y = found[11]
    assert (grid, line, piece, order, bearing) == ("G2", 2, 1, 12, 270.0)
    assert (length, along, count, first) == (30.0, 0.0, 60, 1)
    assert (x, y) == (pytest.approx(430080.0), pytest.approx(5899997.0))
    start = drawn(out["OUTPUT"])[11].coords[0]
    assert start == pytest.approx((x, y))


def test_readings_of_the_sample_survey_lie_on_the_lines_planned_over_its_data_grids(run, grids):
    with open(SAMPLE / "quillmere_grids.csv", encoding="utf-8") as file:
        rows = [(r["grid"], *(float(r[k]) for k in FIELDS[1:])) for r in csv.DictReader(file)]
    layout = grids(rows)
    lines = run("planlines", INPUT=layout, SEPARATION=0.5, INTERVAL=0.125, OUTPUT="memory:")
    readings = run("importtable", FILES=[str(SAMPLE / "quillmere_g3.csv")], PLACEMENT="site_grid",
                   CRS=CRS, LAYOUT=layout, GRID_COLUMN="grid", LINE_COLUMN="line",
                   SEQUENCE_COLUMN="reading", SEPARATION=0.5, INTERVAL=0.125,
                   OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    planned = {
        (grid, line): (shape, count)
        for (grid, line, count), shape in zip(
            attributes(lines["OUTPUT"], "grid", "line", "readings"), drawn(lines["OUTPUT"])
        )
    }
    read = {}
    for feature in readings.getFeatures():
        point = wkt.loads(feature.geometry().asWkt(12))
        shape, _ = planned[(feature["grid"], feature["line"])]
        assert shape.distance(point) < 1e-6
        assert shape.project(point) == pytest.approx(feature["along"], abs=1e-6)
        key = (feature["grid"], feature["line"])
        read[key] = read.get(key, 0) + 1
    assert len(read) == 40
    assert all(planned[key][1] == count for key, count in read.items())


def test_lengths_left_by_obstacles_are_those_of_shapely(run, layer):
    trees = layer("Point", ["POINT(430020 5900015)", "POINT(430035 5900022)"])
    out = run("planlines", INPUT=layer("Polygon", [OUTLINE]), SEPARATION=1.0, BEARING=30.0,
              SHORTEST=0.0, OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    cut = run("planlines", INPUT=layer("Polygon", [OUTLINE]), SEPARATION=1.0, BEARING=30.0,
              SHORTEST=0.0, AVOID=trees, CLEARANCE=4.0, OUTPUT="memory:")  # fmt: skip
    outline = wkt.loads(OUTLINE)
    for shape in drawn(out):
        assert outline.buffer(1e-6).contains(shape)
    avoid = unary_union(
        [wkt.loads(f.geometry().asWkt(12)).buffer(4.0, 16) for f in trees.getFeatures()]
    )
    expected = sum(shape.difference(avoid).length for shape in drawn(out))
    whole = sum(shape.length for shape in drawn(out))
    left = sum(shape.length for shape in drawn(cut["OUTPUT"]))
    assert left == pytest.approx(expected, abs=0.8)  # slivers without a reading
    figures = json.loads(cut["FIGURES"])
    assert figures["length"] == pytest.approx(left)
    assert figures["lost_share"] == pytest.approx(1 - left / whole, abs=1e-6)
    assert figures["lost_share"] == pytest.approx(avoid.area / outline.area, abs=0.01)
    assert max(shape.intersection(avoid).length for shape in drawn(cut["OUTPUT"])) < 1e-6


def test_each_piece_beyond_an_obstacle_says_where_it_begins(run, grids, layer):
    # A fence square across all traverses of the second data grid, 10 to 12 from its start.
    fence = layer("LineString", ["LINESTRING(430061 5900010, 430061 5899980)"])
    out = run("planlines", INPUT=grids(GRIDS[1:]), SEPARATION=4.0, INTERVAL=1.0, AVOID=fence,
              CLEARANCE=1.0, OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    found = attributes(out, "line", "piece", "along", "length", "readings", "first_no")
    expected = [(1, 1, 0, 10, 10, 1), (1, 2, 12, 18, 18, 13), (2, 1, 0, 18, 18, 1),
                (2, 2, 20, 10, 10, 21)]  # fmt: skip
    np.testing.assert_allclose(np.array(found, float), np.array(expected, float), atol=1e-6)


def test_an_outline_is_planned_with_the_fewest_turns_unless_a_bearing_is_given(run, layer):
    field = _polygon([(430000, 5900000), (430080, 5900000), (430080, 5900030), (430000, 5900030)])
    best = run("planlines", INPUT=layer("Polygon", [field]), OUTPUT="memory:")
    assert {b for (b,) in attributes(best["OUTPUT"], "bearing")} == {90.0, 270.0}
    assert json.loads(best["FIGURES"])["traverses"] == 30
    assert "bearing 90.00°" in " ".join(run.listener.said)
    north = run("planlines", INPUT=layer("Polygon", [field]), BEARING=0.0, OUTPUT="memory:")
    assert json.loads(north["FIGURES"])["traverses"] == 80


def test_readings_of_an_outline_are_brought_in_by_its_frame(run, layer, tmp_path):
    out = run("planlines", INPUT=layer("Polygon", [OUTLINE]), SEPARATION=2.0, INTERVAL=0.5,
              OUTPUT="memory:", FRAMES=str(tmp_path / "frames.gpkg"))  # fmt: skip
    rows = attributes(out["OUTPUT"], "line", "first_no", "readings")
    table = tmp_path / "walked.csv"
    table.write_text("grid,line,reading,ec\n" + "".join(
        f",{line},{number},1.5\n" for line, first, count in rows
        for number in range(first, first + count)), "utf-8")  # fmt: skip
    readings = run("importtable", FILES=[str(table)], PLACEMENT="site_grid", CRS=CRS,
                   LAYOUT=out["FRAMES"], LINE_COLUMN="line", SEQUENCE_COLUMN="reading",
                   SEPARATION=2.0, INTERVAL=0.5, OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    lines = {line: shape for (line, _, _), shape in zip(rows, drawn(out["OUTPUT"]))}
    count = 0
    for feature in readings.getFeatures():
        point = wkt.loads(feature.geometry().asWkt(12))
        assert lines[feature["line"]].distance(point) < 1e-6
        count += 1
    assert count == json.loads(out["FIGURES"])["readings"]


def test_a_planned_frame_is_planned_again_as_a_data_grid(run, layer, tmp_path):
    frames = str(tmp_path / "frames.gpkg")
    run("planlines", INPUT=layer("Polygon", [OUTLINE]), OUTPUT="memory:", FRAMES=frames)
    again = run("planlines", INPUT=frames, OUTPUT="memory:")
    assert {length for (length,) in attributes(again["OUTPUT"], "length")} == {61.0}


def test_logged_by_a_clock_no_reading_has_a_number_on_the_site_grid(run, grids):
    out = run("planlines", INPUT=grids(), RATE=5.0, SPEED=1.0, OUTPUT="memory:")["OUTPUT"]
    assert {first for (first,) in attributes(out, "first_no")} == {None}


def test_stops_and_figures_are_told(run, grids, tmp_path):
    from lynchet.plugin.history import read_history
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "lines.gpkg")
    found = run("planlines", INPUT=grids(), CAPACITY=900, BATTERY=0.4, COILS="0.5; 1",
                FEATURE_DEPTH=0.3, OUTPUT=path)  # fmt: skip
    figures = json.loads(found["FIGURES"])
    said = " ".join(run.listener.said)
    assert "No anomaly is no proof" in said
    assert "Coils 0.5 m apart" in said
    layer = QgsVectorLayer(path, "lines", "ogr")
    stops = [stop for (stop,) in attributes(layer, "stop_for") if stop]
    assert stops[0] == "base check"
    assert sum("download" in stop for stop in stops) == figures["downloads"] > 0
    assert sum("battery" in stop for stop in stops) == figures["batteries"] - 1 > 0
    assert read_history(layer)[-1].startswith("lynchet:planlines ")
    minutes = [m for (m,) in attributes(layer, "minutes")]
    assert minutes == sorted(minutes)


SQUARE = _polygon([(0, 0), (9, 0), (9, 9), (0, 9)])


def test_what_cannot_be_is_refused_and_writes_nothing(run, grids, layer, tmp_path):
    from qgis.core import QgsProcessingException

    path = tmp_path / "lines.gpkg"
    bow = "POLYGON((0 0, 9 9, 9 0, 0 9, 0 0))"
    short = [(*GRIDS[0][:4], None, 20.0)]
    for given, sentence in (
        ({"INPUT": grids(), "BEARING": 5.0}, "holds data grids, which have bearings of their own"),
        ({"INPUT": layer("Polygon", [])}, "for 'Data grids or outlines' is empty"),
        ({"INPUT": layer("Polygon", [SQUARE, None])}, "Feature 2 of .* has no geometry"),
        ({"INPUT": layer("Polygon", [bow])}, "Feature 1 of layer 'quillmere' crosses or touches"),
        ({"INPUT": layer("Polygon", [SQUARE], crs="EPSG:4326")}, "is in degrees"),
        ({"INPUT": layer("Point", ["POINT(1 1)"])}, "holds no polygons"),
        ({"INPUT": grids(side="left")}, "data grid 'G1' do not fit its outline, with further"),
        ({"INPUT": grids([GRIDS[0], GRIDS[0]])}, "holds data grid 'G1' twice"),
        ({"INPUT": layer("Polygon", [SQUARE], FIELDS, short)}, "lacks length or width for data"),
        ({"INPUT": grids(), "AVOID": layer("Point", ["POINT(430001 5900001)"]), "CLEARANCE": 0.0},
         "is a line or point, which takes no ground by itself"),
        ({"INPUT": grids(), "AVOID": layer("Point", ["POINT(1 1)"], crs="EPSG:25832")},
         "in EPSG:25832 and layer 'quillmere' in EPSG:25831"),
        ({"INPUT": grids(), "AVOID": layer("Point", ["POINT(430001 5900001)"]), "CLEARANCE": 500.0},
         "Nothing is left to walk"),
        ({"INPUT": grids(), "SEPARATION": 0.0001}, "too many to walk"),
        ({"INPUT": grids(), "COILS": "0.5 x"}, "'Coil spacings' is '0.5 x'"),
    ):  # fmt: skip
        with pytest.raises(QgsProcessingException, match=sentence):
            run("planlines", OUTPUT=str(path), **given)
        assert not path.exists(), sentence


def test_data_grids_whose_further_traverses_lie_to_the_left_are_planned_so(run, grids):
    out = run("planlines", INPUT=grids(GRIDS[1:], side="left"), SIDE="left", SEPARATION=4.0,
              OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    assert [y for (y,) in attributes(out, "start_y")] == pytest.approx([5900002.0, 5900006.0])


def test_a_data_grid_cut_to_the_site_is_walked_inside_its_outline(run, layer):
    half = _polygon([(430000, 5900000), (430020, 5900000), (430020, 5900010), (430000, 5900010)])
    row = [("A", 430000.0, 5900000.0, 0.0, 20.0, 20.0)]
    out = run("planlines", INPUT=layer("Polygon", [half], FIELDS, row), OUTPUT="memory:")
    found = attributes(out["OUTPUT"], "line", "length", "along", "first_no")
    assert found[0] == (1, pytest.approx(10.0), 0.0, 1)
    assert found[1] == (2, pytest.approx(10.0), pytest.approx(10.0), 41)
    assert json.loads(out["FIGURES"])["lost_share"] == 0.0


def test_a_cancelled_plan_leaves_nothing(provider, grids, tmp_path):
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

    feedback, context = QgsProcessingFeedback(False), QgsProcessingContext()
    feedback.cancel()
    asked = {"INPUT": grids(), "OUTPUT": str(tmp_path / "lines.gpkg")}
    algorithm = QgsApplication.processingRegistry().createAlgorithmById("lynchet:planlines")
    assert algorithm.checkParameterValues(asked, context)[0]
    found, _ = algorithm.run(asked, context, feedback)
    assert found == {}
    assert list(tmp_path.iterdir()) == []


def test_arrows_show_the_way_walked(run, grids):
    from lynchet.plugin.styles import style_traverses

    layer = run("planlines", INPUT=grids(), OUTPUT="memory:")["OUTPUT"]
    style_traverses(layer)
    line, arrow = (layer.renderer().symbol().symbolLayer(k) for k in (0, 1))
    assert line.layerType() == "SimpleLine"
    assert arrow.layerType() == "MarkerLine"
    assert arrow.rotateSymbols()


def test_readings_that_are_no_points_are_refused(run, grids):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match="Feature 1 of layer 'quillmere' is no point"):
        run("despike", INPUT=grids(), CHANNELS=["x"], LINE_FIELD="", OUTPUT="memory:")
