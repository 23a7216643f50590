"""ASEG-GDF2 read by its definition: fields, arrays, codes, other records, and what is refused.

The form of the definition is from memory of Pratt (2003), ASEG-GDF2.
"""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.gdf2.definition import (
    Definition,
    Field,
    definition_text,
    parse_definition,
)
from lynchet.algorithms.intake.importgdf2 import LineRoles, read_line_data, remarks_beside
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE

DEFINITION = """\
DEFN   ST=RECD,RT=COMM;RT:A4;COMMENTS:A76
DEFN 1 ST=RECD,RT=;LINE:I6:NULL=-9999,NAME=Line number
DEFN 2 ST=RECD,RT=;GRID:A4
DEFN 3 ST=RECD,RT=; FIDUCIAL : F8.1 : UNIT = 1, NULL = -999.9
DEFN 4 ST=RECD,RT=;EASTING:F11.2:UNIT=m,NULL=-99999.99;NORTHING:F11.2:UNIT=m
DEFN 5 ST=RECD,RT=;EC_050:F8.2:UNIT=mS/m,NULL=-999.99,NAME=conductivity, shallow
DEFN 6 ST=RECD,RT=;IP:2D12.3:UNIT=ppt,NULL=-1.0E+10:in-phase part
DEFN 7 ST=RECD,RT=;QC:I3;END DEFN
DEFN   ST=RECD,RT=PROJ;RT:A4
DEFN 1 ST=RECD,RT=PROJ;PROJNAME:A30:COMMENT=Invented / grid 31;END DEFN
"""


def record(line=1, grid="G1", fid="1.0", x="430000.00", y="5900000.00", ec="21.50", ip="0.1D0",
           ip2="-0.2E+00", qc="0"):  # fmt: skip
    cells = [line, f" {grid}".ljust(4), fid, x, y, ec, ip, ip2, qc]
    return "".join(str(c).rjust(w) for c, w in zip(cells, (6, 4, 8, 11, 11, 8, 12, 12, 3)))


@pytest.fixture
def write(tmp_path):
    def go(*lines, name="quillmere.dat", definition=DEFINITION, encoding="utf-8", end="\n"):
        path = tmp_path / name
        path.write_bytes("".join(line + end for line in lines).encode(encoding))
        if definition is not None:
            path.with_suffix(".dfn").write_bytes(definition.encode())
        return path

    return go


def refusal(path, **roles):
    with pytest.raises(ValueError, match=r"\.$") as caught:
        read_line_data([path], LineRoles(**roles))
    return str(caught.value)


def test_columns_are_cut_where_the_definition_says(write):
    data = read_line_data([write(record(), record(2, "G2", "2.0", ec="8.25", qc="4"))])
    table = data.table
    assert table.channels == ("EC_050", "IP_1", "IP_2")
    assert table.units == ("mS/m", "ppt", "ppt")
    assert table.values.tolist() == [[21.5, 0.1, -0.2], [8.25, 0.1, -0.2]]
    assert table.x.tolist() == [430000.0, 430000.0]
    assert table.y.tolist() == [5900000.0, 5900000.0]
    assert [table.grid_names[code] for code in table.grid] == ["G1", "G2"]
    assert table.line.tolist() == [1, 2]
    assert table.sequence.tolist() == [1.0, 2.0]
    assert table.quality.tolist() == [0, 4]
    assert data.crs_name == "Invented / grid 31"
    assert not data.geographic


def test_words_behind_the_attributes_are_a_comment():
    text = "DEFN 1 ST=RECD,RT=;IP:F8.2:UNIT=ppt,NULL=-9:in-phase, raw;EC:F8.2:first channel"
    fields = parse_definition(text, "q.dfn").records[""]
    assert [(f.unit, f.null, f.comment) for f in fields] == [
        ("ppt", "-9", "in-phase, raw"), ("", "", "first channel"),
    ]  # fmt: skip


