"""The outline of a site, from a layer of polygons."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from qgis.core import QgsExpression, QgsFeature, QgsGeometry

from .. import compat
from ..source import LayerSource


@dataclass(frozen=True, eq=False)
class SiteOutline:
    """One area of any number of parts, for the host and for the science.

    `polygons` holds for each part its outer ring, then its holes, shape ``(k, 2)``.
    """

    geometry: QgsGeometry
    polygons: list[list[np.ndarray]]


def read_outline(task, layer_name: str = "INPUT", where_name: str = "WHERE") -> SiteOutline:
    """The areas of a layer as one; where they overlap, they count once.

    Raises
    ------
    ValueError
        If an area is not valid, the expression cannot be worked out, or there is no area.
    """
    layer: LayerSource = task[layer_name]
    wanted = _condition(task, layer, where_name)
    areas = []
    for number, feature in enumerate(layer.features(), start=1):
        geometry = feature.geometry()
        if not wanted(number, feature) or geometry.isNull() or geometry.isEmpty():
            continue
        geometry.convertToStraightSegment()
        wrong = geometry.validateGeometry()
        if wrong or not geometry.isGeosValid():
            what = wrong[0].what().rstrip(".") if wrong else geometry.lastError()
            raise ValueError(
                f"Feature {number} of layer '{layer.name}' is no valid area ({what}). Correct it, "
                "or run 'Fix geometries' (native:fixgeometries) first."
            )
        areas.append(geometry)
    if not areas:
        asked = f" for which {task[where_name]}" if task[where_name] else ""
        raise ValueError(
            f"Layer '{layer.name}' holds no area{asked}. Draw the outline of the site, or choose "
            "another layer."
        )
    geometry = areas[0] if len(areas) == 1 else QgsGeometry.unaryUnion(areas)
    parts = geometry.asMultiPolygon() if geometry.isMultipart() else [geometry.asPolygon()]
    return SiteOutline(
        geometry,
        [[np.array([(p.x(), p.y()) for p in ring]) for ring in rings if ring] for rings in parts],
    )


def _condition(task, layer: LayerSource, name: str):
    """Whether a feature is wanted, as a function of its number and itself; NULL is no."""
    if not task[name]:
        return lambda number, feature: True
    expression = QgsExpression(task[name])
    context = task.step.createExpressionContext(task.parameters, task.context, layer.source)
    context.setFields(layer.fields)
    expression.prepare(context)

    def wanted(number: int, feature: QgsFeature) -> bool:
        context.setFeature(feature)
        value = expression.evaluate(context)
        if expression.hasEvalError():
            raise ValueError(
                f"'{task.step.parameter(name).label}' cannot be worked out for feature {number} of "
                f"layer '{layer.name}': {expression.evalErrorString().strip().rstrip('.')}."
            )
        return not compat.is_null(value) and bool(value)

    return wanted
