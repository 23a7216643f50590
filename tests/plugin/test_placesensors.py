"""Readings come out at the midpoints, without channels that belong elsewhere."""

import numpy as np
import pytest
from host import ROOT
from support import attributes

N = 40
NORTH = [5900000 + 0.25 * i for i in range(N)]
PLACES = [*NORTH, *NORTH[::-1]]


@pytest.fixture
def layer(point_layer):
    def make(crs="EPSG:25831", **fields):
        columns = {
            "line": [1] * N + [2] * N, "seq": [*range(N), *range(N)],
            "along": [0.25 * i for i in range(N)] * 2, "time": [0.5 * i for i in range(2 * N)],
            "note": ["a", None] * N, "qc": [2] + [0] * (2 * N - 1),
            "ec_050": [float(20 + i % 7) for i in range(2 * N)],
            "ip_050": [0.5] * (2 * N), "ec_050_prev": [1.5] * (2 * N),
            "ec_100": [float(25 + i % 5) for i in range(2 * N)], **fields,
        }  # fmt: skip
        x = [430000.0] * N + [430001.0] * N
        return point_layer(x, PLACES, crs=crs, **columns)

    return make


def north(out):
    return np.array([f.geometry().asPoint().y() for f in out.getFeatures()])


def places(layer):
    found = [f.geometry() for f in layer.getFeatures()]
    return np.array(
        [np.nan if g.isNull() else complex(g.asPoint().x(), g.asPoint().y()) for g in found]
    )


def test_points_are_moved_and_all_other_fields_come_through(run, layer):
    given = layer()
    out = run("placesensors", INPUT=given, CHANNELS=["ec_100"], OUTPUT="memory:")["OUTPUT"]
    np.testing.assert_allclose(north(out), PLACES - np.repeat([0.5, -0.5], N), atol=1e-6)
    names = ("line", "seq", "time", "note", "qc", "ec_100")
    assert attributes(out, *names) == attributes(given, *names)
    found = np.array(attributes(out, "along", "bearing"))
    np.testing.assert_allclose(found[:, 0], np.tile(np.arange(N) * 0.25 - 0.5, 2), atol=1e-6)
    np.testing.assert_allclose(found[:, 1], np.repeat([0.0, 180.0], N), atol=1e-6)


def test_channels_measured_elsewhere_are_left_out_and_named(run, layer):
    given = layer()
    out = run("placesensors", INPUT=given, CHANNELS=["ec_100"], OUTPUT="memory:")["OUTPUT"]
    assert out.fields().names() == [
        "line", "seq", "along", "time", "note", "qc", "ec_100", "bearing"
    ]  # fmt: skip
    assert "Left out, as measured elsewhere: ec_050, ip_050." in run.listener.said
    assert "Coil spacings by the channels' names: ec_100 1 m." in run.listener.said
    assert given.fields().names()[6:] == ["ec_050", "ip_050", "ec_050_prev", "ec_100"]


@pytest.mark.parametrize(
    ("asked", "kept"),
    [
        ({"CHANNELS": ["ec_050"]}, {"ec_050", "ip_050", "ec_050_prev", "height"}),
        ({"CHANNELS": ["ec_050"], "METHOD": "common", "PLACES": "as_recorded"},
         {"ec_050", "height"}),
        ({"CHANNELS": ["ec_100", "ec_050"], "METHOD": "common"},
         {"ec_050", "ec_100", "height"}),
    ],
)  # fmt: skip
def test_what_was_measured_where_the_points_are_stays(run, layer, asked, kept):
    given = layer(height=[3.5] * (2 * N))
    out = run("placesensors", INPUT=given, OUTPUT="memory:", **asked)["OUTPUT"]
    names = set(out.fields().names())
    assert names & {"ec_050", "ip_050", "ec_050_prev", "ec_100", "height"} == kept