def test_seconds_that_run_on_beyond_a_day_are_left_as_they_are(write):
    definition = "DEFN 1 ST=RECD,RT=;X:F6.1;Y:F6.1;TIME:F9.1;EC:F6.2\n"
    rows = [f"   1.0   2.0  {time:7.1f}  3.25" for time in (90000, 40000)]
    assert read_line_data([write(*rows, definition=definition)]).table.time.tolist() == [
        90000.0, 40000.0,
    ]  # fmt: skip


def test_a_name_in_full_is_taken_where_it_is_the_same_name(write):
    definition = "DEFN 1 ST=RECD,RT=;X:F6.1;Y:F6.1;EC_1_m:F6.2:NAME=EC 1 m;IP:F6.2:NAME=in-phase\n"
    path = write("   1.0   2.0  3.25  0.50", definition=definition)
    assert read_line_data([path]).table.channels == ("EC 1 m", "IP")
    assert read_line_data([path], LineRoles(channels="ec 1 m")).table.channels == ("EC 1 m",)


def test_the_code_of_each_field_and_blanks_are_no_reading(write):
    data = read_line_data([write(record(line=-9999, ec="-999.99", ip="-1.0D10", x="-99999.99"),
                                 record(ec="", y="-999.99", grid=""))])  # fmt: skip
    table = data.table
    assert np.isnan(table.values[0, :2]).all()
    assert np.isnan(table.values[1, 0])
    assert table.line.tolist() == [NO_LINE, 1]
    assert np.isnan(table.x[0])
    assert table.y[1] == -999.99  # another field's code
    assert table.grid_names[table.grid[1]] == ""


def test_a_code_with_more_decimals_than_the_field_shows_counts_as_shown(write):
    definition = "DEFN 1 ST=RECD,RT=;X:F8.1;Y:F8.1;EC:F8.1:NULL=-999.99\n"
    data = read_line_data([write("     1.0     2.0 -1000.0", definition=definition)])
    assert np.isnan(data.table.values).all()


def test_other_records_and_blank_rows_are_counted_and_none_is_lost(write):
    path = write(
        "COMM first day", record(), "", "   ", "PROJ zone 31", record(), "comm end", "\x1a"
    )
    data = read_line_data([path])
    assert len(data.table.values) == 2
    assert data.others == {"COMM": 2, "PROJ": 1, "": 3}
    assert data.table.row.tolist() == [2, 6]


def test_data_records_may_bear_the_name_of_their_type(write):
    definition = (
        "DEFN 1 ST=RECD,RT=DATA;RT:A4;LINE:I4;X:F6.1;Y:F6.1;EC:F6.2\n"
        "DEFN 1 ST=RECD,RT=TIE;RT:A4;LINE:I4;END DEFN\n"
    )
    path = write("DATA   1   1.0   2.0  3.25", "TIE    9", "BASE   1   1.0   2.0  3.25",
                 definition=definition)  # fmt: skip
    data = read_line_data([path])
    assert data.table.values.tolist() == [[3.25]]
    assert data.others == {"TIE": 1, "unknown": 1}


def test_a_first_field_of_text_may_begin_like_a_record_type(write):
    definition = "DEFN 1 ST=RECD,RT=;GRID:A6;X:F6.1;Y:F6.1;EC:F6.2\n"
    path = write("COMMON   1.0   2.0  3.25", "COMM a remark", definition=definition)
    data = read_line_data([path])
    assert data.table.grid_names == ("COMMON",)
    assert data.others == {"COMM": 1}


def test_line_ends_of_other_systems_and_cut_blanks_are_read(write):
    definition = "DEFN 1 ST=RECD,RT=;X:F6.1;Y:F6.1;EC:F6.2;NOTE:A8\n"
    path = write(
        "   1.0   2.0  3.25 a ditch", "   1.0   2.0  3.25", definition=definition, end="\r\n"
    )
    data = read_line_data([path])
    assert data.table.kept["NOTE"].tolist() == ["a ditch", None]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "latin-1"])
