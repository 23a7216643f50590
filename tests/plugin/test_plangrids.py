"""The plan as the host writes it, and that the intake reads it as it is."""

import csv
import json
import math

import numpy as np
import pytest
from host import ROOT
from support import attributes

PLAN = ROOT / "sample_layers" / "quillmere_plan.geojson"
GRIDS = ROOT / "sample_layers" / "quillmere_grids.csv"
FIELD = "Polygon((0 0, 60 0, 60 40, 0 40, 0 0))"
ELL = "Polygon((0 0, 60 0, 60 20, 30 20, 30 40, 0 40, 0 0))"


@pytest.fixture
def areas(qgis_app):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    def make(*shapes, crs="EPSG:25831", east=430000.0, north=5900000.0, kind="Polygon"):
        made = QgsVectorLayer(f"{kind}?crs={crs}&field=kind:string", "field", "memory")
        features = []
        for number, shape in enumerate(shapes):
            feature = QgsFeature(made.fields())
            if shape:
                geometry = QgsGeometry.fromWkt(shape)
                geometry.translate(east, north)
                feature.setGeometry(geometry)
            feature.setAttributes([f"part {number + 1}"])
            features.append(feature)
        assert made.dataProvider().addFeatures(features)[0]
        return made

    return make


@pytest.fixture
def refused(run):
    from qgis.core import QgsProcessingException

    def go(**parameters):
        with pytest.raises(QgsProcessingException) as found:
            run("plangrids", OUTPUT="memory:", **parameters)
        return str(found.value)

    return go


def stakes_and_checks(run, **parameters):
    return run(
        "plangrids", OUTPUT="memory:", STAKES="memory:", CHECKS="memory:", **parameters
    )  # fmt: skip


def test_the_sample_plan_gives_the_sample_surveys_data_grids(run):
    found = run(
        "plangrids", INPUT=str(PLAN), WHERE="kind = 'outline'", LABELS="order", OUTPUT="memory:"
    )
    with GRIDS.open() as file:
        walked = [[float(row[key]) for key in ("x", "y")] for row in csv.DictReader(file)]
    rows = attributes(found["OUTPUT"], "grid", "x", "y", "bearing", "length", "width")
    assert [row[0] for row in rows] == ["G1", "G2", "G3", "G4"]
    # The sample walked its second row from the left; ours turns back.
    planned = [rows[place][1:3] for place in (0, 1, 3, 2)]
    np.testing.assert_allclose(planned, walked, atol=2e-3)
    assert all(row[3] == pytest.approx(17.0, abs=1e-3) for row in rows)
    assert {row[4:] for row in rows} == {(20.0, 20.0)}


