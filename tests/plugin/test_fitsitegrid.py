"""Layers of every kind come over whole; the residuals and the history tell how well."""

import json

import numpy as np
import pytest
from host import ROOT
from support import attributes

TURN = np.exp(-1j * np.radians(17.0))
SITE = {"A": 0, "B": 40, "C": 37 + 21j, "D": 3 + 25j}
OFF = {"A": 0.01, "B": -0.02j, "C": -0.01 + 0.01j, "D": 0.01j}


def over(place):
    return 430000 + 5900000j + TURN * place


MAP = {name: complex(over(place) + OFF[name]) for name, place in SITE.items()}


def written(names="ABCD", site=SITE, on_map=MAP):
    places = ((name, complex(site[name]), on_map[name]) for name in names)
    return "\n".join(
        f"{name}: {z.real!r} {z.imag!r} -> {w.real!r} {w.imag!r}" for name, z, w in places
    )


@pytest.fixture
def control(point_layer):
    def make(crs="EPSG:25831", site=SITE, **fields):
        columns = {
            "name": list(SITE), "site_x": [float(complex(z).real) for z in site.values()],
            "site_y": [float(complex(z).imag) for z in site.values()], **fields,
        }  # fmt: skip
        return point_layer([w.real for w in MAP.values()], [w.imag for w in MAP.values()],
                           crs=crs, **columns)  # fmt: skip

    return make


@pytest.fixture
def readings(point_layer):
    def make(crs="", **fields):
        columns = {
            "line": [1, 1, None], "along": [0.5, 1.0, 1.5], "bearing": [0.0, 350.0, None],
            "note": ["a", None, "c"], **fields,
        }  # fmt: skip
        return point_layer([1.0, 10.0, None], [2.0, 20.0, None], crs=crs, **columns)

    return make


def places(layer):
    found = [f.geometry() for f in layer.getFeatures()]
    return [None if g.isNull() else complex(g.asPoint().x(), g.asPoint().y()) for g in found]


def test_readings_come_over_with_all_fields_and_turned_bearings(run, readings):
    given = readings()
    out = run("fitsitegrid", INPUT=given, CONTROL_TEXT=written(), CRS="EPSG:25831",
              OUTPUT="memory:", RESIDUALS="memory:")  # fmt: skip
    found = out["OUTPUT"]
    assert found.crs().authid() == "EPSG:25831"
    assert attributes(found, "line", "along", "note") == attributes(given, "line", "along", "note")
    turned = [row[0] for row in attributes(found, "bearing")]
    assert turned[:2] == pytest.approx([17.0, 7.0], abs=0.05)
    assert turned[2] is None
    first, second, none = places(found)
    assert none is None
    assert abs(first - over(1 + 2j)) < 0.02
    assert second - first == pytest.approx((9 + 18j) * TURN, abs=0.02)
    assert places(given)[0] == 1 + 2j


def test_residuals_stand_at_the_points(run, readings):
    out = run("fitsitegrid", INPUT=readings(), CONTROL_TEXT=written(), CRS="EPSG:25831",
              OUTPUT="memory:", RESIDUALS="memory:")  # fmt: skip
    rows = attributes(out["RESIDUALS"], "name", "site_x", "map_y", "east", "north", "length")
    assert [row[0] for row in rows] == list(SITE)
    assert [row[1] for row in rows] == [0, 40, 37, 3]
    assert rows[0][2] == MAP["A"].imag
    assert sum(row[3] for row in rows) == pytest.approx(0, abs=1e-6)
    assert all(row[5] == pytest.approx(np.hypot(row[3], row[4])) for row in rows)
    assert places(out["RESIDUALS"]) == list(MAP.values())
    figures = json.loads(out["FIGURES"])
    assert figures["largest residual"] == pytest.approx(max(row[5] for row in rows), abs=1e-5)
    assert figures["rotation"] == pytest.approx(17, abs=0.05)


@pytest.mark.parametrize("kind", ["layer", "table"])
def test_control_points_may_be_a_layer_or_a_table(run, readings, control, kind):
    fields = {}
    if kind == "table":
        fields = {"map_x": [w.real for w in MAP.values()], "map_y": [w.imag for w in MAP.values()]}
    layer = control(crs="EPSG:25831" if kind == "layer" else "EPSG:4326", **fields)
    asked = {"INPUT": readings(), "CRS": "EPSG:25831", "OUTPUT": "memory:", "RESIDUALS": "memory:"}
    plain = run("fitsitegrid", CONTROL_TEXT=written(), **asked)
    found = run("fitsitegrid", CONTROL=layer, **asked)
    assert places(found["OUTPUT"]) == places(plain["OUTPUT"])


