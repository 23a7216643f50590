"""Data grids over an outline, their stakes and the tape distances that check them."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid, place_on_site_grid
from lynchet.algorithms.plan.cover import cell_shares, outline_edges
from lynchet.algorithms.plan.fit import Score
from lynchet.algorithms.plan.lattice import SLIVER, Lattice
from lynchet.algorithms.plan.plangrids import MOST_GRIDS, GridOptions, lay_out
from lynchet.algorithms.plan.stakes import (
    GroundScale,
    ground_scale,
    place_stakes,
    scale_lines,
    tape_checks,
)
from lynchet.algorithms.progress import Cancelled

EAST, NORTH = 430000.0, 5900000.0


def box(width, length, x=0.0, y=0.0):
    return np.array([[x, y], [x + width, y], [x + width, y + length], [x, y + length]])


def turned(ring, degrees, east=0.0, north=0.0):
    """Turn clockwise about the origin, then move."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return ring @ np.array([[c, -s], [s, c]]) + [east, north]


def star(seed, radius=60.0):
    """An outline of its own for each seed: neither convex nor regular."""
    rng = np.random.default_rng(seed)
    angle = np.sort(rng.uniform(0, 2 * np.pi, 12))
    return radius * rng.uniform(0.4, 1.0, (12, 1)) * np.c_[np.cos(angle), np.sin(angle)]


SEEDS = st.integers(0, 10_000)
FEW = settings(max_examples=25, deadline=None)


# -- the layout --------------------------------------------------------------------------------


def test_a_rectangle_is_covered_by_whole_data_grids_in_walking_order():
    plan = lay_out([[box(40, 60)]], GridOptions(bearing=0.0))
    assert plan.names == ("A1", "A2", "B2", "B1", "C1", "C2")
    np.testing.assert_allclose(plan.share, 1.0)
    np.testing.assert_allclose(plan.corners[2], [[20, 20], [20, 40], [40, 40], [40, 20]])


def test_best_fit_finds_the_bearing_and_corner_of_a_turned_rectangle():
    ring = turned(box(40, 60), 23.4, EAST, NORTH)
    plan = lay_out([[ring]], GridOptions(least_share=0.0))
    assert plan.lattice.bearing == pytest.approx(23.4, abs=1e-6)
    assert len(plan) == 6
    np.testing.assert_allclose(plan.corners[0, 0], [EAST, NORTH], atol=1e-5)


def test_best_fit_keeps_to_the_side_nearest_to_north():
    ring = turned(box(40, 60), 80.0)
    assert lay_out([[ring]], GridOptions()).lattice.bearing == pytest.approx(350.0, abs=1e-6)
    # Oblong data grids are no longer the same when turned by 90 degrees.
    oblong = lay_out([[ring]], GridOptions(size=30.0, width=20.0, least_share=0.0))
    assert oblong.lattice.bearing == pytest.approx(80.0, abs=1e-6)
    assert len(oblong) == 4


def test_best_fit_needs_fewer_data_grids_than_north_does():
    ring = turned(box(40, 80), 30.0)
    fitted = lay_out([[ring]], GridOptions(least_share=0.0))
    north = lay_out([[ring]], GridOptions(least_share=0.0, bearing=0.0))
    assert len(fitted) == 8
    assert len(north) > 8


def test_best_fit_tie_goes_to_the_most_whole_data_grids():
    # Nine are needed for 50 by 50 anyway; four of them can be whole, away from the lost corner.
    ring = np.array([[0.0, 8.0], [8.0, 0.0], [50.0, 0.0], [50.0, 50.0], [0.0, 50.0]])
    plan = lay_out([[ring]], GridOptions(bearing=0.0))
    assert len(plan) == 9
    assert np.count_nonzero(plan.share > 1 - 1e-9) == 4


def test_rounding_of_the_outline_to_the_millimetre_adds_no_data_grids_and_turns_nothing():
    ring = turned(box(40, 40), 17.0, EAST, NORTH).round(3)
    plan = lay_out([[ring]], GridOptions())
    assert len(plan) == 4
    steps = np.diff(ring, axis=0, append=ring[:1])
    edges = np.degrees(np.arctan2(*steps.T)) % 90
    assert np.abs(edges - plan.lattice.bearing).min() < 1e-9


