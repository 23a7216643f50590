"""The step "Align opposing passes"."""

from __future__ import annotations

from ...algorithms.correct.alignpasses import (
    APPLICATIONS,
    CHANNEL_CHOICES,
    SCOPES,
    AlignOptions,
    alignpasses,
)
from ..inputs import Field
from ..parameters import Choice, Number
from ..readings_step import CorrectionStep

DEFAULTS = AlignOptions()


class AlignPasses(CorrectionStep):
    """Readings to readings without the lag between opposing passes."""

    identifier = "alignpasses"
    title = "Align opposing passes"
    summary = (
        "Finds how far readings are stamped ahead of where they were taken, from features that "
        "opposing passes show apart, and takes that lag off."
    )
    advice = (
        "Each traverse is compared with its neighbours walked the other way; the lag is the one at "
        "which they agree best, to a small part of the reading interval. Where there is no "
        "evidence of a lag, nothing is done.",
        "Remove spikes and level traverses first. A survey walked one way only shows no lag: give "
        "it, if you know it from walking over one spot both ways.",
        "This lag is the way from measuring to stamping. Coil pairs whose midpoints lie apart have "
        "one each.",
    )
    words = ("lag", "latency", "zigzag", "stagger", "herringbone", "shift", "heading")
    options = (
        Choice(
            "SCOPE",
            "One lag for",
            "'survey', one distance; 'each_grid', one distance a data grid; 'each_line', one a "
            "data grid and what each traverse adds; 'time', one time, a distance by the speed of "
            "each traverse.",
            default=DEFAULTS.scope,
            options=SCOPES,
        ),
        Choice(
            "CHANNEL_LAGS",
            "Channels",
            "'together', one lag from all; 'each', one a channel, which needs resampling.",
            default=DEFAULTS.channel_lags,
            options=CHANNEL_CHOICES,
        ),
        Choice(
            "APPLICATION",
            "Take it off by",
            "'move', moving the points, values untouched; 'resample', interpolating the values "
            "along the traverse to the points as they are.",
            default=DEFAULTS.application,
            options=APPLICATIONS,
        ),
        Number(
            "LAG",
            "Known lag",
            "Taken off as it is: how far readings lie ahead of where they were taken, in map "
            "units, or seconds for 'time'. Empty: found from the readings.",
            optional=True,
        ),
        Number(
            "LARGEST",
            "Largest lag looked for",
            "A larger one is not found, and periodic features nearer than twice this may mislead.",
            default=DEFAULTS.largest,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
        Field(
            "TIME_FIELD",
            "Time field",
            "Needed for 'time' only.",
            default="time",
            optional=True,
            advanced=True,
        ),
    )

    def correct(self, readings, task):
        return alignpasses(readings, task.options(AlignOptions), task.part(0.2, 0.8))
