"""A corrected copy made inside a GeoPackage is the same as one written feature by feature."""

import shutil
import sqlite3

import numpy as np
import pytest
from support import attributes


@pytest.fixture
def step(provider):
    """A step that adds 1 to every channel and, when asked, moves every feature 2 east."""
    from dataclasses import replace

    from lynchet.algorithms.readings import Correction
    from lynchet.plugin.parameters import Toggle
    from lynchet.plugin.readings_step import CorrectionStep

    class AddOne(CorrectionStep):
        identifier = "addone"
        title = "Add one"
        summary = "Adds one."
        options = (Toggle("MOVE", "Move"),)

        def correct(self, readings, task):
            found = readings.with_values(readings.values + 1)
            return Correction(replace(found, x=found.x + 2) if task["MOVE"] else found)

        def more(self, task, found):
            return {"trend of it": np.arange(len(found.readings)) + 0.5}

    return AddOne()


@pytest.fixture
def saved(point_layer, save):
    layer = point_layer(
        x=[430000.0, 430001.0, None, 430003.0],
        y=[5900000.0, 5900001.0, None, 5900003.0],
        line=[1, 1, 2, None],
        seq=[2, 1, 1, 1],
        note=["a", None, "c", "d'e"],
        ec_050=[10.0, None, 12.5, 13.0],
    )
    return save(layer)


def both(run, step, monkeypatch, tmp_path, layer, **parameters):
    """The step's result written inside the file, and written by the host."""
    from lynchet.plugin import geopackage
    from qgis.core import QgsVectorLayer

    found = []
    rewritten = []
    plain = geopackage.rewrite
    monkeypatch.setattr(geopackage, "rewrite", lambda *a: (rewritten.append(a), plain(*a)))
    for name in ("inside.gpkg", "by_host.gpkg"):
        if name == "by_host.gpkg":
            monkeypatch.setattr(geopackage, "can_rewrite", lambda *a: False)
        path = str(tmp_path / name)
        run(step, INPUT=layer, CHANNELS=["ec_050"], OUTPUT=path, **parameters)
        found.append(QgsVectorLayer(path, name, "ogr"))
    assert len(rewritten) == 1
    return found


@pytest.mark.parametrize("move", [False, True])
def test_the_copy_is_what_the_host_would_write(run, step, saved, monkeypatch, tmp_path, move):
    from lynchet.plugin.history import read_history

    inside, by_host = both(run, step, monkeypatch, tmp_path, saved, MOVE=move, KEEP_PREVIOUS=True)
    names = by_host.fields().names()
    assert inside.fields().names() == names
    assert "trend of it" in names
    assert attributes(inside, *names) == attributes(by_host, *names)
    wkt = [[f.geometry().asWkt(3) for f in layer.getFeatures()] for layer in (inside, by_host)]
    assert wkt[0] == wkt[1]
    assert wkt[0][0] == ("Point (430002 5900000)" if move else "Point (430000 5900000)")
    assert inside.extent().toString(3) == by_host.extent().toString(3)
    assert inside.hasSpatialIndex() == by_host.hasSpatialIndex()
    assert inside.crs() == by_host.crs()
    lines = [read_history(layer) for layer in (inside, by_host)]
    assert lines[0] == lines[1]
    assert len(lines[0]) == 1


def test_the_index_finds_features_where_they_moved_to(run, step, saved, monkeypatch, tmp_path):
    from qgis.core import QgsFeatureRequest, QgsRectangle

    inside, _ = both(run, step, monkeypatch, tmp_path, saved, MOVE=True)
    request = QgsFeatureRequest(QgsRectangle(430001.5, 5899999.5, 430002.5, 5900000.5))
    assert [f["note"] for f in inside.getFeatures(request)] == ["a"]


def test_a_chain_of_copies_keeps_all_of_the_history(run, step, saved, tmp_path):
    from lynchet.plugin.history import read_history
    from qgis.core import QgsVectorLayer

    path = saved
    for number in range(3):
        out = str(tmp_path / f"run {number}.gpkg")
        run(step, INPUT=path, CHANNELS=["ec_050"], OUTPUT=out)
        path = out
    layer = QgsVectorLayer(path, "last", "ogr")
    assert len(read_history(layer)) == 3
    assert attributes(layer, "ec_050")[0] == (13.0,)
    assert layer.dataProvider().subLayers()[0].split("!!::!!")[1] == "run 2"


def test_the_input_keeps_its_bytes(run, step, saved, tmp_path):
    source = tmp_path / "kept.gpkg"
    shutil.copyfile(saved.source().split("|")[0], source)
    before = source.read_bytes()
    run(step, INPUT=str(source), CHANNELS=["ec_050"], OUTPUT=str(tmp_path / "out.gpkg"), MOVE=True)
    assert source.read_bytes() == before
    assert sorted(p.name for p in tmp_path.glob("kept*")) == ["kept.gpkg"]


