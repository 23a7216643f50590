"""One survey, kept by four loggers, comes to the same readings in the same places."""

import numpy as np
import pytest
from host import ROOT
from qgis.core import QgsVectorLayer

SAMPLE = ROOT / "sample_layers"
CHANNELS = ("ec_050", "ip_050", "ec_100", "ip_100")
SITE = {
    "CRS": "EPSG:25831",
    "LAYOUT": str(SAMPLE / "quillmere_grids.csv"),
    "SEPARATION": 0.5,
}
UNITS = "ec_050 [mS/m], ip_050 [ppt], ec_100 [mS/m], ip_100 [ppt]"
RECEIVER = 0.008
"""What positions wander by in the stream, metres, one axis."""


def rows_of(path):
    """Every field of a layer's features by name, and their places."""
    from lynchet.plugin.compat import is_null

    layer = QgsVectorLayer(path, "readings", "ogr")
    names = layer.fields().names()
    columns = {name: [] for name in (*names, "easting", "northing")}
    for feature in layer.getFeatures():
        for name, value in zip(names, feature.attributes()):
            columns[name].append(np.nan if is_null(value) else value)
        point = feature.geometry().asPoint()
        columns["easting"].append(point.x())
        columns["northing"].append(point.y())
    return {name: np.array(column) for name, column in columns.items()}


def numbers(rows, names):
    return np.stack([rows[name].astype(float) for name in names], axis=1)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("ways")


@pytest.fixture
def from_table(run, folder):
    path = folder / "table.gpkg"
    if not path.exists():
        run(
            "importtable",
            FILES=[str(SAMPLE / f"quillmere_g{k}.csv") for k in range(1, 5)],
            PLACEMENT="site_grid", GRID_COLUMN="grid", LINE_COLUMN="line",
            SEQUENCE_COLUMN="reading", TIME_COLUMN="time", CHANNELS=UNITS, INTERVAL=0.125,
            OUTPUT=str(path), **SITE,
        )  # fmt: skip
    return rows_of(str(path))


def test_data_grid_files_are_the_table_to_the_last_bit(run, folder, from_table):
    files = sorted(str(path) for path in (SAMPLE / "data_grids").glob("*.txt"))
    path = str(folder / "grids.gpkg")
    run(
        "importdatagrids", FILES=files, PATTERN="quillmere_{grid}_{channel}.txt", CHANNELS=UNITS,
        NULL_VALUES="-9999", INTERVAL=0.125, OUTPUT=path, **SITE,
    )  # fmt: skip
    found = rows_of(path)
    assert found["grid"].tolist() == from_table["grid"].tolist()
    names = ("line", "seq", "along", "bearing", "easting", "northing", *CHANNELS)
    np.testing.assert_array_equal(numbers(found, names), numbers(from_table, names))


def test_readings_between_marks_are_those_of_the_table(run, folder, from_table):
    loose, path = str(folder / "loose.gpkg"), str(folder / "marked.gpkg")
    run(
        "importtable", FILES=[str(SAMPLE / "quillmere_marked.csv")], PLACEMENT="later",
        CRS="EPSG:25831", CHANNELS=UNITS, GRID_COLUMN="grid", LINE_COLUMN="line",
        TIME_COLUMN="time", KEEP_COLUMNS="mark", OUTPUT=loose,
    )  # fmt: skip
    run("placebymarks", INPUT=loose, FIRST_MARK=2.5, REPAIR="repair", OUTPUT=path, **SITE)
    found = rows_of(path)
    assert found["grid"].tolist() == from_table["grid"].tolist()
    names = ("line", "seq", "time", *CHANNELS)
    np.testing.assert_array_equal(numbers(found, names), numbers(from_table, names))
    places = ("easting", "northing")
    np.testing.assert_allclose(numbers(found, places), numbers(from_table, places), atol=1e-6)
    # The mark missed and the one set twice leave their readings doubtful, and no others.
    doubtful = found["qc"] == 16
    named = {(g, k) for g, k in zip(found["grid"][doubtful], found["line"][doubtful])}
    assert named == {("G2", 7), ("G3", 12)}
    assert set(found["qc"][~doubtful]) == {0}


def test_a_stream_with_positions_is_the_table_within_what_its_receiver_wanders(
    run, folder, from_table
):
    path, split = str(folder / "stream.gpkg"), str(folder / "split.gpkg")
    run(
        "importstream", FILES=[str(SAMPLE / "quillmere_stream.txt")],
        RECIPE=str(SAMPLE / "quillmere_stream.json"), CRS="EPSG:25831", CLOCK_SHIFT="-01:00",
        AHEAD=1.0, GOOD_QUALITY="4", OUTPUT=path,
    )  # fmt: skip
    found = rows_of(path)
    names = ("time", *CHANNELS)
    np.testing.assert_array_equal(numbers(found, names), numbers(from_table, names))
    places = ("easting", "northing")
    off = np.hypot(*(numbers(found, places) - numbers(from_table, places)).T)
    assert np.sqrt(np.mean(off**2)) < 2 * RECEIVER
    assert off.max() < 0.05
    # Twenty seconds of a lesser fix, and nothing else, are doubtful.
    doubtful = found["qc"] == 16
    assert 20 * 8 * 0.7 < doubtful.sum() < 23 * 8
    # Cut into traverses, it has those of the table: forty a data grid, one after another.
    run("splitlines", INPUT=path, OUTPUT=split)
    cut = rows_of(split)
    order = {name: 40 * k for k, name in enumerate(("G1", "G2", "G3", "G4"))}
    expected = [order[g] + k for g, k in zip(from_table["grid"], from_table["line"])]
    same = cut["line"] == np.array(expected)
    assert same.mean() > 0.99
    assert np.isin(cut["line"], [*range(1, 161)]).mean() > 0.99
