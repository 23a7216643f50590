"""The step "Bring in readings from a text table"."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsFeature,
    QgsFields,
    QgsGeometry,
    QgsPointXY,
    QgsWkbTypes,
)

from ...algorithms.intake.importtable import Table, read_table
from ...algorithms.intake.sitegrid import Placed, along_track, place_on_site_grid
from ...algorithms.progress import Progress, advance
from ...algorithms.readings import NO_LINE
from .. import compat
from ..inputs import Files
from ..outputs import LayerOutput
from ..parameters import Choice, Crs, Toggle
from ..readings_layer import attribute_cells
from ..source import BATCH
from ..step import Step, as_json
from ..styles import style_readings
from .sitegrid import SITE_GRID, site_grid
from .table import COLUMNS, FORMAT, roles, table_format

DEGREES = QgsCoordinateReferenceSystem("EPSG:4326")
PLACEMENTS = ("site_grid", "projected", "geographic")


class ImportTable(Step):
    """Text tables to a readings layer."""

    identifier = "importtable"
    title = "Bring in readings from a text table"
    stage = "intake"
    summary = (
        "Reads delimited text as loggers and spreadsheets write it, one file or several, and puts "
        "each reading on the map."
    )
    advice = (
        "Readings are placed in one of three ways. 'site_grid': by traverse number and reading "
        "number (or position along) on data grids with a known corner and bearing. 'projected': by "
        "easting and northing in the coordinate reference system chosen. 'geographic': by "
        "longitude and latitude in degrees (WGS 84), brought to the system chosen.",
        "Nothing is written unless every row can be read. The first value that cannot is named "
        "with its file, row and column; 'null' takes such values as no reading and says how many.",
    )
    words = ("import", "CSV", "TXT", "logger", "load", "open", "delimited", "XYZ", "data")
    parameters = (
        Files(
            "FILES", "Files", "Tables with the same columns; their order is the order of walking."
        ),
        Choice(
            "PLACEMENT",
            "Place readings by",
            "See above.",
            default="site_grid",
            options=PLACEMENTS,
        ),
        Crs(
            "CRS",
            "Coordinate reference system",
            "Of the readings layer: projected, in metres or feet.",
            default="ProjectCrs",
        ),
        *COLUMNS,
        *SITE_GRID,
        Toggle(
            "GRID_FROM_FILE",
            "Name data grids by their files",
            "Where each file is a data grid and no column says so: its name without the ending.",
            advanced=True,
        ),
        *FORMAT,
        LayerOutput("OUTPUT", "Readings", style=style_readings),
    )

    def work(self, task):
        crs = task["CRS"]
        table = read_table(task["FILES"], table_format(task), roles(task), task.part(0, 0.5))
        if task["GRID_FROM_FILE"]:
            table = table.with_grids_from_files()
        placed = self.place(table, task)
        unplaced = int(np.count_nonzero(~np.isfinite(placed.x)))
        figures = {
            "readings": len(table.values),
            "files": len(table.file_names),
            "unplaced": unplaced,
            **{f"unreadable {name}": count for name, count in table.unreadable.items() if count},
        }
        task.say(f"{len(table.values):,} readings from {len(table.file_names)} files.")
        for name, count in table.unreadable.items():
            if count:
                task.warn(f"{count:,} values of '{name}' could not be read and are NULL.")
        if unplaced:
            task.warn(f"{unplaced:,} readings could not be placed and have no position.")
        fields = _fields(table)
        units = dict(zip(table.channels, table.units))
        target = self.write_layer(
            task,
            "OUTPUT",
            fields,
            QgsWkbTypes.Type.Point,
            crs,
            _features(table, placed, fields, task.part(0.7, 1.0)),
            [self.entry(task, figures, units)],
        )
        return {"OUTPUT": target, "FIGURES": as_json(figures)}

    def place(self, table: Table, task) -> Placed:
        """Put every reading on the map."""
        if task["PLACEMENT"] == "site_grid":
            if table.line is None:
                raise ValueError("Placing on a site grid needs the traverse column. Name it.")
            return place_on_site_grid(
                table.grid, table.grid_names, table.line, table.sequence, table.along,
                site_grid(task),
            )  # fmt: skip
        if table.x is None or table.y is None:
            raise ValueError(
                "Placing by coordinates needs two columns: easting and northing, or longitude and "
                "latitude. Name them."
            )
        x, y = table.x, table.y
        if task["PLACEMENT"] == "geographic":
            x, y = _projected(x, y, task["CRS"], task, task.part(0.5, 0.7))
        return along_track(x, y, table.grid, table.line, table.sequence)


def _projected(lon, lat, crs, task, progress: Progress) -> tuple[np.ndarray, np.ndarray]:
    beyond = np.flatnonzero((np.abs(lon) > 180) | (np.abs(lat) > 90))
    if len(beyond):
        raise ValueError(
            f"Reading {beyond[0] + 1} lies at longitude {lon[beyond[0]]:g}, latitude "
            f"{lat[beyond[0]]:g}, which is nowhere. Are the columns swapped, or the coordinates "
            "projected?"
        )
    transform = QgsCoordinateTransform(DEGREES, crs, task.context.transformContext())
    x, y = np.full(len(lon), np.nan), np.full(len(lon), np.nan)
    for row, (east, north) in enumerate(zip(lon.tolist(), lat.tolist())):
        if row % BATCH == 0:
            advance(progress, row / len(lon))
        if east == east and north == north:
            try:
                point = transform.transform(east, north)
            except QgsCsException:
                raise ValueError(
                    f"Reading {row + 1} at longitude {east:g}, latitude {north:g} has no place in "
                    f"{crs.authid()}. Choose a coordinate reference system for the site."
                ) from None
            x[row], y[row] = point.x(), point.y()
    return x, y


def _fields(table: Table) -> QgsFields:
    fields = QgsFields()
    for name, kind in (
        ("grid", "text"),
        ("line", "integer"),
        ("seq", "integer"),
        ("along", "real"),
        ("bearing", "real"),
        ("time", "real"),
        ("qc", "integer"),
    ):
        fields.append(compat.field(name, kind))
    for name, unit in zip(table.channels, table.units):
        fields.append(compat.field(name, "real", f"{name} [{unit}]" if unit else name))
    for name, column in table.kept.items():
        if fields.indexOf(name) >= 0:
            raise ValueError(f"Column '{name}' is kept twice, or bears the name of another field.")
        fields.append(compat.field(name, "real" if column.dtype != object else "text"))
    return fields


def _features(table: Table, placed: Placed, fields, progress: Progress) -> Iterator[QgsFeature]:
    n = len(table.values)
    lines = table.line if table.line is not None else np.zeros(n, np.int64)
    names = table.grid_names
    columns = [
        [names[code] for code in table.grid.tolist()],
        [None if line == NO_LINE else line for line in lines.tolist()],
        [None if seq != seq else int(seq) for seq in placed.sequence.tolist()],
        attribute_cells(placed.along),
        attribute_cells(placed.bearing),
        attribute_cells(table.time) if table.time is not None else [None] * n,
        table.quality.tolist() if table.quality is not None else [0] * n,
        *(attribute_cells(column) for column in table.values.T),
        *(attribute_cells(column) for column in table.kept.values()),
    ]
    for row, (x, y, *cells) in enumerate(zip(placed.x.tolist(), placed.y.tolist(), *columns)):
        if row % BATCH == 0:
            advance(progress, row / n)
        feature = QgsFeature(fields)
        if x == x and y == y:
            feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        feature.setAttributes(cells)
        yield feature
