"""The step "Fit the site grid to map coordinates"."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from qgis.core import (
    QgsCoordinateReferenceSystem,
    QgsFeature,
    QgsFields,
    QgsGeometry,
    QgsPointXY,
    QgsWkbTypes,
)
from qgis.PyQt.QtGui import QTransform

from ...algorithms.intake.fitsitegrid import TOLERANCE, SiteGridFit, fitsitegrid, how_far
from ...algorithms.intake.pegs.controlpoints import ControlPoints, parse_control_points
from ...algorithms.intake.pegs.helmert import Transformation
from ...algorithms.progress import Progress, advance
from ...algorithms.words import plural
from .. import compat
from ..inputs import Field, Layer
from ..outputs import LayerOutput
from ..parameters import Choice, Crs, Number, Text, Toggle
from ..readings_layer import attribute_cells, numbers_of, text_codes
from ..source import BATCH, LayerSource
from ..step import Step
from ..units import length_or, map_unit

DIRECTIONS = ("to_map", "to_site_grid")


class FitSiteGrid(Step):
    """A layer in site-grid coordinates to the same layer in map coordinates."""

    identifier = "fitsitegrid"
    title = "Fit the site grid to map coordinates"
    stage = "intake"
    summary = (
        "Brings readings, plans or trenches from site-grid coordinates to map coordinates by "
        "control points known in both, tells how well the points agree, and refuses points that do "
        "not."
    )
    advice = (
        "The site grid is shifted and turned, by least squares, so that its control points come to "
        "lie where they were surveyed; a scale is fitted only where asked for. Two points place a "
        "grid but check nothing except their distance. Take four or more, round the site and not "
        "all on one line or at the corners of one rectangle.",
        "Points that do not fit are refused with what is likely wrong: two exchanged, x and y "
        "taken for each other, one bad point, another unit. Correct the points; a larger tolerance "
        "only hides it.",
        "Errors grow outside the control points. Do not set out trenches or locate services from a "
        "grid whose residuals you have not looked at.",
    )
    words = (
        "georeference", "Helmert", "similarity", "local grid", "control points", "residuals",
        "affine", "transform", "shift", "rotate", "survey", "total station", "GNSS",
    )  # fmt: skip
    parameters = (
        Layer(
            "INPUT",
            "Layer to bring over",
            "Readings, plan, trenches: any vector layer in site-grid coordinates, or, for "
            "'to_site_grid', in map coordinates. Heights stay as they are.",
        ),
        Layer(
            "CONTROL",
            "Control points",
            "A table or layer with a row per control point and the fields below. Empty: the points "
            "written below.",
            optional=True,
        ),
        Field("NAME_FIELD", "Name field", "What a control point is called.", default="name",
              of="CONTROL"),
        Field("SITE_X_FIELD", "Site x field", "x on the site grid.", default="site_x",
              of="CONTROL"),
        Field("SITE_Y_FIELD", "Site y field", "y on the site grid, a quarter turn anticlockwise "
              "from x.", default="site_y", of="CONTROL"),
        Field("MAP_X_FIELD", "Easting field", "Easting on the map. Cleared, like the northing, or "
              "not there: the control layer's points are the places on the map.",
              default="map_x", of="CONTROL", optional=True),
        Field("MAP_Y_FIELD", "Northing field", "Northing on the map.", default="map_y",
              of="CONTROL", optional=True),
        Text(
            "CONTROL_TEXT",
            "Control points in writing",
            "A line each, or separated by semicolons: name, x and y on the site grid, easting and "
            "northing, such as 'A: 0 0 -> 430000 5900000'. Decimal commas are read where blanks "
            "part the numbers.",
            optional=True,
            several_lines=True,
        ),
        Crs(
            "CRS",
            "Coordinate reference system of the map",
            "The one that the control points' map coordinates are in: projected.",
            default="ProjectCrs",
        ),
        Choice(
            "DIRECTION",
            "Direction",
            "'to_map': from the site grid to the map; 'to_site_grid': back.",
            default="to_map",
            options=DIRECTIONS,
        ),
        Toggle(
            "FIT_SCALE",
            "Fit a scale too",
            "Only where the site grid is known to be in another unit or stretched: a scale hides a "
            "bad point.",
        ),
        Number(
            "TOLERANCE",
            "Tolerance",
            "How far a control point may lie off; of two points, how much their distance may "
            "differ. Empty: 0.1 metres.",
            optional=True,
            minimum=1e-9,
            unit="map units",
        ),
        Field(
            "BEARING_FIELD",
            "Bearing field",
            "Direction of travel of a readings layer, which turns with it.",
            default="bearing",
            numeric=True,
            optional=True,
            advanced=True,
        ),
        LayerOutput("OUTPUT", "Layer brought over", kind=""),
        LayerOutput(
            "RESIDUALS",
            "Residuals",
            "The control points on the map, each with what it is off.",
            optional=True,
        ),
    )  # fmt: skip

    def problem(self, task):
        if (task["CONTROL"] is None) == (not task["CONTROL_TEXT"]):
            return (
                "Control points are given as a layer or in writing: give one of the two."
                if task["CONTROL_TEXT"]
                else "No control points are given. Give them as a layer or in writing."
            )
        layer, crs = task["INPUT"], task["CRS"]
        if layer.source.wkbType() == QgsWkbTypes.Type.NoGeometry:
            return (
                f"Layer '{layer.name}' has no geometry, so that nothing can be brought over. Make "
                "points of its coordinates first, by 'Create points layer from table' "
                "(native:createpointslayerfromtable) or a column WKT."
            )
        if task["DIRECTION"] == "to_site_grid" and layer.crs.isValid() and layer.crs != crs:
            return (
                f"Layer '{layer.name}' is in {layer.crs.authid()} and the control points are in "
                f"{crs.authid()}. Run 'Reproject layer' (native:reprojectlayer) first."
            )
        return None

    def work(self, task):
        layer: LayerSource = task["INPUT"]
        crs, back = task["CRS"], task["DIRECTION"] == "to_site_grid"
        tolerance = length_or(task["TOLERANCE"], TOLERANCE, crs)
        found = fitsitegrid(_points(task), task["FIT_SCALE"], tolerance, map_unit(crs))
        how = found.transformation
        bare = _without_geometry(layer)
        corners = _corners(layer)
        if len(corners):
            more, warnings = how_far(found, how.inverse.apply(corners) if back else corners)
            found = replace(
                found,
                figures={**found.figures, **more},
                warnings=(*found.warnings, *warnings),
            )
        if bare:
            found = replace(found, warnings=(*found.warnings, bare))
        text = self.report(task, found)
        entry = self.entry(task, found.figures, {})
        target = self.write_layer(
            task,
            "OUTPUT",
            layer.fields,
            layer.source.wkbType(),
            QgsCoordinateReferenceSystem() if back else crs,
            _features(
                layer, how.inverse if back else how, task["BEARING_FIELD"], task.part(0.1, 0.95)
            ),
            [*layer.lines, entry],
        )
        written = task.context.getMapLayer(target)
        if back and written is not None:
            written.setCrs(QgsCoordinateReferenceSystem())  # the host would say degrees
        outputs = {"OUTPUT": target}
        if self.parameter("RESIDUALS").given(task):
            fields = _residual_fields()
            outputs["RESIDUALS"] = self.write_layer(
                task, "RESIDUALS", fields, QgsWkbTypes.Type.Point, crs, _residuals(found, fields),
                [entry],
            )  # fmt: skip
        return {**outputs, "FIGURES": text}


def _points(task) -> ControlPoints:
    """The control points as they were given."""
    control: LayerSource = task["CONTROL"]
    if control is None:
        return parse_control_points(task["CONTROL_TEXT"])
    map_names = [task["MAP_X_FIELD"], task["MAP_Y_FIELD"]]
    own_places = map_names == [None, None]
    if not own_places and None in map_names:
        raise ValueError(
            f"Layer '{control.name}' gives one of the two map coordinates only. Choose both "
            "fields, or clear both to take the places of its points."
        )
    kind = QgsWkbTypes.geometryType(control.source.wkbType())
    if own_places and kind != QgsWkbTypes.geometryType(QgsWkbTypes.Type.Point):
        raise ValueError(
            f"Layer '{control.name}' has no points to take for the places on the map. Choose the "
            "fields of easting and northing."
        )
    if own_places and control.crs.isValid() and control.crs != task["CRS"]:
        raise ValueError(
            f"The points of layer '{control.name}' are in {control.crs.authid()}, and "
            f"{task['CRS'].authid()} is chosen for the map. Choose theirs, or reproject them."
        )
    names = [task["NAME_FIELD"], task["SITE_X_FIELD"], task["SITE_Y_FIELD"]]
    wanted = list(dict.fromkeys(name for name in (*names, *map_names) if name))
    columns = control.columns(wanted, places=own_places)
    codes, labels = text_codes(columns.fields[names[0]].tolist())
    numbers = [
        numbers_of(columns.fields[name], control, name)
        for name in (*names[1:], *(() if own_places else map_names))
    ]
    places = (columns.x, columns.y) if own_places else numbers[2:]
    return ControlPoints.build([labels[code] for code in codes.tolist()], *numbers[:2], *places)


def _without_geometry(layer: LayerSource) -> str:
    """What is said of features without geometry; empty where there are none.

    Raises
    ------
    ValueError
        If no feature has any.
    """
    there = [feature.hasGeometry() for feature in layer.features()]
    count = there.count(False)
    if count and count == len(there):
        raise ValueError(
            f"No feature of layer '{layer.name}' has a geometry, so that nothing can be brought "
            "over. Give them their places first."
        )
    return (
        f"{plural(count, 'feature')} of layer '{layer.name}' without geometry "
        f"{'is' if count == 1 else 'are'} carried along without a place."
        if count
        else ""
    )


def _corners(layer: LayerSource) -> np.ndarray:
    """Corners of a layer's extent, x + iy; none of an empty layer."""
    box = layer.source.sourceExtent()
    if box.isNull() or not box.isFinite():
        return np.empty(0, np.complex128)
    x, y = (box.xMinimum(), box.xMaximum()), (box.yMinimum(), box.yMaximum())
    return np.array([complex(east, north) for east in x for north in y])


