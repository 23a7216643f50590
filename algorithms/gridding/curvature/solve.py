"""The surface of least energy through the readings, one channel."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...progress import Progress, advance
from ...readings import FloatArray
from .anchors import Anchors
from .energy import SLAB, Grid
from .levels import Pyramid

CLOSER = 0.2
"""Each round of solving ends when what is left to change is this part of how far the round moved
the held nodes."""


@dataclass(frozen=True, eq=False)
class Solved:
    """What solving gives.

    Parameters
    ----------
    surface
        Shape ``(rows, columns)``.
    iterations
        Number of visits to the pyramid.
    change
        Most that any node would still change, as far as the last iteration tells.
    """

    surface: FloatArray
    iterations: int
    change: float


def solve(
    pyramid: Pyramid,
    anchors: Anchors,
    values: FloatArray,
    channel: int,
    tolerance: float,
    most: int,
    progress: Progress,
) -> Solved:
    """Solve by preconditioned conjugate gradients, in rounds.

    In each round the held nodes stand still and the others find rest. Between the rounds each
    held node is moved by what the surface there misses its reading, until nothing moves by more
    than the tolerance.

    Parameters
    ----------
    values
        What the surface is to pass through at the anchors, shape ``(k,)``.
    tolerance
        In the channel's unit.
    most
        Most iterations.

    References
    ----------
    J. Nocedal and S. J. Wright (2006), *Numerical Optimization*, 2nd ed., section 5.2 (the
    Polak-Ribiere form, which bears a preconditioner that is not quite the same each time).
    """
    links = pyramid.levels[0].energy.links
    surface = pyramid.start(channel).astype(np.float64)
    held = surface.reshape(-1)
    node = anchors.row * surface.shape[1] + anchors.column
    report = _Report(progress, tolerance, most)
    while True:
        wanted = values - anchors.rise(surface, links)
        moved = float(np.abs(wanted - held[node]).max())
        held[node] = wanted
        del wanted
        change = max(moved, _round(pyramid, surface, moved, report))
        if change <= tolerance or report.iterations == most:
            return Solved(surface, report.iterations, change)


def _round(pyramid: Pyramid, surface: FloatArray, moved: float, report: _Report) -> float:
    """Bring the free nodes to rest, the held ones standing still; the most left to change."""
    force, free = pyramid.levels[0].energy.force, pyramid.levels[0].ease > 0
    rest = force(surface)
    rest *= free
    np.negative(rest, out=rest)
    goal = max(report.tolerance / 3, CLOSER * moved)
    before, way, turn = 0.0, rest, rest
    while True:
        step = pyramid.correction(rest.astype(np.float32))
        change = float(max(step.max(), -step.min()))
        if change <= goal or report.iterations == report.most:
            return change
        report(change + moved)
        gain = _dot(rest, step)
        if before:
            way *= max(0.0, _dot(turn, step) / before)
            way += step
            force(way, turn)
        else:
            way = step.astype(np.float64)
            turn = force(way)
        del step
        turn *= free
        length = _dot(way, rest) / _dot(way, turn)
        turn *= -length
        rest += turn
        before = gain
        for top in range(0, len(surface), SLAB):
            surface[top : top + SLAB] += length * way[top : top + SLAB]


class _Report:
    """Counts iterations, and tells how far they have come on the way to the tolerance."""

    def __init__(self, progress: Progress, tolerance: float, most: int) -> None:
        self.progress, self.tolerance, self.most = progress, tolerance, most
        self.iterations, self.first, self.share = 0, 0.0, 0.0

    def __call__(self, change: float) -> None:
        """Another iteration, at which this much is left to change."""
        self.iterations += 1
        self.first = max(self.first, change)
        if self.first > self.tolerance > 0:
            share = np.log(self.first / change) / np.log(self.first / self.tolerance)
            self.share = max(self.share, min(1.0, float(share)))
        advance(self.progress, self.share)


def _dot(one: Grid, other: Grid) -> float:
    """Sum of the products, always in the same order."""
    return float(np.einsum("rc,rc->", one, other))
