import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.fitsitegrid import fitsitegrid
from lynchet.algorithms.intake.pegs.controlpoints import ControlPoints, parse_control_points
from lynchet.algorithms.intake.pegs.helmert import Transformation, fit
from lynchet.algorithms.intake.text.number import to_number

NOISE = 0.02
NETWORKS = 500


def network(seed, count=None, noise=NOISE, turn=None):
    """Random pegs of a site some 20 to 120 across: site, map and the true transformation."""
    rng = np.random.default_rng(seed)
    k = count or int(rng.integers(3, 10))
    size = rng.uniform(20, 120)
    site = rng.uniform(0, size, k) + 1j * rng.uniform(0, size, k)
    # Pegs nearer than a fifth of the site's size to each other are not set out as control.
    while (
        k > 1 and np.min(np.abs(site[:, None] - site)[~np.eye(k, dtype=bool)]) < 0.2 * size / k**0.5
    ):
        site = rng.uniform(0, size, k) + 1j * rng.uniform(0, size, k)
    angle = rng.uniform(0, 360) if turn is None else turn
    true = Transformation(430000 + 5900000j, np.exp(-1j * np.radians(angle)))
    on_map = true.apply(site) + noise * (rng.normal(size=k) + 1j * rng.normal(size=k))
    return site, on_map, true, rng


def points(site, on_map):
    return ControlPoints(tuple("ABCDEFGHIJKL"[: len(site)]), site, on_map)


def refusal(site, on_map, **options):
    """The error text; empty where the points were accepted."""
    try:
        fitsitegrid(points(site, on_map), **options)
    except ValueError as wrong:
        return str(wrong)
    return ""


# -- good points -------------------------------------------------------------------------------


@pytest.mark.parametrize("scaled", [False, True])
def test_good_points_are_never_refused_at_survey_noise(scaled):
    refused = [
        seed for seed in range(NETWORKS) if refusal(*network(seed)[:2], scaled=scaled)
    ]  # fmt: skip
    assert refused == []


def test_the_true_place_of_the_grid_is_found_within_its_errors():
    off, claimed, places = [], [], []
    for seed in range(NETWORKS):
        site, on_map, true, _ = network(seed)
        found = fitsitegrid(points(site, on_map))
        turn = (found.transformation.rotation - true.rotation + 180) % 360 - 180
        off.append(turn)
        size = np.sqrt(np.sum(np.abs(site - site.mean()) ** 2))
        claimed.append(np.degrees(NOISE / size))
        far = np.array([200 + 0j])
        error = np.abs(found.transformation.apply(far) - true.apply(far))[0]
        places.append(error / found.error_at(far)[0] * found.sigma / NOISE)
    # Standard errors are right to the scatter of a mean of so many squares.
    assert np.sqrt(np.mean((np.array(off) / claimed) ** 2)) == pytest.approx(1, abs=0.1)
    assert np.sqrt(np.mean(np.square(places))) == pytest.approx(1, abs=0.1)


@pytest.mark.parametrize("scaled", [False, True])
def test_sigma_and_standardised_residuals_are_what_chance_gives(scaled):
    sigma, standard = [], []
    for seed in range(200):
        found = fitsitegrid(points(*network(seed, count=6)[:2]), scaled)
        sigma.append(found.sigma**2)
        standard.append(found.standardised**2)
    assert np.sqrt(np.mean(sigma)) == pytest.approx(NOISE, rel=0.05)
    # Of 6 points, 12 coordinates: the sum over points of squares, against the redundancy's sigma.
    assert np.mean(standard) == pytest.approx(2.0, rel=0.02)


def test_an_exact_network_is_fitted_exactly():
    site, on_map, true, _ = network(1, noise=0.0)
    found = fitsitegrid(points(site, on_map))
    assert found.transformation.turn == pytest.approx(true.turn, abs=1e-9)
    assert np.abs(found.residual).max() < 1e-8
    assert found.transformation.inverse.apply(on_map) == pytest.approx(site, abs=1e-7)


