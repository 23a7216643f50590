"""The outline of a site, from a layer of polygons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from qgis.core import QgsGeometry, QgsPoint

from ...algorithms.plan.stakes import Stakes
from ..areas import check_valid, condition, rings, straight_geometry
from ..source import LayerSource

ON_OUTLINE = 0.01
"""Map units beyond the outline within which a place counts as on it: nobody sets out finer."""


@dataclass(frozen=True, eq=False)
class SiteOutline:
    """One area of any number of parts, for the host and for the science.

    `polygons` holds for each part its outer ring, then its holes, shape ``(k, 2)``.
    """

    geometry: QgsGeometry
    polygons: list[list[np.ndarray]]

    def holds(self, stakes: Stakes) -> np.ndarray:
        """Which stakes stand within or on the outline."""
        engine = QgsGeometry.createGeometryEngine(self.geometry.constGet())
        engine.prepareGeometry()
        places = zip(stakes.x.tolist(), stakes.y.tolist())
        return np.array([engine.distance(QgsPoint(x, y)) <= ON_OUTLINE for x, y in places], bool)


def read_outline(task, layer_name: str = "INPUT", where_name: str = "WHERE") -> SiteOutline:
    """The areas of a layer as one; where they overlap, they count once.

    Raises
    ------
    ValueError
        If an area is not valid, the expression cannot be worked out, or there is no area.
    """
    layer: LayerSource = task[layer_name]
    wanted = condition(task, layer, where_name)
    areas = []
    for number, feature in enumerate(layer.features(), start=1):
        geometry = straight_geometry(feature)
        if geometry is None or not wanted(number, feature):
            continue
        check_valid(geometry, number, layer)
        areas.append(geometry)
    if not areas:
        asked = f" for which {task[where_name]}" if task[where_name] else ""
        raise ValueError(
            f"Layer '{layer.name}' holds no area{asked}. Draw the outline of the site, or choose "
            "another layer."
        )
    geometry = areas[0] if len(areas) == 1 else QgsGeometry.unaryUnion(areas)
    return SiteOutline(geometry, rings(geometry))
