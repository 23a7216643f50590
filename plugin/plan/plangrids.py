"""The step "Lay out data grids"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY, QgsUnitTypes, QgsWkbTypes

from ...algorithms.plan.plangrids import LABELS, GridOptions, Plan, lay_out
from ...algorithms.plan.stakes import Checks, GroundScale, Stakes, place_stakes, tape_checks
from ...algorithms.progress import Progress, advance
from ...algorithms.words import squared
from .. import compat
from ..inputs import Areas, Condition
from ..outputs import FileOutput, LayerOutput
from ..parameters import Choice, Number, Point, Text, Toggle
from ..source import BATCH
from ..step import Step
from ..styles import style_data_grids, style_stakes
from .ground import measured_scale
from .outline import SiteOutline, read_outline
from .stakes_file import write_stakes

DEFAULTS = GridOptions()
CAUTION = (
    "Before a stake is driven: have the landowner's permission and, on a protected site, consent "
    "for the survey; have buried services traced; where there may be unexploded ordnance, let "
    "specialists clear the ground first."
)


class PlanGrids(Step):
    """Outline to data grids, stakes and tape distances."""

    identifier = "plangrids"
    title = "Lay out data grids"
    stage = "plan"
    summary = (
        "Covers the outline of a site with data grids before anybody walks, and gives the stakes "
        "to set out and the tape distances that check them."
    )
    advice = (
        "The data grids carry the corner and bearing that the steps which bring readings in ask "
        "for: give them this layer as the data-grid layout, unchanged. Seen along the first "
        "traverse, further traverses lie to the right.",
        "Without a bearing or a corner, the one that wastes least is sought: least ground of the "
        "data grids outside the outline, and least of the outline in none. Choose the bearing "
        "yourself where you know which way the archaeology or the cultivation runs: traverses "
        "should cross both.",
        CAUTION + " Metal stakes spoil readings near them. Where setting out is the work of "
        "licensed surveyors by law, it is theirs.",
    )
    words = ("survey grid", "grid square", "setting out", "stake out", "layout", "pegs", "corners",
             "tape", "base line", "total station", "fieldwork", "plan")  # fmt: skip
    parameters = (
        Areas(
            "INPUT",
            "Site outline",
            "One area or several, holes allowed, in a projected coordinate reference system.",
            projected=True,
        ),
        Condition(
            "WHERE",
            "Outline where",
            'Expression that is true for the features that make the outline, such as "kind" = '
            "'outline'. Empty: all.",
            optional=True,
        ),
        Number(
            "SIZE",
            "Side along the traverses",
            "20 or 30 m is common practice: what a tape or line reaches without sagging.",
            default=DEFAULTS.size,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "WIDTH",
            "Side across the traverses",
            "A whole number of traverse separations. Empty: squares.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "BEARING",
            "Bearing of the first traverse",
            "Empty: best fit.",
            optional=True,
            minimum=-360,
            maximum=360,
            unit="degrees clockwise from grid north",
        ),
        Point(
            "CORNER",
            "Start corner",
            "A place that corners of data grids meet at: a stake that stands, a survey station. "
            "Empty: best fit.",
            optional=True,
        ),
        Number(
            "LEAST_SHARE",
            "Least share inside",
            "A data grid of which less lies inside the outline is left out. 0: every one that "
            "holds any of it.",
            default=DEFAULTS.least_share,
            minimum=0,
            maximum=100,
            unit="%",
        ),
        Toggle(
            "CLIP",
            "Clip to the outline",
            "Draws only what lies inside the outline. Corner, bearing and length stay those of the "
            "whole data grid, and so do the stakes.",
        ),
        Choice(
            "LABELS",
            "Labels",
            "'row_column': a letter a row and a number a column, A1 nearest the start; 'order': "
            "numbers in walking order, row by row to and fro.",
            default=DEFAULTS.labels,
            options=LABELS,
        ),
        Text(
            "PREFIX",
            "Before every label",
            "Such as the field's letter. Empty: nothing before rows and columns, G before numbers.",
            default=DEFAULTS.prefix,
            optional=True,
        ),
        Number(
            "HEIGHT",
            "Height of the site",
            "Above the ellipsoid, as satellites give it: the ground is longer than the ellipsoid "
            "by 157 parts per million for every 1,000 m.",
            default=0.0,
            minimum=-1000,
            maximum=10_000,
            unit="m",
            advanced=True,
        ),
        LayerOutput("OUTPUT", "Data grids", kind="Polygon", style=style_data_grids),
        LayerOutput(
            "STAKES",
            "Stakes",
            "A point a corner, shared corners once, numbered in the order of setting out.",
            optional=True,
            style=style_stakes,
        ),
        LayerOutput(
            "CHECKS",
            "Tape distances",
            "A line for every side and both diagonals of every data grid, and from the first stake "
            "of the base line to each of the others, with the distance expected.",
            kind="Line",
            optional=True,
        ),
        FileOutput(
            "STAKES_FILE",
            "Stakes for the instrument",
            "Number, easting, northing and what the stake is, for a total station or satellite "
            "receiver.",
            optional=True,
            filter="CSV text (*.csv)",
        ),
    )

    def work(self, task):
        layer = task["INPUT"]
        crs, unit = layer.crs, QgsUnitTypes.toAbbreviatedString(layer.crs.mapUnits())
        outline = read_outline(task)
        options = task.options(GridOptions, corner=self.corner(task))
        plan = lay_out(outline.polygons, options, unit, task.part(0.0, 0.6))
        stakes = place_stakes(plan)
        scale = measured_scale(plan, crs, task["HEIGHT"], task.context)
        told = (scale or GroundScale()).told(plan.lattice.length, unit, known=scale is not None)
        plan = replace(
            plan,
            figures={
                **plan.figures,
                "stakes": len(stakes),
                "map longer than ground ppm": round(scale.map_ppm, 1) if scale else None,
            },
            messages=(*plan.messages, f"{len(stakes):,} stakes.", told, CAUTION),
        )
        lines = [*layer.lines, self.entry(task, plan.figures, {})]
        shape = QgsWkbTypes.Type.MultiPolygon if task["CLIP"] else QgsWkbTypes.Type.Polygon
        fields = _grid_fields(unit)
        features = _grids(plan, outline if task["CLIP"] else None, fields, task.part(0.6, 0.8))
        outputs = {"OUTPUT": self.write_layer(task, "OUTPUT", fields, shape, crs, features, lines)}
        if self.parameter("STAKES").given(task):
            fields = _stake_fields()
            outputs["STAKES"] = self.write_layer(
                task, "STAKES", fields, QgsWkbTypes.Type.Point, crs, _stakes(stakes, fields), lines
            )
        if self.parameter("CHECKS").given(task):
            checks = tape_checks(plan, stakes, scale or GroundScale())
            fields = _check_fields(unit)
            features = _checks(checks, stakes, scale is not None, fields, task.part(0.8, 1.0))
            outputs["CHECKS"] = self.write_layer(
                task, "CHECKS", fields, QgsWkbTypes.Type.LineString, crs, features, lines
            )
        if task["STAKES_FILE"] is not None:
            write_stakes(stakes, task["STAKES_FILE"])
            outputs["STAKES_FILE"] = str(task["STAKES_FILE"])
        return {**outputs, "FIGURES": self.report(task, plan)}

    def corner(self, task) -> tuple[float, float] | None:
        """The start corner in the outline's coordinate reference system."""
        if not self.parameter("CORNER").given(task):
            return None
        point = self.parameterAsPoint(task.parameters, "CORNER", task.context, task["INPUT"].crs)
        return (point.x(), point.y())


