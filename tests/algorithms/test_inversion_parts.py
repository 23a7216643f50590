from dataclasses import replace

import numpy as np
import pytest
from invented_ground import FOUR, TWO, channels, exact, grounds
from lynchet.algorithms.ground.instrument import CoilPair, Instrument
from lynchet.algorithms.ground.inversion import lateral
from lynchet.algorithms.ground.inversion.certainty import certainty
from lynchet.algorithms.ground.inversion.fit import (
    Parting,
    cost_of,
    counted_sd,
    fit,
    misfit_cost,
)
from lynchet.algorithms.ground.inversion.lateral import Likeness, fit_together, precision
from lynchet.algorithms.ground.inversion.layering import (
    THICKNESS_FACTOR,
    parting_of,
    usual_thicknesses,
)
from lynchet.algorithms.ground.inversion.options import InversionOptions
from lynchet.algorithms.ground.inversion.prior import Beliefs, covariance, middles
from lynchet.algorithms.ground.inversion.soundings import Soundings
from lynchet.algorithms.ground.inversion.usable import saturation, usable_rows
from lynchet.algorithms.readings import Qc, Readings
from scipy.sparse.linalg import splu
from scipy.special import k1

PAIRS = [channel.pair for channel in FOUR]
TOPS = np.array([0.0, 0.14, 0.33, 0.6, 0.97, 1.5])


def soundings(count=12, chosen=FOUR, noise=0.2, relative=0.03, height=None, **ground):
    sigma, thickness = grounds(count, **ground)
    values = exact(chosen, sigma, thickness, height)
    values = values * (1 + 0.02 * np.random.default_rng(4).normal(size=values.shape))
    return Soundings(chosen, values, np.full(values.shape, noise), relative * values, height)


def parting(few=False, layers=6):
    thickness = usual_thicknesses(PAIRS, layers, few)
    return parting_of(PAIRS, thickness, few, 20.0, Beliefs(2.5, 3.0, 1.0))


# What is assumed


def test_layers_are_the_less_alike_the_further_apart_in_proportion():
    level, profile = covariance(TOPS, Beliefs(2.5, 3.0, 0.7), 0.1)
    np.testing.assert_allclose(level, np.log(2.5) ** 2)
    np.testing.assert_allclose(np.diag(profile), np.log(3.0) ** 2)
    # Two depths that differ by a factor of exp(reach): a correlation of 1/e.
    tops = np.array([0.0, 1.0, 2 * (1.5 * np.exp(0.7)) - 1.0])
    _, profile = covariance(np.append(tops[1:], 9.0) - 1e-12, Beliefs(2.5, np.e, 0.7), 0.0)
    assert profile[0, 1] == pytest.approx(
        np.exp(-np.log(middles(np.append(tops[1:], 9.0))[1] / middles(np.append(tops[1:], 9.0))[0])
               / 0.7)
    )  # fmt: skip
    np.testing.assert_allclose(
        covariance(np.array([0.0, 2.0]), Beliefs(2.0, np.e, np.log(3.0)), 0.0)[1],
        [[1.0, np.exp(-1.0)], [np.exp(-1.0), 1.0]],
    )


def test_splitting_a_layer_leaves_the_others_what_is_assumed_of_them():
    whole = sum(covariance(np.array([0.0, 0.3, 1.0]), Beliefs(), 0.1))
    split = sum(covariance(np.array([0.0, 0.3, 0.5, 1.0]), Beliefs(), 0.1))
    np.testing.assert_allclose(split[np.ix_([0, 3], [0, 3])], whole[np.ix_([0, 2], [0, 2])])


def test_what_is_assumed_can_be_drawn():
    for tops in (TOPS, np.concatenate([[0.0], np.geomspace(1e-5, 10, 29)])):
        for beliefs in (Beliefs(1.01, 1.01, 100.0), Beliefs(100.0, 100.0, 0.01), Beliefs()):
            np.linalg.cholesky(sum(covariance(tops, beliefs, 0.05)))


