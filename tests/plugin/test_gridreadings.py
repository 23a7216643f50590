"""Grid readings in the host: what is told of options and of results."""

import numpy as np
import pytest


@pytest.fixture
def layer(point_layer):
    x = np.repeat(np.arange(12) * 0.5, 30)
    y = np.tile(np.arange(30) * 0.25, 12)
    return point_layer(
        x=(430000.1 + x).tolist(),
        y=(5900000 + y).tolist(),
        line=np.repeat(np.arange(12), 30).tolist(),
        ec_050=(20 + x).tolist(),
    )


def test_an_option_of_another_method_is_said_not_to_count(run, layer, tmp_path):
    run(
        "gridreadings",
        INPUT=layer,
        METHOD="triangulation",
        INVERSE_DISTANCE_POWER=3.0,
        KRIGING_NEIGHBOURS=32,
        OUTPUT=str(tmp_path / "a.tif"),
    )
    told = [text for text in run.listener.said if "it does not count" in text]
    assert told == [
        "'Inverse distance: power of the distance' is set, but the method is triangulation: it "
        "does not count."
    ]


def test_an_empty_raster_is_warned_of(run, layer, tmp_path):
    run(
        "gridreadings",
        INPUT=layer,
        METHOD="triangulation",
        TRIANGULATION_LONGEST_EDGE=0.1,
        OUTPUT=str(tmp_path / "a.tif"),
    )
    assert any(text.startswith("No cell holds data: the raster is empty") for text in
               run.listener.said)  # fmt: skip


def test_bands_of_inverted_layers_tell_their_depths(run, layer, tmp_path):
    from lynchet.plugin.history import Entry, write_history
    from osgeo import gdal

    def entry(prefix, **figures):
        return Entry("lynchet:invertlayers", {"PREFIX": prefix}, figures).line()

    layer.startEditing()
    for old, new in (("ec_050", "ec_layer1"),):
        layer.renameAttribute(layer.fields().lookupField(old), new)
    layer.commitChanges()
    lines = [
        entry("", ec_layer1="0.00 to 0.20 m", ec_layer2="below 0.20 m"),
        entry("few_", ec_layer1="layer 1 of 2 from the top"),
        entry("", ec_layer1="0.00 to 0.34 m", layers=1),
        Entry("lynchet:despike", figures={"ec_layer1": 3}).line(),
    ]
    write_history(layer, lines)
    out = run("gridreadings", INPUT=layer, CHANNELS=["ec_layer1"], OUTPUT=str(tmp_path / "a.tif"))
    assert "ec_layer1: 0.00 to 0.34 m" in run.listener.said
    dataset = gdal.Open(out["OUTPUT"])
    band = dataset.GetRasterBand(1)
    assert band.GetMetadataItem("DEPTH") == "0.00 to 0.34 m"
    assert band.GetDescription() == "ec_layer1"
    assert [path.name for path in tmp_path.iterdir()] == ["a.tif"]

    from lynchet.plugin.ground.layer_fields import layer_depths

    assert layer_depths(lines) == {
        "few_ec_layer1": "layer 1 of 2 from the top", "ec_layer1": "0.00 to 0.34 m",
    }  # fmt: skip


def test_bands_of_what_was_measured_tell_none(run, layer, tmp_path):
    from osgeo import gdal

    out = run("gridreadings", INPUT=layer, OUTPUT=str(tmp_path / "a.tif"))
    dataset = gdal.Open(out["OUTPUT"])
    assert dataset.GetRasterBand(1).GetMetadataItem("DEPTH") is None
