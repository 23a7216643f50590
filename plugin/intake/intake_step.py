"""Steps that bring readings in: what they ask for, and the layer they all write."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import numpy as np
from qgis.core import (
    QgsFeature,
    QgsFields,
    QgsGeometry,
    QgsPointXY,
    QgsWkbTypes,
)

from ...algorithms.intake.sitegrid import Placed
from ...algorithms.intake.table import Table
from ...algorithms.progress import Progress, advance
from ...algorithms.words import plural
from .. import compat
from ..outputs import LayerOutput
from ..parameters import Crs
from ..readings_layer import STANDARD_FIELDS, attribute_cells
from ..source import BATCH
from ..step import Step, as_json
from ..styles import style_readings
from .places import accuracy_told, how_brought, warn_out_of_place
from .standard_fields import cells_of

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
        geographic: bool = False,
    ) -> Mapping[str, object]:
        """Write the readings layer, tell what came in, and return the outputs.

        `figures` are those beyond what every intake tells: readings, files, unplaced and unreadable
        values. `history` holds the lines of what the readings were made from. With `later`, no
        reading is meant to have a position yet. `geographic` readings came by longitude and
        latitude.
        """
        unplaced = int(np.count_nonzero(~np.isfinite(placed.x)))
        unreadable = {name: count for name, count in table.unreadable.items() if count}
        told = {
            "readings": len(table.values),
            "files": len(table.file_names),
            "unplaced": unplaced,
            **{f"unreadable {name}": count for name, count in unreadable.items()},
            **(how_brought(task) if geographic else {}),
            **(figures or {}),
        }
        channels = ", ".join(
            f"{name} [{unit}]" if unit else name for name, unit in zip(table.channels, table.units)
        )
        task.say(
            f"{plural(len(table.values), 'reading')} from {plural(len(table.file_names), 'file')}; "
            f"channels: {channels}."
        )
        if table.left_out:
            task.say(f"Columns not brought in: {', '.join(table.left_out)}.")
        for name, count in unreadable.items():
            values = plural(
                count,
                f"value of '{name}' could not be read and is",
                f"values of '{name}' could not be read and are",
            )
            task.warn(f"{values} NULL.")
        if later:
            task.say(f"{plural(unplaced, 'reading has', 'readings have')} no position yet.")
        elif unplaced:
            left = plural(
                unplaced,
                "reading could not be placed and has",
                "readings could not be placed and have",
            )
            task.warn(f"{left} no position.")
        told_well = accuracy_told(task) if geographic else None
        if told_well:
            task.say(told_well)
        warn_out_of_place(placed, task)
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


def _fields(table: Table) -> QgsFields:
    fields = compat.fields(*STANDARD_FIELDS.items())
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
    names = table.grid_names
    none = np.zeros(len(placed.x[part]), np.int64)
    standard = {
        "grid": [names[code] for code in table.grid[part].tolist()],
        "line": table.line[part] if table.line is not None else none,
        "seq": placed.sequence[part],
        "along": placed.along[part],
        "bearing": placed.bearing[part],
        "time": table.time[part] if table.time is not None else none * np.nan,
        "qc": table.quality[part] if table.quality is not None else none,
    }
    columns = [
        *(cells_of(name, standard[name]) for name in STANDARD_FIELDS),
        *(attribute_cells(column[part]) for column in table.values.T),
        *(attribute_cells(column[part]) for column in table.kept.values()),
    ]
    for x, y, *cells in zip(placed.x[part].tolist(), placed.y[part].tolist(), *columns):
        feature = QgsFeature(fields)
        if x == x and y == y:
            feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        feature.setAttributes(cells)
        yield feature
