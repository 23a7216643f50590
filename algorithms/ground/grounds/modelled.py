"""What the channels of an instrument read over layered grounds, one ground a row."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ...options import check_words
from ...progress import Progress, keep_going, portion
from ...readings import BoolArray, FloatArray
from ...words import plural
from ..instrument import PARTS, Channel, Instrument
from ..layeredresponse import layered_response
from ..pair_names import channel_names
from .departure import DEPARTURE, departures, low_response
from .typed import BOUNDS, check_counts

METHODS = ("exact", "low_induction")

LOOKED_AT = 200
"""Grounds, spread evenly, over which exact and low-induction readings are compared."""

HARDLY_BELIEVED = 1.0
"""Susceptibility (SI) above which the unit is asked for: ore, or a number in 10^-5 (common
practice, no source)."""


@dataclass(frozen=True, eq=False)
class Layered:
    """Layered grounds, one a row, NaN where a number is not known.

    Parameters
    ----------
    conductivity
        mS/m from the top, shape ``(n, L)``.
    thickness
        m, ``(n, L - 1)``.
    susceptibility
        SI, ``(n, L)``; None for none.
    height
        Of the coils above each ground, m, ``(n,)``; None for the pairs' own.
    names
        For messages: by what a number is ("conductivity" ...), the field of each column.
    source
        For messages: the layer that holds the grounds.
    """

    conductivity: FloatArray
    thickness: FloatArray
    susceptibility: FloatArray | None = None
    height: FloatArray | None = None
    names: dict[str, tuple[str, ...]] = field(default_factory=dict)
    source: str = "the grounds"

    def __len__(self) -> int:
        return len(self.conductivity)

    @property
    def known(self) -> BoolArray:
        """Which grounds have every number, shape ``(n,)``."""
        held = [self.conductivity, self.thickness]
        held += [part for part in (self.susceptibility, self._heights) if part is not None]
        known: BoolArray = np.all([np.isfinite(part).all(axis=1) for part in held], axis=0)
        return known

    @property
    def _heights(self) -> FloatArray | None:
        return None if self.height is None else self.height[:, np.newaxis]

    def check(self) -> None:
        """Refuse counts that do not fit, and the first number that cannot be.

        Raises
        ------
        ValueError
            Naming the feature and the field.
        """
        kappa = self.susceptibility
        check_counts(
            self.conductivity.shape[1],
            self.thickness.shape[1],
            0 if kappa is None else kappa.shape[1],
        )
        for what, values in (
            ("conductivity", self.conductivity),
            ("thickness", self.thickness),
            ("susceptibility", kappa),
            ("height", self._heights),
        ):
            if values is None:
                continue
            low, high, advice = BOUNDS[what]
            bad = np.argwhere((values < low) | (values > high) | np.isinf(values))
            if len(bad):
                row, column = bad[0]
                names = self.names.get(what, ())
                whose = f"field '{names[column]}'" if names else f"the {what} of layer {column + 1}"
                raise ValueError(
                    f"Feature {row + 1} of {self.source}: {whose} is {values[row, column]:g} where "
                    f"a {what} is needed; give {advice}."
                )

    def take(self, rows: BoolArray | FloatArray | slice) -> Layered:
        """Some of the grounds."""
        kappa, height = self.susceptibility, self.height
        return replace(
            self,
            conductivity=self.conductivity[rows],
            thickness=self.thickness[rows],
            susceptibility=None if kappa is None else kappa[rows],
            height=None if height is None else height[rows],
        )


@dataclass(frozen=True, eq=False)
class Modelled:
    """Readings over grounds, with words for the user.

    Parameters
    ----------
    channels
        What each column is; its `field` is the name.
    values
        In the channels' units, NaN where a ground is not known, shape ``(n, c)``.
    """

    channels: tuple[Channel, ...]
    values: FloatArray
    figures: dict[str, object] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def model_channels(
    instrument: Instrument,
    grounds: Layered,
    method: str = "exact",
    progress: Progress = keep_going,
) -> Modelled:
    """Read layered grounds with an instrument.

    Parameters
    ----------
    method
        ``"exact"``, or ``"low_induction"`` for the closed forms of McNeill (1980) and, for
        susceptibility, the static image of first order.

    Raises
    ------
    ValueError
        If a ground cannot be, none is known or the method is unknown.

    Examples
    --------
    >>> from lynchet.algorithms.ground.instrument import CoilPair
    >>> grounds = Layered(np.array([[20.0, 50.0]]), np.array([[0.5]]))
    >>> found = model_channels(Instrument((CoilPair(1.0),)), grounds, "low_induction")
    >>> [channel.field for channel in found.channels], found.values.round(2).tolist()
    (['ec_100_vertical', 'ip_100_vertical'], [[41.21, 0.0]])
    """
    check_words(("Method", method, METHODS))
    grounds.check()
    known = grounds.known
    if not known.any():
        raise ValueError(
            f"No feature of {grounds.source} has all the numbers of a ground: each of the "
            f"{len(grounds)} lacks one. Choose other fields."
        )
    named = with_channels(instrument).channels
    whole = grounds if known.all() else grounds.take(known)
    respond = layered_response if method == "exact" else low_response
    ratio = respond(
        instrument.pairs,
        whole.conductivity,
        whole.thickness,
        whole.susceptibility,
        whole.height,
        progress=portion(progress, 0.0, 0.9),
    )
    values = np.full((len(grounds), len(named)), np.nan)
    for column, channel in enumerate(named):
        part = ratio[:, channel.number]
        values[known, column] = (
            part.imag if channel.part == "quadrature" else part.real
        ) / channel.scale
    share = _departure(instrument, whole, portion(progress, 0.9, 1.0))
    figures = _figures(named, values, method, share)
    return Modelled(
        named,
        values,
        figures,
        tuple(_messages(named, values, whole, method, share)),
        tuple(_warnings(named, known, whole, method, share)),
    )


def with_channels(instrument: Instrument, before: str = "") -> Instrument:
    """An instrument whose pairs all name fields; those that named none get names for both parts.

    Parameters
    ----------
    before
        Text put before every name.

    Examples
    --------
    >>> from lynchet.algorithms.ground.instrument import CoilPair
    >>> pairs = (CoilPair(0.5, quadrature="ec_050"), CoilPair(1.0))
    >>> [channel.field for channel in with_channels(Instrument(pairs), "m_").channels]
    ['m_ec_050', 'm_ec_100_vertical', 'm_ip_100_vertical']
    """
    parts = (channel_names(instrument, part) for part in PARTS)
    pairs = tuple(
        replace(
            pair,
            quadrature=quadrature and before + quadrature,
            in_phase=in_phase and before + in_phase,
        )
        for pair, quadrature, in_phase in zip(instrument.pairs, *parts)
    )
    return replace(instrument, pairs=pairs)


def _departure(instrument: Instrument, grounds: Layered, progress: Progress) -> float:
    """How far exact readings lie from those at low induction numbers, at most, as a share."""
    few = grounds.take(slice(None, None, -(-len(grounds) // LOOKED_AT)))
    found = departures(instrument.pairs, few.conductivity, few.thickness, few.height, progress)
    return float(np.abs(found.share).max())


def _figures(
    channels: Sequence[Channel], values: FloatArray, method: str, share: float
) -> dict[str, object]:
    figures: dict[str, object] = {
        "grounds": len(values),
        "incomplete": int(np.isnan(values).any(axis=1).sum()),
        "method": method,
        "departure": float(f"{share:.4g}"),
    }
    for channel, column in zip(channels, values.T):
        figures[channel.field] = {
            "lowest": float(np.nanmin(column)),
            "median": float(np.nanmedian(column)),
            "highest": float(np.nanmax(column)),
        }
    return figures


def _messages(
    channels: Sequence[Channel], values: FloatArray, whole: Layered, method: str, share: float
) -> list[str]:
    how = "exact" if method == "exact" else "at low induction numbers"
    count = plural(len(whole), "ground")
    said = [f"Readings of {plural(len(channels), 'channel')} over {count}, {how}."]
    for channel, column in zip(channels, values.T):
        low, high = float(np.nanmin(column)), float(np.nanmax(column))
        unit = channel.unit if channel.unit != "ratio" else ""
        said.append(f"'{channel.field}', {channel.pair.label}: {_span(low, high, unit)}.")
    if method == "exact":
        said.append(
            f"At low induction numbers conductivities would differ by up to {100 * share:.2g} %."
        )
    in_phase = [channel.field for channel in channels if channel.part == "in_phase"]
    if in_phase and whole.susceptibility is None:
        holds = "only what the conductivity does" if method == "exact" else "nothing but 0"
        said.append(f"No susceptibility is given: the in-phase channels hold {holds}.")
    return said


def _span(low: float, high: float, unit: str) -> str:
    """A range, both ends to the same decimals: four digits of the larger.

    Examples
    --------
    >>> _span(18.99, 19.0, "mS/m"), _span(20.745, 20.7451, "mS/m"), _span(0.0, 0.0, "")
    ('18.99 to 19.00 mS/m', '20.75 mS/m', '0')
    """
    largest = max(abs(low), abs(high))
    decimals = max(0, 3 - int(np.floor(np.log10(largest)))) if largest else 0
    ends = [f"{value:,.{decimals}f}" for value in (low, high)]
    text = ends[0] if ends[0] == ends[1] else " to ".join(ends)
    return f"{text} {unit}" if unit else text


def _warnings(
    channels: Sequence[Channel], known: BoolArray, whole: Layered, method: str, share: float
) -> list[str]:
    found = []
    missing = int(np.count_nonzero(~known))
    if missing:
        names = ", ".join(channel.field for channel in channels)
        lacks = plural(missing, "feature lacks", "features lack")
        found.append(f"{lacks} a number of the ground: NULL in {names}.")
    if method == "low_induction" and share > DEPARTURE:
        found.append(
            f"Exact conductivities differ by up to {100 * share:.2g} % from these at low induction "
            "numbers. Choose the method 'exact'."
        )
    kappa = whole.susceptibility
    if kappa is not None and kappa.max() > HARDLY_BELIEVED:
        found.append(
            f"Susceptibilities reach {kappa.max():g} (SI), which soil never has. Are they in 10^-5 "
            "or 10^-3? Then divide them."
        )
    return found
