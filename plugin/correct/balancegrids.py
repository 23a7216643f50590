"""The step "Balance data grids"."""

from __future__ import annotations

from ...algorithms.correct.balancegrids import BalanceOptions, balancegrids
from ..inputs import Field
from ..parameters import Number, Text, Toggle
from ..readings_layer import text_codes
from ..readings_step import CorrectionStep

DEFAULTS = BalanceOptions()


class BalanceGrids(CorrectionStep):
    """Readings to readings without offsets between data grids, days or operators."""

    identifier = "balancegrids"
    title = "Balance data grids"
    summary = (
        "Finds what data grids, days or operators read too much or too little against each other "
        "where they meet or overlap, and takes it off."
    )
    advice = (
        "At places along every edge a smooth surface with a step in it is fitted to the readings "
        "of both sides; all steps together give one offset a data grid. Edges that go round a "
        "corner check each other, and the report says how well they agree.",
        "Level traverses and correct drift first: an offset of the traverses along an edge is "
        "taken for one of the data grid. A ditch that runs along an edge, and along no other, "
        "cannot be told from a step; look at the errors given.",
        "Sets of data grids that do not touch are balanced each in itself, and named.",
    )
    words = ("grid matching", "edge match", "mosaic", "offset", "operator", "day", "zero")
    options = (
        Field(
            "PART_FIELD",
            "Field of the parts",
            "What has a zero of its own: a field of data grids, days or operators. Empty: the data "
            "grid field.",
            optional=True,
        ),
        Text(
            "HOLD",
            "Part to hold",
            "Name of the part whose values stay as they are. Empty: the survey's mean level stays.",
            default=DEFAULTS.hold,
            optional=True,
        ),
        Toggle(
            "GAIN",
            "Find gains too",
            "Also brings the parts' sensitivities together, where the values along their edges "
            "vary enough to tell.",
            default=DEFAULTS.gain,
        ),
        Number(
            "REACH",
            "Reach from the edge",
            "Readings further from an edge do not inform its step. Empty: six traverse "
            "separations.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
    )

    def correct(self, readings, task):
        parts, names = None, ()
        if task["PART_FIELD"]:
            field = task["PART_FIELD"]
            words = task["INPUT"].columns([field]).fields[field].tolist()
            parts, names = text_codes(words)
            if "" in names:
                parts[parts == names.index("")] = -1
        options = task.options(BalanceOptions)
        return balancegrids(
            readings, options, parts=parts, names=names, progress=task.part(0.2, 0.8)
        )
