"""Picture of "Suppress stripes in a raster": before, after, and what was removed."""

from __future__ import annotations

import tempfile
from pathlib import Path

from pictures import draw_maps, styled_raster


def draw(demo: Path, out: Path) -> None:
    """Grid the demo's readings before levelling, and take the stripes off the raster."""
    import processing

    with tempfile.TemporaryDirectory() as folder:
        striped, clean, removed = (
            Path(folder) / f"{name}.tif" for name in ("striped", "clean", "removed")
        )
        processing.run(
            "lynchet:gridreadings",
            {
                "INPUT": str(demo / "undrifted.gpkg"),
                "CHANNELS": ["ip_050"],
                "CELL_SIZE": 0.25,
                "OUTPUT": str(striped),
            },
        )
        processing.run(
            "lynchet:destriperaster",
            {"INPUT": str(striped), "OUTPUT": str(clean), "REMOVED": str(removed)},
        )
        before, after = styled_raster(striped, 1), styled_raster(clean, 1)
        after.setRenderer(before.renderer().clone())  # the same colours for the same values
        panels = [
            ("In-phase, 0.5 m coils, not levelled", "ppt", [before]),
            ("Without stripes", "ppt", [after]),
            ("What was removed", "ppt", [styled_raster(removed, 1)]),
        ]
        draw_maps(panels, out / "destriperaster.png", dpi=84)
        del before, after, panels