@pytest.mark.parametrize("where", ["file", "memory"])
@pytest.mark.parametrize("clip", [False, True])
def test_the_plan_is_the_intakes_layout_without_an_edit(run, areas, tmp_path, where, clip):
    layout = str(tmp_path / "plan.gpkg") if where == "file" else "memory:"
    plan = run(
        "plangrids", INPUT=areas(ELL), SIZE=20, WIDTH=15, BEARING=33, CLIP=clip, OUTPUT=layout
    )["OUTPUT"]
    from qgis.core import QgsVectorLayer

    rows = attributes(
        QgsVectorLayer(plan) if isinstance(plan, str) else plan, "grid", "x", "y", "bearing"
    )
    table = tmp_path / "readings.csv"
    lines = [
        f"{grid},{line},{number},{line + number / 100}"
        for grid, *_ in rows for line in (1, 15) for number in (1, 40)
    ]  # fmt: skip
    table.write_text("\n".join(["grid,line,reading,ec", *lines]))
    readings = run(
        "importtable", FILES=[str(table)], CRS="EPSG:25831", GRID_COLUMN="grid",
        LINE_COLUMN="line", SEQUENCE_COLUMN="reading", LAYOUT=plan, SEPARATION=1.0, INTERVAL=0.5,
        WALKING="one_way", OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    whole = run("plangrids", INPUT=areas(ELL), SIZE=20, WIDTH=15, BEARING=33, OUTPUT="memory:")
    shapes = {f["grid"]: f.geometry() for f in whole["OUTPUT"].getFeatures()}
    placed = 0
    for feature in readings.getFeatures():
        near_left, far_left, _, near_right, _ = shapes[feature["grid"]].asPolygon()[0]
        place = feature.geometry().asPoint()
        along = (place - near_left) * (far_left - near_left) / 20.0
        across = (place - near_left) * (near_right - near_left) / 15.0
        assert along == pytest.approx((feature["seq"] - 0.5) * 0.5, abs=1e-3)
        assert across == pytest.approx(feature["line"] - 0.5, abs=1e-3)
        assert feature["bearing"] == pytest.approx(33.0)
        placed += 1
    assert placed == len(lines)


def test_the_first_corner_of_each_polygon_is_its_x_and_y_and_the_next_lies_along_the_bearing(
    run, areas
):
    found = run("plangrids", INPUT=areas(FIELD), BEARING=100, WIDTH=10, OUTPUT="memory:")
    for feature in found["OUTPUT"].getFeatures():
        ring = feature.geometry().asPolygon()[0]
        assert (ring[0].x(), ring[0].y()) == pytest.approx((feature["x"], feature["y"]), abs=1e-4)
        assert ring[0].azimuth(ring[1]) % 360 == pytest.approx(100)
        assert ring[0].distance(ring[1]) == pytest.approx(20)
        assert ring[0].azimuth(ring[3]) % 360 == pytest.approx(190)
        assert ring[0].distance(ring[3]) == pytest.approx(10)


def test_clipped_data_grids_lie_inside_and_hold_what_their_field_says(run, areas):
    from qgis.core import QgsGeometry

    layer = areas(
        ELL,
        "Polygon((100 0, 130 0, 130 30, 100 30, 100 0), (110 10, 110 20, 120 20, 120 10, 110 10))",
    )
    found = run("plangrids", INPUT=layer, BEARING=20, LEAST_SHARE=0, CLIP=True, OUTPUT="memory:")
    total = 0.0
    outline = QgsGeometry.unaryUnion([feature.geometry() for feature in layer.getFeatures()])
    for feature in found["OUTPUT"].getFeatures():
        geometry = feature.geometry()
        assert geometry.isMultipart()
        assert geometry.area() == pytest.approx(feature["area"], abs=2e-4)
        assert feature["share"] == pytest.approx(feature["area"] / 4, abs=1e-4)
        assert geometry.difference(outline).area() < 1e-6
        total += geometry.area()
    assert total == pytest.approx(1800 + 800, abs=1e-3)


def test_stakes_stand_once_at_every_corner_and_say_what_they_serve(run, areas):
    found = stakes_and_checks(
        run, INPUT=areas(FIELD), BEARING=0, CORNER="430000,5900000 [EPSG:25831]"
    )
    rows = attributes(found["STAKES"], "stake", "x", "y", "serves")
    assert len(rows) == 12
    assert rows[0] == (1, 430000.0, 5900000.0, "A1 near left")
    # To and fro: the second row begins at the right.
    assert rows[4][:3] == (5, 430060.0, 5900020.0)
    assert rows[5][3] == "A2 far right, A3 far left, B3 near left, B2 near right"
    for feature in found["STAKES"].getFeatures():
        point = feature.geometry().asPoint()
        assert (point.x(), point.y()) == pytest.approx((feature["x"], feature["y"]), abs=1e-4)


def test_tape_distances_name_stakes_that_lie_that_far_apart(run, areas):
    found = stakes_and_checks(run, INPUT=areas(ELL), BEARING=17, SIZE=20, WIDTH=15)
    places = {n: (x, y) for n, x, y in attributes(found["STAKES"], "stake", "x", "y")}
    checks = attributes(found["CHECKS"], "what", "from", "to", "expected", "ground")
    for what, start, end, expected, ground in checks:
        assert expected == pytest.approx(math.dist(places[start], places[end]), abs=1e-3)
        assert ground == pytest.approx(expected * 1.00034, rel=1e-5, abs=1e-3)
        if what == "diagonal":
            assert expected == 25.0
    for feature in found["CHECKS"].getFeatures():
        assert feature.geometry().length() == pytest.approx(feature["expected"], abs=1e-3)
    grids = found["OUTPUT"].featureCount()
    assert sum(row[0] == "diagonal" for row in checks) == 2 * grids
    running = [row[3] for row in checks if row[0] == "base line"]
    assert running == sorted(running)
    assert len(running) >= 2


def test_stakes_file_holds_number_easting_northing_and_what(run, areas, tmp_path):
    path = tmp_path / "stakes.csv"
    found = run(
        "plangrids", INPUT=areas(FIELD), BEARING=0, CORNER="430000,5900000 [EPSG:25831]",
        OUTPUT="memory:", STAKES_FILE=str(path),
    )  # fmt: skip
    assert found["STAKES_FILE"] == str(path)
    with path.open(newline="") as file:
        rows = list(csv.reader(file))
    assert rows[0] == [
        "number", "easting", "northing", "what", "inside", "longitude", "latitude"
    ]  # fmt: skip
    assert rows[1][:5] == ["1", "430000.000", "5900000.000", "A1 near left", "1"]
    assert rows[6][3] == "A2 far right; A3 far left; B3 near left; B2 near right"
    assert len(rows) == 13


def test_stakes_say_whether_they_stand_inside(run, areas, tmp_path):
    hole = "Polygon((0 0, 60 0, 60 40, 0 40, 0 0), (10 10, 30 10, 30 30, 10 30, 10 10))"
    path = tmp_path / "stakes.csv"
    given = {"BEARING": 0, "CORNER": "430000,5900000", "SIZE": 20, "WIDTH": 20}
    found = stakes_and_checks(run, INPUT=areas(hole), STAKES_FILE=str(path), **given)
    out = {(x, y) for x, y, inside in attributes(found["STAKES"], "x", "y", "inside") if not inside}
    assert out == {(430020.0, 5900020.0)}
    with path.open(newline="") as file:
        assert [row["number"] for row in csv.DictReader(file) if row["inside"] == "0"] == ["7"]
    assert json.loads(found["FIGURES"])["stakes beyond"] == 1
    assert (
        "1 of 12 stakes lies off the outline's ground (7): beyond a hedge or on a neighbour's "
        "land, perhaps. Ask before you go there." in run.listener.said
    )
    found = stakes_and_checks(run, INPUT=areas(FIELD), **given)
    assert {inside for (inside,) in attributes(found["STAKES"], "inside")} == {1}
    assert not any("off the outline" in said for said in run.listener.said)


def test_best_fit_stakes_on_the_corners_of_the_sample_count_as_inside(run):
    found = stakes_and_checks(run, INPUT=str(PLAN), WHERE="kind = 'outline'")
    assert attributes(found["STAKES"], "inside") == [(1,)] * 9


def test_stakes_of_a_system_that_is_nowhere_have_no_degrees(run, areas, tmp_path):
    from qgis.core import QgsCoordinateReferenceSystem

    layer, path = areas(FIELD, east=0.0, north=0.0), tmp_path / "stakes.csv"
    layer.setCrs(
        QgsCoordinateReferenceSystem.fromWkt(
            'LOCAL_CS["site",UNIT["metre",1],AXIS["x",EAST],AXIS["y",NORTH]]'
        )
    )
    found = stakes_and_checks(run, INPUT=layer, BEARING=0, STAKES_FILE=str(path))
    assert set(attributes(found["STAKES"], "lon", "lat")) == {(None, None)}
    assert path.read_text().splitlines()[1].endswith(",1,,")
    assert "Longitude and latitude of the stakes cannot be told." in run.listener.said


def test_two_runs_give_the_same_bytes(run, areas, tmp_path):
    for name in ("one", "two"):
        run(
            "plangrids", INPUT=areas(ELL), OUTPUT=str(tmp_path / f"{name}.geojson"),
            STAKES_FILE=str(tmp_path / f"{name}.csv"),
        )  # fmt: skip
    for suffix in ("csv", "geojson"):
        first, second = (tmp_path / f"{name}.{suffix}" for name in ("one", "two"))
        assert first.read_bytes() == second.read_bytes().replace(b'"two"', b'"one"')


def test_the_start_corner_is_brought_to_the_outlines_system(run, areas):
    from qgis.core import (
        QgsCoordinateReferenceSystem,
        QgsCoordinateTransform,
        QgsPointXY,
        QgsProject,
    )  # fmt: skip

    to_degrees = QgsCoordinateTransform(
        QgsCoordinateReferenceSystem("EPSG:25831"), QgsCoordinateReferenceSystem("EPSG:4258"),
        QgsProject.instance(),
    )  # fmt: skip
    point = to_degrees.transform(QgsPointXY(430007.0, 5900003.0))
    found = stakes_and_checks(
        run, INPUT=areas(FIELD), BEARING=0, CORNER=f"{point.x()!r},{point.y()!r} [EPSG:4258]"
    )
    steps = [
        ((x - 430007.0) / 20, (y - 5900003.0) / 20)
        for x, y in attributes(found["STAKES"], "x", "y")
    ]
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-4)