def test_any_geometry_comes_over_with_its_heights(run, qgis_app):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    for kind, text in (
        ("LineStringZ", "LineStringZ (0 0 3, 10 0 4)"),
        ("MultiPolygon", "MultiPolygon (((0 0, 4 0, 4 3, 0 0)))"),
        ("CurvePolygon", "CurvePolygon (CircularString (0 0, 4 0, 0 0))"),
    ):
        layer = QgsVectorLayer(kind, "plan", "memory")
        feature = QgsFeature()
        feature.setGeometry(QgsGeometry.fromWkt(text))
        layer.dataProvider().addFeatures([feature])
        layer.updateExtents()
        out = run("fitsitegrid", INPUT=layer, CONTROL_TEXT=written(), CRS="EPSG:25831",
                  OUTPUT="memory:", RESIDUALS="memory:")["OUTPUT"]  # fmt: skip
        (found,) = [f.geometry() for f in out.getFeatures()]
        assert out.wkbType() == layer.wkbType()
        assert found.length() == pytest.approx(feature.geometry().length(), abs=1e-6)
        assert found.area() == pytest.approx(feature.geometry().area(), abs=1e-6)
        if kind == "LineStringZ":
            assert [vertex.z() for vertex in found.vertices()] == [3, 4]


def test_there_and_back_is_where_it_was(run, readings):
    asked = {"CONTROL_TEXT": written(), "CRS": "EPSG:25831", "OUTPUT": "memory:",
             "RESIDUALS": "memory:"}  # fmt: skip
    given = readings()
    there = run("fitsitegrid", INPUT=given, **asked)["OUTPUT"]
    back = run("fitsitegrid", INPUT=there, DIRECTION="to_site_grid", **asked)["OUTPUT"]
    assert not back.crs().isValid()
    assert places(back)[:2] == pytest.approx(places(given)[:2], abs=1e-6)
    assert [row[0] for row in attributes(back, "bearing")][:2] == pytest.approx([0, 350], abs=1e-6)


def test_a_site_grid_in_feet_is_refused_unless_a_scale_is_fitted(run, readings):
    from qgis.core import QgsProcessingException

    text = written(site={name: place / 0.3048 for name, place in SITE.items()})
    asked = {"INPUT": readings(), "CONTROL_TEXT": text, "CRS": "EPSG:25831", "OUTPUT": "memory:",
             "RESIDUALS": "memory:"}  # fmt: skip
    with pytest.raises(QgsProcessingException, match="as for feet on the site grid and metres on"):
        run("fitsitegrid", **asked)
    out = run("fitsitegrid", FIT_SCALE=True, **asked)
    assert json.loads(out["FIGURES"])["scale"] == pytest.approx(0.3048, rel=1e-3)
    assert attributes(out["OUTPUT"], "along")[1][0] == pytest.approx(0.3048, rel=1e-3)
    assert any("Is that meant?" in said for said in run.listener.said)


def test_the_default_tolerance_is_metres_on_a_map_in_feet(run, readings):
    # 0.2 feet off are less than 0.1 metres; in metres they are more.
    off = {**MAP, "A": MAP["A"] + 0.26}
    asked = {"INPUT": readings(), "CONTROL_TEXT": written(on_map=off), "OUTPUT": "memory:",
             "RESIDUALS": "memory:"}  # fmt: skip
    run("fitsitegrid", CRS="EPSG:2263", **asked)
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match="The control points do not fit: 'A' lies"):
        run("fitsitegrid", CRS="EPSG:25831", **asked)


def test_a_layer_far_from_the_points_is_warned_of(run, point_layer):
    layer = point_layer([0.5, 100_000.0], [0.5, 100_000.0], note=["near", "far"])
    run("fitsitegrid", INPUT=layer, CONTROL_TEXT=written(), CRS="EPSG:25831", OUTPUT="memory:")
    assert any("reaches 6,129 times as far from the control" in s for s in run.listener.said)


def test_a_layer_that_lies_elsewhere_altogether_is_refused(run, point_layer, tmp_path):
    from qgis.core import QgsProcessingException

    on_map = point_layer([430001.0], [5900001.0], crs="EPSG:25831", note=["already on the map"])
    on_site = point_layer([1.0], [2.0], crs="", note=["on the site grid"])
    for layer, direction in ((on_map, "to_map"), (on_site, "to_site_grid")):
        with pytest.raises(QgsProcessingException, match=r"lies 2\d\d,\d\d\d times as far from"):
            run("fitsitegrid", INPUT=layer, CONTROL_TEXT=written(), CRS="EPSG:25831",
                DIRECTION=direction, OUTPUT=str(tmp_path / "o.gpkg"))  # fmt: skip
    assert list(tmp_path.iterdir()) == []


def test_a_table_without_places_is_refused_and_features_without_are_counted(
    run, readings, point_layer, tmp_path
):
    from qgis.core import QgsProcessingException

    asked = {"CONTROL_TEXT": written(), "CRS": "EPSG:25831"}
    table = tmp_path / "finds.csv"
    table.write_text("id,X,Y,what\n1,10,10,slag\n2,11,14,brick\n")
    nowhere = point_layer([None, None], [None, None], note=["a", "b"])
    for given, sentence in (
        (str(table), r"'finds' has no geometry, .*\(native:createpointslayerfromtable\) or a"),
        (nowhere, "No feature of layer '.*' has a geometry, so that nothing can be brought over"),
    ):
        with pytest.raises(QgsProcessingException, match=sentence):
            run("fitsitegrid", INPUT=given, OUTPUT=str(tmp_path / "o.gpkg"), **asked)
    assert [path.name for path in tmp_path.iterdir()] == ["finds.csv"]
    run("fitsitegrid", INPUT=readings(), OUTPUT="memory:", **asked)
    assert any(s.startswith("1 feature of layer") for s in run.listener.said)