def test_letters_beyond_ascii_count_as_one_character(write, encoding):
    definition = "DEFN 1 ST=RECD,RT=;GRID:A5;X:F6.1;Y:F6.1;EC:F6.2\n"
    path = write(" Böö    1.0   2.0  3.25", definition=definition, encoding=encoding)
    data = read_line_data([path])
    assert data.table.grid_names == ("Böö",)
    assert data.table.values.tolist() == [[3.25]]


def test_channels_named_by_the_user_leave_the_rest_as_further_fields(write):
    data = read_line_data([write(record())], LineRoles(channels="ip_2 [‰]"))
    assert data.table.channels == ("IP_2",)
    assert data.table.units == ("‰",)
    assert sorted(data.table.kept) == ["EC_050", "IP_1"]
    assert data.table.kept["EC_050"].tolist() == [21.5]


def test_a_dash_says_that_no_field_has_the_role(write):
    data = read_line_data([write(record())], LineRoles(grid="-", sequence="-"))
    assert data.table.sequence is None
    assert data.table.grid_names == ("",)
    assert data.table.kept["GRID_2"].tolist() == ["G1"]  # 'grid' is the layer's own
    assert data.table.kept["FIDUCIAL"].tolist() == [1.0]


def test_fiducials_that_are_fractions_number_the_readings_and_are_kept(write):
    data = read_line_data([write(record(fid="10.5"), record(fid="-999.9"), record(fid="10.1"))])
    assert data.table.sequence.tolist()[::2] == [2.0, 1.0]
    assert np.isnan(data.table.sequence[1])
    assert data.table.kept["FIDUCIAL"].tolist()[::2] == [10.5, 10.1]


def test_lines_with_names_are_numbered_and_the_names_kept(write):
    definition = "DEFN 1 ST=RECD,RT=;LINE:A6;X:F6.1;Y:F6.1;EC:F6.2\n"
    rest = "   1.0   2.0  3.25"
    path = write(" L10A " + rest, " T1   " + rest, "      " + rest, " L10A " + rest,
                 definition=definition)  # fmt: skip
    table = read_line_data([path]).table
    assert table.line.tolist() == [1, 2, NO_LINE, 1]
    assert table.kept["LINE_name"].tolist() == ["L10A", "T1", None, "L10A"]


def test_easting_and_northing_come_before_degrees_and_never_mixed(write):
    definition = (
        "DEFN 1 ST=RECD,RT=;LONGITUDE:F7.2;LATITUDE:F7.2;EASTING:F6.1;NORTHING:F6.1;EC:F6.2\n"
    )
    row = "   1.95  53.24   1.0   2.0  3.25"
    data = read_line_data([write(row, definition=definition)])
    assert (data.table.x[0], data.table.y[0], data.geographic) == (1.0, 2.0, False)
    assert data.table.kept["LONGITUDE"].tolist() == [1.95]
    lone = definition.replace("NORTHING", "N_OLD")
    data = read_line_data([write(row, definition=lone)])
    assert (data.table.x[0], data.table.y[0], data.geographic) == (1.95, 53.24, True)


def test_clock_times_in_one_number_or_as_text_become_seconds(write):
    definition = "DEFN 1 ST=RECD,RT=;X:F6.1;Y:F6.1;TIME:F10.1:UNIT=HHMMSS.S;EC:F6.2\n"
    rows = ("   1.0   2.0  235959.5  3.25", "   1.0   2.0       1.0  3.25")
    assert read_line_data([write(*rows, definition=definition)]).table.time.tolist() == [
        86399.5, 86401.0,
    ]  # fmt: skip
    text = definition.replace("F10.1:UNIT=HHMMSS.S", "A10")
    rows = ("   1.0   2.0  09:30:10  3.25", "   1.0   2.0            3.25")
    times = read_line_data([write(*rows, definition=text)]).table.time
    assert times[0] == 34210.0
    assert np.isnan(times[1])


