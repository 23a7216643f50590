"""Statistics of every traverse at once: readings in walking order and the traverse of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..correct.windows import MAD_TO_SIGMA, row_medians
from ..readings import BoolArray, FloatArray, IntArray, Readings, Traverse

CROWDED = 2.0
"""Size of a table of all traverses, values, up to which it is used."""

FEW = 1000
"""Table cells that are always afforded."""

BLOCK = 20
"""Neighbouring traverses of a block, see `sample_blocks`."""


@dataclass(frozen=True, eq=False)
class Lines:
    """Readings in walking order.

    Parameters
    ----------
    traverses
        ``t`` traverses.
    rows, number
        Row and traverse (its place in `traverses`) of the reading at each place, ``(m,)``; the
        readings of a traverse lie together.
    """

    traverses: tuple[Traverse, ...]
    rows: IntArray
    number: IntArray

    @classmethod
    def of(cls, readings: Readings) -> Lines:
        """All readings that belong to a traverse."""
        lines = readings.lines
        sizes = [len(traverse.rows) for traverse in lines]
        rows = [traverse.rows for traverse in lines]
        return cls(
            lines,
            np.concatenate([np.empty(0, np.int64), *rows]),
            np.repeat(np.arange(len(lines)), sizes).astype(np.int64),
        )

    def where(self, kept: BoolArray) -> Lines:
        """Only the readings of these rows, ``(n,)``; every traverse keeps its number."""
        inside = kept[self.rows]
        return Lines(self.traverses, self.rows[inside], self.number[inside])

    @property
    def follows(self) -> BoolArray:
        """Which places have the next place in the same traverse, shape ``(m - 1,)``."""
        same: BoolArray = self.number[1:] == self.number[:-1]
        return same

    def totals(self, values: FloatArray) -> FloatArray:
        """Sum over each traverse, ``(t,)``; NaN counts as 0."""
        known = np.nan_to_num(values)
        return np.bincount(self.number, known, minlength=len(self.traverses)).astype(np.float64)

    def medians(self, values: FloatArray) -> FloatArray:
        """Median of each traverse, ``(t,)``, NaN ignored; NaN for one without values."""
        size = np.bincount(self.number, minlength=len(self.traverses))
        longest = int(size.max(initial=0))
        if not longest or longest * len(size) > CROWDED * len(values) + FEW:
            return group_medians(values, self.number, len(size))
        # Traverses of much the same length fit a table, which sorts faster.
        start = np.cumsum(size) - size
        table = np.full((len(size), longest), np.nan)
        table[self.number, np.arange(len(values)) - start[self.number]] = values
        return row_medians(table)


def group_medians(values: FloatArray, group: IntArray, count: int) -> FloatArray:
    """Median of each group, NaN ignored.

    Parameters
    ----------
    values
        Shape ``(m,)``.
    group
        Code of each value's group, 0 to ``count - 1``, ``(m,)``.
    count
        How many groups there are.

    Returns
    -------
    array
        Shape ``(count,)``; NaN for a group without values.

    Examples
    --------
    >>> group_medians(np.array([1.0, 3.0, np.nan, 8.0]), np.array([0, 0, 0, 2]), 3).tolist()
    [2.0, nan, 8.0]
    """
    known = np.isfinite(values)
    value, code = values[known], group[known]
    order = np.lexsort((value, code))
    size = np.bincount(code, minlength=count)
    start = np.cumsum(size) - size
    held = size > 0
    found = np.full(count, np.nan)
    low = value[order[start[held] + (size[held] - 1) // 2]]
    high = value[order[start[held] + size[held] // 2]]
    found[held] = (low + high) / 2
    return found


def sample_blocks(readings: Readings, most: int) -> IntArray:
    """Rows of whole traverses: all, or of a survey of more than `most` readings some.

    Neighbouring traverses go together in blocks, evenly spread over the survey, so that they can
    be compared with each other.
    """
    lines = readings.lines
    every = max(1, -(-len(readings) // most))
    chosen = [line.rows for place, line in enumerate(lines) if place // BLOCK % every == 0]
    return np.concatenate([np.empty(0, np.int64), *chosen])


def robust_spread(values: FloatArray) -> float:
    """Gaussian standard deviation by the median absolute deviation; NaN without values.

    Examples
    --------
    >>> round(robust_spread(np.array([1.0, 2.0, 3.0, 4.0, 500.0])), 4)
    1.4826
    """
    known = values[np.isfinite(values)]
    if not len(known):
        return float("nan")
    return MAD_TO_SIGMA * float(np.median(np.abs(known - np.median(known))))
