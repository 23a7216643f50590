"""Formats chosen from the values, and what is written comes back as it was."""

import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.deliver.writegdf2 import (
    Column,
    definition_of,
    order_of,
    plan_fields,
    record_bytes,
    remark_lines,
)
from lynchet.algorithms.intake.gdf2.definition import definition_text
from lynchet.algorithms.intake.importgdf2 import LineRoles, read_line_data, remarks_beside
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import Readings

NAN = np.nan


def planned(values, **more):
    column = Column("ec", np.array(values, object if "text" in more else float),
                    **{k: v for k, v in more.items() if k != "text"})  # fmt: skip
    plan = plan_fields([column])
    return plan.fields[0], plan.rounded.get("ec", 0.0)


def write(path, columns, remarks=None, order=None):
    plan = plan_fields(columns)
    order = np.arange(len(columns[0].values)) if order is None else order
    path.write_bytes(b"".join(record_bytes(columns, plan.fields, order, remarks)))
    path.with_suffix(".dfn").write_text(
        definition_text(definition_of(plan.fields, "Invented grid")), encoding="utf-8"
    )
    return plan


@pytest.mark.parametrize(
    ("values", "form", "null"),
    [
        ([21.89, -3.5, NAN], "F8.2", "-999.00"),
        ([0.365], "F9.3", "-999.000"),
        ([5.0, 6.0], "F7.1", "-999.0"),
        ([NAN], "F7.1", "-999.0"),
        ([-998.999], "F9.3", "-999.000"),
        ([-999.0], "F8.1", "-9999.0"),
        ([-999.5, 12345678.25], "F12.2", "-9999.00"),
        ([1e12], "F16.1", "-999.0"),
        ([1 / 3], "F12.6", "-999.000000"),
        ([1e-7], "E25.16", "-1.0E+32"),
        ([1e300, 2.0], "E25.16", "-1.0E+32"),
        ([1e300, -1e32], "E25.16", "1.0E+32"),
    ],
)
def test_width_decimals_and_code_follow_the_values(values, form, null):
    field, _ = planned(values)
    assert (field.format, field.null) == (form, null)


def test_whole_numbers_and_words_get_formats_of_their_own():
    assert planned([1, 320, NAN], whole=True)[0].format == "I5"
    assert planned(["G1", None, "a b c"], text=True)[0].format == "A6"
    assert planned([None], text=True)[0].format == "A2"


def test_decimals_asked_for_are_kept_to_and_the_change_is_told():
    field, change = planned([1.26, 2.0], decimals=1)
    assert field.format == "F7.1"
    assert change == pytest.approx(0.04)
    assert planned([1.25], decimals=2)[1] == 0.0
    assert planned([1 / 3])[1] == pytest.approx(1 / 3 - 0.333333)
    with pytest.raises(ValueError, match=r"'ec' cannot have 16 decimals. Give 0 to 15"):
        planned([1.0], decimals=16)


def test_names_are_made_fit_and_none_is_used_twice():
    columns = [Column(name, np.zeros(1)) for name in ("ec 050", "EC_050", "rt", "é;", "")]
    fields = plan_fields(columns).fields
    assert [field.name for field in fields] == ["ec_050", "EC_050_2", "rt_2", "__", "_"]
    assert [field.title for field in fields] == ["ec 050", "EC_050", "rt", "é", ""]


def test_words_that_would_break_a_record_are_cleaned_and_told(tmp_path):
    texts = np.array(["a\nb", "Böschung", None], object)
    columns = [Column("n", np.arange(3.0), whole=True), Column("note", texts),
               *(Column(name, np.ones(3)) for name in ("x", "y", "ec"))]  # fmt: skip
    plan = write(tmp_path / "q.dat", columns)
    assert plan.cleaned == ("note",)
    assert plan.beyond_ascii == ("note",)
    table = read_line_data([tmp_path / "q.dat"]).table
    assert table.kept["note"].tolist() == ["a b", "Böschung", None]


def test_records_are_fixed_columns_to_the_right():
    columns = [Column("line", np.array([1.0, 12.0]), whole=True),
               Column("ec", np.array([-0.05, NAN])), Column("note", np.array(["a", None], object)),
               Column("far", np.array([1e-9, NAN]))]  # fmt: skip
    fields = plan_fields(columns).fields
    assert b"".join(record_bytes(columns, fields, np.array([0, 1]))) == (
        b"    1   -0.05 a   1.0000000000000001E-09\n   12 -999.00                   -1.0E+32\n"
    )


