"""The step "Compare gridding methods": what comes out, and what is said."""

import json

import numpy as np
import pytest
from support import attributes

LINES, LENGTH = 12, 30


@pytest.fixture
def readings(point_layer):
    def make(lines=LINES, **more):
        rng = np.random.default_rng(9)
        line = np.repeat(np.arange(1, lines + 1), LENGTH)
        x, y = 0.5 * line, np.tile(0.25 * np.arange(LENGTH), lines)
        ec = 20 + np.sin(x) + np.cos(y / 2) + rng.normal(0, 0.05, line.size)
        ip = 0.1 * x + rng.normal(0, 0.01, line.size)
        layer = point_layer(
            x=(430000 + x).tolist(), y=(5900000 + y).tolist(), grid=["Q1"] * line.size,
            line=line.tolist(), seq=list(range(LENGTH)) * lines, ec=ec.tolist(), ip=ip.tolist(),
            **more,
        )  # fmt: skip
        layer.setFieldAlias(layer.fields().lookupField("ec"), "ec [mS/m]")
        return layer

    return make


TWO = {"METHODS": ["inverse_distance", "triangulation"], "OUTPUT": "memory:"}


def test_a_row_a_method_and_channel_the_best_first(run, readings):
    out = run("comparegridding", INPUT=readings(), CANDIDATES="inverse_distance power=1", **TWO)
    rows = attributes(
        out["OUTPUT"], "rank", "channel", "unit", "count", "rmse", "relative", "more", "verdict"
    )
    assert [row[:2] for row in rows] == [
        (rank, channel) for rank in (1, 2, 3) for channel in ("all", "ip", "ec")
    ]
    assert rows[2][2] == "mS/m"
    assert rows[2][3] == 10 * LENGTH
    assert 0.03 < rows[2][4] < 0.2
    assert [row[7] for row in rows[:3]] == ["first"] * 3
    assert rows[0][6] == 0
    assert 0 <= rows[3][6] <= rows[6][6]
    figures = json.loads(out["FIGURES"])
    assert figures["rmse ec"] == pytest.approx(rows[2][4], rel=1e-3)
    assert figures["methods_ranked"] == 3
    both = attributes(out["OUTPUT"], "channel", "mae", "rmse")
    assert all(mae < rmse for channel, mae, rmse in both if channel != "all")
    assert figures["mae ec"] == pytest.approx(both[2][1], rel=1e-3)


@pytest.mark.parametrize("given", [None, "mae", "rmse"])
def test_the_order_is_by_the_measure_asked_for(run, readings, given, tmp_path):
    more = {} if given is None else {"RANK_BY": given}
    path = tmp_path / "picture.svg"
    out = run("comparegridding", INPUT=readings(), CHANNELS=["ec"], PICTURE=str(path), **TWO,
              **more)  # fmt: skip
    rows = attributes(out["OUTPUT"], "channel", given or "mae", "more", "worst_error")
    first, second = (row[1] for row in rows if row[0] == "ec")
    assert first <= second
    assert rows[-1][2] == pytest.approx(100 * (second / first - 1))
    assert json.loads(out["FIGURES"])["ranked_by"] == (given or "mae")
    name = {"rmse": "root mean square error"}.get(given, "mean absolute error")
    assert any(said.startswith("1. ") and name in said for said in run.listener.said)
    assert f"<!-- {name.capitalize()} above that of the first" in path.read_text("utf-8")


def test_methods_that_predict_the_same_are_told(run, readings, tmp_path):
    layer = readings(even=np.repeat(0.5 * np.arange(LINES), LENGTH).tolist())
    path = tmp_path / "picture.png"
    out = run("comparegridding", INPUT=layer, CHANNELS=["even"], OUTPUT="memory:",
              METHODS=["inverse_distance", "natural_neighbour", "triangulation"],
              PICTURE=str(path))  # fmt: skip
    rows = attributes(out["OUTPUT"], "candidate", "channel", "verdict", "same_as")
    assert [row for row in rows if row[1] == "even"] == [
        ("natural_neighbour", "even", "first", None),
        ("triangulation", "even", "the same", "natural_neighbour"),
        ("inverse_distance", "even", "worse", None),
    ]
    assert path.stat().st_size > 10_000


def test_the_winners_parameters_run_as_they_are(run, readings):
    layer = readings()
    out = run(
        "comparegridding", INPUT=layer, METHODS=[], CELL_SIZE=0.2, OUTPUT="memory:",
        CANDIDATES="inverse_distance power=1\ninverse_distance power=3.5 neighbours=6",
    )  # fmt: skip
    asked = json.loads(out["WINNER_PARAMETERS"])
    assert out["WINNER"] == "inverse_distance"
    assert asked == {
        "METHOD": "inverse_distance",
        "INVERSE_DISTANCE_POWER": 3.5,
        "INVERSE_DISTANCE_NEIGHBOURS": 6,
        "CELL_SIZE": 0.2,
    }
    said = run.listener.said
    assert any(out["WINNER_PARAMETERS"] in sentence for sentence in said)
    line = (
        "METHOD=inverse_distance INVERSE_DISTANCE_POWER=3.5 INVERSE_DISTANCE_NEIGHBOURS=6 "
        "CELL_SIZE=0.2"
    )
    assert f"The same on the command line: {line}" in said
    grid = run("gridreadings", INPUT=layer, OUTPUT="TEMPORARY_OUTPUT", **asked)
    assert json.loads(grid["FIGURES"])["cell_size"] == 0.2


