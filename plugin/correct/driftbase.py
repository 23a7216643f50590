"""The step "Correct drift from base readings"."""

from __future__ import annotations

import numpy as np

from ...algorithms.correct.driftbase import METHODS, REFERENCES, DriftBaseOptions, driftbase
from ...algorithms.readings import Readings
from ..deliver.drift import CURVES, draw_drift
from ..inputs import Field, Layer
from ..parameters import Choice, Number, Toggle
from ..readings_layer import Roles, marked, read_readings, shared_codes
from ..readings_step import CorrectionStep

DEFAULTS = DriftBaseOptions()


class DriftBase(CorrectionStep):
    """Readings to readings without the drift that base readings show."""

    identifier = "driftbase"
    title = "Correct drift from base readings"
    summary = (
        "Draws each channel's drift through readings taken at one place as the day went on, and "
        "takes it off every reading by its time."
    )
    advice = (
        "Base readings may be a layer or table of their own, or rows of the same layer marked by a "
        "field. Readings close in time are one visit and count by their median. Drift between "
        "visits is a guess: common practice is a visit at least at every data grid.",
        "Readings taken before the first or after the last visit are refused unless you allow the "
        "first and last value to be held, for nothing is known of the drift there.",
    )
    words = ("drift", "base station", "base point", "zero check", "temperature", "time")
    needs_time = True
    options = (
        Layer(
            "BASE",
            "Base readings",
            "Point layer or table with the same channel fields and clock. Empty: the rows of the "
            "readings marked by the field below.",
            optional=True,
        ),
        Field(
            "BASE_TIME_FIELD",
            "Time field of the base readings",
            "Of the layer or table of base readings.",
            default="time",
            of="BASE",
        ),
        Field(
            "BASE_FIELD",
            "Field that marks base readings",
            "Where base readings are rows of the same layer: any value but NULL, nothing, 0 and "
            "false marks one.",
            optional=True,
        ),
        Field(
            "DAY_FIELD",
            "Day field",
            "Where the survey took several days: a field of that name in both layers tells the "
            "days apart. Each day gets a curve of its own; all days are brought to one level. "
            "Without it, dates are one long time and the curve runs on from day to day.",
            optional=True,
            advanced=True,
        ),
        Choice(
            "METHOD",
            "Drift between visits",
            "'linear'; 'smooth', a curve that keeps the shape of the visits; 'stepwise', the last "
            "visit holding until the next, for an instrument set to zero at each visit.",
            default=DEFAULTS.method,
            options=METHODS,
        ),
        Choice(
            "REFERENCE",
            "Bring readings to",
            "The base's value at the 'first_visit', the 'median_of_visits', or 'zero', which makes "
            "readings differences from the base.",
            default=DEFAULTS.reference,
            options=REFERENCES,
        ),
        Number(
            "VISIT_GAP",
            "Gap between visits",
            "Base readings further apart in time belong to two visits.",
            default=DEFAULTS.visit_gap,
            minimum=0.001,
            unit="seconds",
            advanced=True,
        ),
        Toggle(
            "EXTEND",
            "Hold the drift beyond the first and last visit",
            "Otherwise readings taken there are refused.",
        ),
    )
    extras = (CURVES,)

    def correct(self, readings, task):
        base, (day, base_day) = self.base(readings, task)
        return driftbase(
            readings,
            base,
            task.options(DriftBaseOptions),
            day=day,
            base_day=base_day,
            progress=task.part(0.3, 0.8),
        )

    def base(self, readings: Readings, task):
        """The base readings, and the days of the readings and of the base readings."""
        layer, source, day = task["INPUT"], task["BASE"], task["DAY_FIELD"]
        if source is None:
            if task["BASE_FIELD"] is None:
                raise ValueError(
                    "No base readings are given. Choose their layer or table, or the field that "
                    "marks them among the readings."
                )
            rows = np.flatnonzero(marked(layer, task["BASE_FIELD"]))
            if not len(rows):
                raise ValueError(
                    f"Field '{task['BASE_FIELD']}' of layer '{layer.name}' marks no base reading."
                )
            (days,) = shared_codes([layer], day) if day else (None,)
            return readings.take(rows), (days, None if days is None else days[rows])
        roles = Roles(channels=readings.channels, time=task["BASE_TIME_FIELD"], day=day)
        base = read_readings(source, roles, source.lines, task.part(0.2, 0.3))
        return base, (shared_codes([layer, source], day) if day else (None, None))

    def after(self, task, found):
        path = task["CURVES"]
        if path is None:
            return {}
        draw_drift(found, path)
        return {"CURVES": str(path)}
