"""Evidence of drift, of lag between opposing passes and of mismatch between data grids."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..correct.alignpasses import find_lags
from ..correct.balancegrids import grid_offsets
from ..correct.traverses import grids_of
from ..readings import FloatArray, IntArray, Readings
from ..words import in_unit, plural
from .findings import CANNOT_TELL, GOOD, LOOK, MEND, Finding
from .lines import Lines, group_medians, sample_blocks
from .survey import Survey

LATER, FURTHER = 600.0, 10.0
"""A place come back to after so many seconds tells of drift, and after so many times the time that
it takes to walk from a traverse to the next: else it is but the ground's change across."""

CELL = 2.0
"""Side of the cells that count as one place, traverse separations: two traverses cross most."""

FEWEST_PLACES = 20
"""Places come back to below which nothing is said."""

FEWEST_PAIRS = 5
"""Pairs of traverses that these must belong to: a few alone show their own offsets."""

FEWEST_OPPOSED = 4
"""Traverses with an opposing neighbour below which nothing is said of a lag."""

SAMPLE = 25_000
"""Readings from which a lag is found; of a larger survey, blocks of traverses."""

MOST_GRIDS = 16
"""Data grids that are matched; of more, those in the middle of the survey."""

SIGMAS = 3.0
"""Standard errors from which a mismatch is believed."""

APART = 1.5
"""Differences after a while this many times those between neighbours are a change with time."""


@dataclass(frozen=True, eq=False)
class Revisits:
    """Differences of one place's readings between two traverses, later less earlier.

    Parameters
    ----------
    values
        Shape ``(r, c)``, NaN for none.
    lapse
        Seconds between, ``(r,)``.
    pairs
        How many pairs of traverses there are.
    inside
        Share of the places where both traverses belong to one data grid.
    later
        Seconds that part soon from later.
    """

    values: FloatArray
    lapse: FloatArray
    pairs: int
    inside: float
    later: float


def evidence(survey: Survey, rows: IntArray, separation: float, noise: FloatArray) -> list[Finding]:
    """Findings on drift, lag and mismatch.

    Parameters
    ----------
    rows
        The readings to look at: enough of every traverse.
    separation
        Traverse separation, map units.
    noise
        Noise of each channel, ``(c,)``.
    """
    readings = survey.readings.take(rows[survey.kept[rows]])
    return [
        *drift_findings(readings, separation, noise),
        *lag_findings(survey),
        *mismatch_findings(readings, noise),
    ]


def drift_findings(readings: Readings, separation: float, noise: FloatArray) -> list[Finding]:
    """Whether places come back to later read otherwise than neighbouring traverses do."""
    topic, what = "Drift and matching", "change with time"
    if not np.isfinite(readings.time).any():
        sentence = "Drift cannot be told: the readings have no time."
        return [Finding(topic, what, CANNOT_TELL, sentence)]
    soon, late = revisits(readings, separation)
    findings = []
    for k, (name, unit) in enumerate(zip(readings.channels, readings.units)):
        apart = late.values[np.isfinite(late.values[:, k]), k]
        beside = soon.values[np.isfinite(soon.values[:, k]), k]
        if min(len(apart), len(beside)) < FEWEST_PLACES or late.pairs < FEWEST_PAIRS:
            sentence = (
                f"{name}: drift cannot be told from change of the ground, for the survey hardly "
                f"came back to a place after {late.later / 60:.0f} minutes or more."
            )
            findings.append(Finding(topic, what, CANNOT_TELL, sentence, channel=name))
            continue
        after, usual = float(np.median(np.abs(apart))), float(np.median(np.abs(beside)))
        changed = after > APART * usual and after > noise[k]
        findings.append(
            Finding(
                topic,
                what,
                GOOD if not changed else MEND if late.inside > 0.5 else LOOK,
                f"{name}: where the survey came back after {late.later / 60:.0f} minutes or more "
                f"({plural(len(apart), 'place')}), readings differ by {in_unit(after, unit)}, "
                f"those of neighbouring traverses by {in_unit(usual, unit)}: "
                + _told(changed, late.inside),
                after,
                unit,
                channel=name,
                mend="driftbase" if changed else "",
            )
        )
    return findings


def _told(changed: bool, inside: float) -> str:
    if not changed:
        return "no sign of drift there."
    if inside > 0.5:
        return "the instrument drifted."
    return "the instrument drifted, or was set or carried otherwise from data grid to data grid."


