"""Line offsets from differences between neighbouring traverses: the feature-preserving levelling.

What two neighbouring traverses have in common, soil and features alike, cancels in their
difference at the same place along them; what is left is the offset between them. Only what changes
from traverse to traverse is taken away: slow change across the traverses is the ground's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import eigh
from scipy.sparse import csr_matrix, diags
from scipy.sparse.linalg import spsolve

from ..readings import BoolArray, FloatArray
from .windows import MAD_TO_SIGMA

BIWEIGHT = 4.685
"""Tukey's tuning constant: 95 % efficiency for Gaussian noise."""

ROUNDS = 8
"""Rounds of reweighting; the estimates settle well before."""

SHORTEST = 2.5
"""Shortest wavelength tried, traverse separations: no shorter wave can be told from offsets."""

FEW = 5
"""Traverses below which nothing can be said of the ground's change across them."""

DECIMALS = 9
"""Decimals of an offset, channel units: far below any noise, so that runs agree to the last bit."""

OUTLYING = 2.5
"""Robust standard deviations beyond which a traverse's offset counts as no larger."""


def on_common_positions(
    along: tuple[FloatArray, ...], values: list[FloatArray], interval: float
) -> tuple[FloatArray, FloatArray]:
    """Traverses interpolated to common positions along.

    Parameters
    ----------
    along, values
        Positions and values of each traverse; NaN values are gaps.
    interval
        Distance between the common positions; gaps of more than twice that are not bridged.

    Returns
    -------
    positions
        Shape ``(p,)``.
    table
        Shape ``(t, p)``, NaN beyond a traverse's ends and in its gaps.
    """
    low = min(float(a.min()) for a in along)
    high = max(float(a.max()) for a in along)
    slack = 1e-6 * interval  # a turned survey must not lose its ends to rounding
    steps: FloatArray = np.arange(int((high - low + slack) / interval) + 1, dtype=np.float64)
    positions = low + steps * interval
    table = np.full((len(along), len(positions)), np.nan)
    for row, (a, v) in enumerate(zip(along, values)):
        known = np.isfinite(v)
        if known.sum() < 2:
            continue
        order = np.argsort(a[known], kind="stable")
        at, value = a[known][order], v[known][order]
        table[row] = np.interp(positions, at, value)
        table[row, (positions < at[0] - slack) | (positions > at[-1] + slack)] = np.nan
        after = np.clip(np.searchsorted(at, positions), 1, len(at) - 1)
        wide = at[after] - at[after - 1] > 2.001 * interval
        touching = np.minimum(positions - at[after - 1], at[after] - positions) < slack
        table[row, wide & ~touching] = np.nan
    return positions, table


def typical(table: FloatArray) -> FloatArray:
    """Typical value of each row: the middle of its densest half, refined by Tukey's biweight.

    Values far off, such as those where a feature lies under only one of two traverses, do not
    count at all: the estimate stays true until they are half. NaN is ignored; NaN for a row
    without values.

    References
    ----------
    P. J. Rousseeuw and A. M. Leroy (1987), *Robust Regression and Outlier Detection*, Wiley, for
    the least median of squares and its scale; J. W. Tukey's biweight.

    Examples
    --------
    >>> typical(np.array([[1.0, 1.1, 1.2, 9.0, 9.5]])).round(3).tolist()
    [1.1]
    """
    centre, scale = densest_half(table)
    reach = BIWEIGHT * np.where(scale > 0, scale, 1.0)[:, np.newaxis]
    plain = np.nan_to_num(table)
    for _ in range(ROUNDS):
        off = np.abs(table - centre[:, np.newaxis])
        with np.errstate(invalid="ignore"):
            weight = np.where(off < reach, (1 - (off / reach) ** 2) ** 2, 0.0)
        total = weight.sum(axis=1)
        mean = (weight * plain).sum(axis=1) / np.maximum(total, 1e-300)
        centre = np.where((total > 0) & (scale > 0), mean, centre)
    return centre


