"""Suppress stripes along the traverses of a survey raster."""

from __future__ import annotations

from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass, field, replace

import numpy as np

from ..interpret.background import SIGMA_OF_MAD
from ..progress import Progress, advance, keep_going, portion
from ..readings import FloatArray
from .frame import Frame
from .masked import apply, level_of
from .smoothraster import longer_than_raster, low_pass
from .stripe_bearing import LEAST_STRENGTH, SURE, StripeBearing, stripe_bearing
from .stripes import Strip

LENGTH = 20.0
"""Where nothing is given, stripes are at least this many traverse separations long."""

MUCH = 0.5
"""Share of the variance above which what was removed is suspected of being more than stripes."""


@dataclass(frozen=True)
class DestripeOptions:
    """What counts as a stripe.

    Parameters
    ----------
    separation
        Distance of the traverses, map units.
    bearing
        Along which they run, degrees clockwise from grid north; None to find it in the spectrum.
    length
        Waves along the traverses longer than twice this count as constant along them, map units:
        half the amplitude of one of that length is taken. None for `LENGTH` separations.
    widest
        Waves across the traverses that are longer than this many separations belong to the
        ground: half the amplitude of one of that length is taken.
    limit
        Cells count as no further off than this many robust standard deviations of the raster's
        texture, and no stripe as higher than as many of the stripes'; 0 for no limit.

    Raises
    ------
    ValueError
        If a number is out of its range.
    """

    separation: float
    bearing: float | None = None
    length: float | None = None
    widest: float = 8.0
    limit: float = 2.0

    def __post_init__(self) -> None:
        if not (np.isfinite(self.separation) and self.separation > 0):
            raise ValueError(
                f"The traverse separation is {self.separation:g}: give a distance above 0."
            )
        if self.bearing is not None and not np.isfinite(self.bearing):
            raise ValueError(f"The bearing is {self.bearing:g}: give degrees from grid north.")
        if self.length is not None and not self.length >= self.separation:
            raise ValueError(
                f"The length of stripes is {self.length:g}: give at least the traverse separation "
                f"({self.separation:g})."
            )
        if not self.widest >= 4:
            raise ValueError(
                f"The longest wave across is {self.widest:g} traverse separations: give 4 or more, "
                "as two traverses make the shortest wave there is."
            )
        if not self.limit >= 0:
            raise ValueError(f"The limit is {self.limit:g}: give 0 or more.")


