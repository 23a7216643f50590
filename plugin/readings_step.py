"""Steps from a readings layer: what they all ask for, read and write.

A correction of a readings layer derives from `CorrectionStep` and implements only `correct`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

import numpy as np

from ..algorithms.readings import Correction, Readings
from . import geopackage, readings_layer
from .corrected_layer import CorrectedLayer
from .inputs import Field, Layer
from .outputs import LayerOutput
from .parameters import Parameter, Toggle
from .source import LayerSource
from .step import Step, keep_history
from .styles import style_readings
from .task import Task

INPUT = Layer(
    "INPUT",
    "Readings",
    "A point layer with one feature per reading, in a projected coordinate reference system.",
    points=True,
    projected=True,
)
CHANNELS = Field(
    "CHANNELS",
    "Channels",
    "The measured fields to work on. Left empty: every channel the layer's history knows, or else "
    "every field of real numbers that is none of the fields below.",
    numeric=True,
    several=True,
    optional=True,
)
LINE_FIELD = Field(
    "LINE_FIELD",
    "Traverse number field",
    "Whole number of the traverse a reading belongs to. Readings without one are carried through "
    "unchanged. Cleared: all readings are one traverse.",
    default="line",
    clearable=True,
)
SEQUENCE_FIELD = Field(
    "SEQUENCE_FIELD",
    "Sequence field",
    "Order of the readings along their traverse. Without it, the layer's own order counts.",
    default="seq",
    optional=True,
    advanced=True,
)
GRID_FIELD = Field(
    "GRID_FIELD",
    "Data grid field",
    "Name of the data grid; traverses of the same number in two data grids are two traverses.",
    default="grid",
    optional=True,
    advanced=True,
)
TIME_FIELD = Field(
    "TIME_FIELD",
    "Time field",
    "Seconds since midnight, a clock time or a date and time.",
    default="time",
)
READINGS = (INPUT, CHANNELS, LINE_FIELD, SEQUENCE_FIELD, GRID_FIELD)


class ReadingsStep(Step):
    """A step that reads a readings layer through the parameters `READINGS`."""

    def lines(self, task: Task) -> list[str]:
        """The history of the readings layer."""
        return list(task["INPUT"].lines if task.history is None else task.history)

    def read(self, task: Task, progress=None) -> Readings:
        """The readings with the channels chosen.

        Raises
        ------
        ValueError
            If the layer has no channel, or what it holds cannot serve.
        """
        layer: LayerSource = task["INPUT"]
        lines = self.lines(task)
        channels = self.channels(task, lines)
        if not channels:
            raise ValueError(
                f"Layer '{layer.name}' has no field of real numbers to take for a channel. "
                "Choose the channels."
            )
        has_time = any(record.name == "TIME_FIELD" for record in self.parameters)
        roles = self.roles(task, channels, task["TIME_FIELD"] if has_time else None)
        return readings_layer.read_readings(layer, roles, lines, progress or task.part(0, 0.2))

    def channels(self, task: Task, lines: list[str]) -> tuple[str, ...]:
        """The channels chosen, or else the layer's, without fields chosen for something else."""
        if task["CHANNELS"]:
            return task["CHANNELS"]
        taken = {
            task[record.name]
            for record in self.parameters
            if isinstance(record, Field) and record.of == "INPUT" and not record.several
        }
        found = readings_layer.guess_channels(task["INPUT"], lines)
        return tuple(name for name in found if name not in taken)

    def roles(self, task: Task, channels, time: str | None) -> readings_layer.Roles:
        """Which field is what."""
        return readings_layer.Roles(
            channels=tuple(channels),
            line=task["LINE_FIELD"],
            sequence=task["SEQUENCE_FIELD"],
            grid=task["GRID_FIELD"],
            time=time,
        )

    def write_corrected(self, task: Task, corrected: CorrectedLayer, lines: list[str]) -> str:
        """Write corrected readings to the output, by the quickest way that gives the same."""
        layer, progress = corrected.layer, task.part(0.8, 1.0)
        record = self.parameter("OUTPUT")
        path, moved = record.target(task), corrected.shift is not None
        if (
            layer.file is None
            or record.appends(task)
            or corrected.in_other_units
            or not geopackage.can_rewrite(*layer.file, path, corrected.kinds, moved)
        ):
            return self.write_layer(
                task,
                "OUTPUT",
                corrected.fields,
                layer.source.wkbType(),
                layer.crs,
                corrected.features(progress),
                lines,
            )
        xy = np.column_stack([corrected.after.x, corrected.after.y]) if moved else None
        geopackage.rewrite(*layer.file, path, corrected.columns, xy, progress)
        # Tells the host of the layer as a sink would have.
        target = self.parameterAsOutputLayer(task.parameters, "OUTPUT", task.context)
        keep_history(task, target, lines)
        self.show(task, target, record.style)
        return target


class CorrectionStep(ReadingsStep):
    """A step from a readings layer to the same layer with its channels corrected.

    A correction names its own parameters in `options` and implements `correct`. `line_help` is
    what it says of the traverse number field, where that is not the usual.
    """

    stage = "correct"
    options: tuple[Parameter, ...] = ()
    extras: tuple[Parameter, ...] = ()
    needs_time = False
    line_help = ""

    def __init_subclass__(cls, **kwargs):
        super().__init_subclass__(**kwargs)
        line = replace(LINE_FIELD, help=cls.line_help or LINE_FIELD.help)
        cls.parameters = (
            *(line if record is LINE_FIELD else record for record in READINGS),
            *((TIME_FIELD,) if cls.needs_time else ()),
            *cls.options,
            KEEP_PREVIOUS,
            CORRECTED,
            *cls.extras,
        )

    def correct(self, readings: Readings, task: Task) -> Correction:
        """Correct the readings; the only thing a correction has to say."""
        raise NotImplementedError

    def after(self, task: Task, found: Correction) -> Mapping[str, object]:
        """Further outputs made from the result."""
        return {}

    def more(self, task: Task, found: Correction) -> Mapping[str, np.ndarray]:
        """Further fields of real numbers for the corrected layer, by name."""
        return {}

    def warn_of_previous(
        self, task: Task, channels: Collection[str], held: Collection[str]
    ) -> None:
        """Say where values kept from an earlier run are replaced; `held` are the fields there."""
        names = [name + readings_layer.PREVIOUS for name in channels]
        again = [name for name in names if name in held]
        if task["KEEP_PREVIOUS"] and again:
            task.warn(
                f"The older previous values in {', '.join(again)} are replaced by those of before "
                "this run."
            )

    def work(self, task: Task) -> Mapping[str, object]:
        readings = self.read(task)
        self.warn_of_previous(task, readings.channels, task["INPUT"].field_names)
        found = self.correct(readings, task)
        units = dict(zip(readings.channels, found.readings.units))
        figures = {"readings": len(readings), **found.figures}
        corrected = CorrectedLayer(
            task["INPUT"], readings, found.readings, task["KEEP_PREVIOUS"], self.more(task, found)
        )
        lines = [*self.lines(task), self.entry(task, figures, units)]
        target = self.write_corrected(task, corrected, lines)
        return {"OUTPUT": target, "FIGURES": self.report(task, found), **self.after(task, found)}


KEEP_PREVIOUS = Toggle(
    "KEEP_PREVIOUS",
    "Keep previous values",
    "Keeps the values as they were in fields named like the channel with '_prev' behind.",
    advanced=True,
)
CORRECTED = LayerOutput("OUTPUT", "Corrected readings", style=style_readings)
