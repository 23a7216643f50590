"""The step "Move readings to the coil midpoints"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from qgis.core import QgsFeature, QgsFields

from ...algorithms.intake.placesensors import (
    LAG_UNITS,
    METHODS,
    PLACES,
    PlaceOptions,
    SensorPlacement,
    placesensors,
)
from ...algorithms.intake.walk.spacings import measured_elsewhere, spacings_of, unlike_names
from ...algorithms.readings import Readings
from ..corrected_layer import CorrectedLayer
from ..history import entries
from ..inputs import Field
from ..outputs import LayerOutput
from ..parameters import Choice, Number, Text
from ..readings_layer import PREVIOUS, guess_channels
from ..readings_step import READINGS, ReadingsStep
from ..source import LayerSource
from ..styles import style_readings
from ..units import metre

DEFAULTS = PlaceOptions()


class PlaceSensors(ReadingsStep):
    """Readings at recorded positions to readings at the midpoints of their coils."""

    identifier = "placesensors"
    title = "Move readings to the coil midpoints"
    stage = "intake"
    summary = (
        "Brings readings from where the position was recorded to where they were measured: the "
        "midpoint of each coil pair, behind the front of the instrument, on straight traverses and "
        "curved tracks."
    )
    advice = (
        "The midpoint of a coil pair trails the transmitter at the front by half the coil spacing, "
        "so that channels of different spacings are measured at different places. Either run once "
        "for the channels of each spacing and move the points ('move', one layer a spacing, values "
        "untouched), or have all channels on one set of points ('common', values resampled along "
        "the traverse).",
        "Measure the offsets on the instrument as it is carried, with a tape. A wrong sign doubles "
        "the displacement: walk over one known spot both ways, and look whether both passes show "
        "it at one place.",
        "Do this before 'Align opposing passes', which finds what lag remains. Do it once: "
        "readings that are already at the midpoints would be moved again.",
    )
    words = (
        "offset", "lever arm", "antenna", "lag", "latency", "layback", "coil spacing", "midpoint",
        "heading", "position", "geometry", "transmitter", "receiver",
    )  # fmt: skip
    parameters = (
        *READINGS,
        Text(
            "SPACINGS",
            "Coil spacings",
            "Metres, channel by channel, such as 'ec_050 = 0.5, ip_050 = 0.5, ec_100 = 1.0'. A "
            "channel not named here has the spacing that three digits at the end of its name give "
            "in centimetres. 0: the offsets below are those from the midpoint itself.",
            optional=True,
        ),
        Choice(
            "METHOD",
            "Method",
            "'move': the points are moved to the midpoint that all chosen channels share. "
            "'common': all chosen channels on one set of points, resampled along the traverse "
            "where they were not measured there. Channels of other coil spacings that are not "
            "chosen belong elsewhere and are left out.",
            default=DEFAULTS.method,
            options=METHODS,
        ),
        Choice(
            "PLACES",
            "Common places",
            "For 'common'. 'first_channel': the points are moved to the midpoints of the first "
            "channel chosen, whose values stay as they are. 'as_recorded': the points stay, and "
            "all channels are resampled.",
            default=DEFAULTS.places,
            options=PLACES,
        ),
        Number(
            "AHEAD",
            "Recorded point ahead of the transmitter",
            "How far the point whose position was recorded (the antenna, the walker's mark) lies "
            "ahead of the transmitter, in the direction of travel; negative behind. An antenna "
            "carried 1 m in front: 1, as in 'Bring in a logger stream with NMEA positions'.",
            default=DEFAULTS.ahead,
            distance_of="INPUT",
        ),
        Number(
            "RIGHT",
            "Recorded point to the right of the transmitter",
            "As seen by the walker; negative to the left.",
            default=DEFAULTS.right,
            distance_of="INPUT",
        ),
        Number(
            "LAG",
            "Lag",
            "How late readings are stamped: the recorded position lies so far ahead of where they "
            "were taken. 0 where unknown: 'Align opposing passes' may find it.",
            default=DEFAULTS.lag,
        ),
        Choice(
            "LAG_UNIT",
            "Unit of the lag",
            "'seconds' need the time field, and go with the local speed.",
            default=DEFAULTS.lag_unit,
            options=LAG_UNITS,
        ),
        Field(
            "TIME_FIELD",
            "Time field",
            "Needed for a lag in seconds only.",
            default="time",
            optional=True,
            advanced=True,
        ),
        Number(
            "WINDOW",
            "Window of the direction",
            "Path walked that a direction of travel is taken from: longer where positions jitter, "
            "shorter where the walk turns. Empty: 2 metres.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
        Number(
            "GAP",
            "Longest gap bridged",
            "For 'common': between readings further apart no value is told. Empty: four usual "
            "reading intervals.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
        LayerOutput("OUTPUT", "Readings at the midpoints", style=style_readings),
    )

    def work(self, task):
        layer: LayerSource = task["INPUT"]
        if any(entry.step == f"lynchet:{self.identifier}" for entry in entries(layer.lines)):
            task.warn(
                f"Layer '{layer.name}' was brought to midpoints by this step before, and is moved "
                "once more. Was the layer before that meant?"
            )
        readings = self.read(task)
        others = [
            name
            for name in guess_channels(layer, self.lines(task))
            if name not in readings.channels
        ]
        spacings = spacings_of(task["SPACINGS"], readings.channels, others)
        if not task["SPACINGS"]:
            shown = ", ".join(f"{name} {spacings[name]:g} m" for name in readings.channels)
            task.say(f"Coil spacings by the channels' names: {shown}.")
        for sentence in unlike_names(spacings):
            task.warn(sentence)
        options = task.options(PlaceOptions, metre=metre(layer.crs))
        found = placesensors(readings, spacings, options, task.part(0.2, 0.8))
        figures, units = found.figures, dict(zip(readings.channels, readings.units))
        left = measured_elsewhere(others, spacings, found.midpoint)
        stale = measured_elsewhere([*others, *readings.channels], spacings, found.midpoint)
        gone = {*left, *(name + PREVIOUS for name in stale)} & {*layer.field_names}
        if left:
            task.say(f"Left out, as measured elsewhere: {', '.join(left)}.")
        corrected = _corrected(layer, readings, found, gone, options.method == "move")
        lines = [*self.lines(task), self.entry(task, figures, units)]
        return {
            "OUTPUT": self.write_corrected(task, corrected, lines),
            "FIGURES": self.report(task, found),
        }


def _corrected(
    layer: LayerSource,
    readings: Readings,
    found: SensorPlacement,
    gone: set[str],
    kept: bool,
) -> CorrectedLayer:
    """The layer to write: without the fields `gone`; `kept`: the values with their types."""
    more = {"bearing": found.bearing}
    if "along" in layer.field_names and layer.fields.field("along").isNumeric():
        more["along"] = found.along(layer.columns(["along"]).fields["along"])
    if gone:
        layer = Without(layer.source, layer.layer, layer.partial, layer.lines, frozenset(gone))
    made = CorrectedLayer(layer, readings, found.readings, more=more)
    return made.with_values_as_they_are() if kept else made


@dataclass(frozen=True, eq=False)
class Without(LayerSource):
    """A layer without some of its fields."""

    gone: frozenset[str] = frozenset()

    @property
    def fields(self) -> QgsFields:
        """The fields left."""
        left = QgsFields()
        for field in self.source.fields():
            if field.name() not in self.gone:
                left.append(field)
        return left

    @property
    def file(self) -> None:
        """None: no file holds just these fields."""
        return

    def features(self) -> Iterator[QgsFeature]:
        """Every feature with the fields left."""
        kept = [i for i, name in enumerate(self.source.fields().names()) if name not in self.gone]
        for feature in super().features():
            cells, fewer = feature.attributes(), QgsFeature(feature)
            fewer.setAttributes([cells[i] for i in kept])
            yield fewer
