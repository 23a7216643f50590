import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented import ACROSS, ALONG, COUNT, INTERVAL, LINES, NOISE, clean, steps
from lynchet.algorithms.correct.steps_inside import (
    WINDOW,
    StepInside,
    find_steps,
    step_shifts,
)
from lynchet.algorithms.progress import Cancelled

LAYOUT = (ALONG,) * LINES


def found_in(field, along=LAYOUT, across=ACROSS):
    return find_steps(along, across, list(field), INTERVAL)


def flat(seed=0):
    return 20 + np.random.default_rng(seed).normal(0, NOISE, (LINES, COUNT))


def placed(found):
    return [(step.traverse, round(step.along / INTERVAL)) for step in found]


# -- what is found ------------------------------------------------------------------------------


def test_a_step_is_found_between_its_two_readings_and_sized():
    for seed in range(10):
        field, _ = clean(seed, "soil")
        field[12, 70:] += 1.5
        (step,) = (step for step in found_in(field) if step.traverse == 12)
        assert step.along == pytest.approx(70 * INTERVAL)
        assert step.size == pytest.approx(1.5, abs=4 * NOISE * np.sqrt(1.5 * 2 / WINDOW))


@pytest.mark.parametrize("seed", range(6))
def test_steps_lie_where_a_fit_of_two_levels_by_least_squares_puts_them(seed):
    # Independent: every split of the difference from the neighbours' mean, the least squares kept.
    rng = np.random.default_rng(seed)
    field = flat(seed)
    at, line = int(rng.integers(20, COUNT - 20)), int(rng.integers(1, LINES - 1))
    field[line, at:] += rng.choice([-1, 1])
    difference = field[line] - (field[line - 1] + field[line + 1]) / 2
    cost = [
        COUNT * np.inf if min(k, COUNT - k) < 10
        else k * difference[:k].var() + (COUNT - k) * difference[k:].var()
        for k in range(COUNT)
    ]  # fmt: skip
    (step,) = found_in(field)
    assert step.traverse == line
    assert abs(round(step.along / INTERVAL) - int(np.argmin(cost))) <= 1


def test_several_steps_on_a_traverse_and_steps_on_neighbours_are_told_apart():
    field = flat()
    field[10, 40:] += 1.2
    field[10, 90:] += 1.6
    field[11, 60:] -= 1.4
    field[0, 50:] += 1.5
    assert placed(found_in(field)) == [(0, 50), (10, 40), (10, 90), (11, 60)]


def test_steps_of_a_unit_are_found_and_hardly_anything_else():
    # Hidden most often by a step on a neighbour at about the same place, or by bodies.
    for kind, least, most in (("soil", 0.85, 1), ("few bodies", 0.75, 4), ("many bodies", 0.5, 4)):
        hits = planted = wrong = 0
        for seed in range(8):
            field, _ = clean(seed, kind)
            fault, true = steps(seed)
            found = placed(found_in(field + fault))
            near = [any(line == f and abs(k - g) <= 2 for f, g in found) for line, k, _ in true]
            hits, planted = hits + sum(near), planted + len(true)
            wrong += len(found) - sum(near)
        assert hits / planted > least
        assert wrong <= most


# -- what is left -------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["soil", "few bodies", "many bodies"])
@pytest.mark.parametrize("lag", [0.0, 0.1, 0.3])
def test_ground_without_steps_has_none_even_where_opposing_passes_lag(kind, lag):
    # Measured on 60 surveys of 40 traverses of each kind: 0, 0 and 1 without lag; with lags of 0.1
    # to 0.3, which displace the edges of opposing passes by up to 5 readings, 0, 10 and 4 at most.
    wrong = [len(found_in(clean(seed, kind, lag)[0])) for seed in range(10)]
    assert sum(wrong) <= (3 if lag and kind != "soil" else 0)


def test_a_step_of_all_traverses_at_one_place_is_the_grounds():
    field = flat()
    field[:, 80:] += 3
    assert found_in(field) == ()


def test_a_step_that_only_one_neighbour_knows_of_is_the_neighbours():
    field = flat()
    field[20, 80:] += 2
    assert placed(found_in(field)) == [(20, 80)]
    # At the edge of a data grid the two next on one side tell.
    field = flat()
    field[1, 80:] += 2
    assert placed(found_in(field)) == [(1, 80)]


