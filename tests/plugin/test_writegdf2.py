"""Readings to ASEG-GDF2 and back, through the steps."""

import json

import numpy as np
import pytest
from host import ROOT

SAMPLE = ROOT / "sample_layers"
CRS = "EPSG:25831"


@pytest.fixture(scope="module")
def survey(provider, tmp_path_factory):
    """Two data grids of the sample survey as a readings layer in a file."""
    import processing

    path = str(tmp_path_factory.mktemp("survey") / "quillmere.gpkg")
    processing.run(
        "lynchet:importtable",
        {
            "FILES": [str(SAMPLE / f"quillmere_g{k}.csv") for k in (1, 2)],
            "PLACEMENT": "site_grid", "CRS": CRS, "LAYOUT": str(SAMPLE / "quillmere_grids.csv"),
            "SEPARATION": 0.5, "INTERVAL": 0.125, "GRID_COLUMN": "grid", "LINE_COLUMN": "line",
            "SEQUENCE_COLUMN": "reading", "TIME_COLUMN": "time", "KEEP_COLUMNS": "mark",
            "OUTPUT": path,
        },
    )  # fmt: skip
    return path


def rows_of(path, names=None):
    """Names, rows with None, and positions of a layer's features."""
    from lynchet.plugin import compat
    from qgis.core import QgsVectorLayer

    layer = QgsVectorLayer(path, "layer", "ogr") if isinstance(path, str) else path
    names = names or [name for name in layer.fields().names() if name != "fid"]
    rows, places = [], []
    for feature in layer.getFeatures():
        rows.append([None if compat.is_null(feature[n]) else feature[n] for n in names])
        geometry = feature.geometry()
        places.append((np.nan, np.nan) if geometry.isNull() else tuple(geometry.asPoint())[:2])
    return names, rows, np.array(places)


def test_the_sample_survey_comes_back_the_same(run, survey, tmp_path):
    from lynchet.plugin.history import channel_units, read_history
    from qgis.core import QgsVectorLayer

    out = run("writegdf2", INPUT=survey, OUTPUT=str(tmp_path / "q.dat"))
    figures = json.loads(out["FIGURES"])
    back = str(tmp_path / "back.gpkg")
    found = run("importgdf2", FILES=[out["OUTPUT"]], CRS=CRS, OUTPUT=back)
    names, before, places = rows_of(survey)
    _, after, again = rows_of(back, names)
    assert len(after) == len(before) == figures["records"] == 12800
    assert json.loads(found["FIGURES"])["readings"] == figures["records"]
    along = names.index("along")
    exact = [k for k in range(len(names)) if k not in (along,)]
    for k in exact:
        assert [row[k] for row in after] == [row[k] for row in before], names[k]
    np.testing.assert_allclose(
        [row[along] for row in after], [row[along] for row in before], atol=1e-6
    )
    np.testing.assert_allclose(again, places, rtol=0, atol=0.0005001)
    lines = read_history(QgsVectorLayer(back, "back", "ogr"))
    assert [line.split()[0] for line in lines] == [
        "lynchet:importtable", "lynchet:writegdf2", "lynchet:importgdf2",
    ]  # fmt: skip
    assert channel_units(lines) == {
        "ec_050": "mS/m", "ip_050": "ppt", "ec_100": "mS/m", "ip_100": "ppt",
    }  # fmt: skip
    assert QgsVectorLayer(back, "back", "ogr").crs().authid() == CRS


@pytest.fixture
def layer(point_layer):
    made = point_layer(
        x=[430000.1234, 430001.0, None, 430002.0], y=[5900000.5, 5900001.0, None, 5900002.0],
        grid=["G1", "G1", "G2", None], line=[2, 1, None, 1], seq=[1, 2, 3, 1],
        qc=[0, 33, 4, 0], ec=[21.25, None, 8.125, -1.5], drift=[1 / 3, 2.0, None, 4.0],
        note=["a ditch", None, "", "x"], count=[7, 8, None, 9],
    )  # fmt: skip
    made.setFieldAlias(made.fields().lookupField("ec"), "ec [mS/m]")
    return made


def test_nulls_flags_units_and_unplaced_readings_come_back(run, layer, tmp_path):
    from lynchet.plugin.history import channel_units, read_history

    path = str(tmp_path / "q.dat")
    run("writegdf2", INPUT=layer, CHANNELS=["ec"], OUTPUT=path, ORDER="layer")
    said = " ".join(run.listener.said)
    assert "'drift' is rounded to 6 decimals: by 3.33e-07 at most." in said
    assert "'easting' is rounded to 3 decimals: by 0.0004 m at most." in said
    out = run("importgdf2", FILES=[path], CRS=CRS, OUTPUT="memory:")["OUTPUT"]
    names = ["grid", "line", "seq", "qc", "ec", "drift", "note", "count"]
    _, rows, places = rows_of(out, names)
    assert rows == [
        ["G1", 2, 1, 0, 21.25, 0.333333, "a ditch", 7],
        ["G1", 1, 2, 33, None, 2.0, None, 8],
        ["G2", None, None, 4, 8.125, None, None, None],
        ["", 1, 1, 0, -1.5, 4.0, "x", 9],
    ]
    assert places[0].tolist() == [430000.123, 5900000.5]
    assert np.isnan(places[2]).all()
    assert channel_units(read_history(out))["ec"] == "mS/m"


