"""ASEG-GDF2 line data to a readings layer."""

import json

import pytest
from support import attributes

CRS = "EPSG:25831"
PROJECTED = """\
DEFN   ST=RECD,RT=COMM;RT:A4;COMMENTS:A76
DEFN 1 ST=RECD,RT=;LINE:I4
DEFN 2 ST=RECD,RT=;EASTING:F10.1:UNIT=m;NORTHING:F10.1:UNIT=m
DEFN 3 ST=RECD,RT=;EC_050:F8.2:UNIT=mS/m,NULL=-999.99;END DEFN
DEFN 1 ST=RECD,RT=PROJ;RT:A4;PROJNAME:A30:COMMENT=Invented grid
"""
ROWS = ["COMM day one", "   1  430000.0 5900000.0   21.50", "   1  430003.0 5900004.0 -999.99",
        "", "   2  430000.0 5900001.0    8.25"]  # fmt: skip


@pytest.fixture
def write(tmp_path):
    def go(rows=ROWS, definition=PROJECTED, name="quillmere.dat"):
        path = tmp_path / name
        path.write_text("\n".join(rows) + "\n")
        if definition:
            path.with_suffix(".dfn").write_text(definition)
        return str(path)

    return go


def test_records_become_readings(run, write):
    from lynchet.plugin.history import channel_units, read_history

    out = run("importgdf2", FILES=[write()], CRS=CRS, OUTPUT="memory:")
    rows = attributes(out["OUTPUT"], "grid", "line", "seq", "along", "bearing", "qc", "EC_050")
    assert rows[0] == ("", 1, 1, 0.0, pytest.approx(36.8699, abs=1e-4), 0, 21.5)
    assert rows[1][:4] == ("", 1, 2, 5.0)
    assert rows[1][6] is None
    assert rows[2] == ("", 2, 1, 0.0, None, 0, 8.25)
    point = next(out["OUTPUT"].getFeatures()).geometry().asPoint()
    assert (point.x(), point.y()) == (430000.0, 5900000.0)
    figures = json.loads(out["FIGURES"])
    assert (figures["readings"], figures["records COMM"], figures["records blank"]) == (3, 1, 1)
    said = " ".join(run.listener.said)
    assert "The definition names the coordinate reference system 'Invented grid'" in said
    assert "1 blank row passed over. 1 record of type COMM passed over." in said
    assert channel_units(read_history(out["OUTPUT"])) == {"EC_050": "mS/m"}


def test_degrees_are_brought_to_the_map(run, write):
    definition = "DEFN 1 ST=RECD,RT=;LONGITUDE:F11.6;LATITUDE:F11.6;EC:F7.2\n"
    path = write(["   1.950000  53.240000  20.00"], definition)
    out = run("importgdf2", FILES=[path], CRS=CRS, OUTPUT="memory:")["OUTPUT"]
    point = next(out.getFeatures()).geometry().asPoint()
    # PROJ 9.1.1 by itself (pyproj), EPSG:4326 to EPSG:25831
    assert (point.x(), point.y()) == pytest.approx((429926.5886, 5899483.5181), abs=0.001)


def test_data_grids_may_bear_their_files_names(run, write):
    files = [write(name="west.dat"), write(name="east.dat")]
    out = run("importgdf2", FILES=files, CRS=CRS, GRID_FROM_FILE=True, OUTPUT="memory:")
    assert [row[0] for row in attributes(out["OUTPUT"], "grid")] == ["west"] * 3 + ["east"] * 3


def test_one_definition_may_serve_all_files(run, write, tmp_path):
    (tmp_path / "survey.dfn").write_text(PROJECTED)
    files = [write(definition=None, name="a.dat")]
    out = run("importgdf2", FILES=files, DEFINITION=str(tmp_path / "survey.dfn"), CRS=CRS,
              OUTPUT="memory:")  # fmt: skip
    assert out["OUTPUT"].featureCount() == 3


def test_what_cannot_be_read_is_named_and_nothing_is_written(run, write, tmp_path):
    from qgis.core import QgsProcessingException

    target = tmp_path / "out.gpkg"
    for rows, definition, more, sentence in (
        (ROWS, None, {}, "There is no definition file 'quillmere.dfn' beside quillmere.dat"),
        ([ROWS[1].replace("21.50", "21,50")], PROJECTED, {},
         "Row 1 of quillmere.dat: 'EC_050' is '21,50', which is no number"),
        ([*ROWS, ROWS[1][:27]], PROJECTED, {}, "Row 6 of quillmere.dat is too short"),
        (ROWS, PROJECTED.replace("I4", "Z4"), {}, "Line 2 of quillmere.dfn: field 'LINE' has the"),
        (ROWS, PROJECTED.replace("EASTING", "ACROSS"), {}, "No pair of fields is known for coord"),
        (ROWS, PROJECTED, {"LINE_COLUMN": "L"}, "quillmere.dfn defines no field 'L'"),
        (ROWS, PROJECTED, {"PLACEMENT": "geographic"}, "which is nowhere"),
    ):  # fmt: skip
        (tmp_path / "quillmere.dfn").unlink(missing_ok=True)
        with pytest.raises(QgsProcessingException) as caught:
            run("importgdf2", FILES=[write(rows, definition)], CRS=CRS, OUTPUT=str(target), **more)
        assert sentence in str(caught.value)
        assert not target.exists()


def test_unreadable_values_are_counted_where_they_may_be_null(run, write):
    path = write([ROWS[1].replace("21.50", "21,50"), ROWS[4]])
    run("importgdf2", FILES=[path], CRS=CRS, BAD_VALUES="null", OUTPUT="memory:")
    assert any("1 value of 'EC_050' could not be read" in said for said in run.listener.said)


def test_characters_behind_the_last_field_are_told(run, write):
    run("importgdf2", FILES=[write([ROWS[1] + "  9"])], CRS=CRS, OUTPUT="memory:")
    assert any("1 record goes on behind the last field" in said for said in run.listener.said)