@pytest.mark.parametrize(
    ("numbers", "said"),
    [
        ({"level": 1.0}, "The level is 1: give a factor above 1, at most 100."),
        ({"contrast": 101.0}, "The contrast is 101: give a factor above 1, at most 100."),
        ({"contrast": np.nan}, "The contrast is nan: give a factor above 1, at most 100."),
        ({"reach": 0.0}, "The reach is 0: give 0.01 to 100."),
        ({"method": "blocky"}, "Method 'blocky' is unknown: choose one of smooth, few."),
        ({"layers": 31}, "31 layers: give 1 to 30, or 0 to choose."),
        ({"layers": -1}, "-1 layers: give 1 to 30, or 0 to choose."),
        ({"thicknesses": (1.0,) * 30}, "30 thicknesses: give 29 at most."),
        (
            {"layers": 4, "thicknesses": (0.5, 0.5)},
            "4 layers need 3 thicknesses, not 2: the last layer has none.",
        ),
        ({"thicknesses": (0.5, 0.0)}, "A thickness is 0 m: give 0.01 to 1000 m."),
        ({"thicknesses": (np.inf,)}, "A thickness is inf m: give 0.01 to 1000 m."),
        ({"noise": (1.0, -1.0)}, "The noise is -1: give numbers above 0."),
        ({"noise": (np.nan,)}, "The noise is nan: give numbers above 0."),
        ({"relative": 1.5}, "The relative error is 1.5: give a share, 0 to 1."),
        ({"usual": -3.0}, "The usual conductivity is -3 mS/m: give a number above 0."),
        ({"usual": np.inf}, "The usual conductivity is inf mS/m: give a number above 0."),
        ({"susceptibility": -0.6}, "The susceptibility is -0.6: give -0.5 to 10 (SI)."),
        ({"along": -1.0}, "The distance along the traverses is -1: give 0 m or more."),
        ({"across": np.nan}, "The distance across the traverses is nan: give 0 m or more."),
    ],
)
def test_options_out_of_range_are_refused(numbers, said):
    with pytest.raises(ValueError, match=r"[:,]") as error:
        InversionOptions(**numbers)
    assert str(error.value) == said


# The layers


@pytest.mark.parametrize("layers", [1, 2, 6, 30])
def test_the_last_layer_begins_where_the_widest_pair_sees_no_deeper(layers):
    thickness = usual_thicknesses(PAIRS, layers, few=False)
    assert len(thickness) == layers - 1
    if layers > 1:
        # McNeill (1980), TN-6: 70 % of the response from above 1.5 and 0.75 spacings.
        assert thickness.sum() == pytest.approx(1.5)
        assert usual_thicknesses(PAIRS, layers, few=True).sum() == pytest.approx(0.75)
        flat = [CoilPair(1.0, "horizontal"), CoilPair(0.5, "vertical")]
        assert usual_thicknesses(flat, layers, few=False).sum() == pytest.approx(0.75)
        np.testing.assert_allclose(thickness[1:] / thickness[:-1], 1.4)


def test_unknown_thicknesses_are_apart_from_conductivities():
    found = parting(few=True, layers=3)
    assert found.covariance.shape == (5, 5)
    np.testing.assert_array_equal(found.covariance[:3, 3:], 0.0)
    np.testing.assert_allclose(found.covariance[3:, 3:], np.log(THICKNESS_FACTOR) ** 2 * np.eye(2))
    sigma, thickness = found.ground(found.usual[np.newaxis])
    np.testing.assert_allclose(sigma, 20.0)
    np.testing.assert_allclose(thickness[0], found.thickness)
    np.testing.assert_allclose(found.covariance[:3, :3] - found.own[:3, :3], np.log(2.5) ** 2)


# Soundings


