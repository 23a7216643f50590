"""Grid readings: interpolate the channels of a survey to the cells of a raster."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np

from ..progress import Progress, advance, keep_going, portion
from ..readings import BoolArray, FloatArray, IntArray, Readings
from . import spacing
from .barriers import Barriers
from .blanking import cells_within
from .frame import Frame, frame_for
from .hull import cells_in_hull
from .method import Bands, Method, OptionValue, Surface, Task, fill, predict
from .methods import method_named
from .places import median_by_place, thin_by_block
from .remarks import remarks
from .spacing import Spacing

MUCH_DENSER = 4.0
"""Readings this many times as close along the traverse as the cells are wide get thinned."""


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
    beyond_hull
        Whether cells beyond the convex hull of the readings may hold data.
    barriers
        Segments that interpolation must not cross, map coordinates, shape ``(s, 2, 2)``.
    block
        Readings on this length of one traverse count as one, by their median, map units; 0 for
        never, None for a cell's size where the readings are `MUCH_DENSER`.
    method_options
        Options of the method by name; those left out keep their defaults.
    workers
        Threads for neighbour searches, -1 for all; the result does not depend on it.
    """

    method: str = "natural_neighbour"
    cell_size: float | None = None
    blanking_distance: float | None = None
    beyond_hull: bool = False
    barriers: FloatArray | None = None
    block: float | None = None
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
    layout = _Layout(readings, options)
    frame = layout.frame
    groups = layout.groups
    bands: list[Bands] = []
    surfaces: list[Surface] = []
    for number, task in enumerate(layout.tasks(progress)):
        part = portion(progress, (number + FINDING) / len(groups), (number + 1) / len(groups))
        filled, surface = fill(layout.method, task, part)
        bands.append(filled)
        surfaces.append(surface.told())
        del task, surface  # before the next takes its room
    advance(progress, 1.0)

    stacked, names, units = _stack(readings, frame, groups, bands, surfaces)
    figures: dict[str, float | int | str] = {
        "method": layout.method.id,
        "cell_size": layout.cell_size,
        "blanking_distance": layout.blanking,
        "columns": frame.columns,
        "rows": frame.rows,
        "readings_used": layout.used,
        "repeated_positions": layout.repeated,
        "cells_filled": int(np.isfinite(stacked).any(axis=0).sum()),
    }
    if layout.bearing is not None:
        figures["traverse_bearing"] = round(layout.bearing, 2)
    if layout.block:
        figures["block"] = layout.block
        figures["readings_after_thinning"] = layout.thinned
    for surface in reversed(surfaces):  # the first group's figures stand
        figures.update(surface.figures)
    messages, warnings = remarks(layout.found, figures, len(names))
    if layout.barriers_miss:
        warnings.append("The barriers lie beyond the readings: they keep nothing apart.")
    empty = [name for name, has in zip(readings.channels, layout.usable.any(axis=0)) if not has]
    warnings += [f"Channel {name} has no usable reading: its band is empty." for name in empty]
    return Gridded(
        frame,
        stacked,
        names,
        units,
        figures,
        tuple(dict.fromkeys(messages + [m for result in surfaces for m in result.messages])),
        tuple(dict.fromkeys(warnings + [w for result in surfaces for w in result.warnings])),
    )


def predict_readings(
    readings: Readings,
    options: GriddingOptions,
    x: FloatArray,
    y: FloatArray,
    progress: Progress = keep_going,
) -> FloatArray:
    """What gridding would give at positions of any kind, cells or not.

    Parameters
    ----------
    x, y
        Positions, map units, shape ``(m,)``.

    Returns
    -------
    array
        Shape ``(m, c)``; NaN where the method cannot tell and for channels without readings. The
        blanking distance and the hull leave nothing out.

    Raises
    ------
    ValueError
        As `gridreadings`.
    """
    layout = _Layout(readings, options)
    values: FloatArray = np.full((len(x), len(readings.channels)), np.nan)
    at = np.column_stack([x - layout.frame.west, y - layout.frame.north])
    count = len(layout.groups)
    for number, task in enumerate(layout.tasks(progress)):
        part = portion(progress, (number + FINDING) / count, (number + 1) / count)
        values[:, layout.groups[number][0]] = predict(layout.method, task, at, part)
    return values


FINDING = 0.1
"""Share of the progress of a group of channels that finding its cells takes."""


