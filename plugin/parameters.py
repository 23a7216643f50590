"""Parameters as small records: each says once what it is called, means and allows.

A record makes the host's definition, reads the value back for a running step (`Task`) and names
what is wrong with it, all from the same words.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from qgis.core import (
    QgsProcessing,
    QgsProcessingParameterBand,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterDistance,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterField,
    QgsProcessingParameterMultipleLayers,
    QgsProcessingParameterNumber,
    QgsProcessingParameterPoint,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
)

from . import compat
from .source import LayerSource, crs_problem
from .tr import tr


@dataclass(frozen=True)
class Parameter:
    """What all parameters have; `help` is the advice shown to the user."""

    name: str
    label: str
    help: str = ""
    default: object = None
    optional: bool = False
    advanced: bool = False

    def make(self, label: str) -> QgsProcessingParameterDefinition:
        """Make the host's definition under a translated label."""
        raise NotImplementedError

    def definition(self) -> QgsProcessingParameterDefinition:
        """Make the host's definition with its help and place."""
        made = self.make(self.full_label())
        made.setHelp(tr(self.help))
        if self.advanced:
            compat.mark_advanced(made)
        return made

    def full_label(self) -> str:
        """The label with its unit, where there is one."""
        unit = getattr(self, "unit", "")
        return f"{tr(self.label)} [{tr(unit)}]" if unit else tr(self.label)

    def value(self, task):
        """The value a running step asked for."""
        raise NotImplementedError

    def problem(self, task) -> str | None:
        """One sentence on what is wrong with the value, or None."""
        return None

    def given(self, task) -> bool:
        """Tell whether the user set the parameter at all."""
        return task.parameters.get(self.name) not in (None, "")


@dataclass(frozen=True)
class Number(Parameter):
    """A number, whole or real; `distance_of` names the layer whose map unit it is in."""

    unit: str = ""
    minimum: float | None = None
    maximum: float | None = None
    whole: bool = False
    distance_of: str = ""

    def make(self, label):
        """See `Parameter.make`."""
        limits = {}
        if self.minimum is not None:
            limits["minValue"] = self.minimum
        if self.maximum is not None:
            limits["maxValue"] = self.maximum
        if self.distance_of:
            return QgsProcessingParameterDistance(
                self.name, label, self.default, self.distance_of, self.optional, **limits
            )
        kinds = QgsProcessingParameterNumber.Type
        kind = kinds.Integer if self.whole else kinds.Double
        return QgsProcessingParameterNumber(
            self.name, label, kind, self.default, self.optional, **limits
        )

    def value(self, task):
        """The number, or None where none is set and none is the default."""
        if self.default is None and not self.given(task):
            return None
        read = task.step.parameterAsInt if self.whole else task.step.parameterAsDouble
        return read(task.parameters, self.name, task.context)

    def problem(self, task):
        """See `Parameter.problem`."""
        raw = task.parameters.get(self.name)
        if isinstance(raw, str) and raw:
            try:
                raw = float(raw)
            except ValueError:
                return None  # an expression or a model's word: the host's to judge
        if not isinstance(raw, (int, float)) or isinstance(raw, bool):
            return None
        if raw != raw or raw in (float("inf"), float("-inf")):
            return f"'{self.label}' is {raw}; give a plain number."
        if self.minimum is not None and raw < self.minimum:
            return f"'{self.label}' is {raw:g}; it must be at least {self.minimum:g}."
        if self.maximum is not None and raw > self.maximum:
            return f"'{self.label}' is {raw:g}; it must be at most {self.maximum:g}."
        return None


@dataclass(frozen=True)
class Choice(Parameter):
    """One word of a fixed list; the words themselves are the values."""

    options: tuple[str, ...] = ()

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterEnum(
            self.name, label, list(self.options), False, self.default, self.optional, True
        )

    def value(self, task):
        """The word chosen."""
        return task.step.parameterAsEnumString(task.parameters, self.name, task.context)

    def problem(self, task):
        """See `Parameter.problem`."""
        raw = task.parameters.get(self.name)
        if isinstance(raw, str) and raw and raw not in self.options:
            return f"'{self.label}' is '{raw}'; choose one of: {', '.join(self.options)}."
        return None


