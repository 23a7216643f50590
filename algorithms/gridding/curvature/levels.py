"""A pyramid of ever coarser grids: it spreads a correction over any distance in few strides."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_matrix, dia_matrix

from ...readings import BoolArray, FloatArray, IntArray
from .energy import STIFFEST, Energy, Grid
from .sight import Sight

Coarse = np.float32
"""Precision of corrections: the residual they are found from is in full precision."""

SOFTEST = 0.2
"""What smoothing damps: all between this eigenvalue and `STIFFEST`."""
SWEEPS = 3
"""Smoothing steps before and after each visit to the coarser grid."""
HOLD = 10.0
"""How hard readings hold a coarse grid, times its own stiffness."""
AT_A_TIME = 1 << 17
"""Held places taken into account at a time: bounds the memory."""
SMALLEST = 64
"""A grid of no more nodes is solved outright."""


@dataclass(frozen=True, eq=False)
class Held:
    """Places where the surface is held.

    Parameters
    ----------
    row, column
        In nodes of the finest grid, shape ``(k,)``.
    values
        One array of shape ``(k,)`` for each channel.
    """

    row: FloatArray | IntArray
    column: FloatArray | IntArray
    values: Sequence[FloatArray]

    def thinned(self, size: int) -> Held:
        """Means over squares of `size` nodes."""
        rows, columns = self.row // size, self.column // size
        key = (rows * (columns.max() + 1) + columns).astype(np.int64)
        _, group, count = np.unique(key, return_inverse=True, return_counts=True)

        def mean(of: FloatArray | IntArray) -> FloatArray:
            total: FloatArray = np.bincount(group.ravel(), of, len(count)) / count
            return total

        return Held(mean(self.row), mean(self.column), [mean(channel) for channel in self.values])


@dataclass(frozen=True, eq=False)
class Level:
    """One grid of the pyramid.

    Parameters
    ----------
    energy
        Of its nodes, in terms of the finest grid.
    ease
        By what a force is multiplied to move its node, 0 where the node is fixed.
    hold
        Force matrix of the soft holds; None on the finest grid, where they are exact.
    pulled
        Force of the held values by channel, shape ``(nodes, c)``.
    """

    energy: Energy
    ease: Grid
    hold: dia_matrix | None = None
    pulled: npt.NDArray[np.float32] | None = None
    up: Lift | None = None

    def force(self, surface: Grid) -> Grid:
        """Of the surface and its holds."""
        force = self.energy.force(surface)
        if self.hold is not None:
            force += (self.hold @ surface.ravel()).reshape(surface.shape)
        return force

    def smoothed(self, surface: Grid | None, wanted: Grid) -> Grid:
        """The surface, its force brought nearer to the wanted one; from 0 if there is none yet.

        Chebyshev's polynomial of `SWEEPS` steps: it damps rough errors evenly.
        """
        middle, half = (STIFFEST + SOFTEST) / 2, (STIFFEST - SOFTEST) / 2
        ratio = half / middle
        step: Grid
        if surface is None:
            step = self.ease * wanted
        else:
            step = self.force(surface)
            np.subtract(wanted, step, out=step)
            step *= self.ease
        step *= Coarse(1 / middle)
        if surface is None:
            surface = step.copy()
        else:
            surface += step
        last = ratio
        for _ in range(SWEEPS - 1):
            following = 1 / (2 / ratio - last)
            rest = self.force(surface)
            np.subtract(wanted, rest, out=rest)
            rest *= self.ease
            rest *= Coarse(2 * following / half)
            step *= Coarse(following * last)
            step += rest
            surface += step
            last = following
        return surface


class Lift:
    """Between a grid and the next coarser one, whose nodes are every second of its own.

    Cubic along rows and columns. Beside a barrier, the mean of the coarse nodes around that the
    node sees.
    """

    def __init__(self, shape: tuple[int, int], stride: int, sight: Sight | None) -> None:
        self.rows, self.columns = (_halved(size) for size in shape)
        self._rows_back, self._columns_back = self.rows.T.tocsr(), self.columns.T.tocsr()
        self.shape = (self.rows.shape[1], self.columns.shape[1])
        self._beside: tuple[IntArray, csr_matrix] | None = None
        if sight is not None:
            row, column = sight.near(shape, stride, 4)
            if len(row):
                shares = _seen(sight, (row / 2, column / 2), self.shape, 2 * stride)
                self._beside = row * shape[1] + column, shares.astype(Coarse)

    def up(self, coarse: Grid) -> Grid:
        """The coarse surface on the finer grid."""
        across = self.columns @ np.ascontiguousarray(coarse.T)
        fine: Grid = self.rows @ np.ascontiguousarray(across.T)
        if self._beside:
            nodes, shares = self._beside
            fine.reshape(-1)[nodes] = shares @ coarse.ravel()
        return fine

    def down(self, fine: Grid) -> Grid:
        """A force on the finer grid, gathered on the coarse one."""
        if self._beside:
            nodes, shares = self._beside
            fine = fine.copy()
            beside = fine.reshape(-1)[nodes]
            fine.reshape(-1)[nodes] = 0
        along = self._rows_back @ fine
        coarse = np.ascontiguousarray((self._columns_back @ np.ascontiguousarray(along.T)).T)
        if self._beside:
            coarse += (shares.T @ beside).reshape(coarse.shape)
        return coarse


class Pyramid:
    """The grids for one shape and set of held nodes, whatever the channel.

    Parameters
    ----------
    energy
        Of the finest grid.
    fixed
        Its nodes that do not move.
    held
        The nodes that are held, with their values.
    sight
        For barriers; None if there are none.
    """

    def __init__(
        self,
        energy: Energy,
        fixed: BoolArray,
        held: Held,
        sight: Sight | None,
    ) -> None:
        self.levels: list[Level] = []
        bend, pull, squash = energy.across[0], energy.across[1], _squash(energy)
        for level in _grids(energy, bend, pull, squash, sight):
            stride = 2 ** len(self.levels)
            part, lift = level
            stiffness = part.diagonal()
            hold = pulled = None
            if stride == 1:
                stiffness[fixed] = 0
            else:
                if stride > 4:
                    held = held.thinned(stride // 4)
                hold, pulled = _holds(part, held, stride, sight)
                stiffness += hold.diagonal().reshape(part.shape)
            with np.errstate(divide="ignore"):
                ease = np.where(stiffness > 0, 1 / stiffness, 0).astype(Coarse)
            self.levels.append(Level(part, ease, hold, pulled, lift))
        self._outright = self._inverse(self.levels[-1]) if len(self.levels) > 1 else None

    @staticmethod
    def _inverse(level: Level) -> npt.NDArray[np.float32]:
        """Of the coarsest grid's force matrix; by eigenvalues, as some may be 0."""
        count = level.ease.size
        unit = np.eye(count).reshape(count, *level.ease.shape)
        matrix = np.array([level.force(one).ravel() for one in unit])
        return np.linalg.pinv((matrix + matrix.T) / 2, rcond=1e-13, hermitian=True).astype(Coarse)

    def correction(self, force: Grid, number: int = 0) -> Grid:
        """About the surface that this force would bend: one visit to all grids and back."""
        level = self.levels[number]
        if number and level.up is None:
            assert self._outright is not None
            outright: Grid = np.einsum("nm,m->n", self._outright, force.ravel())
            return outright.reshape(force.shape)
        surface = level.smoothed(None, force)
        if level.up is not None:
            rest = level.force(surface)
            np.subtract(force, rest, out=rest)
            if level.hold is None:
                rest *= level.ease > 0
            gathered = level.up.down(rest)
            del rest
            more = level.up.up(self.correction(gathered, number + 1))
            if level.hold is None:
                more *= level.ease > 0
            surface += more
            del gathered, more
        return level.smoothed(surface, force)

    def start(self, channel: int) -> Grid:
        """A surface about through the held values, found from the coarsest grid to the finest."""
        surface: Grid | None = None
        for number in range(len(self.levels) - 1, 0, -1):
            level = self.levels[number]
            assert level.pulled is not None
            pulled = level.pulled[:, channel].reshape(level.ease.shape)
            if surface is None:
                surface = self.correction(pulled, number)
            else:
                assert level.up is not None
                surface = level.up.up(surface)
                for _ in range(2):
                    surface += self.correction(pulled - level.force(surface), number)
        finest = self.levels[0]
        if surface is None:
            return np.zeros(finest.ease.shape, dtype=Coarse)
        assert finest.up is not None
        return finest.up.up(surface)


