"""Minimum curvature: what it keeps, what it fills and what barriers part."""

import numpy as np
import pytest
from lynchet.algorithms.gridding.barriers import Barriers
from lynchet.algorithms.gridding.curvature.anchors import Anchors, nearest_nodes
from lynchet.algorithms.gridding.curvature.energy import Energy
from lynchet.algorithms.gridding.curvature.levels import HOLD, Held, Pyramid, _holds
from lynchet.algorithms.gridding.curvature.parts import parts_of
from lynchet.algorithms.gridding.curvature.sight import Sight
from lynchet.algorithms.gridding.curvature.slopes import slope
from lynchet.algorithms.gridding.curvature.tilt import tilt
from lynchet.algorithms.gridding.frame import frame_for
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods.minimum_curvature import METHOD, prepare
from lynchet.algorithms.progress import Cancelled

CELL = 0.25


def task(x, y, values, barriers=None, wanted=None, **options):
    """A task over the readings' own frame, all of it wanted."""
    x, y, values = np.asarray(x, float), np.asarray(y, float), np.asarray(values, float)
    values = values.reshape(len(x), -1)
    frame = frame_for(x, y, CELL, margin=1)
    if barriers is not None:
        barriers = Barriers.along(np.asarray(barriers, float) - (frame.west, frame.north))
    return Task(
        xy=np.column_stack([x - frame.west, y - frame.north]),
        values=values,
        line=np.full(len(x), -1),
        channels=tuple(f"c{number + 1}" for number in range(values.shape[1])),
        units=("mS/m",) * values.shape[1],
        frame=frame,
        wanted=np.ones((frame.rows, frame.columns), bool) if wanted is None else wanted(frame),
        options=METHOD.checked(options),
        blanking_distance=2.0,
        barriers=barriers,
    )


def centres(of):
    """Eastings and northings of the cells."""
    return np.meshgrid(of.frame.centres_x, of.frame.centres_y)


def traverses(width=10.0, length=12.0, separation=1.0, jitter=0.06):
    rng = np.random.default_rng(5)
    x, y = np.meshgrid(np.arange(0, width + 0.1, separation), np.arange(0, length + 0.1, CELL))
    x, y = x.ravel(), y.ravel()
    return x + rng.normal(0, jitter, x.size), y + rng.normal(0, jitter, x.size)


@pytest.mark.parametrize("tension", [0.0, 0.25, 1.0])
def test_a_plane_stays_a_plane_up_to_the_edges(tension):
    x, y = traverses()
    of = task(x, y, np.column_stack([30 + 2 * x - 3 * y, 0 * x + 7]), tension=tension)
    surface = prepare(of)
    east, north = centres(of)
    plane = 30 + 2 * east - 3 * north
    np.testing.assert_allclose(surface.cells[0], plane, rtol=0, atol=1e-6 * np.ptp(plane))
    assert np.all(surface.cells[1] == 7)
    assert surface.warnings == ()


def test_evaluation_keeps_the_cells_and_every_plane_between_them():
    x, y = traverses()
    of = task(x, y, np.column_stack([np.sin(x) + y, x - 2 * y]))
    surface = prepare(of)
    east, north = centres(of)
    at = np.column_stack([east.ravel() - of.frame.west, north.ravel() - of.frame.north])
    np.testing.assert_allclose(
        surface.evaluate(at), surface.cells.reshape(2, -1).T, rtol=0, atol=1e-9
    )
    between = at + np.random.default_rng(1).uniform(-0.12, 0.12, at.shape)
    plane = between @ (1, -2) + of.frame.west - 2 * of.frame.north
    np.testing.assert_allclose(surface.evaluate(between)[:, 1], plane, rtol=0, atol=1e-6)
    assert np.isnan(surface.evaluate(np.array([[-1.0, -1.0], [99.0, -1.0]]))).all()


def test_readings_at_cell_centres_are_kept_and_smooth_ones_off_them_as_well():
    x, y = traverses(jitter=0.0)
    values = np.random.default_rng(2).normal(20, 3, x.size)
    kept = prepare(task(x, y, values))
    assert kept.figures["worst_misfit c1"] < 1e-9
    x, y = traverses()
    smooth = prepare(task(x, y, np.sin(x / 2) + np.cos(y / 3), tension=0.0))
    assert smooth.figures["worst_misfit c1"] < 2e-3 * 4