def test_several_files_each_by_its_own_definition(write):
    one = write(record(), name="a.dat")
    definition = (
        "DEFN 1 ST=RECD,RT=;QC:I2;LINE:I3;GRID:A4;FIDUCIAL:F5.1;EASTING:F5.1;NORTHING:F5.1;"
        "EC_050:F6.2:NULL=-1;IP:2F5.1\n"
    )
    two = write(" 1  7 G9   1.0  1.0  2.0    -1  5.0  6.0", name="b.dat", definition=definition)
    table = read_line_data([one, two]).table
    assert table.line.tolist() == [1, 7]
    assert np.isnan(table.values[1, 0])
    assert table.values[1, 1:].tolist() == [5.0, 6.0]
    assert table.file.tolist() == [0, 1]
    fewer = write(record(), name="c.dat", definition=DEFINITION.replace("QC:I3", "Q:I3"))
    with pytest.raises(ValueError, match=r"c\.dfn defines a field 'Q' that a\.dfn does not have"):
        read_line_data([one, fewer])


def test_the_definition_may_be_in_capitals_or_elsewhere(write, tmp_path):
    path = write(record(), definition=None)
    assert refusal(path) == (
        "There is no definition file 'quillmere.dfn' beside quillmere.dat, and without it the "
        "columns are unknown. Put it there, or choose the definition."
    )
    elsewhere = tmp_path / "survey.def"
    elsewhere.write_text(DEFINITION)
    assert len(read_line_data([path], definition=elsewhere).table.row) == 1
    (tmp_path / "Quillmere.DFN").write_text(DEFINITION)
    assert len(read_line_data([path]).table.row) == 1


def test_remarks_of_the_description_are_found(write, tmp_path):
    path = write(record())
    assert remarks_beside(path) == ()
    (tmp_path / "quillmere.des").write_text("COMM one\nDEFN x\nCOMM  two\n")
    assert remarks_beside(path) == ("one", "two")


def test_what_is_wrong_is_named_by_row_and_field(write):
    assert refusal(write(record(), record(ec="abc"))) == (
        "Row 2 of quillmere.dat: 'EC_050' is 'abc', which is no number. Correct the file, choose "
        "the definition that belongs to it, or take unreadable values as NULL."
    )
    assert "Row 2 of quillmere.dat: 'EC_050' is '1_0'" in refusal(write(record(), record(ec="1_0")))
    assert "'EC_050' is '1 0'" in refusal(write(record(ec="1 0")))
    assert "'EC_050' is '****'" in refusal(write(record(ec="****")))
    assert "'IP_2' is '1E999'" in refusal(write(record(ip2="1E999")))
    assert refusal(write("COMM", record(), record()[:70])) == (
        "Row 3 of quillmere.dat is too short: it has 70 characters, and field 'IP_2' takes 61 to "
        "72 by quillmere.dfn. Correct the row, or choose the definition that belongs to the file."
    )
    assert "'LINE' is 1.5 where the traverse is a whole number" in refusal(write(record("1.5")))
    assert refusal(write("COMM only")).startswith("quillmere.dat holds no data records.")
    assert "defines no field 'ZZ'. It has: LINE, GRID" in refusal(write(record()), x="ZZ")
    assert "'GRID' of quillmere.dfn holds text (A4)" in refusal(write(record()), x="GRID")
    assert "cannot be a channel: it holds text" in refusal(write(record()), channels="GRID")
    assert "A channel is named twice" in refusal(write(record()), channels="ip_1,IP_1")
    assert "is a definition. Choose the data file" in refusal(write(record()).with_suffix(".dfn"))


def test_the_first_of_several_unreadable_values_is_named(write):
    said = refusal(write(record(), record(qc="x"), record(ec="y")))
    assert said.startswith("Row 2 of quillmere.dat: 'QC' is 'x'")


def test_unreadable_values_may_be_no_reading_and_are_counted(write):
    data = read_line_data([write(record(ec="abc"), record())], LineRoles(bad_values="null"))
    assert np.isnan(data.table.values[0, 0])
    assert data.table.values[1, 0] == 21.5
    assert data.table.unreadable == {"EC_050": 1}


def test_characters_behind_the_last_field_are_told(write):
    assert read_line_data([write(record() + "  7", record() + "   ")]).beyond == 1


