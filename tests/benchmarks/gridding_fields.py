"""Fields that gridding is scored on, each read along traverses: dense along, sparse across."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tools"), str(ROOT / "sample_layers")]

from host import import_checkout  # noqa: E402

import_checkout()

from lynchet.algorithms.readings import Readings  # noqa: E402


@dataclass(frozen=True)
class Field:
    """Readings along straight parallel traverses.

    Parameters
    ----------
    name
        As the table shows it.
    readings
        The survey, without holes: every value finite.
    traverse
        Number of the line each reading lies on, from 0, counted across; traverses that continue
        each other in the next data grid share a number. Shape ``(n,)``.
    across, along
        Place of each reading in the traverses' own system, shape ``(n,)``.
    separation, interval
        Distance between traverses and between readings.
    truth
        The field itself at the readings, without noise and faults, shape ``(n, c)``.
    unit
        What errors of each channel are measured in, shape ``(c,)``.
    every
        Of the readings of a traverse, one in so many is scored: they lie closer than anything
        changes, and each costs time.
    spots
        Rows close to bodies so small and strong that they outweigh all else, shape ``(n,)``.
    """

    name: str
    readings: Readings
    traverse: np.ndarray
    across: np.ndarray
    along: np.ndarray
    separation: float
    interval: float
    truth: np.ndarray
    unit: np.ndarray
    every: int = 1
    spots: np.ndarray = None

    def __post_init__(self):
        if self.spots is None:
            object.__setattr__(self, "spots", np.zeros(len(self.traverse), bool))

    @property
    def scored(self) -> np.ndarray:
        """Rows that are scored: those of the outermost traverses are not, shape ``(n,)``."""
        inside = (self.traverse > 0) & (self.traverse < self.traverse.max())
        step = np.round((self.along - self.along.min()) / self.interval).astype(int)
        return inside & (step % self.every == self.every // 2)

    def without(self, rows: np.ndarray) -> Readings:
        """The readings less those of some rows (a mask)."""
        kept = ~rows
        r = self.readings
        return Readings.build(
            x=r.x[kept], y=r.y[kept], values=r.values[kept], channels=r.channels, units=r.units,
            line=r.line[kept], sequence=r.sequence[kept],
            grid=[r.grid_names[code] for code in r.grid[kept]],
        )  # fmt: skip


def walked(name, size, spacing, field, noise, bearing=0.0, unit=1.0, every=1) -> Field:
    """A field read zigzag from a corner; `field` gives ``(c, n)`` from places across and along."""
    lines, count = (round(side / step) + 1 for side, step in zip(size, spacing))
    across, along = np.meshgrid(
        np.linspace(0, size[0], lines), np.linspace(0, size[1], count), indexing="ij"
    )
    truth = np.atleast_2d(field(across.ravel(), along.ravel())).T
    values = truth + noise((lines, count), truth.shape[1])
    order = np.tile(np.arange(count), (lines, 1))
    order[1::2] = order[1::2, ::-1]
    number = np.repeat(np.arange(lines), count)
    place = (across + 1j * along).ravel() * np.exp(-1j * np.radians(bearing))
    readings = Readings.build(
        x=430_000 + place.real, y=5_900_000 + place.imag, values=values,
        line=number + 1, sequence=order.ravel(),
    )  # fmt: skip
    return Field(
        name, readings, number, across.ravel(), along.ravel(), *spacing, truth,
        np.full(truth.shape[1], unit), every,
    )  # fmt: skip


def no_noise(shape, channels):
    """Readings without error."""
    return np.zeros((shape[0] * shape[1], channels))


def franke(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """The usual test function of scattered-data interpolation, on the unit square.

    R. Franke (1982), "Scattered data interpolation: tests of some methods", Mathematics of
    Computation 38, 181-200: two peaks and a dip on a slope.
    """
    a, b = 9 * x, 9 * y
    return (
        0.75 * np.exp(-((a - 2) ** 2 + (b - 2) ** 2) / 4)
        + 0.75 * np.exp(-((a + 1) ** 2) / 49 - (b + 1) / 10)
        + 0.5 * np.exp(-((a - 7) ** 2 + (b - 3) ** 2) / 4)
        - 0.2 * np.exp(-((a - 4) ** 2) - (b - 7) ** 2)
    )


def franke_field(bearing: float) -> Field:
    """Franke's function, 21 traverses of 81 readings, without noise; errors in thousandths."""
    name = "Franke" if bearing == 0 else f"Franke at {bearing:g}"
    return walked(name, (1.0, 1.0), (0.05, 0.0125), franke, no_noise, bearing, 1e-3)


GROUNDS = 4
"""Grounds of the second field: as many channels, read at the same places."""
SIDE = 20.0
NOISE = 0.15


def fractal_soil(rng, u, v):
    """Soil of a power-law spectrum: waves of 0.6 to 40 m, their height as the root of the length.

    In two dimensions a spectral density falling as the third power of the wave number: as rough
    as soil maps are (P. A. Burrough 1981, "Fractal dimensions of landscapes and other
    environmental data", Nature 294, 240-242: fractal dimensions of 1.5 and more along a line).
    """
    field = np.zeros_like(u)
    lengths = np.geomspace(0.6, 40.0, 120) * rng.uniform(0.95, 1.05, 120)
    for length in lengths:
        way, phase = rng.uniform(0, 2 * np.pi, 2)
        wave = 2 * np.pi * (u * np.cos(way) + v * np.sin(way)) / length
        field += np.sqrt(length) * np.cos(wave + phase)
    return field


