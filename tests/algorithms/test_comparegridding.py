"""Comparing gridding methods: what is left out, what counts, who is placed first."""

import csv
import re

import numpy as np
import pytest
from host import ROOT
from lynchet.algorithms.gridding import comparegridding as module
from lynchet.algorithms.gridding.candidates import Candidate, distinct, read_candidates
from lynchet.algorithms.gridding.comparegridding import CompareOptions, comparegridding
from lynchet.algorithms.gridding.errors import (
    CHANCE,
    MAE,
    NEARER,
    RMSE,
    SAME,
    WORSE,
    Judge,
)
from lynchet.algorithms.gridding.folds import traverses_across, windows
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, predict_readings
from lynchet.algorithms.gridding.spacing import Spacing
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings

EAST, NORTH = 431000.0, 5530000.0
INVERSE, TRIANGLES = Candidate("inverse_distance"), Candidate("triangulation")
BOTH = (INVERSE, TRIANGLES)


def survey(field=None, lines=16, length=40, grid=None, separation=0.5, shift=0.0, **more):
    """Traverses running north, half a metre apart, readings every quarter, walked zigzag."""
    rng = np.random.default_rng(3)
    number = np.repeat(np.arange(1, lines + 1), length)
    x = EAST + shift + (number - 1) * separation + rng.normal(0, 0.02, number.size)
    y = NORTH + np.tile(np.arange(length) * 0.25, lines)
    field = field or (lambda x, y, rng: rng.normal(20, 3, x.shape))
    values = field(x - EAST, y - NORTH, rng)
    seq = np.tile(np.arange(length), lines)
    seq = np.where(number % 2 == 0, length - 1 - seq, seq)
    return Readings.build(
        x=x, y=y, values=values, line=number, sequence=seq,
        grid=None if grid is None else [grid] * number.size, **more,
    )  # fmt: skip


def soft(x, y, rng):
    """Soft ground: waves of some metres, little noise."""
    return np.sin(x / 1.3) + np.cos(y / 1.7 + x / 3) + rng.normal(0, 0.02, x.shape)


@pytest.fixture
def kept_and_left(monkeypatch):
    """What each prediction of the first candidate is given: traverses kept, eastings asked for."""
    seen = []

    def spy(readings, options, x, y, progress):
        if options.method == "inverse_distance":
            seen.append((readings, options, x, y))
        return predict_readings(readings, options, x, y, progress)

    monkeypatch.setattr(module, "predict_readings", spy)
    return seen


def test_every_traverse_is_left_out_once_every_fifth_at_a_time(kept_and_left):
    readings = survey()
    comparegridding(readings, BOTH, CompareOptions(folds=5))
    left = [
        sorted({int(readings.line[readings.x == place][0]) for place in x})
        for _, _, x, _ in kept_and_left
    ]
    assert left == [[1, 6, 11, 16], [2, 7, 12], [3, 8, 13], [4, 9, 14], [5, 10, 15]]
    for (kept, _, _, _), out in zip(kept_and_left, left):
        assert sorted(set(kept.line.tolist())) == sorted(set(range(1, 17)) - set(out))


def test_traverses_are_left_out_by_their_place_across_the_ground_not_by_their_number():
    plain = survey(grid="B")
    number = np.where(plain.line % 2, plain.line, 40 - plain.line)  # as numbered by two people
    readings = Readings.build(
        x=plain.x, y=plain.y, values=plain.values, line=number, sequence=plain.sequence,
        grid=["B"] * len(plain),
    )  # fmt: skip
    across = [float(np.median(readings.x[t.rows])) for t in traverses_across(readings)]
    assert across == sorted(across)
    turned = Readings.build(
        x=EAST + (plain.y - NORTH), y=NORTH - (plain.x - EAST), values=plain.values, line=number,
        sequence=plain.sequence,
    )  # fmt: skip
    across = [float(np.median(turned.y[t.rows])) for t in traverses_across(turned)]
    assert across in (sorted(across), sorted(across, reverse=True))


