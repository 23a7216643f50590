"""Smoothing along a bearing and hardly across it: what is left is stripes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import fft

from ..readings import FloatArray
from .frame import Frame
from .masked import Area

PASSES = 3
"""Times that what is left is smoothed and added: one pass alone blunts narrow stripes."""

SIGMA_OF_LENGTH = float(np.sqrt(2 * np.log(1 / (1 - 0.5 ** (1 / PASSES)))) / np.pi)
"""Standard deviation along, over the length: all passes halve a wave of twice the length."""

SIGMA_OF_SEPARATION = 0.2
"""Standard deviation across, over the traverse separation: a wave of two keeps 82 % a pass."""

SIGMA_OF_CELL = 0.45
"""The same over the cells across, where that is more: with less, the weights would miss cells."""

REACH = 4.0
"""Standard deviations at which the weights are cut: 3e-4 of their height."""

LEAST_WEIGHT = 1e-9
"""Sum of weights, of 1, below which there is nothing to smooth."""


@dataclass(frozen=True)
class Strip:
    """An operator of `masked.apply` that lets stripes through.

    A Gaussian weighted mean of the known cells, long along a bearing and narrow across it; what it
    leaves is smoothed again and added, twice. A wave that repeats `a` times a map unit along the
    bearing and `c` times across keeps ``1 - (1 - g)**3`` of its amplitude, with ``g = exp(-2 pi**2
    (along**2 a**2 + across**2 c**2))``.

    Parameters
    ----------
    bearing
        Degrees clockwise from grid north.
    along, across
        Standard deviations, map units.
    cell_height, cell_width
        Size of a cell, map units.
    """

    bearing: float
    along: float
    across: float
    cell_height: float
    cell_width: float

    @classmethod
    def of(cls, bearing: float, length: float, separation: float, frame: Frame) -> Strip:
        """The strip for stripes of a length, `separation` from one to the next.

        Examples
        --------
        >>> strip = Strip.of(0.0, 10.0, 0.5, Frame(0.0, 0.0, 0.25, 0.25, 8, 8))
        >>> round(strip.along, 2), strip.across
        (5.66, 0.1125)
        """
        north, east = np.cos(np.radians(bearing)), np.sin(np.radians(bearing))
        cell = float(np.hypot(frame.cell_width * north, frame.cell_height * east))
        return cls(
            bearing,
            length * SIGMA_OF_LENGTH,
            max(separation * SIGMA_OF_SEPARATION, cell * SIGMA_OF_CELL),
            frame.cell_height,
            frame.cell_width,
        )

    def border(self, shape: tuple[int, ...]) -> tuple[int, int]:
        """Cells that inform one, rows and columns: twice the reach of the weights."""
        # The third pass reaches further, but by what is left of what is left.
        down, across = self._reach(shape)
        return min(2 * down, shape[0] - 1), min(2 * across, shape[1] - 1)

    def __call__(self, block: FloatArray, inner: Area) -> FloatArray:
        """Draw the stripes of a block; see `masked.Operator`."""
        known = np.isfinite(block)
        down, across = self._reach(block.shape)
        size = (
            int(fft.next_fast_len(block.shape[0] + down, real=False)),
            int(fft.next_fast_len(block.shape[1] + across, real=True)),
        )
        waves = self._waves(size, down, across)

        def smooth(values: FloatArray) -> FloatArray:
            """Weighted sums."""
            found: FloatArray = fft.irfft2(fft.rfft2(values, size) * waves, size)
            return found[: block.shape[0], : block.shape[1]]

        weight = smooth(known.astype(np.float64))
        share = np.where(weight > LEAST_WEIGHT, 1.0 / np.maximum(weight, LEAST_WEIGHT), 0.0)
        texture = np.where(known, block, 0.0)
        stripes = np.zeros(block.shape)
        for _ in range(PASSES):
            stripes += share * smooth(np.where(known, texture - stripes, 0.0))
        return stripes[inner]

    def _reach(self, shape: tuple[int, ...]) -> tuple[int, int]:
        """Cells that the weights reach, rows and columns."""
        north, east = np.cos(np.radians(self.bearing)), np.sin(np.radians(self.bearing))
        down = REACH * np.hypot(self.along * north, self.across * east) / self.cell_height
        across = REACH * np.hypot(self.along * east, self.across * north) / self.cell_width
        return min(int(np.ceil(down)), shape[0] - 1), min(int(np.ceil(across)), shape[1] - 1)

    def _waves(self, size: tuple[int, int], down: int, across: int) -> npt.NDArray[np.complex128]:
        """Transform of the weights, which sum to 1."""
        row, column = np.arange(-down, down + 1), np.arange(-across, across + 1)
        y = -row[:, np.newaxis] * self.cell_height
        x = column * self.cell_width
        north, east = np.cos(np.radians(self.bearing)), np.sin(np.radians(self.bearing))
        along, aside = x * east + y * north, x * north - y * east
        weight = np.exp(-0.5 * ((along / self.along) ** 2 + (aside / self.across) ** 2))
        laid = np.zeros(size)
        laid[np.ix_(row % size[0], column % size[1])] = weight / weight.sum()
        found: npt.NDArray[np.complex128] = fft.rfft2(laid)
        return found
