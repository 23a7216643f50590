"""Line offsets from differences between neighbouring traverses: the feature-preserving levelling.

What two neighbouring traverses have in common, soil and features alike, cancels in their
difference at the same place along them; what is left is the offset between them. Only what changes
from traverse to traverse is taken away: slow change across the traverses is the ground's.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix, diags
from scipy.sparse.linalg import spsolve

from ..readings import BoolArray, FloatArray, IntArray
from .centres import typical
from .linked import linked_sets
from .waves import FEW, SAME_PLACE, SHORTEST, Waves, offsets_of_levels, parted, usual_spacing
from .windows import running_median

SMOOTHED = 2.0
"""Length along of the running median before differences, usual separations of traverses."""


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


def smooth_on_common_positions(
    along: tuple[FloatArray, ...], across: FloatArray, values: list[FloatArray], interval: float
) -> tuple[FloatArray, FloatArray]:
    """Traverses at common positions, see `on_common_positions`, each smoothed along."""
    positions, table = on_common_positions(along, values, interval)
    # A hair is added so that a turned survey gets the same width.
    half_width = int(SMOOTHED * usual_spacing(across) / interval / 2 + 1e-3)
    return positions, smoothed(table, 2 * half_width + 1)


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
    return levels, linked_sets(i, j, t)


@dataclass(frozen=True, eq=False)
class GridLevels:
    """Levels of the traverses of a data grid, window by window along them.

    Parameters
    ----------
    across, backward
        See `offsets_of_levels`, ``(t,)``.
    centres
        Middle of each window, map units, ``(w,)``.
    levels, groups
        See `relative_levels`, ``(t, w)``.
    """

    across: FloatArray
    backward: BoolArray
    centres: FloatArray
    levels: FloatArray
    groups: IntArray

    def sets(self, window: int) -> list[BoolArray]:
        """Which traverses belong together in a window, one mask ``(t,)`` a set."""
        levels, groups = self.levels[:, window], self.groups[:, window]
        return [groups == group for group in np.unique(groups[np.isfinite(levels)])]


def common_wavelength(grids: list[GridLevels]) -> float | None:
    """The wavelength that best parts the levels of several data grids of one site.

    The soil of a site is alike in all its data grids: together they tell more surely what is soil
    and what offset than each by itself. None where there is but one set of traverses, or windows
    along, which each have a wavelength of their own.
    """
    sets = [
        (grid, known)
        for grid in grids
        if len(grid.centres) == 1
        for known in grid.sets(0)
        if known.sum() >= FEW
    ]
    if len(sets) < 2:
        return None
    parts = []
    for grid, known in sets:
        waves = Waves.of(grid.across[known])
        _, counted = parted(grid.levels[known, 0], grid.backward[known], None, waves)
        parts.append((waves, counted))
    spacing = float(np.median([waves.spacing for waves, _ in parts]))
    most = max(len(counted) for _, counted in parts)
    trial: FloatArray = spacing * np.geomspace(SHORTEST, 8.0 * most, 60, dtype=np.float64)
    cost = sum(waves.unlikeliness(counted, trial) for waves, counted in parts)
    return float(trial[np.argmin(cost)])


def grid_levels(
    along: tuple[FloatArray, ...],
    across: FloatArray,
    backward: BoolArray,
    values: list[FloatArray],
    *,
    interval: float,
    neighbours: int,
    window: float,
    fewest: int,
) -> GridLevels:
    """Levels of a data grid's traverses; parameters as of `differential_offsets`."""
    positions, table = smooth_on_common_positions(along, across, values, interval)
    length = float(positions[-1] - positions[0])
    if window <= 0 or window >= length:
        centres = np.array([positions[0] + length / 2])
        half = length
    else:
        count = int(np.ceil(2 * length / window))
        centres = np.linspace(positions[0], positions[-1], count + 1)
        half = window / 2
    places = places_of(across)
    found = [
        relative_levels(table[:, np.abs(positions - centre) <= half + 1e-9], places, neighbours,
                        fewest)
        for centre in centres
    ]  # fmt: skip
    levels, groups = (np.stack(part, axis=1) for part in zip(*found))
    return GridLevels(across, backward, centres, levels, groups)


def offsets_along(
    along: tuple[FloatArray, ...], grid: GridLevels, wavelength: float | None
) -> list[FloatArray]:
    """Offset to take from every reading, from the levels; see `differential_offsets`."""
    waves: dict[bytes, Waves] = {}  # windows mostly share their traverses, and so their waves
    offsets = np.full(grid.levels.shape, np.nan)
    for window in range(len(grid.centres)):
        for known in grid.sets(window):
            key = known.tobytes()
            if known.sum() >= FEW and key not in waves:
                waves[key] = Waves.of(grid.across[known])
            offsets[known, window] = offsets_of_levels(
                grid.across[known],
                grid.levels[known, window],
                grid.backward[known],
                wavelength,
                waves.get(key),
            )
    found = []
    for row, a in enumerate(along):
        known = np.isfinite(offsets[row])
        found.append(
            np.interp(a, grid.centres[known], offsets[row, known])
            if known.any()
            else np.full(len(a), np.nan)
        )
    return found


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
    levels = grid_levels(
        along, across, backward, values,
        interval=interval, neighbours=neighbours, window=window, fewest=fewest,
    )  # fmt: skip
    return offsets_along(along, levels, wavelength)