def test_data_grids_follow_each_other_each_across_its_own_ground():
    both = survey(grid="A").followed_by(survey(grid="B", shift=8.0))
    found = traverses_across(both)
    assert [t.grid for t in found] == ["A"] * 16 + ["B"] * 16
    assert [t.line for t in found] == [*range(1, 17), *range(1, 17)]


def test_the_errors_are_those_of_gridding_what_is_kept():
    readings = survey(soft)
    asked = CompareOptions(cell_size=0.25, blanking_distance=0.8, folds=5)
    found = comparegridding(readings, BOTH, asked)
    standing = next(s for s in found.ranked if s.candidate is TRIANGLES)
    out = np.isin(readings.line, [2, 7, 12])
    options = GriddingOptions("triangulation", 0.25, 0.8)
    values = predict_readings(
        readings.take(np.flatnonzero(~out)), options, readings.x[out], readings.y[out]
    )
    ours = found.tested.errors[standing.rank - 1][out[found.tested.rows]]
    np.testing.assert_array_equal(ours, values - readings.values[out])


def test_spacing_is_measured_before_traverses_are_left_out(kept_and_left):
    readings = survey()
    comparegridding(readings, BOTH, CompareOptions(folds=2))
    assert {options.cell_size for _, options, _, _ in kept_and_left} == {0.25}
    assert all(0.7 < options.blanking_distance < 0.8 for _, options, _, _ in kept_and_left)


def test_what_all_methods_share_is_handed_on(kept_and_left):
    wall = np.array([[[EAST + 4, NORTH - 1], [EAST + 4, NORTH + 12]]])
    asked = CompareOptions(cell_size=0.2, blanking_distance=0.9, barriers=wall, block=0.5)
    comparegridding(survey(), (Candidate("inverse_distance", {"power": 1}), TRIANGLES), asked)
    options = kept_and_left[0][1]
    assert (options.cell_size, options.blanking_distance, options.block) == (0.2, 0.9, 0.5)
    assert options.barriers is wall
    assert options.method_options == {"power": 1}


def test_a_wall_that_gridding_heeds_is_heeded_here():
    step = survey(lambda x, y, rng: np.where(x < 3.9, 0.0, 10.0) + rng.normal(0, 0.01, x.shape))
    wall = np.array([[[EAST + 3.9, NORTH - 1], [EAST + 3.9, NORTH + 12]]])
    open_, walled = (
        comparegridding(step, (INVERSE,), CompareOptions(barriers=w)).figures["rmse c1"]
        for w in (None, wall)
    )
    assert open_ > 1
    assert walled < 0.05


def test_the_outermost_traverses_do_not_count():
    found = comparegridding(survey(), BOTH)
    counted = found.tested.counted[:, 0]
    line = survey().line[found.tested.rows]
    assert not counted[np.isin(line, [1, 16])].any()
    assert counted[(line > 1) & (line < 16)].all()
    figures = found.figures
    reasons = ("beyond_others", "beside_another", "spikes_and_filled", "without_a_value")
    assert figures["readings_left_out"] == 640
    assert figures["readings_counted"] + sum(figures[name] for name in reasons) == 640


def test_the_edge_of_a_gap_in_the_survey_does_not_count():
    two = survey(grid="A").followed_by(survey(grid="B", shift=30.0))
    found = comparegridding(two, BOTH)
    rows = found.tested.rows
    beside_gap = ((two.grid == 0) & (two.line == 16)) | ((two.grid == 1) & (two.line == 1))
    across = np.abs(found.tested.errors[:, beside_gap[rows], 0])
    assert np.isfinite(across).all(axis=0).mean() > 0.9  # triangles span the gap all the same
    # One separation from their own side and far from the other: no test of the ground between.
    assert not found.tested.counted[beside_gap[rows]].any()
    assert found.tested.counted.sum() == 2 * 14 * 40


