"""Bad input ends in one clear sentence in the user's words, and leaves nothing behind."""

import numpy as np
import pytest
from osgeo import gdal, osr

HEADER = "grid,line,reading,time,ec_050 [mS/m]\n"
ROWS = "".join(
    f"G1,{line},{reading},09:00:{reading:02d},{20 + 0.1 * reading:.2f}\n"
    for line in (1, 2)
    for reading in range(1, 13)
)
GOOD = HEADER + ROWS
PLACE = {
    "PLACEMENT": "site_grid",
    "CRS": "EPSG:25831",
    "GRID_COLUMN": "grid",
    "LINE_COLUMN": "line",
    "SEQUENCE_COLUMN": "reading",
    "TIME_COLUMN": "time",
    "ORIGIN": "430000,5900000 [EPSG:25831]",
    "SEPARATION": 0.5,
    "INTERVAL": 0.5,
}

TABLES = {
    "an empty file": ("", {}, "table.csv is empty. Choose a file with readings."),
    "only blanks": ("\n  \n", {}, "table.csv is empty. Choose a file with readings."),
    "only comments": ("# nothing\n", {}, "table.csv holds no rows. Choose a file with readings."),
    "only a header": (
        HEADER, {},
        "table.csv holds no readings: its only row was taken for the names of the columns.",
    ),
    "numbers for a header": (
        "1,2,3,4,5\n1,2,3,4,5\n", {},
        "The first row of table.csv holds numbers where the names of the columns are expected. "
        "Say that the table has no header.",
    ),
    "a picture": (b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR", {},
        "table.csv is not a text file. Choose a delimited text file."),
    "the wrong delimiter": (
        GOOD, {"DELIMITER": "semicolon"},
        "table.csv has no column 'grid'. It has: grid,line,reading,time,ec_050 [mS/m]. Check the "
        "name, the delimiter and whether the first row names the columns.",
    ),
    "an absent column": (
        GOOD, {"LINE_COLUMN": "traverse"},
        "table.csv has no column 'traverse'. It has: grid, line, reading, time, ec_050 [mS/m]. "
        "Check the name, the delimiter and whether the first row names the columns.",
    ),
    "a column number beyond the last": (
        GOOD, {"LINE_COLUMN": "9"}, "table.csv has no column '9'.",
    ),
    "an absent channel": (GOOD, {"CHANNELS": "ec_100"}, "table.csv has no column 'ec_100'."),
    "a channel named twice": (
        GOOD, {"CHANNELS": "ec_050, ec_050"},
        "Channel 'ec_050' is named twice. Name each channel once.",
    ),
    "two columns of one name": (
        GOOD.replace("reading,", "line,", 1), {"SEQUENCE_COLUMN": ""},
        "table.csv has 2 columns 'line': name the one meant by its number.",
    ),
    "text among numbers": (
        GOOD.replace("20.30", "oops", 1), {"CHANNELS": "ec_050"},
        "Row 4 of table.csv: 'ec_050' is 'oops'. Correct the file, or take unreadable values as "
        "NULL.",
    ),
    "a decimal comma in quotes": (
        GOOD.replace("20.30", '"20,30"', 1), {"CHANNELS": "ec_050", "DECIMAL": "point"},
        "Row 4 of table.csv: 'ec_050' is '20,30'. Choose the decimal comma or correct the file, "
        "or take unreadable values as NULL.",
    ),
    "infinity": (
        GOOD.replace("20.30", "inf", 1), {"CHANNELS": "ec_050"},
        "Row 4 of table.csv: 'ec_050' is 'inf'. Correct the file, or take unreadable values as "
        "NULL.",
    ),
    "digits run together by an underscore": (
        GOOD.replace("20.30", "20_30", 1), {"CHANNELS": "ec_050"},
        "Row 4 of table.csv: 'ec_050' is '20_30'. Correct the file, or take unreadable values as "
        "NULL.",
    ),
    "a broken traverse number": (
        GOOD.replace("G1,1,3", "G1,1.5,3", 1), {},
        "Row 4 of table.csv: 'line' is '1.5'. Correct the file, or take unreadable values as NULL.",
    ),
    "a time that is none": (
        GOOD.replace("09:00:03", "09:61:03", 1), {},
        "Row 4 of table.csv: 'time' is '09:61:03', which is not a time.",
    ),
    "too few cells": (
        GOOD.replace("G1,1,3,09:00:03,20.30", "G1,1,3"), {},
        "Row 4 of table.csv has 3 cells where 5 are expected. Choose another delimiter or decimal "
        "sign, or correct the row.",
    ),
    "too many cells": (
        GOOD.replace("20.30", "20.30,7", 1), {},
        "Row 4 of table.csv has 6 cells where 5 are expected. Choose another delimiter or decimal "
        "sign, or correct the row.",
    ),
    "an open quotation mark": (
        GOOD.replace("20.30", '"20.30', 1), {"CHANNELS": "ec_050"},
        "that is not closed in its row. Correct the file.",
    ),
    "Latin-1 where UTF-8 is asked": (
        GOOD.replace("G1", "Gräben").encode("latin-1"), {"ENCODING": "utf-8"},
        "table.csv is not UTF-8. Choose another encoding.",
    ),
    "the same reading twice": (
        GOOD + "G1,1,3,09:00:03,20.3\n", {},
        "Readings 3 and 25 are both number 3 on traverse 1 of data grid G1. Was a file given "
        "twice, or is the data grid column missing?",
    ),
    "no traverse column": (
        GOOD, {"LINE_COLUMN": ""},
        "Placing on a site grid needs the traverse column. Name it.",
    ),
    "no corner": (
        GOOD, {"ORIGIN": None},
        "Placing on a site grid needs the data-grid layout, or the corner of the one data grid. "
        "Give one of them.",
    ),
    "a negative separation": (
        GOOD, {"SEPARATION": -1.0}, "'Traverse separation' is -1; it must be above 0.",
    ),
    "a traverse longer than the data grid": (
        GOOD, {"LENGTH": 3.0},
        "Traverse 1 of data grid G1 reaches 3.75, beyond the length of 3. Correct the length of "
        "the traverses or the reading interval.",
    ),
    "a CRS in degrees": (
        GOOD, {"CRS": "EPSG:4326"},
        "'Coordinate reference system' is in degrees (EPSG:4326), and survey distances need a "
        "projected coordinate reference system. Choose one in metres or feet.",
    ),
    "coordinates without columns": (
        GOOD, {"PLACEMENT": "projected"},
        "Placing by coordinates needs two columns: easting and northing, or longitude and "
        "latitude. Name them.",
    ),
    "metres for degrees": (
        "x,y,ec\n430000,5900000,1\n430001,5900001,2\n",
        {"PLACEMENT": "geographic", "GRID_COLUMN": "", "LINE_COLUMN": "", "SEQUENCE_COLUMN": "",
         "TIME_COLUMN": "", "X_COLUMN": "x", "Y_COLUMN": "y"},
        "Reading 1 lies at longitude 430000, latitude 5.9e+06, which is nowhere. Are the columns "
        "swapped, or the coordinates projected?",
    ),
    "an unknown word": (
        GOOD, {"WALKING": "sideways"},
        "'Walking' is 'sideways'; choose one of: zigzag, one_way.",
    ),
    "comma for both": (
        GOOD, {"DELIMITER": "comma", "DECIMAL": "comma"},
        "The comma cannot be both delimiter and decimal sign: change one.",
    ),
}  # fmt: skip


