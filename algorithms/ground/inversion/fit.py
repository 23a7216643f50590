"""Fit layered grounds to soundings, each on its own: Gauss and Newton, many at a time.

The ground with the greatest posterior density is sought: the readings' misfit, robust against
single bad values, plus the departure from what was assumed before (`prior`). It starts with the
linear response at low induction numbers and goes on with the exact one.

References
----------
A. Tarantola (2005), *Inverse problem theory and methods for model parameter estimation*, SIAM
(the steps in the space of the readings; from memory). P. J. Huber (1964), *Robust estimation of a
location parameter*, Annals of Mathematical Statistics 35.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from ...readings import FloatArray
from .soundings import Soundings

TUNING = 2.0
"""Residuals beyond so many standard deviations count less (Huber)."""

LINEAR_ROUNDS = 6
ROUNDS = 40
STEP = 2.0
"""Most that a logarithm may change in a round."""

STARTS = (-1.0, 0.0, 1.0)
"""Where the search for thicknesses starts: so many standard deviations from the usual ones."""

NEAREST = 1e-4
"""No step is tried that is shorter than this share of the linear one."""

STILL = 0.01
"""A change of all logarithms below this ends the search: what is left is about its square."""


@dataclass(frozen=True, eq=False)
class Parting:
    """How the unknowns make a ground: `L` conductivities, and the thicknesses where sought.

    Parameters
    ----------
    thickness
        m, shape ``(L - 1,)``: fixed, or the usual ones where they are sought.
    free
        Whether the thicknesses are sought too.
    usual
        Logarithms of the usual conductivities, mS/m, and thicknesses where sought, ``(k,)``.
    covariance
        Of the unknowns, before the readings, shape ``(k, k)``.
    own
        The same without the level that a sounding's layers share.
    """

    thickness: FloatArray
    free: bool
    usual: FloatArray
    covariance: FloatArray
    own: FloatArray

    @property
    def layers(self) -> int:
        """How many layers there are."""
        return len(self.thickness) + 1

    def ground(self, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Conductivities ``(n, L)`` and thicknesses ``(n, L - 1)`` or ``(L - 1,)``."""
        conductivity = np.exp(unknowns[:, : self.layers])
        return conductivity, np.exp(unknowns[:, self.layers :]) if self.free else self.thickness

    def slopes(self, soundings: Soundings, unknowns: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What is read over the grounds, ``(n, p)``, and its slopes by the unknowns."""
        values, by_conductivity, by_thickness = soundings.slopes(
            *self.ground(unknowns), thickness_too=self.free
        )
        return values, np.concatenate([by_conductivity, by_thickness], axis=2)


@dataclass(frozen=True, eq=False)
class Fitted:
    """Grounds fitted to soundings.

    Parameters
    ----------
    unknowns
        Shape ``(n, k)``.
    values, slopes
        What is read over them, ``(n, p)``, and its slopes by the unknowns, ``(n, p, k)``.
    sd
        Standard deviations of the readings, larger for those that were counted less, ``(n, p)``.
    """

    unknowns: FloatArray
    values: FloatArray
    slopes: FloatArray
    sd: FloatArray

    def take(self, rows: slice) -> Fitted:
        """Only these soundings."""
        return Fitted(**{one.name: getattr(self, one.name)[rows] for one in fields(self)})

    @classmethod
    def joined(cls, parts: Sequence[Fitted]) -> Fitted:
        """Soundings one after another."""
        return cls(
            **{
                one.name: np.concatenate([getattr(part, one.name) for part in parts])
                for one in fields(cls)
            }
        )


def fit(soundings: Soundings, parting: Parting) -> Fitted:
    """Fit a ground to every sounding.

    Where thicknesses are sought there may be several grounds that fit best around them: the search
    starts from thin, usual and thick layers, and the best of the three is kept.
    """
    if not parting.free:
        return fit_from(soundings, parting, linear_start(soundings, parting))
    found = [
        fit_from(soundings, parting, linear_start(soundings, parting, away)) for away in STARTS
    ]
    costs = [cost_of(soundings, parting, one.unknowns, one.values) for one in found]
    best = np.argmin(np.stack(costs), axis=0)
    each = np.arange(len(soundings))
    return Fitted(
        **{one.name: np.stack([getattr(f, one.name) for f in found])[best, each]
           for one in fields(Fitted)}
    )  # fmt: skip


def fit_from(soundings: Soundings, parting: Parting, start: FloatArray) -> Fitted:
    """Fit a ground to every sounding, from given unknowns, ``(n, k)``."""
    unknowns = start.copy()
    values, slopes = parting.slopes(soundings, unknowns)
    cost = cost_of(soundings, parting, unknowns, values)
    fraction = np.ones(len(soundings))
    active = np.arange(len(soundings))
    for _ in range(ROUNDS):
        now = soundings.take(active)
        sd = counted_sd(now, values[active])
        target = step_to(now, parting, unknowns[active], values[active], slopes[active], sd)
        change = shortened(target - unknowns[active])
        tried = unknowns[active] + change * fraction[active, np.newaxis]
        new_values, new_slopes = parting.slopes(now, tried)
        new_cost = cost_of(now, parting, tried, new_values)
        better = new_cost <= cost[active] * (1 + 1e-9)
        kept = active[better]
        unknowns[kept], values[kept] = tried[better], new_values[better]
        slopes[kept], cost[kept] = new_slopes[better], new_cost[better]
        # Too far: nearer next time.
        fraction[active] = np.where(
            better, np.minimum(1.0, 4 * fraction[active]), fraction[active] / 4
        )
        going = (np.abs(change).max(axis=1) > STILL) & (fraction[active] > NEAREST)
        active = active[going]
        if not len(active):
            break
    return Fitted(unknowns, values, slopes, counted_sd(soundings, values))


def shortened(change: FloatArray) -> FloatArray:
    """Changes of all unknowns, ``(n, k)``, none above `STEP`, in the same direction."""
    most = np.abs(change).max(axis=1, keepdims=True)
    found: FloatArray = change * np.minimum(1.0, STEP / np.maximum(most, STEP))
    return found


def linear_start(soundings: Soundings, parting: Parting, away: float = 0.0) -> FloatArray:
    """The grounds that fit at low induction numbers, ``(n, k)``.

    Thicknesses are the usual ones, or `away` of their own standard deviations from them.
    """
    n, layers = len(soundings), parting.layers
    spread = np.sqrt(np.diag(parting.covariance))[layers:]
    thickness = parting.thickness * (np.exp(away * spread) if parting.free else 1.0)
    shares = soundings.shares(np.concatenate([[0.0], np.cumsum(thickness)]))
    quadrature = np.array([channel.part == "quadrature" for channel in soundings.channels])
    unknowns = np.tile(parting.usual, (n, 1))
    unknowns[:, layers:] += away * spread
    if not quadrature.any():
        return unknowns
    for _ in range(LINEAR_ROUNDS):
        slopes = np.zeros((n, len(quadrature), len(parting.usual)))
        slopes[:, :, :layers] = shares * np.exp(unknowns[:, np.newaxis, :layers])
        values = np.where(quadrature, slopes[:, :, :layers].sum(axis=2), soundings.values)
        target = step_to(soundings, parting, unknowns, values, slopes, soundings.sd)
        unknowns[:, :layers] += np.clip(target - unknowns, -STEP, STEP)[:, :layers]
    return unknowns


def step_to(
    soundings: Soundings,
    parting: Parting,
    unknowns: FloatArray,
    values: FloatArray,
    slopes: FloatArray,
    sd: FloatArray,
) -> FloatArray:
    """Where the linear problem about these grounds would be solved, ``(n, k)``."""
    away = unknowns - parting.usual
    wanted = soundings.values - values + np.einsum("npk,nk->np", slopes, away)
    spread = slopes @ parting.covariance
    readings = spread @ slopes.transpose(0, 2, 1)
    readings[:, np.arange(sd.shape[1]), np.arange(sd.shape[1])] += sd**2
    solved = np.linalg.solve(readings, wanted[:, :, np.newaxis])
    found: FloatArray = parting.usual + (spread.transpose(0, 2, 1) @ solved)[:, :, 0]
    return found


def counted_sd(soundings: Soundings, values: FloatArray) -> FloatArray:
    """Standard deviations, larger where a residual is beyond `TUNING` of them."""
    size = np.abs(soundings.values - values) / soundings.sd
    found: FloatArray = soundings.sd * np.sqrt(np.maximum(size / TUNING, 1.0))
    return found


def misfit_cost(soundings: Soundings, values: FloatArray) -> FloatArray:
    """Huber's loss of the residuals, twice, shape ``(n,)``."""
    size = np.abs(soundings.values - values) / soundings.sd
    loss = np.where(size <= TUNING, size**2, 2 * TUNING * size - TUNING**2)
    found: FloatArray = loss.sum(axis=1)
    return found


def cost_of(
    soundings: Soundings, parting: Parting, unknowns: FloatArray, values: FloatArray
) -> FloatArray:
    """What is made least, shape ``(n,)``."""
    away = unknowns - parting.usual
    precision = np.linalg.inv(parting.covariance)
    found: FloatArray = misfit_cost(soundings, values) + np.einsum(
        "nk,kl,nl->n", away, precision, away
    )
    return found
