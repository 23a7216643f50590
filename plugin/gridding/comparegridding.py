"""The step "Compare gridding methods"."""

from __future__ import annotations

import json
from collections.abc import Iterator

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFields,
    QgsGeometry,
    QgsGraduatedSymbolRenderer,
    QgsMarkerSymbol,
    QgsPointXY,
    QgsRendererRange,
    QgsVectorLayer,
    QgsWkbTypes,
)

from ...algorithms.deliver.palettes import HEDGE
from ...algorithms.gridding.candidates import Candidate, read_candidates
from ...algorithms.gridding.comparegridding import CompareOptions, comparegridding
from ...algorithms.gridding.errors import MEASURES, Score
from ...algorithms.gridding.methods import method_named
from ...algorithms.gridding.standings import GriddingComparison, Standing
from ...algorithms.readings import Readings
from .. import compat
from ..deliver.gridding_errors import draw_gridding_errors
from ..outputs import FileOutput, LayerOutput
from ..parameters import Choice, Choices, Number, Text
from ..readings_layer import attribute_cells
from ..readings_step import READINGS, ReadingsStep
from ..step import as_json
from ..styles import colour
from .barriers import BARRIERS, read_barriers
from .gridreadings import BLANKING_DISTANCE, BLOCK, CELL_SIZE, METHODS, parameter_name

DEFAULTS = CompareOptions()
SHARED = (CELL_SIZE, BLANKING_DISTANCE, BLOCK)
CLASSES = 7


def style_errors(layer: QgsVectorLayer) -> None:
    """Dots by the error of the first method in the first channel, white where there is none."""
    name = next(name for name in layer.fields().names() if name.endswith("_e1"))
    values = np.array(
        [
            np.nan if compat.is_null(feature[name]) else feature[name]
            for feature in layer.getFeatures()
        ]
    )
    values = values[np.isfinite(values)]
    if not len(values):
        return
    reach = float(np.percentile(np.abs(values), 95)) or 1.0
    edges = np.linspace(-reach, reach, CLASSES + 1)
    edges[0], edges[-1] = min(edges[0], values.min()), max(edges[-1], values.max())
    ranges = []
    for place, (low, high) in enumerate(zip(edges[:-1].tolist(), edges[1:].tolist())):
        dot = QgsMarkerSymbol.createSimple({"name": "circle", "outline_style": "no", "size": "1.0"})
        dot.setColor(colour(HEDGE.rgb(place / (CLASSES - 1))))
        ranges.append(QgsRendererRange(low, high, dot, f"{low:.3g} to {high:.3g}"))
    layer.setRenderer(QgsGraduatedSymbolRenderer(name, ranges))