@dataclass(frozen=True, eq=False)
class Destriped:
    """A raster without its stripes.

    Parameters
    ----------
    values, removed
        Shape ``(rows, columns)``, NaN where there was no data; the raster is their sum.
    figures
        ``bearing``, 0 to below 180; ``separation``, ``length``, ``widest`` (map units);
        ``removed_share`` of the variance, ``removed_rms``, ``removed_most``; ``strength`` where the
        bearing was found.
    messages, warnings
        Sentences for the user.
    """

    values: FloatArray
    removed: FloatArray
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def destriperaster(
    values: FloatArray,
    frame: Frame,
    options: DestripeOptions,
    progress: Progress = keep_going,
) -> Destriped:
    """Take off what is constant along the traverses and narrow across them.

    1. What is broad, in any direction, is put aside (`smoothraster.low_pass`); the rest is the
       texture.
    2. The texture is clipped at `limit` robust standard deviations: stripes lie everywhere, a ditch
       in one place, and is higher.
    3. It is smoothed along the bearing and hardly across it (`stripes.Strip`): in the Fourier plane
       a narrow strip across the traverses, soft on all sides, is let through.
    4. The stripes are held to `limit` robust standard deviations of their own, so that only a part
       as high as a stripe is taken from a ditch along the traverses.

    Gaps and edges inform nothing and do not ring (normalised convolution).

    Parameters
    ----------
    values
        Shape ``(rows, columns)``, NaN for no data.
    frame
        Where the cells lie; they need not be square.
    options
        What counts as a stripe.
    progress
        Told how far the work is; stops it.

    Raises
    ------
    ValueError
        If there is no data, the cells are too wide to show the stripes, or no bearing is given and
        none stands out.
    Cancelled
        If the user asked to stop.

    References
    ----------
    H. Knutsson & C.-F. Westin (1993), Normalized and differential convolution, CVPR, 515-523.

    Examples
    --------
    >>> stripes = np.tile([1.0, 1.0, -1.0, -1.0], (80, 20))
    >>> frame = Frame(0.0, 20.0, 0.25, 0.25, 80, 80)
    >>> found = destriperaster(20.0 + stripes, frame, DestripeOptions(0.5, bearing=0.0))
    >>> float(np.abs(found.values - 20.0)[20:60, 20:60].max()) < 0.05
    True
    """
    bare = values - level_of(values)
    _check_cells(frame, options)
    texture = _texture(bare, frame, options, portion(progress, 0.0, 0.15))
    found, doubts = None, list(_doubts_about_lengths(frame, options))
    if options.bearing is None:
        found = checked_bearing(_bearing(texture, frame, options))
        options = replace(options, bearing=found.bearing)
        doubts += doubts_about(found)
    else:
        with suppress(ValueError):  # too small or even to show any direction
            doubts += doubts_about(_bearing(texture, frame, options), options.bearing)
    advance(progress, 0.2)
    removed = _stripes(texture, frame, options, portion(progress, 0.2, 1.0))
    # To the digits that a raster holds, so that the two outputs add up to the input.
    removed = removed.astype(np.float32).astype(np.float64)
    advance(progress, 1.0)
    figures = _figures(bare, removed, options, found)
    doubts += _doubts_about_result(figures)
    return Destriped(values - removed, removed, figures, _messages(figures), tuple(doubts))


def find_bearing(
    values: FloatArray,
    frame: Frame,
    options: DestripeOptions,
    progress: Progress = keep_going,
) -> StripeBearing:
    """Along which bearing a raster is striped.

    Raises
    ------
    ValueError
        If there is no data, the cells are too wide, or the raster too small or all alike.
    """
    bare = values - level_of(values)
    _check_cells(frame, options)
    return _bearing(_texture(bare, frame, options, progress), frame, options)


def _check_cells(frame: Frame, options: DestripeOptions) -> None:
    """Refuse cells too wide for the stripes."""
    cell = max(frame.cell_height, frame.cell_width)
    if options.separation < cell * (1 - 1e-9):
        raise ValueError(
            f"Cells of {cell:g} are wider than the traverse separation of {options.separation:g} "
            "and cannot show its stripes: correct the separation, or grid the readings finer."
        )


def _texture(
    bare: FloatArray, frame: Frame, options: DestripeOptions, progress: Progress
) -> FloatArray:
    """The raster less what is broad in it."""
    return bare - low_pass(bare, frame, options.widest * options.separation, progress)


def _bearing(texture: FloatArray, frame: Frame, options: DestripeOptions) -> StripeBearing:
    """The bearing in which the texture is in line."""
    separation = options.separation
    cell = max(frame.cell_height, frame.cell_width)
    shortest = max(1.6 * separation, 2.2 * cell)
    longest = options.widest * separation
    return stripe_bearing(texture, frame, shortest, longest, options.bearing)


def checked_bearing(found: StripeBearing) -> StripeBearing:
    """A bearing, if it stands out.

    Raises
    ------
    ValueError
        If it does not.
    """
    if not found.stands_out:
        raise ValueError(
            "No direction stands out in the raster, so it is not known where stripes run: give the "
            "bearing of the traverses, or leave the raster as it is if you see no stripes."
        )
    return found