def _fields(*wanted: tuple[str, str, str]) -> QgsFields:
    fields = QgsFields()
    for name, kind, unit in wanted:
        fields.append(compat.field(name, kind, f"{name} [{unit}]" if unit else ""))
    return fields


def _grid_fields(unit: str) -> QgsFields:
    return _fields(
        ("grid", "text", ""), ("x", "real", ""), ("y", "real", ""), ("bearing", "real", "°"),
        ("length", "real", unit), ("width", "real", unit), ("row", "integer", ""),
        ("column", "integer", ""), ("order", "integer", ""), ("share", "real", "%"),
        ("area", "real", squared(unit) if unit else ""),
    )  # fmt: skip


def _grids(
    plan: Plan, outline: SiteOutline | None, fields: QgsFields, progress: Progress
) -> Iterator[QgsFeature]:
    """A feature a data grid in walking order, cut to the outline where one is given."""
    lattice = plan.lattice
    engine = None
    if outline is not None:
        engine = QgsGeometry.createGeometryEngine(outline.geometry.constGet())
        engine.prepareGeometry()
    corners = plan.corners
    columns = zip(
        plan.names, corners.tolist(), np.round(corners[:, 0], 4).tolist(),
        (plan.row + 1).tolist(), (plan.column + 1).tolist(), plan.percent.round(4).tolist(),
        plan.area.round(4).tolist(),
    )  # fmt: skip
    for number, (name, ring, place, row, column, share, area) in enumerate(columns, start=1):
        if number % BATCH == 0:
            advance(progress, number / len(plan))
        feature = QgsFeature(fields)
        shape = QgsGeometry.fromPolygonXY([[QgsPointXY(x, y) for x, y in [*ring, ring[0]]]])
        if engine is not None:
            shape = QgsGeometry(engine.intersection(shape.constGet()))
            shape.convertGeometryCollectionToSubclass(QgsWkbTypes.GeometryType.PolygonGeometry)
            shape.convertToMultiType()
        feature.setGeometry(shape)
        feature.setAttributes(
            [name, *place, round(lattice.bearing, 6), lattice.length, lattice.width, row, column,
             number, share, area]
        )  # fmt: skip
        yield feature


