"""What every correction gets from the base: shown on the smallest correction there can be."""

import json

import numpy as np
import pytest
from lynchet.plugin.history import Entry, read_history
from support import attributes


@pytest.fixture
def add_one(provider):
    from lynchet.algorithms.readings import Correction
    from lynchet.plugin.readings_step import CorrectionStep

    class AddOne(CorrectionStep):
        identifier = "addone"
        title = "Add one"
        summary = "Adds one to every value."

        def correct(self, readings, task):
            return Correction(
                readings.with_values(readings.values + 1), {"added": 1}, ("One was added.",)
            )

    return AddOne()


@pytest.fixture
def readings(point_layer):
    return point_layer(
        x=[0.0, 1.0, 2.0, 3.0],
        y=[0.0, 0.0, 0.0, 0.0],
        line=[1, 1, 2, None],
        seq=[2, 1, 1, 1],
        note=["a", None, "c", "d"],
        ec_050=[10.0, None, 12.5, 13.0],
    )


def test_values_change_and_everything_else_comes_through_in_order(run, add_one, readings):
    out = run(add_one, INPUT=readings, CHANNELS=["ec_050"], OUTPUT="memory:")["OUTPUT"]
    assert attributes(out, "line", "seq", "note", "ec_050") == [
        (1, 2, "a", 11.0),
        (1, 1, None, None),
        (2, 1, "c", 13.5),
        (None, 1, "d", 14.0),
    ]
    assert [f.geometry().asPoint().x() for f in out.getFeatures()] == [0, 1, 2, 3]


def test_the_input_is_untouched(run, add_one, readings):
    before = attributes(readings, "line", "seq", "note", "ec_050")
    run(add_one, INPUT=readings, OUTPUT="memory:")
    assert attributes(readings, "line", "seq", "note", "ec_050") == before
    assert readings.metadata().history() == []


def test_previous_values_are_kept_when_asked(run, add_one, readings):
    out = run(add_one, INPUT=readings, KEEP_PREVIOUS=True, OUTPUT="memory:")["OUTPUT"]
    assert attributes(out, "ec_050_prev")[0] == (10.0,)


def test_previous_values_are_not_taken_for_a_channel(run, add_one, readings):
    once = run(add_one, INPUT=readings, KEEP_PREVIOUS=True, OUTPUT="memory:")["OUTPUT"]
    twice = run(add_one, INPUT=once, KEEP_PREVIOUS=True, OUTPUT="memory:")["OUTPUT"]
    assert attributes(twice, "ec_050_prev", "ec_050")[0] == (11.0, 12.0)
    assert "ec_050_prev_prev" not in twice.fields().names()


@pytest.mark.parametrize("name", ["readings.gpkg", "readings.shp", "readings.fgb"])
def test_a_file_gives_the_same_as_a_memory_layer(run, add_one, readings, save, name):
    saved = save(readings, name)
    out = run(add_one, INPUT=saved, CHANNELS=["ec_050"], OUTPUT="memory:")["OUTPUT"]
    rows = attributes(out, "line", "seq", "note", "ec_050")
    assert sorted(rows, key=str) == sorted(
        [(1, 2, "a", 11.0), (1, 1, None, None), (2, 1, "c", 13.5), (None, 1, "d", 14.0)], key=str
    )


def test_only_selected_features_are_taken_when_asked(run, add_one, readings):
    from qgis.core import QgsProcessingFeatureSourceDefinition, QgsProject

    QgsProject.instance().addMapLayer(readings, False)
    ids = [f.id() for f in readings.getFeatures()]
    readings.selectByIds([ids[3], ids[0]])
    chosen = QgsProcessingFeatureSourceDefinition(readings.id(), True)
    out = run(add_one, INPUT=chosen, CHANNELS=["ec_050"], OUTPUT="memory:")["OUTPUT"]
    assert attributes(out, "note", "ec_050") == [("a", 11.0), ("d", 14.0)]
    QgsProject.instance().takeMapLayer(readings)


