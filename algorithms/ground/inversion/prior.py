"""What is assumed of the ground before the readings are looked at.

The logarithms of the layers' conductivities are taken for a Gaussian field over the depth: a level
that the whole sounding shares, and a profile about it whose values are the more alike the closer
two depths are in proportion. So the ground may change in few centimetres near the coils and only
slowly far below them, as the readings can tell it apart: the weighting by depth of a smooth
inversion. That a finer division into layers leaves the answer as it is follows from it.

References
----------
A. Tarantola (2005), *Inverse problem theory and methods for model parameter estimation*, SIAM,
chapters 3 and 5 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import FloatArray

BEYOND = 1.5
"""Where the last layer, which has no bottom, is reckoned to lie: its top times this."""


@dataclass(frozen=True)
class Beliefs:
    """How far the ground may stray from what is usual.

    Parameters
    ----------
    level
        Factor by which the conductivity of a whole sounding may well differ from the survey's
        usual one (one standard deviation), above 1.
    contrast
        The same for a layer against its sounding, above 1.
    reach
        How far layers are alike: depths (reckoned from the coils) that differ by a factor of
        ``exp(reach)`` have a correlation of ``1/e``.

    Raises
    ------
    ValueError
        If a number is out of its range.
    """

    level: float = 2.5
    contrast: float = 2.0
    reach: float = 1.0

    def __post_init__(self) -> None:
        for what, value in (("level", self.level), ("contrast", self.contrast)):
            if not 1 < value <= 100:
                raise ValueError(f"The {what} is {value:g}: give a factor above 1, at most 100.")
        if not 0.01 <= self.reach <= 100:
            raise ValueError(f"The reach is {self.reach:g}: give 0.01 to 100.")


def covariance(tops: FloatArray, beliefs: Beliefs, close: float) -> tuple[FloatArray, FloatArray]:
    """Covariance of the logarithms of the layers' conductivities, in its two parts.

    Parameters
    ----------
    tops
        Depth of the top of each layer, m, from 0, shape ``(L,)``.
    close
        Depth within which everything counts as near, m: about what the coils blur.

    Returns
    -------
    tuple
        Of the level that a sounding's layers share, and of each layer about it, shape ``(L, L)``
        each: together they are the whole.

    Examples
    --------
    >>> level, profile = covariance(np.array([0.0]), Beliefs(level=np.e, contrast=np.e), 0.2)
    >>> level.round(6).tolist(), profile.round(6).tolist()
    ([[1.0]], [[1.0]])
    """
    place = np.log(middles(tops) + close)
    apart = np.abs(place[:, np.newaxis] - place)
    profile: FloatArray = np.log(beliefs.contrast) ** 2 * np.exp(-apart / beliefs.reach)
    return np.full_like(profile, np.log(beliefs.level) ** 2), profile


def middles(tops: FloatArray) -> FloatArray:
    """Depth at which each layer is reckoned to lie, shape of `tops`, ``(..., L)``."""
    between = (tops[..., :-1] + tops[..., 1:]) / 2
    return np.concatenate([between, tops[..., -1:] * BEYOND], axis=-1)
