"""Parameters that say where data grids lie and how they were walked."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np
from qgis.core import QgsWkbTypes

from ...algorithms.correct.flagreadings import within
from ...algorithms.intake.sitegrid import Origin, Placed, SiteGrid
from ...algorithms.words import SHOWN, plural
from ..areas import rings, straight_geometry
from ..inputs import Layer
from ..parameters import Choice, Number, Parameter, Point
from ..readings_layer import read_layout

EDGE = 0.01
"""How far from an edge a reading counts as on it, map units: coordinates are written rounded."""

SITE_GRID = (
    Layer(
        "LAYOUT",
        "Data-grid layout",
        "For 'site_grid': a table or layer with a row per data grid and the fields grid, x, y, "
        "bearing and, where known, length and width. Empty: one data grid at the corner below.",
        optional=True,
    ),
    Point(
        "ORIGIN",
        "Corner of the data grid",
        "For 'site_grid' without a layout: where the first traverse's side begins, in the "
        "coordinate reference system chosen.",
        optional=True,
        crs_of="CRS",
    ),
    Number(
        "BEARING",
        "Bearing of the first traverse",
        "For 'site_grid' without a layout.",
        default=0.0,
        minimum=-360,
        maximum=360,
        unit="degrees clockwise from grid north",
    ),
    Number(
        "SEPARATION",
        "Traverse separation",
        "For 'site_grid'.",
        default=1.0,
        minimum=1e-6,
        unit="map units",
    ),
    Number(
        "INTERVAL",
        "Reading interval",
        "For 'site_grid' without a position column.",
        default=0.25,
        minimum=1e-6,
        unit="map units",
    ),
    Number(
        "LENGTH",
        "Length of the traverses",
        "For 'site_grid': from one side of the data grid to the other, where the layout does not "
        "say.",
        default=20.0,
        minimum=1e-6,
        unit="map units",
    ),
    Choice(
        "WALKING",
        "Walking",
        "'zigzag': every second traverse was walked back; 'one_way': all in one direction.",
        default="zigzag",
        options=("zigzag", "one_way"),
    ),
    Choice(
        "ALONG_FROM",
        "Positions are measured from",
        "'walk': where the walker started each traverse; 'baseline': the side of the data grid "
        "where the first traverse began.",
        default="walk",
        options=("walk", "baseline"),
        advanced=True,
    ),
    Choice(
        "SIDE",
        "Further traverses lie to the",
        "Seen along the first traverse.",
        default="right",
        options=("right", "left"),
        advanced=True,
    ),
    Number(
        "FIRST_LINE",
        "Number of the first traverse",
        "The one nearest to the corner.",
        default=1,
        whole=True,
        advanced=True,
    ),
    Number(
        "FIRST_OFFSET",
        "First traverse from the side",
        "Empty: half the traverse separation.",
        optional=True,
        unit="map units",
        advanced=True,
    ),
    Number(
        "FIRST_POSITION",
        "First reading from the start",
        "Empty: half the reading interval.",
        optional=True,
        unit="map units",
        advanced=True,
    ),
)

ALONE = {
    "LAYOUT": "A table or layer with a row per data grid and the fields grid, x, y, bearing and, "
    "where known, length and width. Empty: one data grid at the corner below.",
    "ORIGIN": "Without a layout: where the first traverse's side begins, in the coordinate "
    "reference system chosen.",
    "BEARING": "Without a layout.",
    "SEPARATION": "From one traverse to the next.",
}
"""Help of some of these for steps that place on a site grid and nowhere else."""


def site_grid_record(name: str, **changes) -> Parameter:
    """One of `SITE_GRID`, with what another step says of it in its own words."""
    return replace(next(record for record in SITE_GRID if record.name == name), **changes)


def site_grid(task) -> SiteGrid:
    """The data grids and how they were walked, from the parameters `SITE_GRID`.

    Raises
    ------
    ValueError
        If neither a layout nor a corner is given, or the layout is in another system.
    """
    layout = task["LAYOUT"]
    if layout is not None:
        if layout.crs.isValid() and layout.crs != task["CRS"]:
            raise ValueError(
                f"The layout '{layout.name}' is in {layout.crs.authid()}, and "
                f"{task['CRS'].authid()} is chosen for the readings: its fields x and y would mean "
                "other places. Choose the layout's system."
            )
        origins = read_layout(layout)
    elif task["ORIGIN"] is not None:
        origins = {"": Origin(*task["ORIGIN"], task["BEARING"])}
    else:
        raise ValueError(
            "Placing on a site grid needs the data-grid layout, or the corner of the one data "
            "grid. Give one of them."
        )
    return task.options(SiteGrid, origins=origins)


def tell_unwalked(task, site: SiteGrid, walked: Collection[str]) -> None:
    """Say which data grids of the layout have no reading."""
    empty = [grid for grid in site.origins if grid not in walked]
    if task["LAYOUT"] is not None and empty:
        names = ", ".join(empty[:SHOWN]) + (", ..." if len(empty) > SHOWN else "")
        task.say(f"No reading is of {plural(len(empty), 'data grid')} of the layout: {names}.")


def tell_outside(task, placed: Placed) -> None:
    """Warn of readings outside the polygons of the layout, where it has any."""
    layout = task["LAYOUT"]
    polygon = QgsWkbTypes.GeometryType.PolygonGeometry
    if layout is None or QgsWkbTypes.geometryType(layout.source.wkbType()) != polygon:
        return
    shapes = [straight_geometry(feature) for feature in layout.features()]
    # Readings on an edge are inside.
    drawn = [ring for shape in shapes if shape is not None for ring in rings(shape.buffer(EDGE, 2))]
    known = np.isfinite(placed.x)
    outside = int(np.count_nonzero(~within(placed.x[known], placed.y[known], drawn)))
    if outside:
        task.warn(
            f"{plural(outside, 'reading lies', 'readings lie')} outside the polygons of the layout "
            f"'{layout.name}'. Check the walking, the traverse separation, the first traverse and "
            "the reading numbers."
        )
