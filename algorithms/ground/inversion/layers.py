"""From fitted unknowns to layers with their bounds, and how deep they are known."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from ...readings import FloatArray
from .certainty import certainty
from .fit import Fitted, Parting
from .soundings import Soundings

BAND = 0.95
"""How surely all layers of a sounding lie within their bounds, if what is assumed holds."""

SEEN = 0.7
"""Share of the response that comes from above the depth of investigation, as the trade reckons."""


def layers_of(
    soundings: Soundings, parting: Parting, fitted: Fitted, heights: FloatArray
) -> dict[str, FloatArray]:
    """What `Inverted` holds of fitted soundings, by name; `heights` of the coils, ``(n, p)``."""
    sure = certainty(soundings, fitted, parting)
    layers = parting.layers
    factor = float(ndtri((1 + BAND ** (1 / fitted.unknowns.shape[1])) / 2))
    conductivity, thickness = parting.ground(fitted.unknowns)
    low, thin = parting.ground(fitted.unknowns - factor * sure.sd)
    high, thick = parting.ground(fitted.unknowns + factor * sure.sd)
    shape = (len(soundings), layers - 1)
    thickness = np.broadcast_to(thickness, shape)
    residual = (soundings.values - fitted.values) / soundings.sd
    return {
        "conductivity": conductivity,
        "low": low,
        "high": high,
        "thickness": thickness,
        "thin": np.broadcast_to(thin, shape),
        "thick": np.broadcast_to(thick, shape),
        "told": sure.told[:, :layers],
        "resolution": sure.resolution[:, :layers],
        "numbers": sure.numbers,
        "misfit": np.sqrt((residual**2).mean(axis=1)),
        "depth": depth_of_investigation(fitted.slopes[:, :, :layers], thickness, heights),
    }


def depth_of_investigation(
    slopes: FloatArray, thickness: FloatArray, height: FloatArray
) -> FloatArray:
    """Depth from above which `SEEN` of the response comes, of the channel that sees deepest.

    In the last layer the response is reckoned to fall off as the inverse of the depth below the
    coils, as it does in the end for vertical dipoles.

    Parameters
    ----------
    slopes
        Of the channels by the logarithm of each layer's conductivity, shape ``(n, p, L)``.
    thickness
        m, shape ``(n, L - 1)``.
    height
        Of the coils, m, shape ``(n, p)``.

    Examples
    --------
    >>> slopes = np.array([[[0.4, 0.6, 0.0]]])
    >>> depth = depth_of_investigation(slopes, np.array([[1.0, 1.0]]), np.zeros((1, 1)))
    >>> round(float(depth[0]), 6)
    1.5
    """
    share = np.abs(slopes)
    total = share.sum(axis=2, keepdims=True)
    share = share / np.where(total > 0, total, 1.0)
    n, _, layers = share.shape
    tops = np.concatenate([np.zeros((n, 1)), np.cumsum(thickness, axis=1)], axis=1)
    above = np.cumsum(share, axis=2) - share
    layer = np.clip((above < SEEN).sum(axis=2) - 1, 0, layers - 1)

    def at(table: FloatArray) -> FloatArray:
        return np.take_along_axis(table, layer[:, :, np.newaxis], axis=2)[:, :, 0]

    top = at(np.broadcast_to(tops[:, np.newaxis], share.shape))
    under = np.concatenate([thickness, np.zeros((n, 1))], axis=1)
    thick = at(np.broadcast_to(under[:, np.newaxis], share.shape))
    mine, before = at(share), at(above)
    inside = top + thick * (SEEN - before) / np.where(mine > 0, mine, 1.0)
    beyond = (top + height) * (1 - before) / (1 - SEEN) - height
    found: FloatArray = np.where(layer == layers - 1, beyond, inside).max(axis=1)
    return found
