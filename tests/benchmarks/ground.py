"""Layered ground: what coil pairs read over it, beside a general electromagnetic modeller.

``python -m tests.benchmarks.ground [forward] [memory]`` measures both, or what is named.
The modeller is empymod, called ground by ground with what it can take in one call: all spacings of
one orientation. Its compiling is left out. Times a ground; ours takes all grounds in one call and
works on every core, empymod's compiled loops on one.
"""

from __future__ import annotations

import os
import sys
import time
from collections.abc import Callable
from itertools import product

import numpy as np

from .intake import peak
from .measured import ROOT, fastest, seconds

GROUNDS = 100_000
LAYERS = 6
SAMPLED = 400
"""Grounds that empymod is given."""
SPACINGS, FREQUENCY, HEIGHT = (0.5, 1.0), 10_000.0, 0.2
COMPONENTS = {"vertical": 66, "horizontal": 55}
"""Empymod's, magnetic receiver and source."""
FILTERS = {"its default": {}, "a short filter": {"dlf": "key_101_2009"}}
AIR = 1e20
"""Ohm m."""
LEAST, AGREED = 50.0, 1e-4
"""What is asked: how many times as fast, and how well the numbers agree, of the field."""
MEMORY_SIZES = (100_000, 1_000_000)
MOST_BYTES = 400
"""A ground, over what a process needs at its start: the ground and its readings take 112."""

CHILD = """
import sys, time
sys.path.insert(0, sys.argv[1])
from tests.benchmarks.ground import coil_pairs, layered_grounds
from lynchet.algorithms.ground.layeredresponse import layered_response
sigma, thickness = layered_grounds(int(sys.argv[2]))
begun = time.perf_counter()
found = layered_response(coil_pairs(), sigma, thickness)
print(time.perf_counter() - begun)
"""


def coil_pairs():
    """Two spacings, vertical and horizontal dipoles each: four readings a ground."""
    from lynchet.algorithms.ground.instrument import CoilPair

    return [CoilPair(*pair, FREQUENCY, HEIGHT) for pair in product(SPACINGS, COMPONENTS)]


def layered_grounds(count: int) -> tuple[np.ndarray, np.ndarray]:
    """Conductivities of `count` grounds, 2 to 200 mS/m, and the thicknesses they share."""
    rng = np.random.default_rng(0)
    sigma = np.exp(rng.uniform(np.log(2), np.log(200), (count, LAYERS)))
    return sigma, np.geomspace(0.2, 0.8, LAYERS - 1)


def by_empymod(sigma: np.ndarray, thickness: np.ndarray, filtered: dict) -> np.ndarray:
    """The same readings, one ground after the other."""
    import empymod

    spacings, none = np.array(SPACINGS), np.zeros(LAYERS + 1)
    depths, at_rest = np.r_[0.0, np.cumsum(thickness)], np.zeros(len(SPACINGS))
    scale = -4 * np.pi * spacings**3 * 2j * np.pi * FREQUENCY * 4e-7 * np.pi
    found = np.empty((len(sigma), len(SPACINGS), len(COMPONENTS)), complex)
    for row, ground in enumerate(1e3 / sigma):
        for column, component in enumerate(COMPONENTS.values()):
            found[row, :, column] = scale * empymod.dipole(
                [0, 0, -HEIGHT], [spacings, at_rest, -HEIGHT], depths, np.r_[AIR, ground],
                FREQUENCY, ab=component, epermH=none, epermV=none, xdirect=None,
                htarg=dict(filtered), verb=0,
            )  # fmt: skip
    return found.reshape(len(sigma), -1)


def print_forward() -> bool:
    """Both, fine and quick, beside empymod; whether ours keeps what is asked."""
    from lynchet.algorithms.ground.layeredresponse import layered_response

    sigma, thickness = layered_grounds(GROUNDS)
    few, pairs = sigma[:SAMPLED], coil_pairs()
    exact = layered_response(pairs, few, thickness)
    theirs = {}
    for name, filtered in FILTERS.items():
        by_empymod(few[:2], thickness, filtered)
        off = np.abs(by_empymod(few, thickness, filtered) - exact) / np.abs(exact)
        theirs[name] = fastest(lambda filtered=filtered: by_empymod(few, thickness, filtered))
        theirs[name] /= SAMPLED
        print(f"empymod, {name}: {1e6 * theirs[name]:,.0f} us a ground, {off.max():.0e} off ours")
        if not filtered and not off.max() < AGREED:
            return False
    good = True
    for accuracy in ("fine", "quick"):

        def ours(accuracy=accuracy):
            return layered_response(pairs, sigma, thickness, accuracy=accuracy)

        off = np.max(np.abs(ours()[:SAMPLED] - exact) / np.abs(exact))
        each = fastest(ours) / GROUNDS
        for name, other in theirs.items():
            what = f"{GROUNDS:,} grounds x 4, {accuracy}"
            times = f"{1e6 * each:7.1f} us{1e6 * other:7.0f} us{other / each:8.1f} x"
            print(f"{what:<34}{times}   empymod, {name}", flush=True)
        # The quick rule is good to what is asked; the fine one keeps four digits more, for a price.
        asked = LEAST if accuracy == "quick" else 0.0
        good = good and theirs["its default"] / each >= asked and off < AGREED
    print_stop(lambda progress: layered_response(pairs, sigma, thickness, progress=progress))
    return good


def print_stop(work: Callable[[Callable[[float], bool]], object]) -> None:
    """How often work reports, and how soon it stops when asked."""
    from lynchet.algorithms.progress import Cancelled

    told, asked = [], []

    def listen(fraction: float) -> bool:
        told.append(fraction)
        return True

    def stop(fraction: float) -> bool:
        asked.append(time.perf_counter())
        return fraction < 0.3

    whole = seconds(lambda: work(listen))
    try:
        work(stop)
    except Cancelled:
        late = time.perf_counter() - asked[-1]
        print(
            f"reported {len(told)} times in {whole:.1f} s; "
            f"{1e3 * late:.0f} ms from being asked to stop to having stopped"
        )
    else:
        raise AssertionError("The work went on after it was asked to stop.")


def print_memory() -> bool:
    """Peak memory over that of next to no ground; whether it keeps what is asked."""
    command = [sys.executable, "-c", CHILD, str(ROOT)]
    idle, _ = peak([*command, "2"])
    good = True
    for count in MEMORY_SIZES:
        most, took = peak([*command, str(count)])
        each = (most - idle) / count
        print(
            f"{f'{count:,} grounds x 4, fine':<34}{(most - idle) / 1e6:7.0f} MB{each:8.0f} bytes a "
            f"ground{took:8.1f} s",
            flush=True,
        )
        good = good and (count < max(MEMORY_SIZES) or each <= MOST_BYTES)
    return good


PARTS = {"forward": print_forward, "memory": print_memory}


def main(names: list[str]) -> bool:
    """Measure what is named, or everything; whether all keep what is asked."""
    load = ", ".join(f"{part:.1f}" for part in os.getloadavg())
    print(f"{os.cpu_count()} cores, load {load}", flush=True)
    kept = [PARTS[name]() for name in names or PARTS]
    return all(kept)


if __name__ == "__main__":
    if not main(sys.argv[1:]):
        raise SystemExit("Slower, larger or less exact than asked.")
