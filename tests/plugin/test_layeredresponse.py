"""Layered grounds to readings: what comes out, what is kept and what is refused."""

import json

import numpy as np
import pytest
from support import attributes

SQUARE = 1 / np.sqrt(4 * 0.6**2 + 1)
"""R_V(0.6): McNeill (1980), TN-6."""


@pytest.fixture(autouse=True)
def registered(provider):
    from lynchet.plugin.ground.layeredresponse import LayeredResponse
    from qgis.core import QgsApplication

    if QgsApplication.processingRegistry().algorithmById("lynchet:layeredresponse") is None:
        provider.addAlgorithm(LayeredResponse())


@pytest.fixture
def instrument(tmp_path):
    def make(**changed):
        said = {
            "name": "one pair", "orientation": "vertical", "frequency_hz": 10000, "height_m": 0,
            "pairs": [{"spacing_m": 1, "quadrature_field": "ec", "in_phase_field": "ip"}],
            **changed,
        }  # fmt: skip
        path = tmp_path / "one.json"
        path.write_text(json.dumps(said))
        return str(path)

    return make


@pytest.fixture
def grounds(point_layer):
    def make(**changed):
        fields = {
            "line": [1, 1, 2],
            "name": ["a", "b", "c"],
            "s1": [20.0, 20.0, None],
            "s2": [50.0, 20.0, 50.0],
            "d": [0.6, 0.6, 0.6],
            "k1": [0.001, 0.0, 0.0],
            "k2": [0.001, 0.0, 0.0],
            "h": [0.0, 0.2, 0.0],
            **changed,
        }
        x = [430000.0 + i for i in range(3)]
        return point_layer(x=x, y=[5900000.0] * 3, **fields)

    return make


ASKED = {"CONDUCTIVITY_FIELDS": ["s1", "s2"], "THICKNESS_FIELDS": ["d"], "OUTPUT": "memory:"}


def column(out, name):
    return np.array(attributes(out["OUTPUT"], name), dtype=float)[:, 0]


def test_two_layers_read_as_mcneill_writes_them(run, grounds, instrument):
    out = run("layeredresponse", INPUT=grounds(), INSTRUMENT=instrument(), METHOD="low_induction",
              **ASKED)  # fmt: skip
    # sigma_a = sigma_1 (1 - R(z)) + sigma_2 R(z), TN-6.
    expected = [20 * (1 - SQUARE) + 50 * SQUARE, 20.0, np.nan]
    assert column(out, "ec") == pytest.approx(expected, nan_ok=True)


def test_exact_readings_are_those_of_the_science(run, grounds, instrument):
    from lynchet.algorithms.ground.instrument import CoilPair
    from lynchet.algorithms.ground.layeredresponse import layered_response

    out = run("layeredresponse", INPUT=grounds(), INSTRUMENT=instrument(), HEIGHT_FIELD="h",
              SUSCEPTIBILITY_FIELDS=["k1", "k2"], **ASKED)  # fmt: skip
    ratio = layered_response(
        [CoilPair(1.0)], [[20, 50], [20, 20]], [0.6], [[1e-3, 1e-3], [0, 0]], [0.0, 0.2]
    )[:, 0]
    omega = 2 * np.pi * 1e4
    shown = 1e3 * 4 * ratio.imag / (omega * 4e-7 * np.pi)
    assert column(out, "ec")[:2] == pytest.approx(shown, rel=1e-9)
    assert column(out, "ip")[:2] == pytest.approx(1e3 * ratio.real, rel=1e-9)
    # Half the susceptibility, in ppt, and a little that the conductivity does.
    assert column(out, "ip")[0] == pytest.approx(0.5, abs=0.05)


def test_features_come_out_whole_with_channels_that_other_steps_take(run, grounds, instrument):
    from lynchet.plugin.history import channel_units
    from lynchet.plugin.readings_layer import guess_channels
    from lynchet.plugin.source import LayerSource

    before = grounds()
    out = run("layeredresponse", INPUT=before, INSTRUMENT=instrument(), **ASKED)
    after = out["OUTPUT"]
    names = before.fields().names()
    assert after.fields().names() == [*names, "ec", "ip"]
    assert attributes(after, *names) == attributes(before, *names)
    places = [[f.geometry().asWkt() for f in layer.getFeatures()] for layer in (before, after)]
    assert places[0] == places[1]
    lines = after.metadata().history()
    assert channel_units(lines) == {"ec": "mS/m", "ip": "ppt"}
    assert guess_channels(LayerSource(after, after, False), lines) == ("ec", "ip")
    assert any("1 feature lacks a number" in said for said in run.listener.said)
    twice = run("layeredresponse", INPUT=after, INSTRUMENT=instrument(), PREFIX="m_", **ASKED)
    history = twice["OUTPUT"].metadata().history()
    assert history[0] == lines[0]
    assert len(history) == 2
    again = run("despike", INPUT=after, OUTPUT="memory:")["OUTPUT"]
    assert again.featureCount() == 3