@pytest.mark.parametrize("bearing", [None, 12.0])
def test_a_start_corner_is_a_corner_of_the_data_grids(bearing):
    place = (EAST + 11.0, NORTH - 7.0)
    plan = lay_out(
        [[turned(box(70, 50), 25.0, EAST, NORTH)]], GridOptions(corner=place, bearing=bearing)
    )
    row, column = plan.lattice.local(*place)
    assert row == pytest.approx(round(float(row)), abs=1e-8)
    assert column == pytest.approx(round(float(column)), abs=1e-8)


def test_holes_and_parts_are_honoured():
    ring, hole = box(100, 100), box(40, 40, 20, 20)
    parts = [[ring, hole], [box(20, 20, 200, 0)]]
    plan = lay_out(parts, GridOptions(bearing=0.0, corner=(0.0, 0.0)))
    assert plan.outline_area == pytest.approx(10_000 - 1600 + 400)
    assert len(plan) == 25 - 4 + 1
    assert "A11" in plan.names
    assert not {"B2", "B3", "C2", "C3"} & set(plan.names)


def test_rings_may_run_either_way_and_be_closed_or_not():
    ring, hole = box(100, 100), box(40, 40, 20, 20)
    closed = [np.concatenate([r, r[:1]])[::-1] for r in (ring, hole)]
    one, two = (lay_out([rings], GridOptions(bearing=0.0)) for rings in ([ring, hole], closed))
    assert one.names == two.names
    np.testing.assert_allclose(one.share, two.share, atol=1e-12)


def test_the_least_share_leaves_out_what_holds_less():
    ring = box(45, 40)  # the third column holds a quarter
    for least, columns in ((0, 3), (25, 3), (25.1, 2), (100, 2)):
        options = GridOptions(bearing=0.0, corner=(0.0, 0.0), least_share=least)
        assert len(lay_out([[ring]], options)) == 2 * columns, least


def test_ground_left_out_is_warned_of():
    options = GridOptions(bearing=0.0, corner=(0.0, 0.0), least_share=50)
    plan = lay_out([[box(45, 40)]], options, "m")
    assert plan.warnings == (
        "200 m² of the outline lie in no data grid (11 %): lower the least share to cover them.",
    )
    assert plan.figures["left out"] == pytest.approx(200)


def test_a_far_start_corner_is_warned_of():
    options = GridOptions(bearing=0.0, corner=(EAST - 1500.0, NORTH))
    plan = lay_out([[box(40, 40, EAST, NORTH)]], options, "m")
    assert any(text.startswith("The start corner lies 1,500 m from") for text in plan.warnings)


@pytest.mark.parametrize("corner", [(4.0, 52.0), (NORTH, EAST), (EAST - 2100.0, NORTH)])
def test_a_start_corner_out_of_reach_is_refused(corner):
    options = GridOptions(bearing=0.0, corner=corner)
    away = np.hypot(*np.maximum(np.subtract((EAST, NORTH), corner),
                                np.subtract(corner, (EAST + 40, NORTH + 40))).clip(0))  # fmt: skip
    sentence = (
        f"The start corner lies {away:,.0f} m from the outline. The coordinate reference system or "
        "the order of its coordinates, easting first, may be wrong."
    )
    with pytest.raises(ValueError, match=f"^{sentence}$"):
        lay_out([[box(40, 40, EAST, NORTH)]], options, "m")


def test_a_least_share_that_looks_like_a_fraction_is_warned_of():
    def told(share):
        options = GridOptions(bearing=0.0, corner=(0.0, 0.0), least_share=share)
        return lay_out([[box(30, 40)]], options, "m").warnings

    (warned,) = told(0.5)
    assert warned == (
        "The least share inside is 0.5 %, which keeps nearly all: it is per cent. Give 50 if a "
        "share of 1 was meant."
    )
    assert told(0.0) == told(1.0) == told(50.0) == ()


def test_labels_by_order_count_the_walk():
    plan = lay_out([[box(40, 40)]], GridOptions(bearing=0.0, labels="order"))
    assert plan.names == ("G1", "G2", "G3", "G4")
    assert plan.column.tolist() == [0, 1, 1, 0]
    named = lay_out([[box(40, 40)]], GridOptions(bearing=0.0, labels="order", prefix="N-"))
    assert named.names[0] == "N-1"


