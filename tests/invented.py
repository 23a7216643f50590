"""Invented surveys for the corrections: ground, bodies, noise and every fault by itself."""

import numpy as np
from lynchet.algorithms.readings import Readings

LINES, COUNT = 40, 160
SEPARATION, INTERVAL = 0.5, 0.125
NOISE = 0.15
ALONG = (np.arange(COUNT) + 0.5) * INTERVAL
ACROSS = (np.arange(LINES) + 0.5) * SEPARATION
U, V = np.meshgrid(ACROSS, ALONG, indexing="ij")
BACKWARD = np.arange(LINES) % 2 == 1


def survey(field, turn=0.0):
    """The field, shape (lines, readings), walked zigzag."""
    seq = np.tile(np.arange(COUNT), (LINES, 1))
    seq[BACKWARD] = seq[BACKWARD, ::-1]
    place = (U + 1j * V) * np.exp(-1j * np.radians(turn)) + complex(430000, 5900000)
    return Readings.build(
        x=place.real.ravel(), y=place.imag.ravel(), values=np.ravel(field),
        line=np.repeat(np.arange(1, LINES + 1), COUNT), sequence=seq.ravel(),
    )  # fmt: skip


def column(readings):
    """The first channel back in the field's shape."""
    return readings.values[:, 0].reshape(LINES, COUNT)


def soil(rng):
    """Waves of 18 to 40 map units and a slope: 1 to 2 units high."""
    field = 20 + 0.05 * rng.normal() * U + 0.05 * rng.normal() * V
    for _ in range(3):
        length, way, phase = rng.uniform(18, 40), rng.uniform(0, np.pi), rng.uniform(0, 2 * np.pi)
        field += np.cos(2 * np.pi * (U * np.cos(way) + V * np.sin(way)) / length + phase)
    return field


def band(rng, angle, wide, high, share=1.0):
    """A ditch at `angle` degrees to the traverses with soft sides; `share`: how much of 20 long."""
    a = np.radians(angle)
    u0, v0 = rng.uniform(4, 16), rng.uniform(6, 14)
    off = (U - u0) * np.cos(a) - (V - v0) * np.sin(a)
    on = (U - u0) * np.sin(a) + (V - v0) * np.cos(a)
    # Nothing ends more sharply than the coils' own reach.
    ends = 1 / (1 + np.exp(-(10 * share - np.abs(on)) / 0.15))
    return high * np.exp(-0.5 * (off / wide) ** 2) * ends


def few_bodies(rng):
    """A ditch along the traverses, one oblique, two pits."""
    field = band(rng, 0, 0.45, 4.0, 0.4) + band(rng, rng.uniform(20, 70), 0.4, 3.0, 0.6)
    return field + pits(rng, 2)


def bodies(rng):
    """Hardly any quiet ground: ditches along, slightly and much oblique, across; pits; a low."""
    field = band(rng, 0, 0.45, 4.0, 0.4) + band(rng, rng.uniform(8, 20), 0.4, 2.5, 0.6)
    field += band(rng, rng.uniform(30, 60), 0.5, 3.0) + band(rng, 90, 0.4, 3.0)
    field += band(rng, rng.uniform(60, 85), 0.35, -2.0)
    return field + pits(rng, 6)


def pits(rng, count):
    """Round bodies 1 to 2 map units wide."""
    field = np.zeros_like(U)
    for _ in range(count):
        u0, v0 = rng.uniform(1, 19, 2)
        wide = rng.uniform(0.4, 0.9)
        field += rng.uniform(1, 5) * np.exp(-0.5 * ((U - u0) ** 2 + (V - v0) ** 2) / wide**2)
    return field


SHAPES = {"soil": lambda rng: np.zeros_like(U), "few bodies": few_bodies, "many bodies": bodies}
LAG = 0.2


def clean(seed, kind="many bodies", lag=0.0):
    """Field without faults, and the bodies alone.

    `lag`: every reading shows what lies so far behind it, so that opposing passes are displaced.
    """
    rng = np.random.default_rng(seed)
    ground = soil(rng)
    shapes = SHAPES[kind](rng)
    noise = rng.normal(0, NOISE, (LINES, COUNT))
    if lag:
        for row in range(LINES):
            at = ALONG + lag if BACKWARD[row] else ALONG - lag
            ground[row] = np.interp(at, ALONG, ground[row])
            shapes[row] = np.interp(at, ALONG, shapes[row])
    return ground + shapes + noise, shapes


# -- faults ------------------------------------------------------------------------------------


def spikes(seed, share=0.01):
    """Single readings off by 2 to 12 units."""
    rng = np.random.default_rng(seed + 1000)
    hit = rng.uniform(size=(LINES, COUNT)) < share
    return hit * rng.uniform(2, 12, hit.shape) * rng.choice([-1, 1], hit.shape)


def runs(seed, count=40, shortest=2, longest=6):
    """Runs of readings off by 3 to 10 units, uneven by a tenth."""
    rng = np.random.default_rng(seed + 2000)
    fault = np.zeros((LINES, COUNT))
    for line in rng.permutation(LINES)[:count]:
        length = rng.integers(shortest, longest + 1)
        start = rng.integers(5, COUNT - 5 - length)
        high = rng.uniform(3, 10) * rng.choice([-1, 1])
        fault[line, start : start + length] = high * rng.uniform(0.9, 1.1, length)
    return fault


def heading(half=0.5):
    """What sets the two directions apart."""
    return np.where(BACKWARD, half, -half)[:, None] + np.zeros(COUNT)


def offsets(seed, sigma=0.8):
    """A random offset a traverse."""
    rng = np.random.default_rng(seed + 3000)
    return rng.normal(0, sigma, LINES)[:, None] + np.zeros(COUNT)


def steps(seed, count=8):
    """Zero jumps of 0.8 to 2.5 units: fault, and (line, first reading after, size) of each."""
    rng = np.random.default_rng(seed + 4000)
    fault, planted = np.zeros((LINES, COUNT)), []
    for line in np.sort(rng.permutation(LINES)[:count]):
        at = int(rng.integers(15, COUNT - 15))
        size = float(rng.uniform(0.8, 2.5) * rng.choice([-1, 1]))
        fault[line, at:] += size
        planted.append((int(line), at, size))
    return fault, planted


def rms(difference):
    """Root mean square."""
    return float(np.sqrt(np.mean(np.square(difference))))


def harm(before, after, shapes):
    """Rms change, and the energy changed where bodies are as a share of the bodies' energy."""
    change = after - before
    on = np.abs(shapes) > 0.5
    share = np.sum(change[on] ** 2) / np.sum(shapes[on] ** 2) if on.any() else 0.0
    return rms(change), float(share)


def removed(correct, fault, kind, seeds=8):
    """Share of the variance of a fault that a correction removes; a general level is no fault.

    `correct` takes and gives a field; `fault` takes a seed.
    """
    left = planted = 0.0
    for seed in range(seeds):
        field, _ = clean(seed, kind)
        put = fault(seed)
        left += np.var(correct(field + put) - field)
        planted += np.var(put)
    return 1 - left / planted


def worst_harm(correct, kind, seeds=8):
    """Greatest `harm` that a correction does to fields without faults."""
    found = []
    for seed in range(seeds):
        field, shapes = clean(seed, kind)
        found.append(harm(field, correct(field), shapes))
    return np.max(found, axis=0)
