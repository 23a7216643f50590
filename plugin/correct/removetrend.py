"""The step "Remove regional trend"."""

from __future__ import annotations

import numpy as np

from ...algorithms.correct.removetrend import (
    METHODS,
    MOST_DEGREE,
    SCOPES,
    RemoveTrendOptions,
    TrendCorrection,
    removetrend,
)
from ...algorithms.correct.trend_surfaces import LOSSES
from ..parameters import Choice, Number, Toggle
from ..readings_step import CorrectionStep

DEFAULTS = RemoveTrendOptions()
TREND = "_trend"


class RemoveTrend(CorrectionStep):
    """Readings to readings without the slow change of the ground."""

    identifier = "removetrend"
    title = "Remove regional trend"
    summary = (
        "Takes a smooth surface off each channel: the slow change of soil, wetness and depth over "
        "the survey that hides weak features or fills the range of colours."
    )
    advice = (
        "Whatever is as wide as the trend can follow is taken off with it. Use the plainest "
        "surface that does: a plane before a quadratic, a quadratic before a spline. Widths should "
        "be several times the widest feature to keep.",
        "The trend is drawn through medians of blocks and left unmoved by features that fill less "
        "than half of the ground it is drawn over. Look at the trend fields: no feature should be "
        "seen in them.",
        "Correct drift and level first: their faults are not smooth, and bend the trend.",
    )
    words = ("regional", "residual", "trend surface", "background", "high-pass", "detrend", "slope")
    options = (
        Choice(
            "METHOD",
            "Trend",
            "'polynomial' in x and y; 'moving_median' in a round window; 'gaussian', a weighted "
            "mean; 'thin_plate', a smoothing spline.",
            default=DEFAULTS.method,
            options=METHODS,
        ),
        Number(
            "DEGREE",
            "Degree of the polynomial",
            "0 a constant, 1 a plane, 2 a bowl or saddle; 3 and 4 swing at the edges.",
            default=DEFAULTS.degree,
            minimum=0,
            maximum=MOST_DEGREE,
            whole=True,
        ),
        Number(
            "WIDTH",
            "Width of the window",
            "For 'moving_median' its diameter, for 'gaussian' the width at half of its height. "
            "Give several times the width of the widest feature to keep.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "FREEDOM",
            "Degrees of freedom of the spline",
            "3 is a plane, 6 about as bendy as a quadratic. Empty: by generalised "
            "cross-validation, at most 30; it takes features for ground if they fill much of it.",
            optional=True,
            minimum=3,
        ),
        Choice(
            "SCOPE",
            "One trend for",
            "The whole 'survey', or 'each_grid' by itself, which keeps each data grid's level.",
            default=DEFAULTS.scope,
            options=SCOPES,
        ),
        Toggle(
            "KEEP_LEVEL",
            "Keep the level",
            "Takes the median off the trend first, so that values stay near the ground's. "
            "Otherwise they come to lie about zero.",
            default=DEFAULTS.keep_level,
        ),
        Choice(
            "LOSS",
            "What departs from the trend",
            "'tukey' leaves it out, 'huber' lets it count less, 'least_squares' lets it count in "
            "full. Not used by 'moving_median'.",
            default=DEFAULTS.loss,
            options=LOSSES,
            advanced=True,
        ),
        Toggle(
            "KEEP_TREND",
            "Keep the trend",
            "Writes the trend into fields named like the channel with '_trend' behind.",
            default=True,
            advanced=True,
        ),
    )

    def correct(self, readings, task):
        return removetrend(readings, task.options(RemoveTrendOptions), task.part(0.2, 0.8))

    def more(self, task, found: TrendCorrection) -> dict[str, np.ndarray]:
        """The trend as fields of its own."""
        if not task["KEEP_TREND"]:
            return {}
        return {
            name + TREND: column for name, column in zip(found.readings.channels, found.trend.T)
        }
