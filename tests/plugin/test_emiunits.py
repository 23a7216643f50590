"""Units in alias and history, what the history remembers, heights and the known point."""

import json
from pathlib import Path

import numpy as np
import pytest
from host import ROOT
from support import attributes

INSTRUMENT = str(ROOT / "sample_layers" / "quillmere_instrument.json")
N = 6
SHOWN = [18.0, 19.0, 20.0, 21.0, 22.0, 60.0]


@pytest.fixture
def layer(point_layer):
    def make(unit="mS/m", **fields):
        made = point_layer(
            x=[430000.0 + i for i in range(N)], y=[5900000.0] * N, line=[1] * N,
            ec_100=SHOWN, ip_100=[0.5] * N, **fields,
        )  # fmt: skip
        made.setFieldAlias(made.fields().lookupField("ec_100"), f"ec_100 [{unit}]")
        made.setFieldAlias(made.fields().lookupField("ip_100"), "ip_100 [ppt]")
        return made

    return make


def column(layer, name):
    return np.array(attributes(layer, name), dtype=float)[:, 0]


def opened(path):
    from qgis.core import QgsVectorLayer

    return QgsVectorLayer(path, "opened", "ogr")


def alias(layer, name):
    return layer.fields().field(name).alias()


def test_aliases_tell_the_new_unit_and_the_one_before(layer):
    from types import SimpleNamespace

    from lynchet.algorithms.readings import Readings
    from lynchet.plugin.corrected_layer import CorrectedLayer

    # As handed to the host, for not every host keeps them.
    before, after = (
        Readings.build(
            x=[0], y=[0], values=[[20.0, 0.5]], channels=["ec_100", "ip_100"], units=units
        )
        for units in (("mS/m", "ppt"), ("ppm", "ppt"))
    )
    source = SimpleNamespace(fields=layer().fields())
    made = CorrectedLayer(source, before, after, keep_previous=True)
    assert made.in_other_units
    told = {field.name(): field.alias() for field in made.fields}
    assert told["ec_100"] == "ec_100 [ppm]"
    assert told["ip_100"] == "ip_100 [ppt]"
    assert told["ec_100_prev"] == "ec_100_prev [mS/m]"
    assert not CorrectedLayer(source, before, before).in_other_units


