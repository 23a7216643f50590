"""Data-grid files give the layer that the same readings give as a table."""

import json

import pytest
from host import ROOT

SAMPLE = ROOT / "sample_layers"
CHANNELS = "ec_050 [mS/m], ip_050 [ppt], ec_100 [mS/m], ip_100 [ppt]"
NAMES = ("ec_050", "ip_050", "ec_100", "ip_100")
WALK = {
    "CRS": "EPSG:25831",
    "CHANNELS": CHANNELS,
    "SEPARATION": 0.5,
    "INTERVAL": 0.125,
    "LAYOUT": str(SAMPLE / "quillmere_grids.csv"),
    "OUTPUT": "TEMPORARY_OUTPUT",
}
FILES = {"PATTERN": "quillmere_{grid}_{channel}.txt", "NULL_VALUES": "-9999"}


def matrices(*grids):
    return [
        str(SAMPLE / "data_grids" / f"quillmere_{grid}_{name}.txt")
        for grid in grids
        for name in NAMES
    ]


def features(layer):
    return [(f.attributes(), bytes(f.geometry().asWkb())) for f in layer.getFeatures()]


def described(layer):
    return [(f.name(), f.type(), f.alias()) for f in layer.fields()]


@pytest.fixture
def table(run):
    """The layer of the same readings brought in as a table."""

    def go(grids=("g2",), **parameters):
        return run(
            "importtable",
            FILES=[str(SAMPLE / f"quillmere_{grid}.csv") for grid in grids],
            GRID_COLUMN="grid",
            LINE_COLUMN="line",
            SEQUENCE_COLUMN="reading",
            **{**WALK, **parameters},
        )["OUTPUT"]

    return go


def same(found, expected):
    assert described(found) == described(expected)
    assert features(found) == features(expected)
    assert found.crs() == expected.crs()


def test_matrices_give_the_very_layer_of_the_table(run, table):
    found = run("importdatagrids", FILES=matrices("g2", "g4"), **WALK, **FILES)
    said = run.listener.said
    same(found["OUTPUT"], table(("g2", "g4")))
    figures = json.loads(found["FIGURES"])
    assert figures["readings"] == 12_800
    assert figures["files"] == 8
    assert figures["cells"] == 51_200
    assert figures["values"] == 51_120  # ten readings without a value a data grid and channel
    assert said[0] == ("2 data grids, 80 traverses; 51,200 cells, of which 51,120 hold a value.")


def test_a_list_gives_the_very_layer_of_the_table(run, table, tmp_path):
    import csv

    with open(SAMPLE / "quillmere_g2.csv", encoding="utf-8") as file:
        rows = list(csv.reader(line for line in file if not line.startswith("#")))[1:]
    path = tmp_path / "G2.txt"
    path.write_text("".join(";".join(row[4:8]) + "\n" for row in rows), "utf-8")
    found = run("importdatagrids", FILES=[str(path)], KIND="list", **WALK)
    same(found["OUTPUT"], table())


def test_traverses_are_counted_from_the_first_number(run):
    found = run("importdatagrids", FILES=matrices("g2"), FIRST_LINE=7, **WALK, **FILES)["OUTPUT"]
    lines = {feature["line"] for feature in found.getFeatures()}
    assert lines == set(range(7, 47))


@pytest.mark.parametrize("walking", ["zigzag", "one_way"])
@pytest.mark.parametrize("side", ["right", "left"])
def test_the_walk_is_taken_as_for_a_table(run, table, walking, side):
    asked = {"WALKING": walking, "SIDE": side, "FIRST_OFFSET": 0.1, "FIRST_POSITION": 0}
    found = run("importdatagrids", FILES=matrices("g2"), **{**WALK, **asked}, **FILES)
    same(found["OUTPUT"], table(**asked))


def test_a_picture_of_the_map_gives_the_very_layer_of_the_table(run, table, tmp_path):
    import numpy as np

    for name in NAMES:
        walked = np.loadtxt(SAMPLE / "data_grids" / f"quillmere_g2_{name}.txt")
        walked[1::2] = np.fliplr(walked[1::2])
        # Traverses run up the picture and follow each other to the right.
        np.savetxt(tmp_path / f"g2-{name}.csv", np.rot90(walked), fmt="%g", delimiter=",")
    asked = {"PATTERN": "{grid}-{channel}", "ORDER": "upper_left", "TRAVERSES_IN": "columns"}
    files = [str(tmp_path / f"g2-{name}.csv") for name in NAMES]
    found = run("importdatagrids", FILES=files, NULL_VALUES="-9999", **WALK, **asked)
    same(found["OUTPUT"], table())