def doubts_about(found: StripeBearing, used: float | None = None) -> list[str]:
    """What speaks against the bearing found in the spectrum or, where one was given, against that.

    Examples
    --------
    >>> doubts_about(StripeBearing(37.0, 12.0))
    []
    >>> print(*doubts_about(StripeBearing(37.0, 12.0, asked=0.8), 487.0))
    The raster is striped along 37 degrees (12 times the energy of other directions) and not along \
the bearing used, 127: check that one, clockwise from grid north.
    """
    times = f"{found.strength:.3g} times the energy of other directions"
    if used is not None:
        if found.strength <= SURE or (found.asked or 0.0) >= LEAST_STRENGTH:
            return []
        return [
            f"The raster is striped along {found.bearing:g} degrees ({times}) and not along the "
            f"bearing used, {used % 180.0:g}: check that one, clockwise from grid north."
        ]
    if found.strength >= SURE:
        return []
    where = "" if found.strength >= LEAST_STRENGTH else " and in a few wavelengths only"
    return [
        f"The bearing of {found.bearing:g} degrees shows but weakly in the spectrum{where} "
        f"({times}; traverses not levelled mostly show {SURE:g} or more): it may be that of "
        "ditches, drains or the grain of the ground. Look at what was removed, or give the bearing."
    ]


def _stripes(
    texture: FloatArray, frame: Frame, options: DestripeOptions, progress: Progress
) -> FloatArray:
    """What is constant along the traverses."""
    assert options.bearing is not None
    length = options.length or LENGTH * options.separation
    strip = Strip.of(options.bearing, length, options.separation, frame)
    clipped = _held(texture, options.limit)
    return _held(apply(strip, (clipped,), strip.border(texture.shape), progress), options.limit)


def _held(values: FloatArray, limit: float) -> FloatArray:
    """Values clipped at so many robust standard deviations about zero; 0 for no limit."""
    if limit == 0:
        return values
    most = limit * SIGMA_OF_MAD * float(np.nanmedian(np.abs(values)))
    held: FloatArray = np.clip(values, -most, most)
    return held


def _figures(
    bare: FloatArray, removed: FloatArray, options: DestripeOptions, found: StripeBearing | None
) -> dict[str, float | int | str]:
    """Key figures of a run."""
    assert options.bearing is not None
    whole = float(np.nanvar(bare))
    figures: dict[str, float | int | str] = {
        "bearing": options.bearing % 180.0,
        "separation": options.separation,
        "length": options.length or LENGTH * options.separation,
        "widest": options.widest * options.separation,
        "removed_share": float(np.nanvar(removed)) / whole if whole else 0.0,
        "removed_rms": float(np.sqrt(np.nanmean(removed**2))),
        "removed_most": float(np.nanmax(np.abs(removed))),
    }
    if found is not None:
        figures["strength"] = found.strength
    return figures


def _messages(figures: Mapping[str, float | int | str]) -> tuple[str, ...]:
    """What was done, in sentences."""
    share = 100.0 * float(figures["removed_share"])
    found = (
        [f"Bearing from the spectrum: stands out {figures['strength']:.3g} times."]
        if "strength" in figures
        else []
    )
    return (
        *found,
        f"Stripes along {figures['bearing']:g} degrees, over {figures['length']:g} map units or "
        f"more, with waves across of up to {figures['widest']:g}.",
        f"Removed {share:.3g} % of the variance: {figures['removed_rms']:.3g} as a root mean "
        f"square, {figures['removed_most']:.3g} at most.",
        "What is real and runs along the traverses, such as a ditch or drain, has been weakened: "
        "look for it in the raster of what was removed.",
    )


def _doubts_about_lengths(frame: Frame, options: DestripeOptions) -> tuple[str, ...]:
    """Lengths that the raster cannot hold."""
    return longer_than_raster(
        frame,
        ("traverse separation", options.separation),
        ("length of stripes", options.length),
    )


def _doubts_about_result(figures: Mapping[str, float | int | str]) -> list[str]:
    """What makes the result doubtful."""
    if float(figures["removed_share"]) <= MUCH:
        return []
    return [
        f"More than {MUCH:.0%} of the raster's variance was removed: check that what was removed "
        "is stripes, or level the traverses of the readings instead."
    ]