def test_traverses_follow_each_other_with_their_remarks(tmp_path):
    readings = Readings.build(
        x=[0, 0, 1, 1, 5], y=[0, 1, 1, 0, 5], values=[1, 2, 3, 4, 5], line=[2, 2, 1, 1, 1],
        sequence=[2, 1, 1, 2, 3], grid=["G1"] * 5,
    )  # fmt: skip
    readings.line[4] = np.iinfo(np.int64).min
    order, starts = order_of(readings)
    assert order.tolist() == [2, 3, 1, 0, 4]
    assert starts == {0: "line 1 of grid G1", 2: "line 2 of grid G1"}
    columns = [Column(name, values) for name, values in
               (("x", readings.x), ("y", readings.y), ("ec", readings.values[:, 0]))]  # fmt: skip
    write(tmp_path / "q.dat", columns, starts, order)
    lines = (tmp_path / "q.dat").read_text().splitlines()
    assert [k for k, line in enumerate(lines) if line.startswith("COMM line")] == [0, 3]
    data = read_line_data([tmp_path / "q.dat"])
    assert data.table.values[:, 0].tolist() == [3, 4, 2, 1, 5]
    assert data.others == {"COMM": 2}
    assert data.crs_name == "Invented grid"


def test_the_definition_and_the_description_are_read_back(tmp_path):
    remarks = ["Readings of layer 'q'", 'lynchet:x 1 {"a": 1}']
    (tmp_path / "q.des").write_text(remark_lines(remarks), encoding="utf-8")
    assert remarks_beside(tmp_path / "q.dat") == tuple(remarks)
    text = definition_text(definition_of(plan_fields([Column("ec", np.ones(2), "mS/m")]).fields,
                                         "A / B; zone=31"))  # fmt: skip
    assert "DEFN 2 ST=RECD,RT=PROJ;PROJNAME:A13:COMMENT=A / B zone 31\n" in text
    assert text.splitlines()[-2:] == [
        "DEFN 1 ST=RECD,RT=;ec:F7.1:UNIT=mS/m,NULL=-999.0", "DEFN 2 ST=RECD,RT=;END DEFN",
    ]  # fmt: skip


def test_writing_can_be_cancelled():
    columns = [Column("ec", np.ones(5))]
    with pytest.raises(Cancelled):
        list(record_bytes(columns, plan_fields(columns).fields, np.arange(5), {}, lambda f: False))


numbers = st.floats(allow_nan=True, allow_infinity=False) | st.sampled_from([0.1, -999.0, 1e-300])
recorded = st.integers(-(10**8), 10**8).map(lambda k: k / 1000) | st.just(NAN)
whole = st.integers(-(2**53), 2**53).map(float) | st.just(NAN)
texts = st.none() | st.text(st.characters(blacklist_categories=["Cs"]), max_size=8)


@settings(max_examples=120, deadline=None)
@given(st.lists(st.tuples(numbers, recorded, whole, texts), min_size=1, max_size=12))
def test_any_table_comes_back_as_it_was(tmp_path_factory, rows):
    any_number, to_the_third, counts, words = (np.array(column, object) for column in zip(*rows))
    any_number, to_the_third, counts = (
        column.astype(float) for column in (any_number, to_the_third, counts)
    )
    path = tmp_path_factory.mktemp("any") / "q.dat"
    columns = [Column("count", counts, whole=True), Column("note", words),
               Column("x", to_the_third, decimals=3), Column("y", to_the_third, decimals=3),
               Column("ec", to_the_third, "mS/m"), Column("any", any_number)]  # fmt: skip
    plan = write(path, columns)
    data = read_line_data([path], LineRoles(channels="ec,any"))
    table = data.table
    np.testing.assert_array_equal(table.values[:, 0], to_the_third)
    np.testing.assert_array_equal(table.x, to_the_third)
    np.testing.assert_array_equal(table.kept["count"], counts)
    # Beyond six decimals only what is told is lost.
    np.testing.assert_allclose(
        table.values[:, 1], any_number, rtol=0, atol=plan.rounded.get("any", 0.0)
    )
    assert plan.rounded.get("any", 0.0) <= 0.5000001e-6
    clean = [None if text is None else re.sub("[\x00-\x1f\x7f-\x9f\u2028\u2029]", " ", text).strip()
             for text in words]  # fmt: skip
    assert table.kept["note"].tolist() == [text or None for text in clean]
    assert len(table.row) == len(rows)
    assert not data.others
    assert data.beyond == 0
