"""The base of every step: it owns the ceremony, so that a step is parameters and one call.

A step sets its names and a tuple of parameter records, and implements `work`. A correction of a
readings layer derives from `CorrectionStep` and implements only `correct`.
"""

from __future__ import annotations

import html
import json
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path

import numpy as np
from qgis.core import (
    QgsFeature,
    QgsFeatureSink,
    QgsFields,
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingOutputString,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtGui import QIcon

from ..algorithms.progress import Cancelled
from ..algorithms.readings import Correction, Readings
from . import geopackage, history, readings_layer
from .corrected_layer import CorrectedLayer
from .inputs import Field, Layer
from .outputs import LayerOutput, Output
from .parameters import Parameter, Toggle
from .source import LayerSource
from .stages import STAGES
from .styles import Styler, style_readings
from .task import Task
from .tr import tr

WRITTEN_AT_ONCE = 1000
"""Features handed to the host at a time: more at a time are slower."""

ICONS = Path(__file__).resolve().parent / "icons"


@cache
def icon() -> QIcon:
    """The plugin's icon."""
    return QIcon(str(ICONS / "lynchet.svg"))


class Step(QgsProcessingAlgorithm):
    """A Processing step made of parameter records and one method.

    Class attributes of a step: `identifier` (stable, lower-case), `title`, `stage` (a key of
    `STAGES`), `summary` (one or two sentences), `advice` (paragraphs: how to choose, what it can
    destroy), `words` (the trade's other words, for search) and `parameters`.
    """

    identifier: str
    title: str
    stage: str
    summary: str
    advice: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    parameters: tuple[Parameter, ...] = ()

    def work(self, task: Task) -> Mapping[str, object]:
        """Do the work and return the outputs by name."""
        raise NotImplementedError

    # -- what the host asks ------------------------------------------------------------------

    def createInstance(self):
        return type(self)()

    def name(self):
        return self.identifier

    def displayName(self):
        return tr(self.title)

    def group(self):
        return tr(STAGES[self.stage])

    def groupId(self):
        return self.stage

    def icon(self):
        return icon()

    def shortDescription(self):
        return tr(self.summary)

    def tags(self):
        return [tr(word) for word in self.words]

    def shortHelpString(self):
        paragraphs = [f"<p>{_escaped(text)}</p>" for text in (self.summary, *self.advice)]
        rows = [
            f"<p><b>{html.escape(record.full_label())}</b><br>{_escaped(record.help)}</p>"
            for record in self.parameters
            if record.help
        ]
        return "".join(paragraphs + rows)

    def initAlgorithm(self, configuration=None):
        for record in self.parameters:
            self.addParameter(record.definition())
        self.addOutput(QgsProcessingOutputString("FIGURES", tr("Key figures (JSON)")))

    def checkParameterValues(self, parameters, context):
        # Ours first: it speaks the user's words.
        found = Task(self, parameters, context).problem()
        return (False, tr(found)) if found else super().checkParameterValues(parameters, context)

    def prepareAlgorithm(self, parameters, context, feedback):
        # In the host's main thread: layers are opened here and only read from in the work.
        self.task = Task(self, parameters, context, feedback)
        found = self.task.problem()
        if found:
            raise QgsProcessingException(tr(found))
        return True

    def processAlgorithm(self, parameters, context, feedback):
        # The work may run in another thread, where the host gives a context of that thread.
        self.task.context, self.task.feedback = context, feedback
        try:
            return dict(self.work(self.task))
        except Cancelled:
            return {}
        except ValueError as wrong:
            raise QgsProcessingException(tr(str(wrong))) from wrong
        except MemoryError as wrong:
            raise QgsProcessingException(
                tr("There is not enough memory for this much data. Work on a part of it at a time.")
            ) from wrong

    # -- what a step is given ----------------------------------------------------------------

    def parameter(self, name: str) -> Parameter:
        """The record of that name."""
        return next(record for record in self.parameters if record.name == name)

    @property
    def inputs(self) -> list[Parameter]:
        """The parameters that are not outputs."""
        return [record for record in self.parameters if not isinstance(record, Output)]

    def entry(self, task: Task, figures: Mapping, units: Mapping[str, str]) -> str:
        """Put the run into a line of history."""
        return history.Entry(f"lynchet:{self.identifier}", task.asked(), figures, units).line()

    def report(self, task: Task, found) -> str:
        """Tell the user the messages, warnings and figures of a result; return the figures."""
        for sentence in found.messages:
            task.say(sentence)
        for sentence in found.warnings:
            task.warn(sentence)
        return as_json(found.figures)

    def write_layer(
        self,
        task: Task,
        name: str,
        fields: QgsFields,
        geometry: QgsWkbTypes,
        crs,
        features: Iterable[QgsFeature],
        lines: Iterable[str],
    ) -> str:
        """Write features to the output of that name, with its history and style.

        If anything stops the writing, the file it began is taken away again.
        """
        record = self.parameter(name)
        path = record.target(task)
        before = _files_beside(path)
        sink, target = self.parameterAsSink(
            task.parameters, name, task.context, fields, geometry, crs
        )
        if sink is None:
            shown = path or task.parameters.get(name)
            raise ValueError(
                f"'{record.label}' cannot be written to '{shown}'. Choose another file or folder."
            )
        try:
            batch: list[QgsFeature] = []
            for feature in features:
                batch.append(feature)
                if len(batch) == WRITTEN_AT_ONCE:
                    _add(sink, batch, record)
                    batch = []
            _add(sink, batch, record)
        except BaseException:
            del sink
            for left in _files_beside(path) - before:
                left.unlink()
            raise
        del sink
        _keep_history(task, target, lines)
        self.show(task, target, record.style)
        return target

    def show(self, task: Task, target: str, style: Callable | None) -> None:
        """Give an output its style, if the host is going to load it."""
        if style is not None and task.context.willLoadLayerOnCompletion(target):
            details = task.context.layerToLoadOnCompletionDetails(target)
            details.setPostProcessor(Styler.kept(style))


def as_json(figures: Mapping[str, object]) -> str:
    """Key figures as the text that the output FIGURES holds."""
    return json.dumps(dict(figures), ensure_ascii=False)


def _escaped(text: str) -> str:
    return html.escape(tr(text)).replace("\n", "<br>")


def _files_beside(path: Path | None) -> set[Path]:
    """The file of an output and those of its name with another ending."""
    if path is None:
        return set()
    return {file for file in path.parent.iterdir() if file.name.startswith(f"{path.stem}.")}


def _add(sink, batch: list[QgsFeature], record: Parameter) -> None:
    if batch and not sink.addFeatures(batch, QgsFeatureSink.Flag.FastInsert):
        raise ValueError(f"'{record.label}' could not be written: {sink.lastError()}.")


def _keep_history(task: Task, target: str, lines: Iterable[str]) -> None:
    layer = task.context.getMapLayer(target)
    if layer is None:
        layer = QgsVectorLayer(_with_layer_name(target), "written", "ogr")
    if layer.isValid():
        history.write_history(layer, lines)


def _with_layer_name(target: str) -> str:
    """The source string with the layer's name, without which GeoPackage keeps no metadata."""
    if not target.lower().endswith(".gpkg"):
        return target
    layer = QgsVectorLayer(target, "written", "ogr")
    found = layer.dataProvider().subLayers() if layer.isValid() else []
    return f"{target}|layername={found[0].split('!!::!!')[1]}" if found else target


# -- readings --------------------------------------------------------------------------------

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
        return list(task["INPUT"].lines)

    def read(self, task: Task, progress=None) -> Readings:
        """The readings with the channels chosen.

        Raises
        ------
        ValueError
            If the layer has no channel, or what it holds cannot serve.
        """
        layer: LayerSource = task["INPUT"]
        lines = self.lines(task)
        channels = task["CHANNELS"] or readings_layer.guess_channels(layer, lines)
        if not channels:
            raise ValueError(
                f"Layer '{layer.name}' has no field of real numbers to take for a channel. "
                "Choose the channels."
            )
        has_time = any(record.name == "TIME_FIELD" for record in self.parameters)
        roles = readings_layer.Roles(
            channels=tuple(channels),
            line=task["LINE_FIELD"],
            sequence=task["SEQUENCE_FIELD"],
            grid=task["GRID_FIELD"],
            time=task["TIME_FIELD"] if has_time else None,
        )
        return readings_layer.read_readings(layer, roles, lines, progress or task.part(0, 0.2))


class CorrectionStep(ReadingsStep):
    """A step from a readings layer to the same layer with its channels corrected.

    A correction names its own parameters in `options` and implements `correct`.
    """

    stage = "correct"
    options: tuple[Parameter, ...] = ()
    extras: tuple[Parameter, ...] = ()
    needs_time = False

    def __init_subclass__(cls, **kwargs):
        super().__init_subclass__(**kwargs)
        cls.parameters = (
            *READINGS,
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

    def work(self, task: Task) -> Mapping[str, object]:
        readings = self.read(task)
        found = self.correct(readings, task)
        units = dict(zip(readings.channels, readings.units))
        figures = {"readings": len(readings), **found.figures}
        corrected = CorrectedLayer(
            task["INPUT"], readings, found.readings, task["KEEP_PREVIOUS"], self.more(task, found)
        )
        lines = [*self.lines(task), self.entry(task, figures, units)]
        target = self.write_corrected(task, corrected, lines)
        return {"OUTPUT": target, "FIGURES": self.report(task, found), **self.after(task, found)}

    def write_corrected(self, task: Task, corrected: CorrectedLayer, lines: list[str]) -> str:
        """Write corrected readings to the output, by the quickest way that gives the same."""
        layer, progress = corrected.layer, task.part(0.8, 1.0)
        record = self.parameter("OUTPUT")
        path, moved = record.target(task), corrected.shift is not None
        if layer.file is None or not geopackage.can_rewrite(
            *layer.file, path, corrected.kinds, moved
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
        _keep_history(task, target, lines)
        self.show(task, target, record.style)
        return target


KEEP_PREVIOUS = Toggle(
    "KEEP_PREVIOUS",
    "Keep previous values",
    "Keeps the values as they were in fields named like the channel with '_prev' behind.",
    advanced=True,
)
CORRECTED = LayerOutput("OUTPUT", "Corrected readings", style=style_readings)
