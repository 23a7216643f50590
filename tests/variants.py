"""Randomised invented surveys of four data grids: ground as formulas, every fault by itself.

Ground and bodies are functions of position, so that a lagged reading can be taken where the coils
really were. Used by the tests of the corrections and by the table of their scores.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lynchet.algorithms.readings import Readings

SIDE, SEPARATION, INTERVAL = 20.0, 0.5, 0.125
LINES, COUNT = 40, 160
GRIDS = {"A1": (0.0, 0.0), "A2": (20.0, 0.0), "B1": (0.0, 20.0), "B2": (20.0, 20.0)}
TIES = (4.05, 10.05, 15.95, 24.05, 30.05, 35.95)
NOISE = 0.15
SPEED, TURN = 1.0, 6.0


@dataclass(frozen=True)
class Variant:
    """One survey: what is in the ground, where and when it was walked, and its noise."""

    seed: int
    u: np.ndarray
    v: np.ndarray
    line: np.ndarray
    sequence: np.ndarray
    grid: np.ndarray
    time: np.ndarray
    way: np.ndarray
    noise: np.ndarray
    tie: np.ndarray

    def soil(self, u, v):
        """Waves of 20 to 45 map units and a slope."""
        rng = np.random.default_rng(self.seed)
        field = 20 + 0.04 * rng.normal() * u + 0.04 * rng.normal() * v
        for _ in range(4):
            length = rng.uniform(20, 45)
            way, phase = rng.uniform(0, np.pi), rng.uniform(0, 2 * np.pi)
            field = field + 0.8 * np.cos(
                2 * np.pi * (u * np.cos(way) + v * np.sin(way)) / length + phase
            )
        return field

    def bodies(self, u, v):
        """Ditches parallel and oblique to the traverses and across them, and pits."""
        rng = np.random.default_rng(self.seed + 500)
        field = np.zeros(np.shape(u))
        for angle, high, length in (
            (0, 4.0, 9), (0, -2.5, 8), (rng.uniform(8, 20), 3.0, 30),
            (rng.uniform(30, 60), 3.5, 60), (rng.uniform(120, 150), -2.5, 40), (90, 3.0, 40),
        ):  # fmt: skip
            u0, v0 = rng.uniform(4, 36, 2)
            a, wide = np.radians(angle), rng.uniform(0.35, 0.55)
            off = (u - u0) * np.cos(a) - (v - v0) * np.sin(a)
            on = (u - u0) * np.sin(a) + (v - v0) * np.cos(a)
            ends = 1 / (1 + np.exp(-np.clip((length / 2 - np.abs(on)) / 0.15, -50, 50)))
            field += high * np.exp(-0.5 * (off / wide) ** 2) * ends
        for _ in range(20):
            u0, v0 = rng.uniform(1, 39, 2)
            wide, high = rng.uniform(0.4, 0.9), rng.uniform(1, 6)
            field += high * np.exp(-0.5 * ((u - u0) ** 2 + (v - v0) ** 2) / wide**2)
        return field

    @property
    def ground(self):
        """Soil and bodies at the readings' nominal places, ``(n,)``."""
        return self.soil(self.u, self.v) + self.bodies(self.u, self.v)

    @property
    def anomalies(self):
        """The bodies alone at the nominal places."""
        return self.bodies(self.u, self.v)

    def readings(self, values, turn=20.0) -> Readings:
        """The survey with these values of one channel, turned to a map."""
        place = (self.u + 1j * self.v) * np.exp(-1j * np.radians(turn)) + complex(4e5, 5.9e6)
        return Readings.build(
            x=place.real, y=place.imag, values=values, channels=["ec"], units=["mS/m"],
            line=self.line, sequence=self.sequence, grid=self.grid.tolist(), time=self.time,
        )  # fmt: skip

    # -- faults, each apart ----------------------------------------------------------------

    def random(self, number):
        """A stream of its own for each fault."""
        return np.random.default_rng([self.seed, number])

    def spikes(self, share=0.01):
        """Single readings off by 3 to 30 units."""
        rng = self.random(1)
        hit = rng.uniform(size=len(self.u)) < share
        return hit * rng.uniform(3, 30, len(hit)) * rng.choice([-1.0, 1.0], len(hit))

    def line_offsets(self, sigma=0.8):
        """A random offset a traverse."""
        rng = self.random(2)
        number = np.unique(
            np.column_stack([np.unique(self.grid, return_inverse=True)[1].ravel(), self.line]),
            axis=0, return_inverse=True,
        )[1].ravel()  # fmt: skip
        return rng.normal(0, sigma, number.max() + 1)[number]

    def heading(self, size=0.6):
        """What walking the one way adds, and the other takes."""
        return self.way * size / 2 * ~self.tie

    def drift(self, size=3.0):
        """Warming up, and a slow sway."""
        rng = self.random(3)
        hours = self.time / 3600
        warm = size * (1 - np.exp(-hours / rng.uniform(0.4, 0.8)))
        sway = 0.2 * size * np.sin(2 * np.pi * hours / rng.uniform(0.7, 1.4) + rng.uniform(0, 6))
        return warm + sway - (warm + sway)[0]

    def grid_offsets(self, sigma=0.8):
        """An offset a data grid."""
        rng = self.random(4)
        names = sorted(GRIDS)
        amount = dict(zip(names, rng.normal(0, sigma, len(names))))
        return np.array([amount.get(name, 0.0) for name in self.grid])

    def late(self, lag):
        """What is read when every reading is stamped `lag` map units ahead of where it was."""
        v = self.v - lag * self.way * ~self.tie
        return self.soil(self.u, v) + self.bodies(self.u, v)