class CompareGridding(ReadingsStep):
    """Readings to an order of gridding methods."""

    identifier = "comparegridding"
    title = "Compare gridding methods"
    stage = "gridding"
    summary = (
        "Tells which gridding method and settings suit a survey: leaves whole traverses out, "
        "predicts their readings from the others, ranks the methods by their errors and says "
        "whether the difference is more than chance."
    )
    advice = (
        "Whole traverses are left out, for single readings have their neighbours along the "
        "traverse a few hands away: predicting those is easy for every method and says nothing of "
        "the ground between traverses.",
        "A traverse left out doubles the gap. The errors are more than those of the raster; the "
        "order of the methods is what counts. Where two differ by no more than chance, choose the "
        "simpler or the quicker.",
        "Compare after the corrections: spikes and stripes are errors that no method can predict. "
        "What a method fits to the readings, such as a variogram, it fits anew to those kept.",
    )
    words = (
        "cross-validation", "leave one out", "interpolation", "accuracy", "validation", "choose",
        "RMSE", "kriging", "settings", "best",
    )  # fmt: skip
    texts = (
        ("WINNER", "Method placed first"),
        ("WINNER_PARAMETERS", "Its parameters for 'Grid readings' (JSON)"),
    )
    parameters = (
        *READINGS,
        Choices(
            "METHODS",
            "Methods",
            "These are compared with their default settings.",
            default=tuple(METHODS),
            options=tuple(METHODS),
            optional=True,
        ),
        Text(
            "CANDIDATES",
            "Methods with settings",
            "Compared as well: one a line, or with semicolons between, such as 'inverse_distance "
            "power=1 neighbours=24'. The names are those of the parameters of 'Grid readings' "
            "after the method's, in small letters.",
            optional=True,
            several_lines=True,
        ),
        Choice(
            "RANK_BY",
            "Rank by",
            "'mae', the mean absolute error, or 'rmse', the root mean square error. A few strong "
            "features, iron or a hearth, rule the latter; the method placed first by the former "
            "errs less on the ground as a whole.",
            default=DEFAULTS.rank_by,
            options=MEASURES,
        ),
        Number(
            "FOLDS",
            "Leave out every n-th traverse",
            "So many traverses apart are left out at a time, until each has been once. More "
            "is slower and hardly surer; with 2 every gap is doubled at once, which is a harsher "
            "survey than yours.",
            default=DEFAULTS.folds,
            minimum=2,
            whole=True,
        ),
        *SHARED,
        BARRIERS,
        Number(
            "MOST",
            "Most readings to test on",
            "A survey with more is tested on squares of it, spread evenly, that hold no more.",
            default=DEFAULTS.most,
            minimum=1000,
            whole=True,
            advanced=True,
        ),
        LayerOutput(
            "OUTPUT",
            "Ranking",
            "A table, one row a method and channel and one for 'all' of them, the best first; a "
            "method that could not be tested says why.",
            kind=None,
        ),
        LayerOutput(
            "ERRORS",
            "Errors",
            "Every reading left out, with the error of each method (predicted less measured): "
            "'_e1' is that of the first in the ranking, and so on.",
            style=style_errors,
            optional=True,
        ),
        FileOutput(
            "PICTURE",
            "Picture",
            "Errors by method and channel, and where they lie: look at it.",
            optional=True,
            filter="PNG picture (*.png);;SVG picture (*.svg);;PDF document (*.pdf)",
        ),
    )

    def problem(self, task):
        try:
            chosen = candidates(task)
        except ValueError as wrong:
            return str(wrong)
        if not chosen:
            return (
                "No method is chosen. Choose some of 'Methods', or write 'Methods with settings'."
            )
        return None

    def work(self, task):
        readings = self.read(task)
        found = comparegridding(
            readings,
            candidates(task),
            task.options(CompareOptions, barriers=read_barriers(task, task["INPUT"].crs)),
            task.part(0.2, 0.9),
        )
        units = dict(zip(readings.channels, readings.units))
        lines = [*self.lines(task), self.entry(task, found.figures, units)]
        outputs = {
            "OUTPUT": self.write_layer(
                task,
                "OUTPUT",
                _ranking_fields(),
                QgsWkbTypes.Type.NoGeometry,
                QgsCoordinateReferenceSystem(),
                _ranking(found, task),
                lines,
            )
        }
        if self.parameter("ERRORS").given(task):
            fields = _error_fields(found, readings)
            outputs["ERRORS"] = self.write_layer(
                task,
                "ERRORS",
                fields,
                QgsWkbTypes.Type.Point,
                task["INPUT"].crs,
                _error_features(found, readings, fields),
                lines,
            )
        task.progress(0.95)
        if task["PICTURE"] is not None:
            draw_gridding_errors(found, readings, task["PICTURE"])
            outputs["PICTURE"] = str(task["PICTURE"])
        figures = self.report(task, found)
        first = found.ranked[0].candidate
        asked = parameters_of(first, task)
        task.say(f"Parameters for 'Grid readings' (lynchet:gridreadings): {as_json(asked)}")
        line = " ".join(f"{name}={value}" for name, value in asked.items())
        task.say(f"The same on the command line: {line}")
        task.progress(1.0)
        return {
            **outputs,
            "WINNER": first.method,
            "WINNER_PARAMETERS": as_json(asked),
            "FIGURES": figures,
        }


def candidates(task) -> tuple[Candidate, ...]:
    """What to compare: the methods chosen, then those with settings.

    Raises
    ------
    ValueError
        If a line cannot be read.
    """
    return (*map(Candidate, task["METHODS"]), *read_candidates(task["CANDIDATES"]))


