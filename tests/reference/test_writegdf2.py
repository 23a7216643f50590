"""What is written: against Fortran's own formats and two readers of columns of fixed width."""

import re

import numpy as np
import pandas
import pytest
from fortranformat import FortranRecordReader
from host import ROOT
from lynchet.algorithms.deliver.writegdf2 import Column, definition_of, plan_fields, record_bytes
from lynchet.algorithms.intake.gdf2.definition import definition_text
from lynchet.algorithms.intake.importtable import Roles, read_table

SAMPLE = ROOT / "sample_layers"
NAMES = ("line", "grid", "time", "ec_050", "ip_050", "ec_100", "ip_100")


@pytest.fixture(scope="module")
def written(tmp_path_factory):
    """The first data grid as a data file, its formats by a plain pattern, and the readings."""
    table = read_table([SAMPLE / "quillmere_g1.csv"], None,
                       Roles(grid="grid", line="line", sequence="reading", time="time",
                             keep="mark"))  # fmt: skip
    names = np.array(table.grid_names, object)[table.grid]
    columns = [Column("line", table.line.astype(float), whole=True), Column("grid", names),
               Column("time", table.time, "s"),
               *(Column(name, values, unit) for name, values, unit
                 in zip(table.channels, table.values.T, table.units))]  # fmt: skip
    columns[3].values[7] = np.nan
    fields = plan_fields(columns).fields
    path = tmp_path_factory.mktemp("gdf2") / "g1.dat"
    path.write_bytes(b"".join(record_bytes(columns, fields, np.arange(len(names)))))
    text = definition_text(definition_of(fields, "Invented grid"))
    formats = re.findall(r"RT=;\w+:([IFEA][\d.]+)", text)
    codes = re.findall(r"NULL=([-\d.]+)", text)
    return path, formats, codes, columns


def test_the_columns_are_read_as_pandas_reads_them(written):
    path, formats, codes, columns = written
    widths = [int(re.match(r"\D(\d+)", form)[1]) for form in formats]
    found = pandas.read_fwf(path, widths=widths, names=NAMES, na_values=codes)
    for column in columns:
        want = column.values
        got = found[column.name].to_numpy()
        if column.is_text:
            assert got.tolist() == want.tolist()
        else:
            np.testing.assert_array_equal(got.astype(float), want)


def test_the_columns_are_read_as_numpy_reads_them(written):
    path, formats, codes, columns = written
    widths = [int(re.match(r"\D(\d+)", form)[1]) for form in formats]
    found = np.genfromtxt(path, delimiter=widths, usecols=(0, 2, 3, 4, 5, 6))
    found[np.isin(found, [float(code) for code in codes])] = np.nan
    want = np.stack([column.values for column in columns if not column.is_text], axis=1)
    np.testing.assert_array_equal(found, want.astype(float))


def test_records_are_read_by_fortrans_formats(written):
    path, formats, _codes, columns = written
    assert formats == ["I5", "A3", "F9.2", "F8.2", "F9.3", "F8.2", "F9.3"]
    reader = FortranRecordReader(f"({','.join(formats)})")
    for row, line in enumerate(path.read_text().splitlines()[:50]):
        for cell, column in zip(reader.read(line), columns):
            want = column.values[row]
            if column.is_text:
                assert cell.strip() == want
            else:
                assert cell == want or (np.isnan(want) and cell == -999)


def test_numbers_with_an_exponent_are_read_by_fortrans_formats():
    values = np.array([1e-9, -2.5e300, 1 / 3, 6.02214076e23])
    column = Column("far", values)
    field = plan_fields([column]).fields[0]
    reader = FortranRecordReader(f"({field.format})")
    lines = b"".join(record_bytes([column], [field], np.arange(4))).decode().splitlines()
    assert [reader.read(line)[0] for line in lines] == values.tolist()
