"""Marks in the host: a table in, readings on the map out."""

import json

import numpy as np
import pytest
from host import ROOT
from support import attributes

SAMPLE = ROOT / "sample_layers"
LAYOUT = str(SAMPLE / "quillmere_grids.csv")


@pytest.fixture
def table(tmp_path):
    """A table of two traverses of data grid A, 20 readings of 0.5 each, marks 5 apart from 2.5."""

    def make(marks=(5, 15, 25, 35), name="marked.csv", cell="M"):
        rows = ["grid,line,ec,mark,operator,qc"]
        for k in range(40):
            sign = cell if k in marks else ""
            rows.append(f"A,{1 + k // 20},{20 + k / 10},{sign},Ann,{1 if k == 3 else 0}")
        path = tmp_path / name
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        return str(path)

    return make


PLACE = {
    "FIRST_MARK": 2.5,
    "ORIGIN": "430000,5900000 [EPSG:25831]",
    "LENGTH": 10,
    "CRS": "EPSG:25831",
    "OUTPUT": "memory:",
}


def places(layer):
    return [
        None if f.geometry().isNull() else (f.geometry().asPoint().x(), f.geometry().asPoint().y())
        for f in layer.getFeatures()
    ]


def test_a_plain_table_is_put_on_the_map_with_all_its_fields(run, table):
    out = run("placebymarks", INPUT=table(), **PLACE)
    layer = out["OUTPUT"]
    assert layer.crs().authid() == "EPSG:25831"
    along = np.arange(0.25, 10, 0.5)
    wanted = [(430000.5, 5900000 + v) for v in along]
    wanted += [(430001.5, 5900010 - v) for v in along]
    np.testing.assert_allclose(places(layer), wanted, rtol=0, atol=1e-6)
    rows = attributes(layer, "grid", "line", "seq", "along", "bearing", "qc", "operator", "mark")
    assert rows[0] == ("A", 1, 1, pytest.approx(0.25), 0.0, 0, "Ann", "")
    assert rows[25] == ("A", 2, 6, pytest.approx(2.75), 180.0, 0, "Ann", "M")
    assert rows[3][5] == 1
    assert json.loads(out["FIGURES"])["marks"] == 4


def test_a_missed_mark_is_refused_or_repaired_with_a_table_of_repairs(run, table):
    from qgis.core import QgsProcessingException

    marks = (5, 15, 35)
    with pytest.raises(QgsProcessingException, match="Traverse 2 of data grid A has 1 mark where"):
        run("placebymarks", INPUT=table(marks), REPAIR="repair", **PLACE)
    given = {**PLACE, "MARK_SPACING": 2.5, "FIRST_MARK": 1.25}
    marks = (3, 8, 13, 23, 28, 33, 38)
    given["MARK_AT"] = "reading"
    given["FIRST_MARK"] = 1.75
    with pytest.raises(QgsProcessingException, match="Traverse 1 of data grid A lacks the mark at"):
        run("placebymarks", INPUT=table(marks), **given)
    out = run("placebymarks", INPUT=table(marks), REPAIR="repair", REPAIRS="memory:", **given)
    assert attributes(out["REPAIRS"], "grid", "line", "what", "along") == [("A", 1, "missed", 9.25)]
    qc = [row[0] for row in attributes(out["OUTPUT"], "qc")]
    assert qc[14:20] == [16] * 6
    assert qc[:14] == [0, 0, 0, 1] + [0] * 10
    assert qc[20:] == [0] * 20
    assert any("mark at 9.25 put in" in said for said in run.listener.said)


def test_the_sample_walked_by_marks_lies_where_its_reading_numbers_put_it(run, tmp_path):
    options = {"LAYOUT": LAYOUT, "SEPARATION": 0.5, "CRS": "EPSG:25831"}
    out = run(
        "placebymarks", INPUT=str(SAMPLE / "quillmere_marked.csv"), FIRST_MARK=2.5,
        REPAIR="repair", REPAIRS="memory:", OUTPUT="memory:", **options,
    )  # fmt: skip
    files = [str(SAMPLE / f"quillmere_g{k}.csv") for k in (1, 2, 3, 4)]
    grids = run(
        "importtable", FILES=files, GRID_COLUMN="grid", LINE_COLUMN="line",
        SEQUENCE_COLUMN="reading", INTERVAL=0.125, OUTPUT="memory:", **options,
    )["OUTPUT"]  # fmt: skip
    np.testing.assert_allclose(places(out["OUTPUT"]), places(grids), rtol=0, atol=1e-3)
    assert attributes(out["REPAIRS"], "grid", "line", "what", "along") == [
        ("G2", 7, "missed", 7.5), ("G3", 12, "doubled", 12.5),
    ]  # fmt: skip


def test_a_count_that_is_text_and_a_layout_that_lacks_are_refused(run, table):
    from qgis.core import QgsProcessingException

    for given, sentence in (
        ({"MARKED_BY": "count"}, "holds text where the count of marks is needed"),
        ({"MARK_FIELD": "cane"}, "has no field 'cane' for 'Mark field'"),
        ({"ORIGIN": None}, "Placing on a site grid needs the data-grid layout"),
        ({"METHOD": "time"}, "Spreading readings by time needs the time field"),
    ):
        with pytest.raises(QgsProcessingException, match=sentence):
            run("placebymarks", INPUT=table(), **{**PLACE, **given})
