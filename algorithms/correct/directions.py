"""What sets the two directions of walking apart: one number for a whole data grid.

Traverses walked the other way stand up or down against the traverses on both sides of them, each by
the same amount. Ground that slopes across cancels in such bends, and what lies under one traverse
only puts few of them off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..readings import BoolArray, FloatArray, IntArray
from .centres import BIWEIGHT, ROUNDS, bisquare
from .differential import places_of, relative_levels, smooth_on_common_positions
from .waves import DECIMALS, FEW
from .windows import MAD_TO_SIGMA

ERRORS = 2.0
"""Standard errors that an effect must exceed to be believed."""


@dataclass(frozen=True)
class DirectionEffect:
    """Half of what walking backward adds against walking forward.

    Parameters
    ----------
    half
        Channel units.
    error
        Its standard error, were the traverses' own offsets independent.
    bends
        How many traverses stand between others such that their direction shows.
    """

    half: float
    error: float
    bends: int

    @property
    def evident(self) -> bool:
        """Whether there is an effect beyond what the traverses' own offsets would feign."""
        return self.bends >= FEW and abs(self.half) > ERRORS * self.error


def direction_effect_of(
    along: tuple[FloatArray, ...],
    across: FloatArray,
    backward: BoolArray,
    values: list[FloatArray],
    *,
    interval: float,
    neighbours: int,
    fewest: int,
) -> DirectionEffect:
    """Find the effect of direction in a data grid; parameters as of `differential_offsets`."""
    _, table = smooth_on_common_positions(along, across, values, interval)
    levels, groups = relative_levels(table, places_of(across), neighbours, fewest)
    return effect_of_levels(across, levels, groups, backward)


def effect_of_levels(
    across: FloatArray, levels: FloatArray, groups: IntArray, backward: BoolArray
) -> DirectionEffect:
    """Find the effect of direction in the relative levels of traverses.

    The level of each traverse less that of the straight line between the traverses before and after
    it is fitted to the same bend of the directions (+1 backward, -1 forward), by least squares with
    Tukey's biweight: a traverse put off by more than its like counts little or not at all.

    Parameters
    ----------
    across
        Rising positions, ``(t,)``, map units.
    levels, groups
        See `relative_levels`; NaN levels do not count, and groups do not inform each other.
    backward
        Which traverses were walked the other way, ``(t,)``.

    Examples
    --------
    >>> way = np.arange(12) % 2 == 1
    >>> levels = 3.0 * np.arange(12) + np.where(way, 0.5, -0.5)
    >>> round(effect_of_levels(np.arange(12.0), levels, np.zeros(12, int), way).half, 6)
    0.5
    """
    t = len(levels)
    way = np.where(backward, 1.0, -1.0)
    blocks: list[FloatArray] = [np.empty((0, t))]
    for group in np.unique(groups[np.isfinite(levels)]):
        blocks.append(_bends(across, np.flatnonzero((groups == group) & np.isfinite(levels)), t))
    design = np.concatenate(blocks)
    expected = design @ way
    turned = np.abs(expected) > 1e-9
    if not turned.any():
        return DirectionEffect(0.0, np.inf, 0)
    bend = design @ np.nan_to_num(levels)
    size = np.linalg.norm(design, axis=1)  # of an independent offset of 1 a traverse
    half = float(np.median(bend[turned] / expected[turned]))
    sigma = MAD_TO_SIGMA * float(np.median(np.abs(bend - half * expected)[turned] / size[turned]))
    weight = np.where(turned, 1.0, 0.0)
    for _ in range(ROUNDS if sigma > 0 else 0):
        weight = bisquare((bend - half * expected) / (BIWEIGHT * sigma * size))
        if not (weight * expected**2).any():
            break
        half = float(np.sum(weight * expected * bend) / np.sum(weight * expected**2))
    # Neighbouring bends share traverses: the error of their mean is that of the traverses' offsets.
    pull = (weight * expected) @ design
    error = sigma * float(np.linalg.norm(pull) / max(np.sum(weight * expected**2), 1e-300))
    return DirectionEffect(round(half, DECIMALS), error, int(turned.sum()))


def _bends(across: FloatArray, members: IntArray, count: int) -> FloatArray:
    """Rows that take from each inner member the straight line between its neighbours' levels."""
    inner = members[1:-1]
    before, after = members[:-2], members[2:]
    rows = np.arange(len(inner))
    span = across[after] - across[before]
    share = np.where(span > 0, (across[inner] - across[before]) / np.where(span > 0, span, 1), 0.5)
    design = np.zeros((len(inner), count))
    design[rows, inner] = 1.0
    design[rows, before] -= 1.0 - share
    design[rows, after] -= share
    return design