def test_a_typed_ground_alone_is_a_table_of_one_row(run, instrument):
    out = run("layeredresponse", CONDUCTIVITIES="20;50", THICKNESSES="0.6",
              SUSCEPTIBILITIES="0.001;0", INSTRUMENT=instrument(), METHOD="low_induction",
              OUTPUT="memory:")  # fmt: skip
    names = ("conductivity_1", "conductivity_2", "thickness_1", "susceptibility_1",
             "susceptibility_2", "ec", "ip")  # fmt: skip
    assert tuple(out["OUTPUT"].fields().names()) == names
    (row,) = attributes(out["OUTPUT"], *names)
    assert row[:5] == (20, 50, 0.6, 0.001, 0)
    assert row[5] == pytest.approx(20 * (1 - SQUARE) + 50 * SQUARE)
    # Half an image: kappa / 2 (1 - (1 - 2 Z^2) / (1 + Z^2)^2.5) with Z twice the depth.
    z = 1.2
    assert row[6] == pytest.approx(0.5 * (1 - (1 - 2 * z**2) / (1 + z**2) ** 2.5))


def test_typed_numbers_hold_for_all_features(run, grounds, instrument):
    out = run("layeredresponse", INPUT=grounds(), INSTRUMENT=instrument(), THICKNESS_FIELDS=["d"],
              CONDUCTIVITIES="20;50", HEIGHT=0.1, OUTPUT="memory:")  # fmt: skip
    many = column(out, "ec")
    one = run("layeredresponse", INSTRUMENT=instrument(height_m=0.1), CONDUCTIVITIES="20;50",
              THICKNESSES="0.6", OUTPUT="memory:")  # fmt: skip
    assert many == pytest.approx([column(one, "ec")[0]] * 3)


def test_units_are_the_instruments(run, instrument, tmp_path):
    from lynchet.plugin.history import channel_units, read_history
    from qgis.core import QgsVectorLayer

    asked = {"CONDUCTIVITIES": "30", "SUSCEPTIBILITIES": "0.001", "METHOD": "low_induction"}
    said = instrument(quadrature_unit="ppm", in_phase_unit="ratio")
    out = run("layeredresponse", INSTRUMENT=said, OUTPUT="memory:", **asked)
    # Q = w mu_0 sigma s^2 / 4 (TN-6).
    assert column(out, "ec")[0] == pytest.approx(1e6 * np.pi * 1e4 * 4e-7 * np.pi * 0.03 / 2)
    assert column(out, "ip")[0] == pytest.approx(0.0005)
    path = str(tmp_path / "one.gpkg")
    run("layeredresponse", INSTRUMENT=said, OUTPUT=path, **asked)
    lines = read_history(QgsVectorLayer(path, "one", "ogr"))
    assert channel_units(lines) == {"ec": "ppm", "ip": "ratio"}


def test_measured_channels_stay_beside_modelled_ones(run, grounds, instrument):
    layer = grounds(ec=[1.0, 2.0, 3.0])
    out = run("layeredresponse", INPUT=layer, INSTRUMENT=instrument(), PREFIX="model_", **ASKED)
    assert column(out, "ec").tolist() == [1, 2, 3]
    assert np.isfinite(column(out, "model_ec")[:2]).all()
    assert json.loads(out["FIGURES"])["model_ec"]["lowest"] == column(out, "model_ec")[1]


def test_blanks_stand_between_numbers_as_semicolons_do(run, instrument):
    asked = {"INSTRUMENT": instrument(), "THICKNESSES": "0.6", "OUTPUT": "memory:"}
    reads = [
        column(run("layeredresponse", CONDUCTIVITIES=text, **asked), "ec")[0]
        for text in ("20;50", "20 50", " 20 ;  50 ")
    ]
    assert reads[0] == reads[1] == reads[2]