def test_noise_off_the_centres_is_not_amplified():
    # readings midway between two cells: to pass through them exactly the cells would have to
    # swing up to twice as far
    x, y = traverses(jitter=0.0, separation=0.5)
    noise = np.random.default_rng(3).normal(0, 1, x.size)
    surface = prepare(task(x, y + CELL / 2 - 1e-6, noise))
    assert surface.cells[0][2:-2, 2:-2].std() < 1.0
    assert surface.warnings == ()


def test_readings_that_share_a_cell_count_by_their_median():
    x, y = traverses(jitter=0.0)
    values = x + y
    many = np.concatenate([x, x, x]), np.concatenate([y, y + 0.01, y - 0.01])
    wild = np.concatenate([values, values + 0.01, values - 50])
    lone = prepare(task(x, y, values)).cells[0][2:-2, 2:-2]
    thrice = prepare(task(*many, wild)).cells[0][2:-2, 2:-2]
    np.testing.assert_allclose(thrice, lone, rtol=0, atol=0.02)


def test_an_overshoot_beside_a_step_shrinks_with_tension():
    x, y = traverses(separation=2.0, jitter=0.0)
    step = np.where(x > 5, 10.0, 0.0)
    over = []
    for tension in (0.0, 0.25, 1.0):
        inside = prepare(task(x, y, step, tension=tension)).cells[0, 1:-1, 1:-1]
        over.append(inside.max() - 10)
    assert over[0] > over[1] > over[2]
    assert over[0] > 0.5
    assert over[2] < 0.05  # a membrane has its highs and lows at readings, but for the rim


@pytest.mark.parametrize("tension", [0.0, 0.25])
def test_one_traverse_is_filled_level_across(tension):
    y = np.arange(0, 20, CELL)
    values = np.sin(y / 3)
    of = task(0 * y, y, values, tension=tension)
    surface = prepare(of)
    assert np.isfinite(surface.cells).all()
    np.testing.assert_allclose(surface.cells[0][1:-1, 1], values[::-1], atol=1e-9)
    assert np.abs(surface.cells).max() < 1.2
    assert surface.warnings == ()


@pytest.mark.parametrize("tension", [0.0, 0.25])
def test_readings_on_an_oblique_line_and_a_lone_one_are_filled(tension):
    along = np.arange(0, 15, 0.2)
    oblique = prepare(task(along, 0.6 * along, 5 + along, tension=tension))
    assert np.isfinite(oblique.cells).all()
    assert oblique.cells.min() > 4
    assert oblique.cells.max() < 25
    lone = prepare(task([3.1], [4.0], [8.0], tension=tension))
    np.testing.assert_array_equal(lone.cells, np.full((1, 3, 3), 8.0))
    two = prepare(task([0, 5.0], [0, 1.0], [0.0, 1.0], tension=tension))
    assert np.isfinite(two.cells).all()


def test_a_large_gap_is_bridged_and_costs_few_iterations():
    x, y = traverses(width=60.0, length=60.0)
    held = np.hypot(x - 30, y - 30) > 22
    x, y = x[held], y[held]
    of = task(x, y, 0.02 * ((x - 30) ** 2 + (y - 30) ** 2), tension=0.0)
    surface = prepare(of)
    east, north = centres(of)
    bowl = 0.02 * ((east - 30) ** 2 + (north - 30) ** 2)
    # a bowl is not bent least: over a gap the second differences may even out, but little
    assert np.abs(surface.cells[0] - bowl)[np.hypot(east - 30, north - 30) < 20].max() < 0.05
    assert surface.figures["iterations c1"] < 80
    assert surface.warnings == ()