@dataclass(frozen=True)
class Toggle(Parameter):
    """Yes or no."""

    default: object = False

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterBoolean(self.name, label, self.default, self.optional)

    def value(self, task):
        """True or False."""
        return task.step.parameterAsBool(task.parameters, self.name, task.context)


@dataclass(frozen=True)
class Text(Parameter):
    """A line of text."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterString(self.name, label, self.default, False, self.optional)

    def value(self, task):
        """The text, trimmed; empty where none is given."""
        return task.step.parameterAsString(task.parameters, self.name, task.context).strip()


@dataclass(frozen=True)
class Numbers(Text):
    """One number for all channels, or one a channel, separated by semicolons or blanks."""

    unit: str = ""
    minimum: float | None = None

    def value(self, task):
        """The numbers as a tuple; empty where none is given."""
        text = super().value(task)
        try:
            return tuple(float(word) for word in text.replace(";", " ").split())
        except ValueError:
            raise ValueError(
                f"'{self.label}' is '{text}'; give one number, or one a channel separated by "
                "semicolons, with a decimal point."
            ) from None

    def problem(self, task):
        """See `Parameter.problem`."""
        try:
            low = [number for number in self.value(task) if number < (self.minimum or 0)]
        except ValueError as wrong:
            return str(wrong)
        if self.minimum is not None and low:
            return f"'{self.label}' holds {low[0]:g}; it must be at least {self.minimum:g}."
        return None


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
            layer = self.value(task)
        except ValueError as wrong:
            return str(wrong)
        if layer is None:
            return None if self.optional else f"No layer is given for '{self.label}'."
        if self.projected:
            return crs_problem(layer.crs, f"Layer '{layer.name}'")
        return None


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
            return tuple(names)
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
class Crs(Parameter):
    """A coordinate reference system; `projected` refuses degrees."""

    projected: bool = True

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterCrs(self.name, label, self.default, self.optional)

    def value(self, task):
        """The host's CRS object."""
        return task.step.parameterAsCrs(task.parameters, self.name, task.context)

    def problem(self, task):
        """See `Parameter.problem`."""
        return crs_problem(self.value(task), f"'{self.label}'") if self.projected else None


@dataclass(frozen=True)
class Point(Parameter):
    """A map position."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterPoint(self.name, label, self.default, self.optional)

    def value(self, task) -> tuple[float, float] | None:
        """Easting and northing, or None."""
        if not self.given(task):
            return None
        point = task.step.parameterAsPoint(task.parameters, self.name, task.context)
        return (point.x(), point.y())


@dataclass(frozen=True)
class Raster(Parameter):
    """A raster layer."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterRasterLayer(self.name, label, self.default, self.optional)

    def value(self, task):
        """The host's raster layer."""
        return task.step.parameterAsRasterLayer(task.parameters, self.name, task.context)

    def problem(self, task):
        """See `Parameter.problem`."""
        layer = self.value(task)
        if layer is None or not layer.isValid():
            return f"'{task.parameters.get(self.name)}' for '{self.label}' is not a raster layer."
        return crs_problem(layer.crs(), f"Raster '{layer.name()}'")


@dataclass(frozen=True)
class Band(Parameter):
    """A band of the raster named by `of`."""

    of: str = "INPUT"
    default: object = 1

    def make(self, label):
        """See `Parameter.make`."""
        # Optional to the host, which before 3.30 lets no default stand in for a band left out.
        return QgsProcessingParameterBand(self.name, label, self.default, self.of, True)

    def value(self, task) -> int:
        """The band's number, from 1."""
        if not self.given(task):
            return self.default
        return task.step.parameterAsInt(task.parameters, self.name, task.context)

    def problem(self, task):
        """See `Parameter.problem`."""
        raster, band = task[self.of], self.value(task)
        if raster is not None and not 1 <= band <= raster.bandCount():
            return (
                f"'{self.label}' is {band}; raster '{raster.name()}' has bands 1 to "
                f"{raster.bandCount()}."
            )
        return None
