"""Inversion to layers: how far its bounds hold, what likeness gains, its speed and its memory.

``python -m tests.benchmarks.ground_inversion [coverage] [lateral] [speed] [memory]`` measures all,
or what is named. Speed is beside `scipy.optimize.least_squares`, called sounding by sounding on the
same cost with the same forward response: with its own differences for a Jacobian, as a user would,
and with ours. Ours takes all soundings in one call and works on every core.
"""

from __future__ import annotations

import os
import sys

import numpy as np

from .ground import print_stop
from .intake import peak
from .measured import ROOT, fastest, seconds

sys.path.insert(0, str(ROOT / "tests"))

import invented_ground as invented

SOUNDINGS, SAMPLED = 100_000, 150
MEMORY_SIZES = (100_000, 1_000_000)
LEAST = 100.0
"""How many times as fast as least squares with its own differences is asked."""
CLOSE = 0.02
"""How near the two must come, of the unknowns' logarithms."""
MOST_BYTES = 300
"""A sounding, over what its readings and results take."""
SURE = 0.9
"""Share of grounds whose layers all lie within their bounds that is asked."""

CHILD = """
import sys
sys.path.insert(0, sys.argv[1])
from tests.benchmarks.ground_inversion import survey
from lynchet.algorithms.ground.invertlayers import invert_layers
from lynchet.algorithms.ground.inversion.options import InversionOptions
readings, chosen = survey(int(sys.argv[2]))
found = invert_layers(readings, chosen, InversionOptions(noise=(0.2,)))
"""


