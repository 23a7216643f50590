"""Parting levels across the traverses into the ground's slow change and the traverses' offsets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import eigh

from ..readings import BoolArray, FloatArray
from .centres import ROUNDS
from .windows import MAD_TO_SIGMA

SHORTEST = 2.5
"""Shortest wavelength tried, traverse separations: no shorter wave can be told from offsets."""

FEW = 5
"""Traverses below which nothing can be said of the ground's change across them."""

DECIMALS = 9
"""Decimals of an offset, channel units: far below any noise, so that runs agree to the last bit."""

OUTLYING = 2.5
"""Robust standard deviations beyond which a traverse's offset counts as no larger."""

SAME_PLACE = 0.1
"""Traverses nearer across than this, usual separations, lie at one place: repeats and halves."""


def usual_spacing(across: FloatArray) -> float:
    """Usual distance between traverses at rising positions, those at one place aside."""
    gaps = np.diff(across)
    if not len(gaps):
        return 1.0
    apart = gaps[gaps > SAME_PLACE * gaps.mean()]
    return float(np.median(apart)) if len(apart) else 1.0


@dataclass(frozen=True, eq=False)
class Waves:
    """The bends that levels across the traverses can have, from none to sharp.

    Parameters
    ----------
    shapes
        Orthonormal columns, shape ``(t, t)``.
    bends
        How strongly each is bent, rising, 0 for the constant and the straight trend, ``(t,)``; in
        the unit in which `bend_of` counts.
    spacing
        Usual distance between traverses, map units.
    """

    shapes: FloatArray
    bends: FloatArray
    spacing: float

    @classmethod
    def of(cls, across: FloatArray) -> Waves:
        """Waves for traverses at rising positions."""
        spacing = usual_spacing(across)
        # Traverses at one place are held a little apart: the bend between them stays finite.
        gaps = np.maximum(np.diff(across) / spacing, SAME_PLACE)
        left, right = gaps[:-1], gaps[1:]
        t = len(across)
        # Second divided differences, in units of the usual spacing, each for its share of it.
        second = np.zeros((t - 2, t))
        rows = np.arange(t - 2)
        second[rows, rows] = 2 / (left * (left + right))
        second[rows, rows + 1] = -2 / (left * right)
        second[rows, rows + 2] = 2 / (right * (left + right))
        second *= np.sqrt((left + right) / 2)[:, np.newaxis]
        bends, shapes = eigh(second.T @ second)
        bends[:2] = 0.0
        return cls(shapes, bends, spacing)

    def bend_of(self, wavelength: FloatArray | float) -> FloatArray:
        """The bend of a wave of that length, map units."""
        bend: FloatArray = (2 * np.pi * self.spacing / np.asarray(wavelength)) ** 4
        return bend

    def slow_part(self, levels: FloatArray, wavelength: float) -> FloatArray:
        """Levels with waves of that length halved, longer ones kept and shorter ones taken out."""
        kept = 1 / (1 + self.bends / self.bend_of(wavelength))
        slow: FloatArray = self.shapes @ (kept * (self.shapes.T @ levels))
        return slow

    def likeliest_wavelength(self, levels: FloatArray) -> float:
        """The wavelength that best parts levels into smooth ground and independent offsets.

        Restricted maximum likelihood of a cubic smoothing spline with white noise: where the
        levels are smooth by themselves, the wavelength is short and nothing is taken for offsets.

        References
        ----------
        G. Wahba (1985), *A comparison of GCV and GML for choosing the smoothing parameter in the
        generalized spline smoothing problem*, Annals of Statistics 13, 1378-1402.
        """
        trial: FloatArray = self.spacing * np.geomspace(
            SHORTEST, 8.0 * len(levels), 60, dtype=np.float64
        )
        return float(trial[np.argmin(self.unlikeliness(levels, trial))])

    def unlikeliness(self, levels: FloatArray, trial: FloatArray) -> FloatArray:
        """Minus twice the logarithm of the restricted likelihood of wavelengths, ``(w,)``."""
        power = (self.shapes.T @ levels)[2:] ** 2
        share = 1 + self.bend_of(trial)[:, np.newaxis] / self.bends[2:]
        spread = (power / share).mean(axis=1) + 1e-300
        cost: FloatArray = (len(levels) - 2) * np.log(spread) + np.log(share).sum(axis=1)
        return cost


def direction_effect(levels: FloatArray, backward: BoolArray) -> float:
    """Half of what walking backward adds against walking forward, from neighbouring traverses."""
    way = np.where(backward, 1.0, -1.0)
    bend, expected = np.diff(levels, 2), np.diff(way, 2)
    turned = expected != 0
    return float(np.median(bend[turned] / expected[turned])) if turned.sum() >= FEW else 0.0


def offsets_of_levels(
    across: FloatArray,
    levels: FloatArray,
    backward: BoolArray,
    wavelength: float | None,
    waves: Waves | None = None,
) -> FloatArray:
    """Part levels into the ground's slow change across the traverses and the traverses' offsets.

    Parameters
    ----------
    across
        Rising positions, shape ``(t,)``, map units.
    levels
        Shape ``(t,)``, finite.
    backward
        Which traverses were walked the other way, ``(t,)``.
    wavelength
        Change broader than this is the ground's, map units; None for the likeliest.
    waves
        Those of `across`, where they are known already.

    Returns
    -------
    array
        Offsets with median 0, shape ``(t,)``. A constant and a straight trend across are never
        part of them.
    """
    t = len(levels)
    if t < FEW:
        return levels - np.median(levels)
    slow, _ = parted(levels, backward, wavelength, waves or Waves.of(across))
    offsets: FloatArray = levels - slow
    # The linear algebra library may add up in another order in another process.
    centred = offsets - float(np.median(offsets))
    return centred.round(DECIMALS)


def parted(
    levels: FloatArray, backward: BoolArray, wavelength: float | None, waves: Waves
) -> tuple[FloatArray, FloatArray]:
    """The slow part of levels, and the levels as they count for it."""
    effect = direction_effect(levels, backward) * np.where(backward, 1.0, -1.0)
    left = levels - effect
    counted = left
    slow = left
    for _ in range(ROUNDS):
        slow = waves.slow_part(counted, wavelength or waves.likeliest_wavelength(counted))
        off = left - slow
        reach = OUTLYING * MAD_TO_SIGMA * float(np.median(np.abs(off - np.median(off))))
        # A traverse far off must not bend the ground: it counts as no further off than this.
        counted = slow + np.clip(off, -reach, reach)
    return slow, counted
