"""The table of depth sensitivity and its picture, as a user gets them."""

import json

import numpy as np
import pytest
from support import attributes

PAIRS = {
    "name": "two ways",
    "frequency_hz": 10000,
    "height_m": 0,
    "pairs": [
        {"spacing_m": 1, "orientation": "vertical", "name": "flat"},
        {"spacing_m": 1, "orientation": "horizontal", "name": "upright"},
    ],
}


@pytest.fixture(autouse=True)
def registered(provider):
    from lynchet.plugin.ground.depthtable import DepthSensitivity
    from qgis.core import QgsApplication

    if QgsApplication.processingRegistry().algorithmById("lynchet:depthtable") is None:
        provider.addAlgorithm(DepthSensitivity())


@pytest.fixture
def instrument(tmp_path):
    path = tmp_path / "two_ways.json"
    path.write_text(json.dumps(PAIRS))
    return str(path)


def rows(out, pair, *names):
    found = attributes(out["OUTPUT"], "pair", *names)
    return np.array([row[1:] for row in found if row[0] == pair], dtype=float)


def test_a_row_a_pair_and_depth_with_mcneills_figures(run, instrument):
    out = run("depthtable", INSTRUMENT=instrument, DEPTH_STEP=0.75, OUTPUT="memory:")
    assert out["OUTPUT"].featureCount() == 2 * 6
    flat, upright = (rows(out, name, "depth", "above_low") for name in ("flat", "upright"))
    assert flat[:, 0].tolist() == upright[:, 0].tolist() == [0, 0.75, 1.5, 2.25, 3, 3.75]
    # McNeill (1980), TN-6: R_V(1.5) = 0.316, R_H(0.75) = 0.303.
    assert flat[2, 1] == pytest.approx(68.4, abs=0.05)
    assert upright[1, 1] == pytest.approx(69.7, abs=0.05)
    relative = rows(out, "upright", "relative_low")
    assert relative[0, 0] == pytest.approx(200.0)  # phi_H(0) = 2
    assert not out["OUTPUT"].isSpatial()


def test_figures_tell_the_depth_of_the_share(run, instrument):
    out = run("depthtable", INSTRUMENT=instrument, OUTPUT="memory:")
    figures = json.loads(out["FIGURES"])["pairs"]
    assert figures["flat"]["depth low"] == pytest.approx(1.59, abs=0.001)
    assert figures["upright"]["depth low"] == pytest.approx(0.758, abs=0.001)
    assert figures["flat"]["depth exact"] == pytest.approx(1.43, abs=0.005)
    assert figures["flat"]["rule of thumb"] == 1.5
    said = " ".join(run.listener.said)
    assert "70 % of the response comes from above 1.59 m at low induction numbers" in said
    assert "A thin layer weighs more in 'upright' than in 'flat' down to" in said
    less = run("depthtable", INSTRUMENT=instrument, SHARE=50, OUTPUT="memory:")
    # R_V(z) = 1/2 at z = sqrt(3) / 2.
    assert json.loads(less["FIGURES"])["pairs"]["flat"]["depth low"] == pytest.approx(0.866)
    assert "rule of thumb for coils" not in " ".join(run.listener.said)


def test_a_height_stands_in_for_that_of_the_description(run, instrument):
    out = run("depthtable", INSTRUMENT=instrument, HEIGHT=0.5, OUTPUT="memory:")
    assert set(attributes(out["OUTPUT"], "height")) == {(0.5,)}
    figures = json.loads(out["FIGURES"])["pairs"]["upright"]
    assert figures["kept of the surface"] == pytest.approx(np.sqrt(2) - 1, abs=1e-4)
    assert any("lifting leaves 'flat' 71 %, 'upright' 41 %" in said for said in run.listener.said)


def test_what_cancels_is_null_and_said(run, instrument):
    out = run("depthtable", INSTRUMENT=instrument, CONDUCTIVITIES="100000", OUTPUT="memory:")
    assert np.isnan(rows(out, "flat", "above_exact", "relative_exact")).all()
    assert np.isfinite(rows(out, "flat", "change_exact", "above_low")).all()
    assert json.loads(out["FIGURES"])["pairs"]["flat"]["depth exact"] is None
    assert any("no share comes from above any depth" in said for said in run.listener.said)


def test_the_generic_instrument_is_taken_and_told_where_none_is_given(run):
    out = run("depthtable", OUTPUT="memory:")
    assert {row[0] for row in attributes(out["OUTPUT"], "spacing")} == {0.5, 1.0}
    assert any("the generic dual-spacing instrument is taken" in said for said in run.listener.said)


def test_a_warning_tells_what_differs_and_why(run, instrument):
    run("depthtable", INSTRUMENT=instrument, HEIGHT=1, OUTPUT="memory:")
    said = [text for text in run.listener.said if text.startswith("Exact and low-induction")]
    # B = s sqrt(w mu_0 sigma / 2) = 0.028, which is low: the height makes the difference.
    assert said[0].startswith(
        "Exact and low-induction readings of 'flat' differ by 6 % (B = 0.028; coils 1 m up): "
    )
    run("depthtable", INSTRUMENT=instrument, CONDUCTIVITIES="400", OUTPUT="memory:")
    said = [text for text in run.listener.said if text.startswith("Exact and low-induction")]
    assert "(B = 0.13, an induction number that is not low; coils on the ground)" in said[0]


