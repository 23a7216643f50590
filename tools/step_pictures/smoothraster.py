"""Picture of "Filter a survey raster": the same channel as gridded and through three filters."""

from __future__ import annotations

import tempfile
from pathlib import Path

from pictures import draw_maps, styled_raster

FILTERS = (
    ("Low pass: half of a wave of 2 m left", {"METHOD": "low_pass", "SHORTEST": 2.0}, "mS/m"),
    ("High pass: half of a wave of 15 m left", {"METHOD": "high_pass", "LONGEST": 15.0}, "mS/m"),
    ("Local sigmas, window 12 m", {"METHOD": "local_sigmas", "WINDOW": 12.0}, "local sigmas"),
)


def draw(demo: Path, out: Path) -> None:
    """Filter the demo's raster of corrected readings."""
    import processing

    raster = demo / "corrected.tif"
    with tempfile.TemporaryDirectory() as folder:
        panels = [("Conductivity, 0.5 m coils, corrected", "mS/m", [styled_raster(raster, 1)])]
        for number, (title, asked, unit) in enumerate(FILTERS):
            path = Path(folder) / f"filtered_{number}.tif"
            processing.run(
                "lynchet:smoothraster",
                {"INPUT": str(raster), "BANDS": [1], **asked, "OUTPUT": str(path)},
            )
            panels.append((title, unit, [styled_raster(path, 1)]))
        draw_maps(panels, out / "smoothraster.png", dpi=72)
        del panels
