"""Filter a survey raster: low pass, high pass, band pass, median, local sigmas.

The Gaussian filters are set by the wavelength of which half the amplitude remains, a length that
can be read off the map: a ditch or bank is about half a wave.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from ..options import check_words
from ..progress import Progress, advance, keep_going, portion
from ..readings import FloatArray
from .frame import Frame
from .local_medians import RoundWindow, moving_level, moving_median
from .masked import Gaussian, apply, level_of

METHODS = ("low_pass", "high_pass", "band_pass", "median", "local_sigmas")

SIGMA_OF_WAVE = float(np.sqrt(np.log(2) / 2) / np.pi)
"""Standard deviation of the Gaussian that halves a wave, over the wave's length."""

FEWEST_CELLS = 4
"""Cells in the shortest wave: of a shorter one, the cells do not hold the shape."""

SHORTEST, LONGEST, NARROW, WIDE = 8, 80, 5, 40
"""Where nothing is given, cells in a wave or window: short and long wave, median, local sigmas."""

QUIETEST = 0.1
"""A spread counts at least this share of the raster's median spread."""

ROUNDING = 1e-6
"""Share of the raster's standard deviation below which a spread is one of rounding."""


@dataclass(frozen=True)
class SmoothOptions:
    """How to filter. Lengths in map units; None for so many cells, see `SHORTEST` and after.

    Parameters
    ----------
    method
        One of `METHODS`. ``"low_pass"`` weakens waves shorter than `shortest`, ``"high_pass"``
        those longer than `longest`, ``"band_pass"`` both. ``"median"`` is the median of a round
        window, ``"local_sigmas"`` the difference from the window's level, its slope taken off, in
        robust standard deviations about that.
    shortest, longest
        Waves of these lengths keep half their amplitude.
    window
        Diameter of the round window.

    Raises
    ------
    ValueError
        If the method is unknown or a length not above 0.
    """

    method: str = "low_pass"
    shortest: float | None = None
    longest: float | None = None
    window: float | None = None

    def __post_init__(self) -> None:
        check_words(("Filter", self.method, METHODS))
        for what, length in (
            ("shortest wavelength", self.shortest),
            ("longest wavelength", self.longest),
            ("window", self.window),
        ):
            if length is not None and not (np.isfinite(length) and length > 0):
                raise ValueError(f"The {what} is {length:g}: give a length above 0.")


@dataclass(frozen=True, eq=False)
class Smoothed:
    """A filtered raster.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``, NaN where there was no data.
    figures
        The lengths used: ``shortest``, ``longest``, ``window``; ``sigma_shortest`` and
        ``sigma_longest``, standard deviations of the Gaussians, map units.
    messages, warnings
        Sentences for the user.
    """

    values: FloatArray
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def smoothraster(
    values: FloatArray,
    frame: Frame,
    options: SmoothOptions = SmoothOptions(),
    progress: Progress = keep_going,
) -> Smoothed:
    """Filter one band.

    The Gaussian is `masked.Gaussian`: it keeps constants and planes, at edges and beside gaps too.
    What a high pass gives is the raster less the low pass of the same wavelength. A band pass is
    the low pass of the shortest less that of the longest wavelength: a wave of length ``L`` keeps
    ``2**-(shortest / L)**2 - 2**-(longest / L)**2`` of its amplitude.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``, NaN for no data.
    frame
        Where the cells lie; they need not be square.
    options
        What to do.
    progress
        Told how far the work is; stops it.

    Raises
    ------
    ValueError
        If there is no data, a wave or window is too short for the cells, or the lengths of a band
        pass are the wrong way round.
    Cancelled
        If the user asked to stop.

    References
    ----------
    H. Knutsson & C.-F. Westin (1993), Normalized and differential convolution, CVPR, 515-523.

    Examples
    --------
    >>> bump = np.zeros((1, 9))
    >>> bump[0, 4] = 1.0
    >>> frame = Frame(0.0, 1.0, 1.0, 1.0, 9, 1)
    >>> low = smoothraster(bump, frame, SmoothOptions("low_pass", shortest=4.0)).values
    >>> high = smoothraster(bump, frame, SmoothOptions("high_pass", longest=4.0)).values
    >>> low[0, 2:7].round(3).tolist(), bool(np.allclose(low + high, bump))
    ([0.015, 0.219, 0.532, 0.219, 0.015], True)
    """
    level = level_of(values)
    cell = max(frame.cell_height, frame.cell_width)
    bare = values - level
    figures: dict[str, float | int | str] = {"method": options.method}
    if options.method in ("median", "local_sigmas"):
        cells = NARROW if options.method == "median" else WIDE
        length = options.window or cells * cell
        figures["window"] = length
        window = RoundWindow.of(length, frame.cell_height, frame.cell_width)
        if options.method == "median":
            median = partial(moving_median, window)
            result = apply(median, (bare,), window.border, progress, window.step) + level
        else:
            result = _in_sigmas(bare, window, progress)
        advance(progress, 1.0)
        about = (_about_window(figures, window, cell),)
        doubts = longer_than_raster(frame, ("window's width", options.window))
        return Smoothed(result, figures, about, doubts)

    short, long = options.shortest or SHORTEST * cell, options.longest or LONGEST * cell
    if options.method == "low_pass":
        figures.update(shortest=short, sigma_shortest=short * SIGMA_OF_WAVE)
        result = low_pass(bare, frame, short, progress) + level
    elif options.method == "high_pass":
        figures.update(longest=long, sigma_longest=long * SIGMA_OF_WAVE)
        result = bare - low_pass(bare, frame, long, progress)
    else:
        if short >= long:
            raise ValueError(
                f"The shortest wavelength ({short:g}) is not below the longest ({long:g}): a band "
                "pass keeps what lies between them."
            )
        figures.update(
            shortest=short,
            sigma_shortest=short * SIGMA_OF_WAVE,
            longest=long,
            sigma_longest=long * SIGMA_OF_WAVE,
        )
        result = low_pass(bare, frame, short, portion(progress, 0.0, 0.5))
        result -= low_pass(bare, frame, long, portion(progress, 0.5, 1.0))
    advance(progress, 1.0)
    doubts = longer_than_raster(
        frame,
        ("shortest wavelength", options.shortest if "shortest" in figures else None),
        ("longest wavelength", options.longest if "longest" in figures else None),
    )
    return Smoothed(result, figures, tuple(_about_waves(figures)), doubts)


