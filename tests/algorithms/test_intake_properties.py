"""Whatever a text table holds: it is read or refused in one sentence, and no row is lost."""

from __future__ import annotations

import csv
import io
import re
import tracemalloc
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.clock import DAY, Clock, scan_times
from lynchet.algorithms.intake.importtable import Roles, Table, read_table, to_numbers
from lynchet.algorithms.intake.sitegrid import (
    Origin,
    SiteGrid,
    along_track,
    left_for_later,
    place_on_site_grid,
)
from lynchet.algorithms.intake.text import delimited
from lynchet.algorithms.intake.text.delimited import NULL_VALUES, TableFormat
from lynchet.algorithms.readings import NO_LINE

ROLES = Roles(channels="ec", grid="grid", line="line", sequence="reading", time="time", keep="note")
HEADER = "grid,line,reading,time,ec,note"
FORMS = st.builds(
    TableFormat,
    delimiter=st.sampled_from(["auto", "semicolon", "tab", "blanks"]),
    decimal=st.sampled_from(["auto", "point", "comma"]),
    header=st.booleans(),
    comment=st.sampled_from(["", "#", "//", '"', " "]),
    encoding=st.sampled_from(["auto", "utf-8", "latin-1", "utf-16"]),
    null_values=st.sampled_from([NULL_VALUES, ("9999",), ("-", "1e5", "1,5")]),
    bad_values=st.sampled_from(["refuse", "null"]),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("tables")


def read_or_refused(path: Path, form: TableFormat, roles: Roles) -> Table | str:
    """The table, or the sentence that refuses it; anything else fails the test."""
    try:
        return read_table([path], form, roles)
    except ValueError as wrong:
        # None of Python's own: those are of another kind, or without a full stop.
        kind, said = type(wrong), str(wrong)
    assert kind is ValueError
    assert said.rstrip().endswith((".", "?")), said
    assert said[0].isupper() or path.name in said, said
    return said


def check_whole(table: Table) -> None:
    n = len(table.row)
    columns = [table.line, table.sequence, table.time, table.grid, table.file]
    columns += [table.values, *table.kept.values()]
    assert all(len(column) == n for column in columns if column is not None)
    assert n > 0
    assert (np.diff(table.row) > 0).all()
    numbers = [table.values, table.time, table.sequence]
    assert not any(np.isinf(column).any() for column in numbers if column is not None)


# -- anything at all -----------------------------------------------------------------------

ODD = st.sampled_from(
    [",", ";", "\t", " ", '"', "'", "\n", "\r", "\r\n", "\0", "#", "1", "-2.5", "1,5", "1e999",
     "9" * 400, "-", "NA", "inf", "nan", "1_0", "٣", "é", "\ufeff", "\x1c", "\x85", "\u2028",
     "\xa0", "ec", "line", "09:30:10.5", "2031-05-14", "0" * 40, "x" * 300]
)  # fmt: skip
TEXT = st.lists(ODD | st.text(st.characters(blacklist_categories=["Cs"]), max_size=3)).map("".join)
ANY = st.sampled_from([Roles(), Roles(channels="1"), Roles(time="1"), Roles(line="1", keep="2"),
                       Roles(grid="2", sequence="1")])  # fmt: skip


@given(st.binary(max_size=200), FORMS, ANY)
@example(b"\xff\xfe\0", TableFormat(), Roles())
@example(b"\xff\xfe\0\xd8\n\0", TableFormat(header=False), Roles(channels="1"))
def test_any_bytes_are_read_or_refused_in_a_sentence(folder, content, form, roles):
    path = folder / "t.csv"
    path.write_bytes(content)
    found = read_or_refused(path, form, roles)
    if isinstance(found, Table):
        check_whole(found)


@settings(max_examples=200)
@given(TEXT, FORMS, ANY, st.sampled_from(["utf-8", "utf-16", "utf-8-sig", "utf-16-be", "utf-32"]))
@example('a,b\n1,2\n"3,4', TableFormat(), Roles(), "utf-8")
def test_any_text_is_read_or_refused_in_a_sentence(folder, text, form, roles, encoding):
    path = folder / "t.csv"
    path.write_bytes(text.encode(encoding))
    found = read_or_refused(path, form, roles)
    if isinstance(found, Table):
        check_whole(found)


@given(TEXT, st.integers(0, 5), st.sampled_from(["refuse", "null"]))
def test_any_cell_of_a_good_table_is_read_or_refused(folder, cell, place, bad_values):
    row = ["G1", "1", "2", "09:00", "20.5", "x"]
    row[place] = cell
    path = folder / "t.csv"
    with open(path, "w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([HEADER.split(","), *[["G1", "1", "1", "09:00", "1", ""]], row])
    form = TableFormat(bad_values=bad_values, delimiter="comma", comment="")
    found = read_or_refused(path, form, ROLES)
    if isinstance(found, Table):
        check_whole(found)
        assert len(found.row) == 2


@pytest.mark.parametrize("big", ["1e18", "9" * 30, "-1e300", "9007199254740994"])
@pytest.mark.parametrize("column", [1, 2])
def test_whole_numbers_too_large_to_be_told_apart_are_refused(folder, big, column):
    row = ["G1", "1", "2", "09:00", "20.5", "x"]
    row[column] = big
    path = folder / "t.csv"
    path.write_text(f"{HEADER}\n{','.join(row)}\n")
    name = HEADER.split(",")[column]
    assert read_or_refused(path, TableFormat(), ROLES) == (
        f"Row 2 of t.csv: '{name}' is '{big}'. Correct the file, or take unreadable values as NULL."
    )


def test_a_reading_number_that_is_no_whole_number_is_refused(folder):
    path = folder / "t.csv"
    path.write_text(f"{HEADER}\nG1,1,1.5,09:00,20,\n")
    assert read_or_refused(path, TableFormat(), ROLES) == (
        "Row 2 of t.csv: 'reading' is '1.5'. Correct the file, or take unreadable values as NULL."
    )


def test_a_cell_beyond_all_measure_is_refused(folder):
    path = folder / "t.csv"
    path.write_text(f"{HEADER}\nG1,1,1,09:00,20,{'x' * 200_000}\n")
    assert read_or_refused(path, TableFormat(), ROLES) == (
        "t.csv cannot be parted into cells: field larger than field limit (131072). Choose another "
        "delimiter or encoding."
    )


def test_a_nul_far_into_a_file_is_named_with_its_row(folder):
    path = folder / "t.csv"
    path.write_text(f"{HEADER}\n" + "G1,1,1,09:00,20,\n" * 9000 + "G1,1,2,09:00,20,a\0b\n")
    assert read_or_refused(path, TableFormat(), ROLES) == (
        "Row 9002 of t.csv holds a NUL character, which is no text. Choose another encoding or "
        "correct the row."
    )


def test_a_folder_for_a_file_is_refused(folder):
    assert "There is no file" in str(read_or_refused(folder, TableFormat(), ROLES))


# -- rows in are rows out ------------------------------------------------------------------

CELLS = st.lists(
    st.sampled_from(["1", "2", "-3.5", "", "NA", "x", "09:00", "1,5", "a b", "1.5", "2031-05-14"]),
    min_size=6, max_size=6,
)  # fmt: skip
BETWEEN = st.sampled_from(["", "   ", "# aside", "  # aside", "\t"])


@given(st.lists(CELLS | BETWEEN, max_size=40), st.integers(1, 9), st.sampled_from("\n\r"))
def test_every_row_of_data_comes_out_once_and_every_bad_cell_is_counted(folder, rows, size, end):
    """By an account of its own, cell by cell."""
    data = [(number, row) for number, row in enumerate(rows, start=2) if isinstance(row, list)]
    lines = [HEADER, *(row if isinstance(row, str) else _line(row) for row in rows)]
    path = folder / "t.csv"
    path.write_text(end.join(lines), newline="")
    form = TableFormat(bad_values="null", delimiter="comma", decimal="point")
    chunk, delimited.CHUNK = delimited.CHUNK, size
    try:
        table = read_or_refused(path, form, ROLES)
    finally:
        delimited.CHUNK = chunk
    if not data:
        assert table == (
            "t.csv holds no readings: its only row was taken for the names of the columns."
        )
        return
    assert isinstance(table, Table)
    assert table.row.tolist() == [number for number, _ in data]
    cells = [[_clean(cell) for cell in row] for _, row in data]
    assert [table.grid_names[code] for code in table.grid] == [row[0] for row in cells]
    for name, place, found, whole in (
        ("line", 1, np.where(table.line == NO_LINE, np.nan, table.line), True),
        ("reading", 2, table.sequence, True),
        ("ec", 4, table.values[:, 0], False),
    ):
        expected = [_value(row[place], whole) for row in cells]
        np.testing.assert_array_equal(found, [np.nan if v is None else v for v in expected])
        assert table.unreadable.get(name, 0) == expected.count(None)
    notes = [row[5] for row in cells]
    kept = ["" if v is None or v != v else v for v in table.kept["note"].tolist()]
    if table.kept["note"].dtype == object:
        assert kept == notes
    else:
        assert kept == [float(note) if note else "" for note in notes]


def _line(row: list[str]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(row)
    return out.getvalue()


def _clean(cell: str) -> str:
    return "" if cell == "NA" else cell


def _value(cell: str, whole: bool) -> float | None:
    if not cell:
        return float("nan")
    if re.fullmatch(r"-?\d+" if whole else r"-?\d+(\.\d+)?", cell):
        return float(cell)
    return None


@given(
    st.lists(st.sampled_from(["G1", "G2", "", "G3"]), min_size=1, max_size=30), st.integers(1, 7)
)
def test_the_size_of_the_parts_changes_nothing(folder, grids, size):
    path = folder / "t.csv"
    rows = [
        f"{grid},{k // 5},{k},{['23:59:58', '00:00:01', '12:00'][k % 3]},{k}.5,{'12a'[k % 3]}"
        for k, grid in enumerate(grids)
    ]
    path.write_text("\n".join([HEADER, *rows]))
    whole = read_table([path], None, ROLES)
    chunk, delimited.CHUNK = delimited.CHUNK, size
    try:
        parts = read_table([path], None, ROLES)
    finally:
        delimited.CHUNK = chunk
    for name in ("values", "grid", "line", "sequence", "time", "row", "file"):
        np.testing.assert_array_equal(getattr(parts, name), getattr(whole, name))
    assert parts.grid_names == whole.grid_names
    assert parts.kept["note"].tolist() == whole.kept["note"].tolist()


@pytest.mark.parametrize("at", [2, 5, 6, 7, 11])
@pytest.mark.parametrize("last", ["\n", ""])
def test_a_quotation_mark_left_open_is_named_with_its_row(folder, monkeypatch, at, last):
    monkeypatch.setattr(delimited, "CHUNK", 5)
    monkeypatch.setattr(delimited, "SAMPLE", 1)
    rows = [f"G1,1,{k},09:00,20,a" for k in range(2, 12)]
    rows[at - 2] = rows[at - 2][:-1] + '"a'
    path = folder / "t.csv"
    path.write_text("\n".join([HEADER, *rows]) + last)
    assert read_or_refused(path, TableFormat(), ROLES) == (
        f"Row {at} of t.csv has a quotation mark that is not closed in its row. Correct the file."
    )


def test_the_first_thing_wrong_is_named_be_it_a_time_or_a_number(folder):
    path = folder / "t.csv"
    path.write_text(f"{HEADER}\nG1,1,1,9:00,20,\nG1,1,2,late,20,\nG1,1,3,9:00,x,\n")
    assert str(read_or_refused(path, TableFormat(), ROLES)).startswith(
        "Row 3 of t.csv: 'time' is 'late', which is not a time."
    )
    path.write_text(f"{HEADER}\nG1,1,1,9:00,20,\nG1,1,2,9:00,x,\nG1,1,3,late,20,\n")
    assert str(read_or_refused(path, TableFormat(), ROLES)).startswith(
        "Row 3 of t.csv: 'ec' is 'x'."
    )


# -- times, against a reading word by word -------------------------------------------------

CLOCK = r"(\d{1,2}):(\d{2})(?::(\d{2}(?:[.,]\d+)?))?"
DATED = re.compile(rf"(\d{{4}})-(\d{{2}})-(\d{{2}})(?:[T ]{CLOCK}(Z|[+-]\d{{2}}:?\d{{2}})?)?", re.A)


def one_time(text: str) -> tuple[float, float | None, float | None]:
    """Seconds of the day, ordinal of the day and seconds of the zone, by Python's own means."""
    if re.fullmatch(r"\d+(?:\.\d*)?|\.\d+", text, re.A):
        whole = text.partition(".")[0]
        if len(whole) == 6 and whole[0] == "0":
            raise ValueError
        return float(text), None, None
    found = re.fullmatch(CLOCK, text, re.A)
    if found:
        return clock(*found.groups()), None, None
    found = DATED.fullmatch(text)
    if not found:
        raise ValueError
    day = date(*map(int, found.groups()[:3])).toordinal()
    seconds = clock(*found.groups()[3:6]) if found[4] else 0.0
    word = found[7]
    if word is None:
        return seconds, day, None
    zone = 0 if word == "Z" else int(word[1:3]) * 3600 + int(word[-2:]) * 60
    return seconds, day, -zone if word[0] == "-" else zone


def clock(hours: str, minutes: str, seconds: str | None) -> float:
    rest = float((seconds or "0").replace(",", "."))
    since = int(hours) * 3600.0 + int(minutes) * 60.0 + rest
    if since > (DAY if int(hours) >= 24 else DAY + 1) or int(minutes) > 59 or rest >= 61:
        raise ValueError
    return since


def word_by_word(words: list[str]) -> tuple[list[float], list[int]]:
    times, bad, first = [], [], None
    for place, word in enumerate(words):
        times.append(float("nan"))
        if not word.strip():
            continue
        try:
            seconds, day, zone = one_time(word.strip())
        except ValueError:
            bad.append(place)
            continue
        first = first or (day, zone)
        if (first[0] is None) != (day is None):
            bad.append(place)
            continue
        if day is not None:
            seconds += (day - first[0]) * DAY
            if zone is not None:
                seconds -= zone - (first[1] or 0)
        times[-1] = seconds
    return times, bad


def two(most: int):
    return st.integers(0, most).map("{:02d}".format)


FRACTION = st.from_regex(r"[.,][0-9]{1,19}", fullmatch=True)
TIME = st.builds("{}:{}".format, two(25) | st.integers(0, 9).map(str), two(61))
FULL = st.builds("{}:{}{}".format, TIME, two(62), st.just("") | FRACTION)
DAY_WORD = st.builds("{}-{}-{}".format, st.sampled_from(["2031", "2024", "0000"]), two(13), two(32))
STAMP = st.builds("{}{}{}{}".format, DAY_WORD, st.sampled_from("T "), TIME | FULL,
                  st.sampled_from(["", "Z", "+01:00", "-0330", "+99:99"]))  # fmt: skip
PLAIN = st.from_regex(r"[0-9]{0,8}\.?[0-9]{0,14}", fullmatch=True)
WORD = st.one_of(TIME, FULL, DAY_WORD, STAMP, PLAIN, st.text("0123456789:-T.Z+, \n", max_size=12),
                 st.text(max_size=3))  # fmt: skip


@settings(max_examples=200)
@given(st.lists(WORD, max_size=12))
@example(["000000", "000001", "123456", "012345.5", "0123456"])
@example(["9:30", "\n", "2031-05-14", "9:31"])
def test_times_are_those_read_word_by_word(words):
    times, bad = scan_times(words)
    expected, refused = word_by_word(words)
    np.testing.assert_array_equal(times, expected)
    assert bad.tolist() == refused


@given(st.lists(WORD, max_size=12), st.integers(0, 12))
def test_times_read_in_parts_are_those_read_at_once(words, cut):
    reader = Clock()
    parts = [reader.scan(words[:cut]), reader.scan(words[cut:])]
    times, bad = scan_times(words)
    np.testing.assert_array_equal(np.concatenate([part[0] for part in parts]), times)
    first = min(cut, len(words))
    assert [*parts[0][1], *(parts[1][1] + first)] == bad.tolist()


# -- numbers -------------------------------------------------------------------------------

NUMBER_WORD = st.one_of(
    st.floats().map(repr),
    st.integers().map(str),
    st.from_regex(r"[+-]?[0-9]{0,3}[.,]?[0-9]{0,3}([eE][+-]?[0-9])?", fullmatch=True),
    st.sampled_from(["", " ", "NA", "9999", " 1 ", "1_0", "٣", "inf", "1e400", "\x1c1", "0x1"]),
)


@given(st.lists(NUMBER_WORD, max_size=8), st.booleans(), st.booleans())
def test_numbers_are_the_same_alone_and_together(words, comma, whole):
    nulls = {"", "na", "9999"}
    numbers, bad = to_numbers(words, comma, nulls, whole=whole)
    alone = [to_numbers([word], comma, nulls, whole=whole) for word in words]
    np.testing.assert_array_equal(numbers, [float(value[0]) for value, _ in alone])
    assert bad.tolist() == [place for place, (_, wrong) in enumerate(alone) if len(wrong)]
    for word, value in zip(words, numbers.tolist()):
        text = word.strip().replace(",", ".") if comma else word.strip()
        if value == value:
            assert value == float(text)
            assert not whole or value.is_integer()


# -- places --------------------------------------------------------------------------------


@given(st.lists(st.tuples(st.integers(0, 2), st.integers(1, 3) | st.just(NO_LINE)), max_size=25))
def test_placing_loses_and_doubles_no_reading(rows):
    grid = np.array([code for code, _ in rows], np.int64)
    line = np.array([number for _, number in rows], np.int64)
    site = SiteGrid({"": Origin(0.0, 0.0)}, length=100.0)
    x = np.arange(len(rows), dtype=float)
    for first, placed in (
        (0, place_on_site_grid(grid, ("a", "b", "c"), line, None, None, site)),
        (1, along_track(x, x, grid, line)),
        (1, left_for_later(grid, line, None, None)),
    ):
        assert len(placed.x) == len(placed.sequence) == len(rows)
        assert np.isnan(placed.sequence).tolist() == (line == NO_LINE).tolist()
        named = [(g, n, s) for g, n, s in zip(grid, line, placed.sequence) if n != NO_LINE]
        assert len(set(named)) == len(named)
        # Counted along each traverse without a gap, in the order of the rows.
        for key in {name[:2] for name in named}:
            numbers = [name[2] for name in named if name[:2] == key]
            assert numbers == [first + k for k in range(len(numbers))]


# -- memory --------------------------------------------------------------------------------


def peak_of(path: Path, rows: int) -> int:
    path.write_text(
        f"{HEADER},ec2,ec3\n"
        + "".join(
            f"G{k // 3000},{k // 100},{k},{k // 3600 % 24:02d}:{k // 60 % 60:02d}:{k % 60:02d}.25,"
            f"{k}.5,{'peg' if k % 50 == 0 else ''},{k % 7}.25,\n"
            for k in range(rows)
        )
    )
    roles = Roles(channels="ec, ec2, ec3", grid="grid", line="line", sequence="reading",
                  time="time", keep="note")  # fmt: skip
    tracemalloc.start()
    try:
        table = read_table([path], None, roles)
        assert len(table.values) == rows
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_each_row_more_needs_little_more_than_its_numbers(folder, monkeypatch):
    # Three channels, line, reading and time are 48 bytes a row; data grid, row and file 24 more.
    monkeypatch.setattr(delimited, "CHUNK", 500)
    few, many = (peak_of(folder / "t.csv", rows) for rows in (18_000, 36_000))
    assert (many - few) / 18_000 < 2.5 * 48
