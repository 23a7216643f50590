"""Variogram models: how unlike readings are, by the distance between them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ...readings import FloatArray

Shape = Callable[[FloatArray], FloatArray]


def _spherical(h: FloatArray) -> FloatArray:
    near = np.minimum(h, 1.0)
    rho: FloatArray = 1.0 - near * (1.5 - 0.5 * near * near)
    return rho


def _exponential(h: FloatArray) -> FloatArray:
    rho: FloatArray = np.exp(-3.0 * h)
    return rho


def _gaussian(h: FloatArray) -> FloatArray:
    rho: FloatArray = np.exp(-3.0 * (h * h))
    return rho


MATERN_3_2 = 4.743864518390579
MATERN_5_2 = 5.918649346310188
"""Where the two forms of Matern have fallen to a twentieth."""


def _matern_3_2(h: FloatArray) -> FloatArray:
    s = MATERN_3_2 * h
    rho: FloatArray = (1.0 + s) * np.exp(-s)
    return rho


def _matern_5_2(h: FloatArray) -> FloatArray:
    s = MATERN_5_2 * h
    rho: FloatArray = (1.0 + s * (1.0 + s / 3.0)) * np.exp(-s)
    return rho


BOUNDED: dict[str, Shape] = {
    "spherical": _spherical,
    "exponential": _exponential,
    "matern_3_2": _matern_3_2,
    "matern_5_2": _matern_5_2,
    "gaussian": _gaussian,
}
"""Correlation by distance over range, for the models that level out. The range is where the
spherical model ends, and where the others have come within a twentieth of their sill."""

POWERS = ("linear", "power")
"""The models that rise for ever; the sill is what they reach at the range."""

MODELS = (*BOUNDED, *POWERS)

TITLES = {
    "spherical": "spherical",
    "exponential": "exponential",
    "matern_3_2": "Matérn 3/2",
    "matern_5_2": "Matérn 5/2",
    "gaussian": "Gaussian",
    "linear": "linear",
    "power": "power",
}


@dataclass(frozen=True)
class Variogram:
    """Half the mean squared difference of two readings, by the distance between them.

    Parameters
    ----------
    model
        One of `MODELS`.
    nugget
        What remains at no distance: the noise of a reading, unit of the channel squared.
    sill
        Partial sill: what the ground itself adds to it, unit of the channel squared.
    range
        Where the ground stops being alike, along the bearing, map units; see `BOUNDED`, `POWERS`.
    ratio
        Range along the bearing over the range square to it.
    bearing
        Of the longer range, degrees clockwise from grid north.
    exponent
        Power of the distance for the model 'power', above 0 and below 2.

    References
    ----------
    J.-P. Chiles and P. Delfiner (2012), *Geostatistics: Modeling Spatial Uncertainty*, 2nd ed.,
    sections 2.5 (models, geometric anisotropy) and 3.4 (ordinary kriging).

    Examples
    --------
    >>> gamma = Variogram("spherical", 0.05, 0.59, 897.0).gamma(np.array([0.0, 448.5, 2000.0]))
    >>> gamma.round(6).tolist()
    [0.0, 0.455625, 0.64]
    """

    model: str
    nugget: float
    sill: float
    range: float
    ratio: float = 1.0
    bearing: float = 0.0
    exponent: float = 1.0

    @property
    def bounded(self) -> bool:
        """Whether the model levels out."""
        return self.model in BOUNDED

    def gamma(self, h: FloatArray) -> FloatArray:
        """The variogram at distances measured as by `metric`: 0 at 0."""
        rise: FloatArray = np.where(h > 0, self.nugget + self.sill * self.rise(h), 0.0)
        return rise

    def rise(self, h: FloatArray) -> FloatArray:
        """The share of the sill reached at distances measured as by `metric`."""
        scaled = h / self.range
        if self.bounded:
            return 1.0 - BOUNDED[self.model](scaled)
        return scaled**self.power

    @property
    def power(self) -> float:
        """Power of the distance of the models that do not level out."""
        return self.exponent if self.model == "power" else 1.0

    @property
    def metric(self) -> FloatArray:
        """Matrix, shape ``(2, 2)``, that positions are multiplied by to make ranges alike."""
        return stretched(self.bearing, 1.0, self.ratio)


def stretched(bearing: float, along: float, across: float) -> FloatArray:
    """Matrix that takes positions, shape ``(n, 2)``, to distances along and across a bearing.

    Parameters
    ----------
    bearing
        Degrees clockwise from grid north.
    along, across
        What each is multiplied by.

    Examples
    --------
    >>> (np.array([[3.0, 5.0]]) @ stretched(90.0, 1.0, 2.0)).round(9).tolist()
    [[3.0, -10.0]]
    """
    angle = np.radians(bearing)
    east, north = np.sin(angle), np.cos(angle)
    return np.array([[east * along, north * across], [north * along, -east * across]])