def test_the_plan_places_readings_inside_its_data_grids():
    plan = lay_out([[star(3)]], GridOptions(bearing=211.0, size=20.0, width=12.0))
    site = SiteGrid(
        {
            name: Origin(float(x), float(y), plan.lattice.bearing, plan.lattice.length)
            for name, (x, y) in zip(plan.names, plan.corners[:, 0])
        },
        separation=1.0,
        interval=0.5,
    )
    n = len(plan)
    placed = place_on_site_grid(
        np.repeat(np.arange(n), 2), plan.names, np.tile([1, 12], n), np.tile([1.0, 40.0], n),
        None, site,
    )  # fmt: skip
    row, column = plan.lattice.local(placed.x, placed.y)
    np.testing.assert_array_equal(np.floor(row), np.repeat(plan.row, 2))
    np.testing.assert_array_equal(np.floor(column), np.repeat(plan.column, 2))
    # Reading 40 of a traverse walked back lies as near to the near side as reading 1 of the first.
    np.testing.assert_allclose(row % 1, np.tile([0.25 / 20, 0.25 / 20], n), atol=1e-8)


@given(seed=SEEDS, bearing=st.floats(0, 359.9), least=st.sampled_from([0.0, 1.0, 30.0]))
@FEW
def test_data_grids_are_of_one_size_apart_and_named_apart(seed, bearing, least):
    plan = lay_out([[star(seed)]], GridOptions(bearing=bearing, least_share=least, width=13.0))
    corners = plan.corners
    sides = np.hypot(*np.moveaxis(np.diff(corners, axis=1, append=corners[:, :1]), -1, 0))
    np.testing.assert_allclose(sides, np.tile([20.0, 13.0, 20.0, 13.0], (len(plan), 1)), atol=1e-8)
    assert len(set(plan.names)) == len(plan)
    assert len(set(zip(plan.row.tolist(), plan.column.tolist()))) == len(plan)
    assert plan.row.min() == plan.column.min() == 0
    assert (plan.share >= least / 100 - 1e-9).all()


@given(seed=SEEDS)
@FEW
def test_all_of_the_outline_is_covered_where_the_least_share_is_0(seed):
    plan = lay_out([[star(seed)]], GridOptions(least_share=0.0, bearing=float(seed % 360)))
    cells = plan.outline_area / 400
    assert plan.share.sum() == pytest.approx(cells, abs=100 * SLIVER)
    assert plan.figures["left out"] == pytest.approx(0.0, abs=0.05)


@given(seed=SEEDS, turn=st.floats(-180, 180), east=st.floats(-1e6, 1e6))
@FEW
def test_an_outline_turned_and_moved_has_its_data_grids_turned_and_moved(seed, turn, east):
    ring, place = star(seed), np.array([3.0, 4.0])
    moved = turned(ring, turn, east, NORTH)
    corner = turned(place, turn, east, NORTH)
    one = lay_out([[ring]], GridOptions(bearing=10.0, corner=(3.0, 4.0)))
    two = lay_out([[moved]], GridOptions(bearing=10.0 + turn, corner=(corner[0], corner[1])))
    assert one.names == two.names
    np.testing.assert_allclose(turned(one.corners, turn, east, NORTH), two.corners, atol=1e-6)
    np.testing.assert_allclose(one.share, two.share, atol=1e-6)


@pytest.mark.parametrize("seed", range(2))
def test_an_outline_turned_and_moved_is_fitted_as_well(seed):
    one = lay_out([[star(seed)]], GridOptions())
    for turn in (7.3, 81.0, 200.0):
        two = lay_out([[turned(star(seed), turn, EAST, NORTH)]], GridOptions())
        assert len(two) == len(one)
        assert two.figures["outside"] == pytest.approx(one.figures["outside"], abs=4.0)


@pytest.mark.parametrize("least", [0.0, 1.0, 50.0])
@pytest.mark.parametrize("seed", range(3))
def test_best_fit_wastes_no_more_than_a_thousand_random_layouts_but_a_few(seed, least):
    rng = np.random.default_rng(seed)
    ring = star(seed + 50)
    edges = outline_edges([[ring]])

    def waste(shares):
        keep = shares >= max(least / 100, SLIVER)
        return float(np.where(keep, 1 - shares, shares).sum())

    fitted = lay_out([[ring]], GridOptions(least_share=least))
    found = waste(fitted.lattice.cover(edges)[0])
    chance = [
        waste(Lattice(*rng.uniform(0, 20, 2), rng.uniform(0, 90), 20.0, 20.0).cover(edges)[0])
        for _ in range(1000)
    ]
    assert found <= np.percentile(chance, 0.5) + 1e-3


def test_scores_have_one_order_so_that_the_search_ends():
    # Each a little worse in waste and a little more whole than the one before.
    creeping = [Score(0.0004 * k, 0.002 * k) for k in range(10)]
    assert not any(a.beats(b) and b.beats(a) for a in creeping for b in creeping)
    for a in creeping:
        for b in creeping:
            for c in creeping:
                assert not (a.beats(b) and b.beats(c)) or a.beats(c)


