"""A rule for the Hankel integrals of layered ground: common nodes, weights for every coil pair.

The field of a pair over layered ground is an integral over the wavenumber ``g`` of a smooth kernel
``G(g)``, the same for all pairs of one frequency, times what depends on the pair:

- vertical dipoles: ``int G J0(g s) dg``,
- horizontal dipoles: ``int G / g J1(g s) dg``,
- perpendicular: ``int G J1(g s) dg``.

The kernel is a mixture of ``exp(-b g)`` with ``b`` real or of phase up to 45 degrees, for the skin
depth turns exponents by so much, and for these the three integrals are known. The weights of a rule
are those that do best on such exponentials over eight decades of ``b``, by least squares. Nodes lie
evenly in the logarithm of ``g``. Digital filters for the same integrals are found in the same
manner: D. Guptasarma and B. Singh (1997), *New digital linear filters for Hankel J0 and J1
transforms*, Geophysical Prospecting 45, 745-762.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from ...options import check_words
from ...readings import FloatArray
from ..instrument import CoilPair

ComplexArray = npt.NDArray[np.complex128]

EXPONENTIALS = 12
"""Exponentials fitted a decade of their length."""

PHASES = (0.0, np.pi / 4)


@dataclass(frozen=True)
class Accuracy:
    """How dense the nodes of a rule are, and how far they reach.

    Parameters
    ----------
    density
        Nodes a decade of the wavenumber.
    lowest, highest
        Decades of the wavenumber times the spacing, of the widest and the closest pair.
    """

    density: float
    lowest: float
    highest: float


ACCURACIES = {"fine": Accuracy(16, -5.0, 3.0), "quick": Accuracy(7, -4.0, 1.5)}
"""``fine``: to some 1e-9 of the field. ``quick``: to 2e-4, for fitting readings."""


@dataclass(frozen=True, eq=False)
class Rule:
    """Nodes and weights.

    Parameters
    ----------
    nodes
        Wavenumbers, 1/m, shape ``(m,)``.
    weights
        Of the kernel at the nodes in the integral of each pair, shape ``(m, p)``.
    """

    nodes: FloatArray
    weights: FloatArray


def rule(pairs: Sequence[CoilPair], accuracy: str = "fine") -> Rule:
    """The rule for coil pairs, whatever their frequency and height; `accuracy` of `ACCURACIES`.

    Raises
    ------
    ValueError
        If the accuracy is unknown.
    """
    check_words(("Accuracy", accuracy, ACCURACIES))
    return _rule(tuple((pair.spacing, pair.orientation) for pair in pairs), ACCURACIES[accuracy])


@lru_cache(maxsize=64)
def _rule(pairs: tuple[tuple[float, str], ...], accuracy: Accuracy) -> Rule:
    spacings = [spacing for spacing, _ in pairs]
    low = accuracy.lowest - np.log10(max(spacings))
    high = accuracy.highest - np.log10(min(spacings))
    nodes = np.logspace(low, high, int(np.ceil((high - low) * accuracy.density)) + 1)
    lengths = np.logspace(-high, -low, int(np.ceil((high - low) * EXPONENTIALS)) + 1)
    lengths = np.concatenate([[0.0], lengths])
    # Fields fall off with the length: so scaled, the long count as much as the short.
    scale = (lengths + max(spacings))[:, np.newaxis]
    known, wanted = [], []
    for phase in PHASES:
        exponents = lengths * np.exp(1j * phase)
        known.append(scale * np.exp(-np.outer(exponents, nodes)))
        wanted.append(scale * np.stack([transform(exponents, *pair) for pair in pairs], axis=1))
    matrix, target = np.concatenate(known), np.concatenate(wanted)
    weights, *_ = np.linalg.lstsq(
        np.concatenate([matrix.real, matrix.imag]),
        np.concatenate([target.real, target.imag]),
        rcond=1e-14,
    )
    return Rule(nodes, weights)


def transform(length: ComplexArray, spacing: float, orientation: str) -> ComplexArray:
    """The integral of ``exp(-length g)`` for a pair, in closed form; any shape.

    Examples
    --------
    >>> complex(transform(np.array(0.0 + 0j), 2.0, "vertical"))
    (0.5+0j)
    """
    reach: ComplexArray = np.sqrt(length**2 + spacing**2 + 0j)
    if orientation == "vertical":
        return 1 / reach
    if orientation == "horizontal":
        return spacing / (reach + length)
    return spacing / (reach * (reach + length))