def test_what_another_program_has_not_yet_put_in_the_file_is_seen(run, step, saved, tmp_path):
    from qgis.core import QgsVectorLayer

    source = tmp_path / "open.gpkg"
    shutil.copyfile(saved.source().split("|")[0], source)
    other = sqlite3.connect(source)
    other.execute("PRAGMA journal_mode = WAL")
    for name in ("ST_IsEmpty", "ST_MinX", "ST_MaxX", "ST_MinY", "ST_MaxY"):
        other.create_function(name, 1, lambda blob: 0)
    table = other.execute("SELECT table_name FROM gpkg_contents").fetchone()[0]
    other.execute(f"UPDATE \"{table}\" SET ec_050 = 70.0 WHERE note = 'a'")
    other.commit()
    out = str(tmp_path / "out.gpkg")
    run(step, INPUT=str(source), CHANNELS=["ec_050"], OUTPUT=out)
    other.close()
    assert attributes(QgsVectorLayer(out, "out", "ogr"), "ec_050")[0] == (71.0,)


def test_an_older_result_is_replaced_whole_and_survives_a_cancelled_run(
    provider, step, saved, tmp_path
):
    from qgis.core import QgsProcessingContext, QgsProcessingFeedback

    out = tmp_path / "out.gpkg"
    out.write_bytes(b"an older file")
    feedback, context = QgsProcessingFeedback(False), QgsProcessingContext()
    feedback.progressChanged.connect(lambda done: feedback.cancel() if done > 80 else None)
    algorithm = step.create()
    asked = {"INPUT": saved, "CHANNELS": ["ec_050"], "OUTPUT": str(out)}
    assert algorithm.run(asked, context, feedback)[0] == {}
    assert out.read_bytes() == b"an older file"
    assert [p.name for p in tmp_path.iterdir() if "out" in p.name] == ["out.gpkg"]
    _, ok = algorithm.create().run(asked, QgsProcessingContext(), QgsProcessingFeedback(False))
    assert ok
    assert out.stat().st_size > 10_000


def test_a_file_of_several_layers_is_written_by_the_host(run, step, saved, tmp_path):
    from osgeo import gdal
    from qgis.core import QgsVectorLayer

    source = str(tmp_path / "two.gpkg")
    shutil.copyfile(saved.source().split("|")[0], source)
    gdal.VectorTranslate(source, source, options="-update -nln second")
    out = str(tmp_path / "out.gpkg")
    layer = QgsVectorLayer(f"{source}|layername=second", "second", "ogr")
    run(step, INPUT=layer, CHANNELS=["ec_050"], OUTPUT=out)
    written = QgsVectorLayer(out, "out", "ogr")
    assert len(written.dataProvider().subLayers()) == 1
    assert attributes(written, "ec_050")[0] == (11.0,)


def test_a_channel_of_whole_numbers_becomes_one_of_real_numbers(
    run, step, point_layer, save, tmp_path
):
    from qgis.core import QgsVectorLayer

    layer = save(point_layer(x=[1.0, 2.0], y=[0.0, 0.0], line=[1, 1], count=[3, 4]))
    out = str(tmp_path / "out.gpkg")
    run(step, INPUT=layer, CHANNELS=["count"], OUTPUT=out)
    written = QgsVectorLayer(out, "out", "ogr")
    assert "real" in written.fields().field("count").typeName().lower()
    assert attributes(written, "count") == [(4.0,), (5.0,)]


def test_features_are_added_to_a_layer_that_is_there_when_the_host_is_asked_to(
    run, step, saved, tmp_path
):
    from qgis.core import (
        QgsProcessingOutputLayerDefinition,
        QgsProperty,
        QgsRemappingSinkDefinition,
        QgsVectorLayer,
    )

    out = str(tmp_path / "out.gpkg")
    run(step, INPUT=saved, CHANNELS=["ec_050"], OUTPUT=out)
    there = QgsVectorLayer(out, "out", "ogr")
    remapping = QgsRemappingSinkDefinition()
    remapping.setDestinationFields(there.fields())
    remapping.setDestinationCrs(there.crs())
    remapping.setDestinationWkbType(there.wkbType())
    remapping.setSourceCrs(there.crs())
    remapping.setFieldMap({"ec_050": QgsProperty.fromField("ec_050")})
    wanted = QgsProcessingOutputLayerDefinition(out)
    wanted.setRemappingDefinition(remapping)
    run(step, INPUT=saved, CHANNELS=["ec_050"], OUTPUT=wanted)
    assert QgsVectorLayer(out, "out", "ogr").featureCount() == 8
