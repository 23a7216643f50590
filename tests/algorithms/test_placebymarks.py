"""Readings placed by distance marks: where they lie, and what becomes of marks that are wrong."""

import re
from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.marks.marks import Expected, reckon, usual_interval
from lynchet.algorithms.intake.placebymarks import Marked, MarkOptions, placebymarks
from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid, place_on_site_grid
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc

SITE = SiteGrid({"G1": Origin(430000.0, 5900000.0, 17.0)}, separation=0.5, interval=0.125)
SPACING = 5.0


def logged(along, first=0.0, spacing=SPACING, grid="G1", time=None, last=20.0):
    """Traverses walked through these distances; a mark with the reading after it was passed."""
    rows = [np.asarray(one, float) for one in along]
    count = int((last - first) / spacing + 1e-9) + 1
    marks = []
    for one in rows:
        passed = np.clip(np.floor((one - first) / spacing + 1e-9) + 1, 0, count)
        marks.append(np.diff(passed, prepend=0.0) > 0)
    n = sum(map(len, rows))
    return Marked(
        np.zeros(n, np.int64),
        (grid,),
        np.repeat(np.arange(1, len(rows) + 1), [len(one) for one in rows]),
        None,
        np.full(n, np.nan) if time is None else time,
        np.concatenate(marks).astype(float),
        np.zeros(n, np.int64),
    )


def steady(lines=4, interval=0.125, length=20.0):
    return [np.arange(interval / 2, length, interval)] * lines


# The mark at the start comes with the first reading, half an interval on; that at the far end is
# written with no reading at all.
INSIDE = MarkOptions(SPACING, 2.5)


def without(data, line, mark):
    """The same readings with a mark of a traverse missed."""
    at = np.flatnonzero((data.line == line) & (data.marks != 0))[mark]
    marks = data.marks.copy()
    marks[at] = 0
    return replace(data, marks=marks)


def twice(data, line, mark, later=2):
    """The same readings with a mark of a traverse set twice."""
    at = np.flatnonzero((data.line == line) & (data.marks != 0))[mark]
    marks = data.marks.copy()
    marks[at + later] = 1
    return replace(data, marks=marks)


# -- places ------------------------------------------------------------------------------------


@pytest.mark.parametrize("walking", ["zigzag", "one_way"])
def test_a_steady_pace_gives_what_the_site_grid_gives(walking):
    site = replace(SITE, walking=walking)
    data = logged(steady(), 2.5)
    found = placebymarks(data, site, INSIDE).placed
    number = np.tile(np.arange(1.0, 161), 4)
    wanted = place_on_site_grid(data.grid, data.grid_names, data.line, number, None, site)
    for name in ("x", "y", "along", "bearing", "sequence"):
        np.testing.assert_allclose(
            getattr(found, name), getattr(wanted, name), rtol=0, atol=2e-9, err_msg=name
        )


def test_marks_from_the_start_on_and_a_last_one_that_is_none():
    data = logged(steady(), 0.0)
    with pytest.raises(ValueError, match="lacks the mark at 20; 3 further traverses have such"):
        placebymarks(data, SITE, MarkOptions(SPACING))
    found = placebymarks(data, SITE, MarkOptions(SPACING, last_mark=15))
    np.testing.assert_allclose(found.placed.along, np.concatenate(steady()), atol=1e-9)
    assert not found.qc.any()


def test_a_pace_that_changes_inside_an_interval_errs_as_predicted():
    # Twice as fast through the second half of each interval: of the interval's n readings 2/3 lie
    # in the first half. Linear: worst at the change, where 1/2 is taken for 2/3 of the way:
    # off by spacing / 6, and half of a reading's step.
    slow, fast = 0.1, 0.2
    one = np.concatenate([k + np.concatenate([
        np.arange(slow / 2, 2.5, slow), np.arange(2.5 + fast / 2, 5, fast)
    ]) for k in (0.0, 5.0, 10.0, 15.0)])  # fmt: skip
    found = placebymarks(logged([one]), SITE, MarkOptions(SPACING, last_mark=15)).placed
    off = np.abs(found.along - one)
    assert SPACING / 6 - fast < off.max() < SPACING / 6 + fast / 2
    # Beyond the marks the pace of the last interval goes on.
    steady_one = placebymarks(logged([one]), SITE, MarkOptions(SPACING, last_mark=15, ends="leave"))
    assert np.isnan(steady_one.placed.along[one > 15.2]).all()
    assert steady_one.figures["unplaced"] == np.isnan(steady_one.placed.x).sum()


