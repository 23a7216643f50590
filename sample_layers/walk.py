"""The invented survey of Quillmere: how it was walked and what went wrong on the way.

Every fault is an array of its own, so that each can be told apart from the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from quillmere import GRIDS, SIDE, Ground, to_map

SEED = 20_310
SEPARATION = 0.5
INTERVAL = 0.125
LINES = round(SIDE / SEPARATION)
READINGS = round(SIDE / INTERVAL)
SPEED = 1.0
TURN = 6.0
START = 9 * 3600.0
BREAKS = {"G1": 0.0, "G2": 240.0, "G3": 1500.0, "G4": 300.0, "track": 420.0}
BASE = (-3.0, -4.0)
BASE_READINGS = 10
BASE_EVERY = 0.5
SETTLE = 20.0

NOISE = np.array([0.15, 0.03, 0.12, 0.03])
LINE_SIGMA = np.array([0.8, 0.10, 0.6, 0.08])
DIRECTION = np.array([0.45, 0.05, 0.35, 0.04])
SPIKE_SHARE = 0.007
SPIKES = ((5.0, 40.0), (0.5, 4.0), (4.0, 30.0), (0.5, 4.0))
LAG = 0.12
CARRY = {"G4": np.array([0.6, -0.05, 0.45, -0.04])}
REZERO = np.array([-2.6, 0.35, -1.9, 0.22])
MISSING = 40


@dataclass(frozen=True)
class Walked:
    """Readings of one walk, in walking order; all arrays of length ``n`` or ``(n, 4)``."""

    grid: str
    line: np.ndarray
    reading: np.ndarray
    time: np.ndarray
    u: np.ndarray
    v: np.ndarray
    clean: np.ndarray
    lag: np.ndarray
    noise: np.ndarray
    carry: np.ndarray
    drift: np.ndarray
    offsets: np.ndarray
    spikes: np.ndarray
    missing: np.ndarray
    mark: tuple[str, ...]

    @property
    def steady(self) -> np.ndarray:
        """What would have been recorded but for drift, line offsets and spikes."""
        return self.clean + self.lag + self.noise + self.carry

    @property
    def recorded(self) -> np.ndarray:
        """What the logger wrote, NaN where it wrote nothing."""
        whole = self.steady + self.drift + self.offsets + self.spikes
        return np.where(self.missing, np.nan, whole)


def drift_at(time: np.ndarray) -> np.ndarray:
    """Drift of the four channels, shape ``(n, 4)``: warming up, the day's warmth, a slow sway."""
    hours = (np.asarray(time) - START) / 3600
    warm = 1 - np.exp(-np.clip(hours, 0, None) / 0.6)
    day = np.sin(np.pi * hours / 4.2)
    sway = np.sin(2 * np.pi * hours / 0.9)
    return np.stack(
        [
            3.4 * warm - 1.6 * day + 0.30 * sway,
            -0.45 * warm + 0.20 * day + 0.03 * sway,
            2.2 * warm + 1.2 * day - 0.22 * sway,
            -0.25 * warm - 0.14 * day + 0.02 * sway,
        ],
        axis=1,
    )