def refused(run, step, parameters, sentence, folder):
    """Run a step that must be refused: one sentence, and nothing in the output's folder."""
    from qgis.core import QgsProcessingException

    out = folder / "out"
    out.mkdir(exist_ok=True)
    with pytest.raises(QgsProcessingException) as caught:
        run(step, **{"OUTPUT": str(out / "result.gpkg"), **parameters})
    said = str(caught.value).replace("Unable to execute algorithm\n", "").strip()
    assert sentence in said
    assert "\n" not in said
    assert "Traceback" not in said
    assert said[-1] in ".?", said
    assert list(out.iterdir()) == []


@pytest.mark.parametrize("case", TABLES)
def test_broken_table(run, tmp_path, case):
    content, change, sentence = TABLES[case]
    path = tmp_path / "table.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
    parameters = {"FILES": [str(path)], **PLACE, **change}
    parameters = {name: value for name, value in parameters.items() if value is not None}
    refused(run, "importtable", parameters, sentence, tmp_path)


def test_a_good_table_comes_in(run, tmp_path):
    path = tmp_path / "table.csv"
    path.write_text(GOOD)
    out = run("importtable", FILES=[str(path)], **PLACE, OUTPUT="memory:")["OUTPUT"]
    assert out.featureCount() == 24


def test_unreadable_values_become_null_when_asked_and_are_counted(run, tmp_path):
    from support import attributes

    path = tmp_path / "table.csv"
    path.write_text(GOOD.replace("20.30", "oops", 1).replace("G1,2,4,", "G1,?,4,"))
    parameters = {**PLACE, "CHANNELS": "ec_050", "BAD_VALUES": "null", "OUTPUT": "memory:"}
    out = run("importtable", FILES=[str(path)], **parameters)["OUTPUT"]
    assert out.featureCount() == 24
    assert attributes(out, "ec_050")[2] == (None,)
    assert "1 value of 'ec_050' could not be read and is NULL." in run.listener.said
    assert "1 reading could not be placed and has no position." in run.listener.said


