"""Areas to survey and to avoid as the host's geometries, and traverses cut by them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from qgis.core import (
    QgsFeature,
    QgsGeometry,
    QgsLineString,
    QgsPointXY,
    QgsSpatialIndex,
    QgsWkbTypes,
)

from ...algorithms.plan.fewest_turns import Area
from ...algorithms.plan.pieces import Kept, Traverses
from ...algorithms.progress import Progress, advance
from ..source import LayerSource

FULL = 0.999
"""An outline that holds this share of its rectangle is the rectangle."""

OUTSIDE = 0.01
"""More of an outline than this share outside its rectangle: they do not belong together."""

QUARTER = 16
"""Segments of a quarter circle round an obstacle."""

EVERY = 200


def whole_geometry(feature: QgsFeature, number: int, layer: LayerSource) -> QgsGeometry:
    """A feature's geometry, its curves as straight segments.

    Raises
    ------
    ValueError
        If there is none or it crosses itself.
    """
    geometry = feature.geometry()
    if geometry.isNull() or geometry.isEmpty():
        raise ValueError(
            f"Feature {number} of layer '{layer.name}' has no geometry. Draw it, or remove the "
            "feature."
        )
    if QgsWkbTypes.isCurvedType(geometry.wkbType()):
        geometry = QgsGeometry(geometry.constGet().segmentize())
    if not geometry.isGeosValid():
        raise ValueError(
            f"Feature {number} of layer '{layer.name}' crosses or touches itself. Run 'Fix "
            "geometries' (native:fixgeometries) first."
        )
    return geometry


def vertices(geometry: QgsGeometry) -> np.ndarray:
    """All vertices (x, y), shape ``(k, 2)``."""
    return np.array([(point.x(), point.y()) for point in geometry.vertices()])


def rectangle(area: Area, side: str) -> QgsGeometry:
    """An area's rectangle."""
    ring = [QgsPointXY(x, y) for x, y in area.corners(side).tolist()]
    return QgsGeometry.fromPolygonXY([[*ring, ring[0]]])


def outline_in(area: Area, outline: QgsGeometry, side: str) -> QgsGeometry | None:
    """The outline to cut an area's traverses at; None where it fills the area's rectangle.

    Raises
    ------
    ValueError
        If the outline lies outside the rectangle.
    """
    frame = rectangle(area, side)
    inside = frame.intersection(outline).area()
    if inside < (1 - OUTSIDE) * outline.area():
        raise ValueError(
            f"The fields x, y, bearing, length and width of data grid '{area.name}' do not fit its "
            f"outline, with further traverses to the {side}. Correct them, or choose the other "
            "side; without these fields the layer is planned as outlines."
        )
    return None if inside >= FULL * frame.area() else outline


def avoided(layer: LayerSource, clearance: float, progress: Progress) -> list[QgsGeometry]:
    """The areas of a layer to avoid, with their clearance, that do not overlap each other.

    Raises
    ------
    ValueError
        If lines or points have no clearance.
    """
    grown = []
    total = max(layer.source.featureCount(), 1)
    for number, feature in enumerate(layer.features(), start=1):
        if number % EVERY == 0:
            advance(progress, min(number / total, 1.0))
        geometry = whole_geometry(feature, number, layer)
        if not geometry.area() > 0 and not clearance > 0:
            raise ValueError(
                f"Feature {number} of layer '{layer.name}' is a line or point, which takes no "
                "ground by itself. Give a clearance above 0."
            )
        grown.append(geometry.buffer(clearance, QUARTER) if clearance > 0 else geometry)
    return QgsGeometry.unaryUnion(grown).asGeometryCollection() if grown else []


class Cutter:
    """Cuts traverses at the outlines of their areas and at areas to avoid: a `Cut`.

    Parameters
    ----------
    outlines
        One an area, None for no cutting.
    obstacles
        Areas to avoid.
    """

    def __init__(self, outlines: Sequence[QgsGeometry | None], obstacles: Sequence[QgsGeometry]):
        self.outlines, self.obstacles = outlines, obstacles
        self.index = QgsSpatialIndex()
        for number, obstacle in enumerate(obstacles):
            feature = QgsFeature(number)
            feature.setGeometry(obstacle)
            self.index.addFeature(feature)

    def __call__(self, traverses: Traverses, progress: Progress) -> Kept:
        """See `pieces.Cut`."""
        rows: list[int] = []
        ends: list[list[tuple[float, float]]] = []
        inside = np.zeros(len(traverses.line))
        whole = traverses.ends.tolist()
        for row, (area, line) in enumerate(zip(traverses.area.tolist(), whole)):
            if row % EVERY == 0:
                advance(progress, row / len(whole))
            found, length = self._pieces(line, self.outlines[area])
            inside[row] = traverses.length[row] if length is None else length
            rows += [row] * len(found)
            ends += found
        return Kept(np.array(rows, dtype=np.int64), np.array(ends).reshape(-1, 2, 2), inside)

    def _pieces(self, line: list, outline: QgsGeometry | None) -> tuple[list, float | None]:
        """Ends of what is left of a line, and its length inside the outline, None for all."""
        geometry = QgsGeometry.fromPolylineXY([QgsPointXY(*end) for end in line])
        length = None
        if outline is not None:
            geometry = geometry.intersection(outline)
            length = geometry.length()
        for number in sorted(self.index.intersects(geometry.boundingBox())):
            if geometry.intersects(self.obstacles[number]):
                geometry = geometry.difference(self.obstacles[number])
        parts = [
            part
            for part in geometry.constParts()
            if isinstance(part, QgsLineString) and not part.isEmpty()
        ]
        found = [
            [(end.x(), end.y()) for end in (part.startPoint(), part.endPoint())] for part in parts
        ]
        return found, length
