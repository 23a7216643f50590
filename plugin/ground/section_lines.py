"""Where a section runs: a traverse by its name, or a line drawn in a layer."""

from __future__ import annotations

import numpy as np

from ...algorithms.ground.section import (
    Section,
    along_line,
    along_traverse,
    corridor,
    named_traverse,
)
from ...algorithms.readings import Readings, Traverse
from ..areas import geometries_in
from ..inputs import Lines
from ..parameters import Number, Text
from ..source import LayerSource
from ..task import Task
from ..units import metre

TRACK = "track"
"""What a free track is asked for by."""

SECTION_LINES = (
    Text(
        "SECTION_LINE",
        "Section along a traverse",
        "Its number, or its data grid and number such as G2 12. Of a free track, without a "
        "traverse number field: 'track'.",
        default="",
        optional=True,
    ),
    Lines(
        "SECTION_LAYER",
        "Section along a drawn line",
        "A layer that holds one line (or select one): the section shows the reading nearest to "
        "each place of it.",
        optional=True,
    ),
    Number(
        "SECTION_WIDTH",
        "Width of the section's corridor",
        "Readings further than half of this from the drawn line do not count. Empty: the traverse "
        "separation.",
        optional=True,
        minimum=1e-6,
        distance_of="INPUT",
        advanced=True,
    ),
)


def check_section(task: Task) -> None:
    """Refuse a picture without a line, and two lines for it.

    Raises
    ------
    ValueError
        In one sentence.
    """
    line, drawn = task["SECTION_LINE"], task["SECTION_LAYER"]
    if line and drawn is not None:
        raise ValueError(
            "'Section along a traverse' and 'Section along a drawn line' are both given. Give one "
            "of them for the section picture."
        )
    if task.step.parameter("SECTION").given(task) and not line and drawn is None:
        raise ValueError(
            "A section picture is asked for, but no line for it. Give a traverse such as G2 12, or "
            "a layer with a drawn line."
        )


def section_asked(task: Task, readings: Readings) -> Section | None:
    """The section asked for; None where there is no picture to make.

    Raises
    ------
    ValueError
        If its line is none, or no reading lies along it.
    """
    line, drawn = task["SECTION_LINE"], task["SECTION_LAYER"]
    if task["SECTION"] is None:
        if line or drawn is not None:
            task.warn(
                "A line is given for a section, but no file for the section picture: none is drawn."
            )
        return None
    crs = task["INPUT"].crs
    if line and task["LINE_FIELD"] is None:
        return along_traverse(readings, _track(readings, line), metre(crs), "the track")
    if line:
        return along_traverse(readings, named_traverse(readings, line), metre(crs))
    vertices = _one_line(drawn, crs, task)
    width, interval = corridor(readings, task["SECTION_WIDTH"])
    return along_line(readings, vertices, width, interval, metre(crs), f"line of '{drawn.name}'")


def _track(readings: Readings, text: str) -> Traverse:
    """The one traverse of readings without a traverse number; a data grid may have its own."""
    grid, _, last = text.strip().rpartition(" ")
    return named_traverse(readings, f"{grid} 0" if last.lower() == TRACK else text)


def _one_line(layer: LayerSource, crs, task: Task) -> np.ndarray:
    """Corners of the one line of a layer, in a system, shape ``(k, 2)``."""
    parts = []
    for geometry in geometries_in(layer, crs, task):
        for part in geometry.constParts():
            outline = part.exteriorRing() if hasattr(part, "exteriorRing") else part
            parts.append(np.array([(point.x(), point.y()) for point in outline.points()]))
    if len(parts) != 1:
        raise ValueError(
            f"Layer '{layer.name}' for 'Section along a drawn line' holds {len(parts)} lines, and "
            "a section has one. Draw it, or select one and run with the selected features."
        )
    return parts[0]
