"""The step "Outline anomalies"."""

from __future__ import annotations

from collections.abc import Iterator

from qgis.core import QgsFeature, QgsFields, QgsGeometry, QgsPointXY, QgsWkbTypes

from ...algorithms.interpret.anomalies import (
    BACKGROUNDS,
    CAUTION,
    POLARITIES,
    Anomaly,
    AnomalyOptions,
    outline_anomalies,
)
from .. import compat
from ..history import read_history
from ..outputs import LayerOutput
from ..parameters import Choice, Number
from ..raster import read_band
from ..raster_inputs import Band, Raster
from ..step import Step
from ..styles import style_anomalies

DEFAULTS = AnomalyOptions()
MEASURES = (
    "area",
    "perimeter",
    "peak",
    "peak_x",
    "peak_y",
    "mean",
    "contrast",
    "background",
    "robust_z",
    "integral",
    "length",
    "width",
    "azimuth",
    "elongation",
)


class Anomalies(Step):
    """Raster to measured polygons."""

    identifier = "anomalies"
    title = "Outline anomalies"
    stage = "interpret"
    summary = (
        "Outlines what stands out from the background of a raster and measures each outline: "
        "size, shape, direction, peak and contrast."
    )
    advice = (
        "The background is a median and its spread a median absolute deviation, so that the "
        "anomalies themselves hardly move them. An outline is drawn where the band departs from "
        "the background by more than the extent threshold, and kept where it somewhere reaches "
        "the seed threshold: lower the extent to draw outlines wider, lower the seed to keep "
        "fainter ones.",
        CAUTION,
    )
    words = ("features", "polygons", "threshold", "vectorise", "contour", "detection", "ditch")
    parameters = (
        Raster("INPUT", "Survey raster", "Any raster in a projected coordinate reference system."),
        Band("BAND", "Band", "The channel to outline."),
        Choice(
            "BACKGROUND",
            "Background",
            "'moving': the median of a window around each cell, for ground that changes across "
            "the site, as it mostly does. 'global': one median for the whole raster.",
            default="moving",
            options=BACKGROUNDS,
        ),
        Number(
            "WINDOW",
            "Window of the moving background",
            "At least twice the widest feature sought, or the feature becomes its own background.",
            default=DEFAULTS.window,
            minimum=0,
            distance_of="INPUT",
        ),
        Choice(
            "POLARITY",
            "Polarity",
            "Above the background, below it, or both.",
            default=DEFAULTS.polarity,
            options=POLARITIES,
        ),
        Number(
            "EXTENT_THRESHOLD",
            "Extent threshold",
            "Outlines run at this distance from the background.",
            default=DEFAULTS.extent,
            unit="robust sigmas",
        ),
        Number(
            "SEED_THRESHOLD",
            "Seed threshold",
            "An anomaly must somewhere reach this distance; no less than the extent threshold.",
            default=DEFAULTS.seed,
            unit="robust sigmas",
        ),
        Number(
            "MINIMUM_CONTRAST",
            "Smallest contrast",
            "An anomaly must also somewhere differ this much from the background. 0: no limit.",
            default=DEFAULTS.minimum_contrast,
            minimum=0,
            unit="channel units",
            advanced=True,
        ),
        Number(
            "SMALLEST_AREA",
            "Smallest area",
            "Smaller outlines are left out.",
            default=DEFAULTS.smallest_area,
            minimum=0,
            unit="square map units",
        ),
        Number(
            "LARGEST_FILLED_HOLE",
            "Largest hole to fill",
            "Holes up to this area are filled; larger ones, such as the inside of a ring ditch, "
            "stay open.",
            default=DEFAULTS.largest_filled_hole,
            minimum=0,
            unit="square map units",
            advanced=True,
        ),
        LayerOutput("OUTPUT", "Anomalies", kind="Polygon", style=style_anomalies),
    )

    def work(self, task):
        layer = task["INPUT"]
        band = read_band(layer, task["BAND"], task.part(0, 0.2))
        options = task.options(
            AnomalyOptions, extent=task["EXTENT_THRESHOLD"], seed=task["SEED_THRESHOLD"]
        )
        found = outline_anomalies(band.values, band.frame, options, task.part(0.2, 0.9))
        units = {band.name: band.unit}
        target = self.write_layer(
            task,
            "OUTPUT",
            _fields(band.unit),
            QgsWkbTypes.Type.Polygon,
            layer.crs(),
            _features(found.anomalies, band.name, _fields(band.unit)),
            [*read_history(layer), self.entry(task, found.figures, units)],
        )
        return {"OUTPUT": target, "FIGURES": self.report(task, found)}


def _fields(unit: str) -> QgsFields:
    fields = compat.fields(("id", "integer"), ("channel", "text"), ("polarity", "text"))
    in_channel_units = ("peak", "mean", "contrast", "background")
    for name in MEASURES:
        alias = f"{name} [{unit}]" if unit and name in in_channel_units else ""
        fields.append(compat.field(name, "real", alias))
    return fields


def _features(anomalies: tuple[Anomaly, ...], channel: str, fields) -> Iterator[QgsFeature]:
    for anomaly in anomalies:
        feature = QgsFeature(fields)
        rings = [[QgsPointXY(x, y) for x, y in ring] for ring in anomaly.outline.rings]
        feature.setGeometry(QgsGeometry.fromPolygonXY(rings))
        feature.setAttributes(
            [
                anomaly.number,
                channel,
                anomaly.polarity,
                *(float(getattr(anomaly, name)) for name in MEASURES),
            ]
        )
        yield feature
