"""The picture of "Invert to layered conductivity": depth slices, and a section across the ditch."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np

TRAVERSE = "G1 19"
LAYERS = 4
DITCH = (0.3, 1.1)
"""Depths of the ditch of the sample, m: what the generator was given."""

SIDE = 22.0
"""Of the slices' plan, m, from the corner of the first data grid."""


def draw(demo: Path, out: Path) -> None:
    """Run the step on the corrected readings, grid the layers, draw both over the truth."""
    import processing
    from host import ROOT
    from lynchet.algorithms.ground.invertlayers import InversionOptions, invert_layers
    from lynchet.algorithms.ground.section import along_traverse, named_traverse
    from lynchet.algorithms.ground.section_ground import section_ground
    from lynchet.plugin.deliver.figures import INK, MARK, new_figure
    from lynchet.plugin.deliver.section import LOAM, draw_ground, draw_key
    from lynchet.plugin.ground.instruments import read_instrument
    from lynchet.plugin.raster import read_band
    from matplotlib.colors import ListedColormap, LogNorm
    from matplotlib.path import Path as Outline
    from qgis.core import QgsRasterLayer, QgsVectorLayer

    sample = ROOT / "sample_layers"
    description = sample / "quillmere_instrument.json"
    layer = QgsVectorLayer(str(demo / "corrected.gpkg"), "corrected", "ogr")
    made = processing.run(
        "lynchet:invertlayers",
        {"INPUT": layer, "INSTRUMENT": str(description), "LAYERS": LAYERS, "OUTPUT": "memory:"},
    )
    figures = json.loads(made["FIGURES"])
    names = [f"ec_layer{k + 1}" for k in range(LAYERS)]
    slices = processing.run(
        "lynchet:gridreadings",
        {"INPUT": made["OUTPUT"], "CHANNELS": names, "OUTPUT": "TEMPORARY_OUTPUT"},
    )["OUTPUT"]

    channels = read_instrument(description).channels_of(["ec_050", "ec_100"])
    readings = _read(layer, [channel.field for channel in channels])
    found = invert_layers(readings, channels, InversionOptions(layers=LAYERS))
    section = along_traverse(readings, named_traverse(readings, TRAVERSE))
    ground = section_ground(section, readings, channels, found)
    truth = json.loads((sample / "truth" / "features.geojson").read_text("utf-8"))
    rings = [np.array(one["geometry"]["coordinates"][0]) for one in truth["features"]
             if one["properties"]["name"] == "ring ditch"]  # fmt: skip
    xy = np.column_stack([readings.x, readings.y])[section.rows]
    corner = np.floor(rings[0].min(axis=0) - 4.0)

    figure = new_figure(10.0, 7.6)
    colours = ListedColormap(LOAM.rgb(np.linspace(0, 1, 256)) / 255.0)
    raster = QgsRasterLayer(slices, "slices")
    for k, name in enumerate(names):
        axes = figure.add_axes([0.06 + 0.235 * k, 0.575, 0.22, 0.34])
        band = read_band(raster, k + 1)
        frame = band.frame
        right = frame.west + frame.cell_width * frame.columns
        bottom = frame.north - frame.cell_height * frame.rows
        shown = band.values[_inside(frame, corner)]
        least, most = np.nanquantile(shown, [0.01, 0.99])
        axes.imshow(
            np.clip(band.values, least, most), cmap=colours, norm=LogNorm(least, most),
            extent=(frame.west - corner[0], right - corner[0], bottom - corner[1],
                    frame.north - corner[1]), interpolation="nearest",
        )  # fmt: skip
        for ring in rings:
            axes.plot(*(ring - corner).T, color=MARK, linewidth=1.0)
        axes.plot(*(xy[[0, -1]] - corner).T, color=INK, linewidth=0.9, linestyle=(0, (4, 2)))
        axes.set_xlim(0, SIDE)
        axes.set_ylim(0, SIDE)
        axes.tick_params(colors=INK, labelsize=7, labelleft=not k)
        axes.set_title(
            f"{figures[name]}: {least:.0f} to {most:.0f} mS/m", loc="left", fontsize=9, color=INK
        )
        axes.set_xlabel("m east", fontsize=8, color=INK)
        if not k:
            axes.set_ylabel("m north", fontsize=8, color=INK)
    below = figure.add_axes([0.06, 0.215, 0.925, 0.27])
    draw_ground(below, ground)
    for ring in rings:
        within = np.flatnonzero(Outline(ring).contains_points(xy))
        for part in np.split(within, np.flatnonzero(np.diff(within) > 1) + 1):
            start, end = section.left[part[0]], section.right[part[-1]]
            below.plot([start, end, end, start, start], [*DITCH[:1] * 2, *DITCH[1:] * 2, DITCH[0]],
                       color=MARK, linewidth=1.6)  # fmt: skip
    key = figure.add_axes([0.15, 0.065, 0.42, 0.075])
    draw_key(key, ground.range)
    figure.text(
        0.62, 0.1,
        "Above: each slice on a scale of its own. Below: all layers on one.\nRusset: the ditch as "
        "it is, twice as conductive as the soil beside it.\nInk dashes: section (above), depth of "
        "investigation (below).",
        fontsize=8, color=INK, va="center",
    )  # fmt: skip
    figure.text(0.06, 0.955, "Four layers from two channels, over the ring ditch of the sample",
                fontsize=11, color=INK)  # fmt: skip
    figure.savefig(out / "invertlayers.png", dpi=100, metadata={"Software": None})


def _inside(frame, corner) -> tuple[slice, slice]:
    """Rows and columns of a raster within the plan that is drawn."""
    west, south = corner - (frame.west, frame.north)
    left, top = int(west / frame.cell_width), int((-south - SIDE) / frame.cell_height)
    rows, columns = int(SIDE / frame.cell_height), int(SIDE / frame.cell_width)
    return slice(max(top, 0), top + rows), slice(max(left, 0), left + columns)


def _read(layer, channels: list[str]):
    """The readings of a layer."""
    from lynchet.algorithms.readings import Readings
    from lynchet.plugin.compat import is_null

    rows = [
        (place.x(), place.y(), feature["line"], feature["seq"], feature["grid"],
         *(np.nan if is_null(feature[name]) else feature[name] for name in channels))
        for feature in layer.getFeatures()
        for place in [feature.geometry().asPoint()]
    ]  # fmt: skip
    x, y, line, sequence, grid, *values = zip(*rows)
    return Readings.build(
        x=x, y=y, line=line, sequence=sequence, grid=grid, channels=channels,
        values=np.column_stack(values),
    )  # fmt: skip
