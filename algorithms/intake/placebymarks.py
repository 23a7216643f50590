"""Place readings between the distance marks that the operator set along each traverse."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray, IntArray, Qc
from ..words import SHOWN, in_unit, plural, sentence_start
from .marks.marked_lines import (
    ENDS,
    MARK_AT,
    MARKED_BY,
    METHODS,
    REPAIR,
    Marked,
    MarkedLine,
    MarkOptions,
    marked_lines,
)
from .marks.marks import Reckoned, reckon, usual_interval
from .sitegrid import Placed, SiteGrid, check_unique, place_on_site_grid

__all__ = [
    "ENDS",
    "MARKED_BY",
    "MARK_AT",
    "METHODS",
    "REPAIR",
    "ByMarks",
    "MarkOptions",
    "Marked",
    "Repair",
    "placebymarks",
]

UNEVEN = 1.6
"""An interval that took so many times the usual is named."""

WHAT = {"missed": "put in", "doubled": "set twice and taken once"}
"""What was done about a mark."""


@dataclass(frozen=True)
class Repair:
    """A mark repaired: traverse, what was wrong (missed or doubled) and the mark's distance."""

    grid: str
    line: int
    what: str
    distance: float


@dataclass(frozen=True, eq=False)
class ByMarks:
    """What placing by marks gives back: places, quality bits and repairs; see `Correction`."""

    placed: Placed
    qc: IntArray
    repairs: tuple[Repair, ...]
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def placebymarks(
    data: Marked, site: SiteGrid, options: MarkOptions | None = None,
    progress: Progress = keep_going,
) -> ByMarks:  # fmt: skip
    """Place readings on data grids by the distance marks along their traverses.

    Between two marks readings lie evenly by number or time. Readings of no traverse, and those
    without a time where time spreads them, stay unplaced.

    Raises
    ------
    ValueError
        If marks are missed or doubled and not to be repaired, or cannot be repaired beyond doubt;
        if times do not rise; or as `place_on_site_grid` does.

    References
    ----------
    Linear interpolation between marks: common practice, no source.

    Examples
    --------
    >>> from lynchet.algorithms.intake.sitegrid import Origin
    >>> site = SiteGrid({"": Origin(0.0, 0.0)}, length=10.0)
    >>> zero = np.zeros(20, int)
    >>> marks = np.isin(np.arange(20), (5, 15)) * 1.0
    >>> data = Marked(zero, ("",), zero + 1, None, zero * np.nan, marks, zero)
    >>> found = placebymarks(data, site, MarkOptions(mark_spacing=5.0, first_mark=2.5))
    >>> found.placed.along[:3].tolist()
    [0.25, 0.75, 1.25]
    """
    options = options or MarkOptions()
    n = len(data.line)
    order = np.arange(n, dtype=np.float64) if data.sequence is None else data.sequence
    if data.sequence is not None:
        check_unique(data.grid, data.grid_names, data.line, order)
    number, lines = marked_lines(data, order, site, options)
    if not any(len(line.marks) for line in lines):
        raise ValueError("No reading bears a mark. Choose the field that holds the marks.")
    reckoned = _reckon_all(lines, options, progress)
    along, doubtful = np.full(n, np.nan), np.zeros(n, np.bool_)
    repairs: list[Repair] = []
    for line, found in zip(lines, reckoned):
        along[line.rows] = _along(line, found, options)
        doubtful[line.rows] = _doubtful(line, found)
        repairs += [
            Repair(line.grid, line.line, what, options.first_mark + slot * options.mark_spacing)
            for what, slots in (("missed", found.missed), ("doubled", found.doubled))
            for slot in slots
        ]
    # Positions are the walker's own, and their spacing is not the site grid's to check.
    walked = replace(site, along_from="walk", interval=options.mark_spacing)
    placed = place_on_site_grid(data.grid, data.grid_names, data.line, number, along, walked)
    qc = np.where(doubtful, data.qc | int(Qc.DOUBTFUL_POSITION), data.qc)
    return _told(lines, reckoned, placed, qc, repairs, options)


def _reckon_all(
    lines: list[MarkedLine], options: MarkOptions, progress: Progress
) -> list[Reckoned]:
    """Reckon the marks of every traverse, or name what is wrong."""
    expected = [options.expected(line.length) for line in lines]
    # Intervals of data grids with marks of their own spacing would not compare; there is one.
    whole = [
        usual_interval(line.marks)
        for line, marks in zip(lines, expected)
        if len(line.marks) == marks.count
    ]
    usual = float(np.median(whole)) if whole else float("nan")
    reckoned = []
    for number, (line, marks) in enumerate(zip(lines, expected)):
        if number % 1000 == 0:
            advance(progress, number / len(lines))
        known = line.pace[np.isfinite(line.pace)]
        start, end = (known[0], known[-1]) if len(known) else (0.0, 0.0)
        reckoned.append(reckon(line.marks, float(start), float(end), marks, usual))
    advance(progress, 1.0)
    troubled = [k for k, found in enumerate(reckoned) if found.trouble]
    if troubled:
        k = troubled[0]
        raise ValueError(
            f"{sentence_start(lines[k].name)} has {plural(len(lines[k].marks), 'mark')} where "
            f"{expected[k].count} are expected, and it is not beyond doubt which: "
            f"{reckoned[k].trouble}{_further(len(troubled))}. Correct the marks in the table, or "
            "what is said of their distances."
        )
    wrong = [k for k, found in enumerate(reckoned) if found.missed or found.doubled]
    if wrong and options.repair == "refuse":
        found = reckoned[wrong[0]]
        slot, what = (
            (found.missed[0], "lacks the mark at")
            if found.missed
            else (found.doubled[0], "was marked twice at")
        )
        distance = options.first_mark + slot * options.mark_spacing
        raise ValueError(
            f"{sentence_start(lines[wrong[0]].name)} {what} {distance:g}{_further(len(wrong))}. "
            "Have marks repaired, or correct them in the table."
        )
    return reckoned


