"""Invert the channels of each reading to layered conductivity."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial

import numpy as np

from ..correct.despike import noise_level
from ..correct.windows import Walk
from ..progress import Progress, keep_going, portion, side_by_side
from ..readings import FloatArray, Readings
from ..words import plural
from .instrument import Channel
from .inversion.account import account
from .inversion.fit import Fitted, Parting, fit
from .inversion.layering import parting_of, usual_thicknesses
from .inversion.layers import layers_of
from .inversion.options import InversionOptions
from .inversion.soundings import Soundings
from .inversion.together import tie
from .inversion.usable import usable_rows

CHUNK = 384
"""Soundings fitted at a time: their arrays stay in the processor's cache."""

EXACT = 2e-4
"""A relative error is at least this: the response is reckoned no better for fitting."""

FLOOR = 0.005
"""Noise is taken for this share of a channel's usual size at least."""


@dataclass(frozen=True, eq=False)
class Inverted:
    """Layered ground under each of `n` readings, NaN where there is none.

    Parameters
    ----------
    conductivity, low, high
        Of each layer, mS/m, shape ``(n, L)``, and bounds within which, as far as what was assumed
        holds, all layers of a reading lie with a probability of `BAND`.
    thickness, thin, thick
        m, shape ``(n, L - 1)``, and bounds of the same kind; the same number where fixed.
    told
        Share of the assumed variance of each layer that the readings took away, ``(n, L)``.
    resolution
        Diagonal of the resolution matrix, ``(n, L)``.
    numbers
        How many independent numbers the readings of a position told, ``(n,)``.
    misfit
        Root mean square residual in standard deviations, ``(n,)``.
    depth
        Depth of investigation, m, ``(n,)``: see `depth_of_investigation`.
    figures, messages, warnings
        As those of `Correction`.
    """

    conductivity: FloatArray
    low: FloatArray
    high: FloatArray
    thickness: FloatArray
    thin: FloatArray
    thick: FloatArray
    told: FloatArray
    resolution: FloatArray
    numbers: FloatArray
    misfit: FloatArray
    depth: FloatArray
    figures: dict[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def invert_layers(
    readings: Readings,
    channels: Sequence[Channel],
    options: InversionOptions,
    height: FloatArray | None = None,
    metre: float = 1.0,
    progress: Progress = keep_going,
) -> Inverted:
    """Invert readings to layered ground.

    Parameters
    ----------
    readings
        Only the channels to invert.
    channels
        What they are, in the order of the readings' channels.
    height
        Of the coils above the ground at each reading, m, ``(n,)``; None for the pairs' own.
    metre
        Map units of a metre.

    Raises
    ------
    ValueError
        If no reading can be inverted, or noises do not fit the channels.

    References
    ----------
    See `inversion.fit`, `inversion.prior` and `inversion.lateral`. Soundings tied to their
    neighbours: E. Auken and A. V. Christiansen (2004), *Layered and laterally constrained 2D
    inversion of resistivity data*, Geophysics 69, 752-761 (from memory).
    """
    lifted = np.array([channel.pair.height for channel in channels])
    heights = np.broadcast_to(lifted, readings.values.shape)
    if height is not None:
        heights = np.broadcast_to(height[:, np.newaxis], readings.values.shape)
    found_noise = noise_of(readings)
    noise = _noise(found_noise, channels, options)
    rows, left_out = usable_rows(readings, channels, heights, noise)
    if not (noise > 0).all():
        raise ValueError("The noise cannot be found, for all readings are 0: give it.")
    values = readings.values[rows]
    soundings = Soundings(
        channels=tuple(channels),
        values=values,
        noise=np.broadcast_to(noise, values.shape),
        shared=max(options.relative, EXACT) * np.abs(values),
        height=None if height is None else height[rows],
        susceptibility=options.susceptibility,
    )
    parting = _parting(soundings, options)
    whole: dict[str, FloatArray] = {}

    def keep(fitted: Fitted, chosen: slice) -> None:
        found = layers_of(soundings.take(chosen), parting, fitted, heights[rows[chosen]])
        for name, column in found.items():
            whole[name][rows[chosen]] = column

    for name, shape in _shapes(parting.layers).items():
        whole[name] = np.full((len(readings), *shape), np.nan)
    if options.along or options.across:
        alone = fit_all(soundings, parting, portion(progress, 0.0, 0.4))
        tied = tie(
            readings, rows, soundings, parting, alone, options, metre, portion(progress, 0.4, 0.9)
        )
        last = portion(progress, 0.9, 1.0)
        each_chunk(len(rows), lambda chosen: keep(tied.take(chosen), chosen), last)
    else:
        each_chunk(
            len(rows),
            lambda chosen: keep(fit(soundings.take(chosen), parting), chosen),
            progress,
        )
    figures, messages, warnings = account(
        soundings, parting, whole, rows, left_out, (noise, found_noise)
    )
    return Inverted(**whole, figures=figures, messages=messages, warnings=warnings)


def _shapes(layers: int) -> dict[str, tuple[int, ...]]:
    """What `Inverted` holds of each reading, and in what shape."""
    by_layer = ("conductivity", "low", "high", "told", "resolution")
    return {
        **dict.fromkeys(by_layer, (layers,)),
        **dict.fromkeys(("thickness", "thin", "thick"), (layers - 1,)),
        **dict.fromkeys(("numbers", "misfit", "depth"), ()),
    }


def noise_of(readings: Readings) -> FloatArray:
    """Noise of each channel by the scatter of its readings along the traverses, ``(p,)``."""
    walk = Walk.of(readings)
    usable = readings.usable
    found = np.zeros(len(readings.channels))
    for k, column in enumerate(np.where(usable, readings.values, np.nan).T):
        if usable[:, k].any():
            floor = FLOOR * float(np.nanmedian(np.abs(column)))
            found[k] = max(noise_level(column[walk.rows], walk), floor)
    return found


def _noise(found: FloatArray, channels: Sequence[Channel], options: InversionOptions) -> FloatArray:
    """Standard deviation of the noise of each channel, in its unit, shape ``(p,)``."""
    count = len(channels)
    if options.noise:
        if len(options.noise) not in (1, count):
            raise ValueError(
                f"{plural(len(options.noise), 'noise')} for {plural(count, 'channel')}: give one "
                "for all, or one each."
            )
        return np.broadcast_to(np.array(options.noise), (count,)).copy()
    return found


def _parting(soundings: Soundings, options: InversionOptions) -> Parting:
    """The layers sought, with what is assumed of them."""
    few = options.method == "few"
    pairs = [channel.pair for channel in soundings.channels]
    layers = options.layers or (2 if few else 6)
    thickness = (
        np.array(options.thicknesses)
        if options.thicknesses
        else usual_thicknesses(pairs, layers, few)
    )
    usual = options.usual or _median_conductivity(soundings)
    return parting_of(pairs, thickness, few, usual, options.beliefs)


def _median_conductivity(soundings: Soundings) -> float:
    """Median apparent conductivity of the quadrature channels, heights allowed for, mS/m."""
    whole = soundings.shares(np.zeros(1))[:, :, 0]
    quadrature = [channel.part == "quadrature" for channel in soundings.channels]
    if not any(quadrature):
        raise ValueError(
            "Conductivity cannot be found from in-phase channels alone: add a quadrature channel."
        )
    found = float(np.median((soundings.values / np.where(whole > 0, whole, 1.0))[:, quadrature]))
    if not found > 0:
        raise ValueError(
            "The usual conductivity cannot be found, for most readings are 0: give it, or check "
            "the channels and the instrument's description."
        )
    return found


def each_chunk(count: int, work: Callable[[slice], None], progress: Progress = keep_going) -> None:
    """Work through soundings in chunks, side by side."""

    def job(start: int, progress: Progress) -> None:
        work(slice(start, min(start + CHUNK, count)))

    side_by_side([partial(job, start) for start in range(0, count, CHUNK)], progress)


def fit_all(soundings: Soundings, parting: Parting, progress: Progress = keep_going) -> Fitted:
    """`fit` in chunks: to rounding the same numbers whatever the chunks."""
    parts: dict[int, Fitted] = {}

    def work(chosen: slice) -> None:
        parts[chosen.start] = fit(soundings.take(chosen), parting)

    each_chunk(len(soundings), work, progress)
    return Fitted.joined([parts[start] for start in sorted(parts)])