def test_a_file_that_is_not_there(run, tmp_path):
    parameters = {"FILES": [str(tmp_path / "no.csv")], **PLACE}
    refused(run, "importtable", parameters, "There is no file '", tmp_path)


def test_a_layout_without_the_data_grid(run, tmp_path):
    (tmp_path / "table.csv").write_text(GOOD)
    (tmp_path / "layout.csv").write_text("grid,x,y,bearing\nG7,430000,5900000,0\n")
    parameters = {
        "FILES": [str(tmp_path / "table.csv")], **PLACE, "LAYOUT": str(tmp_path / "layout.csv")
    }  # fmt: skip
    sentence = (
        "The layout has no place for data grid 'G1'. It has: G7. Add it, or name the data grid "
        "column."
    )
    refused(run, "importtable", parameters, sentence, tmp_path)


def test_a_layout_without_bearings(run, tmp_path):
    (tmp_path / "table.csv").write_text(GOOD)
    (tmp_path / "layout.csv").write_text("grid,x,y\nG1,430000,5900000\n")
    parameters = {
        "FILES": [str(tmp_path / "table.csv")], **PLACE, "LAYOUT": str(tmp_path / "layout.csv")
    }  # fmt: skip
    refused(run, "importtable", parameters, "has no field 'bearing'", tmp_path)


# -- layers --------------------------------------------------------------------------------


