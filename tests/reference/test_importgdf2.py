"""What is read: records made by Fortran's own formats, through an independent library."""

import re

import numpy as np
import pandas
from fortranformat import FortranRecordWriter
from lynchet.algorithms.intake.importgdf2 import LineRoles, read_line_data

DEFINITION = (
    "DEFN 1 ST=RECD,RT=;LINE:I6;GRID:A5;X:F12.3;Y:F12.3\n"
    "DEFN 2 ST=RECD,RT=;EC:F9.3;IP:3E14.6;COND:D16.8:NULL=-0.1D+33;END DEFN\n"
)
FORMAT = "(I6,A5,F12.3,F12.3,F9.3,3E14.6,D16.8)"


def made(tmp_path, rows=300):
    """Random records written by Fortran's formats."""
    rng = np.random.default_rng(8)
    writer = FortranRecordWriter(FORMAT)
    numbers = rng.normal(0, 1, (rows, 5)) * 10.0 ** rng.integers(-6, 6, (rows, 5))
    numbers[:, 0] = rng.normal(0, 500, rows)
    numbers[::7, 4] = -1e32
    xy = rng.uniform(4e5, 6e6, (rows, 2))
    path = tmp_path / "made.dat"
    lines = [writer.write([k, f" G{k % 3}", *xy[k], *numbers[k]]) for k in range(rows)]
    path.write_text("\n".join(lines) + "\n")
    path.with_suffix(".dfn").write_text(DEFINITION)
    return path, xy, numbers


def test_records_of_fortrans_formats_are_read_to_their_last_digit(tmp_path):
    path, xy, numbers = made(tmp_path)
    table = read_line_data([path]).table
    assert table.channels == ("EC", "IP_1", "IP_2", "IP_3", "COND")
    np.testing.assert_array_equal(table.line, np.arange(len(xy)))
    assert [table.grid_names[code] for code in table.grid[:4]] == ["G0", "G1", "G2", "G0"]
    # Half a unit of the last digit that the format shows.
    np.testing.assert_allclose(np.stack([table.x, table.y], 1), xy, rtol=0, atol=0.5001e-3)
    np.testing.assert_allclose(table.values[:, 0], numbers[:, 0], rtol=0, atol=0.5001e-3)
    np.testing.assert_allclose(table.values[:, 1:4], numbers[:, 1:4], rtol=5.001e-6, atol=0)
    known = np.arange(len(xy)) % 7 != 0
    np.testing.assert_allclose(table.values[known, 4], numbers[known, 4], rtol=5.001e-8, atol=0)
    assert np.isnan(table.values[~known, 4]).all()


def test_records_are_read_as_pandas_reads_them(tmp_path):
    path, _, _ = made(tmp_path)
    table = read_line_data([path], LineRoles(channels="EC, IP_1, IP_2, IP_3")).table
    widths = [int(width) for width in re.findall(r"[IAFED](\d+)", FORMAT)]
    widths[5:6] = [14] * 3
    theirs = pandas.read_fwf(path, widths=widths, header=None)
    np.testing.assert_array_equal(table.values, theirs.iloc[:, 4:8].to_numpy(float))
    np.testing.assert_array_equal(table.x, theirs[2])
    cond = theirs[8].str.replace("D", "E").astype(float)
    np.testing.assert_array_equal(
        np.where(np.isnan(table.kept["COND"]), -1e32, table.kept["COND"]), cond
    )