def test_a_pace_that_changes_from_interval_to_interval_is_followed():
    steps = (0.1, 0.2, 0.125, 0.1)
    one = np.concatenate([5 * k + np.arange(step / 2, 5, step) for k, step in enumerate(steps)])
    found = placebymarks(logged([one]), SITE, MarkOptions(SPACING, last_mark=15)).placed
    # Where the step changes at a mark, half-way between two readings is not just the mark.
    assert np.abs(found.along - one)[one < 15].max() < 0.06
    # The pace beyond the last mark is taken for that before it.
    beyond = 15 + (one[one > 15] - 15) * 0.125 / 0.1
    placed = np.isfinite(found.along[one > 15])
    assert placed.sum() == 40 + 1
    np.testing.assert_allclose(found.along[one > 15][placed], beyond[placed], atol=0.06)


def test_times_spread_readings_that_came_unevenly():
    rng = np.random.default_rng(4)
    time = np.sort(rng.uniform(0, 20, 400))  # at 1 m/s
    data = logged([time], 2.5, time=time)
    by_time = placebymarks(data, SITE, replace(INSIDE, method="time")).placed.along
    by_number = placebymarks(data, SITE, INSIDE).placed.along
    errors = [np.nanmax(np.abs(along - time)) for along in (by_time, by_number)]
    assert errors[0] < 0.1 < errors[1]


def test_a_mark_at_its_reading_and_one_half_way_before():
    data = logged(steady(1), 2.5)
    at = placebymarks(data, SITE, replace(INSIDE, mark_at="reading")).placed.along
    half = placebymarks(data, SITE, INSIDE).placed.along
    both = np.isfinite(at) & np.isfinite(half)
    np.testing.assert_allclose((half - at)[both], 0.125 / 2, atol=1e-9)


def test_a_count_of_marks_is_read_by_its_changes():
    data = logged(steady(3), 2.5)
    running = replace(data, marks=np.cumsum(data.marks))
    anew = replace(data, marks=np.concatenate([np.cumsum(one) for one in np.split(data.marks, 3)]))
    plain = placebymarks(data, SITE, INSIDE).placed
    for counted in (running, anew):
        found = placebymarks(counted, SITE, replace(INSIDE, marked_by="count")).placed
        np.testing.assert_array_equal(found.x, plain.x)
    with pytest.raises(ValueError, match=r"readings of 480 bear a mark\. Choose"):
        placebymarks(anew, SITE, INSIDE)


def test_readings_beyond_the_ends_and_of_no_traverse_stay_unplaced():
    one = np.arange(-1 + 0.0625, 22, 0.125)
    data = logged([one, *steady(1)], 2.5, last=17.5)
    line = data.line.copy()
    line[-3:] = NO_LINE
    found = placebymarks(replace(data, line=line), SITE, INSIDE)
    along = found.placed.along[: len(one)]
    assert np.isnan(along[(one < -0.1) | (one > 20.1)]).all()
    inside = (one > 0) & (one < 20)
    np.testing.assert_allclose(along[inside], one[inside], atol=1e-9)
    assert np.isnan(found.placed.x[-3:]).all()
    assert np.isnan(found.placed.sequence[-3:]).all()
    assert "beyond the ends" in found.warnings[-1]


def test_the_order_of_the_rows_does_not_matter_where_there_is_a_number():
    data = replace(logged(steady(), 2.5), sequence=np.tile(np.arange(1.0, 161), 4))
    mixed = np.random.default_rng(0).permutation(640)
    columns = ("grid", "line", "sequence", "time", "marks", "qc")
    shuffled = replace(data, **{name: getattr(data, name)[mixed] for name in columns})
    plain = placebymarks(data, SITE, INSIDE).placed
    found = placebymarks(shuffled, SITE, INSIDE).placed
    np.testing.assert_array_equal(found.x, plain.x[mixed])


# -- marks that are wrong ----------------------------------------------------------------------


def test_marks_missed_and_doubled_are_refused_by_name():
    data = logged(steady(), 2.5)
    with pytest.raises(ValueError, match=re.escape(
        "Traverse 2 of data grid G1 lacks the mark at 12.5. Have marks repaired, or correct them "
        "in the table."
    )):  # fmt: skip
        placebymarks(without(data, 2, 2), SITE, INSIDE)
    with pytest.raises(ValueError, match=re.escape(
        "Traverse 3 of data grid G1 was marked twice at 7.5; 1 further traverse has such marks "
        "too. Have"
    )):  # fmt: skip
        placebymarks(without(twice(data, 3, 1), 4, 0), SITE, INSIDE)


