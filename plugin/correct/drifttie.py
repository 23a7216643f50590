"""The step "Correct drift from tie lines"."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ...algorithms.correct.driftbase import check_units
from ...algorithms.correct.drifttie import (
    LEVELS,
    MODELS,
    SHAPES,
    DriftTieOptions,
    drifttie,
)
from ..deliver.drift import CURVES, draw_drift
from ..inputs import Field, Layer
from ..parameters import Choice, Number
from ..readings_layer import Roles, marked, read_readings
from ..readings_step import CorrectionStep

DEFAULTS = DriftTieOptions()


class DriftTie(CorrectionStep):
    """Readings to readings without the drift that crossings of lines show."""

    identifier = "drifttie"
    title = "Correct drift from tie lines"
    summary = (
        "Compares what lines read where they cross, draws the drift that explains the differences, "
        "and takes it off every reading by its time."
    )
    advice = (
        "Walk a few tie lines across the traverses, in one go. Where they cross, the ground is the "
        "same and only the instrument has changed in between. All crossings are fitted together, "
        "robustly; how smooth the drift is follows from what predicts left-out crossings best.",
        "Crossings give differences only: the general level is chosen below. Lines that cross "
        "nothing stay as they are and are named.",
        "Take off lag first where there is one, and remove spikes. 'each_line' also takes off "
        "offsets of traverses, as far as their crossings tell.",
    )
    words = ("tie line", "crossover", "drift", "levelling", "network", "spline")
    needs_time = True
    options = (
        Layer(
            "TIES",
            "Tie lines",
            "Point layer of the tie lines, with the same fields and clock. Empty: they are among "
            "the readings, marked by the field below.",
            points=True,
            projected=True,
            optional=True,
        ),
        Field(
            "TIE_FIELD",
            "Field that marks tie lines",
            "Where tie lines are among the readings: any value but NULL, nothing, 0 and false "
            "marks a reading of one. Without layer and field, every line is compared with every "
            "other.",
            optional=True,
        ),
        Choice(
            "MODEL",
            "Drift of",
            "'one_curve', the instrument, as one curve in time; 'each_line', every line by itself.",
            default=DEFAULTS.model,
            options=MODELS,
        ),
        Choice(
            "SHAPE",
            "Shape",
            "'cubic', a smooth curve; 'linear', straight pieces.",
            default=DEFAULTS.shape,
            options=SHAPES,
        ),
        Number(
            "KNOTS",
            "Time between corners",
            "Drift that comes and goes within less than about this is not followed.",
            default=DEFAULTS.knots,
            minimum=0.001,
            unit="seconds",
        ),
        Number(
            "PAUSE",
            "Pause that starts a new curve",
            "Where the instrument was set to zero or switched off in longer pauses. 0: never.",
            default=DEFAULTS.pause,
            minimum=0,
            unit="seconds",
        ),
        Number(
            "SMOOTHNESS",
            "Smoothness",
            "How strongly bends are held down, 0 for not at all. Empty: what predicts left-out "
            "crossings best.",
            optional=True,
            minimum=0,
            advanced=True,
        ),
        Choice(
            "LEVEL",
            "Keep the level of",
            "The 'mean' of the survey, its 'start' or the 'ties'.",
            default=DEFAULTS.level,
            options=LEVELS,
        ),
    )
    extras = (CURVES,)

    def correct(self, readings, task):
        whole, ties = self.lines_and_ties(readings, task)
        found = drifttie(whole, ties, task.options(DriftTieOptions), task.part(0.3, 0.8))
        own = np.arange(len(readings))
        return replace(found, readings=readings.with_values(found.readings.values[own]))

    def lines_and_ties(self, readings, task):
        """The readings with the tie lines behind them, and which of their lines are tie lines."""
        layer = task["TIES"]
        if layer is None and task["TIE_FIELD"] is None:
            return readings, None
        if layer is None:
            mark = marked(task["INPUT"], task["TIE_FIELD"])
            if not mark.any():
                raise ValueError(
                    f"Field '{task['TIE_FIELD']}' of layer '{task['INPUT'].name}' marks no tie "
                    "line."
                )
            return readings, np.array([mark[line.rows].mean() > 0.5 for line in readings.lines])
        has = {name: name in layer.field_names for name in ("line", "seq", "grid")}
        roles = Roles(
            channels=readings.channels,
            line=task["LINE_FIELD"] if task["LINE_FIELD"] in layer.field_names else None,
            sequence="seq" if has["seq"] else None,
            grid="grid" if has["grid"] else None,
            time=task["TIME_FIELD"],
        )
        second = read_readings(layer, roles, layer.lines, task.part(0.2, 0.3))
        check_units(readings, second, "tie lines")
        whole = readings.followed_by(second)
        return whole, np.array([line.rows[0] >= len(readings) for line in whole.lines])

    def after(self, task, found):
        path = task["CURVES"]
        if path is None:
            return {}
        draw_drift(
            found,
            path,
            "Drift from tie lines",
            "Dots: what the differences at crossings say of the drift. Line: the drift taken off.",
        )
        return {"CURVES": str(path)}
