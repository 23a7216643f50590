"""An electromagnetic induction instrument: its coil pairs and what its channels are.

An instrument has one or more coil pairs, a transmitter and a receiver each, over the ground at a
height. A pair gives up to two channels: the quadrature and the in-phase part of the secondary
field at the receiver over the primary field there.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from ..options import check_words
from .low_induction import ORIENTATIONS

PARTS = ("quadrature", "in_phase")

SCALES = {"ratio": 1.0, "ppt": 1e-3, "ppm": 1e-6}
"""Units of a plain field ratio, and what one of each is."""

CONDUCTIVITY = "mS/m"
"""Unit of a quadrature channel that is apparent conductivity."""

HIGH = 2.0
"""Coil spacings above which a height is asked after: what is left of the reading is a quarter or
less (our choice)."""

WIDE = 10.0
"""Coil spacing, m, above which it is asked after: surveys for what lies buried near the surface use
some metres at most (common practice, no source)."""

NO_LONGER_LOW = 0.1
"""Induction number from which "much less than 1" is no longer taken for granted: common practice,
no source."""

SPACINGS = (0.05, 40.0)
HEIGHTS = (0.0, 50.0)
FREQUENCIES = (100.0, 1e6)
"""What is believed, metres and hertz: what loops are built for (common practice, no source). 50 is
a spacing in centimetres, 10 a frequency in kilohertz."""


@dataclass(frozen=True)
class CoilPair:
    """A transmitter and a receiver.

    Parameters
    ----------
    spacing
        Distance between their midpoints, m.
    orientation
        One of `ORIENTATIONS`.
    frequency
        Hz.
    height
        Of both coils above the ground, m.
    name
        How the pair is called; empty: by its spacing and orientation.
    quadrature, in_phase
        Fields that hold the two parts; empty for a part that is not recorded.

    Raises
    ------
    ValueError
        If the orientation is unknown or a number out of its range.
    """

    spacing: float
    orientation: str = "vertical"
    frequency: float = 10_000.0
    height: float = 0.0
    name: str = ""
    quadrature: str = ""
    in_phase: str = ""

    def __post_init__(self) -> None:
        check_words(("Orientation", self.orientation, ORIENTATIONS))
        ranges = (
            ("coil spacing", self.spacing, SPACINGS, "m", 0.01, "cm"),
            ("frequency", self.frequency, FREQUENCIES, "Hz", 1e3, "kHz"),
            ("height", self.height, HEIGHTS, "m", 0.01, "cm"),
        )
        for what, value, (low, high), unit, factor, mistaken in ranges:
            if not low <= value <= high:
                meant = told_in(value, factor, mistaken, low, high)
                raise ValueError(
                    f"The {what} is {value:,.10g} {unit}: give {low:g} to {high:,.10g} {unit}"
                    f"{meant and f' ({meant})'}."
                )

    @property
    def label(self) -> str:
        """The pair's name, or its spacing and orientation, e.g. ``1 m vertical``."""
        return self.name or f"{self.spacing:g} m {self.orientation}"


def told_in(value: float, factor: float, unit: str, low: float, high: float) -> str:
    """What a number out of its range is if it was told in another unit; empty if that cannot be.

    Examples
    --------
    >>> told_in(10, 1e3, "kHz", *FREQUENCIES), told_in(0, 1e3, "kHz", *FREQUENCIES)
    ('10 kHz is 10000', '')
    """
    meant = value * factor
    return f"{value:.10g} {unit} is {meant:.10g}" if value > 0 and low <= meant <= high else ""