def test_ground_beyond_a_barrier_does_not_count():
    x, y = traverses()
    wall = [[[5.03, -9.0], [5.03, 30.0]]]
    west = x < 5.03
    values = np.where(west, np.sin(x) + np.cos(y), 0.0)
    other = np.where(west, values, 40 + 3 * np.random.default_rng(4).normal(size=x.size))
    first, second = (
        prepare(task(x, y, v, wall, tension=0.1, tolerance=1e-4)) for v in (values, other)
    )
    of = task(x, y, values)
    here = centres(of)[0] < 5.03
    # as far as the tolerance tells: 1e-4 % of a range of some 50
    assert np.abs(first.cells[0] - second.cells[0])[here].max() < 2e-4
    assert np.abs(first.cells[0] - second.cells[0])[~here].min() > 20
    beside = np.column_stack([np.full(40, 5.02), np.linspace(0, 11, 40)])
    beside -= (of.frame.west, of.frame.north)
    apart = first.evaluate(beside) - second.evaluate(beside)
    assert np.abs(apart).max() < 2e-4


def test_a_step_at_a_barrier_along_the_cell_centres_stays_sharp():
    x, y = traverses(jitter=0.0)
    keep = np.abs(x - 5.0) > 0.01
    x, y = x[keep], y[keep]
    values = np.where(x < 5, 1.0 + 0.1 * y, 9.0 - x)
    of = task(x, y, values, [[[5.0, -9.0], [5.0, 30.0]]], tension=0.0)
    cells = prepare(of).cells[0]
    east, north = centres(of)
    expected = np.where(east < 4.99, 1 + 0.1 * north, 9 - east)
    np.testing.assert_allclose(cells, expected, rtol=0, atol=1e-6)


TWO_CONSTANTS = lambda x, y: np.where(x < 5.1, 10.0, 30.0)  # noqa: E731
TWO_PLANES = lambda x, y: np.where(x < 5.1, 10 + 0.3 * x - 0.1 * y, 30 - 0.5 * x + 0.7 * y)  # noqa: E731


@pytest.mark.parametrize("ground", [TWO_CONSTANTS, TWO_PLANES])
@pytest.mark.parametrize("jitter", [0.0, 0.06])
@pytest.mark.parametrize("ends", [(0.0, 12.0), (-0.3, 12.4), (-0.3, 30.0)])
def test_a_barrier_across_the_ground_parts_it_though_there_is_a_way_round(ends, jitter, ground):
    # the frame goes on for a cell beyond the readings, all of it wanted, round the wall's ends
    x, y = traverses(jitter=jitter)
    values = ground(x, y)
    of = task(x, y, values, [[[5.1, ends[0]], [5.1, ends[1]]]])
    cells = prepare(of).cells[0]
    apart = np.abs(cells - ground(*centres(of)))
    inside = apart[1:-1, 1:-1]
    assert inside.max() < 1e-6
    # in the outermost cells, which no reading is in, the sides meet within two cells of the wall
    assert apart[np.abs(centres(of)[0] - 5.1) > 2.5 * CELL].max() < 1e-6


def test_walls_on_both_sides_of_a_gap_in_the_ground_part_it():
    # two walls end at a building, inside which nothing is read and no cell wanted
    x, y = traverses(jitter=0.04)
    read = (np.abs(x - 5.1) > 1.9) | (np.abs(y - 6) > 2)

    def near(frame):
        east, north = np.meshgrid(frame.centres_x, frame.centres_y)
        return (np.abs(east - 5.1) > 1.9) | (np.abs(north - 6) > 2)

    walls = [[[5.1, -1.0], [5.1, 4.05]], [[5.1, 7.95], [5.1, 13.0]]]
    of = task(x[read], y[read], TWO_CONSTANTS(x, y)[read], walls, wanted=near)
    cells = prepare(of).cells[0]
    apart = np.abs(cells - TWO_CONSTANTS(*centres(of)))[of.wanted]
    assert apart.max() < 1e-6
    open_ = task(x[read], y[read], TWO_CONSTANTS(x, y)[read], walls[:1], wanted=near)
    assert np.abs(prepare(open_).cells[0] - TWO_CONSTANTS(*centres(of)))[of.wanted].max() > 1