@pytest.mark.parametrize(
    ("line", "sentence"),
    [
        ("DEFN 1 ST=RECD,RT=;EC:G8.2", "field 'EC' has the format 'G8.2'. Known are I, F, E, D"),
        ("DEFN 1 ST=RECD,RT=;EC", "field 'EC' has the format ''"),
        ("DEFN 1 ST=RECD,RT=;EC:F0.2", "field 'EC' has no width (F0.2)"),
        ("LINE I6", "Line 1 of q.dfn is 'LINE I6'. A definition line begins with 'DEFN'"),
        ("DEFN 1 ST=RECD;EC:F8.2", "names its record type, 'ST=RECD,RT=...;'"),
        ("DEFN 1 ST=RECD,RT=;EC:999999F99", "records of more than 1,000,000 characters"),
    ],
)
def test_a_definition_that_cannot_be_is_refused(line, sentence):
    with pytest.raises(ValueError, match=re.escape(sentence)):
        parse_definition(line, "q.dfn")


def test_a_definition_without_data_or_with_a_name_twice_is_refused():
    with pytest.raises(ValueError, match=r"q\.dfn defines no field of data records"):
        _ = parse_definition("DEFN ST=RECD,RT=COMM;RT:A4;C:A9", "q.dfn").places
    with pytest.raises(ValueError, match=r"defines the field 'ec_1' twice"):
        _ = parse_definition("DEFN ST=RECD,RT=;EC:2F8.2;ec_1:F8.2", "q.dfn").places


def test_a_long_file_is_read_in_parts_without_losing_a_record(write, monkeypatch):
    from lynchet.algorithms.intake.gdf2 import records

    path = write(*(record(line=k + 1, ec=f"{k / 4:.2f}") for k in range(200)))
    whole = read_line_data([path])
    monkeypatch.setattr(records, "BLOCK", 100)
    parts = read_line_data([path])
    assert parts.table.values.tolist() == whole.table.values.tolist()
    assert parts.table.row.tolist() == list(range(1, 201))
    with pytest.raises(Cancelled):
        read_line_data([path], progress=lambda fraction: fraction < 0.5)


words = st.text(st.characters(min_codepoint=33, max_codepoint=126, blacklist_characters=";:,="),
                min_size=1, max_size=9)  # fmt: skip
fields = st.builds(
    Field,
    name=words.filter(lambda name: not name.upper().startswith(("RT", "END"))),
    letter=st.sampled_from("IFEDA"), width=st.integers(1, 30), repeat=st.integers(1, 4),
    unit=words | st.just(""), null=words | st.just(""), title=words | st.just(""),
)  # fmt: skip


@settings(max_examples=60, deadline=None)
@given(st.lists(fields, min_size=1, max_size=6))
def test_a_definition_comes_back_as_it_was_written(made):
    text = definition_text(Definition({"": tuple(made)}))
    assert parse_definition(text, "q.dfn").records[""] == tuple(made)


@settings(max_examples=150, deadline=None)
@given(
    data=st.binary(max_size=300) | st.text(" 0123456789.-ED\n", max_size=300).map(str.encode),
    definition=st.text(max_size=60) | st.lists(
        st.sampled_from(["DEFN 1 ST=RECD,RT=;", "X:F3.1;", "Y:2I2;", "EC:E9.1:NULL=1;", "T:A3",
                         "\n", "DEFN ST=RECD,RT=DATA;RT:A4;", "END DEFN"]), max_size=9,
    ).map("".join),
)  # fmt: skip
def test_anything_at_all_ends_in_one_sentence_or_in_readings(tmp_path_factory, data, definition):
    path = tmp_path_factory.mktemp("any") / "q.dat"
    path.write_bytes(data)
    path.with_suffix(".dfn").write_text(definition, encoding="utf-8")
    said, found = "", None
    try:
        found = read_line_data([path])
    except ValueError as wrong:
        said = str(wrong)
    if found is None:
        assert said.endswith(".")
        assert re.search(r"q\.(dat|dfn)", said)
    else:
        rows = len(data.split(b"\n")) - data.endswith(b"\n")
        assert len(found.table.row) + sum(found.others.values()) == rows
