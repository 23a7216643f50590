"""The step "Remove spikes"."""

from __future__ import annotations

from ...algorithms.correct.despike import (
    LONGEST,
    REPLACEMENTS,
    SIDES,
    UNITS,
    DespikeOptions,
    despike,
)
from ..parameters import Choice, Number, Numbers, Toggle
from ..readings_step import CorrectionStep

DEFAULTS = DespikeOptions()


class Despike(CorrectionStep):
    """Readings to readings without spikes."""

    identifier = "despike"
    title = "Remove spikes"
    summary = (
        "Finds readings that stand out from their neighbours along the traverse, flags them in the "
        "field qc and replaces them."
    )
    advice = (
        "Each reading is compared with the median of a window centred on it, in units of the "
        "window's own robust spread (1.4826 times the median absolute deviation). A feature wider "
        "than half of the window is never taken for a spike; a narrower one may be, so keep the "
        "window at most twice as long as the narrowest feature you want to keep.",
        "A run of spikes longer than half of the window hides from its median, such as readings "
        "with the front lifted over an obstacle. 'Longest run of spikes' finds short plateaus with "
        "sharp edges that stand off from the ground on both sides. Something real with sharp edges "
        "and no longer than that is taken off too, unless 'Keep what neighbouring traverses show "
        "too' sees it in the traverse beside: drains and ditches that cross the traverses stay. "
        "Something small and real under one traverse only, such as a nail, looks like a spike: "
        "before digging on or beside a flagged reading, look at what was recorded.",
    )
    words = ("spike", "outlier", "median filter", "Hampel", "MAD", "clean", "noise")
    options = (
        Number(
            "WINDOW",
            "Window",
            "Full length of the window. In readings: an odd number, 3 or more.",
            default=DEFAULTS.window,
            minimum=1e-6,
        ),
        Choice(
            "WINDOW_UNIT",
            "Window counted in",
            "'readings', or 'map_units' of distance walked.",
            default=DEFAULTS.window_unit,
            options=UNITS,
        ),
        Number(
            "THRESHOLD",
            "Threshold",
            "How far a reading must stand out. Lower finds more spikes, and more that are none.",
            default=DEFAULTS.threshold,
            minimum=0.1,
            unit="robust sigmas",
        ),
        Numbers(
            "NOISE_FLOOR",
            "Noise floor",
            "The spread of a window never counts as less than this, so that flat ground is not "
            "despiked: one number for all channels, or one a channel in their order. Empty: each "
            "channel's own noise, measured from the readings.",
            unit="channel units",
            minimum=0,
            optional=True,
        ),
        Choice(
            "SIDE",
            "Side",
            "Spikes that are too 'high', too 'low', or 'both'.",
            default=DEFAULTS.side,
            options=SIDES,
            advanced=True,
        ),
        Choice(
            "REPLACE_BY",
            "Replace by",
            "'median' of the window; 'interpolation' between the nearest good readings of the "
            "traverse; 'null', no reading.",
            default=DEFAULTS.replace_by,
            options=REPLACEMENTS,
        ),
        Number(
            "PASSES",
            "Passes",
            "Further passes leave the spikes already found out of the windows, so that runs of "
            "spikes do not hide one another.",
            default=DEFAULTS.passes,
            minimum=1,
            maximum=10,
            whole=True,
            advanced=True,
        ),
        Number(
            "LONGEST_RUN",
            "Longest run of spikes",
            "Also finds plateaus of up to this many readings, told from the ground on both sides "
            "of them. 0: none. Choose less than the narrowest sharp-edged feature has readings.",
            default=DEFAULTS.longest_run,
            minimum=0,
            maximum=LONGEST,
            whole=True,
            unit="readings",
        ),
        Toggle(
            "KEEP_SHARED",
            "Keep what neighbouring traverses show too",
            "A spike stays where the traverse on either side departs the same way by half to twice "
            "as much at the same place, give or take two readings.",
            default=DEFAULTS.keep_shared,
        ),
    )

    def correct(self, readings, task):
        return despike(readings, task.options(DespikeOptions), task.part(0.2, 0.8))
