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
        assert outline.buffer(2e-4).contains(shape)
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


def test_trees_and_a_fence_in_two_layers_are_avoided_as_in_one(run, grids, layer):
    from qgis.core import QgsProject

    trees = ["POINT(430008 5900010)", "POINT(430012 5900003)"]
    fence = ["LINESTRING(430061 5900010, 430061 5899980)"]
    both = [layer("Point", trees), layer("LineString", fence)]
    QgsProject.instance().addMapLayers(both, False)
    asked = {"INPUT": grids(), "SEPARATION": 2.0, "CLEARANCE": 1.5, "OUTPUT": "memory:"}
    one = unary_union([wkt.loads(shape).buffer(1.5, 16) for shape in (*trees, *fence)])
    plans = [
        run("planlines", AVOID=avoid, **asked)["OUTPUT"]
        for avoid in (both, [one.id() for one in both], both[0], both[0].id(), None)
    ]
    lengths = [sum(shape.length for shape in drawn(plan)) for plan in plans]
    assert max(shape.intersection(one).length for shape in drawn(plans[0])) < 1e-6
    assert lengths[0] == lengths[1] < lengths[2] == lengths[3] < lengths[4]


def test_traverses_are_cut_at_the_ground_to_walk_within_and_at_its_holes(run, layer):
    site = layer("Polygon", [FIELD])
    whole = run("plangrids", INPUT=site, SIZE=15, WIDTH=12, OUTPUT="memory:")["OUTPUT"]
    clipped = run("plangrids", INPUT=site, SIZE=15, WIDTH=12, CLIP=True, OUTPUT="memory:")["OUTPUT"]
    asked = {"SEPARATION": 1.5, "INTERVAL": 0.25, "OUTPUT": "memory:"}
    free = run("planlines", INPUT=whole, **asked)
    out = run("planlines", INPUT=whole, WITHIN=site, **asked)
    total = sum(shape.length for shape in drawn(free["OUTPUT"]))
    expected = sum(shape.intersection(wkt.loads(FIELD)).length for shape in drawn(free["OUTPUT"]))
    figures = json.loads(out["FIGURES"])
    assert figures["outside_share"] == pytest.approx(1 - expected / total, abs=1e-5)
    assert 0.1 < figures["outside_share"] < 0.5
    assert any("outside the ground to walk within" in said for said in run.listener.said)
    ground = wkt.loads(FIELD).buffer(2e-4)
    assert all(ground.contains(shape) for shape in drawn(out["OUTPUT"]))
    # Numbers are those of clipped data grids, and so of whole ones.
    names = ("grid", "line", "piece", "readings", "first_no")
    cut = run("planlines", INPUT=clipped, **asked)
    assert attributes(out["OUTPUT"], *names) == attributes(cut["OUTPUT"], *names)
    assert "outside_share" not in json.loads(cut["FIGURES"])


def test_where_all_lies_within_nothing_is_told(run, grids, layer):
    site = _polygon([(429900, 5899900), (430200, 5899900), (430200, 5900100), (429900, 5900100)])
    free = run("planlines", INPUT=grids(), OUTPUT="memory:")["OUTPUT"]
    out = run("planlines", INPUT=grids(), WITHIN=layer("Polygon", [site]), OUTPUT="memory:")
    assert json.loads(out["FIGURES"])["outside_share"] == 0.0
    assert not any("to walk within" in said for said in run.listener.said)
    names = ("grid", "line", "piece", "readings", "first_no", "minutes")
    assert attributes(out["OUTPUT"], *names) == attributes(free, *names)


def test_the_features_to_walk_within_may_be_picked(run, grids):
    plan = str(SAMPLE / "quillmere_plan.geojson")
    both = run("planlines", INPUT=grids(), WITHIN=plan, WITHIN_WHERE="kind = 'outline'",
               OUTPUT="memory:")  # fmt: skip
    # The second data grid lies off the sample's outline altogether.
    assert {grid for (grid,) in attributes(both["OUTPUT"], "grid")} == {"G1"}
    assert any("or not where to walk" in said for said in run.listener.said)


