"""Score results against the truth: the only reader of `truth/` besides the tests."""

from __future__ import annotations

import csv
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.path import Path as Outline

HERE = Path(__file__).resolve().parent
CHANNELS = ("ec_050", "ip_050", "ec_100", "ip_100")
SHARE = 0.25
"""A planted feature is found when outlined anomalies cover at least this share of it, or when half
of an anomaly's area lies inside it."""
NEAR = 1.0
"""An anomaly further than this from every planted feature is false, metres."""
STEP = 0.1
"""Distance of the points that areas are compared on, metres."""


@dataclass(frozen=True)
class Planted:
    """A feature of the truth; rings in map coordinates."""

    name: str
    kind: str
    width: float
    must_find: bool
    rings: tuple[np.ndarray, ...]


@dataclass(frozen=True)
class Truth:
    """The clean and the steady value of every reading, and what is buried.

    `clean` is the field itself at the reading's nominal place. `steady` is what the instrument
    would have recorded there but for drift, line offsets and spikes: it has noise, lag and the
    second operator's offset, which other steps have to deal with. Both ``(n, 4)``, by `key`.
    """

    row_of: dict[tuple[str, int, int], int]
    clean: np.ndarray
    steady: np.ndarray
    planted: tuple[Planted, ...]


def load_truth(folder: Path = HERE / "truth") -> Truth:
    """Read the truth."""
    with open(folder / "readings.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.reader(file))[1:]
    numbers = np.array([[float(cell) for cell in row[3:]] for row in rows])
    keys = {(row[0], int(row[1]), int(row[2])): i for i, row in enumerate(rows)}
    content = json.loads((folder / "features.geojson").read_text("utf-8"))
    planted = tuple(
        Planted(
            **feature["properties"],
            rings=tuple(np.array(ring) for ring in feature["geometry"]["coordinates"]),
        )
        for feature in content["features"]
    )
    return Truth(keys, numbers[:, :4], numbers[:, 4:], planted)


@dataclass(frozen=True)
class ReadingScore:
    """How far one channel is from the truth, channel units, missing readings left out.

    `to_clean` is the RMS difference from the clean field; `faults` that from the steady values,
    that is, what drift, line offsets and spikes still leave. The `_level` figures are the same
    after the channel's median difference is taken off, for a survey of relative values.
    """

    to_clean: float
    faults: float
    to_clean_level: float
    faults_level: float


def score_readings(
    truth: Truth,
    keys: Sequence[tuple[str, int, int]],
    values: np.ndarray,
    channels: Sequence[str] = CHANNELS,
) -> dict[str, ReadingScore]:
    """Score readings, `values` of shape ``(n, c)``, known by data grid, line and reading number."""
    rows = np.array([truth.row_of[key] for key in keys])
    found = {}
    for column, name in enumerate(channels):
        k = CHANNELS.index(name)
        clean = values[:, column] - truth.clean[rows, k]
        steady = values[:, column] - truth.steady[rows, k]
        found[name] = ReadingScore(
            rms(clean), rms(steady), rms(clean - np.nanmedian(clean)),
            rms(steady - np.nanmedian(steady)),
        )  # fmt: skip
    return found


def rms(difference: np.ndarray) -> float:
    """Root mean square, NaN left out."""
    return float(np.sqrt(np.nanmean(np.square(difference))))


@dataclass(frozen=True)
class AnomalyScore:
    """Planted features found and missed, and the anomalies (by place in the list) that are false.

    `missed` names only features that must be found; the others are found or of no account.
    """

    found: tuple[str, ...]
    missed: tuple[str, ...]
    false: tuple[int, ...]


def score_anomalies(truth: Truth, polygons: Sequence[Sequence[np.ndarray]]) -> AnomalyScore:
    """Score outlined anomalies, each a list of rings in map coordinates."""
    inside_any = {planted.name: False for planted in truth.planted}
    near = np.zeros(len(polygons), bool)
    for planted in truth.planted:
        ring = np.vstack(planted.rings)
        low, high = ring.min(axis=0) - NEAR, ring.max(axis=0) + NEAR
        points = _points(low, high)
        here = contains(planted.rings, points)
        covered = np.zeros(len(points), bool)
        for number, rings in enumerate(polygons):
            outer = np.asarray(rings[0])
            if (outer.max(axis=0) < low).any() or (outer.min(axis=0) > high).any():
                continue
            there = contains(rings, points)
            near[number] |= bool((there & here).any()) or _close(outer, planted.rings)
            covered |= there
            own = _points(outer.min(axis=0), outer.max(axis=0))
            own = own[contains(rings, own)]
            if len(own) and contains(planted.rings, own).mean() >= 0.5:
                inside_any[planted.name] = True
        if here.any() and (covered & here).sum() / here.sum() >= SHARE:
            inside_any[planted.name] = True
    return AnomalyScore(
        tuple(name for name, seen in inside_any.items() if seen),
        tuple(p.name for p in truth.planted if p.must_find and not inside_any[p.name]),
        tuple(int(number) for number in np.flatnonzero(~near)),
    )


def contains(rings: Sequence[np.ndarray], points: np.ndarray) -> np.ndarray:
    """Which points lie inside rings (even-odd), shape ``(n,)``."""
    inside = np.zeros(len(points), bool)
    for ring in rings:
        inside ^= Outline(np.asarray(ring)).contains_points(points)
    return inside


def _points(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    x = np.arange(low[0] + STEP / 2, high[0], STEP)
    y = np.arange(low[1] + STEP / 2, high[1], STEP)
    return np.column_stack([part.ravel() for part in np.meshgrid(x, y)])


def _close(outer: np.ndarray, rings: Sequence[np.ndarray]) -> bool:
    """Whether a ring's corners come within `NEAR` of the edges of rings."""
    for ring in rings:
        start, end = np.asarray(ring)[:-1], np.asarray(ring)[1:]
        along = end - start
        length = np.maximum((along**2).sum(axis=1), 1e-12)
        offset = outer[:, None] - start[None]
        share = np.clip((offset * along).sum(axis=2) / length, 0, 1)
        gap = np.hypot(*np.moveaxis(offset - share[..., None] * along, 2, 0))
        if gap.min() <= NEAR:
            return True
    return False
