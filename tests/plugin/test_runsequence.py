"""A sequence gives what its steps give one after the other."""

import json

import numpy as np
import pytest
from host import ROOT
from support import attributes

SAMPLE = ROOT / "sample_layers"
CHANNELS = ("ec_050", "ip_050", "ec_100", "ip_100")

TEXT = """
# Quillmere, in the office
despike
    window = 9
    replace_by = interpolation
driftbase
    BASE = "base.gpkg"
    method = smooth
lynchet:alignpasses
    scope = each_grid
levellines
    channels = ["ec_050", "ec_100"]
    keep_previous = true
balancegrids
removetrend
    method = polynomial
    channels = ["ec_050"]
temperature
    channels = ["ec_050"]
    temperature = 12.5
"""


@pytest.fixture(scope="module")
def survey(tmp_path_factory):
    return tmp_path_factory.mktemp("survey")


@pytest.fixture
def brought_in(run, survey):
    readings, base = survey / "readings.gpkg", survey / "base.gpkg"
    if not base.exists():
        run("importtable", FILES=[str(SAMPLE / f"quillmere_g{k}.csv") for k in (1, 2)],
            PLACEMENT="site_grid", CRS="EPSG:25831", LAYOUT=str(SAMPLE / "quillmere_grids.csv"),
            GRID_COLUMN="grid", LINE_COLUMN="line", SEQUENCE_COLUMN="reading", TIME_COLUMN="time",
            SEPARATION=0.5, INTERVAL=0.125, OUTPUT=str(readings))  # fmt: skip
        run("importtable", FILES=[str(SAMPLE / "quillmere_base.csv")], PLACEMENT="projected",
            CRS="EPSG:25831", X_COLUMN="x", Y_COLUMN="y", TIME_COLUMN="time",
            OUTPUT=str(base))  # fmt: skip
    return str(readings)


def chained(run, readings, tmp_path):
    from lynchet.plugin.sequence import parse

    path = readings
    for number, called in enumerate(parse(TEXT)):
        out = str(tmp_path / f"chain{number}.gpkg")
        asked = dict(called.parameters)
        if "BASE" in asked:
            asked["BASE"] = str(readings).replace("readings.gpkg", "base.gpkg")
        run(called.step, INPUT=path, OUTPUT=out, **asked)
        path = out
    return path


def opened(path):
    from qgis.core import QgsVectorLayer

    return QgsVectorLayer(str(path), "layer", "ogr")


def everything(layer):
    names = [name for name in layer.fields().names() if name != "fid"]
    places = [f.geometry().asWkt(9) for f in layer.getFeatures()]
    return names, attributes(layer, *names), places


def without_input(lines):
    """History with the names of layers, which differ, left out."""
    from lynchet.plugin.history import Entry

    found = []
    for line in lines:
        entry = Entry.parse(line)
        asked = {k: v for k, v in entry.parameters.items() if k not in ("INPUT",)}
        found.append((entry.step, asked, dict(entry.figures), dict(entry.units)))
    return found


def test_a_sequence_gives_exactly_what_the_single_steps_give(run, brought_in, tmp_path):
    from lynchet.plugin.history import read_history

    single = opened(chained(run, brought_in, tmp_path))
    text = tmp_path / "sequence.txt"
    text.write_text(TEXT, encoding="utf-8")
    whole = opened(
        run("runsequence", INPUT=brought_in, SEQUENCE=str(text),
            OUTPUT=str(tmp_path / "whole.gpkg"))["OUTPUT"]
    )  # fmt: skip
    one, other = everything(single), everything(whole)
    assert one[0] == other[0]
    assert "ec_050_trend" in one[0]
    assert "ec_050_prev" in one[0]
    assert one[1] == other[1]
    assert one[2] == other[2]
    lines = [without_input(read_history(layer)) for layer in (single, whole)]
    assert lines[0] == lines[1]
    assert len(lines[0]) == 8