def test_a_line_walked_twice_is_no_test_of_the_ground_between():
    plain = survey()
    again = plain.take(np.flatnonzero(plain.line == 8))
    again = Readings.build(
        x=again.x + 0.05, y=again.y, values=again.values, line=np.full(40, 99),
        sequence=again.sequence,
    )  # fmt: skip
    both = plain.followed_by(again)
    both = Readings.build(
        x=both.x, y=both.y, values=both.values, line=both.line, sequence=both.sequence
    )
    found = comparegridding(both, BOTH)
    line = both.line[found.tested.rows]
    assert not found.tested.counted[np.isin(line, [8, 99])].any()
    assert found.figures["beside_another"] == 80
    assert any("80 lie beside another traverse" in said for said in found.messages)


def test_spikes_replaced_and_gaps_filled_are_no_measurements():
    qc = np.zeros(640)
    qc[330], qc[331], qc[332] = Qc.SPIKE, Qc.FILLED, Qc.DOUBTFUL_POSITION
    found = comparegridding(survey(qc=qc), BOTH)
    counted = dict(zip(found.tested.rows.tolist(), found.tested.counted[:, 0].tolist()))
    assert [counted[row] for row in (330, 331, 332)] == [False, False, True]
    assert found.figures["spikes_and_filled"] == 2


def test_readings_off_scale_and_excluded_neither_test_nor_inform(kept_and_left):
    qc = np.zeros(640)
    qc[330], qc[331] = Qc.OFF_SCALE, Qc.EXCLUDED
    readings = survey(soft, qc=qc)
    values = readings.values.copy()
    values[[330, 331]] = 1e6
    found = comparegridding(readings.with_values(values), BOTH)
    assert not {330, 331} & set(found.tested.rows.tolist())
    assert found.figures["rmse c1"] < 1


def test_readings_of_no_traverse_inform_and_are_not_left_out(kept_and_left):
    readings = survey(soft)
    line = readings.line.copy()
    line[:40] = NO_LINE
    loose = Readings.build(x=readings.x, y=readings.y, values=readings.values, line=line,
                           sequence=readings.sequence)  # fmt: skip
    found = comparegridding(loose, BOTH)
    assert found.tested.rows.min() == 40
    assert all(np.count_nonzero(kept.line == NO_LINE) == 40 for kept, *_ in kept_and_left)


def test_the_order_of_the_rows_does_not_matter():
    plain = survey(soft)
    order = np.random.default_rng(1).permutation(len(plain))
    mixed = plain.take(order)
    one, other = comparegridding(plain, BOTH), comparegridding(mixed, BOTH)
    assert one.figures.keys() == other.figures.keys()
    assert one.messages == other.messages
    for mine, theirs in zip(one.ranked, other.ranked):
        assert mine.overall.rmse == pytest.approx(theirs.overall.rmse, rel=1e-12)


def test_two_runs_give_the_same_bytes_and_leave_the_readings_as_they_were():
    readings = survey(soft)
    before = readings.values.tobytes()
    runs = [
        comparegridding(readings, BOTH, CompareOptions(workers=n)).tested.errors.tobytes()
        for n in (1, 2, -1)
    ]
    assert len(set(runs)) == 1
    assert readings.values.tobytes() == before


# -- who is placed first ------------------------------------------------------------------------


def test_on_a_plane_triangulation_is_first_by_more_than_chance():
    found = comparegridding(survey(lambda x, y, rng: 3 * x - y), BOTH)
    first, second = found.ranked
    assert first.candidate is TRIANGLES
    assert first.overall.relative < 1e-9
    assert second.overall.verdict == WORSE
    assert second.overall.first_better == 1.0
    assert any("which is more than chance" in said for said in found.messages)


