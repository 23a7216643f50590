"""What a gridding method is: its options, what it is given, and how it fills the cells."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Union

import numpy as np
import numpy.typing as npt

from ..progress import Progress, advance, keep_going, portion, side_by_side
from ..readings import BoolArray, FloatArray, IntArray
from .barriers import Barriers
from .frame import Frame

OptionValue = Union[float, int, str, None]
Bands = npt.NDArray[np.float32]

BATCH = 1 << 13
"""Cells worked on at a time by each core: bounds the memory, and what they need stays in cache."""

JOBS = 256
"""Shares at most that the cells are dealt out in."""

PREPARING = 0.4
"""Share of the progress that making a method ready takes."""


@dataclass(frozen=True)
class Option:
    """One setting of a method, as the host shows it.

    Parameters
    ----------
    name
        Key in the options mapping.
    label, unit, help
        What the user reads; the unit may be empty.
    default
        Value where none is given; None means "worked out from the readings".
    minimum, maximum
        Bounds, inclusive, or None.
    whole
        Whether the number is a whole one.
    choices
        The values allowed, for an option that is a word rather than a number.
    """

    name: str
    label: str
    default: OptionValue
    unit: str = ""
    help: str = ""
    minimum: float | None = None
    maximum: float | None = None
    whole: bool = False
    choices: tuple[str, ...] = ()

    def checked(self, value: OptionValue) -> OptionValue:
        """The value in its proper type.

        Raises
        ------
        ValueError
            If it is not one this option can take.
        """
        if value is None and self.default is None:
            return None
        if self.choices:
            if value not in self.choices:
                raise ValueError(
                    f"{self.label} is '{value}'. Choose one of: {', '.join(self.choices)}."
                )
            return value
        try:
            number = float(value)  # type: ignore[arg-type]
        except (TypeError, ValueError):
            raise ValueError(f"{self.label} is '{value}'. Give a number.") from None
        if not np.isfinite(number) or (self.whole and number != round(number)):
            kind = "whole number" if self.whole else "finite number"
            raise ValueError(f"{self.label} is {value}. Give a {kind}.")
        if self.minimum is not None and number < self.minimum:
            raise ValueError(f"{self.label} is {value}. Give {self.minimum:g} or more.")
        if self.maximum is not None and number > self.maximum:
            raise ValueError(f"{self.label} is {value}. Give {self.maximum:g} or less.")
        return round(number) if self.whole else number


@dataclass(frozen=True, eq=False)
class Task:
    """What a method has to work on: the channels that share one set of usable readings.

    Parameters
    ----------
    xy
        Positions from the frame's upper left corner, east and north, shape ``(n, 2)``: small
        numbers, so that nothing is lost to large map coordinates. No position comes twice.
    values
        Less `lowest`, shape ``(n, c)``, all finite.
    line
        Number of the traverse each reading is on, counting from 0, shape ``(n,)``; -1 for none.
        Readings come traverse by traverse in walking order, those of none last.
    channels, units
        Names and units, ``c`` of each.
    frame, wanted
        The cells, and which of them are to hold data: those within the blanking distance and not
        beyond the hull, shape ``(rows, columns)``.
    options
        A value for each of the method's options.
    blanking_distance
        Map units.
    bearing
        Direction of the traverses, degrees clockwise from grid north; None if they have no
        common one.
    barriers
        What interpolation must not cross, from the frame's upper left corner; None for nothing.
    separation, interval
        Traverse separation and reading interval, map units; None where they cannot be measured.
    workers
        Threads for neighbour searches, -1 for all. Must not change the result.
    lowest
        What was taken off the values and is added again to what is found, shape ``(c,)``; None
        for nothing.
    """

    xy: FloatArray
    values: FloatArray
    line: IntArray
    channels: tuple[str, ...]
    units: tuple[str, ...]
    frame: Frame
    wanted: BoolArray
    options: Mapping[str, OptionValue]
    blanking_distance: float
    bearing: float | None = None
    barriers: Barriers | None = None
    separation: float | None = None
    interval: float | None = None
    workers: int = 1
    lowest: FloatArray | None = None

    def number(self, name: str) -> float:
        """An option that always has a number."""
        return float(self.options[name])  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class Surface:
    """A method made ready for one task: it tells the value anywhere.

    Parameters
    ----------
    evaluate
        From positions, shape ``(m, 2)`` like `Task.xy`, to values, shape ``(m, c + e)``: the
        channels, then the extra bands; NaN where the method cannot tell. Each position is
        treated by itself and nothing is changed, for batches of cells run side by side.
    extras
        Name and unit of each of the ``e`` extra bands, such as a standard deviation.
    cells
        Values of all cells, shape ``(c + e, rows, columns)``, for a method that finds them
        together; `evaluate` agrees with it at the cell centres.
    figures, messages, warnings
        As in `lynchet.algorithms.readings.Correction`.
    """

    evaluate: Callable[[FloatArray], FloatArray]
    extras: tuple[tuple[str, str], ...] = ()
    cells: npt.NDArray[np.floating] | None = None
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def told(self) -> Surface:
        """Only what it has to say, for when its cells are filled: it can be large."""
        return replace(self, evaluate=_spent, cells=None)


def _spent(xy: FloatArray) -> FloatArray:
    """In the place of an `evaluate` no longer there."""
    raise RuntimeError("This surface has been let go of.")


@dataclass(frozen=True)
class Method:
    """A way to interpolate.

    Parameters
    ----------
    id
        Stable lower-case name.
    title, help
        What the user reads.
    options
        Its settings.
    prepare
        From a task to a surface. The task's channels come less their lowest value, which is
        added again afterwards: a constant then stays exactly constant, and large background
        values cost no precision.
    together
        Whether it fills `Surface.cells`, all of its work thus being in `prepare`.
    """

    id: str
    title: str
    help: str
    options: tuple[Option, ...]
    prepare: Callable[[Task, Progress], Surface]
    together: bool = False

    def checked(self, options: Mapping[str, OptionValue]) -> dict[str, OptionValue]:
        """A value for every option: those given, checked, and defaults.

        Raises
        ------
        ValueError
            If a value cannot be taken, or there is no such option.
        """
        unknown = sorted(set(options) - {option.name for option in self.options})
        if unknown:
            known = ", ".join(option.name for option in self.options)
            raise ValueError(
                f"'{self.title}' has no option '{unknown[0]}'. Choose from: {known or 'none'}."
            )
        return {
            option.name: option.checked(options.get(option.name, option.default))
            for option in self.options
        }


def fill(method: Method, task: Task, progress: Progress = keep_going) -> tuple[Bands, Surface]:
    """The wanted cells of a task, and the surface they were taken from.

    Returns
    -------
    bands
        Float32, shape ``(c + e, rows, columns)``, NaN for cells not wanted.
    surface
        What the method made ready.
    """
    frame = task.frame
    ready = 1.0 if method.together else PREPARING
    surface = method.prepare(task, portion(progress, 0.0, ready))
    lowest = _lowest(task, surface)
    bands = np.full((len(lowest), frame.rows, frame.columns), np.nan, dtype=np.float32)
    if surface.cells is not None:
        for band, cells, low in zip(bands, surface.cells, lowest):
            np.copyto(band, cells + low, where=task.wanted, casting="same_kind")
        return bands, surface
    x = (np.arange(frame.columns) + 0.5) * frame.cell_width
    y = -(np.arange(frame.rows) + 0.5) * frame.cell_height
    # tiles as square as can be: their cells share most of their neighbours
    width = max(math.isqrt(BATCH), BATCH // frame.rows)
    height = max(1, BATCH // min(width, frame.columns))
    tiles = [
        (top, left)
        for top in range(0, frame.rows, height)
        for left in range(0, frame.columns, width)
    ]

    def job(tiles: list[tuple[int, int]]) -> Callable[[Progress], None]:
        def work(progress: Progress) -> None:
            for done, (top, left) in enumerate(tiles):
                advance(progress, done / len(tiles))
                row, column = np.nonzero(task.wanted[top : top + height, left : left + width])
                if len(row):
                    row, column = row + top, column + left
                    values = surface.evaluate(np.column_stack([x[column], y[row]]))
                    bands[:, row, column] = (values + lowest).T

        return work

    share = -(-len(tiles) // JOBS)
    jobs = [job(tiles[start : start + share]) for start in range(0, len(tiles), share)]
    side_by_side(jobs, portion(progress, PREPARING, 1.0))
    return bands, surface


def predict(
    method: Method, task: Task, xy: FloatArray, progress: Progress = keep_going
) -> FloatArray:
    """Values of the task's channels at positions like `Task.xy`, shape ``(m, c)``."""
    surface = method.prepare(task, portion(progress, 0.0, PREPARING))
    lowest = _lowest(task, surface)
    count = task.values.shape[1]
    values: FloatArray = np.empty((len(xy), count))

    def rows_from(start: int) -> Callable[[Progress], None]:
        def work(progress: Progress) -> None:
            part = slice(start, start + BATCH)
            values[part] = (surface.evaluate(xy[part]) + lowest)[:, :count]

        return work

    jobs = [rows_from(start) for start in range(0, len(xy), BATCH)]
    side_by_side(jobs, portion(progress, PREPARING, 1.0))
    return values


def _lowest(task: Task, surface: Surface) -> FloatArray:
    """What to add to each column of a surface."""
    channels = np.zeros(task.values.shape[1]) if task.lowest is None else task.lowest
    return np.concatenate([channels, np.zeros(len(surface.extras))])
