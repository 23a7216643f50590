"""The step "Convert EMI channels"."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from ...algorithms.correct.temperature import is_conductivity
from ...algorithms.ground.conversion.forms import IN_PHASE_FORMS, QUADRATURE_FORMS, named_numbers
from ...algorithms.ground.conversion.told import Told
from ...algorithms.ground.conversion.zero_level import ZeroLevel
from ...algorithms.ground.emiunits import (
    RECORDED,
    UNCHANGED,
    EmiUnitsCorrection,
    EmiUnitsOptions,
    emiunits,
)
from ..history import channel_units, entries
from ..inputs import Field
from ..parameters import Choice, Number, Point, Text, Toggle
from ..readings_layer import Roles, read_readings
from ..readings_step import CorrectionStep
from ..units import length_or, map_unit
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
    line_help = (
        "Whole number of the traverse a reading belongs to. Readings without one are converted "
        "too: it makes no difference here."
    )
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
        unit = map_unit(layer.crs) if layer else "m"
        return ZeroLevel(offsets, known, task["KNOWN_POINT"], radius, unit)

    def correct(self, readings, task) -> EmiUnitsCorrection:
        for sentence in self.absent(readings, task):
            task.say(sentence)
        return emiunits(
            readings,
            task["INSTRUMENT"],
            task.options(EmiUnitsOptions),
            channels=task["CHANNELS"] or None,
            height=self.height(task),
            zero=self.zero(task),
            told=self.told(task),
            progress=task.part(0.3, 0.8),
        )

    def absent(self, readings, task) -> Iterator[str]:
        """Which channels of the instrument are not worked on, though none was left out."""
        fields = task["INPUT"].fields
        for channel in task["INSTRUMENT"].channels if not task["CHANNELS"] else ():
            name = channel.field
            if name in readings.channels:
                continue
            place = fields.indexOf(name)
            if place < 0:
                yield f"'{name}' of the instrument is not in the layer."
            elif not fields.at(place).isNumeric():
                yield f"'{name}' of the instrument is text in the layer: it is left as it is."
            else:
                yield (
                    f"'{name}' of the instrument is no channel by the layer's history or type: it "
                    "is left as it is. Name the channels to convert it."
                )

    def told(self, task) -> Told:
        """What the history tells of the channels."""
        lines = self.lines(task)
        forms = dict.fromkeys(channel_units(lines), "")
        levels: dict[str, str] = {}
        referred: dict[str, float] = {}
        for entry in entries(lines):
            if entry.step == "lynchet:temperature":
                chosen = entry.parameters.get("CHANNELS") or [
                    name for name, unit in entry.units.items() if is_conductivity(unit)
                ]
                degrees = float(entry.parameters.get("REFERENCE") or 25.0)
                referred.update(dict.fromkeys(chosen, degrees))
            if entry.step != f"lynchet:{self.identifier}":
                continue
            for key, value in entry.figures.items():
                name, _, what = key.rpartition(" ")
                if what == "form":
                    forms[name] = str(value)
                elif what == "offset":
                    levels.setdefault(name, "")
                elif key.endswith(" offset unit"):
                    levels[name.rpartition(" ")[0]] = str(value)
        return Told(forms, levels, referred)

    def height(self, task) -> np.ndarray | None:
        """Height of the coils at each reading, m, where a field tells it."""
        if task["HEIGHT_FIELD"] is None:
            return None
        roles = Roles(channels=(task["HEIGHT_FIELD"],))
        return read_readings(task["INPUT"], roles, (), task.part(0.2, 0.3)).values[:, 0]
