"""One run of a step: its parameters as values, its messages, its progress."""

from __future__ import annotations

from dataclasses import fields
from pathlib import Path

from qgis.core import (
    QgsMapLayer,
    QgsProcessingContext,
    QgsProcessingFeedback,
)

from ..algorithms.progress import Progress, portion
from .source import static_value


class Task:
    """What a running step works with.

    ``task["WINDOW"]`` is the value of a parameter, read once. `progress` is the science's
    progress callable, shown and cancelled by the host.
    """

    def __init__(self, step, parameters: dict, context: QgsProcessingContext, feedback=None):
        self.step = step
        self.parameters = parameters
        self.context = context
        self.feedback = feedback or QgsProcessingFeedback()
        self.history: list[str] | None = None
        """History of the readings as the work finds them, where it is not that of their layer."""
        self._values: dict = {}
        self._span = (0.0, 1.0)

    def __getitem__(self, name: str):
        if name not in self._values:
            self._values[name] = self.step.parameter(name).value(self)
        return self._values[name]

    def options(self, kind: type, **given):
        """Options of the science filled from the parameters that bear their fields' names.

        ``DespikeOptions.window`` comes from ``WINDOW`` and so on; what is `given` comes first, and
        a field without a parameter keeps its default.
        """
        named = {record.name for record in self.step.parameters}
        found = {
            field.name: self[field.name.upper()]
            for field in fields(kind)
            if field.name not in given and field.name.upper() in named
        }
        return kind(**found, **given)

    def progress(self, fraction: float) -> bool:
        """Show the fraction done; False when the user cancelled."""
        self.feedback.setProgress(100.0 * fraction)
        return not self.feedback.isCanceled()

    def part(self, start: float, end: float) -> Progress:
        """The progress of a part of the work."""
        low, high = self._span
        return portion(portion(self.progress, low, high), start, end)

    def within(self, start: float, end: float) -> None:
        """Show all further progress as a part of a longer run's."""
        self._span = (start, end)

    def share(self, name: str, value) -> None:
        """Take the value of a parameter from another task."""
        self._values[name] = value

    def say(self, sentence: str) -> None:
        """Tell the user something."""
        self.feedback.pushInfo(sentence)

    def warn(self, sentence: str) -> None:
        """Tell the user something not to be missed."""
        warn = getattr(self.feedback, "pushWarning", self.feedback.pushInfo)
        warn(sentence)

    def problem(self) -> str | None:
        """The first thing wrong with the parameters, in their order."""
        for parameter in self.step.parameters:
            found = parameter.problem(self)
            if found:
                return found
        return self._twice() or self.step.problem(self)

    def _twice(self) -> str | None:
        """One sentence when two outputs would be written to one file."""
        written: dict[Path, str] = {}
        for record in self.step.outputs:
            path = record.target(self)
            if path is not None and path in written:
                return (
                    f"'{written[path]}' and '{record.label}' would both be written to "
                    f"'{path.name}'. Choose a file for each."
                )
            if path is not None:
                written[path] = record.label
        return None

    def input_files(self) -> list[Path]:
        """Every file named by a parameter that is read."""
        named: list[str] = []
        for parameter in self.step.inputs:
            raw = self.parameters.get(parameter.name)
            for value in raw if isinstance(raw, (list, tuple)) else [raw]:
                value = static_value(value)
                layer = self.context.getMapLayer(value) if isinstance(value, str) else value
                named.append(layer.source() if isinstance(layer, QgsMapLayer) else str(value))
        return [Path(name.split("|")[0]) for name in named if name]

    def asked(self) -> dict[str, object]:
        """What was asked, as plain JSON values, for the history."""
        return {
            parameter.name: _plain(
                parameter.typed(self.parameters.get(parameter.name, parameter.default))
            )
            for parameter in self.step.inputs
        }


def _plain(value):
    if value is None or isinstance(value, (bool, int, float, str)):
        # A path tells more about the machine than about the survey: keep the file's name.
        return Path(value).name if isinstance(value, str) and Path(value).is_absolute() else value
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if static_value(value) is not value:
        return _plain(static_value(value))
    for reader in ("authid", "name", "toString"):
        if hasattr(value, reader):
            return _plain(getattr(value, reader)())
    return str(value)
