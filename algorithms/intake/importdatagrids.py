"""Bring in readings from data-grid files: a matrix or a list of values, placed by their order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from ..options import check_words
from ..progress import Progress, advance, keep_going
from ..readings import FloatArray, IntArray
from ..words import SHOWN, plural
from .data_grids.cellorder import Expected, describe, name_of, numbered, positions
from .data_grids.filenames import NamedFile, name_files
from .data_grids.gridblocks import Block, read_list, read_matrix
from .data_grids.startcorner import (
    AS_LAID_OUT,
    CORNERS,
    START_CORNERS,
    START_DIRECTIONS,
    ends_of,
    walked_from,
)
from .sitegrid import SiteGrid
from .table import Table
from .text.columns import Roles, channel_columns, split_title
from .text.delimited import TableFormat, read_layout

KINDS = ("matrix", "list")
TRAVERSES_IN = ("rows", "columns")
ORDERS = ("walked", *CORNERS)
MISSING_FILES = ("refuse", "null")


@dataclass(frozen=True)
class GridFileOptions:
    """How data-grid files hold their readings.

    Parameters
    ----------
    kind
        ``"matrix"``: a row of numbers a traverse; ``"list"``: a row a reading, in walking order.
    traverses_in
        Whether each of a matrix's ``"rows"`` or ``"columns"`` is a traverse.
    order
        ``"walked"``: traverses and their readings stand as they were walked, the way back of a
        zigzag beginning with the reading taken first. A corner: they stand as on the map, all
        beginning from one side, and the first cell lies in that corner of the data grid, seen with
        the layout's bearing pointing up.
    start_corner, start_direction
        Corner in which the first traverse begins, ``"as_laid_out"`` for the layout's own, and
        whether traverses run ``"along"`` the layout's bearing or ``"across"`` it.
    pattern
        File names with ``{grid}`` and ``{channel}`` in their places; empty: each file is a data
        grid called by its name.
    channels
        Channels with units, separated by commas; empty: as the file names or a list's titles say.
    missing_files
        Whether a channel without a file in some data grid is to be ``"refuse"``-d or ``"null"``.
    readings_per_traverse
        None for as many as the length and the interval give.

    Raises
    ------
    ValueError
        If a word is unknown, or the list stands in columns.
    """

    kind: str = "matrix"
    traverses_in: str = "rows"
    order: str = "walked"
    start_corner: str = AS_LAID_OUT
    start_direction: str = "along"
    pattern: str = ""
    channels: str = ""
    missing_files: str = "refuse"
    readings_per_traverse: int | None = None

    def __post_init__(self) -> None:
        check_words(
            ("Kind of file", self.kind, KINDS),
            ("Traverses in", self.traverses_in, TRAVERSES_IN),
            ("Order of the cells", self.order, ORDERS),
            ("Start corner", self.start_corner, START_CORNERS),
            ("Start direction", self.start_direction, START_DIRECTIONS),
            ("Treatment of missing files", self.missing_files, MISSING_FILES),
        )
        if self.kind == "list" and self.traverses_in == "columns":
            raise ValueError(
                "A list has no traverses in columns: it holds one traverse after the other. Choose "
                "'rows', or 'matrix'."
            )

    def named(self) -> dict[str, str]:
        """Names and units of the channels asked for."""
        items = [split_title(item) for item in self.channels.split(",") if item.strip()]
        names = [name for name, _ in items]
        for name in names:
            if names.count(name) > 1:
                raise ValueError(f"Channel '{name}' is named twice. Name each channel once.")
        return dict(items)


@dataclass(frozen=True, eq=False)
class DataGrids:
    """Readings of data grids: traverse by traverse as walked, in the order of the files.

    Parameters
    ----------
    table
        The readings, with traverse and reading numbers.
    site
        Where the data grids lie, seen from where their walk started: to place the readings with.
    figures, messages, warnings
        What was found.
    """

    table: Table
    site: SiteGrid
    figures: Mapping[str, object]
    messages: tuple[str, ...]
    warnings: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class _Part:
    """The readings of one data grid, in the order of walking."""

    values: FloatArray
    traverse: IntArray
    sequence: IntArray
    place: IntArray
    row: IntArray
    file: int
    block: Block
    expected: Expected
    without_file: int


def read_data_grids(
    paths: Sequence[Path],
    site: SiteGrid,
    widths: Mapping[str, float] | None = None,
    options: GridFileOptions | None = None,
    form: TableFormat | None = None,
    progress: Progress = keep_going,
) -> DataGrids:
    """Read data-grid files and number their readings as they were walked.

    A blank cell between two others, and a missing-value code anywhere, is a reading without a
    value. Blank cells at either end of a traverse, and rows that are not there, were not walked and
    make no reading. Numbers count on over places not walked.

    Parameters
    ----------
    paths
        The files, in the order the data grids were walked.
    site
        Where the data grids lie and how they were walked.
    widths
        Width of the data grids by name, map units, where known; the name ``""`` serves all others.
    form
        How the files are written; their header, if any, is the first row.

    Raises
    ------
    ValueError
        If a file cannot be read or told, does not fit its data grid, or has another shape than the
        other channels of its data grid.
    """
    options, form = options or GridFileOptions(), form or TableFormat(header=False)
    if not paths:
        raise ValueError("No file is given. Choose one or several.")
    units = options.named()
    names = [name for name in site.origins if name]
    files = name_files(paths, options.pattern or "{grid}", names, tuple(units))
    units = _channels(files, units, options, form)
    walked, known = walked_from(
        site, _widths(site, widths or {}), options.start_corner, options.start_direction
    )
    by_grid: dict[str, dict[str, NamedFile]] = {}
    for file in files:
        by_grid.setdefault(file.grid, {})[_alike(file.channel, units)] = file
    absent = _without_file(by_grid, units, options)
    parts = []
    for number, (grid, held) in enumerate(by_grid.items()):
        advance(progress, number / len(by_grid))
        expected = Expected.of(grid, walked, known, options.readings_per_traverse)
        paths_held = {channel: file.path for channel, file in held.items()}
        if options.kind == "matrix":
            block = read_matrix(paths_held, list(units), expected, options.traverses_in, form)
        else:
            asked = options.channels or ", ".join(units)
            block = read_list(paths_held, list(units), expected, asked, form)
        first = files.index(next(file for file in files if file.grid == grid))
        missing = 0 if "" in held else len(units) - len(held)
        parts.append(_part(block, expected, _from_ends(site, options), walked, first, missing))
    table = _table(parts, list(by_grid), units, files, walked, options.order != "walked")
    if table.along is not None:
        walked = replace(walked, along_from="baseline")
    unused = [name for name in names if name not in by_grid]
    return _found(table, walked, parts, [*absent, *_unused(unused)])


# -- which file holds what -------------------------------------------------------------------


def _channels(
    files: Sequence[NamedFile], asked: dict[str, str], options: GridFileOptions, form: TableFormat
) -> dict[str, str]:
    """Units of the channels by name, in their order."""
    if files[0].channel is not None:
        found: dict[str, str] = {}
        for file in files:  # the first file's spelling counts
            found.setdefault(str(file.channel).casefold(), str(file.channel))
        return asked or dict.fromkeys(found.values(), "")
    if options.kind == "list" and form.header:
        layout = read_layout(files[0].path, form)
        if len(layout.titles) > 1 or not asked:
            columns = channel_columns(Roles(channels=options.channels), layout, form.nulls)
            return {column.name: column.unit for _, column in columns}
    if not asked or (options.kind == "matrix" and len(asked) > 1):
        raise ValueError(
            "The files do not say which channel they hold: name "
            f"{'the one channel' if options.kind == 'matrix' else 'the channels'}, or put "
            "{channel} in the pattern."
        )
    return asked


def _alike(channel: str | None, units: dict[str, str]) -> str:
    """A channel in the spelling of `units`; nothing for a file that holds all of them."""
    if channel is None:
        return ""
    return next(name for name in units if name.casefold() == channel.casefold())


def _widths(site: SiteGrid, widths: Mapping[str, float]) -> dict[str, float]:
    found = {name: widths.get(name, widths.get("", np.nan)) for name in site.origins}
    for name, width in found.items():
        if width <= 0:
            raise ValueError(f"The width of {name_of(name)} is {width:g}: give a width above 0.")
    return {name: width for name, width in found.items() if np.isfinite(width)}


def _without_file(
    by_grid: Mapping[str, Mapping[str, NamedFile]], units: dict[str, str], options: GridFileOptions
) -> list[str]:
    """Channels that have no file for some data grid, in words, unless that is refused."""
    said = []
    for grid, held in by_grid.items():
        absent = [name for name in units if "" not in held and name not in held]
        if absent and options.missing_files == "refuse":
            raise ValueError(
                f"There is no file of channel '{absent[0]}' for {name_of(grid)}. Add it, or "
                "take missing files as NULL."
            )
        said += [
            f"Channel '{name}' is NULL in {name_of(grid)}: there is no file." for name in absent
        ]
    return said


def _unused(names: list[str]) -> list[str]:
    if not names:
        return []
    one = len(names) == 1
    return [f"There is no file for data grid{'' if one else 's'} {', '.join(names)}."]


# -- readings --------------------------------------------------------------------------------


def _from_ends(site: SiteGrid, options: GridFileOptions) -> tuple[bool, bool] | None:
    """Whether a map's rows begin with the last traverse, and their cells at the far end."""
    if options.order == "walked":
        return None
    cells = ends_of(options.order, site.side)
    walk = ends_of(options.start_corner, site.side)
    ahead, beyond = cells[0] != walk[0], cells[1] != walk[1]
    return (beyond, ahead) if options.start_direction == "along" else (ahead, beyond)


