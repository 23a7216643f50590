"""Map units: what they are called, and how many make a metre."""

from __future__ import annotations

from osgeo import osr
from qgis.core import QgsCoordinateReferenceSystem, QgsUnitTypes

osr.UseExceptions()


def map_unit(crs: QgsCoordinateReferenceSystem) -> str:
    """What the map unit is called in messages."""
    return QgsUnitTypes.toAbbreviatedString(crs.mapUnits()) or "map units"


def length_or(given: float | None, metres: float, crs: QgsCoordinateReferenceSystem) -> float:
    """A length as given, in map units; where none is, one of so many metres."""
    return metres * metre(crs) if given is None else given


def metre(crs: QgsCoordinateReferenceSystem) -> float:
    """One metre in map units, to the last digit."""
    # Not by the host's units: before 3.40 it knows but one of the two feet.
    return float(1.0 / osr.SpatialReference(crs.toWkt()).GetLinearUnits())
