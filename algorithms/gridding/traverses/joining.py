"""From the readings of traverses of one direction to strands: sorted, repeats one, ends joined."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from ...readings import FloatArray, IntArray
from .smoothing import smoothed
from .strands import Sight, Strands

SAME = 0.02
"""Readings of a traverse closer along than this share of the interval are one, by their mean."""
REPEAT = 0.2
"""Traverses closer than this share of the separation, over most of the way, repeat each other."""
MOST = 0.6
"""Share of the shorter traverse's way that counts as most of it."""
IN_LINE = 0.25
"""A traverse continues another that it is aside of by less than this share of the separation."""
WIDER = 3.0
"""Neighbours further than this many separations apart tell nothing of the separation."""


def strands(
    s: FloatArray,
    a: FloatArray,
    v: FloatArray,
    line: IntArray,
    reach: float,
    sight: Sight | None = None,
    smoothing: float = 0.0,
) -> tuple[Strands, int]:
    """Strands of traverses of one direction.

    Parameters
    ----------
    s, a
        Places along and across, shape ``(n,)``.
    v
        Values, shape ``(c, n)``.
    line
        Traverse of each reading, rising, shape ``(n,)``.
    reach
        How far beyond its ends a strand counts, and half of how wide a gap between one traverse
        and its continuation may be.
    sight
        Barriers: a traverse ends at one and goes on as another beyond.
    smoothing
        Distance along that readings are smoothed over, 0 for none.

    Returns
    -------
    strands
        In the order of their places.
    repeats
        Number of traverses that repeat others: they count together, by their mean.
    """
    order = _along_each(s, a, line)
    if order is not None:
        s, a, v, line = s[order], a[order], v[:, order], line[order]
    step = np.diff(s)[np.diff(line) == 0]
    interval = float(np.median(step[step > 0])) if (step > 0).any() else reach
    s, a, v, line = _merged(s, a, v, line, SAME * interval)
    if sight is not None:
        line = _cut(s, a, line, sight)
    if smoothing > 0:
        v = smoothed(s, v, line, smoothing)
    made = _strands(s, a, v, line, interval)
    made = _spaced(made, separation(made, reach))
    groups = _repeated(made)
    repeats = len(made) - len(np.unique(groups))
    if repeats:
        apart = separation(made, reach, groups)
        made = _spaced(_strands(*_one_of_each(made, groups), interval), apart)
    chain = _chains(made, reach, sight)
    if len(np.unique(chain)) < len(chain):
        apart = made.separation
        made = _spaced(_strands(made.s, made.a, made.v, chain[made.of], interval), apart)
    return made, repeats


def _along_each(s: FloatArray, a: FloatArray, line: IntArray) -> IntArray | None:
    """Order of the readings by their place along each traverse; None if they are in it."""
    size = np.bincount(line - line[0])
    size = size[size > 0]
    last = np.cumsum(size) - 1
    first = last - size + 1
    back = np.repeat(s[last] < s[first], size)
    order: IntArray = np.arange(len(s))
    if back.any():
        order = np.where(back, np.repeat(first + last, size) - order, order)
    rising = s if not back.any() else s[order]
    if ((np.diff(rising) > 0) | (np.diff(line) > 0)).all():
        return order if back.any() else None
    by_place: IntArray = np.lexsort((a, s, line))
    return by_place


def _spaced(made: Strands, separation: float) -> Strands:
    """The strands with their separation known."""
    return replace(made, separation=separation)


def separation(made: Strands, reach: float, groups: IntArray | None = None) -> float:
    """Usual distance between strands: of the wider of the two gaps beside each, the median.

    The wider, since a traverse walked twice lies close to one neighbour; gaps that are much wider
    than most are left by missing traverses.
    """
    lower, upper, apart = made.neighbours()
    if groups is not None:
        keep = groups[lower] != groups[upper]
        lower, upper, apart = lower[keep], upper[keep], apart[keep]
    if not len(apart):
        return reach
    near = apart <= WIDER * np.median(apart)
    upper, lower, apart = upper[near], lower[near], apart[near]
    follows = lower[1:] == upper[:-1]
    wider = np.where(follows, np.maximum(apart[1:], apart[:-1]), 0.0)
    return float(np.median(wider[follows])) if follows.any() else float(np.median(apart))


def _strands(
    s: FloatArray, a: FloatArray, v: FloatArray, line: IntArray, interval: float
) -> Strands:
    """Strands by any numbers, the knots of each brought together and sorted."""
    new = (np.diff(line) != 0) | (np.diff(s) < 0)
    if (np.diff(line)[new] <= 0).any():
        order = np.lexsort((s, line))
        s, a, v, line = s[order], a[order], v[:, order], line[order]
    first = np.append(np.flatnonzero(np.diff(line, prepend=line[0] - 1)), len(s)).astype(np.int64)
    return Strands(s, a, v, first, s[first[:-1]], s[first[1:] - 1], 0.0, interval)