def survey(count: int):
    """Readings over `count` random grounds, every ten thousandth of them new."""
    chosen = invented.FOUR
    few = min(count, 10_000)
    values = invented.exact(chosen, *invented.grounds(few))
    values = np.tile(values, (-(-count // few), 1))[:count]
    noise = np.random.default_rng(2).normal(size=values.shape)
    values = values + noise * np.hypot(invented.NOISE, invented.RELATIVE * values)
    return invented.along_a_line(chosen, values), chosen


def print_coverage() -> bool:
    """Grounds of which all layers lie within their bounds, by channels and by kind of ground."""
    from lynchet.algorithms.ground.inversion.options import InversionOptions
    from lynchet.algorithms.ground.invertlayers import invert_layers

    smooth, few = (
        InversionOptions(noise=(invented.NOISE,), method=method) for method in ("smooth", "few")
    )
    kinds = {
        "three layers, 5 to 80 mS/m": {},
        "three layers, 3 to 300 mS/m": {"low": 3.0, "high": 300.0},
        "three layers, 1 to 1,000 mS/m": {"low": 1.0, "high": 1000.0},
    }
    good = True
    print("| grounds | channels | all layers | each layer | all, mean of the logarithm |")
    print("|---|---|---|---|---|")
    for kind, ground in kinds.items():
        for chosen in (invented.FOUR, invented.TWO):
            sigma, thickness = invented.grounds(**ground)
            found = invert_layers(invented.read(chosen, sigma, thickness), chosen, smooth)
            model = found.thickness[np.isfinite(found.misfit)][0]
            held = invented.covered(found, invented.layer_means(sigma, thickness, model))
            logs = invented.layer_means(sigma, thickness, model, mean="log")
            share = held.all(axis=1).mean()
            each = ", ".join(f"{part:.3f}" for part in held.mean(axis=0))
            also = invented.covered(found, logs).all(axis=1).mean()
            print(f"| {kind} | {len(chosen)} | {share:.3f} | {each} | {also:.3f} |", flush=True)
            good = good and (bool(ground) or share >= SURE)
    for thin, thick in ((0.3, 1.5), (0.15, 0.8)):
        for chosen in (invented.FOUR, invented.TWO):
            sigma, thickness = invented.grounds(layers=2, thin=thin, thick=thick)
            found = invert_layers(invented.read(chosen, sigma, thickness), chosen, few)
            held = invented.covered_all(found, sigma, thickness)
            each = ", ".join(f"{part:.3f}" for part in held.mean(axis=0))
            kind = f"two layers, sought as such, upper {thin:g} to {thick:g} m"
            print(f"| {kind} | {len(chosen)} | {held.all(axis=1).mean():.3f} | {each} | |")
    return good


def print_lateral() -> bool:
    """Errors together over errors alone, on invented sections."""
    cases = {
        "few, smooth section, calibration 1 %": {"along": 5.0},
        "few, no calibration error, none assumed": {"along": 5.0, "calibration": 0.0},
        "few, calibration 2 %": {"along": 5.0, "calibration": 0.02},
        "few, calibration 3 %": {"along": 5.0, "calibration": 0.03},
        "few, two channels, calibration 1 %": {"along": 5.0, "chosen": invented.TWO},
        "smooth, calibration 1 %": {"along": 5.0, "method": "smooth"},
        "smooth, none, none assumed": {"along": 5.0, "method": "smooth", "calibration": 0.0},
        "few, edges some 2 m apart": {"along": 5.0, "length": 2.0, "sharp": True},
        "few, edges some 0.5 m apart, 10 m": {
            "along": 10.0, "length": 0.5, "sharp": True, "noise": 0.2
        },
    }  # fmt: skip
    print("| section | error alone | together | ratio, mean | least | most |")
    print("|---|---|---|---|---|---|")
    means = []
    for name, case in cases.items():
        errors = np.array([invented.lateral_errors(start, **case) for start in range(8)])
        ratio = errors[:, 1] / errors[:, 0]
        alone, together = np.sqrt((errors**2).mean(axis=0))
        means.append(float(ratio.mean()))
        print(
            f"| {name} | {alone:.3f} | {together:.3f} | {ratio.mean():.2f} | {ratio.min():.2f} | "
            f"{ratio.max():.2f} |",
            flush=True,
        )
    return means[0] <= 0.5


def print_speed() -> bool:
    """Microseconds a sounding, ours and SciPy's; whether the answers and the ratio are as asked."""
    from lynchet.algorithms.ground.inversion.layering import parting_of
    from lynchet.algorithms.ground.inversion.options import InversionOptions
    from lynchet.algorithms.ground.inversion.prior import Beliefs
    from lynchet.algorithms.ground.invertlayers import invert_layers
    from lynchet.algorithms.ground.layeredresponse import layered_jacobian, layered_response
    from scipy.optimize import least_squares

    readings, chosen = survey(SOUNDINGS)
    options = InversionOptions(noise=(invented.NOISE,))
    found = invert_layers(readings, chosen, options)
    pairs = [channel.pair for channel in chosen]
    scale = np.array([channel.scale for channel in chosen])
    thickness, usual = found.thickness[0], found.figures["usual"]
    beliefs = Beliefs(options.level, options.contrast, options.reach)
    assumed = parting_of(pairs, thickness, False, usual, beliefs)
    white = np.linalg.inv(np.linalg.cholesky(assumed.covariance))
    start = assumed.usual

    def by_scipy(analytic: bool) -> tuple[np.ndarray, int]:
        answers, calls = [], 0
        for values in readings.values[:SAMPLED]:
            sd = np.hypot(invented.NOISE, invented.RELATIVE * values)

            def residuals(x: np.ndarray, values=values, sd=sd) -> np.ndarray:
                ratio = layered_response(pairs, np.exp(x), thickness, accuracy="quick")
                away = (ratio.imag[0] / scale - values) / sd
                return np.concatenate([away, white @ (x - start)])

            def slopes(x: np.ndarray, sd=sd) -> np.ndarray:
                jacobian = layered_jacobian(pairs, np.exp(x), thickness, accuracy="quick")
                by = jacobian.by_conductivity.imag[0] / scale[:, np.newaxis] * np.exp(x)
                return np.concatenate([by / sd[:, np.newaxis], white])

            done = least_squares(residuals, start, slopes if analytic else "2-point")
            calls += done.nfev + (0 if analytic else 6 * done.njev)
            answers.append(done.x)
        return np.array(answers), calls

    ours = fastest(lambda: invert_layers(readings, chosen, options)) / SOUNDINGS
    good = True
    for name, analytic in (("2-point Jacobian", False), ("our Jacobian", True)):
        took: list[tuple[np.ndarray, int]] = []
        each = seconds(lambda a=analytic, t=took: t.append(by_scipy(a))) / SAMPLED
        answers, calls = took[0]
        away = np.abs(np.log(found.conductivity[:SAMPLED]) - answers)
        # Where a residual is beyond two deviations ours counts it less, SciPy's does not.
        plain = np.ones(SAMPLED, bool)
        for row, x in enumerate(answers):
            ratio = layered_response(pairs, np.exp(x), thickness, accuracy="quick")
            values = readings.values[row]
            sd = np.hypot(invented.NOISE, invented.RELATIVE * values)
            plain[row] = np.abs((ratio.imag[0] / scale - values) / sd).max() < 2.0
        print(
            f"{f'{SOUNDINGS:,} soundings x 4, 6 layers':<34}"
            f"{1e6 * ours:7.1f} us{1e6 * each:9.0f} us{each / ours:8.1f} x   "
            f"least_squares, {name}: "
            f"{calls / SAMPLED:.1f} responses each; "
            f"{away[plain].max():.3f} apart at most, of {int(plain.sum())}",
            flush=True,
        )
        good = good and bool(away[plain].max() < CLOSE) and (analytic or each / ours >= LEAST)
    print_stop(lambda progress: invert_layers(readings, chosen, options, progress=progress))
    return good


def print_memory() -> bool:
    """Peak memory over that of next to no sounding, less readings and results."""
    command = [sys.executable, "-c", CHILD, str(ROOT)]
    idle, _ = peak([*command, "10"])
    beyond = []
    for count in MEMORY_SIZES:
        most, took = peak([*command, str(count)])
        _, chosen = survey(10)
        kept = kept_bytes(count, len(chosen))
        beyond.append((most - idle - kept) / count)
        print(
            f"{f'{count:,} soundings x 4, 6 layers':<34}{(most - idle) / 1e6:7.0f} MB, of which "
            f"{kept / 1e6:.0f} MB readings and results; {beyond[-1]:.0f} bytes a sounding beyond"
            f"{took:8.1f} s",
            flush=True,
        )
    return beyond[-1] <= MOST_BYTES


def kept_bytes(count: int, channels: int, layers: int = 6) -> int:
    """Of readings (eight columns and the channels) and results, 8 bytes a number."""
    results = 5 * layers + 3 * (layers - 1) + 3
    return 8 * count * (8 + channels + results)


PARTS = {
    "coverage": print_coverage,
    "lateral": print_lateral,
    "speed": print_speed,
    "memory": print_memory,
}


def main(names: list[str]) -> bool:
    """Measure what is named, or everything; whether all keep what is asked."""
    load = ", ".join(f"{part:.1f}" for part in os.getloadavg())
    print(f"{os.cpu_count()} cores, load {load}", flush=True)
    kept = [PARTS[name]() for name in names or PARTS]
    return all(kept)


if __name__ == "__main__":
    if not main(sys.argv[1:]):
        raise SystemExit("Slower, larger or less sure than asked.")
