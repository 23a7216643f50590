"""A vector layer as the user picked it, read column by column.

Where the layer is a plain file, whole and without unsaved edits, its columns come from GDAL's Arrow
stream (some twenty times faster than features one by one); in every other case from the host's
features, which honour selection, filters, edits, joins and layers that are no file at all.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from osgeo import gdal, ogr
from qgis.core import (
    QgsFeature,
    QgsFeatureRequest,
    QgsFields,
    QgsProcessingFeatureSource,
    QgsProcessingFeatureSourceDefinition,
    QgsProcessingOutputLayerDefinition,
    QgsProperty,
    QgsProviderRegistry,
    QgsVectorLayer,
    QgsWkbTypes,
)
from qgis.PyQt.QtCore import QDate, QDateTime, QTime

from ..algorithms.progress import Progress, advance, keep_going
from . import compat
from .history import read_history

gdal.UseExceptions()

BATCH = 20_000
_STREAM_TYPES = (ogr.OFTInteger, ogr.OFTInteger64, ogr.OFTReal, ogr.OFTString)


def static_value(raw):
    """The plain value behind the wrappings that the host may put a layer's name in."""
    if isinstance(raw, (QgsProcessingFeatureSourceDefinition, QgsProcessingOutputLayerDefinition)):
        raw = raw.source if isinstance(raw, QgsProcessingFeatureSourceDefinition) else raw.sink
    return raw.staticValue() if isinstance(raw, QgsProperty) else raw


def crs_problem(
    crs, whose: str, advice: str = "Run 'Reproject layer' (native:reprojectlayer) first."
) -> str | None:
    """One sentence when a CRS is missing or geographic, else None."""
    if crs is None or not crs.isValid():
        return f"{whose} has no coordinate reference system. Set the one its coordinates are in."
    if crs.isGeographic():
        return (
            f"{whose} is in degrees ({crs.authid()}), and survey distances need a projected "
            f"coordinate reference system. {advice}"
        )
    return None


@dataclass(frozen=True, eq=False)
class Columns:
    """Positions (NaN where a feature has none) and fields of a layer's features, in order.

    Numeric fields are float64 with NaN for NULL; others are object arrays with None for NULL.
    """

    x: np.ndarray
    y: np.ndarray
    fields: dict[str, np.ndarray]


