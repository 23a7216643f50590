"""What each correction takes off its own fault, and what it does where there is none.

Over randomised invented surveys (`tests/variants.py`) and the sample survey. For each correction:

- removed: share of the fault's variance that is gone, the least and the median of the surveys;
- harm: change of readings without the fault, rms, in units of the noise, the most of the surveys;
- touched: energy of that change where anomalies are, as a share of their energy, the most.

A general level is nobody's fault, and the level of a whole data grid not that of its traverses.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / "tools"), str(ROOT / "tests"), str(ROOT / "sample_layers")]

from host import import_checkout  # noqa: E402

import_checkout()

import invented  # noqa: E402
import variants as v  # noqa: E402
from lynchet.algorithms.correct.alignpasses import AlignOptions, alignpasses  # noqa: E402
from lynchet.algorithms.correct.balancegrids import balancegrids  # noqa: E402
from lynchet.algorithms.correct.despike import DespikeOptions, despike  # noqa: E402
from lynchet.algorithms.correct.driftbase import DriftBaseOptions, driftbase  # noqa: E402
from lynchet.algorithms.correct.drifttie import drifttie  # noqa: E402
from lynchet.algorithms.correct.levellines import LevelOptions, levellines  # noqa: E402
from lynchet.algorithms.correct.removetrend import RemoveTrendOptions, removetrend  # noqa: E402
from lynchet.algorithms.readings import Readings  # noqa: E402

SURVEYS = 20


@dataclass(frozen=True)
class Score:
    """Of one correction on one survey; see the module."""

    removed: float
    harm: float
    touched: float


def scored(
    correct: Callable[[Readings], Readings],
    readings: Callable[[np.ndarray], Readings],
    clean: np.ndarray,
    fault: np.ndarray,
    anomalies: np.ndarray,
    noise: float,
) -> Score:
    """Score a correction of values at fixed places."""
    corrected = correct(readings(clean + fault)).values[:, 0]
    untouched = correct(readings(clean)).values[:, 0]
    change = untouched - clean
    return Score(
        1.0 - v.left(corrected, clean, fault),
        v.rms(change - np.nanmean(change)) / noise,
        v.touched(untouched, clean, anomalies),
    )


def of_variant(correct, fault, anomalies=True, ties=False) -> list[Score]:
    """Score a correction on the surveys of four data grids."""
    found = []
    for seed in range(SURVEYS):
        made = v.variant(seed, ties=ties)
        shapes = made.anomalies if anomalies else 0 * made.u
        clean = made.soil(made.u, made.v) + shapes + made.noise
        found.append(
            scored(
                lambda r, made=made: correct(made, r),
                made.readings,
                clean,
                fault(made),
                shapes if anomalies else made.u,
                v.NOISE,
            )
        )
    return found


def of_one_grid(correct, fault, kind="many bodies") -> list[Score]:
    """Score a correction on the surveys of one data grid."""
    found = []
    for seed in range(SURVEYS):
        clean, shapes = invented.clean(seed, kind)
        shapes = np.ones_like(shapes) if kind == "soil" else shapes
        found.append(
            scored(
                correct, lambda values: invented.survey(values), clean.ravel(),
                fault(seed).ravel(), shapes.ravel(), invented.NOISE,
            )
        )  # fmt: skip
    return found


def line_offsets(made) -> np.ndarray:
    """Random offsets of traverses, none of whole data grids."""
    fault = made.line_offsets()
    for name in v.GRIDS:
        fault[made.grid == name] -= fault[made.grid == name].mean()
    return fault


def base_readings(made, fault) -> Readings:
    """Visits to a base before the first and after every twentieth traverse."""
    order = np.argsort(made.time)
    starts = np.flatnonzero(np.diff(made.time[order]) > 1.0) + 1
    visits = np.concatenate([[made.time.min() - 3], made.time[order][starts[19::20]] - 3])
    visits = np.append(visits, made.time.max() + 3)
    time = (visits[:, None] + np.linspace(-1, 1, 10)).ravel()
    noise = made.random(9).normal(0, v.NOISE, len(time))
    drift = np.interp(time, made.time[order], fault[order])
    n = len(time)
    return Readings.build(x=np.zeros(n), y=np.zeros(n), values=20 + drift + noise,
                          channels=["ec"], time=time)  # fmt: skip


def driftbase_scores() -> list[Score]:
    """Drift by base readings, which see the same drift as the survey."""
    found = []
    for seed in range(SURVEYS):
        made = v.variant(seed)
        fault = made.drift()
        clean = made.ground + made.noise
        options = DriftBaseOptions(method="smooth", extend=True)
        corrected = driftbase(
            made.readings(clean + fault), base_readings(made, fault), options
        ).readings.values[:, 0]
        plain = base_readings(made, 0 * fault)
        untouched = driftbase(made.readings(clean), plain, options).readings.values[:, 0]
        change = untouched - clean
        found.append(
            Score(
                1 - v.left(corrected, clean, fault),
                v.rms(change - change.mean()) / v.NOISE,
                v.touched(untouched, clean, made.anomalies),
            )
        )
    return found


def align_scores(lag: float = 0.12) -> list[Score]:
    """Lag: what the moved readings still read that is not at their new place."""
    found = []
    for seed in range(SURVEYS):
        made = v.variant(seed)
        values = made.late(lag)
        fault = values - made.ground
        moved = alignpasses(made.readings(values + made.noise)).readings
        where = (moved.x + 1j * moved.y - complex(4e5, 5.9e6)) * np.exp(1j * np.radians(20.0))
        ground = made.soil(where.real, where.imag) + made.bodies(where.real, where.imag)
        clean = made.readings(made.ground + made.noise)
        still = alignpasses(clean, AlignOptions(application="resample")).readings
        found.append(
            Score(
                1 - float(np.var(values - ground) / np.var(fault)),
                v.rms(still.values - clean.values) / v.NOISE,
                v.touched(still.values[:, 0], clean.values[:, 0], made.anomalies),
            )
        )
    return found


def ties_of(readings: Readings) -> np.ndarray:
    """Which lines are tie lines."""
    return np.array([line.grid == "ties" for line in readings.lines])


def trend(made) -> np.ndarray:
    """A regional trend of the second degree."""
    rng = made.random(7)
    a, b, c = rng.normal(0, 1, 3)
    u, w = made.u / 20 - 1, made.v / 20 - 1
    return 3 * (a * u + b * w + c * (u * u - w * w))


def flat(readings: Readings) -> Readings:
    """A trend of the second degree removed."""
    return removetrend(readings, RemoveTrendOptions(method="polynomial", degree=2)).readings


ROWS: tuple[tuple[str, str, Callable[[], list[Score]]], ...] = (
    ("despike", "spikes in 1 % of readings",
     lambda: of_variant(lambda m, r: despike(r).readings, lambda m: m.spikes())),
    ("despike, longest_run 6", "runs of 2 to 6 readings",
     lambda: of_one_grid(lambda r: despike(r, DespikeOptions(longest_run=6)).readings,
                         lambda seed: invented.runs(seed))),
    ("driftbase, smooth", "drift over 3 units", driftbase_scores),
    ("drifttie", "drift over 3 units",
     lambda: of_variant(lambda m, r: drifttie(r, ties_of(r)).readings, lambda m: m.drift(),
                        ties=True)),
    ("alignpasses", "lag of 0.12", align_scores),
    ("levellines, direction", "directions 0.6 apart",
     lambda: of_variant(lambda m, r: levellines(r, LevelOptions(method="direction")).readings,
                        lambda m: m.heading())),
    ("levellines", "offsets of 0.8, no features",
     lambda: of_variant(lambda m, r: levellines(r).readings, line_offsets, anomalies=False)),
    ("levellines", "offsets of 0.8, features",
     lambda: of_variant(lambda m, r: levellines(r).readings, line_offsets)),
    ("levellines, steps", "steps of 0.8 to 2.5 inside traverses, few features",
     lambda: of_one_grid(lambda r: levellines(r, LevelOptions(steps=True)).readings,
                         lambda seed: clear_steps(seed), "few bodies")),
    ("levellines, steps", "steps of 0.8 to 2.5 inside traverses, many",
     lambda: of_one_grid(lambda r: levellines(r, LevelOptions(steps=True)).readings,
                         lambda seed: clear_steps(seed))),
    ("balancegrids", "offsets of data grids of 0.8",
     lambda: of_variant(lambda m, r: balancegrids(r).readings, lambda m: m.grid_offsets())),
    ("removetrend, polynomial", "trend of degree 2, no soil",
     lambda: trend_scores()),
)  # fmt: skip


def clear_steps(seed: int) -> np.ndarray:
    """Eight zero jumps of 0.8 to 2.5 units inside traverses."""
    rng = np.random.default_rng(seed + 9000)
    fault = np.zeros((invented.LINES, invented.COUNT))
    for line in rng.permutation(invented.LINES)[:8]:
        fault[line, rng.integers(25, invented.COUNT - 25) :] += rng.uniform(0.8, 2.5) * rng.choice(
            [-1, 1]
        )
    return fault


def trend_scores() -> list[Score]:
    """A trend under features alone: soil is a trend itself."""
    found = []
    for seed in range(SURVEYS):
        made = v.variant(seed)
        clean = 20 + made.anomalies + made.noise
        found.append(
            scored(flat, made.readings, clean, trend(made),
                   made.anomalies, v.NOISE)
        )  # fmt: skip
    return found


def sample_scores() -> list[tuple[str, str, str]]:
    """The sample survey's own faults, each alone: what is removed of it in each channel."""
    from quillmere import GRIDS, to_map
    from walk import NOISE, survey

    walked, visits = survey()
    parts = [walked[name] for name in GRIDS]
    whole = lambda name: np.concatenate([getattr(part, name) for part in parts])  # noqa: E731
    x, y = to_map(whole("u"), whole("v"))
    names = np.repeat(list(GRIDS), [len(part.u) for part in parts])
    clean = whole("clean") + whole("noise")

    def of(values):
        return Readings.build(x=x, y=y, values=values, line=whole("line"), grid=names.tolist(),
                              sequence=whole("reading"), time=whole("time"))  # fmt: skip

    base = Readings.build(
        x=np.concatenate([x for _, _, x, _, _ in visits]),
        y=np.concatenate([y for _, _, _, y, _ in visits]),
        values=np.concatenate([values for *_, values in visits]),
        time=np.concatenate([time for _, time, *_ in visits]),
    )
    offsets = whole("offsets")
    for name in GRIDS:
        offsets[names == name] -= offsets[names == name].mean(axis=0)
    rows = []
    for what, fault, correct in (
        ("despike", whole("spikes"), lambda r: despike(r).readings.values),
        ("driftbase, smooth", whole("drift"),
         lambda r: driftbase(r, base, DriftBaseOptions(method="smooth")).readings.values),
        ("alignpasses, resample", whole("lag"),
         lambda r: alignpasses(r, AlignOptions(application="resample")).readings.values),
        ("levellines", offsets, lambda r: levellines(r).readings.values),
        ("balancegrids", whole("carry"), lambda r: balancegrids(r).readings.values),
    ):  # fmt: skip
        # Resampled, noise moves with its reading: the lag is judged without it.
        without = whole("clean") if what.startswith("align") else clean
        corrected = correct(of(without + fault))
        untouched = without if what.startswith("drift") else correct(of(without))
        removed = [
            1 - np.nanvar(corrected[:, k] - without[:, k]) / np.var(fault[:, k]) for k in range(4)
        ]
        change = untouched - without
        change = change - np.nanmean(change, axis=0)
        harm = np.sqrt(np.nanmean(change**2, axis=0)) / NOISE
        rows.append(
            (what, " / ".join(f"{one:.3f}" for one in removed),
             " / ".join(f"{one:.2f}" for one in harm))
        )  # fmt: skip
    return rows


def table() -> str:
    """Both tables as text, in the form the guide shows them."""
    rows = [
        f"{SURVEYS} randomised surveys:",
        "",
        "| correction | fault | removed, least | median | harm, most | touched, most |",
        "|---|---|---|---|---|---|",
    ]
    for name, fault, work in ROWS:
        scores = work()
        removed = [score.removed for score in scores]
        rows.append(
            f"| {name} | {fault} | {min(removed):.3f} | {np.median(removed):.3f} | "
            f"{max(score.harm for score in scores):.2f} | "
            f"{max(score.touched for score in scores):.2%} |"
        )
    rows += [
        "",
        "The sample survey, channels ec_050 / ip_050 / ec_100 / ip_100:",
        "",
        "| correction | removed | harm |",
        "|---|---|---|",
    ]
    rows += [f"| {name} | {removed} | {harm} |" for name, removed, harm in sample_scores()]
    return "\n".join(rows)


def print_scores() -> None:
    """Print the table."""
    print(table(), flush=True)


if __name__ == "__main__":
    print_scores()
