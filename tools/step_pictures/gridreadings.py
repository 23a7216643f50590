"""The picture of "Grid readings": the ring ditch by every method, every third traverse read."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np

KEPT = '"grid" = \'G1\' and "line" % 3 = 1'


def draw(demo: Path, out: Path) -> None:
    """Grid a thinned data grid with each method, in the colours of all readings gridded."""
    import processing
    from lynchet.algorithms.deliver.palettes import PEAT
    from lynchet.algorithms.gridding.methods import methods
    from lynchet.plugin.deliver.figures import INK, new_figure
    from matplotlib.colors import ListedColormap
    from osgeo import gdal
    from qgis.core import QgsFeatureRequest, QgsVectorLayer

    def gridded(layer, method: str, folder: str) -> tuple[np.ndarray, list[float]]:
        path = str(Path(folder) / f"{method}_{layer.featureCount()}.tif")
        processing.run(
            "lynchet:gridreadings",
            {
                "INPUT": layer,
                "CHANNELS": ["ec_050"],
                "METHOD": method,
                "CELL_SIZE": 0.25,
                "OUTPUT": path,
            },
        )
        raster = gdal.Open(path)
        band = raster.GetRasterBand(1)
        cells = band.ReadAsArray().astype(float)
        cells[cells == band.GetNoDataValue()] = np.nan
        west, width, _, north, _, height = raster.GetGeoTransform()
        span = [west, west + width * raster.RasterXSize, north + height * raster.RasterYSize, north]
        return cells, span

    layer = QgsVectorLayer(str(demo / "corrected.gpkg"), "corrected", "ogr")
    whole = layer.materialize(QgsFeatureRequest().setFilterExpression("\"grid\" = 'G1'"))
    every_third = layer.materialize(QgsFeatureRequest().setFilterExpression(KEPT))
    colours = ListedColormap(PEAT.rgb(np.linspace(0, 1, 128)) / 255.0)
    with tempfile.TemporaryDirectory() as folder:
        full = gridded(whole, "along_across", folder)
        panels = [("All traverses, 0.5 m apart", full)]
        panels += [(method.title, gridded(every_third, name, folder))
                   for name, method in methods().items()]  # fmt: skip
    low, high = np.nanpercentile(full[0], [2, 98])
    west, east, south, north = full[1]
    figure = new_figure(12.0, 6.4)
    axes = figure.subplots(2, 4).ravel()
    for panel, (title, (cells, span)) in zip(axes, panels):
        panel.imshow(cells, extent=span, cmap=colours, vmin=low, vmax=high, interpolation="nearest")
        panel.set(xlim=(west, east), ylim=(south, north))
        panel.set_title(title, loc="left", fontsize=10, color=INK)
    for panel in axes:
        panel.set_axis_off()
    axes[-1].text(
        0.02,
        0.95,
        "Data grid G1, ec_050.\n\nThe first picture has all\nreadings; the others every\n"
        "third traverse alone, 1.5 m\napart, by default options.",
        transform=axes[-1].transAxes,
        va="top",
        fontsize=10,
        color=INK,
    )
    figure.tight_layout()
    figure.savefig(out / "gridreadings.png", dpi=84, metadata={"Software": None})
