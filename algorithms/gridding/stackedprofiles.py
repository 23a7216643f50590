"""Draw stacked profiles: each traverse as a line offset by what was measured along it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..options import check_words
from ..progress import Progress, advance, keep_going
from ..readings import NO_LINE, BoolArray, FloatArray, IntArray, Readings, Traverse
from ..words import in_unit, plural
from . import spacing
from .offsets import stretch_of

BASES = ("survey_median", "traverse_median")
USUAL_GAP = 5.0
"""A step this many times the usual one ends a stretch of profile."""
LONGER = 1.5
"""Over a missing reading, a step this many times the traverse's usual one ends a stretch."""
REACH = 1.0
"""Traverse separations that the ordinary range of a channel reaches, where no scale is given."""
SQUARE = 20.0
"""A side nearer than this to the course of a traverse, degrees, is no side of it."""
ORDINARY = 95.0
"""Percentage of the readings that are in the ordinary range."""
NORTH_EAST = 45.0
"""Bearing that chooses the side of positive values: north of east-west traverses, east of others"""


@dataclass(frozen=True)
class ProfileOptions:
    """How to draw.

    Parameters
    ----------
    scale
        Map units for one channel unit: one for all channels or one a channel; empty for scales at
        which `ORDINARY` per cent of the readings stay within one traverse separation.
    base
        Value drawn on the traverse itself, one of `BASES`: the median of the channel over the
        survey, or over each traverse.
    base_value
        Values drawn on the traverse itself instead, one for all channels or one a channel.
    clip
        Offsets are cut off at this distance from the traverse, map units; None for no limit.
    towards
        Bearing to whose side higher values are drawn, degrees clockwise from grid north; None for
        the north of traverses that run east and west, the east of those that run north and south.
    gap
        A longer step between readings ends a stretch of profile, map units; None for `USUAL_GAP`
        times the usual step.
    """

    scale: tuple[float, ...] = ()
    base: str = "survey_median"
    base_value: tuple[float, ...] = ()
    clip: float | None = None
    towards: float | None = None
    gap: float | None = None


@dataclass(frozen=True, eq=False)
class Profile:
    """One traverse of one channel, drawn.

    Parameters
    ----------
    traverse
        The traverse.
    channel
        Its place among the channels.
    stretches
        The profile between gaps, shape ``(k, 2)`` each, in walking order.
    grounds
        The traverse itself below each stretch, shape ``(k, 2)`` each.
    above, below
        Outlines between traverse and profile where the value is above or below the base, shape
        ``(k, 2)`` each, not closed.
    base, scale
        Value on the traverse, and map units for one channel unit.
    bearing
        Direction of the offsets of higher values, degrees clockwise from grid north.
    lowest, highest
        Of the readings drawn, before clipping.
    readings, clipped
        How many were drawn, and how many of them were cut off.
    """

    traverse: Traverse
    channel: int
    stretches: tuple[FloatArray, ...]
    grounds: tuple[FloatArray, ...]
    above: tuple[FloatArray, ...]
    below: tuple[FloatArray, ...]
    base: float
    scale: float
    bearing: float
    lowest: float
    highest: float
    readings: int
    clipped: int


