"""The step "Bring in readings from ASEG-GDF2 line data"."""

from __future__ import annotations

from ...algorithms.intake.importgdf2 import LineData, LineRoles, read_line_data, remarks_beside
from ...algorithms.intake.sitegrid import Placed
from ...algorithms.intake.walk.heading import WINDOW
from ...algorithms.words import plural
from ..history import Entry, channel_units
from ..inputs import File, Files
from ..parameters import Choice, Text, Toggle
from ..units import metre
from .intake_step import BROUGHT_IN, CRS, IntakeStep
from .places import to_map
from .table import BAD_VALUES

PLACEMENTS = ("auto", "projected", "geographic")


def _role(name: str, label: str, common: str, more: str = "", advanced: bool = False) -> Text:
    """A parameter that names a field of the definition."""
    advice = f"{more} Empty: found by a common name, such as {common}; '-': there is none.".strip()
    return Text(name, label, advice, default="", optional=True, advanced=advanced)


class ImportGdf2(IntakeStep):
    """ASEG-GDF2 data files to a readings layer."""

    identifier = "importgdf2"
    title = "Bring in readings from ASEG-GDF2 line data"
    summary = (
        "Reads line data in the open ASEG-GDF2 form, text in columns of fixed width (.dat) with a "
        "definition of them (.dfn), and puts each reading on the map."
    )
    advice = (
        "The definition says which characters of a record are which field, in what unit, and what "
        "code means no reading. It is looked for beside the data file, under the same name. All "
        "fields come in: those with a role below, the channels, and the rest as further fields.",
        "The coordinate reference system is what you choose; what the definition says of it is "
        "told, so that the two can be compared.",
        "Nothing is written unless every record can be read. The first value that cannot is named "
        "with its file, row and field. Records of other types and blank rows are counted.",
    )
    words = ("import", "ASEG", "GDF2", "GDF", "dat", "dfn", "line data", "fixed width", "located")
    parameters = (
        Files(
            "FILES",
            "Data files",
            "Files with the same fields, each with its definition beside it; their order is the "
            "order of walking.",
        ),
        File(
            "DEFINITION",
            "Definition",
            "Of all the files. Empty: the .dfn file of each one's own name.",
            optional=True,
        ),
        CRS,
        Choice(
            "PLACEMENT",
            "Place readings by",
            "'projected': easting and northing in the coordinate reference system chosen. "
            "'geographic': longitude and latitude in degrees (WGS 84), brought to the system "
            "chosen. 'auto': as the names and units of the two fields say.",
            default="auto",
            options=PLACEMENTS,
        ),
        Text(
            "CHANNELS",
            "Channels",
            "Measured fields, with a unit where the definition's is missing or wrong: 'EC_050 "
            "[mS/m], IP_050'. Empty: the channels of the history beside the file (.des), or else "
            "every field of real numbers without another role. A value of an array is named with "
            "its number behind: 'EMZ_3'.",
            default="",
            optional=True,
        ),
        _role("X_COLUMN", "Easting or longitude field", "'EASTING', 'X' or 'LONGITUDE'"),
        _role("Y_COLUMN", "Northing or latitude field", "'NORTHING', 'Y' or 'LATITUDE'"),
        _role(
            "LINE_COLUMN", "Traverse field", "'LINE'",
            "Whole numbers, or names, which are then numbered in the order they come in.",
        ),
        _role("GRID_COLUMN", "Data grid field", "'GRID'", "Text or numbers."),
        _role(
            "SEQUENCE_COLUMN", "Reading number or fiducial field", "'SEQ', 'FIDUCIAL' or 'STATION'",
            "Order of walking along the traverse.",
        ),
        _role(
            "TIME_COLUMN", "Time field", "'TIME'",
            "Seconds, clock times or dates with times; numbers in the unit HHMMSS are clock times.",
        ),
        _role(
            "QUALITY_COLUMN", "Quality field", "'QC'", "Quality bits, see the conventions.",
            advanced=True,
        ),
        Toggle(
            "GRID_FROM_FILE",
            "Name data grids by their files",
            "Where each file is a data grid and no field says so: its name without the ending.",
            advanced=True,
        ),
        BAD_VALUES,
        BROUGHT_IN,
    )  # fmt: skip

    def work(self, task):
        files = task["FILES"]
        history = _history(files)
        data = read_line_data(files, _roles(task, history), task["DEFINITION"], task.part(0, 0.5))
        _tell(data, task)
        placed = self.place(data, task)
        table = data.table.with_grids_from_files() if task["GRID_FROM_FILE"] else data.table
        passed = {
            f"records {kind or 'blank'}": count for kind, count in sorted(data.others.items())
        }
        geographic = self.geographic(data, task)
        return self.bring_in(task, table, placed, passed, history, geographic=geographic)

    def geographic(self, data: LineData, task) -> bool:
        """Whether the places are in degrees."""
        placement = task["PLACEMENT"]
        return placement == "geographic" or (placement == "auto" and data.geographic)

    def place(self, data: LineData, task) -> Placed:
        """Put every reading on the map."""
        x, y = data.table.x, data.table.y
        if x is None or y is None:
            raise ValueError(
                "No pair of fields is known for coordinates: easting and northing, or longitude "
                "and latitude. Name them."
            )
        if self.geographic(data, task):
            x, y = to_map(x, y, task, task.part(0.5, 0.7))
        return data.place(x, y, WINDOW * metre(task["CRS"]))


def _roles(task, history: tuple[str, ...]) -> LineRoles:
    return LineRoles(
        channels=task["CHANNELS"],
        likely=tuple(channel_units(history)),
        grid=task["GRID_COLUMN"],
        line=task["LINE_COLUMN"],
        sequence=task["SEQUENCE_COLUMN"],
        x=task["X_COLUMN"],
        y=task["Y_COLUMN"],
        time=task["TIME_COLUMN"],
        quality=task["QUALITY_COLUMN"],
        bad_values=task["BAD_VALUES"],
    )


def _history(files) -> tuple[str, ...]:
    """The history that lies beside one file; several files have none in common."""
    if len(files) != 1:
        return ()
    return tuple(line for line in remarks_beside(files[0]) if Entry.parse(line) is not None)


def _tell(data: LineData, task) -> None:
    """What the files hold besides readings."""
    crs = task["CRS"]
    if data.crs_name and crs.description() not in data.crs_name:
        task.warn(
            f"The definition names the coordinate reference system '{data.crs_name}', and "
            f"{crs.authid()} ({crs.description()}) is chosen. Make sure that they are the same."
        )
    for kind, count in sorted(data.others.items()):
        called = f"{plural(count, 'record')} of type {kind}" if kind else plural(count, "blank row")
        task.say(f"{called} passed over.")
    if data.beyond:
        task.warn(
            f"{plural(data.beyond, 'record goes', 'records go')} on behind the last field that is "
            "defined: what stands there is not read. Is the definition the file's own?"
        )
