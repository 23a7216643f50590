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
from scipy.sparse.csgraph import connected_components
from scipy.sparse.linalg import spsolve

from ..readings import BoolArray, FloatArray, IntArray
from .centres import ROUNDS, typical
from .windows import MAD_TO_SIGMA, running_median

SHORTEST = 2.5
"""Shortest wavelength tried, traverse separations: no shorter wave can be told from offsets."""

FEW = 5
"""Traverses below which nothing can be said of the ground's change across them."""

DECIMALS = 9
"""Decimals of an offset, channel units: far below any noise, so that runs agree to the last bit."""

SAME_PLACE = 0.1
"""Traverses nearer across than this, usual separations, lie at one place: repeats and halves."""

SMOOTHED = 2.0
"""Length along of the running median before differences, usual separations of traverses."""

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


def smoothed(table: FloatArray, width: int) -> FloatArray:
    """Running median of `width` (odd) values along each row; what is missing stays missing.

    Noise differs from reading to reading and a feature does not: smoothed, a weak feature stands
    out from the differences of its traverse and does not count in them.
    """
    rows, count = table.shape
    width = min(width, (count // 10 - 1) // 2 * 2 + 1)  # ten or more values of their own remain
    if width < 3:
        return table
    start = np.repeat(np.arange(rows) * count, count)
    place = np.arange(rows * count)
    low = np.maximum(place - width // 2, start)
    high = np.minimum(place + width // 2 + 1, start + count)
    found = running_median(table.ravel(), low, high).reshape(table.shape)
    return np.where(np.isnan(table), np.nan, found)


def usual_spacing(across: FloatArray) -> float:
    """Usual distance between traverses at rising positions, those at one place aside."""
    gaps = np.diff(across)
    apart = gaps[gaps > SAME_PLACE * gaps.mean()]
    return float(np.median(apart)) if len(apart) else 1.0


def places_of(across: FloatArray) -> IntArray:
    """Number of each traverse's place across, from 0; traverses at one place share it.

    Examples
    --------
    >>> places_of(np.array([0.0, 0.5, 0.5, 1.0])).tolist()
    [0, 1, 1, 2]
    """
    next_place = np.diff(across) > SAME_PLACE * usual_spacing(across)
    return np.concatenate([[0], np.cumsum(next_place)]).astype(np.int64)


def relative_levels(
    table: FloatArray, places: IntArray, neighbours: int, fewest: int
) -> tuple[FloatArray, IntArray]:
    """Level of each traverse relative to the others, from differences between neighbours.

    Every pair of traverses up to `neighbours` places apart gives one typical difference; the
    levels fit all of them by least squares.

    Parameters
    ----------
    table
        Values at common positions, shape ``(t, p)``, traverses sorted across.
    places
        See `places_of`, ``(t,)``.
    neighbours
        How many places on either side each traverse is compared with.
    fewest
        Common positions that a pair must have.

    Returns
    -------
    levels
        Shape ``(t,)``, mean 0 in each group; NaN for a traverse that could be compared with no
        other.
    groups
        Code of the group of each traverse, ``(t,)``. Nothing is known of the level of one group
        against another: no traverse of the one lies beside a traverse of the other.
    """
    t = len(table)
    first, second, differences = [], [], []
    for lag in range(1, t):
        near = np.flatnonzero(places[lag:] - places[:-lag] <= neighbours)
        if not len(near):
            break
        step = table[near + lag] - table[near]
        enough = np.isfinite(step).sum(axis=1) >= fewest
        pairs, step = near[enough], step[enough]
        first.append(pairs)
        second.append(pairs + lag)
        differences.append(typical(step))
    levels = np.full(t, np.nan)
    i, j = np.concatenate([*first, []]).astype(int), np.concatenate([*second, []]).astype(int)
    if not len(i):
        return levels, np.arange(t)
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
    _, groups = connected_components(csr_matrix((ones, (i, j)), shape=(t, t)), directed=False)
    return levels, groups.astype(np.int64)


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
        spacing = usual_spacing(across)
        # Traverses at one place are held a little apart: the bend between them stays finite.
        gaps = np.maximum(np.diff(across) / spacing, SAME_PLACE)
        left, right = gaps[:-1], gaps[1:]
        t = len(across)
        # Second divided differences, in units of the usual spacing, each for its share of it.
        second = np.zeros((t - 2, t))
        rows = np.arange(t - 2)
        second[rows, rows] = 2 / (left * (left + right))
        second[rows, rows + 1] = -2 / (left * right)
        second[rows, rows + 2] = 2 / (right * (left + right))
        second *= np.sqrt((left + right) / 2)[:, np.newaxis]
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
    across: FloatArray,
    levels: FloatArray,
    backward: BoolArray,
    wavelength: float | None,
    waves: Waves | None = None,
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
    waves
        Those of `across`, where they are known already.

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
    waves = waves or Waves.of(across)
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
        Offsets like `values`, median 0 in each group of traverses that lie beside each other;
        NaN for a traverse that could be compared with no other.
    """
    positions, table = on_common_positions(along, values, interval)
    # A hair is added so that a turned survey gets the same width.
    half_width = int(SMOOTHED * usual_spacing(across) / interval / 2 + 1e-3)
    table = smoothed(table, 2 * half_width + 1)
    length = float(positions[-1] - positions[0])
    if window <= 0 or window >= length:
        centres = np.array([positions[0] + length / 2])
        half = length
    else:
        count = int(np.ceil(2 * length / window))
        centres = np.linspace(positions[0], positions[-1], count + 1)
        half = window / 2
    places = places_of(across)
    waves: dict[bytes, Waves] = {}  # windows mostly share their traverses, and so their waves
    offsets = np.full((len(along), len(centres)), np.nan)
    for column, centre in enumerate(centres):
        inside = np.abs(positions - centre) <= half + 1e-9
        levels, groups = relative_levels(table[:, inside], places, neighbours, fewest)
        for group in np.unique(groups[np.isfinite(levels)]):
            known = groups == group
            key = known.tobytes()
            if known.sum() >= FEW and key not in waves:
                waves[key] = Waves.of(across[known])
            offsets[known, column] = offsets_of_levels(
                across[known], levels[known], backward[known], wavelength, waves.get(key)
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
