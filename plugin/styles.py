"""How outputs look when the host shows them: styles of our own."""

from __future__ import annotations

from collections.abc import Callable
from typing import ClassVar

import numpy as np
from qgis.core import (
    QgsCategorizedSymbolRenderer,
    QgsColorRampShader,
    QgsFillSymbol,
    QgsLineSymbol,
    QgsMapLayer,
    QgsMarkerLineSymbolLayer,
    QgsMarkerSymbol,
    QgsPalLayerSettings,
    QgsProcessingLayerPostProcessorInterface,
    QgsRasterLayer,
    QgsRasterShader,
    QgsRendererCategory,
    QgsSingleBandPseudoColorRenderer,
    QgsSingleSymbolRenderer,
    QgsTextBufferSettings,
    QgsTextFormat,
    QgsVectorLayer,
    QgsVectorLayerSimpleLabeling,
)
from qgis.PyQt import sip
from qgis.PyQt.QtGui import QColor

from ..algorithms.deliver.palettes import HEDGE, PEAT, bipolar, symmetric_range
from .raster import read_band
from .tr import tr

STOPS = 33
ABOVE, BELOW = "#a03c14", "#155a7c"


class Styler(QgsProcessingLayerPostProcessorInterface):
    """Applies a style when the host has loaded an output."""

    def __init__(self, style: Callable[[QgsMapLayer], None]):
        super().__init__()
        self.style = style

    _alive: ClassVar[list[Styler]] = []

    @classmethod
    def kept(cls, style: Callable[[QgsMapLayer], None]) -> Styler:
        """A styler for one layer: the host deletes it after use, and needs it alive until then."""
        made = cls(style)
        cls._alive = [one for one in cls._alive if not sip.isdeleted(one)]
        cls._alive.append(made)
        return made

    def postProcessLayer(self, layer, context, feedback):
        """See the host's interface."""
        if layer is not None and layer.isValid():
            self.style(layer)
            layer.triggerRepaint()


def colour(rgb) -> QColor:
    """A colour of a palette as the host's."""
    return QColor(*(int(part) for part in rgb))


def style_survey_raster(layer: QgsRasterLayer, band: int = 1) -> None:
    """Shade a band: about its background where it swings about zero, else from low to high."""
    values = read_band(layer, band).values
    known = values[np.isfinite(values)]
    if not len(known):
        return
    low, background, high = (float(part) for part in np.percentile(known, [2, 50, 98]))
    palette = HEDGE if bipolar(low, high) else PEAT
    if palette is HEDGE:
        low, high = symmetric_range(low, background, high)
    items = [
        QgsColorRampShader.ColorRampItem(low + (high - low) * place, colour(palette.rgb(place)))
        for place in np.linspace(0, 1, STOPS)
    ]
    for item in items:
        item.label = f"{item.value:.3g}"
    ramp = QgsColorRampShader(low, high)
    ramp.setColorRampType(QgsColorRampShader.Type.Interpolated)
    ramp.setColorRampItemList(items)
    shader = QgsRasterShader()
    shader.setRasterShaderFunction(ramp)
    renderer = QgsSingleBandPseudoColorRenderer(layer.dataProvider(), band, shader)
    renderer.setClassificationMin(low)
    renderer.setClassificationMax(high)
    layer.setRenderer(renderer)


def style_anomalies(layer: QgsVectorLayer) -> None:
    """Outline anomalies, russet above the background and blue below."""
    categories = [
        QgsRendererCategory(value, _outline(edge), tr(label))
        for value, edge, label in (
            ("positive", ABOVE, "Above the background"),
            ("negative", BELOW, "Below the background"),
        )
    ]
    layer.setRenderer(QgsCategorizedSymbolRenderer("polarity", categories))


def _outline(edge: str) -> QgsFillSymbol:
    red, green, blue = QColor(edge).red(), QColor(edge).green(), QColor(edge).blue()
    return QgsFillSymbol.createSimple(
        {
            "color": f"{red},{green},{blue},40",
            "outline_color": edge,
            "outline_width": "0.5",
            "outline_width_unit": "MM",
        }
    )


def style_profile_fills(layer: QgsVectorLayer) -> None:
    """Areas between profile and traverse, russet above and blue below."""
    categories = []
    for value, edge, label in (
        ("above", ABOVE, "Above the value on the traverse"),
        ("below", BELOW, "Below the value on the traverse"),
    ):
        fill = QgsFillSymbol.createSimple({"color": edge, "outline_style": "no"})
        fill.setOpacity(0.55)
        categories.append(QgsRendererCategory(value, fill, tr(label)))
    layer.setRenderer(QgsCategorizedSymbolRenderer("side", categories))


def style_profiles(layer: QgsVectorLayer) -> None:
    """Thin dark lines."""
    line = QgsLineSymbol.createSimple({"color": "#2f3b3a", "width": "0.2"})
    layer.setRenderer(QgsSingleSymbolRenderer(line))


def style_readings(layer: QgsVectorLayer) -> None:
    """Small dots, so that traverses read as lines of dots."""
    dot = QgsMarkerSymbol.createSimple(
        {"name": "circle", "color": "#2f3b3a", "outline_style": "no", "size": "0.6"}
    )
    layer.setRenderer(QgsSingleSymbolRenderer(dot))


def style_traverses(layer: QgsVectorLayer) -> None:
    """Thin lines with an arrow in the middle that shows the direction of travel."""
    symbol = QgsLineSymbol.createSimple({"color": BELOW, "width": "0.25"})
    arrow = QgsMarkerLineSymbolLayer.create({"placement": "centralpoint", "rotate": "1"})
    arrow.setSubSymbol(
        QgsMarkerSymbol.createSimple(
            {"name": "filled_arrowhead", "color": BELOW, "outline_style": "no", "size": "3"}
        )
    )
    symbol.appendSymbolLayer(arrow)
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))


def style_data_grids(layer: QgsVectorLayer) -> None:
    """Outlines of data grids with their names."""
    layer.setRenderer(QgsSingleSymbolRenderer(_outline(BELOW)))
    _label(layer, "grid", BELOW, 10.0)


def style_stakes(layer: QgsVectorLayer) -> None:
    """A cross a stake, with its number."""
    cross = QgsMarkerSymbol.createSimple(
        {"name": "cross", "outline_color": ABOVE, "outline_width": "0.5", "size": "2.6"}
    )
    layer.setRenderer(QgsSingleSymbolRenderer(cross))
    _label(layer, "stake", ABOVE, 8.0)


def _label(layer: QgsVectorLayer, field: str, ink: str, size: float) -> None:
    """Write a field beside each feature, on a halo so that it reads on any ground."""
    halo = QgsTextBufferSettings()
    halo.setEnabled(True)
    halo.setSize(0.8)
    text = QgsTextFormat()
    text.setColor(QColor(ink))
    text.setSize(size)
    text.setBuffer(halo)
    settings = QgsPalLayerSettings()
    settings.fieldName = field
    settings.setFormat(text)
    layer.setLabeling(QgsVectorLayerSimpleLabeling(settings))
    layer.setLabelsEnabled(True)
