"""The picture of "Compare gridding methods": what the step itself draws of the sample survey."""

from __future__ import annotations

from pathlib import Path


def draw(demo: Path, out: Path) -> None:
    """Run the step on the corrected readings."""
    import processing

    processing.run(
        "lynchet:comparegridding",
        {
            "INPUT": str(demo / "corrected.gpkg"),
            "CHANNELS": ["ec_050", "ec_100"],
            "CANDIDATES": "inverse_distance power=1 neighbours=24\ninverse_distance power=4",
            "OUTPUT": "memory:",
            "PICTURE": str(out / "comparegridding.png"),
        },
    )
