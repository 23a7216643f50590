"""Clock times: what is read, what is refused, and clocks that pass midnight."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lynchet.algorithms.intake.clock import parse_times, scan_times, unwrap_midnight

ADVICE = "Write seconds since midnight, HH:MM:SS, or a date and time such as 2031-05-14T09:30."


@pytest.mark.parametrize(
    ("word", "seconds"),
    [
        ("34210.5", 34210.5),
        ("0", 0.0),
        (".5", 0.5),
        ("123456", 123456.0),
        (" 9:30 ", 34200.0),
        ("09:30:10", 34210.0),
        ("09:30:10.25", 34210.25),
        ("09:30:10,25", 34210.25),
        ("23:59:60", 86400.0),
        ("24:00:00", 86400.0),
        ("2031-05-14T09:30:10Z", 34210.0),
        ("2031-05-14 09:30:10+01:00", 34210.0),
        ("2031-05-14", 0.0),
    ],
)
def test_a_time_is_read(word: str, seconds: float) -> None:
    assert parse_times([word]).tolist() == [seconds]


@pytest.mark.parametrize(
    "word",
    ["noon", "093010", "9:5", "12:60", "12:00:61", "24:00:01", "25:00", "-5", "1e4", "inf", "nan"]
    + ["1_000", "١٢:٣٠", "2031-02-30", "2031-05-14T", "14/05/2031", "12:00:00 PM", "9:30:10.5.1"],
)
def test_what_is_no_time_is_refused_with_its_row(word: str) -> None:
    with pytest.raises(ValueError, match="is not a time") as caught:
        parse_times(["9:30", "", word])
    assert str(caught.value) == f"Row 3: '{word}' is not a time. {ADVICE}"


def test_blanks_are_no_time() -> None:
    assert np.isnan(parse_times(["", "  "])).all()
    assert len(parse_times([])) == 0


def test_dates_count_from_the_first_day() -> None:
    words = ["", "2031-12-31T23:00", "2032-01-01T01:00", "2031-12-30T23:00"]
    assert parse_times(words)[1:].tolist() == [82800.0, 90000.0, -3600.0]


def test_times_of_two_zones_are_told_in_the_first() -> None:
    words = ["2031-10-26T01:59:00+02:00", "2031-10-26T01:00:00+01:00"]
    assert parse_times(words).tolist() == [7140.0, 7200.0]


def test_a_date_missing_or_sudden_is_unreadable() -> None:
    assert scan_times(["2031-05-14T09:30", "09:31"])[1].tolist() == [1]
    assert scan_times(["09:30", "2031-05-14T09:31"])[1].tolist() == [1]


def test_midnight_is_passed_once_and_twice() -> None:
    time = np.array([80000.0, np.nan, 10.0, 50000.0, 5.0, np.nan])
    got = unwrap_midnight(time)
    np.testing.assert_array_equal(got, [80000, np.nan, 86410, 136400, 172805, np.nan])
    assert time[2] == 10.0


@pytest.mark.parametrize("fall", [1.0, 43200.0])
def test_a_fall_of_half_a_day_or_less_is_no_new_day(fall: float) -> None:
    assert unwrap_midnight(np.array([50000.0, 50000.0 - fall]))[1] == 50000.0 - fall


@given(st.lists(st.floats(0.0, 43000.0), min_size=1, max_size=30), st.floats(0.0, 86399.0))
def test_a_running_clock_is_recovered_from_its_time_of_day(
    steps: list[float], start: float
) -> None:
    running = start + np.cumsum(steps)
    offset = running[0] // 86400 * 86400
    np.testing.assert_allclose(unwrap_midnight(running % 86400) + offset, running, atol=1e-6)


@given(st.lists(st.text("0123456789:-T.Z+, ", max_size=22) | st.text(max_size=5), max_size=9))
def test_no_text_does_worse_than_a_plain_refusal(words: list[str]) -> None:
    times, bad = scan_times(words)
    assert len(times) == len(words)
    assert np.isnan(times[bad]).all()
    assert not np.isinf(times).any()