@dataclass
class Surveyor:
    """Walks the survey: keeps the clock, draws the faults, notes the base readings."""

    ground: Ground
    random: np.random.RandomState
    clock: float = START
    zero: np.ndarray = None
    visits: list = None

    def __post_init__(self):
        self.zero = np.zeros(4)
        self.visits = []

    def visit_base(self) -> None:
        """Stand at the base point and read."""
        self.clock += SETTLE
        time = self.clock + np.arange(BASE_READINGS) * BASE_EVERY
        u, v = np.full(BASE_READINGS, BASE[0]), np.full(BASE_READINGS, BASE[1])
        value = self.ground.read(u, v) + drift_at(time) + self.zero
        value = value + self.random.normal(size=value.shape) * NOISE
        self.visits.append((len(self.visits) + 1, time, *to_map(u, v), value))
        self.clock = time[-1] + SETTLE

    def walk_grid(self, grid: str) -> Walked:
        """Walk a data grid zigzag, with base visits before, midway and after."""
        self.clock += BREAKS[grid]
        if grid == "G3":
            self.zero = REZERO
        self.visit_base()
        parts = []
        for k in range(1, LINES + 1):
            parts.append(self.clock + (np.arange(READINGS) + 0.5) * INTERVAL / SPEED)
            self.clock = parts[-1][-1] + TURN
            if k == LINES // 2:
                self.visit_base()
        self.visit_base()
        line = np.repeat(np.arange(1, LINES + 1), READINGS)
        reading = np.tile(np.arange(1, READINGS + 1), LINES)
        walked = (reading - 0.5) * INTERVAL
        back = line % 2 == 0
        u0, v0 = GRIDS[grid]
        u = u0 + (line - 0.5) * SEPARATION
        v = v0 + np.where(back, SIDE - walked, walked)
        way = np.where(back, -1.0, 1.0)
        time = np.concatenate(parts)
        offsets = self.random.normal(size=(LINES, 4)) * LINE_SIGMA
        offsets = offsets[line - 1] + 0.5 * way[:, None] * DIRECTION
        return self._walked(grid, line, reading, time, (u, v), (u * 0, way), offsets)

    def walk_track(self) -> Walked:
        """Walk freely round and over the block with satellite positions."""
        self.clock += BREAKS["track"]
        self.visit_base()
        n = 3000
        turn = np.cumsum(np.repeat(self.random.normal(size=n // 60), 60) * 0.012)
        step = SPEED * INTERVAL
        u, v = np.empty(n), np.empty(n)
        u[0], v[0], heading = -5.0, -5.0, 0.7
        for i in range(1, n):
            home = np.arctan2(20 - u[i - 1], 20 - v[i - 1])
            away = np.hypot(20 - u[i - 1], 20 - v[i - 1])
            pull = 0.06 * max(0.0, away - 19.0) * np.sin(home - heading)
            heading += np.clip(turn[i] * 0.05 + pull, -0.05, 0.05)
            u[i], v[i] = u[i - 1] + step * np.sin(heading), v[i - 1] + step * np.cos(heading)
        time = self.clock + np.arange(n) * INTERVAL / SPEED
        self.clock = time[-1]
        self.visit_base()
        way = (np.gradient(u) / step, np.gradient(v) / step)
        order = np.arange(1, n + 1)
        return self._walked(
            "track", np.zeros(n, int), order, time, (u, v), way, np.zeros((n, 4))
        )  # fmt: skip

    def _walked(self, grid, line, reading, time, place, way, offsets) -> Walked:
        u, v = place
        n = len(u)
        clean = self.ground.read(u, v)
        # Stamped late: a reading belongs to a place the coils have already passed.
        late = self.ground.read(u - LAG * way[0], v - LAG * way[1])
        missing = np.zeros((n, 4), bool)
        missing[self.random.choice(n, MISSING // 4, replace=False)] = True
        lifted, spikes = self._spikes(line)
        mark = tuple("lifted" if up else "" for up in lifted)
        return Walked(
            grid=grid,
            line=line,
            reading=reading,
            time=time,
            u=u,
            v=v,
            clean=clean,
            lag=late - clean,
            noise=self.random.normal(size=(n, 4)) * NOISE,
            carry=np.tile(CARRY.get(grid, np.zeros(4)), (n, 1)),
            drift=drift_at(time) + self.zero,
            offsets=offsets,
            spikes=spikes,
            missing=missing,
            mark=mark,
        )

    def _spikes(self, line: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Spikes where the front was lifted: single readings and pairs of one traverse."""
        n = len(line)
        starts = self.random.choice(n - 1, int(n * SPIKE_SHARE / 1.4), replace=False)
        pairs = self.random.uniform(size=len(starts)) < 0.4
        lifted = np.zeros(n, bool)
        lifted[starts] = True
        second = starts[pairs] + 1
        lifted[second[line[second] == line[second - 1]]] = True
        spikes = np.zeros((n, 4))
        for channel, (least, most) in enumerate(SPIKES):
            size = self.random.uniform(least, most, n) * self.random.choice([-1, 1], n)
            spikes[:, channel] = np.where(lifted, size, 0.0)
        # Only some lifts are remarked upon by the operator.
        return lifted & (self.random.uniform(size=n) < 0.3), spikes


def survey() -> tuple[dict[str, Walked], list]:
    """Walk the whole day: the four data grids, the track, the base visits."""
    surveyor = Surveyor(Ground.of_quillmere(), np.random.RandomState(SEED))
    walked = {grid: surveyor.walk_grid(grid) for grid in GRIDS}
    walked["track"] = surveyor.walk_track()
    return walked, surveyor.visits
