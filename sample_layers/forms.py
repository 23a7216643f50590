"""The readings of the data grids as other loggers would have kept them.

The very readings of `quillmere_g1.csv` and its like, in three other forms: a file of numbers for
each data grid and channel, a walk with distance marks, a stream with satellite positions.
"""

from __future__ import annotations

import json
from functools import reduce
from operator import xor
from pathlib import Path

import numpy as np
from quillmere import CHANNELS, GRIDS, UNITS, to_map
from text import DECIMALS, cells, clock, write
from utm import longitude_latitude
from walk import ANTENNA_AHEAD, INTERVAL, SPEED, TURN, Walked

MISSING = "-9999"
FIRST_MARK = 2.5
MARK_SPACING = 5.0
MISSED = ("G2", 7, 2)
DOUBLED = ("G3", 12, 3)
"""Data grid, traverse and mark where the operator's thumb erred."""

ZONE = 3600.0
"""The logger's clock is ahead of universal time by this much, seconds."""
OVERRUN = 2.0
JITTER = 0.008
LEAD = 10
FLOATING = ("G3", 300, 320)
LOST = ("G1", 485, 487)
GARBLED = ("G2", 700)


def write_data_grids(out: Path, walked: dict[str, Walked]) -> None:
    """A matrix a data grid and channel, a row a traverse as it was walked."""
    for grid in GRIDS:
        part = walked[grid]
        for k, name in enumerate(CHANNELS):
            lines = part.recorded[:, k].reshape(part.line.max(), -1)
            rows = [
                "\t".join(MISSING if v != v else f"{v:.{DECIMALS[k]}f}" for v in line)
                for line in lines.tolist()
            ]
            write(out / "data_grids" / f"quillmere_{grid.lower()}_{name}.txt", rows)


def write_marked(out: Path, walked: dict[str, Walked]) -> None:
    """Readings without numbers, a mark where a cane was passed since the reading before."""
    titles = [f"{name} [{unit}]" for name, unit in zip(CHANNELS, UNITS)]
    rows = [",".join(["grid", "line", "time", *titles, "mark"])]
    for grid in GRIDS:
        part = walked[grid]
        passed = np.floor(((part.reading - 0.5) * INTERVAL - FIRST_MARK) / MARK_SPACING) + 1
        before = np.floor(((part.reading - 1.5) * INTERVAL - FIRST_MARK) / MARK_SPACING) + 1
        marked = (passed > before) & (passed >= 1)
        missed = (grid == MISSED[0]) & (part.line == MISSED[1]) & (passed == MISSED[2])
        marked &= ~missed
        again = (grid == DOUBLED[0]) & (part.line == DOUBLED[1]) & (passed == DOUBLED[2])
        marked[np.flatnonzero(again & marked) + 2] = True
        for i, values in enumerate(part.recorded):
            rows.append(
                f"{grid},{part.line[i]},{clock(part.time[i])},{','.join(cells(values))},"
                f"{'M' if marked[i] else ''}"
            )
    write(out / "quillmere_marked.csv", rows)


def write_stream(out: Path, walked: dict[str, Walked]) -> None:
    """Readings and satellite positions as they came, with the recipe to read them by."""
    random = np.random.RandomState(11)
    rows = []
    for grid in GRIDS:
        part = walked[grid]
        first, last = int(part.time[0]) - LEAD, int(part.time[-1]) + LEAD
        seconds = np.arange(first, last + 1, dtype=float)
        u, v = antenna(part, seconds)
        wobble = random.normal(size=(2, len(u))) * JITTER
        lon, lat = longitude_latitude(*to_map(u + wobble[0], v + wobble[1]), zone=31)
        events = [
            (time, f"M {clock(time)} {' '.join(cells(values, '-'))}")
            for time, values in zip(part.time.tolist(), part.recorded)
        ]
        for k, (time, east, north) in enumerate(zip(seconds.tolist(), lon, lat)):
            if grid == LOST[0] and LOST[1] <= k < LOST[2]:
                continue
            quality = 5 if grid == FLOATING[0] and FLOATING[1] <= k < FLOATING[2] else 4
            text = sentence(gga(time - ZONE, east, north, quality))
            if (grid, k) == GARBLED:
                text = text.replace(",M,", ",?,", 1)
            events.append((time, text))
            if k % 10 == 0:
                events.append((time, sentence(rmc(time - ZONE, east, north))))
        rows += [text for _, text in sorted(events, key=lambda event: event[0])]
    write(out / "quillmere_stream.txt", rows, newline="\r\n")
    channels = [f"{k} = {n} [{unit}]" for k, (n, unit) in enumerate(zip(CHANNELS, UNITS), start=3)]
    recipe = {"begins": "M", "parted by": "blanks", "time": 2, "channels": channels}
    write(out / "quillmere_stream.json", [json.dumps(recipe, indent=2)])


def antenna(part: Walked, seconds: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Where the antenna is at these times: ahead on the traverse, round beyond its end."""
    lines = part.line.max()
    starts = part.time[part.reading == 1] - 0.5 * INTERVAL / SPEED
    number = np.clip(np.searchsorted(starts, seconds + OVERRUN / SPEED) - 1, 0, lines - 1)
    since = (seconds - starts[number]) * SPEED
    length = part.reading.max() * INTERVAL
    up = np.where(number % 2 == 0, 1.0, -1.0)
    u = part.u[part.reading == 1][number]
    # From the overrun's end, round within what the turn leaves of time.
    step = part.u[part.reading == 1][1] - part.u[0]
    beyond = length + OVERRUN
    share = np.clip((since - beyond) / (TURN * SPEED - 2 * OVERRUN), 0.0, 1.0)
    along = np.where((number == 0) & (since < -OVERRUN), -OVERRUN, np.minimum(since, beyond))
    end = (number == lines - 1) & (since > beyond)
    share = np.where(end, 0.0, share)
    angle = np.pi * share
    low = part.v.min() - INTERVAL / 2
    v_end = np.where(up > 0, low + along, low + length - along)
    u_at = u + step / 2 * (1 - np.cos(angle))
    v_at = v_end + up * step / 2 * np.sin(angle)
    # Heading from v towards u: turns by half a circle.
    return (
        u_at + ANTENNA_AHEAD * np.sin(angle),
        v_at + ANTENNA_AHEAD * up * np.cos(angle),
    )


def gga(time: float, lon: float, lat: float, quality: int) -> str:
    """A fix as the body of an NMEA 0183 GGA sentence."""
    place = f"{degrees(lat, 2)},N,{degrees(lon, 3)},E"
    return f"GNGGA,{utc(time)},{place},{quality},14,0.7,3.2,M,44.1,M,1.0,0001"


def rmc(time: float, lon: float, lat: float) -> str:
    """A fix as the body of an NMEA 0183 RMC sentence."""
    return f"GNRMC,{utc(time)},A,{degrees(lat, 2)},N,{degrees(lon, 3)},E,1.9,,140531,,,A"


def utc(seconds: float) -> str:
    """Seconds as hhmmss.ss."""
    return clock(seconds).replace(":", "")


def degrees(angle: float, digits: int) -> str:
    """Degrees as whole degrees and minutes run together."""
    whole = int(angle)
    return f"{whole:0{digits}d}{(angle - whole) * 60:010.7f}"


def sentence(body: str) -> str:
    """A body with its checksum."""
    return f"${body}*{reduce(xor, body.encode('ascii')):02X}"