@dataclass(frozen=True, eq=False)
class LayerSource:
    """The features of a layer that a step is to work on, and the layer's history."""

    source: QgsProcessingFeatureSource
    layer: QgsVectorLayer | None
    partial: bool
    lines: tuple[str, ...] = ()

    @classmethod
    def open(cls, task, parameter: str, label: str) -> LayerSource:
        """Open what the user picked.

        Raises
        ------
        ValueError
            If it is not a vector layer that can be read, or nothing of it is selected where the
            selection was asked for.
        """
        raw = task.parameters.get(parameter)
        source = task.step.parameterAsSource(task.parameters, parameter, task.context)
        if source is None:
            shown = raw.name() if hasattr(raw, "name") else static_value(raw)
            raise ValueError(f"'{shown}' for '{label}' is not a vector layer that can be opened.")
        # By its plain name: the host finds no layer by the wrappings of a selection.
        plain = {**task.parameters, parameter: static_value(raw)}
        layer = task.step.parameterAsVectorLayer(plain, parameter, task.context)
        partial = isinstance(raw, QgsProcessingFeatureSourceDefinition) and (
            raw.selectedFeaturesOnly
            or getattr(raw, "featureLimit", -1) != -1
            or bool(getattr(raw, "filterExpression", ""))
        )
        chosen = partial and raw.selectedFeaturesOnly
        if chosen and layer is not None and not layer.selectedFeatureCount():
            raise ValueError(
                f"'{label}' takes the selected features only, and none is selected in layer "
                f"'{layer.name()}'. Select some, or take the whole layer."
            )
        return cls(source, layer, partial, tuple(read_history(layer)))

    @property
    def name(self) -> str:
        """The layer's name, for messages."""
        return self.layer.name() if self.layer is not None else self.source.sourceName()

    @property
    def crs(self):
        """The layer's coordinate reference system."""
        return self.source.sourceCrs()

    @property
    def fields(self) -> QgsFields:
        """The layer's fields."""
        return self.source.fields()

    @property
    def field_names(self) -> list[str]:
        """Names of the layer's fields."""
        return self.fields.names()

    @cached_property
    def _picked(self) -> list[QgsFeature] | None:
        # A selection of a memory layer comes in no fixed order: sort it back into the layer's own.
        if not self.partial:
            return None
        return sorted(self.source.getFeatures(QgsFeatureRequest(), _UNCHECKED), key=QgsFeature.id)

    def features(self) -> Iterator[QgsFeature]:
        """Every feature with all its fields, in the order of `columns`."""
        if self._picked is not None:
            return iter(self._picked)
        return self.source.getFeatures(QgsFeatureRequest(), _UNCHECKED)

    def only(self, features: Sequence[QgsFeature]) -> LayerSource:
        """The same layer with some of its features alone."""
        chosen = replace(self, partial=True)
        vars(chosen)["_picked"] = list(features)
        return chosen

    def rows(self, n: int, progress: Progress = keep_going) -> Iterator[tuple[int, QgsFeature]]:
        """Every feature with its row, from 0, where `n` were read before.

        Raises
        ------
        ValueError
            If the layer has not as many any more.
        """
        row = -1
        for row, feature in enumerate(self.features()):
            if row >= n:
                break
            if row % BATCH == 0:
                advance(progress, row / n)
            yield row, feature
        if row + 1 != n:
            raise ValueError(
                f"Layer '{self.name}' changed while it was being worked on. Run again."
            )

    def columns(
        self, names: Sequence[str], progress: Progress = keep_going, places: bool = True
    ) -> Columns:
        """Positions and the named fields of every feature; without `places`, of any geometry.

        Raises
        ------
        ValueError
            If a feature is not a single point.
        """
        stream = self._stream(names)
        if stream is not None:
            return stream
        return self._by_feature(names, progress, places)

    # -- from a file, by column ------------------------------------------------------------

    @cached_property
    def file(self) -> tuple[Path, str] | None:
        """The file and the table in it, where that holds just what the host shows of the layer."""
        layer = self.layer
        if (
            self.partial
            or layer is None
            or layer.providerType() != "ogr"
            or layer.isModified()
            or layer.subsetString()
            or QgsWkbTypes.flatType(layer.wkbType()) != QgsWkbTypes.Type.Point
        ):
            return None
        parts = QgsProviderRegistry.instance().decodeUri("ogr", layer.source())
        if parts.get("openOptions") or parts.get("authcfg"):
            return None
        try:
            dataset = gdal.OpenEx(parts["path"], gdal.OF_VECTOR | gdal.OF_READONLY)
            table = (
                dataset.GetLayerByName(parts["layerName"])
                if parts.get("layerName")
                else dataset.GetLayer(int(parts.get("layerId") or 0))
            )
        except RuntimeError:  # a source GDAL opens otherwise
            return None
        return (Path(parts["path"]), table.GetName()) if table is not None else None

    def _stream(self, names: Sequence[str]) -> Columns | None:
        """Columns by GDAL's Arrow stream; None where that would not give what the host shows."""
        if self.file is None or not hasattr(ogr.Layer, "GetArrowStreamAsNumPy"):
            return None
        if not names:  # GDAL 3.6 gives no places where no field is asked for
            return None
        try:
            dataset = gdal.OpenEx(str(self.file[0]), gdal.OF_VECTOR | gdal.OF_READONLY)
            table = dataset.GetLayerByName(self.file[1])
            definition = table.GetLayerDefn()
            there = {
                definition.GetFieldDefn(i).GetName(): definition.GetFieldDefn(i).GetType()
                for i in range(definition.GetFieldCount())
            }
            if any(there.get(name) not in _STREAM_TYPES for name in names):
                return None
            table.SetIgnoredFields([name for name in there if name not in names])
            options = ["USE_MASKED_ARRAYS=YES", "INCLUDE_FID=NO"]
            batches = list(table.GetArrowStreamAsNumPy(options=options))
        except (RuntimeError, ImportError):  # no NumPy bindings, or a source GDAL opens otherwise
            return None
        geometry = table.GetGeometryColumn() or "wkb_geometry"
        if any(geometry not in batch for batch in batches):
            return None
        points = [_points(batch[geometry]) for batch in batches]
        if any(point is None for point in points):
            return None
        xy = np.concatenate([np.empty((0, 2)), *points])
        fields = {
            name: np.concatenate(
                [np.empty(0, object if there[name] == ogr.OFTString else np.float64)]
                + [_plain(batch[name]) for batch in batches]
            )
            for name in names
        }
        return Columns(xy[:, 0], xy[:, 1], fields)

    # -- from the host, feature by feature -------------------------------------------------

    def _by_feature(self, names: Sequence[str], progress: Progress, places: bool = True) -> Columns:
        indexes = [self.fields.lookupField(name) for name in names]
        request = QgsFeatureRequest()
        request.setSubsetOfAttributes(indexes)
        features = (
            iter(self._picked)
            if self._picked is not None
            else self.source.getFeatures(request, _UNCHECKED)
        )
        total = max(self.source.featureCount(), 1)
        xs: list[float] = []
        ys: list[float] = []
        cells: list[list] = [[] for _ in names]
        for number, feature in enumerate(features, start=1):
            if number % BATCH == 0:
                advance(progress, min(number / total, 1.0))
            x, y = self._point(feature, number) if places else (np.nan, np.nan)
            xs.append(x)
            ys.append(y)
            for column, index in zip(cells, indexes):
                column.append(feature.attribute(index))
        fields = {
            name: _from_cells(column, self.fields.at(index).isNumeric())
            for name, column, index in zip(names, cells, indexes)
        }
        return Columns(np.array(xs, np.float64), np.array(ys, np.float64), fields)

    def _point(self, feature: QgsFeature, number: int) -> tuple[float, float]:
        geometry = feature.geometry()
        if geometry.isNull() or geometry.isEmpty():
            return (np.nan, np.nan)
        if QgsWkbTypes.geometryType(geometry.wkbType()) != QgsWkbTypes.geometryType(_POINT):
            raise ValueError(
                f"Feature {number} of layer '{self.name}' is no point, and every reading is one. "
                "Choose a layer of points."
            )
        if geometry.isMultipart():
            parts = geometry.asMultiPoint()
            if len(parts) != 1:
                raise ValueError(
                    f"Feature {number} of layer '{self.name}' holds {len(parts)} points where one "
                    "reading is one point. Run 'Multipart to singleparts' first."
                )
            return (parts[0].x(), parts[0].y())
        point = geometry.asPoint()
        return (point.x(), point.y())


