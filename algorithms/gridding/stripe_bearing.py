"""The bearing of stripes, from a raster's spectrum."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import fft, ndimage

from ..interpret.background import robust_scatter
from ..readings import FloatArray
from .frame import Frame

PIECE = 1024
"""Side of the pieces that a large raster's spectrum is averaged over, cells."""

MOST_PIECES = 9
"""Pieces looked at, spread over the raster."""

RINGS = 24
"""Classes of wavelength; each counts the same, so that no broad feature rules the rest."""

WEDGE = 4.0
"""Standard deviations at which the weights of waves about a bearing's are cut."""

STEP, FINE = 1.0, 0.05
"""Bearings tried, degrees: all round, and about the best."""

FEW = 3
"""Classes of wavelength that even stripes, all as wide as each other, stand out in."""

LEAST_STRENGTH = 2.5
"""Strength below which no direction stands out by all its waves."""

LEAST_SHARPNESS = 10.0
"""Sharpness below which none stands out by a few wavelengths. Of some 750 rough fields, white to
smooth, 7 to 75 m wide, the sharpest reached 8.2 (our own trial)."""

SURE = 10.0
"""Strength of the stripes of surveys not levelled; ditches and drains give less."""

CLIP = 3.0
"""Robust standard deviations at which cells are clipped, so that no feature rules the rest."""


@dataclass(frozen=True)
class StripeBearing:
    """Where stripes run.

    Parameters
    ----------
    bearing
        Degrees clockwise from grid north, 0 to below 180.
    strength
        Energy of waves that run across this bearing over what they would have if no direction
        stood out, a mean over wavelengths.
    sharpness
        The same in the `FEW` classes of wavelength where it is most, over the median of the other
        directions.
    asked
        Strength along a bearing asked for.
    """

    bearing: float
    strength: float
    sharpness: float = 0.0
    asked: float | None = None

    @property
    def stands_out(self) -> bool:
        """Whether rough ground without stripes would hardly show this."""
        return self.strength >= LEAST_STRENGTH or self.sharpness >= LEAST_SHARPNESS


def stripe_bearing(
    texture: FloatArray,
    frame: Frame,
    shortest: float,
    longest: float,
    asked: float | None = None,
) -> StripeBearing:
    """The bearing along which waves of some lengths are most in line.

    That is where all waves together are strongest. Only where no direction stands out so, it is
    where a few wavelengths are: even stripes are waves of one length, and lost in the mean.

    Parameters
    ----------
    texture
        The raster less what is broad in it, shape ``(rows, columns)``, NaN for no data.
    frame
        Where the cells lie.
    shortest, longest
        Lengths of the waves, map units.
    asked
        A bearing to tell the strength along, too.

    Raises
    ------
    ValueError
        If the raster is too small to hold such waves, or all alike.

    Examples
    --------
    Stripes 1 m apart that run east to west:

    >>> rows = np.repeat(np.sin(np.arange(80) * np.pi / 2)[:, np.newaxis], 80, axis=1)
    >>> found = stripe_bearing(rows, Frame(0, 0, 0.25, 0.25, 80, 80), 0.8, 4.0)
    >>> round(found.bearing, 1)
    90.0
    """
    power, north, east = _spectrum(texture, frame)
    wave = np.hypot(north, east)
    within = (wave >= 1 / longest) & (wave <= 1 / shortest)
    if within.sum() < 2 * RINGS:
        raise ValueError(
            f"The raster is too small to show stripes by themselves, {longest:g} map units and "
            "less from one to the next: give the bearing of the traverses."
        )
    power, north, east, wave = (array[within] for array in (power, north, east, wave))
    ring = np.minimum(
        (RINGS * (wave * longest - 1) / (longest / shortest - 1)).astype(int), RINGS - 1
    )
    of_all = np.bincount(ring, power, RINGS) / np.maximum(np.bincount(ring, minlength=RINGS), 1)
    # Energy of a random field is distributed exponentially, with a median of ln 2 means.
    of_others = ndimage.median(power, ring, np.arange(RINGS)) / np.log(2)
    over_all = power / np.where(of_all > 0, of_all, 1.0)[ring]
    over_others = power / np.where(of_others > 0, of_others, np.inf)[ring]
    extent = max(frame.columns * frame.cell_width, frame.rows * frame.cell_height)
    width = max(1.0 / extent, 1.0 / (8 * longest))

    def measures(bearing: float) -> tuple[float, float]:
        """Strength and sharpness, of the waves that hardly change along a bearing."""
        angle = np.radians(bearing)
        along = (east * np.sin(angle) + north * np.cos(angle)) / width
        near = np.flatnonzero(np.abs(along) < WEDGE)
        share, here = np.exp(-0.5 * along[near] ** 2), ring[near]
        strength = (over_all[near] * share).sum() / max(share.sum(), 1e-12)
        weight = np.maximum(np.bincount(here, share, RINGS), 1e-12)
        by_ring = np.bincount(here, share * over_others[near], RINGS) / weight
        return float(strength), float(np.sort(by_ring)[-FEW:].mean())

    tried = np.arange(0.0, 180.0, STEP)
    table = np.array([measures(float(bearing)) for bearing in tried])
    strongest, sharpest = table.max(axis=0)
    by = int(strongest < LEAST_STRENGTH and sharpest >= LEAST_SHARPNESS)
    near = tried[int(np.argmax(table[:, by]))] + np.arange(-STEP, STEP + FINE / 2, FINE)
    fine = np.array([measures(float(bearing)) for bearing in near])
    top = int(np.argmax(fine[:, by]))
    strength, sharpness = fine[top].tolist()
    along_asked = None if asked is None else measures(asked)[0]
    return StripeBearing(round(float(near[top]), 2) % 180.0, strength, sharpness, along_asked)


def _spectrum(texture: FloatArray, frame: Frame) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Power, and waves a map unit northwards and eastwards, half of the plane."""
    limit = CLIP * robust_scatter(texture).sigma
    rows, columns = min(frame.rows, PIECE), min(frame.columns, PIECE)
    size = (int(fft.next_fast_len(2 * rows)), int(fft.next_fast_len(2 * columns, real=True)))
    taper = np.outer(np.hanning(rows + 2)[1:-1], np.hanning(columns + 2)[1:-1])
    power = np.zeros((size[0], size[1] // 2 + 1))
    for top, left in _pieces(frame.rows, frame.columns, rows, columns):
        piece = texture[top : top + rows, left : left + columns]
        clipped = np.clip(np.where(np.isfinite(piece), piece, 0.0), -limit, limit)
        power += np.abs(fft.rfft2(clipped * taper, size)) ** 2
    north = -fft.fftfreq(size[0], frame.cell_height)[:, np.newaxis]
    east = fft.rfftfreq(size[1], frame.cell_width)
    return power, np.broadcast_to(north, power.shape), np.broadcast_to(east, power.shape)


def _pieces(rows: int, columns: int, high: int, wide: int) -> list[tuple[int, int]]:
    """Upper left cells of pieces spread over a raster, no more than `MOST_PIECES`."""
    most = int(np.sqrt(MOST_PIECES))

    def starts(size: int, piece: int) -> list[int]:
        count = min(most, -(-size // piece))
        return [int(start) for start in np.linspace(0, size - piece, count).round()]

    return [(top, left) for top in starts(rows, high) for left in starts(columns, wide)]
