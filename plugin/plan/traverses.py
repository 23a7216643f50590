"""Traverses and the frames of their areas as layers."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY

from ...algorithms.plan.fewest_turns import Area
from ...algorithms.plan.planlines import TraversePlan
from .. import compat
from .cutting import rectangle

DATA_GRID = ("grid", "x", "y", "bearing", "length", "width")
"""Fields that make a layer of areas one of data grids."""


def traverse_fields(unit: str) -> QgsFields:
    """Fields of the layer of traverses."""
    fields = QgsFields()
    for name, kind, alias in (
        ("grid", "text", ""),
        ("line", "integer", ""),
        ("piece", "integer", ""),
        ("walk_order", "integer", "order of walking"),
        ("bearing", "real", "bearing [degrees]"),
        ("length", "real", f"length [{unit}]"),
        ("along", "real", f"start of the piece along the traverse [{unit}]"),
        ("start_x", "real", ""),
        ("start_y", "real", ""),
        ("end_x", "real", ""),
        ("end_y", "real", ""),
        ("readings", "integer", "readings expected"),
        ("first_no", "integer", "number of the first reading"),
        ("minutes", "real", "begins after [min]"),
        ("stop_for", "text", "before it, stop for"),
    ):
        fields.append(compat.field(name, kind, alias))
    return fields


def traverse_features(
    found: TraversePlan, fields: QgsFields, numbered: bool
) -> Iterator[QgsFeature]:
    """A line a piece, as walked; `numbered` where a reading's number tells its place."""
    lines, pieces, effort = found.traverses, found.pieces, found.effort
    rows = pieces.traverse
    length = pieces.end - pieces.start
    columns = zip(
        lines.area[rows].tolist(), lines.line[rows].tolist(), pieces.number.tolist(),
        lines.bearing[rows].tolist(), length.tolist(), pieces.start.tolist(),
        pieces.ends.tolist(), pieces.readings.tolist(), pieces.first_reading.tolist(),
        effort.minutes.round(2).tolist(), effort.stops,
    )  # fmt: skip
    for order, row in enumerate(columns, start=1):
        area, line, piece, bearing, size, along, (start, end), count, first, minutes, stops = row
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPolylineXY([QgsPointXY(*start), QgsPointXY(*end)]))
        feature.setAttributes(
            [
                lines.names[area], line, piece, order, bearing, size, along, *start, *end, count,
                first if numbered else None, minutes, stops,
            ]
        )  # fmt: skip
        yield feature


def frame_fields() -> QgsFields:
    """Fields of data grids."""
    fields = QgsFields()
    for name in DATA_GRID:
        fields.append(compat.field(name, "text" if name == "grid" else "real"))
    return fields


def frames(areas: Sequence[Area], side: str) -> Iterator[QgsFeature]:
    """A rectangle an area, as a data grid."""
    fields = frame_fields()
    for area in areas:
        feature = QgsFeature(fields)
        feature.setGeometry(rectangle(area, side))
        feature.setAttributes([getattr(area, "name" if n == "grid" else n) for n in DATA_GRID])
        yield feature
