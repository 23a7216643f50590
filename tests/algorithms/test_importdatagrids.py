import tempfile
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.data_grids.filenames import name_files
from lynchet.algorithms.intake.importdatagrids import GridFileOptions, read_data_grids
from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid, place_on_site_grid
from lynchet.algorithms.intake.text.delimited import TableFormat
from lynchet.algorithms.progress import Cancelled

SITE = SiteGrid({"G1": Origin(100.0, 200.0)}, separation=1.0, interval=0.5, length=2.0)
CODED = TableFormat(header=False, null_values=("-9999",))
MATRIX = "11 12 13 14\n21 22 23 24\n31 32 33 34\n"


@pytest.fixture
def read(tmp_path):
    """Read files given as texts by name."""

    def go(texts, site=SITE, widths=None, form=None, **options):
        texts = {"g1.txt": texts} if isinstance(texts, str) else texts
        for name, text in texts.items():
            (tmp_path / name).write_text(text, "utf-8")
        options.setdefault("channels", "ec_050 [mS/m]")
        paths = [tmp_path / name for name in texts]
        return read_data_grids(
            paths, site, {"": 3.0} if widths is None else widths, GridFileOptions(**options), form
        )

    return go


def at(found):
    """Values by place."""
    table = found.table
    placed = place_on_site_grid(
        table.grid, table.grid_names, table.line, table.sequence, table.along, found.site
    )
    places = zip(placed.x.round(6).tolist(), placed.y.round(6).tolist())
    return dict(zip(places, table.values[:, 0].tolist()))


def refused(read, message, *arguments, **options):
    with pytest.raises(ValueError, match=r"\.$") as caught:
        read(*arguments, **options)
    assert str(caught.value) == message


# -- order of the cells ------------------------------------------------------------------------


def test_a_matrix_as_walked_is_numbered_row_by_row(read):
    found = read(MATRIX)
    table = found.table
    assert table.values[:, 0].tolist() == [11, 12, 13, 14, 21, 22, 23, 24, 31, 32, 33, 34]
    assert table.line.tolist() == [1] * 4 + [2] * 4 + [3] * 4
    assert table.sequence.tolist() == [1, 2, 3, 4] * 3
    assert table.row.tolist() == [1] * 4 + [2] * 4 + [3] * 4
    assert (table.channels, table.units, table.grid_names) == (("ec_050",), ("mS/m",), ("G1",))
    assert found.warnings == ()
    placed = at(found)
    assert placed[100.5, 200.25] == 11
    assert placed[101.5, 201.75] == 21  # the way back begins at the far end
    assert placed[102.5, 200.25] == 31


def test_one_way_traverses_all_begin_on_one_side(read):
    site = SiteGrid({"G1": Origin(100.0, 200.0)}, 1.0, 0.5, 2.0, walking="one_way")
    assert at(read(MATRIX, site))[101.5, 200.25] == 21


def test_a_map_is_numbered_as_it_was_walked(read):
    found = read(MATRIX, order="lower_left")
    assert found.table.values[4:8, 0].tolist() == [24, 23, 22, 21]
    assert at(found)[101.5, 200.25] == 21


def test_a_picture_with_its_first_row_in_the_north(read):
    picture = "14 24 34\n13 23 33\n12 22 32\n11 21 31\n"
    found = read(picture, order="upper_left", traverses_in="columns")
    assert at(found) == at(read(MATRIX, order="lower_left"))
    assert found.table.row[:4].tolist() == [4, 3, 2, 1]


def test_a_list_is_cut_into_traverses(read):
    found = read("\n".join(MATRIX.split()), kind="list")
    same = read(MATRIX)
    np.testing.assert_array_equal(found.table.values, same.table.values)
    np.testing.assert_array_equal(found.table.line, same.table.line)
    np.testing.assert_array_equal(found.table.sequence, same.table.sequence)
    assert found.table.row.tolist() == list(range(1, 13))


def test_map_cells_keep_their_places_where_the_two_ways_do_not_meet(read):
    # First reading on the side itself: counted from the far end it would lie elsewhere.
    site = SiteGrid({"G1": Origin(100.0, 200.0)}, 1.0, 0.5, 2.0, first_position=0.0)
    found = read(MATRIX, site, order="lower_left", readings_per_traverse=4)
    assert {y for _, y in at(found)} == {200.0, 200.5, 201.0, 201.5}
    assert at(found)[101.5, 200.5] == 22


