"""How far exact readings over layered ground lie from those at low induction numbers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ...progress import Progress, advance, keep_going
from ...readings import FloatArray
from ..instrument import CoilPair, ratio_per_conductivity
from ..layeredresponse import layered_response
from ..low_induction import cumulative_response, cumulative_susceptible

DEPARTURE = 0.05
"""A share of the reading; beyond it the induction number is not small (our choice: the error of a
common field calibration)."""

BATCH = 16_384
"""Grounds worked on at a time."""


@dataclass(frozen=True, eq=False)
class Departures:
    """Apparent conductivities, mS/m, shapes ``(n, p)``."""

    low: FloatArray
    exact: FloatArray

    @property
    def share(self) -> FloatArray:
        """How far the exact lie from the others, as shares of these; 0 where there is none."""
        found: FloatArray = np.divide(
            self.exact - self.low, self.low, out=np.zeros_like(self.low), where=self.low != 0
        )
        return found


def departures(
    pairs: Sequence[CoilPair],
    conductivity: npt.ArrayLike,
    thickness: npt.ArrayLike = (),
    height: npt.ArrayLike | None = None,
    progress: Progress = keep_going,
) -> Departures:
    """Exact apparent conductivities beside those at low induction numbers.

    Parameters as `layered_response`; the ground without susceptibility.

    Examples
    --------
    >>> found = departures([CoilPair(1.0)], [20.0])
    >>> float(found.low[0, 0]), round(float(found.share[0, 0]), 3)
    (20.0, -0.03)
    """
    exact = layered_response(pairs, conductivity, thickness, height=height, progress=progress)
    scales = np.array([1e-3 * ratio_per_conductivity(pair) for pair in pairs])
    low = low_response(pairs, conductivity, thickness, height=height)
    return Departures(low.imag / scales, exact.imag / scales)


def low_response(
    pairs: Sequence[CoilPair],
    conductivity: npt.ArrayLike,
    thickness: npt.ArrayLike = (),
    susceptibility: npt.ArrayLike | None = None,
    height: npt.ArrayLike | None = None,
    progress: Progress = keep_going,
) -> npt.NDArray[np.complex128]:
    """Field ratio at low induction numbers: closed forms of first order.

    The quadrature part is of the conductivities alone, the in-phase part of the susceptibilities
    alone. Parameters and shapes as `layered_response`, and the grounds as it would take them.

    References
    ----------
    J. D. McNeill (1980), *Electromagnetic terrain conductivity measurement at low induction
    numbers*, Technical Note TN-6.

    Examples
    --------
    >>> pair = CoilPair(1.0)
    >>> ratio = low_response([pair], [20.0, 50.0], [0.5])
    >>> round(float(ratio.imag[0, 0]) / (1e-3 * ratio_per_conductivity(pair)), 3)
    41.213
    """
    sigma = np.atleast_2d(np.asarray(conductivity, dtype=np.float64))
    thick = np.atleast_2d(np.asarray(thickness, dtype=np.float64))
    kappa = None if susceptibility is None else np.atleast_2d(np.asarray(susceptibility, float))
    lifted = None if height is None else np.atleast_1d(np.asarray(height, dtype=np.float64))
    found = np.zeros((len(sigma), len(pairs)), complex)
    for start in range(0, len(sigma), BATCH):
        advance(progress, start / len(sigma))
        rows = slice(start, start + BATCH)
        under = thick if len(thick) == 1 else thick[rows]
        tops = np.concatenate([np.zeros((len(under), 1)), np.cumsum(under, axis=1)], axis=1)
        for number, pair in enumerate(pairs):
            above: FloatArray | float = pair.height
            if lifted is not None:
                above = lifted[0] if lifted.size == 1 else lifted[rows, np.newaxis]
            reach = (tops + above) / pair.spacing
            steps = np.diff(sigma[rows], axis=1, prepend=0.0)
            shares = cumulative_response(reach, pair.orientation)
            scale = 1e-3 * ratio_per_conductivity(pair)
            found[rows, number] = 1j * scale * (steps * shares).sum(axis=1)
            if kappa is not None:
                images = np.diff(kappa[rows], axis=1, prepend=0.0)
                static = cumulative_susceptible(reach, pair.orientation)
                found[rows, number] += (images * static).sum(axis=1)
    return found