def test_feet_are_honoured(run, areas):
    # EPSG:2263, New York Long Island in US survey feet.
    layer = areas(FIELD, crs="EPSG:2263", east=1000000.0, north=200000.0)
    found = run("plangrids", INPUT=layer, BEARING=0, OUTPUT="memory:")
    assert found["OUTPUT"].featureCount() == 6
    assert any("6 data grids of 20 by 20 " in said and "ft" in said for said in run.listener.said)
    figures = json.loads(found["FIGURES"])
    assert figures["outline area"] == 2400.0
    assert abs(figures["map longer than ground ppm"]) < 200


def test_a_side_left_at_its_default_is_warned_of_in_feet_alone(run, areas):
    layer = areas(FIELD, crs="EPSG:2263", east=1000000.0, north=200000.0)
    warned = (
        "The map unit here is ft: 'Side along the traverses' is 20 ft. Give 65.617 for 20 m, if "
        "metres were meant."
    )
    run("plangrids", INPUT=layer, BEARING=0, OUTPUT="memory:")
    assert warned in run.listener.said
    run("plangrids", INPUT=layer, BEARING=0, SIZE=10, OUTPUT="memory:")
    assert not any("metres were meant" in said for said in run.listener.said)
    run("plangrids", INPUT=areas(FIELD), BEARING=0, OUTPUT="memory:")
    assert not any("metres were meant" in said for said in run.listener.said)