def test_the_fit_has_the_least_sum_of_squares_in_every_direction():
    site, on_map, _, rng = network(2, count=5)
    for scaled in (False, True):
        found, residual = fit(site, on_map, scaled)
        least = np.sum(np.abs(residual) ** 2)
        for _ in range(50):
            step = 1e-3 * (rng.normal() + 1j * rng.normal())
            turn = found.turn * (1 + 1e-4 * rng.normal() * scaled) * np.exp(1e-4j * rng.normal())
            other = Transformation(found.shift + step, turn)
            assert np.sum(np.abs(on_map - other.apply(site)) ** 2) >= least


# -- wrong points of each kind -----------------------------------------------------------------


def shares(spoil, right, counts=None):
    """Share refused and share rightly diagnosed over the networks that `spoil` spoils."""
    refused = told = total = 0
    for seed in range(NETWORKS):
        site, on_map, _, rng = network(seed, counts)
        spoilt = spoil(site, on_map, rng)
        text = refusal(*spoilt[:2])
        total += 1
        refused += bool(text)
        told += bool(text) and right(text, *spoilt[2:])
    return refused / total, told / total


def test_a_swapped_pair_is_refused_and_named():
    def spoil(site, on_map, rng):
        i, j = sorted(rng.permutation(len(site))[:2])
        wrong = on_map.copy()
        wrong[[i, j]] = on_map[[j, i]]
        return site, wrong, "ABCDEFGHIJKL"[i], "ABCDEFGHIJKL"[j]

    refused, told = shares(spoil, lambda text, i, j: f"'{i}' and '{j}' were exchanged" in text)
    assert refused == 1.0
    assert told == 1.0


def test_axes_taken_for_each_other_are_refused_and_named():
    def spoil(site, on_map, rng):
        swapped = site.imag + 1j * site.real if rng.random() < 0.5 else -np.conj(site)
        return swapped, on_map

    refused, told = shares(spoil, lambda text: "x and y were taken for each other" in text)
    assert refused >= 0.995  # three points nearly on one line
    assert told == refused


def test_one_bad_point_is_refused_and_named():
    def spoil(site, on_map, rng):
        bad = int(rng.integers(len(site)))
        wrong = on_map.copy()
        wrong[bad] += rng.uniform(1, 20) * np.exp(2j * np.pi * rng.random())
        return site, wrong, "ABCDEFGHIJKL"[bad]

    # Three points: what goes wrong across one side only is told, along another is not.
    refused, told = shares(spoil, lambda text, bad: f"Likely '{bad}' is wrong" in text, 5)
    assert refused == 1.0
    assert told >= 0.995
    refused, told = shares(spoil, lambda text, bad: f"'{bad}' is wrong" in text, 3)
    assert refused >= 0.98
    assert told == refused


@pytest.mark.parametrize(
    ("ratio", "words"),
    [(1 / 0.3048, "metres on the site grid and feet on the map"),
     (0.3048, "feet on the site grid and metres on the map"),
     (1.5, "let the scale be fitted")],
)  # fmt: skip
def test_another_unit_is_refused_and_named(ratio, words):
    def spoil(site, on_map, rng):
        return site, on_map.mean() + ratio * (on_map - on_map.mean())

    refused, told = shares(spoil, lambda text: words in text)
    assert refused == 1.0
    assert told == 1.0


def test_two_bad_points_are_refused_without_a_false_name():
    def spoil(site, on_map, rng):
        wrong = on_map.copy()
        wrong[:2] += rng.uniform(2, 20, 2) * np.exp(2j * np.pi * rng.random(2))
        return site, wrong

    refused, told = shares(spoil, lambda text: "No one wrong point" in text, 6)
    assert refused == 1.0
    assert told >= 0.995


def test_mirrored_and_in_feet_at_once_is_told_with_both():
    site, on_map, _, _ = network(5, count=5)
    text = refusal(np.conj(site) / 0.3048, on_map)
    assert "feet on the site grid" in text
    assert "left-handed" in text


def test_a_square_says_that_exchange_and_left_handed_axes_look_alike():
    square = np.array([0, 20, 20 + 20j, 20j])
    text = refusal(square.imag + 1j * square.real, square * np.exp(0.3j) + 1000)
    assert "x and y were taken for each other" in text
    assert "or 'B' and 'D' were exchanged" in text