@pytest.mark.parametrize("height", [None, np.linspace(0.0, 0.6, 12)])
@pytest.mark.parametrize("few", [False, True])
def test_slopes_are_differences(few, height):
    given, unknown = soundings(height=height), parting(few, 3)
    x = unknown.usual + 0.5 * np.random.default_rng(0).normal(size=(12, len(unknown.usual)))
    values, slopes = unknown.slopes(given, x)
    np.testing.assert_allclose(values, given.predicted(*unknown.ground(x)), rtol=2e-3)
    for column in range(x.shape[1]):
        step = np.zeros(x.shape[1])
        step[column] = 1e-4
        ahead, behind = unknown.slopes(given, x + step)[0], unknown.slopes(given, x - step)[0]
        np.testing.assert_allclose(
            slopes[:, :, column], (ahead - behind) / 2e-4, rtol=1e-5, atol=1e-5
        )


def test_shares_are_mcneills():
    given = soundings()
    shares = given.shares(TOPS)
    assert shares.shape == (1, 4, 6)
    np.testing.assert_allclose(shares.sum(axis=2), 1.0)
    z = TOPS[1:] / 1.0
    np.testing.assert_allclose(
        1 - np.cumsum(shares[0, 2, :-1]), 1 / np.sqrt(4 * z**2 + 1), rtol=1e-12
    )
    raised = soundings(height=np.full(12, 0.25)).shares(TOPS)
    np.testing.assert_allclose(raised[:, 2].sum(axis=1), 1 / np.sqrt(4 * 0.25**2 + 1))
    mixed = Instrument((CoilPair(1.0, quadrature="q", in_phase="p"),)).channels
    table = np.ones((2, 2))
    assert Soundings(mixed, table, table, table).shares(TOPS)[0, 1].tolist() == [0.0] * 6


def test_what_neighbours_share_is_not_averaged_away():
    given = soundings()
    tenth = given.averaged(np.full(12, 0.1))
    np.testing.assert_allclose(tenth.shared, given.shared * np.sqrt(10))
    np.testing.assert_array_equal(tenth.noise, given.noise)
    np.testing.assert_allclose(given.sd, np.sqrt(given.noise**2 + given.shared**2))


def test_taken_soundings_are_those():
    given = soundings(height=np.linspace(0, 0.5, 12))
    some = given.take(np.array([7, 2]))
    np.testing.assert_array_equal(some.values, given.values[[7, 2]])
    np.testing.assert_array_equal(some.height, given.height[[7, 2]])
    assert len(given.take(slice(3, 9))) == 6


# The fit


def test_residuals_count_as_huber_says():
    given = replace(soundings(1), noise=np.ones((1, 4)), shared=np.zeros((1, 4)))
    values = given.values - [[0.0, 1.0, 2.0, 6.0]]
    # Squares up to 2, then 2 * 2 * r - 4: 0 + 1 + 4 + 20.
    np.testing.assert_allclose(misfit_cost(given, values), 25.0)
    np.testing.assert_allclose(counted_sd(given, values), [[1, 1, 1, np.sqrt(3)]])


@pytest.mark.parametrize(("few", "layers"), [(False, 6), (True, 2), (True, 3)])
def test_no_ground_near_the_fitted_one_costs_less(few, layers):
    given, unknown = soundings(60), parting(few, layers)
    found = fit(given, unknown)
    least = cost_of(given, unknown, found.unknowns, found.values)
    rng = np.random.default_rng(3)
    for size in (0.3, 0.1, 0.03):
        for _ in range(20):
            tried = found.unknowns + size * rng.normal(size=found.unknowns.shape)
            values, _ = unknown.slopes(given, tried)
            assert (cost_of(given, unknown, tried, values) > least - 0.02).all()


