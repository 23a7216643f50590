"""From fitted unknowns to layers with their bounds, and how deep they are known."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import ndtri

from ...readings import FloatArray
from ..instrument import CoilPair
from ..low_induction import cumulative_response, depth_below_which
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
        "depth": depth_of_investigation(
            [channel.pair for channel in soundings.channels],
            fitted.slopes[:, :, :layers],
            thickness,
            heights,
        ),
    }


def depth_of_investigation(
    pairs: Sequence[CoilPair], slopes: FloatArray, thickness: FloatArray, height: FloatArray
) -> FloatArray:
    """Depth from above which `SEEN` of the response comes, of the channel that sees deepest.

    How much comes from each layer is told by the exact response; where within a layer, by that at
    low induction numbers.

    Parameters
    ----------
    pairs
        Of each channel, `p`.
    slopes
        Of the channels by the logarithm of each layer's conductivity, shape ``(n, p, L)``.
    thickness
        m, shape ``(n, L - 1)``.
    height
        Of the coils, m, shape ``(n, p)``.

    Examples
    --------
    >>> slopes, none = np.ones((1, 1, 1)), np.zeros((1, 0))
    >>> depth = depth_of_investigation([CoilPair(1.0)], slopes, none, np.zeros((1, 1)))
    >>> round(float(depth[0]), 2)
    1.59
    """
    tops = np.concatenate([np.zeros((len(thickness), 1)), np.cumsum(thickness, axis=1)], axis=1)
    each = np.arange(len(slopes))
    found: FloatArray = np.zeros(len(slopes))
    for k, pair in enumerate(pairs):
        share = np.abs(slopes[:, k])
        total = share.sum(axis=1, keepdims=True)
        share = share / np.where(total > 0, total, 1.0)
        above = np.cumsum(share, axis=1) - share
        layer = np.maximum((above < SEEN).sum(axis=1) - 1, 0)
        mine = share[each, layer]
        part = (SEEN - above[each, layer]) / np.where(mine > 0, mine, 1.0)
        below = cumulative_response(
            (tops + height[:, k, np.newaxis]) / pair.spacing, pair.orientation
        )
        below = np.append(below, np.zeros((len(below), 1)), axis=1)
        upper, lower = below[each, layer], below[each, layer + 1]
        place = depth_below_which(upper - np.minimum(part, 1.0) * (upper - lower), pair.orientation)
        found = np.maximum(found, place * pair.spacing - height[:, k])
    return found
