"""Stakes as text for a total station or satellite receiver."""

from __future__ import annotations

import csv
from pathlib import Path

from ...algorithms.plan.stakes import Stakes


def write_stakes(stakes: Stakes, path: Path) -> None:
    """Write number, easting, northing and what each stake is, to the millimetre (RFC 4180).

    Raises
    ------
    ValueError
        If the file cannot be written there.
    """
    rows = zip(stakes.x.tolist(), stakes.y.tolist(), stakes.serves)
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(["number", "easting", "northing", "what"])
            # No comma inside a cell: instruments read them as plainly as they can.
            writer.writerows(
                [number, f"{x:.3f}", f"{y:.3f}", serves.replace(", ", "; ")]
                for number, (x, y, serves) in enumerate(rows, start=1)
            )
    except OSError as wrong:
        raise ValueError(f"The stakes cannot be written to '{path}' ({wrong}).") from wrong