def variant(seed: int, ties: bool = False) -> Variant:
    """Walk a survey zigzag, one data grid after the other, and tie lines across if wanted."""
    parts = []
    clock = 0.0
    walked = (np.arange(COUNT) + 0.5) * INTERVAL
    for name, (u0, v0) in GRIDS.items():
        clock += 120.0
        for k in range(LINES):
            way = 1.0 if k % 2 == 0 else -1.0
            v = v0 + (walked if way > 0 else SIDE - walked)
            u = np.full(COUNT, u0 + (k + 0.5) * SEPARATION)
            time = clock + walked / SPEED
            clock = float(time[-1]) + TURN
            parts.append((u, v, k + 1, name, time, way, False))
    if ties:
        clock += 300.0
        along = np.arange(0.0625, 40.0, INTERVAL)
        for k, v0 in enumerate(TIES):
            time = clock + along / SPEED
            clock = float(time[-1]) + TURN
            parts.append((along, np.full(len(along), v0), k + 1, "ties", time, 0.0, True))
    lengths = [len(part[0]) for part in parts]
    spread = lambda place: np.repeat([part[place] for part in parts], lengths)  # noqa: E731
    n = sum(lengths)
    return Variant(
        seed=seed,
        u=np.concatenate([part[0] for part in parts]),
        v=np.concatenate([part[1] for part in parts]),
        line=spread(2),
        sequence=np.concatenate([np.arange(length) for length in lengths]),
        grid=spread(3),
        time=np.concatenate([part[4] for part in parts]),
        way=spread(5),
        noise=np.random.default_rng([seed, 0]).normal(0, NOISE, n),
        tie=spread(6),
    )


def left(corrected, wanted, fault) -> float:
    """Share of the fault's variance that is left; a general level is nobody's fault."""
    rest = corrected - wanted
    return float(np.nanvar(rest) / np.var(fault))


def rms(difference) -> float:
    """Root mean square, NaN left out."""
    return float(np.sqrt(np.nanmean(np.square(difference))))


def touched(corrected, before, anomalies) -> float:
    """Energy of the change where anomalies are, as a share of their energy."""
    on = np.abs(anomalies) > 0.1
    change = corrected - before
    change = change - np.nanmean(change)
    return float(np.nansum(change[on] ** 2) / np.sum(anomalies[on] ** 2))