def test_the_history_of_a_layer_runs_again_on_other_readings(run, brought_in, tmp_path):
    first = str(tmp_path / "first.gpkg")
    run("runsequence", INPUT=brought_in, TEXT="despike\n  window = 9\nlevellines", OUTPUT=first)
    written = tmp_path / "method.txt"
    second = str(tmp_path / "second.gpkg")
    run("runsequence", INPUT=brought_in, HISTORY_OF=first, OUTPUT=second, WRITTEN=str(written))
    assert everything(opened(first)) == everything(opened(second))
    text = written.read_text("utf-8")
    assert "window = 9" in text
    assert "# Left out, for it is no correction of readings: importtable" in text
    third = str(tmp_path / "third.gpkg")
    run("runsequence", INPUT=brought_in, SEQUENCE=str(written), OUTPUT=third)
    assert everything(opened(first)) == everything(opened(third))


def test_figures_come_step_by_step(run, brought_in, tmp_path):
    found = run("runsequence", INPUT=brought_in, TEXT="despike\nlevellines",
                OUTPUT=str(tmp_path / "out.gpkg"))  # fmt: skip
    figures = json.loads(found["FIGURES"])
    assert [part["step"] for part in figures] == ["lynchet:despike", "lynchet:levellines"]
    assert figures[0]["spikes ec_050"] > 0


def test_progress_only_rises(provider, brought_in, tmp_path):
    from qgis.core import QgsApplication, QgsProcessingContext, QgsProcessingFeedback

    shown = []
    feedback = QgsProcessingFeedback(False)
    feedback.progressChanged.connect(shown.append)
    algorithm = QgsApplication.processingRegistry().createAlgorithmById("lynchet:runsequence")
    asked = {"INPUT": brought_in, "TEXT": "despike\nlevellines\nbalancegrids",
             "OUTPUT": str(tmp_path / "out.gpkg")}  # fmt: skip
    _, ok = algorithm.run(asked, QgsProcessingContext(), feedback)
    assert ok
    assert shown == sorted(shown)
    assert len(set(np.round(shown))) > 10


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "Give the sequence in one way: a file, a text, or a layer whose history to repeat."),
        ("# nothing", "The sequence names no step. Write one step's id a line."),
        ("  window = 7", "Line 1 of the sequence sets 'window' before any step is named."),
        ("despike fast", "Line 1 of the sequence, 'despike fast', is neither a step's id nor "
         "'parameter = value'. Put a step's id at the start of a line of its own."),
        ("despike\nsharpen", "Line 2 of the sequence: 'sharpen' is no correction. There are: "),
        ("despike\n  colour = red", "Line 1 of the sequence: despike has no parameter 'colour'. "
         "It has: channels, window, "),
        ("despike\n  input = other.gpkg", "Line 1 of the sequence: despike has no parameter "
         "'input'; it is set for the whole sequence."),
        ("despike\n  window = 7\n  window = 9",
         "Line 3 of the sequence sets 'window' a second time."),
        ("despike\n  window = 8", "The window is 8 readings: choose an odd number of 3 or more."),
        ("despike\n  side = up", "despike: 'Side' is 'up'; choose one of: both, high, low."),
        ('despike\n  channels = ["ec_050"', "Line 2 of the sequence: [\"ec_050\" lacks its end, "
         "or holds what does not belong there."),
        ('despike\n  channels = ["ec_999"]', "despike: Layer 'readings' has no field 'ec_999'"),
        ("driftbase\n  base = nowhere.gpkg", "driftbase: 'nowhere.gpkg' for 'Base readings' is "
         "not a vector layer that can be opened."),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_sequence_is_said(run, brought_in, tmp_path, text, sentence):
    from qgis.core import QgsProcessingException

    out = tmp_path / "out.gpkg"
    with pytest.raises(QgsProcessingException) as caught:
        run("runsequence", INPUT=brought_in, TEXT=text, OUTPUT=str(out))
    assert sentence in str(caught.value)
    assert not out.exists()


def test_a_layer_without_corrections_has_no_sequence(run, brought_in, tmp_path):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match="holds no correction"):
        run("runsequence", INPUT=brought_in, HISTORY_OF=brought_in,
            OUTPUT=str(tmp_path / "out.gpkg"))  # fmt: skip


def test_a_sequence_written_is_read_back_as_it_was(provider):
    from lynchet.plugin.sequence import Called, parse, write

    called = (
        Called("despike", {"WINDOW": 7, "NOISE_FLOOR": "0.1; 0.2", "CHANNELS": ["a b", "ü"]}, 2),
        Called("levellines", {}, 6),
        Called("despike", {"KEEP_PREVIOUS": True, "THRESHOLD": 5.5}, 7),
    )
    assert parse(write(called, ["a remark"])) == called
