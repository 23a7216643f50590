"""Steps inside a traverse: the zero jumps while the operator pauses, and stays where it jumped."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray, IntArray
from .differential import on_common_positions, places_of
from .waves import usual_spacing
from .windows import MAD_TO_SIGMA, row_medians, running_median

WINDOW = 12
"""Readings on either side whose medians tell a step and its size."""

SHORTEST = 10
"""Fewest readings on either side."""

NEAR = 5
"""Readings on either side that tell whose it is."""

NEXT = 2
"""Readings on either side that tell whether it is sharp."""

THRESHOLD = 5.0
"""Robust standard deviations of the differences along the traverse beyond which one is a step."""

QUIET = 0.7
"""The spread of no traverse counts as less than this share of the data grid's."""

AGREED = 0.2
"""Least that one of two neighbours must show of what the other shows."""

SHARP = 0.6
"""Least that the next readings must show of a step against the neighbours, as a share of it."""

ALONE = 0.3
"""Least that the nearest readings must show of a step in the traverse itself, as a share of it."""

FEATURE = 0.35
"""Most that neighbours may show of a step themselves, as a share: more is a feature's edge."""

BACK = 0.35
"""A step is taken back where the next one leaves less than this share of it."""

LASTING = 0.65
"""Least that readings half a window further off must show of a step, as a share of it."""

GAP = 3.0
"""Most reading intervals between the readings before and behind a step."""

REACH = 2.5
"""Usual separations within which a place across is a neighbour."""

ROUNDS = 8
"""How often steps are looked for, those found so far taken off."""


@dataclass(frozen=True)
class StepInside:
    """A step inside a traverse.

    Parameters
    ----------
    traverse
        Number of the traverse in the layout.
    along
        Where it steps, on the common axis, map units: between two readings.
    size
        By how much the readings beyond `along` stand above those before it, channel units.
    """

    traverse: int
    along: float
    size: float


@dataclass(frozen=True, eq=False)
class Beside:
    """Readings of all traverses in rising order along, and what neighbours show there.

    Parameters
    ----------
    along, own
        Positions and values, ``(m,)``: known values only.
    others
        Values of the two neighbours at these places, and of the next beyond each, ``(4, m)``; NaN
        where there is none.
    first, last
        First reading of the traverse and the one after its last, for every reading, ``(m,)``.
    traverse
        Number of the traverse, ``(m,)``.
    """

    along: FloatArray
    own: FloatArray
    others: FloatArray
    first: IntArray
    last: IntArray
    traverse: IntArray

    @classmethod
    def of(
        cls,
        along: tuple[FloatArray, ...],
        across: FloatArray,
        values: list[FloatArray],
        interval: float,
    ) -> Beside:
        """Put the traverses of a data grid, sorted across, beside their neighbours."""
        places = places_of(across)
        positions, table = on_common_positions(along, values, interval)
        # Traverses at one place, such as halves, make up one profile.
        starts = np.flatnonzero(np.diff(places, prepend=-1))
        count = np.add.reduceat(np.isfinite(table), starts, axis=0)
        total = np.add.reduceat(np.nan_to_num(table), starts, axis=0)
        profiles = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        at = across[starts]
        reach = REACH * usual_spacing(across)
        order = [np.argsort(a, kind="stable") for a in along]
        order = [o[np.isfinite(v[o])] for o, v in zip(order, values)]
        counts = np.array([len(o) for o in order])
        ends = np.cumsum(counts)
        others = np.full((4, int(ends[-1])), np.nan)
        for number, o in enumerate(order):
            here = slice(ends[number] - counts[number], ends[number])
            for row, place in enumerate(_neighbours(int(places[number]), at, reach)):
                if place >= 0:
                    others[row, here] = np.interp(
                        along[number][o], positions, profiles[place], left=np.nan, right=np.nan
                    )
        return cls(
            np.concatenate([a[o] for a, o in zip(along, order)]),
            np.concatenate([v[o] for v, o in zip(values, order)]),
            others,
            np.repeat(ends - counts, counts).astype(np.int64),
            np.repeat(ends, counts).astype(np.int64),
            np.repeat(np.arange(len(order)), counts).astype(np.int64),
        )


def _neighbours(place: int, at: FloatArray, reach: float) -> tuple[int, int, int, int]:
    """The two places a place is compared with and the next beyond each; -1 for none."""
    last = len(at) - 1

    def there(other: int, of: int) -> int:
        near = 0 <= other <= last and 0 <= of <= last and abs(at[other] - at[of]) <= reach
        return other if near else -1

    before, after = there(place - 1, place), there(place + 1, place)
    if before >= 0 and after >= 0:
        return before, after, there(place - 2, before), there(place + 2, after)
    # At the edge of a data grid the two next on the one side tell which of them stepped.
    side = 1 if after >= 0 else -1
    near = there(place + side, place)
    far = there(near + side, near) if near >= 0 else -1
    beyond = there(far + side, far) if far >= 0 else -1
    return near, far, far, beyond


