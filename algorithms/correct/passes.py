"""How far the readings of opposing passes lie from where neighbouring traverses agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d

from ..readings import BoolArray, FloatArray, IntArray
from .differential import SAME_PLACE, on_common_positions, usual_spacing
from .traverses import GridLines
from .windows import MAD_TO_SIGMA

FINEST = 1.5
"""Detail finer than this many reading intervals is noise, not ground."""

BROADEST = 12.0
"""Change broader than this many reading intervals is soil and drift, which say little of lag."""

WHOLE = 0.75
"""Share of the broad mean's weight that must be there for its detail to count."""

WIDEST = 1.6
"""Traverses further apart than this many usual separations are no neighbours."""

FEWEST = 4
"""Traverses with an opposing neighbour below which a lag cannot be judged."""

SIGMAS = 3.0
"""A lag below this many of its standard errors is no evidence of one."""

SLIGHT = 0.1
"""A lag of less than this share of the reading interval is of no account."""

ROUNDS = 12
BLOCK = 3
"""Neighbouring traverses share readings: the standard error takes so many of them together."""
REACH = 2.0
"""Robust standard deviations beyond which a disagreement counts as no larger."""


@dataclass(frozen=True, eq=False)
class Profiles:
    """One channel's traverses of a data grid at common positions, ready to be compared.

    Parameters
    ----------
    table
        Band-passed values, shape ``(t, p)``, 0 where unknown.
    known
        Where they are known, ``(t, p)``.
    interval
        Distance between positions, map units.
    way
        1 for a traverse walked along the axis, -1 against it, ``(t,)``.
    middle, left, right
        Traverses that have an opposing neighbour, and their neighbours, ``(k,)``; -1 where there
        is none on that side.
    """

    table: FloatArray
    known: BoolArray
    interval: float
    way: FloatArray
    middle: IntArray
    left: IntArray
    right: IntArray


@dataclass(frozen=True)
class Shift:
    """A lag found: how much of the scale given each reading is late, and how sure that is.

    Parameters
    ----------
    lag, error
        The lag and its standard error; map units, or seconds where the scale was a speed.
    traverses
        How many traverses were compared with opposing neighbours.
    before, after
        Typical disagreement between opposing neighbours with no lag and with this one, channel
        units, a mean over what was looked at together.
    slight
        Lags below this are of no account.
    """

    lag: float
    error: float
    traverses: int
    before: float
    after: float
    slight: float = 0.0

    @property
    def evident(self) -> bool:
        """Whether there is evidence of a lag at all."""
        return (
            self.traverses >= FEWEST
            and bool(np.isfinite(self.error))
            and abs(self.lag) > max(SIGMAS * self.error, self.slight)
            and self.after < self.before
        )


def profiles_of(lines: GridLines, values: list[FloatArray], interval: float) -> Profiles:
    """Put one channel's traverses on common positions and keep the detail that tells a lag."""
    _, table = on_common_positions(lines.along, values, interval)
    known: BoolArray = np.isfinite(table)
    fine, broad = FINEST, BROADEST
    plain = np.where(known, table - _row_median(table)[:, np.newaxis], 0.0)
    bands = []
    for width in (fine, broad):
        weight = gaussian_filter1d(known.astype(np.float64), width, axis=1, mode="constant")
        total = gaussian_filter1d(plain, width, axis=1, mode="constant")
        bands.append(total / np.maximum(weight, 1e-12))
    # Near an end or a gap the broad mean is one-sided: what it leaves stays there at any lag.
    known &= weight > WHOLE
    table = np.where(known, bands[0] - bands[1], 0.0)
    way = np.where(lines.backward, -1.0, 1.0)
    middle, left, right = _opposing(lines.across, way, np.asarray(known.any(axis=1)))
    return Profiles(table, known, interval, way, middle, left, right)


def _row_median(table: FloatArray) -> FloatArray:
    found = np.zeros(len(table))
    for row, values in enumerate(table):
        some = values[np.isfinite(values)]
        if len(some):
            found[row] = np.median(some)
    return found


def _opposing(
    across: FloatArray, way: FloatArray, there: BoolArray
) -> tuple[IntArray, IntArray, IntArray]:
    """Traverses with neighbours of the opposite way, and these."""
    t = len(across)
    spacing = usual_spacing(across)
    gap = np.diff(across)
    near = (gap <= WIDEST * spacing) & (gap > SAME_PLACE * spacing)
    near &= (way[1:] != way[:-1]) & there[1:] & there[:-1]
    places = np.arange(t)
    left = np.where(np.append(False, near), places - 1, -1)
    right = np.where(np.append(near, False), places + 1, -1)
    middle = np.flatnonzero((left >= 0) | (right >= 0))
    return middle, left[middle], right[middle]