def ditch(u, v, at, angle, breadth, height, half=30.0):
    """A ditch through `at`, `angle` degrees off the traverses, `half` its length to either side.

    As the coils see it: soft sides, and a slight low along both (their sensitivity changes sign).
    """
    a = np.radians(angle)
    off = (u - at[0]) * np.cos(a) - (v - at[1]) * np.sin(a)
    on = (u - at[0]) * np.sin(a) + (v - at[1]) * np.cos(a)
    ends = 1 / (1 + np.exp(-(half - np.abs(on)) / 0.15))
    core = np.exp(-0.5 * (off / breadth) ** 2) - 0.25 * np.exp(-0.5 * (off / (2 * breadth)) ** 2)
    return height * core * ends


def pit(u, v, at, radius, height):
    """A round pit, as the coils see it."""
    off = np.hypot(u - at[0], v - at[1]) / radius
    return height * (np.exp(-0.5 * off**2) - 0.25 * np.exp(-0.125 * off**2))


def buried(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """The invented grounds, shape ``(GROUNDS, n)``: soil, ditches of every direction, pits."""
    grounds = []
    for number in range(GROUNDS):
        rng = np.random.RandomState(1982 + number)
        soil = fractal_soil(rng, u, v)
        ground = 20 + soil * (1.0 / 16.0)
        for angle, half in ((0, 5), (rng.uniform(10, 30), 7), (rng.uniform(35, 70), 30),
                            (-rng.uniform(35, 70), 6), (90, 8)):  # fmt: skip
            at = rng.uniform(3, SIDE - 3, 2)
            ground += ditch(u, v, at, angle, rng.uniform(0.4, 0.6), rng.uniform(1.5, 4), half)
        for _ in range(8):
            at, radius = rng.uniform(1, SIDE - 1, 2), rng.uniform(0.4, 0.8)
            ground += pit(u, v, at, radius, rng.uniform(1.5, 5) * rng.choice([-1, 1, 1]))
        grounds.append(ground)
    return np.array(grounds)


def instrument_noise(shape, channels):
    """White noise, and what levelling leaves of offsets of traverses (a third of it)."""
    rng = np.random.RandomState(31)
    white = rng.normal(size=(shape[0] * shape[1], channels)) * NOISE
    lines = rng.normal(size=(shape[0], channels)) * NOISE / 3
    return white + np.repeat(lines, shape[1], axis=0)


def buried_field() -> Field:
    """One data grid over fractal soil with planted bodies; errors in units of the noise."""
    return walked("bodies", (SIDE, SIDE), (0.5, 0.125), buried, instrument_noise, 0.0, NOISE, 2)


METAL = ("post", "hearth")
NEAR_METAL = 2.5


def near_metal(u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Which places of the sample survey lie within `NEAR_METAL` of the iron post or the hearth."""
    from quillmere import features

    near = np.zeros(u.shape, bool)
    for feature in features():
        if feature.kind in METAL:
            centre = np.vstack(feature.rings).mean(axis=0)
            near |= np.hypot(u - centre[0], v - centre[1]) < NEAR_METAL
    return near


def sample_field() -> Field:
    """The sample survey as recorded, corrected by our own chain as the demo does; errors in units
    of each channel's noise. Readings that are missing are left out."""
    from lynchet.algorithms.correct.alignpasses import AlignOptions, alignpasses
    from lynchet.algorithms.correct.balancegrids import balancegrids
    from lynchet.algorithms.correct.despike import despike
    from lynchet.algorithms.correct.driftbase import driftbase
    from lynchet.algorithms.correct.levellines import levellines
    from quillmere import CHANNELS, GRIDS, UNITS, to_map
    from walk import INTERVAL, SEPARATION, survey
    from walk import NOISE as noise

    walks, visits = survey()
    parts = [walks[name] for name in GRIDS]
    column = lambda name: np.concatenate([getattr(part, name) for part in parts])  # noqa: E731
    u, v = column("u"), column("v")
    x, y = to_map(u, v)
    names = np.repeat(list(GRIDS), [len(part.u) for part in parts])
    recorded = Readings.build(
        x=x, y=y, values=column("recorded"), channels=CHANNELS, units=UNITS, line=column("line"),
        sequence=column("reading"), grid=names.tolist(), time=column("time"),
    )  # fmt: skip
    base = Readings.build(
        x=np.concatenate([x for _, _, x, _, _ in visits]),
        y=np.concatenate([y for _, _, _, y, _ in visits]),
        values=np.concatenate([values for *_, values in visits]),
        channels=CHANNELS,
        time=np.concatenate([time for _, time, *_ in visits]),
    )
    done = levellines(driftbase(despike(recorded).readings, base).readings).readings
    done = alignpasses(done, AlignOptions(application="resample")).readings
    done = balancegrids(done).readings
    kept = np.isfinite(done.values).all(axis=1)
    readings = Readings.build(
        x=x[kept], y=y[kept], values=done.values[kept], channels=CHANNELS, units=UNITS,
        line=done.line[kept], sequence=done.sequence[kept], grid=names[kept].tolist(),
    )  # fmt: skip
    traverse = np.round(u / SEPARATION - 0.5).astype(int)
    return Field(
        "sample", readings, traverse[kept], u[kept], v[kept], SEPARATION, INTERVAL,
        column("clean")[kept], noise, 4, near_metal(u, v)[kept],
    )  # fmt: skip


FIELDS: dict[str, Callable[[], Field]] = {
    "Franke": lambda: franke_field(0.0),
    "Franke at 37": lambda: franke_field(37.0),
    "bodies": buried_field,
    "sample": sample_field,
}
"""Every field of the table, made when asked for."""
