"""Coil spacings of channels, told or read off their names."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np


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
        If the text cannot be read, names what is not there, or nothing tells a channel's spacing.

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
        given[name] = spacing
    found = {}
    for channel in dict.fromkeys((*channels, *others)):
        guess = re.search(r"(?<!\d)\d{3}$", channel)
        spacing = given.get(channel, int(guess[0]) / 100.0 if guess else 0.0)
        if channel in given or spacing:
            found[channel] = spacing
        elif channel in channels:
            raise ValueError(
                f"Nothing tells the coil spacing of channel '{channel}'. Give it in metres, such "
                f"as '{channel} = 1.0', or leave the channel out."
            )
    return found


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