@pytest.mark.parametrize("rank_by", [MAE, RMSE])
def test_errors_of_arithmetic_are_none(rank_by):
    # On a plane triangles and natural neighbours are exact, but for some 1e-15.
    natural = Candidate("natural_neighbour")
    plane = survey(lambda x, y, rng: 3 * x - y)
    found = comparegridding(plane, (INVERSE, natural, TRIANGLES), CompareOptions(rank_by=rank_by))
    assert [s.candidate for s in found.ranked] == [natural, TRIANGLES, INVERSE]
    assert [s.overall.verdict for s in found.ranked] == ["first", SAME, WORSE]
    assert [score.more for score in found.ranked[1].scores] == [0, 0]
    assert found.ranked[1].same_as is natural
    name = {MAE: "mean absolute error", RMSE: "root mean square error"}[rank_by]
    said = "\n".join(found.messages)
    assert f"1. natural_neighbour: {name} c1 none; 1.000 times the least." in said
    assert f"2. triangulation: {name} c1 none; 1.000 times the least. It predicts the same" in said
    assert "more than 100 times the least." in said
    assert "'natural_neighbour' predicts the readings left out exactly." in said
    assert "'inverse_distance' errs more than 100 times as much as 'natural_neighbour'" in said
    assert "errs most on" not in said
    assert not re.search(r"inf|e[+-]\d\d", said)
    both = comparegridding(plane, (natural, TRIANGLES), CompareOptions(rank_by=rank_by))
    assert "All methods predict the same: choose by their looks and their speed." in both.messages


def test_a_channel_that_one_method_predicts_exactly_does_not_hide_the_other():
    def two(x, y, rng):
        return np.column_stack([3 * x - y, soft(x, y, rng)])

    close = Candidate("triangulation", {"longest_edge": 1.6})
    found = comparegridding(survey(two), (INVERSE, TRIANGLES, close))
    first = found.ranked[0]
    assert [score.exact for score in first.scores] == [True, False, False]
    assert first.overall.mae == pytest.approx(1.0)
    for standing in found.ranked:
        assert standing.overall.more == pytest.approx(standing.overall.mae - 1)
    assert found.ranked[-1].candidate is INVERSE
    assert any("errs most on" in said for said in found.messages)


def test_candidates_that_predict_the_same_are_told_and_keep_their_order():
    hair = Candidate("inverse_distance", {"power": 2.0 + 1e-12})
    found = comparegridding(survey(soft), (TRIANGLES, INVERSE, hair))
    assert [s.candidate for s in found.ranked] == [TRIANGLES, INVERSE, hair]
    assert [s.same_as for s in found.ranked] == [None, None, INVERSE]
    assert found.ranked[2].overall.verdict == WORSE
    (line,) = [said for said in found.messages if said.startswith("3. ")]
    assert line.endswith("It predicts the same as 'inverse_distance'.")
    apart = Candidate("inverse_distance", {"power": 2.1})
    found = comparegridding(survey(soft), (TRIANGLES, INVERSE, apart))
    assert [s.same_as for s in found.ranked] == [None] * 3


def test_a_few_strong_features_do_not_rule_the_order_unless_asked_to(monkeypatch):
    # One errs half as much as the other but at four places, as over iron.
    readings = survey(lambda x, y, rng: np.arange(x.size, dtype=float))
    close, wide = TRIANGLES, INVERSE
    spikes = (127, 244, 355, 466)

    def predicted(kept, options, x, y, progress):
        row = np.array([np.flatnonzero((readings.x == a) & (readings.y == b))[0]
                        for a, b in zip(x, y)])  # fmt: skip
        error = np.random.default_rng(row[0]).normal(0, 1, row.size)
        if options.method == close.method:
            error = np.where(np.isin(row, spikes), 40.0, 0.5 * error)
        return (readings.values[row, 0] + error)[:, np.newaxis]

    monkeypatch.setattr(module, "predict_readings", predicted)
    found = comparegridding(readings, (wide, close))
    by_rmse = comparegridding(readings, (wide, close), CompareOptions(rank_by=RMSE))
    assert found.ranked[0].candidate is close
    assert by_rmse.ranked[0].candidate is wide
    assert any(
        said.startswith(
            "By root mean square, which a few large errors over strong features "
            f"rule, '{wide.text}' would come first"
        )
        for said in found.messages
    )
    assert any(
        said.startswith(
            f"By the mean absolute error, which strong features rule less, '{close.text}' would"
        )
        for said in by_rmse.messages
    )
    # Both measures are there whatever ranks.
    for one in found.ranked:
        (other,) = [s for s in by_rmse.ranked if s.candidate is one.candidate]
        assert one.overall.mae == pytest.approx(other.overall.mae)
        assert one.overall.rmse == pytest.approx(other.overall.rmse)
    assert (found.figures["ranked_by"], by_rmse.figures["ranked_by"]) == (MAE, RMSE)
    # The verdict goes by the measure that ranks: off the iron the other is no worse.
    assert found.ranked[1].overall.verdict == WORSE
    assert by_rmse.ranked[1].overall.verdict != WORSE