def _squash(energy: Energy) -> float:
    """Width of a cell over its height."""
    if energy.across[1] > 0:
        return float(np.sqrt(energy.down[1] / energy.across[1]))
    return float((energy.down[0] / energy.across[0]) ** 0.25)


def _grids(
    finest: Energy, bend: float, pull: float, squash: float, sight: Sight | None
) -> Iterator[tuple[Energy, Lift | None]]:
    """Energies from the finest grid to the coarsest, and what lies between each and the next."""
    part, stride = finest, 1
    while part.shape[0] * part.shape[1] > SMALLEST:
        lift = Lift(part.shape, stride, sight)
        yield part, lift
        stride *= 2
        links = sight.links(lift.shape, stride) if sight else None
        part = Energy(lift.shape, bend / stride**2, pull, squash, links)
    yield part, None


def _halved(size: int) -> csr_matrix:
    """From every second of `size` nodes to all, cubic; the last may lie beyond the end."""
    if size == 1:
        return csr_matrix(np.ones((1, 1), dtype=Coarse))
    coarse = size // 2 + 1
    between = np.arange(size // 2)
    place = np.arange(0, size, 2)
    rows: list[npt.NDArray[Any]] = [place]
    columns: list[npt.NDArray[Any]] = [place // 2]
    shares: list[npt.NDArray[Any]] = [np.ones(len(place))]
    first, last = between == 0, between == coarse - 2
    for step, inner, at_start, at_end in (
        (-1, -1 / 16, 0.0, -1 / 8),
        (0, 9 / 16, 3 / 8, 6 / 8),
        (1, 9 / 16, 6 / 8, 3 / 8),
        (2, -1 / 16, -1 / 8, 0.0),
    ):
        share = np.where(first, at_start, np.where(last, at_end, inner))
        if coarse < 3:
            share = np.full(len(between), 0.5 if step in (0, 1) else 0.0)
        used = np.flatnonzero(share)
        rows.append(2 * between[used] + 1)
        columns.append(between[used] + step)
        shares.append(share[used])
    flat = [np.concatenate(parts) for parts in (shares, rows, columns)]
    return csr_matrix((flat[0].astype(Coarse), (flat[1], flat[2])), shape=(size, coarse))


def _seen(
    sight: Sight | None,
    at: tuple[FloatArray, FloatArray],
    shape: tuple[int, int],
    stride: int,
) -> csr_matrix:
    """Shares of the nodes of a coarse grid in places on it: bilinear, without those not seen."""
    row, column = at
    top = np.clip(np.floor(row).astype(np.int64), 0, max(shape[0] - 2, 0))
    left = np.clip(np.floor(column).astype(np.int64), 0, max(shape[1] - 2, 0))
    souths, easts = range(min(2, shape[0])), range(min(2, shape[1]))
    weight = np.zeros((len(row), len(souths) * len(easts)))
    nodes = np.zeros(weight.shape, dtype=np.int32)
    for south in souths:
        for east in easts:
            share = (1 - np.abs(row - top - south)) * (1 - np.abs(column - left - east))
            np.maximum(share, 0.0, out=share)
            if sight is not None:
                there = ((top + south) * stride, (left + east) * stride)
                share[sight.hidden((row * stride, column * stride), there)] = 0.0
            nodes[:, south * len(easts) + east] = (top + south) * shape[1] + left + east
            weight[:, south * len(easts) + east] = share
    total = weight.sum(axis=1, keepdims=True)
    weight /= np.where(total > 0, total, 1.0)
    ends = np.arange(0, weight.size + 1, weight.shape[1], dtype=np.int32)
    return csr_matrix((weight.ravel(), nodes.ravel(), ends), shape=(len(row), shape[0] * shape[1]))


def _holds(
    energy: Energy, held: Held, stride: int, sight: Sight | None
) -> tuple[dia_matrix, npt.NDArray[np.float32]]:
    """Force matrix of the held places on a coarse grid, and the force of their values.

    However many places a node has, together they hold it as hard.
    """
    size = energy.shape[0] * energy.shape[1]
    node = np.rint(held.row / stride).astype(np.int32) * np.int32(energy.shape[1])
    node += np.rint(held.column / stride).astype(np.int32)
    stiffness = 8 * energy.across[0] + 6 * energy.twist / 2 + 4 * energy.across[1]
    weight = HOLD * stiffness / np.maximum(np.bincount(node, minlength=size), 1)
    pulled: npt.NDArray[np.float32] = np.zeros((size, len(held.values)), dtype=Coarse)
    bands: dict[int, npt.NDArray[np.float32]] = {}
    for start in range(0, len(node), AT_A_TIME):
        some = slice(start, start + AT_A_TIME)
        at = held.row[some] / stride, held.column[some] / stride
        shares = _seen(sight, at, energy.shape, stride)
        around = shares.indices.reshape(len(at[0]), -1).T
        share = shares.data.reshape(len(at[0]), -1).T
        for one, mine in zip(around, share * weight[node[some]]):
            for channel, values in enumerate(held.values):
                pulled[:, channel] += np.bincount(one, mine * values[some], size)
            for other, its in zip(around, share):
                band = bands.setdefault(int(other[0] - one[0]), np.zeros(size, dtype=Coarse))
                band += np.bincount(other, mine * its, size)
    offsets = sorted(bands)
    return dia_matrix(([bands.pop(offset) for offset in offsets], offsets), (size, size)), pulled