class _Layout:
    """What is gridded on which cells: one task for all channels with the same usable readings."""

    def __init__(self, readings: Readings, options: GriddingOptions) -> None:
        self.readings, self.options = readings, options
        self.method: Method = method_named(options.method)
        self.method_options = self.method.checked(options.method_options)
        placed = np.isfinite(readings.x) & np.isfinite(readings.y)
        self.usable = readings.usable & placed[:, np.newaxis]
        any_usable = self.usable.any(axis=1)
        self.used = int(any_usable.sum())
        if not self.used:
            raise ValueError(
                "No reading can be gridded: each lacks a value or a position, is off scale or is "
                "excluded. Choose other channels or check the readings."
            )
        walk = spacing.Walk(readings)
        self.cell_size, self.blanking, self.found = sizes(readings, options, walk)
        self.bearing = walk.bearing
        self.order = walk.order
        self.line = np.full_like(walk.run_of, -1) if walk.untold else walk.run_of
        self.frame = frame_for(
            readings.x[any_usable], readings.y[any_usable], self.cell_size, margin=1
        )
        self.groups = _groups(self.usable)
        self.block = self._block()
        self.repeated = self.thinned = 0

    def _block(self) -> float:
        """Size of the blocks that readings are thinned by; 0 for no thinning."""
        asked = self.options.block
        if asked is None:
            if self.found is None or self.found.interval * MUCH_DENSER > self.cell_size:
                return 0.0
            return min(self.cell_size, self.found.separation)
        if not (np.isfinite(asked) and asked >= 0):
            raise ValueError(f"The thinning block is {asked:g}. Give a size of 0 or more.")
        return float(asked)

    @property
    def barriers_miss(self) -> bool:
        """Whether barriers are given and none comes near the frame."""
        barriers, frame = self.options.barriers, self.frame
        if barriers is None or not len(barriers):
            return False
        corner = np.array([frame.west, frame.north - frame.rows * frame.cell_height])
        size = np.array([frame.columns * frame.cell_width, frame.rows * frame.cell_height])
        clear = (barriers.max(axis=1) < corner) | (barriers.min(axis=1) > corner + size)
        return bool(clear.any(axis=1).all())

    def tasks(self, progress: Progress) -> Iterator[Task]:
        """One task for each group of channels, in turn."""
        frame, barriers = self.frame, None
        if self.options.barriers is not None and len(self.options.barriers):
            barriers = Barriers.along(self.options.barriers - (frame.west, frame.north))
        for number, (channels, kept) in enumerate(self.groups):
            start = number / len(self.groups)
            part = portion(progress, start, start + FINDING / len(self.groups))
            yield self._task(channels, kept, barriers, part)

    def _task(
        self, channels: list[int], kept: BoolArray, barriers: Barriers | None, progress: Progress
    ) -> Task:
        """The task of one group of channels."""
        readings, frame, options = self.readings, self.frame, self.options
        xy, values, on = self._read(channels, kept)
        if self.block:
            first, xy, values = thin_by_block(xy, values, on, self.block)
            on = on[first]
            self.thinned = max(self.thinned, len(first))
        first, values = median_by_place(xy, values)
        self.repeated = max(self.repeated, len(xy) - len(first))
        if len(first) < len(xy):
            xy, on = xy[first], on[first]
        del first
        lowest = np.array([column.min() for column in values.T])
        values -= lowest
        wanted = cells_within(frame, xy, self.blanking, options.workers, progress)
        if not options.beyond_hull:
            wanted &= cells_in_hull(frame, xy)
        return Task(
            xy=xy,
            values=values,
            line=on,
            channels=tuple(readings.channels[c] for c in channels),
            units=tuple(readings.units[c] for c in channels),
            frame=frame,
            wanted=wanted,
            options=self.method_options,
            blanking_distance=self.blanking,
            bearing=self.bearing,
            barriers=barriers,
            separation=self.found.separation if self.found else None,
            interval=self.found.interval if self.found else None,
            workers=options.workers,
            lowest=lowest,
        )

    def _read(
        self, channels: list[int], kept: BoolArray
    ) -> tuple[FloatArray, FloatArray, IntArray]:
        """Position, values and traverse of the readings kept, in walking order.

        The first two are new arrays.
        """
        readings, frame = self.readings, self.frame
        rows, line = self.order, self.line
        chosen = kept[rows]
        if not chosen.all():
            rows, line = rows[chosen], line[chosen]
        xy = np.empty((len(rows), 2))
        np.subtract(readings.x[rows], frame.west, out=xy[:, 0])
        np.subtract(readings.y[rows], frame.north, out=xy[:, 1])
        values = np.take(readings.values, rows, axis=0)
        if not _all(channels, readings):
            values = np.take(values, channels, axis=1)
        return xy, values, line


def _all(channels: list[int], readings: Readings) -> bool:
    """Whether these are all the channels there are, in order."""
    return len(channels) == len(readings.channels)


def sizes(
    readings: Readings, options: GriddingOptions, walk: spacing.Walk | None = None
) -> tuple[float, float, Spacing | None]:
    """Cell size and blanking distance, and the spacing measured, if it could be."""
    found: Spacing | None
    try:
        found = (walk or spacing.Walk(readings)).spacing
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


def _groups(usable: BoolArray) -> list[tuple[list[int], BoolArray]]:
    """Channels by their set of usable readings, in channel order; those without any left out."""
    groups: dict[bytes, tuple[list[int], BoolArray]] = {}
    for channel, kept in enumerate(usable.T):
        if kept.any():
            groups.setdefault(kept.tobytes(), ([], kept))[0].append(channel)
    return list(groups.values())


def _stack(
    readings: Readings,
    frame: Frame,
    groups: list[tuple[list[int], BoolArray]],
    filled: list[Bands],
    surfaces: list[Surface],
) -> tuple[Bands, tuple[str, ...], tuple[str, ...]]:
    """Bands in channel order, extra bands after them, with their names and units."""
    extras = [extra for surface in surfaces for extra in surface.extras]
    names = readings.channels + tuple(name for name, _ in extras)
    units = readings.units + tuple(unit for _, unit in extras)
    if len(filled) == 1 and _all(groups[0][0], readings):
        return filled[0], names, units
    bands = np.full((len(names), frame.rows, frame.columns), np.nan, dtype=np.float32)
    after = len(readings.channels)
    for (channels, _), result in zip(groups, filled):
        more = len(result) - len(channels)
        bands[channels] = result[: len(channels)]
        bands[after : after + more] = result[len(channels) :]
        after += more
    return bands, names, units