def revisits(readings: Readings, separation: float) -> tuple[Revisits, Revisits]:
    """Differences between traverses through one place, soon after each other and much later.

    Ground is parted into square cells; the readings of a traverse in a cell count by their median.
    """
    c = len(readings.channels)
    none = Revisits(np.empty((0, c)), np.empty(0), 0, 0.0, LATER)
    lines = Lines.of(readings)
    lines = lines.where(np.isfinite(readings.time))
    if not len(lines.rows) or not np.isfinite(separation):
        return none, none
    rows = lines.rows
    size = CELL * separation
    column = np.floor((readings.x[rows] - readings.x[rows].min()) / size).astype(np.int64)
    row = np.floor((readings.y[rows] - readings.y[rows].min()) / size).astype(np.int64)
    place = column * (int(row.max()) + 1) + row
    # One visit: a traverse in a cell.
    visit_code, visit = np.unique(place * len(lines.traverses) + lines.number, return_inverse=True)
    visit = visit.reshape(-1).astype(np.int64)
    count = len(visit_code)
    time = np.bincount(visit, readings.time[rows]) / np.bincount(visit)
    usable = readings.usable[rows]
    values = np.stack(
        [
            group_medians(np.where(usable[:, k], readings.values[rows, k], np.nan), visit, count)
            for k in range(c)
        ],
        axis=1,
    )
    grid = np.unique([traverse.grid for traverse in lines.traverses], return_inverse=True)[1]
    cell, number = np.divmod(visit_code, len(lines.traverses))
    order = np.lexsort((time, cell))
    cell, number, time, values = cell[order], number[order], time[order], values[order]
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    ends = np.append(starts[1:], count) - 1
    next_ = np.flatnonzero(np.diff(cell) == 0)

    walked = np.sort(lines.medians(readings.time[rows]))
    turns = np.diff(walked[np.isfinite(walked)])
    later = max(LATER, FURTHER * float(np.median(turns)) if len(turns) else 0.0)

    def between(first: IntArray, second: IntArray, late: bool) -> Revisits:
        lapse = time[second] - time[first]
        chosen = (lapse >= later) == late
        one, two = number[first[chosen]], number[second[chosen]]
        pairs = len(np.unique(one * len(lines.traverses) + two))
        inside = float((grid[one] == grid[two]).mean()) if len(one) else 0.0
        step = values[second[chosen]] - values[first[chosen]]
        return Revisits(step, lapse[chosen], pairs, inside, later)

    return between(next_, next_ + 1, False), between(starts, ends, True)


def lag_findings(survey: Survey) -> list[Finding]:
    """Whether opposing passes are shifted along the traverses against each other."""
    topic, what, unit = "Drift and matching", "lag between opposing passes", survey.unit
    readings = survey.readings.take(sample_blocks(survey.readings, SAMPLE))
    paired = [t.rows for g in grids_of(readings) if len(g.traverses) > 1 for t in g.traverses]
    if not paired:
        sentence = "A lag cannot be told, for no two traverses of a data grid can be compared."
        return [Finding(topic, what, CANNOT_TELL, sentence)]
    (found,) = find_lags(readings.take(np.concatenate(paired)))
    shift = found.shift
    if shift.traverses < FEWEST_OPPOSED or not np.isfinite(shift.error):
        sentence = (
            "A lag cannot be told, for hardly any neighbouring traverses were walked in opposite "
            "directions."
        )
        return [Finding(topic, what, CANNOT_TELL, sentence)]
    size = f"{in_unit(shift.lag, unit)}, standard error {in_unit(shift.error, unit)}"
    if not shift.evident:
        sentence = f"No evidence of a lag between opposing passes ({size})."
        return [Finding(topic, what, GOOD, sentence, shift.lag, unit)]
    sentence = (
        f"Opposing passes disagree as if each reading lay {in_unit(abs(shift.lag), unit)} "
        f"{'ahead of' if shift.lag > 0 else 'behind'} where it was taken ({size}): features look "
        "like a herringbone."
    )
    return [Finding(topic, what, MEND, sentence, shift.lag, unit, mend="alignpasses")]


def mismatch_findings(readings: Readings, noise: FloatArray) -> list[Finding]:
    """Whether data grids meet at different levels, channel by channel."""
    topic, what = "Drift and matching", "mismatch between data grids"
    there = len(np.unique(readings.grid))
    if there < 2:
        return []
    near = readings.take(_middle_grids(readings))
    looked = f" ({MOST_GRIDS} of {there} data grids looked at)" if there > MOST_GRIDS else ""
    try:
        found = grid_offsets(near)
    except ValueError:  # the readings show no separation: a finding and no error
        sentence = "Whether the data grids meet at one level cannot be told."
        return [Finding(topic, what, CANNOT_TELL, sentence)]
    findings = []
    for k, (name, unit) in enumerate(zip(readings.channels, readings.units)):
        known = np.isfinite(found.error[:, k])
        if known.sum() < 2:
            sentence = f"{name}: no two data grids lie beside each other to compare their levels."
            findings.append(Finding(topic, what, CANNOT_TELL, sentence, channel=name))
            continue
        offset, error = found.offset[known, k], found.error[known, k]
        span = float(np.ptp(offset))
        sure = span > SIGMAS * float(np.sqrt(2.0) * np.median(error))
        apart = sure and span > noise[k]
        high, low = (
            readings.grid_names[np.flatnonzero(known)[place]]
            for place in (np.argmax(offset), np.argmin(offset))
        )
        between = f"of {high or 'the rest'} and {low or 'the rest'}"
        findings.append(
            Finding(
                topic,
                what,
                MEND if apart else GOOD,
                f"{name}: along their edges the levels {between} differ by {in_unit(span, unit)}, "
                + ("the most of all" if apart else "little enough")
                + f"{looked}.",
                span,
                unit,
                channel=name,
                mend="balancegrids" if apart else "",
            )
        )
    return findings


def _middle_grids(readings: Readings) -> IntArray:
    """Rows of all data grids, or of very many those in the middle of the survey."""
    codes, place = np.unique(readings.grid, return_inverse=True)
    if len(codes) <= MOST_GRIDS:
        return np.arange(len(readings))
    place = place.reshape(-1).astype(np.int64)
    held = np.bincount(place)
    x, y = (np.bincount(place, v) / held for v in (readings.x, readings.y))
    nearest = np.argsort(np.hypot(x - np.median(x), y - np.median(y)), kind="stable")
    return np.flatnonzero(np.isin(place, nearest[:MOST_GRIDS]))
