"""Which distance mark is which along one traverse: marks missed and pressed twice."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import FloatArray, IntArray

DOUBLE = 0.3
"""Marks less than so many usual intervals apart are one, pressed twice."""

CLEAR = 0.4
"""So close to a whole number of usual intervals is a number of intervals beyond doubt."""

OWN, ALIKE = 3, 1.45
"""A traverse's own usual interval counts if taken from so many, and if no more than so many times
the survey's or its inverse."""


@dataclass(frozen=True)
class Expected:
    """Marks along a traverse: how many, and the way before the first and after the last.

    Both ways are counted in intervals between marks.
    """

    count: int
    lead_in: float
    lead_out: float


@dataclass(frozen=True, eq=False)
class Reckoned:
    """Marks as they were reckoned.

    Parameters
    ----------
    pace
        Where along the count of readings or time the marks lie that are used, rising.
    slot
        Which of the expected marks each is, from 0.
    missed
        Expected marks that none was found for.
    doubled
        Expected marks that were pressed more than once.
    trouble
        Why no reckoning is beyond doubt; empty where one is.
    uneven
        The greatest number of usual intervals that one interval took, or its inverse; 1 is even.
    """

    pace: FloatArray
    slot: IntArray
    missed: tuple[int, ...] = ()
    doubled: tuple[int, ...] = ()
    trouble: str = ""
    uneven: float = 1.0


def usual_interval(marks: FloatArray) -> float:
    """Median interval between marks, double presses left out; NaN where there is none.

    Examples
    --------
    >>> usual_interval(np.array([0.0, 40.0, 42.0, 81.0, 160.0]))
    40.0
    """
    steps = np.diff(marks)
    steps = steps[steps > DOUBLE * np.median(steps)] if len(steps) else steps
    return float(np.median(steps)) if len(steps) else float("nan")


def reckon(
    marks: FloatArray, start: float, end: float, expected: Expected, usual: float
) -> Reckoned:
    """Tell which of the expected marks those found are.

    Where as many were found as expected, and none lie suspiciously close together, each is the
    next. Otherwise marks close together are one; the others are as many usual intervals apart as
    is beyond doubt; and the whole must come to the number expected, with as much way before the
    first and after the last mark as there should be.

    Parameters
    ----------
    marks
        Where the marks lie along the count of readings or time, rising, ``(k,)``.
    start, end
        Where the first and last reading lie.
    expected
        What marks there should be.
    usual
        Usual interval of the survey; NaN if unknown.

    Examples
    --------
    >>> found = reckon(np.array([0.0, 40.0, 121.0, 160.0]), 0, 160, Expected(5, 0, 0), 40.0)
    >>> found.slot.tolist(), found.missed
    ([0, 1, 3, 4], (2,))
    """
    none = np.empty(0, np.int64)
    if len(marks) < 2:
        many = "no mark" if len(marks) == 0 else "one mark only"
        return Reckoned(marks, none, trouble=f"it has {many}")
    own = usual_interval(marks)
    steps = np.diff(marks) / own
    waits = max(
        (marks[0] - start) / own - expected.lead_in, (end - marks[-1]) / own - expected.lead_out
    )
    if len(marks) == expected.count:
        apart, close = float(steps.max()), float(steps.min())
        # As many as expected: uneven steps are a change of pace, unless one too many made good
        # one that lacks.
        most = 2 - CLEAR if waits >= 1 - CLEAR else (2 - CLEAR) / (1 - CLEAR)
        if close > DOUBLE and apart < most * close:
            return Reckoned(marks, np.arange(len(marks)), uneven=_unevenness(steps))
    pace = own
    few = np.count_nonzero(steps > DOUBLE) < OWN
    if np.isfinite(usual) and (few or not 1 / ALIKE <= own / usual <= ALIKE):
        pace = usual
    return _by_pace(marks, start, end, expected, pace)


def _unevenness(steps: FloatArray) -> float:
    return float(max(steps.max(), 1 / max(steps.min(), 1e-9)))


def _by_pace(
    marks: FloatArray, start: float, end: float, expected: Expected, pace: float
) -> Reckoned:
    none = np.empty(0, np.int64)
    presses = np.split(marks, np.flatnonzero(np.diff(marks) > DOUBLE * pace) + 1)
    if any(press[-1] - press[0] > DOUBLE * pace for press in presses):
        return Reckoned(marks, none, trouble="marks crowd together")
    single = np.array([_likely(presses, k) for k in range(len(presses))])
    steps = np.diff(single) / pace
    whole = np.rint(steps)
    if len(steps) and ((whole < 1) | (np.abs(steps - whole) > CLEAR)).any():
        k = int(np.argmax((whole < 1) | (np.abs(steps - whole) > CLEAR)))
        return Reckoned(
            marks,
            none,
            trouble=f"from its mark {k + 1} to the next it took {steps[k]:.2g} usual intervals",
        )
    slots = np.concatenate([[0], np.cumsum(whole)]).astype(np.int64)
    lacking = expected.count - 1 - int(slots[-1])
    if lacking < 0:
        return Reckoned(
            marks, none, trouble=f"its marks span {int(slots[-1]) + 1} where {expected.count} fit"
        )
    before = (single[0] - start) / pace - expected.lead_in
    after = (end - single[-1]) / pace - expected.lead_out
    first = round(before) if lacking else 0
    clear = abs(before - first) <= CLEAR and abs(after - (lacking - first)) <= CLEAR
    if not clear or not 0 <= first <= lacking:
        trouble = "the way before its first and after its last mark does not fit the others"
        return Reckoned(marks, none, trouble=trouble)
    slots = slots + first
    missed = np.setdiff1d(np.arange(expected.count), slots)
    doubled = tuple(int(s) for s, press in zip(slots, presses) if len(press) > 1)
    return Reckoned(single, slots, tuple(int(s) for s in missed), doubled)


def _likely(presses: list[FloatArray], k: int) -> float:
    """The press of several that makes the steps to either side most even."""
    press = presses[k]
    if len(press) == 1 or not 0 < k < len(presses) - 1:
        return float(press[0])
    middle = (presses[k - 1][-1] + presses[k + 1][0]) / 2
    return float(press[np.argmin(np.abs(press - middle))])
