"""The two sides stay apart: the science knows neither the host nor GDAL."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
SCIENCE = sorted((ROOT / "algorithms").rglob("*.py"))
CODE = SCIENCE + sorted((ROOT / "plugin").rglob("*.py"))


def imported(path):
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name.split(".")[0] for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            yield node.module.split(".")[0]


@pytest.mark.parametrize("path", SCIENCE, ids=lambda path: path.stem)
def test_science_imports_only_the_standard_library_numpy_and_scipy(path):
    barred = {"qgis", "osgeo", "processing", "matplotlib", "jinja2", "pandas", "skimage", "shapely"}
    assert not barred & set(imported(path))


@pytest.mark.parametrize("path", CODE, ids=lambda path: path.stem)
def test_modules_stay_short(path):
    assert len(path.read_text("utf-8").splitlines()) <= 420
