"""Shape-preserving cubic interpolation between the middle two of four knots."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...readings import BoolArray, FloatArray


def between(
    x: Sequence[FloatArray],
    y: Sequence[FloatArray],
    at: FloatArray,
    before: BoolArray,
    after: BoolArray,
) -> FloatArray:
    """Values between the second and the third of four knots, many places at once.

    The cubic takes the slope of each middle knot from the two secants beside it: their weighted
    harmonic mean, or none where they differ in sign. It never leaves the range of the middle two
    knots, rises and falls only as the knots do, and follows a straight line exactly, however
    uneven the knots. Where an outer knot is missing, the slope is that of the parabola through
    the other three, held back so that the shape stays.

    Parameters
    ----------
    x, y
        Four arrays each: rising places, shape ``(m,)``, and values, shape ``(m,)`` or ``(c, m)``.
        What stands for a missing knot may be any finite number.
    at
        Places, held between the middle knots, shape ``(m,)``.
    before, after
        Whether there is a first, and a fourth knot, shape ``(m,)``.

    References
    ----------
    F. N. Fritsch and J. Butland (1984), *A method for constructing local monotone piecewise
    cubic interpolants*, SIAM J. Sci. Stat. Comput. 5, 300-304; the ends after C. Moler (2004),
    *Numerical Computing with MATLAB*, section 3.6.

    Examples
    --------
    >>> knots = [np.array([k]) for k in (0.0, 1.0, 3.0, 4.0)]
    >>> yes = np.array([True])
    >>> between(knots, [1 + 2 * k for k in knots], np.array([1.5]), yes, yes).tolist()
    [4.0]
    """
    step = [np.maximum(x[i + 1] - x[i], 1e-9) for i in range(3)]  # none of no length
    rise = [(y[i + 1] - y[i]) / step[i] for i in range(3)]
    left = _inner(step[0], step[1], rise[0], rise[1])
    right = _inner(step[1], step[2], rise[1], rise[2])
    if not before.all():
        end = _end(step[1], step[2], rise[1], rise[2])
        left = np.where(before, left, np.where(after, end, rise[1]))
    if not after.all():
        end = _end(step[1], step[0], rise[1], rise[0])
        right = np.where(after, right, np.where(before, end, rise[1]))
    t = np.clip((at - x[1]) / step[1], 0.0, 1.0)
    gone = 1.0 - t
    left *= t * gone * gone * step[1]
    right *= t * t * gone * step[1]
    left -= right
    left += (t * t * (3.0 - 2.0 * t)) * (y[2] - y[1])
    left += y[1]
    np.maximum(left, np.minimum(y[1], y[2]), out=left)
    np.minimum(left, np.maximum(y[1], y[2]), out=left)
    return left


def _inner(h0: FloatArray, h1: FloatArray, d0: FloatArray, d1: FloatArray) -> FloatArray:
    """Slope between two secants."""
    w0, w1 = 2.0 * h1 + h0, h1 + 2.0 * h0
    product = d0 * d1
    agree = product > 0.0
    product *= w0 + w1
    slope: FloatArray = np.zeros_like(product)
    np.divide(product, w0 * d1 + w1 * d0, out=slope, where=agree)
    return slope


def _end(h0: FloatArray, h1: FloatArray, d0: FloatArray, d1: FloatArray) -> FloatArray:
    """Slope at an end, from the secant there and the next."""
    slope = ((2.0 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    slope = np.where(slope * d0 <= 0.0, 0.0, slope)
    steep = (d0 * d1 < 0.0) & (np.abs(slope) > 3.0 * np.abs(d0))
    held: FloatArray = np.where(steep, 3.0 * d0, slope)
    return held