def test_the_plainest_exchange_is_named_alone():
    rectangle = np.array([0, 40, 40 + 20j, 20j])
    text = refusal(rectangle, rectangle[[1, 0, 2, 3]] + 1000)
    assert text.endswith("Likely 'A' and 'B' were exchanged.")


def test_map_coordinates_in_degrees_are_named():
    site = np.array([0, 20, 20j, 20 + 20j])
    assert "look like degrees" in refusal(site, 1.95 + 53.2j + site * 1e-5)
    assert "look like degrees" in refusal(site[:2], 1.95 + 53.2j + site[:2] * 1e-5)


# -- two points --------------------------------------------------------------------------------


def test_two_points_check_their_distance_only_and_say_so():
    found = fitsitegrid(points(np.array([0, 20]), np.array([100, 100 + 20.04j])))
    assert found.transformation.rotation == pytest.approx(270)
    assert np.abs(found.residual) == pytest.approx([0.02, 0.02])
    assert np.isnan(found.sigma)
    assert np.isnan(found.standardised).all()
    assert found.warnings[0].startswith("Two control points: only their distance is checked.")
    assert "Measure a third" in found.warnings[0]


@pytest.mark.parametrize(
    ("distance", "words"),
    [
        (20.16, "is 20.000 on the site grid and 20.160 on the map, 1.008 times as much, where"),
        (20 / 0.3048, "as for metres on the site grid and feet on the map"),
        (20 / 0.3048, "Bring both to one unit, or let the scale be fitted."),
        (20.16, "Check both points, or measure a third"),
    ],
)
def test_two_points_at_a_wrong_distance_are_refused(distance, words):
    assert words in refusal(np.array([0, 20]), np.array([100, 100 + distance]))


def test_two_points_with_a_scale_always_fit():
    found = fitsitegrid(points(np.array([0, 20]), np.array([100, 100 + 65.62])), scaled=True)
    assert found.transformation.scale == pytest.approx(3.281)
    assert "nothing is checked" in found.warnings[0]
    assert "3.281 times those on the site grid, as for metres" in found.warnings[1]


# -- cautions ----------------------------------------------------------------------------------


def test_pegs_on_one_line_are_cautioned():
    site = np.array([0, 20, 40, 60.0])
    found = fitsitegrid(points(site, 5 + 1j * site))
    assert any("nearly on one line" in said for said in found.warnings)


def test_a_rectangle_says_that_it_could_lie_the_other_way_round():
    rectangle = np.array([0, 40, 40 + 20j, 20j])
    found = fitsitegrid(points(rectangle, 1000 + rectangle))
    said = "fit as well if 'A', 'B', 'C', 'D' were taken for 'C', 'D', 'A', 'B'"
    assert any(said in warning for warning in found.warnings)
    uneven = np.array([0, 40, 37 + 20j, 25j])
    assert fitsitegrid(points(uneven, 1000 + uneven)).warnings == ()


# -- equivariance ------------------------------------------------------------------------------


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.floats(0, 360), st.floats(-1e5, 1e5), st.booleans())
def test_turning_and_moving_the_map_turns_and_moves_the_fit(seed, turn, shift, scaled):
    site, on_map, _, rng = network(seed)
    plain = fitsitegrid(points(site, on_map), scaled)
    angle = np.exp(-1j * np.radians(turn))
    moved = fitsitegrid(points(site, (on_map - 430000) * angle + shift), scaled)
    np.testing.assert_allclose(moved.residual, plain.residual * angle, atol=1e-7)
    np.testing.assert_allclose(moved.standardised, plain.standardised, rtol=1e-3)
    turned = moved.transformation.rotation - plain.transformation.rotation - turn
    assert (turned + 180) % 360 - 180 == pytest.approx(0, abs=1e-6)
    rows = rng.permutation(len(site))
    mixed = fitsitegrid(points(site[rows], on_map[rows]), scaled)
    assert mixed.transformation.turn == pytest.approx(plain.transformation.turn, abs=1e-9)


