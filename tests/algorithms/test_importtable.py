from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lynchet.algorithms.intake.importtable import Roles, read_table, to_numbers
from lynchet.algorithms.intake.text.delimited import TableFormat, is_number, read_layout
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE

ROLES = Roles(grid="grid", line="line", sequence="reading", time="time")
TABLE = """# a comment
grid,line,reading,time,ec_050 [mS/m],ip_050 (ppt)

G1,1,1,09:00:00.5,20.1,0.30
G1,1,2,09:00:01.0,,0.31
# between
G2,1,1,23:59:59,-3.5e0,*
G2,1,2,00:00:01,20.4,0.33
"""


@pytest.fixture
def read(tmp_path):
    def go(text, form=None, roles=ROLES, name="table.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
        return read_table([path], form, roles)

    return go


def same(found, expected):
    np.testing.assert_array_equal(found.values, expected.values)
    np.testing.assert_array_equal(found.time, expected.time)
    np.testing.assert_array_equal(found.line, expected.line)
    assert found.channels == expected.channels
    assert found.units == expected.units
    assert [found.grid_names[code] for code in found.grid] == [
        expected.grid_names[code] for code in expected.grid
    ]


def test_columns_units_gaps_and_midnight(read):
    table = read(TABLE)
    assert table.channels == ("ec_050", "ip_050")
    assert table.units == ("mS/m", "ppt")
    np.testing.assert_array_equal(
        table.values, [[20.1, 0.3], [np.nan, 0.31], [-3.5, np.nan], [20.4, 0.33]]
    )
    assert [table.grid_names[code] for code in table.grid] == ["G1", "G1", "G2", "G2"]
    assert table.time.tolist() == [32400.5, 32401.0, 86399.0, 86401.0]
    assert table.row.tolist() == [4, 5, 7, 8]


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_the_same_table_however_it_is_written(read, delimiter, newline, encoding):
    text = TABLE.replace(",", delimiter).replace("\n", newline).replace("G2", "Gräben")
    expected = read(TABLE.replace("G2", "Gräben"))
    same(read(text, encoding=encoding), expected)


def test_blanks_part_cells(read):
    text = TABLE.replace("[mS/m]", "").replace("(ppt)", "").replace(",,", ",NA,")
    found = read(text.replace(",", "   "))
    np.testing.assert_array_equal(found.values, read(text).values)


def test_decimal_commas_with_semicolons(read):
    text = TABLE.replace(",", ";").replace(".", ",")
    same(read(text), read(TABLE))


def test_decimal_commas_with_blanks(read):
    text = "line reading ec\n1 1 20,5\n1 2 21,5\n"
    found = read(text, roles=Roles(line="line", sequence="reading"))
    assert found.values[:, 0].tolist() == [20.5, 21.5]


def test_without_a_header_columns_go_by_number(read):
    rows = "\n".join(TABLE.replace("*", "").splitlines()[3:])
    roles = Roles(
        channels="5 = ec_050 [mS/m], 6 = ip_050 [ppt]", grid="1", line="2", sequence="3", time="4"
    )
    same(read(rows, TableFormat(header=False), roles), read(TABLE))


def test_files_may_order_their_columns_differently(tmp_path):
    (tmp_path / "a.csv").write_text("line,reading,ec\n1,1,5\n")
    (tmp_path / "b.csv").write_text("ec,line,reading\n6,2,1\n")
    table = read_table([tmp_path / "a.csv", tmp_path / "b.csv"], None,
                       Roles(line="line", sequence="reading"))  # fmt: skip
    assert table.values[:, 0].tolist() == [5, 6]
    assert table.line.tolist() == [1, 2]
    assert table.file.tolist() == [0, 1]


def test_kept_columns_are_numbers_where_they_hold_nothing_else(read):
    table = read(
        "line,ec,note,size\n1,5,a,3\n1,6,,4\n", roles=Roles(line="line", keep="note, size")
    )
    assert table.kept["note"].tolist() == ["a", None]
    assert table.kept["size"].tolist() == [3.0, 4.0]
    assert table.channels == ("ec",)


def test_codes_for_no_reading(read):
    text = "line,ec\n1,9999\n1,5\n"
    form = TableFormat(null_values=("9999",))
    assert np.isnan(read(text, form, Roles(line="line")).values[0, 0])


def test_unreadable_values_are_counted_by_column(read):
    text = "line,reading,ec\n1,1,x\n?,2,5\n1,3,y\n1,4\n"
    form = TableFormat(bad_values="null")
    table = read(text, form, Roles(channels="ec", line="line", sequence="reading"))
    assert table.unreadable == {"ec": 2, "line": 1}
    assert table.line.tolist() == [1, NO_LINE, 1, 1]
    assert np.isnan(table.values[:, 0]).tolist() == [True, False, True, True]


def test_trailing_delimiters_are_no_cells(read):
    table = read("line,ec,\n1,5,\n2,6,\n", roles=Roles(line="line"))
    assert table.values[:, 0].tolist() == [5, 6]


def test_reading_can_be_cancelled(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(TABLE)
    with pytest.raises(Cancelled):
        read_table([path], None, ROLES, lambda fraction: False)


# -- no input crashes, none is lost ----------------------------------------------------------

cells = st.text(st.characters(blacklist_categories=["Cs"]), max_size=8)


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("any") / "t.csv"
    path.write_bytes(content)
    with suppress(ValueError):
        assert len(read_table([path], None, Roles()).values) > 0


@given(st.lists(st.tuples(cells, cells), min_size=1, max_size=30))
def test_rows_in_are_rows_out_when_nothing_is_refused(tmp_path_factory, rows):
    path = tmp_path_factory.mktemp("rows") / "t.csv"
    clean = [
        tuple("".join(c for c in cell if c.isprintable() and c not in '",#') for cell in row)
        for row in rows
    ]
    lines = ["line,ec", *(f"{a}x,{b}" for a, b in clean)]
    path.write_text("\n".join(lines), encoding="utf-8")
    form = TableFormat(bad_values="null", delimiter="comma", decimal="point", encoding="utf-8")
    table = read_table([path], form, Roles(channels="ec", line="line"))
    assert len(table.values) == len(rows)
    read = int(np.isfinite(table.values).sum())
    null = sum(b.strip().casefold() in {w.casefold() for w in form.null_values} for _, b in clean)
    assert read + null + table.unreadable.get("ec", 0) == len(rows)


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False)))
def test_every_float_python_writes_is_read_back(values):
    words = [repr(value) for value in values]
    numbers, bad = to_numbers(words, False, {""})
    assert not len(bad)
    assert numbers.tolist() == values


