"""Parameters as small records: each says once what it is called, means and allows.

A record makes the host's definition, reads the value back for a running step (`Task`) and names
what is wrong with it, all from the same words.
"""

from __future__ import annotations

from dataclasses import dataclass

from qgis.core import (
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterDistance,
    QgsProcessingParameterEnum,
    QgsProcessingParameterNumber,
    QgsProcessingParameterPoint,
    QgsProcessingParameterString,
)

from . import compat
from .source import crs_problem
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

    def typed(self, raw):
        """A raw value as one of its own kind, where it is text for one: for the history."""
        return raw

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

    def typed(self, raw):
        """See `Parameter.typed`."""
        try:
            number = float(raw) if isinstance(raw, str) else raw
        except ValueError:
            return raw
        whole = self.whole and isinstance(number, float) and number.is_integer()
        return int(number) if whole else number

    def problem(self, task):
        """See `Parameter.problem`."""
        raw = self.typed(task.parameters.get(self.name))
        if isinstance(raw, str) and raw:
            return f"'{self.label}' is '{raw}'; give a number, with a decimal point."
        if self.whole and isinstance(raw, float) and raw.is_integer() is False:
            return f"'{self.label}' is {raw:g}; give a whole number."
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


_YES_OR_NO = {"true": True, "yes": True, "1": True, "false": False, "no": False, "0": False}


@dataclass(frozen=True)
class Toggle(Parameter):
    """Yes or no."""

    default: object = False

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterBoolean(self.name, label, self.default, self.optional)

    def typed(self, raw):
        """See `Parameter.typed`."""
        return _YES_OR_NO.get(raw.strip().lower(), raw) if isinstance(raw, str) else raw

    def problem(self, task):
        """See `Parameter.problem`."""
        raw = self.typed(task.parameters.get(self.name))
        if isinstance(raw, str) and raw:
            return f"'{self.label}' is '{raw}'; give true or false."
        return None

    def value(self, task):
        """True or False."""
        typed = self.typed(task.parameters.get(self.name))
        asked = {**task.parameters, self.name: typed}
        return task.step.parameterAsBool(asked, self.name, task.context)


@dataclass(frozen=True)
class Text(Parameter):
    """A line of text, or several."""

    several_lines: bool = False

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterString(
            self.name, label, self.default, self.several_lines, self.optional
        )

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
        crs = self.value(task)
        if not crs.isValid():
            return f"'{self.label}' is not chosen. Choose a projected one."
        return crs_problem(crs, f"'{self.label}'") if self.projected else None


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