def test_methods_that_differ_by_noise_alone_are_not_told_apart():
    # Mirror images: noise without a direction cannot favour either.
    aslant = {"search_along": 2.0, "search_across": 1.0}
    pair = [Candidate("inverse_distance", {**aslant, "bearing": way}) for way in (45.0, -45.0)]
    verdicts = []
    for seed in range(30):
        rng = np.random.default_rng(seed)
        readings = survey(lambda x, y, _, rng=rng: rng.normal(0, 1, x.shape), length=20)
        verdicts.append(comparegridding(readings, pair).ranked[1].overall.verdict)
    # Chance is called more than chance a twentieth of the time.
    assert 26 <= verdicts.count(CHANCE) <= 30


def test_a_lead_by_one_feature_against_most_traverses_is_told_as_such():
    traverse = np.repeat(np.arange(20), 50)
    judge = Judge("c", "", 1.0, traverse, np.zeros(20, dtype=int), RMSE)
    rng = np.random.default_rng(0)
    first = rng.normal(0, 1.0, 1000)
    other = 0.8 * first
    other[traverse == 7] *= 20
    score = judge.score(other, first)
    assert score.more > 1
    assert score.typical < 0
    assert score.verdict == NEARER
    assert score.worst == 7
    assert score.worst_error == pytest.approx(np.sqrt(np.mean(other[traverse == 7] ** 2)))


def test_the_scale_of_a_channel_does_not_matter_for_the_order():
    def two(factor):
        def field(x, y, rng):
            noise = rng.normal(0, 0.3, x.shape)
            return np.column_stack([soft(x, y, rng), factor * (np.abs(x - 4) + noise)])

        return survey(field)

    three = (*BOTH, Candidate("inverse_distance", {"power": 1.0}))
    one, other = (comparegridding(two(factor), three) for factor in (1.0, 1000.0))
    assert [s.candidate for s in one.ranked] == [s.candidate for s in other.ranked]
    for mine, theirs in zip(one.ranked, other.ranked):
        assert mine.overall.rmse == pytest.approx(theirs.overall.rmse, rel=1e-6)
    assert one.ranked[0].scores[1].rmse * 1000 == pytest.approx(other.ranked[0].scores[1].rmse)


def test_a_method_that_refuses_the_readings_does_not_stop_the_others(monkeypatch):
    def refuse(readings, options, x, y, progress):
        if options.method == "triangulation":
            raise ValueError("It cannot be triangulated.")
        return predict_readings(readings, options, x, y, progress)

    monkeypatch.setattr(module, "predict_readings", refuse)
    found = comparegridding(survey(), BOTH)
    assert [s.rank for s in found.standings] == [1, 0]
    assert found.standings[1].why == "It cannot be triangulated."
    assert "'triangulation' could not be ranked. It cannot be triangulated." in found.warnings
    assert any("nothing to compare it with" in said for said in found.messages)
    with pytest.raises(ValueError, match=r"No method could be tested\. It cannot be triang"):
        comparegridding(survey(), (TRIANGLES,))


