"""Parameters that say what walking costs and how readings are logged."""

from __future__ import annotations

from ...algorithms.plan.effort import EffortOptions
from ..parameters import Number

DEFAULTS = EffortOptions()
EFFORT = (
    Number(
        "SPEED",
        "Walking speed",
        "While reading, and on the way to the next traverse.",
        default=DEFAULTS.speed,
        minimum=1e-6,
        unit="map units a second",
    ),
    Number(
        "RATE",
        "Logging rate",
        "Where a clock releases readings: a warning tells when walking is too fast for the "
        "reading interval. Empty: readings are released by distance or by hand.",
        optional=True,
        minimum=1e-6,
        unit="readings a second",
    ),
    Number(
        "CAPACITY",
        "Readings that the logger holds",
        "All channels of one moment are one reading. Empty: more than enough.",
        optional=True,
        minimum=1,
        whole=True,
    ),
    Number(
        "BATTERY",
        "Life of a battery",
        "With the instrument left on all the time. Empty: long enough.",
        optional=True,
        minimum=1e-6,
        unit="hours",
    ),
    Number(
        "BASE_EVERY",
        "Base check at least every",
        "Besides those at the start of every area and at the end. Empty: those alone.",
        default=DEFAULTS.base_every,
        optional=True,
        minimum=1e-6,
        unit="minutes",
    ),
    Number(
        "BASE_TIME",
        "Time of a base check",
        "With the way there and back.",
        default=DEFAULTS.base_time,
        minimum=0,
        unit="minutes",
        advanced=True,
    ),
    Number(
        "TURN_TIME",
        "Time of a turn",
        "Turning, stepping over and starting anew; the way itself is counted by the speed.",
        default=DEFAULTS.turn_time,
        minimum=0,
        unit="seconds",
        advanced=True,
    ),
    Number(
        "GRID_TIME",
        "Time to move to the next area",
        "With tapes, strings and instrument.",
        default=DEFAULTS.grid_time,
        minimum=0,
        unit="minutes",
        advanced=True,
    ),
    Number(
        "BREAKS",
        "Breaks and mishaps",
        "Share of the time in the field.",
        default=DEFAULTS.breaks,
        minimum=0,
        maximum=95,
        unit="%",
        advanced=True,
    ),
    Number(
        "DAY",
        "Time in the field a day",
        "Without the journey.",
        default=DEFAULTS.day,
        minimum=0.1,
        maximum=24,
        unit="hours",
        advanced=True,
    ),
)
