"""The zip: what the host's plugin manager takes, and a step run from it in a fresh profile."""

import json
import os
import shutil
import subprocess
import zipfile
from pathlib import Path

import numpy as np
import pytest
from osgeo import gdal, osr
from package import make, version

gdal.UseExceptions()
RUNNER = shutil.which("qgis_process.bin") or shutil.which("qgis_process")


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    return make(tmp_path_factory.mktemp("zip") / f"lynchet-{version()}.zip")


def test_the_zip_has_one_folder_and_no_tests_or_build_files(bundle):
    names = zipfile.ZipFile(bundle).namelist()
    assert {name.split("/")[0] for name in names} == {"lynchet"}
    assert "lynchet/metadata.txt" in names
    assert "lynchet/LICENSE" in names
    barred = ("/tests/", "/build/", "/tools/", "__pycache__", ".pyc", "/.git", "/sample_layers/")
    assert not [name for name in names if any(part in name for part in barred)]


def test_the_same_files_give_the_same_zip(bundle, tmp_path):
    assert make(tmp_path / "again.zip").read_bytes() == bundle.read_bytes()


@pytest.fixture
def fresh_profile(bundle, tmp_path, provider):
    """Install the zip as the host's plugin manager does: with its own unzip."""
    from pyplugin_installer.unzip import unzip

    plugins = tmp_path / "profile" / "profiles" / "default" / "python" / "plugins"
    plugins.mkdir(parents=True)
    unzip(str(bundle), str(plugins))
    settings = tmp_path / "profile" / "profiles" / "default" / "QGIS" / "QGIS3.ini"
    settings.parent.mkdir(parents=True)
    settings.write_text("[PythonPlugins]\nlynchet=true\nprocessing=true\n")
    return tmp_path


def test_the_hosts_plugin_manager_finds_nothing_wrong(fresh_profile):
    from pyplugin_installer.installer_data import Plugins

    folder = fresh_profile / "profile" / "profiles" / "default" / "python" / "plugins"
    found = Plugins().getInstalledPlugin("lynchet", str(folder / "lynchet"), False)
    assert found["error"] == ""
    assert found["version_installed"] == version()


def test_a_step_runs_from_the_installed_zip(fresh_profile):
    raster = fresh_profile / "bump.tif"
    y, x = np.mgrid[0:60, 0:60]
    dataset = gdal.GetDriverByName("GTiff").Create(str(raster), 60, 60, 1, gdal.GDT_Float32)
    dataset.SetGeoTransform((430000, 0.5, 0, 5900030, 0, -0.5))
    reference = osr.SpatialReference()
    reference.ImportFromEPSG(25831)
    dataset.SetProjection(reference.ExportToWkt())
    ripple = 0.1 * np.sin(x * 12.9898 + y * 78.233)
    dataset.GetRasterBand(1).WriteArray(
        20 + ripple + 5 * np.exp(-((x - 30) ** 2 + (y - 30) ** 2) / 50)
    )
    dataset = None
    run = fresh_profile / "run"
    run.mkdir(mode=0o700)
    environment = {
        **{key: value for key, value in os.environ.items() if not key.startswith("QGIS_")},
        "QGIS_CUSTOM_CONFIG_PATH": str(fresh_profile / "profile"),
        "XDG_RUNTIME_DIR": str(run),
        "QT_QPA_PLATFORM": "offscreen",
    }
    environment.pop("PYTHONPATH", None)
    out = fresh_profile / "anomalies.gpkg"
    done = subprocess.run(
        [RUNNER, "--json", "run", "lynchet:anomalies", "--", f"INPUT={raster}", f"OUTPUT={out}"],
        env=environment, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    results = json.loads(done.stdout[done.stdout.index("{") :])["results"]
    assert json.loads(results["FIGURES"])["positive"] == 1
    assert Path(results["OUTPUT"]).exists()