CORNERS = ("lower_left", "upper_left", "upper_right", "lower_right")


@st.composite
def surveys(draw):
    traverses, readings = draw(st.integers(1, 5)), draw(st.integers(1, 5))
    walked = draw(st.integers(0, traverses - 1)), draw(st.integers(1, readings))
    return {
        "traverses": traverses,
        "readings": readings,
        "last": walked,  # the traverse and number of the last reading taken
        "coded": draw(st.sets(st.integers(0, traverses * readings - 1), max_size=4)),
        "bearing": draw(st.sampled_from([0.0, 17.0, 90.0, 245.5])),
        "side": draw(st.sampled_from(["right", "left"])),
        "walking": draw(st.sampled_from(["zigzag", "one_way"])),
        "corner": draw(st.sampled_from(CORNERS)),
        "direction": draw(st.sampled_from(["along", "across"])),
        "order": draw(st.sampled_from(["walked", *CORNERS])),
        "columns": draw(st.booleans()),
    }


def walk(case, separation=0.5, interval=0.25):
    """Where each reading is taken, step by step, on a rectangle drawn by its corners."""
    up_steps, over_steps = (
        (case["readings"] * interval, case["traverses"] * separation)
        if case["direction"] == "along"
        else (case["traverses"] * separation, case["readings"] * interval)
    )
    turn = np.exp(-1j * np.radians(case["bearing"]))
    own = complex(430000, 5900000)
    up, over = 1j * turn, (1 if case["side"] == "right" else -1) * turn
    left, right = (0, over_steps) if case["side"] == "right" else (over_steps, 0)
    corners = {
        "lower_left": own + left * over,
        "upper_left": own + left * over + up_steps * up,
        "upper_right": own + right * over + up_steps * up,
        "lower_right": own + right * over,
    }
    start = corners[case["corner"]]
    level = {"lower": "upper", "upper": "lower"}
    hand = {"left": "right", "right": "left"}
    a, b = case["corner"].split("_")
    onward, sideward = corners[f"{level[a]}_{b}"], corners[f"{a}_{hand[b]}"]
    if case["direction"] == "across":
        onward, sideward = sideward, onward
    ahead = (onward - start) / abs(onward - start)
    beside = (sideward - start) / abs(sideward - start)
    places = np.empty((case["traverses"], case["readings"]), complex)
    for t in range(case["traverses"]):
        for p in range(case["readings"]):
            places[t, p] = start + ahead * interval * (p + 0.5) + beside * separation * (t + 0.5)
    return places, corners, (up_steps, over_steps), own


def as_walked(row, t, case):
    return row[::-1] if case["walking"] == "zigzag" and t % 2 else row


def write(case):
    """The file of a walk, written cell by cell, and the value at each place."""
    places, corners, size, own = walk(case)
    words, truth = [], {}
    for t in range(case["traverses"]):
        row = []
        for k, place in enumerate(as_walked(list(places[t]), t, case)):
            number = t * case["readings"] + k
            done = t < case["last"][0] or (t == case["last"][0] and k < case["last"][1])
            row.append("-9999" if number in case["coded"] else f"{number + 0.5:g}")
            if done:
                value = np.nan if number in case["coded"] else number + 0.5
                truth[round(place.real, 6), round(place.imag, 6)] = value
            else:
                row[-1] = ""
        words.append(row)
    if case["order"] != "walked":
        corner = corners[case["order"]]
        rows = [as_walked(row, t, case) for t, row in enumerate(words)]
        # On the map: traverses and their cells by their distance from the corner.
        by_cell = [
            [word for _, word in sorted(zip(abs(places[t] - corner), row))]
            for t, row in enumerate(rows)
        ]
        far = np.abs(places - corner).min(axis=1)
        words = [row for _, row in sorted(zip(far, by_cell), key=lambda pair: pair[0])]
    if case["columns"]:
        words = [list(column) for column in zip(*words)]
    return "\n".join("\t".join(row) for row in words) + "\n", truth, size, own