def _further(count: int) -> str:
    if count == 1:
        return ""
    return f"; {plural(count - 1, 'further traverse has', 'further traverses have')} such marks too"


def _along(line: MarkedLine, found: Reckoned, options: MarkOptions) -> FloatArray:
    """Distance of each reading from the traverse's start, NaN where it has none."""
    distance = options.first_mark + found.slot * options.mark_spacing
    along: FloatArray = np.interp(line.pace, found.pace, distance)
    before, after = line.pace < found.pace[0], line.pace > found.pace[-1]
    if options.ends == "leave":
        along[before | after] = np.nan
        return along
    pace = np.diff(distance) / np.diff(found.pace)
    along[before] = distance[0] + pace[0] * (line.pace[before] - found.pace[0])
    along[after] = distance[-1] + pace[-1] * (line.pace[after] - found.pace[-1])
    # A reading may stand half of its own step beyond the end, no more.
    step = np.diff(line.pace[np.isfinite(line.pace)])
    half = float(np.median(step)) / 2 if len(step) else 0.0
    with np.errstate(invalid="ignore"):
        off = (along < -half * pace[0] - 1e-9) | (along > line.length + half * pace[-1] + 1e-9)
    along[off] = np.nan
    return along


def _doubtful(line: MarkedLine, found: Reckoned) -> BoolArray:
    """Readings in intervals next to a mark that was repaired."""
    doubtful = np.zeros(len(line.rows), np.bool_)
    bounds = np.concatenate([[-np.inf], found.pace, [np.inf]])
    for slot in found.missed:
        k = int(np.searchsorted(found.slot, slot))
        doubtful |= (line.pace > bounds[k]) & (line.pace < bounds[k + 1])
    for slot in found.doubled:
        k = int(np.searchsorted(found.slot, slot)) + 1
        doubtful |= (line.pace > bounds[k - 1]) & (line.pace < bounds[k + 1])
    return doubtful


def _told(
    lines: list[MarkedLine],
    reckoned: list[Reckoned],
    placed: Placed,
    qc: IntArray,
    repairs: list[Repair],
    options: MarkOptions,
) -> ByMarks:
    unplaced = int(np.count_nonzero(~np.isfinite(placed.x)))
    missed = sum(1 for repair in repairs if repair.what == "missed")
    intervals = np.concatenate([np.diff(found.pace) / np.diff(found.slot) for found in reckoned])
    usual = float(np.median(intervals))
    spread = 100.0 * float(np.std(intervals)) / usual
    unit = "seconds" if options.method == "time" else "readings"
    figures: dict[str, float | int | str] = {
        "readings": len(qc),
        "traverses": len(lines),
        "marks": sum(len(line.marks) for line in lines),
        "marks missed": missed,
        "marks doubled": len(repairs) - missed,
        "unplaced": unplaced,
        "position doubtful": int(np.count_nonzero(qc & int(Qc.DOUBTFUL_POSITION))),
        "usual interval": float(f"{usual:.6g}"),
        "spread of intervals": float(f"{spread:.4g}"),
    }
    messages = (
        f"{plural(len(qc), 'reading')} on {plural(len(lines), 'traverse')}, "
        f"{in_unit(usual, unit)} from mark to mark, give or take {spread:.2g} %.",
    )
    uneven = [
        f"{sentence_start(line.name)} has the marks expected, but an interval between them took "
        f"{found.uneven:.2g} times as long, or as short, as is usual on it."
        for line, found in zip(lines, reckoned)
        if found.uneven > UNEVEN
    ]
    mended = [
        f"Traverse {repair.line}{f' of data grid {repair.grid}' if repair.grid else ''}: mark at "
        f"{repair.distance:g} {WHAT[repair.what]}."
        for repair in repairs
    ]
    warnings = [*_some(uneven), *_some(mended)]
    if unplaced:
        warnings.append(
            f"{plural(unplaced, 'reading')} beyond the ends, without a time or of no traverse "
            f"{'has' if unplaced == 1 else 'have'} no position."
        )
    return ByMarks(placed, qc, tuple(repairs), figures, messages, tuple(warnings))


def _some(sentences: list[str]) -> list[str]:
    """The first of many sentences, and how many more there are."""
    more = len(sentences) - SHOWN
    return sentences if more <= 0 else [*sentences[:SHOWN], f"And {more:,} more like these."]