def _stake_fields() -> QgsFields:
    return _fields(
        ("stake", "integer", ""), ("x", "real", ""), ("y", "real", ""), ("serves", "text", "")
    )


def _stakes(stakes: Stakes, fields: QgsFields) -> Iterator[QgsFeature]:
    rows = zip(stakes.x.tolist(), stakes.y.tolist(), stakes.serves)
    for number, (x, y, serves) in enumerate(rows, start=1):
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(x, y)))
        feature.setAttributes([number, round(x, 4), round(y, 4), serves])
        yield feature


def _check_fields(unit: str) -> QgsFields:
    return _fields(
        ("check", "integer", ""), ("what", "text", ""), ("grids", "text", ""),
        ("from", "integer", ""), ("to", "integer", ""), ("expected", "real", unit),
        ("ground", "real", unit),
    )  # fmt: skip


def _checks(
    checks: Checks, stakes: Stakes, on_ground: bool, fields: QgsFields, progress: Progress
) -> Iterator[QgsFeature]:
    """A line a tape distance; no ground distance where the scale is not known."""
    places = [QgsPointXY(x, y) for x, y in zip(stakes.x.tolist(), stakes.y.tolist())]
    rows = zip(
        checks.what, checks.grids, checks.start.tolist(), checks.end.tolist(),
        checks.expected.round(3).tolist(), checks.ground.round(3).tolist(),
    )  # fmt: skip
    for number, (what, grids, start, end, expected, ground) in enumerate(rows, start=1):
        if number % BATCH == 0:
            advance(progress, number / len(checks))
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPolylineXY([places[start - 1], places[end - 1]]))
        feature.setAttributes(
            [number, what, grids, start, end, expected, ground if on_ground else None]
        )
        yield feature
