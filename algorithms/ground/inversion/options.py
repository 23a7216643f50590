"""How to invert: what the user may choose."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...options import check_words
from ...words import plural
from ..layeredresponse import CONDUCTIVITIES
from .lateral import Likeness
from .prior import Beliefs

METHODS = ("smooth", "few")
MOST_LAYERS = 30
THICKNESSES = (0.01, 1000.0)
"""What is believed of a layer's thickness, m."""


@dataclass(frozen=True)
class InversionOptions:
    """How to invert.

    Parameters
    ----------
    method
        ``"smooth"``: layers of fixed thickness; ``"few"``: few layers whose thickness is sought.
    layers
        How many, where no thicknesses are given; 0 for 6 (smooth) or 2 (few).
    thicknesses
        Of all layers but the last, m; empty for some that suit the coil pairs.
    noise
        Standard deviation of the noise of each channel, in its unit, or one for all; empty:
        found from the readings.
    relative
        What else may be wrong with a value, as a share of it: calibration, height. Neighbouring
        readings share it.
    usual
        Usual conductivity of the ground, mS/m; 0 for the median of the readings.
    level, contrast, reach
        See `Beliefs`.
    along, across
        See `Likeness`; both 0: every reading on its own.
    susceptibility
        Of all the ground, SI.

    Raises
    ------
    ValueError
        If a word is unknown or a number out of its range.
    """

    method: str = "smooth"
    layers: int = 0
    thicknesses: tuple[float, ...] = ()
    noise: tuple[float, ...] = ()
    relative: float = 0.03
    usual: float = 0.0
    level: float = 2.5
    contrast: float = 3.0
    reach: float = 1.0
    along: float = 0.0
    across: float = 0.0
    susceptibility: float = 0.0

    def __post_init__(self) -> None:
        check_words(("Method", self.method, METHODS))
        if self.layers and not 1 <= self.layers <= MOST_LAYERS:
            raise ValueError(f"{self.layers} layers: give 1 to {MOST_LAYERS}, or 0 to choose.")
        if len(self.thicknesses) >= MOST_LAYERS:
            raise ValueError(
                f"{len(self.thicknesses)} thicknesses: give {MOST_LAYERS - 1} at most."
            )
        if self.layers and self.thicknesses and self.layers != len(self.thicknesses) + 1:
            raise ValueError(
                f"{plural(self.layers, 'layer')} need "
                f"{plural(self.layers - 1, 'thickness', 'thicknesses')}, not "
                f"{len(self.thicknesses)}: the last layer has none."
            )
        for value in self.thicknesses:
            if not THICKNESSES[0] <= value <= THICKNESSES[1]:
                raise ValueError(
                    f"A thickness is {value:g} m: give {THICKNESSES[0]:g} to {THICKNESSES[1]:g} m."
                )
        for value in self.noise:
            if not 0 < value < np.inf:
                raise ValueError(f"The noise is {value:g}: give numbers above 0.")
        if not 0 <= self.relative <= 1:
            raise ValueError(f"The relative error is {self.relative:g}: give a share, 0 to 1.")
        if not (self.usual == 0 or CONDUCTIVITIES[0] < self.usual <= CONDUCTIVITIES[1]):
            raise ValueError(
                f"The usual conductivity is {self.usual:g} mS/m: give a number above 0."
            )
        if not -0.5 <= self.susceptibility <= 10:
            raise ValueError(
                f"The susceptibility is {self.susceptibility:g}: give -0.5 to 10 (SI)."
            )
        Beliefs(self.level, self.contrast, self.reach)
        Likeness(self.along, self.across)

    @property
    def beliefs(self) -> Beliefs:
        """How far the ground may stray."""
        return Beliefs(self.level, self.contrast, self.reach)
