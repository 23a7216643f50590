"""How many readings a data grid holds, and which traverse and reading a file's cell is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from ...readings import BoolArray, FloatArray, IntArray
from ...words import plural, sentence_start
from ..sitegrid import SiteGrid

_NEARLY = 1e-6
"""Share of a step by which lengths may fail to be whole multiples of it."""


@dataclass(frozen=True)
class Expected:
    """The traverses and readings for which a data grid has room.

    Parameters
    ----------
    grid
        Name of the data grid.
    traverses
        Number of traverses, None where the width is not known.
    readings
        Readings of a whole traverse.
    traverse_room, reading_room
        What the numbers come from, in words.
    mirrored
        Whether readings numbered from either end of a traverse lie at the same places.
    """

    grid: str
    traverses: int | None
    readings: int
    traverse_room: str = ""
    reading_room: str = ""
    mirrored: bool = True

    @classmethod
    def of(
        cls, grid: str, site: SiteGrid, widths: Mapping[str, float], readings: int | None = None
    ) -> Expected:
        """Take the numbers from lengths and widths; `readings` overrules those of a traverse.

        Raises
        ------
        ValueError
            If the data grid is not known, or has no room for a reading.

        Examples
        --------
        >>> from ..sitegrid import Origin
        >>> site = SiteGrid({"G": Origin(0.0, 0.0)}, separation=0.5, interval=0.125, length=20.0)
        >>> found = Expected.of("G", site, {"G": 10.0})
        >>> found.traverses, found.readings, found.mirrored
        (20, 160, True)
        """
        origin = site.origin_of(grid)
        length = site.length if origin.length is None else origin.length
        width = widths.get(grid, widths.get("")) if list(site.origins) == [""] else widths.get(grid)
        first = site.interval / 2 if site.first_position is None else site.first_position
        offset = site.separation / 2 if site.first_offset is None else site.first_offset
        along = readings or _room(length, first, site.interval)
        across = None if width is None else _room(width, offset, site.separation)
        for count, what, extent in ((along, "reading", length), (across, "traverse", width)):
            if count is not None and count < 1:
                raise ValueError(
                    f"{sentence_start(name_of(grid))} has no room for a {what}: it is {extent:g} "
                    f"{'long' if what == 'reading' else 'wide'}, and the first {what} lies beyond. "
                    "Correct the layout, or the place of the first."
                )
        last = first + (along - 1) * site.interval
        return cls(
            grid,
            across,
            along,
            "" if width is None else f"{width:g} wide, {site.separation:g} apart",
            f"{length:g} long, one every {site.interval:g}" if readings is None else "as given",
            bool(abs(first + last - length) <= _NEARLY * site.interval),
        )

    @property
    def called(self) -> str:
        """How the data grid is called in messages."""
        return name_of(self.grid)

    def check_traverses(self, file: str, count: int) -> None:
        """Refuse more traverses than there is room for."""
        if self.traverses is not None and count > self.traverses:
            raise ValueError(
                f"{file} holds {plural(count, 'traverse')} where {self.called} has room "
                f"for {self.traverses:,} ({self.traverse_room}). Correct the traverse separation, "
                "the width or the file, or choose how it holds the traverses."
            )

    def check_readings(self, file: str, traverse: int, count: int) -> None:
        """Refuse more readings on a traverse than there is room for; traverses count from 1."""
        if count > self.readings:
            raise ValueError(
                f"Traverse {traverse} in {file} has {plural(count, 'reading')} where "
                f"{self.called} has room for {self.readings:,} ({self.reading_room}). "
                "Correct the reading interval, the length or the file, or choose how it holds the "
                "traverses."
            )


def _room(extent: float, first: float, step: float) -> int:
    return int(np.floor((extent - first) / step + _NEARLY)) + 1 if extent >= first else 0


def name_of(grid: str) -> str:
    """How a data grid is called in messages."""
    return f"data grid '{grid}'" if grid else "the data grid"


def numbered(
    shape: tuple[int, ...],
    expected: Expected,
    from_ends: tuple[bool, bool] | None,
    zigzag: bool,
) -> tuple[IntArray, IntArray, IntArray]:
    """Traverse, reading and place of each cell, ``(r, c)`` each, counted from 0.

    Parameters
    ----------
    shape
        Rows, each a traverse, and cells.
    from_ends
        None for cells in the order of walking. For cells as on the map: whether the rows begin with
        the last traverse, and whether their cells begin at the end of the first traverse.
    zigzag
        Whether every second traverse was walked back.

    Returns
    -------
    traverse, reading, place
        ``(r, c)`` each: number of the traverse, number of the reading as walked, and its number
        from the side where the first traverse began.

    Examples
    --------
    >>> traverse, reading, place = numbered((2, 3), Expected("", 2, 3), (False, True), True)
    >>> reading.tolist(), place.tolist()
    ([[2, 1, 0], [0, 1, 2]], [[2, 1, 0], [2, 1, 0]])
    """
    traverse = np.broadcast_to(np.arange(shape[0])[:, None], shape)
    cell = np.broadcast_to(np.arange(shape[1]), shape)
    if from_ends is not None:
        last = (shape[0] if expected.traverses is None else expected.traverses) - 1
        traverse = last - traverse if from_ends[0] else traverse
        cell = expected.readings - 1 - cell if from_ends[1] else cell
    back = (traverse % 2 == 1) & zigzag
    turned = np.where(back, expected.readings - 1 - cell, cell)
    return (traverse, cell, turned) if from_ends is None else (traverse, turned, cell)


def describe(
    expected: Expected, traverse: IntArray, valued: BoolArray, first_line: int
) -> tuple[list[str], int, bool]:
    """What is not whole about a data grid, in words; its traverses; whether walked in part.

    Parameters
    ----------
    traverse, valued
        Traverse of each reading from 0, and whether any channel holds a value, ``(n,)``.
    first_line
        Number of the first traverse.
    """
    numbers, place, counts = np.unique(traverse, return_inverse=True, return_counts=True)
    found = len(numbers)
    short = int(np.count_nonzero(counts < expected.readings))
    said = []
    in_part = bool(short) or (expected.traverses is not None and found < expected.traverses)
    if in_part:
        of = "" if expected.traverses is None else f" of {expected.traverses:,}"
        said.append(
            f"{sentence_start(expected.called)} was walked in part: {found:,}{of} "
            f"{'traverse' if found == 1 and not of else 'traverses'} "
            f"({_span(numbers, first_line)}), {short:,} with fewer than "
            f"{expected.readings:,} readings."
        )
    empty = numbers[np.bincount(place.ravel(), valued, found) == 0]
    if len(empty):
        said.append(
            f"{sentence_start(expected.called)}: {plural(len(empty), 'traverse')} "
            f"({_span(empty, first_line)}) {'holds' if len(empty) == 1 else 'hold'} no value, only "
            "readings without one."
        )
    return said, found, in_part


def _span(numbers: IntArray, first_line: int) -> str:
    low, high = int(numbers[0]) + first_line, int(numbers[-1]) + first_line
    if low == high:
        return f"{low}"
    whole = len(numbers) == high - low + 1
    return f"{low} to {high}" if whole else f"between {low} and {high}"


def positions(place: IntArray, site: SiteGrid) -> FloatArray:
    """Distance of places along traverses from the side where the first began, map units."""
    first = site.interval / 2 if site.first_position is None else site.first_position
    along: FloatArray = first + place.astype(np.float64) * site.interval
    return along