def test_readings_without_positions_are_refused_or_counted(run, layer, point_layer, tmp_path):
    from qgis.core import QgsProcessingException

    nowhere = point_layer([None] * 3, [None] * 3, line=[1, 1, 1], ec=[1.5, 2.5, 3.5])
    with pytest.raises(QgsProcessingException, match=r"No reading of layer '.*' has a position"):
        run("writegdf2", INPUT=nowhere, CHANNELS=["ec"], OUTPUT=str(tmp_path / "q.dat"))
    assert list(tmp_path.iterdir()) == []
    some = point_layer([None, 1.0, 2.0], [None, 1.0, 2.0], line=[1, 1, 1], ec=[1.5, 2.5, 3.5])
    run("writegdf2", INPUT=some, CHANNELS=["ec"], OUTPUT=str(tmp_path / "q.dat"))
    assert any(said.startswith("1 record without a position") for said in run.listener.said)


def test_records_go_traverse_by_traverse(run, layer, tmp_path):
    path = tmp_path / "q.dat"
    run("writegdf2", INPUT=layer, CHANNELS=["ec"], OUTPUT=str(path), TRAVERSE_REMARKS=True)
    lines = path.read_text().splitlines()
    assert [line[:20].split()[0] for line in lines] == [
        "COMM", "1", "COMM", "1", "COMM", "2", "-999",
    ]  # fmt: skip
    assert lines[2] == "COMM line 1 of grid G1"


def test_the_definition_says_what_is_where(run, layer, tmp_path):
    path = tmp_path / "q.dat"
    run("writegdf2", INPUT=layer, CHANNELS=["ec"], OUTPUT=str(path), DECIMALS="2")
    definition = path.with_suffix(".dfn").read_text("utf-8").splitlines()
    assert "DEFN 1 ST=RECD,RT=;line:I5:NULL=-999,COMMENT=traverse" in definition
    assert "DEFN 4 ST=RECD,RT=;easting:F11.3:UNIT=m,NULL=-999.000" in definition
    assert any(line.endswith(";ec:F8.2:UNIT=mS/m,NULL=-999.00") for line in definition)
    assert any("PROJNAME" in line and "ETRS89 / UTM zone 31N" in line for line in definition)
    description = path.with_suffix(".des").read_text("utf-8").splitlines()
    assert description[0] == "COMM Readings of layer 'quillmere': 4 records, 3 traverses."
    assert all(line.startswith("COMM ") for line in description)
    assert "EPSG:25831" in description[1]
    assert description[-1].startswith("COMM lynchet:writegdf2 ")


def test_two_runs_give_the_same_bytes_and_leave_nothing_else(run, layer, tmp_path):
    path = tmp_path / "q.dat"
    kept = []
    for _ in range(2):
        run("writegdf2", INPUT=layer, CHANNELS=["ec"], OUTPUT=str(path))
        kept.append([path.with_suffix(end).read_bytes() for end in (".dat", ".dfn", ".des")])
    assert kept[0] == kept[1]
    assert sorted(file.name for file in tmp_path.iterdir()) == ["q.dat", "q.des", "q.dfn"]


def test_the_definition_of_another_file_is_not_overwritten(run, layer, tmp_path):
    from qgis.core import QgsProcessingException

    (tmp_path / "Q.DFN").write_text("another's")
    with pytest.raises(QgsProcessingException, match=r"'Q.DFN' is there already, without 'q.dat'"):
        run("writegdf2", INPUT=layer, CHANNELS=["ec"], OUTPUT=str(tmp_path / "q.dat"))
    assert (tmp_path / "Q.DFN").read_text() == "another's"
    assert not (tmp_path / "q.dat").exists()


def test_files_of_the_input_are_not_overwritten(run, layer, save, tmp_path):
    from qgis.core import QgsProcessingException

    saved = save(layer, "readings.tab")
    with pytest.raises(QgsProcessingException, match="would lie among the files of the input"):
        run("writegdf2", INPUT=saved, CHANNELS=["ec"], OUTPUT=str(tmp_path / "readings.dat"))


def test_decimals_must_be_whole_and_one_a_channel(run, layer, tmp_path):
    from qgis.core import QgsProcessingException

    for decimals in ("1.5", "1;2;3"):
        with pytest.raises(QgsProcessingException, match=r"the 2 channels \(ec, drift\)"):
            run("writegdf2", INPUT=layer, CHANNELS=["ec", "drift"], DECIMALS=decimals,
                OUTPUT=str(tmp_path / "q.dat"))  # fmt: skip
    assert not list(tmp_path.iterdir())


def test_a_file_that_cannot_be_put_in_its_place_leaves_the_data_as_it_was(run, layer, tmp_path):
    from qgis.core import QgsProcessingException

    path = tmp_path / "q.dat"
    path.write_text("before")
    path.with_suffix(".dfn").mkdir()
    with pytest.raises(QgsProcessingException, match=r"q\.dat' could not be written \("):
        run("writegdf2", INPUT=layer, CHANNELS=["ec"], OUTPUT=str(path))
    assert path.read_text() == "before"
    assert sorted(file.name for file in tmp_path.iterdir()) == ["q.dat", "q.dfn"]


def test_the_history_tells_the_channels_from_further_numbers(run, layer, tmp_path):
    path = str(tmp_path / "q.dat")
    run("writegdf2", INPUT=layer, CHANNELS=["ec"], OUTPUT=path)
    out = run("importgdf2", FILES=[path], CRS=CRS, OUTPUT="memory:")["OUTPUT"]
    # 'drift' is a real number too, but none of the channels that were written.
    assert out.fields().names()[7:] == ["ec", "drift", "note", "count"]
    from lynchet.plugin.history import channel_units, read_history

    assert list(channel_units(read_history(out))) == ["ec"]