def test_without_readings_the_usual_ground_is_left():
    given = replace(soundings(3), noise=np.full((3, 4), 1e6))
    found = fit(given, parting())
    np.testing.assert_allclose(found.unknowns, np.log(20.0), atol=1e-3)
    sure = certainty(given, found, parting())
    np.testing.assert_allclose(sure.sd, np.sqrt(np.log(2.5) ** 2 + np.log(3.0) ** 2))
    np.testing.assert_allclose(sure.numbers, 0.0, atol=1e-6)
    np.testing.assert_allclose(sure.told, 0.0, atol=1e-6)


# What is told


@pytest.mark.parametrize("few", [False, True])
def test_the_traces_of_both_sides_agree(few):
    """Numbers told: trace of the resolution matrix, in unknowns as in readings."""
    given, unknown = soundings(8), parting(few, 3)
    found = fit(given, unknown)
    sure = certainty(given, found, unknown)
    for row in range(8):
        slopes = found.slopes[row]
        weight = np.diag(found.sd[row] ** -2)
        after = np.linalg.inv(np.linalg.inv(unknown.covariance) + slopes.T @ weight @ slopes)
        # With thicknesses sought, the ground around may widen it.
        linear = np.sqrt(np.diag(after))
        assert (sure.sd[row] >= linear * (1 - 1e-8)).all()
        if not few:
            np.testing.assert_allclose(sure.sd[row], linear, rtol=1e-8)
        matrix = np.eye(len(after)) - after @ np.linalg.inv(unknown.covariance)
        np.testing.assert_allclose(sure.resolution[row], np.diag(matrix), atol=1e-8)
        assert sure.numbers[row] == pytest.approx(np.trace(matrix), abs=1e-8)
        assert 0 < sure.numbers[row] < 4
        own = np.linalg.inv(np.linalg.inv(unknown.own) + slopes.T @ weight @ slopes)
        np.testing.assert_allclose(
            sure.told[row], 1 - np.diag(own) / np.diag(unknown.own), atol=1e-8
        )


def test_more_channels_tell_more():
    four, two = soundings(30), soundings(30, TWO)
    some = [certainty(given, fit(given, parting()), parting()) for given in (four, two)]
    assert (some[0].numbers > some[1].numbers).all()


# The plan


def line_plan(step, length, count=None):
    count = count or int(40 * length / step) | 1
    places = np.column_stack([step * np.arange(count), np.zeros(count)])
    return precision(places, [np.arange(count)], Likeness(along=length)), count


def lattice(across, along, dx, dy):
    x, y = np.meshgrid(np.arange(along) * dx, np.arange(across) * dy)
    chains = [np.arange(along) + along * row for row in range(across)]
    return np.column_stack([x.ravel(), y.ravel()]), chains


def covariances(plan, row):
    one = np.zeros(plan.shape[0])
    one[row] = 1.0
    return splu(plan.tocsc()).solve(one)


