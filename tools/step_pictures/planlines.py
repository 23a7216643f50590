"""Picture of "Plan traverses": data grids with things to avoid, and a field with fewest turns."""

from __future__ import annotations

import csv
import io
from pathlib import Path

from pictures import INK, SAMPLE, pixels, render
from PIL import Image

AVOIDED = "#a03c14"
CLEARANCE = 1.5
CROWN = 1.2
TREES = ((430014.0, 5900008.0), (430027.0, 5900024.0))
FENCE = "LineString(430036 5899990, 430041 5900006, 430046 5900005)"
FIELD = (
    "Polygon((430080 5899996, 430131 5899989, 430140 5900012, 430127 5900031, 430101 5900027, "
    "430080 5899996))"
)


def layer_of(kind: str, shapes, fields=(), rows=None):
    """A layer in memory from shapes as well-known text."""
    from qgis.core import QgsFeature, QgsGeometry, QgsVectorLayer

    query = "".join(f"&field={n}:{'string' if n == 'grid' else 'double'}" for n in fields)
    layer = QgsVectorLayer(f"{kind}?crs=EPSG:25831{query}", "quillmere", "memory")
    for row, shape in enumerate(shapes):
        feature = QgsFeature(layer.fields())
        feature.setGeometry(QgsGeometry.fromWkt(shape))
        if rows:
            feature.setAttributes(list(rows[row]))
        layer.dataProvider().addFeature(feature)
    layer.updateExtents()
    return layer


def data_grids():
    """The sample survey's data grids as polygons."""
    from lynchet.algorithms.plan.fewest_turns import Area
    from lynchet.plugin.plan.cutting import rectangle

    names = ("grid", "x", "y", "bearing", "length", "width")
    with open(SAMPLE / "quillmere_grids.csv", encoding="utf-8") as file:
        rows = [(r["grid"], *(float(r[n]) for n in names[1:])) for r in csv.DictReader(file)]
    shapes = [rectangle(Area(*row), "right").asWkt(9) for row in rows]
    return layer_of("Polygon", shapes, names, rows), rows


def filled(layer, colour: str, alpha: int = 0):
    """A polygon layer in one colour."""
    from qgis.core import QgsFillSymbol, QgsSingleSymbolRenderer
    from qgis.PyQt.QtGui import QColor

    red, green, blue, _ = QColor(colour).getRgb()
    symbol = QgsFillSymbol.createSimple(
        {"color": f"{red},{green},{blue},{alpha}", "outline_color": colour, "outline_width": "0.4"}
    )
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    return layer


def plan(layer, **asked):
    """Traverses in the plugin's style, and their key figures."""
    import json

    import processing
    from lynchet.plugin.styles import style_traverses

    out = processing.run("lynchet:planlines", {"INPUT": layer, "OUTPUT": "memory:", **asked})
    style_traverses(out["OUTPUT"])
    return out["OUTPUT"], json.loads(out["FIGURES"])


def draw(demo: Path, out: Path) -> None:
    """Write the picture."""
    from lynchet.plugin.deliver.figures import new_figure
    from qgis.core import QgsGeometry, QgsPointXY

    grids, rows = data_grids()
    trees = [QgsGeometry.fromPointXY(QgsPointXY(*tree)).buffer(CROWN, 16) for tree in TREES]
    fence = QgsGeometry.fromWkt(FENCE).buffer(0.1, 4)
    avoid = filled(layer_of("Polygon", [g.asWkt(6) for g in (*trees, fence)]), AVOIDED, 160)
    lines, figures = plan(grids, SEPARATION=2.0, INTERVAL=0.5, AVOID=avoid, CLEARANCE=CLEARANCE)
    grown = filled(
        layer_of(
            "Polygon",
            [f.geometry().buffer(CLEARANCE, 16).asWkt(6) for f in avoid.getFeatures()],
        ),
        AVOIDED,
        45,
    )
    field = layer_of("Polygon", [FIELD])
    swaths, field_figures = plan(field, SEPARATION=2.0, INTERVAL=0.5)
    filled(grids, INK)
    filled(field, INK)
    figure = new_figure(12.4, 5.9)
    for left, title, found, layers, base in (
        (
            0.01,
            "Four data grids, traverses 2 m apart",
            figures,
            [avoid, grown, lines, grids],
            grids,
        ),
        (
            0.505,
            "A field, traverses 2 m apart, fewest turns",
            field_figures,
            [swaths, field],
            field,
        ),
    ):
        extent = base.extent()
        extent.grow(1.5)
        axes = figure.add_axes([left, 0.01, 0.485, 0.89])
        width = 700
        height = round(width * extent.height() / extent.width())
        axes.imshow(
            pixels(render(layers, extent, width, height)),
            extent=(extent.xMinimum(), extent.xMaximum(), extent.yMinimum(), extent.yMaximum()),
        )
        axes.set_axis_off()
        axes.set_title(
            f"{title}\n{found['traverses']} traverses, {found['length']:,.0f} m, "
            f"{found['readings']:,} readings, {found['hours']:.1f} hours",
            fontsize=10, color=INK, loc="left",
        )  # fmt: skip
        if base is grids:
            for name, x, y, *_ in rows:
                axes.annotate(
                    name, (x, y), (x + 1.6, y + 0.9), fontsize=11, color=INK, weight="bold",
                    bbox={"facecolor": "#f7f5ee", "edgecolor": "none", "pad": 1.5},
                )  # fmt: skip
    # Few colours: a third of the size.
    held = io.BytesIO()
    figure.savefig(held, dpi=100)
    Image.open(held).convert("RGB").quantize(64).save(out / "planlines.png", optimize=True)
