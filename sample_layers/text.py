"""How the invented loggers write numbers and times."""

from __future__ import annotations

from pathlib import Path

import numpy as np

DECIMALS = (2, 3, 2, 3)


def clock(seconds: float) -> str:
    """Seconds as HH:MM:SS.ss."""
    hundredths = round(seconds * 100)
    whole, rest = divmod(hundredths, 100)
    return f"{whole // 3600:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{rest:02d}"


def cells(values: np.ndarray, missing: str = "") -> list[str]:
    """A reading's values as a logger writes them; `missing` where there is none."""
    return [missing if v != v else f"{v:.{d}f}" for v, d in zip(values.tolist(), DECIMALS)]


def write(path: Path, rows: list[str], newline: str = "\n") -> None:
    """Write rows of text."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes((newline.join(rows) + newline).encode("utf-8"))