@pytest.mark.parametrize(
    ("second", "span"),
    [(19.0, "18.99 to 19.00 mS/m"), (36.3, "18.99 to 36.30 mS/m"), (18.99, "18.99 mS/m")],
)
def test_both_ends_of_a_range_have_the_same_decimals(run, grounds, instrument, second, span):
    layer = grounds(s1=[18.99, second, second], s2=[18.99, second, second])
    run("layeredresponse", INPUT=layer, INSTRUMENT=instrument(), METHOD="low_induction", **ASKED)
    assert f"'ec', 1 m vertical: {span}." in run.listener.said


def test_names_that_a_shapefile_cuts_are_told(run, grounds, instrument, tmp_path):
    from qgis.core import QgsVectorLayer

    said = instrument(pairs=[{"spacing_m": 1}, {"spacing_m": 2, "quadrature_field": "ten_letter"}])
    asked = {"INPUT": grounds(), "INSTRUMENT": said, "CONDUCTIVITIES": "20"}
    names = {}
    for ending in ("shp", "gpkg"):
        path = str(tmp_path / f"out.{ending}")
        run("layeredresponse", OUTPUT=path, **asked)
        told = [text for text in run.listener.said if "Shapefiles cut" in text]
        names[ending] = (QgsVectorLayer(path, "o", "ogr").fields().names(), told)
    assert names["shp"][1] == [
        "Shapefiles cut field names to 10 characters: ec_100_vertical, ip_100_vertical. Write a "
        "GeoPackage (.gpkg) to keep them."
    ]
    assert "ec_100_ver" in names["shp"][0]
    assert "ten_letter" in names["shp"][0]
    assert names["gpkg"][1] == []


def test_a_text_table_serves(run, instrument, tmp_path):
    path = tmp_path / "grounds.csv"
    path.write_text("name,s1,s2,d\na,20,50,0.6\nb,20,,0.6\n")
    out = run("layeredresponse", INPUT=str(path), INSTRUMENT=instrument(), **ASKED)
    assert np.isfinite(column(out, "ec")).tolist() == [True, False]
    assert not out["OUTPUT"].isSpatial()


def test_the_selection_alone_is_worked_on(run, grounds, instrument):
    from qgis.core import (
        QgsProcessingException,
        QgsProcessingFeatureSourceDefinition,
        QgsProject,
    )

    layer = grounds()
    QgsProject.instance().addMapLayer(layer)
    layer.selectByExpression("name = 'b'")
    chosen = QgsProcessingFeatureSourceDefinition(layer.id(), selectedFeaturesOnly=True)
    out = run("layeredresponse", INPUT=chosen, INSTRUMENT=instrument(), **ASKED)
    assert attributes(out["OUTPUT"], "name") == [("b",)]
    again = QgsProject.instance().addMapLayer(out["OUTPUT"])
    again.selectAll()
    source = QgsProcessingFeatureSourceDefinition(again.id(), selectedFeaturesOnly=True)
    twice = run("layeredresponse", INPUT=source, INSTRUMENT=instrument(), PREFIX="m_", **ASKED)
    assert len(twice["OUTPUT"].metadata().history()) == 2
    QgsProject.instance().removeMapLayer(again.id())
    layer.removeSelection()
    with pytest.raises(QgsProcessingException) as wrong:
        run("layeredresponse", INPUT=chosen, INSTRUMENT=instrument(), **ASKED)
    assert str(wrong.value).endswith(
        "'Grounds' takes the selected features only, and none is selected in layer 'quillmere'. "
        "Select some, or take the whole layer."
    )
    QgsProject.instance().removeMapLayer(layer.id())