def find_steps(
    along: tuple[FloatArray, ...],
    across: FloatArray,
    values: list[FloatArray],
    interval: float,
    progress: Progress = keep_going,
) -> tuple[StepInside, ...]:
    """Find the steps inside the traverses of a data grid.

    The difference of a traverse from the mean of its two neighbours is compared, place by place,
    before and behind every reading: medians over `WINDOW` readings on either side. A step is where
    these differ most, by more than `THRESHOLD` robust standard deviations of all such differences
    along the traverse, and only where

    - it is as sharp as a jump of the zero, not the soft edge of a body (`SHARP`), and lasts
      (`LASTING`), which the displaced edges of passes that lag behind each other do not;
    - it is this traverse that steps: each neighbour by itself tells of it (`AGREED`), and so does
      the traverse by itself (`ALONE`);
    - the neighbours do not step against those beyond them (`FEATURE`), as they do beside a body,
      which the coils feel from a distance.

    The steps found are taken off and further ones looked for. A step that the next one on the
    traverse takes back is left: that is what a body does. Steps nearer than `WINDOW` readings to
    another or `SHORTEST` to an end may go unseen.

    Parameters
    ----------
    along, across
        Layout of the traverses, see `traverses.GridLines`.
    values
        Values of one channel by traverse, NaN where they may not count.
    interval
        Reading interval, map units.

    Returns
    -------
    tuple of StepInside
        By traverse and place.

    References
    ----------
    Differences of running medians for a change of level, and binary segmentation: common practice
    in the study of change points, e.g. E. S. Page (1955), *A test for a change in a parameter
    occurring at an unknown point*, Biometrika 42, 523-527, from memory. The conditions are ours.
    """
    found: list[StepInside] = []
    left = list(values)
    for number in range(ROUNDS):
        advance(progress, number / ROUNDS)
        beside = Beside.of(along, across, left, interval)
        new = _new_steps(beside, found, interval)
        if not new:
            break
        found += new
        for step in new:
            t = step.traverse
            left[t] = left[t] - step.size * (along[t] >= step.along)
    return _lasting(sorted(found, key=lambda step: (step.traverse, step.along)))


def _lasting(steps: list[StepInside]) -> tuple[StepInside, ...]:
    """Steps without those that the next one on the traverse takes back: bodies do that."""
    kept: list[StepInside] = []
    for step in steps:
        back = bool(kept) and kept[-1].traverse == step.traverse
        if back and abs(kept[-1].size + step.size) <= BACK * max(
            abs(kept[-1].size), abs(step.size)
        ):
            kept.pop()
        else:
            kept.append(step)
    return tuple(kept)


def step_shifts(
    along: tuple[FloatArray, ...], steps: tuple[StepInside, ...]
) -> dict[int, FloatArray]:
    """What to take from every reading of the traverses that step, by number of the traverse.

    The longest piece between two steps stays as it is.

    Examples
    --------
    >>> step = StepInside(0, 0.5, 2.0)
    >>> step_shifts((np.arange(4.0),), (step,))[0].tolist()
    [-2.0, 0.0, 0.0, 0.0]
    """
    shifts: dict[int, FloatArray] = {}
    for step in steps:
        at = along[step.traverse]
        shift = shifts.get(step.traverse, np.zeros(len(at)))
        shifts[step.traverse] = shift + step.size * (at >= step.along)
    for number, shift in shifts.items():
        levels, counts = np.unique(shift, return_counts=True)
        shifts[number] = shift - levels[np.argmax(counts)]
    return shifts


def _new_steps(beside: Beside, known: list[StepInside], interval: float) -> list[StepInside]:
    """The clearest step of each traverse that passes, none beside a clearer one."""
    first, second = beside.own - beside.others[:2]
    both = (first + second) / 2
    jump = _jumps_everywhere(both, beside)
    size = np.abs(jump)
    if not np.isfinite(size).any():
        return []
    starts = np.flatnonzero(np.diff(beside.traverse, prepend=-1))
    counts = np.diff([*starts, len(size)])
    whole = float(np.nanmedian(size))
    lines = [np.append(part[np.isfinite(part)], whole) for part in np.split(size, starts[1:])]
    scale = MAD_TO_SIGMA * np.repeat(
        [max(np.median(part), QUIET * whole) for part in lines], counts
    )
    # What is a jump even where most of the ground is flat to the last digit.
    least = np.maximum(THRESHOLD * scale, 1e-9 * float(np.nanmax(size)))
    alive = np.nan_to_num(size) > least
    for step in known:
        near = np.abs(beside.along - step.along) < SHORTEST * interval
        alive &= ~(near & (beside.traverse == step.traverse))
    passed: list[tuple[float, int]] = []
    while alive.any():
        score = np.where(alive, size, 0.0)
        best = np.repeat(np.maximum.reduceat(score, starts), counts)
        tops = np.flatnonzero(alive & (score == best))
        tops = tops[np.diff(beside.traverse[tops], prepend=-1) > 0]
        place = _refined(both, tops, beside)
        place = _refined(both, place, beside)
        good, height = _is_step(place, beside, least[place], interval)
        passed += [(float(h), int(k)) for h, k in zip(height[good], place[good])]
        for top, ok in zip(tops, good):
            reach = len(alive) if ok else WINDOW // 2  # one step a traverse and round
            alive[max(beside.first[top], top - reach) : min(beside.last[top], top + reach)] = False
    return _clearest(passed, beside, interval)