@pytest.mark.parametrize("more", [[], [[[5.1, -1.0], [5.1, 13.0]]]])
def test_a_recess_without_readings_is_reached_from_beyond_the_rim(more):
    # three walls between two traverses, open to the south, where the readings end
    x, y = traverses(separation=2.0, jitter=0.0)
    corners = np.array([[2.4, -0.05], [2.4, 2.05], [3.6, 2.05], [3.6, -0.05]])
    walls = np.concatenate(
        [np.stack([corners[:-1], corners[1:]], axis=1), *([more] if more else [])]
    )
    of = task(x, y, x + 2 * y, walls)
    east, north = centres(of)
    np.testing.assert_allclose(prepare(of).cells[0], east + 2 * north, rtol=0, atol=1e-6)


@pytest.mark.parametrize("jitter", [0.0, 0.06])
def test_a_step_at_a_wall_that_ends_inside_bends_the_ground_only_about_its_end(jitter):
    x, y = traverses(width=20.0, length=20.0, jitter=jitter)
    ground = lambda x, y: np.where(x < 10.13, 10.0, 30.0)  # noqa: E731
    of = task(x, y, ground(x, y), [[[10.13, 10.1], [10.13, 23.0]]])
    apart = np.abs(prepare(of).cells[0] - ground(*centres(of)))[1:-1, 1:-1]
    east, north = (part[1:-1, 1:-1] for part in centres(of))
    # south of the end the step is one of the ground, and drawn as one: look elsewhere
    elsewhere = ((north > 10.1) | (np.abs(east - 10.13) > 4)) & (
        np.hypot(east - 10.13, north - 10.1) > 4
    )
    assert elsewhere.mean() > 0.7
    assert apart[elsewhere].max() < 0.03  # of a step of 20; with a plane through all, 0.7


def test_ground_that_slopes_past_a_wall_keeps_its_slope():
    rng = np.random.default_rng(8)
    x, y = traverses()
    place = np.column_stack([-y, x]) / CELL
    values = np.column_stack([3 + 2 * x - y, np.where((x > 5) & (y > 6), 50.0, 0.0) + 2 * x - y])
    values[rng.choice(len(x), 9, replace=False)] += 400  # spikes
    wall = Barriers.along(np.array([[[5.0, 6.0], [5.0, 30.0]], [[5.0, 6.0], [30.0, 6.0]]]))
    slope = tilt(place, values, Sight(wall, 0.0, 0.0, CELL, CELL))
    np.testing.assert_allclose(slope, CELL * np.array([[1, 1], [2, 2]]), atol=1e-9)
    assert tilt(place[:1], values[:1], Sight(wall, 0.0, 0.0, CELL, CELL)).tolist() == [[0, 0]] * 2


def test_a_wall_along_a_narrow_strip_does_not_tilt_it():
    # three traverses, a wall between the first and the second but for the first metre: of the
    # pairs of near readings on different traverses, most lie across it
    row, column = (part.ravel() for part in np.mgrid[0:40.0, 0:3.0])
    wall = Barriers.along(np.array([[[0.5, -1.5], [0.5, -90.0]]]))
    values = np.where(column < 0.5, 10.0, 30.0)[:, np.newaxis]
    slope = tilt(np.column_stack([row, column]), values, Sight(wall, 0.0, 0.0, 1.0, 1.0))
    np.testing.assert_allclose(slope, 0.0, atol=1e-9)


@pytest.mark.parametrize("tension", [0.0, 0.25, 1.0])
@pytest.mark.parametrize("separation", [0.25, 1.0])
@pytest.mark.parametrize("noise", [0.0, 1.0])
def test_readings_that_all_lie_on_corners_of_cells_settle(noise, separation, tension):
    x, y = traverses(separation=separation, jitter=0.0)
    x, y = x + CELL / 2, y + CELL / 2
    values = 5 * np.sin(x / 3) + 5 * np.cos(y / 4)
    values = values + np.random.default_rng(9).normal(0, noise, x.size)
    of = task(x, y, values, tension=tension)
    nodes, offset, seen = nearest_nodes(of.frame, of.xy, None)
    assert len(np.unique(nodes, axis=0)) == len(x)  # none shares a node with a neighbour
    np.testing.assert_allclose(np.abs(offset), 0.5, atol=1e-6)
    assert seen.all()
    surface = prepare(of)
    assert surface.warnings == ()
    assert surface.figures["iterations c1"] < 40
    finer = prepare(task(x, y, values, tension=tension, tolerance=1e-4))
    assert finer.warnings == ()
    # what it says is left to change is left, about
    assert np.abs(surface.cells - finer.cells).max() < 3 * of.number("tolerance") / 100 * np.ptp(
        values
    )