@pytest.mark.parametrize("bearing", [0.0, 90.0, 180.0, 270.0, 360.0, -90.0])
def test_quarter_bearings_are_square_to_the_last_bit(bearing):
    plan = lay_out([[box(40, 40)]], GridOptions(bearing=bearing, corner=(0.0, 0.0)))
    assert set(np.ravel(plan.corners).tolist()) == {0.0, 20.0, 40.0}


# -- cells -------------------------------------------------------------------------------------


@given(seed=SEEDS)
@FEW
def test_shares_of_the_cells_add_up_to_the_area(seed):
    ring = star(seed) / 10 + [7.0, 7.0]
    area = abs(np.sum(ring[:, 0] * np.roll(ring[:, 1], -1) - ring[:, 1] * np.roll(ring[:, 0], -1)))
    assert cell_shares(outline_edges([[ring]]), 14, 14).sum() == pytest.approx(area / 2)


def test_an_edge_on_a_lattice_line_spills_nothing():
    shares = cell_shares(outline_edges([[box(2, 1, 1, 1)]]), 3, 4)
    np.testing.assert_array_equal(shares, [[0, 0, 0, 0], [0, 1, 1, 0], [0, 0, 0, 0]])


# -- stakes and tape ---------------------------------------------------------------------------


@given(seed=SEEDS)
@FEW
def test_every_corner_has_one_stake(seed):
    plan = lay_out([[star(seed)]], GridOptions(bearing=33.0))
    stakes = place_stakes(plan)
    places = np.c_[stakes.x, stakes.y]
    np.testing.assert_allclose(places[stakes.of - 1], plan.corners, atol=1e-8)
    assert len(np.unique(places.round(6), axis=0)) == len(stakes)
    assert sum(text.count(",") + 1 for text in stakes.serves) == 4 * len(plan)
    assert set(np.unique(stakes.of).tolist()) == set(range(1, len(stakes) + 1))


def test_stakes_are_numbered_row_by_row_to_and_fro():
    stakes = place_stakes(lay_out([[box(40, 40)]], GridOptions(bearing=0.0)))
    assert stakes.x.tolist() == [0, 20, 40, 40, 20, 0, 0, 20, 40]
    assert stakes.y.tolist() == [0, 0, 0, 20, 20, 20, 40, 40, 40]
    assert stakes.serves[4] == "A1 far right, A2 far left, B2 near left, B1 near right"


def test_sides_are_taped_once_and_diagonals_twice_a_data_grid():
    plan = lay_out([[box(40, 40)]], GridOptions(bearing=0.0))
    stakes = place_stakes(plan)
    checks = tape_checks(plan, stakes, GroundScale())
    assert checks.what.count("side") == 12
    assert checks.what.count("diagonal") == 8
    assert checks.what.count("base line") == 2
    shared = [grids for what, grids in zip(checks.what, checks.grids) if "," in grids]
    assert sorted(shared) == ["A1, A2", "A1, B1", "A2, B2", "B2, B1"]
    assert checks.expected[-2:].tolist() == [20.0, 40.0]
    np.testing.assert_allclose(checks.ground, checks.expected)


def test_the_base_line_is_the_row_with_most_stakes():
    ell = np.array([[0, 0], [20, 0], [20, 20], [80, 20], [80, 40], [0, 40]], float)
    plan = lay_out([[ell]], GridOptions(bearing=0.0, corner=(0.0, 0.0)))
    stakes = place_stakes(plan)
    checks = tape_checks(plan, stakes, GroundScale())
    base = [row for row, what in enumerate(checks.what) if what == "base line"]
    assert checks.expected[base].tolist() == [20.0, 40.0, 60.0, 80.0]
    assert stakes.y[checks.start[base] - 1].tolist() == [20.0] * 4
    assert stakes.x[checks.start[base] - 1].tolist() == [0.0] * 4


def test_the_scale_is_measured_along_across_and_between_in_the_middle():
    plan = lay_out([[turned(box(40, 60), 30.0)]], GridOptions(bearing=30.0, corner=(0.0, 0.0)))
    lines, length = scale_lines(plan)
    steps = lines[:, 1] - lines[:, 0]
    np.testing.assert_allclose(np.hypot(*steps.T), length)
    np.testing.assert_allclose(np.degrees(np.arctan2(*steps.T)), [30.0, 120.0, 75.0])
    np.testing.assert_allclose(lines.mean(axis=1), np.tile(plan.corners.mean(axis=(0, 1)), (3, 1)))