@dataclass(frozen=True)
class Instrument:
    """Coil pairs that are carried together.

    Parameters
    ----------
    pairs
        One or more.
    name
        What it is called in messages and figures.
    quadrature_unit
        Unit of the quadrature channels: ``"mS/m"`` for apparent conductivity at low induction
        numbers, or a plain ratio, a key of `SCALES`.
    in_phase_unit
        Unit of the in-phase channels, a key of `SCALES`.

    Raises
    ------
    ValueError
        If there is no pair, two fields are the same or a unit is unknown.
    """

    pairs: tuple[CoilPair, ...]
    name: str = "instrument"
    quadrature_unit: str = CONDUCTIVITY
    in_phase_unit: str = "ppt"

    def __post_init__(self) -> None:
        if not self.pairs:
            raise ValueError("The instrument has no coil pair: give at least one.")
        check_words(
            ("Unit of the quadrature part", self.quadrature_unit, (CONDUCTIVITY, *SCALES)),
            ("Unit of the in-phase part", self.in_phase_unit, tuple(SCALES)),
        )
        fields = [channel.field for channel in self.channels]
        twice = [name for name in fields if fields.count(name) > 1]
        if twice:
            raise ValueError(f"Field '{twice[0]}' stands for two channels: each has its own.")

    @property
    def channels(self) -> tuple[Channel, ...]:
        """Every channel that is recorded, pair by pair, quadrature first."""
        units = {"quadrature": self.quadrature_unit, "in_phase": self.in_phase_unit}
        return tuple(
            Channel(getattr(pair, part), number, pair, part, units[part])
            for number, pair in enumerate(self.pairs)
            for part in PARTS
            if getattr(pair, part)
        )

    def channels_of(self, names: Sequence[str]) -> tuple[Channel, ...]:
        """The channels of these fields, in their order.

        Raises
        ------
        ValueError
            If one is no channel of the instrument.
        """
        known = {channel.field: channel for channel in self.channels}
        absent = [name for name in names if name not in known]
        if absent:
            raise ValueError(
                f"'{absent[0]}' is no channel of {self.name}: it has "
                f"{', '.join(known) or 'none with a field name'}."
            )
        return tuple(known[name] for name in names)


@dataclass(frozen=True)
class Channel:
    """One recorded part of one pair.

    Parameters
    ----------
    field
        Name of the field that holds it.
    number
        Of its pair in the instrument, from 0.
    pair
        The pair itself.
    part
        ``"quadrature"`` or ``"in_phase"``.
    unit
        ``"mS/m"`` or a key of `SCALES`.
    """

    field: str
    number: int
    pair: CoilPair
    part: str
    unit: str

    @property
    def scale(self) -> float:
        """Plain field ratio per unit of the channel, by McNeill (1980) for ``mS/m``."""
        if self.unit == CONDUCTIVITY:
            return 1e-3 * self.conductivity_ratio
        return SCALES[self.unit]

    @property
    def conductivity_ratio(self) -> float:
        """Quadrature part of Hs/Hp per apparent conductivity, S/m, of the pair."""
        return ratio_per_conductivity(self.pair)


MU_0 = 4e-7 * math.pi
"""Permeability of free space, H/m."""


def ratio_per_conductivity(pair: CoilPair) -> float:
    """Quadrature part of Hs/Hp per apparent conductivity (S/m) at low induction numbers.

    ``omega mu_0 s^2 / 4``, the same for all three orientations over uniform ground.

    References
    ----------
    J. D. McNeill (1980), *Electromagnetic terrain conductivity measurement at low induction
    numbers*, Technical Note TN-6.
    """
    return 2 * math.pi * pair.frequency * MU_0 * pair.spacing**2 / 4


def induction_number(pair: CoilPair, conductivity: float) -> float:
    """Coil spacing over skin depth, ``s sqrt(omega mu_0 sigma / 2)``; conductivity in mS/m.

    Examples
    --------
    >>> round(induction_number(CoilPair(1.0, frequency=10_000.0), 20.0), 4)
    0.0281
    """
    omega = 2 * math.pi * pair.frequency
    return pair.spacing * math.sqrt(omega * MU_0 * max(conductivity, 0.0) * 1e-3 / 2)


def doubtful_heights(pairs: Sequence[CoilPair]) -> list[str]:
    """Heights far above the coil spacing, a sentence each: most are centimetres.

    Examples
    --------
    >>> doubtful_heights([CoilPair(0.5, height=5.0), CoilPair(1.0, height=5.0)])[0][:70]
    "A height of 5 m is more than 2 coil spacings of '0.5 m vertical', '1 m"
    """
    high: dict[float, list[str]] = {}
    for pair in pairs:
        if pair.height > HIGH * pair.spacing:
            high.setdefault(pair.height, []).append(f"'{pair.label}'")
    return [
        f"A height of {height:g} m is more than {HIGH:g} coil spacings of {', '.join(labels)}: "
        f"little of the ground is left in the reading. Heights are in metres: {height:g} cm is "
        f"{height / 100:g}."
        for height, labels in high.items()
    ]


def doubtful_spacings(pairs: Sequence[CoilPair]) -> list[str]:
    """Coil spacings that are wide for this kind of survey, a sentence each.

    Examples
    --------
    >>> doubtful_spacings([CoilPair(32.0)])[0][:73]
    "The coil spacing of '32 m vertical' is 32 m, unusual for this kind of sur"
    """
    return [
        f"The coil spacing of '{pair.label}' is {pair.spacing:g} m, unusual for this kind of "
        f"survey. Spacings are in metres: {pair.spacing:g} cm is {pair.spacing / 100:g}."
        for pair in pairs
        if pair.spacing > WIDE
    ]