def moved(table: FloatArray, shift: FloatArray) -> FloatArray:
    """Rows read `shift` positions further on, by a cubic through four points, edges held.

    Examples
    --------
    >>> moved(np.arange(8.0)[np.newaxis], np.array([1.5]))[0, 2:5].tolist()
    [3.5, 4.5, 5.5]
    """
    whole = np.floor(shift)
    f = (shift - whole)[:, np.newaxis]
    weights = (
        ((2 - f) * f - 1) * f / 2,
        ((3 * f - 5) * f * f + 2) / 2,
        ((4 - 3 * f) * f + 1) * f / 2,
        (f - 1) * f * f / 2,
    )
    count = table.shape[1]
    at = np.arange(count) + whole.astype(np.int64)[:, np.newaxis]
    rows = np.arange(len(table))[:, np.newaxis]
    found = np.zeros(table.shape)
    for step, weight in zip((-1, 0, 1, 2), weights):
        found += weight * table[rows, np.clip(at + step, 0, count - 1)]
    return found


def coarse_lag(profiles: Profiles, largest: float) -> float:
    """The lag at whose whole multiple of half an interval opposing neighbours agree best.

    By their cross-correlation, summed over all pairs, no larger than `largest` map units.
    """
    p = profiles.table.shape[1]
    steps = int(min(2 * largest / profiles.interval, p - 1))
    spectrum = np.fft.rfft(profiles.table, 2 * p, axis=1)
    total = np.zeros(spectrum.shape[1], dtype=np.complex128)
    for other in (profiles.left, profiles.right):
        pairs = other >= 0
        i, j = profiles.middle[pairs], other[pairs]
        product = spectrum[i] * np.conj(spectrum[j])
        forward = profiles.way[i] > 0
        total += product[forward].sum(axis=0) + np.conj(product[~forward]).sum(axis=0)
    agreement = np.fft.irfft(total, 2 * p)
    lags = np.arange(-steps, steps + 1)
    return float(lags[np.argmax(agreement[lags])]) * profiles.interval / 2


def find_shift(
    profiles: list[Profiles],
    scales: list[FloatArray],
    largest: float,
    start: float | None = None,
) -> Shift:
    """The lag that makes opposing neighbours agree best, over data grids or channels together.

    Least squares by Gauss and Newton on the disagreement of each traverse with the mean of its
    opposing neighbours, started at the best of the cross-correlation; a feature oblique to the
    traverses lies to one side in the one neighbour and to the other side in the other, and cancels.
    The standard error is the sandwich estimate over groups of neighbouring traverses.

    Parameters
    ----------
    profiles
        Of one channel a data grid.
    scales
        For each of them, how far each traverse moves for a lag of 1, ``(t,)``: 1 for a lag in map
        units, the speed for one in seconds.
    largest
        Largest lag looked for, map units.
    start
        Where to start, in place of the cross-correlation's best.

    References
    ----------
    P. J. Huber (1981), *Robust Statistics*, Wiley: the weights and the sandwich.
    """
    usable = [(p, s) for p, s in zip(profiles, scales) if len(p.middle)]
    count = sum(len(p.middle) for p, _ in usable)
    if not count:
        return Shift(0.0, np.nan, 0, np.nan, np.nan)
    spreads = [_spread(_disagreement(p, s, 0.0)[0]) for p, s in usable]
    speed = float(np.median(np.concatenate([s for _, s in usable])))
    if start is None:
        best = [coarse_lag(p, largest) / speed for p, _ in usable]
        trial = np.unique([0.0, *best])
        lag = float(trial[np.argmin([_cost(usable, spreads, value) for value in trial])])
    else:
        lag = start
    limit = largest / speed
    error = np.nan
    for _ in range(ROUNDS):
        parts = [_normal(p, s, lag, spread) for (p, s), spread in zip(usable, spreads)]
        down = sum(float(part[1].sum()) for part in parts)
        if down <= 0:
            return Shift(0.0, np.nan, count, np.nan, np.nan)
        step = -sum(float(part[0].sum()) for part in parts) / down
        spread_out = sum(_blocks(part[0] + step * part[1]) for part in parts)
        # Smoothing ties readings near each other together: fewer of them are independent.
        tied = 2.0 * np.sqrt(np.pi) * FINEST
        error = float(np.sqrt(max(spread_out, tied * down))) / down
        step = float(np.clip(step, -0.5 * usable[0][0].interval / speed, 0.5 * limit))
        lag = float(np.clip(lag + step, -limit, limit))
        if abs(step) < 1e-4 * usable[0][0].interval / speed:
            break
    after = [_spread(_disagreement(p, s, lag)[0]) for p, s in usable]
    slight = SLIGHT * usable[0][0].interval / speed
    return Shift(lag, error, count, float(np.mean(spreads)), float(np.mean(after)), slight)


def _blocks(contributions: FloatArray) -> float:
    """Sum of squares of the contributions of neighbouring traverses taken together."""
    padded = np.pad(contributions, (0, -len(contributions) % BLOCK))
    return float(np.square(padded.reshape(-1, BLOCK).sum(axis=1)).sum())


def _spread(off: FloatArray) -> float:
    known = off[off != 0]
    return MAD_TO_SIGMA * float(np.median(np.abs(known))) if len(known) else 1.0


