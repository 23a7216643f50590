"""The step "Write readings as ASEG-GDF2 line data"."""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping
from pathlib import Path

import numpy as np
from qgis.core import QgsUnitTypes

from ...algorithms.deliver.writegdf2 import (
    Column,
    Planned,
    definition_of,
    order_of,
    plan_fields,
    record_bytes,
    remark_lines,
)
from ...algorithms.intake.gdf2.definition import Definition, definition_text
from ...algorithms.readings import Readings
from ...algorithms.words import in_unit, plural
from ..outputs import FileOutput
from ..parameters import Choice, Numbers, Toggle
from ..readings_step import READINGS, ReadingsStep
from ..source import LayerSource
from ..step import as_json
from ..task import Task

BESIDE = (".dfn", ".des")
COORDINATE_DECIMALS = 3
_REMARKS = {
    "along": "distance along the traverse",
    "bearing": "direction of travel",
    "time": "seconds since the first day's midnight",
    "qc": "1 spike 2 filled 4 off scale 8 repeated position 16 position doubtful 32 excluded",
}


class WriteGdf2(ReadingsStep):
    """A readings layer to an ASEG-GDF2 data file, its definition and its description."""

    identifier = "writegdf2"
    title = "Write readings as ASEG-GDF2 line data"
    stage = "deliver"
    summary = (
        "Writes a readings layer in the open ASEG-GDF2 form: text in columns of fixed width (.dat) "
        "with a definition of them (.dfn) and a description (.des), to be read for a long time."
    )
    advice = (
        "Every field of the layer is written, and easting and northing to the millimetre (three "
        "decimals of the map unit). Widths, decimals and no-reading codes are chosen from the "
        "values, so that what was recorded at up to six decimals comes back exactly.",
        "The .dfn and .des files get the name of the data file and must be kept with it. The "
        "description holds the coordinate reference system, the fields and the layer's history.",
    )
    words = (
        "export", "ASEG", "GDF2", "GDF", "dat", "dfn", "line data", "archive", "text", "ASCII",
        "save", "located",
    )  # fmt: skip
    parameters = (
        *READINGS,
        Numbers(
            "DECIMALS",
            "Decimals of the channels",
            "One number for all channels, or one a channel separated by semicolons. Empty: as few "
            "as hold the values exactly, at most six; very large or very small values are written "
            "with an exponent and 17 digits.",
            default="",
            optional=True,
            minimum=0,
        ),
        Choice(
            "ORDER",
            "Order of the records",
            "'traverses': traverse by traverse in walking order, readings outside all traverses "
            "last; 'layer': as in the layer.",
            default="traverses",
            options=("traverses", "layer"),
        ),
        Toggle(
            "TRAVERSE_REMARKS",
            "Head each traverse with a remark",
            "For 'traverses': a COMM record with the traverse's name before its first reading. Not "
            "every reader of plain columns passes over such records.",
            advanced=True,
        ),
        FileOutput("OUTPUT", "Data file", "The file to write.", filter="ASEG-GDF2 data (*.dat)"),
    )

    def problem(self, task: Task) -> str | None:
        path = self.parameter("OUTPUT").target(task)
        if path is None:
            return None
        for file in sorted(path.parent.iterdir()):
            other = file.name.casefold()
            if other in {f"{path.stem}{end}".casefold() for end in BESIDE} and not path.exists():
                return (
                    f"'{file.name}' is there already, without '{path.name}': it would be "
                    "overwritten. Choose another file name, or move it away."
                )
        for kept in task.input_files():
            # A MapInfo table keeps its numbers in a .dat of its own.
            if kept.suffix.lower() == ".tab" and kept.absolute().with_suffix(".dat") == path:
                return (
                    f"'{path.name}' would lie among the files of the input '{kept.name}'. Choose "
                    "another file name."
                )
        return None

    def work(self, task: Task) -> Mapping[str, object]:
        layer, path = task["INPUT"], task["OUTPUT"]
        readings = self.read(task)
        unplaced = int(np.count_nonzero(~(np.isfinite(readings.x) & np.isfinite(readings.y))))
        if unplaced == len(readings):
            raise ValueError(
                f"No reading of layer '{layer.name}' has a position, and line data without "
                "coordinates are of no use. Place the readings first."
            )
        columns = _columns(layer, readings, task)
        planned = plan_fields(columns)
        order, starts = order_of(readings)
        if task["ORDER"] == "layer":
            order, starts = np.arange(len(readings)), {}
        figures = {
            "records": len(readings),
            "traverses": len(readings.lines),
            "fields": len(columns),
            "without position": unplaced,
            **{f"rounded {name}": change for name, change in planned.rounded.items()},
        }
        units = dict(zip(readings.channels, readings.units))
        lines = [*self.lines(task), self.entry(task, figures, units)]
        crs = f"{layer.crs.description()} ({layer.crs.authid()})"
        definition = definition_of(planned.fields, crs, lines)
        remarks = [*_description(layer, crs, figures, definition), *lines]
        marks = starts if task["TRAVERSE_REMARKS"] else {}
        _write(
            {
                path.with_suffix(".dfn"): [definition_text(definition).encode()],
                path.with_suffix(".des"): [remark_lines(remarks).encode()],
                path: record_bytes(columns, planned.fields, order, marks, task.part(0.3, 1.0)),
            }
        )
        _tell(planned, columns, figures, task)
        return {"OUTPUT": str(path), "FIGURES": as_json(figures)}


