"""What distances on the map are on the ground, measured by the host on the ellipsoid."""

from __future__ import annotations

from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsDistanceArea,
    QgsPointXY,
    QgsProcessingContext,
    QgsUnitTypes,
)

from ...algorithms.plan.plangrids import Plan
from ...algorithms.plan.stakes import GroundScale, ground_scale, scale_lines
from ..units import metre

METRES = QgsUnitTypes.DistanceUnit.DistanceMeters


def measured_scale(
    plan: Plan, crs: QgsCoordinateReferenceSystem, height: float, context: QgsProcessingContext
) -> GroundScale | None:
    """Factors from map to ground in the middle of a plan; None where the ellipsoid is not known.

    `height` is above the ellipsoid, metres.
    """
    measure = QgsDistanceArea()
    measure.setSourceCrs(crs, context.transformContext())
    if not crs.ellipsoidAcronym() or not measure.setEllipsoid(crs.ellipsoidAcronym()):
        return None
    lines, length = scale_lines(plan)
    metres = [
        measure.convertLengthMeasurement(
            measure.measureLine(QgsPointXY(*start), QgsPointXY(*end)), METRES
        )
        for start, end in lines.tolist()
    ]
    return ground_scale([distance * metre(crs) for distance in metres], length, height)
