"""In words: at which depths one coil pair sees more of a thin layer than another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ...words import in_unit
from .sensitivity import Curve

ALIKE = 1e-3
"""Curves that differ by less than so much of their largest value are the same."""


@dataclass(frozen=True)
class Weighing:
    """Which of two curves weighs a thin layer more.

    Parameters
    ----------
    depths
        Where they cross, m, from above.
    first
        Whether the first weighs more, above the first crossing, between, and below the last.
    """

    depths: tuple[float, ...]
    first: tuple[bool, ...]


def weigh(one: Curve, other: Curve, deepest: float) -> Weighing | None:
    """Compare two curves of common depths down to a depth; None where they are alike throughout.

    Examples
    --------
    >>> from lynchet.algorithms.ground.instrument import CoilPair
    >>> from lynchet.algorithms.ground.depth.sensitivity import low_curve
    >>> depth = np.linspace(0, 4, 801)
    >>> found = weigh(*(low_curve(CoilPair(s), depth) for s in (0.5, 1.0)), 4.0)
    >>> [round(at, 2) for at in found.depths], found.first
    ([0.51], (True, False))
    """
    within = one.depth <= deepest
    depth = one.depth[within]
    difference = one.relative[within] - other.relative[within]
    largest = max(float(one.relative[within].max()), float(other.relative[within].max()))
    # What is left at depth is nothing to speak of.
    told = np.flatnonzero(np.abs(difference) > ALIKE * largest)
    if not len(told):
        return None
    side = difference[told] > 0
    turns = np.flatnonzero(side[1:] != side[:-1])
    crossings = []
    for turn in turns:
        part = slice(told[turn], told[turn + 1] + 1)
        rising = np.sign(difference[told[turn + 1]])
        crossings.append(float(np.interp(0.0, rising * difference[part], depth[part])))
    return Weighing(tuple(crossings), (bool(side[0]), *(bool(side[turn + 1]) for turn in turns)))


def weighing_text(labels: Sequence[str], curves: Sequence[Curve], deepest: float) -> list[str]:
    """A sentence for each two pairs that follow each other.

    Examples
    --------
    >>> from lynchet.algorithms.ground.instrument import CoilPair
    >>> from lynchet.algorithms.ground.depth.sensitivity import low_curve
    >>> depth = np.linspace(0, 4, 801)
    >>> curves = [low_curve(CoilPair(s), depth) for s in (0.5, 1.0)]
    >>> weighing_text(["near", "far"], curves, 4.0)[0]
    "A thin layer weighs more in 'near' than in 'far' down to 0.507 m, and more in 'far' below."
    """
    said = []
    for number in range(len(curves) - 1):
        one, other = labels[number], labels[number + 1]
        found = weigh(curves[number], curves[number + 1], deepest)
        if found is None:
            said.append(f"'{one}' and '{other}' weigh the depths alike.")
            continue
        more, less = (one, other) if found.first[0] else (other, one)
        text = f"A thin layer weighs more in '{more}' than in '{less}'"
        if not found.depths:
            said.append(f"{text} at all depths of the table.")
            continue
        text += f" down to {in_unit(found.depths[0], 'm')}"
        for first, depth in zip(found.first[1:], found.depths[1:]):
            text += f", more in '{one if first else other}' to {in_unit(depth, 'm')}"
        said.append(f"{text}, and more in '{one if found.first[-1] else other}' below.")
    return said
