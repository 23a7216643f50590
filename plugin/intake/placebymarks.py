"""The step "Place readings between distance marks"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from qgis.core import QgsCoordinateReferenceSystem, QgsFeature, QgsFields, QgsWkbTypes

from ...algorithms.intake.placebymarks import (
    ENDS,
    MARK_AT,
    MARKED_BY,
    METHODS,
    REPAIR,
    ByMarks,
    Marked,
    MarkOptions,
    placebymarks,
)
from ...algorithms.readings import Readings
from .. import compat
from ..inputs import Field, Layer
from ..outputs import LayerOutput
from ..parameters import Choice, Number
from ..readings_layer import marked, read_readings
from ..readings_step import GRID_FIELD, LINE_FIELD, SEQUENCE_FIELD, TIME_FIELD, ReadingsStep
from .intake_step import BROUGHT_IN, CRS
from .places import warn_out_of_place
from .sitegrid import ALONE, SITE_GRID, site_grid, tell_outside, tell_unwalked
from .standard_fields import StandardFields

DEFAULTS = MarkOptions()
NOT_ASKED = ("INTERVAL", "ALONG_FROM", "FIRST_POSITION")
HELP = {
    **ALONE,
    "LENGTH": "From one side of the data grid to the other, where the layout does not say.",
}


class PlaceByMarks(ReadingsStep):
    """A table of readings with distance marks to a readings layer."""

    identifier = "placebymarks"
    title = "Place readings between distance marks"
    stage = "intake"
    summary = (
        "Puts readings that were logged on the move on the map by the marks that the operator set "
        "at known distances: between two marks they lie evenly by number or by time."
    )
    advice = (
        "Give a table or layer with traverse number and marks; it needs no positions. 'Bring in "
        "readings from a text table' makes one of a text file.",
        "Marks missed or set twice are found by their number and by the pace between them. They "
        "are refused, or repaired where there is one way only; the readings beside a repair get "
        "the quality bit 'position doubtful'. What could be repaired in two ways is refused by "
        "name.",
    )
    words = ("marker", "fiducial", "event", "odometer", "continuous logging", "cane", "tape")
    parameters = (
        Layer(
            "INPUT",
            "Readings",
            "A table or layer with one row or feature per reading. Geometry it has is replaced.",
        ),
        Field(
            "MARK_FIELD",
            "Mark field",
            "Any value but NULL, nothing, 0 and false is a mark; or the count of marks so far.",
            default="mark",
        ),
        Choice(
            "MARKED_BY",
            "A mark is",
            "'cell': a value in the mark field, at the reading where it was set; 'count': where "
            "the number in the field changes, for it counts the marks set so far.",
            default=DEFAULTS.marked_by,
            options=MARKED_BY,
        ),
        Number(
            "MARK_SPACING",
            "Distance between marks",
            "Along the traverse.",
            default=DEFAULTS.mark_spacing,
            minimum=1e-6,
            unit="map units",
        ),
        Number(
            "FIRST_MARK",
            "First mark from the start",
            "Distance from where the walker started the traverse.",
            default=DEFAULTS.first_mark,
            minimum=0,
            unit="map units",
        ),
        Number(
            "LAST_MARK",
            "Last mark from the start",
            "Where the end of the traverse was not marked, say. Empty: the last mark that fits in "
            "its length.",
            optional=True,
            minimum=0,
            unit="map units",
            advanced=True,
        ),
        Choice(
            "MARK_AT",
            "The mark was set",
            "'half_way' between the reading that bears it and the one before, as a logger writes "
            "it with the next reading; or at the 'reading'.",
            default=DEFAULTS.mark_at,
            options=MARK_AT,
        ),
        Choice(
            "METHOD",
            "Spread readings by",
            "'number': evenly; 'time': by the time field, where readings did not come at even "
            "times.",
            default=DEFAULTS.method,
            options=METHODS,
        ),
        Choice(
            "ENDS",
            "Before the first and after the last mark",
            "'extrapolate' the pace of the interval next to them, no further than the traverse's "
            "ends; 'leave' the readings without a position.",
            default=DEFAULTS.ends,
            options=ENDS,
        ),
        Choice(
            "REPAIR",
            "Marks missed or set twice",
            "'refuse' them by name, or 'repair' them.",
            default=DEFAULTS.repair,
            options=REPAIR,
        ),
        CRS,
        *(
            replace(record, help=HELP.get(record.name, record.help))
            for record in SITE_GRID
            if record.name not in NOT_ASKED
        ),
        replace(GRID_FIELD, help="Name of the data grid, as in the layout."),
        replace(
            LINE_FIELD,
            clearable=False,
            help="Whole number of the traverse; without it a reading gets no position.",
        ),
        replace(
            SEQUENCE_FIELD,
            help="Order of the readings along their traverse. Without it, the table's own order "
            "counts.",
        ),
        replace(TIME_FIELD, optional=True),
        BROUGHT_IN,
        LayerOutput(
            "REPAIRS",
            "Repairs",
            "A table with a row for each mark put in or taken once.",
            kind=None,
            optional=True,
        ),
    )

    def work(self, task):
        layer = task["INPUT"]
        roles = self.roles(task, (), task["TIME_FIELD"])
        readings = read_readings(layer, roles, self.lines(task), task.part(0, 0.3))
        marks = self.marks(task)
        data = Marked(
            readings.grid,
            readings.grid_names,
            readings.line,
            readings.sequence if task["SEQUENCE_FIELD"] else None,
            readings.time,
            marks,
            readings.qc,
        )
        site = site_grid(task)
        found = placebymarks(data, site, task.options(MarkOptions), task.part(0.4, 0.7))
        tell_unwalked(task, site, readings.grid_names)
        tell_outside(task, found.placed)
        warn_out_of_place(found.placed, task)
        lines = [*self.lines(task), self.entry(task, found.figures, {})]
        outputs = {"OUTPUT": self.write(task, readings, found, lines)}
        if self.parameter("REPAIRS").given(task):
            fields = compat.fields(
                ("grid", "text"), ("line", "integer"), ("what", "text"), ("along", "real")
            )
            outputs["REPAIRS"] = self.write_layer(
                task,
                "REPAIRS",
                fields,
                QgsWkbTypes.Type.NoGeometry,
                QgsCoordinateReferenceSystem(),
                _repair_features(found, fields),
                lines,
            )
        return {**outputs, "FIGURES": self.report(task, found)}

    def marks(self, task) -> np.ndarray:
        """Marks as numbers."""
        layer, name = task["INPUT"], task["MARK_FIELD"]
        if task["MARKED_BY"] == "cell":
            return marked(layer, name).astype(float)
        if not layer.fields.field(name).isNumeric():
            raise ValueError(
                f"Field '{name}' of layer '{layer.name}' holds text where the count of marks is "
                "needed. Choose another field, or 'cell' for 'A mark is'."
            )
        return layer.columns([name]).fields[name]

    def write(self, task, readings: Readings, found: ByMarks, lines: list[str]) -> str:
        """Write the readings at their places."""
        layer, placed = task["INPUT"], found.placed
        made = StandardFields(
            layer,
            {
                "grid": [readings.grid_names[code] for code in readings.grid.tolist()],
                "line": readings.line,
                "seq": placed.sequence,
                "along": placed.along,
                "bearing": placed.bearing,
                "time": readings.time,
                "qc": found.qc,
            },
            places=(placed.x, placed.y),
        )
        return self.write_layer(
            task,
            "OUTPUT",
            made.fields,
            QgsWkbTypes.Type.Point,
            task["CRS"],
            made.features(task.part(0.7, 1.0)),
            lines,
        )


def _repair_features(found: ByMarks, fields: QgsFields) -> Iterator[QgsFeature]:
    for repair in found.repairs:
        feature = QgsFeature(fields)
        feature.setAttributes([repair.grid, repair.line, repair.what, repair.distance])
        yield feature
