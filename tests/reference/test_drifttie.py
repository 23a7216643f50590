"""Drift from ties: against SciPy's B-splines, least squares by NumPy and planted drifts."""

import numpy as np
import pytest
from lynchet.algorithms.correct.curves import Curves
from lynchet.algorithms.correct.drifttie import DriftTieOptions, drifttie
from lynchet.algorithms.readings import Readings
from scipy.interpolate import BSpline
from scipy.optimize import minimize


def basis(start, end, count, degree, time):
    """SciPy's uniform B-splines over a stretch, one column a coefficient."""
    step = (end - start) / (count - degree)
    knots = start + step * np.arange(-degree, count + 1)
    inside = np.clip(time, start, end - 1e-9 * (end - start))
    return BSpline(knots, np.eye(count), degree)(inside)


@pytest.mark.parametrize("degree", [1, 3])
@pytest.mark.parametrize("count", [4, 5, 9, 30])
def test_the_weights_are_scipys_uniform_b_splines(degree, count):
    time = np.sort(np.random.default_rng(0).uniform(500, 9000, 200))
    time = np.concatenate([[500.0], time, [9000.0]])
    found = Curves(np.array([500.0]), np.array([9000.0]), np.array([0, count]), degree, 2)
    table = found.design(np.zeros(len(time), np.int64), time).toarray()
    np.testing.assert_allclose(table, basis(500, 9000, count, degree, time), atol=1e-7)


TIES, TRAVERSES, PLACES = 4, 12, 61


def lattice(drift, noise=0.1, seed=0, ground=None):
    """Traverses, then ties, over a lattice of a reading a unit; a unit a second, 10 s to turn."""
    parts, clock = [], 0.0
    for k in range(TRAVERSES):
        way = 1 if k % 2 == 0 else -1
        v = np.arange(PLACES)[::way]
        parts.append((np.full(PLACES, 5.0 * k), v, clock + np.arange(PLACES)))
        clock += PLACES + 10
    for k in range(TIES):
        u = np.arange(5 * TRAVERSES - 4)
        parts.append((u, np.full(len(u), 10.0 + 13 * k), clock + np.arange(len(u))))
        clock += len(u) + 10
    line = np.repeat(np.arange(len(parts)), [len(part[0]) for part in parts])
    u, v, time = (np.concatenate(column) for column in zip(*parts))
    values = np.random.default_rng(seed).normal(20, noise, len(u)) + drift(time)
    values += 0 if ground is None else ground(u, v)
    return Readings.build(x=u, y=v, values=values, line=line, time=time)


def crossing_rows(readings):
    """Rows of tie and traverse that stand on one place, found by the place alone."""
    seen = {}
    for row, place in enumerate(zip(readings.x, readings.y)):
        seen.setdefault(place, []).append(row)
    return np.array([rows[::-1] for rows in seen.values() if len(rows) == 2])


TIE = np.arange(TRAVERSES + TIES) >= TRAVERSES


@pytest.mark.parametrize(("shape", "degree"), [("cubic", 3), ("linear", 1)])
def test_a_smooth_curve_is_numpys_penalised_least_squares(shape, degree):
    # Differences of two values, all as far off as one another: Huber's weights are 1 throughout.
    readings = lattice(lambda t: 2e-3 * t, noise=0.0)
    rows = crossing_rows(readings)
    assert len(rows) == TIES * TRAVERSES
    sign = np.random.default_rng(1).choice([-1.0, 1.0], len(rows))
    values = readings.values.copy()
    values[rows[:, 0], 0] += 0.1 * sign
    readings = readings.with_values(values)
    options = DriftTieOptions(shape=shape, knots=150.0, smoothness=0.5)
    found = drifttie(readings, TIE, options).readings
    off = readings.values[:, 0] - found.values[:, 0]

    time = readings.time
    count = int(np.ceil(np.ptp(time) / 150.0)) + degree
    table = basis(time.min(), time.max(), count, degree, time)
    relation = table[rows[:, 0]] - table[rows[:, 1]]
    difference = values[rows[:, 0], 0] - values[rows[:, 1], 0]
    bends = np.sqrt(0.5 * len(rows) / count) * np.diff(np.eye(count), 2, axis=0)
    system = np.vstack([relation, bends])
    right = np.concatenate([difference, np.zeros(len(bends))])
    expected = table @ np.linalg.lstsq(system, right, rcond=None)[0]
    assert np.abs(difference - relation @ np.linalg.lstsq(system, right, rcond=None)[0]).max() < 0.2
    np.testing.assert_allclose(off, expected - expected.mean(), atol=1e-4)


def test_levels_of_lines_are_the_least_of_hubers_cost():
    level = np.random.default_rng(2).normal(0, 1, TRAVERSES + TIES)
    readings = lattice(lambda t: 0 * t, noise=0.2, seed=3)
    values = readings.values + level[readings.line][:, np.newaxis]
    rows = crossing_rows(readings)
    values[rows[::9, 0], 0] += 8.0
    readings = readings.with_values(values)
    options = DriftTieOptions(model="each_line", knots=1e6, smoothness=0.0)
    found = drifttie(readings, TIE, options).readings
    off = readings.values[:, 0] - found.values[:, 0]
    per_line = np.array([off[readings.line == k][0] for k in range(len(level))])
    difference = values[rows[:, 0], 0] - values[rows[:, 1], 0]
    one, two = readings.line[rows].T
    rest = np.abs(difference - (per_line[one] - per_line[two]))
    reach = 1.5 * 1.482602 * np.median(rest)

    def cost(trial):
        away = np.abs(difference - (trial[one] - trial[two]))
        held = np.minimum(away, reach)
        return np.sum(held * (2 * away - held))

    best = minimize(cost, per_line, method="BFGS", options={"gtol": 1e-9}).x
    assert cost(per_line) == pytest.approx(cost(best), rel=1e-4)
    np.testing.assert_allclose(per_line - per_line.mean(), best - best.mean(), atol=0.02)
    # Four crossings of noise 0.28 a line.
    assert np.std(per_line - level) < 0.25


def test_a_straight_drift_is_taken_off_whole_without_noise():
    ground = lambda u, v: np.sin(u / 7) * np.cos(v / 5) * 4  # noqa: E731
    drift = lambda t: 0.003 * t  # noqa: E731
    readings = lattice(drift, noise=0.0, ground=ground)
    for options in ({}, {"shape": "linear"}, {"smoothness": 100.0}):
        found = drifttie(readings, TIE, DriftTieOptions(**options)).readings
        rest = (found.values[:, 0] - ground(readings.x, readings.y)) - 20
        assert np.ptp(rest) < 1e-3


@pytest.mark.parametrize("seed", range(3))
def test_a_swaying_drift_is_taken_off_to_a_tenth(seed):
    drift = lambda t: 2 * np.sin(t / 150 + seed) + 1.5 * np.exp(-t / 200)  # noqa: E731
    readings = lattice(drift, seed=seed)
    found = drifttie(readings, TIE, DriftTieOptions(knots=60.0)).readings
    off = (readings.values - found.values)[:, 0]
    wanted = drift(readings.time)
    assert np.std(off - wanted) < 0.1 * np.ptp(wanted)
