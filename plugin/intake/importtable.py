"""The step "Bring in readings from a text table"."""

from __future__ import annotations

from ...algorithms.intake.importtable import read_table
from ...algorithms.intake.sitegrid import (
    Placed,
    along_track,
    left_for_later,
    place_on_site_grid,
)
from ...algorithms.intake.table import Table
from ...algorithms.intake.walk.heading import WINDOW
from ..inputs import Files
from ..parameters import Choice, Toggle
from ..units import metre
from .intake_step import BROUGHT_IN, CRS, IntakeStep
from .places import to_map
from .sitegrid import SITE_GRID, site_grid, tell_outside, tell_unwalked
from .table import COLUMNS, FORMAT, roles, table_format

PLACEMENTS = ("site_grid", "projected", "geographic", "later")


class ImportTable(IntakeStep):
    """Text tables to a readings layer."""

    identifier = "importtable"
    title = "Bring in readings from a text table"
    summary = (
        "Reads delimited text as loggers and spreadsheets write it, one file or several, and puts "
        "each reading on the map."
    )
    advice = (
        "Readings are placed in one of four ways. 'site_grid': by traverse number and reading "
        "number (or position along) on data grids with a known corner and bearing. 'projected': by "
        "easting and northing in the coordinate reference system chosen. 'geographic': by "
        "longitude and latitude in degrees (WGS 84), brought to the system chosen. 'later': not "
        "yet, for a step that places readings afterwards, as between distance marks.",
        "Nothing is written unless every row can be read. The first value that cannot is named "
        "with its file, row and column; 'null' takes such values as no reading and says how many.",
    )
    words = ("import", "CSV", "TXT", "logger", "load", "open", "delimited", "XYZ", "data")
    parameters = (
        Files(
            "FILES", "Files", "Tables with the same columns; their order is the order of walking."
        ),
        Choice(
            "PLACEMENT",
            "Place readings by",
            "See above.",
            default="site_grid",
            options=PLACEMENTS,
        ),
        CRS,
        *COLUMNS,
        *SITE_GRID,
        Toggle(
            "GRID_FROM_FILE",
            "Name data grids by their files",
            "Where each file is a data grid and no column says so: its name without the ending.",
            advanced=True,
        ),
        *FORMAT,
        BROUGHT_IN,
    )

    def work(self, task):
        table = read_table(task["FILES"], table_format(task), roles(task), task.part(0, 0.5))
        if task["GRID_FROM_FILE"]:
            table = table.with_grids_from_files()
        placed = self.place(table, task)
        placement = task["PLACEMENT"]
        return self.bring_in(
            task,
            table,
            placed,
            later=placement == "later",
            geographic=placement == "geographic",
        )

    def place(self, table: Table, task) -> Placed:
        """Put every reading on the map."""
        if task["PLACEMENT"] == "later":
            return left_for_later(table.grid, table.line, table.sequence, table.along)
        if task["PLACEMENT"] == "site_grid":
            if table.line is None:
                raise ValueError("Placing on a site grid needs the traverse column. Name it.")
            site = site_grid(task)
            placed = place_on_site_grid(
                table.grid, table.grid_names, table.line, table.sequence, table.along, site
            )
            tell_unwalked(task, site, table.grid_names)
            tell_outside(task, placed)
            return placed
        if table.x is None or table.y is None:
            raise ValueError(
                "Placing by coordinates needs two columns: easting and northing, or longitude and "
                "latitude. Name them."
            )
        x, y = table.x, table.y
        if task["PLACEMENT"] == "geographic":
            x, y = to_map(x, y, task, task.part(0.5, 0.7))
        window = WINDOW * metre(task["CRS"])
        return along_track(x, y, table.grid, table.line, table.sequence, window)
