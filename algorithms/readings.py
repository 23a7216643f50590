"""The readings of a survey as arrays, and what a correction gives back."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from enum import IntFlag
from functools import cached_property

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.int64]
BoolArray = npt.NDArray[np.bool_]

NO_LINE: int = int(np.iinfo(np.int64).min)
"""Line number of a reading that belongs to no traverse: it is carried, never corrected by line."""


class Qc(IntFlag):
    """Bits of a reading's quality field."""

    SPIKE = 1
    FILLED = 2
    OFF_SCALE = 4
    REPEATED_POSITION = 8
    DOUBTFUL_POSITION = 16
    EXCLUDED = 32


@dataclass(frozen=True, eq=False)
class Traverse:
    """One walked line: its identity and the rows of its readings, in walking order."""

    grid: str
    line: int
    rows: IntArray

    @property
    def name(self) -> str:
        """How the traverse is called in messages, e.g. ``line 12 of grid G2``."""
        return f"line {self.line} of grid {self.grid}" if self.grid else f"line {self.line}"


@dataclass(frozen=True, eq=False)
class Readings:
    """Readings of one survey: `n` readings of `c` channels. Rows may come in any order.

    Parameters
    ----------
    x, y
        Easting and northing, shape ``(n,)``, in the units of a projected CRS. NaN where unplaced.
    values
        Channel values, shape ``(n, c)``, NaN for no reading.
    channels, units
        Name and unit of each channel, ``c`` of each; a unit may be empty.
    line
        Traverse number, shape ``(n,)``; `NO_LINE` for a reading outside all traverses.
    sequence
        Order of the readings along their traverse, shape ``(n,)``, float; ties keep row order and
        NaN sorts last.
    grid, grid_names
        Code of the data grid of each reading, shape ``(n,)``, and the name behind each code.
    time
        Seconds, shape ``(n,)``, NaN where unknown. Never decreasing over midnight: see
        `lynchet.algorithms.intake.clock.unwrap_midnight`.
    qc
        Quality bits (`Qc`), shape ``(n,)``.

    Raises
    ------
    ValueError
        If the shapes do not agree.

    Examples
    --------
    >>> r = Readings.build(x=[0, 1, 0, 1], y=[0, 0, 1, 1], values=[1, 2, 3, 4],
    ...                    line=[1, 1, 2, 2], sequence=[0, 1, 1, 0])
    >>> [traverse.rows.tolist() for traverse in r.lines]
    [[0, 1], [3, 2]]
    """

    x: FloatArray
    y: FloatArray
    values: FloatArray
    channels: tuple[str, ...]
    units: tuple[str, ...]
    line: IntArray
    sequence: FloatArray
    grid: IntArray
    grid_names: tuple[str, ...]
    time: FloatArray
    qc: IntArray

    def __post_init__(self) -> None:
        n, c = self.values.shape
        for name in ("x", "y", "line", "sequence", "grid", "time", "qc"):
            shape = getattr(self, name).shape
            if shape != (n,):
                raise ValueError(f"'{name}' has shape {shape} where the values have {n} readings.")
        if len(self.channels) != c or len(self.units) != c:
            raise ValueError(f"{c} channels of values need {c} names and {c} units.")

    @classmethod
    def build(
        cls,
        *,
        x: npt.ArrayLike,
        y: npt.ArrayLike,
        values: npt.ArrayLike,
        channels: Sequence[str] | None = None,
        units: Sequence[str] | None = None,
        line: npt.ArrayLike | None = None,
        sequence: npt.ArrayLike | None = None,
        grid: Sequence[str] | None = None,
        time: npt.ArrayLike | None = None,
        qc: npt.ArrayLike | None = None,
    ) -> Readings:
        """Readings from whatever is at hand; what is missing gets its plain default.

        One channel may be given as a flat list. Without `line`, all readings form line 0; without
        `sequence`, row order is walking order; `grid` holds one name per reading.
        """
        table = np.array(values, dtype=np.float64)
        if table.ndim == 1:
            table = table[:, np.newaxis]
        n, c = table.shape
        names, codes = np.unique(
            np.asarray([""] * n if grid is None else grid, dtype=np.str_), return_inverse=True
        )
        return cls(
            x=np.array(x, dtype=np.float64),
            y=np.array(y, dtype=np.float64),
            values=table,
            channels=tuple(channels or (f"c{i + 1}" for i in range(c))),
            units=tuple(units or ("",) * c),
            line=np.array(np.zeros(n) if line is None else line, dtype=np.int64),
            sequence=np.array(np.arange(n) if sequence is None else sequence, dtype=np.float64),
            grid=codes.reshape(n).astype(np.int64),
            grid_names=tuple(str(name) for name in names),
            time=np.array(np.full(n, np.nan) if time is None else time, dtype=np.float64),
            qc=np.array(np.zeros(n) if qc is None else qc, dtype=np.int64),
        )

    def __len__(self) -> int:
        return len(self.x)

    @cached_property
    def lines(self) -> tuple[Traverse, ...]:
        """Every traverse, by grid and line number, with its rows in walking order."""
        order = np.lexsort((self.sequence, self.line, self.grid))
        order = order[self.line[order] != NO_LINE]
        if not len(order):
            return ()
        grid, line = self.grid[order], self.line[order]
        breaks = np.flatnonzero((np.diff(grid) != 0) | (np.diff(line) != 0)) + 1
        return tuple(
            Traverse(self.grid_names[self.grid[rows[0]]], int(self.line[rows[0]]), rows)
            for rows in np.split(order.astype(np.int64), breaks)
        )

    def with_values(self, values: FloatArray, qc: IntArray | None = None) -> Readings:
        """The same readings with other values and, if given, other quality bits."""
        return replace(self, values=values, qc=self.qc if qc is None else qc)

    def take(self, rows: IntArray) -> Readings:
        """Only the readings of these rows, in this order."""
        per_row = ("x", "y", "values", "line", "sequence", "grid", "time", "qc")
        return replace(self, **{name: getattr(self, name)[rows] for name in per_row})

    def followed_by(self, other: Readings) -> Readings:
        """These readings and then others with the same channels, whose data grids stay apart.

        Raises
        ------
        ValueError
            If the channels are not the same.
        """
        if self.channels != other.channels:
            raise ValueError(
                f"Channels {', '.join(other.channels)} cannot follow {', '.join(self.channels)}."
            )
        joined = {
            name: np.concatenate([getattr(self, name), getattr(other, name)])
            for name in ("x", "y", "values", "line", "sequence", "time", "qc")
        }
        grid = np.concatenate([self.grid, other.grid + len(self.grid_names)])
        return replace(self, **joined, grid=grid, grid_names=self.grid_names + other.grid_names)

    @property
    def usable(self) -> BoolArray:
        """Where a value may inform a correction, shape ``(n, c)``.

        A missing, off-scale or user-excluded reading may not.
        """
        barred = int(Qc.OFF_SCALE | Qc.EXCLUDED)
        kept: BoolArray = (self.qc & barred) == 0
        usable: BoolArray = np.isfinite(self.values) & kept[:, np.newaxis]
        return usable


@dataclass(frozen=True, eq=False)
class Correction:
    """What a correction gives back.

    Parameters
    ----------
    readings
        The corrected readings, same rows in the same order.
    figures
        Key figures found, by short name: they go into the history and the step's outputs.
    messages
        Sentences for the user, in the order to be read.
    warnings
        Sentences the user should not miss.
    """

    readings: Readings
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()