@pytest.mark.parametrize(
    ("fields", "asked", "sentence"),
    [
        ({"d": [0.6, -0.6, 0.6]}, {}, "Feature 2 of layer 'quillmere': field 'd' is -0.6 where a"),
        ({"s2": [50.0, -1.0, 50.0]}, {}, "Feature 2 of layer 'quillmere': field 's2' is -1"),
        ({"h": [0.0, 99.0, 0.0]}, {"HEIGHT_FIELD": "h"}, "field 'h' is 99 where a height is need"),
        ({}, {"THICKNESS_FIELDS": []}, "2 conductivities need 1 thickness, not 0"),
        ({}, {"THICKNESSES": "0.5"}, "'Thickness fields' and 'Thicknesses for all' are both given"),
        ({}, {"CONDUCTIVITY_FIELDS": []}, "No conductivity is given"),
        ({}, {"SUSCEPTIBILITIES": "0.001"}, "1 susceptibility is given for 2 conductivities"),
        (
            {},
            {"CONDUCTIVITY_FIELDS": [], "CONDUCTIVITIES": "15;;20"},
            "'Conductivities for all' is '15;;20': layer 2 has no number. Give it, or take the",
        ),
        (
            {},
            {"CONDUCTIVITY_FIELDS": [], "CONDUCTIVITIES": "; 15; 20"},
            "'Conductivities for all' is '; 15; 20': layer 1 has no number",
        ),
        (
            {},
            {"CONDUCTIVITY_FIELDS": [], "CONDUCTIVITIES": "15; 20;"},
            "'Conductivities for all' is '15; 20;': layer 3 has no number",
        ),
        ({}, {"SUSCEPTIBILITIES": "50;500"}, "The susceptibility of layer 2 is 500; give -0.1"),
        ({}, {"THICKNESS_FIELDS": ["depth"]}, "has no field 'depth' for 'Thickness fields'"),
        ({}, {"THICKNESS_FIELDS": ["name"]}, "Feature 1 of layer 'quillmere': field 'name' is 'a'"),
        ({"EC": [1.0, 2.0, 3.0]}, {}, "has a field 'EC' already"),
        (
            {"h": [None] * 3, "s2": [1.0, None, 1.0], "s1": [None, 2.0, None]},
            {},
            "No feature of layer 'quillmere' has all the numbers",
        ),
        ({}, {"INPUT": None}, "'Conductivity fields' is given, but no layer of grounds"),
        ({}, {"HEIGHT_FIELD": "h", "HEIGHT": 0.1}, "'Height field' and 'Height for all' are both"),
    ],
)
def test_bad_input_gets_one_sentence_and_writes_nothing(
    run, grounds, instrument, tmp_path, fields, asked, sentence
):
    from qgis.core import QgsProcessingException

    (tmp_path / "out").mkdir()
    path = tmp_path / "out" / "readings.gpkg"
    given = {"INPUT": grounds(**fields), **ASKED, **asked, "OUTPUT": str(path)}
    with pytest.raises(QgsProcessingException) as wrong:
        run("layeredresponse", INSTRUMENT=instrument(), **given)
    assert sentence in str(wrong.value)
    assert list((tmp_path / "out").iterdir()) == []


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({"pairs": [{"spacing_m": 0}]}, "Pair 1 of one.json: 'spacing_m' is 0; write metres"),
        ({"frequency_hz": 0}, "'frequency_hz' is 0; write hertz"),
    ],
)
def test_coils_that_cannot_be_are_refused(run, instrument, changed, sentence):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException) as wrong:
        run("layeredresponse", CONDUCTIVITIES="20", INSTRUMENT=instrument(**changed),
            OUTPUT="memory:")  # fmt: skip
    assert sentence in str(wrong.value)


def test_names_that_a_file_would_not_tell_apart_are_refused(run, grounds, instrument):
    from qgis.core import QgsProcessingException

    said = instrument(pairs=[{"spacing_m": 1, "quadrature_field": "S1"}])
    with pytest.raises(QgsProcessingException) as wrong:
        run("layeredresponse", INPUT=grounds(), INSTRUMENT=said, **ASKED)
    assert "Layer 'quillmere' has a field 's1' already" in str(wrong.value)
    said = instrument(pairs=[{"spacing_m": 1, "quadrature_field": "Conductivity_1"}])
    with pytest.raises(QgsProcessingException) as wrong:
        run("layeredresponse", CONDUCTIVITIES="20", INSTRUMENT=said, OUTPUT="memory:")
    assert "The output has a field 'conductivity_1' already" in str(wrong.value)


def test_a_layer_without_features_is_refused(run, grounds, instrument):
    from qgis.core import QgsProcessingException

    layer = grounds()
    layer.dataProvider().truncate()
    with pytest.raises(QgsProcessingException) as wrong:
        run("layeredresponse", INPUT=layer, INSTRUMENT=instrument(), **ASKED)
    assert "Layer 'quillmere' holds no features" in str(wrong.value)
