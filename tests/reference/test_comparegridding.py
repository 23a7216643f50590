"""Cross-validation of gridding against SciPy and plain loops over the same folds."""

import invented
import numpy as np
import pytest
from lynchet.algorithms.gridding.candidates import Candidate
from lynchet.algorithms.gridding.comparegridding import CompareOptions, comparegridding
from lynchet.algorithms.gridding.errors import paired_chance, pseudo_median
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, predict_readings
from lynchet.algorithms.readings import Readings
from scipy.interpolate import griddata
from scipy.stats import wilcoxon

LINES, LENGTH = 18, 36


@pytest.fixture(scope="module")
def survey():
    """Traverses that wander, and two channels; positions to the micrometre."""
    rng = np.random.default_rng(11)
    line = np.repeat(np.arange(LINES), LENGTH)
    x = np.round(0.5 * line + rng.normal(0, 0.04, line.size), 6)
    y = np.round(np.tile(0.25 * np.arange(LENGTH), LINES) + rng.normal(0, 0.03, line.size), 6)
    values = np.column_stack([np.sin(x) + 0.3 * y, np.exp(-((x - 4) ** 2)) * 5])
    values += rng.normal(0, 0.05, values.shape)
    return Readings.build(x=x, y=y, values=values, line=line)


def root_mean_square(errors):
    return np.sqrt(np.mean(errors**2))


@pytest.mark.parametrize("folds", [3, 5, LINES])
def test_errors_of_triangulation_are_those_of_scipys_on_the_same_folds(survey, folds):
    both = (Candidate("triangulation"), Candidate("inverse_distance"))
    found = comparegridding(survey, both, CompareOptions(folds=folds))
    standing = next(s for s in found.ranked if s.candidate is both[0])
    place = np.column_stack([survey.x, survey.y])
    theirs = np.full(survey.values.shape, np.nan)
    for fold in range(folds):
        out = survey.line % folds == fold
        theirs[out] = griddata(place[~out], survey.values[~out], place[out]) - survey.values[out]
    ours = found.tested.errors[standing.rank - 1]
    counted = found.tested.counted
    inner = (survey.line > 0) & (survey.line < LINES - 1)
    assert not counted[~inner].any()
    assert counted[inner].mean() > 0.9
    np.testing.assert_allclose(ours[counted], theirs[counted], rtol=0, atol=1e-9)
    for channel, score in enumerate(standing.scores[:-1]):
        own = counted[:, channel]
        errors = theirs[own, channel]
        by_traverse = [
            np.mean(np.abs(errors[survey.line[own] == number])) for number in range(1, LINES - 1)
        ]
        assert score.rmse == pytest.approx(root_mean_square(errors), abs=1e-9)
        assert score.median == pytest.approx(np.median(np.abs(errors)), abs=1e-9)
        assert score.bias == pytest.approx(np.mean(errors), abs=1e-9)
        assert score.p95 == pytest.approx(np.quantile(np.abs(errors), 0.95), abs=1e-9)
        assert score.mae == pytest.approx(np.mean(np.abs(errors)), abs=1e-9)
        assert score.worst_error == pytest.approx(max(by_traverse), abs=1e-9)
        assert found.traverses[score.worst] == f"line {1 + int(np.argmax(by_traverse))}"


def test_errors_of_inverse_distance_are_those_of_plain_loops_leaving_one_traverse_out(survey):
    one = Candidate("inverse_distance", {"power": 3.0, "neighbours": 5})
    found = comparegridding(survey, (one,), CompareOptions(folds=LINES))
    place = np.column_stack([survey.x, survey.y])
    for row in range(40, len(survey), 29):
        kept = np.flatnonzero(survey.line != survey.line[row])
        distance = np.hypot(*(place[kept] - place[row]).T)
        near = np.argsort(distance)[:5]
        weight = distance[near] ** -3.0
        value = weight @ survey.values[kept[near]] / weight.sum()
        np.testing.assert_allclose(
            found.tested.errors[0, row], value - survey.values[row], rtol=0, atol=1e-9
        )


@pytest.mark.parametrize(("rank_by", "power"), [("mae", 1), ("rmse", 2)])
def test_the_overall_error_is_the_mean_of_the_channels_against_the_least(survey, rank_by, power):
    three = [Candidate("inverse_distance", {"power": p}) for p in (1.0, 2.0, 4.0)]
    found = comparegridding(survey, three, CompareOptions(rank_by=rank_by))
    table = np.array([[getattr(score, rank_by) for score in s.scores[:-1]] for s in found.ranked])
    # Both channels count the same readings here, so that each weighs alike.
    overall = np.mean((table / table.min(axis=0)) ** power, axis=1) ** (1 / power)
    ours = [getattr(s.overall, rank_by) for s in found.ranked]
    np.testing.assert_allclose(ours, overall, rtol=1e-12)
    assert (np.diff(overall) >= 0).all()


@pytest.mark.parametrize("shift", [0.0, 0.15, 0.3, -0.4])
def test_the_chance_of_a_lead_is_that_of_wilcoxons_test_where_traverses_are_independent(shift):
    rng = np.random.default_rng(5)
    lead = rng.standard_t(3, 80) + shift
    ours = paired_chance(lead, np.arange(80))  # no two of one run: none is a neighbour
    theirs = wilcoxon(lead).pvalue
    # Student's t of the signed ranks for their exact spread: Conover & Iman (1981), close by.
    assert ours == pytest.approx(theirs, rel=0.12, abs=1e-4)


def test_neighbouring_traverses_that_lead_alike_are_fewer_pieces_of_evidence():
    rng = np.random.default_rng(6)
    alike = np.repeat(rng.normal(0.35, 1, 40), 4)  # four neighbours each, the same lead
    run = np.zeros(160, dtype=int)
    one_each = wilcoxon(alike[::4]).pvalue
    naive = wilcoxon(alike).pvalue
    assert naive < 0.05 * one_each
    # r is 3/4, so that 160 are worth 160 / 7 = 23: on the safe side of 40.
    assert paired_chance(alike, run) > 0.5 * one_each


def test_a_typical_lead_is_the_median_of_all_means_of_two():
    values = np.random.default_rng(7).normal(1, 2, 31)
    means = [(values[i] + values[j]) / 2 for i in range(31) for j in range(i, 31)]
    assert pseudo_median(values) == np.median(means)


def test_the_method_placed_first_errs_less_than_one_drawn_by_lot_on_traverses_never_seen():
    settings = [{}, {"power": 1.0}, {"power": 4.0}, {"search_along": 1.0, "search_across": 3.0}]
    five = [Candidate("triangulation"), *(Candidate("inverse_distance", s) for s in settings)]
    lost, by_lot = [], []
    for seed, kind in enumerate(["few bodies", "many bodies"] * 4):
        whole = invented.survey(invented.clean(seed, kind)[0])
        hidden = np.flatnonzero((whole.line % 2 == 1) & (whole.line > 1))
        shown = whole.take(np.flatnonzero(whole.line % 2 == 0))
        error = {}
        for one in five:
            options = GriddingOptions(one.method, method_options=one.options)
            values = predict_readings(shown, options, whole.x[hidden], whole.y[hidden])
            error[one.text] = float(np.sqrt(np.nanmean((values - whole.values[hidden]) ** 2)))
        first = comparegridding(shown, five).ranked[0].candidate.text
        lost.append(error[first] / min(error.values()) - 1)
        by_lot.append(np.mean(list(error.values())) / min(error.values()) - 1)
    assert np.mean(lost) < 0.5 * np.mean(by_lot)
