"""Stakes and tape distances as layers, and stakes as text for the instrument."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import NamedTuple

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsFeature,
    QgsFields,
    QgsGeometry,
    QgsPointXY,
    QgsProcessingContext,
)

from ...algorithms.plan.stakes import Checks, Stakes
from ...algorithms.progress import Progress, advance
from .. import compat
from ..intake.places import DEGREES
from ..source import BATCH


class Stake(NamedTuple):
    """What is written of a stake; longitude and latitude None where they are not known."""

    number: int
    x: float
    y: float
    serves: str
    inside: int
    lon: float | None
    lat: float | None


def described(
    stakes: Stakes,
    inside: np.ndarray,
    crs: QgsCoordinateReferenceSystem,
    context: QgsProcessingContext,
) -> list[Stake]:
    """What is written of each stake. Degrees are WGS 84, to the eighth decimal (1 mm)."""
    degrees = QgsCoordinateTransform(crs, DEGREES, context.transformContext())
    rows = zip(stakes.x.tolist(), stakes.y.tolist(), stakes.serves, inside.tolist())
    return [
        Stake(number, x, y, serves, int(within), *_degrees(x, y, degrees))
        for number, (x, y, serves, within) in enumerate(rows, start=1)
    ]


def _degrees(
    x: float, y: float, transform: QgsCoordinateTransform
) -> tuple[float | None, float | None]:
    if not transform.isValid():
        return None, None
    try:
        place = transform.transform(QgsPointXY(x, y))
    except QgsCsException:
        return None, None
    if not np.isfinite([place.x(), place.y()]).all():
        return None, None
    return round(place.x(), 8), round(place.y(), 8)


def stake_fields() -> QgsFields:
    """Fields of the layer of stakes."""
    fields = QgsFields()
    for name, kind, alias in (
        ("stake", "integer", ""),
        ("x", "real", ""),
        ("y", "real", ""),
        ("serves", "text", ""),
        ("inside", "integer", "within or on the outline"),
        ("lon", "real", "longitude, WGS 84 [°]"),
        ("lat", "real", "latitude, WGS 84 [°]"),
    ):
        fields.append(compat.field(name, kind, alias))
    return fields


def stake_features(stakes: Sequence[Stake], fields: QgsFields) -> Iterator[QgsFeature]:
    """A point a stake."""
    for stake in stakes:
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(stake.x, stake.y)))
        feature.setAttributes(list(stake._replace(x=round(stake.x, 4), y=round(stake.y, 4))))
        yield feature


def write_stakes(stakes: Sequence[Stake], path: Path) -> None:
    """Write stakes as text, to the millimetre (RFC 4180).

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(
                ["number", "easting", "northing", "what", "inside", "longitude", "latitude"]
            )
            for number, x, y, serves, inside, *degrees in stakes:
                # No comma inside a cell: instruments read them as plainly as they can.
                what = serves.replace(", ", "; ")
                cells = ["" if value is None else f"{value:.8f}" for value in degrees]
                writer.writerow([number, f"{x:.3f}", f"{y:.3f}", what, inside, *cells])
    except OSError as wrong:
        raise ValueError(f"The stakes cannot be written to '{path}' ({wrong}).") from wrong


def check_fields(unit: str) -> QgsFields:
    """Fields of the layer of tape distances."""
    fields = QgsFields()
    for name, kind, alias in (
        ("check", "integer", ""),
        ("what", "text", ""),
        ("grids", "text", ""),
        ("from", "integer", ""),
        ("to", "integer", ""),
        ("expected", "real", f"expected [{unit}]"),
        ("ground", "real", f"ground [{unit}]"),
    ):
        fields.append(compat.field(name, kind, alias))
    return fields


def check_features(
    checks: Checks, stakes: Sequence[Stake], on_ground: bool, fields: QgsFields, progress: Progress
) -> Iterator[QgsFeature]:
    """A line a tape distance; no ground distance where the scale is not known."""
    places = [QgsPointXY(stake.x, stake.y) for stake in stakes]
    rows = zip(
        checks.what, checks.grids, checks.start.tolist(), checks.end.tolist(),
        checks.expected.round(3).tolist(), checks.ground.round(3).tolist(),
    )  # fmt: skip
    for number, (what, grids, start, end, expected, ground) in enumerate(rows, start=1):
        if number % BATCH == 0:
            advance(progress, number / len(checks))
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPolylineXY([places[start - 1], places[end - 1]]))
        feature.setAttributes(
            [number, what, grids, start, end, expected, ground if on_ground else None]
        )
        yield feature
