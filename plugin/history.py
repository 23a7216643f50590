"""How a layer came to be: one line a step, kept in the layer's own metadata.

A line reads ``lynchet:despike 0.1.0 {"parameters": {...}, "figures": {...}, "units": {...}}``: the
step, the version of the plugin and, as one JSON object, what was asked, what was found and the
unit of each channel. No clock time is written, so that the same run gives the same bytes.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from osgeo import gdal
from qgis.core import QgsMapLayer, QgsRasterLayer, QgsVectorLayer

from .version import VERSION

RASTER_DOMAIN = "LYNCHET"


def without_nan(content):
    """Figures as JSON holds them: what is no number becomes None."""
    if isinstance(content, Mapping):
        return {name: without_nan(value) for name, value in content.items()}
    if isinstance(content, (list, tuple)):
        return [without_nan(value) for value in content]
    if isinstance(content, float) and not math.isfinite(content):
        return None
    return content


@dataclass(frozen=True)
class Entry:
    """One step in a layer's history."""

    step: str
    parameters: Mapping[str, object] = field(default_factory=dict)
    figures: Mapping[str, object] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    version: str = VERSION

    def line(self) -> str:
        """The entry as one line of text."""
        content = {
            "parameters": dict(self.parameters),
            "figures": dict(self.figures),
            "units": dict(self.units),
        }
        text = json.dumps(without_nan(content), ensure_ascii=False)
        return f"{self.step} {self.version} {text}"

    @classmethod
    def parse(cls, line: str) -> Entry | None:
        """Read a line back; None when it is not one of ours."""
        step, _, rest = line.partition(" ")
        version, _, content = rest.partition(" ")
        if not step.startswith("lynchet:"):
            return None
        try:
            found = json.loads(content)
            return cls(step, found["parameters"], found["figures"], found["units"], version)
        except (ValueError, KeyError, TypeError):
            return None


def read_history(layer: QgsMapLayer | None) -> list[str]:
    """All history lines of a layer, oldest first, whether or not the host has loaded them."""
    if layer is None:
        return []
    lines = list(layer.metadata().history())
    if isinstance(layer, QgsRasterLayer):
        return lines or _raster_lines(layer.source())
    if not lines and isinstance(layer, QgsVectorLayer) and layer.providerType() == "ogr":
        # A fresh layer object: the input is never touched, not even its metadata.
        fresh = QgsVectorLayer(layer.source(), "history", layer.providerType())
        fresh.loadDefaultMetadata()
        lines = list(fresh.metadata().history())
    return lines


def _raster_lines(source: str) -> list[str]:
    try:
        dataset = gdal.Open(source)
    except RuntimeError:  # not a raster that GDAL opens by itself
        return []
    items = (dataset.GetMetadata(RASTER_DOMAIN) or {}) if dataset else {}
    return [items[key] for key in sorted(items)]


def raster_items(lines: Iterable[str]) -> dict[str, str]:
    """History lines as GDAL metadata items of the domain `RASTER_DOMAIN`, in order."""
    return {f"STEP_{number:03d}": line for number, line in enumerate(lines, start=1)}


def write_history(layer: QgsMapLayer, lines: Iterable[str]) -> None:
    """Set a layer's history and save it beside or inside the layer's file, if it has one."""
    metadata = layer.metadata()
    metadata.setHistory(list(lines))
    layer.setMetadata(metadata)
    if layer.dataProvider() is not None and layer.providerType() == "ogr":
        layer.saveDefaultMetadata()


def entries(lines: Iterable[str]) -> list[Entry]:
    """The entries among history lines; lines of others are passed over."""
    return [entry for entry in map(Entry.parse, lines) if entry is not None]


def channel_units(lines: Iterable[str]) -> dict[str, str]:
    """Unit of every channel that the history speaks of, the latest word winning."""
    units: dict[str, str] = {}
    for entry in entries(lines):
        units.update(entry.units)
    return units