def _part(
    block: Block,
    expected: Expected,
    from_ends: tuple[bool, bool] | None,
    site: SiteGrid,
    file: int,
    without_file: int,
) -> _Part:
    traverse, reading, place = numbered(
        block.there.shape, expected, from_ends, site.walking == "zigzag"
    )
    cells = np.flatnonzero(block.there)
    cells = cells[np.lexsort((reading.ravel()[cells], traverse.ravel()[cells]))]
    return _Part(
        block.values.reshape(len(block.values), -1)[:, cells].T,
        traverse.ravel()[cells],
        reading.ravel()[cells],
        place.ravel()[cells],
        block.row.ravel()[cells],
        file,
        block,
        expected,
        without_file,
    )


def _table(
    parts: Sequence[_Part],
    grids: list[str],
    units: dict[str, str],
    files: Sequence[NamedFile],
    site: SiteGrid,
    on_map: bool,
) -> Table:
    sizes = [len(part.values) for part in parts]
    along = None
    if on_map and not all(part.expected.mirrored for part in parts):
        # Numbers from either end mean different places: the map's own count.
        along = positions(np.concatenate([part.place for part in parts]), site)
    unreadable = np.sum([part.block.unreadable for part in parts], axis=0)
    return Table(
        channels=tuple(units),
        units=tuple(units.values()),
        values=np.concatenate([part.values for part in parts]),
        grid=np.repeat(np.arange(len(parts)), sizes),
        grid_names=tuple(grids),
        line=np.concatenate([part.traverse for part in parts]) + site.first_line,
        sequence=np.concatenate([part.sequence for part in parts]) + 1.0,
        along=along,
        x=None,
        y=None,
        time=None,
        quality=None,
        kept={},
        file=np.repeat([part.file for part in parts], sizes),
        file_names=tuple(file.path.name for file in files),
        row=np.concatenate([part.row for part in parts]),
        unreadable=dict(zip(units, unreadable.tolist())),
    )