@dataclass(frozen=True, eq=False)
class Profiles:
    """All profiles, channel by channel, and what to tell."""

    profiles: tuple[Profile, ...]
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def stackedprofiles(
    readings: Readings,
    options: ProfileOptions = ProfileOptions(),
    progress: Progress = keep_going,
) -> Profiles:
    """Draw every traverse as a profile over itself.

    All offsets of a traverse run in one direction, square to its overall course, and those of all
    traverses to one side, whichever way they were walked. What is missing is not bridged: a
    profile stops before a missing reading or a gap and begins anew behind it. Where a profile
    crosses its traverse or the limit of clipping, a corner is put in, so that fills and cuts are
    exact.

    Raises
    ------
    ValueError
        If an option cannot be taken, the scale cannot be found from the readings, the side lies
        along the traverses, or no traverse has two readings next to each other.

    Examples
    --------
    >>> r = Readings.build(x=[0, 1, 2], y=[0, 0, 0], values=[10, 12, 8], line=[1, 1, 1])
    >>> drawn = stackedprofiles(r, ProfileOptions(scale=(0.5,), base_value=(10,))).profiles[0]
    >>> drawn.stretches[0].tolist()
    [[0.0, 0.0], [1.0, 1.0], [1.5, 0.0], [2.0, -1.0]]
    """
    count = len(readings.channels)
    _check(options, count)
    usable = readings.usable & (np.isfinite(readings.x) & np.isfinite(readings.y))[:, np.newaxis]
    scale = _each(options.scale, count) or _scales(
        readings, np.where(usable, readings.values, np.nan)
    )
    gap = options.gap if options.gap is not None else USUAL_GAP * _usual_step(readings)
    side = _side(readings, options.towards)
    origin = (
        np.array([np.nanmin(readings.x), np.nanmin(readings.y)]) if usable.any() else np.zeros(2)
    )
    xy = np.column_stack([readings.x, readings.y]) - origin

    found: list[Profile] = []
    alone = 0
    for channel in range(count):
        on_base = _bases(options, readings.values[usable[:, channel], channel], channel, count)
        for number, traverse in enumerate(readings.lines):
            if number % 100 == 0:
                advance(progress, (channel + number / len(readings.lines)) / count)
            rows, missing = _drawn(traverse, usable[:, channel], xy)
            values = readings.values[rows, channel]
            parts, single = _parts(xy[rows], gap, missing)
            alone += single
            if not parts:
                continue
            bearing = _offset_bearing(xy[rows], side)
            base = float(np.median(values)) if on_base is None else on_base
            drawn = [
                stretch_of(
                    xy[rows][part], (values[part] - base) * scale[channel], bearing, options.clip
                )
                for part in parts
            ]
            shown = np.concatenate([values[part] for part in parts])
            cut = 0
            if options.clip is not None:
                cut = int(np.sum(np.abs(shown - base) * scale[channel] > options.clip))
            found.append(
                Profile(
                    traverse,
                    channel,
                    tuple(stretch.line + origin for stretch in drawn),
                    tuple(stretch.ground + origin for stretch in drawn),
                    tuple(ring + origin for stretch in drawn for ring in stretch.fills(1)),
                    tuple(ring + origin for stretch in drawn for ring in stretch.fills(-1)),
                    base,
                    scale[channel],
                    bearing,
                    float(shown.min()),
                    float(shown.max()),
                    len(shown),
                    cut,
                )
            )
    if not found:
        raise ValueError(
            "No profile can be drawn: no traverse has two usable readings next to each other. "
            "Check the traverse number field and the gap."
        )
    advance(progress, 1.0)
    off = int((readings.line == NO_LINE).sum()) if len(readings.lines) else 0
    return Profiles(tuple(found), *_remarks(readings, scale, found, (alone, off), options))


def _check(options: ProfileOptions, channels: int) -> None:
    """Refuse options that cannot be drawn by."""
    check_words(("Base", options.base, BASES))
    for what, given in (("scale", options.scale), ("base value", options.base_value)):
        if len(given) not in (0, 1, channels):
            raise ValueError(
                f"{len(given)} figures are given for the {what} of {plural(channels, 'channel')}. "
                "Give one for all, or one a channel."
            )
        if not np.isfinite(given).all():
            raise ValueError(f"A {what} is no number. Give plain numbers.")
    if any(one <= 0 for one in options.scale):
        raise ValueError(f"The scale is {min(options.scale):g}. Give a scale above 0.")
    for what, length in (("limit of clipping", options.clip), ("gap", options.gap)):
        if length is not None and not (math.isfinite(length) and length > 0):
            raise ValueError(f"The {what} is {length:g}. Give a length above 0.")


def _each(given: tuple[float, ...], count: int) -> tuple[float, ...]:
    """One figure a channel, from one for all or one a channel; empty where none is given."""
    return given * count if len(given) == 1 else given


def _scales(readings: Readings, values: FloatArray) -> tuple[float, ...]:
    """Scales at which the ordinary range of each channel reaches `REACH` separations."""
    try:
        reach = REACH * spacing.traverse_separation(readings)
    except ValueError:
        raise ValueError(
            "No scale can be found, for the readings show no second traverse beside the first. "
            "Give a scale: map units for one channel unit."
        ) from None
    found = []
    for column in values.T:
        column = column[np.isfinite(column)]
        away = np.abs(column - np.median(column)) if len(column) else column
        ordinary = float(np.percentile(away, ORDINARY)) if len(away) else 0.0
        found.append(_two_figures(reach / ordinary) if ordinary > 0 else reach)
    return tuple(found)


def _two_figures(scale: float) -> float:
    """A scale of two figures, no larger, that can be written beside a drawing."""
    digit = 10.0 ** (math.floor(math.log10(scale)) - 1)
    return float(f"{math.floor(scale / digit) * digit:.2g}")


def _usual_step(readings: Readings) -> float:
    """The reading interval; where there is none, anything is one stretch."""
    try:
        return spacing.reading_interval(readings)
    except ValueError:
        return math.inf


