"""Areas to survey and to avoid as the host's geometries, and traverses cut by them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from qgis.core import QgsFeature, QgsGeometry, QgsLineString, QgsPointXY, QgsSpatialIndex

from ...algorithms.plan.fewest_turns import Area
from ...algorithms.plan.pieces import Kept, Traverses
from ...algorithms.progress import Progress, advance
from ..areas import check_valid, straight_geometry
from ..source import LayerSource

DRAWN = 0.01
"""Map units an outline is drawn to: one that fills its rectangle to these is the rectangle."""

ROUNDED = 1e-4
"""Map units an outline is grown by, so that a traverse on its very edge lies inside: corners are
written to the fourth decimal."""

OUTSIDE = 0.01
"""More of an outline than this share outside its rectangle: they do not belong together."""

QUARTER = 16
"""Segments of a quarter circle round what is grown."""

EVERY = 200


def whole_geometry(feature: QgsFeature, number: int, layer: LayerSource) -> QgsGeometry:
    """A feature's geometry, its curves as straight segments.

    Raises
    ------
    ValueError
        If there is none or it is not valid.
    """
    geometry = straight_geometry(feature)
    if geometry is None:
        raise ValueError(
            f"Feature {number} of layer '{layer.name}' has no geometry. Draw it, or remove the "
            "feature."
        )
    check_valid(geometry, number, layer)
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
    inside = frame.buffer(DRAWN, QUARTER).intersection(outline).area()
    if inside < (1 - OUTSIDE) * outline.area():
        raise ValueError(
            f"The fields x, y, bearing, length and width of data grid '{area.name}' do not fit its "
            f"outline, with further traverses to the {side}. Correct them, or choose the other "
            "side; without these fields the layer is planned as outlines."
        )
    return None if outline.buffer(DRAWN, QUARTER).contains(frame) else outline


def avoided(
    layers: Sequence[LayerSource], clearance: float, progress: Progress
) -> list[QgsGeometry]:
    """The areas of layers to avoid, with their clearance, that do not overlap each other.

    Raises
    ------
    ValueError
        If lines or points have no clearance.
    """
    grown: list[QgsGeometry] = []
    total = max(sum(layer.source.featureCount() for layer in layers), 1)
    every = ((layer, *one) for layer in layers for one in enumerate(layer.features(), start=1))
    for layer, number, feature in every:
        if len(grown) % EVERY == EVERY - 1:
            advance(progress, min(len(grown) / total, 1.0))
        geometry = whole_geometry(feature, number, layer)
        if not geometry.area() > 0 and not clearance > 0:
            raise ValueError(
                f"Feature {number} of layer '{layer.name}' is a line or point, which takes no "
                "ground by itself. Give a clearance above 0."
            )
        grown.append(geometry.buffer(clearance, QUARTER) if clearance > 0 else geometry)
    return QgsGeometry.unaryUnion(grown).asGeometryCollection() if grown else []


class Cutter:
    """Cuts traverses at the outlines of their areas, at the site and at areas to avoid: a `Cut`.

    Parameters
    ----------
    outlines
        One an area, None for no cutting.
    obstacles
        Areas to avoid.
    within
        The ground to walk within, None for all.
    """

    def __init__(
        self,
        outlines: Sequence[QgsGeometry | None],
        obstacles: Sequence[QgsGeometry],
        within: QgsGeometry | None = None,
    ):
        self.outlines = [one and one.buffer(ROUNDED, QUARTER) for one in outlines]
        self.obstacles = obstacles
        self.within = within and within.buffer(ROUNDED, QUARTER)
        self.index = QgsSpatialIndex()
        for number, obstacle in enumerate(obstacles):
            feature = QgsFeature(number)
            feature.setGeometry(obstacle)
            self.index.addFeature(feature)

    def __call__(self, traverses: Traverses, progress: Progress) -> Kept:
        """See `pieces.Cut`."""
        rows: list[int] = []
        ends: list[list[tuple[float, float]]] = []
        inside, beyond = np.zeros(len(traverses.line)), np.zeros(len(traverses.line))
        whole = traverses.ends.tolist()
        for row, (area, line) in enumerate(zip(traverses.area.tolist(), whole)):
            if row % EVERY == 0:
                advance(progress, row / len(whole))
            found, inside[row], beyond[row] = self._pieces(line, self.outlines[area])
            rows += [row] * len(found)
            ends += found
        return Kept(
            np.array(rows, dtype=np.int64), np.array(ends).reshape(-1, 2, 2), inside,
            None if self.within is None else beyond,
        )  # fmt: skip

    def _pieces(self, line: list, outline: QgsGeometry | None) -> tuple[list, float, float]:
        """Ends of what is left of a line, its length to walk and its length beyond the site."""
        geometry = QgsGeometry.fromPolylineXY([QgsPointXY(*end) for end in line])
        if outline is not None:
            geometry = geometry.intersection(outline)
        whole = length = geometry.length()
        if self.within is not None:
            geometry = geometry.intersection(self.within)
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
        return found, length, whole - length
