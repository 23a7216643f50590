"""Steps along edges: cells, which parts meet, and what they differ by."""

import numpy as np
import pytest
import variants
from lynchet.algorithms.correct.edges import FEWEST_WINDOWS, cells_of, find_edges
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import Qc, Readings

NOISE = 0.15


def block(u0, v0, wide=10.0, long=10.0, apart=0.5, every=0.25):
    """Positions of a block walked in lines."""
    u, v = np.meshgrid(np.arange(u0 + apart / 2, u0 + wide, apart), np.arange(v0, v0 + long, every))
    return u.ravel(), v.ravel()


def cells(blocks, ground, steps, noise=NOISE, seed=0, size=0.25):
    """Cells of blocks over a ground, each with a step of its own."""
    u = np.concatenate([one[0] for one in blocks])
    v = np.concatenate([one[1] for one in blocks])
    part = np.repeat(np.arange(len(blocks)), [len(one[0]) for one in blocks])
    values = ground(u, v) + np.asarray(steps)[part]
    values = values + np.random.default_rng(seed).normal(0, noise, len(u))
    return cells_of(Readings.build(x=u, y=v, values=values), part, size)


def flat(u, v):
    return np.zeros(len(u))


def test_cells_are_means_of_their_own_part():
    readings = Readings.build(
        x=[0.1, 0.3, 0.2, 2.5, 0.4, 0.1], y=[0.1, 0.3, 0.2, 0.1, 0.4, np.nan],
        values=[1.0, 3.0, 10.0, 7.0, np.nan, 99.0], qc=[0, 0, 0, int(Qc.EXCLUDED), 0, 0],
    )  # fmt: skip
    found = cells_of(readings, np.array([0, 0, 1, 1, 1, 0]), 1.0)
    assert found.part.tolist() == [0, 1, 1]
    np.testing.assert_allclose(found.values[:, 0], [2.0, 10.0, np.nan])
    np.testing.assert_allclose(found.x, [0.2, 0.3, 2.5])


def test_readings_of_no_part_are_left_out():
    readings = Readings.build(x=[0, 5], y=[0, 0], values=[1, 2])
    found = cells_of(readings, np.array([-1, 0]), 1.0)
    assert found.part.tolist() == [0]
    assert found.values[0, 0] == 2


def test_the_step_between_blocks_side_by_side_is_found():
    found = cells([block(0, 0), block(10, 0)], flat, [0.0, 1.5])
    (edge,) = find_edges(found, 3.0)
    assert (edge.first, edge.second) == (0, 1)
    assert edge.windows >= FEWEST_WINDOWS
    assert edge.step[0] == pytest.approx(1.5, abs=4 * edge.error[0])
    assert edge.error[0] < 0.3 * NOISE


@pytest.mark.parametrize(
    "ground",
    [
        lambda u, v: 5 + 0.3 * u - 0.2 * v,
        lambda u, v: 0.02 * (u - 9) ** 2 + 0.01 * u * v,
        lambda u, v: 2 * np.cos(2 * np.pi * (u + v) / 25),
    ],
    ids=["slope", "bowl", "wave"],
)
def test_the_grounds_own_change_over_an_edge_is_no_step(ground):
    (edge,) = find_edges(cells([block(0, 0), block(10, 0)], ground, [0, 0.7], noise=0.02), 3.0)
    assert edge.step[0] == pytest.approx(0.7, abs=0.02)


def test_a_step_of_ground_of_the_second_degree_is_exact_without_noise():
    bowl = lambda u, v: 0.03 * u**2 + 0.01 * u * v - 0.02 * v**2 + u  # noqa: E731
    (edge,) = find_edges(
        cells([block(0, 0), block(10, 0)], bowl, [0, -2.0], noise=0.0, size=0.2), 3
    )
    assert edge.step[0] == pytest.approx(-2.0, abs=1e-4)


def test_a_ditch_over_an_edge_and_spikes_hardly_count():
    ditch = lambda u, v: 4 * np.exp(-0.5 * ((v - 5 - 0.2 * (u - 10)) / 0.4) ** 2)  # noqa: E731
    blocks = [block(0, 0), block(10, 0)]
    spike = np.random.default_rng(1).uniform(size=sum(len(b[0]) for b in blocks)) < 0.01
    found = cells(blocks, lambda u, v: ditch(u, v) + 20 * spike, [0, 1.0])
    (edge,) = find_edges(found, 3.0)
    assert edge.step[0] == pytest.approx(1.0, abs=0.5 * NOISE)


def test_blocks_apart_have_no_edge():
    assert find_edges(cells([block(0, 0), block(14, 0)], flat, [0, 1]), 3.0) == ()


def test_overlapping_parts_are_compared_where_they_overlap():
    found = cells([block(0, 0), block(5, 0)], lambda u, v: np.sin(u) + np.cos(v), [0, 1.0])
    (edge,) = find_edges(found, 3.0)
    assert edge.step[0] == pytest.approx(1.0, abs=0.1 * NOISE)


def test_parts_that_touch_at_a_corner_count_only_where_nothing_else_links_them():
    corner = [block(0, 0), block(10, 10)]
    (edge,) = find_edges(cells(corner, flat, [0, 1.0]), 3.0)
    assert edge.windows < FEWEST_WINDOWS
    four = [*corner, block(10, 0), block(0, 10)]
    pairs = {(e.first, e.second) for e in find_edges(cells(four, flat, [0, 1, 2, 3]), 3.0)}
    assert pairs == {(0, 2), (0, 3), (1, 2), (1, 3)}


def test_the_standard_error_is_that_of_repeated_noise():
    blocks = [block(0, 0), block(10, 0)]
    edges = [find_edges(cells(blocks, flat, [0, 1.0], seed=s), 3.0)[0] for s in range(20)]
    scatter = np.std([edge.step[0] for edge in edges])
    claimed = np.median([edge.error[0] for edge in edges])
    # 20 repeats tell a standard deviation to 16 %; places of an edge share readings.
    assert 0.6 * scatter < claimed < 2.5 * scatter


def test_levels_of_a_place_differ_by_its_step():
    found = cells([block(0, 0), block(10, 0)], lambda u, v: v, [0, 3.0], noise=0.01)
    (edge,) = find_edges(found, 3.0)
    off = edge.levels[:, 1, 0] - edge.levels[:, 0, 0]
    np.testing.assert_allclose(off, 3.0, atol=0.1)
    # Places lie all along the edge, each at the ground's own level there.
    assert np.ptp(edge.levels[:, 0, 0]) == pytest.approx(9, abs=1.5)


def test_a_channel_without_readings_in_one_part_has_no_step():
    u, v = (np.concatenate(places) for places in zip(block(0, 0), block(10, 0)))
    values = np.column_stack([np.zeros(len(u)), np.where(u < 10, 1.0, np.nan)])
    found = cells_of(Readings.build(x=u, y=v, values=values), (u > 10).astype(np.int64), 0.25)
    (edge,) = find_edges(found, 3.0)
    assert np.isfinite(edge.step).tolist() == [True, False]


def test_the_survey_of_four_data_grids_has_four_edges_and_no_diagonal():
    made = variants.variant(0)
    readings = made.readings(made.ground + made.noise)
    edges = find_edges(cells_of(readings, readings.grid, 0.25), 3.0)
    assert [(e.first, e.second) for e in edges] == [(0, 1), (0, 2), (1, 3), (2, 3)]


def test_the_work_can_be_cancelled():
    found = cells([block(0, 0), block(10, 0)], flat, [0, 1])
    with pytest.raises(Cancelled):
        find_edges(found, 3.0, lambda fraction: False)
