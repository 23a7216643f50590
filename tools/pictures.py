"""Pictures of results, rendered by the host with the plugin's own styles."""

from __future__ import annotations

from pathlib import Path

from host import ROOT

SAMPLE = ROOT / "sample_layers"
INK = "#2f3b3a"


def styled_raster(path: Path, band: int):
    """A raster layer in the plugin's style."""
    from lynchet.plugin.styles import style_survey_raster
    from qgis.core import QgsRasterLayer

    layer = QgsRasterLayer(str(path), path.stem)
    style_survey_raster(layer, band)
    return layer


def styled_anomalies(path: Path):
    """A layer of anomalies in the plugin's style."""
    from lynchet.plugin.styles import style_anomalies
    from qgis.core import QgsVectorLayer

    layer = QgsVectorLayer(str(path), path.stem, "ogr")
    style_anomalies(layer)
    return layer


def outline_layer(path: Path, colour: str, width: float):
    """A polygon layer as plain outlines."""
    from qgis.core import QgsFillSymbol, QgsSingleSymbolRenderer, QgsVectorLayer

    layer = QgsVectorLayer(str(path), path.stem, "ogr")
    symbol = QgsFillSymbol.createSimple(
        {"style": "no", "outline_color": colour, "outline_width": str(width)}
    )
    layer.setRenderer(QgsSingleSymbolRenderer(symbol))
    return layer


def render(layers, extent, width: int, height: int):
    """Layers, the uppermost first, as a picture (the host's QImage)."""
    from qgis.core import QgsMapRendererParallelJob, QgsMapSettings
    from qgis.PyQt.QtCore import QSize
    from qgis.PyQt.QtGui import QColor

    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setDestinationCrs(layers[-1].crs())
    settings.setBackgroundColor(QColor("#f7f5ee"))
    settings.setOutputSize(QSize(width, height))
    settings.setOutputDpi(110)
    settings.setExtent(extent)
    job = QgsMapRendererParallelJob(settings)
    job.start()
    job.waitForFinished()
    return job.renderedImage()