def test_a_filter_on_the_layer_is_respected(run, add_one, readings, save):
    saved = save(readings)
    saved.setSubsetString("\"note\" = 'c'")
    out = run(add_one, INPUT=saved, CHANNELS=["ec_050"], OUTPUT="memory:")["OUTPUT"]
    assert attributes(out, "note", "ec_050") == [("c", 13.5)]


def test_edits_not_yet_saved_are_seen(run, add_one, readings, save):
    saved = save(readings)
    saved.startEditing()
    first = next(saved.getFeatures())
    saved.changeAttributeValue(first.id(), saved.fields().indexOf("ec_050"), 99.0)
    out = run(add_one, INPUT=saved, CHANNELS=["ec_050"], OUTPUT="memory:")["OUTPUT"]
    assert attributes(out, "ec_050")[0] == (100.0,)
    saved.rollBack()


def test_the_columns_of_a_file_are_those_of_its_features(readings, save, provider):
    import numpy as np
    from lynchet.plugin.source import LayerSource
    from qgis.core import QgsProcessingContext, QgsProcessingFeatureSource

    saved, context = save(readings), QgsProcessingContext()
    source = LayerSource(QgsProcessingFeatureSource(saved, context), saved, False)
    names = ["line", "note", "ec_050"]
    fast = source._stream(names)
    slow = source._by_feature(names, lambda fraction: True)
    assert fast is not None
    np.testing.assert_array_equal(fast.x, slow.x)
    np.testing.assert_array_equal(fast.y, slow.y)
    for name in names:
        np.testing.assert_array_equal(fast.fields[name], slow.fields[name])


def test_history_grows_by_a_line_and_survives_a_geopackage(run, add_one, readings, tmp_path):
    from qgis.core import QgsVectorLayer

    first, second = str(tmp_path / "first.gpkg"), str(tmp_path / "second.gpkg")
    run(add_one, INPUT=readings, OUTPUT=first)
    run(add_one, INPUT=first, OUTPUT=second)
    entries = [Entry.parse(line) for line in read_history(QgsVectorLayer(second, "s", "ogr"))]
    assert [entry.step for entry in entries] == ["lynchet:addone", "lynchet:addone"]
    assert entries[1].figures == {"readings": 4, "added": 1}
    assert entries[1].parameters["INPUT"] == "first.gpkg"


def test_history_lies_beside_a_file_that_cannot_hold_it(run, add_one, readings, tmp_path):
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "out.fgb")
    run(add_one, INPUT=readings, OUTPUT=path)
    assert len(read_history(QgsVectorLayer(path, "s", "ogr"))) == 1


def test_messages_and_figures_reach_the_user(run, add_one, readings):
    found = run(add_one, INPUT=readings, OUTPUT="memory:")
    assert "One was added." in run.listener.said
    assert json.loads(found["FIGURES"]) == {"added": 1}


def test_cancelling_leaves_nothing(provider, add_one, readings, tmp_path):
    from qgis.core import QgsProcessingContext, QgsProcessingFeedback

    feedback, context = QgsProcessingFeedback(False), QgsProcessingContext()
    feedback.cancel()
    path = tmp_path / "out.gpkg"
    found, _ = add_one.create().run({"INPUT": readings, "OUTPUT": str(path)}, context, feedback)
    assert found == {}
    assert list(tmp_path.iterdir()) == []


def test_a_failure_while_writing_takes_away_only_what_it_began(run, provider, readings, tmp_path):
    from lynchet.algorithms.readings import Correction
    from lynchet.plugin.readings_step import CorrectionStep
    from qgis.core import QgsProcessingException

    class Broken(CorrectionStep):
        identifier = "broken"
        title = "Broken"
        summary = "Loses a reading."

        def correct(self, found, task):
            return Correction(found.take(np.arange(len(found) - 1)))

    (tmp_path / "out.csv").write_text("the user's own")
    with pytest.raises(QgsProcessingException, match="changed while it was being worked on"):
        run(Broken(), INPUT=readings, OUTPUT=str(tmp_path / "out.gpkg"))
    assert [path.name for path in tmp_path.iterdir()] == ["out.csv"]


def test_help_names_every_parameter_with_its_meaning(add_one):
    text = add_one.create().shortHelpString()
    for record in add_one.parameters:
        if record.help:
            assert record.label in text