@pytest.mark.parametrize(("step", "length", "near"), [(0.25, 5.0, 1e-3), (0.25, 1.0, 0.01)])
def test_along_a_line_it_is_the_field_of_matern_and_whittle(step, length, near):
    """``(1 + d) exp(-d)``, d in lengths: B. Matern (1960), Spatial variation (from memory)."""
    plan, count = line_plan(step, length)
    found = covariances(plan, count // 2)
    d = step * np.abs(np.arange(count) - count // 2) / length
    np.testing.assert_allclose(found, (1 + d) * np.exp(-d), atol=near)


@pytest.mark.parametrize(
    ("dx", "dy", "along", "across"),
    [(0.5, 0.5, 2.0, 2.0), (0.25, 0.5, 1.0, 2.0), (0.1, 1.0, 2.0, 3.0)],
)
def test_over_a_plan_it_is_whittles(dx, dy, along, across):
    """``d K1(d)``: P. Whittle (1954), Biometrika 41, 434-449 (from memory)."""
    nx, ny = int(20 * along / dx) | 1, int(20 * across / dy) | 1
    places, chains = lattice(ny, nx, dx, dy)
    plan = precision(places, chains, Likeness(along, across))
    middle = nx * (ny // 2) + nx // 2
    found = covariances(plan, middle)
    assert found[middle] == pytest.approx(1.0, abs=0.05)
    for lengths in (0.5, 1.0, 2.0, 3.0):
        for row, unit in (
            (middle + round(lengths * along / dx), dx / along),
            (middle + nx * round(lengths * across / dy), dy / across),
        ):
            steps = (row - middle) // nx if row - middle >= nx else row - middle
            d = steps * unit
            assert found[row] / found[middle] == pytest.approx(d * k1(d), abs=0.03)


def test_traverses_far_apart_with_readings_close_together_hang_together():
    """A reading's nearest ones are all of its own traverse: the next traverse is still found."""
    places, chains = lattice(5, 200, 0.1, 2.0)
    ends = lateral._nearest_of_others(places, chains, 2.0)
    assert len(ends) >= 4 * 200


def test_a_plan_does_not_depend_on_where_a_line_is_cut_into_steps():
    fine, count = line_plan(0.1, 2.0)
    coarse, fewer = line_plan(0.5, 2.0)
    one, other = covariances(fine, count // 2), covariances(coarse, fewer // 2)
    np.testing.assert_allclose(one[count // 2 :: 5][:15], other[fewer // 2 :][:15], atol=0.01)


def test_what_stands_for_one_is_the_sum_of_the_precision():
    """A line of many lengths stands for its length over 4 of them a sounding of its own."""
    plan, _ = line_plan(0.25, 2.0, 801)
    assert plan.sum() == pytest.approx(800 * 0.25 / (4 * 2.0), rel=0.01)


def test_without_lengths_nothing_is_tied():
    places, chains = lattice(3, 4, 1.0, 1.0)
    assert (precision(places, chains, Likeness()).toarray() == np.eye(12)).all()


def test_readings_at_one_place_and_alone_are_borne():
    places = np.zeros((5, 2))
    for chains in ([np.arange(5)], [np.array([row]) for row in range(5)], []):
        for likeness in (Likeness(1.0), Likeness(0.0, 1.0), Likeness(1.0, 1.0)):
            plan = precision(places, chains, likeness).toarray()
            assert np.isfinite(plan).all()
            np.testing.assert_allclose(plan, plan.T)
            assert np.linalg.eigvalsh(plan)[0] > 0


def test_together_no_ground_near_costs_less():
    given, unknown = soundings(30), parting()
    plan, _ = line_plan(0.5, 1.0, 30)
    start = fit(given, unknown)
    found = fit_together(given, unknown, start, plan)
    alone = np.asarray(plan.sum(axis=1)).ravel()
    heavier = given.averaged(np.clip(alone, lateral.LONE, 1.0))
    least = lateral._cost(heavier, unknown, found, plan)
    assert least < lateral._cost(heavier, unknown, start, plan)
    rng = np.random.default_rng(3)
    for size in (0.1, 0.03, 0.01):
        for _ in range(10):
            tried = found.unknowns + size * rng.normal(size=found.unknowns.shape)
            values, _ = unknown.slopes(given, tried)
            other = replace(found, unknowns=tried, values=values)
            assert lateral._cost(heavier, unknown, other, plan) > least - 0.01


def test_a_round_solves_its_linear_problem(monkeypatch):
    """Against the normal equations of all unknowns at once, written out."""
    monkeypatch.setattr(lateral, "EASED", 1e-9)
    given, unknown = soundings(15), parting(layers=4)
    plan, _ = line_plan(0.5, 1.0, 15)
    start = fit(given, unknown)
    found = lateral._Round(start, unknown, plan).solved(given, lambda fraction: True)
    inverse = np.linalg.inv(unknown.covariance)
    matrix = np.kron(plan.toarray(), inverse)
    right = -matrix @ (start.unknowns - unknown.usual).ravel()
    for row in range(15):
        at = slice(4 * row, 4 * row + 4)
        weighted = start.slopes[row] / start.sd[row][:, np.newaxis] ** 2
        matrix[at, at] += weighted.T @ start.slopes[row]
        right[at] += weighted.T @ (given.values[row] - start.values[row])
    expected = np.linalg.solve(matrix, right).reshape(15, 4)
    np.testing.assert_allclose(found, expected, atol=1e-6)
    assert np.abs(expected).max() > 0.1


def test_soundings_that_are_one_ground_are_fitted_as_one():
    """Lengths far beyond the survey: as one sounding with all readings' mean and less noise."""
    one, unknown = soundings(1, relative=0.0), parting(layers=3)
    rng = np.random.default_rng(2)
    values = one.values + 0.2 * rng.normal(size=(25, 4))
    many = Soundings(FOUR, values, np.full((25, 4), 0.2), np.zeros((25, 4)))
    plan, _ = line_plan(0.1, 500.0, 25)
    found = fit_together(many, unknown, fit(many, unknown), plan)
    mean = Soundings(FOUR, values.mean(axis=0)[np.newaxis], np.full((1, 4), 0.2 / 5),
                     np.zeros((1, 4)))  # fmt: skip
    # At the end of all it stands for, the field's variance is 1 as anywhere.
    total = float(plan.sum())
    single = Parting(
        unknown.thickness, False, unknown.usual, unknown.covariance / total, unknown.own
    )
    expected = fit(mean, single).unknowns
    np.testing.assert_allclose(found.unknowns, np.repeat(expected, 25, axis=0), atol=0.02)


# Which readings


NOISE = np.full(4, 0.2)


def readings_of(values, qc=None):
    return Readings.build(x=np.arange(len(values)), y=np.zeros(len(values)), values=values, qc=qc)


def test_rows_are_left_out_for_one_reason_each():
    values = np.full((9, 4), 20.0)
    values[1, 0] = np.nan
    values[1, 1] = -1.0
    values[2, 3] = -1.0
    values[3, 1] = 1e7
    values[6, 2] = -0.7
    # Noise about 0 is no metal.
    values[8, 2] = -0.5
    heights = np.zeros((9, 4))
    heights[2] = np.nan
    heights[4] = np.inf
    qc = np.zeros(9, int)
    qc[7] = Qc.EXCLUDED
    rows, why = usable_rows(readings_of(values, qc), FOUR, heights, NOISE)
    assert rows.tolist() == [0, 5, 8]
    assert list(why.values()) == [1, 1, 2, 1, 1]


def test_saturation_is_the_most_of_uniform_ground():
    """The quadrature part of coplanar coils over uniform ground peaks; in-phase has no such end.

    Half-space curves by J. R. Wait (1982), Geo-electromagnetism (from memory).
    """
    (channel,) = channels(("vertical",), (1.0,))
    most = saturation(channel, np.zeros(1))
    sigma = np.geomspace(1, 1e6, 3001)[:, np.newaxis]
    over = exact((channel,), sigma, ())[:, 0]
    assert most == pytest.approx(over.max(), rel=1e-3)
    assert 0 < over.argmax() < 3000
    assert saturation(replace(channel, part="in_phase"), np.zeros(1)) == np.inf


def test_a_height_that_cannot_be_is_no_height():
    heights = np.zeros((4, 4))
    heights[1], heights[2] = -0.1, 60.0
    rows, why = usable_rows(readings_of(np.full((4, 4), 20.0)), FOUR, heights, NOISE)
    assert rows.tolist() == [0, 3]
    assert list(why.values()) == [2]


def test_one_row_is_a_survey_too():
    rows, why = usable_rows(readings_of(np.full((1, 4), 20.0)), FOUR, np.zeros((1, 4)), NOISE)
    assert rows.tolist() == [0]
    assert why == {}
