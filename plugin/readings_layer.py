"""The readings layer: a point layer to `Readings`. The way back is in `corrected_layer`."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from qgis.core import QgsFields

from ..algorithms.intake.clock import (
    FIRST_DAY,
    TIME_ADVICE,
    is_dated,
    scan_times,
    unwrap_midnight,
)
from ..algorithms.intake.sitegrid import Origin
from ..algorithms.intake.table import codes_of
from ..algorithms.intake.text.number import to_number
from ..algorithms.progress import Progress, keep_going
from ..algorithms.readings import NO_LINE, Readings
from .history import channel_units
from .source import Columns, LayerSource

STANDARD_FIELDS = {
    "grid": "text",
    "line": "integer",
    "seq": "integer",
    "along": "real",
    "bearing": "real",
    "time": "real",
    "qc": "integer",
}
"""Kind of each field that a readings layer has besides its channels."""

_NOT_CHANNELS = {*STANDARD_FIELDS, "fid", "id", "x", "y", "day"}
PREVIOUS = "_prev"


@dataclass(frozen=True)
class Roles:
    """Which field of the layer is what; None for what is not there."""

    channels: tuple[str, ...]
    line: str | None = None
    sequence: str | None = None
    grid: str | None = None
    time: str | None = None
    day: str | None = None


def guess_channels(layer: LayerSource, lines: Sequence[str]) -> tuple[str, ...]:
    """The layer's channels: those of its history, else its real-number fields of other names."""
    known = [name for name in channel_units(lines) if name in layer.field_names]
    if known:
        return tuple(known)
    return tuple(
        field.name()
        for field in layer.fields
        if field.isNumeric()
        and field.typeName().lower().startswith(("real", "double", "float"))
        and field.name().lower() not in _NOT_CHANNELS
        and not field.name().endswith(PREVIOUS)
    )


def read_readings(
    layer: LayerSource, roles: Roles, lines: Sequence[str], progress: Progress = keep_going
) -> Readings:
    """Read a layer's features as `Readings`, one row a feature, in the layer's order.

    Raises
    ------
    ValueError
        If the layer is empty, holds no value of a channel, or a field cannot serve its role.
    """
    qc = "qc" if "qc" in layer.field_names else None
    wanted = [*roles.channels, roles.line, roles.sequence, roles.grid, roles.time, roles.day, qc]
    names = list(dict.fromkeys(name for name in wanted if name))
    absent = [name for name in names if name not in layer.field_names]
    if absent:
        raise ValueError(
            f"Layer '{layer.name}' has no field '{absent[0]}'. It has: "
            f"{', '.join(layer.field_names)}."
        )
    columns = layer.columns(names, progress)
    n = len(columns.x)
    if n == 0:
        raise ValueError(f"Layer '{layer.name}' holds no readings.")
    values = np.empty((n, len(roles.channels)))
    for place, name in enumerate(roles.channels):
        values[:, place] = numbers_of(columns.fields[name], layer, name)
    values[~np.isfinite(values)] = np.nan
    for name, column in zip(roles.channels, values.T):
        if np.isnan(column).all():
            raise ValueError(
                f"Channel '{name}' of layer '{layer.name}' holds no reading: all {n} are NULL. "
                "Leave it out of the channels."
            )
    grid, grid_names = _grid_codes(columns.fields[roles.grid] if roles.grid else None, n)
    units = channel_units(lines)
    return Readings(
        x=columns.x,
        y=columns.y,
        values=values,
        channels=roles.channels,
        units=tuple(units.get(name) or _alias_unit(layer.fields, name) for name in roles.channels),
        line=_line_numbers(columns.fields[roles.line], layer, roles.line)
        if roles.line
        else np.zeros(n, np.int64),
        sequence=numbers_of(columns.fields[roles.sequence], layer, roles.sequence)
        if roles.sequence
        else np.arange(n, dtype=np.float64),
        grid=grid,
        grid_names=grid_names,
        time=_times(columns, layer, roles) if roles.time else np.full(n, np.nan),
        qc=np.nan_to_num(columns.fields[qc]).astype(np.int64) if qc else np.zeros(n, np.int64),
    )


def _alias_unit(fields: QgsFields, name: str) -> str:
    alias = fields.field(name).alias()
    return alias.rpartition("[")[2].rstrip("]") if alias.endswith("]") else ""


def numbers_of(column: np.ndarray, layer: LayerSource, name: str) -> np.ndarray:
    """A field as numbers: text tables hold theirs as text, with a decimal point or comma.

    Raises
    ------
    ValueError
        At the first cell that is no number.
    """
    if column.dtype != object:
        return column
    numbers = np.full(len(column), np.nan)
    for row, word in enumerate(column):
        try:
            numbers[row] = np.nan if word in (None, "") else to_number(word)
        except (TypeError, ValueError):
            raise ValueError(
                f"Feature {row + 1} of layer '{layer.name}': field '{name}' is '{word}' where a "
                "number is needed. Choose another field, or correct it."
            ) from None
    return numbers


