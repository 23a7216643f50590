"""The step "Describe the instrument"."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from ...algorithms.ground.instrument import SCALES, Instrument, induction_number
from ...algorithms.ground.instrument_text import UNITS, instrument_text
from ...algorithms.ground.writeinstrument import (
    USUAL_GROUND,
    Described,
    coil_pairs,
    pair_lines,
    usual_name,
)
from ...algorithms.progress import advance
from ..outputs import FileOutput
from ..parameters import Choice, Numbers, Text
from ..step import Step, as_json
from ..task import Task

DEFAULTS = Described()


@dataclass(frozen=True)
class Words(Text):
    """Words separated by semicolons; an empty one between two semicolons counts."""

    def value(self, task) -> tuple[str, ...]:
        """The words, trimmed; none where nothing is given."""
        text = super().value(task)
        return tuple(word.strip() for word in text.split(";")) if text else ()


def _listed(numbers) -> str:
    return "; ".join(f"{number:g}" for number in numbers)


class WriteInstrument(Step):
    """Coil pairs, as told in a dialog, to the description that the ground steps read."""

    identifier = "writeinstrument"
    title = "Describe the instrument"
    stage = "ground"
    summary = (
        "Writes a description of the instrument, its coil pairs and the fields that hold their "
        "readings, for the steps that model the ground."
    )
    advice = (
        "Give as many coil spacings as there are coil pairs. Orientation, frequency and height are "
        "one for all pairs, or one a pair separated by semicolons. A field walked twice, in two "
        "orientations, makes two pairs of one spacing.",
        "The heights are those of the coils above the ground as carried, not of the instrument's "
        "handle. What is wrong here is wrong in every model of the ground: check the messages "
        "against the instrument's papers.",
        "The file is plain text and can be edited; its form is described in the guide.",
    )
    words = (
        "instrument", "coil", "spacing", "dipole", "frequency", "height", "EMI", "HCP", "VCP",
        "PRP", "coplanar", "perpendicular", "configuration", "induction number",
    )  # fmt: skip
    parameters = (
        Numbers(
            "SPACINGS",
            "Coil spacings",
            "Distance between the midpoints of transmitter and receiver, one a coil pair separated "
            "by semicolons, in metres.",
            default=_listed(DEFAULTS.spacing),
            unit="m",
            each="coil pair",
        ),
        Words(
            "ORIENTATIONS",
            "Orientations",
            "How the dipoles stand: 'vertical' (coils flat, horizontal coplanar), 'horizontal' "
            "(coils upright, vertical coplanar) or 'perpendicular'. One for all coil pairs, or one "
            "a pair separated by semicolons.",
            default=DEFAULTS.orientation[0],
        ),
        Numbers(
            "FREQUENCIES",
            "Frequencies",
            "In hertz: 10000 for 10 kHz. One for all coil pairs, or one a pair separated by "
            "semicolons.",
            default=_listed(DEFAULTS.frequency),
            unit="Hz",
            each="coil pair",
        ),
        Numbers(
            "HEIGHTS",
            "Heights above ground",
            "Of the coils as carried, in metres. One for all coil pairs, or one a pair separated "
            "by semicolons.",
            default=_listed(DEFAULTS.height),
            unit="m",
            each="coil pair",
            minimum=0.0,
        ),
        Words(
            "QUADRATURE",
            "Quadrature fields",
            "Fields that hold the quadrature part (conductivity): one a coil pair separated by "
            "semicolons, or a pattern for all in which {cm} is the spacing in whole "
            "centimetres, three digits or more, {orientation} the orientation and {pair} the "
            "pair's number. Empty: not recorded.",
            default=DEFAULTS.quadrature[0],
            optional=True,
        ),
        Choice(
            "QUADRATURE_UNIT",
            "Unit of the quadrature part",
            "'mS/m' for apparent conductivity as worked out by the rule for low induction numbers; "
            "else the share of the primary field: 'ratio', 'ppt' (thousandths) or 'ppm' "
            "(millionths).",
            default=Instrument.quadrature_unit,
            options=UNITS["quadrature_unit"],
        ),
        Words(
            "IN_PHASE",
            "In-phase fields",
            "Fields that hold the in-phase part, as above. Empty: not recorded.",
            default=DEFAULTS.in_phase[0],
            optional=True,
        ),
        Choice(
            "IN_PHASE_UNIT",
            "Unit of the in-phase part",
            "Share of the primary field: 'ratio', 'ppt' (thousandths) or 'ppm' (millionths).",
            default=Instrument.in_phase_unit,
            options=tuple(SCALES),
        ),
        Text(
            "NAME",
            "Name of the instrument",
            "For messages and figures. Empty: named by its number of coil pairs.",
            default="",
            optional=True,
        ),
        Words(
            "PAIR_NAMES",
            "Names of the coil pairs",
            "One a coil pair separated by semicolons. Empty: named by spacing and orientation.",
            default="",
            optional=True,
            advanced=True,
        ),
        FileOutput(
            "OUTPUT",
            "Instrument description",
            "The JSON file to write.",
            filter="Instrument description (*.json)",
        ),
    )

    def problem(self, task):
        try:
            self.instrument(task)
        except ValueError as wrong:
            return str(wrong)
        return None

    def instrument(self, task: Task) -> Instrument:
        """The instrument that the parameters describe.

        Raises
        ------
        ValueError
            If they describe none.
        """
        pairs = coil_pairs(
            Described(
                task["SPACINGS"],
                task["ORIENTATIONS"],
                task["FREQUENCIES"],
                task["HEIGHTS"],
                task["PAIR_NAMES"],
                task["QUADRATURE"],
                task["IN_PHASE"],
            )
        )
        name = task["NAME"] or usual_name(pairs)
        return Instrument(pairs, name, task["QUADRATURE_UNIT"], task["IN_PHASE_UNIT"])

    def work(self, task: Task) -> Mapping[str, object]:
        instrument, path = self.instrument(task), task["OUTPUT"]
        said, hints = pair_lines(instrument)
        advance(task.progress, 0.5)
        try:
            path.write_bytes(instrument_text(instrument).encode("utf-8"))
        except (OSError, UnicodeEncodeError) as wrong:
            raise ValueError(f"'{path}' could not be written ({wrong}).") from wrong
        for sentence in said:
            task.say(sentence)
        for sentence in hints:
            task.warn(sentence)
        pairs = instrument.pairs
        highest = max(induction_number(pair, USUAL_GROUND) for pair in pairs)
        figures = {
            "pairs": len(pairs),
            "channels": len(instrument.channels),
            "spacings": [pair.spacing for pair in pairs],
            "highest induction number": round(highest, 4),
        }
        return {"OUTPUT": str(path), "FIGURES": as_json(figures)}
