"""Balance data grids: bring parts of a survey with zeros of their own to one level."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..gridding.spacing import traverse_separation
from ..progress import Progress, keep_going, portion
from ..readings import BoolArray, Correction, FloatArray, IntArray, Readings
from .edges import Edge, cells_of, find_edges
from .linked import linked_sets

REACH = 6.0
"""Usual reach of a comparison to either side of an edge, traverse separations."""

OUTLYING = 2.0
ROUNDS = 20
SURE = 3.0
"""A gain is believed when it differs from 1 by this many of its standard errors."""


EVIDENT = 2.0
"""Offsets of a channel are taken off when one of them is so many of its standard errors."""


@dataclass(frozen=True)
class BalanceOptions:
    """How the parts of a survey are brought together.

    Parameters
    ----------
    hold
        Name of the part whose values stay as they are; empty to keep the survey's mean level.
    reach
        How far from an edge readings inform the comparison, map units; None for six traverse
        separations.
    gain
        Find the ratio of the parts' sensitivities too, where their values along the edges vary
        enough to tell.

    Raises
    ------
    ValueError
        If the reach is not above 0.
    """

    hold: str = ""
    reach: float | None = None
    gain: bool = False

    def __post_init__(self) -> None:
        if self.reach is not None and not self.reach > 0:
            raise ValueError(f"The reach is {self.reach:g}: choose a length above 0.")


@dataclass(frozen=True, eq=False)
class Balance:
    """What each part is off, and how it was found.

    Parameters
    ----------
    offset, error
        What each part reads too much in each channel, ``(g, c)``, and its standard error; an
        error is NaN for a part that lies beside no other.
    gain
        By how much each part's departures are too large, ``(g, c)``; 1 where that was not found.
    middle
        Middle value of each channel, about which gains turn, ``(c,)``.
    edges
        The pairs of parts compared.
    islands
        Sets of parts linked with each other; between sets nothing is known.
    """

    offset: FloatArray
    error: FloatArray
    gain: FloatArray
    middle: FloatArray
    edges: tuple[Edge, ...]
    islands: tuple[tuple[int, ...], ...]

    @property
    def evident(self) -> BoolArray:
        """In which channels the parts are set apart by more than the errors, ``(c,)``."""
        with np.errstate(invalid="ignore"):
            apart = np.abs(self.offset) > EVIDENT * self.error
        return np.asarray((apart | (self.gain != 1.0)).any(axis=0), np.bool_)


def grid_offsets(
    readings: Readings,
    parts: IntArray | None = None,
    options: BalanceOptions | None = None,
    names: tuple[str, ...] = (),
    progress: Progress = keep_going,
) -> Balance:
    """Find what sets the parts of a survey apart without taking it off; see `balancegrids`."""
    options = options or BalanceOptions()
    parts = readings.grid if parts is None else parts
    names = names or readings.grid_names
    count = len(names)
    held = _held(options.hold, names)
    separation = traverse_separation(readings)
    cells = cells_of(readings, parts, separation / 2)
    reach = REACH * separation if options.reach is None else options.reach
    edges = find_edges(cells, reach, portion(progress, 0.1, 0.8))
    gain: FloatArray = np.ones((count, cells.values.shape[1]))
    # A gain turns about the survey's middle, so that it does not shift the level as well.
    middle = np.array(
        [np.median(column[np.isfinite(column)]) if np.isfinite(column).any() else 0.0
         for column in cells.values.T]
    )  # fmt: skip
    if options.gain and edges:
        gain = _gains(edges, count, held)
        known = cells.part >= 0
        values = cells.values.copy()
        values[known] = middle + (values[known] - middle) / gain[cells.part[known]]
        edges = find_edges(replace(cells, values=values), reach, portion(progress, 0.8, 1.0))
    size = np.bincount(cells.part, minlength=count).astype(np.float64)
    offset = np.zeros(gain.shape)
    error = np.full(gain.shape, np.nan)
    for k in range(gain.shape[1]):
        offset[:, k], error[:, k] = _solved(edges, k, size, held)
    present = np.unique(cells.part)
    return Balance(offset, error, gain, middle, edges, _islands(edges, count, present))


def balancegrids(
    readings: Readings,
    options: BalanceOptions | None = None,
    *,
    parts: IntArray | None = None,
    names: tuple[str, ...] = (),
    progress: Progress = keep_going,
) -> Correction:
    """Take off each part of a survey what sets it apart from the parts beside it.

    The steps found along all edges and overlaps (`edges`) are fitted by robust weighted least
    squares: one offset a part and channel. A network of edges that goes round corners shows its own
    errors, which are reported.

    Where no offset of a channel exceeds its error by enough, that channel is left as it is.

    Parameters
    ----------
    parts, names
        Code of each reading's part, ``(n,)``, and the name behind each code: data grids, days,
        operators. Left out: the data grids.

    Raises
    ------
    ValueError
        If there is but one part, or no two parts lie beside each other.
    """
    options = options or BalanceOptions()
    parts = readings.grid if parts is None else parts
    names = names or readings.grid_names
    if len(np.unique(parts[parts >= 0])) < 2:
        raise ValueError(
            "All readings belong to one part, and there is nothing to balance it against. Choose "
            "the field that tells data grids, days or operators apart."
        )
    found = grid_offsets(readings, parts, options, names, progress)
    if not found.edges:
        raise ValueError(
            "No two parts of the survey lie beside each other or overlap, so that nothing tells "
            "their levels apart. Balance needs edges or repeated ground; base readings may help."
        )
    values = readings.values.copy()
    middle = found.middle
    for code in range(len(names)):
        rows = np.flatnonzero(parts == code)
        turned = middle + (values[rows] - middle) / found.gain[code]
        plain = found.gain[code] == 1.0
        taken = np.where(found.evident, found.offset[code], 0.0)
        values[rows] = np.where(plain, values[rows], turned) - taken
    return Correction(
        readings.with_values(values),
        _figures(readings, found, names),
        _messages(readings, found, names),
        _warnings(readings, found, names),
    )


def _held(hold: str, names: tuple[str, ...]) -> int | None:
    if not hold:
        return None
    if hold not in names:
        raise ValueError(
            f"There is no part '{hold}' to hold. There are: {', '.join(name for name in names)}."
        )
    return names.index(hold)


def _islands(edges: tuple[Edge, ...], count: int, present: IntArray) -> tuple[tuple[int, ...], ...]:
    linked = [(e.first, e.second) for e in edges if np.isfinite(e.step).any()]
    label = linked_sets([one for one, _ in linked], [two for _, two in linked], count)
    groups = [tuple(int(c) for c in present if label[c] == one) for one in np.unique(label)]
    return tuple(group for group in groups if group)


def _solved(
    edges: tuple[Edge, ...], channel: int, size: FloatArray, held: int | None
) -> tuple[FloatArray, FloatArray]:
    """Offset of each part and its error, from the steps of one channel."""
    used = [e for e in edges if np.isfinite(e.step[channel])]
    pairs = np.array([[e.first, e.second] for e in used], np.int64).reshape(-1, 2)
    step = np.array([e.step[channel] for e in used])
    error = np.array([e.error[channel] for e in used])
    return network(pairs, step, error, size, held)


def network(
    pairs: IntArray, step: FloatArray, error: FloatArray, size: FloatArray, held: int | None
) -> tuple[FloatArray, FloatArray]:
    """Levels that fit steps between pairs of parts, by robust weighted least squares.

    Parameters
    ----------
    pairs
        Codes of the two parts of each step, ``(e, 2)``.
    step, error
        What the second reads more than the first, and its standard error, ``(e,)``.
    size
        Weight of each part in the mean level, ``(g,)``.
    held
        Part whose level is 0, or None: in each set of linked parts the mean level is 0.

    Returns
    -------
    level, error
        ``(g,)`` each; 0 and NaN for a part in no pair.

    Examples
    --------
    >>> pairs = np.array([[0, 1], [1, 2], [0, 2]])
    >>> level, _ = network(pairs, np.array([1.0, 2.0, 3.0]), np.ones(3), np.ones(3), 0)
    >>> level.round(6).tolist()
    [0.0, 1.0, 3.0]
    """
    g = len(size)
    level, sigma = np.zeros(g), np.full(g, np.nan)
    if not len(pairs):
        return level, sigma
    label = linked_sets(pairs[:, 0], pairs[:, 1], g)
    for one in np.unique(label[pairs[:, 0]]):
        members = np.flatnonzero(label == one)
        inside = np.flatnonzero(label[pairs[:, 0]] == one)
        place = np.searchsorted(members, pairs[inside])
        design = np.zeros((len(inside), len(members)))
        rows = np.arange(len(inside))
        design[rows, place[:, 1]] += 1.0
        design[rows, place[:, 0]] -= 1.0
        share = size[members] / size[members].sum()
        if held is not None and held in members:
            share = (members == held).astype(np.float64)
        base = 1.0 / np.maximum(error[inside], 1e-9) ** 2
        weight = base
        for _ in range(ROUNDS):
            # The mean, or the part held, is tied to 0 much harder than any step counts.
            normal = design.T @ (design * weight[:, np.newaxis])
            normal += base.sum() * np.outer(share, share)
            level[members] = np.linalg.solve(normal, design.T @ (weight * step[inside]))
            off = np.abs(step[inside] - design @ level[members]) * np.sqrt(base)
            weight = base * np.minimum(1.0, OUTLYING / np.maximum(off, 1e-300))
        level[members] -= share @ level[members]
        # Steps that do not close round a corner are less sure than each says of itself.
        spare = len(inside) - len(members) + 1
        left = float((weight / base * off**2).sum())
        apart = max(1.0, np.sqrt(left / spare)) if spare else 1.0
        variance = np.linalg.inv(normal) - np.ones((len(members),) * 2) / base.sum()
        sigma[members] = apart * np.sqrt(np.maximum(np.diag(variance), 0.0))
    return level.round(9), sigma


def _gains(edges: tuple[Edge, ...], count: int, held: int | None) -> FloatArray:
    """Gain of each part and channel; 1 where it cannot be told from 1."""
    c = len(edges[0].step)
    gain = np.ones((count, c))
    for k in range(c):
        pairs, ratio, error = [], [], []
        for edge in edges:
            slope, sure = ratio_of(edge.levels[:, 0, k], edge.levels[:, 1, k])
            if np.isfinite(sure):
                pairs.append([edge.first, edge.second])
                ratio.append(np.log(slope))
                error.append(sure)
        table = np.array(pairs, np.int64).reshape(-1, 2)
        found, sigma = network(table, np.array(ratio), np.array(error), np.ones(count), held)
        believed = np.abs(found) > SURE * sigma
        gain[:, k] = np.where(believed, np.exp(found), 1.0)
    return gain


def ratio_of(first: FloatArray, second: FloatArray) -> tuple[float, float]:
    """Ratio of the spreads of two channels that follow each other, and the error of its log.

    The reduced major axis with the sign of the correlation; NaN error where they do not follow
    each other closely enough.

    References
    ----------
    D. I. Warton et al. (2006), *Bivariate line-fitting methods for allometry*, Biological Reviews
    81, 259-291: the standardised major axis and its standard error.
    """
    known = np.isfinite(first) & np.isfinite(second)
    n = int(known.sum())
    if n < 8:
        return 1.0, np.nan
    a, b = first[known], second[known]
    spread_a, spread_b = float(np.std(a)), float(np.std(b))
    if not (spread_a > 0 and spread_b > 0):
        return 1.0, np.nan
    r = float(np.corrcoef(a, b)[0, 1])
    if r < 0.8:
        return 1.0, np.nan
    return spread_b / spread_a, float(np.sqrt((1 - r**2) / (n / 4.0)) + 1e-9)


def _named(names: tuple[str, ...], code: int) -> str:
    return names[code] or "(no name)"


def _figures(
    readings: Readings, found: Balance, names: tuple[str, ...]
) -> dict[str, float | int | str]:
    figures: dict[str, float | int | str] = {"edges": len(found.edges)}
    for code, name in enumerate(names):
        for k, channel in enumerate(readings.channels):
            if np.isfinite(found.error[code, k]) and found.evident[k]:
                figures[f"offset {name} {channel}"] = float(f"{found.offset[code, k]:.4g}")
            if found.gain[code, k] != 1.0:
                figures[f"gain {name} {channel}"] = float(f"{found.gain[code, k]:.4g}")
    for k, channel in enumerate(readings.channels):
        figures[f"misfit {channel}"] = float(f"{_misfit(found, k):.3g}")
    return figures


def _misfit(found: Balance, channel: int) -> float:
    """Rms of what the offsets leave of the steps."""
    left = [
        e.step[channel] - found.offset[e.second, channel] + found.offset[e.first, channel]
        for e in found.edges
        if np.isfinite(e.step[channel])
    ]
    return float(np.sqrt(np.mean(np.square(left)))) if left else float("nan")


def _messages(readings: Readings, found: Balance, names: tuple[str, ...]) -> tuple[str, ...]:
    messages = []
    for k, (channel, unit) in enumerate(zip(readings.channels, readings.units)):
        unit = f" {unit}" if unit else ""
        offsets = ", ".join(
            f"{_named(names, code)} {found.offset[code, k]:+.3g} ± {found.error[code, k]:.2g}"
            for code in range(len(names))
            if np.isfinite(found.error[code, k])
        )
        if not offsets:
            messages.append(f"{channel}: nothing tells the parts apart; left as it is.")
            continue
        # Steps that go round no corner agree with anything.
        several = len(found.edges) >= sum(len(one) for one in found.islands)
        agree = f" The steps along the edges agree to {_misfit(found, k):.2g}{unit}."
        agree = agree if several else ""
        messages.append(
            f"{channel}: taken off: {offsets}{unit}.{agree}"
            if found.evident[k]
            else f"{channel}: no part stands out from the errors, and nothing was taken off: "
            f"{offsets}{unit}.{agree}"
        )
        gains = ", ".join(
            f"{_named(names, code)} {found.gain[code, k]:.3g}"
            for code in range(len(names))
            if found.gain[code, k] != 1.0
        )
        if gains:
            messages.append(f"{channel}: departures too large by the factor {gains}.")
    return tuple(messages)


def _warnings(readings: Readings, found: Balance, names: tuple[str, ...]) -> tuple[str, ...]:
    if len(found.islands) < 2:
        return ()
    sets = "; ".join(", ".join(_named(names, c) for c in one) for one in found.islands[:6])
    return (
        f"The survey falls into {len(found.islands)} sets that do not touch, and nothing is known "
        f"of the level of one against another: {sets}.",
    )
