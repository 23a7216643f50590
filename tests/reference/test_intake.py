"""Reading tables: against pandas, an independent reader of delimited text."""

import numpy as np
import pandas
import pytest
from host import ROOT
from lynchet.algorithms.intake.importtable import Roles, read_table

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
