"""What lies under a section through inverted ground, and how it is shown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..readings import BoolArray, FloatArray, IntArray, Readings
from .instrument import Channel
from .inversion.account import ILL_FITTED
from .inversion.soundings import Soundings
from .invertlayers import Inverted
from .section import Section

BELOW_LAST, BELOW_SEEN = 1.35, 1.15
"""A section is shown down to so many times the top of the last layer and the depth of
investigation (medians), whichever is deeper."""

BELOW_DEEPEST, AT_MOST = 1.03, 1.6
"""It also holds all the depths of investigation, times the first, unless that goes below the
second times their median. What fits badly does not count."""

NARROWEST = 2.0
"""Factor between the ends of the colours at least: noise alone is no contrast."""

CORE = (5, 95)
"""Percentiles of what is read that an axis must show well."""

BEYOND = 2.0
"""Spans of the core that an axis reaches beyond it at most."""


@dataclass(frozen=True, eq=False)
class SectionGround:
    """What lies under the `m` columns of a section; NaN where nothing was found.

    Parameters
    ----------
    conductivity
        mS/m, shape ``(m, L)``.
    factor
        How far off it may be either way, as a factor, ``(m, L)``.
    tops, bottoms
        Depths of each layer, m, ``(m, L)``; the last ends at the floor of the section.
    base_low, base_high
        Bounds of the depths of the interfaces, m, ``(m, L - 1)``; the depths where they are fixed.
    depth, misfit
        Depth of investigation, m, and residual in standard deviations, ``(m,)``.
    channels
        What was measured.
    observed, computed
        What was read, and what the layers would read, ``(m, p)``.
    range
        Conductivities that the colours run between, mS/m: see `colour_range`.
    """

    section: Section
    conductivity: FloatArray
    factor: FloatArray
    tops: FloatArray
    bottoms: FloatArray
    base_low: FloatArray
    base_high: FloatArray
    depth: FloatArray
    misfit: FloatArray
    channels: tuple[Channel, ...]
    observed: FloatArray
    computed: FloatArray
    range: tuple[float, float]

    @property
    def floor(self) -> float:
        """How deep the section is shown, m."""
        return float(np.nanmax(self.bottoms))

    @property
    def free(self) -> bool:
        """Whether the depths of the interfaces were sought, and so have bounds."""
        return bool((self.base_high > self.base_low).any())

    def cells(self) -> tuple[IntArray, FloatArray, FloatArray, FloatArray, FloatArray]:
        """Parts of the columns that are drawn alike.

        Where the bounds of an interface reach, a layer is no surer than they are.

        Returns
        -------
        tuple
            Column, top and bottom (m), conductivity and factor of each of `k` parts, ``(k,)``.
        """
        edges = np.concatenate(
            [self.tops, self.bottoms[:, -1:], self.base_low, self.base_high], axis=1
        )
        edges = np.sort(np.minimum(edges, self.floor), axis=1)
        top, bottom = edges[:, :-1], edges[:, 1:]
        column, part = np.nonzero(bottom > top + 1e-9)
        top, bottom = top[column, part], bottom[column, part]
        middle = ((top + bottom) / 2)[:, np.newaxis]
        layer = (self.tops[column] <= middle).sum(axis=1) - 1
        low, high = self.base_low[column], self.base_high[column]
        off = np.sqrt(high / np.maximum(low, 1e-9))
        unsure = np.where((low < middle) & (middle < high), off, 1.0).max(axis=1, initial=1.0)
        factor = np.maximum(self.factor[column, layer], unsure)
        return column, top, bottom, self.conductivity[column, layer], factor


def section_ground(
    section: Section,
    readings: Readings,
    channels: Sequence[Channel],
    found: Inverted,
    height: FloatArray | None = None,
    susceptibility: float = 0.0,
) -> SectionGround:
    """Put what was found under a section, and work out what it would read.

    Parameters
    ----------
    readings, channels, height
        As given to `invert_layers`.
    susceptibility
        Of all the ground, SI, as it was assumed.

    Raises
    ------
    ValueError
        If nothing was found under the section.
    """
    rows = section.rows
    conductivity = found.conductivity[rows]
    known: BoolArray = np.isfinite(conductivity.sum(axis=1))
    if not known.any():
        raise ValueError(
            f"None of the readings along the section ({section.name}) could be inverted: choose "
            "another line."
        )
    thickness = found.thickness[rows]
    tops = np.concatenate([np.zeros((len(rows), 1)), np.cumsum(thickness, axis=1)], axis=1)
    depth = found.depth[rows]
    misfit = found.misfit[rows]
    sure = misfit <= ILL_FITTED
    floor = _floor(tops[:, -1], depth[sure] if sure.any() else depth)
    tops = np.minimum(tops, floor)
    bottoms = np.concatenate([tops[:, 1:], np.full((len(rows), 1), floor)], axis=1)
    computed = np.full((len(rows), len(channels)), np.nan)
    values = readings.values[rows]
    soundings = Soundings(
        channels=tuple(channels),
        values=values[known],
        noise=np.ones_like(values[known]),
        shared=np.zeros_like(values[known]),
        height=None if height is None else height[rows][known],
        susceptibility=susceptibility,
    )
    computed[known] = soundings.predicted(conductivity[known], thickness[known])
    return SectionGround(
        section=section,
        conductivity=conductivity,
        factor=np.sqrt(found.high[rows] / found.low[rows]),
        tops=np.where(known[:, np.newaxis], tops, np.nan),
        bottoms=np.where(known[:, np.newaxis], bottoms, np.nan),
        base_low=np.cumsum(found.thin[rows], axis=1),
        base_high=np.cumsum(found.thick[rows], axis=1),
        depth=depth,
        misfit=misfit,
        channels=tuple(channels),
        observed=values,
        computed=computed,
        range=colour_range(found),
    )


def _floor(last: FloatArray, depth: FloatArray) -> float:
    """How deep a section is shown, m, over the tops of its last layers and the depths seen."""
    usual = float(np.nanmedian(depth))
    return max(
        BELOW_LAST * float(np.nanmedian(last)),
        BELOW_SEEN * usual,
        min(BELOW_DEEPEST * float(np.nanmax(depth)), AT_MOST * usual),
    )


def colour_range(found: Inverted) -> tuple[float, float]:
    """Conductivities that all the survey lies between, but for 1 % at either end, mS/m.

    Its ends are at least a factor `NARROWEST` apart, to either side of the middle.
    """
    low, high = np.nanpercentile(found.conductivity, [1, 99])
    wider = np.sqrt(max(NARROWEST * low / high, 1.0))
    return float(low / wider), float(high * wider)


def shown_range(values: FloatArray) -> tuple[float, float]:
    """Ends of an axis that shows values well, whatever a few of them are.

    All values lie between, unless some lie further from the core of them than `BEYOND` times its
    span and than their usual size: those are off the axis.

    Examples
    --------
    >>> shown_range(np.array([20.0, 22.0, 21.0, 24.0, 40.0]))
    (20.0, 40.0)
    >>> shown_range(np.append(np.linspace(20.0, 24.0, 99), 1500.0))[1] < 60.0
    True
    """
    known = values[np.isfinite(values)]
    low, high = np.percentile(known, CORE)
    reach = max(BEYOND * (high - low), float(np.median(np.abs(known))))
    return float(max(known.min(), low - reach)), float(min(known.max(), high + reach))
