"""Colours of our own, even to the eye: paths through CIELAB turned into sRGB.

Lightness alone tells low from high in `PEAT`, and distance from the background in `HEDGE`, so both
read the same to people who see few colours and in a grey print.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..readings import FloatArray

# CIE 1976 L*a*b* for the D65 white point and the 2 degree observer; sRGB by IEC 61966-2-1.
_WHITE = np.array([0.95047, 1.0, 1.08883])
_XYZ_TO_RGB = np.array(
    [
        [3.2404542, -1.5371385, -0.4985314],
        [-0.9692660, 1.8760108, 0.0415560],
        [0.0556434, -0.2040259, 1.0572252],
    ]
)


@dataclass(frozen=True)
class Palette:
    """Colour stops in CIELAB, evenly spaced from 0 to 1, straight lines between them."""

    stops: tuple[tuple[float, float, float], ...]

    def lab(self, position: npt.ArrayLike) -> FloatArray:
        """CIELAB at positions from 0 to 1, shape ``(..., 3)``."""
        at = np.clip(np.asarray(position, dtype=np.float64), 0.0, 1.0)
        stops = np.array(self.stops)
        places = np.linspace(0.0, 1.0, len(stops))
        return np.stack([np.interp(at, places, channel) for channel in stops.T], axis=-1)

    def rgb(self, position: npt.ArrayLike) -> npt.NDArray[np.uint8]:
        """8-bit sRGB at positions from 0 to 1, shape ``(..., 3)``.

        Examples
        --------
        >>> HEDGE.rgb(0.5).tolist()
        [242, 240, 237]
        """
        share = np.clip(lab_to_srgb(self.lab(position)), 0, 1)
        rgb: npt.NDArray[np.uint8] = np.round(255 * share).astype(np.uint8)
        return rgb


def lab_to_srgb(lab: FloatArray) -> FloatArray:
    """CIELAB to sRGB components; outside 0 to 1 where the screen cannot show the colour.

    References
    ----------
    CIE 15 (colorimetry) and IEC 61966-2-1 (sRGB).
    """
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    xyz = _WHITE * np.where(f > 6 / 29, f**3, 3 * (6 / 29) ** 2 * (f - 4 / 29))
    linear = xyz @ _XYZ_TO_RGB.T
    curved = 1.055 * np.abs(linear) ** (1 / 2.4) - 0.055
    srgb: FloatArray = np.where(linear <= 0.0031308, 12.92 * linear, curved)
    return srgb


PEAT = Palette(((14, 6, -16), (34, -4, -14), (54, -10, 2), (74, -6, 22), (94, -2, 28)))
"""Low to high: ink, slate, moss, straw, chalk."""

HEDGE = Palette(((34, 0, -32), (64, -5, -22), (95, 0, 2), (64, 18, 30), (34, 26, 32)))
"""Below, at and above the background: blue, white, russet."""


def bipolar(low: float, high: float) -> bool:
    """Tell whether a channel whose robust range is `low` to `high` swings about zero."""
    return low < 0.0 < high


def symmetric_range(low: float, background: float, high: float) -> tuple[float, float]:
    """The range that holds `low` and `high` and has the background in its middle.

    Examples
    --------
    >>> symmetric_range(-1.0, 0.5, 1.0)
    (-1.0, 2.0)
    """
    reach = max(high - background, background - low)
    return background - reach, background + reach