def lines(count=2, length=12):
    """Positions and fields of a small survey."""
    n = count * length
    return {
        "x": [430000 + 0.5 * (i // length) for i in range(n)],
        "y": [5900000 + 0.5 * (i % length) for i in range(n)],
        "line": [i // length + 1 for i in range(n)],
        "seq": [i % length for i in range(n)],
        "time": [32400.0 + i for i in range(n)],
        "name": ["a"] * n,
        "ec": [20.0 + 0.1 * (i % 5) for i in range(n)],
    }


ONE_LINE = {"count": 1}
LAYERS = {
    "degrees": (
        "despike", {}, {"crs": "EPSG:4326"}, {},
        "Layer 'quillmere' is in degrees (EPSG:4326), and survey distances need a projected "
        "coordinate reference system. Run 'Reproject layer' (native:reprojectlayer) first.",
    ),
    "no CRS": (
        "despike", {}, {"crs": ""}, {},
        "Layer 'quillmere' has no coordinate reference system. Set the one its coordinates are in.",
    ),
    "an absent channel": (
        "despike", {}, {}, {"CHANNELS": ["ec_100"]},
        "Layer 'quillmere' has no field 'ec_100' for 'Channels'. It has: line, seq, time, name, "
        "ec.",
    ),
    "a channel of text": (
        "despike", {}, {}, {"CHANNELS": ["name"]},
        "Field 'name' of layer 'quillmere' holds text where 'Channels' needs numbers. Choose "
        "another field, or convert it first.",
    ),
    "an absent traverse field": (
        "despike", {}, {}, {"LINE_FIELD": "traverse"},
        "Layer 'quillmere' has no field 'traverse' for 'Traverse number field'.",
    ),
    "traverse names that are no numbers": (
        "despike", {}, {}, {"LINE_FIELD": "name"},
        "Feature 1 of layer 'quillmere': field 'name' is 'a' where a number is needed. Choose "
        "another field, or correct it.",
    ),
    "a broken traverse number": (
        "despike", {}, {"ec": [1.5] * 24}, {"LINE_FIELD": "ec", "CHANNELS": ["time"]},
        "Feature 1 of layer 'quillmere': field 'ec' is 1.5 where a whole traverse number is "
        "needed. Choose another field.",
    ),
    "all NULL": (
        "despike", {}, {"ec": [None] * 23 + [float("nan")]}, {"CHANNELS": ["ec"]},
        "Channel 'ec' of layer 'quillmere' holds no reading: all 24 are NULL. Leave it out of the "
        "channels.",
    ),
    "no reading at all": (
        "despike", {"count": 0}, {}, {"CHANNELS": None},
        "Layer 'quillmere' has no field of real numbers to take for a channel. Choose the "
        "channels.",
    ),
    "a negative window": (
        "despike", {}, {}, {"WINDOW": -3}, "'Window' is -3; it must be above 0.",
    ),
    "an even window": (
        "despike", {}, {}, {"WINDOW": 4},
        "The window is 4 readings: choose an odd number of 3 or more.",
    ),
    "a window that is no number": (
        "despike", {}, {}, {"WINDOW": float("nan")}, "'Window' is nan; give a plain number.",
    ),
    "noise floors that do not fit": (
        "despike", {}, {}, {"NOISE_FLOOR": "1;2;3"},
        "There are 3 noise floors for 2 channels: give one for all, or one per channel.",
    ),
    "a noise floor of text": (
        "despike", {}, {}, {"NOISE_FLOOR": "a lot"},
        "'Noise floor' is 'a lot'; give one number, or one a channel separated by semicolons, "
        "with a decimal point.",
    ),
    "one traverse to level": (
        "levellines", ONE_LINE, {}, {"CHANNELS": ["ec"]},
        "Nothing can be levelled in 'ec': no data grid has two traverses with 10 readings that "
        "count. Check the traverse number field, the range of values and the least number of "
        "readings.",
    ),
    "no traverse at all": (
        "despike", {}, {"line": [None] * 24}, {},
        "No reading belongs to a traverse. Choose the traverse number field.",
    ),
    "a range of values upside down": (
        "levellines", {}, {}, {"LOWEST": 5.0, "HIGHEST": 1.0},
        "The range of values runs from 5 to 1: give a lowest below the highest.",
    ),
    "no base readings": (
        "driftbase", {}, {}, {},
        "No base readings are given. Choose their layer or table, or the field that marks them "
        "among the readings.",
    ),
    "no time field": (
        "driftbase", {}, {}, {"TIME_FIELD": "clock"},
        "Layer 'quillmere' has no field 'clock' for 'Time field'.",
    ),
    "nothing marked as base": (
        "driftbase", {}, {"base": [0] * 24}, {"BASE_FIELD": "base"},
        "Field 'base' of layer 'quillmere' marks no base reading.",
    ),
    "readings outside the base visits": (
        "driftbase", {}, {"base": [0] * 5 + [1] + [0] * 12 + [1] + [0] * 5},
        {"BASE_FIELD": "base", "CHANNELS": ["ec"], "VISIT_GAP": 5},
        "5 readings were taken before the first base visit at 09:00:05, the earliest at 09:00:00. "
        "Add base readings there, or allow the drift to be held beyond the first and last visit.",
    ),
    "readings without a time": (
        "driftbase", {}, {"time": [None] * 3 + [1.0] * 21, "base": [1] * 24},
        {"BASE_FIELD": "base", "CHANNELS": ["ec"]},
        "3 readings have no time, the first of them reading 1: their drift is unknown. Fill in "
        "the time, or leave them out.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", LAYERS)
def test_broken_layer(run, point_layer, tmp_path, case):
    step, size, change, parameters, sentence = LAYERS[case]
    layer = point_layer(**{**lines(**size), **change})
    refused(run, step, {"INPUT": layer, "CHANNELS": ["ec", "time"], **parameters}, sentence,
            tmp_path)  # fmt: skip


GRIDDING = {
    "one place": (
        {"x": [430000.0] * 24, "y": [5900000.0] * 24}, {}, "The",
    ),
    "one line of triangles": ({"x": [430000.0] * 24}, {"METHOD": "triangulation",
        "CELL_SIZE": 0.5, "BLANKING_DISTANCE": 2.0},
        "lie on a single line, which cannot be triangulated. Choose the method 'Inverse distance'"),
    "cells by the billion": ({}, {"CELL_SIZE": 0.00001}, "cells"),
    "a cell size of nothing": ({}, {"CELL_SIZE": 0}, "'Cell size' is 0; it must be above 0"),
    "another raster format": ({}, {"OUTPUT": "png"}, "a raster is written as GeoTIFF"),
}  # fmt: skip


@pytest.mark.parametrize("case", GRIDDING)
def test_broken_gridding(run, point_layer, tmp_path, case):
    change, parameters, sentence = GRIDDING[case]
    layer = point_layer(**{**lines(), **change})
    out = str(tmp_path / "out" / ("r.png" if parameters.get("OUTPUT") else "r.tif"))
    parameters = {"INPUT": layer, "CHANNELS": ["ec"], **parameters, "OUTPUT": out}
    refused(run, "gridreadings", parameters, sentence, tmp_path)


@pytest.fixture
def raster(tmp_path):
    def make(values, epsg=25831):
        path = tmp_path / "map.tif"
        rows, columns = values.shape
        dataset = gdal.GetDriverByName("GTiff").Create(
            str(path), columns, rows, 1, gdal.GDT_Float64
        )
        dataset.SetGeoTransform((430000, 0.5, 0, 5900030, 0, -0.5))
        if epsg:
            reference = osr.SpatialReference()
            reference.ImportFromEPSG(epsg)
            dataset.SetProjection(reference.ExportToWkt())
        dataset.GetRasterBand(1).SetNoDataValue(-9999)
        dataset.GetRasterBand(1).WriteArray(values)
        return str(path)

    return make


BUMPY = np.random.default_rng(1).normal(20, 1, (20, 20))
RASTERS = {
    "nothing but no-data": (np.full((20, 20), -9999.0), {}, {}, "data"),
    "a band too many": (BUMPY, {}, {"BAND": 3}, "'Band' is 3; raster 'map' has bands 1 to 1."),
    "a seed below the extent": (
        BUMPY, {}, {"SEED_THRESHOLD": 1.0},
        "The seed threshold (1) is below the extent threshold (2): raise the seed or lower the "
        "extent.",
    ),
    "a negative area": (
        BUMPY, {}, {"SMALLEST_AREA": -1}, "'Smallest area' is -1; it must be at least 0.",
    ),
    "a raster in degrees": (BUMPY, {"epsg": 4326}, {}, "Raster 'map' is in degrees (EPSG:4326)"),
    "a raster without CRS": (
        BUMPY, {"epsg": None}, {}, "Raster 'map' has no coordinate reference system.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", RASTERS)
def test_broken_raster(run, raster, tmp_path, case):
    values, options, parameters, sentence = RASTERS[case]
    refused(run, "anomalies", {"INPUT": raster(values, **options), **parameters}, sentence,
            tmp_path)  # fmt: skip


# -- outputs -------------------------------------------------------------------------------


def test_a_folder_that_is_a_file(run, point_layer, tmp_path):
    (tmp_path / "file").write_text("")
    parameters = {"INPUT": point_layer(**lines()), "OUTPUT": str(tmp_path / "file" / "out.gpkg")}
    refused(run, "despike", parameters, "there is no folder", tmp_path)


@pytest.mark.parametrize("step", ["despike", "gridreadings"])
def test_a_folder_that_is_not_there(run, point_layer, tmp_path, step):
    suffix = "tif" if step == "gridreadings" else "gpkg"
    out = tmp_path / "no" / "such" / f"out.{suffix}"
    sentence = f"there is no folder '{out.parent}'. Make it, or choose another."
    refused(run, step, {"INPUT": point_layer(**lines()), "OUTPUT": str(out)}, sentence, tmp_path)
    assert not (tmp_path / "no").exists()


def test_an_output_that_is_the_input_by_a_relative_name(
    run, point_layer, save, tmp_path, monkeypatch
):
    save(point_layer(**lines()))
    monkeypatch.chdir(tmp_path)
    before = (tmp_path / "readings.gpkg").read_bytes()
    parameters = {"INPUT": "readings.gpkg", "OUTPUT": "readings.gpkg"}
    refused(run, "despike", parameters, "would overwrite the input 'readings.gpkg'.", tmp_path)
    assert (tmp_path / "readings.gpkg").read_bytes() == before


def test_an_output_that_is_a_folder(run, point_layer, tmp_path):
    parameters = {"INPUT": point_layer(**lines()), "OUTPUT": str(tmp_path)}
    refused(run, "despike", parameters, "; add a file name.", tmp_path)


def test_an_output_that_is_the_input(run, point_layer, save, tmp_path):
    saved = save(point_layer(**lines()))
    before = (tmp_path / "readings.gpkg").read_bytes()
    parameters = {"INPUT": saved, "OUTPUT": str(tmp_path / "readings.gpkg")}
    refused(run, "despike", parameters, "would overwrite the input 'readings.gpkg'.", tmp_path)
    assert (tmp_path / "readings.gpkg").read_bytes() == before


def test_a_layer_that_is_not_there(run, tmp_path):
    refused(run, "despike", {"INPUT": str(tmp_path / "no.gpkg")}, "is not a vector layer", tmp_path)


def test_many_points_in_one_feature(run, tmp_path, provider):
    from qgis.core import QgsFeature, QgsGeometry, QgsPointXY, QgsVectorLayer

    layer = QgsVectorLayer("MultiPoint?crs=EPSG:25831&field=line:integer&field=ec:double",
                           "quillmere", "memory")  # fmt: skip
    feature = QgsFeature(layer.fields())
    feature.setGeometry(QgsGeometry.fromMultiPointXY([QgsPointXY(0, 0), QgsPointXY(1, 1)]))
    feature.setAttributes([1, 2.0])
    layer.dataProvider().addFeatures([feature])
    sentence = (
        "Feature 1 of layer 'quillmere' holds 2 points where one reading is one point. Run "
        "'Multipart to singleparts' first."
    )
    refused(run, "despike", {"INPUT": layer}, sentence, tmp_path)


# -- words and files that would be taken for something else --------------------------------------


@pytest.fixture
def survey_file(point_layer, save):
    rng = np.random.default_rng(0)
    n = 200
    layer = save(
        point_layer(
            x=[0.5 * (i // 20) for i in range(n)], y=[0.5 * (i % 20) for i in range(n)],
            line=[i // 20 for i in range(n)], seq=[i % 20 for i in range(n)],
            time=[float(i) for i in range(n)], ec=rng.normal(20, 1, n).tolist(),
        )
    )  # fmt: skip
    return layer.source().split("|")[0]


@pytest.mark.parametrize(
    ("step", "asked", "sentence"),
    [
        ("alignpasses", {"LAG": "abc"},
         "'Known lag' is 'abc'; give a number, with a decimal point."),
        ("temperature", {"TEMPERATURE": "warm"},
         "'Soil temperature' is 'warm'; give a number, with a decimal point."),
        ("despike", {"LONGEST_RUN": "six"}, "is 'six'; give a number, with a decimal point."),
        ("despike", {"PASSES": "1.5"}, "'Passes' is 1.5; give a whole number."),
        ("despike", {"KEEP_SHARED": "maybe"}, "is 'maybe'; give true or false."),
        ("runsequence", {"TEXT": "despike\n  longest_run = six"},
         "is 'six'; give a number, with a decimal point."),
    ],
)  # fmt: skip
def test_a_word_for_a_number_is_refused(run, survey_file, tmp_path, step, asked, sentence):
    from qgis.core import QgsProcessingException

    out = tmp_path / "out.gpkg"
    with pytest.raises(QgsProcessingException) as caught:
        run(step, INPUT=survey_file, OUTPUT=str(out), **asked)
    assert sentence in str(caught.value)
    assert not out.exists()


@pytest.mark.parametrize(
    ("step", "asked", "sentence"),
    [
        ("checkreadings", {"FINDINGS": "a.gpkg", "COVERAGE": "a.gpkg"},
         "'Findings' and 'Coverage' would both be written to 'a.gpkg'. Choose a file for each."),
        ("checkreadings", {"FINDINGS": "a.gpkg", "PAGE": "p.abc"}, "the file must end in .html"),
        ("driftbase", {"OUTPUT": "a.gpkg", "CURVES": "drift.xyz", "BASE_FIELD": "line"},
         "'Drift curves' is 'drift.xyz'; the file must end in .html or .png or .svg. "),
        ("runsequence", {"OUTPUT": "a.txt.gpkg", "WRITTEN": "a.gpkg", "TEXT": "despike"},
         "the file must end in .txt"),
    ],
)  # fmt: skip
def test_outputs_that_cannot_both_be_are_refused(run, survey_file, tmp_path, step, asked, sentence):
    from qgis.core import QgsProcessingException

    (tmp_path / "made").mkdir()
    files = {
        name: str(tmp_path / "made" / value) if "." in value else value
        for name, value in asked.items()
    }
    with pytest.raises(QgsProcessingException) as caught:
        run(step, INPUT=survey_file, **files)
    assert sentence in str(caught.value)
    assert list((tmp_path / "made").iterdir()) == []


def test_a_sequence_does_not_write_over_a_layer_that_it_reads(run, survey_file, tmp_path):
    from qgis.core import QgsProcessingException

    base = tmp_path / "base.gpkg"
    base.write_bytes((tmp_path / "readings.gpkg").read_bytes())
    before = base.read_bytes()
    with pytest.raises(QgsProcessingException, match=r"would overwrite the input 'base\.gpkg'"):
        run("runsequence", INPUT=survey_file, TEXT="driftbase\n  base = base.gpkg",
            OUTPUT=str(base))  # fmt: skip
    assert base.read_bytes() == before


def test_no_layer_is_added_to_the_inputs_file(run, survey_file, tmp_path):
    from qgis.core import QgsProcessingException

    path = survey_file
    with pytest.raises(QgsProcessingException, match="would overwrite the input"):
        run("despike", INPUT=survey_file, OUTPUT=f"ogr:dbname='{path}' table=\"new\" (geom)")


def test_a_channel_named_twice_is_corrected_once(run, survey_file):
    from qgis.core import QgsVectorLayer

    found = run("temperature", INPUT=survey_file, CHANNELS=["ec", "ec"], TEMPERATURE=12.0,
                OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    before = [feature["ec"] for feature in QgsVectorLayer(survey_file).getFeatures()]
    after = [feature["ec"] for feature in found.getFeatures()]
    np.testing.assert_allclose(np.array(after) / before, 1.344, atol=0.001)


def test_words_for_numbers_and_flags_stand_in_the_history_as_such(run, survey_file):
    from lynchet.plugin.history import Entry

    out = run("despike", INPUT=survey_file, LONGEST_RUN="6", KEEP_SHARED="true",
              OUTPUT="memory:")["OUTPUT"]  # fmt: skip
    asked = Entry.parse(out.metadata().history()[0]).parameters
    assert (asked["LONGEST_RUN"], asked["KEEP_SHARED"]) == (6, True)