def test_the_depths_of_the_share_are_held_unless_told_otherwise(run, instrument):
    deepest = {}
    for asked in ({}, {"HEIGHT": 5}, {"HEIGHT": 5, "MAX_DEPTH": 3}, {"SHARE": 99}):
        out = run("depthtable", INSTRUMENT=instrument, OUTPUT="memory:", **asked)
        found = json.loads(out["FIGURES"])["pairs"]["flat"]
        depths = rows(out, "flat", "depth")[:, 0]
        deepest[str(asked)] = (depths.max(), found["depth low"], found["depth exact"])
    usual, high, told, almost = deepest.values()
    assert usual[0] == 4
    # R_V(z) = 0.3 R_V(5): z = sqrt((4 * 25 + 1) / 0.09 - 1) / 2, 5 of which are above the ground.
    assert high[1] == pytest.approx(np.sqrt(101 / 0.09 - 1) / 2 - 5, abs=0.01)
    assert max(high[1:]) < high[0] < 1.5 * max(high[1:])
    assert told[0] == 3
    # sqrt(1 / 0.01^2 - 1) / 2 = 50 spacings: too far down for a table of the upper metres.
    assert almost[1] == pytest.approx(50, abs=0.1)
    assert almost[0] == 10


@pytest.fixture
def drawn(run, instrument, tmp_path):
    """The texts of a picture and where its depths stand, by what was asked."""
    import re

    def of(**asked):
        path = tmp_path / "curves.svg"
        run("depthtable", INSTRUMENT=asked.pop("INSTRUMENT", instrument), OUTPUT="memory:",
            PICTURE=str(path), **asked)  # fmt: skip
        # Matplotlib writes each text as a comment before its outlines.
        return re.findall(r"<!-- (.*?) -->", path.read_text())

    return of


def test_the_picture_says_what_it_does_not_show(drawn):
    assert not any("No exact" in text or "Below" in text for text in drawn())
    texts = drawn(CONDUCTIVITIES="10000")
    assert "No exact shares for flat: some layers raise the reading and others lower it." in texts
    texts = drawn(MAX_DEPTH=1)
    assert (
        "Below the figure, 70 % from above: flat 1.43 m (exact), flat 1.59 m (low induction "
        "numbers)." in texts
    )


def test_depths_close_together_are_written_apart():
    from lynchet.plugin.deliver.depth_curves import LINES, _spread

    line = 4.0 / LINES
    for depths in ([0.71, 0.72, 0.79, 1.36], [0.01, 0.02, 3.99, 4.0], [1.0] * 6, [2.0], []):
        places = _spread(depths, 4.0)
        assert len(places) == len(depths)
        assert (np.diff(places) > line * (1 - 1e-9)).all()
        assert all(0.4 * line < place < 4.0 - 0.4 * line for place in places)
    assert _spread([0.5, 1.5, 2.5], 4.0) == [0.5, 1.5, 2.5]
    # A block stands about the middle of its own depths.
    assert np.mean(_spread([1.0, 1.0, 1.06], 4.0)) == pytest.approx(1.02)


@pytest.mark.parametrize("ending", ["png", "svg", "html"])
def test_the_picture_is_a_picture_or_a_page(run, instrument, tmp_path, ending):
    path = tmp_path / f"curves.{ending}"
    asked = {
        "INSTRUMENT": instrument, "CONDUCTIVITIES": "15;40;20", "THICKNESSES": "0.3;0.8",
        "OUTPUT": "memory:", "PICTURE": str(path),
    }  # fmt: skip
    out = run("depthtable", **asked)
    assert out["PICTURE"] == str(path)
    first = path.read_bytes()
    run("depthtable", **asked)
    assert path.read_bytes() == first
    if ending == "html":
        assert "70 % of the response comes from above" in first.decode()


def test_the_history_tells_what_was_tabled(run, instrument, tmp_path):
    from lynchet.plugin.history import entries, read_history
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "table.gpkg")
    run("depthtable", INSTRUMENT=instrument, OUTPUT=path)
    (entry,) = entries(read_history(QgsVectorLayer(path, "t", "ogr")))
    assert entry.step == "lynchet:depthtable"
    assert entry.parameters["INSTRUMENT"] == "two_ways.json"
    assert entry.figures["pairs"]["flat"]["depth low"] == pytest.approx(1.59, abs=0.001)


@pytest.mark.parametrize(
    ("asked", "sentence"),
    [
        ({"CONDUCTIVITIES": "15;40"}, "2 conductivities need 1 thickness, not 0"),
        ({"CONDUCTIVITIES": "15,5"}, "'Conductivities of the ground' is '15,5'"),
        ({"CONDUCTIVITIES": "-5"}, "'Conductivities of the ground' holds -5"),
        ({"CONDUCTIVITIES": "2e6"}, "The conductivity of layer 1 is 2e+06"),
        ({"MAX_DEPTH": 1, "DEPTH_STEP": 2}, "The step of 2 m is more than the greatest depth"),
        ({"DEPTH_STEP": 0.001}, "gives 4,001 depths; at most 1,000"),
        ({"SHARE": 100}, "'Share of the response' is 100; it must be at most 99"),
        ({"HEIGHT": -1}, "'Height of the coils above the ground' is -1"),
        ({"INSTRUMENT": "/no/such.json"}, "There is no file '/no/such.json'"),
    ],
)
def test_bad_input_gets_one_sentence_and_writes_nothing(run, tmp_path, asked, sentence):
    from qgis.core import QgsProcessingException

    (tmp_path / "out").mkdir()
    with pytest.raises(QgsProcessingException) as wrong:
        run("depthtable", OUTPUT=str(tmp_path / "out" / "t.gpkg"), **asked)
    assert sentence in str(wrong.value)
    assert list((tmp_path / "out").iterdir()) == []
