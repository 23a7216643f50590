"""Apparent conductivity: that of uniform ground which gives the same quadrature part.

The quadrature part over uniform ground rises with its conductivity to a maximum and falls beyond:
currents then keep to the ground's skin. The branch that rises counts. Over uniform ground the field
ratio depends on two numbers alone, the electrical size of the pair (`electrical_size`)
and its lift, height over spacing; so one table serves all frequencies and spacings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import numpy.typing as npt
from scipy.interpolate import CubicSpline

from ...progress import Progress, advance, keep_going, portion
from ...readings import FloatArray, IntArray
from ..instrument import HEIGHTS, CoilPair
from ..layeredresponse import CONDUCTIVITIES, layered_jacobian, layered_response
from ..low_induction import cumulative_response
from ..response.halfspace import conductivity_of, electrical_size, halfspace_ratio
from ..response.quadrature import ComplexArray

SMALLEST = 1e-6
"""Electrical size where a table begins; the rule for low induction numbers is all but exact."""

KNOTS = 4096
"""Of a table, evenly in the logarithm of the electrical size."""

LIFTS = 17
"""Tables over a range of heights: they only give the solution a start."""

CLOSE = 1e-11
"""Error allowed in the logarithm of the electrical size."""

NEAR = 1e-6
"""A step of Newton's this small leaves no more than that."""

BATCH = 50_000
"""Readings solved at a time."""


