"""The picture of "Draw stacked profiles": part of the sample survey, profiles over traverses."""

from __future__ import annotations

from pathlib import Path

import numpy as np


def draw(demo: Path, out: Path) -> None:
    """Run the step on one data grid of the corrected readings and draw its layers."""
    import processing
    from lynchet.plugin.deliver.figures import INK, LINE, MARK, new_figure
    from qgis.core import QgsFeatureRequest, QgsVectorLayer

    layer = QgsVectorLayer(str(demo / "corrected.gpkg"), "corrected", "ogr")
    grid = layer.materialize(QgsFeatureRequest().setFilterExpression("\"grid\" = 'G1'"))
    made = processing.run(
        "lynchet:stackedprofiles",
        {
            "INPUT": grid,
            "CHANNELS": ["ec_050"],
            "CLIP": 1.5,
            "OUTPUT": "memory:",
            "FILLS": "memory:",
            "TRAVERSES": "memory:",
        },
    )
    figure = new_figure(8.0, 8.0)
    axes = figure.subplots()
    corner = None

    def corners(points) -> np.ndarray:
        return np.array([(p.x(), p.y()) for p in points]) - corner

    extent = grid.extent()
    corner = np.floor([extent.xMinimum(), extent.yMinimum()])
    for feature in made["FILLS"].getFeatures():
        colour = MARK if feature["side"] == "above" else LINE
        for ring in feature.geometry().asMultiPolygon():
            axes.fill(*corners(ring[0]).T, color=colour, alpha=0.55, linewidth=0)
    for name, width, colour in (("TRAVERSES", 0.3, "#9a978a"), ("OUTPUT", 0.7, INK)):
        for feature in made[name].getFeatures():
            for part in feature.geometry().asMultiPolyline():
                axes.plot(*corners(part).T, color=colour, linewidth=width)
    axes.set_aspect("equal")
    axes.spines[["top", "right"]].set_visible(False)
    axes.tick_params(colors=INK, labelsize=8)
    axes.set_xlabel("m east", fontsize=9, color=INK)
    axes.set_ylabel("m north", fontsize=9, color=INK)
    axes.set_title(
        "Data grid G1, ec_050: russet above, blue below the median", loc="left", fontsize=11,
        color=INK,
    )  # fmt: skip
    figure.tight_layout()
    figure.savefig(out / "stackedprofiles.png", dpi=100, metadata={"Software": None})
