"""What is flagged and excluded reaches the field qc, and nothing else changes."""

import numpy as np
import pytest
from support import attributes

N = 10
X = [430000.0 + i for i in range(N)]
Y = [5900000.0] * N
EC = [10.5, 11.5, 99.9, 12.5, 13.5, 14.5, None, 15.5, 0.0, 16.5]


@pytest.fixture(autouse=True)
def registered(provider):
    from lynchet.plugin.correct.flagreadings import FlagReadings
    from qgis.core import QgsApplication

    if QgsApplication.processingRegistry().algorithmById("lynchet:flagreadings") is None:
        provider.addAlgorithm(FlagReadings())


@pytest.fixture
def layer(point_layer):
    def make(**fields):
        columns = {"line": [1] * N, "seq": list(range(N)), "ec": EC, "ip": [0.5] * N, **fields}
        return point_layer(X, Y, **columns)

    return make


@pytest.fixture
def areas(qgis_app):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    def make(*shapes, crs="EPSG:25831", kind="MultiPolygon"):
        made = QgsVectorLayer(f"{kind}?crs={crs}", "spoilt ground", "memory")
        features = []
        for shape in shapes:
            feature = QgsFeature()
            if shape:
                feature.setGeometry(QgsGeometry.fromWkt(shape))
            features.append(feature)
        assert made.dataProvider().addFeatures(features)[0]
        return made

    return make


def box(first, last, half=1.0):
    """A square-cornered area from reading to reading, its short sides on them."""
    x, y = (X[first], X[last]), (Y[0] - half, Y[0] + half)
    ring = [(x[0], y[0]), (x[1], y[0]), (x[1], y[1]), (x[0], y[1]), (x[0], y[0])]
    return "(" + ", ".join(f"{a!r} {b!r}" for a, b in ring) + ")"


def qc(out):
    return [row[0] for row in attributes(out["OUTPUT"], "qc")]


def rows(out, bit):
    return np.flatnonzero(np.array(qc(out), int) & bit).tolist()


def test_values_at_the_ends_of_the_scale_are_flagged_and_kept(run, layer):
    out = run("flagreadings", INPUT=layer(), CHANNELS=["ec"], LOWEST="0", HIGHEST="99.9",
              OUTPUT="memory:")  # fmt: skip
    assert qc(out) == [0, 0, 4, 0, 0, 0, 0, 0, 4, 0]
    assert [row[0] for row in attributes(out["OUTPUT"], "ec")] == EC
    assert any("1 reading (10 %) at or above 99.9" in said for said in run.listener.said)


def test_limits_a_channel_may_leave_one_out(run, layer):
    out = run("flagreadings", INPUT=layer(), CHANNELS=["ec", "ip"], HIGHEST="nan; 0.5",
              OUTPUT="memory:")  # fmt: skip
    assert qc(out) == [4] * N
    assert any("100 % of the readings are flagged" in said for said in run.listener.said)
    out = run("flagreadings", INPUT=layer(), CHANNELS=["ec"], HIGHEST="50", OUTPUT="memory:")
    assert rows(out, 4) == [2]


def test_stuck_readings_are_flagged(run, point_layer):
    values = np.random.default_rng(0).normal(20, 1, 200).round(2)
    values[50:62] = 17.3
    layer = point_layer(
        [430000.0 + i for i in range(200)], [5900000.0] * 200, line=[1] * 200, ec=values.tolist()
    )
    out = run("flagreadings", INPUT=layer, STUCK=8, OUTPUT="memory:")
    assert rows(out, 4) == list(range(50, 62))
    said = "ec: line 1 has 12 equal readings from its reading 51 on."
    assert said in run.listener.said


def test_areas_exclude_what_lies_inside_or_on_their_edges(run, layer, areas):
    holed = f"MultiPolygon(({box(1, 3)}), ({box(5, 9)}, {box(6, 8, 0.5)}))"
    out = run("flagreadings", INPUT=layer(), AREA=areas(holed, None), OUTPUT="memory:")
    # The hole's own edges belong to the area: 6 and 8 lie on them, 7 inside it.
    assert rows(out, 32) == [1, 2, 3, 5, 6, 8, 9]
    assert any("Excluded by area: 7 readings (70 %)." in said for said in run.listener.said)


