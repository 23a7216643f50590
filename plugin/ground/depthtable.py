"""The step "Tabulate depth sensitivity"."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from qgis.core import QgsCoordinateReferenceSystem, QgsFeature, QgsFields, QgsWkbTypes

from ...algorithms.ground.depthtable import (
    DEPTH_IN_SPACINGS,
    DepthOptions,
    DepthTable,
    depthtable,
    table_depths,
)
from ...algorithms.ground.grounds.typed import typed_ground
from ...algorithms.ground.instrument import Instrument
from .. import compat
from ..deliver.depth_curves import draw_depth_curves
from ..outputs import FileOutput, LayerOutput
from ..parameters import Number
from ..readings_layer import attribute_cells
from ..step import Step
from ..task import Task
from .instruments import INSTRUMENT_OR_GENERIC
from .typed_grounds import CONDUCTIVITIES, HEIGHT, THICKNESSES, at_height

DEFAULTS = DepthOptions()
KINDS = ("low", "exact", "in_phase")


class DepthSensitivity(Step):
    """An instrument to a table of what each depth adds to its readings."""

    identifier = "depthtable"
    title = "Tabulate depth sensitivity"
    stage = "ground"
    summary = (
        "Tells from what depths the coil pairs of an instrument draw their response: what a thin "
        "layer adds at each depth, how much comes from above it, and the depth from above which "
        "70 % comes."
    )
    advice = (
        "Depths are below the ground surface, for coils at their height above it. 'low' is for low "
        "induction numbers and holds for any ground; 'exact' is for the ground given and counts "
        "where the ground conducts well, the coils stand far apart or the frequency is high: a "
        "warning tells when the two part.",
        "The depth from above which 70 % of the response comes is no limit of detection. A strong "
        "feature deeper than that shows, a weak one above it may not.",
        "The in-phase columns are for susceptible ground. Layers can cancel each other there: "
        "sums from above may pass 100 % or begin below 0 %.",
    )
    words = (
        "depth", "sensitivity", "exploration depth", "depth of investigation", "DOI", "EMI",
        "cumulative response", "relative response", "McNeill", "induction number", "instrument",
    )  # fmt: skip
    parameters = (
        INSTRUMENT_OR_GENERIC,
        CONDUCTIVITIES,
        THICKNESSES,
        HEIGHT,
        Number(
            "SHARE",
            "Share of the response",
            "Whose depth is looked for. 70 is the custom.",
            default=DEFAULTS.share,
            minimum=1.0,
            maximum=99.0,
            unit="%",
        ),
        Number(
            "MAX_DEPTH",
            "Greatest depth",
            f"Of the table and picture. Empty: {DEPTH_IN_SPACINGS:g} times the widest coil "
            "spacing, and further where the depths of the share lie deeper.",
            optional=True,
            minimum=0.01,
            unit="m",
        ),
        Number(
            "DEPTH_STEP",
            "Step of depth",
            "From row to row of the table. Empty: a round figure that gives some 40 to 100 rows.",
            optional=True,
            minimum=0.001,
            unit="m",
            advanced=True,
        ),
        LayerOutput(
            "OUTPUT",
            "Depth sensitivity",
            "A table, one row a coil pair and depth. 'relative' is the share of the response that "
            "a layer adds per metre, 'above' the share from above the depth, 'change' what the "
            "layer adds per metre in the channel's unit.",
            kind=None,
        ),
        FileOutput(
            "PICTURE",
            "Picture",
            "A page or picture of the curves with the depths marked: look at it.",
            optional=True,
            filter="HTML page (*.html);;PNG picture (*.png);;SVG picture (*.svg)",
        ),
    )

    def problem(self, task: Task) -> str | None:
        try:
            table_depths(self.instrument(task), self.options(task))
        except ValueError as wrong:
            return str(wrong)
        return None

    def instrument(self, task: Task) -> Instrument:
        """The instrument, at the height asked for."""
        return at_height(task["INSTRUMENT"], task["HEIGHT"])

    def options(self, task: Task) -> DepthOptions:
        """What to tabulate."""
        ground = typed_ground(task["CONDUCTIVITIES"], task["THICKNESSES"])
        return task.options(DepthOptions, ground=ground)

    def work(self, task: Task) -> Mapping[str, object]:
        remark = self.parameter("INSTRUMENT").remark(task)
        if remark:
            task.say(remark)
        found = depthtable(self.instrument(task), self.options(task), task.part(0.0, 0.8))
        target = self.write_layer(
            task,
            "OUTPUT",
            _fields(),
            QgsWkbTypes.Type.NoGeometry,
            QgsCoordinateReferenceSystem(),
            _features(found),
            [self.entry(task, found.figures, {})],
        )
        outputs = {"OUTPUT": target, "FIGURES": self.report(task, found)}
        task.progress(0.9)
        if task["PICTURE"] is not None:
            draw_depth_curves(found, task["PICTURE"])
            outputs["PICTURE"] = str(task["PICTURE"])
        task.progress(1.0)
        return outputs


def _fields() -> QgsFields:
    return compat.fields(
        ("pair", "text"),
        ("spacing", "real", "spacing [m]"),
        ("orientation", "text"),
        ("frequency", "real", "frequency [Hz]"),
        ("height", "real", "height above the ground [m]"),
        ("depth", "real", "depth below the ground [m]"),
        ("relative_low", "real", "share of a layer, low induction numbers [%/m]"),
        ("above_low", "real", "share from above, low induction numbers [%]"),
        ("change_low", "real", "mS/m shown per mS/m in a layer, low induction numbers [1/m]"),
        ("relative_exact", "real", "share of a layer, exact [%/m]"),
        ("above_exact", "real", "share from above, exact [%]"),
        ("change_exact", "real", "mS/m shown per mS/m in a layer, exact [1/m]"),
        ("relative_in_phase", "real", "share of a susceptible layer, in-phase [%/m]"),
        ("above_in_phase", "real", "share of susceptible ground above, in-phase [%]"),
        ("change_in_phase", "real", "in-phase of a layer of 0.001 SI [ppt/m]"),
    )


def _features(found: DepthTable) -> Iterator[QgsFeature]:
    fields = _fields()
    for one in found.pairs:
        pair = one.pair
        head = [one.label, pair.spacing, pair.orientation, pair.frequency, pair.height]
        columns = [attribute_cells(found.depth)]
        for kind in KINDS:
            curve = getattr(one, kind).at(found.depth)
            columns += map(attribute_cells, (100 * curve.relative, 100 * curve.above, curve.change))
        for cells in zip(*columns):
            feature = QgsFeature(fields)
            feature.setAttributes([*head, *cells])
            yield feature