def parameters_of(candidate: Candidate, task) -> dict[str, object]:
    """The parameters of "Grid readings" that make it do as a candidate was made to."""
    method = method_named(candidate.method)
    asked: dict[str, object] = {"METHOD": method.id}
    for option in method.options:
        if option.name in candidate.options:
            asked[parameter_name(method, option)] = candidate.options[option.name]
    for record in SHARED:
        if task[record.name] is not None:
            asked[record.name] = task[record.name]
    return asked


def _ranking_fields() -> QgsFields:
    return compat.fields(
        ("rank", "integer"),
        ("candidate", "text"),
        ("channel", "text"),
        ("unit", "text"),
        ("count", "integer", "readings that count"),
        ("mae", "real", "mean absolute error"),
        ("rmse", "real", "root mean square error"),
        ("median", "real", "median absolute error"),
        ("bias", "real", "mean error"),
        ("p95", "real", "95th percentile of the absolute error"),
        ("relative", "real", "RMSE as a share of the channel's spread"),
        ("more", "real", "error above that of the first, by what is ranked by [%]"),
        ("typically", "real", "the same on a typical traverse [%]"),
        ("first_better", "real", "traverses that the first predicts better [%]"),
        ("chance", "real", "chance of such a lead among equals"),
        ("verdict", "text"),
        ("worst", "text", "traverse predicted worst"),
        ("worst_error", "real", "error there, by what is ranked by"),
        ("same_as", "text", "method before it that predicts the same"),
        ("parameters", "text", "parameters for 'Grid readings'"),
        ("why", "text", "why it could not be ranked"),
    )


def _ranking(found: GriddingComparison, task) -> Iterator[QgsFeature]:
    fields = _ranking_fields()
    for standing in found.standings:
        asked = json.dumps(parameters_of(standing.candidate, task), ensure_ascii=False)
        head, tail = [standing.rank or None, standing.candidate.text], [asked, standing.why]
        if not standing.rank:
            feature = QgsFeature(fields)
            middle = len(fields) - len(head) - len(tail) - 1
            feature.setAttributes([*head, "all", *[None] * middle, *tail])
            yield feature
        for score in reversed(standing.scores):
            feature = QgsFeature(fields)
            feature.setAttributes([*head, *_cells(standing, score, found.traverses), *tail])
            yield feature


def _cells(standing: Standing, score: Score, traverses: tuple[str, ...]) -> list:
    """A score's attributes, from the channel to what predicts the same."""
    first = standing.rank == 1
    return [
        score.channel,
        score.unit,
        score.count,
        score.mae,
        score.rmse,
        score.median,
        score.bias,
        score.p95,
        score.relative,
        100 * score.more if np.isfinite(score.more) else None,
        100 * score.typical if np.isfinite(score.typical) else None,
        None if first else 100 * score.first_better,
        None if first else score.chance,
        score.verdict,
        traverses[score.worst],
        score.worst_error,
        standing.same_as.text if standing.same_as else None,
    ]


def _error_fields(found: GriddingComparison, readings: Readings) -> QgsFields:
    fields = compat.fields(
        ("grid", "text"), ("line", "integer"), ("counted", "integer", "channels that count")
    )
    for channel, unit in zip(readings.channels, readings.units):
        shown = f" [{unit}]" if unit else ""
        fields.append(compat.field(channel, "real", f"{channel}{shown}"))
        for standing in found.ranked:
            alias = f"{channel}: error of {standing.candidate.text}{shown}"
            fields.append(compat.field(f"{channel}_e{standing.rank}", "real", alias))
    return fields


def _error_features(
    found: GriddingComparison, readings: Readings, fields: QgsFields
) -> Iterator[QgsFeature]:
    tested = found.tested
    rows = tested.rows
    columns = []
    for c in range(len(readings.channels)):
        columns += [readings.values[rows, c], *tested.errors[:, :, c]]
    places = zip(
        readings.x[rows].tolist(), readings.y[rows].tolist(), readings.grid[rows].tolist(),
        readings.line[rows].tolist(), tested.counted.sum(axis=1).tolist(),
        zip(*map(attribute_cells, columns)),
    )  # fmt: skip
    for x, y, grid, line, counted, cells in places:
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        feature.setAttributes([readings.grid_names[grid], line, counted, *cells])
        yield feature
