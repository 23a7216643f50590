"""The host's own interpolation, which its steps `qgis:idwinterpolation` and
`qgis:tininterpolation` run: asked at the positions themselves, without a raster between."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from .gridding_fields import Field  # which makes `host` known
from .gridding_rivals import Predict, places


def in_host():
    """QGIS, started for as long as the context lasts."""
    from host import headless

    return headless()


def layer_of(xy: np.ndarray, values: np.ndarray):
    """A point layer in memory with one field a channel, and what an interpolator takes of it."""
    from qgis.analysis import QgsInterpolator
    from qgis.core import QgsFeature, QgsGeometry, QgsPointXY, QgsVectorLayer

    columns = "&".join(f"field=c{k}:double" for k in range(values.shape[1]))
    layer = QgsVectorLayer(f"Point?{columns}", "readings", "memory")
    features = []
    for place, row in zip(xy.tolist(), values.tolist()):
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(*place)))
        feature.setAttributes(row)
        features.append(feature)
    layer.dataProvider().addFeatures(features)
    layer.updateExtents()
    sources = []
    for k in range(values.shape[1]):
        data = QgsInterpolator.LayerData()
        data.source = layer
        data.valueSource = QgsInterpolator.ValueAttribute
        data.interpolationAttribute = k
        data.sourceType = QgsInterpolator.SourcePoints
        sources.append(data)
    return layer, sources


def by_host(make) -> Predict:
    """One of the host's interpolators, from what it takes of a layer."""

    from qgis.core import QgsFeedback

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        feedback = QgsFeedback()
        layer, sources = layer_of(places(field, ~left_out), field.readings.values[~left_out])
        at = places(field, asked).tolist()
        found = np.full((len(at), len(sources)), np.nan)
        for k, source in enumerate(sources):
            interpolator = make(source)
            for row, place in enumerate(at):
                failed, value = interpolator.interpolatePoint(*place, feedback)
                if not failed:
                    found[row, k] = value
        del layer
        return found

    return predict


def host_rivals() -> Iterator[tuple[str, str, Predict]]:
    """Name, setting and predictor; QGIS must be running."""
    from qgis.analysis import QgsIDWInterpolator, QgsTinInterpolator

    def inverse_distance(power: float):
        def make(source):
            interpolator = QgsIDWInterpolator([source])
            interpolator.setDistanceCoefficient(power)
            return interpolator

        return make

    for power in (2.0, 4.0):
        yield "QGIS, IDW interpolation", f"power {power:g}", by_host(inverse_distance(power))
    for name, kind in (("linear", QgsTinInterpolator.Linear),
                       ("Clough-Tocher", QgsTinInterpolator.CloughTocher)):  # fmt: skip
        yield (f"QGIS, TIN {name}", "",
               by_host(lambda source, kind=kind: QgsTinInterpolator([source], kind)))  # fmt: skip
