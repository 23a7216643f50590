"""What a step reads, as parameter records: layers, fields, files."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

from qgis.core import (
    QgsExpression,
    QgsProcessing,
    QgsProcessingParameterExpression,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterFile,
    QgsProcessingParameterMapLayer,
    QgsProcessingParameterMultipleLayers,
    QgsWkbTypes,
)

from . import compat
from .history import read_history
from .parameters import Parameter, Text
from .source import LayerSource, crs_problem


@dataclass(frozen=True)
class Layer(Parameter):
    """A vector layer: `points`, or any table with or without geometry."""

    points: bool = False
    projected: bool = False

    def make(self, label):
        """See `Parameter.make`."""
        kinds = QgsProcessing.SourceType
        kind = kinds.TypeVectorPoint if self.points else kinds.TypeVector
        return QgsProcessingParameterFeatureSource(
            self.name, label, [kind], self.default, self.optional
        )

    def value(self, task) -> LayerSource | None:
        """The layer as the user picked it: whole, or its selected features."""
        if not self.given(task):
            return None
        return LayerSource.open(task, self.name, self.label)

    def problem(self, task):
        """See `Parameter.problem`."""
        try:
            layer = task[self.name]
        except ValueError as wrong:
            return str(wrong)
        if layer is None:
            return None if self.optional else f"No layer is given for '{self.label}'."
        kind = QgsWkbTypes.geometryType(layer.source.wkbType())
        if self.points and kind != QgsWkbTypes.GeometryType.PointGeometry:
            more = "" if layer.crs.isValid() else " and has no coordinate reference system"
            return (
                f"Layer '{layer.name}' for '{self.label}' holds no points{more}. Choose one of "
                "points; 'Bring in readings from a text table' makes one of a table."
            )
        if self.projected:
            return crs_problem(layer.crs, f"Layer '{layer.name}'")
        return None


@dataclass(frozen=True)
class Layers(Parameter):
    """Vector layers with geometry of any kind, one or several, in projected systems."""

    def make(self, label):
        """See `Parameter.make`."""
        kind = QgsProcessing.SourceType.TypeVectorAnyGeometry
        return QgsProcessingParameterMultipleLayers(
            self.name, label, kind, self.default, self.optional
        )

    def value(self, task) -> tuple[LayerSource, ...]:
        """The layers, whole, in the order given.

        Raises
        ------
        ValueError
            If one is no vector layer that can be read, or a selection.
        """
        raw = task.parameters.get(self.name)
        asked = raw if isinstance(raw, (list, tuple)) else [raw]
        return tuple(self._opened(task, one) for one in asked if one not in (None, ""))

    def _opened(self, task, one) -> LayerSource:
        if getattr(one, "selectedFeaturesOnly", False):
            raise ValueError(
                f"'{self.label}' takes whole layers. Save the selected features as a layer first."
            )
        alone = SimpleNamespace(
            step=task.step, context=task.context, parameters={**task.parameters, self.name: one}
        )
        return LayerSource.open(alone, self.name, self.label)

    def problem(self, task):
        """See `Parameter.problem`."""
        try:
            layers = task[self.name]
        except ValueError as wrong:
            return str(wrong)
        if not layers and not self.optional:
            return f"No layer is given for '{self.label}'."
        found = (crs_problem(layer.crs, f"Layer '{layer.name}'") for layer in layers)
        return next((wrong for wrong in found if wrong), None)


@dataclass(frozen=True)
class Field(Parameter):
    """A field, or several, of the layer named by `of`.

    An optional field left at its default name that the layer does not have counts as none; one
    that is not optional must be there, but may be `clearable` on purpose.
    """

    of: str = "INPUT"
    numeric: bool = False
    several: bool = False
    clearable: bool = False

    def make(self, label):
        """See `Parameter.make`."""
        kinds = QgsProcessingParameterField.DataType
        return QgsProcessingParameterField(
            self.name,
            label,
            self.default,
            self.of,
            kinds.Numeric if self.numeric else kinds.Any,
            self.several,
            True,  # the host before 3.30 lets no default stand in for a field left out
        )

    def names(self, task) -> list[str]:
        """The names asked for, present or not."""
        raw = task.parameters.get(self.name, self.default)
        if raw in (None, ""):
            return []
        if isinstance(raw, str):  # a field's name may itself hold the host's separator
            layer = task[self.of]
            if layer is not None and raw in layer.field_names:
                return [raw]
        asked = {**task.parameters, self.name: raw}
        return compat.parameter_fields(task.step, asked, self.name, task.context)

    def value(self, task):
        """The field's name or None; a tuple of names where there may be several."""
        names = self.names(task)
        if self.optional and names == [self.default]:
            layer = task[self.of]
            names = names if layer is not None and self.default in layer.field_names else []
        if self.several:
            return tuple(dict.fromkeys(names))
        return names[0] if names else None

    def problem(self, task):
        """See `Parameter.problem`."""
        layer = task[self.of]
        if layer is None:
            return None
        chosen = self.value(task)
        wanted = chosen if self.several else [chosen] if chosen else []
        if not wanted and not self.optional and not self.clearable:
            return f"No field is given for '{self.label}'. Layer '{layer.name}' has: " + ", ".join(
                layer.field_names
            )
        for name in wanted:
            if name not in layer.field_names:
                return (
                    f"Layer '{layer.name}' has no field '{name}' for '{self.label}'. "
                    f"It has: {', '.join(layer.field_names)}."
                )
            if self.numeric and not layer.fields.field(name).isNumeric():
                return (
                    f"Field '{name}' of layer '{layer.name}' holds text where '{self.label}' "
                    "needs numbers. Choose another field, or convert it first."
                )
        return None


