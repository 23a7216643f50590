"""The last part of the demo: the ground under the coils of the sample survey."""

from __future__ import annotations

from demo_field import OUT, SAMPLE

LAYERS = 4
SECTION = "G1 19"
"""A traverse across the ring ditch."""

DITCH = "ring ditch"
BESIDE = (2.0, 4.0)
"""Soil is taken so far from the ditch's edge, m."""


def look_below(chain, corrected: str) -> str:
    """Tabulate what depths are seen, invert to layers, grid them; tell how the ditch comes out."""
    instrument = str(SAMPLE / "quillmere_instrument.json")
    chain.run(
        "depthtable",
        INSTRUMENT=instrument,
        CONDUCTIVITIES="15; 23",
        THICKNESSES="0.3",
        OUTPUT=str(OUT / "depths.gpkg"),
        PICTURE=str(OUT / "depths.png"),
    )
    layers = str(OUT / "layers.gpkg")
    found = chain.run(
        "invertlayers",
        INPUT=corrected,
        INSTRUMENT=instrument,
        LAYERS=LAYERS,
        SECTION_LINE=SECTION,
        SECTION=str(OUT / "section.png"),
        OUTPUT=layers,
    )
    names = [f"ec_layer{k + 1}" for k in range(LAYERS)]
    slices = str(OUT / "depth_slices.tif")
    chain.run("gridreadings", INPUT=layers, CHANNELS=names, OUTPUT=slices)
    return table_of_ditch(chain, layers, names, found["FIGURES"])


def table_of_ditch(chain, layers: str, names: list[str], figures: str) -> str:
    """Median conductivity in the ditch and in the soil beside it, layer by layer."""
    import json

    import numpy as np
    from osgeo import ogr

    told = json.loads(figures)
    rows = []
    dataset = ogr.Open(layers)
    for feature in dataset.GetLayer(0):
        place = feature.GetGeometryRef()
        values = [np.nan if feature[name] is None else feature[name] for name in names]
        rows.append([place.GetX(), place.GetY(), *values])
    table = np.array(rows, dtype=float)
    rings = next(one.rings for one in chain.truth.planted if one.name == DITCH)
    within = chain.scorer.contains(rings, table[:, :2])
    beside = within_reach(rings, table[:, :2])
    text = ["The ring ditch in the layers below (median, mS/m)"]
    for name, inside, outside in zip(
        names, np.nanmedian(table[within, 2:], axis=0), np.nanmedian(table[beside, 2:], axis=0)
    ):
        text.append(f"  {told[name]:<16} ditch {inside:5.1f}   soil beside {outside:5.1f}")
    return "\n".join(text)


def within_reach(rings, places):
    """Which places lie outside the ditch, `BESIDE` from the nearest corner of its rings."""
    import numpy as np
    from scipy.spatial import cKDTree

    apart, _ = cKDTree(np.vstack(rings)).query(places)
    return (apart > BESIDE[0]) & (apart < BESIDE[1])
