"""Lengths left at their defaults where the map unit is no metre."""

from __future__ import annotations

from qgis.core import QgsCoordinateReferenceSystem

from ...algorithms.words import in_unit
from ..units import map_unit, metre


def metric_defaults(task, crs: QgsCoordinateReferenceSystem, *names: str) -> list[str]:
    """What to be warned of, if any of the named lengths is at its default, chosen for metres."""
    one = metre(crs)
    records = [task.step.parameter(name) for name in names]
    left = [record for record in records if task[record.name] == record.default]
    if abs(one - 1) < 1e-6 or not left:
        return []
    unit = map_unit(crs)
    told = ", ".join(f"'{record.label}' is {in_unit(record.default, unit)}" for record in left)
    wanted = ", ".join(
        f"{record.default * one:.5g} for {in_unit(record.default, 'm')}" for record in left
    )
    return [f"The map unit here is {unit}: {told}. Give {wanted}, if metres were meant."]
