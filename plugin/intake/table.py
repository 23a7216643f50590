"""Parameters that say how text tables are written and which column is what."""

from __future__ import annotations

from ...algorithms.intake.importtable import Roles, TableFormat
from ..parameters import Choice, Text, Toggle


def column(name: str, label: str, more: str = "") -> Text:
    """A parameter that names a column."""
    advice = f"{more} Name or number of the column; empty where there is none.".strip()
    return Text(name, label, advice, default="", optional=True)


COLUMNS = (
    Text(
        "CHANNELS",
        "Channels",
        "Measured columns by name with their units, 'ec_050 [mS/m], ip_050 [ppt]', or by number "
        "with a name, '5 = ec_050 [mS/m]'. Empty: every column of numbers without another role; "
        "units are then taken from the header where it has them in brackets.",
        default="",
        optional=True,
    ),
    column("GRID_COLUMN", "Data grid column"),
    column("LINE_COLUMN", "Traverse column", "Whole number of the traverse."),
    column("SEQUENCE_COLUMN", "Reading number column", "Order of walking along the traverse."),
    column("ALONG_COLUMN", "Position column", "Distance along the traverse."),
    column("X_COLUMN", "Easting or longitude column"),
    column("Y_COLUMN", "Northing or latitude column"),
    column("TIME_COLUMN", "Time column", "Seconds, clock times or dates with times."),
    column("QUALITY_COLUMN", "Quality column", "Quality bits, see the conventions."),
    Text(
        "KEEP_COLUMNS",
        "Further columns to keep",
        "Names or numbers, separated by commas.",
        default="",
        optional=True,
    ),
)

BAD_VALUES = Choice(
    "BAD_VALUES",
    "Unreadable values",
    "'refuse' them, or take them as 'null'.",
    default="refuse",
    options=("refuse", "null"),
)
FORMAT = (
    Choice(
        "DELIMITER",
        "Delimiter",
        "'auto' takes the one that parts the rows most evenly.",
        default="auto",
        options=("auto", "comma", "semicolon", "tab", "blanks"),
        advanced=True,
    ),
    Choice(
        "DECIMAL",
        "Decimal sign",
        "'auto' takes the comma where numbers are written with it.",
        default="auto",
        options=("auto", "point", "comma"),
        advanced=True,
    ),
    Toggle(
        "HEADER",
        "First row names the columns",
        "Otherwise columns are known by number only.",
        default=True,
        advanced=True,
    ),
    Text(
        "COMMENT",
        "Comment sign",
        "Rows that begin with it are passed over, as blank rows are.",
        default="#",
        optional=True,
        advanced=True,
    ),
    Choice(
        "ENCODING",
        "Encoding",
        "'auto': UTF-8, and Latin-1 where that fails.",
        default="auto",
        options=("auto", "utf-8", "latin-1", "utf-16"),
        advanced=True,
    ),
    Text(
        "NULL_VALUES",
        "No-reading codes",
        "Cells that mean no reading besides blank, NA, NaN, NULL, * and -, separated by blanks.",
        default="",
        optional=True,
        advanced=True,
    ),
    BAD_VALUES,
)


def table_format(task) -> TableFormat:
    """How the files are written, from the parameters `FORMAT`."""
    codes = (*TableFormat().null_values, *task["NULL_VALUES"].split())
    return task.options(TableFormat, null_values=codes)


def roles(task) -> Roles:
    """Which column is what, from the parameters `COLUMNS`."""
    return Roles(
        channels=task["CHANNELS"],
        grid=task["GRID_COLUMN"] or None,
        line=task["LINE_COLUMN"] or None,
        sequence=task["SEQUENCE_COLUMN"] or None,
        along=task["ALONG_COLUMN"] or None,
        x=task["X_COLUMN"] or None,
        y=task["Y_COLUMN"] or None,
        time=task["TIME_COLUMN"] or None,
        quality=task["QUALITY_COLUMN"] or None,
        keep=task["KEEP_COLUMNS"],
    )
