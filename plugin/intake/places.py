"""Places on the earth: longitude and latitude to the map, and whether a map is made for a place."""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsCoordinateTransform,
    QgsCsException,
    QgsGeometry,
)

from ...algorithms.intake.sitegrid import Placed
from ...algorithms.progress import Progress, advance
from ..source import BATCH

DEGREES = QgsCoordinateReferenceSystem("EPSG:4326")
MARGIN = 1.0
"""Degrees beyond a system's area of use that are let pass."""


def to_map(
    lon, lat, task, progress: Progress, called: Callable[[int], str] | None = None
) -> tuple[np.ndarray, np.ndarray]:
    """Longitude and latitude (WGS 84, degrees) in the task's coordinate reference system.

    `called` names a place by its number from 0, as the first words of a sentence; left out, it
    is a reading.

    Raises
    ------
    ValueError
        If a place is no place on earth, or has none in that system.
    """
    crs, name = task["CRS"], called or (lambda number: f"Reading {number + 1}")
    beyond = np.flatnonzero((np.abs(lon) > 180) | (np.abs(lat) > 90))
    if len(beyond):
        raise ValueError(
            f"{name(int(beyond[0]))} lies at longitude {lon[beyond[0]]:g}, latitude "
            f"{lat[beyond[0]]:g}, which is nowhere. Are the columns swapped, or the coordinates "
            "projected?"
        )
    transform = QgsCoordinateTransform(DEGREES, crs, task.context.transformContext())
    x, y = np.full(len(lon), np.nan), np.full(len(lon), np.nan)
    known = np.flatnonzero(np.isfinite(lon) & np.isfinite(lat))
    for start in range(0, len(known), BATCH):
        advance(progress, start / len(known))
        rows = known[start : start + BATCH]
        places = np.column_stack([lon[rows], lat[rows]])
        moved = _transformed(places, transform)
        if moved is None:
            # Which of them has no place is told one by one.
            for row, place in zip(rows.tolist(), places):
                if _transformed(place[np.newaxis], transform) is None:
                    raise ValueError(
                        f"{name(row)} at longitude {place[0]:g}, latitude {place[1]:g} has "
                        f"no place in {crs.authid()}. Choose a coordinate reference system for "
                        "the site."
                    )
            raise ValueError(f"The places cannot be brought to {crs.authid()}. Choose another.")
        x[rows], y[rows] = moved.T
    return x, y


_LINE_HEAD = struct.Struct("<BII")
"""Of a line in well-known binary: byte order, kind, number of points."""
_LINE = 2


def _transformed(places: np.ndarray, transform: QgsCoordinateTransform) -> np.ndarray | None:
    """Places ``(n, 2)`` in another system, all at once as a line; None if one has no place there.

    Raises
    ------
    RuntimeError
        If the host gives back anything but a line of as many points.
    """
    # A line of one point is none: the first goes in twice.
    points = np.concatenate([places[:1], places])
    line = QgsGeometry()
    line.fromWkb(_LINE_HEAD.pack(1, _LINE, len(points)) + points.astype("<f8").tobytes())
    try:
        line.transform(transform)
    except QgsCsException:
        return None
    blob = bytes(line.asWkb())
    if _LINE_HEAD.unpack_from(blob) != (1, _LINE, len(points)):
        raise RuntimeError("The host changed the number of points it transformed.")
    moved = np.frombuffer(blob, "<f8", offset=_LINE_HEAD.size).reshape(-1, 2)[1:]
    return moved if np.isfinite(moved).all() else None


def how_brought(task) -> Mapping[str, object]:
    """What the host does to bring longitude and latitude to the task's system, and how well."""
    transform = QgsCoordinateTransform(DEGREES, task["CRS"], task.context.transformContext())
    details = transform.instantiatedCoordinateOperationDetails()
    told: dict[str, object] = {"brought to the map by": details.name} if details.name else {}
    if details.accuracy >= 0:
        told["accuracy of that in metres"] = details.accuracy
    return told


def accuracy_told(task) -> str | None:
    """One sentence on how well positions come to the map as a whole; None where it is unknown."""
    accuracy = how_brought(task).get("accuracy of that in metres")
    if not accuracy:
        return None
    return (
        f"WGS 84 comes to {task['CRS'].authid()} to within some {accuracy:g} m: the survey as a "
        "whole may be off by that, its readings against each other are not."
    )


def warn_out_of_place(placed: Placed, task) -> None:
    """Warn where readings lie outside the area that their system is made for."""
    astray = out_of_place(placed.x, placed.y, task)
    if astray:
        task.warn(astray)


def out_of_place(x: np.ndarray, y: np.ndarray, task) -> str | None:
    """One sentence where readings lie outside the area that their system is made for, else None."""
    crs, known = task["CRS"], np.isfinite(x) & np.isfinite(y)
    bounds = crs.bounds()
    if not known.any() or bounds.isEmpty():
        return None
    middle = np.array([[np.median(x[known]), np.median(y[known])]])
    context = task.context.transformContext()
    there = _transformed(middle, QgsCoordinateTransform(crs, DEGREES, context))
    where = "nowhere on earth"
    if there is not None:
        lon, lat = there[0].tolist()
        # An area over the date line is told with its west beyond its east.
        west, east = bounds.xMinimum() - MARGIN, bounds.xMaximum() + MARGIN
        across = west <= lon <= east if west < east else lon >= west or lon <= east
        if across and bounds.yMinimum() - MARGIN <= lat <= bounds.yMaximum() + MARGIN:
            return None
        where = f"at longitude {lon:.3f}, latitude {lat:.3f}"
    return (
        f"The middle of the readings, {middle[0, 0]:,.0f} east and {middle[0, 1]:,.0f} north, lies "
        f"{where}, outside the area that {crs.authid()} is made for. Check the coordinate "
        "reference system, and whether easting and northing are exchanged."
    )
