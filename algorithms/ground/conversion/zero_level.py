"""The zero level of channels: what is read too much, given or found at a known point."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray, Readings
from ...words import in_unit, plural
from .forms import Lifted, shown

FEW = 3
"""Fewer readings than this at a known point are little to go by."""


@dataclass(frozen=True)
class ZeroLevel:
    """What is known of the zero level.

    Parameters
    ----------
    offsets
        By channel, in the unit it is read in: what is read too much, and is taken off.
    known
        By channel, in the unit it is converted to: what it should give at the known point.
    place
        Easting and northing of the known point, map units.
    radius
        Readings so near to it count, map units.
    unit
        What the map unit is called.

    Raises
    ------
    ValueError
        If a channel is in both, or known values come without a place, or the other way round.
    """

    offsets: Mapping[str, float] = field(default_factory=dict)
    known: Mapping[str, float] = field(default_factory=dict)
    place: tuple[float, float] | None = None
    radius: float = 1.0
    unit: str = "m"

    def __post_init__(self) -> None:
        both = [name for name in self.offsets if name in self.known]
        if both:
            raise ValueError(
                f"Channel '{both[0]}' has an offset and a known value: give it one of them."
            )
        if self.known and self.place is None:
            raise ValueError("Known values are given without the known point. Give the point.")
        if self.place is not None and not self.known:
            raise ValueError(
                "A known point is given without known values. Write what the channels should give "
                "there, such as ec_050 = 20."
            )
        if not self.radius > 0:
            raise ValueError(f"The radius is {self.radius:g}: give a length above 0.")

    def check(self, channels: Sequence[str]) -> None:
        """Refuse a name that is none of the channels worked on."""
        for name in (*self.offsets, *self.known):
            if name not in channels:
                raise ValueError(
                    f"The zero level names '{name}', which is no channel worked on: there are "
                    f"{', '.join(channels)}."
                )

    def near(self, name: str, readings: Readings, usable: BoolArray) -> IntArray:
        """Rows of the usable readings of a channel within the radius, ``(k,)``.

        Raises
        ------
        ValueError
            If there is none.
        """
        east, north = (np.nan, np.nan) if self.place is None else self.place
        apart = np.where(usable, np.hypot(readings.x - east, readings.y - north), np.inf)
        rows = np.flatnonzero(apart <= self.radius)
        if not len(rows):
            far = apart[np.isfinite(apart)]
            away = f"; the nearest is {in_unit(far.min(), self.unit)} away" if len(far) else ""
            raise ValueError(
                f"No usable reading of '{name}' lies within {in_unit(self.radius, self.unit)} of "
                f"the known point{away}. Move the point, or give "
                "a wider radius."
            )
        return rows


@dataclass(frozen=True, eq=False)
class Found:
    """An offset found at the known point.

    Parameters
    ----------
    offset
        In the unit the channel is read in.
    rows
        Rows it comes from.
    median, spread
        Of the readings, the spread as a standard deviation by the median absolute deviation.
    """

    offset: float
    rows: IntArray
    median: float
    spread: float

    def message(self, name: str, form: str) -> str:
        """What was found, for the user."""
        return (
            f"{name}: {plural(len(self.rows), 'reading')} at the known point, median "
            f"{shown(self.median, form)}, spread {shown(self.spread, form)}; "
            f"{shown(self.offset, form)} taken off everywhere."
        )


def offset_at(
    name: str,
    values: FloatArray,
    rows: IntArray,
    coils: Lifted,
    forms: tuple[str, str],
    known: float,
    more: FloatArray,
) -> Found:
    """The offset of a channel from readings at a known point.

    Parameters
    ----------
    name
        Of the channel, for messages.
    values
        All readings of the channel, shape ``(n,)``.
    rows
        Those at the point that may inform.
    coils
        The pair at its heights.
    forms
        What the channel is in, and what it is converted to.
    known
        What it should give, in the latter.
    more
        What the field ratio holds besides, shape ``(n,)``: the conductive part of an in-phase
        channel.

    Raises
    ------
    ValueError
        If no reading could be as known.
    """
    median = float(np.median(values[rows]))
    there = Lifted(coils.pair, np.array([np.median(coils.height[rows])]))
    ratio = there.to_ratio(np.array([known]), forms[1]) + np.median(more[rows])
    expected = float(there.of_ratio(ratio, forms[0])[0])
    if not np.isfinite(expected):
        raise ValueError(
            f"The known value of '{name}' is {shown(known, forms[1])}, which the coils "
            "cannot read there. Correct it."
        )
    spread = 1.4826 * float(np.median(np.abs(values[rows] - median)))
    return Found(median - expected, rows, median, spread)
