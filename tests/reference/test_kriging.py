"""Kriging against the outside world: pykrige, a published variogram, and what theory demands."""

import csv
import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.kriging.empirical import empirical, fitted_to
from lynchet.algorithms.gridding.kriging.judge import (
    LEAST,
    NORMAL,
    TAILS,
    Judge,
    scale_of,
)
from lynchet.algorithms.gridding.kriging.models import MATERN_3_2, MATERN_5_2, Variogram
from lynchet.algorithms.gridding.kriging.neighbours import Neighbours
from lynchet.algorithms.gridding.kriging.trial import Trial
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods import kriging
from scipy.special import gamma, kv
from scipy.stats import t as student


def task(xy, values, line=None, separation=None, bearing=None, **options):
    """A task for evaluating at any position; its frame does not matter."""
    values = np.asarray(values, dtype=float).reshape(len(xy), -1)
    return Task(
        xy=xy,
        values=values,
        line=np.full(len(xy), -1) if line is None else line,
        channels=tuple(f"c{number + 1}" for number in range(values.shape[1])),
        units=("mS/m",) * values.shape[1],
        frame=Frame(0.0, 0.0, 1.0, 1.0, 1, 1),
        wanted=np.ones((1, 1), dtype=bool),
        options=kriging.METHOD.checked(options),
        blanking_distance=0.5,
        separation=separation,
        bearing=bearing,
    )


def scattered(count=150, seed=3):
    rng = np.random.default_rng(seed)
    xy = rng.uniform(0, 10, (count, 2))
    values = 20 + 3 * np.sin(xy[:, 0]) * np.cos(xy[:, 1] / 2) + rng.normal(0, 0.3, count)
    return xy, values, rng.uniform(0, 10, (60, 2))


def pykriged(xy, values, cells, model, figures, near, exact=True, ratio=1.0, bearing=0.0):
    """Ordinary kriging by pykrige (B. Murphy and others), from the nearest so many readings.

    Its angle is that of the longer range, anticlockwise from east.
    """
    ok = pytest.importorskip("pykrige.ok")
    made = ok.OrdinaryKriging(
        xy[:, 0],
        xy[:, 1],
        values,
        variogram_model=model,
        variogram_parameters=figures,
        exact_values=exact,
        anisotropy_scaling=ratio,
        anisotropy_angle=90.0 - bearing,
    )
    value, variance = made.execute(
        "points", cells[:, 0], cells[:, 1], n_closest_points=near, backend="loop"
    )
    return np.asarray(value), np.asarray(variance)


# Our range is where 95 % of the sill is reached, our sill is without the nugget; pykrige's Gaussian
# model has a range of its own, and its sills are whole.
MODELS = [
    ("spherical", "spherical", [2.3, 4.0, 0.3], {"sill": 2.0, "range": 4.0, "nugget": 0.3}),
    ("exponential", "exponential", [2.1, 6.0, 0.1], {"sill": 2.0, "range": 6.0, "nugget": 0.1}),
    (
        "gaussian",
        "gaussian",
        [2.2, 3.0, 0.2],
        {"sill": 2.0, "range": 3.0 * 4 / 7 * 3**0.5, "nugget": 0.2},
    ),
    ("linear", "linear", [0.7, 0.2], {"sill": 1.4, "range": 2.0, "nugget": 0.2}),
    (
        "power",
        "power",
        [0.7, 1.6, 0.2],
        {"sill": 0.7, "range": 1.0, "exponent": 1.6, "nugget": 0.2},
    ),
]


@pytest.mark.parametrize("ratio", [1.0, 2.5])
@pytest.mark.parametrize(("model", "theirs", "figures", "ours"), MODELS)
def test_kriging_of_the_nearest_readings_agrees_with_pykrige(model, theirs, figures, ours, ratio):
    xy, values, cells = scattered()
    options = {
        "model": model, **ours, "neighbourhood": "nearest", "neighbours": 14,
        "nugget_is": "ground", "ratio": ratio, "bearing": 35.0,
    }  # fmt: skip
    cells = np.vstack([cells, xy[:5]])  # at a reading it takes it, and its variance is 0
    found = kriging.prepare(task(xy, values, **options)).evaluate(cells)
    value, variance = pykriged(xy, values, cells, theirs, figures, 14, True, ratio, 35.0)
    np.testing.assert_allclose(found[:, 0], value, rtol=0, atol=1e-6)
    np.testing.assert_allclose(found[:, 1] ** 2, variance, rtol=0, atol=1e-6)
    assert found[:60, 1].min() > 0.1