def _merged(
    s: FloatArray, a: FloatArray, v: FloatArray, line: IntArray, close: float
) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Readings at one place along their traverse brought to their mean."""
    new = np.ones(len(s), dtype=bool)
    new[1:] = (np.diff(line) != 0) | (np.diff(s) > close)
    start = np.flatnonzero(new)
    if len(start) == len(s):
        return s, a, v, line
    count = np.diff(np.append(start, len(s)))

    def mean(of: FloatArray) -> FloatArray:
        means: FloatArray = np.add.reduceat(of, start, axis=-1) / count
        alone = count == 1
        means[..., alone] = of[..., start[alone]]
        return means

    return mean(s), mean(a), mean(v), line[start]


def _cut(s: FloatArray, a: FloatArray, line: IntArray, sight: Sight) -> IntArray:
    """Traverse numbers, a new one where a barrier stands between a reading and the next."""
    place = sight.turned(s, a)
    hidden = sight.barriers.hide(place[:-1], place[1:])
    new = (np.diff(line) != 0) | hidden
    numbers: IntArray = np.concatenate([[0], np.cumsum(new)]).astype(np.int64)
    return numbers


def _repeated(made: Strands) -> IntArray:
    """Group of each strand: those that repeat each other are one group."""
    lower, upper, apart = made.neighbours()
    close = apart <= REPEAT * made.separation
    near = coo_matrix((np.ones(close.sum()), (lower[close], upper[close])), shape=(len(made),) * 2)
    near.sum_duplicates()
    width = made.stretch
    ways = np.floor((made.end - made.low.min()) / width) - np.floor(
        (made.start - made.low.min()) / width
    )
    ways += 1.0
    shorter = np.minimum(ways[near.row], ways[near.col])
    keep = near.data >= MOST * shorter
    graph = coo_matrix((near.data[keep], (near.row[keep], near.col[keep])), shape=(len(made),) * 2)
    groups: IntArray = connected_components(graph, directed=False)[1].astype(np.int64)
    return groups


def _one_of_each(
    made: Strands, groups: IntArray
) -> tuple[FloatArray, FloatArray, FloatArray, IntArray]:
    """Knots where the strands of a group count as one: at the knots of the longest, by the mean.

    What the others have beyond its ends goes on by itself.
    """
    a, v = made.a.copy(), made.v.copy()
    keep = np.ones(len(made.s), dtype=bool)
    line = made.of * 3
    order = np.lexsort((-(made.end - made.start), groups))
    sizes = np.bincount(groups)
    starts = np.cumsum(sizes) - sizes
    for group in np.flatnonzero(sizes > 1):
        longest, *others = order[starts[group] : starts[group] + sizes[group]]
        rows = np.arange(made.first[longest], made.first[longest + 1])
        s = made.s[rows]
        count = np.ones(len(rows))
        for other in others:
            here = (s >= made.start[other]) & (s <= made.end[other])
            strand = np.full(int(here.sum()), other, dtype=np.int64)
            a[rows[here]] += made.across(strand, s[here])
            v[:, rows[here]] += made.chords(made.find(strand, s[here]))
            count[here] += 1.0
            its = np.arange(made.first[other], made.first[other + 1])
            keep[its] = (made.s[its] < s[0]) | (made.s[its] > s[-1])
            line[its[made.s[its] > s[-1]]] += 1
        a[rows] /= count
        v[:, rows] /= count
    return made.s[keep], a[keep], v[:, keep], line[keep]


def _chains(made: Strands, reach: float, sight: Sight | None) -> IntArray:
    """Number of the chain each strand belongs to, the strands of a chain end to end.

    The end of one strand and the start of another join where each is the nearest of the other,
    the gap is no wider than twice the reach, and they lie in one line.
    """
    count = len(made)
    numbers: IntArray = np.arange(count)
    if count < 2:
        return numbers
    wide, aside = 2.0 * reach, IN_LINE * made.separation
    first, last = made.first[:-1], made.first[1:] - 1
    ends = np.column_stack([made.s[last] / wide, made.a[last] / aside])
    begins = np.column_stack([made.s[first] / wide, made.a[first] / aside])
    ahead = _nearest(ends, begins)
    behind = _nearest(begins, ends)
    one = np.flatnonzero(ahead < count)
    one = one[behind[ahead[one]] == one]
    other = ahead[one]
    # not what lies side by side: neither may begin before the other, nor end after it
    good = (made.start[one] < made.start[other]) & (made.end[one] < made.end[other])
    if sight is not None and len(one):
        here = sight.turned(made.s[last[one]], made.a[last[one]])
        good &= ~sight.barriers.hide(here, sight.turned(made.s[first[other]], made.a[first[other]]))
    graph = coo_matrix((np.ones(good.sum()), (one[good], other[good])), shape=(count, count))
    chain: IntArray = connected_components(graph, directed=False)[1].astype(np.int64)
    return chain


def _nearest(of: FloatArray, among: FloatArray) -> IntArray:
    """The nearest other point within 1 of each; their number where there is none."""
    _, found = cKDTree(among).query(of, k=2, distance_upper_bound=1.0)
    own = found[:, 0] == np.arange(len(of))
    nearest: IntArray = np.where(own, found[:, 1], found[:, 0])
    return nearest