def test_control_points_with_decimal_commas_serve(run, readings, tmp_path):
    asked = {"INPUT": readings(), "CRS": "EPSG:25831", "OUTPUT": "memory:"}
    plain = run("fitsitegrid", CONTROL_TEXT=written(), **asked)
    table = tmp_path / "pegs.csv"
    rows = [
        ";".join([name, *(str(c).replace(".", ",") for z in (SITE[name], MAP[name])
                          for c in (complex(z).real, complex(z).imag))])
        for name in SITE
    ]  # fmt: skip
    table.write_text("\n".join(["name;site_x;site_y;map_x;map_y", *rows]) + "\n")
    for given in (
        {"CONTROL": str(table)}, {"CONTROL_TEXT": written().replace(".", ",")},
    ):  # fmt: skip
        found = run("fitsitegrid", **given, **asked)
        assert places(found["OUTPUT"]) == places(plain["OUTPUT"])
        assert "RESIDUALS" not in found


def test_the_history_holds_the_transformation(run, readings, tmp_path):
    from lynchet.plugin.history import Entry, read_history
    from qgis.core import QgsVectorLayer

    paths = [str(tmp_path / name) for name in ("over.gpkg", "residuals.gpkg")]
    run("fitsitegrid", INPUT=readings(), CONTROL_TEXT=written(), CRS="EPSG:25831", OUTPUT=paths[0],
        RESIDUALS=paths[1])  # fmt: skip
    for path in paths:
        (line,) = read_history(QgsVectorLayer(path, "o", "ogr"))
        figures = Entry.parse(line).figures
        assert figures["control points"] == 4
        assert figures["scale"] == 1
        assert figures["east of the site grid's origin"] == pytest.approx(430000, abs=0.02)
        assert 0 < figures["sigma"] < 0.05


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "No control points are given. Give them as a layer or in writing."),
        ({"CONTROL_TEXT": "A 0 0"}, "The control point 'A 0 0' cannot be read"),
        ({"CONTROL_TEXT": written("A")}, "there is only one. Give another."),
        ({"CONTROL_TEXT": written(on_map={**MAP, "A": MAP["B"], "B": MAP["A"]})},
         "Likely 'A' and 'B' were exchanged."),
        ({"CONTROL_TEXT": written(), "CRS": "EPSG:4326"}, "is in degrees"),
        ({"CONTROL_TEXT": written(), "DIRECTION": "to_site_grid", "INPUT": "EPSG:25832"},
         "is in EPSG:25832 and the control points are in EPSG:25831"),
        ({"CONTROL": {"crs": "EPSG:25832"}}, "are in EPSG:25832, and EPSG:25831 is chosen for"),
        ({"CONTROL": {}, "CONTROL_TEXT": written()}, "give one of the two"),
        ({"CONTROL": {"map_x": [1.0] * 4}}, "gives one of the two map coordinates only"),
        ({"CONTROL": {}, "SITE_X_FIELD": "u"}, "has no field 'u' for 'Site x field'"),
        ({"CONTROL": {"site_y": ["0", "1", "x", "2"]}}, "'site_y' is 'x' where a number is"),
        ({"CONTROL": {"site_x": [0.0, None, 1.0, 2.0]}}, "'B' lacks a site-grid coordinate"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_nothing_written(
    run, readings, control, tmp_path, given, sentence
):
    from qgis.core import QgsProcessingException

    asked = {"CRS": "EPSG:25831", **given, "INPUT": readings(crs=given.get("INPUT", ""))}
    if "CONTROL" in given:
        asked["CONTROL"] = control(**given["CONTROL"])
    with pytest.raises(QgsProcessingException, match=sentence):
        run("fitsitegrid", OUTPUT=str(tmp_path / "o.gpkg"), RESIDUALS=str(tmp_path / "r.gpkg"),
            **asked)  # fmt: skip
    assert list(tmp_path.iterdir()) == []


def test_tables_of_text_serve_as_they_are(run, tmp_path):
    sample = ROOT / "sample_layers"
    found = run(
        "fitsitegrid", INPUT=str(sample / "quillmere_sketch.csv"),
        CONTROL=str(sample / "quillmere_pegs.csv"), CRS="EPSG:25831",
        OUTPUT=str(tmp_path / "sketch.gpkg"), RESIDUALS=str(tmp_path / "pegs.gpkg"),
    )  # fmt: skip
    figures = json.loads(found["FIGURES"])
    assert figures["control points"] == 5
    assert figures["rotation"] == pytest.approx(17, abs=0.05)
    assert figures["largest residual"] < 0.03