def _columns(layer: LayerSource, readings: Readings, task: Task) -> list[Column]:
    """Every field of the layer and the coordinates, as columns in the order to be written."""
    keys = layer.layer.primaryKeyAttributes() if layer.layer is not None else []
    names = [
        name
        for place, name in enumerate(layer.field_names)
        if place not in keys or name in readings.channels
    ]
    cells = layer.columns(names, task.part(0.2, 0.3)).fields
    unit = QgsUnitTypes.toAbbreviatedString(layer.crs.mapUnits())
    units = dict(zip(readings.channels, readings.units))
    decimals = _decimals(readings, task["DECIMALS"])
    roles = {
        task["LINE_FIELD"]: "traverse",
        task["SEQUENCE_FIELD"]: "order along the traverse",
        task["GRID_FIELD"]: "data grid",
    }
    made = {
        name: Column(
            name,
            cells[name],
            unit=units.get(name)
            or {"along": unit, "bearing": "degrees", "time": "s"}.get(name, ""),
            remark=roles.get(name) or _REMARKS.get(name, ""),
            decimals=decimals.get(name),
            whole=_is_whole(layer, name),
        )
        for name in names
    }
    places = [
        Column("easting", readings.x, unit, decimals=COORDINATE_DECIMALS),
        Column("northing", readings.y, unit, decimals=COORDINATE_DECIMALS),
    ]
    # A number first: words at the start of a record could be taken for the name of its type.
    first = [made.pop(name) for name in roles if name in made]
    first.sort(key=lambda column: column.is_text)
    return [*first, *places, *made.values()]


def _decimals(readings: Readings, asked: tuple[float, ...]) -> dict[str, int]:
    """The decimals asked for, by channel."""
    if not asked:
        return {}
    if len(asked) not in (1, len(readings.channels)) or any(number % 1 for number in asked):
        raise ValueError(
            f"'Decimals of the channels' needs one whole number, or one for each of the "
            f"{len(readings.channels)} channels ({', '.join(readings.channels)})."
        )
    many = asked * len(readings.channels) if len(asked) == 1 else asked
    return dict(zip(readings.channels, map(int, many)))


def _is_whole(layer: LayerSource, name: str) -> bool:
    kind = layer.fields.field(name).typeName().lower()
    return kind.startswith(("int", "long", "short", "small", "tiny", "big"))


def _description(
    layer: LayerSource, crs: str, figures: Mapping[str, object], definition: Definition
) -> list[str]:
    """What a reader must know before the history."""
    traverses = plural(int(figures["traverses"]), "traverse")
    return [
        f"Readings of layer '{layer.name}': {figures['records']:,} records, {traverses}.",
        f"Coordinates: easting and northing in {crs}, in "
        f"{QgsUnitTypes.toAbbreviatedString(layer.crs.mapUnits())}.",
        "Fields, with the characters of a record that they take:",
        *(
            f"  {place.name}: {place.start + 1} to {place.end}, {place.field.format}"
            f"{', ' + place.field.unit if place.field.unit else ''}"
            for place in definition.places
        ),
        "History, the oldest step first:",
    ]


def _write(files: Mapping[Path, Iterable[bytes]]) -> None:
    """Write the files, and only when all are made put them in their places, the data last."""
    parts = {path: path.with_name(f"{path.name}.part") for path in files}
    try:
        for path, pieces in files.items():
            with parts[path].open("wb") as file:
                file.writelines(pieces)
        for path, part in parts.items():
            os.replace(part, path)
    except OSError as wrong:
        raise ValueError(
            f"'{list(files)[-1]}' could not be written ({wrong.strerror}). Choose another file "
            "or folder."
        ) from wrong
    finally:
        for part in parts.values():
            part.unlink(missing_ok=True)


def _tell(planned: Planned, columns: list[Column], figures, task: Task) -> None:
    task.say(
        f"{plural(figures['records'], 'record')} of {plural(len(columns), 'field')} in "
        f"{plural(figures['traverses'], 'traverse')}."
    )
    if figures["without position"]:
        task.warn(
            f"{plural(figures['without position'], 'record')} without a position: easting and "
            "northing are written as NULL."
        )
    units = {column.name: column.unit for column in columns}
    places = {column.name: field for column, field in zip(columns, planned.fields)}
    for name, change in planned.rounded.items():
        task.say(
            f"'{name}' is rounded to {plural(places[name].decimals, 'decimal')}: by "
            f"{in_unit(change, units[name])} at most."
        )
    for name in planned.cleaned:
        task.warn(f"'{name}' holds tabs, line ends or the like, which are written as blanks.")
    for name in planned.beyond_ascii:
        task.warn(
            f"'{name}' holds letters beyond ASCII (written as UTF-8): some readers will find the "
            "columns behind it moved."
        )
