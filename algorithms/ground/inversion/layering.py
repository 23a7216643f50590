"""The layers that are sought, and what is assumed of them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ...readings import FloatArray
from ..instrument import CoilPair
from ..low_induction import EXPLORED
from .fit import Parting
from .prior import Beliefs, covariance

GROWTH = 1.4
"""How many times the layer above a layer is thick."""

UPPER = 0.5
"""Share of the depth explored above which the interfaces of few layers are first looked for."""

THICKNESS_FACTOR = 2.5
"""Factor by which a thickness that is sought may well differ from the usual one."""

BLUR = 0.25
"""Share of the closest spacing within which all depths count as near."""


def usual_thicknesses(pairs: Sequence[CoilPair], layers: int, few: bool) -> FloatArray:
    """Thicknesses of all layers but the last, growing downwards, m, shape ``(layers - 1,)``.

    The last one begins at the depth that the widest pair explores; at half of it for few layers,
    whose interfaces are sought.

    Examples
    --------
    >>> usual_thicknesses([CoilPair(1.0)], 4, few=False).round(3).tolist()
    [0.344, 0.482, 0.674]
    """
    depth = max(pair.spacing * EXPLORED[pair.orientation] for pair in pairs)
    parts = GROWTH ** np.arange(layers - 1)
    found: FloatArray = parts / max(parts.sum(), 1.0) * depth * (UPPER if few else 1.0)
    return found


def parting_of(
    pairs: Sequence[CoilPair],
    thickness: FloatArray,
    free: bool,
    usual: float,
    beliefs: Beliefs,
) -> Parting:
    """Layers with what is assumed of them.

    Parameters
    ----------
    thickness
        m, shape ``(L - 1,)``: fixed, or the usual ones where `free`.
    usual
        Usual conductivity of the ground, mS/m.
    """
    tops = np.concatenate([[0.0], np.cumsum(thickness)])
    close = min(BLUR * pair.spacing + pair.height for pair in pairs)
    level, profile = covariance(tops, beliefs, close)
    values = np.full(len(tops), np.log(usual))
    if not free:
        return Parting(thickness, False, values, level + profile, profile)
    size = len(tops)
    parts = []
    for part in (level + profile, profile):
        whole = np.zeros((2 * size - 1, 2 * size - 1))
        whole[:size, :size] = part
        whole[size:, size:] = np.eye(size - 1) * np.log(THICKNESS_FACTOR) ** 2
        parts.append(whole)
    return Parting(thickness, True, np.concatenate([values, np.log(thickness)]), *parts)