@pytest.mark.parametrize("mark", range(4))
def test_a_missed_mark_is_put_in_by_the_pace(mark):
    data = logged(steady(), 2.5)
    found = placebymarks(without(data, 2, mark), SITE, replace(INSIDE, repair="repair"))
    np.testing.assert_allclose(found.placed.along, np.concatenate(steady()), atol=1e-9)
    wanted = 2.5 + 5 * mark
    assert [(r.grid, r.line, r.what, r.distance) for r in found.repairs] == [
        ("G1", 2, "missed", wanted)
    ]
    along = np.concatenate(steady())
    low = wanted - 5 if mark > 0 else -1
    high = wanted + 5 if mark < 3 else 21
    beside = (data.line == 2) & (along > low) & (along < high)
    np.testing.assert_array_equal(found.qc == Qc.DOUBTFUL_POSITION, beside)
    assert f"Traverse 2 of data grid G1: mark at {wanted:g} put in." in found.warnings


@pytest.mark.parametrize("mark", range(4))
def test_a_mark_set_twice_is_taken_once(mark):
    data = twice(logged(steady(), 2.5), 3, mark)
    found = placebymarks(data, SITE, replace(INSIDE, repair="repair"))
    np.testing.assert_allclose(found.placed.along, np.concatenate(steady()), atol=1e-9)
    assert [(r.line, r.what, r.distance) for r in found.repairs] == [(3, "doubled", 2.5 + 5 * mark)]
    assert found.figures["marks doubled"] == 1
    assert found.figures["position doubtful"] == (found.qc & 16 != 0).sum() > 0


def test_one_missed_and_one_doubled_do_not_pass_for_the_number_expected():
    data = twice(without(logged(steady(), 2.5), 2, 1), 2, 2)
    with pytest.raises(ValueError, match=r"Traverse 2 of data grid G1 lacks the mark at 7\.5"):
        placebymarks(data, SITE, INSIDE)


def test_what_can_be_read_in_two_ways_is_refused_even_if_repairs_are_wanted():
    data = logged(steady(), 2.5)
    crowded = twice(data, 2, 1, later=16)  # not twice, not a mark of its own
    with pytest.raises(ValueError, match=re.escape(
        "Traverse 2 of data grid G1 has 5 marks where 4 are expected, and it is not beyond doubt "
        "which: from its mark 2 to the next it took 0.5 usual intervals. Correct the marks in the "
        "table, or what is said of their distances."
    )):  # fmt: skip
        placebymarks(crowded, SITE, replace(INSIDE, repair="repair"))
    with pytest.raises(ValueError, match="doubt which: its marks span 5 where 4 fit"):
        placebymarks(twice(data, 2, 1, later=20), SITE, replace(INSIDE, repair="repair"))
    none = without(without(without(data, 1, 0), 1, 0), 1, 0)
    with pytest.raises(ValueError, match=r"1 mark where 4 are expected.*it has one mark only"):
        placebymarks(none, SITE, replace(INSIDE, repair="repair"))


@pytest.mark.parametrize("early", [False, True])
def test_a_mark_too_many_does_not_make_good_one_that_lacks(early):
    # As many as expected, but one missed and one set half-way between two others.
    data = logged(steady(4), 2.5)
    data = without(data, 2, 0 if early else 2)
    data = twice(data, 2, 0, later=20)
    with pytest.raises(ValueError, match=r"Traverse 2 .* it is not beyond doubt which"):
        placebymarks(data, SITE, replace(INSIDE, repair="repair"))


def test_an_odd_pace_with_the_marks_expected_is_named_and_not_mended():
    one = np.concatenate([np.arange(0.0625, 7.5, 0.125), np.arange(7.5 + 0.03, 12.5, 0.0625),
                          np.arange(12.5 + 0.0625, 20, 0.125)])  # fmt: skip
    found = placebymarks(logged([one, *steady(3)], 2.5), SITE, INSIDE)
    assert not found.repairs
    assert "Traverse 1 of data grid G1 has the marks expected" in found.warnings[0]
    assert np.nanmax(np.abs(found.placed.along[: len(one)] - one)) < 0.1


def walk(rng, expected, noise, pace, faults):
    """Marks of a traverse with uneven pace: those found, the true ones, what was done to them."""
    whole = np.concatenate([[expected.lead_in], np.ones(expected.count - 1), [expected.lead_out]])
    steps = pace * whole * np.maximum(1 + noise * rng.normal(size=len(whole)), 0.3)
    true = np.cumsum(steps)[:-1]
    marks, slots = true, np.arange(expected.count)
    missed, doubled = (), ()
    if "missed" in faults:
        k = int(rng.integers(expected.count))
        missed, slots, marks = (k,), np.delete(slots, k), np.delete(marks, k)
    if "doubled" in faults:
        k = int(rng.integers(len(marks)))
        doubled = (int(slots[k]),)
        marks = np.sort(np.append(marks, marks[k] + rng.integers(1, 5)))
    end = float(np.ceil(steps.sum()))
    return np.ceil(marks) - 0.5, end, true, missed, doubled