def _clearest(passed: list[tuple[float, int]], beside: Beside, interval: float) -> list[StepInside]:
    kept: list[StepInside] = []
    for height, k in sorted(passed, key=lambda each: -abs(each[0])):
        step = StepInside(
            int(beside.traverse[k]), float((beside.along[k - 1] + beside.along[k]) / 2), height
        )
        if not any(
            abs(step.traverse - other.traverse) <= 2
            and abs(step.along - other.along) < WINDOW * interval
            for other in kept
        ):
            kept.append(step)
    return kept


def _jumps_everywhere(series: FloatArray, beside: Beside) -> FloatArray:
    """Median behind less median before every reading, ``(m,)``; NaN near ends and gaps."""
    place: IntArray = np.arange(len(series), dtype=np.int64)
    low = np.maximum(place - WINDOW, beside.first)
    high = np.minimum(place + WINDOW, beside.last)
    known = np.concatenate([[0], np.cumsum(np.isfinite(series))])
    enough = (known[place] - known[low] >= SHORTEST) & (known[high] - known[place] >= SHORTEST)
    behind = running_median(series, place, high)
    before = running_median(series, low, np.maximum(place, low + 1))
    return np.where(enough, behind - before, np.nan)


def _windows(series: FloatArray, place: IntArray, beside: Beside, reach: int) -> FloatArray:
    """`reach` values before and behind each of some places, ``(k, 2 reach)``, NaN beyond ends."""
    at = place[:, np.newaxis] + np.arange(-reach, reach)
    inside = (at >= beside.first[place, np.newaxis]) & (at < beside.last[place, np.newaxis])
    return np.where(inside, series[np.clip(at, 0, len(series) - 1)], np.nan)


def _jumps(
    series: FloatArray, place: IntArray, beside: Beside, reach: int, skipped: int = 0
) -> FloatArray:
    """Median of `reach` values behind less that before some places, ``(k,)``."""
    table = _windows(series, place, beside, reach + skipped)
    return row_medians(table[:, reach + 2 * skipped :]) - row_medians(table[:, :reach])


def _refined(series: FloatArray, place: IntArray, beside: Beside) -> IntArray:
    """Places moved to the split of least absolute deviation from the medians on either side."""
    table = _windows(series, place, beside, WINDOW)
    before, behind = row_medians(table[:, :WINDOW]), row_medians(table[:, WINDOW:])
    excess = np.abs(table - before[:, np.newaxis]) - np.abs(table - behind[:, np.newaxis])
    cost = np.cumsum(np.nan_to_num(excess), axis=1)
    # A split at column s leaves the columns before s on the one side.
    inner = slice(WINDOW // 2, 3 * WINDOW // 2)
    split = np.argmin(cost[:, inner], axis=1) + WINDOW // 2 + 1
    low, high = beside.first[place] + 1, beside.last[place] - 1
    moved: IntArray = np.clip(place + split - WINDOW, low, high)
    return moved


def _is_step(
    place: IntArray, beside: Beside, least: FloatArray, interval: float
) -> tuple[BoolArray, FloatArray]:
    """Which places are steps, and the size of each, ``(k,)`` both."""
    own, others = beside.own, beside.others
    first, second = own - others[:2]
    both = (first + second) / 2
    height = _jumps(both, place, beside, WINDOW)
    sign, size = np.sign(height), np.abs(height)
    inside = np.minimum(place - beside.first[place], beside.last[place] - place) >= SHORTEST
    # Over a gap nobody knows how sharp a change is.
    inside &= beside.along[place] - beside.along[place - 1] <= GAP * interval
    told = np.sort(
        np.stack([sign * _jumps(d, place, beside, NEAR) for d in (first, second)]), axis=0
    )
    sharp = sign * _jumps(both, place, beside, NEXT)
    lasting = sign * _jumps(both, place, beside, WINDOW, WINDOW // 2)
    alone = sign * _jumps(own, place, beside, NEAR)
    spread = np.maximum(*(_spread(place, beside, reach) for reach in (NEAR, WINDOW)))
    with np.errstate(invalid="ignore"):
        good: BoolArray = (
            inside
            & (size > least)
            & (told[0] >= AGREED * np.maximum(told[1], size))
            & (sharp >= SHARP * size)
            & (lasting >= LASTING * size)
            & (alone >= ALONE * size)
            & ~(spread > FEATURE * size)
        )
    return good, height


def _spread(place: IntArray, beside: Beside, reach: int) -> FloatArray:
    """Size of what the neighbours show of a step against those beyond them, ``(k,)``."""
    first, second = beside.others[:2] - beside.others[2:]
    both = np.stack([_jumps(d, place, beside, reach) for d in (first, second)])
    spread: FloatArray = np.abs(np.where(np.isnan(both), both[::-1], both).mean(axis=0))
    return spread
