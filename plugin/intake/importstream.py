"""The step "Bring in a logger stream with NMEA positions"."""

from __future__ import annotations

from ...algorithms.intake.importstream import (
    JoinOptions,
    parse_qualities,
    parse_shift,
    place_stream,
)
from ...algorithms.intake.stream.lines import StreamFormat, read_stream
from ...algorithms.intake.stream.recipe import Recipe, parse_recipe, read_recipe
from ...algorithms.intake.walk.heading import WINDOW
from ..inputs import File, Files
from ..parameters import Choice, Number, Text, Toggle
from ..units import length_or
from .intake_step import BROUGHT_IN, CRS, IntakeStep
from .places import to_map


class ImportStream(IntakeStep):
    """A logger's stream to a readings layer."""

    identifier = "importstream"
    title = "Bring in a logger stream with NMEA positions"
    summary = (
        "Reads a text stream in which instrument lines and NMEA 0183 sentences (GGA, RMC) take "
        "turns, or lie in files of their own, and gives every reading the position of its moment."
    )
    advice = (
        "A short recipe says how the instrument lines are written. Number the parts of a whole "
        "line from 1. For 'M 09:00:44.56 21.89 0.365' it is: begins: M; parted by: blanks; "
        "time: 2; channels: 3 = ec_050 [mS/m], 4 = ip_050 [ppt]. The step's page in the guide "
        "tells its other words.",
        "Positions are those of the antenna: give its offset from the instrument. Interpolation is "
        "in time, along straight lines from fix to fix; readings in longer gaps, and before and "
        "after all fixes, get no position. Readings at fixes of poor quality are marked 'position "
        "doubtful'.",
        "Every line of the files is accounted for. Sentences that fail their checksum are counted "
        "and passed over; any other line that cannot be read is named and nothing is written, "
        "unless unreadable values are taken as NULL. Look at the track on the map before you "
        "work on: a wrong clock shift or latency moves readings to and fro by the direction "
        "walked.",
    )
    words = ("import", "GPS", "GNSS", "RTK", "GGA", "RMC", "logger", "track", "serial", "position")
    parameters = (
        Files(
            "FILES",
            "Streams",
            "Text files of instrument lines, with the sentences between them unless they have "
            "files of their own; in the order of time.",
        ),
        Files(
            "POSITIONS",
            "Files of positions",
            "Where sentences are in files of their own. Sentences in the streams are then not "
            "used.",
            optional=True,
        ),
        File(
            "RECIPE",
            "Reading recipe",
            "A file that says how instrument lines are written, in JSON or the short form below.",
            optional=True,
        ),
        Text(
            "RECIPE_TEXT",
            "Reading recipe, written here",
            "In place of a file: words and values parted by semicolons or line ends, as in "
            "'begins: M; parted by: blanks; time: 2; channels: 3 = ec_050 [mS/m]'.",
            default="",
            optional=True,
            several_lines=True,
        ),
        CRS,
        Choice(
            "CLOCK",
            "Clock of the readings",
            "'shared': the instrument shows the positions' time, but for the shift below. 'found': "
            "the shift is found, from the logger's time before each sentence where the recipe has "
            "'stamp', or else from the order of the lines by a clock that runs true. 'arrival': "
            "readings lie evenly between the sentences they came between, as always where the "
            "recipe names no time.",
            default="shared",
            options=("shared", "found", "arrival"),
        ),
        Text(
            "CLOCK_SHIFT",
            "Clock shift",
            "For 'shared': what to add to the instrument's clock to make it that of the positions "
            "(UTC). Seconds, or hours and minutes: -01:00 where it shows the time of UTC+1.",
            default="0",
            optional=True,
        ),
        Number(
            "LATENCY",
            "Latency of positions",
            "By how much a position comes after the moment it is of: with 0.2, that of 12:00:01.0 "
            "is where the antenna was at 12:00:00.8. Tell it from lines walked to and fro.",
            default=0.0,
            unit="seconds",
        ),
        Number(
            "AHEAD",
            "Antenna ahead",
            "How far the antenna is ahead of the instrument's reference point, in the direction of "
            "travel; negative behind. The same sense as in 'Move readings to the coil midpoints': "
            "what is taken off here is not to be taken off again there.",
            default=0.0,
            unit="map units",
        ),
        Number(
            "RIGHT",
            "Antenna to the right",
            "How far the antenna is to the right of the reference point; negative to the left.",
            default=0.0,
            unit="map units",
        ),
        Number(
            "COURSE_WINDOW",
            "Course taken over",
            "Length of path that the direction of travel is taken from: long enough to even out "
            "the jitter of positions, shorter than a turn. Empty: 2 metres.",
            optional=True,
            minimum=1e-6,
            unit="map units",
            advanced=True,
        ),
        Number(
            "LONGEST_GAP",
            "Longest gap to bridge",
            "Between fixes further apart in time, readings get no position.",
            default=3.0,
            minimum=1e-6,
            unit="seconds",
        ),
        Toggle(
            "BRIDGE_GAPS",
            "Place readings in longer gaps too",
            "On a straight line, marked 'position doubtful'.",
            advanced=True,
        ),
        Text(
            "GOOD_QUALITY",
            "Good fix qualities",
            "Others are marked 'position doubtful': 1 autonomous, 2 differential, 4 and 5 "
            "real-time kinematic (fixed, float), 6 dead reckoning. Quality 0 is never used.",
            default="1, 2, 3, 4, 5",
        ),
        Number(
            "HIGHEST_HDOP",
            "Highest HDOP",
            "Fixes with a higher horizontal dilution of precision are doubtful too. Empty: no "
            "limit.",
            optional=True,
            minimum=0.0,
            advanced=True,
        ),
        Toggle(
            "KEEP_FIX",
            "Keep details of the fixes",
            "Adds the fields fix_quality and hdop, of the fix nearest in time, and height, the "
            "antenna's in metres above sea level as the receiver tells it.",
            advanced=True,
        ),
        Text(
            "TALKER",
            "Talker",
            "The two characters behind the $ of the sentences to use, such as GN or GP, where two "
            "receivers speak in one stream. Empty: all.",
            default="",
            optional=True,
            advanced=True,
        ),
        Toggle(
            "WITHOUT_CHECKSUM",
            "Take sentences without a checksum",
            "Only where the logger takes checksums off: nothing then tells a garbled position.",
            advanced=True,
        ),
        Choice(
            "BAD_VALUES",
            "Unreadable values",
            "'refuse' them, or take them as 'null' and leave out lines that are no readings.",
            default="refuse",
            options=("refuse", "null"),
        ),
        BROUGHT_IN,
    )

    def problem(self, task):
        given = [name for name in ("RECIPE", "RECIPE_TEXT") if task[name]]
        if len(given) != 1:
            return (
                "Give the reading recipe once: as a file or written in its field."
                if given
                else "No reading recipe is given. Choose its file, or write it in its field."
            )
        try:
            recipe(task), reading(task), joining(task)
        except ValueError as wrong:
            return str(wrong)
        return None

    def work(self, task):
        written = recipe(task)
        stream = read_stream(
            task["FILES"], task["POSITIONS"], written, reading(task), task.part(0, 0.4)
        )
        fixes = stream.fixes

        def called(number: int) -> str:
            return f"The position in {stream.where(int(fixes.place[number]))}"

        part = task.part(0.4, 0.6)
        x, y = to_map(fixes.longitude, fixes.latitude, task, part, called)
        found = place_stream(stream, x, y, joining(task), task.part(0.6, 0.7))
        self.report(task, found)
        # The recipe itself: its file may be lost or change.
        figures = {**found.figures, "recipe": written.text}
        return self.bring_in(task, found.table, found.placed, figures, geographic=True)


def recipe(task) -> Recipe:
    """The reading recipe, from its file or field."""
    return read_recipe(task["RECIPE"]) if task["RECIPE"] else parse_recipe(task["RECIPE_TEXT"])


def reading(task) -> StreamFormat:
    """How the stream is read, from the parameters of that name."""
    return task.options(StreamFormat, talker=(task["TALKER"] or "").strip().upper())


def joining(task) -> JoinOptions:
    """How readings get their positions, from the parameters of that name."""
    return task.options(
        JoinOptions,
        course_window=length_or(task["COURSE_WINDOW"], WINDOW, task["CRS"]),
        clock_shift=parse_shift(task["CLOCK_SHIFT"]),
        good_quality=parse_qualities(task["GOOD_QUALITY"]),
    )
