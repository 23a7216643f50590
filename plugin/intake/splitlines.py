"""The step "Split a track into traverses"."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...algorithms.intake.splitlines import TURN, Split, SplitOptions, splitlines
from ...algorithms.words import plural
from ..outputs import LayerOutput
from ..parameters import Number, Numbers, Toggle
from ..readings_layer import read_readings
from ..readings_step import (
    GRID_FIELD,
    INPUT,
    LINE_FIELD,
    SEQUENCE_FIELD,
    TIME_FIELD,
    ReadingsStep,
)
from ..styles import style_readings
from ..units import length_or, map_unit
from .standard_fields import StandardFields

DEFAULTS = SplitOptions()


class SplitLines(ReadingsStep):
    """A readings layer of tracks to one of traverses."""

    identifier = "splitlines"
    title = "Split a track into traverses"
    stage = "intake"
    summary = (
        "Cuts a free track into traverses where it turns, stops for good or has gaps, and fills in "
        "traverse number, sequence, distance along and direction of travel."
    )
    advice = (
        "A traverse goes on as long as its direction over the window before a place and that "
        "after it agree: lines that bend slowly are one traverse, and so is one with a short "
        "wobble in it. Look at the result coloured by traverse before correcting anything.",
        "Traverse numbers that are there already are replaced. Readings in turns stay, without a "
        "traverse, unless they are to be removed: corrections by traverse pass them over, and "
        "gridding uses them.",
    )
    words = (
        "segment", "cut", "line numbers", "GNSS", "GPS", "continuous", "zigzag", "heading",
        "turns", "swath",
    )  # fmt: skip
    parameters = (
        INPUT,
        Number(
            "WINDOW",
            "Window of directions",
            "Length of path before and after a place over which directions are taken. Longer "
            "where positions jitter by more than a few hundredths of it, or turns are wide; at "
            "most half of the least length. Empty: 2 metres.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "TURN_ANGLE",
            "Turn angle",
            "Directions before and after that differ by more are a turn.",
            default=DEFAULTS.turn_angle,
            minimum=10,
            maximum=120,
            unit="degrees",
        ),
        Number(
            "MIN_LENGTH",
            "Least length of a traverse",
            "Shorter pieces belong to no traverse: longer than the way from one traverse to the "
            "next. Empty: 5 metres.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Numbers(
            "BEARINGS",
            "Bearings of the traverses",
            "One or several, separated by semicolons; each is walked either way. Whatever runs "
            "otherwise is no traverse. Empty: any.",
            unit="degrees clockwise from grid north",
            default="",
            optional=True,
            each="direction",
        ),
        Number(
            "BEARING_TOLERANCE",
            "Tolerance of the bearings",
            "How far the direction of travel may be off them.",
            default=DEFAULTS.bearing_tolerance,
            minimum=0.1,
            maximum=60,
            unit="degrees",
            advanced=True,
        ),
        Number(
            "GAP",
            "Gap",
            "A longer step from reading to reading ends a traverse. Empty: five usual steps, or "
            "the window where that is longer.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
        Number(
            "GAP_TIME",
            "Gap in time",
            "A longer time from reading to reading ends a traverse. Needs the time field.",
            default=DEFAULTS.gap_time,
            minimum=1e-6,
            unit="seconds",
            advanced=True,
        ),
        Number(
            "SLOWEST",
            "Slowest speed",
            "Readings taken more slowly, as when standing, belong to no traverse. Empty: they "
            "stay on theirs.",
            optional=True,
            minimum=1e-6,
            unit="map units per second",
            advanced=True,
        ),
        Number(
            "FASTEST",
            "Fastest speed",
            "Readings taken faster, as when the instrument is carried off, belong to no traverse. "
            "Empty: no limit.",
            optional=True,
            minimum=1e-6,
            unit="map units per second",
            advanced=True,
        ),
        Number(
            "FIRST_LINE",
            "Number of the first traverse",
            "Of each data grid; the others follow in the order of walking.",
            default=DEFAULTS.first_line,
            whole=True,
        ),
        Toggle(
            "REMOVE_TURNS",
            "Remove readings in turns",
            "Readings of no traverse that have a position are left out; it is said how many.",
        ),
        replace(
            TIME_FIELD,
            optional=True,
            advanced=True,
            help="Seconds since midnight, a clock time or a date and time. Where every reading "
            "has one, it tells the order of walking.",
        ),
        replace(
            LINE_FIELD,
            optional=True,
            advanced=True,
            help="Traverse numbers there are already. Without times, they and the sequence tell "
            "the order of walking where all readings have both and none comes twice; else the "
            "layer's own order counts. Replaced by the new ones.",
        ),
        replace(SEQUENCE_FIELD, help="Order of the readings along the traverses there are."),
        replace(
            GRID_FIELD,
            help="Name of the data grid: each is split and numbered by itself. Without it, the "
            "whole layer is one.",
        ),
        LayerOutput("OUTPUT", "Readings by traverse", style=style_readings),
    )

    def work(self, task):
        layer = task["INPUT"]
        roles = self.roles(task, (), task["TIME_FIELD"])
        readings = read_readings(layer, roles, self.lines(task), task.part(0, 0.3))
        options = task.options(
            SplitOptions,
            window=length_or(task["WINDOW"], DEFAULTS.window, layer.crs),
            min_length=length_or(task["MIN_LENGTH"], DEFAULTS.min_length, layer.crs),
            length_unit=map_unit(layer.crs),
        )
        found = splitlines(readings, options, task.part(0.3, 0.7))
        removed = found.why == TURN if task["REMOVE_TURNS"] else np.zeros(len(readings), bool)
        figures = {**found.figures, "readings removed": int(removed.sum())}
        if removed.any():
            task.warn(f"{plural(int(removed.sum()), 'reading')} of no traverse are removed.")
        target = self.write(task, found, ~removed, figures)
        return {"OUTPUT": target, "FIGURES": self.report(task, replace(found, figures=figures))}

    def write(self, task, found: Split, kept: np.ndarray, figures: dict) -> str:
        """Write the readings with their new traverses."""
        layer = task["INPUT"]
        made = StandardFields(
            layer,
            {
                "line": found.line,
                "seq": found.sequence,
                "along": found.along,
                "bearing": found.bearing,
            },
            kept=kept,
        )
        return self.write_layer(
            task,
            "OUTPUT",
            made.fields,
            layer.source.wkbType(),
            layer.crs,
            made.features(task.part(0.7, 1.0)),
            [*self.lines(task), self.entry(task, figures, {})],
        )