def test_units_change_in_the_history(run, layer):
    from lynchet.plugin.history import channel_units, read_history

    before = layer()
    made = run(
        "emiunits", INPUT=before, INSTRUMENT=INSTRUMENT, QUADRATURE_TO="ppm",
        IN_PHASE_TO="susceptibility", KEEP_PREVIOUS=True, OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    units = channel_units(read_history(made))
    assert (units["ec_100"], units["ip_100"]) == ("ppm", "1e-5 SI")
    # McNeill (1980): w mu_0 s^2 / 4 per S/m.
    rule = 2 * np.pi * 1e4 * 4e-7 * np.pi / 4
    np.testing.assert_allclose(column(made, "ec_100"), 1e3 * rule * np.array(SHOWN), rtol=1e-12)
    assert column(made, "ec_100_prev").tolist() == SHOWN
    assert alias(before, "ec_100") == "ec_100 [mS/m]"
    assert column(before, "ec_100").tolist() == SHOWN


@pytest.mark.parametrize(("form", "unit"), [("exact", "mS/m"), ("ppt", "ppt")])
def test_files_tell_the_unit_whether_it_stays_or_not(run, layer, save, tmp_path, form, unit):
    from lynchet.plugin.history import channel_units, read_history

    out = str(tmp_path / "converted.gpkg")
    run(
        "emiunits", INPUT=save(layer()), INSTRUMENT=INSTRUMENT, QUADRATURE_FROM="low_induction",
        QUADRATURE_TO=form, OUTPUT=out,
    )  # fmt: skip
    made = opened(out)
    assert channel_units(read_history(made))["ec_100"] == unit
    assert alias(made, "ec_100") in ("", f"ec_100 [{unit}]")  # not every host keeps it
    assert (column(made, "ip_100") == 0.5).all()


def test_a_second_run_knows_of_the_first(run, layer):
    once = run("emiunits", INPUT=layer(), INSTRUMENT=INSTRUMENT, OUTPUT="memory:")["OUTPUT"]
    twice = run("emiunits", INPUT=once, INSTRUMENT=INSTRUMENT, OUTPUT="memory:")["OUTPUT"]
    assert column(twice, "ec_100").tolist() == column(once, "ec_100").tolist()
    back = run(
        "emiunits", INPUT=twice, INSTRUMENT=INSTRUMENT, QUADRATURE_TO="low_induction",
        OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    np.testing.assert_allclose(column(back, "ec_100"), SHOWN, rtol=1e-9)
    run(
        "emiunits", INPUT=once, INSTRUMENT=INSTRUMENT, QUADRATURE_FROM="low_induction",
        OUTPUT="memory:",
    )  # fmt: skip
    assert any("may be converted twice" in said for said in run.listener.said)


def test_a_sequence_runs_it_and_passes_the_units_on(run, layer, tmp_path):
    from lynchet.plugin.history import channel_units, read_history

    (tmp_path / "coils.json").write_text(Path(INSTRUMENT).read_text("utf-8"))
    step = "emiunits\n  instrument = coils.json\n  quadrature_to = {}\n  offsets = ec_100 = {}\n"
    sequence = tmp_path / "sequence.txt"
    sequence.write_text(step.format("ppt", 2) + step.format("ratio", 0))
    made = run("runsequence", INPUT=layer(), SEQUENCE=str(sequence), OUTPUT="memory:")["OUTPUT"]
    assert any("was set once before" in said for said in run.listener.said)
    rule = 1e-3 * 2 * np.pi * 1e4 * 4e-7 * np.pi / 4
    np.testing.assert_allclose(column(made, "ec_100"), rule * (np.array(SHOWN) - 2), rtol=1e-9)
    assert channel_units(read_history(made))["ec_100"] == "ratio"


def test_heights_and_a_known_point(run, layer):
    heights = [0.0, 0.05, 0.1, 0.15, 0.2, None]
    out = run(
        "emiunits", INPUT=layer(up=heights), INSTRUMENT=INSTRUMENT, HEIGHT_FIELD="up",
        QUADRATURE_TO="low_induction_lifted", OUTPUT="memory:",
        KNOWN_POINT="430001,5900000", KNOWN_RADIUS=0.5, KNOWN_VALUES="ec_100 = 30",
    )  # fmt: skip
    shares = 1 / np.sqrt(4 * np.array(heights[:5]) ** 2 + 1)
    expected = (np.array(SHOWN[:5]) - (19 - 30 * shares[1])) / shares
    found = attributes(out["OUTPUT"], "ec_100")
    np.testing.assert_allclose([value for (value,) in found[:5]], expected, rtol=1e-12)
    assert found[5] == (None,)
    figures = json.loads(out["FIGURES"])
    assert figures["ec_100 readings at the point"] == 1
    assert figures["ec_100 without a height"] == 1


def test_a_radius_left_empty_is_a_metre_in_feet_too(run, point_layer):
    made = point_layer(
        x=[1000.0 + i for i in range(N)], y=[1000.0] * N, crs="EPSG:2263", ec_100=SHOWN
    )
    out = run(
        "emiunits", INPUT=made, INSTRUMENT=INSTRUMENT, LINE_FIELD="", OUTPUT="memory:",
        KNOWN_POINT="1000,1000", KNOWN_VALUES="ec_100 = 20",
    )  # fmt: skip
    assert json.loads(out["FIGURES"])["ec_100 readings at the point"] == 4


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"INSTRUMENT": ""}, "No file is given for 'Instrument description'"),
        ({"OFFSETS": "ec_100: 2"}, "'Offsets' holds 'ec_100: 2'; write a channel"),
        ({"KNOWN_VALUES": "ec_100 = 2"}, "Known values are given without the known point"),
        ({"KNOWN_POINT": "430000,5900000"}, "A known point is given without known values"),
        ({"OFFSETS": "soil = 2"}, "The zero level names 'soil', which is no channel worked on"),
        ({"CHANNELS": ["line"]}, "'line' is no channel of Quillmere's instrument"),
        (
            {"KNOWN_POINT": "431000,5900000", "KNOWN_VALUES": "ec_100 = 2"},
            "of 'ec_100' lies within 1 m of the known point; the nearest is 995 m away",
        ),
        ({"unit": "µS/m"}, "Channel 'ec_100' is in µS/m by the layer, but in mS/m by the instr"),
    ],
)
def test_what_cannot_be_is_refused(run, layer, given, sentence, tmp_path):
    from qgis.core import QgsProcessingException

    given = dict(given)
    made = layer(given.pop("unit", "mS/m"))
    out = tmp_path / "none.gpkg"
    asked = {"INPUT": made, "INSTRUMENT": INSTRUMENT, "OUTPUT": str(out), **given}
    with pytest.raises(QgsProcessingException, match=sentence):
        run("emiunits", **asked)
    assert not out.exists()