def test_the_data_grids_to_walk_may_be_picked(run, grids, layer):
    rows = [*GRIDS, ("G2", 430050.0, 5900000.0, 90.0, 30.0, 8.0)]
    out = run("planlines", INPUT=grids(rows), WHERE="\"grid\" = 'G1'", OUTPUT="memory:",
              FRAMES="memory:")  # fmt: skip
    assert {grid for (grid,) in attributes(out["OUTPUT"], "grid")} == {"G1"}
    assert attributes(out["FRAMES"], "grid") == [("G1",)]
    asked = "\"grid\" = 'G1'".replace('"', '\\"')
    assert f'"WHERE": "{asked}"' in out["OUTPUT"].metadata().history()[-1]


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
    assert minutes == [round(m, 2) for m in minutes]


SQUARE = _polygon([(0, 0), (9, 0), (9, 9), (0, 9)])


def test_what_cannot_be_is_refused_and_writes_nothing(run, grids, layer, tmp_path):
    from qgis.core import QgsProcessingException, QgsProcessingFeatureSourceDefinition

    path = tmp_path / "lines.gpkg"
    bow = "POLYGON((0 0, 9 9, 9 0, 0 9, 0 0))"
    short = [(*GRIDS[0][:4], None, 20.0)]
    for given, sentence in (
        ({"INPUT": grids(), "BEARING": 5.0}, "holds data grids, which have bearings of their own"),
        ({"INPUT": layer("Polygon", [])}, "for 'Data grids or outlines' is empty"),
        ({"INPUT": layer("Polygon", [SQUARE, None])}, "Feature 2 of .* has no geometry"),
        ({"INPUT": layer("Polygon", [bow])}, "Feature 1 of layer 'quillmere' is not valid: self"),
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
        ({"INPUT": grids(), "COILS": "0,5; 1,0"}, "'Coil spacings' is '0,5; 1,0'; give one number, "
         "or one a pair of coils separated by semicolons, with a decimal point"),
        ({"INPUT": grids(), "AVOID": [layer("Point", ["POINT(1 1)"]), layer("Point", [])]},
         "for 'Areas to avoid' is empty"),
        ({"INPUT": grids(), "AVOID": [layer("Point", ["POINT(1 1)"]), "nowhere.gpkg"]},
         "'nowhere.gpkg' for 'Areas to avoid' is not a vector layer that can be opened"),
        ({"INPUT": grids(), "AVOID": QgsProcessingFeatureSourceDefinition("trees", True)},
         "'Areas to avoid' takes whole layers"),
        ({"INPUT": grids(), "WITHIN": layer("Polygon", [SQUARE], crs="EPSG:25832")},
         "in EPSG:25832 and layer 'quillmere' in EPSG:25831"),
        ({"INPUT": grids(), "WITHIN": layer("Polygon", [SQUARE])}, "Nothing is left to walk"),
        ({"INPUT": grids(), "WITHIN": layer("Polygon", [bow])}, "Feature 1 .* is not valid"),
        ({"INPUT": grids(), "WHERE": "\"grid\" = 'G9'"},
         "holds no area for which \"grid\" = 'G9': nothing to plan over"),
        ({"INPUT": layer("Polygon", [SQUARE, bow], ("x",), [[1.0], [2.0]]), "WHERE": "x = 2"},
         "Feature 2 of layer 'quillmere' is not valid"),
        ({"INPUT": grids(), "BASE_AT": "interval", "BASE_EVERY": 0},
         "Base checks by interval need the longest time"),
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
    assert found[0] == (1, pytest.approx(10.0, abs=2e-4), 0.0, 1)
    assert found[1] == (2, *[pytest.approx(10.0, abs=2e-4)] * 2, 41)
    assert json.loads(out["FIGURES"])["lost_share"] == 0.0


# A field with a hole, none of its sides along the data grids.
FIELD = (
    "POLYGON((430000 5900000, 430047 5900006, 430052 5900041, 430021 5900047, 429997 5900030, "
    "430000 5900000), (430018 5900014, 430029 5900016, 430027 5900026, 430018 5900014))"
)


def test_readings_of_clipped_data_grids_lie_on_their_pieces_inside_the_outline(
    run, layer, tmp_path
):
    grids, frames = str(tmp_path / "grids.gpkg"), "memory:"
    run("plangrids", INPUT=layer("Polygon", [FIELD]), SIZE=15, WIDTH=12, CLIP=True, OUTPUT=grids)
    out = run("planlines", INPUT=grids, SEPARATION=1.5, INTERVAL=0.25, OUTPUT="memory:",
              FRAMES=frames)  # fmt: skip
    rows = attributes(out["OUTPUT"], "grid", "line", "first_no", "readings")
    assert max(first for *_, first, _ in rows) > 1
    assert any("from the field first_no" in said for said in run.listener.said)
    pieces: dict = {}
    inside = wkt.loads(FIELD).buffer(2e-4)
    for (grid, line, *_), piece in zip(rows, drawn(out["OUTPUT"])):
        assert inside.contains(piece)
        pieces.setdefault((grid, line), []).append(piece)
    assert max(len(of_line) for of_line in pieces.values()) > 1
    table = tmp_path / "walked.csv"
    table.write_text("grid,line,reading,ec\n" + "".join(
        f"{grid},{line},{number},1.5\n" for grid, line, first, count in rows
        for number in range(first, first + count)), "utf-8")  # fmt: skip
    readings = run("importtable", FILES=[str(table)], PLACEMENT="site_grid", CRS=CRS, LAYOUT=grids,
                   GRID_COLUMN="grid", LINE_COLUMN="line", SEQUENCE_COLUMN="reading",
                   SEPARATION=1.5, INTERVAL=0.25, OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    assert readings.featureCount() == json.loads(out["FIGURES"])["readings"]
    for feature in readings.getFeatures():
        point = wkt.loads(feature.geometry().asWkt(12))
        off = min(piece.distance(point) for piece in pieces[(feature["grid"], feature["line"])])
        assert off < 2e-4  # corners are written to the fourth decimal
    lengths = sum(piece.length for piece in drawn(out["OUTPUT"]))
    assert lengths * 1.5 == pytest.approx(wkt.loads(FIELD).area, rel=0.02)
    assert out["FRAMES"].featureCount() == len({grid for grid, *_ in rows})


def test_data_grids_of_which_nothing_is_clipped_are_planned_as_whole_ones(run, layer):
    site = _polygon([(430000, 5900000), (430040, 5900000), (430040, 5900020), (430000, 5900020)])
    plans = []
    for clip in (False, True):
        grids = run("plangrids", INPUT=layer("Polygon", [site]), BEARING=0, CLIP=clip,
                    CORNER="430000,5900000", OUTPUT="memory:")["OUTPUT"]  # fmt: skip
        out = run("planlines", INPUT=grids, FIRST_OFFSET=0, FIRST_POSITION=0, OUTPUT="memory:")
        plans.append([feature.attributes() for feature in out["OUTPUT"].getFeatures()])
    assert plans[0] == plans[1]
    assert len(plans[0]) == 2 * 21


def test_traverses_on_the_very_edge_of_a_clipped_data_grid_keep_their_numbers(run, layer):
    # Written to the fourth decimal, the corner lies 0.05 mm inside the outline and outside it.
    for off in (4e-5, -4e-5):
        half = _polygon([(430000 + off, 5900000 + off), (430020, 5900000 + off),
                         (430020, 5900010), (430000 + off, 5900010)])  # fmt: skip
        row = [("A", 430000.0, 5900000.0, 0.0, 20.0, 20.0)]
        out = run("planlines", INPUT=layer("Polygon", [half], FIELDS, row), FIRST_OFFSET=0,
                  FIRST_POSITION=0, OUTPUT="memory:")["OUTPUT"]  # fmt: skip
        found = attributes(out, "line", "first_no", "readings")
        assert found[:2] == [(1, 1, 41), (2, 41, 41)]
        assert len(found) == 21


def test_data_grids_drawn_to_the_centimetre_are_whole(run, layer):
    from lynchet.algorithms.plan.fewest_turns import Area

    row = ("A", 430000.0, 5900000.0, 33.0, 20.0, 20.0)
    drawing = _polygon(np.round(Area(*row).corners("right"), 2))
    out = run("planlines", INPUT=layer("Polygon", [drawing], FIELDS, [row]), OUTPUT="memory:")
    assert {length for (length,) in attributes(out["OUTPUT"], "length")} == {20.0}


def test_a_data_grid_that_no_traverse_crosses_is_warned_of(run, layer):
    sliver = _polygon([(430020, 5900000), (430020.2, 5900000), (430020.2, 5900020)])
    whole = _polygon([(430000, 5900000), (430020, 5900000), (430020, 5900020), (430000, 5900020)])
    rows = [
        ("A", 430000.0, 5900000.0, 0.0, 20.0, 20.0),
        ("B", 430020.0, 5900000.0, 0.0, 20.0, 20.0),
    ]
    out = run("planlines", INPUT=layer("Polygon", [whole, sliver], FIELDS, rows), OUTPUT="memory:")
    assert (
        "No traverse crosses the ground of data grid 'B': it lies between traverses or beside them."
        in run.listener.said
    )
    assert json.loads(out["FIGURES"])["areas"] == 1
    assert any("20 traverses on 1 area," in said for said in run.listener.said)


def test_without_a_speed_a_metre_a_second_is_walked_in_feet_too(run, layer):
    field = layer("Polygon", [SQUARE], crs="EPSG:2263")
    hours = [
        json.loads(run("planlines", INPUT=field, OUTPUT="memory:", **given)["FIGURES"])["hours"]
        for given in ({}, {"SPEED": 3937 / 1200}, {"SPEED": 1.0})
    ]
    assert hours[0] == hours[1] < hours[2]
    assert any(" ft to walk" in said for said in run.listener.said)


def test_lengths_left_at_their_defaults_are_warned_of_in_feet(run, layer):
    field = layer("Polygon", [SQUARE], crs="EPSG:2263")
    run("planlines", INPUT=field, SEPARATION=3.0, OUTPUT="memory:")
    assert (
        "The map unit here is ft: 'Reading interval' is 0.25 ft. Give 0.82021 for 0.25 m, if "
        "metres were meant." in run.listener.said
    )
    trees = layer("Point", ["POINT(5 5)"], crs="EPSG:2263")
    run("planlines", INPUT=field, SEPARATION=3.0, INTERVAL=0.5, AVOID=trees, OUTPUT="memory:")
    assert any("'Clearance' is 1 ft. Give 3.2808 for 1 m" in said for said in run.listener.said)
    run("planlines", INPUT=layer("Polygon", [SQUARE]), OUTPUT="memory:")
    assert not any("metres were meant" in said for said in run.listener.said)


def test_coil_spacings_are_judged_in_metres_where_the_map_is_in_feet(run, layer):
    field = layer("Polygon", [SQUARE], crs="EPSG:2263")
    for coils, told in (("12", False), ("40", True)):
        run("planlines", INPUT=field, COILS=coils, OUTPUT="memory:")
        assert any("Nobody carries coils" in said for said in run.listener.said) is told


def test_base_checks_are_at_the_start_of_areas_or_by_interval(run, grids):
    asked = {"INPUT": grids(), "SEPARATION": 2.0, "OUTPUT": "memory:"}
    counts = [
        json.loads(run("planlines", **asked, **given)["FIGURES"])["base_checks"]
        for given in ({"BASE_EVERY": 0}, {}, {"BASE_AT": "interval"}, {"BASE_EVERY": 3})
    ]
    # Two areas and the end; ten minutes at most from start to end.
    assert counts[:3] == [3, 3, 2]
    assert counts[3] > 3


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

    with pytest.raises(
        QgsProcessingException, match="Layer 'quillmere' for 'Readings' holds no points"
    ):
        run("despike", INPUT=grids(), CHANNELS=["x"], LINE_FIELD="", OUTPUT="memory:")
