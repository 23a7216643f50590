"""Convert channels of coil pairs: field ratio, apparent conductivity, apparent susceptibility."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from ..options import check_words
from ..progress import Progress, advance, keep_going, portion
from ..readings import Correction, FloatArray, Readings
from .conversion.apparent import exact_conductivity, exact_ratio
from .conversion.forms import FORMS, IN_PHASE_FORMS, LEAST, QUADRATURE_FORMS, Lifted, unit_of
from .conversion.remarks import Done, Remarks
from .conversion.told import Told
from .conversion.zero_level import ZeroLevel, offset_at
from .instrument import CONDUCTIVITY, HEIGHTS, Channel, Instrument

RECORDED = "recorded"
UNCHANGED = "unchanged"


@dataclass(frozen=True)
class EmiUnitsOptions:
    """What channels are in, and what they are brought to: see `conversion.forms`.

    Parameters
    ----------
    quadrature_from, in_phase_from
        A form, or ``"recorded"``: that of the instrument description, or what the history says.
    quadrature_to, in_phase_to
        A form, or ``"unchanged"``.
    subtract_conductive
        Take what the conductive ground gives off the in-phase part, by the quadrature part of the
        same pair.

    Raises
    ------
    ValueError
        If a form is unknown.
    """

    quadrature_from: str = RECORDED
    quadrature_to: str = "exact"
    in_phase_from: str = RECORDED
    in_phase_to: str = UNCHANGED
    subtract_conductive: bool = False

    def __post_init__(self) -> None:
        check_words(
            ("Quadrature form", self.quadrature_from, (RECORDED, *QUADRATURE_FORMS)),
            ("Quadrature form", self.quadrature_to, (UNCHANGED, *QUADRATURE_FORMS)),
            ("In-phase form", self.in_phase_from, (RECORDED, *IN_PHASE_FORMS)),
            ("In-phase form", self.in_phase_to, (UNCHANGED, *IN_PHASE_FORMS)),
        )


@dataclass(frozen=True, eq=False)
class EmiUnitsCorrection(Correction):
    """What a conversion gives back, and the form of each channel by name."""

    forms: Mapping[str, str] = field(default_factory=dict)


def emiunits(
    readings: Readings,
    instrument: Instrument,
    options: EmiUnitsOptions | None = None,
    *,
    channels: Sequence[str] | None = None,
    height: npt.ArrayLike | None = None,
    zero: ZeroLevel | None = None,
    told: Told | None = None,
    progress: Progress = keep_going,
) -> EmiUnitsCorrection:
    """Convert the channels of an instrument to other units.

    Parameters
    ----------
    channels
        Fields to convert; None for all that the instrument knows. The others are left as they are.
    height
        Of the coils above the ground at each reading, m, shape ``(n,)``, NaN where unknown; None
        for the pairs' own.
    zero
        What is taken off first.
    told
        What the history tells of the channels; None for nothing.

    Raises
    ------
    ValueError
        If there is no channel to convert, its unit is another than its form's, the in-phase part
        says nothing of susceptibility at this height, the zero level cannot be found, or no reading
        of a channel would be left.

    Examples
    --------
    >>> from lynchet.algorithms.ground.instrument import CoilPair
    >>> one = Instrument((CoilPair(1.0, frequency=10_000.0, height=0.2, quadrature="ec"),))
    >>> r = Readings.build(x=[0], y=[0], values=[20.0], channels=["ec"], units=["mS/m"])
    >>> found = emiunits(r, one)
    >>> found.readings.values.round(2).tolist(), found.readings.units
    ([[22.29]], ('mS/m',))
    """
    told = told or Told()
    run = _Run.of(readings, instrument, options or EmiUnitsOptions(), channels, height, told)
    zero = zero or ZeroLevel()
    zero.check([channel.field for channel in run.channels])
    run.speak(zero)
    # Quadrature first: the in-phase part may need it.
    ordered = sorted(run.channels, key=lambda channel: channel.part == "in_phase")
    for number, channel in enumerate(ordered):
        share = portion(progress, number / len(ordered), (number + 1) / len(ordered))
        run.convert(channel, zero, share)
    advance(progress, 1.0)
    return run.correction()


@dataclass(frozen=True, eq=False)
class _Run:
    """One conversion under way: what is given, and what is filled in channel by channel."""

    readings: Readings
    options: EmiUnitsOptions
    channels: tuple[Channel, ...]
    height: FloatArray | None
    told: Told
    values: FloatArray
    units: list[str]
    remarks: Remarks
    grounds: dict[int, FloatArray] = field(default_factory=dict)
    """Exact conductivity by pair, where it was worked out."""

    @classmethod
    def of(
        cls,
        readings: Readings,
        instrument: Instrument,
        options: EmiUnitsOptions,
        channels: Sequence[str] | None,
        height: npt.ArrayLike | None,
        told: Told,
    ) -> _Run:
        """Check what is given."""
        known = [channel.field for channel in instrument.channels]
        if channels is None:
            channels = [name for name in readings.channels if name in known]
            if not channels:
                raise ValueError(
                    f"None of the channels {', '.join(readings.channels)} is one of "
                    f"{instrument.name}: it has {', '.join(known) or 'none with a field name'}. "
                    "Correct the fields of the instrument description."
                )
        chosen = instrument.channels_of(channels)
        left = [name for name in readings.channels if name not in channels]
        heights = None if height is None else _checked_heights(height, len(readings))
        values, units = readings.values.copy(), list(readings.units)
        remarks = Remarks.beginning(left)
        made = cls(readings, options, chosen, heights, told, values, units, remarks)
        for channel in chosen:
            made.check(channel)
        return made

    def forms(self, channel: Channel) -> tuple[str, str]:
        """What a channel is in, and what it is brought to."""
        start = getattr(self.options, f"{channel.part}_from")
        end = getattr(self.options, f"{channel.part}_to")
        if start == RECORDED:
            start = "low_induction" if channel.unit == CONDUCTIVITY else channel.unit
            told = self.told.forms.get(channel.field)
            start = told if told in FORMS[channel.part] else start
        return start, start if end == UNCHANGED else end

    def recorded(self, channel: Channel) -> bool:
        """Whether what a channel is in is left to description and history."""
        return str(getattr(self.options, f"{channel.part}_from")) == RECORDED

    def asked(self, channel: Channel) -> bool:
        """Whether a channel is to be in a form that was chosen."""
        return str(getattr(self.options, f"{channel.part}_to")) != UNCHANGED

    def needs_ground(self, channel: Channel) -> bool:
        """Whether the exact conductivity of a quadrature channel is wanted, if only to compare."""
        start, end = self.forms(channel)
        compared = "exact" in (start, end) or end == "low_induction_lifted"
        return self.options.subtract_conductive or (start != end and compared)

    def speak(self, zero: ZeroLevel) -> None:
        """What is to be said before anything is converted."""
        told, warnings = self.told, self.remarks.warnings
        self.remarks.unspoken(
            [c for c in self.channels if self.recorded(c) and c.field not in told.forms]
        )
        pairs = {channel.number: channel.pair for channel in self.channels}
        for pair in pairs.values():
            self.remarks.high(pair, self.height)
        for channel in self.channels:
            name, forms = channel.field, self.forms(channel)
            if name in told.levels and (name in zero.offsets or name in zero.known):
                warnings.append(
                    f"{name}: the history says that its zero level was set once before."
                )
            unit, as_shown = unit_of(forms[0]), channel.unit if self.recorded(channel) else ""
            meant = told.levels.get(name) or as_shown
            if name in zero.offsets and meant and meant != unit:
                whose = "as the time before" if told.levels.get(name) else "as the instrument shows"
                warnings.append(
                    f"{name}: the offset of {zero.offsets[name]:g} is taken in {unit}, which the "
                    f"channel is in now, not in {meant} {whose}. Correct it if {meant} was meant."
                )
            # A factor may come before or after the rule, which is one too.
            linear = {*forms} <= {"low_induction", "low_induction_lifted"}
            spoiled = (forms[0] != forms[1] and not linear) or self.options.subtract_conductive
            if channel.part == "quadrature" and name in told.referred and spoiled:
                warnings.append(
                    f"{name}: by the history its values were referred to {told.referred[name]:g} "
                    "°C: they are not what the coils read, and what is made of them is wrong. "
                    "Convert the layer as it was before, then refer the result."
                )

    def subtracts(self, channel: Channel) -> bool:
        """Whether the conductive ground's part is taken off a channel."""
        return channel.part == "in_phase" and self.options.subtract_conductive

    def coils(self, channel: Channel) -> Lifted:
        """The channel's pair at its heights."""
        height = self.height
        if height is None:
            return Lifted(channel.pair, np.full(len(self.readings), channel.pair.height))
        return Lifted(channel.pair, height)

    def check(self, channel: Channel) -> None:
        """Refuse a channel that cannot be what it is said to be, or become what it should."""
        name, forms = channel.field, self.forms(channel)
        given = not self.recorded(channel)
        unit = self.readings.units[self.readings.channels.index(name)]
        if unit and unit != unit_of(forms[0]):
            wrong = f"Channel '{name}' is in {unit} by the layer, but in {unit_of(forms[0])} by "
            if not given:
                raise ValueError(
                    wrong + "the instrument description. Correct the one that is wrong, or choose "
                    f"what the {channel.part.replace('_', '-')} channels are in now."
                )
            self.remarks.warnings.append(wrong + "what was chosen: the choice counts.")
        told = self.told.forms.get(name)
        if given and told and told != forms[0]:
            self.remarks.warnings.append(
                f"Channel '{name}' was converted before, to '{told}' by the history, and is taken "
                f"for '{forms[0]}' now: it may be converted twice."
            )
        if self.subtracts(channel) and channel.number not in [
            one.number for one in self.channels if one.part == "quadrature"
        ]:
            raise ValueError(
                f"To take the conductive ground off '{name}', the quadrature part of its coil pair "
                "is needed among the channels. Add it; 'unchanged' leaves it as it is."
            )
        if "susceptibility" in forms and self.height is None:
            share = float(self.coils(channel).in_phase_share[:1].sum())
            if len(self.readings) and abs(share) < LEAST:
                raise ValueError(
                    f"Channel '{name}': {channel.pair.orientation} dipoles {channel.pair.height:g} "
                    f"m up and {channel.pair.spacing:g} m apart read nothing of uniform "
                    "susceptible ground in phase. Leave it out."
                )

    def convert(self, channel: Channel, zero: ZeroLevel, progress: Progress) -> None:
        """Level and convert one channel."""
        name, forms, coils = channel.field, self.forms(channel), self.coils(channel)
        column = self.readings.channels.index(name)
        inside, usable = self.readings.values[:, column], self.readings.usable[:, column]
        more: FloatArray = np.zeros(len(self.readings))
        if self.subtracts(channel):
            below = self.grounds[channel.number]
            more = exact_ratio(channel.pair, below, coils.height, portion(progress, 0, 0.2)).real
        offset = zero.offsets.get(name, 0.0)
        if name in zero.known:
            near = zero.near(name, self.readings, usable & np.isfinite(coils.height + more))
            found = offset_at(name, inside, near, coils, forms, zero.known[name], more)
            self.remarks.at_point(name, forms[0], found)
            offset = found.offset
        elif name in zero.offsets:
            self.remarks.offset(name, forms[0], offset)
        if name in zero.offsets or name in zero.known:
            self.remarks.figures[f"{name} offset unit"] = unit_of(forms[0])
        levelled = inside - offset
        ratio = coils.to_ratio(levelled, forms[0], portion(progress, 0.2, 0.4)) - more
        if channel.part == "quadrature" and self.needs_ground(channel):
            share = portion(progress, 0.4, 1.0)
            self.grounds[channel.number] = exact_conductivity(
                channel.pair, ratio, coils.height, share
            )
        outside = levelled
        if forms[0] != forms[1] and forms[1] == "exact":
            outside = self.grounds[channel.number]
        elif forms[0] != forms[1] or self.subtracts(channel):
            outside = coils.of_ratio(ratio, forms[1])
        self.values[:, column] = outside
        if forms[0] != forms[1]:
            self.units[column] = unit_of(forms[1])
        ground = self.grounds.get(channel.number) if channel.part == "quadrature" else None
        asked = self.asked(channel)
        done = Done(channel, coils, forms, inside, levelled, ratio, outside, usable, ground, asked)
        self.remarks.add(done, name in zero.offsets or name in zero.known)

    def correction(self) -> EmiUnitsCorrection:
        """What came of it."""
        if np.array_equal(self.values, self.readings.values, equal_nan=True):
            self.remarks.messages.append("Nothing was converted: the values are as they were.")
        forms = {channel.field: self.forms(channel)[1] for channel in self.channels}
        figures = {**self.remarks.figures, **{f"{name} form": form for name, form in forms.items()}}
        corrected = replace(self.readings, values=self.values, units=tuple(self.units))
        messages, warnings = tuple(self.remarks.messages), tuple(self.remarks.warnings)
        return EmiUnitsCorrection(corrected, figures, messages, warnings, forms)


def _checked_heights(height: npt.ArrayLike, count: int) -> FloatArray:
    heights = np.asarray(height, dtype=np.float64)
    if heights.shape != (count,):
        raise ValueError(f"{count} readings need as many heights, not {heights.size}.")
    low, high = HEIGHTS
    wrong = np.flatnonzero((heights < low) | (heights > high))
    if len(wrong):
        raise ValueError(
            f"The height of reading {wrong[0] + 1} is {heights[wrong[0]]:g} m: give {low:g} to "
            f"{high:g} m, or NULL where it is not known."
        )
    return heights
