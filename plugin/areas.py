"""Areas drawn in a layer, and features picked by an expression."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from qgis.core import (
    Qgis,
    QgsCoordinateTransform,
    QgsCsException,
    QgsExpression,
    QgsFeature,
    QgsGeometry,
)

from . import compat
from .source import LayerSource


def straight_geometry(feature: QgsFeature) -> QgsGeometry | None:
    """A feature's geometry, its curves as straight segments; None where it has none."""
    geometry = feature.geometry()
    if geometry.isNull() or geometry.isEmpty():
        return None
    geometry.convertToStraightSegment()
    return geometry


def geometries_in(layer: LayerSource, crs, task) -> Iterator[QgsGeometry]:
    """The geometries of a layer in another coordinate reference system, curves as segments.

    Raises
    ------
    ValueError
        If one has no place there.
    """
    transform = QgsCoordinateTransform(layer.crs, crs, task.context.transformContext())
    for number, feature in enumerate(layer.features(), start=1):
        geometry = straight_geometry(feature)
        if geometry is None:
            continue
        try:
            geometry.transform(transform)
        except QgsCsException as wrong:
            raise ValueError(
                f"Feature {number} of layer '{layer.name}' cannot be brought to {crs.authid()}"
                f" ({wrong}). Check the layer's coordinate reference system."
            ) from wrong
        yield geometry


def check_valid(geometry: QgsGeometry, number: int, layer: LayerSource) -> None:
    """Refuse what crosses itself, say, by the number of its feature.

    Raises
    ------
    ValueError
        If the geometry is not valid.
    """
    for wrong in geometry.validateGeometry(Qgis.GeometryValidationEngine.Geos):
        place = wrong.where()
        where = f" at {place.x():.2f} {place.y():.2f}" if wrong.hasWhere() else ""
        raise ValueError(
            f"Feature {number} of layer '{layer.name}' is not valid: {wrong.what().lower()}"
            f"{where}. Correct it, or run 'Fix geometries' (native:fixgeometries) first."
        )


def rings(geometry: QgsGeometry) -> list[list[np.ndarray]]:
    """For each polygon of a geometry its outer ring, then its holes, shape ``(k, 2)``."""
    parts = geometry.asMultiPolygon() if geometry.isMultipart() else [geometry.asPolygon()]
    return [[np.array([(p.x(), p.y()) for p in ring]) for ring in part if ring] for part in parts]


def condition(task, layer: LayerSource, name: str) -> Callable[[int, QgsFeature], bool]:
    """Whether an expression is true for a feature, by its number and itself; NULL is not true.

    `name` is the parameter that holds the expression; without one, it is true for all.

    Raises
    ------
    ValueError
        By what is given back, if the expression cannot be worked out for a feature.
    """
    if not task[name]:
        return lambda number, feature: True
    expression = QgsExpression(task[name])
    context = task.step.createExpressionContext(task.parameters, task.context, layer.source)
    context.setFields(layer.fields)
    expression.prepare(context)

    def holds(number: int, feature: QgsFeature) -> bool:
        context.setFeature(feature)
        value = expression.evaluate(context)
        if expression.hasEvalError():
            raise ValueError(
                f"'{task.step.parameter(name).label}' cannot be worked out for feature {number} of "
                f"layer '{layer.name}': {expression.evalErrorString().strip().rstrip('.')}."
            )
        return not compat.is_null(value) and bool(value)

    return holds