def longer_than_raster(frame: Frame, *lengths: tuple[str, float | None]) -> tuple[str, ...]:
    """A sentence for each length given that is more than the raster's longer side.

    Examples
    --------
    >>> longer_than_raster(Frame(0.0, 0.0, 0.5, 0.5, 40, 20), ("window's width", 25.0))
    ("The window's width, 25 map units, is more than the raster's longer side, 20: check it.",)
    """
    side = max(frame.columns * frame.cell_width, frame.rows * frame.cell_height)
    return tuple(
        f"The {what}, {length:g} map units, is more than the raster's longer side, {side:g}: "
        "check it."
        for what, length in lengths
        if length is not None and length > side
    )


def low_pass(
    values: FloatArray, frame: Frame, wavelength: float, progress: Progress = keep_going
) -> FloatArray:
    """Gaussian mean, a moving plane, that halves waves of a length; see `smoothraster`.

    Raises
    ------
    ValueError
        If the wave is under four cells long.
    """
    cell = max(frame.cell_height, frame.cell_width)
    if wavelength < FEWEST_CELLS * cell * (1 - 1e-9):
        raise ValueError(
            f"The wavelength of {wavelength:g} map units is under {FEWEST_CELLS} cells of "
            f"{cell:g}: give {FEWEST_CELLS * cell:g} or more."
        )
    sigma = wavelength * SIGMA_OF_WAVE
    gaussian = Gaussian(sigma / frame.cell_height, sigma / frame.cell_width)
    return apply(gaussian, (values,), gaussian.border(values.shape), progress)


def _in_sigmas(values: FloatArray, window: RoundWindow, progress: Progress) -> FloatArray:
    """Difference from the window's level over its spread."""
    measure = partial(moving_level, window)
    level, spread = apply(measure, (values,), window.border, progress, window.step, (2,))
    usual = float(np.nanmedian(spread))
    difference = values - level
    least = ROUNDING * float(np.nanstd(values))
    difference = np.where(np.abs(difference) <= least, 0.0, difference)
    if usual <= least and (spread[np.abs(difference) > least] <= least).any():
        raise ValueError(
            "In most windows, more than half of the cells hold one value or lie on one even slope, "
            "so there is no spread to measure by: choose a wider window."
        )
    scaled: FloatArray = difference / np.maximum(spread, max(QUIETEST * usual, least) or 1.0)
    return scaled


def _about_window(figures: Mapping[str, object], window: RoundWindow, cell: float) -> str:
    """The window used, in a sentence."""
    text = f"Round window of {figures['window']:g} map units, {window.disc.sum():,} cells"
    if window.step == 1:
        return f"{text}, set down at every cell."
    return f"{text}, set down every {window.step} cells and interpolated between."


def _about_waves(figures: Mapping[str, float | int | str]) -> list[str]:
    """What the wavelengths used do, in sentences."""
    return [
        f"A wave of {figures[name]:g} map units keeps half its amplitude, {which} ones keep less "
        f"(Gaussian with a standard deviation of {figures[f'sigma_{name}']:.3g})."
        for name, which in (("shortest", "shorter"), ("longest", "longer"))
        if name in figures
    ]
