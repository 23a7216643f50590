"""Along and across against SciPy's shape-preserving cubic, by hand along and then across."""

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods import method_named
from lynchet.algorithms.gridding.traverses.hermite import between
from lynchet.algorithms.gridding.traverses.smoothing import smoothed
from scipy.interpolate import PchipInterpolator

METHOD = method_named("along_across")


def franke(x, y):
    """The test function of R. Franke (1982), Scattered data interpolation, Math. Comp. 38."""
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def task(xy, values, line, blanking=2.0, **options):
    """A task for evaluating anywhere."""
    values = np.reshape(values, (len(xy), -1))
    return Task(
        xy=xy,
        values=values - values.min(axis=0),
        line=line,
        channels=("c",) * values.shape[1],
        units=("",) * values.shape[1],
        frame=Frame(0.0, 0.0, 0.5, 0.5, 1, 1),
        wanted=np.ones((1, 1), dtype=bool),
        options=METHOD.checked(options),
        blanking_distance=blanking,
    )


def evaluated(task, values, cells):
    """What the method gives, shape (m, c)."""
    return METHOD.prepare(task, lambda done: True).evaluate(cells) + values.min(axis=0)


def turned(a, s, bearing):
    """Positions of places across and along a bearing."""
    angle = np.radians(bearing)
    return np.column_stack(
        [a * np.cos(angle) + s * np.sin(angle), s * np.cos(angle) - a * np.sin(angle)]
    )


def test_the_cubic_is_that_of_scipy():
    rng = np.random.default_rng(3)
    for count in (3, 4):
        x = np.cumsum(rng.uniform(0.1, 2.0, (count, 500)), axis=0)
        y = rng.normal(size=(count, 500))
        missing = np.zeros((4 - count, 500))
        for start in range(count - 1):  # which of SciPy's intervals is the middle one
            if count == 4 and start != 1:
                continue
            before, after = start > 0, start + 2 < count
            at = x[start] + rng.uniform(0, 1, 500) * (x[start + 1] - x[start])
            knots = (x, y) if count == 4 else [
                np.concatenate([missing, z] if after else [z, missing]) for z in (x, y)
            ]  # fmt: skip
            ours = between(*knots, at, np.full(500, before), np.full(500, after))
            theirs = [PchipInterpolator(x[:, i], y[:, i])(at[i]) for i in range(500)]
            np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-12)


@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0, 161.0])
def test_even_traverses_agree_with_scipy_along_and_then_across(bearing):
    rng = np.random.default_rng(4)
    across = np.cumsum(rng.uniform(0.4, 0.6, 12))
    along = np.cumsum(rng.uniform(0.1, 0.3, 50))
    values = rng.normal(30, 5, (12, 50, 2))
    a, s = (grid.ravel() for grid in np.meshgrid(across, along, indexing="ij"))
    line = np.repeat(np.arange(12), 50)
    xy = turned(a, s, bearing)
    where_a, where_s = rng.uniform(across[1], across[-2], 800), rng.uniform(1, 9, 800)
    where_s = np.clip(where_s, along[0], along[-1])
    flat = values.reshape(-1, 2)
    cells = turned(where_a, where_s, bearing)
    ours = evaluated(task(xy, flat, line, oblique="ignore"), flat, cells)
    profiles = PchipInterpolator(along, values, axis=1)(where_s)  # (12, 800, 2)
    theirs = np.array(
        [
            # no more than two traverses on either side take part
            PchipInterpolator(across[j - 1 : j + 3], profiles[j - 1 : j + 3, i])(where_a[i])
            for i, j in enumerate(np.searchsorted(across, where_a) - 1)
        ]
    )
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-9)


def test_the_error_on_a_smooth_function_falls_as_the_spacing_squared_or_faster():
    """The harmonic mean of secants is of second order at least (Fritsch and Butland, 1984)."""
    rng = np.random.default_rng(5)
    cells = rng.uniform(0.05, 0.95, (4000, 2))
    errors = []
    for lines in (11, 21, 41, 81):
        x, y = np.meshgrid(np.linspace(0, 1, lines), np.linspace(0, 1, 2 * lines), indexing="ij")
        values = franke(x, y).reshape(-1, 1)
        xy = np.column_stack([x.ravel(), y.ravel()])
        given = task(xy, values, np.repeat(np.arange(lines), 2 * lines), 0.2, oblique="ignore")
        errors.append(
            np.sqrt(np.mean((evaluated(given, values, cells)[:, 0] - franke(*cells.T)) ** 2))
        )
    rates = np.log2(np.array(errors[:-1]) / errors[1:])
    assert rates.min() > 1.8
    assert errors[1] < 2e-3


def test_smoothing_agrees_with_weighted_least_squares():
    rng = np.random.default_rng(6)
    s, v = np.cumsum(rng.uniform(0.05, 0.2, 60)), rng.normal(size=(1, 60))
    line = np.repeat([0, 1], 30)
    ours = smoothed(s, v, line, 0.5)[0]
    for i in range(60):
        near = (np.abs(s - s[i]) < 0.5) & (line == line[i])
        weight = (1 - (np.abs(s - s[i])[near] / 0.5) ** 3) ** 3
        fit = np.polyfit(s[near] - s[i], v[0, near], 1, w=np.sqrt(weight))
        assert ours[i] == pytest.approx(fit[1], abs=1e-10)