def test_what_holds_a_coarse_grid_is_the_sum_over_its_places():
    rng = np.random.default_rng(10)
    row, column = rng.uniform(0, 16, 50), rng.uniform(0, 12, 50)
    values = rng.normal(size=50)
    energy = Energy((9, 7), 0.7, 0.3)
    matrix, pulled = _holds(energy, Held(row, column, [values]), 2, None)
    share = np.zeros((50, 9, 7))
    for k, (r, c) in enumerate(zip(row / 2, column / 2)):
        for i, j in np.ndindex(9, 7):
            share[k, i, j] = max(0, 1 - abs(r - i)) * max(0, 1 - abs(c - j))
    share = share.reshape(50, -1)
    node = np.rint(row / 2) * 7 + np.rint(column / 2)
    count = np.array([np.sum(node == n) for n in node])
    weight = HOLD * (8 * 0.7 + 6 * 0.7 + 4 * 0.3) / count
    exact = share.T @ (weight[:, None] * share)
    np.testing.assert_allclose(matrix.toarray(), exact, rtol=1e-5, atol=1e-4)
    np.testing.assert_allclose(pulled[:, 0], share.T @ (weight * values), rtol=1e-4, atol=1e-4)


def test_a_barrier_with_an_open_end_is_gone_around():
    x, y = traverses()
    wall = [[[5.1, 6.0], [5.1, 30.0]]]
    values = np.where(x < 5.1, 0.0, 10.0)
    of = task(x, y, values, wall, tension=0.3)
    cells = prepare(of).cells[0]
    column = np.argmin(np.abs(of.frame.centres_x - 5.0))
    jump = cells[:, column + 1] - cells[:, column]
    assert jump[of.frame.centres_y > 8].min() > 9
    assert jump[of.frame.centres_y < 4].max() < 5


def test_cells_cut_off_from_every_reading_stay_empty():
    x, y = traverses(separation=2.0, jitter=0.0)
    ring = np.array([[4.6, 5.1], [5.4, 5.1], [5.4, 6.4], [4.6, 6.4], [4.6, 5.1]])
    of = task(x, y, x + y, np.stack([ring[:-1], ring[1:]], axis=1))
    cells = prepare(of).cells[0]
    east, north = centres(of)
    inside = (east > 4.6) & (east < 5.4) & (north > 5.1) & (north < 6.4)
    assert inside.sum() == 15
    np.testing.assert_array_equal(np.isnan(cells), inside)


def test_ground_far_off_is_solved_by_itself_and_the_space_between_is_left_out():
    x, y = traverses()
    both = np.concatenate([x, x + 400]), np.concatenate([y, y + 300])
    values = np.concatenate([np.sin(x), np.cos(y)])

    def near(frame):
        east, north = np.meshgrid(frame.centres_x, frame.centres_y)
        return ((east < 11) & (north < 13)) | ((east > 399) & (north > 299))

    of = task(*both, values, wanted=near)
    nodes = np.column_stack([-of.xy[:, 1] / CELL - 0.5, of.xy[:, 0] / CELL - 0.5])
    parts = parts_of(of.wanted, np.rint(nodes).astype(int))
    assert len(parts) == 2
    assert sum(part.own.size for part in parts) < 0.02 * of.wanted.size
    cells = prepare(of).cells[0]
    assert np.isfinite(cells[of.wanted]).all()
    assert np.isnan(cells).mean() > 0.98
    alone = prepare(task(x, y, np.sin(x), wanted=near)).cells[0]
    # but for the rim, where it matters how far beyond the readings the sheet goes on
    mine = cells[-alone.shape[0] :, : alone.shape[1]]
    np.testing.assert_allclose(mine[7:-7, 7:-7], alone[7:-7, 7:-7], rtol=0, atol=1e-2)


