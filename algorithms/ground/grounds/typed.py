"""Ground that a user types: numbers from the top down."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import inf, isfinite

from ...words import plural
from ..instrument import HEIGHTS
from ..layeredresponse import CONDUCTIVITIES

SUSCEPTIBILITIES = (-0.1, 100.0)
"""What is believed, SI: soil and rock stay far within (common practice, no source)."""

BOUNDS = {
    "conductivity": (*CONDUCTIVITIES, f"{CONDUCTIVITIES[0]:g} to {CONDUCTIVITIES[1]:,.0f} mS/m"),
    "thickness": (0.0, inf, "0 m or more"),
    "susceptibility": (
        *SUSCEPTIBILITIES,
        f"{SUSCEPTIBILITIES[0]:g} to {SUSCEPTIBILITIES[1]:g} (SI)",
    ),
    "height": (*HEIGHTS, f"{HEIGHTS[0]:g} to {HEIGHTS[1]:g} m"),
}
"""Lowest and highest of each number that describes a ground, and what to give instead."""


@dataclass(frozen=True)
class TypedGround:
    """One ground, its layers from the top; the last goes on for ever.

    Parameters
    ----------
    conductivity
        mS/m, one a layer.
    thickness
        m, of all layers but the last.
    susceptibility
        SI, one a layer; empty for none.
    """

    conductivity: tuple[float, ...]
    thickness: tuple[float, ...] = ()
    susceptibility: tuple[float, ...] = ()

    @property
    def tops(self) -> tuple[float, ...]:
        """Depth of the top of each layer but the first, m."""
        return tuple(accumulate(self.thickness))

    @property
    def text(self) -> str:
        """The ground in words.

        Examples
        --------
        >>> TypedGround((20.0,)).text
        'uniform ground of 20 mS/m'
        >>> TypedGround((15.0, 40.0), (0.3,)).text
        'ground of 15 mS/m to 0.3 m and 40 mS/m below'
        """
        if not self.thickness:
            return f"uniform ground of {self.conductivity[0]:g} mS/m"
        above = ", ".join(
            f"{value:g} mS/m to {round(depth, 6):g} m"
            for value, depth in zip(self.conductivity, self.tops)
        )
        return f"ground of {above} and {self.conductivity[-1]:g} mS/m below"


def typed_ground(
    conductivities: Sequence[float],
    thicknesses: Sequence[float] = (),
    susceptibilities: Sequence[float] = (),
) -> TypedGround:
    """A ground from typed numbers.

    Raises
    ------
    ValueError
        If the numbers do not fit together or cannot be; one sentence in the user's words.

    Examples
    --------
    >>> typed_ground([15, 40, 20], [0.3, 0.8]).tops
    (0.3, 1.1)
    >>> typed_ground([15, 40], [])
    Traceback (most recent call last):
    ValueError: 2 conductivities need 1 thickness, not 0: the last layer goes on for ever.
    """
    check_counts(len(conductivities), len(thicknesses), len(susceptibilities))
    check_typed(conductivities, thicknesses, susceptibilities)
    return TypedGround(
        tuple(map(float, conductivities)),
        tuple(map(float, thicknesses)),
        tuple(map(float, susceptibilities)),
    )


def check_counts(layers: int, thicknesses: int, susceptibilities: int) -> None:
    """Refuse counts that do not fit together.

    Parameters
    ----------
    layers
        How many conductivities.
    thicknesses
        One less.
    susceptibilities
        As many, or none.

    Raises
    ------
    ValueError
        In one sentence.
    """
    if not layers:
        raise ValueError("No conductivity is given. Give one a layer, from the top.")
    if thicknesses != layers - 1:
        given = "1 conductivity needs" if layers == 1 else f"{layers} conductivities need"
        wanted = "no" if layers == 1 else f"{layers - 1}"
        noun = "thickness" if layers <= 2 else "thicknesses"
        raise ValueError(
            f"{given} {wanted} {noun}, not {thicknesses}: the last layer goes on for ever."
        )
    if susceptibilities not in (0, layers):
        given = plural(susceptibilities, "susceptibility is", "susceptibilities are")
        counted = plural(layers, "conductivity", "conductivities")
        raise ValueError(f"{given} given for {counted}. Give one a layer, or none.")


def check_typed(
    conductivities: Sequence[float],
    thicknesses: Sequence[float],
    susceptibilities: Sequence[float],
) -> None:
    """Refuse the first typed number that cannot be.

    Raises
    ------
    ValueError
        In one sentence with the layer, the number and what to give.
    """
    typed = dict(zip(BOUNDS, (conductivities, thicknesses, susceptibilities)))
    for what, values in typed.items():
        low, high, advice = BOUNDS[what]
        for layer, value in enumerate(values, start=1):
            if not (isfinite(value) and low <= value <= high):
                raise ValueError(f"The {what} of layer {layer} is {value:g}; give {advice}.")