def test_a_walk_from_another_corner_needs_no_other_layout(run, table, tmp_path):
    # The corner opposite to that of the layout, 20 m along and 20 m across at 17 degrees.
    import math

    angle = math.radians(17)
    x = 430019.126 + 20 * math.sin(angle) + 20 * math.cos(angle)
    y = 5899994.153 + 20 * math.cos(angle) - 20 * math.sin(angle)
    turned = {"LAYOUT": None, "ORIGIN": f"{x!r},{y!r} [EPSG:25831]", "BEARING": 197}
    asked = {"START_CORNER": "upper_right", "START_DIRECTION": "along"}
    found = run("importdatagrids", FILES=matrices("g2"), **WALK, **FILES, **asked)["OUTPUT"]
    expected = table(**turned)
    for ours, theirs in zip(found.getFeatures(), expected.getFeatures()):
        assert ours.attributes() == theirs.attributes()
        assert ours.geometry().distance(theirs.geometry()) < 1e-6


def test_the_width_of_the_layout_or_the_parameter_tells_how_many_traverses(run, tmp_path):
    from qgis.core import QgsProcessingException

    narrow = tmp_path / "layout.csv"
    narrow.write_text("grid,x,y,bearing,length,width\nG2,430000,5900000,17,20,10\n", "utf-8")
    asked = {**WALK, "LAYOUT": str(narrow), **FILES}
    message = r"holds 40 traverses where data grid 'G2' has room for 20 \(10 wide, 0\.5 apart\)"
    with pytest.raises(QgsProcessingException, match=message):
        run("importdatagrids", FILES=matrices("g2"), **asked)
    # The layout comes first, the parameter where it does not say.
    with pytest.raises(QgsProcessingException, match=message):
        run("importdatagrids", FILES=matrices("g2"), WIDTH=30, **asked)
    narrow.write_text("grid,x,y,bearing\nG2,430000,5900000,17\n", "utf-8")
    found = run("importdatagrids", FILES=matrices("g2"), WIDTH=30, **asked)
    assert json.loads(found["FIGURES"])["data grids walked in part"] == 1
    assert run.listener.said[1] == (
        "Data grid 'G2' was walked in part: 40 of 60 traverses (1 to 40), 0 with fewer than 160 "
        "readings."
    )


def test_a_layout_of_polygons_serves_as_well(run, table, tmp_path):
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    layer = QgsVectorLayer(
        "Polygon?crs=EPSG:25831&field=grid:string&field=x:double&field=y:double"
        "&field=bearing:double&field=length:double&field=width:double",
        "data grids",
        "memory",
    )
    feature = QgsFeature(layer.fields())
    feature.setAttributes(["G2", 430019.126, 5899994.153, 17.0, 20.0, 20.0])
    feature.setGeometry(QgsGeometry.fromWkt("Polygon((0 0, 0 1, 1 1, 0 0))"))
    layer.dataProvider().addFeatures([feature])
    found = run("importdatagrids", FILES=matrices("g2"), **{**WALK, "LAYOUT": layer}, **FILES)
    same(found["OUTPUT"], table())


def test_what_is_wrong_is_said_and_nothing_is_written(run, tmp_path):
    from qgis.core import QgsProcessingException

    broken = tmp_path / "quillmere_g2_ec_050.txt"
    text = (SAMPLE / "data_grids" / broken.name).read_text("utf-8").splitlines()
    broken.write_text("\n".join(text[:38]), "utf-8")
    target = tmp_path / "readings.gpkg"
    files = [str(broken), *matrices("g2")[1:]]
    with pytest.raises(QgsProcessingException) as caught:
        run("importdatagrids", FILES=files, **{**WALK, "OUTPUT": str(target)}, **FILES)
    assert (
        "quillmere_g2_ec_050.txt has a shape of 38 x 160 (rows x cells), quillmere_g2_ip_050.txt "
        "one of 40 x 160. All channels of a data grid need the same shape: correct the files."
    ) in str(caught.value)
    assert not target.exists()


def test_two_runs_give_the_same_bytes_and_a_history(run, tmp_path):
    from lynchet.plugin.history import read_history
    from qgis.core import QgsVectorLayer

    files = matrices("g2")[:1]
    asked = {**WALK, "CHANNELS": "ec_050 [mS/m]", **FILES}
    layers = []
    for name in ("a", "b"):
        target = str(tmp_path / f"{name}.gpkg")
        run("importdatagrids", FILES=files, **{**asked, "OUTPUT": target})
        layers.append(QgsVectorLayer(target, name, "ogr"))
    assert features(layers[0]) == features(layers[1])
    [line], [other] = map(read_history, layers)
    assert line == other
    assert line.startswith("lynchet:importdatagrids ")
    assert '"ec_050": "mS/m"' in line
    assert "quillmere_g2_ec_050.txt" in line
    assert str(SAMPLE) not in line