def test_too_few_iterations_are_warned_of():
    x, y = traverses()
    values = np.random.default_rng(6).normal(size=x.size)
    surface = prepare(task(x, y, values, iterations=1))
    assert surface.figures["iterations c1"] == 1
    assert surface.figures["change c1"] > 1e-4 * np.ptp(values)
    assert "c1: not settled after 1 iterations" in surface.warnings[0]
    assert "Allow more iterations" in surface.warnings[0]


def test_the_work_can_be_stopped_between_iterations():
    x, y = traverses()
    values = np.random.default_rng(6).normal(size=(x.size, 2))
    seen = []
    prepare(task(x, y, values), lambda done: seen.append(done) or True)
    assert len(seen) > 6
    assert min(seen) >= 0
    assert max(seen) <= 1
    with pytest.raises(Cancelled):
        prepare(task(x, y, values), lambda done: done < 0.5)


def test_the_energy_is_the_sum_of_the_squared_differences():
    rng = np.random.default_rng(7)
    u = rng.normal(size=(9, 11))
    energy = Energy(u.shape, 0.7, 0.3, 1.0)
    second = [u[:, 2:] - 2 * u[:, 1:-1] + u[:, :-2], u[2:] - 2 * u[1:-1] + u[:-2]]
    mixed = u[1:, 1:] - u[1:, :-1] - u[:-1, 1:] + u[:-1, :-1]
    total = 0.7 * (sum(np.sum(part**2) for part in second) + 2 * np.sum(mixed**2))
    total += 0.3 * (np.sum(np.diff(u, axis=0) ** 2) + np.sum(np.diff(u, axis=1) ** 2))
    assert np.sum(u * energy.force(u)) == pytest.approx(total, rel=1e-12)
    unit = np.eye(u.size).reshape(-1, *u.shape)
    matrix = np.array([energy.force(one).ravel() for one in unit])
    np.testing.assert_allclose(matrix, matrix.T, atol=1e-12)
    np.testing.assert_allclose(np.diag(matrix), energy.diagonal().ravel(), atol=1e-12)


def test_slopes_follow_a_plane_and_do_not_see_a_chequerboard():
    row, column = np.mgrid[0:7, 0:8].astype(float)
    np.testing.assert_allclose(slope(3 * row - 2 * column, 0), 3.0, atol=1e-12)
    np.testing.assert_allclose(slope(3 * row - 2 * column, 1), -2.0, atol=1e-12)
    chequers = (-1.0) ** (row + column)
    assert np.abs(slope(chequers, 1)[1:-1, 1:-1]).max() < 1e-12
    zigzag = (-1.0) ** row * column
    assert np.abs(slope(zigzag, 1)[1:-1]).max() < 1e-12


def test_a_reading_off_its_node_follows_a_bent_surface_exactly():
    row, column = np.mgrid[0:9, 0:9].astype(float)

    def bowl(y, x):
        return 2 * y**2 - 3 * x * y + x**2 + y

    middle = np.array([4])
    anchors = Anchors(middle, middle, np.array([0.3]), np.array([-0.4]))
    rise = anchors.rise(bowl(row, column), None)
    np.testing.assert_allclose(rise, bowl(4.3, 3.6) - bowl(4, 4), atol=1e-12)


def test_the_pyramid_brings_the_solution_much_nearer_at_each_visit():
    shape = (129, 140)
    held = np.zeros(shape, bool)
    held[:, 3::20] = True
    energy = Energy(shape, 1.0, 1e-9)
    row, column = np.nonzero(held)
    pyramid = Pyramid(energy, held, Held(row, column, [np.zeros(len(row))]), None)
    down, across = np.mgrid[0 : shape[0], 0 : shape[1]]
    exact = np.sin(np.pi * (across - 3) / 20) * np.cos(down / 25)
    exact[held] = 0
    force = energy.force(exact)
    force[held] = 0
    near = pyramid.correction(force.astype(np.float32))
    assert np.linalg.norm(near - exact) < 0.5 * np.linalg.norm(exact)
