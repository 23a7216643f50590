"""What a layer's history tells of its channels."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True)
class Told:
    """What the history tells, by channel.

    Parameters
    ----------
    forms
        Form of every channel that the history speaks of; empty where it was never converted.
    levels
        Unit in which a zero level was taken off before; empty where that is not known.
    referred
        Temperature that conductivity was referred to since, °C.
    """

    forms: Mapping[str, str] = field(default_factory=dict)
    levels: Mapping[str, str] = field(default_factory=dict)
    referred: Mapping[str, float] = field(default_factory=dict)
