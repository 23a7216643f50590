"""Steps that bring readings in: what they ask for, and the layer they all write."""

from __future__ import annotations

import struct
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
        later: bool = False,
    ) -> Mapping[str, object]:
        """Write the readings layer, tell what came in, and return the outputs.

        `figures` are those beyond what every intake tells: readings, files, unplaced and unreadable
        values. `history` holds the lines of what the readings were made from. With `later`, no
        reading is meant to have a position yet.
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
        if later:
            task.say(f"{plural(unplaced, 'reading has', 'readings have')} no position yet.")
        elif unplaced:
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
    known = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
    for start in range(0, len(known), BATCH):
        advance(progress, start / len(known))
        rows = known[start : start + BATCH]
        places = np.column_stack([lon[rows], lat[rows]])
        moved = _transformed(places, transform)
        if moved is None:
            # Which of them has no place is told one by one.
            for row, place in zip(rows.tolist(), places):
                if _transformed(place[np.newaxis], transform) is None:
                    raise ValueError(
                        f"Reading {row + 1} at longitude {place[0]:g}, latitude {place[1]:g} has "
                        f"no place in {crs.authid()}. Choose a coordinate reference system for "
                        "the site."
                    )
            raise ValueError(f"The places cannot be brought to {crs.authid()}. Choose another.")
        x[rows], y[rows] = moved.T
    return x, y


_LINE_HEAD = struct.Struct("<BII")
"""Of a line in well-known binary: byte order, kind, number of points."""
_LINE = 2


def _transformed(places: np.ndarray, transform: QgsCoordinateTransform) -> np.ndarray | None:
    """Places ``(n, 2)`` in another system, all at once as a line; None if one has no place there.

    Raises
    ------
    RuntimeError
        If the host gives back anything but a line of as many points.
    """
    # A line of one point is none: the first goes in twice.
    points = np.concatenate([places[:1], places])
    line = QgsGeometry()
    line.fromWkb(_LINE_HEAD.pack(1, _LINE, len(points)) + points.astype("<f8").tobytes())
    try:
        line.transform(transform)
    except QgsCsException:
        return None
    blob = bytes(line.asWkb())
    if _LINE_HEAD.unpack_from(blob) != (1, _LINE, len(points)):
        raise RuntimeError("The host changed the number of points it transformed.")
    moved = np.frombuffer(blob, "<f8", offset=_LINE_HEAD.size).reshape(-1, 2)[1:]
    return moved if np.isfinite(moved).all() else None


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
    # Some readings at a time: as the host's values they need many times the memory.
    for start in range(0, n, BATCH):
        advance(progress, start / n)
        yield from _some_features(table, placed, fields, slice(start, start + BATCH))


def _some_features(table: Table, placed: Placed, fields, part: slice) -> Iterator[QgsFeature]:
    sequence = placed.sequence[part]
    n = len(sequence)
    names = table.grid_names
    lines = table.line[part].tolist() if table.line is not None else [0] * n
    columns = [
        [names[code] for code in table.grid[part].tolist()],
        [None if line == NO_LINE else line for line in lines],
        [None if seq != seq else int(seq) for seq in sequence.tolist()],
        attribute_cells(placed.along[part]),
        attribute_cells(placed.bearing[part]),
        attribute_cells(table.time[part]) if table.time is not None else [None] * n,
        table.quality[part].tolist() if table.quality is not None else [0] * n,
        *(attribute_cells(column[part]) for column in table.values.T),
        *(attribute_cells(column[part]) for column in table.kept.values()),
    ]
    for x, y, *cells in zip(placed.x[part].tolist(), placed.y[part].tolist(), *columns):
        feature = QgsFeature(fields)
        if x == x and y == y:
            feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        feature.setAttributes(cells)
        yield feature
