"""Balance: against NumPy's least squares, SciPy's statistics and planted steps."""

import numpy as np
import pytest
from lynchet.algorithms.correct.balancegrids import network, ratio_of
from lynchet.algorithms.correct.edges import cells_of, find_edges
from lynchet.algorithms.readings import Readings
from scipy.optimize import minimize
from scipy.stats import linregress


def graph(seed, nodes=8, more=7):
    """A tree that joins all, and some pairs more."""
    rng = np.random.default_rng(seed)
    tree = [[int(rng.integers(0, k)), k] for k in range(1, nodes)]
    extra = [sorted(rng.choice(nodes, 2, replace=False).tolist()) for _ in range(more)]
    pairs = np.array(tree + extra)
    return rng, pairs, rng.normal(0, 3, nodes), rng.uniform(0.05, 0.3, len(pairs))


def incidence(pairs, nodes):
    table = np.zeros((len(pairs), nodes))
    table[np.arange(len(pairs)), pairs[:, 1]] += 1
    table[np.arange(len(pairs)), pairs[:, 0]] -= 1
    return table


def inside(rng, error):
    """Errors of steps small enough that none of them counts as an outlier."""
    return np.clip(rng.normal(0, 0.5, len(error)), -0.9, 0.9) * error


@pytest.mark.parametrize("seed", range(6))
def test_levels_are_numpys_weighted_least_squares(seed):
    rng, pairs, level, error = graph(seed)
    step = level[pairs[:, 1]] - level[pairs[:, 0]] + inside(rng, error)
    size = rng.uniform(1, 5, len(level))
    found, _ = network(pairs, step, error, size, None)
    table = incidence(pairs, len(level)) / error[:, np.newaxis]
    expected = np.linalg.lstsq(table, step / error, rcond=None)[0]
    expected -= np.average(expected, weights=size)
    np.testing.assert_allclose(found, expected, atol=1e-8)
    held, _ = network(pairs, step, error, size, 3)
    np.testing.assert_allclose(held, expected - expected[3], atol=1e-8)


@pytest.mark.parametrize("held", [None, 0, 5])
def test_errors_of_levels_are_those_of_the_pseudo_inverse(held):
    rng, pairs, level, error = graph(11)
    step = level[pairs[:, 1]] - level[pairs[:, 0]] + inside(rng, error)
    _, sigma = network(pairs, step, error, np.ones(len(level)), held)
    table = incidence(pairs, len(level)) / error[:, np.newaxis]
    covariance = np.linalg.pinv(table.T @ table)
    share = np.full(len(level), 1 / len(level)) if held is None else np.eye(len(level))[held]
    centring = np.eye(len(level)) - share[np.newaxis]
    expected = np.sqrt(np.diag(centring @ covariance @ centring.T).clip(0))
    np.testing.assert_allclose(sigma, expected, atol=1e-6)


def test_levels_are_the_least_of_hubers_cost_where_one_step_is_bad():
    rng, pairs, level, error = graph(4, more=12)
    step = level[pairs[:, 1]] - level[pairs[:, 0]] + inside(rng, error)
    step[9] += 5.0
    found, _ = network(pairs, step, error, np.ones(len(level)), None)

    def cost(trial):
        off = np.abs(step - incidence(pairs, len(level)) @ trial) / error
        held = np.minimum(off, 2.0)
        return np.sum(held * (2 * off - held)) / 2

    best = minimize(cost, level - level.mean(), method="BFGS", options={"gtol": 1e-10}).x
    np.testing.assert_allclose(found, best - best.mean(), atol=2e-3)
    assert np.abs(found - (level - level.mean())).max() < 0.5


def test_sets_of_parts_are_solved_each_by_itself():
    pairs = np.array([[0, 1], [3, 4], [1, 0]])
    found, sigma = network(pairs, np.array([2.0, 7.0, -2.0]), np.ones(3), np.ones(6), None)
    np.testing.assert_allclose(found, [-1, 1, 0, -3.5, 3.5, 0], atol=1e-8)
    np.testing.assert_array_equal(np.isnan(sigma), [False, False, True, False, False, True])


@pytest.mark.parametrize("seed", range(4))
def test_the_ratio_is_the_geometric_mean_of_the_two_regressions(seed):
    # The reduced major axis lies between the line of y on x and that of x on y: its slope is the
    # geometric mean of theirs (a property of it; Warton et al. 2006).
    rng = np.random.default_rng(seed)
    first = rng.normal(0, 2, 60)
    second = 1.4 * first + rng.normal(0, 0.5, 60)
    down, up = linregress(first, second), linregress(second, first)
    ratio, error = ratio_of(first, second)
    assert ratio == pytest.approx(np.sqrt(down.slope / up.slope), rel=1e-9)
    # Its standard error is slope * sqrt((1 - r^2) / n) for independent places; these share
    # readings, four to one.
    assert error == pytest.approx(np.sqrt((1 - down.rvalue**2) / (60 / 4)), rel=1e-6)


@pytest.mark.parametrize("seed", range(4))
def test_the_step_at_one_place_is_that_of_numpys_least_squares(seed):
    # Two rows of blocks so short that one place is looked at; all cells count alike where noise is
    # even, and Huber's weights are 1 where no cell is further off than 1.5 standard deviations.
    rng = np.random.default_rng(seed)
    u, v = (
        grid.ravel() for grid in np.meshgrid(np.arange(-1.45, 1.5, 0.1), np.arange(0, 0.4, 0.1))
    )
    part = (u > 0).astype(np.int64)
    # Noise of two values only: every cell as far off as any other.
    noise = 0.1 * rng.choice([-1.0, 1.0], len(u))
    values = 3 + 0.5 * u - 0.3 * v + 0.1 * u * u + 2.0 * part + noise
    cells = cells_of(Readings.build(x=u, y=v, values=values), part, 0.1)
    (edge,) = find_edges(cells, 50.0)
    assert edge.windows == 1
    x, y, z = cells.x - cells.x.mean(), cells.y - cells.y.mean(), cells.values[:, 0]
    table = np.column_stack([np.ones(len(x)), x, y, x * x, x * y, y * y, cells.part])
    expected = np.linalg.lstsq(table, z, rcond=None)[0]
    assert edge.step[0] == pytest.approx(expected[-1], abs=1e-4)
    rest = z - table @ expected
    variance = rest @ rest / (len(z) - 7) * np.linalg.inv(table.T @ table)[-1, -1]
    # One place, whose error is not averaged.
    assert edge.error[0] == pytest.approx(np.sqrt(variance), rel=0.05)
