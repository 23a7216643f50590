"""Flag readings that must not inform anything: off scale, stuck, or excluded by hand."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, Correction, FloatArray, IntArray, Qc, Readings
from ..words import SHOWN, in_unit, plural, share_text
from .despike import noise_level
from .stuck import equal_runs, resolution_of
from .windows import Walk

MANY = 0.2
"""Share of flagged readings from which there is a warning."""

SINGLE = float(np.finfo(np.float32).eps)
"""Share of a limit by which a value kept in single precision may miss it."""

TOUCHING = 1e-6
"""Readings as near as this to the edge of an area lie on it, map units."""

FEWEST_STUCK = 3
"""Equal readings one after another that can be called a run."""


@dataclass(frozen=True)
class FlagOptions:
    """What is flagged off scale.

    Parameters
    ----------
    lowest, highest
        The ends of the instrument's scale: a value at or beyond one is off scale. One for all
        channels or one a channel, channel units; NaN for a channel without, empty for none at all.
    stuck
        Fewest exactly equal values one after another along a traverse that are off scale, where
        chance does not explain so many; 0 to look for none.

    Raises
    ------
    ValueError
        If a limit is infinite or the run too short.
    """

    lowest: tuple[float, ...] = ()
    highest: tuple[float, ...] = ()
    stuck: int = 0

    def __post_init__(self) -> None:
        if any(math.isinf(limit) for limit in (*self.lowest, *self.highest)):
            raise ValueError(
                "A limit is infinite: give the last value of the scale, or 'nan' for a channel "
                "without a limit."
            )
        if self.stuck and self.stuck < FEWEST_STUCK:
            raise ValueError(
                f"The run of equal readings is {self.stuck} long: choose {FEWEST_STUCK} or more, "
                "or 0 to look for none."
            )


def flagreadings(
    readings: Readings,
    options: FlagOptions | None = None,
    excluded: Mapping[str, BoolArray] | None = None,
    cleared: BoolArray | None = None,
    progress: Progress = keep_going,
) -> Correction:
    """Set `Qc.OFF_SCALE` and `Qc.EXCLUDED`; no value changes.

    Earlier flags are taken off first where that is asked, then readings are excluded, then those
    at or beyond the limits flagged, and runs of equal values are looked for in what is left; see
    `stuck_runs`. A quality bit belongs to the whole reading: one flagged for one channel is barred
    in all.

    Parameters
    ----------
    excluded
        Which readings to exclude, ``(n,)``, by the reason to tell the user, such as "by area".
    cleared
        Which readings lose the two flags that they have, ``(n,)``; None for no reading.

    Raises
    ------
    ValueError
        If nothing is asked for, the limits do not fit the channels, a lowest is not below its
        highest, or runs are asked for and no reading belongs to a traverse.

    Examples
    --------
    >>> r = Readings.build(x=range(4), y=[0] * 4, values=[1.0, 100.0, 2.0, 120.0])
    >>> found = flagreadings(r, FlagOptions(highest=(100.0,)))
    >>> found.readings.qc.tolist(), found.figures["off scale high c1"]
    ([0, 4, 0, 4], 2)
    """
    options = options or FlagOptions()
    excluded = excluded or {}
    low = _per_channel(options.lowest, readings, "lowest")
    high = _per_channel(options.highest, readings, "highest")
    _check(readings, options, (low, high), excluded, cleared)
    barred = int(Qc.OFF_SCALE | Qc.EXCLUDED)
    before = (
        readings.qc if cleared is None else np.where(cleared, readings.qc & ~barred, readings.qc)
    )
    qc = before.copy()
    for chosen in excluded.values():
        qc[chosen] |= int(Qc.EXCLUDED)
    with np.errstate(invalid="ignore"):
        below = readings.values <= low + SINGLE * np.abs(low)
        above = readings.values >= high - SINGLE * np.abs(high)
    qc[(below | above).any(axis=1)] |= int(Qc.OFF_SCALE)

    figures: dict[str, float | int | str] = {}
    messages: list[str] = []
    warnings: list[str] = []
    if cleared is not None:
        figures["cleared"] = int(((readings.qc & barred != 0) & cleared).sum())
        messages.append(f"Earlier flags taken off: {plural(int(figures['cleared']), 'reading')}.")
    for reason, chosen in excluded.items():
        count = int(np.count_nonzero(chosen))
        figures[f"excluded {reason}"] = count
        told = f"Excluded {reason}: {_counted(count, len(readings))}."
        (messages if count else warnings).append(told)
    left = readings.with_values(readings.values, qc)
    stuck: BoolArray = np.zeros(len(readings), np.bool_)
    for k, name in enumerate(readings.channels):
        advance(progress, k / len(readings.channels))
        parts = []
        for side, limit, out in (("low", low[k], below[:, k]), ("high", high[k], above[:, k])):
            if not math.isnan(limit):
                count = figures[f"off scale {side} {name}"] = int(out.sum())
                where = f"at or {'below' if side == 'low' else 'above'} {limit:g}"
                parts.append(f"{_counted(count, len(readings))} {where}")
        if parts:
            messages.append(f"{name}: {', '.join(parts)}.")
        if options.stuck:
            runs = stuck_runs(left, k, options.stuck)
            stuck[runs.rows] = True
            figures[f"stuck {name}"] = len(runs.rows)
            figures[f"stuck runs {name}"] = len(runs.length)
            (warnings if runs.unknown else messages).append(_told(runs, left, name, options))
            messages += _longest(runs, name)
    qc[stuck] |= int(Qc.OFF_SCALE)

    figures["flagged"] = int((qc != before).sum())
    total = figures["barred"] = int((qc & barred != 0).sum())
    messages.append(
        f"{total:,} of {plural(len(readings), 'reading')} ({share_text(total, len(readings))}) "
        "flagged now, earlier flags included. What is flagged informs no later step, in no "
        "channel; its values stay as they are."
    )
    warnings += _warnings(readings, qc, total)
    return Correction(
        readings.with_values(readings.values, qc), figures, tuple(messages), tuple(warnings)
    )


def _per_channel(limits: tuple[float, ...], readings: Readings, what: str) -> FloatArray:
    """One limit a channel, ``(c,)``, NaN for none."""
    c = len(readings.channels)
    if len(limits) not in (0, 1, c):
        raise ValueError(
            f"There are {len(limits)} {what} values for {c} channels: give one for all, or one "
            "per channel."
        )
    found: FloatArray = np.broadcast_to(np.array(limits or (np.nan,), np.float64), c)
    return found


def _check(
    readings: Readings,
    options: FlagOptions,
    limits: tuple[FloatArray, FloatArray],
    excluded: Mapping[str, BoolArray],
    cleared: BoolArray | None,
) -> None:
    asked = options.lowest or options.highest or options.stuck or excluded
    if not asked and cleared is None:
        raise ValueError(
            "Nothing is given to flag. Give a lowest or highest value, a run of equal readings, or "
            "what to exclude."
        )
    for name, low, high in zip(readings.channels, *limits):
        if low >= high:
            raise ValueError(
                f"The scale of '{name}' runs from {low:g} to {high:g}: give a lowest value below "
                "the highest."
            )
    for mask in (*excluded.values(), *(() if cleared is None else (cleared,))):
        if mask.shape != (len(readings),):
            raise ValueError(f"{len(mask)} readings are chosen where there are {len(readings)}.")
    if options.stuck and not readings.lines:
        raise ValueError("No reading belongs to a traverse. Choose the traverse number field.")


def _counted(count: int, total: int) -> str:
    return f"{plural(count, 'reading')} ({share_text(count, total)})" if count else "no reading"


@dataclass(frozen=True, eq=False)
class StuckRuns:
    """Runs of exactly equal values of one channel, those of a traverse together.

    Parameters
    ----------
    rows
        Rows of all their readings.
    length, start
        How many readings each run has, and at which of the traverse it begins, from 1, ``(r,)``.
    traverses
        Name of the traverse of each run.
    by_chance
        Longest run that chance makes.
    unknown
        Why runs cannot be told; empty where they can.
    """

    rows: IntArray
    length: IntArray
    start: IntArray
    traverses: tuple[str, ...]
    by_chance: int
    unknown: str = ""


def stuck_runs(readings: Readings, channel: int, fewest: int) -> StuckRuns:
    """Find runs of at least `fewest` exactly equal values that chance does not explain.

    Two readings beside each other agree by chance the more often, the coarser the steps of the
    channel are against its noise and the more level the ground. That share is taken as the larger
    of what resolution and noise make of it and of what the usual traverse shows, and runs no
    longer than chance then makes once in a million surveys are left: see
    `stuck.longest_by_chance`. A missing or barred reading ends a run.

    Examples
    --------
    >>> v = np.random.default_rng(0).normal(20, 1, 200).round(2)
    >>> v[50:62] = 17.3
    >>> r = Readings.build(x=range(200), y=[0] * 200, values=v)
    >>> found = stuck_runs(r, 0, 8)
    >>> found.length.tolist(), found.start.tolist(), found.rows.tolist() == list(range(50, 62))
    ([12], [51], True)
    """
    none = np.empty(0, np.int64)
    walk = Walk.of(readings)
    usable = readings.usable[walk.rows, channel]
    column = np.where(usable, readings.values[walk.rows, channel], np.nan)
    resolution = resolution_of(np.unique(column[usable]))
    if not math.isfinite(resolution):
        same = "all readings are the same" if usable.sum() > 1 else "too few readings"
        return StuckRuns(none, none, none, (), 0, same)
    traverse = walk.number
    found = equal_runs(column, traverse, resolution, noise_level(column, walk))
    if found.by_chance is None:
        step = in_unit(resolution, readings.units[channel])
        return StuckRuns(
            none, none, none, (), 0, f"most readings equal the one before, in steps of {step}"
        )
    long = (found.length >= fewest) & (found.length > found.by_chance)
    start, length = found.start[long], found.length[long]
    place = np.repeat(long, found.length)
    lines = readings.lines
    return StuckRuns(
        walk.rows[place],
        length,
        start - walk.first[start] + 1,
        tuple(lines[n].name for n in traverse[start]),
        found.by_chance,
    )


def _told(runs: StuckRuns, readings: Readings, name: str, options: FlagOptions) -> str:
    if runs.unknown:
        return f"{name}: {runs.unknown}: stuck ones cannot be told, and none is flagged."
    fewest = max(options.stuck, runs.by_chance + 1)
    judged = f"equal values, {fewest} or more in a row where chance makes {runs.by_chance} at most"
    if not len(runs.rows):
        return f"{name}: no run of {judged}."
    count = _counted(len(runs.rows), len(readings))
    return f"{name}: {count} in {plural(len(runs.length), 'run')} of {judged}."


def _longest(runs: StuckRuns, name: str) -> list[str]:
    """The longest runs, one sentence each."""
    order = np.argsort(-runs.length, kind="stable")
    told = [
        f"{name}: {runs.traverses[run]} has {runs.length[run]} equal readings from "
        f"its reading {runs.start[run]} on."
        for run in order[:SHOWN]
    ]
    if len(order) > SHOWN:
        told.append(f"{name}: {plural(len(order) - SHOWN, 'more run')} of equal readings.")
    return told


def _warnings(readings: Readings, qc: IntArray, total: int) -> list[str]:
    warnings = []
    if total > MANY * len(readings):
        warnings.append(
            f"{share_text(total, len(readings))} of the readings are flagged. Check the limits and "
            "what is excluded: so much is rarely off scale, and what stays may not cover the site."
        )
    left = readings.with_values(readings.values, qc).usable
    return warnings + [
        f"{name}: no reading is left to inform later steps."
        for k, name in enumerate(readings.channels)
        if np.isfinite(readings.values[:, k]).any() and not left[:, k].any()
    ]


def within(x: FloatArray, y: FloatArray, polygons: Sequence[Sequence[FloatArray]]) -> BoolArray:
    """Which positions lie in any of the polygons or on an edge of one.

    Parameters
    ----------
    x, y
        Positions, ``(n,)``, NaN for none.
    polygons
        Of each polygon its rings, ``(k, 2)`` each, closed or not: a position within an odd number
        of them is inside, so that holes are outside.

    Returns
    -------
    array
        Shape ``(n,)``.

    Examples
    --------
    >>> square = np.array([[0.0, 0], [4, 0], [4, 4], [0, 4]])
    >>> hole = np.array([[1.0, 1], [3, 1], [3, 3], [1, 3]])
    >>> within(np.array([0.5, 2.0, 4.0, 5.0]), np.full(4, 2.0), [[square, hole]]).tolist()
    [True, False, True, False]
    """
    placed = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    # Rising northings: the readings beside an edge are then a slice.
    order = placed[np.argsort(y[placed], kind="stable")]
    east, north = x[order], y[order]
    hit: BoolArray = np.zeros(len(order), np.bool_)
    for rings in polygons:
        odd: BoolArray = np.zeros(len(order), np.bool_)
        for ring in rings:
            _cross(east, north, np.asarray(ring, np.float64), odd, hit)
        hit |= odd
    found: BoolArray = np.zeros(len(x), np.bool_)
    found[order] = hit
    return found


def _cross(
    east: FloatArray, north: FloatArray, ring: FloatArray, odd: BoolArray, hit: BoolArray
) -> None:
    """Turn `odd` where a line due east from a position crosses the ring; set `hit` on its edge."""
    ends = np.stack([ring, np.roll(ring, -1, axis=0)], axis=1)
    falls = ends[:, 0, 1] > ends[:, 1, 1]
    ends[falls] = ends[falls][:, ::-1]
    starts = np.searchsorted(north, ends[:, 0, 1] - TOUCHING, "left").tolist()
    stops = np.searchsorted(north, ends[:, 1, 1] + TOUCHING, "right").tolist()
    for ((x1, y1), (x2, y2)), start, stop in zip(ends.tolist(), starts, stops):
        if start == stop:
            continue
        u, v = east[start:stop], north[start:stop]
        side = (u - x1) * (y2 - y1) - (v - y1) * (x2 - x1)
        odd[start:stop] ^= (v >= y1) & (v < y2) & (side < 0)
        near = np.abs(side) <= TOUCHING * math.hypot(x2 - x1, y2 - y1)
        near &= (u >= min(x1, x2) - TOUCHING) & (u <= max(x1, x2) + TOUCHING)
        hit[start:stop] |= near
