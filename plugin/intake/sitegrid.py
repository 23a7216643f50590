"""Parameters that say where data grids lie and how they were walked."""

from __future__ import annotations

from ...algorithms.intake.sitegrid import Origin, SiteGrid
from ..inputs import Layer
from ..parameters import Choice, Number, Point
from ..readings_layer import read_layout

SITE_GRID = (
    Layer(
        "LAYOUT",
        "Data-grid layout",
        "For 'site_grid': a table with a row per data grid and the fields grid, x, y, bearing and, "
        "where the data grids differ in it, length. Empty: one data grid at the corner below.",
        optional=True,
    ),
    Point(
        "ORIGIN",
        "Corner of the data grid",
        "For 'site_grid' without a layout: where the first traverse's side begins, in the "
        "coordinate reference system chosen.",
        optional=True,
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


def site_grid(task) -> SiteGrid:
    """The data grids and how they were walked, from the parameters `SITE_GRID`.

    Raises
    ------
    ValueError
        If neither a layout nor a corner is given.
    """
    if task["LAYOUT"] is not None:
        origins = {
            grid: Origin(x, y, bearing, length)
            for grid, x, y, bearing, length in read_layout(task["LAYOUT"])
        }
    elif task["ORIGIN"] is not None:
        origins = {"": Origin(*task["ORIGIN"], task["BEARING"])}
    else:
        raise ValueError(
            "Placing on a site grid needs the data-grid layout, or the corner of the one data "
            "grid. Give one of them."
        )
    return task.options(SiteGrid, origins=origins)
