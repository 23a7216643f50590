"""Parameters as small records: each says once what it is called, means and allows.

A record makes the host's definition, reads the value back for a running step (`Task`) and names
what is wrong with it, all from the same words.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite, nan

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsPointXY,
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
from .source import crs_problem, static_value
from .tr import tr

ABOVE_0 = 1e-5
"""A least value below this stands for "above 0", which the host knows no word for."""


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

    def doubts(self, task) -> Sequence[str]:
        """Warnings about a value that can be, but is unlikely to be meant; a sentence each."""
        return ()

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
            tiny = raw <= 0 < self.minimum < ABOVE_0
            least = "above 0" if tiny else f"at least {self.minimum:g}"
            return f"'{self.label}' is {raw:g}; it must be {least}."
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
class Choices(Choice):
    """Several words of a fixed list; `default` is a tuple of them."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterEnum(
            self.name, label, list(self.options), True, list(self.default), self.optional, True
        )

    def value(self, task) -> tuple[str, ...]:
        """The words chosen, in the order of the list."""
        words = self._words(task)
        return tuple(word for word in self.options if word in words)

    def problem(self, task):
        """See `Parameter.problem`."""
        words = self._words(task)
        wrong = [word for word in words if word not in self.options]
        if wrong:
            return f"'{self.label}' is '{wrong[0]}'; choose from: {', '.join(self.options)}."
        if not words and not self.optional:
            return f"Nothing is chosen for '{self.label}'; choose from: {', '.join(self.options)}."
        return None

    def _words(self, task) -> list[str]:
        """The words as given, or the default."""
        raw = task.parameters.get(self.name)
        if raw is None:
            return list(self.default)
        if isinstance(raw, str):
            raw = raw.replace(";", ",").split(",")
        return [str(word).strip() for word in raw if str(word).strip()]


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
    """One number for all channels, or one for `each`, separated by semicolons or blanks.

    A semicolon with no number before or behind it is a mistake: the numbers would move up.
    """

    unit: str = ""
    each: str = "channel"
    minimum: float | None = None

    def value(self, task):
        """The numbers as a tuple; empty where none is given."""
        text = super().value(task)
        words: list[str] = []
        for place in text.split(";") if text else ():
            if not place.strip():
                raise ValueError(
                    f"'{self.label}' is '{text}': {self.each} {len(words) + 1} has no number. "
                    "Give it, or take the semicolon away."
                )
            words += place.split()
        try:
            return tuple(map(float, words))
        except ValueError:
            raise ValueError(
                f"'{self.label}' is '{text}'; give one number, or one a {self.each} separated "
                "by semicolons, with a decimal point."
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
        if not self.projected:
            return None
        return crs_problem(crs, f"'{self.label}'", "Choose one in metres or feet.")


@dataclass(frozen=True)
class Point(Parameter):
    """A map position, in the coordinate reference system of the parameter named by `crs_of`.

    The user may name the system it was picked in, "430000,5900000 [EPSG:25831]" to the host;
    without one it is taken to be in the system wanted.
    """

    crs_of: str = ""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterPoint(self.name, label, self.default, self.optional)

    def value(self, task) -> tuple[float, float] | None:
        """Easting and northing in the system of `crs_of`, or None.

        Raises
        ------
        ValueError
            If it is no point, or has no place in that system.
        """
        if not self.given(task):
            return None
        raw = task.parameters[self.name]
        if not task.step.parameterDefinition(self.name).checkValueIsAcceptable(raw):
            raise ValueError(
                f"'{self.label}' is '{raw}'; give easting and northing, such as 430000,5900000."
            )
        point = task.step.parameterAsPoint(task.parameters, self.name, task.context)
        own, wanted = _named_crs(static_value(raw)), task[self.crs_of]
        wanted = getattr(wanted, "crs", wanted)
        if own is not None and not own.isValid():
            raise ValueError(
                f"The coordinate reference system of '{self.label}', '{raw}', is not known."
            )
        if own is not None and own != wanted:
            # Not by the host, which gives back the place as it is where it cannot transform it.
            transform = QgsCoordinateTransform(own, wanted, task.context.transformContext())
            nowhere = QgsPointXY(nan, nan)
            try:
                point = transform.transform(point) if transform.isValid() else nowhere
            except QgsCsException:
                point = nowhere
            if not (isfinite(point.x()) and isfinite(point.y())):
                raise ValueError(
                    f"'{self.label}', '{self.typed(raw)}', has no place in {wanted.authid()}. "
                    "Check the point and its coordinate reference system."
                )
        return (point.x(), point.y())

    def problem(self, task):
        """See `Parameter.problem`."""
        try:
            task[self.name]
        except ValueError as wrong:
            return str(wrong)
        return None

    def typed(self, raw):
        """See `Parameter.typed`."""
        crs = _named_crs(raw)
        if crs is None or isinstance(raw, str):
            return raw
        point = raw.asPoint() if hasattr(raw, "asPoint") else raw
        return f"{point.x()!r},{point.y()!r} [{crs.authid()}]"


def _named_crs(raw) -> QgsCoordinateReferenceSystem | None:
    """The system that a point says it is in, if any."""
    if hasattr(raw, "crs"):
        return raw.crs()
    named = re.search(r"\[(.*)\]", raw) if isinstance(raw, str) else None
    return QgsCoordinateReferenceSystem(named[1]) if named else None