def test_areas_may_be_in_degrees_or_curved(run, layer, areas):
    from qgis.core import (
        QgsCoordinateReferenceSystem,
        QgsCoordinateTransform,
        QgsGeometry,
        QgsProject,
    )

    shape = QgsGeometry.fromWkt(f"Polygon({box(2, 4)})").buffer(0.3, 8)
    shape.transform(
        QgsCoordinateTransform(
            QgsCoordinateReferenceSystem("EPSG:25831"),
            QgsCoordinateReferenceSystem("EPSG:4326"),
            QgsProject.instance(),
        )
    )
    degrees = areas(shape.asWkt(17), crs="EPSG:4326", kind="Polygon")
    assert rows(run("flagreadings", INPUT=layer(), AREA=degrees, OUTPUT="memory:"), 32) == [2, 3, 4]
    x, y = X[5], Y[5]
    circle = f"CurvePolygon(CircularString({x - 1.5} {y}, {x + 1.5} {y}, {x - 1.5} {y}))"
    curved = areas(circle, kind="CurvePolygon")
    assert rows(run("flagreadings", INPUT=layer(), AREA=curved, OUTPUT="memory:"), 32) == [4, 5, 6]


def test_only_selected_areas_count(run, layer, areas):
    from qgis.core import QgsProcessingFeatureSourceDefinition, QgsProject

    made = areas(f"Polygon({box(0, 1)})", f"Polygon({box(8, 9)})", kind="Polygon")
    QgsProject.instance().addMapLayer(made)
    made.selectByIds([2])
    chosen = QgsProcessingFeatureSourceDefinition(made.id(), selectedFeaturesOnly=True)
    assert rows(run("flagreadings", INPUT=layer(), AREA=chosen, OUTPUT="memory:"), 32) == [8, 9]
    QgsProject.instance().removeMapLayer(made.id())


def test_a_field_and_an_expression_exclude_and_add_up(run, layer):
    made = layer(bad=[None, 1, 0, 0, 0, 0, 0, 0, 0, 0], operator=["A"] * 8 + ["B"] * 2)
    out = run(
        "flagreadings", INPUT=made, CHANNELS=["ec"], EXCLUDE_FIELD="bad",
        EXCLUDE_WHERE="\"operator\" = 'B' or \"ec\" = 12.5", HIGHEST="50", OUTPUT="memory:",
    )  # fmt: skip
    assert rows(out, 32) == [1, 3, 8, 9]
    assert rows(out, 4) == [2]
    assert any("Excluded by field: 1 reading (10 %)." in said for said in run.listener.said)
    assert any("Excluded by expression: 3 readings (30 %)." in said for said in run.listener.said)


def test_an_expression_may_use_geometry_and_null_is_not_true(run, layer):
    out = run("flagreadings", INPUT=layer(), EXCLUDE_WHERE="$x > 430007.5", OUTPUT="memory:")
    assert rows(out, 32) == [8, 9]
    out = run("flagreadings", INPUT=layer(), EXCLUDE_WHERE='"ec" > 50', OUTPUT="memory:")
    assert rows(out, 32) == [2]


def test_an_expression_finds_its_readings_among_selected_ones(run, layer):
    from qgis.core import QgsProcessingFeatureSourceDefinition, QgsProject

    made = layer()
    QgsProject.instance().addMapLayer(made)
    made.selectByIds([9, 2, 5, 4])
    chosen = QgsProcessingFeatureSourceDefinition(made.id(), selectedFeaturesOnly=True)
    out = run("flagreadings", INPUT=chosen, EXCLUDE_WHERE='"seq" in (3, 8)', OUTPUT="memory:")
    assert attributes(out["OUTPUT"], "seq", "qc") == [(1, 0), (3, 32), (4, 0), (8, 32)]
    QgsProject.instance().removeMapLayer(made.id())


def test_flags_add_to_earlier_ones_or_take_their_place(run, layer):
    made = layer(qc=[32, 4, 0, 1, 16, None, 0, 0, 0, 0])
    out = run("flagreadings", INPUT=made, CHANNELS=["ec"], HIGHEST="50", OUTPUT="memory:")
    assert qc(out) == [32, 4, 4, 1, 16, 0, 0, 0, 0, 0]
    out = run("flagreadings", INPUT=made, CHANNELS=["ec"], UNSET_BEFORE=True, OUTPUT="memory:")
    assert qc(out) == [0, 0, 0, 1, 16, 0, 0, 0, 0, 0]


