"""The step "Lay out data grids"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY, QgsWkbTypes

from ...algorithms.plan.plangrids import LABELS, GridOptions, Plan, lay_out
from ...algorithms.plan.stakes import GroundScale, beyond_outline, place_stakes, tape_checks
from ...algorithms.progress import Progress, advance
from ...algorithms.words import plural, squared
from .. import compat
from ..inputs import Areas, Condition
from ..outputs import FileOutput, LayerOutput
from ..parameters import Choice, Number, Point, Text, Toggle
from ..source import BATCH
from ..step import Step
from ..styles import style_data_grids, style_stakes
from ..units import map_unit
from .defaults import metric_defaults
from .ground import measured_scale
from .outline import SiteOutline, read_outline
from .stakes import (
    check_features,
    check_fields,
    described,
    stake_features,
    stake_fields,
    write_stakes,
)

DEFAULTS = GridOptions()
CAUTION = (
    "Before a stake is driven: have the landowner's permission and, on a protected site, consent "
    "for the survey; have buried services traced; where there may be unexploded ordnance, let "
    "specialists clear the ground first."
)


BEYOND = (
    "Where data grids reach beyond the outline, traverses are planned there too, unless they are "
    "clipped ('Clip to the outline') or 'Plan traverses' has the outline as 'Walk only within'."
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
            "In map units. 20 or 30 m is common practice: what a tape or line reaches without "
            "sagging.",
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
            "Easting first. Empty: best fit.",
            optional=True,
            crs_of="INPUT",
        ),
        Number(
            "LEAST_SHARE",
            "Least share inside",
            "A data grid of which less lies inside the outline is left out: 50 for one half. 0: "
            "every one that holds any of it.",
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
            "A point a corner, shared corners once, numbered in the order of setting out; 'inside' "
            "is 1 within or on the outline, 0 beyond it or in one of its holes; 'lon' and 'lat' "
            "may be metres off where the host lacks the datum's grid.",
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
            "Number, easting, northing, what the stake is and whether it stands inside, for a "
            "total station or satellite receiver; longitude and latitude (WGS 84) only lead there, "
            "for they may be metres off where the host lacks the datum's grid.",
            optional=True,
            filter="CSV text (*.csv)",
        ),
    )

    def work(self, task):
        layer = task["INPUT"]
        crs, unit = layer.crs, map_unit(layer.crs)
        outline = read_outline(task)
        plan = lay_out(outline.polygons, task.options(GridOptions), unit, task.part(0.0, 0.6))
        stakes = place_stakes(plan)
        scale = measured_scale(plan, crs, task["HEIGHT"], task.context)
        inside = outline.holds(stakes)
        placed = described(stakes, inside, crs, task.context)
        unknown = any(stake.lon is None for stake in placed)
        beyond = not task["CLIP"] and plan.figures["outside"] >= 1
        plan = replace(
            plan,
            figures={
                **plan.figures,
                "stakes": len(stakes),
                "stakes beyond": int(np.count_nonzero(~inside)),
                "map longer than ground ppm": round(scale.map_ppm, 1) if scale else None,
            },
            messages=(
                *plan.messages,
                *([BEYOND] if beyond else []),
                f"{plural(len(stakes), 'stake')}.",
                (scale or GroundScale()).told(plan.lattice.length, unit, known=scale is not None),
                *(["Longitude and latitude of the stakes cannot be told."] if unknown else []),
                CAUTION,
            ),
            warnings=(
                *metric_defaults(task, crs, "SIZE"),
                *plan.warnings,
                *beyond_outline(inside),
            ),
        )
        lines = [*layer.lines, self.entry(task, plan.figures, {})]
        shape = QgsWkbTypes.Type.MultiPolygon if task["CLIP"] else QgsWkbTypes.Type.Polygon
        fields = _grid_fields(unit)
        features = _grids(plan, outline if task["CLIP"] else None, fields, task.part(0.6, 0.8))
        outputs = {"OUTPUT": self.write_layer(task, "OUTPUT", fields, shape, crs, features, lines)}
        if self.parameter("STAKES").given(task):
            fields = stake_fields()
            outputs["STAKES"] = self.write_layer(
                task, "STAKES", fields, QgsWkbTypes.Type.Point, crs,
                stake_features(placed, fields), lines,
            )  # fmt: skip
        if self.parameter("CHECKS").given(task):
            checks = tape_checks(plan, stakes, scale or GroundScale())
            fields = check_fields(unit)
            features = check_features(
                checks, placed, scale is not None, fields, task.part(0.8, 1.0)
            )
            outputs["CHECKS"] = self.write_layer(
                task, "CHECKS", fields, QgsWkbTypes.Type.LineString, crs, features, lines
            )
        if task["STAKES_FILE"] is not None:
            write_stakes(placed, task["STAKES_FILE"])
            outputs["STAKES_FILE"] = str(task["STAKES_FILE"])
        return {**outputs, "FIGURES": self.report(task, plan)}


def _grid_fields(unit: str) -> QgsFields:
    fields = QgsFields()
    for name, kind, of in (
        ("grid", "text", ""), ("x", "real", ""), ("y", "real", ""), ("bearing", "real", "°"),
        ("length", "real", unit), ("width", "real", unit), ("row", "integer", ""),
        ("column", "integer", ""), ("order", "integer", ""), ("share", "real", "%"),
        ("area", "real", squared(unit)),
    ):  # fmt: skip
        fields.append(compat.field(name, kind, f"{name} [{of}]" if of else ""))
    return fields


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
