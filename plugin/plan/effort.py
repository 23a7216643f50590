"""Parameters that say what walking costs and how readings are logged."""

from __future__ import annotations

from ...algorithms.plan.effort import BASE_AT, EffortOptions
from ..parameters import Choice, Number

DEFAULTS = EffortOptions()
EFFORT = (
    Number(
        "SPEED",
        "Walking speed",
        "While reading, and on the way to the next traverse. Empty: 1 metre a second.",
        optional=True,
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
    Choice(
        "BASE_AT",
        "Base checks",
        "'areas': at the start of every area, as is common, and more where the next parameter asks "
        "for them; 'interval': only where it does, for small areas side by side. Either way one "
        "comes before the first traverse and one after the last.",
        default=DEFAULTS.base_at,
        options=BASE_AT,
    ),
    Number(
        "BASE_EVERY",
        "Base check at least every",
        "A check comes before a traverse that would end later than this after the last one. 0: "
        "those of the areas alone.",
        default=DEFAULTS.base_every,
        minimum=0,
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
        "With tapes, strings and instrument, to one close by; more where the way is far.",
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


def effort(task, metre: float) -> EffortOptions:
    """What walking costs, from the parameters `EFFORT`; `metre` in map units."""
    speed = DEFAULTS.speed * metre if task["SPEED"] is None else task["SPEED"]
    return task.options(EffortOptions, speed=speed, base_every=task["BASE_EVERY"] or None)
