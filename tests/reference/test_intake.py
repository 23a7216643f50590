"""Reading tables: against pandas, an independent reader of delimited text."""

from datetime import datetime, time

import numpy as np
import pandas
import pytest
from host import ROOT
from hypothesis import given
from hypothesis import strategies as st
from lynchet.algorithms.intake.clock import FIRST_DAY, scan_times
from lynchet.algorithms.intake.importtable import Roles, TableFormat, read_table

SAMPLE = ROOT / "sample_layers"
ROLES = Roles(grid="grid", line="line", sequence="reading", time="time", keep="mark")


@pytest.mark.parametrize("number", [1, 2, 3, 4])
def test_the_loggers_files_are_read_as_pandas_reads_them(number):
    path = SAMPLE / f"quillmere_g{number}.csv"
    ours = read_table([path], None, ROLES)
    theirs = pandas.read_csv(path, comment="#")
    np.testing.assert_array_equal(ours.values, theirs.iloc[:, 4:8].to_numpy())
    np.testing.assert_array_equal(ours.line, theirs["line"])
    np.testing.assert_array_equal(ours.sequence, theirs["reading"])
    seconds = pandas.to_timedelta(theirs["time"]).dt.total_seconds()
    np.testing.assert_allclose(ours.time, seconds, rtol=0, atol=1e-9)
    assert ours.kept["mark"].tolist() == [
        None if isinstance(word, float) else word for word in theirs["mark"]
    ]


def test_the_track_with_decimal_commas_is_read_as_pandas_reads_it():
    path = SAMPLE / "quillmere_track.csv"
    ours = read_table([path], None, Roles(x="longitude", y="latitude"))
    theirs = pandas.read_csv(path, sep=";", decimal=",", encoding="utf-8-sig")
    np.testing.assert_array_equal(ours.x, theirs["longitude"])
    np.testing.assert_array_equal(ours.y, theirs["latitude"])


# -- random clean tables -------------------------------------------------------------------

NAMES = st.lists(st.sampled_from(["alpha", "beta", "gamma", "Gräben", "two words"]), min_size=1)
VALUES = st.one_of(
    st.none(),
    st.integers(-(10**6), 10**6).map(float),
    st.floats(-1e9, 1e9),
    st.decimals(-999, 999, places=3, allow_nan=False).map(float),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("tables")


@given(
    st.lists(st.tuples(VALUES, VALUES, st.integers(0, 86_399_999)), min_size=1, max_size=60),
    NAMES,
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from([".", ","]),
    st.sampled_from(["utf-8", "utf-16", "latin-1"]),
    st.sampled_from(["\n", "\r\n"]),
)
def test_a_random_clean_table_is_read_as_pandas_reads_it(
    folder, rows, names, delimiter, decimal, encoding, end
):
    frame = pandas.DataFrame(
        {
            "grid": [names[k % len(names)] for k in range(len(rows))],
            "line": range(len(rows)),
            "ec_050": [row[0] for row in rows],
            "ip_050": [row[1] for row in rows],
            "time": [str(time(*_parts(row[2]))) for row in rows],
        }
    ).astype({"ec_050": float, "ip_050": float})
    path = folder / "t.csv"
    decimal = "." if delimiter == "," else decimal
    frame.to_csv(path, sep=delimiter, decimal=decimal, encoding=encoding, index=False,
                 lineterminator=end)  # fmt: skip
    form = TableFormat(
        decimal="comma" if decimal == "," else "point",
        encoding=encoding,
        delimiter={",": "comma", ";": "semicolon", "\t": "tab"}[delimiter],
    )
    roles = Roles(channels="ec_050, ip_050", grid="grid", line="line", time="time")
    ours = read_table([path], form, roles)
    theirs = pandas.read_csv(
        path, sep=delimiter, decimal=decimal, encoding=encoding, float_precision="round_trip"
    )
    np.testing.assert_array_equal(ours.values, theirs[["ec_050", "ip_050"]].to_numpy(float))
    np.testing.assert_array_equal(ours.line, theirs["line"])
    assert [ours.grid_names[code] for code in ours.grid] == theirs["grid"].tolist()
    seconds = pandas.to_timedelta(theirs["time"]).dt.total_seconds().to_numpy()
    days = (ours.time - seconds) / 86_400
    np.testing.assert_allclose(days, np.round(days), rtol=0, atol=1e-9)


def _parts(milliseconds):
    seconds, rest = divmod(milliseconds, 1000)
    return seconds // 3600, seconds // 60 % 60, seconds % 60, rest * 1000


@given(st.lists(st.datetimes(datetime(1970, 1, 2), datetime(2200, 1, 1)), min_size=1, max_size=30))
def test_dates_with_times_are_those_of_pandas(moments):
    ours = scan_times([FIRST_DAY, *(moment.isoformat(" ") for moment in moments)])[0][1:]
    theirs = pandas.to_datetime(pandas.Series(moments)) - pandas.Timestamp(FIRST_DAY)
    np.testing.assert_allclose(ours, theirs.dt.total_seconds(), rtol=0, atol=2e-6)