def told(run, words):
    return [one for one in run.listener.said if words in one]


def test_a_layer_that_lost_its_history_is_spoken_of(run, layer):
    import processing

    once = run(
        "emiunits", INPUT=layer(), INSTRUMENT=INSTRUMENT, QUADRATURE_TO="unchanged",
        IN_PHASE_TO="susceptibility", OUTPUT="memory:",
    )["OUTPUT"]  # fmt: skip
    lost = processing.run(
        "native:extractbyexpression",
        {"INPUT": once, "EXPRESSION": "line = 1", "OUTPUT": "memory:"},
    )["OUTPUT"]
    for name in ("ec_100", "ip_100"):  # not every host keeps them
        lost.setFieldAlias(lost.fields().lookupField(name), "")
    asked = {"INSTRUMENT": INSTRUMENT, "IN_PHASE_TO": "susceptibility", "OUTPUT": "memory:"}
    run("emiunits", INPUT=lost, CHANNELS=["ec_100", "ip_100"], **asked)
    assert told(run, "No history tells what ec_100, ip_100 are in")
    assert told(run, "ip_100: the median is")
    run("emiunits", INPUT=once, CHANNELS=["ec_100", "ip_100"], **asked)
    assert not told(run, "No history tells")
    assert not told(run, "ip_100: the median is")


@pytest.mark.parametrize("chosen", [{}, {"CHANNELS": ["ec_100"]}])
def test_values_referred_to_a_temperature_are_spoken_of(run, layer, chosen):
    warm = run("temperature", INPUT=layer(), TEMPERATURE=12, REFERENCE=20, OUTPUT="memory:",
               **chosen)["OUTPUT"]  # fmt: skip
    run("emiunits", INPUT=warm, INSTRUMENT=INSTRUMENT, OUTPUT="memory:")
    assert told(run, "ec_100: by the history its values were referred to 20 °C")
    assert not told(run, "ip_100: by the history")


def test_values_not_referred_to_a_temperature_are_not_spoken_of(run, layer):
    made = layer(ec_050=SHOWN)
    made.setFieldAlias(made.fields().lookupField("ec_050"), "ec_050 [mS/m]")
    asked = {"INSTRUMENT": INSTRUMENT, "OUTPUT": "memory:"}
    first = run("emiunits", INPUT=made, QUADRATURE_TO="unchanged", **asked)
    assert not told(run, "'ec_050' of the instrument")
    second = run(
        "emiunits", INPUT=first["OUTPUT"], QUADRATURE_TO="ppm", CHANNELS=["ec_100"], **asked
    )
    warm = run("temperature", INPUT=second["OUTPUT"], TEMPERATURE=12, OUTPUT="memory:")
    run("emiunits", INPUT=warm["OUTPUT"], **asked)
    assert told(run, "ec_050: by the history its values were referred to 25 °C")
    assert not told(run, "ec_100: by the history")


def test_a_history_without_a_conversion_is_one(run, layer):
    cleaned = run("despike", INPUT=layer(), OUTPUT="memory:")["OUTPUT"]
    run("emiunits", INPUT=cleaned, INSTRUMENT=INSTRUMENT, OUTPUT="memory:")
    assert not told(run, "No history tells")
    run("emiunits", INPUT=layer(), INSTRUMENT=INSTRUMENT, OUTPUT="memory:")
    assert told(run, "No history tells what ec_100, ip_100 are in")


def test_offsets_of_a_second_time_are_told_their_unit(run, layer):
    asked = {"INSTRUMENT": INSTRUMENT, "OFFSETS": "ec_100 = 2", "OUTPUT": "memory:"}
    once = run("emiunits", INPUT=layer(), QUADRATURE_TO="ppm", **asked)["OUTPUT"]
    run("emiunits", INPUT=once, **asked)
    assert told(run, "is taken in ppm, which the channel is in now, not in mS/m as the time before")


