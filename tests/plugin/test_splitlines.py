"""A track in the host: traverses filled in, everything else kept."""

import json

import numpy as np
import pytest
from support import attributes
from tracks import CORNER, jittered, zigzag


@pytest.fixture
def track(point_layer):
    def make(**more):
        place, _, _, _ = zigzag(4, 15.0, 1.0, 0.25)
        place = jittered(place, 0.02, 1) + CORNER
        n = len(place)
        fields = {
            "note": [f"n{k}" for k in range(n)],
            "ec": (20 + 0.1 * np.arange(n)).tolist(),
            **more,
        }
        return point_layer(place.real.tolist(), place.imag.tolist(), **fields)

    return make


def test_traverses_are_filled_in_and_all_other_fields_kept(run, track):
    layer = track()
    out = run("splitlines", INPUT=layer, OUTPUT="memory:")
    figures = json.loads(out["FIGURES"])
    assert figures["traverses"] == 4
    rows = attributes(out["OUTPUT"], "note", "ec", "line", "seq", "along", "bearing")
    assert [row[:2] for row in rows] == attributes(layer, "note", "ec")
    assert {row[2] for row in rows} == {None, 1, 2, 3, 4}
    off = [row for row in rows if row[2] is None]
    assert len(off) == figures["readings in turns"]
    assert all(row[3:] == (None, None, None) for row in off)
    first = [row for row in rows if row[2] == 1]
    assert [row[3] for row in first] == list(range(1, len(first) + 1))
    assert first[0][4] == 0
    assert first[-1][4] == pytest.approx(15, abs=0.3)
    places = [f.geometry().asPoint() for f in out["OUTPUT"].getFeatures()]
    assert places == [f.geometry().asPoint() for f in layer.getFeatures()]
    assert "4 traverses, " in run.listener.said[0]


def test_removed_readings_are_counted_and_the_order_stays(run, track, save, tmp_path):
    layer = track()
    file = save(layer)
    target = tmp_path / "split.gpkg"
    out = run("splitlines", INPUT=file, REMOVE_TURNS=True, OUTPUT=str(target))
    from lynchet.plugin.history import entries, read_history
    from qgis.core import QgsVectorLayer

    made = QgsVectorLayer(str(target), "split", "ogr")
    figures = json.loads(out["FIGURES"])
    assert figures["readings removed"] == figures["readings in turns"] > 0
    assert made.featureCount() == layer.featureCount() - figures["readings removed"]
    notes = [int(row[0][1:]) for row in attributes(made, "note")]
    assert notes == sorted(notes)
    assert any("of no traverse are removed" in said for said in run.listener.said)
    (entry,) = entries(read_history(made))
    assert entry.step == "lynchet:splitlines"
    assert entry.figures["traverses"] == 4


def test_old_numbers_are_replaced_in_their_own_field_and_rows_in_any_order_serve(run, point_layer):
    place, _, _, _ = zigzag(3, 15.0, 1.0, 0.25)
    place = place + CORNER
    n = len(place)
    mixed = np.random.default_rng(0).permutation(n)
    layer = point_layer(
        place.real[mixed].tolist(), place.imag[mixed].tolist(),
        LINE=(mixed // 70).tolist(), time=mixed.astype(float).tolist(), ec=[1.0] * n,
    )  # fmt: skip
    out = run("splitlines", INPUT=layer, FIRST_LINE=5, LINE_FIELD="LINE", OUTPUT="memory:")
    assert out["OUTPUT"].fields().names() == ["line", "time", "ec", "seq", "along", "bearing"]
    rows = attributes(out["OUTPUT"], "line", "seq", "time")
    assert [row[2] for row in rows] == mixed.tolist()
    assert {row[0] for row in rows} == {None, 5, 6, 7}
    for line in (5, 6, 7):
        own = sorted((row for row in rows if row[0] == line), key=lambda row: row[2])
        assert [row[1] for row in own] == list(range(1, len(own) + 1))
    assert any("are replaced." in said for said in run.listener.said)


def test_the_default_lengths_are_metres_on_a_map_in_feet(run, point_layer):
    place, _, _, _ = zigzag(4, 15.0, 1.0, 0.25)
    place = jittered(place, 0.02, 1)
    found = []
    for crs, metre in (("EPSG:25831", 1.0), ("EPSG:2263", 39.37 / 12)):
        feet = place * metre + CORNER
        layer = point_layer(feet.real.tolist(), feet.imag.tolist(), crs=crs, ec=[1.0] * len(feet))
        out = run("splitlines", INPUT=layer, OUTPUT="memory:")["OUTPUT"]
        found.append(attributes(out, "line", "seq"))
    assert found[0] == found[1]


def test_bearings_and_impossible_numbers_are_spoken_of_in_the_users_words(run, track):
    from qgis.core import QgsProcessingException

    out = run("splitlines", INPUT=track(), BEARINGS="0; 90", OUTPUT="memory:")
    assert json.loads(out["FIGURES"])["traverses"] == 4
    for given, sentence in (
        ({"BEARINGS": "north"}, "'Bearings of the traverses' is 'north'"),
        ({"WINDOW": 4}, "the window must be at most half of the least length."),
        ({"BEARINGS": "90"}, "No traverse of 5 m or more is found between turns"),
        ({"SLOWEST": 0.3}, "Speeds need the time of every reading."),
    ):
        with pytest.raises(QgsProcessingException, match=sentence):
            run("splitlines", INPUT=track(), OUTPUT="memory:", **given)