@settings(max_examples=150, deadline=None)
@given(surveys())
def test_every_value_comes_back_to_where_it_was_read(case):
    text, truth, (length, width), own = write(case)
    site = SiteGrid(
        {"G1": Origin(own.real, own.imag, case["bearing"], length)},
        separation=0.5,
        interval=0.25,
        walking=case["walking"],
        side=case["side"],
    )
    options = GridFileOptions(
        order=case["order"],
        traverses_in="columns" if case["columns"] else "rows",
        start_corner=case["corner"],
        start_direction=case["direction"],
        channels="ec",
    )
    form = TableFormat(header=False, delimiter="tab", null_values=("-9999",))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "g1.txt"
        # Without a value there may be no line that holds a tab: an empty line is refused.
        path.write_text(text, "utf-8")
        if case["order"] != "walked" and any(not line for line in text.split("\n")[:-1]):
            return
        found = read_data_grids([path], site, {"G1": width}, options, form)
    back = at(found)
    assert back.keys() == truth.keys()
    np.testing.assert_array_equal([back[place] for place in truth], list(truth.values()))
    # In the order of walking, numbered without a gap.
    numbers = np.lexsort((found.table.sequence, found.table.line))
    np.testing.assert_array_equal(numbers, np.arange(len(truth)))
    assert found.table.line.tolist() == [k // case["readings"] + 1 for k in range(len(truth))]
    assert found.figures["cells"] == len(truth)
    whole = case["last"] == (case["traverses"] - 1, case["readings"])
    assert found.figures["data grids walked in part"] == (0 if whole else 1)


# -- what is not there -------------------------------------------------------------------------


def test_codes_and_blanks_between_are_readings_and_blanks_at_the_ends_are_not(read):
    form = TableFormat(header=False, delimiter="comma", null_values=("-9999",))
    found = read("11,-9999,,14\n,22,23,\n-9999,32,33,-9999.0\n", form=form)
    table = found.table
    assert table.line.tolist() == [1, 1, 1, 1, 2, 2, 3, 3, 3, 3]
    assert table.sequence.tolist() == [1, 2, 3, 4, 2, 3, 1, 2, 3, 4]
    np.testing.assert_array_equal(
        table.values[:, 0], [11, np.nan, np.nan, 14, 22, 23, np.nan, 32, 33, np.nan]
    )
    assert at(found)[101.5, 201.25] == 22
    assert found.figures == {
        "data grids": 1, "traverses": 3, "data grids walked in part": 1, "cells": 9,
        "blank cells": 1, "cells without a file": 0, "values": 6,
    }  # fmt: skip
    assert found.warnings == (
        "Data grid 'G1' was walked in part: 3 of 3 traverses (1 to 3), 1 with fewer than 4 "
        "readings.",
    )


def test_traverses_not_walked_keep_their_numbers_free(read):
    found = read("11\t12\t13\t14\n\t\t\t\n31\t32\t33\t34\n")
    assert sorted(set(found.table.line.tolist())) == [1, 3]
    assert found.warnings == (
        "Data grid 'G1' was walked in part: 2 of 3 traverses (between 1 and 3), 0 with fewer than "
        "4 readings.",
    )


def test_a_traverse_of_codes_alone_is_kept_and_named(read):
    found = read("1 2 3 4\n-9999 -9999 -9999 -9999\n1 2 3 4\n", form=CODED)
    assert len(found.table.values) == 12
    assert found.figures["data grids walked in part"] == 0
    assert found.warnings == (
        "Data grid 'G1': 1 traverse (2) holds no value, only readings without one.",
    )


def test_an_empty_line_may_stand_for_something_and_is_refused(read):
    refused(
        read,
        "Row 2 of g1.txt is empty. Delete it, or write the missing-value code in it if it stands "
        "for what was not read.",
        "1 2 3 4\n\n1 2 3 4\n",
    )


def test_comments_and_empty_lines_around_do_not_matter(read):
    found = read("# a remark\n\n" + MATRIX.replace("\n", "\n# between\n", 1) + "\n\n")
    assert found.table.row[[0, 4]].tolist() == [3, 5]
    np.testing.assert_array_equal(found.table.values, read(MATRIX).table.values)


def test_a_list_that_ends_within_a_traverse_is_named(read):
    found = read("1\n2\n3\n4\n5\n6\n", kind="list")
    assert found.table.line.tolist() == [1, 1, 1, 1, 2, 2]
    assert found.warnings[1] == (
        "g1.txt ends within a traverse: 6 readings make 1 traverse of 4 (2 long, one every 0.5) "
        "and 2 more. Are the length and the interval right?"
    )


def test_a_list_in_map_order_that_ends_early_lacks_the_far_end(read):
    found = read("1\n2\n3\n4\n5\n6\n", kind="list", order="lower_left")
    assert at(found)[101.5, 200.25] == 5
    assert found.table.sequence.tolist() == [1, 2, 3, 4, 3, 4]


def test_a_data_grid_without_a_file_is_named(read):
    site = SiteGrid({"G1": Origin(0, 0), "G2": Origin(9, 0), "G3": Origin(18, 0)}, 1.0, 0.5, 2.0)
    assert read(MATRIX, site).warnings == ("There is no file for data grids G2, G3.",)


# -- too much ----------------------------------------------------------------------------------


def test_more_traverses_than_there_is_room_for_are_refused_with_the_figures(read):
    refused(
        read,
        "g1.txt holds 3 traverses where data grid 'G1' has room for 2 (2 wide, 1 apart). Correct "
        "the traverse separation, the width or the file, or choose how it holds the traverses.",
        MATRIX,
        widths={"G1": 2.0},
    )


def test_more_readings_than_there_is_room_for_are_refused_with_the_figures(read):
    refused(
        read,
        "Traverse 2 in g1.txt has 5 readings where data grid 'G1' has room for 4 (2 long, one "
        "every 0.5). Correct the reading interval, the length or the file, or choose how it holds "
        "the traverses.",
        "1 2 3 4\n1 2 3 4 5\n",
    )


def test_a_list_beyond_the_last_traverse_is_refused(read):
    with pytest.raises(ValueError, match=r"^g1\.txt holds 4 traverses where data grid 'G1' has"):
        read("1\n" * 13, kind="list")


def test_without_a_width_any_number_of_traverses_will_do(read):
    assert read(MATRIX * 5, widths={}).table.line[-1] == 15


def test_a_matrix_given_as_a_list_is_refused(read):
    refused(
        read,
        "Row 1 of g1.txt has 4 cells where 1 is expected. Choose another kind of file, delimiter "
        "or decimal sign, or correct the row.",
        MATRIX,
        kind="list",
    )


def test_a_width_is_needed_only_where_it_tells_the_corner(read):
    read(MATRIX, widths={}, start_corner="upper_left")
    refused(
        read,
        "The width of data grid 'G1' is needed to start there. Add the field width to the layout, "
        "or give the width.",
        MATRIX,
        widths={},
        start_corner="lower_right",
    )


# -- values ------------------------------------------------------------------------------------


@pytest.mark.parametrize("delimiter", [" ", "\t", ";", ","])
@pytest.mark.parametrize("kind", ["matrix", "list"])
def test_the_same_values_however_they_are_written(read, delimiter, kind):
    text = MATRIX.replace(" ", delimiter if kind == "matrix" else "\n")
    same = read(MATRIX.replace(" ", " " if kind == "matrix" else "\n"), kind=kind)
    np.testing.assert_array_equal(read(text, kind=kind).table.values, same.table.values)


def test_decimal_commas(read):
    matrix = MATRIX.replace(" ", ",5\t").replace("\n", ",5\n")
    np.testing.assert_array_equal(read(matrix).table.values, read(MATRIX).table.values + 0.5)
    column = matrix.replace("\t", "\n")  # a column of them is no table of two
    np.testing.assert_array_equal(
        read(column, kind="list").table.values, read(MATRIX).table.values + 0.5
    )


def test_a_cell_that_is_no_number_is_named(read):
    refused(
        read,
        "Row 2 of g1.txt: cell 3 is 'x7'. Correct the file, or take unreadable values as NULL.",
        "1 2 3 4\n1 2 x7 4\n",
    )
    refused(
        read,
        "Row 2 of g1.txt: cell 3 is '1,5'. Choose the decimal comma or correct the file, or take "
        "unreadable values as NULL.",
        "1 2 3 4.5\n1 2 1,5 4\n",
    )
    found = read("1 2 3 4\n1 2 x7 4\n", form=TableFormat(header=False, bad_values="null"))
    assert found.table.unreadable == {"ec_050": 1}
    assert np.isnan(found.table.values[6, 0])
    assert found.table.sequence[6] == 3


def test_a_row_of_titles_is_passed_over(read):
    found = read("a b c d\n" + MATRIX, form=TableFormat())
    assert found.table.row[0] == 2
    refused(
        read,
        "g1.txt holds no readings. Choose a file with readings.",
        "a b c d\n",
        form=TableFormat(),
    )


def test_a_list_of_several_channels(read):
    text = "mark;ec [mS/m];ip (ppt)\nx;1;0,1\n;2;\n;3;0,3\n"
    found = read(text, kind="list", channels="", form=TableFormat())
    np.testing.assert_array_equal(found.table.values, [[1, 0.1], [2, np.nan], [3, 0.3]])
    assert found.table.units == ("mS/m", "ppt")
    only = read(text, kind="list", channels="ip", form=TableFormat())
    assert only.table.channels == ("ip",)
    np.testing.assert_array_equal(only.table.values[:, 0], found.table.values[:, 1])
    bare = "1 0.1\n2 0.2\n"
    both = read(bare, kind="list", channels="ec [mS/m], ip [ppt]")
    assert both.table.values.tolist() == [[1, 0.1], [2, 0.2]]
    refused(
        read,
        "Row 1 of g1.txt has 2 cells where 1 is expected. Choose another kind of file, delimiter "
        "or decimal sign, or correct the row.",
        bare,
        kind="list",
    )
    refused(
        read,
        "Row 2 of g1.txt has 1 cell where 2 are expected. Choose another kind of file, delimiter "
        "or decimal sign, or correct the row.",
        "1 0.1\n2\n3 0.3\n",
        kind="list",
        channels="ec, ip",
    )


# -- channels and data grids -------------------------------------------------------------------

PAIR = {"site_g1_ec.txt": MATRIX, "site_g1_ip.txt": MATRIX.replace("1", "7")}


def test_a_file_a_channel(read):
    found = read(PAIR, pattern="site_{grid}_{channel}", channels="ip [ppt], EC [mS/m]")
    table = found.table
    assert table.channels == ("ip", "EC")
    assert table.values[0].tolist() == [77, 11]
    assert table.file_names == ("site_g1_ec.txt", "site_g1_ip.txt")
    assert found.figures["cells"] == 24


def test_channels_of_another_shape_are_refused_with_both_shapes(read):
    advice = "All channels of a data grid need the same shape: correct the files."
    refused(
        read,
        "site_g1_ec.txt has a shape of 3 x 4 (rows x cells), site_g1_ip.txt one of 2 x 4. "
        + advice,
        {**PAIR, "site_g1_ip.txt": "1 2 3 4\n1 2 3 4\n"},
        pattern="site_{grid}_{channel}",
        channels="",
    )
    refused(
        read,
        "Row 2 of site_g1_ec.txt has 4 cells, row 2 of site_g1_ip.txt has 3; their shapes are "
        "3 x 4 and 3 x 4 (rows x cells). " + advice,
        {**PAIR, "site_g1_ip.txt": "1 2 3 4\n1 2 3\n1 2 3 4\n"},
        pattern="site_{grid}_{channel}",
        channels="",
    )
    refused(
        read,
        "a_ec.txt holds 2 readings, a_ip.txt 3. " + advice,
        {"a_ec.txt": "1\n2\n", "a_ip.txt": "1\n2\n3\n"},
        SiteGrid({"": Origin(0, 0)}),
        pattern="a_{channel}",
        channels="",
        kind="list",
    )


def test_cells_written_blank_in_one_channel_only_are_readings_of_the_other(read):
    texts = {"g1_ec.txt": "1;2;3;4\n1;2;3;\n", "g1_ip.txt": "1;2;3;4\n;2;3;4\n"}
    found = read(texts, pattern="{grid}_{channel}", channels="")
    np.testing.assert_array_equal(
        found.table.values[4:], [[1, np.nan], [2, 2], [3, 3], [np.nan, 4]]
    )
    assert found.figures["blank cells"] == 2


def test_a_channel_without_a_file_is_refused_or_null(read):
    site = SiteGrid({"G1": Origin(0, 0), "G2": Origin(9, 0)}, 1.0, 0.5, 2.0)
    texts = {**PAIR, "site_g2_ip.txt": MATRIX}
    options = {"pattern": "site_{grid}_{channel}", "channels": ""}
    refused(
        read,
        "There is no file of channel 'ec' for data grid 'G2'. Add it, or take missing files as "
        "NULL.",
        texts,
        site,
        **options,
    )
    found = read(texts, site, missing_files="null", **options)
    assert found.table.channels == ("ec", "ip")
    assert np.isnan(found.table.values[12:, 0]).all()
    assert not np.isnan(found.table.values[12:, 1]).any()
    assert found.warnings == ("Channel 'ec' is NULL in data grid 'G2': there is no file.",)
    assert found.figures["cells without a file"] == 12
    assert found.figures["blank cells"] == 0
    assert found.figures["cells"] + 12 == found.table.values.size


def test_files_that_do_not_say_their_channel_are_refused(read):
    message = (
        "The files do not say which channel they hold: name the one channel, or put {channel} in "
        "the pattern."
    )
    refused(read, message, MATRIX, channels="")
    refused(read, message, MATRIX, channels="a, b")


def test_an_unknown_data_grid_is_named(read):
    refused(
        read,
        "g9.txt holds data grid 'g9' by its name, and there is none of that name: there is G1. "
        "Leave the file out, or correct the pattern or the names.",
        {"g9.txt": MATRIX},
    )


@pytest.mark.parametrize(
    ("names", "pattern", "message"),
    [
        (
            ["site_a.txt", "b.txt", "c.txt"],
            "site_{grid}",
            "b.txt, c.txt do not fit the pattern 'site_{grid}'. Leave them out, or correct the "
            "pattern.",
        ),
        (
            ["a.txt", "A.dat"],
            "{grid}",
            "a.txt and A.dat both hold data grid 'A' by their names. Leave one out, or correct the "
            "pattern.",
        ),
        (
            ["a.txt"],
            "{area}",
            "The pattern '{area}' cannot be used: write {grid} and {channel} at most once each, at "
            "least one of them, and no other braces.",
        ),
    ],
)
def test_what_names_do_not_tell(names, pattern, message):
    with pytest.raises(ValueError, match="pattern") as caught:
        name_files([Path(name) for name in names], pattern)
    assert str(caught.value) == message


def test_names_known_settle_where_a_data_grid_ends():
    [found] = name_files([Path("north_1_ec_050.txt")], "{grid}_{channel}.TXT", ["North_1", "North"])
    assert (found.grid, found.channel) == ("North_1", "ec_050")
    [found] = name_files([Path("north_1_ec_050.txt")], "*_{grid}_{channel}.*", [], ["ec_050"])
    assert (found.grid, found.channel) == ("1", "ec_050")
    with pytest.raises(ValueError, match=r"'gA' by its name, which may be GA or ga: write it as"):
        name_files([Path("gA.txt")], "{grid}", ["GA", "ga"])


# -- anything ----------------------------------------------------------------------------------


@settings(max_examples=200, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=200),
        st.text(alphabet='0123456789.,;-+eE"# \t\n\r\0x', max_size=200).map(str.encode),
    ),
    st.sampled_from(["matrix", "list"]),
    st.booleans(),
    st.sampled_from(["auto", "utf-8", "utf-16"]),
    st.sampled_from(["refuse", "null"]),
)
def test_garbage_ends_in_a_sentence(content, kind, header, encoding, bad):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "g1.txt"
        path.write_bytes(content)
        form = TableFormat(header=header, encoding=encoding, bad_values=bad)
        with suppress(ValueError):
            found = read_data_grids([path], SITE, {}, GridFileOptions(kind, channels="ec"), form)
            assert np.isfinite(found.table.sequence).all()
            assert found.figures["cells"] + found.figures["blank cells"] == found.table.values.size


def test_the_user_may_stop(read, tmp_path):
    (tmp_path / "g1.txt").write_text(MATRIX, "utf-8")
    with pytest.raises(Cancelled):
        read_data_grids(
            [tmp_path / "g1.txt"],
            SITE,
            options=GridFileOptions(channels="ec"),
            progress=lambda fraction: False,
        )