def _found(
    table: Table, site: SiteGrid, parts: Sequence[_Part], warnings: Sequence[str]
) -> DataGrids:
    said = list(warnings)
    traverses = in_part = 0
    for part in parts:
        valued = np.any(np.isfinite(part.values), axis=1)
        sentences, count, partly = describe(part.expected, part.traverse, valued, site.first_line)
        traverses += count
        in_part += partly
        said += [*sentences, *([part.block.leftover] if part.block.leftover else [])]
    written = sum(part.block.written for part in parts)
    without_file = sum(part.without_file * len(part.values) for part in parts)
    figures = {
        "data grids": len(parts),
        "traverses": traverses,
        "data grids walked in part": in_part,
        "cells": written,
        "blank cells": table.values.size - written - without_file,
        "cells without a file": without_file,
        "values": int(np.count_nonzero(np.isfinite(table.values))),
    }
    if len(said) > SHOWN:
        said[SHOWN:] = [f"And {plural(len(said) - SHOWN, 'more remark')} of this kind."]
    summary = (
        f"{plural(len(parts), 'data grid')}, {plural(traverses, 'traverse')}; "
        f"{plural(figures['cells'], 'cell')}, of which {figures['values']:,} hold a value."
    )
    return DataGrids(table, site, figures, (summary,), tuple(said))
