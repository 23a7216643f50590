"""The step "Refer conductivity to 25 °C"."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ...algorithms.correct.temperature import (
    COLDEST,
    MODELS,
    WARMEST,
    TemperatureOptions,
    factor_to,
    is_conductivity,
    logged_temperature,
    temperature,
)
from ...algorithms.readings import Correction, Readings
from ..history import channel_units
from ..inputs import Field, Layer
from ..parameters import Choice, Number, Toggle
from ..readings_layer import PREVIOUS, Roles, numbers_of, read_readings, shared_codes
from ..readings_step import CorrectionStep

DEFAULTS = TemperatureOptions()

BOUNDS = ("_low", "_high")
"""What stands behind a channel's name in the names of the fields of its bounds."""


@dataclass(frozen=True, eq=False)
class Referred(Correction):
    """A correction with the fields that follow their channels."""

    fields: Mapping[str, np.ndarray] = field(default_factory=dict)


class Temperature(CorrectionStep):
    """Readings to readings whose conductivity is that at the reference temperature."""

    identifier = "temperature"
    title = "Refer conductivity to 25 °C"
    summary = (
        "Multiplies conductivity by the factor that refers it to a common temperature, by default "
        "25 °C, so that surveys of different days and seasons can be compared."
    )
    advice = (
        "Give the temperature of the SOIL at the depth that the channel measures, not that of the "
        "air or of the instrument: one number, a field of the readings, or a log of a sensor in "
        "the ground. At half a metre the soil hardly changes within a day.",
        "Only channels in units of conductivity are changed; the in-phase part is left alone. This "
        "does not take off the instrument's own drift, though both follow the sun: correct drift "
        "first.",
        "Bounds of a channel, in fields named like it with '_low' and '_high' behind, are "
        "multiplied with it.",
    )
    words = ("EC25", "temperature", "compensation", "normalise", "season", "soil")
    options = (
        Number(
            "TEMPERATURE",
            "Soil temperature",
            "One temperature of the soil at the depth measured, for all readings. Or choose a "
            "field or a log below.",
            unit="°C",
            minimum=COLDEST,
            maximum=WARMEST,
            optional=True,
        ),
        Field(
            "TEMPERATURE_FIELD",
            "Soil temperature field",
            "Field of the readings that holds each one's soil temperature, °C.",
            numeric=True,
            optional=True,
        ),
        Layer(
            "LOG",
            "Temperature log",
            "Table of soil temperatures by time. Between two entries the temperature counts as "
            "changing evenly.",
            optional=True,
        ),
        Field(
            "LOG_TIME_FIELD",
            "Time field of the log",
            "In the same clock as the readings.",
            default="time",
            of="LOG",
        ),
        Field(
            "LOG_TEMPERATURE_FIELD",
            "Temperature field of the log",
            "Soil temperature, °C.",
            default="temperature",
            of="LOG",
        ),
        Field(
            "TIME_FIELD",
            "Time field",
            "Needed with a log: seconds since midnight, a clock time or a date and time.",
            default="time",
            optional=True,
        ),
        Field(
            "DAY_FIELD",
            "Day field",
            "With a log, where the survey took several days: a field of that name in both tells "
            "the days apart. Without it, times run on from day to day.",
            optional=True,
            advanced=True,
        ),
        Toggle(
            "EXTEND",
            "Hold the temperature beyond the log's ends",
            "Otherwise readings taken before its first or after its last entry are refused.",
        ),
        Choice(
            "MODEL",
            "Model",
            "'exponential', usual for soil; 'ratio', a fixed share of the value at 25 °C per "
            "degree; 'handbook', a cubic through the tabled factors. Between 10 and 30 °C they "
            "differ by less than 2 %.",
            default=DEFAULTS.model,
            options=MODELS,
        ),
        Number(
            "RATE",
            "Rise per degree",
            "For 'ratio': share of the conductivity at 25 °C, 0.0191 for 1.91 % per degree.",
            default=DEFAULTS.rate,
            minimum=0.0001,
            maximum=0.0999,
            advanced=True,
        ),
        Number(
            "REFERENCE",
            "Reference temperature",
            "25 °C is the custom; other temperatures make values hard to compare with others'.",
            default=DEFAULTS.reference,
            minimum=COLDEST,
            maximum=WARMEST,
            unit="°C",
            advanced=True,
        ),
    )

    def correct(self, readings, task):
        if any(line.startswith("lynchet:temperature ") for line in task["INPUT"].lines):
            task.warn("The history says that this layer's conductivity was referred once before.")
        degrees, options = self.degrees(readings, task), task.options(TemperatureOptions)
        found = temperature(
            readings,
            degrees,
            options,
            channels=task["CHANNELS"] or None,
            progress=task.part(0.3, 0.8),
        )
        bounded = self.bounded(readings, task)
        names = [name + end for name in bounded for end in BOUNDS]
        if not names:
            return Referred(**vars(found))
        layer = task["INPUT"]
        columns = layer.columns(names).fields
        before = {name: numbers_of(columns[name], layer, name) for name in names}
        factor = factor_to(np.broadcast_to(degrees, len(readings)), options)
        fields = {name: column * factor for name, column in before.items()}
        if task["KEEP_PREVIOUS"]:
            fields.update({name + PREVIOUS: column for name, column in before.items()})
        told = (
            f"{', '.join(bounded)}: the bounds, in the fields with {' and '.join(BOUNDS)} behind "
            "the name, are multiplied with them."
        )
        return Referred(
            found.readings,
            {**found.figures, "bounds": ", ".join(names)},
            (*found.messages, told),
            found.warnings,
            fields,
        )

    def bounded(self, readings: Readings, task) -> Sequence[str]:
        """The channels referred whose bounds the layer holds, as fields that are no channels."""
        layer = task["INPUT"]
        channels = {*readings.channels, *channel_units(self.lines(task))}
        numbers = {one.name() for one in layer.fields if one.isNumeric()} - channels
        return [
            name
            for name, unit in zip(readings.channels, readings.units)
            if (task["CHANNELS"] or is_conductivity(unit))
            and all(name + end in numbers for end in BOUNDS)
        ]

    def more(self, task, found: Referred) -> Mapping[str, np.ndarray]:
        return found.fields

    def degrees(self, readings: Readings, task) -> float | np.ndarray:
        """The soil temperature of each reading, or one for all."""
        given = [
            self.parameter(name).label
            for name in ("TEMPERATURE", "TEMPERATURE_FIELD", "LOG")
            if task[name] is not None
        ]
        if len(given) != 1:
            told = f"{' and '.join(given)} are both given" if given else "None is given"
            raise ValueError(
                f"Give the soil temperature in one way: a number, a field or a log. {told}."
            )
        if task["TEMPERATURE"] is not None:
            return task["TEMPERATURE"]
        if task["TEMPERATURE_FIELD"] is not None:
            roles = Roles(channels=(task["TEMPERATURE_FIELD"],))
            return read_readings(task["INPUT"], roles, (), task.part(0.2, 0.3)).values[:, 0]
        if task["TIME_FIELD"] is None:
            raise ValueError(
                "A temperature log needs the time of each reading. Choose the time field."
            )
        log, day = task["LOG"], task["DAY_FIELD"]
        roles = Roles((task["LOG_TEMPERATURE_FIELD"],), time=task["LOG_TIME_FIELD"], day=day)
        days, log_days = shared_codes([task["INPUT"], log], day) if day else (None, None)
        return logged_temperature(
            readings,
            read_readings(log, roles, (), task.part(0.2, 0.3)),
            extend=task["EXTEND"],
            day=days,
            log_day=log_days,
        )
