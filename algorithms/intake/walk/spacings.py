"""Coil spacings of channels, told or read off their names."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np

WIDEST = 20.0
"""Metres that coils are apart at most: what is more was told in centimetres."""

UNLIKE = 10.0
"""Times that a spacing may differ from that of the name before it is asked about."""


def spacings_of(text: str, channels: Sequence[str], others: Sequence[str] = ()) -> dict[str, float]:
    """Coil spacing of each channel, metres; of the others, where it is told.

    Parameters
    ----------
    text
        Spacings as ``"ec_050 = 0.5, ec_100 = 1.0"``, separated by commas, semicolons or lines. A
        channel that is not named has the spacing that three digits at the end of its name give in
        centimetres. A spacing of 0 means that the coils' midpoint lies at the transmitter.
    channels
        The channels to place.
    others
        Other channels of the layer, which may stand in the text too.

    Raises
    ------
    ValueError
        If the text cannot be read, names what is not there, or a spacing is above `WIDEST`; or
        nothing tells a channel's spacing.

    Examples
    --------
    >>> spacings_of("upper = 0.32", ["upper", "ec_100"])
    {'upper': 0.32, 'ec_100': 1.0}
    """
    given: dict[str, float] = {}
    for part in filter(None, (word.strip() for word in re.split(r"[,;\n]", text))):
        name, equals, number = (word.strip() for word in part.rpartition("="))
        try:
            spacing = float(number)
        except ValueError:
            spacing = np.nan
        if not (equals and name and 0 <= spacing < np.inf):
            raise ValueError(
                f"The coil spacings hold '{part}'. Write the channel, an equals sign and metres "
                "with a decimal point, such as 'ec_050 = 0.5'."
            )
        if name in given:
            raise ValueError(f"The coil spacing of '{name}' is given twice.")
        if name not in channels and name not in others:
            raise ValueError(
                f"The coil spacings name '{name}', which is no channel. There are: "
                f"{', '.join(channels)}."
            )
        if spacing > WIDEST:
            raise ValueError(
                f"The coil spacing of '{name}' is told as {spacing:g} m. Give it in metres, not "
                f"centimetres: at most {WIDEST:g}."
            )
        given[name] = spacing
    found = {}
    for channel in dict.fromkeys((*channels, *others)):
        spacing = given.get(channel, _named(channel))
        if channel in given or spacing:
            found[channel] = spacing
        elif channel in channels:
            raise ValueError(
                f"Nothing tells the coil spacing of channel '{channel}'. Give it in metres, such "
                f"as '{channel} = 1.0', or leave the channel out."
            )
    return found


def _named(channel: str) -> float:
    """The spacing that three digits at the end of a name give, metres; 0 where there are none."""
    digits = re.search(r"(?<!\d)\d{3}$", channel)
    return int(digits[0]) / 100.0 if digits else 0.0


def unlike_names(spacings: Mapping[str, float]) -> tuple[str, ...]:
    """A sentence for each channel whose spacing, metres, is far from that of its name.

    Examples
    --------
    >>> unlike_names({"ec_050": 0.5, "ec_100": 0.0})
    ()
    >>> unlike_names({"ip_010": 10.0})[0][:47]
    "'ip_010' is told to have a coil spacing of 10 m"
    """
    return tuple(
        f"'{name}' is told to have a coil spacing of {spacing:g} m, and its name says "
        f"{_named(name):g} m: metres, not centimetres?"
        for name, spacing in spacings.items()
        if spacing and _named(name) and not 1 / UNLIKE < spacing / _named(name) < UNLIKE
    )


def measured_elsewhere(
    others: Sequence[str], spacings: Mapping[str, float], midpoint: float | None
) -> tuple[str, ...]:
    """Channels whose midpoints are not where the points are.

    Parameters
    ----------
    others
        Channels that were not placed.
    spacings
        Coil spacings told, metres. A channel without one may be anything, and is none of these.
    midpoint
        The coil spacing whose midpoints the points are at; None where they are at none.

    Examples
    --------
    >>> measured_elsewhere(["ip_050", "ec_100", "height"], {"ip_050": 0.5, "ec_100": 1.0}, 0.5)
    ('ec_100',)
    """
    return tuple(name for name in others if spacings.get(name, midpoint) != midpoint)


def by_spacing(channels: Sequence[str], spacings: Mapping[str, float]) -> dict[float, list[str]]:
    """Channels of each coil spacing, in the order they come."""
    groups: dict[float, list[str]] = {}
    for name in channels:
        groups.setdefault(spacings[name], []).append(name)
    return groups
