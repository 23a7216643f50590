"""The step "Bring in readings from data-grid files"."""

from __future__ import annotations

from dataclasses import replace

from ...algorithms.intake.data_grids.startcorner import AS_LAID_OUT, START_CORNERS, START_DIRECTIONS
from ...algorithms.intake.importdatagrids import (
    KINDS,
    MISSING_FILES,
    ORDERS,
    TRAVERSES_IN,
    GridFileOptions,
    read_data_grids,
)
from ...algorithms.intake.sitegrid import place_on_site_grid
from ..inputs import Files
from ..parameters import Choice, Number, Text
from .intake_step import BROUGHT_IN, CRS, IntakeStep
from .sitegrid import ALONE, SITE_GRID, site_grid, tell_outside
from .table import FORMAT, table_format

_HELP = {
    **ALONE,
    "INTERVAL": "From one reading to the next along the traverse.",
    "LENGTH": "From one side of the data grid to the other along its bearing, where the layout "
    "does not say.",
    "SIDE": "The hand on which the data grid lies, looking from the layout's corner along its "
    "bearing.",
    "HEADER": "It is passed over in a matrix; in a list of several channels it names the columns.",
    "COMMENT": "Rows that begin with it are passed over.",
    "NULL_VALUES": "Cells that mean no reading, such as -9999, besides NA, NaN, NULL, * "
    "and -; separated by blanks.",
}


def _ours(record):
    """A shared record in this step's words."""
    changed = {"help": _HELP[record.name]} if record.name in _HELP else {}
    if record.name == "HEADER":
        changed.update(label="First row holds titles", default=False)
    if record.name == "NULL_VALUES":
        changed.update(label="Missing-value codes", advanced=False)
    return replace(record, **changed)


class ImportDataGrids(IntakeStep):
    """A file a data grid, or a file a data grid and channel, to a readings layer."""

    identifier = "importdatagrids"
    title = "Bring in readings from data-grid files"
    summary = (
        "Reads files that hold nothing but the values of a data grid, as a matrix or a list, and "
        "puts each reading on the map by its place in the file."
    )
    advice = (
        "'matrix': each row (or column) of the file is a traverse. 'list': a row of the file is a "
        "reading, traverse after traverse in the order of walking; several columns are several "
        "channels. Several channels may also come in a file each: say in the pattern where data "
        "grid and channel stand in the names, such as quillmere_{grid}_{channel}.txt.",
        "Such files do not tell where they begin. Look at the map when it is done: if a zigzag "
        "survey shows every second traverse mirrored, or features break at the edges of data "
        "grids, the order of the cells or the start corner is another.",
        "A missing-value code is a reading without a value, and so is a blank cell between two "
        "others. Blank cells at the ends of a traverse and rows that are not there were not "
        "walked: they make no reading, and are reported.",
    )
    words = (
        "import", "matrix", "list", "grid file", "missing value", "no data", "zigzag",
        "parallel", "logger", "load", "TXT", "CSV",
    )  # fmt: skip
    parameters = (
        Files("FILES", "Files", "Their order is the order in which the data grids were walked."),
        Text(
            "PATTERN",
            "File names",
            "The names with {grid} and {channel} in their places and * for what may differ: "
            "quillmere_{grid}_{channel}.txt. Case does not count, and without a full stop the "
            "endings do not either. Empty: each file is a data grid called by its name.",
            default="",
            optional=True,
        ),
        Text(
            "CHANNELS",
            "Channels",
            "Channels with their units, 'ec_050 [mS/m], ip_050 [ppt]'. Empty: those of the file "
            "names, without units, or of a list's titles. A list without titles holds them in this "
            "order.",
            default="",
            optional=True,
        ),
        CRS,
        Choice(
            "KIND",
            "Files hold",
            "'matrix': a row a traverse; 'list': a row a reading.",
            default="matrix",
            options=KINDS,
        ),
        Choice(
            "ORDER",
            "Order of the cells",
            "'walked': as they were walked, each traverse beginning with the reading taken first. "
            "A corner: as on the map, all traverses from the same side, the first cell in that "
            "corner of the data grid, seen with the layout's bearing pointing up.",
            default="walked",
            options=ORDERS,
        ),
        Choice(
            "TRAVERSES_IN",
            "Traverses stand in",
            "Of a matrix: each row is a traverse, or each column.",
            default="rows",
            options=TRAVERSES_IN,
        ),
        *(_ours(record) for record in SITE_GRID if record.name != "ALONG_FROM"),
        Number(
            "WIDTH",
            "Width of the data grids",
            "Across the bearing, where the layout does not say: tells how many traverses there "
            "should be. Empty: as many as there are.",
            optional=True,
            minimum=1e-6,
            unit="map units",
        ),
        Choice(
            "START_CORNER",
            "First traverse begins in",
            "The corner of the data grid, seen with the layout's bearing pointing up. "
            "'as_laid_out': the layout's own corner.",
            default=AS_LAID_OUT,
            options=START_CORNERS,
        ),
        Choice(
            "START_DIRECTION",
            "Traverses run",
            "'along' the layout's bearing or 'across' it, whichever way leads into the data grid.",
            default="along",
            options=START_DIRECTIONS,
        ),
        Number(
            "READINGS_PER_TRAVERSE",
            "Readings of a whole traverse",
            "Empty: as many as the length and the interval give.",
            optional=True,
            whole=True,
            minimum=1,
            advanced=True,
        ),
        Choice(
            "MISSING_FILES",
            "Channels without a file",
            "Where some data grid has no file of a channel: 'refuse', or take the channel as "
            "'null' there.",
            default="refuse",
            options=MISSING_FILES,
            advanced=True,
        ),
        *(_ours(record) for record in FORMAT),
        BROUGHT_IN,
    )

    def work(self, task):
        site = site_grid(task)
        widths = {
            grid: origin.width for grid, origin in site.origins.items() if origin.width is not None
        }
        if task["WIDTH"] is not None:
            widths.setdefault("", task["WIDTH"])
        options = task.options(GridFileOptions)
        found = read_data_grids(
            task["FILES"], site, widths, options, table_format(task), task.part(0, 0.6)
        )
        self.report(task, found)
        table = found.table
        placed = place_on_site_grid(
            table.grid, table.grid_names, table.line, table.sequence, table.along, found.site
        )
        tell_outside(task, placed)
        return self.bring_in(task, table, placed, found.figures)