@pytest.mark.parametrize("word", ["inf", "-inf", "1_000", "٣", "0x10", "1e999", "1,000.5", "--1"])
def test_words_that_only_look_like_numbers_are_unreadable(word):
    numbers, bad = to_numbers([word], False, {"", "nan"})
    assert bad.tolist() == [0]
    assert np.isnan(numbers[0])


def test_numbers_are_told_from_words():
    assert is_number("-1.5e-3")
    assert not is_number("1.2.3")


def test_the_guess_prefers_the_delimiter_that_gives_numbers(tmp_path):
    path = tmp_path / "t.txt"
    path.write_text("a;b\n1,5;2,5\n3,5;4,5\n")
    layout = read_layout(path, TableFormat())
    assert (layout.delimiter, layout.decimal_comma) == (";", True)


def test_columns_may_be_named_by_number_where_there_is_a_header(read):
    found = read(TABLE, roles=Roles(grid="1", line="2", sequence="3", time="4"))
    same(found, read(TABLE))


def test_a_column_with_words_among_its_numbers_is_no_channel(read):
    table = read("line,ec,note\n1,5,7\n1,6,seven\n", roles=Roles(line="line"))
    assert table.channels == ("ec",)


def test_blanks_after_a_delimiter_and_quotes_do_not_matter(read):
    table = read('line, note, ec\n1, "a, b", 5\n', roles=Roles(line="line", keep="note"))
    assert table.kept["note"].tolist() == ["a, b"]
    assert table.values[0, 0] == 5


def test_a_comment_may_be_indented_and_the_sign_may_be_none(read):
    text = "line,ec\n  # aside\n1,5\n"
    assert len(read(text, roles=Roles(line="line")).values) == 1
    with pytest.raises(ValueError, match=r"Row 2 of table\.csv has 1 cells where 2 are expected"):
        read(text, TableFormat(comment="", delimiter="comma"), Roles(channels="ec", line="line"))


def test_reading_several_files_reports_rising_progress(tmp_path):
    paths = []
    for name in "abc":
        paths.append(tmp_path / f"{name}.csv")
        paths[-1].write_text("line,ec\n1,5\n")
    seen = []
    read_table(paths, None, Roles(line="line"), lambda fraction: not seen.append(fraction))
    assert seen == sorted(seen)
    assert seen[-1] > 0.9
