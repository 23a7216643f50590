"""Ways to interpolate readings to cells: one module each, found by itself.

A method is a module of this package with a `METHOD`. Nothing else has to be told of it: the
engine and the host read its id, title, help and options from there.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Union

import numpy as np
import numpy.typing as npt

from ...progress import Progress, advance
from ...readings import BoolArray, FloatArray, IntArray
from ..frame import Frame

OptionValue = Union[float, int, str, None]
Bands = npt.NDArray[np.float32]

BATCH = 1 << 17
"""Cells worked on at a time; bounds the memory."""


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
        Shape ``(n, c)``, all finite.
    line
        Number of the traverse each reading is on, counting from 0, shape ``(n,)``; -1 for none.
        Readings come traverse by traverse in walking order, those of none last.
    channels, units
        Names and units, ``c`` of each.
    frame, wanted
        The cells, and which of them lie within the blanking distance, shape ``(rows, columns)``.
    options
        A value for each of the method's options.
    blanking_distance
        Map units.
    bearing
        Direction of the traverses, degrees clockwise from grid north; None if they have no
        common one.
    workers
        Threads for neighbour searches, -1 for all. Must not change the result.
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
    workers: int = 1

    def number(self, name: str) -> float:
        """An option that always has a number."""
        return float(self.options[name])  # type: ignore[arg-type]


@dataclass(frozen=True, eq=False)
class Filled:
    """What a method gives back.

    Parameters
    ----------
    bands
        Float32, shape ``(c + e, rows, columns)``: the channels, then the extra bands. Cells that
        were not wanted may hold anything; NaN where the method cannot tell.
    extras
        Name and unit of each of the ``e`` extra bands, such as a standard deviation.
    figures, messages, warnings
        As in `lynchet.algorithms.readings.Correction`.
    """

    bands: Bands
    extras: tuple[tuple[str, str], ...] = ()
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


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
    fill
        The work: from a task to the whole frame. A method that treats each cell by itself wraps
        its `prepare` in `by_cells`.
    """

    id: str
    title: str
    help: str
    options: tuple[Option, ...]
    fill: Callable[[Task, Progress], Filled]

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


@dataclass(frozen=True, eq=False)
class Cellwise:
    """A method made ready for one task that can tell the value of any cell by itself.

    Parameters
    ----------
    evaluate
        From cell centres, shape ``(m, 2)`` like `Task.xy`, to values, shape ``(m, c + e)``.
    extras, figures, messages, warnings
        As in `Filled`.
    """

    evaluate: Callable[[FloatArray], FloatArray]
    extras: tuple[tuple[str, str], ...] = ()
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def by_cells(prepare: Callable[[Task], Cellwise]) -> Callable[[Task, Progress], Filled]:
    """Turn a cell-by-cell method into one that fills a frame, batch by batch.

    The method sees each channel less its lowest value, which is added again afterwards: a
    constant then stays exactly constant, and large background values cost no precision.
    """

    def fill(task: Task, progress: Progress) -> Filled:
        frame = task.frame
        lowest = task.values.min(axis=0)
        ready = prepare(replace(task, values=task.values - lowest))
        count = len(lowest) + len(ready.extras)
        bands = np.full((count, frame.rows, frame.columns), np.nan, dtype=np.float32)
        x = (np.arange(frame.columns) + 0.5) * frame.cell_width
        y = -(np.arange(frame.rows) + 0.5) * frame.cell_height
        step = max(1, BATCH // frame.columns)
        for top in range(0, frame.rows, step):
            advance(progress, top / frame.rows)
            row, column = np.nonzero(task.wanted[top : top + step])
            if not len(row):
                continue
            row += top
            values = ready.evaluate(np.column_stack([x[column], y[row]]))
            values[:, : len(lowest)] += lowest
            bands[:, row, column] = values.T
        return Filled(bands, ready.extras, ready.figures, ready.messages, ready.warnings)

    return fill


@cache
def methods() -> dict[str, Method]:
    """Every method of this package by its id, in the order of the ids."""
    modules = (
        importlib.import_module(f"{__name__}.{found.name}")
        for found in pkgutil.iter_modules(__path__)
    )
    found = [module.METHOD for module in modules if hasattr(module, "METHOD")]
    return {method.id: method for method in sorted(found, key=lambda method: method.id)}


def method_named(name: str) -> Method:
    """The method of an id.

    Raises
    ------
    ValueError
        If there is none.
    """
    if name not in methods():
        raise ValueError(
            f"There is no gridding method '{name}'. Choose one of: {', '.join(methods())}."
        )
    return methods()[name]