_POINT = QgsWkbTypes.Type.Point
_UNCHECKED = QgsProcessingFeatureSource.Flag.FlagSkipGeometryValidityChecks


def _plain(column) -> np.ndarray:
    """A column of the stream as float64 with NaN, or as text with None."""
    missing = np.ma.getmaskarray(column)
    data = np.ma.getdata(column)
    if data.dtype.kind in "iufb":
        plain = data.astype(np.float64)
        plain[missing] = np.nan
        return plain
    words = [
        None if gone or word is None else word.decode("utf-8") if isinstance(word, bytes) else word
        for word, gone in zip(data.tolist(), missing.tolist())
    ]
    return np.array(words, dtype=object)


def _points(column) -> np.ndarray | None:
    """Coordinates of little-endian WKB points, shape ``(n, 2)``; None for any other geometry."""
    gone = np.ma.getmaskarray(column).tolist()
    blobs = [None if hidden else blob for blob, hidden in zip(np.ma.getdata(column).tolist(), gone)]
    lengths = {len(blob) for blob in blobs if blob}
    if len(lengths) > 1:
        return None
    xy = np.full((len(blobs), 2), np.nan)
    if not lengths:
        return xy
    size = lengths.pop()
    whole = np.frombuffer(b"".join(blob for blob in blobs if blob), dtype=np.uint8)
    whole = whole.reshape(-1, size)
    kinds = np.ascontiguousarray(whole[:, :5])
    if size < 21 or (kinds != kinds[0]).any() or kinds[0, 0] != 1:
        return None
    if int.from_bytes(kinds[0, 1:].tobytes(), "little") & 0xFF not in (1, 0xE9, 0xD1, 0xB9):
        return None
    present = np.array([bool(blob) for blob in blobs])
    xy[present] = np.ascontiguousarray(whole[:, 5:21]).view("<f8")
    return xy


def _from_cells(cells: list, numeric: bool) -> np.ndarray:
    if numeric:
        return np.array(
            [np.nan if compat.is_null(cell) else cell for cell in cells], dtype=np.float64
        )
    values = np.empty(len(cells), dtype=object)
    values[:] = [_python(cell) for cell in cells]
    return values


def _python(cell):
    """A host's value as plain Python: clock times as seconds or ISO text."""
    if compat.is_null(cell):
        return None
    if isinstance(cell, QTime):
        return cell.msecsSinceStartOfDay() / 1000.0
    if isinstance(cell, QDateTime):
        return cell.toString("yyyy-MM-ddTHH:mm:ss.zzz")
    if isinstance(cell, QDate):
        return cell.toString("yyyy-MM-dd")
    return cell
