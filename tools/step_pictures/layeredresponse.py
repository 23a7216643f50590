"""The picture of "Compute layered-ground response": what fill of rising depth adds to readings."""

from __future__ import annotations

from pathlib import Path

import numpy as np

TOPSOIL = 0.3
NOISE = {"ec": 0.5, "ip": 0.05}
"""What readings waver by, mS/m and ppt: invented, of a likely size."""


def draw(demo: Path, out: Path) -> None:
    """Draw how much more both coil pairs read where fill lies under the topsoil."""
    import processing
    from lynchet.plugin.deliver.figures import INK, LINE, MARK, dress, new_figure
    from qgis.core import QgsFeature, QgsVectorLayer

    depths = np.linspace(0, 1.5, 61)
    layer = QgsVectorLayer("None?field=topsoil:double&field=fill:double", "fills", "memory")
    features = []
    for depth in depths.tolist():
        feature = QgsFeature(layer.fields())
        feature.setAttributes([TOPSOIL, depth])
        features.append(feature)
    layer.dataProvider().addFeatures(features)

    def read(method: str) -> dict[str, np.ndarray]:
        made = processing.run(
            "lynchet:layeredresponse",
            {
                "INPUT": layer,
                "CONDUCTIVITIES": "20; 45; 15",
                "THICKNESS_FIELDS": ["topsoil", "fill"],
                "SUSCEPTIBILITIES": "0.0005; 0.001; 0.0001",
                "METHOD": method,
                "OUTPUT": "memory:",
            },
        )["OUTPUT"]
        names = ("ec_050", "ip_050", "ec_100", "ip_100")
        rows = np.array([[feature[name] for name in names] for feature in made.getFeatures()])
        return dict(zip(names, (rows - rows[0]).T))

    exact, low = read("exact"), read("low_induction")
    figure = new_figure(9.5, 4.2)
    for axes, (part, title, unit) in zip(
        figure.subplots(1, 2),
        (("ec", "Conductivity above that beside the ditch", "mS/m"),
         ("ip", "In-phase above that beside the ditch", "ppt")),
    ):  # fmt: skip
        dress(axes)
        axes.axhspan(-NOISE[part], NOISE[part], color="#e7e5da", zorder=0, label="noise")
        for spacing, colour in (("050", LINE), ("100", MARK)):
            name = f"{part}_{spacing}"
            label = f"{name}, {int(spacing) / 100:g} m coils"
            axes.plot(depths, low[name], color=colour, linewidth=1.0, linestyle=(0, (4, 2.2)))
            axes.plot(depths, exact[name], color=colour, linewidth=1.7, label=label)
        axes.plot([], [], color=INK, linewidth=1.0, linestyle=(0, (4, 2.2)),
                  label="low induction numbers")  # fmt: skip
        axes.set_title(title, loc="left", fontsize=10, color=INK)
        axes.set_xlabel("Thickness of the fill below 0.3 m of topsoil [m]", fontsize=8, color=INK)
        axes.set_ylabel(unit, fontsize=8, color=INK)
        axes.set_xlim(0, depths[-1])
        axes.legend(frameon=False, fontsize=8, loc="best")
    figure.tight_layout()
    figure.savefig(out / "layeredresponse.png", dpi=100, metadata={"Software": None})