def test_older_previous_values_are_spoken_of(run, layer):
    asked = {"INSTRUMENT": INSTRUMENT, "KEEP_PREVIOUS": True, "OUTPUT": "memory:"}
    once = run("emiunits", INPUT=layer(), **asked)["OUTPUT"]
    assert not told(run, "older previous values")
    run("emiunits", INPUT=once, **asked)
    assert told(run, "The older previous values in ec_100_prev, ip_100_prev are replaced")
    run("emiunits", INPUT=once, **{**asked, "KEEP_PREVIOUS": False})
    assert not told(run, "older previous values")
    text = "despike\n  keep_previous = true\n" * 2
    run("runsequence", INPUT=layer(), TEXT=text, OUTPUT="memory:")
    assert len(told(run, "older previous values")) == 1


def test_channels_of_the_instrument_that_cannot_be_worked_on_are_named(run, point_layer):
    made = point_layer(
        x=[430000.0 + i for i in range(N)], y=[5900000.0] * N, line=[1] * N, ec_100=SHOWN,
        ip_100=["0.5"] * N, ec_050=[20] * N,
    )  # fmt: skip
    run("emiunits", INPUT=made, INSTRUMENT=INSTRUMENT, OUTPUT="memory:")
    assert told(run, "'ip_050' of the instrument is not in the layer.")
    assert told(run, "'ip_100' of the instrument is text in the layer")
    assert told(run, "'ec_050' of the instrument is no channel by the layer's history or type")
    assert not told(run, "'ec_100' of")
    run("emiunits", INPUT=made, INSTRUMENT=INSTRUMENT, CHANNELS=["ec_100"], OUTPUT="memory:")
    assert not told(run, "of the instrument is")


def test_a_field_chosen_for_the_height_is_no_channel(run, layer):
    asked = {"INSTRUMENT": INSTRUMENT, "HEIGHT_FIELD": "up", "KEEP_PREVIOUS": True}
    made = run("emiunits", INPUT=layer(up=[0.1] * N, ph=[7.0] * N), OUTPUT="memory:", **asked)
    names = made["OUTPUT"].fields().names()
    assert "ec_100_prev" in names
    assert "up_prev" not in names
    assert (column(made["OUTPUT"], "up") == 0.1).all()
    assert told(run, "Left as they are, being no channels of the instrument: ph.")
    text = f'emiunits\n  instrument = "{INSTRUMENT}"\n  height_field = up\n'
    run("runsequence", INPUT=layer(up=[0.1] * N, ph=[7.0] * N), TEXT=text, OUTPUT="memory:")
    assert told(run, "Left as they are, being no channels of the instrument: ph.")


def test_the_help_of_the_traverse_number_is_its_own(provider):
    shown = provider.algorithm("emiunits").parameterDefinition("LINE_FIELD").help()
    assert "Readings without one are converted too" in shown
    shown = provider.algorithm("despike").parameterDefinition("LINE_FIELD").help()
    assert "Readings without one are carried through unchanged" in shown


def test_an_instrument_that_a_sequence_does_not_find(run, layer, tmp_path):
    from qgis.core import QgsProcessingException

    sequence = tmp_path / "sequence.txt"
    sequence.write_text("emiunits\n  instrument = coils.json\n")
    sentence = (
        "Line 1 of the sequence: there is no file 'coils.json' for 'Instrument description'. Put "
        "it beside the sequence file or the readings, or write its full path."
    )
    with pytest.raises(QgsProcessingException, match=sentence):
        run("runsequence", INPUT=layer(), SEQUENCE=str(sequence), OUTPUT="memory:")


@pytest.mark.parametrize("query", ["None?", "Polygon?crs=EPSG:25831&"])
def test_a_layer_without_points_is_refused(run, query):
    from qgis.core import QgsProcessingException, QgsVectorLayer

    made = QgsVectorLayer(f"{query}field=ec_100:double", "quillmere", "memory")
    with pytest.raises(QgsProcessingException, match="Layer 'quillmere' for 'Readings' holds no p"):
        run("emiunits", INPUT=made, INSTRUMENT=INSTRUMENT, OUTPUT="memory:")
