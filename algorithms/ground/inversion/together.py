"""Fit the soundings of a survey together, traverse by traverse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields

import numpy as np

from ...progress import Progress, portion
from ...readings import IntArray, Readings
from .fit import Fitted, Parting
from .lateral import Likeness, fit_together, precision
from .options import InversionOptions
from .soundings import Soundings

TOGETHER = 30_000
"""Soundings fitted together at most; more are parted, traverse by traverse."""


def tie(
    readings: Readings,
    rows: IntArray,
    soundings: Soundings,
    parting: Parting,
    fitted: Fitted,
    options: InversionOptions,
    metre: float,
    progress: Progress,
) -> Fitted:
    """Fit soundings together, as many traverses at a time as `TOGETHER` allows.

    Those without a position stay as they are, and so do those of no traverse.
    """
    places = np.column_stack([readings.x, readings.y])[rows] / metre
    placed = np.isfinite(places).all(axis=1)
    place = np.full(len(readings), -1)
    place[rows[placed]] = np.flatnonzero(placed)
    chains = [found[found >= 0] for found in (place[line.rows] for line in readings.lines)]
    parts = parts_of(chains)
    likeness = Likeness(options.along, options.across)
    found = {each.name: getattr(fitted, each.name).copy() for each in fields(Fitted)}
    for number, group in enumerate(parts):
        inside = np.concatenate(group)
        order = np.full(len(rows), -1)
        order[inside] = np.arange(len(inside))
        plan = precision(places[inside], [order[chain] for chain in group], likeness)
        start = Fitted(**{name: column[inside] for name, column in found.items()})
        tied = fit_together(
            soundings.take(inside), parting, start, plan,
            portion(progress, number / len(parts), (number + 1) / len(parts)),
        )  # fmt: skip
        for name, column in found.items():
            column[inside] = getattr(tied, name)
    # Bounds are those of each sounding on its own, which are the wider ones.
    found["sd"] = fitted.sd
    return Fitted(**found)


def parts_of(chains: Sequence[IntArray]) -> list[list[IntArray]]:
    """Traverses in groups of `TOGETHER` readings at most, or of one longer traverse."""
    parts: list[list[IntArray]] = []
    size = TOGETHER + 1
    for chain in chains:
        if not len(chain):
            continue
        size += len(chain)
        if size > TOGETHER:
            parts.append([])
            size = len(chain)
        parts[-1].append(chain)
    return parts
