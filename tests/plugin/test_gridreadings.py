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