@dataclass(frozen=True)
class Files(Parameter):
    """One or several files to read."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterMultipleLayers(
            self.name, label, QgsProcessing.SourceType.TypeFile, self.default, self.optional
        )

    def value(self, task) -> tuple[Path, ...]:
        """The paths, in the order given."""
        names = task.step.parameterAsFileList(task.parameters, self.name, task.context)
        return tuple(Path(name) for name in names if name)

    def problem(self, task):
        """See `Parameter.problem`."""
        paths = self.value(task)
        if not paths:
            return None if self.optional else f"No file is given for '{self.label}'."
        for path in paths:
            if not path.is_file():
                return f"There is no file '{path}'. Check the name and folder."
        return None


@dataclass(frozen=True)
class File(Parameter):
    """A file to read."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterFile(
            self.name, label, defaultValue=self.default, optional=self.optional
        )

    def value(self, task) -> Path | None:
        """The path, or None."""
        name = task.step.parameterAsFile(task.parameters, self.name, task.context)
        return Path(name) if name else None

    def problem(self, task):
        """See `Parameter.problem`."""
        path = self.value(task)
        if path is None:
            return None if self.optional else f"No file is given for '{self.label}'."
        return None if path.is_file() else f"There is no file '{path}'. Check the name and folder."


@dataclass(frozen=True)
class History:
    """A map layer's name, source and history."""

    name: str
    source: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class MapLayer(Parameter):
    """A vector or raster layer, of which only its history is read."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterMapLayer(self.name, label, self.default, self.optional)

    def value(self, task) -> History | None:
        """The layer's name and history, or None where none is given."""
        layer = task.step.parameterAsLayer(task.parameters, self.name, task.context)
        if layer is None:
            return None
        return History(layer.name(), layer.source().split("|")[0], tuple(read_history(layer)))

    def problem(self, task):
        """See `Parameter.problem`."""
        if not self.given(task):
            return None if self.optional else f"No layer is given for '{self.label}'."
        if task[self.name] is None:
            shown = task.parameters.get(self.name)
            return f"'{shown}' for '{self.label}' is not a layer that can be opened."
        return None


@dataclass(frozen=True)
class Areas(Layer):
    """A layer of polygons."""

    def make(self, label):
        """See `Parameter.make`."""
        kind = QgsProcessing.SourceType.TypeVectorPolygon
        return QgsProcessingParameterFeatureSource(
            self.name, label, [kind], self.default, self.optional
        )

    def problem(self, task):
        """See `Parameter.problem`."""
        found = super().problem(task)
        layer = task[self.name] if found is None else None
        if layer is None:
            return found
        kind = QgsWkbTypes.singleType(QgsWkbTypes.flatType(layer.source.wkbType()))
        if kind not in (QgsWkbTypes.Type.Polygon, QgsWkbTypes.Type.CurvePolygon):
            return (
                f"Layer '{layer.name}' for '{self.label}' holds no polygons. Choose one of areas."
            )
        if not layer.crs.isValid():
            return (
                f"Layer '{layer.name}' has no coordinate reference system. Set the one its "
                "coordinates are in."
            )
        return None


@dataclass(frozen=True)
class Lines(Layer):
    """A layer of lines, or of areas whose outlines serve."""

    def make(self, label):
        """See `Parameter.make`."""
        kinds = QgsProcessing.SourceType
        either = [kinds.TypeVectorLine, kinds.TypeVectorPolygon]
        return QgsProcessingParameterFeatureSource(
            self.name, label, either, self.default, self.optional
        )

    def problem(self, task):
        """See `Parameter.problem`."""
        found = super().problem(task)
        layer = task[self.name] if found is None else None
        if layer is None:
            return found
        if QgsWkbTypes.geometryType(layer.source.wkbType()) not in (
            QgsWkbTypes.GeometryType.LineGeometry,
            QgsWkbTypes.GeometryType.PolygonGeometry,
        ):
            return f"Layer '{layer.name}' for '{self.label}' holds no lines. Choose one of lines."
        if not layer.crs.isValid():
            return (
                f"Layer '{layer.name}' has no coordinate reference system. Set the one its "
                "coordinates are in."
            )
        return None


@dataclass(frozen=True)
class Condition(Text):
    """An expression of the host over the features of the layer named by `of`."""

    of: str = "INPUT"

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterExpression(
            self.name, label, self.default, self.of, self.optional
        )

    def problem(self, task):
        """See `Parameter.problem`."""
        text, layer = self.value(task), task[self.of]
        if not text or layer is None:
            return None
        expression = QgsExpression(text)
        if expression.hasParserError():
            wrong = expression.parserErrorString().strip().rstrip(".")
            return f"'{self.label}' cannot be read: {wrong}."
        names = layer.field_names
        known = {name.lower() for name in names}
        absent = sorted(name for name in _fields_of(expression) if name.lower() not in known)
        if absent:
            return (
                f"Layer '{layer.name}' has no field '{absent[0]}' for '{self.label}'. It has: "
                f"{', '.join(names)}."
            )
        return None


def _fields_of(expression: QgsExpression) -> set[str]:
    """Names of the fields that an expression of the host reads."""
    # The host's word for "all fields" is no field.
    return {name for name in expression.referencedColumns() if not name.startswith("#")}