def test_a_method_that_does_not_reach_across_the_gap_is_set_aside():
    short = Candidate("triangulation", {"longest_edge": 0.6})
    found = comparegridding(survey(), (*BOTH, short))
    assert [s.candidate for s in found.standings][-1] is short
    assert "does not reach across the gap" in found.standings[-1].why
    assert found.figures["readings_counted"] > 500


def test_a_channel_that_never_changes_is_left_out_of_the_order():
    found = comparegridding(survey(lambda x, y, rng: np.column_stack([soft(x, y, rng), 0 * x + 5])),
                            BOTH)  # fmt: skip
    assert [score.channel for score in found.ranked[0].scores] == ["c1", "all"]
    assert any(said.startswith("Channel c2 reads the same everywhere") for said in found.warnings)
    with pytest.raises(ValueError, match="Every channel reads the same"):
        comparegridding(survey(lambda x, y, rng: 0 * x + 5), BOTH)


def test_a_channel_with_gaps_of_its_own_is_tested_where_it_was_read():
    def field(x, y, rng):
        table = np.column_stack([soft(x, y, rng), soft(x, y, rng)])
        table[200:280, 1] = np.nan
        return table

    found = comparegridding(survey(field), BOTH)
    one, two = found.ranked[0].scores[:2]
    # Two whole traverses, and those that have no neighbour on one side without them.
    assert (one.count, two.count) == (14 * 40, 10 * 40)


# -- large surveys ------------------------------------------------------------------------------


def test_a_large_survey_is_tested_on_squares_that_hold_no_more_than_asked(kept_and_left):
    large = survey(soft, lines=120, length=240)
    found = comparegridding(large, BOTH, CompareOptions(most=8000))
    assert 3000 < found.figures["readings_left_out"] <= 8000
    x = large.x[found.tested.rows] - EAST
    assert x.min() < 25
    assert x.max() > 35  # from all over the survey
    assert found.messages[0].startswith("Tested on 5 squares of 13.9 map units with")
    assert max(len(kept) for kept, *_ in kept_and_left) < 2500


def test_squares_that_hold_more_than_expected_are_fewer():
    large = survey(lines=120, length=240)
    rows, _ = windows(large, Spacing(0.6, 0.4), 8000)  # closer than they are said to be
    assert 1 < len(rows) < 5
    assert sum(map(len, rows)) <= 8000


def test_a_survey_no_larger_than_asked_is_tested_as_a_whole():
    found = comparegridding(survey(), BOTH, CompareOptions(most=640))
    assert found.figures["readings_left_out"] == 640
    assert not found.messages[0].startswith("Tested on")


# -- what is refused ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("readings", "sentence"),
    [
        (survey(lines=1), "not told apart by traverses.*lynchet:splitlines"),
        (survey(lines=3), "only 3 traverses with usable readings"),
    ],
)
def test_too_few_traverses_are_refused(readings, sentence):
    with pytest.raises(ValueError, match=sentence):
        comparegridding(readings, BOTH)


def test_a_track_in_no_traverses_is_refused():
    readings = survey()
    loose = Readings.build(
        x=readings.x, y=readings.y, values=readings.values, line=np.full(640, NO_LINE)
    )
    with pytest.raises(ValueError, match="not told apart by traverses"):
        comparegridding(loose, BOTH)


def test_nothing_to_compare_is_refused():
    with pytest.raises(ValueError, match="No gridding method is chosen"):
        comparegridding(survey(), ())
    with pytest.raises(ValueError, match="folds of 2 or more, not 1"):
        comparegridding(survey(), BOTH, CompareOptions(folds=1))
    with pytest.raises(ValueError, match="ranked by mae or rmse, not by 'p95'"):
        comparegridding(survey(), BOTH, CompareOptions(rank_by="p95"))


