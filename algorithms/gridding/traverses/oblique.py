"""Which way what is buried runs across the traverses: found by matching neighbouring profiles."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import uniform_filter1d

from ...progress import Progress, advance, keep_going, side_by_side
from ...readings import FloatArray, IntArray
from .strands import Beside, Strands

Floats = npt.NDArray[np.float32]

LEANS: FloatArray = np.arange(-16, 17) / 8.0
"""Directions tried: way along for each step across. Two is 63 degrees from square across."""
UPRIGHT = len(LEANS) // 2
PENALTY = 0.2
"""What a lean of 1 must take off the misfit, as a share of the misfit straight across."""
CONVINCING = 0.2
"""Share of the misfit straight across that may be left where a lean is followed in full."""
DOUBTFUL = 0.4
"""Share that is left where a lean is not followed at all."""
EVADED, JOINED = 0.3, 0.6
"""Shares of the slopes along, at the matched places, of those straight across: with less than the
one a lean does not count, with more than the other it counts in full."""
NARROW, WIDE = 0.3, 3.0
"""Neighbours closer or wider apart than these many separations are not matched."""
SAMPLE = 64
"""Pairs of neighbours that tell how much a channel differs from traverse to traverse."""
PAIRS = 32
"""Pairs matched in one go."""

Cost = tuple[int, Floats]
"""Lattice number of the first place, and the misfit by lean and place."""
Part = tuple[int, Floats]
"""Lattice number of the first place, and the lean by place."""


@dataclass(frozen=True, eq=False)
class Oblique:
    """Leans between neighbouring strands, on an even lattice along.

    Parameters
    ----------
    code
        Lower strand times their number, plus upper strand, of each pair, rising, shape ``(p,)``.
    first
        First value of each pair in `leans`, and one after the last, shape ``(p + 1,)``.
    begin
        Lattice number of the first value of each pair.
    step
        Step of the lattice.
    leans
        Way along for each step across.
    """

    code: IntArray
    first: IntArray
    begin: IntArray
    step: float
    leans: Floats

    def lean(self, strands: Strands, beside: Beside, s: FloatArray, a: FloatArray) -> FloatArray:
        """The lean at places between two strands, such that neither is met beyond its ends."""
        lower, upper = beside.strand[1], beside.strand[2]
        code = lower * len(strands) + upper
        pair = np.minimum(np.searchsorted(self.code, code), len(self.code) - 1)
        place = s / self.step - self.begin[pair]
        count = self.first[pair + 1] - self.first[pair]
        known = (self.code[pair] == code) & (place >= 0.0) & (place <= count - 1)
        place = np.clip(place, 0.0, np.maximum(count - 1, 0))
        before = np.minimum(place.astype(np.int64), np.maximum(count - 2, 0))
        at = self.first[pair] + before
        share = place - before
        one, other = self.leans[at], self.leans[np.minimum(at + 1, len(self.leans) - 1)]
        lean = np.where(known, one + share * (other - one), 0.0)
        for k in (1, 2):
            aside = beside.across[k] - a
            strand = beside.strand[k]
            back = np.minimum(strands.start[strand] - s, 0.0)
            forth = np.maximum(strands.end[strand] - s, 0.0)
            way = np.clip(lean * aside, back, forth)
            inside = (s >= strands.start[strand]) & (s <= strands.end[strand])
            shorter = np.abs(way) < np.abs(lean * aside)
            lean = np.where(shorter, way / np.where(aside == 0.0, 1.0, aside), lean)
            lean = np.where(inside, lean, 0.0)
        held: FloatArray = lean
        return held


def follow(strands: Strands, progress: Progress = keep_going) -> Oblique | None:
    """Leans between all neighbouring strands; None where there are none.

    The profiles of two neighbours are compared at every place along, shifted against each other
    step by step. The squared misfit, in all channels, each by what it usually differs from
    traverse to traverse, is averaged over about a separation along and over the next pair on
    either side, so that what is followed runs across four traverses. The shift of the least
    misfit is the lean, if it leaves little of the misfit that there is straight across; else the
    lean is nought. Local matching of profiles after the dynamic and block matching of stereo
    pictures: D. Scharstein and R. Szeliski (2002), *A taxonomy and evaluation of dense
    two-frame stereo correspondence algorithms*, Int. J. Computer Vision 47, 7-42.
    """
    lower, upper, apart = strands.neighbours()
    near = (apart >= NARROW * strands.separation) & (apart <= WIDE * strands.separation)
    code, which = np.unique(lower[near] * len(strands) + upper[near], return_inverse=True)
    if not len(code):
        return None
    which = which.reshape(-1)
    gap = np.bincount(which, apart[near]) / np.bincount(which)
    match = _Matching(strands, code, gap)
    across = strands.across(code // len(strands), strands.start[code // len(strands)])
    order = np.lexsort((strands.start[code // len(strands)], across))

    def some(pairs: IntArray) -> Callable[[Progress], list[Part]]:
        def work(progress: Progress) -> list[Part]:
            costs: dict[int, Cost] = {}
            found = []
            for number, pair in enumerate(pairs):
                advance(progress, number / len(pairs))
                found.append(match.leans(int(pair), costs))
            return found

        return work

    jobs = [some(order[start : start + PAIRS]) for start in range(0, len(order), PAIRS)]
    found = [one for job in side_by_side(jobs, progress) for one in job]
    back = np.argsort(order)
    parts = [found[i] for i in back]
    first = np.append(0, np.cumsum([len(part) for _, part in parts])).astype(np.int64)
    begin = np.array([at for at, _ in parts], dtype=np.int64)
    leans = np.concatenate([part for _, part in parts])
    if not leans.any():
        return None
    return Oblique(code, first, begin, match.step, leans)


class _Matching:
    """Profiles on an even lattice, and how well neighbours match."""

    def __init__(self, strands: Strands, code: IntArray, gap: FloatArray) -> None:
        self.strands, self.gap = strands, gap
        self.lower, self.upper = code // len(strands), code % len(strands)
        self.step = max(strands.interval, strands.separation / 8.0)
        self.centre = strands.v.mean(axis=1)
        self.scale: FloatArray = np.ones(len(strands.v))
        self.scale = self._scale()
        self.above: dict[int, list[int]] = {}
        self.below: dict[int, list[int]] = {}
        for pair, (lower, upper) in enumerate(zip(self.lower.tolist(), self.upper.tolist())):
            self.above.setdefault(lower, []).append(pair)
            self.below.setdefault(upper, []).append(pair)

    def _scale(self) -> FloatArray:
        """What to multiply each channel by."""
        sizes = []
        for pair in np.unique(np.linspace(0, len(self.gap) - 1, SAMPLE).astype(int)):
            _, one, other = self.both(pair)
            if one.shape[1]:
                sizes.append(np.mean((one - other) ** 2, axis=1))
        usual = np.median(sizes, axis=0) if sizes else np.zeros(len(self.scale))
        return np.where(usual > 0, 1.0 / np.sqrt(np.where(usual > 0, usual, 1.0)), 0.0)

    def both(self, pair: int) -> tuple[int, Floats, Floats]:
        """Where both profiles of a pair begin on the lattice, and the profiles, ``(c, places)``."""
        strands = self.strands
        two = (int(self.lower[pair]), int(self.upper[pair]))
        begin = int(np.ceil(max(strands.start[two[0]], strands.start[two[1]]) / self.step))
        end = int(np.floor(min(strands.end[two[0]], strands.end[two[1]]) / self.step))
        at = np.arange(begin, end + 1) * self.step
        profiles = []
        for strand in two:
            rows = slice(strands.first[strand], strands.first[strand + 1])
            table = np.array([np.interp(at, strands.s[rows], v[rows]) for v in strands.v])
            table = (table.T - self.centre) * self.scale
            profiles.append(np.ascontiguousarray(table.T, dtype=np.float32))
        return begin, profiles[0], profiles[1]

    def cost(self, pair: int, costs: dict[int, Cost]) -> Cost:
        """Misfit of a pair by lean and place, shape ``(leans, places)``."""
        if pair not in costs:
            begin, one, other = self.both(pair)
            places = one.shape[1]
            lags = np.rint(LEANS * self.gap[pair] / self.step).astype(int)
            most = int(lags[-1])
            pad = ((0, 0), (most, most))
            if places:
                one, other = np.pad(one, pad, mode="edge"), np.pad(other, pad, mode="edge")
            tried = np.unique(lags)
            raw = np.empty((len(tried), places), dtype=np.float32)
            for number, lag in enumerate(tried):
                at = most - lag // 2
                apart = one[:, at : at + places] - other[:, at + lag : at + lag + places]
                np.einsum("cp,cp->p", apart, apart, out=raw[number])
            misfit = smooth(raw, self.gap[pair] / self.step)
            if len(costs) > 16:
                costs.pop(next(iter(costs)))
            costs[pair] = begin, misfit[np.searchsorted(tried, lags)]
        return costs[pair]

    def _kept(self, pair: int, lean: FloatArray) -> FloatArray:
        """How far a lean joins what the profiles show there, 1, or evades it, 0.

        Beyond the end of a ditch both profiles are even, and match as well as they please.
        """
        _, one, other = self.both(pair)
        shape = np.stack(
            [np.square(np.gradient(of, axis=1)).sum(axis=0) for of in (one, other)]
        ).astype(np.float32)
        shape = smooth(shape, self.gap[pair] / self.step)
        lag = np.rint(lean * self.gap[pair] / self.step).astype(np.int64)
        place = np.arange(len(lean)) - lag // 2
        last = len(lean) - 1
        there = shape[0, np.clip(place, 0, last)] + shape[1, np.clip(place + lag, 0, last)]
        share = there / np.maximum(shape.sum(axis=0), 1e-20)
        kept: FloatArray = np.clip((share - EVADED) / (JOINED - EVADED), 0.0, 1.0)
        return kept

    def leans(self, pair: int, costs: dict[int, Cost]) -> tuple[int, Floats]:
        """Where the leans of a pair begin on the lattice, and the leans."""
        begin, own = self.cost(pair, costs)
        places = own.shape[1]
        if places < 2:
            return begin, np.zeros(places, dtype=np.float32)
        total = own.copy()
        for others in (
            self.below.get(int(self.lower[pair])),
            self.above.get(int(self.upper[pair])),
        ):
            for neighbour in others or ():
                at, cost = self.cost(neighbour, costs)
                low, high = max(at, begin), min(at + cost.shape[1], begin + places)
                if high > low:
                    total[:, low - begin : high - begin] += cost[:, low - at : high - at]
        upright: Floats = total[UPRIGHT].copy()
        with_penalty = total + (PENALTY * np.abs(LEANS))[:, np.newaxis].astype(np.float32) * upright
        best = np.argmin(with_penalty, axis=0)
        left = total[best, np.arange(places)] / np.maximum(upright, 1e-20)
        weight = np.clip((DOUBTFUL - left) / (DOUBTFUL - CONVINCING), 0.0, 1.0)
        weight *= self._kept(pair, LEANS[best])
        width = 0.5 * self.gap[pair] / self.step
        shares = np.stack([weight * LEANS[best], weight]).astype(np.float32)
        followed, share = smooth(shares, width)
        lean: Floats = followed / np.maximum(share, 1e-6) * np.minimum(2.0 * share, 1.0)
        return begin, np.where(share > 1e-6, lean, 0.0).astype(np.float32)


def smooth(rows: Floats, width: float) -> Floats:
    """Rows smoothed by nearly a bell curve of this standard deviation."""
    size = max(1, 2 * round(2.45 * width / 2) + 1)
    once = uniform_filter1d(rows, size, axis=1, mode="nearest")
    twice: Floats = uniform_filter1d(once, size, axis=1, mode="nearest")
    return twice