def test_that_traverses_reach_beyond_the_outline_is_told_where_they_do(run, areas):
    start = "Where data grids reach beyond the outline, traverses are planned there too"
    for given, told in (
        ({"BEARING": 20}, True), ({"BEARING": 20, "CLIP": True}, False),
        ({"BEARING": 0, "CORNER": "430000,5900000"}, False),
    ):  # fmt: skip
        run("plangrids", INPUT=areas(FIELD), OUTPUT="memory:", **given)
        assert any(said.startswith(start) for said in run.listener.said) is told


def test_height_lengthens_the_ground(run, areas):
    low, high = (
        json.loads(run("plangrids", INPUT=areas(FIELD), HEIGHT=h, OUTPUT="memory:")["FIGURES"])
        for h in (0, 1000)
    )
    name = "map longer than ground ppm"
    assert low[name] - high[name] == pytest.approx(1e6 * 1000 / 6_371_000, abs=0.2)


def test_a_system_without_an_ellipsoid_has_no_ground_distances(run, areas):
    from qgis.core import QgsCoordinateReferenceSystem

    layer = areas(FIELD, east=0.0, north=0.0)
    local = QgsCoordinateReferenceSystem.fromWkt(
        'ENGCRS["site",EDATUM["stake one"],CS[Cartesian,2],AXIS["x",east],AXIS["y",north],'
        'LENGTHUNIT["metre",1]]'
    )
    if not local.isValid():
        pytest.skip("this host knows no engineering systems")
    layer.setCrs(local)
    found = stakes_and_checks(run, INPUT=layer, BEARING=0)
    assert {ground for (ground,) in attributes(found["CHECKS"], "ground")} == {None}
    assert json.loads(found["FIGURES"])["map longer than ground ppm"] is None
    assert any("ellipsoid" in said for said in run.listener.said)