def _cost(usable: list[tuple[Profiles, FloatArray]], spreads: list[float], lag: float) -> float:
    total = 0.0
    for (p, s), spread in zip(usable, spreads):
        off = np.abs(_disagreement(p, s, lag)[0]) / max(spread, 1e-300)
        held = np.minimum(off, REACH)
        total += float((held * (2 * off - held)).sum())
    return total


def _normal(
    profiles: Profiles, scale: FloatArray, lag: float, spread: float
) -> tuple[FloatArray, FloatArray]:
    """Gradient and curvature of the robust disagreement, one of each a compared traverse."""
    off, slope = _disagreement(profiles, scale, lag)
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.where(off != 0, np.minimum(1.0, REACH * spread / np.abs(off)), 1.0)
    unit = max(spread, 1e-300) ** 2
    return (weight * off * slope).sum(axis=1) / unit, (weight * slope**2).sum(axis=1) / unit


def _disagreement(
    profiles: Profiles, scale: FloatArray, lag: float
) -> tuple[FloatArray, FloatArray]:
    """Each traverse less the mean of its opposing neighbours, and how that changes with the lag.

    Both ``(k, p)``, 0 where unknown.
    """
    shift = lag * scale * profiles.way / profiles.interval
    slope = np.gradient(profiles.table, axis=1) * (scale * profiles.way)[:, np.newaxis]
    slope /= profiles.interval
    value, slope = moved(profiles.table, shift), moved(slope, shift)
    inside = _read(profiles.known, shift)
    off, change, sure = value[profiles.middle], slope[profiles.middle], inside[profiles.middle]
    sides = [(profiles.left, profiles.left >= 0), (profiles.right, profiles.right >= 0)]
    weight = sum(there.astype(np.float64) for _, there in sides)
    for other, there in sides:
        share = (there / weight)[:, np.newaxis]
        off = off - share * value[other]
        change = change - share * slope[other]
        sure = sure & (inside[other] | ~there[:, np.newaxis])
    # What is alike all along a traverse is its offset.
    number = np.maximum(sure.sum(axis=1), 1)[:, np.newaxis]
    off = np.where(sure, off - np.where(sure, off, 0.0).sum(axis=1, keepdims=True) / number, 0.0)
    change = np.where(
        sure, change - np.where(sure, change, 0.0).sum(axis=1, keepdims=True) / number, 0.0
    )
    return off, change


def _read(known: BoolArray, shift: FloatArray) -> BoolArray:
    """Where a moved row stands on known positions on either side."""
    count = known.shape[1]
    whole = np.floor(shift).astype(np.int64)[:, np.newaxis]
    at = np.arange(count) + whole
    rows = np.arange(len(known))[:, np.newaxis]
    within = (at >= 0) & (at + 1 < count)
    found: BoolArray = (
        within & known[rows, np.clip(at, 0, count - 1)] & known[rows, np.clip(at + 1, 0, count - 1)]
    )
    return found


def line_shifts(
    profiles: list[Profiles], scales: list[FloatArray], shift: Shift
) -> tuple[FloatArray, float]:
    """How much each traverse of one data grid is off what the common lag leaves.

    Parameters
    ----------
    profiles, scales
        Of the channels of one data grid; see `find_shift`.
    shift
        The lag that all its traverses have in common.

    Returns
    -------
    more
        What to add to the lag of each traverse, ``(t,)``: what its disagreement with its neighbours
        says, drawn towards 0 by as much as that is noise.
    scatter
        Standard deviation of the traverses' own lags, 0 where they are but noise.
    """
    t = len(scales[0])
    gradient, curvature = np.zeros(t), np.zeros(t)
    relation = np.zeros((t, t))
    for p, s in zip(profiles, scales):
        spread = _spread(_disagreement(p, s, shift.lag)[0])
        down, bend = _normal(p, s, shift.lag, spread)
        gradient[p.middle] += down
        curvature[p.middle] += bend
        relation[p.middle, p.middle] = 1.0
        sides = (p.left >= 0).astype(np.float64) + (p.right >= 0)
        for other in (p.left, p.right):
            there = other >= 0
            # An opposing neighbour's lag moves it the other way: both add to the difference.
            relation[p.middle[there], other[there]] = 1.0 / sides[there]
    compared = curvature > 0
    if compared.sum() < FEWEST:
        return np.zeros(t), 0.0
    found = -gradient[compared] / curvature[compared]
    noise = 2.0 * np.sqrt(np.pi) * FINEST / curvature[compared]
    # A difference holds the traverse's own lag and the mean of its neighbours'.
    scatter = max(float(np.mean(found**2 - noise)) / 1.5, 0.0)
    if scatter == 0.0:
        return np.zeros(t), 0.0
    design = relation[compared]
    weight = 1.0 / noise
    normal = design.T @ (design * weight[:, np.newaxis]) + np.eye(t) / scatter
    more: FloatArray = np.linalg.solve(normal, design.T @ (weight * found))
    return more.round(9), float(np.sqrt(scatter))
