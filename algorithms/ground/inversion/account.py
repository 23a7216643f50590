"""What an inversion found and could not find, in figures and words."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ...readings import FloatArray, IntArray
from ...words import in_unit, plural, share_text
from .fit import Parting
from .soundings import Soundings

ILL_FITTED = 3.0
"""Misfit, in standard deviations, beyond which a sounding is ill fitted."""

UNLIKE = 5.0
"""A noise that is given is doubted beyond so many times what the readings show, or below."""

UNSEEN = 3.0
"""A layer that begins deeper than so many depths of investigation is not seen."""


def account(
    soundings: Soundings,
    parting: Parting,
    found: Mapping[str, FloatArray],
    rows: IntArray,
    left_out: Mapping[str, int],
    noise: tuple[FloatArray, FloatArray],
) -> tuple[dict[str, float | int | str], tuple[str, ...], tuple[str, ...]]:
    """Figures, messages and warnings.

    Parameters
    ----------
    found
        What `Inverted` holds, of every reading, by name.
    rows
        Readings that were inverted.
    left_out
        How many were not, by why.
    noise
        Of each channel, as reckoned with and by the readings' own scatter, ``(p,)`` each.
    """
    usual = {name: np.median(column[rows], axis=0) for name, column in found.items()}
    numbers, misfit, depth = (float(usual[name]) for name in ("numbers", "misfit", "depth"))
    channels = soundings.channels
    noises = [
        f"{channel.field} {in_unit(float(sd), channel.unit)}"
        for channel, sd in zip(channels, noise[0])
    ]
    figures: dict[str, float | int | str] = {
        "inverted": len(soundings),
        "left_out": len(found["misfit"]) - len(rows),
        "layers": parting.layers,
        "usual": float(np.exp(parting.usual[0])),
        "misfit": misfit,
        "numbers_told": numbers,
        "depth_of_investigation": depth,
        **{f"noise_{channel.field}": float(sd) for channel, sd in zip(channels, noise[0])},
    }
    messages = [
        f"{plural(len(soundings), 'reading')} inverted to {plural(parting.layers, 'layer')}; "
        f"noise: {', '.join(noises)}.",
        f"Of {plural(len(channels), 'value')} a position, {numbers:.1f} independent numbers about "
        f"{plural(parting.layers, 'layer')} were told; the rest is what was assumed. Many other "
        "grounds fit as well: mind the bounds of each layer.",
        *_layers(usual, np.median(np.sqrt(found["high"][rows] / found["low"][rows]), axis=0)),
        *_bottoms(parting, usual, figures),
        f"70 % of the response comes from above {in_unit(depth, 'm')} (median, of the channel that "
        "sees deepest): below, the values mostly continue what lies above.",
        f"Residuals are {misfit:.2g} standard deviations (median).",
    ]
    warnings = [
        f"{plural(number, 'reading')} {why}: no layers there." for why, number in left_out.items()
    ]
    warnings += [
        f"The noise of {channel.field} is reckoned with {in_unit(given, channel.unit)}, but by the "
        f"scatter of its readings it is {in_unit(scatter, channel.unit)}."
        for channel, given, scatter in zip(channels, *(part.tolist() for part in noise))
        if scatter > 0 and not 1 / UNLIKE <= given / scatter <= UNLIKE
    ]
    tops = np.concatenate([[0.0], np.cumsum(usual["thickness"])])
    deep = np.flatnonzero(tops > UNSEEN * depth)
    if len(deep):
        warnings.append(
            f"Layer {deep[0] + 1} begins at {in_unit(float(tops[deep[0]]), 'm')}, far below what "
            "is seen: it only continues what lies above."
        )
    ill = int((found["misfit"] > ILL_FITTED).sum())
    if ill:
        figures["ill_fitted"] = ill
        warnings.append(
            f"{plural(ill, 'reading')} ({share_text(ill, len(soundings))}) fit worse than "
            f"{ILL_FITTED:g} standard deviations: metal, zero levels, units or heights that are "
            "not what the description says, a noise set too low, or a likeness longer than what "
            "is there. Their layers mean little."
        )
    return figures, tuple(messages), tuple(warnings)


def _layers(usual: Mapping[str, FloatArray], factor: FloatArray) -> list[str]:
    """A sentence on each layer: what it came out as, and how far it may be off."""
    tops = np.concatenate([[0.0], np.cumsum(usual["thickness"])])
    ends = [f"{top:.2f} to {bottom:.2f} m" for top, bottom in zip(tops, tops[1:])]
    ends.append(f"below {tops[-1]:.2f} m" if len(tops) > 1 else "all depths")
    return [
        f"Layer {number + 1}, {where}: {in_unit(float(usual['conductivity'][number]), 'mS/m')} "
        f"(median), within a factor of {factor[number]:.2g} either way; "
        f"{usual['told'][number]:.0%} of its own variance told."
        for number, where in enumerate(ends)
    ]


def _bottoms(
    parting: Parting, usual: Mapping[str, FloatArray], figures: dict[str, float | int | str]
) -> list[str]:
    """A sentence on each interface that was sought, and its figures."""
    if not parting.free:
        return []
    names = {"": "thickness", "_low": "thin", "_high": "thick"}
    depths = {end: np.cumsum(usual[name]).tolist() for end, name in names.items()}
    for end, column in depths.items():
        figures.update({f"base{k}{end}": depth for k, depth in enumerate(column, start=1)})
    return [
        f"The bottom of layer {k} lies at {at:.2f} m (median), between {low:.2f} and {high:.2f} m."
        for k, (at, low, high) in enumerate(zip(*depths.values()), start=1)
    ]
