"""A line and what is drawn at an offset from it: crossings, cuts and fills."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ..readings import FloatArray


@dataclass(frozen=True, eq=False)
class Stretch:
    """One stretch: the traverse below it, shape ``(k, 2)``, offsets and their direction."""

    ground: FloatArray
    offset: FloatArray
    way: FloatArray

    @property
    def line(self) -> FloatArray:
        """The profile."""
        drawn: FloatArray = self.ground + self.offset[:, np.newaxis] * self.way
        return drawn

    def fills(self, sign: int) -> list[FloatArray]:
        """Outlines between traverse and profile where the offset has a sign."""
        inside = sign * self.offset > 0
        starts = np.flatnonzero(inside & ~np.r_[False, inside[:-1]]).tolist()
        ends = np.flatnonzero(inside & ~np.r_[inside[1:], False]).tolist()
        line, ground = self.line, self.ground
        # The corners before and behind lie on the traverse, or the stretch ends there.
        return [
            np.concatenate([line[max(start - 1, 0) : end + 2], ground[start : end + 1][::-1]])
            for start, end in zip(starts, ends)
        ]


def stretch_of(
    ground: FloatArray, offset: FloatArray, bearing: float, clip: float | None
) -> Stretch:
    """A stretch with corners where it crosses its traverse and the limit of clipping."""
    levels = [0.0] if clip is None else [-clip, 0.0, clip]
    ground, offset = with_crossings(ground, offset, levels)
    if clip is not None:
        offset = np.clip(offset, -clip, clip)
    angle = math.radians(bearing)
    way = np.array([math.sin(angle), math.cos(angle)])
    way[np.abs(way) < 1e-12] = 0.0
    return Stretch(ground, offset, way)


def with_crossings(
    xy: FloatArray, value: FloatArray, levels: list[float]
) -> tuple[FloatArray, FloatArray]:
    """A line with a corner put in wherever its value crosses one of the levels.

    Parameters
    ----------
    xy, value
        Corners, shape ``(k, 2)``, and a value at each, shape ``(k,)``, linear between them.
    levels
        Rising.

    Returns
    -------
    xy, value
        With the crossings, at which the value is the level to the last bit.

    Examples
    --------
    >>> line, value = np.array([[0.0, 0.0], [4.0, 0.0]]), np.array([-1.0, 3.0])
    >>> with_crossings(line, value, [0.0, 2.0])[0].tolist()
    [[0.0, 0.0], [1.0, 0.0], [3.0, 0.0], [4.0, 0.0]]
    """
    before, after = value[:-1, np.newaxis], value[1:, np.newaxis]
    level = np.array(levels)
    step, which = np.nonzero((before - level) * (after - level) < 0)
    at = (level[which] - value[step]) / (value[step + 1] - value[step])
    place: FloatArray = np.concatenate([np.arange(len(value), dtype=np.float64), step + at])
    order = np.argsort(place, kind="stable")
    new = xy[step] + at[:, np.newaxis] * (xy[step + 1] - xy[step])
    return np.concatenate([xy, new])[order], np.concatenate([value, level[which]])[order]