def densest_half(table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle and robust standard deviation of the shortest half of each row, ``(t,)`` each."""
    ordered = np.sort(table, axis=1)  # NaN goes to the end
    count = np.count_nonzero(~np.isnan(ordered), axis=1)
    half = count // 2 + 1
    start = np.arange(table.shape[1])
    end = np.minimum(start + half[:, np.newaxis] - 1, table.shape[1] - 1)
    inside = start + half[:, np.newaxis] <= count[:, np.newaxis]
    span = np.where(inside, np.take_along_axis(ordered, end, axis=1) - ordered, np.inf)
    best = np.argmin(span, axis=1)
    rows = np.arange(len(table))
    shortest = np.where(count > 0, span[rows, best], np.nan)
    middle = np.where(count > 0, ordered[rows, best] + shortest / 2, np.nan)
    return middle, MAD_TO_SIGMA * shortest / 2


def relative_levels(table: FloatArray, neighbours: int, fewest: int) -> FloatArray:
    """Level of each traverse relative to the others, mean 0, from differences between neighbours.

    Every pair of traverses up to `neighbours` apart gives one typical difference; the levels fit
    all of them by least squares.

    Parameters
    ----------
    table
        Values at common positions, shape ``(t, p)``, traverses sorted across.
    neighbours
        How many traverses on either side each is compared with.
    fewest
        Common positions that a pair must have.

    Returns
    -------
    array
        Shape ``(t,)``; NaN for a traverse that could be compared with no other.
    """
    t = len(table)
    first, second, differences = [], [], []
    for lag in range(1, min(neighbours, t - 1) + 1):
        step = table[lag:] - table[:-lag]
        enough = np.isfinite(step).sum(axis=1) >= fewest
        pairs = np.flatnonzero(enough)
        first.append(pairs)
        second.append(pairs + lag)
        differences.append(typical(step[pairs]))
    levels = np.full(t, np.nan)
    i, j = np.concatenate([*first, []]).astype(int), np.concatenate([*second, []]).astype(int)
    if not len(i):
        return levels
    rows = np.arange(len(i))
    ones = np.ones(len(i))
    design = csr_matrix(
        (np.concatenate([ones, -ones]), (np.concatenate([rows, rows]), np.concatenate([j, i]))),
        shape=(len(i), t),
    )
    # A faint pull to 0 fixes what differences leave open, once for each group of traverses.
    normal = (design.T @ design + diags(np.full(t, 1e-9))).tocsc()
    solved = spsolve(normal, design.T @ np.concatenate(differences))
    compared = np.union1d(i, j)
    levels[compared] = np.atleast_1d(solved)[compared]
    return levels


@dataclass(frozen=True, eq=False)
class Waves:
    """The bends that levels across the traverses can have, from none to sharp.

    Parameters
    ----------
    shapes
        Orthonormal columns, shape ``(t, t)``.
    bends
        How strongly each is bent, rising, 0 for the constant and the straight trend, ``(t,)``; in
        the unit in which `bend_of` counts.
    spacing
        Usual distance between traverses, map units.
    """

    shapes: FloatArray
    bends: FloatArray
    spacing: float

    @classmethod
    def of(cls, across: FloatArray) -> Waves:
        """Waves for traverses at rising positions."""
        gaps = np.maximum(np.diff(across), 1e-9)
        spacing = float(np.median(gaps))
        left, right = gaps[:-1] / spacing, gaps[1:] / spacing
        t = len(across)
        # Second divided differences, in units of the usual spacing.
        second = np.zeros((t - 2, t))
        rows = np.arange(t - 2)
        second[rows, rows] = 2 / (left * (left + right))
        second[rows, rows + 1] = -2 / (left * right)
        second[rows, rows + 2] = 2 / (right * (left + right))
        bends, shapes = eigh(second.T @ second)
        bends[:2] = 0.0
        return cls(shapes, bends, spacing)

    def bend_of(self, wavelength: FloatArray | float) -> FloatArray:
        """The bend of a wave of that length, map units."""
        bend: FloatArray = (2 * np.pi * self.spacing / np.asarray(wavelength)) ** 4
        return bend

    def slow_part(self, levels: FloatArray, wavelength: float) -> FloatArray:
        """Levels with waves of that length halved, longer ones kept and shorter ones taken out."""
        kept = 1 / (1 + self.bends / self.bend_of(wavelength))
        slow: FloatArray = self.shapes @ (kept * (self.shapes.T @ levels))
        return slow

    def likeliest_wavelength(self, levels: FloatArray) -> float:
        """The wavelength that best parts levels into smooth ground and independent offsets.

        Restricted maximum likelihood of a cubic smoothing spline with white noise: where the
        levels are smooth by themselves, the wavelength is short and nothing is taken for offsets.

        References
        ----------
        G. Wahba (1985), *A comparison of GCV and GML for choosing the smoothing parameter in the
        generalized spline smoothing problem*, Annals of Statistics 13, 1378-1402.
        """
        t = len(levels)
        trial: FloatArray = self.spacing * np.geomspace(SHORTEST, 8.0 * t, 60, dtype=np.float64)
        power = (self.shapes.T @ levels)[2:] ** 2
        share = 1 + self.bend_of(trial)[:, np.newaxis] / self.bends[2:]
        cost = (t - 2) * np.log((power / share).mean(axis=1) + 1e-300) + np.log(share).sum(axis=1)
        return float(trial[np.argmin(cost)])


def direction_effect(levels: FloatArray, backward: BoolArray) -> float:
    """Half of what walking backward adds against walking forward, from neighbouring traverses."""
    way = np.where(backward, 1.0, -1.0)
    bend, expected = np.diff(levels, 2), np.diff(way, 2)
    turned = expected != 0
    return float(np.median(bend[turned] / expected[turned])) if turned.sum() >= FEW else 0.0


def offsets_of_levels(
    across: FloatArray, levels: FloatArray, backward: BoolArray, wavelength: float | None
) -> FloatArray:
    """Part levels into the ground's slow change across the traverses and the traverses' offsets.

    Parameters
    ----------
    across
        Rising positions, shape ``(t,)``, map units.
    levels
        Shape ``(t,)``, finite.
    backward
        Which traverses were walked the other way, ``(t,)``.
    wavelength
        Change broader than this is the ground's, map units; None for the likeliest.

    Returns
    -------
    array
        Offsets with median 0, shape ``(t,)``. A constant and a straight trend across are never
        part of them.
    """
    t = len(levels)
    if t < FEW:
        return levels - np.median(levels)
    effect = direction_effect(levels, backward) * np.where(backward, 1.0, -1.0)
    left = levels - effect
    waves = Waves.of(across)
    counted = left
    slow = left
    for _ in range(ROUNDS):
        slow = waves.slow_part(counted, wavelength or waves.likeliest_wavelength(counted))
        off = left - slow
        reach = OUTLYING * MAD_TO_SIGMA * float(np.median(np.abs(off - np.median(off))))
        # A traverse far off must not bend the ground: it counts as no further off than this.
        counted = slow + np.clip(off, -reach, reach)
    offsets: FloatArray = levels - slow
    # The linear algebra library may add up in another order in another process.
    centred = offsets - float(np.median(offsets))
    return centred.round(DECIMALS)


def differential_offsets(
    along: tuple[FloatArray, ...],
    across: FloatArray,
    backward: BoolArray,
    values: list[FloatArray],
    *,
    interval: float,
    neighbours: int,
    wavelength: float | None,
    window: float,
    fewest: int,
) -> list[FloatArray]:
    """Offset to take from every reading of a data grid's traverses.

    Parameters
    ----------
    along, across, backward
        Layout of the traverses, see `traverses.GridLines`.
    values
        Values of one channel by traverse, NaN where they may not count.
    interval
        Reading interval, map units.
    neighbours, fewest
        See `relative_levels`.
    wavelength
        See `offsets_of_levels`.
    window
        Length along the traverse that shares one offset, map units; 0 for the whole traverse.
        Offsets of windows half overlapping are joined by straight lines.

    Returns
    -------
    list of array
        Offsets like `values`; NaN where a traverse could be compared with no other.
    """
    positions, table = on_common_positions(along, values, interval)
    length = float(positions[-1] - positions[0])
    if window <= 0 or window >= length:
        centres = np.array([positions[0] + length / 2])
        half = length
    else:
        count = int(np.ceil(2 * length / window))
        centres = np.linspace(positions[0], positions[-1], count + 1)
        half = window / 2
    offsets = np.full((len(along), len(centres)), np.nan)
    for column, centre in enumerate(centres):
        inside = np.abs(positions - centre) <= half + 1e-9
        levels = relative_levels(table[:, inside], neighbours, fewest)
        known = np.isfinite(levels)
        if known.sum() >= 2:
            offsets[known, column] = offsets_of_levels(
                across[known], levels[known], backward[known], wavelength
            )
    found = []
    for row, a in enumerate(along):
        known = np.isfinite(offsets[row])
        found.append(
            np.interp(a, centres[known], offsets[row, known])
            if known.any()
            else np.full(len(a), np.nan)
        )
    return found
