"""Invented layered ground for the inversion, and what coils would read over it."""

import numpy as np
from lynchet.algorithms.ground.instrument import CoilPair, Instrument
from lynchet.algorithms.ground.inversion.options import InversionOptions
from lynchet.algorithms.ground.invertlayers import invert_layers
from lynchet.algorithms.ground.layeredresponse import layered_response
from lynchet.algorithms.readings import Readings
from scipy.ndimage import gaussian_filter1d

NOISE, RELATIVE = 0.2, 0.03
"""Of a reading: mS/m, and as a share of it."""
COUNT, INTERVAL = 300, 0.25
"""Positions of a section and the metres between them."""


def channels(ways=("vertical", "horizontal"), spacings=(0.5, 1.0), height=0.0):
    """Quadrature of every pair, apparent conductivity in mS/m."""
    return Instrument(
        tuple(
            CoilPair(spacing, way, 10_000.0, height, quadrature=f"{way[0]}{100 * spacing:03.0f}")
            for spacing in spacings
            for way in ways
        )
    ).channels


FOUR, TWO = channels(), channels(("vertical",))


def grounds(count=1000, layers=3, low=5.0, high=80.0, thin=0.15, thick=0.8, start=1):
    """Conductivities equally likely in the logarithm, thicknesses equally likely."""
    rng = np.random.default_rng(start)
    sigma = np.exp(rng.uniform(np.log(low), np.log(high), (count, layers)))
    return sigma, rng.uniform(thin, thick, (count, layers - 1))


def exact(chosen, sigma, thickness, height=None):
    """Readings without any fault, shape ``(n, p)``."""
    ratio = layered_response([channel.pair for channel in chosen], sigma, thickness, height=height)
    return ratio.imag / [channel.scale for channel in chosen]


def read(chosen, sigma, thickness, height=None, start=2):
    """Readings with noise, along one traverse."""
    values = exact(chosen, sigma, thickness, height)
    noise = np.random.default_rng(start).normal(size=values.shape)
    return along_a_line(chosen, values + noise * np.hypot(NOISE, RELATIVE * values))


def along_a_line(chosen, values, interval=INTERVAL):
    """Readings of one traverse."""
    return Readings.build(
        x=interval * np.arange(len(values)), y=np.zeros(len(values)), values=values,
        channels=[channel.field for channel in chosen],
    )  # fmt: skip


def layer_means(sigma, thickness, model, mean="arithmetic"):
    """Mean conductivity of true grounds over each layer of a model; the last one's is its end's.

    `model` are the thicknesses of the model's layers, ``(L - 1,)``. `mean` may be ``"log"`` too.
    """
    edges = np.concatenate([[0.0], np.cumsum(model), [1e9]])
    inner = np.cumsum(thickness, axis=1)
    ends = np.concatenate([np.zeros((len(sigma), 1)), inner, np.full((len(sigma), 1), 1e9)], axis=1)
    top = np.maximum(edges[:-1], ends[:, :-1, np.newaxis])
    bottom = np.minimum(edges[1:], ends[:, 1:, np.newaxis])
    shared = np.clip(bottom - top, 0.0, None)
    values = np.log(sigma) if mean == "log" else sigma
    found = np.einsum("nij,ni->nj", shared, values) / np.diff(edges)
    return np.exp(found) if mean == "log" else found


def covered(found, truth):
    """Whether the bounds of each layer hold the truth, shape ``(n, L)``."""
    return (found.low <= truth) & (truth <= found.high)


def covered_all(found, sigma, thickness):
    """The same for conductivities and then thicknesses, where the model is as the ground."""
    held = (found.thin <= thickness) & (thickness <= found.thick)
    return np.concatenate([covered(found, sigma), held], axis=1)


def section(start, length=5.0, sharp=False, spread=(0.3, 0.3, 0.2)):
    """A section of two layers, 20 over 40 mS/m at 0.5 m: smooth over `length` m, or in steps."""
    rng = np.random.default_rng(start)
    sigma = length / INTERVAL
    pad = int(4 * sigma)
    fields = []
    for _ in range(3):
        field = gaussian_filter1d(rng.normal(size=COUNT + 2 * pad), sigma)[pad:-pad]
        field *= np.sqrt(2 * np.sqrt(np.pi) * sigma)
        fields.append(np.sign(field) if sharp else field)
    upper, lower, depth = (np.exp(part * field) for part, field in zip(spread, fields))
    return np.column_stack([20 * upper, 40 * lower]), 0.5 * depth[:, np.newaxis], rng


def lateral_errors(
    start, along, noise=0.5, calibration=0.01, assumed=None, method="few", chosen=FOUR, **ground
):
    """RMS error of the logarithms over a section: each by itself, and together.

    Each channel has a calibration of its own; `assumed` is its size as the inversion is told.
    """
    sigma, thickness, rng = section(start, **ground)
    values = exact(chosen, sigma, thickness)
    values = values + noise * rng.normal(size=values.shape)
    values = values * (1 + calibration * rng.normal(size=values.shape[1]))
    readings = along_a_line(chosen, values)
    errors = []
    for length in (0.0, along):
        options = InversionOptions(
            method=method, noise=(noise,), along=length,
            relative=calibration if assumed is None else assumed,
        )  # fmt: skip
        found = invert_layers(readings, chosen, options)
        if method == "few":
            away = np.log(np.concatenate([found.conductivity / sigma, found.thickness / thickness],
                                         axis=1))  # fmt: skip
        else:
            away = np.log(found.conductivity / layer_means(sigma, thickness, found.thickness[0]))
        errors.append(float(np.sqrt((away**2).mean())))
    return errors
