"""How much each depth of the ground adds to what a coil pair reads.

A curve holds, at depths below the surface, what a thin layer adds per metre of its thickness, and
the sum of that from the surface down. Three kinds are made:

- `low_curve`: conductivity, at low induction numbers, in closed form (McNeill 1980);
- `exact_curves`: conductivity, the slope of the exact quadrature part by the conductivity of a thin
  layer of a given ground;
- `in_phase_curve`: susceptibility, the static in-phase part of first order, in closed form.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicHermiteSpline

from ...progress import Progress, keep_going
from ...readings import FloatArray
from ..grounds.typed import TypedGround
from ..instrument import CoilPair, induction_number, ratio_per_conductivity
from ..layeredresponse import layered_jacobian
from ..low_induction import (
    cumulative_response,
    cumulative_susceptible,
    relative_response,
    relative_susceptible,
)

THIN = 1e-3
"""Thickness of a thin layer, in closest coil spacings."""

AGAINST = 0.05
"""Of what layers add one way, how much others may take back before shares are called off."""

LEAST_WHOLE = 0.5
"""Shares of the in-phase part are called off where the whole is less than so much of the largest
sum from the surface down: its layers then cancel each other."""

STATIC_UNIT = 1e-3
"""Susceptibility that in-phase changes are told for (SI); with ppt, the change is a plain ratio."""


@dataclass(frozen=True, eq=False)
class Curve:
    """What the depths add.

    Parameters
    ----------
    depth
        Below the surface, m, rising from 0, shape ``(m,)``.
    change
        What a thin layer there adds, per metre of its thickness, ``(m,)``.
    total
        What all ground above the depth adds, ``(m,)``.
    whole
        What all ground adds.
    shared
        Whether shares of the whole make sense: not where layers cancel each other.
    """

    depth: FloatArray
    change: FloatArray
    total: FloatArray
    whole: float
    shared: bool = True

    @property
    def above(self) -> FloatArray:
        """Share of the whole that comes from above the depth; NaN where shares make no sense."""
        return self.total / (self.whole if self.shared else np.nan)

    @property
    def relative(self) -> FloatArray:
        """Share of the whole that a thin layer adds per metre, 1/m; NaN as `above`."""
        return self.change / (self.whole if self.shared else np.nan)

    def depth_of(self, share: float) -> float:
        """Depth from above which a share first comes; NaN where there is none.

        By a cubic through the sums with the slopes that are known.
        """
        above = self.above
        reached = np.flatnonzero(above >= share)
        if not len(reached) or not reached[0]:
            return float("nan")
        part = slice(reached[0] - 1, reached[0] + 1)
        spline = CubicHermiteSpline(self.depth[part], above[part], self.relative[part])
        found = spline.solve(share, extrapolate=False)
        return float(found[0]) if len(found) else float(self.depth[reached[0]])

    def at(self, depth: npt.ArrayLike) -> Curve:
        """The curve at some of its own depths alone."""
        rows = np.searchsorted(self.depth, np.asarray(depth, dtype=np.float64))
        return Curve(self.depth[rows], self.change[rows], self.total[rows], self.whole, self.shared)


def low_curve(pair: CoilPair, depth: npt.ArrayLike) -> Curve:
    """Apparent conductivity per conductivity, at low induction numbers.

    Parameters
    ----------
    pair
        With its height above the ground.
    depth
        m, rising from 0, shape ``(m,)``.

    References
    ----------
    J. D. McNeill (1980), *Electromagnetic terrain conductivity measurement at low induction
    numbers*, Technical Note TN-6.

    Examples
    --------
    >>> curve = low_curve(CoilPair(1.0), np.linspace(0, 4, 81))
    >>> round(curve.depth_of(0.7), 2)
    1.59
    """
    depths = np.asarray(depth, dtype=np.float64)
    reach = (depths + pair.height) / pair.spacing
    whole = float(cumulative_response(pair.height / pair.spacing, pair.orientation))
    return Curve(
        depths,
        relative_response(reach, pair.orientation) / pair.spacing,
        whole - cumulative_response(reach, pair.orientation),
        whole,
    )


def in_phase_curve(pair: CoilPair, depth: npt.ArrayLike) -> Curve:
    """In-phase part in ppt per 0.001 (SI) of susceptibility, static and of first order.

    Parameters as `low_curve`. Shares are called off where the whole is small beside its parts.

    Examples
    --------
    >>> in_phase_curve(CoilPair(1.0), [0.0, 1.0]).above.round(3).tolist()
    [0.0, 1.125]
    """
    depths = np.asarray(depth, dtype=np.float64)
    reach = (depths + pair.height) / pair.spacing
    start = pair.height / pair.spacing
    whole = float(cumulative_susceptible(start, pair.orientation))
    total = whole - cumulative_susceptible(reach, pair.orientation)
    turn = turning_depth(pair)
    parts = [whole]
    if turn == turn:
        peak = cumulative_susceptible((turn + pair.height) / pair.spacing, pair.orientation)
        parts.append(whole - float(peak))
    largest = max(map(abs, parts))
    return Curve(
        depths,
        relative_susceptible(reach, pair.orientation) / pair.spacing,
        total,
        whole,
        shared=abs(whole) >= LEAST_WHOLE * largest > 0,
    )


def turning_depth(pair: CoilPair) -> float:
    """Depth at which a thin susceptible layer's in-phase part changes sign; NaN where it does not.

    Closed form: ``sqrt(3/8)`` spacings below vertical dipoles, ``1/4`` below perpendicular ones.

    Examples
    --------
    >>> round(turning_depth(CoilPair(1.0, height=0.1)), 3)
    0.512
    """
    below = {"vertical": np.sqrt(3 / 8), "perpendicular": 0.25}.get(pair.orientation, np.nan)
    found = float(below * pair.spacing - pair.height)
    return found if found > 0 else float("nan")


def exact_curves(
    pairs: Sequence[CoilPair],
    ground: TypedGround,
    depth: npt.ArrayLike,
    progress: Progress = keep_going,
) -> tuple[Curve, ...]:
    """Apparent conductivity per conductivity of a thin layer of a given ground, exact.

    The slope of the quadrature part of the field ratio, in units of the apparent conductivity that
    instruments show (``4 Q / (omega mu_0 s^2)``), so that it becomes `low_curve` where induction
    numbers are small. Deep layers, and all layers at high induction numbers, may take away: where
    they take back more than `AGAINST`, or the whole is no gain, shares are called off.

    Parameters
    ----------
    pairs
        With their heights above the ground.
    ground
        Its susceptibility is not looked at.
    depth
        m, rising from 0, shape ``(m,)``.

    Raises
    ------
    ValueError
        If the ground cannot be.

    Examples
    --------
    >>> curve, = exact_curves([CoilPair(1.0)], TypedGround((20.0,)), np.linspace(0, 4, 81))
    >>> round(curve.depth_of(0.7), 2)
    1.43
    """
    depths = np.asarray(depth, dtype=np.float64)
    thin = THIN * min(pair.spacing for pair in pairs)
    deepest = _deepest(pairs, ground, depths[-1])
    beyond = np.geomspace(max(depths[-1], thin) + 3 * thin, deepest, 120)
    cuts = np.unique(
        np.concatenate([[0.0], ground.tops, depths, depths + thin, depths + 2 * thin, beyond])
    )
    layer = np.searchsorted(np.asarray(ground.tops), cuts, side="right")
    slopes = layered_jacobian(
        pairs, np.asarray(ground.conductivity)[layer], np.diff(cuts), progress=progress
    ).by_conductivity.imag[0]
    at = [np.searchsorted(cuts, depths + step * thin) for step in range(3)]
    curves = []
    for pair, slope in zip(pairs, slopes):
        parts = slope / (1e-3 * ratio_per_conductivity(pair))
        total = np.concatenate([[0.0], np.cumsum(parts[:-1])])
        whole = float(parts.sum())
        # Two thin layers below each depth, carried on to the depth itself.
        near, far = total[at[1]] - total[at[0]], total[at[2]] - total[at[1]]
        gained, lost = float(parts[parts > 0].sum()), -float(parts[parts < 0].sum())
        curves.append(
            Curve(
                depths,
                (1.5 * near - 0.5 * far) / thin,
                total[at[0]],
                whole,
                shared=lost <= AGAINST * gained,
            )
        )
    return tuple(curves)


def _deepest(pairs: Sequence[CoilPair], ground: TypedGround, depth: float) -> float:
    """Depth below which nothing is left to change sign, m: many spacings and skin depths."""
    widest = max(pair.spacing for pair in pairs)
    least = min(value for value in ground.conductivity)
    number = min(induction_number(pair, least) / pair.spacing for pair in pairs)
    skin = 10 / number if number > 0 else np.inf
    return float(max(100 * widest, 2 * depth, min(skin, 1e4 * widest)))
