"""What the neighbours know: gaps in traverses, and the ground beyond their ends."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree

from ...readings import BoolArray, FloatArray, IntArray
from .hermite import between
from .strands import Beside, Sight, Strands

FADING = 2.0
"""Over this many separations a traverse's own level gives way to that of its neighbours."""
MOST_PLACES = 256
"""Most places put into one gap."""
LOOK = 4
"""Starts of strands looked at when seeking what lies ahead of an end."""


def filled(made: Strands, reach: float, sight: Sight | None = None) -> Strands:
    """Strands with knots put in where neighbours on both sides know better than the curve along.

    That is in a gap longer than the neighbours are apart, and beyond the ends. The knots take
    what lies between the neighbours there, and as much of what the traverse read more than they
    as is left after fading out over `FADING` separations. A traverse so led on beyond its end
    counts no further; one without neighbours there keeps its last value up to the reach, or
    halfway to what begins ahead.
    """
    fade = FADING * made.separation
    spacing = max(made.interval, made.separation / 4.0)
    s_gap, strand_gap, v_gap, a_gap = _in_gaps(made, spacing, fade, sight)
    ends = [_beyond(made, way, spacing, fade, reach, sight) for way in (1.0, -1.0)]
    low, high = ends[1][4], ends[0][4]
    s = np.concatenate([s_gap, *(end[0] for end in ends)])
    if not len(s):
        return replace(made, low=low, high=high)
    strand = np.concatenate([strand_gap, *(end[1] for end in ends)])
    v = np.concatenate([v_gap, *(end[2] for end in ends)], axis=1)
    a = np.concatenate([a_gap, *(end[3] for end in ends)])
    order = np.lexsort((s, strand))
    s, strand, v, a = s[order], strand[order], v[:, order], a[order]
    # behind the knot before, or before the first one
    at = made.find(strand, s).knot + 1
    at = np.where(s < made.start[strand], made.first[strand], at)
    at = np.where(s > made.end[strand], made.first[strand + 1], at)
    added = np.append(0, np.cumsum(np.bincount(strand, minlength=len(made)))).astype(np.int64)
    return replace(
        made,
        s=np.insert(made.s, at, s),
        a=np.insert(made.a, at, a),
        v=np.insert(made.v, at, v, axis=1),
        first=made.first + added,
        low=low,
        high=high,
    )


def _known(
    made: Strands, strand: IntArray, s: FloatArray, a: FloatArray, sight: Sight | None
) -> tuple[FloatArray, FloatArray]:
    """What lies between the other strands at places, and how far those are apart.

    Shapes ``(c, m)`` and ``(m,)``, the latter infinite where there are none.
    """
    beside = made.beside(s, a, without=strand, within=True, sight=sight)
    return straight_across(made, beside, s, a), beside.gap


def straight_across(made: Strands, beside: Beside, s: FloatArray, a: FloatArray) -> FloatArray:
    """Values between four strands by chords along and the cubic across, shape ``(c, m)``."""
    chords = [made.chords(made.find(beside.strand[k], s)) for k in range(4)]
    return between(list(beside.across), chords, a, beside.there[0], beside.there[3])


def _in_gaps(
    made: Strands, spacing: float, fade: float, sight: Sight | None
) -> tuple[FloatArray, IntArray, FloatArray, FloatArray]:
    """Knots in wide gaps: place along, strand, values, place across."""
    of = made.of
    length = np.where(np.diff(of) == 0, np.diff(made.s), 0.0)
    left = np.flatnonzero(length > max(made.separation, 1.5 * made.interval))
    parts = np.clip(np.ceil(length[left] / spacing), 2, MOST_PLACES).astype(np.int64)
    gap = np.repeat(left, parts - 1)
    number = np.arange(len(gap)) - np.repeat(np.cumsum(parts - 1) - (parts - 1), parts - 1) + 1
    s = made.s[gap] + length[gap] * number / np.repeat(parts, parts - 1)
    a = made.across(of[gap], s)
    v, apart = _known(made, of[gap], s, a, sight)
    better = apart < length[gap]
    gap, s, a, v = gap[better], s[better], a[better], v[:, better]
    for end in (gap, gap + 1):
        known, apart = _known(made, of[end], made.s[end], made.a[end], sight)
        more = np.where(np.isfinite(apart), made.v[:, end] - known, 0.0)
        v += more * np.clip(1.0 - np.abs(s - made.s[end]) / fade, 0.0, 1.0)
    return s, of[gap], v, a


def _beyond(
    made: Strands, way: float, spacing: float, fade: float, reach: float, sight: Sight | None
) -> tuple[FloatArray, IntArray, FloatArray, FloatArray, FloatArray]:
    """Knots beyond one end of every strand, as `_in_gaps`, and up to where each strand counts."""
    end = made.first[1:] - 1 if way > 0 else made.first[:-1]
    count = int(np.ceil(fade / spacing))
    strand = np.arange(len(made))
    own, apart_own = _known(made, strand, made.s[end], made.a[end], sight)
    more = np.where(np.isfinite(apart_own), made.v[:, end] - own, 0.0)
    steps = np.arange(1, count + 1) * fade / count
    s = made.s[end] + way * steps[:, np.newaxis]
    a = made.a[end] + way * made.course * steps[:, np.newaxis]
    good: BoolArray = np.zeros(s.shape, dtype=np.bool_)
    values = np.empty((len(made.v), *s.shape))
    going: BoolArray = np.ones(len(made), dtype=np.bool_)
    for k in range(count):
        values[:, k], apart = _known(made, strand, s[k], a[k], sight)
        values[:, k] += more * (1.0 - steps[k] / fade)
        going &= apart <= max(2.0 * reach, 2.0 * fade)
        if sight is not None:
            here = sight.turned(made.s[end], made.a[end])
            going &= ~sight.barriers.hide(here, sight.turned(s[k], a[k]))
        good[k] = going
    led = good.sum(axis=0)
    # less than all the way: the last value goes on
    room = np.minimum(reach, _halfway(made, way, reach, sight))
    counts = np.where(led == count, fade, np.maximum(room, led * fade / count))
    limit = made.s[end] + way * counts
    return s[good], np.broadcast_to(strand, s.shape)[good], values[:, good], a[good], limit


def _halfway(made: Strands, way: float, reach: float, sight: Sight | None) -> FloatArray:
    """Half the distance along from the end of each strand to the next that is seen to begin."""
    if way > 0:
        of, ahead = made.first[1:] - 1, made.first[:-1]
    else:
        of, ahead = made.first[:-1], made.first[1:] - 1
    wide, aside = 2.0 * reach, 1.5 * made.separation
    tree = cKDTree(np.column_stack([made.s[ahead] / wide, made.a[ahead] / aside]))
    count = min(LOOK, len(made))
    near = tree.query(
        np.column_stack([made.s[of] / wide, made.a[of] / aside]),
        k=list(range(1, count + 1)),
        p=np.inf,
        distance_upper_bound=1.0,
    )[1]
    found = near < len(made)
    if sight is not None:
        here = sight.turned(made.s[of], made.a[of])
        there = sight.turned(made.s[ahead], made.a[ahead])
        for k in range(count):
            rows = np.flatnonzero(found[:, k])
            found[rows, k] = ~sight.barriers.hide(here[rows], there[near[rows, k]])
    apart = way * (made.s[ahead][np.where(found, near, 0)] - made.s[of][:, np.newaxis])
    half: FloatArray = np.where(found & (apart > 0), apart / 2.0, np.inf).min(axis=1)
    return half