@pytest.mark.parametrize("name", ["memory", "out.gpkg", "out.shp"])
def test_the_output_is_the_input_but_for_qc(run, layer, save, tmp_path, name):
    from qgis.core import QgsVectorLayer

    made = save(
        layer(counts=[3] * N, note=["a"] * 9 + [None], third=[1 / 3] * N),
        "in.shp" if name.endswith("shp") else "in.gpkg",
    )
    target = "memory:" if name == "memory" else str(tmp_path / name)
    out = run(
        "flagreadings", INPUT=made, CHANNELS=["ec", "third", "counts"], HIGHEST="50",
        OUTPUT=target,
    )["OUTPUT"]  # fmt: skip
    written = out if name == "memory" else QgsVectorLayer(out, "out", "ogr")
    before = list(made.fields())
    after = [field for field in written.fields() if field.name() != "qc"]
    assert [f.name() for f in after] == [f.name() for f in before]
    assert [f.type() for f in after] == [f.type() for f in before]
    names = [field.name() for field in before]
    assert attributes(written, *names) == attributes(made, *names)
    points = [[f.geometry().asWkt() for f in some.getFeatures()] for some in (made, written)]
    assert points[0] == points[1]
    assert rows({"OUTPUT": written}, 4) == [2]


def test_the_history_tells_what_was_flagged(run, layer, tmp_path):
    from lynchet.plugin.history import Entry, read_history
    from qgis.core import QgsVectorLayer

    out = str(tmp_path / "flagged.gpkg")
    run("flagreadings", INPUT=layer(), CHANNELS=["ec"], HIGHEST="50",
        EXCLUDE_WHERE='"seq" = 0', OUTPUT=out)  # fmt: skip
    (line,) = read_history(QgsVectorLayer(out, "o", "ogr"))
    entry = Entry.parse(line)
    assert entry.parameters["EXCLUDE_WHERE"] == '"seq" = 0'
    assert entry.figures["off scale high ec"] == 1
    assert entry.figures["excluded by expression"] == 1
    assert (entry.figures["flagged"], entry.figures["readings"]) == (2, N)


def test_a_later_step_does_not_hear_what_was_flagged(run, layer):
    flagged = run("flagreadings", INPUT=layer(), CHANNELS=["ec"], HIGHEST="50", OUTPUT="memory:")
    out = run(
        "despike", INPUT=flagged["OUTPUT"], CHANNELS=["ec"], NOISE_FLOOR="2", OUTPUT="memory:"
    )
    found = attributes(out["OUTPUT"], "ec", "qc")
    assert found[2] == (99.9, 4)
    spiky = run("despike", INPUT=layer(), CHANNELS=["ec"], NOISE_FLOOR="2", OUTPUT="memory:")
    assert attributes(spiky["OUTPUT"], "qc")[2] == (3,)


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "Nothing is given to flag."),
        ({"HIGHEST": "high"}, "'Highest value of the scale' is 'high'; give one number"),
        ({"HIGHEST": "inf"}, "A limit is infinite"),
        ({"LOWEST": "5", "HIGHEST": "4"}, "The scale of 'ec' runs from 5 to 4"),
        ({"HIGHEST": "1;2;3"}, "There are 3 highest values for 2 channels"),
        ({"STUCK": 2}, "The run of equal readings is 2 long: choose 3 or more"),
        ({"EXCLUDE_FIELD": "worse"}, "has no field 'worse' for 'Field that marks readings"),
        ({"EXCLUDE_WHERE": '"ec" >'}, "'Exclude where' cannot be read: "),
        ({"EXCLUDE_WHERE": '"depth" > 1'}, "has no field 'depth' for 'Exclude where'. It has:"),
        ({"EXCLUDE_WHERE": "to_int('x' || \"seq\")"}, "cannot be worked out for feature 1 of"),
    ],
)
def test_what_cannot_be_is_refused(run, layer, given, sentence):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match=sentence):
        run("flagreadings", INPUT=layer(), CHANNELS=["ec", "ip"], OUTPUT="memory:", **given)


def test_an_area_layer_that_cannot_serve_is_refused(run, layer, areas):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match="for 'Areas to exclude' holds no polygons"):
        run("flagreadings", INPUT=layer(), AREA=layer(), OUTPUT="memory:")
    nowhere = areas(f"Polygon({box(0, 1)})", kind="Polygon")
    from qgis.core import QgsCoordinateReferenceSystem

    nowhere.setCrs(QgsCoordinateReferenceSystem())
    with pytest.raises(QgsProcessingException, match="has no coordinate reference system"):
        run("flagreadings", INPUT=layer(), AREA=nowhere, OUTPUT="memory:")