def test_it_can_be_cancelled_and_its_progress_only_rises():
    shown = []
    comparegridding(survey(), BOTH, progress=lambda share: shown.append(share) or True)
    assert shown == sorted(shown)
    assert shown[-1] == 1.0
    with pytest.raises(Cancelled):
        comparegridding(survey(), BOTH, progress=lambda share: share < 0.3)


# -- candidates as text -------------------------------------------------------------------------


def test_candidates_are_read_and_written():
    text = "# try these\n\ninverse_distance power = 1  neighbours=24; triangulation\n"
    found = read_candidates(text)
    assert [one.text for one in found] == ["inverse_distance power=1 neighbours=24",
                                           "triangulation"]  # fmt: skip
    assert found[0].options == {"power": 1.0, "neighbours": 24}
    assert read_candidates("\n".join(one.text for one in found)) == found
    assert read_candidates("Inverse_Distance POWER=1.5")[0].text == "inverse_distance power=1.5"
    assert read_candidates(" \n") == ()


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("triangulation\nkrieged", "Line 2 of the candidates begins with 'krieged'. There is no"),
        ("inverse_distance 1", "Line 1 of the candidates: '1' is no option. Write its name"),
        ("inverse_distance power=", "Line 1 of the candidates: 'power=' is no option."),
        ("inverse_distance pwr=1", "'inverse_distance' has no option 'pwr'. Choose from: power,"),
        ("inverse_distance power=1,5", "'power=1,5': Power of the distance is '1,5'. Give a numb"),
        ("inverse_distance power=0", "'power=0': Power of the distance is 0. Give 0.1 or more."),
        ("inverse_distance power=1 power=2", "Line 1 of the candidates sets 'power' twice."),
    ],
)
def test_a_candidate_that_cannot_be_read_is_named(text, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        read_candidates(text)


def test_candidates_that_do_the_same_are_compared_once():
    same = Candidate("inverse_distance", {"power": 2, "neighbours": 12})
    other = Candidate("inverse_distance", {"power": 3})
    assert distinct((INVERSE, same, other)) == (INVERSE, other)


# -- the point of it ----------------------------------------------------------------------------


def quillmere():
    """The sample survey's first data grid as it would read without faults, noise and all."""
    with (ROOT / "sample_layers" / "truth" / "readings.csv").open() as lines:
        rows = [row for row in csv.DictReader(lines) if row["grid"] == "G1"]
    line = np.array([int(row["line"]) for row in rows])
    place = (np.array([int(row["reading"]) for row in rows]) - 0.5) * 0.125
    return Readings.build(
        x=(line - 0.5) * 0.5, y=np.where(line % 2, place, 20 - place), line=line,
        values=[float(row["steady_ec_050"]) for row in rows],
    )  # fmt: skip


def test_leaving_out_single_readings_would_flatter_every_method_and_place_another_first():
    readings = quillmere()
    close, smooth = (Candidate("inverse_distance", {"power": p}) for p in (4.0, 1.0))
    found = comparegridding(readings, (*BOTH, close, smooth))
    by_traverse = {s.candidate.text: s.scores[0].rmse for s in found.ranked}
    single = {}
    for candidate in (*BOTH, close, smooth):
        options = GriddingOptions(candidate.method, 0.25, 0.75, method_options=candidate.options)
        errors = []
        for fold in range(5):
            out = np.arange(len(readings)) % 5 == fold
            values = predict_readings(
                readings.take(np.flatnonzero(~out)), options, readings.x[out], readings.y[out]
            )
            errors.append(values[:, 0] - readings.values[out, 0])
        single[candidate.text] = np.sqrt(np.nanmean(np.concatenate(errors) ** 2))
        assert by_traverse[candidate.text] > 1.5 * single[candidate.text]
    # Along a traverse a mean of many beats the noise; across the gap it blurs what is there.
    assert by_traverse[close.text] < by_traverse[smooth.text]
    assert single[close.text] > single[smooth.text]