@given(st.floats(-0.01, 0.01), st.floats(-0.01, 0.01), st.floats(-0.01, 0.01))
def test_ground_distances_follow_any_stretching_of_the_map(a, b, c):
    stretch = np.array([[1 + a, c], [c, 1 + b]])
    s = math.sqrt(0.5)
    lengths = [np.linalg.norm(stretch @ way) * 1000 for way in ([1, 0], [0, 1], [s, s])]
    scale = ground_scale(lengths, 1000.0)
    for along, across in ((20, 0), (0, 20), (20, 20), (20, -20), (-7, 3)):
        expected = np.linalg.norm(stretch @ [along, across])
        found = scale.ground(np.array(float(along)), np.array(float(across)))
        assert found == pytest.approx(expected)


def test_what_is_told_of_the_scale():
    assert GroundScale(1.0004, 1.0004, 1.0004).told(20.0, "m") == (
        "A side of 20 m on the map is 20.008 m on the ground: the map is 400 parts per million "
        "shorter here (combined scale factor 0.999600)."
    )
    assert "as long on the ground" in GroundScale().told(20.0, "m")
    assert "cannot be told" in GroundScale().told(20.0, "m", known=False)


# -- refusals ----------------------------------------------------------------------------------


def refusal(polygons, **options):
    with pytest.raises(ValueError) as found:  # noqa: PT011
        lay_out(polygons, GridOptions(**options), "m")
    return str(found.value)


def test_an_outline_without_area_is_refused():
    line = np.array([[0.0, 0.0], [1.0, 1.0], [2.0, 2.0]])
    for nothing in ([], [[]], [[line]], [[np.empty((0, 2))]]):
        assert refusal(nothing).startswith("The outline holds no area.")
    assert "no number" in refusal([[np.array([[0.0, 0.0], [np.nan, 1.0], [1.0, 0.0]])]])


def test_too_large_a_side_is_refused_with_the_fullest_share():
    assert refusal([[box(10, 10)]], size=20.0, least_share=50.0) == (
        "No data grid of 20 by 20 m lies inside the outline by 50 % or more; the fullest does by "
        "25 %. Choose a smaller side or a lower least share."
    )


def test_too_small_a_side_is_refused_with_one_that_would_do():
    wrong = refusal([[box(1000, 1000)]], size=1.0)
    assert wrong == (
        "Data grids of 1 by 1 would be about 1,000,000 over this outline; at most 100,000 are laid "
        "out. Choose sides of 3.48 or more, or a part of the outline."
    )
    assert len(lay_out([[box(1000, 1000)]], GridOptions(size=3.5, bearing=0.0))) <= MOST_GRIDS


def test_parts_too_far_apart_are_refused_before_memory_runs_out():
    parts = [[box(20, 20)], [box(20, 20, 2e6, 2e6)]]
    assert refusal(parts).endswith("Lay out one part at a time.")


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"size": 0.0}, "The side of the data grids is 0: give a length above 0."),
        ({"width": -1.0}, "The side across is -1: give a length above 0."),
        ({"least_share": 100.5}, "The least share inside is 100.5 %: give 0 to 100 per cent."),
        ({"labels": "x"}, "Kind of label 'x' is unknown: choose one of row_column, order."),
    ],
)
def test_options_out_of_range_are_refused(options, sentence):
    assert refusal([[box(40, 40)]], **options) == sentence


def test_a_height_beyond_the_earths_centre_is_refused():
    with pytest.raises(ValueError, match="beyond the earth's centre"):
        ground_scale([1.0, 1.0, 1.0], 1.0, height=-7e6)


def test_the_search_can_be_cancelled_and_says_how_far_it_is():
    with pytest.raises(Cancelled):
        lay_out([[star(1)]], GridOptions(), progress=lambda fraction: fraction < 0.5)
    seen = []
    lay_out([[star(1)]], GridOptions(), progress=lambda fraction: seen.append(fraction) or True)
    assert seen == sorted(seen)
    assert seen[-1] == 1.0


def test_the_outline_given_is_left_as_it_is():
    ring = star(2)
    before = ring.copy()
    first = lay_out([[ring]], GridOptions())
    np.testing.assert_array_equal(ring, before)
    second = lay_out([[ring]], GridOptions())
    assert first.corners.tobytes() == second.corners.tobytes()
