"""The step "Check readings"."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFields,
    QgsFillSymbol,
    QgsGeometry,
    QgsPointXY,
    QgsRendererCategory,
    QgsVectorLayer,
    QgsWkbTypes,
)

from ...algorithms.check.checkreadings import checkreadings
from ...algorithms.check.coverage import COVERED, GAP, Patch
from ...algorithms.check.findings import Finding
from ...algorithms.check.survey import CheckOptions
from .. import compat
from ..deliver.check_page import write_check_page
from ..outputs import FileOutput, LayerOutput
from ..parameters import Number
from ..readings_step import READINGS, TIME_FIELD, ReadingsStep
from ..tr import tr
from ..units import map_unit

DEFAULTS = CheckOptions()
COLOURS = {COVERED: "92,122,74", GAP: "160,60,20"}


def style_coverage(layer: QgsVectorLayer) -> None:
    """Covered ground pale green, gaps russet."""
    categories = [
        QgsRendererCategory(
            kind,
            QgsFillSymbol.createSimple(
                {
                    "color": f"{COLOURS[kind]},{opacity}",
                    "outline_color": COLOURS[kind],
                    "outline_width": "0.3",
                    "outline_width_unit": "MM",
                }
            ),
            tr(label),
        )
        for kind, opacity, label in ((COVERED, 50, "Covered"), (GAP, 150, "Gap"))
    ]
    layer.setRenderer(QgsCategorizedSymbolRenderer("kind", categories))


class CheckReadings(ReadingsStep):
    """Readings to findings, coverage and a page."""

    identifier = "checkreadings"
    title = "Check readings"
    stage = "check"
    summary = (
        "Tells whether a survey is fit to process: counts, coverage and gaps, spacing, walking, "
        "positions, values, noise, offsets, drift, lag and mismatch, each with a verdict and the "
        "step that would mend it. The readings stay as they are."
    )
    advice = (
        "'good' asks for nothing; 'look' for a look at the map or the page; 'mend' for the step "
        "named or, where none is, for measuring again or correcting the file; 'cannot tell' says "
        "that the readings do not show it.",
        "Without planned values each traverse and reading is judged by the rest of the survey: a "
        "survey that is wrong throughout then looks right. Give the planned separation and "
        "interval.",
        "Run it again after the corrections: what they were to mend must be gone.",
    )
    words = ("quality", "QC", "coverage", "gaps", "noise", "statistics", "histogram", "report")
    parameters = (
        *READINGS,
        replace(TIME_FIELD, optional=True),
        Number(
            "SEPARATION",
            "Planned traverse separation",
            "Empty: each traverse is judged by the usual separation of the survey.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "INTERVAL",
            "Planned reading interval",
            "Empty: each reading is judged by the usual interval of the survey.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "TOLERANCE",
            "Tolerance",
            "How far separation and interval may be off.",
            default=DEFAULTS.tolerance,
            minimum=0.1,
            maximum=999,
            unit="%",
        ),
        Number(
            "REACH",
            "Reach of a reading",
            "Ground further than this from every reading is a gap. Empty: three quarters of the "
            "separation, so that a missing traverse leaves a gap.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
            advanced=True,
        ),
        Number(
            "GAP_FACTOR",
            "Gap along a traverse",
            "A longer step from reading to reading is a gap.",
            default=DEFAULTS.gap_factor,
            minimum=1.01,
            unit="reading intervals",
            advanced=True,
        ),
        LayerOutput(
            "FINDINGS",
            "Findings",
            "A table, one row a finding, with its verdict and the step that would mend it.",
            kind=None,
            optional=True,
        ),
        LayerOutput(
            "COVERAGE",
            "Coverage",
            "Covered ground and gaps as polygons, by data grid, with their area.",
            kind="Polygon",
            style=style_coverage,
            optional=True,
        ),
        FileOutput(
            "PAGE",
            "Page",
            "A page to look at and to show: verdict, map, histograms, noise of each traverse and "
            "all findings.",
            optional=True,
            filter="HTML page (*.html)",
        ),
    )

    def work(self, task):
        layer = task["INPUT"]
        readings = self.read(task)
        unit = map_unit(layer.crs)
        found = checkreadings(
            readings, task.options(CheckOptions, length_unit=unit), task.part(0.2, 0.85)
        )
        units = dict(zip(readings.channels, readings.units))
        history = [*self.lines(task), self.entry(task, found.figures, units)]
        outputs = {}
        if self.parameter("FINDINGS").given(task):
            outputs["FINDINGS"] = self.write_layer(
                task,
                "FINDINGS",
                _finding_fields(),
                QgsWkbTypes.Type.NoGeometry,
                QgsCoordinateReferenceSystem(),
                _finding_features(found.findings),
                history,
            )
        if self.parameter("COVERAGE").given(task):
            outputs["COVERAGE"] = self.write_layer(
                task,
                "COVERAGE",
                _patch_fields(unit),
                QgsWkbTypes.Type.Polygon,
                layer.crs,
                _patch_features(found.patches, unit),
                history,
            )
        task.progress(0.9)
        if task["PAGE"] is not None:
            write_check_page(found, readings, layer.name, unit, task["PAGE"])
            outputs["PAGE"] = str(task["PAGE"])
        task.progress(1.0)
        return {**outputs, "FIGURES": self.report(task, found)}


def _finding_fields() -> QgsFields:
    return compat.fields(
        ("topic", "text"),
        ("what", "text"),
        ("verdict", "text"),
        ("sentence", "text"),
        ("figure", "real"),
        ("unit", "text"),
        ("grid", "text"),
        ("line", "integer"),
        ("channel", "text"),
        ("mend", "text"),
    )


def _finding_features(findings: Sequence[Finding]) -> Iterator[QgsFeature]:
    fields = _finding_fields()
    for finding in findings:
        feature = QgsFeature(fields)
        figure = finding.figure if finding.figure == finding.figure else None
        feature.setAttributes(
            [
                finding.topic,
                finding.what,
                finding.verdict,
                finding.sentence,
                figure,
                finding.unit,
                finding.grid,
                finding.line,
                finding.channel,
                f"lynchet:{finding.mend}" if finding.mend else "",
            ]
        )
        yield feature


def _patch_fields(unit: str) -> QgsFields:
    return compat.fields(
        ("kind", "text"), ("grid", "text"), ("area", "real", f"area [square {unit}]")
    )


def _patch_features(patches: Sequence[Patch], unit: str) -> Iterator[QgsFeature]:
    fields = _patch_fields(unit)
    for patch in patches:
        feature = QgsFeature(fields)
        rings = [[QgsPointXY(x, y) for x, y in ring] for ring in patch.outline.rings]
        feature.setGeometry(QgsGeometry.fromPolygonXY(rings))
        feature.setAttributes([patch.kind, patch.grid, patch.area])
        yield feature
