"""The step "Compare repeated readings"."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY, QgsWkbTypes

from ...algorithms.check.comparerepeats import (
    Comparison,
    comparecrossings,
    comparerepeats,
)
from ...algorithms.readings import Readings
from .. import compat
from ..deliver.repeats import draw_repeats
from ..inputs import Field, Layer
from ..outputs import FileOutput, LayerOutput
from ..parameters import Choice, Number
from ..readings_layer import Roles, marked, read_readings
from ..readings_step import READINGS, ReadingsStep
from ..styles import style_readings

COMPARE = ("repeats", "crossings")


class CompareRepeats(ReadingsStep):
    """Readings taken twice to figures of how well they agree."""

    identifier = "comparerepeats"
    title = "Compare repeated readings"
    stage = "check"
    summary = (
        "Tells how well a survey repeats itself, from lines or data grids walked again or from the "
        "crossings of tie lines: what is systematic, what is chance, and whether it depends on "
        "the level."
    )
    advice = (
        "Walk some lines again in every survey, at its beginning and end: common practice. What "
        "the survey does not repeat, it has not found: an anomaly weaker than the limits of "
        "agreement may be chance.",
        "Differences hold everything that changed between the two walks: noise, drift, carrying "
        "height, position and direction of travel. Where the ground changes fast, positions weigh "
        "most. Compare before and after a correction to see what it is worth.",
        "Nothing is corrected here.",
    )
    words = (
        "repeatability", "reproducibility", "Bland-Altman", "limits of agreement", "repeat lines",
        "tie lines", "quality", "noise", "precision",
    )  # fmt: skip
    parameters = (
        *READINGS,
        Choice(
            "COMPARE",
            "Compare",
            "'repeats': readings of lines or data grids walked again, with the nearest point of "
            "the first survey's lines. 'crossings': what lines read where they cross.",
            default="repeats",
            options=COMPARE,
        ),
        Layer(
            "REPEAT",
            "Repeat readings",
            "For 'repeats': point layer of the second walk, with the same channel fields. Empty: "
            "the rows of the readings marked by the field below.",
            points=True,
            projected=True,
            optional=True,
        ),
        Field(
            "REPEAT_FIELD",
            "Field that marks repeats or tie lines",
            "Any value but NULL, nothing, 0 and false marks a reading. For 'repeats', of the "
            "second walk. For 'crossings', of a tie line, which is compared with the lines "
            "unmarked; left empty, all lines that cross are compared.",
            optional=True,
        ),
        Number(
            "REACH",
            "Reach",
            "For 'repeats': how far a reading may lie from the nearest line of the first survey. "
            "Less than half of the traverse separation.",
            default=0.25,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        LayerOutput(
            "PAIRS",
            "Pairs",
            "A point a pair: both values and their difference, channel by channel.",
            style=style_readings,
        ),
        FileOutput(
            "PAGE",
            "Picture",
            "A page or picture of the differences against the level and on the map: look at it.",
            optional=True,
            filter="HTML page (*.html);;PNG picture (*.png);;SVG picture (*.svg)",
        ),
    )

    def work(self, task):
        readings = self.read(task)
        found = (
            self.crossings(readings, task)
            if task["COMPARE"] == "crossings"
            else self.repeats(readings, task)
        )
        units = dict(zip(readings.channels, readings.units))
        fields = _fields(units)
        target = self.write_layer(
            task,
            "PAIRS",
            fields,
            QgsWkbTypes.Type.Point,
            task["INPUT"].crs,
            _features(found, fields),
            [*self.lines(task), self.entry(task, found.figures, units)],
        )
        outputs = {"PAIRS": target, "FIGURES": self.report(task, found)}
        if task["PAGE"] is not None:
            draw_repeats(found, task["PAGE"])
            outputs["PAGE"] = str(task["PAGE"])
        return outputs

    def crossings(self, readings: Readings, task) -> Comparison:
        """Compare what lines read where they cross."""
        if task["REPEAT_FIELD"] is None:
            return comparecrossings(readings, None, task.part(0.3, 0.9))
        marks = self.marks(task)
        tie = np.array([marks[line.rows].any() for line in readings.lines], dtype=bool)
        return comparecrossings(readings, tie, task.part(0.3, 0.9))

    def repeats(self, readings: Readings, task) -> Comparison:
        """Compare the repeat with the first survey."""
        layer, source = task["INPUT"], task["REPEAT"]
        if source is None:
            if task["REPEAT_FIELD"] is None:
                raise ValueError(
                    "No repeat readings are given. Choose their layer, or the field that marks "
                    "them among the readings."
                )
            marks = self.marks(task)
            if marks.all():
                raise ValueError(
                    f"Field '{task['REPEAT_FIELD']}' of layer '{layer.name}' marks every reading: "
                    "there is no first survey left to compare with."
                )
            first = readings.take(np.flatnonzero(~marks))
            second = readings.take(np.flatnonzero(marks))
        else:
            if source.crs != layer.crs:
                raise ValueError(
                    f"Layer '{source.name}' is in {source.crs.authid()} and layer '{layer.name}' "
                    f"in {layer.crs.authid()}. Run 'Reproject layer' (native:reprojectlayer) first."
                )
            there = {
                role: task[name] if task[name] in source.field_names else None
                for role, name in (
                    ("line", "LINE_FIELD"), ("sequence", "SEQUENCE_FIELD"), ("grid", "GRID_FIELD"),
                )
            }  # fmt: skip
            roles = Roles(channels=readings.channels, **there)
            first, second = (
                readings,
                read_readings(source, roles, source.lines, task.part(0.2, 0.3)),
            )
        return comparerepeats(first, second, task["REACH"], task.part(0.3, 0.9))

    def marks(self, task) -> np.ndarray:
        """Which readings are marked; at least one."""
        layer, name = task["INPUT"], task["REPEAT_FIELD"]
        found = marked(layer, name)
        if not found.any():
            raise ValueError(f"Field '{name}' of layer '{layer.name}' marks no reading.")
        return found


def _fields(units: dict[str, str]) -> QgsFields:
    fields = compat.fields(
        ("grid", "text"), ("line", "integer"), ("first_grid", "text"), ("first_line", "integer"),
        ("distance", "real"),
    )  # fmt: skip
    for channel, unit in units.items():
        for what in ("first", "second", "diff"):
            name = f"{channel}_{what}"
            fields.append(compat.field(name, "real", f"{name} [{unit}]" if unit else ""))
    return fields


def _features(found: Comparison, fields: QgsFields) -> Iterator[QgsFeature]:
    pairs = found.pairs
    values = np.stack([pairs.first, pairs.second, pairs.second - pairs.first], axis=-1)
    rows = zip(
        pairs.x.tolist(), pairs.y.tolist(), pairs.line_first.tolist(), pairs.line_second.tolist(),
        pairs.distance.tolist(), values.reshape(len(pairs), -1).tolist(),
    )  # fmt: skip
    for x, y, one, two, distance, cells in rows:
        first = pairs.lines_first[one]
        second = pairs.lines_second[two] if two >= 0 else None
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        feature.setAttributes(
            [
                second.grid if second else None,
                second.line if second else None,
                first.grid,
                first.line,
                distance,
                *(None if cell != cell else cell for cell in cells),
            ]
        )
        yield feature
