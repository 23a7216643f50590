"""How traverses were walked: direction, way made and speed at every reading."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...progress import Progress, advance, keep_going
from ...readings import BoolArray, FloatArray, IntArray, Readings
from .heading import Travel, travel_of
from .resample import EVEN


@dataclass(frozen=True, eq=False)
class Walked:
    """How all readings were walked, ``(n,)`` each; NaN where a reading has no direction.

    Parameters
    ----------
    bearing
        Direction of travel, degrees clockwise from grid north.
    doubtful
        Where the position is known and the direction is none or not the reading's own.
    progress
        Way made in the direction of travel since the traverse's first place, map units.
    speed
        Map units a second; NaN where it was not wanted.
    """

    bearing: FloatArray
    doubtful: BoolArray
    progress: FloatArray
    speed: FloatArray


def walked_of(
    readings: Readings, window: float, timed: bool, progress: Progress = keep_going
) -> Walked:
    """How every traverse was walked.

    Parameters
    ----------
    readings
        The readings; one without a position has no direction.
    window
        Path that a direction and a speed are taken from, map units.
    timed
        Whether the speed is wanted.

    Raises
    ------
    ValueError
        If the speed is wanted and times are missing.
    """
    n = len(readings)
    bearing, way, speed = (np.full(n, np.nan) for _ in range(3))
    doubtful = np.isfinite(readings.x) & np.isfinite(readings.y)
    lines = readings.lines
    for number, traverse in enumerate(lines):
        advance(progress, number / len(lines))
        rows = traverse.rows
        x, y = readings.x[rows], readings.y[rows]
        travel = travel_of(x, y, window)
        bearing[rows] = travel.bearing
        told = np.isfinite(travel.bearing)
        doubtful[rows[told]] = travel.doubtful[told]
        way[rows] = progress_of(x, y, travel)
        if timed and told.any():
            found = _speed(readings.time[rows], way[rows], travel)
            if found is None:
                raise ValueError(
                    f"The readings of {traverse.name} have no times that rise, which a lag in "
                    "seconds needs. Fill in the time, or give the lag in map units."
                )
            speed[rows] = found
    return Walked(bearing, doubtful, way, speed)


def way_made(x: FloatArray, y: FloatArray, bearing: FloatArray) -> FloatArray:
    """Way made in the direction of travel since the first reading of one traverse, ``(n,)``.

    Each step counts by what of it leads the way that is half between the directions at its ends.
    So jitter from side to side and standing about, which lengthen the path, do not lengthen it; a
    step back shortens it. NaN where there is no direction.

    Parameters
    ----------
    x, y
        Positions in walking order, ``(n,)``, map units.
    bearing
        Direction of travel there, degrees clockwise from grid north, ``(n,)``.

    Examples
    --------
    >>> x, y = np.array([0.0, 1.0, 2.0, 1.5]), np.array([0.0, 0.1, -0.1, 0.0])
    >>> way_made(x, y, np.full(4, 90.0)).round(6).tolist()
    [0.0, 1.0, 2.0, 1.5]
    """
    told = np.flatnonzero(np.isfinite(bearing))
    way = np.full(len(x), np.nan)
    ahead = np.exp(1j * np.radians(bearing[told]))  # north + i east
    ahead = ahead[1:] + ahead[:-1]
    ahead /= np.maximum(np.abs(ahead), 1e-12)
    steps = np.diff(y[told]) * ahead.real + np.diff(x[told]) * ahead.imag
    way[told] = np.concatenate([[0.0], np.cumsum(steps)])[: len(told)]
    return way


def progress_of(x: FloatArray, y: FloatArray, travel: Travel) -> FloatArray:
    """Furthest way made by each reading of one traverse, so never falling, ``(n,)``.

    See `way_made`; NaN where there is no direction.

    Examples
    --------
    >>> x = np.array([0.0, 1.0, 2.0, 3.0])
    >>> progress_of(x, np.zeros(4), travel_of(x, np.zeros(4), 2.0)).round(6).tolist()
    [0.0, 1.0, 2.0, 3.0]
    """
    way = way_made(x, y, travel.bearing)
    told = np.isfinite(way)
    way[told] = np.maximum.accumulate(way[told])
    return way


def _speed(time: FloatArray, way: FloatArray, travel: Travel) -> FloatArray | None:
    """Speed over the window of each reading, or of the traverse; None where no time rises."""
    known = np.flatnonzero(np.isfinite(time) & np.isfinite(way))
    if not len(known):
        return None
    span = time[known[-1]] - time[known[0]]
    if not span > 0:
        return None
    usual = (way[known[-1]] - way[known[0]]) / span
    took = time[travel.high - 1] - time[travel.low]
    made = way[travel.high - 1] - way[travel.low]
    with np.errstate(divide="ignore", invalid="ignore"):
        speed: FloatArray = np.where(took > 0, made / took, usual)
    return speed


def walking_order(readings: Readings, walked: Walked) -> tuple[IntArray, IntArray]:
    """Number of the traverse and row of every reading that has a direction, as walked."""
    lines = readings.lines
    rows = np.concatenate([np.empty(0, np.int64), *(line.rows for line in lines)])
    numbers = np.repeat(np.arange(len(lines)), [len(line.rows) for line in lines])
    told = np.isfinite(walked.progress[rows])
    return numbers[told], rows[told]


def usual_step(numbers: IntArray, way: FloatArray) -> float:
    """Usual distance between readings of one traverse, map units; 1 where no two differ."""
    step = np.diff(way)[np.diff(numbers) == 0]
    step = step[step > EVEN]
    return float(np.median(step)) if len(step) else 1.0


def never_falling(numbers: IntArray, place: FloatArray) -> FloatArray:
    """Places along each traverse, none before the one walked before it."""
    if not len(place):
        return place
    reach = 2.0 * (float(np.ptp(place)) + 1.0)
    risen: FloatArray = np.maximum.accumulate(place + numbers * reach) - numbers * reach
    return risen