@dataclass(frozen=True, eq=False)
class HalfSpace:
    """Uniform ground as one orientation at one lift sees it, up to the greatest quadrature part.

    Parameters
    ----------
    share
        Quadrature part at low induction numbers over that with the coils on the surface.
    top
        Logarithm of the electrical size at the maximum.
    quadrature
        Spline over the logarithm of the size: logarithm of the quadrature part over that at low
        induction numbers.
    in_phase
        The same for the in-phase part over the square of the size.
    """

    share: float
    top: float
    quadrature: CubicSpline
    in_phase: CubicSpline

    @property
    def most(self) -> float:
        """The greatest quadrature part."""
        return float(np.exp(self._log_quadrature(np.array([self.top]))[0][0]))

    def ratio(self, size: FloatArray) -> ComplexArray:
        """Hs/Hp by electrical size; NaN beyond the maximum."""
        known = (size > 0) & (np.log(np.where(size > 0, size, 1.0)) <= self.top)
        found = np.full(size.shape, complex(np.nan, np.nan))
        u = np.log(size[known])
        low = np.minimum(size[known] / SMALLEST, 1.0)  # the rest goes with the size where small
        found.real[known] = self.in_phase(np.maximum(u, np.log(SMALLEST))) * low * size[known] ** 2
        found.imag[known] = np.exp(self._log_quadrature(u)[0])
        found[size == 0] = 0
        return found

    def size(self, quadrature: FloatArray) -> FloatArray:
        """Electrical size that gives a quadrature part above 0; NaN where it is too great."""
        found = np.full(quadrature.shape, np.nan)
        rows = np.flatnonzero((quadrature > 0) & (quadrature <= self.most))
        target = np.log(quadrature[rows])
        low = 0.5 * (target - np.log(self.share / 4)) - 1
        high, start = np.full(len(rows), self.top), self.near(target)
        found[rows] = np.exp(solve(lambda u, _: self._log_quadrature(u), target, low, high, start))
        return found

    def near(self, target: FloatArray) -> FloatArray:
        """Logarithm of the size, straight between the knots, by that of the quadrature part."""
        values, knots = self._knots
        low = 0.5 * (target - np.log(self.share / 4))
        found: FloatArray = np.where(
            low < knots[0], low, np.interp(target, values, knots, right=np.nan)
        )
        return found

    @cached_property
    def _knots(self) -> tuple[FloatArray, FloatArray]:
        """Logarithms of quadrature part and size, rising both."""
        knots = self.quadrature.x
        knots = np.append(knots[knots < self.top], self.top)
        return self._log_quadrature(knots)[0], knots

    def _log_quadrature(self, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Logarithm of the quadrature part, and its slope by that of the size."""
        inside = np.maximum(u, np.log(SMALLEST))
        low = np.exp(u - inside)
        flat = 2 * u + np.log(self.share / 4)
        return flat + low * self.quadrature(inside), 2 + low * self.quadrature(inside, 1)


@lru_cache(maxsize=64)
def half_space(orientation: str, lift: float) -> HalfSpace:
    """The table for an orientation at a lift, height over spacing."""
    share = float(cumulative_response(lift, orientation))
    # The engine wants a spacing, a height and conductivities that are believed.
    pair = CoilPair(min(1.0, HEIGHTS[1] / max(lift, HEIGHTS[1])), orientation, 1e6)
    reach = min(20.0, float(electrical_size(pair, CONDUCTIVITIES[1])))
    u = np.linspace(np.log(SMALLEST), np.log(reach), KNOTS)
    size = np.exp(u)
    if lift > 0:
        grounds = np.minimum(conductivity_of(pair, size), CONDUCTIVITIES[1])[:, np.newaxis]
        ratio = layered_response([pair], grounds, height=lift * pair.spacing)[:, 0]
    else:
        ratio = halfspace_ratio(size, orientation)
    falling = np.flatnonzero(np.diff(ratio.imag) < 0)
    # A few knots beyond the maximum, so that it lies inside.
    last = int(falling[0]) + 4 if len(falling) else KNOTS
    u, size, ratio = u[:last], size[:last], ratio[:last]
    quadrature = CubicSpline(u, np.log(4 * ratio.imag / (share * size**2)))
    top = float(u[-1])
    if len(falling):
        slope = quadrature.derivative()
        under, over = float(u[-8]), top
        for _ in range(60):  # where the slope of the whole, 2 + that of the spline, is 0
            middle = 0.5 * (under + over)
            rising = 2 + float(slope(middle)) > 0
            under, over = (middle, over) if rising else (under, middle)
        top = under
    return HalfSpace(share, top, quadrature, CubicSpline(u, ratio.real / size**2))


def exact_ratio(
    pair: CoilPair,
    conductivity: npt.ArrayLike,
    height: npt.ArrayLike | None = None,
    progress: Progress = keep_going,
) -> ComplexArray:
    """Hs/Hp over uniform ground; the way back from `exact_conductivity`.

    Parameters
    ----------
    conductivity
        mS/m, shape ``(n,)``. Below 0: minus the ratio of as much above 0.
    height
        Of the coils, m, a number or shape ``(n,)``; None for the pair's own.

    Returns
    -------
    array
        Shape ``(n,)``; NaN beyond the greatest quadrature part, where no reading is.
    """
    sigma = np.atleast_1d(np.asarray(conductivity, dtype=np.float64))
    heights = _heights(pair, height, sigma.shape)
    size = electrical_size(pair, np.abs(sigma))
    found = np.full(sigma.shape, complex(np.nan, np.nan))
    known = np.isfinite(sigma) & np.isfinite(heights)
    groups = _groups(heights[known])
    if groups is not None:
        for lifted, rows in groups:
            rows = np.flatnonzero(known)[rows]
            found[rows] = half_space(pair.orientation, lifted / pair.spacing).ratio(size[rows])
    else:
        tables = _Tables.over(pair, heights[known])
        known[known] = np.log(size[known] + 1e-300) <= tables.top(heights[known])
        grounds = np.abs(sigma[known])[:, np.newaxis]
        found[known] = layered_response([pair], grounds, height=heights[known], progress=progress)[
            :, 0
        ]
    found[np.abs(sigma) > CONDUCTIVITIES[1]] = complex(np.nan, np.nan)
    signed: ComplexArray = found * np.where(sigma < 0, -1.0, 1.0)
    return signed


def exact_conductivity(
    pair: CoilPair,
    quadrature: npt.ArrayLike,
    height: npt.ArrayLike | None = None,
    progress: Progress = keep_going,
) -> FloatArray:
    """Conductivity of the uniform ground that gives a quadrature part.

    Parameters
    ----------
    pair
        Its height is that of the coils unless `height` is given.
    quadrature
        Quadrature part of Hs/Hp, shape ``(n,)``.
    height
        m, a number or shape ``(n,)``; None for the pair's own.

    Returns
    -------
    array
        mS/m, shape ``(n,)``. NaN where no uniform ground gives so much, where it would conduct more
        than is believed, and where the quadrature part or height is NaN. A quadrature part below 0
        has no such ground either: it gets minus the conductivity of as much above 0, so that noise
        about 0 is not cut off on one side.

    Examples
    --------
    >>> pair = CoilPair(1.0, frequency=10_000.0)
    >>> exact_conductivity(pair, [-0.4e-3, 0.4e-3, 0.2]).round(3).tolist()
    [-20.905, 20.905, nan]
    """
    q = np.atleast_1d(np.asarray(quadrature, dtype=np.float64))
    heights = _heights(pair, height, q.shape)
    size = np.full(q.shape, np.nan)
    known = np.isfinite(q) & np.isfinite(heights)
    rows = np.flatnonzero(known & (q != 0))
    groups = _groups(heights[rows])
    if groups is not None:
        for done, (lifted, some) in enumerate(groups):
            table = half_space(pair.orientation, lifted / pair.spacing)
            for at in range(0, len(some), BATCH):
                advance(progress, (done + at / len(some)) / len(groups))
                part = rows[some[at : at + BATCH]]
                size[part] = table.size(np.abs(q[part]))
    else:
        tables = _Tables.over(pair, heights[rows])
        for at in range(0, len(rows), BATCH):
            share = portion(progress, at / len(rows), min((at + BATCH) / len(rows), 1.0))
            part = rows[at : at + BATCH]
            size[part] = tables.solved(np.abs(q[part]), heights[part], share)
    size[known & (q == 0)] = 0.0
    sigma = conductivity_of(pair, size)
    sigma[sigma > CONDUCTIVITIES[1]] = np.nan
    signed: FloatArray = np.where(q < 0, -sigma, sigma)
    return signed


def most_conductivity(pair: CoilPair, height: float | None = None) -> float:
    """Conductivity beyond which the quadrature part falls again, mS/m, or what is believed."""
    lifted = pair.height if height is None else height
    table = half_space(pair.orientation, lifted / pair.spacing)
    return min(float(conductivity_of(pair, np.exp(table.top))), CONDUCTIVITIES[1])


@dataclass(frozen=True, eq=False)
class _Tables:
    """Tables over a range of heights, for a start, and the engine from there."""

    pair: CoilPair
    heights: FloatArray
    tables: tuple[HalfSpace, ...]

    @classmethod
    def over(cls, pair: CoilPair, heights: FloatArray) -> _Tables:
        chosen = np.linspace(heights.min(), heights.max(), LIFTS)
        tables = [half_space(pair.orientation, float(h) / pair.spacing) for h in chosen]
        return cls(pair, chosen, tuple(tables))

    def top(self, heights: FloatArray) -> FloatArray:
        """Logarithm of the electrical size at the maximum, straight between the tables."""
        top: FloatArray = np.interp(heights, self.heights, [table.top for table in self.tables])
        return top

    def solved(self, q: FloatArray, heights: FloatArray, progress: Progress) -> FloatArray:
        """Electrical sizes; NaN for a quadrature part that is too great."""
        pair = self.pair
        spacing = pair.spacing
        share = cumulative_response(heights / spacing, pair.orientation)
        # By a parabola through three tables; its share at low induction numbers is known.
        between = self.heights[1] - self.heights[0]
        middle = np.clip(np.rint((heights - self.heights[0]) / between), 1, LIFTS - 2).astype(int)
        place = (heights - self.heights[middle]) / between
        weights = (place * (place - 1) / 2, 1 - place**2, place * (place + 1) / 2)
        start: FloatArray = np.zeros(len(q))
        for number, table in enumerate(self.tables):
            for side, weight in zip((-1, 0, 1), weights):
                near = np.flatnonzero(middle + side == number)
                target = np.log(q[near] * table.share / share[near])
                start[near] += weight[near] * table.near(target)
        top = np.minimum(self.top(heights), np.log(electrical_size(pair, CONDUCTIVITIES[1])))
        start = np.where(np.isnan(start), top, start)
        low = 0.5 * np.log(4 * q / share) - 1
        possible = np.flatnonzero(low < top)

        def response(u: FloatArray, some: IntArray) -> tuple[FloatArray, FloatArray]:
            sigma = np.minimum(conductivity_of(pair, np.exp(u)), CONDUCTIVITIES[1])
            rows = possible[some]
            found = layered_jacobian([pair], sigma[:, np.newaxis], height=heights[rows])
            ratio, slope = found.ratio[:, 0].imag, found.by_conductivity[:, 0, 0].imag
            advance(progress, 1 - len(some) / max(len(q), 1))
            # 2 sigma is the slope of the conductivity by the logarithm of the size.
            return np.log(ratio), 2 * sigma * slope / ratio

        size = np.full(len(q), np.nan)
        size[possible] = np.exp(
            solve(response, np.log(q[possible]), low[possible], top[possible], start[possible])
        )
        return size


Curve = Callable[[FloatArray, IntArray], "tuple[FloatArray, FloatArray]"]


def solve(
    curve: Curve, target: FloatArray, low: FloatArray, high: FloatArray, start: FloatArray
) -> FloatArray:
    """Where rising curves reach their targets, by Newton's steps inside a bracket that shrinks.

    Parameters
    ----------
    curve
        Called with places and the rows they belong to; gives values and slopes.
    target, low, high, start
        Shape ``(n,)`` each.

    Returns
    -------
    array
        Shape ``(n,)``; NaN where the target is not reached at `high`.

    Examples
    --------
    >>> two = np.array([2.0])
    >>> solve(lambda x, _: (x**2, 2 * x), two, 0 * two, two, two).round(9).tolist()
    [1.414213562]
    """
    end = high
    low, high, found = low.copy(), high.copy(), np.clip(start, low, high)
    open_rows = np.arange(len(target))
    for _ in range(80):
        if not len(open_rows):
            break
        x = found[open_rows]
        value, slope = curve(x, open_rows)
        miss = value - target[open_rows]
        above = miss > 0
        high[open_rows[above]] = x[above]
        low[open_rows[~above]] = x[~above]
        with np.errstate(divide="ignore", invalid="ignore"):
            onward = x - miss / slope
        under, over = low[open_rows], high[open_rows]
        inside = (slope > 0) & (onward >= under - CLOSE) & (onward <= over + CLOSE)
        onward = np.where(inside, onward, 0.5 * (under + over))
        found[open_rows] = onward
        # The error is squared by each step, where the curve is not about to turn.
        enough = np.where(inside & (slope > 0.2), NEAR, CLOSE)
        open_rows = open_rows[np.abs(onward - x) > enough]
    last = np.flatnonzero(found >= end - 10 * CLOSE)
    if len(last):
        value, _ = curve(found[last], last)
        found[last[value < target[last] - 1e-9]] = np.nan
    return found


def _heights(pair: CoilPair, height: npt.ArrayLike | None, shape: tuple[int, ...]) -> FloatArray:
    given = pair.height if height is None else np.asarray(height, dtype=np.float64)
    heights: FloatArray = np.broadcast_to(given, shape)
    return heights


FEW = 8
"""Heights that get a table each."""


def _groups(heights: FloatArray) -> list[tuple[float, IntArray]] | None:
    """Rows by height, where heights are few; else None."""
    distinct = np.unique(heights)
    if len(distinct) > FEW:
        return None
    return [(float(value), np.flatnonzero(heights == value)) for value in distinct]
