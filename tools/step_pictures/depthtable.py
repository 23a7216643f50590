"""The picture of "Tabulate depth sensitivity": what the step itself draws of two spacings."""

from __future__ import annotations

import json
import tempfile
from pathlib import Path


def draw(demo: Path, out: Path) -> None:
    """Draw flat and upright coils of two spacings, carried a hand above loam."""
    import processing

    pairs = [
        {"spacing_m": spacing, "orientation": orientation}
        for orientation in ("vertical", "horizontal")
        for spacing in (0.5, 1)
    ]
    said = {"frequency_hz": 10000, "height_m": 0.1, "pairs": pairs}
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "four_pairs.json"
        path.write_text(json.dumps(said), encoding="utf-8")
        processing.run(
            "lynchet:depthtable",
            {
                "INSTRUMENT": str(path),
                "CONDUCTIVITIES": "20",
                "MAX_DEPTH": 3.0,
                "OUTPUT": "memory:",
                "PICTURE": str(out / "depthtable.png"),
            },
        )