def test_all_methods_are_compared_unless_others_are_chosen(run, readings):
    from lynchet.algorithms.gridding.methods import methods

    out = run("comparegridding", INPUT=readings(), CHANNELS=["ec"], OUTPUT="memory:")
    found = {row[0] for row in attributes(out["OUTPUT"], "candidate")}
    assert found == set(methods())
    out = run("comparegridding", INPUT=readings(), CHANNELS=["ec"],
              METHODS="triangulation,inverse_distance", OUTPUT="memory:")  # fmt: skip
    found = {row[0] for row in attributes(out["OUTPUT"], "candidate")}
    assert found == {"triangulation", "inverse_distance"}


def test_a_method_that_could_not_be_tested_says_why(run, readings):
    out = run("comparegridding", INPUT=readings(),
              CANDIDATES="triangulation longest_edge=0.6", **TWO)  # fmt: skip
    rows = attributes(out["OUTPUT"], "rank", "candidate", "channel", "rmse", "why")
    assert rows[-1][:4] == (None, "triangulation longest_edge=0.6", "all", None)
    assert "does not reach across the gap" in rows[-1][4]
    assert any("'triangulation longest_edge=0.6' could not be ranked" in s
               for s in run.listener.said)  # fmt: skip


def test_the_errors_are_laid_out_reading_by_reading(run, readings):
    out = run("comparegridding", INPUT=readings(), ERRORS="memory:", **TWO)
    names = out["ERRORS"].fields().names()
    assert names == ["grid", "line", "counted", "ec", "ec_e1", "ec_e2", "ip", "ip_e1", "ip_e2"]
    rows = attributes(out["ERRORS"], "line", "counted", "ec", "ec_e1")
    assert len(rows) == LINES * LENGTH
    inner = np.array([row[3] for row in rows if row[1] == 2])
    assert len(inner) == 10 * LENGTH
    table = attributes(out["OUTPUT"], "rank", "channel", "rmse", "bias")
    rmse, bias = next(row[2:] for row in table if row[:2] == (1, "ec"))
    assert rmse == pytest.approx(np.sqrt(np.mean(inner**2)))
    assert bias == pytest.approx(np.mean(inner))
    first = next(iter(out["ERRORS"].getFeatures()))
    assert first.geometry().asPoint().x() == pytest.approx(430000.5)


def test_the_errors_are_shaded_about_nothing(run, readings):
    from lynchet.plugin.gridding.comparegridding import style_errors

    layer = run("comparegridding", INPUT=readings(), ERRORS="memory:", **TWO)["ERRORS"]
    style_errors(layer)
    ranges = layer.renderer().ranges()
    assert layer.renderer().classAttribute() == "ec_e1"
    assert len(ranges) == 7
    assert ranges[3].lowerValue() == pytest.approx(-ranges[3].upperValue())
    values = [row[0] for row in attributes(layer, "ec_e1") if row[0] is not None]
    assert ranges[0].lowerValue() <= min(values)
    assert ranges[-1].upperValue() >= max(values)


@pytest.mark.parametrize(("suffix", "start"), [("png", b"\x89PNG"), ("svg", b"<?xml"),
                                               ("pdf", b"%PDF")])  # fmt: skip
def test_the_errors_are_drawn_the_same_every_time(run, readings, tmp_path, suffix, start):
    pictures = []
    for name in ("one", "two"):
        path = tmp_path / f"{name}.{suffix}"
        out = run("comparegridding", INPUT=readings(), PICTURE=str(path), **TWO)
        assert out["PICTURE"] == str(path)
        pictures.append(path.read_bytes())
    assert pictures[0].startswith(start)
    assert pictures[0] == pictures[1]


def test_the_ranking_carries_the_history(run, readings, tmp_path):
    from lynchet.plugin.history import channel_units, read_history
    from qgis.core import QgsVectorLayer

    path = str(tmp_path / "ranking.gpkg")
    run("comparegridding", INPUT=readings(), **{**TWO, "OUTPUT": path})
    lines = read_history(QgsVectorLayer(path, "ranking", "ogr"))
    assert lines[-1].startswith("lynchet:comparegridding ")
    assert '"winner": "' in lines[-1]
    assert channel_units(lines)["ec"] == "mS/m"


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"METHODS": []}, "No method is chosen. Choose some of 'Methods', or write"),
        ({"METHODS": ["krieging"]}, "'Methods' is 'krieging'; choose from: "),
        ({"CANDIDATES": "triangulation\ninverse_distance powr=2"},
         "Line 2 of the candidates: 'inverse_distance' has no option 'powr'"),
        ({"RANK_BY": "p95"}, "'Rank by' is 'p95'; choose one of: mae, rmse."),
        ({"FOLDS": 1}, "'Leave out every n-th traverse' is 1; it must be at least 2"),
        ({"LINE_FIELD": ""}, "not told apart by traverses"),
        ({"PICTURE": "picture.jpg"}, "the file must end in .png or .svg or .pdf"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused(run, readings, given, sentence):
    from qgis.core import QgsProcessingException

    with pytest.raises(QgsProcessingException) as refused:
        run("comparegridding", **{"INPUT": readings(), **TWO, **given})
    assert sentence in str(refused.value)


def test_a_wall_is_heeded(run, readings, qgis_app):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    wall = QgsVectorLayer("LineString?crs=EPSG:25831", "wall", "memory")
    feature = QgsFeature()
    feature.setGeometry(QgsGeometry.fromWkt("LineString (430003.26 5899999, 430003.26 5900009)"))
    wall.dataProvider().addFeatures([feature])
    plain, walled = (
        json.loads(run("comparegridding", INPUT=readings(), **TWO, **more)["FIGURES"])
        for more in ({}, {"BARRIERS": wall})
    )
    assert plain["rmse ec"] != walled["rmse ec"]
