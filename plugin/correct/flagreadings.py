"""The step "Flag readings"."""

from __future__ import annotations

import numpy as np

from ...algorithms.correct.flagreadings import FlagOptions, flagreadings, within
from ...algorithms.progress import Progress, advance
from ...algorithms.readings import Readings
from ..areas import condition, geometries_in, rings
from ..inputs import Areas, Condition, Field
from ..parameters import Number, Numbers, Toggle
from ..readings_layer import marked
from ..readings_step import CorrectionStep
from ..source import BATCH, LayerSource

DEFAULTS = FlagOptions()


class FlagReadings(CorrectionStep):
    """Readings to the same readings with the quality field set."""

    identifier = "flagreadings"
    title = "Flag readings"
    summary = (
        "Flags readings that are off scale, stuck or excluded by hand in the field qc, so that "
        "they inform no later step. Nothing is deleted and no value changes."
    )
    advice = (
        "Give the ends of the instrument's scale from its manual; 'Check readings' says where "
        "values pile up or stand still. Readings are excluded by areas you draw, by a field that "
        "marks them, or by an expression, in any combination.",
        "A flag belongs to the whole reading: one that is off scale in one channel is barred in "
        "all. 'Channels' limits which channels are looked at; where one channel only is spoilt, "
        "keep the others' values by flagging in a branch of their own.",
        "Metal and other strong features may drive an instrument off its scale: such a flag marks "
        "a place to be looked at. A gap in the map says nothing of what lies there: never read it "
        "as safe to dig.",
    )
    words = ("off scale", "saturation", "overload", "clip", "stuck", "mask", "exclude", "dummy")
    options = (
        Numbers(
            "LOWEST",
            "Lowest value of the scale",
            "Values at or below it are off scale: one number for all channels, or one a channel in "
            "their order, 'nan' for a channel without. Empty: no limit.",
            unit="channel units",
            optional=True,
        ),
        Numbers(
            "HIGHEST",
            "Highest value of the scale",
            "Values at or above it are off scale; given like the lowest.",
            unit="channel units",
            optional=True,
        ),
        Number(
            "STUCK",
            "Run of equal readings",
            "So many exactly equal values or more, one after another along a traverse, are "
            "flagged off scale where the steps and the noise of the channel do not explain them. "
            "0: none.",
            default=DEFAULTS.stuck,
            minimum=0,
            whole=True,
            unit="readings",
        ),
        Areas(
            "AREA",
            "Areas to exclude",
            "Polygons, in any coordinate reference system: readings inside them or on their edges "
            "are excluded.",
            optional=True,
        ),
        Field(
            "EXCLUDE_FIELD",
            "Field that marks readings to exclude",
            "Any value but NULL, nothing, 0 and false marks one.",
            optional=True,
        ),
        Condition(
            "EXCLUDE_WHERE",
            "Exclude where",
            "Expression that is true for the readings to exclude, such as \"operator\" = 'B'.",
            optional=True,
        ),
        Toggle(
            "UNSET_BEFORE",
            "Take off earlier flags first",
            "All flags 'off scale' and 'excluded' that the readings bring along are taken off "
            "before new ones are set: give everything that is to be flagged again. Otherwise new "
            "flags are added to them.",
        ),
    )

    def correct(self, readings, task):
        return flagreadings(
            readings,
            task.options(FlagOptions),
            self.excluded(readings, task),
            np.ones(len(readings), np.bool_) if task["UNSET_BEFORE"] else None,
            task.part(0.5, 0.8),
        )

    def excluded(self, readings: Readings, task) -> dict[str, np.ndarray]:
        """Which readings to exclude, by reason."""
        found = {}
        layer, area = task["INPUT"], task["AREA"]
        if area is not None:
            polygons = _polygons(area, layer, task)
            found["by area"] = within(readings.x, readings.y, polygons)
        if task["EXCLUDE_FIELD"] is not None:
            found["by field"] = marked(layer, task["EXCLUDE_FIELD"])
        if task["EXCLUDE_WHERE"]:
            found["by expression"] = _where(layer, task, task.part(0.3, 0.5))
        return found

    def write_corrected(self, task, corrected, lines):
        # Only qc is written anew, so that every value keeps its type and its last bit.
        if not corrected.keep_previous:
            corrected = corrected.with_values_as_they_are()
        return super().write_corrected(task, corrected, lines)


def _polygons(area: LayerSource, layer: LayerSource, task) -> list[list[np.ndarray]]:
    """Rings of every polygon, in the readings' coordinate reference system."""
    found = (rings(geometry) for geometry in geometries_in(area, layer.crs, task))
    return [polygon for polygons in found for polygon in polygons]


def _where(layer: LayerSource, task, progress: Progress) -> np.ndarray:
    """Which features the expression is true for."""
    holds = condition(task, layer, "EXCLUDE_WHERE")
    total = max(layer.source.featureCount(), 1)
    found = []
    for number, feature in enumerate(layer.features(), start=1):
        if number % BATCH == 0:
            advance(progress, min(number / total, 1.0))
        found.append(holds(number, feature))
    return np.array(found, np.bool_)
