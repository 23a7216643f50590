"""Move readings from where the position was recorded to the midpoints of the coil pairs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..options import check_words
from ..progress import Progress, advance, keep_going, portion
from ..readings import FloatArray, Qc, Readings
from ..words import in_unit, plural
from .walk.heading import WINDOW
from .walk.resample import EVEN, resampled
from .walk.spacings import by_spacing
from .walk.walked import Walked, never_falling, usual_step, walked_of, walking_order

METHODS = ("move", "common")
PLACES = ("first_channel", "as_recorded")
LAG_UNITS = ("seconds", "map_units")

FAR = 20.0
"""Metres from the transmitter that no antenna or mark is: what is more was told in another unit."""

GAP = 4.0
"""Usual reading intervals between two readings that are bridged, unless told otherwise."""


@dataclass(frozen=True)
class PlaceOptions:
    """Where the coils are against the recorded position, and what is done about it.

    Parameters
    ----------
    method
        ``"move"`` the points to the one midpoint that all channels share; or ``"common"``: one set
        of points, to which channels are resampled along the traverse.
    places
        For ``"common"``: at the midpoints of the ``"first_channel"``, whose values stay as they
        are; or the points ``"as_recorded"``.
    ahead, right
        How far the point whose position was recorded (antenna, mark) lies ahead of the transmitter,
        in the direction of travel, and to the right of it, map units.
    lag
        How late readings are stamped: how long, or how far, the recorded position lies ahead.
    lag_unit
        ``"seconds"`` or ``"map_units"``.
    window
        Path that a direction is taken from, map units; None for `WINDOW` metres.
    gap
        For ``"common"``: longest distance between two readings that is bridged, map units; None for
        `GAP` usual reading intervals.
    metre
        Map units in a metre, for the coil spacings.

    Raises
    ------
    ValueError
        If a word is unknown, a number out of range, or the choices do not go together.
    """

    method: str = "move"
    places: str = "first_channel"
    ahead: float = 0.0
    right: float = 0.0
    lag: float = 0.0
    lag_unit: str = "seconds"
    window: float | None = None
    gap: float | None = None
    metre: float = 1.0

    def __post_init__(self) -> None:
        check_words(
            ("Method", self.method, METHODS),
            ("Choice of places", self.places, PLACES),
            ("Unit of the lag", self.lag_unit, LAG_UNITS),
        )
        for what, number in (("window of the direction", self.window), ("longest gap", self.gap)):
            if number is not None and not number > 0:
                raise ValueError(f"The {what} is {number:g}: give a length above 0.")
        if self.method == "common" and self.places == "as_recorded" and self.right != 0:
            raise ValueError(
                f"The coils pass {abs(self.right):g} map units beside the recorded positions, and "
                "values are only resampled along the traverse. Choose the midpoints of the first "
                "channel for the common places."
            )


@dataclass(frozen=True, eq=False)
class SensorPlacement:
    """Readings at their midpoints.

    Parameters
    ----------
    readings
        The same rows in the same order, moved or resampled.
    bearing
        Direction of travel, degrees clockwise from grid north, ``(n,)``; NaN where unknown.
    moved_ahead
        How far each reading was moved in that direction, map units, ``(n,)``.
    midpoint
        The coil spacing, metres, whose midpoints the points are at; None where they were left.
    figures, messages, warnings
        As of a `Correction`.
    """

    readings: Readings
    bearing: FloatArray
    moved_ahead: FloatArray
    midpoint: float | None
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def along(self, recorded: FloatArray) -> FloatArray:
        """Distances from the start of the traverse, ``(n,)``, brought along."""
        return recorded + self.moved_ahead


def placesensors(
    readings: Readings,
    spacings: Mapping[str, float],
    options: PlaceOptions | None = None,
    progress: Progress = keep_going,
) -> SensorPlacement:
    """Move readings to the midpoints of their coil pairs, or resample them to common places.

    The midpoint of a pair trails the front of the instrument, the transmitter, by half the coil
    spacing. With ``f`` the unit vector in the direction of travel and ``r`` to its right, a channel
    of coil spacing ``s`` recorded at ``p`` was measured at

        p - (ahead + s / 2 + lag) f - right r

    with the lag a distance, or a time multiplied by the speed over the window of the direction.

    A reading without a direction (of no traverse, or of one that leads nowhere) stays where it is
    and is flagged `Qc.DOUBTFUL_POSITION`, as are those whose direction is not their own.

    Resampled values: see `resample.resampled`. What is barred from informing others keeps its own
    value.

    Parameters
    ----------
    readings
        The channels to place.
    spacings
        Coil spacing of each channel, metres; see `spacings.spacings_of`.

    Raises
    ------
    ValueError
        If the points would have to go to several midpoints, or a time lag is given and times are
        missing.
    """
    options = options or PlaceOptions()
    if options.method == "move":
        _check_one_midpoint(readings.channels, spacings)
    window = WINDOW * options.metre if options.window is None else options.window
    timed = options.lag_unit == "seconds" and options.lag != 0
    walked = walked_of(readings, window, timed, portion(progress, 0.0, 0.6))
    half = np.array([spacings[name] for name in readings.channels]) * options.metre / 2
    late = options.lag * (walked.speed if timed else 1.0)
    late = np.where(np.isfinite(walked.bearing), late, 0.0)[:, np.newaxis]
    ahead = -(options.ahead + late + half)
    figures: dict[str, float | int | str] = {"readings": len(readings)}
    messages, warnings = _told(readings, walked, spacings, ahead, figures)
    warnings += _far_offsets(options)
    midpoint: float | None
    if options.method == "move" or options.places == "first_channel":
        found = _moved(readings, walked, ahead[:, 0], -options.right)
        to = np.where(np.isfinite(walked.bearing), ahead[:, 0], 0.0)
        midpoint = spacings[readings.channels[0]]
    else:
        found, to, midpoint = readings, np.zeros(len(readings)), None
    if options.method == "common":
        values, more = _common(
            readings, walked, ahead, to, options, figures, portion(progress, 0.6, 1)
        )
        found = found.with_values(values)
        warnings += more
    qc = np.where(walked.doubtful, readings.qc | int(Qc.DOUBTFUL_POSITION), readings.qc)
    return SensorPlacement(
        replace(found, qc=qc),
        walked.bearing,
        to,
        midpoint,
        figures,
        tuple(messages),
        tuple(warnings),
    )


def _check_one_midpoint(channels: Sequence[str], spacings: Mapping[str, float]) -> None:
    groups = by_spacing(channels, spacings)
    if len(groups) > 1:
        listed = "; ".join(
            f"{', '.join(names)} ({spacing:g} m)" for spacing, names in groups.items()
        )
        raise ValueError(
            f"The channels have several coil spacings and so several midpoints: {listed}. Points "
            "can be moved to one: run once for the channels of each spacing, or choose 'common'."
        )


def _moved(readings: Readings, walked: Walked, ahead: FloatArray, right: float) -> Readings:
    angle = np.radians(walked.bearing)
    east = ahead * np.sin(angle) + right * np.cos(angle)
    north = ahead * np.cos(angle) - right * np.sin(angle)
    return replace(
        readings, x=readings.x + np.nan_to_num(east), y=readings.y + np.nan_to_num(north)
    )


def _common(
    readings: Readings,
    walked: Walked,
    ahead: FloatArray,
    to: FloatArray,
    options: PlaceOptions,
    figures: dict[str, float | int | str],
    progress: Progress,
) -> tuple[FloatArray, list[str]]:
    """Every channel at places `to` ahead of the recorded ones, and what could not be told."""
    numbers, rows = walking_order(readings, walked)
    way = walked.progress[rows]
    gap = GAP * usual_step(numbers, way) if options.gap is None else options.gap
    values, usable = readings.values.copy(), readings.usable
    warnings = []
    for k, name in enumerate(readings.channels):
        advance(progress, k / len(readings.channels))
        own, wanted = ahead[rows, k], to[rows]
        if np.abs(own - wanted).max(initial=0.0) <= EVEN:
            continue
        place = never_falling(numbers, way + own)
        found = resampled(
            numbers, place, readings.values[rows, k], usable[rows, k], way + wanted, gap
        )
        # What is barred from informing others keeps its own value.
        barred = ~usable[rows, k] & np.isfinite(readings.values[rows, k])
        values[rows, k] = np.where(barred, readings.values[rows, k], found.values)
        for what, lost in (("beyond", found.beyond), ("gaps", found.in_gap)):
            figures[f"{what} {name}"] = int(np.count_nonzero(lost & ~barred))
        beyond, gaps = (int(figures[f"{what} {name}"]) for what in ("beyond", "gaps"))
        if beyond or gaps:
            warnings.append(
                f"{name}: {plural(beyond, 'place')} beyond the first or last midpoint of a "
                f"traverse and {plural(gaps, 'place')} in gaps longer than {gap:.3g} map units "
                "have no value now."
            )
    return values, warnings


def _far_offsets(options: PlaceOptions) -> list[str]:
    """What is asked where the recorded point is told to lie far from the transmitter."""
    return [
        f"The recorded point is told to lie {in_unit(abs(offset), 'map units')} {where} the "
        "transmitter: metres, not centimetres?"
        for offset, where in (
            (options.ahead, "ahead of" if options.ahead > 0 else "behind"),
            (options.right, "to the right of" if options.right > 0 else "to the left of"),
        )
        if abs(offset) > FAR * options.metre
    ]


def _told(
    readings: Readings,
    walked: Walked,
    spacings: Mapping[str, float],
    ahead: FloatArray,
    figures: dict[str, float | int | str],
) -> tuple[list[str], list[str]]:
    """What is said about where the midpoints lie and about directions."""
    known = np.isfinite(walked.bearing)
    messages, warnings = [], []
    for spacing, names in by_spacing(readings.channels, spacings).items():
        shift = ahead[known, readings.channels.index(names[0])]
        usual = float(np.median(shift)) if len(shift) else 0.0
        figures[f"ahead {spacing:g} m"] = float(f"{usual:.4g}")
        side = "ahead of" if usual > 0 else "behind"
        where = f"{in_unit(abs(usual), 'map units')} {side}" if usual else "at"
        messages.append(
            f"Coil spacing {spacing:g} m ({', '.join(names)}): midpoints {where} the recorded "
            "positions, along the direction of travel."
        )
    there = np.isfinite(readings.x) & np.isfinite(readings.y)
    stay = int(np.count_nonzero(there & ~known))
    unsure = int(np.count_nonzero(walked.doubtful & known))
    figures["without direction"], figures["direction doubtful"] = stay, unsure
    if stay:
        warnings.append(
            "Left where recorded, for want of a direction (bit 16 in qc): "
            f"{plural(stay, 'reading')} of no traverse, or of one that leads nowhere."
        )
    if unsure:
        warnings.append(
            "Placed by the direction before, where the walk stood still or turned (bit 16 in qc): "
            f"{plural(unsure, 'reading')}."
        )
    return messages, warnings
