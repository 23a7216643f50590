"""Stacked profiles as layers."""

import json

import numpy as np
import pytest
from support import attributes


@pytest.fixture
def layer(point_layer):
    along = np.tile(np.arange(40) * 0.25, 8)
    line = np.repeat(np.arange(1, 9), 40)
    rng = np.random.default_rng(0)
    return point_layer(
        x=(430000 + line * 0.5).tolist(),
        y=(5900000 + np.where(line % 2, along, along.max() - along)).tolist(),
        line=line.tolist(),
        seq=np.tile(np.arange(40), 8).tolist(),
        ec_050=(20 + rng.normal(0, 1, 320)).tolist(),
        ip_050=(1 + rng.normal(0, 0.1, 320)).tolist(),
    )


def test_a_line_a_traverse_and_channel_with_fills_and_traverses(run, layer, tmp_path):
    out = run(
        "stackedprofiles",
        INPUT=layer,
        CLIP=0.6,
        OUTPUT=str(tmp_path / "profiles.gpkg"),
        FILLS="memory:",
        TRAVERSES="memory:",
    )
    from lynchet.plugin.history import entries, read_history
    from qgis.core import QgsVectorLayer

    made = QgsVectorLayer(out["OUTPUT"], "profiles", "ogr")
    rows = attributes(made, "line", "channel", "readings", "scale", "towards")
    assert [row[:3] for row in rows] == [(k, c, 40) for c in ("ec_050", "ip_050")
                                         for k in range(1, 9)]  # fmt: skip
    assert {row[4] for row in rows} == {90.0}
    figures = json.loads(out["FIGURES"])
    assert figures["profiles"] == 16
    assert {row[3] for row in rows} == {figures["scale_ec_050"], figures["scale_ip_050"]}
    assert entries(read_history(made))[-1].step == "lynchet:stackedprofiles"
    fills = list(out["FILLS"].getFeatures())
    assert {feature["side"] for feature in fills} == {"above", "below"}
    assert all(feature.geometry().isGeosValid() for feature in fills)
    widest = max(
        abs(point.x() - 430000 - 0.5 * feature["line"])
        for feature in fills
        for point in feature.geometry().vertices()
    )
    assert widest == pytest.approx(0.6)
    assert out["TRAVERSES"].featureCount() == 8
    assert any("drawn cut off" in text for text in run.listener.said)


def test_fills_of_a_traverse_that_doubles_back_are_valid(run, point_layer):
    rng = np.random.default_rng(2)
    y = np.arange(60) * 0.1 + rng.normal(0, 0.15, 60)
    wandering = point_layer(
        x=(430000 + rng.normal(0, 0.1, 60)).tolist(),
        y=(5900000 + y).tolist(),
        line=[1] * 60,
        ec_050=rng.normal(20, 1, 60).tolist(),
    )
    out = run("stackedprofiles", INPUT=wandering, SCALE="0.3", OUTPUT="memory:", FILLS="memory:")
    shapes = [feature.geometry() for feature in out["FILLS"].getFeatures()]
    assert len(shapes) == 2
    assert all(shape.isGeosValid() and shape.area() > 0 for shape in shapes)


@pytest.mark.parametrize(
    ("asked", "words"),
    [
        ({"SCALE": "1 2 3"}, "3 figures are given for the scale of 2 channels"),
        ({"SCALE": "wide"}, "'Scale' is 'wide'; give one number"),
        ({"BASE": "mean"}, "'Value on the traverse' is 'mean'; choose one of"),
        ({"CLIP": -2.0}, "'Clip at' is -2; it must be above 0"),
    ],
)
def test_what_cannot_be_drawn_is_refused_and_nothing_written(run, layer, tmp_path, asked, words):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match=words):
        run("stackedprofiles", INPUT=layer, OUTPUT=str(tmp_path / "no.gpkg"), **asked)
    assert not list(tmp_path.iterdir())
