"""Where the repeats come from, and what comes out."""

import json

import numpy as np
import pytest
from support import attributes

N = 20
Y = np.arange(N) * 0.25


@pytest.fixture(autouse=True)
def registered(provider):
    from lynchet.plugin.check.comparerepeats import CompareRepeats
    from qgis.core import QgsApplication

    if QgsApplication.processingRegistry().algorithmById("lynchet:comparerepeats") is None:
        provider.addAlgorithm(CompareRepeats())


@pytest.fixture
def walk(point_layer):
    def make(x=(0.0, 1.0), lift=0.0, crs="EPSG:25831", **fields):
        east, north = np.repeat(x, N), np.tile(Y, len(x))
        layer = point_layer(
            x=(430000 + east).tolist(), y=(5900000 + north).tolist(), crs=crs,
            line=(1 + np.repeat(range(len(x)), N)).tolist(), seq=list(range(N)) * len(x),
            grid=["Q1"] * len(east), ec=(20 + east + lift).tolist(), ip=(0.1 * north).tolist(),
            **fields,
        )  # fmt: skip
        layer.setFieldAlias(layer.fields().lookupField("ec"), "ec [mS/m]")
        return layer

    return make


def test_a_layer_walked_again_is_compared_channel_by_channel(run, walk):
    out = run("comparerepeats", INPUT=walk(), REPEAT=walk(x=(1.1,), lift=0.4), PAIRS="memory:")
    figures = json.loads(out["FIGURES"])
    assert figures["pairs"] == N
    # The repeat lies 0.1 m off line 2, where ec is 21 and the repeat reads 21.1 + 0.4.
    assert figures["difference ec"] == pytest.approx(0.5)
    assert figures["difference ip"] == pytest.approx(0, abs=1e-9)
    rows = attributes(out["PAIRS"], "grid", "line", "first_grid", "first_line", "ec_first",
                      "ec_second", "ec_diff", "distance")  # fmt: skip
    assert len(rows) == N
    assert rows[0][:4] == ("Q1", 1, "Q1", 2)
    assert rows[0][4:] == pytest.approx((21.0, 21.5, 0.5, 0.1), abs=1e-6)
    assert any("ec: the repeat reads systematically higher" in said for said in run.listener.said)


def test_repeats_marked_among_the_readings(run, walk):
    layer = walk(x=(0.0, 1.0, 1.05), again=[0] * 2 * N + [1] * N)
    out = run("comparerepeats", INPUT=layer, REPEAT_FIELD="again", PAIRS="memory:")
    assert json.loads(out["FIGURES"])["difference ec"] == pytest.approx(0.05)
    assert {row[0] for row in attributes(out["PAIRS"], "first_line")} == {2}


def test_crossings_with_marked_tie_lines(run, point_layer):
    x, y, line, tie, ec = [], [], [], [], []
    for number in range(3):
        for step in Y:
            x.append(430000.0 + number)
            y.append(5900000.0 + step)
            line.append(number)
            tie.append(0)
            ec.append(20.0 + number)
    for step in np.arange(-0.4, 3, 0.25):
        x.append(430000.0 + step)
        y.append(5900001.1)
        line.append(9)
        tie.append(1)
        ec.append(25.0)
    layer = point_layer(x=x, y=y, line=line, tie=tie, ec=ec)
    out = run("comparerepeats", INPUT=layer, COMPARE="crossings", REPEAT_FIELD="tie",
              PAIRS="memory:")  # fmt: skip
    found = attributes(out["PAIRS"], "line", "first_line", "ec_diff")
    assert found == [(9, 0, 5.0), (9, 1, 4.0), (9, 2, 3.0)]
    every = run("comparerepeats", INPUT=layer, COMPARE="crossings", PAIRS="memory:")
    assert json.loads(every["FIGURES"])["pairs"] == 3


@pytest.mark.parametrize("suffix", ["html", "png", "svg"])
def test_the_differences_are_drawn(run, walk, tmp_path, suffix):
    path = tmp_path / f"repeats.{suffix}"
    found = run("comparerepeats", INPUT=walk(), REPEAT=walk(lift=0.3), PAGE=str(path),
                PAIRS="memory:")  # fmt: skip
    assert found["PAGE"] == str(path)
    content = path.read_bytes()
    start = {"html": b"<!DOCTYPE html>", "png": b"\x89PNG", "svg": b"<?xml"}[suffix]
    assert content.startswith(start)
    if suffix == "html":
        assert b"ec: 40 pairs, median difference 0.3 mS/m" in content


def test_the_pairs_carry_the_history(run, walk, tmp_path):
    from lynchet.plugin.history import channel_units, read_history
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "pairs.gpkg")
    run("comparerepeats", INPUT=walk(), REPEAT=walk(lift=0.3), PAIRS=path)
    layer = QgsVectorLayer(path, "pairs", "ogr")
    lines = read_history(layer)
    assert lines[-1].startswith("lynchet:comparerepeats ")
    assert '"difference ec": 0.3' in lines[-1]
    assert channel_units(lines)["ec"] == "mS/m"


def test_what_cannot_be_is_refused(run, walk):
    from qgis.core import QgsProcessingException

    for given, sentence in (
        ({}, "No repeat readings are given. Choose their layer, or the field"),
        ({"REPEAT_FIELD": "none"}, "Field 'none' of layer 'quillmere' marks no reading"),
        ({"REPEAT_FIELD": "all"}, "marks every reading: there is no first survey left"),
        ({"REPEAT": walk(x=(40.0,))}, "No usable repeat reading lies within 0.25 map units"),
        ({"REPEAT": walk(crs="EPSG:25832")}, "in EPSG:25832 and layer 'quillmere' in EPSG:25831"),
        ({"COMPARE": "crossings"}, "No two lines cross with usable values of both"),
    ):
        layer = walk(none=[0] * 2 * N, all=[1] * 2 * N)
        with pytest.raises(QgsProcessingException, match=sentence):
            run("comparerepeats", INPUT=layer, PAIRS="memory:", **given)


def test_a_repeat_without_the_channel_is_refused(run, walk, point_layer):
    from qgis.core import QgsProcessingException

    other = point_layer(x=[430000.0], y=[5900000.0], cond=[3.0])
    with pytest.raises(QgsProcessingException, match="has no field 'ec'"):
        run("comparerepeats", INPUT=walk(), REPEAT=other, PAIRS="memory:")