def right(found, true, missed, doubled):
    close = np.abs(found.pace - true[found.slot]) < 6
    return found.missed == missed and found.doubled == doubled and close.all()


@pytest.mark.parametrize("expected", [Expected(5, 0, 0), Expected(4, 0.5, 0.5),
                                      Expected(9, 0.5, 0.5)])  # fmt: skip
@pytest.mark.parametrize(
    ("faults", "least"),
    [((), 1000), (("missed",), 940), (("doubled",), 990), (("missed", "doubled"), 930)],
)
def test_of_a_thousand_traverses_none_is_mended_wrongly(expected, faults, least):
    # Pace noise 10 % from interval to interval. Measured, right / refused of 1000, worst of the
    # three: no fault 1000 / 0, missed 952 / 48, doubled 995 / 5, both 945 / 55. Wrong: none.
    rng = np.random.default_rng(1)
    told = Counter()
    for _ in range(1000):
        marks, end, true, missed, doubled = walk(rng, expected, 0.1, 40.0, faults)
        found = reckon(marks, 0.0, end, expected, 40.0)
        told["refused" if found.trouble else right(found, true, missed, doubled)] += 1
    assert told[False] == 0
    assert told[True] >= least


@settings(max_examples=300, deadline=None)
@given(
    st.integers(0, 2**32 - 1),
    st.sampled_from([(4, 0.5, 0.5), (5, 0.0, 0.0), (3, 0.5, 0.25), (11, 0.0, 0.0)]),
    st.floats(0.02, 0.12),
    st.floats(0.65, 1.5),
    st.sampled_from([(), ("missed",), ("doubled",), ("missed", "doubled")]),
)
def test_a_walker_of_another_pace_is_never_mended_wrongly(seed, marks, noise, other, faults):
    expected = Expected(*marks)
    found, end, true, missed, doubled = walk(
        np.random.default_rng(seed), expected, noise, 40 * other, faults
    )
    reckoned = reckon(found, 0.0, end, expected, 40.0)
    assert reckoned.trouble or right(reckoned, true, missed, doubled)


def test_the_usual_interval_knows_no_double_presses():
    assert usual_interval(np.array([0.0, 40, 41, 80, 120])) == 40
    assert np.isnan(usual_interval(np.array([3.0])))


# -- refusals ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"mark_spacing": 0}, "The distance between marks is 0: give a length above 0."),
        ({"first_mark": -1}, "The first mark is at -1: give 0 or more."),
        ({"method": "guess"}, "Method 'guess' is unknown: choose one of number, time."),
        ({"ends": "x"}, "Ends 'x' is unknown: choose one of extrapolate, leave."),
    ],
)
def test_options_out_of_range_are_refused(options, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        MarkOptions(**options)


def test_tables_that_cannot_serve_are_refused():
    data = logged(steady(2), 2.5)
    with pytest.raises(ValueError, match=r"No reading bears a mark\. Choose the field"):
        placebymarks(replace(data, marks=data.marks * np.nan), SITE, INSIDE)
    with pytest.raises(ValueError, match=r"Fewer than two marks, 15 apart from 10 on, fit in 20\."):
        placebymarks(data, SITE, MarkOptions(15.0, 10.0))
    with pytest.raises(ValueError, match="Spreading readings by time needs the time field"):
        placebymarks(data, SITE, replace(INSIDE, method="time"))
    falling = replace(data, time=-np.arange(320.0))
    with pytest.raises(ValueError, match="The time falls along traverse 1 of data grid G1"):
        placebymarks(falling, SITE, replace(INSIDE, method="time"))
    with pytest.raises(ValueError, match="No reading has a traverse number"):
        placebymarks(replace(data, line=np.full(320, NO_LINE)), SITE, INSIDE)
    with pytest.raises(ValueError, match="The layout has no place for data grid 'G9'"):
        placebymarks(replace(data, grid_names=("G9",)), SITE, INSIDE)
    same = replace(data, sequence=np.ones(320))
    with pytest.raises(ValueError, match="are both number 1 on traverse 1"):
        placebymarks(same, SITE, INSIDE)
    stopped = replace(data, time=np.zeros(320))
    with pytest.raises(ValueError, match="Two marks on traverse 1 of data grid G1 have the same"):
        placebymarks(stopped, SITE, replace(INSIDE, method="time"))


def test_it_can_be_cancelled():
    with pytest.raises(Cancelled):
        placebymarks(logged(steady(2), 2.5), SITE, INSIDE, progress=lambda fraction: False)
