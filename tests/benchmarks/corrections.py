"""What every correction takes from GeoPackage to GeoPackage, against the host's own calculator.

The calculator multiplies one field of the same layer, to the same kind of output; it writes every
feature anew and builds a spatial index, which the host does for it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

GRIDS_ACROSS, LINES, COUNT = 5, 200, 1000
SEPARATION, INTERVAL = 0.5, 0.125
TIES = 6
RUNS = 2

SEQUENCE = """
despike
driftbase
    base_field = base
    extend = true
alignpasses
levellines
balancegrids
"""


def survey_columns() -> dict[str, np.ndarray]:
    """A million readings in five data grids, with drift, offsets, spikes and tie lines."""
    rng = np.random.default_rng(1)
    line = np.repeat(np.arange(GRIDS_ACROSS * LINES), COUNT)
    walked = np.tile((np.arange(COUNT) + 0.5) * INTERVAL, GRIDS_ACROSS * LINES)
    back = line % 2 == 1
    x = (line + 0.5) * SEPARATION
    y = np.where(back, COUNT * INTERVAL - walked, walked)
    t = np.arange(len(line)) * 0.125 + line * 6.0
    grid = line // LINES
    ties_x = np.tile(np.arange(0.0, x.max(), INTERVAL), TIES)
    each = len(ties_x) // TIES
    last = (LINES - 1) * SEPARATION
    n = len(line) - len(ties_x)  # a million with the tie lines
    columns = {
        "x": np.concatenate([x[:n], ties_x]),
        "y": np.concatenate([y[:n], np.repeat(np.linspace(5, last, TIES), each)]),
        "line": np.concatenate([line[:n] % LINES, np.repeat(np.arange(TIES), each)]),
        "seq": np.concatenate([np.tile(np.arange(COUNT), GRIDS_ACROSS * LINES)[:n],
                               np.tile(np.arange(each), TIES)]),
        "time": np.concatenate([t[:n], t[-1] + 60 + np.arange(len(ties_x)) * 0.125]),
        "grid": np.concatenate([grid[:n], np.full(len(ties_x), 9)]),
        "tie": np.concatenate([np.zeros(n), np.ones(len(ties_x))]),
    }  # fmt: skip
    total = len(columns["x"])
    columns["base"] = (np.arange(total) % 20_000 < 5).astype(float)
    columns["base"][-1] = 1.0
    shape = np.sin(columns["x"] / 7) * np.cos(columns["y"] / 5)
    drift = 3 * (1 - np.exp(-columns["time"] / 9000))
    for k in range(4):
        value = 20 + shape + drift + rng.normal(0, 0.2, total) + 0.3 * (columns["grid"] == 2)
        value += rng.normal(0, 0.5, 10 * LINES)[columns["grid"] * LINES + columns["line"]]
        value[rng.choice(total, total // 150, replace=False)] += 20
        columns[f"c{k + 1}"] = value
    return columns


def write_survey(path: Path) -> None:
    """Write the survey as a GeoPackage."""
    from osgeo import ogr, osr

    reference = osr.SpatialReference()
    reference.ImportFromEPSG(25831)
    dataset = ogr.GetDriverByName("GPKG").CreateDataSource(str(path))
    table = dataset.CreateLayer("readings", reference, ogr.wkbPoint)
    columns = survey_columns()
    names = [name for name in columns if name not in ("x", "y")]
    kinds = {"line": ogr.OFTInteger64, "seq": ogr.OFTInteger64, "grid": ogr.OFTString}
    for name in names:
        table.CreateField(ogr.FieldDefn(name, kinds.get(name, ogr.OFTReal)))
    cells = {name: columns[name].tolist() for name in names}
    cells["grid"] = [f"G{code}" for code in cells["grid"]]
    x, y = columns["x"].tolist(), columns["y"].tolist()
    dataset.StartTransaction()
    for row in range(len(x)):
        feature = ogr.Feature(table.GetLayerDefn())
        for place, name in enumerate(names):
            feature.SetField(place, cells[name][row])
        point = ogr.Geometry(ogr.wkbPoint)
        point.AddPoint_2D(430000 + x[row], 5900000 + y[row])
        feature.SetGeometry(point)
        table.CreateFeature(feature)
    dataset.CommitTransaction()


STEPS = {
    "lynchet:flagreadings": {"HIGHEST": "45"},
    "lynchet:despike": {},
    "lynchet:driftbase": {"BASE_FIELD": "base", "EXTEND": True},
    "lynchet:drifttie": {"TIE_FIELD": "tie"},
    "lynchet:alignpasses": {"LAG": 0.1},
    "lynchet:alignpasses, looked for": {"APPLICATION": "resample"},
    "lynchet:levellines": {},
    "lynchet:balancegrids": {},
    "lynchet:removetrend": {"METHOD": "polynomial"},
    "lynchet:temperature": {"TEMPERATURE": 12.0},
    "lynchet:runsequence, five of them": {"TEXT": SEQUENCE},
}
CHANNELS = ["c1", "c2", "c3", "c4"]


def corrections(folder: Path, processing, line: Callable) -> None:
    """Time every correction and a sequence of five beside the calculator, in one run."""
    source = folder / "survey.gpkg"
    write_survey(source)

    def seconds(step: str, parameters: dict) -> float:
        times = []
        for _ in range(RUNS):
            out = folder / "out.gpkg"
            out.unlink(missing_ok=True)
            begun = time.perf_counter()
            processing.run(
                step.split(",")[0], {"INPUT": str(source), "OUTPUT": str(out), **parameters}
            )
            times.append(time.perf_counter() - begun)
        return min(times)

    calculator = seconds(
        "native:fieldcalculator",
        {
            "FIELD_NAME": "c1",
            "FIELD_TYPE": 0,
            "FIELD_LENGTH": 0,
            "FIELD_PRECISION": 0,
            "FORMULA": '"c1" * 2',
        },
    )
    for step, parameters in STEPS.items():
        named = {} if step.startswith("lynchet:runsequence") else {"CHANNELS": CHANNELS}
        given = {**named, **parameters}
        name = step.replace("lynchet:", "")
        line(f"{name}, file to file", seconds(step, given), calculator, "the host's calculator")
