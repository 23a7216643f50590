"""Light smoothing along each traverse."""

from __future__ import annotations

import numpy as np

from ...readings import FloatArray, IntArray


def smoothed(s: FloatArray, v: FloatArray, line: IntArray, width: float) -> FloatArray:
    """Each reading by the straight line through those near it along its traverse.

    Parameters
    ----------
    s
        Places along, rising in each traverse, shape ``(n,)``.
    v
        Values, shape ``(c, n)``.
    line
        Traverse of each reading, shape ``(n,)``.
    width
        Readings nearer than this count, the nearer the more.

    Returns
    -------
    array
        Shape ``(c, n)``. What changes evenly along stays as it is.

    References
    ----------
    W. S. Cleveland (1979), *Robust locally weighted regression and smoothing scatterplots*,
    J. American Statistical Association 74, 829-836, for the weights and the local lines.

    Examples
    --------
    >>> s = np.arange(5.0)
    >>> smoothed(s, np.array([[0.0, 0, 9, 0, 0]]), np.zeros(5, dtype=int), 1.5).round(2).tolist()
    [[0.0, 1.85, 5.3, 1.85, 0.0]]
    """
    total = np.ones(len(s))
    first, second = np.zeros(len(s)), np.zeros(len(s))
    sums, moments = v.copy(), np.zeros_like(v)
    for step in range(1, len(s)):
        apart = s[step:] - s[:-step]
        near = (line[step:] == line[:-step]) & (apart < width)
        if not near.any():
            break
        weight = np.where(near, (1.0 - np.minimum(np.abs(apart) / width, 1.0) ** 3) ** 3, 0.0)
        for here, there, way in (
            (slice(None, -step), slice(step, None), apart),
            (slice(step, None), slice(None, -step), -apart),
        ):
            total[here] += weight
            first[here] += weight * way
            second[here] += weight * way * way
            sums[:, here] += weight * v[:, there]
            moments[:, here] += weight * way * v[:, there]
    spread = total * second - first * first
    level = spread > 1e-9 * total * total * width * width
    smooth: FloatArray = np.where(
        level, (second * sums - first * moments) / np.where(level, spread, 1.0), v
    )
    return smooth