def _features(
    layer: LayerSource, how: Transformation, bearing: str | None, progress: Progress
) -> Iterator[QgsFeature]:
    """Every feature brought over, its bearing turned and its distance along stretched."""
    turn, shift = how.turn, how.shift
    map_to = QTransform(turn.real, turn.imag, -turn.imag, turn.real, shift.real, shift.imag)
    fields = layer.fields
    turned = fields.lookupField(bearing) if bearing else -1
    along = fields.lookupField("along") if how.scale != 1.0 else -1
    if along >= 0 and not fields.at(along).isNumeric():
        along = -1
    total = max(layer.source.featureCount(), 1)
    for number, feature in enumerate(layer.features()):
        if number % BATCH == 0:
            advance(progress, min(number / total, 1.0))
        geometry = feature.geometry()
        if not geometry.isNull():
            geometry.transform(map_to)
            feature.setGeometry(geometry)
        for index, over in ((turned, how.bearing), (along, how.length)):
            if index >= 0 and not compat.is_null(feature.attribute(index)):
                feature.setAttribute(index, over(feature.attribute(index)))
        yield feature


def _residual_fields() -> QgsFields:
    numbers = ("site_x", "site_y", "map_x", "map_y", "east", "north", "length", "standardised")
    return compat.fields(("name", "text"), *((name, "real") for name in numbers))


def _residuals(found: SiteGridFit, fields: QgsFields) -> Iterator[QgsFeature]:
    points, off = found.points, found.residual
    columns = [
        points.site.real, points.site.imag, points.on_map.real, points.on_map.imag,
        off.real, off.imag, np.abs(off), found.standardised,
    ]  # fmt: skip
    for name, *cells in zip(points.names, *(attribute_cells(column) for column in columns)):
        feature = QgsFeature(fields)
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(cells[2], cells[3])))
        feature.setAttributes([name, *cells])
        yield feature
