"""The coupling of coil pairs of one frequency through layered ground, by first order and the rest.

The field ratio is ``-s^3`` (horizontal dipoles: ``-s^2``) times the Hankel integral of
``g^2 R exp(-2 g h)``, ``R`` the reflection coefficient and ``h`` the height of the coils. The rule
of quadrature takes ``R`` whole, and for what of it is of first order the difference between its
closed form and what the rule makes of it is added: so the rule need only be good at the rest.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ...readings import FloatArray, IntArray
from ..instrument import MU_0, CoilPair, ratio_per_conductivity
from ..low_induction import (
    cumulative_response,
    cumulative_susceptible,
    relative_response,
    relative_susceptible,
)
from .quadrature import ComplexArray, Rule, rule
from .reflection import Grounds, reflection, reflection_slopes


@dataclass(frozen=True, eq=False)
class Coupling:
    """Coil pairs of one frequency.

    Parameters
    ----------
    pairs
        `p` pairs.
    columns
        Their places among all pairs, shape ``(p,)``.
    rule
        Of quadrature, for these pairs.
    """

    pairs: tuple[CoilPair, ...]
    columns: IntArray
    rule: Rule

    @classmethod
    def of(cls, pairs: Sequence[CoilPair], accuracy: str) -> tuple[Coupling, ...]:
        """The pairs sorted by frequency."""
        frequencies = [pair.frequency for pair in pairs]
        made = []
        for frequency in sorted(set(frequencies)):
            columns = np.flatnonzero([one == frequency for one in frequencies])
            chosen = tuple(pairs[column] for column in columns)
            made.append(cls(chosen, columns, rule(chosen, accuracy)))
        return tuple(made)

    def ratio(self, grounds: Grounds, height: FloatArray) -> ComplexArray:
        """Hs/Hp, shape ``(p, n)``.

        Parameters
        ----------
        grounds
            `n` grounds.
        height
            Of the coils, m: shape ``(p, 1)``, one a pair, or ``(1, n)``, one a ground.
        """
        weights = self._weights(height)
        whole = self._lifted(reflection(grounds, self.rule.nodes, self.omega), height)
        first, _ = self._first_order(grounds, height, weights)
        ratio: ComplexArray = _integrated(weights, whole) + first
        return ratio

    def jacobian(
        self, grounds: Grounds, height: FloatArray, thickness_too: bool = True
    ) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
        """Hs/Hp, ``(p, n)``, its slopes per S/m, ``(L, p, n)``, and per m, ``(L - 1, p, n)``.

        Without `thickness_too` the last ones are left out, ``(0, p, n)``.
        """
        weights = self._weights(height)
        kernels = reflection_slopes(grounds, self.rule.nodes, self.omega, thickness_too)
        whole, by_conductivity, by_thickness = (
            _integrated(weights, self._lifted(kernel, height)) for kernel in kernels
        )
        first, first_by_conductivity = self._first_order(grounds, height, weights)
        if thickness_too:
            by_thickness = by_thickness + self._first_order_moved(grounds, height, weights)
        return whole + first, by_conductivity + first_by_conductivity, by_thickness

    @property
    def omega(self) -> float:
        """Angular frequency, 1/s."""
        return 2 * np.pi * self.pairs[0].frequency

    @cached_property
    def _scales(self) -> FloatArray:
        """From the integral of ``g^2 R`` to the field ratio, shape ``(p, 1)``."""
        powers = [2 if pair.orientation == "horizontal" else 3 for pair in self.pairs]
        scales = [-(pair.spacing**power) for pair, power in zip(self.pairs, powers)]
        return np.array(scales)[:, np.newaxis]

    def _weights(self, height: FloatArray) -> FloatArray:
        """Of the reflection coefficient at the nodes, shape ``(p, m)``; with the pairs' heights."""
        weights = self._scales * self.rule.weights.T * self.rule.nodes**2
        return weights * np.exp(-2 * self.rule.nodes * height) if _by_pair(height) else weights

    def _lifted(self, kernel: ComplexArray, height: FloatArray) -> ComplexArray:
        """A kernel with each ground's own height, where heights are by ground."""
        if _by_pair(height):
            return kernel
        lifted: ComplexArray = kernel * np.exp(-2 * self.rule.nodes[:, np.newaxis] * height)
        return lifted

    def _first_order(
        self, grounds: Grounds, height: FloatArray, weights: FloatArray
    ) -> tuple[ComplexArray, ComplexArray]:
        """Closed forms less the rule's: of the ratio, ``(p, n)``, and its slopes per S/m."""
        steps, images = _steps(grounds)
        depths = grounds.tops
        below = [self._below(depth, height, weights) for depth in depths]
        ratio: ComplexArray = 1j * np.sum([step * part for step, part in zip(steps, below)], axis=0)
        shares = [*below, np.zeros(1)]
        by_conductivity: ComplexArray = np.stack(
            [1j * (above - under) for above, under in zip(shares, shares[1:])]
        )
        if images is not None:
            static = [self._images(depth, height, weights) for depth in depths]
            ratio = ratio + np.sum([image * part for image, part in zip(images, static)], axis=0)
        return ratio, by_conductivity

    def _first_order_moved(
        self, grounds: Grounds, height: FloatArray, weights: FloatArray
    ) -> ComplexArray:
        """Closed forms less the rule's: of the slopes by thickness, per m, ``(L - 1, p, n)``."""
        steps, images = _steps(grounds)
        depths = grounds.tops[1:]
        moved: list[ComplexArray] = [
            1j * step * self._below_slope(depth, height, weights)
            for step, depth in zip(steps[1:], depths)
        ]
        if images is not None:
            moved = [
                found + image * self._images_slope(depth, height, weights)
                for found, image, depth in zip(moved, images[1:], depths)
            ]
        # A thickness moves every interface below it.
        found: ComplexArray = np.cumsum(np.array(moved)[::-1], axis=0)[::-1]
        return found if moved else np.zeros((0, 1, 1), complex)

    def _below(self, depth: FloatArray, height: FloatArray, weights: FloatArray) -> FloatArray:
        """Quadrature part per S/m of all ground below a depth, ``(p, n)`` or ``(p, 1)``."""
        kernel = -self.omega * MU_0 / 4 / self.rule.nodes[:, np.newaxis] ** 2

        def closed(pair: CoilPair, reach: FloatArray) -> FloatArray:
            share = cumulative_response(reach / pair.spacing, pair.orientation)
            return ratio_per_conductivity(pair) * share

        return self._less_the_rule(closed, kernel, depth, height, weights)

    def _below_slope(
        self, depth: FloatArray, height: FloatArray, weights: FloatArray
    ) -> FloatArray:
        """Slope of `_below` by the depth, per m."""
        kernel = self.omega * MU_0 / 2 / self.rule.nodes[:, np.newaxis]

        def closed(pair: CoilPair, reach: FloatArray) -> FloatArray:
            share = relative_response(reach / pair.spacing, pair.orientation)
            return -ratio_per_conductivity(pair) * share / pair.spacing

        return self._less_the_rule(closed, kernel, depth, height, weights)

    def _images(self, depth: FloatArray, height: FloatArray, weights: FloatArray) -> FloatArray:
        """In-phase part per image of all susceptible ground below a depth, as `_below`."""
        kernel = np.full((len(self.rule.nodes), 1), 1.0)

        def closed(pair: CoilPair, reach: FloatArray) -> FloatArray:
            return 2 * cumulative_susceptible(reach / pair.spacing, pair.orientation)

        return self._less_the_rule(closed, kernel, depth, height, weights)

    def _images_slope(
        self, depth: FloatArray, height: FloatArray, weights: FloatArray
    ) -> FloatArray:
        """Slope of `_images` by the depth, per m."""
        kernel = -2 * self.rule.nodes[:, np.newaxis]

        def closed(pair: CoilPair, reach: FloatArray) -> FloatArray:
            share = relative_susceptible(reach / pair.spacing, pair.orientation)
            return -2 * share / pair.spacing

        return self._less_the_rule(closed, kernel, depth, height, weights)

    def _less_the_rule(
        self,
        closed: Callable[[CoilPair, FloatArray], FloatArray],
        kernel: FloatArray,
        depth: FloatArray,
        height: FloatArray,
        weights: FloatArray,
    ) -> FloatArray:
        """A closed form, by pair and depth below its coils, less what the rule makes of it."""
        reaches = self._reaches(depth, height)
        exact = np.stack([closed(pair, reach) for pair, reach in reaches])
        return exact - weights @ self._falling(kernel, depth, height)

    def _reaches(self, depth: FloatArray, height: FloatArray) -> list[tuple[CoilPair, FloatArray]]:
        """Each pair with a depth reckoned from its coils."""
        reaches = np.broadcast_to(
            depth + height, (len(self.pairs), max(depth.shape[-1], height.shape[-1]))
        )
        return list(zip(self.pairs, reaches))

    def _falling(self, kernel: FloatArray, depth: FloatArray, height: FloatArray) -> FloatArray:
        """A kernel times ``exp(-2 g depth)``, ``(m, n)`` or ``(m, 1)``."""
        reach = depth if _by_pair(height) else depth + height
        falling: FloatArray = kernel * np.exp(-2 * self.rule.nodes[:, np.newaxis] * reach)
        return falling


def _steps(grounds: Grounds) -> tuple[FloatArray, FloatArray | None]:
    """At the top of each layer: what conductivity is added, and how strong a static image is."""
    steps: FloatArray = np.diff(grounds.conductivity, axis=0, prepend=0.0)
    kappa = grounds.susceptibility
    if kappa is None:
        return steps, None
    above = np.concatenate([np.zeros_like(kappa[:1]), kappa[:-1]])
    return steps, (kappa - above) / (2 + kappa + above)


def _by_pair(height: FloatArray) -> bool:
    """Whether heights are one a pair, so that they go into the weights."""
    return height.shape[1] == 1


def _integrated(weights: FloatArray, kernel: ComplexArray) -> ComplexArray:
    """Real weights ``(p, m)`` times a complex kernel ``(..., m, n)``, without complex products."""
    found: FloatArray = weights @ np.ascontiguousarray(kernel).view(np.float64)
    return np.ascontiguousarray(found).view(np.complex128)