def pixels(image):
    """A picture of the host as an array, shape ``(height, width, 4)``."""
    import numpy as np
    from qgis.PyQt.QtGui import QImage

    image = image.convertToFormat(QImage.Format.Format_RGBA8888)
    bits = image.constBits()
    bits.setsize(image.sizeInBytes())
    shape = (image.height(), image.bytesPerLine() // 4, 4)
    return np.frombuffer(bits, np.uint8).reshape(shape)[:, : image.width()].copy()


def legend_of(layer):
    """Colours and range of a styled raster: an array ``(n, 3)`` and (low, high)."""
    import numpy as np

    items = layer.renderer().shader().rasterShaderFunction().colorRampItemList()
    colours = np.array([[i.color.red(), i.color.green(), i.color.blue()] for i in items])
    return colours, (items[0].value, items[-1].value)


def draw_maps(panels, target: Path, dpi: int = 100) -> None:
    """Draw maps side by side; each panel a title, a unit and layers, the raster last."""
    from lynchet.plugin.deliver.figures import new_figure

    extent = panels[0][2][-1].extent()
    extent.grow(1.0)
    count = len(panels)
    width = 4.4 * count
    figure = new_figure(width, 5.6)
    for number, (title, unit, layers) in enumerate(panels):
        left = (0.16 + 4.35 * number) / width
        axes = figure.add_axes([left, 0.16, 4.2 / width, 0.76])
        axes.imshow(
            pixels(render(layers, extent, 900, 900)),
            extent=(extent.xMinimum(), extent.xMaximum(), extent.yMinimum(), extent.yMaximum()),
        )
        axes.set_xticks([])
        axes.set_yticks([])
        axes.set_title(title, fontsize=11, color=INK, loc="left")
        _scale_bar(axes, extent)
        colours, (low, high) = legend_of(layers[-1])
        bar = figure.add_axes([left + 0.26 / width, 0.085, 2.65 / width, 0.03])
        bar.imshow(colours[None], aspect="auto", extent=(low, high, 0, 1))
        bar.set_yticks([])
        bar.tick_params(labelsize=8, colors=INK)
        bar.set_xlabel(unit, fontsize=8, color=INK, labelpad=1)
    figure.savefig(target, dpi=dpi)


def draw_demo_map(folder: Path, target: Path) -> None:
    """Three maps: as recorded, corrected with anomalies, in-phase with anomalies."""
    trenches = outline_layer(SAMPLE / "quillmere_trenches.geojson", INK, 0.6)
    ec = styled_anomalies(folder / "anomalies_ec_050.gpkg")
    ip = styled_anomalies(folder / "anomalies_ip_100.gpkg")
    draw_maps(
        (
            (
                "Conductivity, 0.5 m coils, as recorded",
                "mS/m",
                [trenches, styled_raster(folder / "readings.tif", 1)],
            ),
            (
                "Corrected, anomalies outlined",
                "mS/m",
                [ec, trenches, styled_raster(folder / "corrected.tif", 1)],
            ),
            (
                "In-phase, 1 m coils, corrected",
                "ppt",
                [ip, trenches, styled_raster(folder / "corrected.tif", 4)],
            ),
        ),
        target,
    )


def draw_tutorial(folder: Path, target: Path) -> None:
    """The tutorial's pictures, from the demo's results."""
    import shutil

    import processing
    from lynchet.plugin.styles import style_readings
    from qgis.core import QgsVectorLayer

    dots = QgsVectorLayer(str(folder / "readings.gpkg"), "readings", "ogr")
    style_readings(dots)
    raw = styled_raster(folder / "readings.tif", 1)
    draw_maps(
        (("Every dot a reading", "mS/m", [dots, raw]), ("As recorded, gridded", "mS/m", [raw])),
        target / "raw.png",
    )
    for name in ("undrifted", "levelled"):
        processing.run(
            "lynchet:gridreadings",
            {"INPUT": str(folder / f"{name}.gpkg"), "OUTPUT": str(folder / f"{name}.tif")},
        )
    draw_maps(
        (
            ("In-phase, 1 m coils: before", "ppt", [styled_raster(folder / "undrifted.tif", 4)]),
            ("After levelling", "ppt", [styled_raster(folder / "levelled.tif", 4)]),
        ),
        target / "levelled.png",
    )
    draw_maps(
        (
            (
                "Conductivity, 0.5 m coils: levelled",
                "mS/m",
                [styled_raster(folder / "levelled.tif", 1)],
            ),
            ("Aligned and balanced", "mS/m", [styled_raster(folder / "corrected.tif", 1)]),
        ),
        target / "aligned.png",
    )
    shutil.copy(folder / "map.png", target / "demo.png")
    draw_page(folder / "check.html", target / "check.png")
    processing.run(
        "lynchet:driftbase",
        {
            "INPUT": str(folder / "despiked.gpkg"),
            "BASE": str(folder / "base.gpkg"),
            "CURVES": str(target / "drift.png"),
            "OUTPUT": "memory:",
        },
    )


def draw_page(page: Path, target: Path, width: int = 900, height: int = 1100) -> None:
    """The beginning of a page as a picture, where the host's old web view is there to draw it."""
    from qgis.PyQt.QtCore import QEventLoop, QSize, Qt, QTimer, QUrl
    from qgis.PyQt.QtGui import QImage, QPainter
    from qgis.PyQt.QtWebKitWidgets import QWebPage

    view, loop = QWebPage(), QEventLoop()
    view.loadFinished.connect(loop.quit)
    view.mainFrame().setScrollBarPolicy(
        Qt.Orientation.Vertical, Qt.ScrollBarPolicy.ScrollBarAlwaysOff
    )
    view.setViewportSize(QSize(width, height))
    QTimer.singleShot(20_000, loop.quit)
    view.mainFrame().load(QUrl.fromLocalFile(str(page)))
    loop.exec()
    image = QImage(width, height, QImage.Format.Format_RGB32)
    painter = QPainter(image)
    view.mainFrame().render(painter)
    painter.end()
    image.save(str(target))


def _scale_bar(axes, extent) -> None:
    x, y = extent.xMaximum() - 12.5, extent.yMinimum() + 1.8
    axes.plot([x, x + 10], [y, y], color=INK, linewidth=3, solid_capstyle="butt")
    axes.text(x + 5, y + 0.7, "10 m", ha="center", fontsize=8, color=INK)
    axes.annotate(
        "N",
        xy=(extent.xMinimum() + 2.2, extent.yMaximum() - 1.2),
        xytext=(extent.xMinimum() + 2.2, extent.yMaximum() - 5.5),
        ha="center",
        fontsize=9,
        color=INK,
        arrowprops={"arrowstyle": "-|>", "color": INK},
    )