def test_a_nugget_of_noise_is_what_pykrige_calls_not_exact():
    xy, values, cells = scattered()
    cells = np.vstack([cells, xy])
    options = {"model": "spherical", "sill": 2.0, "range": 4.0, "nugget": 0.3, "ratio": 1.0}
    found = kriging.prepare(
        task(xy, values, **options, neighbourhood="nearest", neighbours=14)
    ).evaluate(cells)
    value, variance = pykriged(xy, values, cells, "spherical", [2.3, 4.0, 0.3], 14, exact=False)
    np.testing.assert_allclose(found[:, 0], value, rtol=0, atol=1e-6)
    # theirs is the variance of a further reading, ours of the ground below it
    np.testing.assert_allclose(found[:, 1] ** 2, variance - 0.3, rtol=0, atol=1e-6)
    assert np.abs(found[60:, 0] - values).max() > 0.1


def meuse():
    """Zinc (log) in the topsoil of the Meuse flood plain, with positions in metres.

    The data set of P. A. Burrough and R. A. McDonnell (1998), Principles of Geographical
    Information Systems, appendix; this copy comes with scikit-gstat.
    """
    found = importlib.util.find_spec("skgstat")
    if found is None:
        pytest.skip("the data file is not there")
    path = Path(found.origin).parent / "data" / "samples" / "meuse.txt"
    with open(path, encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    xy = np.array([[float(row["x"]), float(row["y"])] for row in rows])
    return xy, np.log([float(row["zinc"]) for row in rows])


def test_the_variogram_of_the_meuse_data_is_the_published_one():
    # gstat's vignette "The meuse data set", from memory: nugget 0.05, partial sill 0.59, range 897
    xy, zinc = meuse()
    found = empirical(xy, zinc)
    assert found.pairs[:3].tolist() == [57, 299, 419]
    fit = fitted_to(found, "spherical")
    assert fit.nugget == pytest.approx(0.05, rel=0.1)
    assert fit.sill == pytest.approx(0.59, rel=0.1)
    assert fit.range == pytest.approx(897, rel=0.1)


@pytest.mark.parametrize(
    ("model", "order", "scale"), [("matern_3_2", 1.5, MATERN_3_2), ("matern_5_2", 2.5, MATERN_5_2)]
)
def test_the_matern_models_are_those_of_the_general_formula(model, order, scale):
    # M. L. Stein (1999), Interpolation of Spatial Data, section 2.7
    h = np.linspace(0.01, 3, 50)
    rho = 2 ** (1 - order) / gamma(order) * (scale * h) ** order * kv(order, scale * h)
    found = Variogram(model, 0.0, 1.0, 1.0).gamma(h)
    np.testing.assert_allclose(found, 1 - rho, rtol=0, atol=1e-12)
    assert Variogram(model, 0.0, 1.0, 1.0).gamma(np.array([1.0]))[0] == pytest.approx(0.95)


def test_variograms_are_judged_by_the_density_scipy_gives_the_errors():
    xy, values, _ = scattered()
    neighbours = Neighbours(xy, None, 12, np.eye(2))
    trial = Trial(neighbours, np.arange(len(xy)))
    given = Variogram("spherical", 0.3, 2.0, 4.0)
    errors, shares = trial.errors(given, values)
    spread = np.sqrt(NORMAL * 2.3 * (shares + LEAST * shares.mean()))
    density = student.logpdf(errors, TAILS, scale=spread)
    other = replace(given, range=1.5)
    others, shares = trial.errors(other, values)
    spread = np.sqrt(NORMAL * 2.3 * (shares + LEAST * shares.mean()))
    step = density.mean() - student.logpdf(others, TAILS, scale=spread).mean()
    judge = Judge((trial,), values, False)
    assert judge.score(other) - judge.score(given) == pytest.approx(2 * step, rel=1e-9)


def test_the_scale_of_errors_with_tails_is_the_one_scipy_fits():
    errors = student.rvs(TAILS, scale=3.0, size=400, random_state=4)
    *_, scale = student.fit(errors, fdf=TAILS, floc=0.0)
    found = scale_of(errors**2, np.full(400, 1 / 400))
    assert np.sqrt(found) == pytest.approx(scale, rel=1e-3)
    normal = np.random.default_rng(1).normal(size=100_000)
    assert scale_of(normal**2, np.full(100_000, 1e-5)) == pytest.approx(NORMAL, rel=0.01)


def franke(x, y):
    """The test function of R. Franke (1982), Scattered data interpolation, Math. Comp. 38."""
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def test_between_traverses_frankes_function_is_found_far_better_than_by_cubic_triangles():
    from scipy.interpolate import griddata

    x, y = (part.ravel() for part in np.meshgrid(
        np.linspace(0, 1, 21), np.linspace(0, 1, 81), indexing="ij"
    ))  # fmt: skip
    xy, line = np.column_stack([x, y]), np.repeat(np.arange(21), 81)
    rng = np.random.default_rng(5)
    cells = rng.uniform(0.05, 0.95, (500, 2))
    ready = kriging.prepare(task(xy, franke(x, y), line, 0.05, 0.0))
    off = ready.evaluate(cells)[:, 0] - franke(*cells.T)
    cubic = griddata(xy, franke(x, y), cells, method="cubic") - franke(*cells.T)
    assert np.sqrt(np.mean(off**2)) < 0.25 * np.sqrt(np.mean(cubic**2))
