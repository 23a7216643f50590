"""What a step writes, as parameter records."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path

from qgis.core import (
    QgsProcessing,
    QgsProcessingOutputLayerDefinition,
    QgsProcessingParameterFeatureSink,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterDestination,
)

from .parameters import Parameter
from .source import static_value


@dataclass(frozen=True)
class Output(Parameter):
    """Something the step writes. `style` names a style of ours to show it with."""

    style: Callable | None = None

    def target(self, task) -> Path | None:
        """The file it will be written to, when it is a file."""
        raw = static_value(task.parameters.get(self.name))
        if not isinstance(raw, str) or raw == QgsProcessing.TEMPORARY_OUTPUT:
            return None
        name = raw.split("|")[0]
        if not os.path.isabs(name) and (":" in name or not Path(name).suffix):
            return None  # a table of a database, a layer in memory
        return Path(name).absolute()

    def appends(self, task) -> bool:
        """Whether the host is to add features to a layer, or to make one in ways of its own."""
        raw = task.parameters.get(self.name)
        return isinstance(raw, QgsProcessingOutputLayerDefinition) and (
            raw.useRemapping() or bool(raw.createOptions)
        )

    def problem(self, task):
        """See `Parameter.problem`."""
        path = self.target(task)
        if path is None:
            return self._into_input(task)
        if path.is_dir():
            return f"'{self.label}' is the folder '{path}'; add a file name."
        folder = path.parent
        if not folder.is_dir():
            return (
                f"'{self.label}' cannot be written to '{path.name}': there is no folder "
                f"'{folder}'. Make it, or choose another."
            )
        if not os.access(folder, os.W_OK):
            return f"'{self.label}' cannot be written to '{folder}'. Choose another folder."
        return self.overwrites(path, task.input_files())

    def _into_input(self, task) -> str | None:
        """One sentence when a layer would be added to a database that is read."""
        raw = static_value(task.parameters.get(self.name))
        held = re.search(r"dbname=['\"]([^'\"]+)['\"]", raw) if isinstance(raw, str) else None
        return self.overwrites(Path(held[1]).absolute(), task.input_files()) if held else None

    def overwrites(self, path: Path, inputs: Iterable[Path]) -> str | None:
        """One sentence when a file to write is one that is read."""
        for kept in inputs:
            if path.exists() and kept.exists() and os.path.samefile(path, kept):
                return (
                    f"'{self.label}' would overwrite the input '{path.name}'. "
                    "Choose another file name."
                )
        return None


@dataclass(frozen=True)
class LayerOutput(Output):
    """A vector layer; `kind` is Point, Polygon, Line or None for a table."""

    kind: str = "Point"

    def make(self, label):
        """See `Parameter.make`."""
        kinds = QgsProcessing.SourceType
        kind = {
            "Point": kinds.TypeVectorPoint,
            "Line": kinds.TypeVectorLine,
            "Polygon": kinds.TypeVectorPolygon,
        }.get(self.kind, kinds.TypeVector)
        return QgsProcessingParameterFeatureSink(
            self.name, label, kind, self.default, self.optional
        )


@dataclass(frozen=True)
class RasterOutput(Output):
    """A GeoTIFF."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterRasterDestination(
            self.name, label, self.default, self.optional
        )

    def value(self, task) -> Path:
        """Where to write it."""
        name = task.step.parameterAsOutputLayer(task.parameters, self.name, task.context)
        return Path(name)

    def problem(self, task):
        """See `Parameter.problem`."""
        path = self.target(task)
        if path is not None and path.suffix.lower() not in (".tif", ".tiff"):
            return f"'{self.label}' is '{path.name}'; a raster is written as GeoTIFF: name it .tif."
        return super().problem(task)


@dataclass(frozen=True)
class FileOutput(Output):
    """A file such as a picture or page; `filter` in the host's manner."""

    filter: str = ""

    def make(self, label):
        """See `Parameter.make`."""
        # Optional files are made only when asked for.
        return QgsProcessingParameterFileDestination(
            self.name, label, self.filter, self.default, self.optional, not self.optional
        )

    def value(self, task) -> Path | None:
        """Where to write it, or None when it is not wanted."""
        name = task.step.parameterAsFileOutput(task.parameters, self.name, task.context)
        return Path(name) if name else None

    def problem(self, task):
        """See `Parameter.problem`."""
        path = self.target(task)
        endings = re.findall(r"\*(\.\w+)", self.filter)
        if path is not None and endings and path.suffix.lower() not in endings:
            return (
                f"'{self.label}' is '{path.name}'; the file must end in {' or '.join(endings)}. "
                "Choose another file name."
            )
        return super().problem(task)