def _line_numbers(column: np.ndarray, layer: LayerSource, name: str) -> np.ndarray:
    numbers = numbers_of(column, layer, name)
    known = np.isfinite(numbers)
    broken = np.flatnonzero(known & (numbers != np.floor(numbers)))
    if len(broken):
        raise ValueError(
            f"Feature {broken[0] + 1} of layer '{layer.name}': field '{name}' is "
            f"{numbers[broken[0]]:g} where a whole traverse number is needed. Choose another field."
        )
    lines = np.full(len(numbers), NO_LINE, np.int64)
    lines[known] = numbers[known].astype(np.int64)
    return lines


def text_codes(words: Sequence) -> tuple[np.ndarray, tuple[str, ...]]:
    """Code each word by its place among the sorted distinct words; None counts as empty."""
    found: dict[str, int] = {}
    codes = codes_of(map(_label, words), found)
    names = sorted(found)
    place = np.empty(len(found), np.int64)
    place[[found[name] for name in names]] = np.arange(len(names))
    return place[codes], tuple(names)


def _label(word) -> str:
    if isinstance(word, float):
        return "" if np.isnan(word) else f"{word:g}"
    return "" if word is None else str(word)


def _grid_codes(column: np.ndarray | None, n: int) -> tuple[np.ndarray, tuple[str, ...]]:
    if column is None:
        return np.zeros(n, np.int64), ("",)
    return text_codes(column.tolist())


def _times(columns: Columns, layer: LayerSource, roles: Roles) -> np.ndarray:
    """Seconds; a clock that passes midnight goes on rising, day field by day field.

    Dates count from one day for all layers, so that readings and base readings agree.
    """
    time = columns.fields[roles.time]
    if time.dtype == object:
        words = ["" if word is None else str(word) for word in time]
        dated = any(is_dated(word) for word in words)
        time, bad = scan_times([FIRST_DAY, *words] if dated else words)
        if len(bad):
            place = int(bad[0]) - dated
            raise ValueError(
                f"Feature {place + 1} of layer '{layer.name}': field '{roles.time}' is "
                f"'{words[place]}', which is not a time. {TIME_ADVICE}"
            )
        if dated:
            return time[1:]
    if roles.day is None:
        return unwrap_midnight(time)
    days, _ = text_codes(columns.fields[roles.day].tolist())
    unwrapped = time.copy()
    for day in np.unique(days):
        unwrapped[days == day] = unwrap_midnight(time[days == day])
    return unwrapped


def shared_codes(layers: Sequence[LayerSource], name: str) -> list[np.ndarray]:
    """Codes of a field that several layers have, one coding for all of them.

    Raises
    ------
    ValueError
        If a layer does not have the field.
    """
    for layer in layers:
        if name not in layer.field_names:
            raise ValueError(f"Layer '{layer.name}' has no field '{name}'.")
    words = [layer.columns([name]).fields[name].tolist() for layer in layers]
    codes, _ = text_codes([word for part in words for word in part])
    return np.split(codes, np.cumsum([len(part) for part in words])[:-1])


LAYOUT_FIELDS = ("grid", "x", "y", "bearing")


def read_layout(layer: LayerSource) -> dict[str, Origin]:
    """Where the data grids of a layout table lie, by name; length and width where it tells them.

    Raises
    ------
    ValueError
        If a field is missing, a cell is no number or a data grid stands there twice.
    """
    absent = [name for name in LAYOUT_FIELDS if name not in layer.field_names]
    if absent:
        raise ValueError(
            f"The layout '{layer.name}' has no field '{absent[0]}'. It needs the fields "
            f"{', '.join(LAYOUT_FIELDS)}; it has: {', '.join(layer.field_names)}."
        )
    sizes = [name for name in ("length", "width") if name in layer.field_names]
    fields = layer.columns([*LAYOUT_FIELDS, *sizes], places=False).fields
    numbers = {name: numbers_of(fields[name], layer, name) for name in (*LAYOUT_FIELDS[1:], *sizes)}
    found: dict[str, Origin] = {}
    for row, grid in enumerate(map(_label, fields["grid"].tolist())):
        cells = {name: float(column[row]) for name, column in numbers.items()}
        if grid in found:
            raise ValueError(f"The layout '{layer.name}' holds data grid '{grid}' twice.")
        if not all(np.isfinite(cells[name]) for name in LAYOUT_FIELDS[1:]):
            raise ValueError(
                f"The layout '{layer.name}' lacks x, y or bearing for data grid '{grid}'."
            )
        found[grid] = Origin(**{name: cell for name, cell in cells.items() if cell == cell})
    return found


def marked(layer: LayerSource, name: str) -> np.ndarray:
    """Which features a field marks: any value but NULL, nothing, 0 and false."""
    column = layer.columns([name]).fields[name]
    if column.dtype != object:
        return np.isfinite(column) & (column != 0)
    plain = {"", "0", "false", "no", "none"}
    return np.array([str(word).strip().lower() not in plain for word in column], dtype=bool)


def attribute_cells(column: np.ndarray) -> list:
    """Attribute values: floats with None for NaN."""
    return [None if value != value else value for value in column.tolist()]