def test_input_is_untouched_and_two_runs_agree():
    site, on_map, _, _ = network(3)
    kept = site.copy(), on_map.copy()
    one, two = (fitsitegrid(points(site, on_map)) for _ in range(2))
    assert (site == kept[0]).all()
    assert (on_map == kept[1]).all()
    assert one.figures == two.figures
    assert one.residual.tobytes() == two.residual.tobytes()


# -- control points in words -------------------------------------------------------------------


def test_control_points_are_read_from_lines():
    found = parse_control_points(
        "peg A: 0 0 -> 430000.5 5900000\n# a remark\n\nB:20,0->430020.5, 5900000 # a nail"
        "; C: 0 20 -> 1 2"
    )
    assert found.names == ("peg A", "B", "C")
    assert found.site.tolist() == [0, 20, 20j]
    assert found.on_map[0] == 430000.5 + 5900000j


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "A site grid is fitted to two or more control points; there are none."),
        ("A: 0 0 -> 1 1", "there is only one. Give another."),
        ("A 0 0 -> 1 1", "The control point 'A 0 0 -> 1 1' cannot be read. Write a name, x and y"),
        ("A: 0 0 1 1", "The control point 'A: 0 0 1 1' cannot be read"),
        ("A: 0 0 0 -> 1 1", "The control point 'A: 0 0 0 -> 1 1' cannot be read"),
        ("A: 0 x -> 1 1", "The control point 'A: 0 x -> 1 1' cannot be read"),
        (": 0 0 -> 1 1; B: 1 1 -> 2 2", "Control point 1 has no name."),
        ("A: 0 0 -> 1 1; A: 1 1 -> 2 2", "There are two control points 'A'."),
        ("A: 0 0 -> 1 1; B: nan 1 -> 2 2", "Control point 'B' lacks a site-grid coordinate."),
        ("A: 0 0 -> 1 1; B: 1 1 -> inf 2", "Control point 'B' lacks a map coordinate."),
        ("A: 0 0 -> 1 1; B: 0 0 -> 2 2", "All control points lie at one spot on the site grid."),
        ("A: 0 0 -> 1 1; B: 9 0 -> 1 1", "All control points lie at one spot on the map."),
    ],
)
def test_control_points_that_cannot_serve_are_refused(text, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        parse_control_points(text)


@pytest.mark.parametrize(
    "written",
    [
        "A: 0 0 -> 412345,219 5812345,12; B: 20,5 0 -> 412365,219 5812345,12",
        "A: 0, 0 -> 412345,219, 5812345,12\nB: 20,5 , 0 -> 412365,219 , 5812345,12",
        "A: 0,0 -> 412345.219,5812345.12; B: 20.5,0 -> 412365.219,5812345.12",
    ],
)
def test_a_comma_is_decimal_where_blanks_separate(written):
    found = parse_control_points(written)
    assert found.site.tolist() == [0, 20.5]
    assert found.on_map.tolist() == [412345.219 + 5812345.12j, 412365.219 + 5812345.12j]


@pytest.mark.parametrize("word", ["1,234,567", "1,2.5", ",5", "5,", "1,2e3", "", "x"])
def test_what_may_mean_two_numbers_is_none(word):
    with pytest.raises(ValueError, match="could not convert"):
        to_number(word)


def test_no_sentence_holds_a_power_of_ten():
    site = np.array([0, 20, 20 + 30j, 30j])
    far = refusal(site, site + np.array([0, 0, 0, 412345 + 5812345j]) + 4e5)
    assert "(+412,345 east, +5,812,345 north)" in far
    exact = fitsitegrid(points(site, site * np.exp(0.3j) + 412345.219 + 5812345.12j)).messages
    assert "a standard error of a coordinate of 0 map units" in exact[1]
    for sentence in (far, *exact, refusal(site, site * 2e5), refusal(site[:2], site[:2] * 2e5)):
        assert not re.search(r"\de[+-]\d", sentence)


def test_a_tolerance_that_is_none_is_refused():
    with pytest.raises(ValueError, match="The tolerance is 0: give a length above 0"):
        fitsitegrid(points(*network(0)[:2]), tolerance=0.0)
