"""Readings as soundings: what each channel is, how well it is known, what a ground would read."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ...readings import FloatArray, IntArray
from ..instrument import Channel
from ..layeredresponse import layered_jacobian, layered_response
from ..low_induction import cumulative_response
from ..response.quadrature import ComplexArray


@dataclass(frozen=True, eq=False)
class Soundings:
    """`n` positions with a value of each of `p` channels.

    Parameters
    ----------
    channels
        What the channels are.
    values
        In the channels' units, shape ``(n, p)``; all finite.
    noise, shared
        Standard deviations of what is wrong with each value by itself, and of what is wrong with
        it as with its neighbours', such as a calibration; channels' units, shape ``(n, p)``.
    height
        Of the coils above the ground, m, shape ``(n,)``; None for the pairs' own.
    susceptibility
        Of all the ground, SI: it is assumed, not sought.
    """

    channels: tuple[Channel, ...]
    values: FloatArray
    noise: FloatArray
    shared: FloatArray
    height: FloatArray | None = None
    susceptibility: float = 0.0

    def __len__(self) -> int:
        return len(self.values)

    def take(self, rows: IntArray | slice) -> Soundings:
        """Only these soundings."""
        height = None if self.height is None else self.height[rows]
        return replace(
            self,
            values=self.values[rows],
            noise=self.noise[rows],
            shared=self.shared[rows],
            height=height,
        )

    @property
    def sd(self) -> FloatArray:
        """Standard deviations of the values, all in all, shape ``(n, p)``."""
        found: FloatArray = np.hypot(self.noise, self.shared)
        return found

    def averaged(self, alone: FloatArray) -> Soundings:
        """The same for a fit that takes soundings together.

        Parameters
        ----------
        alone
            What share of each sounding stands on its own, ``(n,)``: of 10 that are alike a tenth.
            What neighbours share is not averaged away: it weighs the more, the more they are.
        """
        return replace(self, shared=self.shared / np.sqrt(alone)[:, np.newaxis])

    def predicted(self, conductivity: FloatArray, thickness: FloatArray) -> FloatArray:
        """What the channels would read over grounds, exactly; shapes as `slopes`."""
        pairs = [channel.pair for channel in self.channels]
        ratio = layered_response(
            pairs, conductivity, thickness, self._kappa(conductivity), self.height
        )
        return self._values_of(ratio)

    def slopes(
        self, conductivity: FloatArray, thickness: FloatArray, thickness_too: bool = True
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What the channels would read, and how it changes with the ground.

        Parameters
        ----------
        conductivity
            mS/m, shape ``(n, L)``.
        thickness
            m, shape ``(n, L - 1)``, or ``(L - 1,)`` where all soundings share it.
        thickness_too
            Whether slopes by thickness are wanted: without them it is quicker.

        Returns
        -------
        tuple
            Values, ``(n, p)``; their slopes by the logarithm of each conductivity, ``(n, p, L)``,
            and by that of each thickness, ``(n, p, L - 1)``, or ``(n, p, 0)``.
        """
        pairs = [channel.pair for channel in self.channels]
        found = layered_jacobian(
            pairs,
            conductivity,
            thickness,
            self._kappa(conductivity),
            self.height,
            accuracy="quick",
            thickness_too=thickness_too,
        )
        by_conductivity = self._values_of(found.by_conductivity) * conductivity[:, np.newaxis]
        by_thickness = self._values_of(found.by_thickness)
        if thickness_too:
            by_thickness = by_thickness * np.atleast_2d(thickness)[:, np.newaxis]
        return self._values_of(found.ratio), by_conductivity, by_thickness

    def shares(self, tops: FloatArray) -> FloatArray:
        """Apparent conductivity per conductivity of each layer at low induction numbers.

        In the channels' units, shape ``(n, p, L)``, or ``(1, p, L)`` for pairs at their own
        heights; 0 for in-phase channels. `tops` in m, shape ``(L,)``.
        """
        found = []
        for channel in self.channels:
            pair = channel.pair
            height = np.array([pair.height]) if self.height is None else self.height
            reach = (tops + height[:, np.newaxis]) / pair.spacing
            below = cumulative_response(reach, pair.orientation)
            share = below - np.append(below[:, 1:], np.zeros((len(below), 1)), axis=1)
            unit = 1e-3 * channel.conductivity_ratio / channel.scale
            found.append(share * (unit if channel.part == "quadrature" else 0.0))
        return np.stack(found, axis=1)

    def _kappa(self, conductivity: FloatArray) -> FloatArray | None:
        return np.full_like(conductivity, self.susceptibility) if self.susceptibility else None

    def _values_of(self, ratio: ComplexArray) -> FloatArray:
        """Field ratios, pairs in axis 1, in the channels' units."""
        parts = [
            (ratio[:, k].imag if channel.part == "quadrature" else ratio[:, k].real) / channel.scale
            for k, channel in enumerate(self.channels)
        ]
        return np.stack(parts, axis=1)
