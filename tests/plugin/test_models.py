"""The ready-made models give the same numbers as their steps, in every way there is to run them."""

import json
import os
import subprocess
from pathlib import Path

import numpy as np
import pytest
from host import ROOT
from osgeo import gdal
from support import attributes

SAMPLE = ROOT / "sample_layers"
FILES = [str(SAMPLE / "quillmere_g1.csv"), str(SAMPLE / "quillmere_g2.csv")]
BASE = [str(SAMPLE / "quillmere_base.csv")]
LAYOUT = str(SAMPLE / "quillmere_grids.csv")
CRS = "EPSG:25831"
CHANNELS = ("ec_050", "ip_050", "ec_100", "ip_100")


class Result:
    """Corrected readings, raster and anomalies as plain numbers."""

    def __init__(self, corrected, raster, anomalies):
        from qgis.core import QgsVectorLayer

        self.readings = attributes(
            QgsVectorLayer(corrected, "c", "ogr"), "grid", "line", "seq", "qc", *CHANNELS
        )
        self.raster = gdal.Open(raster).ReadAsArray()
        self.anomalies = attributes(
            QgsVectorLayer(anomalies, "a", "ogr"), "id", "area", "robust_z", "azimuth", "integral"
        )


@pytest.fixture(scope="module")
def by_steps(provider, tmp_path_factory):
    import processing

    folder = tmp_path_factory.mktemp("steps")

    def run(step, name, **parameters):
        parameters["OUTPUT"] = str(folder / name)
        return processing.run(f"lynchet:{step}", parameters)["OUTPUT"]

    readings = run(
        "importtable", "readings.gpkg", FILES=FILES, PLACEMENT="site_grid", CRS=CRS, LAYOUT=LAYOUT,
        GRID_COLUMN="grid", LINE_COLUMN="line", SEQUENCE_COLUMN="reading", TIME_COLUMN="time",
        SEPARATION=0.5, INTERVAL=0.125,
    )  # fmt: skip
    base = run(
        "importtable", "base.gpkg", FILES=BASE, PLACEMENT="projected", CRS=CRS, X_COLUMN="x",
        Y_COLUMN="y", TIME_COLUMN="time", CHANNELS=", ".join(CHANNELS),
    )  # fmt: skip
    despiked = run("despike", "despiked.gpkg", INPUT=readings)
    undrifted = run("driftbase", "undrifted.gpkg", INPUT=despiked, BASE=base)
    corrected = run("levellines", "corrected.gpkg", INPUT=undrifted)
    raster = run("gridreadings", "map.tif", INPUT=corrected)
    anomalies = run("anomalies", "a.gpkg", INPUT=raster, BACKGROUND="moving", WINDOW=10.0)
    return readings, base, Result(corrected, raster, anomalies)


def assert_same(found, expected):
    assert found.readings == expected.readings
    np.testing.assert_array_equal(found.raster, expected.raster)
    assert found.anomalies == expected.anomalies
    assert len(expected.anomalies) >= 2


def map_parameters(folder):
    outputs = {
        "readings:READINGS": "r.gpkg",
        "levellines:CORRECTED": "c.gpkg",
        "gridreadings:RASTER": "m.tif",
        "anomalies:ANOMALIES": "a.gpkg",
    }
    return {
        "FILES": FILES,
        "BASE_FILES": BASE,
        "LAYOUT": LAYOUT,
        "CRS": CRS,
        "CHANNELS": ", ".join(CHANNELS),
        "GRID_COLUMN": "grid",
        "LINE_COLUMN": "line",
        "SEQUENCE_COLUMN": "reading",
        "TIME_COLUMN": "time",
        "BASE_X_COLUMN": "x",
        "BASE_Y_COLUMN": "y",
        "SEPARATION": 0.5,
        "INTERVAL": 0.125,
        "WINDOW": 10.0,
        "BAND": 1,
        **{name: str(folder / file) for name, file in outputs.items()},
    }


def test_table_to_map_in_the_host_is_the_same_as_step_by_step(by_steps, tmp_path):
    import processing

    parameters = map_parameters(tmp_path)
    processing.run("lynchet:tabletomap", parameters)
    found = Result(*(str(tmp_path / name) for name in ("c.gpkg", "m.tif", "a.gpkg")))
    assert_same(found, by_steps[2])


def test_table_to_map_by_the_launcher_is_the_same_as_step_by_step(by_steps, tmp_path):
    words = []
    for name, value in map_parameters(tmp_path).items():
        words += [f"{name}={part}" for part in (value if isinstance(value, list) else [value])]
    launch(tmp_path, "lynchet:tabletomap", words)
    found = Result(*(str(tmp_path / name) for name in ("c.gpkg", "m.tif", "a.gpkg")))
    assert_same(found, by_steps[2])


def test_correct_readings_is_the_same_as_step_by_step(by_steps, tmp_path):
    import processing
    from qgis.core import QgsVectorLayer

    readings, base, expected = by_steps
    out = str(tmp_path / "c.gpkg")
    processing.run(
        "lynchet:correctreadings",
        {"READINGS": readings, "BASE": base, "levellines:CORRECTED": out},
    )
    layer = QgsVectorLayer(out, "c", "ogr")
    found = attributes(layer, "grid", "line", "seq", "qc", *CHANNELS)
    assert found == expected.readings


def test_a_model_passes_the_whole_history_on(by_steps, tmp_path):
    import processing
    from lynchet.plugin.history import entries, read_history
    from qgis.core import QgsRasterLayer, QgsVectorLayer

    processing.run("lynchet:tabletomap", map_parameters(tmp_path))
    chain = ["importtable", "despike", "driftbase", "levellines", "gridreadings", "anomalies"]
    for layer, length in (
        (QgsVectorLayer(str(tmp_path / "c.gpkg"), "c", "ogr"), 4),
        (QgsRasterLayer(str(tmp_path / "m.tif"), "m"), 5),
        (QgsVectorLayer(str(tmp_path / "a.gpkg"), "a", "ogr"), 6),
    ):
        steps = [entry.step for entry in entries(read_history(layer))]
        assert steps == [f"lynchet:{step}" for step in chain[:length]]


def launch(folder, step, words):
    environment = {**os.environ, "LYNCHET_PROFILE": str(folder / "profile")}
    done = subprocess.run(
        [str(ROOT / "tools" / "process"), "--json", "run", step, "--", *words],
        env=environment, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout[done.stdout.index("{") :])["results"]


def test_the_launcher_leaves_the_users_profile_alone(tmp_path):
    launch_home = tmp_path / "home"
    launch_home.mkdir()
    environment = {
        **os.environ, "HOME": str(launch_home), "LYNCHET_PROFILE": str(tmp_path / "profile")
    }  # fmt: skip
    subprocess.run(
        [str(ROOT / "tools" / "process"), "list"],
        env=environment, capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    left = [path for path in launch_home.rglob("*") if "QGIS3" in path.parts]
    assert [path for path in left if path.is_file()] == []
    assert Path(tmp_path / "profile" / "profile" / "profiles" / "default").is_dir()
