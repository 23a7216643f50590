import numpy as np
import pytest
import variants
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.junctions import find_junctions, left_by_levelling, steps_at
from lynchet.algorithms.correct.levellines import LevelOptions, levellines
from lynchet.algorithms.correct.traverses import grids_of
from lynchet.algorithms.readings import Qc, Readings

LINES = 40


def offsets_without_grids(made):
    fault = made.line_offsets()
    for name in variants.GRIDS:
        fault[made.grid == name] -= fault[made.grid == name].mean()
    return fault


def of(made, values):
    readings = made.readings(values)
    grids = grids_of(readings)
    return readings, find_junctions(readings, grids)


def test_every_traverse_meets_the_one_that_goes_on_and_no_other():
    made = variants.variant(0)
    readings, found = of(made, made.ground)
    assert len(found) == 2 * LINES
    names = [t.name for g in grids_of(readings) for t in g.traverses]
    met = {(names[a], names[b]) for a, b in np.sort(found.line, axis=1)}
    expected = {
        (f"line {k} of grid {one}", f"line {k} of grid {other}")
        for one, other in (("A1", "B1"), ("A2", "B2"))
        for k in range(1, LINES + 1)
    }
    assert met == expected
    # The readings nearest to the junction come first, on either side of it.
    assert (np.abs(found.place[..., 0]) < np.abs(found.place[..., 1])).all()
    assert (np.sign(found.place[:, 0]) == -np.sign(found.place[:, 1])).all()


def test_the_step_is_that_of_a_straight_line_with_a_step_by_numpy():
    made = variants.variant(1)
    rng = np.random.default_rng(0)
    values = made.ground + rng.normal(0, 0.1, len(made.u))
    readings, found = of(made, values)
    step, variance = steps_at(found, readings.values[:, 0])
    for j in (0, 17, 63):
        place = found.place[j].ravel()
        side = np.repeat([0.0, 1.0], found.place.shape[2])
        design = np.column_stack([np.ones(len(place)), place, side])
        y = readings.values[found.rows[j].ravel(), 0]
        fitted, rest, *_ = np.linalg.lstsq(design, y, rcond=None)
        assert step[j] == pytest.approx(fitted[2], abs=1e-6)
        noise = rest[0] / (len(y) - 3)
        expected = noise * np.linalg.inv(design.T @ design)[2, 2]
        assert variance[j] == pytest.approx(expected, rel=1e-6)


def test_what_levelling_left_is_halved_between_the_two_and_the_sum_stays():
    made = variants.variant(2)
    flat = 20 + np.random.default_rng(1).normal(0, 0.02, len(made.u))
    off = np.random.default_rng(2).normal(0, 1, LINES)
    values = flat + np.where(np.isin(made.grid, ["A1", "A2"]), off[made.line - 1], 0.0)
    readings, found = of(made, values)
    still = left_by_levelling(found, readings.values[:, 0], 4 * LINES)
    names = [(g.grid, t.line) for g in grids_of(readings) for t in g.traverses]
    below = np.array([still[names.index(("A1", k + 1))] for k in range(LINES)])
    above = np.array([still[names.index(("B1", k + 1))] for k in range(LINES)])
    np.testing.assert_allclose(below - above, off - np.median(off), atol=0.45)
    assert np.corrcoef(below, off)[0, 1] > 0.97
    np.testing.assert_allclose(below, -above, atol=0.25)


def test_ground_without_offsets_is_left_alone():
    made = variants.variant(3)
    readings, found = of(made, made.soil(made.u, made.v) + made.noise)
    still = left_by_levelling(found, readings.values[:, 0], 4 * LINES)
    assert np.sqrt(np.mean(still**2)) < variants.NOISE / 2


def test_a_step_between_whole_data_grids_is_not_the_traverses():
    made = variants.variant(4)
    values = made.soil(made.u, made.v) + made.noise + 5.0 * (made.grid == "B2")
    readings, found = of(made, values)
    still = left_by_levelling(found, readings.values[:, 0], 4 * LINES)
    plain = left_by_levelling(found, readings.values[:, 0] - 5.0 * (made.grid == "B2"), 4 * LINES)
    np.testing.assert_allclose(still, plain, atol=1e-9)


def test_levelling_leaves_less_where_traverses_go_on():
    ratio = []
    for seed in range(6):
        made = variants.variant(seed)
        clean, fault = made.ground + made.noise, offsets_without_grids(made)
        left = []
        for join in (True, False):
            found = levellines(made.readings(clean + fault), LevelOptions(join=join)).readings
            left.append(variants.left(found.values[:, 0], clean, fault))
        ratio.append(left[0] / left[1])
    assert max(ratio) < 1.0
    assert np.mean(ratio) < 0.8


def test_data_grids_apart_have_no_junction():
    x = np.concatenate([np.arange(20) * 0.5, 30 + np.arange(20) * 0.5])
    readings = Readings.build(
        x=np.tile(x, 4), y=np.repeat(np.arange(4) * 1.0, 40), values=np.zeros(160),
        line=np.repeat(np.arange(4), 40), grid=np.tile(np.repeat(["a", "b"], 20), 4).tolist(),
    )  # fmt: skip
    assert len(find_junctions(readings, grids_of(readings))) == 0
    assert len(find_junctions(readings, ())) == 0


def test_excluded_readings_tell_nothing_of_a_junction():
    made = variants.variant(5)
    values = made.ground + made.noise + offsets_without_grids(made)
    near = np.abs(made.v - 20) < 0.2
    qc = np.where(near, int(Qc.EXCLUDED), 0)
    spoilt = values + 1e5 * near
    results = []
    for some in (values, spoilt):
        readings = made.readings(some)
        found = levellines(readings.with_values(readings.values, qc.astype(np.int64)))
        results.append(found.readings.values[~near])
    np.testing.assert_array_equal(*results)


@given(st.integers(0, 30), st.floats(-100, 100), st.sampled_from([0.5, 3.0]))
@settings(max_examples=8, deadline=None)
def test_adding_and_scaling_go_through(seed, shift, factor):
    made = variants.variant(seed)
    readings, found = of(made, made.ground + made.noise + made.line_offsets())
    column = readings.values[:, 0]
    plain = left_by_levelling(found, column, 4 * LINES)
    np.testing.assert_allclose(
        left_by_levelling(found, column * factor + shift, 4 * LINES), plain * factor, atol=1e-6
    )
