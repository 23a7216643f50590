"""The base of every step: it owns the ceremony, so that a step is parameters and one call.

A step sets its names and a tuple of parameter records, and implements `work`. Steps that read a
readings layer are in `readings_step`.
"""

from __future__ import annotations

import html
import json
from collections.abc import Callable, Iterable, Mapping
from functools import cache
from pathlib import Path

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
from . import history
from .outputs import Output
from .parameters import Parameter
from .stages import STAGES
from .styles import Styler
from .task import Task
from .tr import tr

WRITTEN_AT_ONCE = 1000
"""Features handed to the host at a time: more at a time are slower."""

NAME_LENGTH = 10
"""Characters that a shapefile's table has room for in a field's name (dBASE III)."""

ICONS = Path(__file__).resolve().parent / "icons"


@cache
def icon() -> QIcon:
    """The plugin's icon."""
    return QIcon(str(ICONS / "lynchet.svg"))


class Step(QgsProcessingAlgorithm):
    """A Processing step made of parameter records and one method.

    Class attributes of a step: `identifier` (stable, lower-case), `title`, `stage` (a key of
    `STAGES`), `summary` (one or two sentences), `advice` (paragraphs: how to choose, what it can
    destroy), `words` (the trade's other words, for search) and `parameters`; `texts`, the names
    and labels of further outputs that are text.
    """

    identifier: str
    title: str
    stage: str
    summary: str
    advice: tuple[str, ...] = ()
    words: tuple[str, ...] = ()
    parameters: tuple[Parameter, ...] = ()
    texts: tuple[tuple[str, str], ...] = ()

    def work(self, task: Task) -> Mapping[str, object]:
        """Do the work and return the outputs by name."""
        raise NotImplementedError

    def problem(self, task: Task) -> str | None:
        """One sentence on what is wrong with the parameters taken together, or None."""
        return None

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
        for name, label in (*self.texts, ("FIGURES", "Key figures (JSON)")):
            self.addOutput(QgsProcessingOutputString(name, tr(label)))

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
            for record in self.inputs:
                for sentence in record.doubts(self.task):
                    self.task.warn(sentence)
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

    @property
    def outputs(self) -> list[Output]:
        """The parameters that are outputs."""
        return [record for record in self.parameters if isinstance(record, Output)]

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
        long = _cut_names(path, fields)
        if long:
            task.warn(
                f"Shapefiles cut field names to {NAME_LENGTH} characters: {', '.join(long)}. Write "
                "a GeoPackage (.gpkg) to keep them."
            )
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
        keep_history(task, target, lines)
        self.show(task, target, record.style)
        return target

    def show(self, task: Task, target: str, style: Callable | None) -> None:
        """Give an output its style, if the host is going to load it."""
        if style is not None and task.context.willLoadLayerOnCompletion(target):
            details = task.context.layerToLoadOnCompletionDetails(target)
            details.setPostProcessor(Styler.kept(style))


def as_json(figures: Mapping[str, object] | list) -> str:
    """Key figures as the text that the output FIGURES holds; what is no number as null."""
    return json.dumps(history.without_nan(figures), ensure_ascii=False)


def _escaped(text: str) -> str:
    return html.escape(tr(text)).replace("\n", "<br>").replace("    ", "&nbsp;" * 4)


def _files_beside(path: Path | None) -> set[Path]:
    """The file of an output and those of its name with another ending."""
    if path is None:
        return set()
    return {file for file in path.parent.iterdir() if file.name.startswith(f"{path.stem}.")}


def _cut_names(path: Path | None, fields: QgsFields) -> list[str]:
    """The names of fields that the format of a file cuts short."""
    if path is None or path.suffix.lower() != ".shp":
        return []
    return [name for name in fields.names() if len(name.encode("utf-8")) > NAME_LENGTH]


def _add(sink, batch: list[QgsFeature], record: Parameter) -> None:
    if batch and not sink.addFeatures(batch, QgsFeatureSink.Flag.FastInsert):
        raise ValueError(f"'{record.label}' could not be written: {sink.lastError()}.")


def keep_history(task: Task, target: str, lines: Iterable[str]) -> None:
    """Keep the history of a layer that was written."""
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
