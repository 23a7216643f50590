"""What every benchmark of this folder works with: the survey, the clock and the line printed."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT / "tools"))

from host import headless, import_checkout  # noqa: E402, F401

import_checkout()

READINGS = 1_000_000
REPEATS = 3
LINE = 1_000
"""Readings of a traverse."""
SEPARATION, INTERVAL = 0.5, 0.125


def seconds(work: Callable[[], object]) -> float:
    """Seconds of one run."""
    begun = time.perf_counter()
    work()
    return time.perf_counter() - begun


def fastest(work: Callable[[], object]) -> float:
    """Seconds of the fastest of some runs."""
    return min(seconds(work) for _ in range(REPEATS))


def line(name: str, ours: float, theirs: float, what: str) -> None:
    """Print one comparison."""
    print(f"{name:<34}{ours:8.2f} s{theirs:8.2f} s{theirs / ours:8.1f} x   {what}", flush=True)


def survey(readings: int = READINGS, each: int = LINE):
    """A survey of traverses of 1,000 readings or `each`, four channels."""
    from lynchet.algorithms.readings import Readings

    rng = np.random.default_rng(1)
    lines = readings // each
    values = rng.normal(20, 0.2, (readings, 4))
    values[rng.choice(readings, readings // 150, replace=False)] += 20
    return Readings.build(
        x=np.repeat(np.arange(lines) * SEPARATION, each),
        y=np.tile(np.arange(each) * INTERVAL, lines),
        values=values,
        line=np.repeat(np.arange(lines), each),
    )
