"""Traverses with distance marks: how marks were set, and where along each traverse they lie."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...options import check_words
from ...readings import NO_LINE, BoolArray, FloatArray, IntArray
from ...words import plural
from ..sitegrid import SiteGrid
from .marks import Expected

METHODS = ("number", "time")
MARKED_BY = ("cell", "count")
MARK_AT = ("half_way", "reading")
ENDS = ("extrapolate", "leave")
REPAIR = ("refuse", "repair")


@dataclass(frozen=True)
class MarkOptions:
    """How marks were set and how readings are spread between them. Lengths in map units.

    Parameters
    ----------
    mark_spacing, first_mark
        From mark to mark, and from the traverse's start to the first.
    last_mark
        Distance of the last mark; None for the last that fits in the traverse's length.
    marked_by
        ``"cell"``: the mark stands at the reading where it was set; ``"count"``: readings carry the
        number of marks set so far, and a mark is where it rises.
    mark_at
        The mark was set ``"half_way"`` between the reading that bears it and the one before, or at
        the ``"reading"``.
    method
        Spread readings evenly by ``"number"`` or by ``"time"``.
    ends
        Before the first and after the last mark ``"extrapolate"`` the pace of the interval next to
        them, no further than the traverse's ends; or ``"leave"`` readings unplaced.
    repair
        ``"refuse"`` marks missed or doubled, or ``"repair"`` them.

    Raises
    ------
    ValueError
        If a length is out of its range or a word unknown.
    """

    mark_spacing: float = 5.0
    first_mark: float = 0.0
    last_mark: float | None = None
    marked_by: str = "cell"
    mark_at: str = "half_way"
    method: str = "number"
    ends: str = "extrapolate"
    repair: str = "refuse"

    def __post_init__(self) -> None:
        if not (self.mark_spacing > 0 and np.isfinite(self.mark_spacing)):
            raise ValueError(
                f"The distance between marks is {self.mark_spacing:g}: give a length above 0."
            )
        if not (self.first_mark >= 0 and np.isfinite(self.first_mark)):
            raise ValueError(f"The first mark is at {self.first_mark:g}: give 0 or more.")
        check_words(
            ("Marked by", self.marked_by, MARKED_BY),
            ("Mark at", self.mark_at, MARK_AT),
            ("Method", self.method, METHODS),
            ("Ends", self.ends, ENDS),
            ("Repair", self.repair, REPAIR),
        )

    def expected(self, length: float) -> Expected:
        """The marks of a traverse.

        Raises
        ------
        ValueError
            If there are fewer than two.
        """
        last = length if self.last_mark is None else min(self.last_mark, length)
        count = int(np.floor((last - self.first_mark) / self.mark_spacing + 1e-6)) + 1
        if count < 2:
            raise ValueError(
                f"Fewer than two marks, {self.mark_spacing:g} apart from {self.first_mark:g} on, "
                f"fit in {last:g}. Correct the distance between marks or the length of the "
                "traverses."
            )
        end = self.first_mark + (count - 1) * self.mark_spacing
        return Expected(
            count, self.first_mark / self.mark_spacing, (length - end) / self.mark_spacing
        )


@dataclass(frozen=True, eq=False)
class Marked:
    """Readings with marks, ``n`` rows.

    Parameters
    ----------
    grid, grid_names, line
        As in `lynchet.algorithms.readings.Readings`.
    sequence
        Order along the traverse, ``(n,)``; None for the order of the rows.
    time
        Seconds, ``(n,)``, NaN where unknown.
    marks
        ``(n,)``: not 0 where a mark was set, or the count of marks so far; NaN is 0.
    qc
        Quality bits, ``(n,)``.
    """

    grid: IntArray
    grid_names: tuple[str, ...]
    line: IntArray
    sequence: FloatArray | None
    time: FloatArray
    marks: FloatArray
    qc: IntArray


@dataclass(frozen=True, eq=False)
class MarkedLine:
    """A traverse: its name, rows in walking order, where they and the marks lie, and its length.

    `pace` counts readings or seconds.
    """

    name: str
    grid: str
    line: int
    rows: IntArray
    pace: FloatArray
    marks: FloatArray
    length: float


def marked_lines(
    data: Marked, order: FloatArray, site: SiteGrid, options: MarkOptions
) -> tuple[FloatArray, list[MarkedLine]]:
    """Reading numbers, ``(n,)``, and every traverse with its marks.

    Raises
    ------
    ValueError
        If the marks, times or traverses cannot serve.
    """
    if options.method == "time" and not np.isfinite(data.time[data.line != NO_LINE]).any():
        raise ValueError("Spreading readings by time needs the time field. Choose it.")
    marked = _marked(data, options)
    by_line = np.lexsort((order, data.line, data.grid))
    by_line = by_line[data.line[by_line] != NO_LINE]
    if not len(by_line):
        raise ValueError("No reading has a traverse number. Choose the traverse number field.")
    breaks = (np.diff(data.grid[by_line]) != 0) | (np.diff(data.line[by_line]) != 0)
    number = np.full(len(order), np.nan)
    lines = []
    for rows in np.split(by_line.astype(np.int64), np.flatnonzero(breaks) + 1):
        grid = data.grid_names[data.grid[rows[0]]]
        line = int(data.line[rows[0]])
        name = f"traverse {line} of data grid {grid}" if grid else f"traverse {line}"
        number[rows] = np.arange(1, len(rows) + 1) if data.sequence is None else order[rows]
        pace = data.time[rows] if options.method == "time" else np.arange(len(rows), dtype=float)
        if (np.diff(pace[np.isfinite(pace)]) < 0).any():
            raise ValueError(
                f"The time falls along {name}. Correct it, or spread readings by their number."
            )
        origin = site.origin_of(grid)
        length = site.length if origin.length is None else origin.length
        marks = _mark_paces(pace, np.flatnonzero(marked[rows]), name, options)
        lines.append(MarkedLine(name, grid, line, rows, pace, marks, length))
    return number, lines


def _marked(data: Marked, options: MarkOptions) -> BoolArray:
    """Readings that bear a mark."""
    marks = np.nan_to_num(data.marks)
    if options.marked_by == "count":
        # In the order of the rows, for the count may run on from traverse to traverse.
        held = np.maximum.accumulate(np.where(np.isfinite(data.marks), np.arange(len(marks)), 0))
        count = marks[held]
        rises: BoolArray = (count != 0) & (np.diff(count, prepend=0.0) != 0)
        return rises
    marked: BoolArray = marks != 0
    if np.count_nonzero(marked) > len(marked) / 2:
        raise ValueError(
            f"{plural(int(marked.sum()), 'reading')} of {len(marked):,} bear a mark. Choose the "
            "field that holds the marks; where it counts the marks set so far, say so."
        )
    return marked


def _mark_paces(pace: FloatArray, at: IntArray, name: str, options: MarkOptions) -> FloatArray:
    """Where along the count of readings or time the marks were set."""
    if not len(at):
        return np.empty(0)
    if options.mark_at == "reading" or len(pace) == 1:
        found = pace[at]
    else:
        before = np.concatenate([[2 * pace[0] - pace[1]], pace])[at]
        found = (before + pace[at]) / 2
    if not np.isfinite(found).all():
        raise ValueError(
            f"A reading with a mark on {name} has no time. Spread readings by their number."
        )
    if (np.diff(found) <= 0).any():
        raise ValueError(
            f"Two marks on {name} have the same time. Spread readings by their number."
        )
    return found
