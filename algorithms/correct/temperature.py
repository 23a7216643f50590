"""Refer conductivity to a reference temperature: warm ground conducts better than cold ground."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ..options import check_words
from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, Correction, FloatArray, IntArray, Readings
from .driftbase import clock

MODELS = ("exponential", "ratio", "handbook")
COLDEST, WARMEST = -5.0, 60.0
"""Soil temperatures that are believed, °C."""

FITTED = (3.0, 47.0)
"""What the factors of 'exponential' and 'handbook' were fitted to, °C."""

_CONDUCTIVITY = re.compile(
    r"[mµμudn]?(S|mho)\s*(/\s*c?m|[ ·.*]?\s*c?m\s*(\^?-1|⁻¹))", re.IGNORECASE
)


@dataclass(frozen=True)
class TemperatureOptions:
    """How conductivity depends on temperature.

    Parameters
    ----------
    model
        ``"exponential"``, ``"ratio"`` or ``"handbook"``: see `factor_to_25`.
    rate
        Of ``"ratio"``: rise of the conductivity per degree, a share of that at 25 °C.
    reference
        Temperature that the conductivity is referred to, °C.

    Raises
    ------
    ValueError
        If the model is unknown or a number out of its range.
    """

    model: str = "exponential"
    rate: float = 0.0191
    reference: float = 25.0

    def __post_init__(self) -> None:
        check_words(("Model", self.model, MODELS))
        if not 0 < self.rate < 0.1:
            raise ValueError(
                f"The rate is {self.rate:g} per degree: give a share above 0 and below 0.1, such "
                "as 0.0191 for 1.91 % per degree."
            )
        if not COLDEST <= self.reference <= WARMEST:
            raise ValueError(
                f"The reference temperature is {self.reference:g} °C: choose one from "
                f"{COLDEST:g} to {WARMEST:g} °C."
            )


def temperature(
    readings: Readings,
    degrees: npt.ArrayLike,
    options: TemperatureOptions | None = None,
    *,
    channels: Sequence[str] | None = None,
    progress: Progress = keep_going,
) -> Correction:
    """Multiply conductivity by the factor that refers it to the reference temperature.

    Parameters
    ----------
    degrees
        Temperature of the soil at the depth measured, °C: one for all readings or shape ``(n,)``.
    channels
        Channels to correct; None for those whose unit is one of conductivity. The others are left
        as they are: the in-phase part does not follow temperature this way.

    Raises
    ------
    ValueError
        If no channel is a conductivity, a channel named is of another unit, or a temperature is
        missing or out of its bounds.

    Examples
    --------
    >>> r = Readings.build(x=[0], y=[0], values=[10.0], units=["mS/m"])
    >>> temperature(r, 15.0).readings.values.round(2).tolist()
    [[12.49]]
    """
    options = options or TemperatureOptions()
    columns = _columns(readings, channels)
    soil: FloatArray = np.broadcast_to(np.asarray(degrees, np.float64), len(readings))
    needed = np.count_nonzero(np.isfinite(readings.values[:, columns]), axis=1) > 0
    _check_degrees(soil, needed)
    advance(progress, 0.2)
    factor = factor_to(soil, options)
    values = readings.values.copy()
    values[:, columns] *= factor[:, np.newaxis]
    names = [readings.channels[k] for k in columns]
    left = [name for name in readings.channels if name not in names]
    felt, used = soil[needed], factor[needed]
    figures: dict[str, float | int | str] = {}
    messages = []
    if len(felt):
        for what, column in (("temperature", felt), ("factor", used)):
            figures[f"lowest {what}"] = float(f"{column.min():.4g}")
            figures[f"highest {what}"] = float(f"{column.max():.4g}")
        messages.append(
            f"{', '.join(names)}: multiplied by {_span(used, '.3f')}, for soil at "
            f"{_span(felt, '.1f')} °C referred to {options.reference:g} °C."
        )
    if left:
        messages.append(
            f"Left as they are, being no conductivity by their unit: {', '.join(left)}."
        )
    advance(progress, 1.0)
    return Correction(
        readings.with_values(values),
        figures,
        tuple(messages),
        _warnings(readings, columns, felt, options),
    )


def factor_to(degrees: FloatArray, options: TemperatureOptions) -> FloatArray:
    """What conductivity at `degrees` is multiplied by to refer it to the reference temperature.

    Raises
    ------
    ValueError
        If the model's conductivity reaches zero at one of the temperatures.

    Examples
    --------
    >>> factor_to(np.array([15.0, 25.0]), TemperatureOptions("ratio")).round(4).tolist()
    [1.2361, 1.0]
    """
    found = factor_to_25(degrees, options.model, options.rate)
    if options.reference == 25.0:
        return found  # as published, though the exponential is 0.9994 at 25 °C
    return found / factor_to_25(np.array([options.reference]), options.model, options.rate)


def factor_to_25(degrees: FloatArray, model: str, rate: float) -> FloatArray:
    """Conductivity at 25 °C over that at `degrees` (°C), by a published model.

    ``"exponential"``: ``0.4470 + 1.4034 exp(-T / 26.815)``, a fit to the factors of Handbook 60.
    ``"ratio"``: ``1 / (1 + rate (T - 25))``.
    ``"handbook"``: ``1 - 0.20346 t + 0.03822 t² - 0.00555 t³`` with ``t = (T - 25) / 10``, another
    fit to the same factors.

    References
    ----------
    Exponential: K. R. Sheets and J. M. H. Hendrickx (1995), *Noninvasive soil water content
    measurement using electromagnetic induction*, Water Resources Research 31, 2401-2409, as
    corrected in D. L. Corwin and S. M. Lesch (2005), *Apparent soil electrical conductivity
    measurements in agriculture*, Computers and Electronics in Agriculture 46, 11-43. Ratio, from
    memory: R. Ma et al. (2011), *Comparing temperature correction models for soil electrical
    conductivity measurement*, Precision Agriculture 12, 55-66. Handbook, from memory: J. D.
    Rhoades, F. Chanduvi and S. Lesch (1999), *Soil salinity assessment*, FAO Irrigation and
    Drainage Paper 57; the factors: US Salinity Laboratory (1954), Agriculture Handbook 60, Table
    15.
    """
    if model == "exponential":
        found: FloatArray = 0.4470 + 1.4034 * np.exp(-degrees / 26.815)
    elif model == "handbook":
        t = (degrees - 25.0) / 10.0
        found = 1.0 + t * (-0.20346 + t * (0.03822 - t * 0.00555))
    else:
        share = 1.0 + rate * (degrees - 25.0)
        if (share <= 0).any():
            raise ValueError(
                f"With {rate:g} per degree, the ground would conduct nothing at "
                f"{np.nanmin(degrees):g} °C. Choose a lower rate or another model."
            )
        found = 1.0 / share
    return found


def is_conductivity(unit: str) -> bool:
    """Tell whether a unit is one of conductivity: siemens per length, in any usual writing.

    Examples
    --------
    >>> [is_conductivity(unit) for unit in ("mS/m", "µS/cm", "dS m-1", "ppt", "")]
    [True, True, True, False, False]
    """
    return _CONDUCTIVITY.fullmatch(unit.strip()) is not None


def logged_temperature(
    readings: Readings,
    log: Readings,
    *,
    extend: bool = False,
    day: IntArray | None = None,
    log_day: IntArray | None = None,
) -> FloatArray:
    """Temperature of each reading, straight in time between the entries of a temperature log.

    Parameters
    ----------
    log
        One row an entry; its first channel is the temperature, °C.
    extend
        Hold the first and last entry for readings taken before and after them. Otherwise such
        readings are refused.
    day, log_day
        Code of the day of each reading and entry; None for one day.

    Returns
    -------
    array
        Shape ``(n,)``, °C.

    Raises
    ------
    ValueError
        If a reading has no time or lies outside the log of its day without `extend`.

    Examples
    --------
    >>> log = Readings.build(x=[0, 0], y=[0, 0], values=[10.0, 14.0], time=[0, 3600])
    >>> r = Readings.build(x=[0], y=[0], values=[1.0], time=[900])
    >>> logged_temperature(r, log).tolist()
    [11.0]
    """
    days = np.zeros(len(readings), np.int64) if day is None else day
    log_days = np.zeros(len(log), np.int64) if log_day is None else log_day
    untimed = np.flatnonzero(~np.isfinite(readings.time))
    if len(untimed):
        raise ValueError(
            f"{len(untimed):,} readings have no time, the first of them reading {untimed[0] + 1}: "
            "their temperature is unknown. Fill in the time, or leave them out."
        )
    told = log.usable[:, 0] & np.isfinite(log.time)
    found: FloatArray = np.full(len(readings), np.nan)
    for code in np.unique(days):
        rows = np.flatnonzero(days == code)
        entries = np.flatnonzero(told & (log_days == code))
        if not len(entries):
            raise ValueError(
                f"The temperature log has no entry with a time for the day of reading "
                f"{rows[0] + 1}. Add one, or correct that day by itself."
            )
        # Entries of one time count by their mean.
        times, place = np.unique(log.time[entries], return_inverse=True)
        means = np.bincount(place, log.values[entries, 0]) / np.bincount(place)
        if not extend:
            _refuse_outside(readings.time[rows], rows, times)
        found[rows] = np.interp(readings.time[rows], times, means)
    return found


def _refuse_outside(time: FloatArray, rows: IntArray, entries: FloatArray) -> None:
    outside = np.flatnonzero((time < entries[0]) | (time > entries[-1]))
    if len(outside):
        first = outside[0]
        raise ValueError(
            f"{len(outside):,} readings were taken outside the temperature log, which runs from "
            f"{clock(entries[0])} to {clock(entries[-1])}: the first of them is reading "
            f"{rows[first] + 1}, at {clock(time[first])}. Add entries, or allow the log to be held "
            "beyond its ends."
        )


def _columns(readings: Readings, channels: Sequence[str] | None) -> list[int]:
    if channels is None:
        found = [k for k, unit in enumerate(readings.units) if is_conductivity(unit)]
        if not found:
            shown = ", ".join(
                f"{name} ({unit or 'no unit'})"
                for name, unit in zip(readings.channels, readings.units)
            )
            raise ValueError(
                f"No channel is a conductivity by its unit: {shown}. Choose the channels that are."
            )
        return found
    found = [readings.channels.index(name) for name in channels]
    for k in found:
        if readings.units[k] and not is_conductivity(readings.units[k]):
            raise ValueError(
                f"Channel '{readings.channels[k]}' is in {readings.units[k]}, which is no "
                "conductivity: temperature does not change it this way. Leave it out of the "
                "channels."
            )
    return found


def _check_degrees(soil: FloatArray, needed: BoolArray) -> None:
    unknown = np.flatnonzero(needed & ~np.isfinite(soil))
    if len(unknown):
        raise ValueError(
            f"{len(unknown):,} readings have no temperature, the first of them reading "
            f"{unknown[0] + 1}. Fill it in, or leave them out."
        )
    with np.errstate(invalid="ignore"):
        wrong = np.flatnonzero(needed & ((soil < COLDEST) | (soil > WARMEST)))
    if len(wrong):
        raise ValueError(
            f"Reading {wrong[0] + 1} has a soil temperature of {soil[wrong[0]]:g} °C; only "
            f"{COLDEST:g} to {WARMEST:g} °C is believed. Correct it, and give degrees Celsius."
        )


def _warnings(
    readings: Readings, columns: list[int], felt: FloatArray, options: TemperatureOptions
) -> tuple[str, ...]:
    found = []
    unknown = [readings.channels[k] for k in columns if not readings.units[k]]
    if unknown:
        found.append(f"{', '.join(unknown)}: no unit is known; taken for conductivity as chosen.")
    if len(felt) and felt.min() <= 0:
        found.append(
            f"Some soil was at {felt.min():.1f} °C. No factor holds for ground that is frozen."
        )
    low, high = FITTED
    if options.model != "ratio" and len(felt) and (felt.min() < low or felt.max() > high):
        found.append(
            f"Soil temperatures run from {felt.min():.1f} to {felt.max():.1f} °C; the model was "
            f"fitted from {low:g} to {high:g} °C."
        )
    return tuple(found)


def _span(column: FloatArray, form: str) -> str:
    low, high = format(column.min(), form), format(column.max(), form)
    return low if low == high else f"{low} to {high}"
