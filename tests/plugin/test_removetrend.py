"""The trend's own fields, and the choices that reach the science."""

import numpy as np
import pytest
from support import attributes

N = 20
X, Y = (axis.ravel() for axis in np.meshgrid(np.arange(N) * 1.0, np.arange(N) * 0.5))


@pytest.fixture(autouse=True)
def registered(provider):
    from lynchet.plugin.correct.removetrend import RemoveTrend
    from qgis.core import QgsApplication

    if QgsApplication.processingRegistry().algorithmById("lynchet:removetrend") is None:
        provider.addAlgorithm(RemoveTrend())


@pytest.fixture
def layer(point_layer):
    plane = 20 + 0.5 * X - 0.2 * Y
    return point_layer(
        x=(430000 + X).tolist(), y=(5900000 + Y).tolist(), line=(X.astype(int)).tolist(),
        grid=["A" if x < 10 else "B" for x in X], ec=plane.tolist(),
        ip=(1 + 0.1 * Y).tolist(),
    )  # fmt: skip


def column(out, name):
    return np.array(attributes(out["OUTPUT"], name), dtype=float)[:, 0]


def test_the_trend_is_written_beside_the_channels(run, layer):
    out = run("removetrend", INPUT=layer, OUTPUT="memory:")
    np.testing.assert_allclose(column(out, "ec_trend"), 20 + 0.5 * X - 0.2 * Y, atol=1e-6)
    np.testing.assert_allclose(column(out, "ip_trend"), 1 + 0.1 * Y, atol=1e-6)
    assert np.ptp(column(out, "ec")) < 1e-6
    assert "ec: a trend over 11.4 was removed." in run.listener.said


def test_the_trend_may_be_left_out(run, layer):
    out = run("removetrend", INPUT=layer, KEEP_TREND=False, OUTPUT="memory:")
    assert out["OUTPUT"].fields().names() == ["line", "grid", "ec", "ip", "qc"]


def test_a_file_holds_the_trend_too(run, layer, save, tmp_path):
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "out.gpkg")
    run("removetrend", INPUT=save(layer), CHANNELS=["ec"], OUTPUT=path)
    found = attributes(QgsVectorLayer(path, "out", "ogr"), "ec", "ec_trend", "ip")
    ec, trend, ip = np.array(found, dtype=float).T
    np.testing.assert_allclose(trend, 20 + 0.5 * X - 0.2 * Y, atol=1e-6)
    np.testing.assert_allclose(ip, 1 + 0.1 * Y)
    assert np.ptp(ec) < 1e-6


def test_the_next_step_does_not_take_the_trend_for_a_channel(run, layer, tmp_path):
    path = str(tmp_path / "out.gpkg")
    run("removetrend", INPUT=layer, OUTPUT=path)
    out = run("despike", INPUT=path, OUTPUT="memory:")
    np.testing.assert_allclose(column(out, "ec_trend"), 20 + 0.5 * X - 0.2 * Y, atol=1e-6)
    assert not any("_trend" in said for said in run.listener.said)


@pytest.mark.parametrize(
    "way",
    [
        {"METHOD": "moving_median", "WIDTH": 6},
        {"METHOD": "gaussian", "WIDTH": 6},
        {"METHOD": "thin_plate", "FREEDOM": 5},
        {"METHOD": "polynomial", "DEGREE": 3, "LOSS": "huber"},
    ],
    ids=lambda way: way["METHOD"],
)
def test_every_method_runs_and_takes_off_a_plane(run, layer, way):
    out = run("removetrend", INPUT=layer, OUTPUT="memory:", **way)
    assert np.ptp(column(out, "ec")) < 1e-5


def test_scope_and_level_reach_the_science(run, layer):
    out = run(
        "removetrend", INPUT=layer, SCOPE="each_grid", DEGREE=0, KEEP_LEVEL=False, OUTPUT="memory:"
    )
    ec = column(out, "ec")
    assert abs(np.median(ec[X < 10])) < 0.3
    assert abs(np.median(ec[X >= 10])) < 0.3


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"METHOD": "gaussian"}, "'gaussian' needs a width"),
        ({"DEGREE": 7}, "'Degree of the polynomial' is 7; it must be at most 4."),
        ({"METHOD": "thin_plate", "FREEDOM": 2}, "must be at least 3"),
    ],
)
def test_what_cannot_be_is_refused(run, layer, given, sentence):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException, match=sentence):
        run("removetrend", INPUT=layer, OUTPUT="memory:", **given)
