"""What coil pairs on the surface read over uniform ground: closed forms.

With ``x = gamma s``, ``gamma = sqrt(i w mu_0 sigma)`` and the time factor ``exp(i w t)``, the
secondary over the primary field is

- vertical dipoles: ``2 / x^2 [9 - (9 + 9 x + 4 x^2 + x^3) exp(-x)] - 1``,
- horizontal dipoles: ``2 [1 - 3 / x^2 + (3 + 3 x + x^2) exp(-x) / x^2] - 1``,
- perpendicular: ``x^2 [I1 K1 - I2 K2]``, Bessel functions of ``x / 2``,

all ``x^2 / 4`` where ``x`` is small: McNeill's rule for low induction numbers.

References
----------
J. R. Wait (1954), *Mutual coupling of loops lying on the ground*, Geophysics 19, 290-296; J. R.
Wait (1955), *Mutual electromagnetic coupling of loops over a homogeneous ground*, Geophysics 20,
630-637; S. H. Ward and G. W. Hohmann (1988), *Electromagnetic theory for geophysical
applications*, in *Electromagnetic Methods in Applied Geophysics* 1, SEG.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import ive, kve

from ...options import check_words
from ...readings import FloatArray
from ..instrument import MU_0, CoilPair
from ..low_induction import ORIENTATIONS
from .quadrature import ComplexArray

SMALL = 2.0
"""Sizes below this go by series: the closed forms lose digits there."""

LARGE = 80.0
"""Sizes above this go by the asymptotic series where the form has Bessel functions."""

TERMS = 32

PHASE = np.exp(0.25j * np.pi)


def electrical_size(pair: CoilPair, conductivity: npt.ArrayLike) -> FloatArray:
    """Size of ``gamma s``, the spacing over the skin depth times the root of 2; any shape.

    Parameters
    ----------
    pair
        Its spacing and frequency count.
    conductivity
        mS/m, 0 or more.

    Examples
    --------
    >>> round(float(electrical_size(CoilPair(1.0, frequency=10_000.0), 20.0)), 4)
    0.0397
    """
    sigma = 1e-3 * np.asarray(conductivity, dtype=np.float64)
    size: FloatArray = pair.spacing * np.sqrt(2 * np.pi * pair.frequency * MU_0 * sigma)
    return size


def conductivity_of(pair: CoilPair, size: npt.ArrayLike) -> FloatArray:
    """Conductivity of an electrical size, mS/m; the way back from `electrical_size`."""
    root = np.asarray(size, dtype=np.float64) / pair.spacing
    conductivity: FloatArray = 1e3 * root**2 / (2 * np.pi * pair.frequency * MU_0)
    return conductivity


def halfspace_ratio(size: npt.ArrayLike, orientation: str = "vertical") -> ComplexArray:
    """Hs/Hp over uniform ground, coils on the surface: exact in the quasi-static limit.

    Parameters
    ----------
    size
        `electrical_size`, 0 or more, any shape.
    orientation
        One of `ORIENTATIONS`.

    Returns
    -------
    array
        In-phase part real, quadrature part imaginary, each to some twelve digits; NaN where the
        size is.

    Raises
    ------
    ValueError
        If the orientation is unknown or a size below 0.

    Examples
    --------
    >>> halfspace_ratio([0.0, 0.1, 3.0]).round(6).tolist()
    [0j, (0.000176+0.002312j), (0.238112-0.44125j)]
    """
    check_words(("Orientation", orientation, ORIENTATIONS))
    r = np.asarray(size, dtype=np.float64)
    if (r < 0).any():
        raise ValueError(f"The electrical size is {float(np.nanmin(r)):g}: give 0 or more.")
    found = np.full(r.shape, complex(np.nan, np.nan))
    small, large = r < SMALL, r > LARGE
    middle = (r >= SMALL) & ~large
    if orientation == "perpendicular":
        found[small] = _perpendicular_series(r[small])
        found[middle] = _perpendicular(r[middle])
        found[large] = _perpendicular_far(r[large])
    else:
        found[small] = _coplanar_series(r[small], orientation)
        found[middle | large] = _coplanar(r[middle | large], orientation)
    return found


_POLYNOMIALS = {"vertical": (9, 9, 4, 1), "horizontal": (3, 3, 1)}
"""What stands before ``exp(-x)``, by rising powers."""


def _coplanar(r: FloatArray, orientation: str) -> ComplexArray:
    x = r * PHASE
    polynomial = np.polynomial.polynomial.polyval(x, _POLYNOMIALS[orientation]) * np.exp(-x)
    found: ComplexArray
    if orientation == "vertical":
        found = 2 * (9 - polynomial) / x**2 - 1
    else:
        found = 1 - 2 * (3 - polynomial) / x**2
    return found


def _coplanar_series(r: FloatArray, orientation: str) -> ComplexArray:
    """The same by rising powers of ``x``: nothing cancels."""
    polynomial = _POLYNOMIALS[orientation]
    sign = -2.0 if orientation == "vertical" else 2.0
    coefficients = [
        sign * sum(p * (-1.0) ** (n - k) / math.factorial(n - k) for k, p in enumerate(polynomial))
        for n in range(4, TERMS)
    ]
    return _summed(r, 2, 1, coefficients)


def _summed(r: FloatArray, first: int, step: int, coefficients: list[float]) -> ComplexArray:
    """A power series in ``r exp(i pi / 4)`` with real coefficients, each part by itself."""
    found = np.zeros(r.shape, complex)
    for n in range(len(coefficients) - 1, -1, -1):
        power = first + step * n
        turn = _EIGHTHS[power % 8]
        term = coefficients[n] * r**power
        found.real += turn.real * term
        found.imag += turn.imag * term
    return found


_HALF = math.sqrt(0.5)
_EIGHTHS = (1, complex(_HALF, _HALF), 1j, complex(-_HALF, _HALF), -1) + (
    complex(-_HALF, -_HALF), -1j, complex(_HALF, -_HALF),
)  # fmt: skip
"""Powers of ``exp(i pi / 4)``, with true zeros: the small part must not take up the large one's
rounding."""


def _perpendicular(r: FloatArray) -> ComplexArray:
    z = r * PHASE / 2
    scaled = ive(1, z) * kve(1, z) - ive(2, z) * kve(2, z)
    # ive is scaled by the real part of z alone, kve by all of it.
    found: ComplexArray = 4 * z**2 * scaled * np.exp(-1j * z.imag)
    return found


def _perpendicular_far(r: FloatArray) -> ComplexArray:
    """By falling powers: ``I_n K_n`` as in Abramowitz and Stegun (1964), 9.7.5."""
    y = 1 / (r * PHASE) ** 2
    total = np.zeros(r.shape, complex)
    for k in range(10, 0, -1):
        total = y * (total + _far(k))
    found: ComplexArray = r * PHASE * total
    return found


def _far(k: int) -> float:
    """Coefficient of ``(2 z)^(-2 k)`` in ``2 z (I1 K1 - I2 K2)``, over those before it."""
    both = []
    for square in (4.0, 16.0):
        term = 1.0
        for j in range(1, k + 1):
            term *= -(2 * j - 1) / (2 * j) * (square - (2 * j - 1) ** 2)
        both.append(term)
    return both[0] - both[1]


def _perpendicular_series(r: FloatArray) -> ComplexArray:
    """By rising powers of ``q = x^2 / 16`` and the logarithm of ``x / 4``."""
    plain, with_log = _BESSEL
    flat = _summed(r, 2, 2, [c / 16.0**n for n, c in enumerate(plain)])
    logarithmic = _summed(r, 2, 2, [c / 16.0**n for n, c in enumerate(with_log)])
    # Of 0 no logarithm, and the series has no constant.
    angle = 0.25 * np.pi
    size = np.log(np.where(r > 0, r, 1.0) / 4)
    found = np.empty(r.shape, complex)
    found.real = flat.real + (size * logarithmic.real - angle * logarithmic.imag)
    found.imag = flat.imag + (size * logarithmic.imag + angle * logarithmic.real)
    return found


def _bessel_series(count: int = 16) -> tuple[list[float], list[float]]:
    """``I1 K1 - I2 K2`` by powers of ``q``: what stands alone, and what with the logarithm.

    From the series of Abramowitz and Stegun (1964), 9.6.10 and 9.6.11, multiplied out.
    """
    plain, with_log = np.zeros(count), np.zeros(count)
    for order, sign in ((1, 1.0), (2, -1.0)):
        rising = np.array(
            [1 / (math.factorial(k) * math.factorial(k + order)) for k in range(count)]
        )
        falling = np.zeros(count)
        for k in range(order):
            falling[k] = 0.5 * (-1.0) ** k * math.factorial(order - k - 1) / math.factorial(k)
        digamma = np.array([_digamma(k + 1) + _digamma(order + k + 1) for k in range(count)])
        # K_n by q^(-n / 2) falling + q^(n / 2) tail and log, I_n by q^(n / 2) rising.
        tail = 0.5 * (-1.0) ** order * rising * digamma
        plain += sign * np.convolve(rising, falling)[:count]
        plain[order:] += sign * np.convolve(rising, tail)[: count - order]
        square = np.convolve(rising, rising)[: count - order]
        with_log[order:] += sign * (-1.0) ** (order + 1) * square
    return plain.tolist(), with_log.tolist()


def _digamma(n: int) -> float:
    """Of a whole number above 0."""
    return -float(np.euler_gamma) + sum(1 / k for k in range(1, n))


_BESSEL = _bessel_series()
