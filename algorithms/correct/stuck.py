"""Runs of exactly equal readings: where the instrument or the logger stood still."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..readings import FloatArray, IntArray

CHANCE = 1e-6
"""Chance of a false alarm below which a run is called stuck."""

COARSE = 0.9
"""Share of equal neighbours above which the resolution explains runs of any length."""

SHORTEST_RUN = 4
"""Equal readings one after another that are never called stuck, less one."""


@dataclass(frozen=True, eq=False)
class EqualRuns:
    """Runs of equal values along traverses, one and all.

    Parameters
    ----------
    start, length
        Place of each run's first value in walking order, and how many values it has, ``(r,)``.
    by_chance
        Length up to which chance makes runs; None where most neighbours are equal, so that stuck
        ones cannot be told.
    """

    start: IntArray
    length: IntArray
    by_chance: int | None


def equal_runs(column: FloatArray, number: IntArray, resolution: float, noise: float) -> EqualRuns:
    """Runs of exactly equal values, and how long chance makes them.

    With noise of standard deviation ``s`` and values in steps of ``q``, two readings of level
    ground agree with a chance of about ``q / (2 s sqrt(pi))``: the density at 0 of a difference of
    standard deviation ``s sqrt(2)``, times the step. Where the ground is level, the share of equal
    neighbours that the usual traverse shows is larger, and counts.

    Parameters
    ----------
    column
        Values in walking order, ``(m,)``; NaN equals nothing.
    number
        Number of each value's traverse, from 0, ``(m,)``.
    resolution
        Smallest step between values; see `resolution_of`.
    noise
        Standard deviation of the noise, channel units.
    """
    alike = (number[1:] == number[:-1]) & (np.diff(column) == 0)
    equal = np.bincount(number[:-1], alike, minlength=int(number.max(initial=-1)) + 1)
    pairs = np.maximum(np.bincount(number, minlength=len(equal)) - 1, 1)
    expected = resolution / (2 * noise * math.sqrt(math.pi)) if noise > 0 else 1.0
    share = max(min(expected, 1.0), float(np.median(equal / pairs)) if len(equal) else 0.0)
    start = np.flatnonzero(np.concatenate([[True], ~alike])[: len(column)])
    length = np.diff(np.append(start, len(column)))
    limit = None if share > COARSE else longest_by_chance(len(column), share)
    return EqualRuns(start.astype(np.int64), length.astype(np.int64), limit)


def longest_by_chance(count: int, equal: float) -> int:
    """Longest run of equal readings that chance makes among `count`, `equal` neighbours alike.

    A run of ``k`` has ``k - 1`` equal neighbours; among so many readings one is expected to be
    longer than the run returned less than once in a million surveys.

    Examples
    --------
    >>> longest_by_chance(1_000_000, 0.1)
    13
    """
    if equal <= 0:
        return SHORTEST_RUN - 1
    neighbours = math.log(CHANCE / max(count, 1)) / math.log(equal)
    return max(SHORTEST_RUN - 1, math.floor(neighbours + 1e-9) + 1)


def resolution_of(distinct: FloatArray) -> float:
    """Smallest step between sorted distinct values, those that only rounding parts aside.

    NaN where there are not two.

    Examples
    --------
    >>> resolution_of(np.array([1.0, 1.5, 3.0]))
    0.5
    """
    steps = np.diff(distinct)
    steps = steps[steps > 1e-9 * np.abs(distinct).max(initial=0.0)]
    return float(steps.min()) if len(steps) else float("nan")
