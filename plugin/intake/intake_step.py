"""Steps that bring readings in: what they ask for, and the layer they all write."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

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

from ...algorithms.intake.sitegrid import Placed
from ...algorithms.intake.table import Table
from ...algorithms.progress import Progress, advance
from ...algorithms.readings import NO_LINE
from ...algorithms.words import plural
from .. import compat
from ..outputs import LayerOutput
from ..parameters import Crs
from ..readings_layer import attribute_cells
from ..source import BATCH
from ..step import Step, as_json
from ..styles import style_readings

DEGREES = QgsCoordinateReferenceSystem("EPSG:4326")
CRS = Crs(
    "CRS",
    "Coordinate reference system",
    "Of the readings layer: projected, in metres or feet.",
    default="ProjectCrs",
)
BROUGHT_IN = LayerOutput("OUTPUT", "Readings", style=style_readings)


class IntakeStep(Step):
    """A step from files to a readings layer; `work` ends with `bring_in`."""

    stage = "intake"

    def bring_in(
        self,
        task,
        table: Table,
        placed: Placed,
        figures: Mapping[str, object] | None = None,
        history: tuple[str, ...] = (),
    ) -> Mapping[str, object]:
        """Write the readings layer, tell what came in, and return the outputs.

        `figures` are those beyond what every intake tells: readings, files, unplaced and unreadable
        values. `history` holds the lines of what the readings were made from.
        """
        unplaced = int(np.count_nonzero(~np.isfinite(placed.x)))
        unreadable = {name: count for name, count in table.unreadable.items() if count}
        told = {
            "readings": len(table.values),
            "files": len(table.file_names),
            "unplaced": unplaced,
            **{f"unreadable {name}": count for name, count in unreadable.items()},
            **(figures or {}),
        }
        task.say(
            f"{plural(len(table.values), 'reading')} from {plural(len(table.file_names), 'file')}."
        )
        for name, count in unreadable.items():
            task.warn(f"{count:,} values of '{name}' could not be read and are NULL.")
        if unplaced:
            task.warn(f"{unplaced:,} readings could not be placed and have no position.")
        fields = _fields(table)
        target = self.write_layer(
            task,
            "OUTPUT",
            fields,
            QgsWkbTypes.Type.Point,
            task["CRS"],
            _features(table, placed, fields, task.part(0.7, 1.0)),
            [*history, self.entry(task, told, dict(zip(table.channels, table.units)))],
        )
        return {"OUTPUT": target, "FIGURES": as_json(told)}


def to_map(lon, lat, task, progress: Progress) -> tuple[np.ndarray, np.ndarray]:
    """Longitude and latitude (WGS 84, degrees) in the task's coordinate reference system.

    Raises
    ------
    ValueError
        If a place is no place on earth, or has none in that system.
    """
    crs = task["CRS"]
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
