"""Data-grid files: against NumPy's and pandas' readers, and NumPy's flips and turns."""

import numpy as np
import pandas
import pytest
from host import ROOT
from lynchet.algorithms.intake.importdatagrids import GridFileOptions, read_data_grids
from lynchet.algorithms.intake.importtable import Roles, read_table
from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid, place_on_site_grid
from lynchet.algorithms.intake.text.delimited import TableFormat

SAMPLE = ROOT / "sample_layers"
CODED = TableFormat(header=False, null_values=("-9999",))
SITE = SiteGrid({"G2": Origin(430019.126, 5899994.153, 17.0, 20.0)}, separation=0.5, interval=0.125)


def bring_in(paths, form=CODED, **options):
    return read_data_grids(paths, SITE, {"G2": 20.0}, GridFileOptions(**options), form)


def assert_same(found, expected):
    a, b = found.table, expected.table
    np.testing.assert_array_equal(a.values, b.values)
    np.testing.assert_array_equal(a.line, b.line)
    np.testing.assert_array_equal(a.sequence, b.sequence)
    placed, there = (
        place_on_site_grid(t.grid, t.grid_names, t.line, t.sequence, t.along, f.site)
        for t, f in ((a, found), (b, expected))
    )
    np.testing.assert_array_equal(placed.x, there.x)
    np.testing.assert_array_equal(placed.y, there.y)
    np.testing.assert_array_equal(placed.bearing, there.bearing)


@pytest.mark.parametrize("channel", ["ec_050", "ip_050", "ec_100", "ip_100"])
def test_a_matrix_is_read_as_numpy_and_pandas_read_it(channel):
    path = SAMPLE / "data_grids" / f"quillmere_g2_{channel}.txt"
    ours = bring_in([path], pattern="quillmere_{grid}_{channel}").table.values[:, 0]
    numpys = np.loadtxt(path)
    numpys[numpys == -9999] = np.nan
    np.testing.assert_array_equal(ours, numpys.ravel())
    pandas_ = pandas.read_csv(path, sep="\t", header=None, na_values=["-9999"])
    np.testing.assert_array_equal(ours, pandas_.to_numpy().ravel())


def test_a_list_is_read_as_pandas_reads_it(tmp_path):
    theirs = pandas.read_csv(SAMPLE / "quillmere_g2.csv", comment="#").iloc[:, 4:8]
    path = tmp_path / "G2.csv"
    theirs.to_csv(path, sep=";", decimal=",", index=False, na_rep="-9999")
    ours = bring_in([path], TableFormat(null_values=("-9999",)), kind="list").table
    np.testing.assert_array_equal(ours.values, theirs.to_numpy())
    table = read_table(
        [SAMPLE / "quillmere_g2.csv"], None, Roles(line="line", sequence="reading", time="time")
    )
    np.testing.assert_array_equal(ours.line, table.line)
    np.testing.assert_array_equal(ours.sequence, table.sequence)
    assert ours.channels == table.channels
    assert ours.units == table.units


# A map with a traverse a column, as a picture shows it, first row at the top; each other way of
# writing it is a flip, a turn or a transposition.
WAYS = {
    ("upper_left", "columns"): lambda picture: picture,
    ("lower_left", "columns"): np.flipud,
    ("upper_right", "columns"): np.fliplr,
    ("lower_right", "columns"): lambda picture: np.rot90(picture, 2),
    ("upper_left", "rows"): np.transpose,
    ("lower_left", "rows"): lambda picture: np.rot90(picture, -1),
    ("upper_right", "rows"): np.rot90,
    ("lower_right", "rows"): lambda picture: np.rot90(picture, 2).T,
}


@pytest.mark.parametrize("way", WAYS, ids="-".join)
@pytest.mark.parametrize("walking", ["zigzag", "one_way"])
def test_flips_and_turns_of_a_map_are_the_same_readings(tmp_path, way, walking):
    matrix = np.loadtxt(SAMPLE / "data_grids" / "quillmere_g2_ec_050.txt")
    as_walked = tmp_path / "walked" / "g2.txt"
    as_walked.parent.mkdir()
    np.savetxt(as_walked, matrix, fmt="%g")
    if walking == "zigzag":
        matrix[1::2] = np.fliplr(matrix[1::2])
    path = tmp_path / "g2.txt"
    np.savetxt(path, WAYS[way](np.rot90(matrix)), fmt="%g")
    site = SiteGrid(
        dict(SITE.origins), separation=0.5, interval=0.125, walking=walking, side="right"
    )
    order, traverses_in = way

    def read(file, **options):
        options = GridFileOptions(channels="ec_050 [mS/m]", **options)
        return read_data_grids([file], site, {"G2": 20.0}, options, CODED)

    assert_same(read(path, order=order, traverses_in=traverses_in), read(as_walked))


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
def test_a_walk_begun_in_another_corner_is_a_turned_map(tmp_path, turns):
    # Seen from above, a square walked from the next corner clockwise is the square turned.
    small = np.arange(16.0).reshape(4, 4)
    corner, direction = (
        ("lower_left", "along"), ("upper_left", "across"),
        ("upper_right", "along"), ("lower_right", "across"),
    )[turns]  # fmt: skip
    site = SiteGrid({"G": Origin(0.0, 0.0)}, 1.0, 1.0, 4.0, walking="one_way")
    path = tmp_path / "g.txt"
    np.savetxt(path, small, fmt="%g")
    options = GridFileOptions(start_corner=corner, start_direction=direction, channels="ec")
    found = read_data_grids([path], site, {"G": 4.0}, options, CODED)
    table = found.table
    placed = place_on_site_grid(
        table.grid, table.grid_names, table.line, table.sequence, table.along, found.site
    )
    picture = np.full((4, 4), np.nan)
    picture[3 - np.floor(placed.y).astype(int), np.floor(placed.x).astype(int)] = table.values[:, 0]
    np.testing.assert_array_equal(picture, np.rot90(np.rot90(small), -turns))
