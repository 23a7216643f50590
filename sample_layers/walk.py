"""The invented survey of Quillmere: how it was walked and what went wrong on the way.

Every fault is an array of its own, so that each can be told apart from the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from quillmere import CHANNELS, GRIDS, SIDE, SPACINGS, Ground, to_map

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

TRACK_SEPARATION = 3.0
TRACK_SWAY = 0.25
REST = 120
ANTENNA_AHEAD = 1.0
"""The antenna goes before the transmitter by this much, on the track and in the stream."""
CHANNEL_SPACINGS = tuple(SPACINGS[name[-3:]] for name in CHANNELS)


@dataclass(frozen=True)
class Walked:
    """Readings of one walk, in walking order; all arrays of length ``n`` or ``(n, 4)``."""

    grid: str
    line: np.ndarray
    reading: np.ndarray
    time: np.ndarray
    u: np.ndarray
    v: np.ndarray
    heading: np.ndarray
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


def free_walk(random: np.random.RandomState) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Where the antenna is at each reading of the free walk, and its heading from `v` towards `u`.

    Up and down the block with a sway, round at each end, with one rest on the way.
    """
    ends = (-2.5, 2 * SIDE + 2.5)
    radius = TRACK_SEPARATION / 2
    us, vs = [], []
    for k, u in enumerate(np.arange(0.5, 2 * SIDE, TRACK_SEPARATION)):
        v = np.arange(*ends, 0.02)
        up = k % 2 == 0
        sway = random.normal(size=3) * TRACK_SWAY
        waves = [np.sin(np.pi * (n + 1) * (v - ends[0]) / (ends[1] - ends[0])) for n in range(3)]
        bent = u + sum(size * wave**3 for size, wave in zip(sway, waves))
        us.append(bent if up else bent[::-1])
        vs.append(v if up else v[::-1])
        round_ = np.arange(0.0, np.pi, 0.02 / radius)
        us.append(u + radius - radius * np.cos(round_))
        vs.append(np.sin(round_) * radius * (1 if up else -1) + ends[1 if up else 0])
    path = np.column_stack([np.concatenate(us[:-1]), np.concatenate(vs[:-1])])
    gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))])
    # The pace swings by a tenth, and rests once.
    n = int(1.2 * gone[-1] / INTERVAL) + REST
    pace = INTERVAL * (1 + 0.1 * np.sin(np.arange(n) / 90.0))
    pace[n // 3 : n // 3 + REST] = 0.0
    walked = np.cumsum(pace)
    walked = walked[walked < gone[-1]]
    u, v = (np.interp(walked, gone, path[:, k]) for k in (0, 1))
    ahead, behind = (np.clip(walked + d, 0, gone[-1]) for d in (0.05, -0.05))
    east, north = (np.interp(ahead, gone, c) - np.interp(behind, gone, c) for c in path.T)
    return u, v, np.arctan2(east, north)


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
        """Walk freely, lines some 3 m apart, the antenna ahead of the instrument."""
        self.clock += BREAKS["track"]
        self.visit_base()
        u, v, heading = free_walk(self.random)
        n = len(u)
        time = self.clock + np.arange(n) * INTERVAL / SPEED
        self.clock = time[-1]
        self.visit_base()
        line = np.zeros(n, int)
        ahead = (np.sin(heading), np.cos(heading))
        behind = [ANTENNA_AHEAD + spacing / 2 for spacing in CHANNEL_SPACINGS]
        return self._walked(
            "track", line, np.arange(1, n + 1), time, (u, v), ahead, np.zeros((n, 4)), behind
        )  # fmt: skip

    def _walked(self, grid, line, reading, time, place, way, offsets, behind=(0.0,) * 4) -> Walked:
        """Read along a walk; each channel measures `behind` the place known, against the way."""
        u, v = place
        n = len(u)

        def read(late: float) -> np.ndarray:
            back = {step: step + late for step in behind}
            at = {
                step: self.ground.read(u - far * way[0], v - far * way[1])
                for step, far in back.items()
            }
            return np.stack([at[step][:, k] for k, step in enumerate(behind)], axis=1)

        clean = read(0.0)
        # Stamped late: a reading belongs to a place the coils have already passed.
        late = read(LAG)
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
            heading=np.arctan2(*way),
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