def test_overlapping_areas_count_once_and_empty_ones_not_at_all(run, areas):
    layer = areas(FIELD, "Polygon((20 0, 80 0, 80 40, 20 40, 20 0))", None)
    found = run("plangrids", INPUT=layer, BEARING=0, OUTPUT="memory:")
    assert json.loads(found["FIGURES"])["outline area"] == 3200.0
    assert found["OUTPUT"].featureCount() == 8


def test_what_is_told(run, areas):
    run("plangrids", INPUT=areas(FIELD), BEARING=0, OUTPUT="memory:")
    said = run.listener.said
    assert any("6 data grids of 20 by 20 m, first traverse at bearing 0°" in text for text in said)
    assert any("buried services" in text and "unexploded" in text for text in said)
    assert any("parts per million shorter here" in text for text in said)


def test_the_history_is_kept(run, areas):
    found = stakes_and_checks(run, INPUT=areas(FIELD), BEARING=0)
    for name in ("OUTPUT", "STAKES", "CHECKS"):
        (line,) = found[name].metadata().history()
        assert line.startswith("lynchet:plangrids ")
        assert '"data grids": 6' in line


def test_labels_show_the_name_and_the_stakes_number(run, areas):
    from lynchet.plugin.styles import style_data_grids, style_stakes

    found = stakes_and_checks(run, INPUT=areas(FIELD), BEARING=0)
    for name, style, field in (
        ("OUTPUT", style_data_grids, "grid"), ("STAKES", style_stakes, "stake"),
    ):  # fmt: skip
        style(found[name])
        assert found[name].labelsEnabled()
        assert found[name].labeling().settings().fieldName == field


def test_degrees_are_refused(refused, areas):
    assert "is in degrees (EPSG:4326)" in refused(
        INPUT=areas(FIELD, crs="EPSG:4326", east=0, north=0)
    )


def test_an_empty_outline_is_refused(refused, areas):
    assert refused(INPUT=areas(None)) == (
        "Layer 'field' holds no area. Draw the outline of the site, or choose another layer."
    )
    assert refused(INPUT=areas(FIELD), WHERE="\"kind\" = 'none'").startswith(
        "Layer 'field' holds no area for which \"kind\" = 'none'."
    )


def test_a_bow_tie_is_refused_by_its_number(refused, areas):
    wrong = refused(INPUT=areas(FIELD, "Polygon((0 0, 10 10, 10 0, 0 10, 0 0))"))
    assert wrong.startswith(
        "Feature 2 of layer 'field' is not valid: self-intersection at 430005.00 5900005.00. "
    )
    assert "native:fixgeometries" in wrong


@pytest.mark.parametrize(
    ("parameters", "sentence"),
    [
        ({"LEAST_SHARE": 101}, "'Least share inside' is 101; it must be at most 100."),
        ({"SIZE": 0}, "'Side along the traverses' is 0; it must be above 0."),
        (
            {"SIZE": 200, "LEAST_SHARE": 50, "BEARING": 0},
            "No data grid of 200 by 200 m lies inside the outline by 50 % or more; the fullest "
            "does by 6 %. Choose a smaller side or a lower least share.",
        ),
        (
            {"CORNER": "5900000,430000", "BEARING": 0},
            "from the outline. The coordinate reference system or the order of its coordinates",
        ),
        ({"SIZE": 0.1}, "Data grids of 0.1 by 0.1 would be about 240,000 over this outline;"),
    ],
)
def test_what_cannot_be_laid_out_is_refused(refused, areas, parameters, sentence):
    assert sentence in refused(INPUT=areas(FIELD), **parameters)


def test_points_are_refused(refused, point_layer):
    assert "holds no polygons" in refused(INPUT=point_layer([1.0], [2.0]))