def test_a_last_digit_on_quiet_ground_is_no_step():
    field = flat()
    field[9:16] = 20.0
    field[12, 80:] = 20.1
    assert found_in(field) == ()


def test_a_soft_edge_is_a_bodys():
    for wide in (2.0, 3.0, 6.0):
        field = flat()
        field[20] += 3 / (1 + np.exp(-(np.arange(COUNT) - 80) / wide))
        assert found_in(field) == ()


def test_a_sharp_edge_that_neighbours_show_weakly_is_a_bodys():
    field = flat()
    field[19:22, 80:] += np.array([1.2, 3.0, 1.2])[:, None]
    assert found_in(field) == ()


def test_a_step_that_is_taken_back_is_a_bodys():
    field = flat()
    field[20, 60:100] += 2
    assert found_in(field) == ()


def test_a_change_over_a_gap_is_no_step():
    field = flat()
    field[20, 80:] += 2
    field[20, 78:84] = np.nan
    assert found_in(field) == ()
    field[20, 82:84] = flat()[20, 82:84] + 2
    field[20, 78:80] = flat()[20, 78:80]
    assert placed(found_in(field)) == [(20, 81)]


@pytest.mark.parametrize("at", [3, 9, COUNT - 9, COUNT - 3])
def test_a_step_near_an_end_is_left(at):
    field = flat()
    field[20, at:] += 3
    assert found_in(field) == ()


def test_two_traverses_cannot_tell_which_of_them_steps():
    field = flat()[:2]
    field[0, 80:] += 3
    assert found_in(field, LAYOUT[:2], ACROSS[:2]) == ()
    assert found_in(np.full((3, COUNT), np.nan), LAYOUT[:3], ACROSS[:3]) == ()


def test_halves_of_a_traverse_make_up_one_neighbour():
    field = flat()
    field[20, 40:] += 2
    half = COUNT // 2
    along = (*LAYOUT[:21], ALONG[:half], ALONG[half:], *LAYOUT[22:])
    values = [*field[:21], field[21, :half], field[21, half:], *field[22:]]
    across = np.concatenate([ACROSS[:21], ACROSS[[21, 21]], ACROSS[22:]])
    assert placed(find_steps(along, across, values, INTERVAL)) == [(20, 40)]


# -- symmetries ---------------------------------------------------------------------------------


@given(st.integers(0, 50), st.floats(-100, 100), st.sampled_from([-2.0, 0.25, 8.0]))
@settings(max_examples=8, deadline=None)
def test_level_and_scale_go_through_and_the_order_of_walking_does_not_matter(seed, shift, factor):
    field = clean(seed, "few bodies")[0] + steps(seed)[0]
    before = field.copy()
    plain = found_in(field)
    np.testing.assert_array_equal(field, before)
    moved = found_in(field * factor + shift)
    assert placed(moved) == placed(plain)
    np.testing.assert_allclose([m.size for m in moved], [factor * p.size for p in plain], atol=1e-9)
    along = tuple(ALONG[::-1] if i % 2 else ALONG for i in range(LINES))
    zigzag = [row[::-1] if i % 2 else row for i, row in enumerate(field)]
    assert find_steps(along, ACROSS, zigzag, INTERVAL) == plain


def test_mirrored_ground_has_the_mirrored_steps():
    field = flat()
    field[12, 70:] += 1.5
    field[30, 50:] -= 1.5
    mirrored = found_in(-field[::-1, ::-1])
    assert placed(mirrored) == [(LINES - 31, COUNT - 50), (LINES - 13, COUNT - 70)]
    assert [round(step.size, 9) for step in mirrored] == [
        round(step.size, 9) for step in reversed(found_in(field))
    ]


def test_the_longest_piece_stays_as_it_is():
    along = (np.arange(10.0),) * 3
    found = step_shifts(along, (StepInside(1, 2.5, 4.0), StepInside(1, 7.5, -1.0)))
    assert list(found) == [1]
    assert found[1].tolist() == [-4.0] * 3 + [0.0] * 5 + [-1.0] * 2


def test_looking_for_steps_can_be_cancelled():
    with pytest.raises(Cancelled):
        find_steps(LAYOUT, ACROSS, list(flat()), INTERVAL, lambda fraction: False)