def test_moving_twice_is_warned_of(run, layer):
    asked = {"CHANNELS": ["ec_100"], "OUTPUT": "memory:"}
    once = run("placesensors", INPUT=layer(), **asked)["OUTPUT"]
    assert not any("once more" in said for said in run.listener.said)
    run("placesensors", INPUT=once, **asked)
    assert any("was brought to midpoints by this step before" in said for said in run.listener.said)


def test_the_antenna_lies_ahead_in_the_sense_of_a_stream_brought_in(run):
    sample = ROOT / "sample_layers"
    asked = {"FILES": [str(sample / "quillmere_stream.txt")], "CRS": "EPSG:25831",
             "RECIPE": str(sample / "quillmere_stream.json"), "CLOCK_SHIFT": "-01:00",
             "OUTPUT": "memory:"}  # fmt: skip
    offset = {"AHEAD": 1.0, "RIGHT": 0.4}
    there = run("importstream", **offset, **asked)["OUTPUT"]
    plain = run("importstream", **asked)["OUTPUT"]
    moved = run("placesensors", INPUT=plain, CHANNELS=["ec_050"], SPACINGS="ec_050=0", **offset,
                OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    place, other, before = (places(layer) for layer in (moved, there, plain))
    assert np.nanmedian(abs(before - other)) == pytest.approx(np.hypot(1, 0.4), abs=0.01)
    assert np.nanmedian(abs(place - other)) < 0.01


def test_lengths_that_look_like_another_unit_are_asked_about(run, layer):
    run("placesensors", INPUT=layer(), CHANNELS=["ec_100"], SPACINGS="ec_100=10", AHEAD=30,
        OUTPUT="memory:")  # fmt: skip
    assert any("'ec_100' is told to have a coil spacing of 10 m" in s for s in run.listener.said)
    assert any("30 map units ahead of the transmitter: metres" in s for s in run.listener.said)


def test_only_some_features_come_through_in_order(run, layer):
    from qgis.core import QgsProcessingFeatureSourceDefinition

    given = layer()
    given.selectByIds([5, 3, 9, 60])
    some = QgsProcessingFeatureSourceDefinition(given.id(), True)
    from qgis.core import QgsProject

    QgsProject.instance().addMapLayer(given, False)
    try:
        out = run("placesensors", INPUT=some, CHANNELS=["ec_100"], OUTPUT="memory:")["OUTPUT"]
    finally:
        QgsProject.instance().takeMapLayer(given)
    picked = [
        row for i, row in enumerate(attributes(given, "line", "seq")) if i + 1 in (3, 5, 9, 60)
    ]
    assert attributes(out, "line", "seq") == picked


@pytest.mark.parametrize("channels", [["ec_100"], ["ec_050", "ip_050", "ec_100"]])
def test_a_geopackage_gives_what_a_layer_in_memory_gives(run, layer, save, tmp_path, channels):
    from qgis.core import QgsVectorLayer

    given = layer()
    asked = {"CHANNELS": channels, "METHOD": "common"}
    plain = run("placesensors", INPUT=given, OUTPUT="memory:", **asked)["OUTPUT"]
    path = str(tmp_path / "moved.gpkg")
    run("placesensors", INPUT=save(given), OUTPUT=path, **asked)
    written = QgsVectorLayer(path, "moved", "ogr")
    names = plain.fields().names()
    assert [name for name in written.fields().names() if name != "fid"] == names
    assert attributes(written, *names) == attributes(plain, *names)
    np.testing.assert_array_equal(north(written), north(plain))


def test_common_places_hold_all_channels(run, layer):
    given = layer()
    out = run(
        "placesensors", INPUT=given, CHANNELS=["ec_050", "ip_050", "ec_100"], METHOD="common",
        OUTPUT="memory:",
    )  # fmt: skip
    np.testing.assert_allclose(
        north(out["OUTPUT"]), PLACES - np.repeat([0.25, -0.25], N), atol=1e-6
    )
    found = attributes(out["OUTPUT"], "ec_050", "ec_100")
    before = attributes(given, "ec_050", "ec_100")
    assert [row[0] for row in found] == [row[0] for row in before]
    # The long pair's midpoint is one reading further back: its value comes one reading later.
    assert [row[1] for row in found[: N - 1]] == pytest.approx([row[1] for row in before[1:N]])
    assert found[N - 1][1] is None
    assert '"beyond ec_100": 2' in out["FIGURES"]


def test_spacings_are_metres_where_the_map_is_in_feet(run, layer):
    given = layer(crs="EPSG:2263")  # US survey feet
    out = run("placesensors", INPUT=given, CHANNELS=["ec_100"], WINDOW=2, OUTPUT="memory:")[
        "OUTPUT"
    ]
    back = PLACES - north(out)
    np.testing.assert_allclose(back, np.repeat([1, -1], N) * 0.5 * 39.37 / 12, atol=1e-5)


def test_a_free_track_is_one_line(run, point_layer):
    angle = np.arange(0, 3, 0.02)
    given = point_layer((10 * np.cos(angle)).tolist(), (10 * np.sin(angle)).tolist(),
                        ec=angle.tolist())  # fmt: skip
    out = run("placesensors", INPUT=given, LINE_FIELD="", SPACINGS="ec = 1.0", OUTPUT="memory:")
    place = np.array([f.geometry().asPoint() for f in out["OUTPUT"].getFeatures()])
    radius = np.hypot(*place.T)
    np.testing.assert_allclose(radius[12:-12], np.hypot(10, 0.5), atol=1e-3)
    turned = np.unwrap(np.arctan2(place[:, 1], place[:, 0])) - angle
    np.testing.assert_allclose(turned[12:-12], -0.05, atol=1e-3)


def test_the_history_tells_what_was_done(run, layer, tmp_path):
    from lynchet.plugin.history import Entry, read_history
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "moved.gpkg")
    run("placesensors", INPUT=layer(), CHANNELS=["ec_100"], AHEAD=-0.3, LAG=0.4, OUTPUT=path)
    (line,) = read_history(QgsVectorLayer(path, "o", "ogr"))
    entry = Entry.parse(line)
    assert entry.step == "lynchet:placesensors"
    assert (entry.parameters["AHEAD"], entry.parameters["LAG"]) == (-0.3, 0.4)
    # Half a metre back, 0.3 forward, as the recorded point is behind, and 0.4 s at 0.5 a second.
    assert entry.figures["ahead 1 m"] == pytest.approx(-0.4)
    assert list(entry.units) == ["ec_100"]


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({}, "The channels have several coil spacings and so several midpoints: ec_050, ip_050"),
        ({"CHANNELS": ["ec_100"], "SPACINGS": "ec_10 = 1"}, "The coil spacings name 'ec_10'"),
        ({"SPACINGS": "ec_050=50"}, "'ec_050' is told as 50 m. Give it in metres, not centim"),
        ({"CHANNELS": ["ec_100"], "SPACINGS": "ec_100: 1"}, "The coil spacings hold 'ec_100: 1'"),
        ({"CHANNELS": ["ec_100"], "LAG": 1.0, "TIME_FIELD": ""},
         "The readings of line 1 have no times that rise"),
        ({"METHOD": "common", "PLACES": "as_recorded", "RIGHT": 1.0},
         "The coils pass 1 map units beside the recorded positions"),
        ({"CHANNELS": ["along"]}, "Nothing tells the coil spacing of channel 'along'"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_and_nothing_written(run, layer, tmp_path, given, sentence):
    from qgis.core import QgsProcessingException

    path = tmp_path / "moved.gpkg"
    asked = {"CHANNELS": ["ec_050", "ip_050", "ec_100"], **given}
    with pytest.raises(QgsProcessingException, match=sentence):
        run("placesensors", INPUT=layer(), OUTPUT=str(path), **asked)
    assert not path.exists()
