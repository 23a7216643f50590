"""Grid readings: interpolate the channels of a survey to the cells of a raster."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from ..progress import Progress, advance, keep_going, portion
from ..readings import BoolArray, FloatArray, IntArray, Readings
from . import spacing
from .blanking import cells_within
from .frame import Frame, frame_for
from .methods import Bands, Filled, OptionValue, Task, method_named
from .spacing import Spacing

SAME_PLACE = 1e-6
"""Positions that agree to this many map units are one."""


@dataclass(frozen=True)
class GriddingOptions:
    """How to grid.

    Parameters
    ----------
    method
        Id of the method; see `lynchet.algorithms.gridding.methods`.
    cell_size
        Side of a cell, map units; None for the size `spacing.suggest_cell_size` suggests.
    blanking_distance
        Cells further than this from every usable reading of a channel hold no data there, map
        units; None for `Spacing.blanking_distance`.
    method_options
        Options of the method by name; those left out keep their defaults.
    workers
        Threads for neighbour searches, -1 for all; the result does not depend on it.
    """

    method: str = "inverse_distance"
    cell_size: float | None = None
    blanking_distance: float | None = None
    method_options: Mapping[str, OptionValue] = field(default_factory=dict)
    workers: int = -1


@dataclass(frozen=True, eq=False)
class Gridded:
    """What gridding gives back.

    Parameters
    ----------
    frame
        Where the cells lie.
    bands
        Float32, shape ``(bands, rows, columns)``, NaN for no data: the channels in the order of
        the readings, then extra bands of the method, if it has any.
    channels, units
        Name and unit of each band.
    figures, messages, warnings
        As in `lynchet.algorithms.readings.Correction`.
    """

    frame: Frame
    bands: Bands
    channels: tuple[str, ...]
    units: tuple[str, ...]
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def gridreadings(
    readings: Readings,
    options: GriddingOptions = GriddingOptions(),
    progress: Progress = keep_going,
) -> Gridded:
    """Interpolate every channel to the cells of one raster.

    Channels with the same usable readings (`Readings.usable`) share one neighbour search or
    triangulation. Readings at one position are first brought to their median. The frame covers
    every reading that is usable in some channel, and one cell more.

    Raises
    ------
    ValueError
        If nothing can be gridded, an option cannot be taken, or there would be too many cells.

    Examples
    --------
    >>> r = Readings.build(x=[0, 1, 0, 1], y=[0, 0, 1, 1], values=[5, 5, 5, 5], line=[1, 1, 2, 2])
    >>> grid = gridreadings(r, GriddingOptions(cell_size=0.5))
    >>> grid.bands.shape, float(np.nanmin(grid.bands)), float(np.nanmax(grid.bands))
    ((1, 5, 5), 5.0, 5.0)
    """
    method = method_named(options.method)
    method_options = method.checked(options.method_options)
    usable = readings.usable & (np.isfinite(readings.x) & np.isfinite(readings.y))[:, np.newaxis]
    any_usable = usable.any(axis=1)
    if not any_usable.any():
        raise ValueError(
            "No reading can be gridded: each lacks a value or a position, is off scale or is "
            "excluded. Choose other channels or check the readings."
        )
    cell_size, blanking, found = _sizes(readings, options)
    frame = frame_for(readings.x[any_usable], readings.y[any_usable], cell_size, margin=1)
    order, line = _walking_order(readings)
    local = np.column_stack([readings.x - frame.west, readings.y - frame.north])
    bearing = spacing.traverse_bearing(readings)

    groups = _groups(usable)
    filled: list[Filled] = []
    repeated = 0
    for number, (channels, kept) in enumerate(groups):
        part = portion(progress, number / len(groups), (number + 1) / len(groups))
        rows = order[kept[order]]
        first, values = median_by_place(local[rows], readings.values[rows][:, channels])
        repeated = max(repeated, len(rows) - len(first))
        rows = rows[first]
        wanted = cells_within(
            frame, local[rows], blanking, options.workers, portion(part, 0.0, 0.1)
        )
        task = Task(
            xy=local[rows],
            values=values,
            line=line[rows],
            channels=tuple(readings.channels[c] for c in channels),
            units=tuple(readings.units[c] for c in channels),
            frame=frame,
            wanted=wanted,
            options=method_options,
            blanking_distance=blanking,
            bearing=bearing,
            workers=options.workers,
        )
        result = method.fill(task, portion(part, 0.1, 1.0))
        np.copyto(result.bands, np.float32(np.nan), where=~wanted)
        filled.append(result)
    advance(progress, 1.0)

    bands, names, units = _stack(readings, frame, groups, filled)
    figures: dict[str, float | int | str] = {
        "method": method.id,
        "cell_size": cell_size,
        "blanking_distance": blanking,
        "columns": frame.columns,
        "rows": frame.rows,
        "readings_used": int(any_usable.sum()),
        "repeated_positions": repeated,
        "cells_filled": int(np.isfinite(bands).any(axis=0).sum()),
    }
    for result in reversed(filled):  # the first group's figures stand
        figures.update(result.figures)
    messages, warnings = _remarks(found, figures, len(names))
    empty = [name for name, has in zip(readings.channels, usable.any(axis=0)) if not has]
    warnings += [f"Channel {name} has no usable reading: its band is empty." for name in empty]
    return Gridded(
        frame,
        bands,
        names,
        units,
        figures,
        tuple(dict.fromkeys(messages + [m for result in filled for m in result.messages])),
        tuple(dict.fromkeys(warnings + [w for result in filled for w in result.warnings])),
    )


def _sizes(readings: Readings, options: GriddingOptions) -> tuple[float, float, Spacing | None]:
    """Cell size and blanking distance, and the spacing measured, if it could be."""
    found: Spacing | None
    try:
        found = spacing.measure(readings)
    except ValueError:
        if options.cell_size is None or options.blanking_distance is None:
            raise
        found = None
    size, blanking = options.cell_size, options.blanking_distance
    if size is None:
        assert found is not None
        size = found.cell_size
    if blanking is None:
        assert found is not None
        blanking = found.blanking_distance
    if not (np.isfinite(blanking) and blanking > 0):
        raise ValueError(f"The blanking distance is {blanking:g}. Give a distance above 0.")
    return float(size), float(blanking), found


def _walking_order(readings: Readings) -> tuple[IntArray, IntArray]:
    """Rows traverse by traverse, those of none last; and the traverse number of each row."""
    line = np.full(len(readings), -1, dtype=np.int64)
    for number, traverse in enumerate(readings.lines):
        line[traverse.rows] = number
    rows = [traverse.rows for traverse in readings.lines]
    return np.concatenate([*rows, np.flatnonzero(line < 0)]), line


def _groups(usable: BoolArray) -> list[tuple[list[int], BoolArray]]:
    """Channels by their set of usable readings, in channel order; those without any left out."""
    groups: dict[bytes, tuple[list[int], BoolArray]] = {}
    for channel, kept in enumerate(usable.T):
        if kept.any():
            groups.setdefault(kept.tobytes(), ([], kept))[0].append(channel)
    return list(groups.values())


def median_by_place(xy: FloatArray, values: FloatArray) -> tuple[IntArray, FloatArray]:
    """One value per place: the median of the readings there.

    Parameters
    ----------
    xy
        Positions, shape ``(n, 2)``.
    values
        Shape ``(n, c)``, all finite.

    Returns
    -------
    rows
        The first row of each place, rising, shape ``(p,)``.
    values
        Medians by channel, shape ``(p, c)``.

    Examples
    --------
    >>> rows, values = median_by_place(
    ...     np.array([[0.0, 0], [1, 0], [0, 0], [0, 0]]), np.array([[9.0], [5], [1], [2]]))
    >>> rows.tolist(), values.ravel().tolist()
    ([0, 1], [2.0, 5.0])
    """
    place = np.rint(xy / SAME_PLACE).astype(np.int64)
    order = np.lexsort((place[:, 1], place[:, 0]))  # stable: rows rise within a place
    new = np.ones(len(xy), dtype=bool)
    step = np.diff(place[order], axis=0)
    new[1:] = (step[:, 0] != 0) | (step[:, 1] != 0)
    first = order[new]
    rows = np.sort(first)
    medians: FloatArray = values[rows]
    if len(rows) == len(xy):
        return rows, medians
    group = np.cumsum(new) - 1
    start = np.flatnonzero(new)
    size = np.diff(np.append(start, len(xy)))
    target = np.searchsorted(rows, first)
    for channel in range(values.shape[1]):
        ranked = values[order, channel]
        ranked = ranked[np.lexsort((ranked, group))]
        lower, upper = ranked[start + (size - 1) // 2], ranked[start + size // 2]
        medians[target, channel] = lower + (upper - lower) / 2
    return rows, medians


def _stack(
    readings: Readings,
    frame: Frame,
    groups: list[tuple[list[int], BoolArray]],
    filled: list[Filled],
) -> tuple[Bands, tuple[str, ...], tuple[str, ...]]:
    """Bands in channel order, extra bands after them, with their names and units."""
    extras = [extra for result in filled for extra in result.extras]
    names = readings.channels + tuple(name for name, _ in extras)
    units = readings.units + tuple(unit for _, unit in extras)
    if len(filled) == 1 and len(groups[0][0]) == len(readings.channels):
        return filled[0].bands, names, units
    bands = np.full((len(names), frame.rows, frame.columns), np.nan, dtype=np.float32)
    after = len(readings.channels)
    for (channels, _), result in zip(groups, filled):
        bands[channels] = result.bands[: len(channels)]
        bands[after : after + len(result.extras)] = result.bands[len(channels) :]
        after += len(result.extras)
    return bands, names, units


def _remarks(
    found: Spacing | None, figures: dict[str, float | int | str], bands: int
) -> tuple[list[str], list[str]]:
    """What the user should read and must not miss; the measured spacing joins the figures."""
    cell_size, blanking = float(figures["cell_size"]), float(figures["blanking_distance"])
    messages, warnings = [], []
    if found:
        figures["traverse_separation"] = found.separation
        figures["reading_interval"] = found.interval
        messages.append(found.explanation)
        widest = max(found.separation, found.interval)
        if cell_size < 0.5 * found.interval:
            warnings.append(
                f"Cells of {cell_size:g} are finer than the readings, {found.interval:.3g} apart "
                "along the traverses: the raster will show detail that was not measured."
            )
        elif cell_size > 1.05 * widest:
            warnings.append(
                f"Cells of {cell_size:g} are wider than the spacing of the readings "
                f"({widest:.3g}): detail that was measured will be lost."
            )
        if blanking < 0.5 * widest:
            warnings.append(
                f"The blanking distance of {blanking:g} is less than half the spacing of the "
                f"readings ({widest:.3g}): empty stripes will show between them."
            )
    messages.append(
        f"Gridded {figures['readings_used']:,} readings into {bands} band(s) of "
        f"{figures['rows']:,} rows and {figures['columns']:,} columns, cells of {cell_size:g}; "
        f"{figures['cells_filled']:,} cells hold data, none of them further than {blanking:g} "
        "from a reading."
    )
    if figures["repeated_positions"]:
        messages.append(
            f"{figures['repeated_positions']:,} reading(s) repeat the position of another: each "
            "such place counts once, with the median of its readings."
        )
    return messages, warnings