def _side(readings: Readings, towards: float | None) -> float:
    """The bearing whose side higher values are drawn to.

    Square to the common direction of the traverses, so that they agree even where one of them
    runs a little to the other side of a quarter.
    """
    common = spacing.traverse_bearing(readings)
    if towards is None:
        return NORTH_EAST if common is None else _nearer(common + 90.0, NORTH_EAST)
    if common is None:
        return towards
    if abs(math.sin(math.radians(towards - common))) < math.sin(math.radians(SQUARE)):
        raise ValueError(
            f"The traverses run along {common:.0f} degrees, so that a bearing of {towards:g} lies "
            f"to no side of them. Give one near {(common + 90) % 360:.0f} or "
            f"{(common + 270) % 360:.0f} degrees."
        )
    return _nearer(common + 90.0, towards)


def _nearer(bearing: float, side: float) -> float:
    """The bearing or its opposite, whichever is nearer to a side; of two as near, the first."""
    away = math.cos(math.radians(bearing - side))
    return bearing % 360.0 if away >= -1e-9 else (bearing + 180.0) % 360.0


def _offset_bearing(xy: FloatArray, side: float) -> float:
    """Direction square to the overall course of a traverse, towards a side."""
    centred = xy - xy.mean(axis=0)
    values, axes = np.linalg.eigh(centred.T @ centred)
    east, north = axes[:, 0]  # the direction in which the traverse is narrowest
    if values[1] <= 0:
        return side % 360.0
    return _nearer(math.degrees(math.atan2(east, north)), side)


def _bases(options: ProfileOptions, values: FloatArray, channel: int, count: int) -> float | None:
    """The value on the traverses; None where each has its own median."""
    if options.base_value:
        return _each(options.base_value, count)[channel]
    if options.base == "traverse_median" or not len(values):
        return None
    return float(np.median(values))


def _drawn(traverse: Traverse, usable: BoolArray, xy: FloatArray) -> tuple[IntArray, BoolArray]:
    """Rows of a traverse that can be drawn, and before which of them a placed one is missing."""
    placed = traverse.rows[np.isfinite(xy[traverse.rows, 0])]
    kept = usable[placed]
    missed = np.cumsum(~kept)[kept]
    return placed[kept], np.diff(missed, prepend=missed[:1]) > 0


def _parts(xy: FloatArray, gap: float, missing: BoolArray) -> tuple[list[slice], int]:
    """Stretches of two readings or more with nothing missing, and how many stand alone."""
    if not len(xy):
        return [], 0
    step = np.hypot(*np.diff(xy, axis=0).T)
    # Where a channel has every second reading by design, none of it is missing.
    longer = missing[1:] & (step > LONGER * (np.median(step) if len(step) else 0.0))
    breaks = np.flatnonzero((step > gap) | longer) + 1
    ends = [0, *breaks.tolist(), len(xy)]
    parts = [slice(start, end) for start, end in zip(ends, ends[1:])]
    kept = [part for part in parts if part.stop - part.start > 1]
    return kept, len(parts) - len(kept)


def _remarks(
    readings: Readings,
    scale: tuple[float, ...],
    found: list[Profile],
    left: tuple[int, int],
    options: ProfileOptions,
) -> tuple[dict[str, float | int | str], tuple[str, ...], tuple[str, ...]]:
    """Figures, messages and warnings; `left` counts readings alone and those of no traverse."""
    alone, off = left
    drawn = {profile.channel for profile in found}
    figures: dict[str, float | int | str] = {
        "profiles": len(found),
        "readings_drawn": sum(profile.readings for profile in found),
        "readings_alone": alone,
    }
    messages = []
    for channel in sorted(drawn):
        name, unit = readings.channels[channel], readings.units[channel] or "unit"
        figures[f"scale_{name}"] = scale[channel]
        own = [profile for profile in found if profile.channel == channel]
        bases = {profile.base for profile in own}
        level = in_unit(own[0].base, readings.units[channel])
        messages.append(
            f"{name}: {plural(len(own), 'profile')}; 1 {unit} is drawn {scale[channel]:g} map "
            f"units high, and {level if len(bases) == 1 else 'its own median'} lies on each "
            "traverse."
        )
    if off:
        messages.append(
            f"{plural(off, 'reading')} on no traverse {'is' if off == 1 else 'are'} left out."
        )
    cut = sum(profile.clipped for profile in found)
    if cut and options.clip is not None:
        figures["readings_clipped"] = cut
        messages.append(
            f"{plural(cut, 'reading')} reach further than {options.clip:g} map units and are drawn "
            "cut off."
        )
    warnings = [
        f"Channel {name} has no two usable readings next to each other: it is not drawn."
        for channel, name in enumerate(readings.channels)
        if channel not in drawn
    ]
    if alone:
        warnings.append(
            f"{plural(alone, 'reading')} stand alone between gaps and are not drawn."
            if alone > 1
            else "1 reading stands alone between gaps and is not drawn."
        )
    return figures, tuple(messages), tuple(warnings)
