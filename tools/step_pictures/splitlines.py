"""The picture of "Split a track into traverses": the sample's track before and after."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from host import ROOT


def draw(demo: Path, out: Path) -> None:
    """Run the step on the sample's track and draw it."""
    import processing
    from lynchet.algorithms.deliver.palettes import PEAT
    from lynchet.plugin import compat
    from lynchet.plugin.deliver.figures import INK, MARK, dress, new_figure

    track = processing.run(
        "lynchet:importtable",
        {
            "FILES": [str(ROOT / "sample_layers" / "quillmere_track.csv")],
            "PLACEMENT": "geographic",
            "CRS": "EPSG:25831",
            "X_COLUMN": "longitude",
            "Y_COLUMN": "latitude",
            "TIME_COLUMN": "time",
            "OUTPUT": "memory:",
        },
    )["OUTPUT"]
    split = processing.run("lynchet:splitlines", {"INPUT": track, "OUTPUT": "memory:"})["OUTPUT"]
    features = list(split.getFeatures())
    xy = np.array([(f.geometry().asPoint().x(), f.geometry().asPoint().y()) for f in features])
    xy -= np.floor(xy.min(axis=0) / 10) * 10
    line = np.array([0 if compat.is_null(f["line"]) else f["line"] for f in features])
    figure = new_figure(11.0, 5.4)
    left, right = figure.subplots(1, 2, sharex=True, sharey=True)
    for axes, title in (
        (left, "One endless line, as it came"),
        (right, f"{line.max()} traverses; turns belong to none"),
    ):
        dress(axes)
        axes.set_aspect("equal")
        axes.set_title(title, loc="left", fontsize=11, color=INK)
        axes.set_xlabel("m east", fontsize=9, color=INK)
    left.set_ylabel("m north", fontsize=9, color=INK)
    left.plot(*xy.T, color=INK, linewidth=1.0)
    left.plot(*xy[0], "o", color=INK, markersize=6)
    left.annotate("start", xy[0], xytext=(7, 4), textcoords="offset points", fontsize=9, color=INK)
    right.plot(*xy[line == 0].T, ".", color=MARK, markersize=3.0, linestyle="none")
    # Neighbours must differ: take the light and the dark half of the palette in turn.
    for number in range(1, line.max() + 1):
        own = xy[line == number]
        shade = PEAT.rgb(0.15 + 0.4 * (number % 2)) / 255.0
        right.plot(*own.T, color=shade, linewidth=1.8)
        way = own[-1] - own[-9]
        right.annotate(
            "", own[-1] + 1.6 * way / np.hypot(*way), own[-1] - way,
            arrowprops={"arrowstyle": "-|>", "color": shade, "linewidth": 1.2},
        )  # fmt: skip
        back = own[8] - own[0]
        at = own[0] - 1.9 * back / np.hypot(*back)
        right.text(*at, str(number), ha="center", va="center", fontsize=8, color=INK,
                   bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6})  # fmt: skip
    figure.tight_layout()
    figure.savefig(out / "splitlines.png", dpi=100, metadata={"Software": None})
