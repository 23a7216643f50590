"""The step "Convert EMI channels"."""

from __future__ import annotations

import numpy as np

from ...algorithms.ground.conversion.forms import IN_PHASE_FORMS, QUADRATURE_FORMS, named_numbers
from ...algorithms.ground.conversion.zero_level import ZeroLevel
from ...algorithms.ground.emiunits import (
    RECORDED,
    UNCHANGED,
    EmiUnitsCorrection,
    EmiUnitsOptions,
    emiunits,
)
from ..history import entries
from ..inputs import Field
from ..parameters import Choice, Number, Point, Text, Toggle
from ..readings_layer import Roles, read_readings
from ..readings_step import CorrectionStep
from ..units import length_or
from .instruments import INSTRUMENT

DEFAULTS = EmiUnitsOptions()
RADIUS = 1.0
"""Of the known point where none is given, metres."""


class EmiUnits(CorrectionStep):
    """Readings to readings whose channels are in other units."""

    identifier = "emiunits"
    title = "Convert EMI channels"
    stage = "ground"
    summary = (
        "Converts the channels of an electromagnetic instrument between field ratio, apparent "
        "conductivity (by the rule for low induction numbers or exact) and apparent "
        "susceptibility, refers them to the ground below the coils, and sets their zero level."
    )
    advice = (
        "What instruments show as conductivity is the quadrature part of the field times a number: "
        "right for small induction numbers and coils on the surface. 'exact' gives the "
        "conductivity of the uniform ground that would read the same with the coils at their "
        "height; the messages tell how far the rule is off.",
        "Set the zero level before anything else is made of absolute values: that of in-phase "
        "channels is arbitrary in most instruments, and so is every susceptibility made of it. "
        "Correct drift first.",
        "An apparent value is that of ground that is the same all the way down. It is no layer's "
        "value, and a high one is no proof of anything buried, nor a low one of nothing.",
    )
    words = (
        "EMI", "quadrature", "in-phase", "ppm", "ppt", "apparent conductivity", "ECa", "LIN",
        "low induction number", "susceptibility", "kappa", "zero level", "offset", "height",
        "calibration",
    )  # fmt: skip
    options = (
        INSTRUMENT,
        Choice(
            "QUADRATURE_FROM",
            "Quadrature channels are now",
            "'recorded': as the instrument description says, or as the history says where this "
            "step converted them before. Else the field ratio (plain, in ppt or ppm), or mS/m: "
            "'low_induction' as instruments show it, 'low_induction_lifted' with the height taken "
            "out, or 'exact'.",
            default=DEFAULTS.quadrature_from,
            options=(RECORDED, *QUADRATURE_FORMS),
        ),
        Choice(
            "QUADRATURE_TO",
            "Convert quadrature channels to",
            "'exact', the conductivity of uniform ground that reads the same at this height; the "
            "other forms as above; or 'unchanged'.",
            default=DEFAULTS.quadrature_to,
            options=(UNCHANGED, *QUADRATURE_FORMS),
        ),
        Choice(
            "IN_PHASE_FROM",
            "In-phase channels are now",
            "'recorded' as above, a field ratio, or 'susceptibility' in 1e-5 SI.",
            default=DEFAULTS.in_phase_from,
            options=(RECORDED, *IN_PHASE_FORMS),
        ),
        Choice(
            "IN_PHASE_TO",
            "Convert in-phase channels to",
            "A field ratio; 'susceptibility', that of uniform ground that reads the same at this "
            "height, in 1e-5 SI; or 'unchanged'.",
            default=DEFAULTS.in_phase_to,
            options=(UNCHANGED, *IN_PHASE_FORMS),
        ),
        Toggle(
            "SUBTRACT_CONDUCTIVE",
            "Take the conductive ground off the in-phase part",
            "Conductive ground reads in phase too. What uniform ground of the quadrature part's "
            "conductivity gives is taken off; the quadrature channel of the same coil pair must be "
            "among the channels.",
            default=DEFAULTS.subtract_conductive,
        ),
        Field(
            "HEIGHT_FIELD",
            "Height field",
            "Field of the readings that holds the height of the coils above the ground, metres, "
            "in place of the heights in the instrument description.",
            numeric=True,
            optional=True,
        ),
        Text(
            "OFFSETS",
            "Offsets",
            "What channels read too much, in the unit they are in now, such as ec_050 = 2.5; "
            "ip_050 = -0.3. Taken off every reading.",
            optional=True,
        ),
        Text(
            "KNOWN_VALUES",
            "Known values",
            "What channels should give at the known point, in the unit they are converted to, such "
            "as ec_050 = 20; ip_050 = 40. What they read too much there is taken off every "
            "reading.",
            optional=True,
        ),
        Point("KNOWN_POINT", "Known point", "Where the values are known.", optional=True,
              crs_of="INPUT"),
        Number(
            "KNOWN_RADIUS",
            "Radius of the known point",
            "The median of the readings so near to it counts. Empty: 1 m.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
    )  # fmt: skip

    def problem(self, task):
        try:
            self.zero(task)
        except ValueError as wrong:
            return str(wrong)
        return None

    def zero(self, task) -> ZeroLevel:
        """The zero level asked for."""
        offsets, known = (
            named_numbers(task[name], self.parameter(name).label)
            for name in ("OFFSETS", "KNOWN_VALUES")
        )
        layer = task["INPUT"]
        radius = length_or(task["KNOWN_RADIUS"], RADIUS, layer.crs) if layer else RADIUS
        return ZeroLevel(offsets, known, task["KNOWN_POINT"], radius)

    def correct(self, readings, task) -> EmiUnitsCorrection:
        zero = self.zero(task)
        before, levelled = self.told(task)
        again = [name for name in (*zero.offsets, *zero.known) if name in levelled]
        if again:
            task.warn(
                f"The history says that the zero level of {', '.join(again)} was set once before."
            )
        return emiunits(
            readings,
            task["INSTRUMENT"],
            task.options(EmiUnitsOptions),
            channels=task["CHANNELS"] or None,
            height=self.height(task),
            zero=zero,
            before=before,
            progress=task.part(0.3, 0.8),
        )

    def told(self, task) -> tuple[dict[str, str], set[str]]:
        """By the history: the form of each channel, and those whose zero level was set."""
        forms: dict[str, str] = {}
        levelled: set[str] = set()
        for entry in entries(self.lines(task)):
            if entry.step != f"lynchet:{self.identifier}":
                continue
            for key, value in entry.figures.items():
                name, _, what = key.rpartition(" ")
                if what == "form":
                    forms[name] = str(value)
                elif what == "offset":
                    levelled.add(name)
        return forms, levelled

    def height(self, task) -> np.ndarray | None:
        """Height of the coils at each reading, m, where a field tells it."""
        if task["HEIGHT_FIELD"] is None:
            return None
        roles = Roles(channels=(task["HEIGHT_FIELD"],))
        return read_readings(task["INPUT"], roles, (), task.part(0.2, 0.3)).values[:, 0]
