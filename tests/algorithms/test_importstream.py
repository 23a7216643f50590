"""A stream read line by line, and its readings given the positions of their moments."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_stream import gga, rmc, sentence
from lynchet.algorithms.intake import importstream
from lynchet.algorithms.intake.importstream import (
    JoinOptions,
    parse_qualities,
    parse_shift,
    place_stream,
)
from lynchet.algorithms.intake.stream.lines import StreamFormat, read_stream
from lynchet.algorithms.intake.stream.recipe import parse_recipe
from lynchet.algorithms.intake.text import bytelines
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc

RECIPE = "begins: M; parted by: blanks; time: 2; channels: 3 = ec_050 [mS/m], 4 = ip_050 [ppt]"
START = 9 * 3600
STEP = 1e-5


def clock(seconds):
    thousandths = round(seconds * 1000)
    whole, part = divmod(thousandths, 1000)
    return f"{whole // 3600 % 24:02d}:{whole // 60 % 60:02d}:{whole % 60:02d}.{part:03d}"


def walk(lon=lambda t: STEP * t, lat=lambda t: 0.0, seconds=range(11), per_second=4, shift=0.0,
         **more):  # fmt: skip
    """A stream at one fix a second; longitude and latitude by the seconds since the start."""
    rows = []
    for second in seconds:
        rows.append(gga(START + second, lon(second), lat(second), **more))
        for k in range(per_second):
            t = START + second + (k + 0.5) / per_second
            rows.append(f"M {clock(t - shift)} {20 + k}.5 0.25")
    return rows


@pytest.fixture
def read(tmp_path):
    def go(*rows, recipe=RECIPE, positions=None, form=None, name="stream.txt", end="\n"):
        path = tmp_path / name
        path.write_bytes(end.join(rows).encode("latin-1") if isinstance(rows[0], str) else rows[0])
        others = []
        if positions:
            others = [tmp_path / "positions.txt"]
            others[0].write_text("\n".join(positions))
        return read_stream([path], others, parse_recipe(recipe), form)

    return go


def join(stream, **options):
    """Readings on a flat map: a degree is 1e5 map units both ways, a step one map unit."""
    fixes = stream.fixes
    return place_stream(
        stream, fixes.longitude / STEP, fixes.latitude / STEP, JoinOptions(**options)
    )


def moments(per_second=4, seconds=11):
    return (np.arange(seconds * per_second) + 0.5) / per_second


# -- reading ---------------------------------------------------------------------------------


def test_readings_and_sentences_are_told_apart(read):
    stream = read("# walked by A", "", *walk(seconds=range(2)), sentence("GNVTG,1,T"), "$GNGGA,09")
    assert stream.table.values.tolist()[:2] == [[20.5, 0.25], [21.5, 0.25]]
    assert stream.table.channels == ("ec_050", "ip_050")
    assert stream.table.units == ("mS/m", "ppt")
    assert stream.table.row.tolist() == [4, 5, 6, 7, 9, 10, 11, 12]
    assert stream.counts == {
        "readings": 8, "position sentences": 2, "sentences without a position": 0,
        "other sentences": 1, "broken sentences": 1, "lines passed over": 2, "unreadable lines": 0,
    }  # fmt: skip
    assert stream.first["broken sentences"] == "row 14 of stream.txt"


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("size", [1 << 22, 97])
@pytest.mark.parametrize("encoding", ["ascii", "utf-8-sig", "utf-16"])
def test_the_same_stream_however_it_is_written(read, monkeypatch, end, size, encoding):
    rows = walk(seconds=range(3))
    expected = read(*rows)
    monkeypatch.setattr(bytelines, "CHUNK", size)
    found = read(end.join(rows).encode(encoding))
    assert found.table.values.tolist() == expected.table.values.tolist()
    assert found.clock.tolist() == expected.clock.tolist()
    assert found.place.tolist() == expected.place.tolist()
    assert found.fixes.longitude.tolist() == expected.fixes.longitude.tolist()


SAME = {
    "comma": ("parted by: comma; time: 1; channels: 2 = ec; line: 3; mark: 4",
              "09:00:00.50, 21.5 ,7, gate "),
    "semicolon": ("parted by: semicolon; decimal: comma; time: 1; channels: 2 = ec; line: 3; mark: "
                  "4", "09:00:00,50;21,5;7;gate"),
    "tab": ("parted by: tab; time: 1; channels: 2 = ec; line: 3; mark: 4",
            "09:00:00.5\t21.5\t7\tgate"),
    "slash": ("begins: R; parted by: /; time: 2; channels: 3 = ec; line: 4; mark: 5",
              "R/9:00:00.5/+21.50/7/gate"),
    "columns": (
        "parted by: columns; time: 2-11; channels: 12-17 = ec; line: 18-19; mark: 21-30",
        " 09:00:00.5  21.5 7 gate",
    ),
    "pattern": ('{"pattern": "(?P<t>\\\\S+) <(?P<ec>[^>]*)> (?P<l>\\\\d+)(?P<m> .*)?", "time": "t",'
                '"channels": "ec", "line": "l", "mark": "m"}', "09:00:00.5 <21.5> 7 gate"),
    "seconds": ("parted by: blanks; time: 1; channels: 2 = ec; line: 3; mark: 4",
                "32400.5 2.15e1 7 gate"),
    "dates": ("parted by: blanks; time: 1; channels: 2 = ec; line: 3; mark: 4",
              "2031-05-14T09:00:00.5 21.5 7 gate"),
}  # fmt: skip


@pytest.mark.parametrize("form", SAME)
def test_the_same_reading_in_many_forms(read, form):
    recipe, row = SAME[form]
    stream = read(gga(START, 0, 0), row, gga(START + 1, STEP, 0), recipe=recipe)
    assert stream.table.values.tolist() == [[21.5]]
    assert stream.clock.tolist() == [32400.5]
    assert stream.table.line.tolist() == [7]
    assert stream.table.kept["mark"].tolist() == ["gate"]
    assert join(stream).placed.x == pytest.approx([0.5])


def test_what_stands_for_no_reading(read):
    recipe = ('{"parted by": "comma", "time": 1, "line": 4, "channels": ["2 = ec", "3 = ip"], '
              '"no reading": [-9999]}')  # fmt: skip
    stream = read(gga(START, 0, 0), "09:00:00.5,-,-9999,", "09:00:00.75,NaN,1,2", "-,1,2,3",
                  recipe=recipe)  # fmt: skip
    np.testing.assert_array_equal(
        stream.table.values, [[np.nan, np.nan], [np.nan, 1.0], [1.0, 2.0]]
    )
    assert stream.table.line.tolist() == [NO_LINE, 2, 3]
    assert np.isnan(stream.clock).tolist() == [False, False, True]
    assert stream.table.unreadable == {}


def test_a_prefix_is_a_whole_word_where_lines_are_parted(read):
    stream = read(*walk(), "MARK 09:00:01 1 2", form=StreamFormat(bad_values="null"))
    assert stream.first["unreadable lines"] == "row 56 of stream.txt"


def test_lines_must_have_as_many_parts_as_the_recipe_says(read):
    recipe = RECIPE.replace("time", "parts: 4; time")
    with pytest.raises(ValueError, match=r"Row 56 of stream\.txt has 5 parts where the recipe as"):
        read(*walk(), "M 09:00:01 1 2 3", recipe=recipe)


def test_a_stream_in_two_files_goes_on(read, tmp_path):
    rows = walk()
    expected = join(read(*rows), clock="arrival")
    for number, part in enumerate((rows[:18], rows[18:])):
        (tmp_path / f"{number}.txt").write_text("\n".join(part))
    files = [tmp_path / "0.txt", tmp_path / "1.txt"]
    found = join(read_stream(files, [], parse_recipe(RECIPE)), clock="arrival")
    np.testing.assert_array_equal(found.placed.x, expected.placed.x)
    assert found.table.file_names == ("0.txt", "1.txt")
    assert found.table.row[found.table.file == 1][:3].tolist() == [1, 2, 4]


# -- sentences behind something else, several talkers ----------------------------------------


def stamped(rows, write=lambda t: f"{clock(t)},", ahead=lambda t: 0.0):
    """The same rows with the logger's time before each sentence, its clock `ahead` of the fixes."""
    out, t = [], START - 1
    for row in rows:
        t += row[0] == "$"
        out.append((write(t + ahead(t)) if row[0] == "$" else "") + row)
    return out


BEFORE = {
    "a time": lambda t: f"{clock(t)},",
    "a counter": lambda t: f"{round(t * 1000)} ",
    "brackets": lambda t: f"[{clock(t)}] ",
    "letters": lambda t: f"P {clock(t)}; ",
}


@pytest.mark.parametrize("before", BEFORE)
@pytest.mark.parametrize("begins", ["begins: M; ", ""])
def test_a_sentence_is_found_behind_what_stands_before_it(read, before, begins):
    rows = walk()
    recipe = RECIPE.replace("begins: M; ", begins)
    found, plain = (read(*some, recipe=recipe) for some in (stamped(rows, BEFORE[before]), rows))
    assert found.counts == plain.counts
    assert found.fixes.longitude.tolist() == plain.fixes.longitude.tolist()
    np.testing.assert_array_equal(join(found).placed.x, join(plain).placed.x)


def test_a_sentence_may_begin_as_instrument_lines_do(read):
    rows = walk()
    found = read(*stamped(rows, lambda t: f"M {clock(t)} "))
    assert found.counts == read(*rows).counts


def test_a_dollar_makes_no_sentence_of_notes_and_marks(read):
    recipe = "begins: M; parted by: comma; channels: 2 = ec; mark: 3"
    stream = read(gga(START, 0, 0), "M,21.5,cost $5", "# " + gga(START + 1, 0, 0),
                  gga(START + 2, 0, 0), recipe=recipe)  # fmt: skip
    assert stream.table.kept["mark"].tolist() == ["cost $5"]
    assert stream.counts["lines passed over"] == 1
    assert len(stream.fixes) == 2


def test_a_sentence_cut_short_behind_a_stamp_is_broken(read):
    rows = [*stamped(walk()), "09:00:44.56,$G"]
    stream = read(*rows)
    assert stream.counts["broken sentences"] == 1
    assert stream.first["broken sentences"] == "row 56 of stream.txt"


def test_only_the_talker_asked_for_is_used(read):
    rows = []
    for k in range(5):
        rows += [gga(START + k, STEP * k, 0.0), gga(START + k, STEP * k, 5.0, talker="GP"),
                 f"M {clock(START + k + 0.5)} 20 0.3"]  # fmt: skip
    for talker, north in (("GP", 5.0), ("GN", 0.0)):
        stream = read(*rows, form=StreamFormat(talker=talker))
        assert stream.fixes.latitude.tolist() == [north] * 5
        assert stream.counts["other sentences"] == 5
        assert stream.talkers == {talker: 5}
        assert join(stream).warnings == (
            "Of the readings, 1 before or after all fixes have no position. Unless the receiver "
            "was switched on late, check the clock shift.",
        )
    both = join(read(*rows))
    assert "Several talkers told positions: GN (5), GP (5)." in both.messages
    # Five degrees of a circle of 6,371 km.
    assert any(
        "5 sentences told a place more than 3 m from that told for the same moment (up to 555,975 m"
        "). Row 2 of stream.txt is the first. Two receivers? Keep to one talker" in said
        for said in both.warnings
    )
    with pytest.raises(ValueError, match=r"sentences but no GGA or RMC of talker GA\. Have the"):
        read(*rows, form=StreamFormat(talker="GA"))


def test_one_place_told_twice_is_no_matter(read):
    rows = [row for k in range(5) for row in (
        gga(START + k, STEP * k, 0.0), rmc(START + k, STEP * k, 1e-5), f"M {clock(START + k)} 2 3"
    )]  # fmt: skip
    found = join(read(*rows))
    assert found.figures["sentences apart"] == 0
    assert found.warnings == ()
    rows[4] = rmc(START + 1, STEP, 4e-5)
    found = join(read(*rows))
    assert found.figures["sentences apart"] == 1
    assert "1 sentence told a place more than 3 m from" in found.warnings[0]


def test_rmc_alone_and_gga_alone_tell_the_same_places(read):
    def written(tell):
        return [row for k in range(5) for row in (
            tell(86397 + k, STEP * k), f"M {clock(86397.5 + k)} 20 0.3"
        )]  # fmt: skip

    alone = written(lambda t, lon: gga(t % 86400, lon, 0.0))
    dated = written(lambda t, lon: rmc(t % 86400, lon, 0.0, date="310530" if t < 86400 else
                                       "010630"))  # fmt: skip
    found, other = join(read(*alone)), join(read(*dated))
    assert found.placed.x[:4] == pytest.approx([0.5, 1.5, 2.5, 3.5])
    np.testing.assert_array_equal(other.placed.x, found.placed.x)
    np.testing.assert_array_equal(other.table.time, found.table.time)


def test_a_gga_without_a_fix_outdoes_the_rmc_of_its_moment(read):
    rows = walk()
    place = next(k for k, row in enumerate(rows) if "090004.00" in row)
    rows[place : place + 1] = [
        rmc(START + 4, 50.0, 9.0), gga(START + 4, 50.0, 9.0, quality=0),
    ]  # fmt: skip
    found = join(read(*rows))
    np.testing.assert_allclose(found.placed.x[:40], moments()[:40], atol=1e-3)
    assert found.figures["fixes denied by GGA"] == 1
    assert (
        "At 1 moment an RMC told a position where the GGA said that there was no fix: it was left "
        "out." in found.warnings
    )
    only = ["M 09:00:00 1 2", rmc(START, 1.0, 2.0), gga(START, 1.0, 2.0, quality=0)]
    with pytest.raises(ValueError, match="No position was found: the receiver had no fix"):
        read(*only)


def test_counts_of_one_are_in_the_singular(read):
    found = join(read(*walk(), gga(START, 0, 0)[:-1], "# note"))
    assert found.messages[0] == (
        "57 lines: 44 readings, 11 position sentences, 1 broken sentence, 1 line passed over."
    )


def test_a_talker_is_two_capitals():
    for talker in ("G", "GNS", "gn", "G,"):
        with pytest.raises(ValueError, match=f"The talker is '{talker}'. Give the two capitals be"):
            StreamFormat(talker=talker)


REFUSED = {
    "Row 56 of stream.txt has 3 parts where the recipe asks for at least 4 ('M 09:00:01 5'). "
    "Correct the file or the recipe, or take unreadable values as NULL.": "M 09:00:01 5",
    "Row 56 of stream.txt: 'ec_050' is '12,4'. Write 'decimal: comma' in the recipe or correct "
    "the file.": "M 09:00:01 12,4 3",
    "Row 56 of stream.txt: 'ip_050' is '1_0', which is not a number. Correct the file or the "
    "recipe, or take unreadable values as NULL.": "M 09:00:01 12.4 1_0",
    "Row 56 of stream.txt: 'time' is '9h', which is not a time like those before it. Write "
    "seconds since midnight, HH:MM:SS, or a date and time such as 2031-05-14T09:30.": "M 9h 1 2",
    "Row 56 of stream.txt: 'time' is '09:00:01.5e1', which is not a time like those before it. "
    "Write seconds since midnight, HH:MM:SS, or a date and time such as 2031-05-14T09:30.":
        "M 09:00:01.5e1 1 2",
    "Row 56 of stream.txt is no sentence nor begins with 'M': 'battery low'. Correct the file, "
    "name its beginning under 'pass over' in the recipe, or take unreadable values as NULL.":
        "battery low",
}  # fmt: skip


@pytest.mark.parametrize("said", REFUSED)
def test_the_first_unreadable_line_is_named(read, said):
    rows = [*walk(), REFUSED[said]]
    with pytest.raises(ValueError) as refusal:  # noqa: PT011
        read(*rows)
    assert str(refusal.value) == said
    stream = read(*rows, form=StreamFormat(bad_values="null"))
    assert sum(stream.counts.values()) == 56
    lost = stream.counts["unreadable lines"] + sum(stream.table.unreadable.values())
    assert lost == 1


def test_a_line_the_pattern_does_not_take_is_named(read):
    recipe = '{"pattern": "M (?P<ec>\\\\d+)", "begins": "M", "channels": "ec"}'
    with pytest.raises(ValueError, match=r"Row 2 of stream\.txt is not what the recipe's pattern "):
        read(gga(START, 0, 0), "M x", recipe=recipe)


def test_streams_without_positions_say_why(read):
    reading = "M 09:00:01 1 2"
    for rows, why in (
        ([reading], "No position was found: no sentence at all. Choose the file with the positio"),
        ([reading, sentence("GNVTG,1")], "1 sentence but no GGA or RMC. Have the receiver send"),
        ([reading, gga(1.0, 2.0, 3.0, quality=0)], "the receiver had no fix. Choose another file"),
        ([reading, gga(1.0, 2.0, 3.0)[:-3]], "1 sentence cut short, garbled, without a checksum o"),
        ([gga(1.0, 2.0, 3.0)], "No line of stream.txt that begins with 'M' is a reading. Check t"),
    ):
        with pytest.raises(ValueError, match=r"^No ") as refusal:
            read(*rows)
        assert why in str(refusal.value)


def test_an_empty_file_and_a_file_of_one_endless_line_are_refused(read, monkeypatch):
    with pytest.raises(ValueError, match=r"stream\.txt is empty"):
        read(b"")
    monkeypatch.setattr(bytelines, "LONGEST", 1000)
    monkeypatch.setattr(bytelines, "CHUNK", 500)
    with pytest.raises(
        ValueError, match=r"has a line of more than 1,000 characters: it is no text"
    ):
        read(b"x" * 3000)


def test_reading_can_be_cancelled(tmp_path):
    (tmp_path / "s.txt").write_text("\n".join(walk()))
    with pytest.raises(Cancelled):
        read_stream([tmp_path / "s.txt"], [], parse_recipe(RECIPE), None, lambda fraction: False)


# -- placing ---------------------------------------------------------------------------------


def test_readings_lie_between_fixes_by_time(read):
    found = join(read(*walk()))
    inside = moments() <= 10
    np.testing.assert_allclose(found.placed.x[inside], moments()[inside], atol=2e-4)
    assert np.isnan(found.placed.x[~inside]).all()
    assert found.figures["readings before or after all fixes"] == 4
    assert found.table.time[0] == START + 0.125
    assert found.table.quality.tolist() == [0] * 44
    np.testing.assert_allclose(found.placed.bearing[inside], 90.0, atol=0.1)


def test_a_shared_clock_may_be_shifted(read):
    stream = read(*walk(shift=-3600.0))
    said = (
        "the instrument's clock runs from 10:00:00.1 to 10:00:10.9, the positions' from "
        "09:00:00.0 to 09:00:10.0. Correct the clock shift"
    )
    with pytest.raises(ValueError, match=said):
        join(stream)
    found = join(stream, clock_shift=-3600.0)
    assert found.placed.x[:4] == pytest.approx([0.125, 0.375, 0.625, 0.875], abs=2e-4)
    assert found.table.time[0] == pytest.approx(START + 3600.125, abs=2e-4)


def test_a_doubtful_clock_shift_is_told_by_the_order_of_lines(read):
    stream = read(*walk(seconds=range(60), shift=18.0))
    found = join(stream)
    assert any("the instrument's clock is 18.0 s behind the positions'. Check the clock shift." in
               said for said in found.warnings)  # fmt: skip
    assert join(stream, clock_shift=18.0).warnings == join(stream, clock="found").warnings


def test_a_shift_is_found_from_the_order_of_lines(read):
    stream = read(*walk(seconds=range(60), shift=-1234.5))
    found = join(stream, clock="found")
    inside = moments(4, 60) < 59
    np.testing.assert_allclose(found.placed.x[inside], moments(4, 60)[inside], atol=0.03)
    assert "Clock shift found from the order of the lines: -1234.5" in found.messages[-1]


STAMPED = RECIPE + "; stamp: 1"


@pytest.mark.parametrize("before", ["a time", "brackets"])
def test_the_loggers_time_before_sentences_tells_the_shift(read, before):
    rows = stamped(walk(seconds=range(60), shift=-1234.567), BEFORE[before], lambda t: 1234.567)
    stream = read(*rows, recipe=STAMPED)
    found = join(stream, clock="found")
    inside = moments(4, 60) < 59
    # Times are written to a millisecond.
    np.testing.assert_allclose(found.placed.x[inside], moments(4, 60)[inside], atol=1.1e-3)
    assert found.figures["clock shift found"] == -1234.567
    assert found.figures["stamps"] == 60
    assert (
        "Clock shift by 60 stamps before sentences: -1234.567 s at the first"
        in (found.messages[-1])
    )


def test_a_counter_of_milliseconds_that_drifts_is_followed(read):
    def counter(t):  # as a quartz might: 300 parts in a million too fast
        return (t - START) * 1.0003 + 7.25

    late = np.where(np.random.RandomState(3).rand(1000) < 0.1, 0.2, 0.0)
    rows = []
    for k in range(1000):
        rows.append(f"{round(1000 * (counter(START + k) + late[k]))} "
                    + gga(START + k, STEP * k, 0.0))  # fmt: skip
        rows.append(f"M {round(1000 * counter(START + k + 0.5))} 20 0.3")
    recipe = STAMPED + "; time in: milliseconds"
    found = join(read(*rows, recipe=recipe), clock="found")
    # A millisecond's rounding, and 300 parts in a million of 30 s where the median ends.
    np.testing.assert_allclose(found.placed.x[:-1], np.arange(999) + 0.5, atol=0.011)
    assert found.figures["clock drift"] == pytest.approx(-0.3, abs=0.02)
    plain = join(read(*rows, recipe=recipe.replace("stamp: 1; ", "")), clock="found")
    assert np.abs(plain.placed.x[:-1] - np.arange(999) - 0.5).max() > 0.1


def test_stamps_join_positions_in_a_file_of_their_own(read):
    rows = stamped(walk(seconds=range(60), shift=-1234.567), ahead=lambda t: 1234.567)
    readings = [row for row in rows if row[0] == "M"]
    sentences = [row for row in rows if row[0] != "M"]
    found = join(read(*readings, positions=sentences, recipe=STAMPED), clock="found")
    together = join(read(*rows, recipe=STAMPED), clock="found")
    np.testing.assert_allclose(found.placed.x, together.placed.x, atol=1e-9)
    with pytest.raises(ValueError, match="without the logger's time before each sentence"):
        join(read(*readings, positions=sentences), clock="found")


def test_a_stamped_clock_passes_midnight_at_another_time_than_the_fixes(read):
    rows = walk(seconds=range(60), shift=-53_980.0)
    rows = stamped(rows, ahead=lambda t: 53_980.0)
    assert {row[:5] for row in rows if row[0] != "M"} == {"23:59", "00:00"}
    found = join(read(*rows, recipe=STAMPED), clock="found")
    inside = moments(4, 60) < 59
    np.testing.assert_allclose(found.placed.x[inside], moments(4, 60)[inside], atol=1.1e-3)


def test_readings_may_begin_after_a_midnight_that_stamps_began_before(read):
    rows = walk(seconds=range(60), shift=-53_980.0)
    first = next(k for k, row in enumerate(rows) if row.startswith("M 00:00:"))
    rows = stamped(rows, ahead=lambda t: 53_980.0)
    rows = [row for k, row in enumerate(rows) if row[0] != "M" or k >= first]
    found = join(read(*rows, recipe=STAMPED), clock="found")
    assert found.placed.x[0] == pytest.approx(20.125, abs=1.1e-3)


def test_stamps_may_bear_a_decimal_comma(read):
    rows = stamped(walk(seconds=range(60), shift=-7.25), BEFORE["letters"], lambda t: 7.25)
    rows = [
        row.replace(".", ",") if row[0] == "M" else row.replace(".", ",", 1) for row in rows
    ]  # fmt: skip
    recipe = RECIPE + "; stamp: 2; decimal: comma"
    found = join(read(*rows, recipe=recipe), clock="found")
    assert found.figures["clock shift found"] == -7.25


def test_a_recipes_stamp_that_is_nowhere_is_refused(read):
    with pytest.raises(ValueError, match="No sentence has a time in part 1 of what stands before"):
        read(*walk(), recipe=STAMPED)


@pytest.mark.parametrize("clock", ["arrival", "shared"])
def test_without_a_clock_readings_lie_evenly_between_sentences(read, clock):
    recipe = RECIPE if clock == "arrival" else RECIPE.replace("time: 2; ", "")
    found = join(read(*walk(per_second=5), recipe=recipe), clock=clock)
    np.testing.assert_allclose(found.placed.x[:50], moments(5)[:50], atol=2e-4)
    assert np.isnan(found.placed.x[50:]).all()
    np.testing.assert_allclose(found.table.time[:50], START + moments(5)[:50], atol=1e-9)


def test_positions_in_a_file_of_their_own(read):
    rows = walk()
    readings = [row for row in rows if row[0] == "M"]
    sentences = [row for row in rows if row[0] == "$"]
    found = join(read(*readings, positions=sentences))
    np.testing.assert_array_equal(found.placed.x, join(read(*rows)).placed.x)
    with pytest.raises(ValueError, match="only a clock that both share can join them"):
        join(read(*readings, positions=sentences), clock="arrival")
    far = read(*readings, gga(START, 80.0, 10.0), positions=sentences)
    assert far.counts["other sentences"] == 1
    np.testing.assert_array_equal(join(far).placed.x, found.placed.x)


def test_latency_moves_readings_back_along_the_walk(read):
    plain, late = (join(read(*walk()), latency=latency) for latency in (0.0, 0.5))
    inside = np.isfinite(late.placed.x) & np.isfinite(plain.placed.x)
    # A position told 0.5 s late belongs further ahead in the track as told.
    np.testing.assert_allclose((late.placed.x - plain.placed.x)[inside], 0.5, atol=2e-4)


@pytest.mark.parametrize("course", [0, 37, 90, 200, 315])
def test_the_antennas_offset_is_taken_off_by_course(read, course):
    angle = np.radians(course)
    ahead, right = 1.0, 0.5

    def at(t):
        # The antenna of an instrument that walks from the origin at one map unit a second.
        x = t * np.sin(angle) + ahead * np.sin(angle) + right * np.cos(angle)
        y = t * np.cos(angle) + ahead * np.cos(angle) - right * np.sin(angle)
        return x * STEP, y * STEP

    found = join(read(*walk(lambda t: at(t)[0], lambda t: at(t)[1])), ahead=ahead, right=right)
    inside = moments() <= 10
    np.testing.assert_allclose(
        found.placed.x[inside], (moments() * np.sin(angle))[inside], atol=1e-3
    )
    np.testing.assert_allclose(
        found.placed.y[inside], (moments() * np.cos(angle))[inside], atol=1e-3
    )
    turned = (found.placed.bearing[inside] - course + 180) % 360 - 180
    np.testing.assert_allclose(turned, 0.0, atol=0.1)


def test_the_offset_keeps_its_length_through_a_turn(read):
    stream = read(*walk(lambda t: STEP * min(t, 5), lambda t: STEP * max(t - 5, 0)))
    antenna, placed = join(stream).placed, join(stream, ahead=1.0, right=0.75).placed
    away = np.hypot(antenna.x - placed.x, antenna.y - placed.y)
    np.testing.assert_allclose(away[:40], 1.25, atol=1e-9)


def test_jitter_while_standing_does_not_turn_the_antenna(read):
    random = np.random.RandomState(5)
    shake = random.normal(size=(60, 2)) * 0.01
    rows = walk(lambda t: STEP * (min(t, 20) + shake[t][0]), lambda t: STEP * shake[t][1],
                seconds=range(60))  # fmt: skip
    found = join(read(*rows), ahead=1.0)
    stood = (moments(4, 60) > 22) & (moments(4, 60) < 59)
    np.testing.assert_allclose(found.placed.x[stood], 19.0, atol=0.1)
    np.testing.assert_allclose(found.placed.bearing[stood], 90.0, atol=10.0)


def test_an_offset_without_any_course_is_doubtful(read):
    found = join(read(*walk(lambda t: 0.0)), ahead=1.0)
    assert found.figures["readings course unknown"] == 40
    assert (found.table.quality[:40] == Qc.DOUBTFUL_POSITION).all()
    assert found.placed.x[:40].tolist() == [0.0] * 40
    assert (join(read(*walk(lambda t: 0.0))).table.quality == 0).all()


def test_longer_gaps_are_not_bridged_unless_asked(read):
    rows = [row for row in walk() if not any(f"0900{s:02d}.00" in row for s in (3, 4, 5, 6))]
    stream = read(*rows)
    found = join(stream)
    gap = (moments() > 2) & (moments() < 7)
    assert np.isnan(found.placed.x[gap]).all()
    assert np.isfinite(found.placed.x[~gap & (moments() < 10)]).all()
    assert found.figures["readings in gaps"] == 20
    assert ("20 readings in 1 gap of more than 3 s between fixes (the longest 5 s) unplaced."
            in found.warnings)  # fmt: skip
    bridged = join(stream, bridge_gaps=True)
    np.testing.assert_allclose(bridged.placed.x[gap], moments()[gap], atol=1e-3)
    assert (bridged.table.quality == np.where(gap, Qc.DOUBTFUL_POSITION, 0)).all()
    assert np.isfinite(join(stream, longest_gap=5.0).placed.x[gap]).all()


def test_a_course_over_a_bridged_gap_is_that_of_the_side_that_has_one(read):
    rows = [row for row in walk() if not any(f"0900{s:02d}.00" in row for s in (1, 2, 3, 4))]
    found = join(read(*rows), bridge_gaps=True, ahead=1.0)
    np.testing.assert_allclose(found.placed.x[:40], moments()[:40] - 1.0, atol=1e-3)


def test_the_work_in_lots_is_the_work_at_once(read, monkeypatch):
    rows = walk(lambda t: STEP * abs(t - 6), seconds=range(12))
    stream = read(*rows)
    whole = join(stream, ahead=0.5, keep_fix=True)
    monkeypatch.setattr(importstream, "BATCH", 7)
    parts = join(stream, ahead=0.5, keep_fix=True)
    for name in ("x", "y", "along", "bearing", "sequence"):
        np.testing.assert_allclose(
            getattr(parts.placed, name), getattr(whole.placed, name), rtol=0, atol=1e-9
        )
    np.testing.assert_array_equal(parts.table.kept["height"], whole.table.kept["height"])
    assert parts.figures == whole.figures


def test_distance_is_the_way_made_on_each_traverse(read):
    # To and fro, then standing: jitter does not lengthen the way.
    random = np.random.RandomState(5)
    rows = walk(lambda t: STEP * (min(t, 20) + 0.01 * random.normal()), seconds=range(40))
    rows = [f"{row} {1 + (k > 50)}" if row[0] == "M" else row for k, row in enumerate(rows)]
    found = join(read(*rows, recipe=RECIPE.replace("time", "line: 5; time")))
    second = found.table.line == 2
    assert found.placed.sequence[second][0] == 1
    assert found.placed.along[second][0] == 0.0
    way = found.placed.along[np.isfinite(found.placed.x)]
    assert np.count_nonzero(np.diff(way) < 0) == 1  # where the second traverse begins
    assert np.nanmax(found.placed.along[~second]) == pytest.approx(9.75, abs=0.1)
    assert np.nanmax(found.placed.along[second]) == pytest.approx(10.0, abs=0.2)


def test_poor_fixes_make_positions_doubtful(read):
    rows = walk()
    for second, more in ((4, {"quality": 1}), (8, {"hdop": "4.5"})):
        place = next(k for k, row in enumerate(rows) if f"0900{second:02d}.00" in row)
        rows[place] = gga(START + second, STEP * second, 0.0, **more)
    stream = read(*rows)
    assert (join(stream).table.quality == 0).all()
    beside = {k: np.abs(moments() - k) < 1 for k in (4, 8)}
    found = join(stream, good_quality=(4, 5), keep_fix=True)
    assert (found.table.quality == np.where(beside[4], Qc.DOUBTFUL_POSITION, 0)).all()
    assert found.table.kept["fix_quality"][[0, 15, 17, 43]].tolist()[:3] == [4.0, 1.0, 1.0]
    assert found.table.kept["hdop"][32] == 4.5
    assert found.table.kept["height"][0] == 12.5
    assert np.isnan(found.table.kept["height"][-1])
    found = join(stream, highest_hdop=2.0)
    assert (found.table.quality == np.where(beside[8], Qc.DOUBTFUL_POSITION, 0)).all()


def test_fix_quality_0_is_no_position(read):
    rows = walk()
    place = next(k for k, row in enumerate(rows) if "090004.00" in row)
    rows[place] = gga(START + 4, 99.0, 50.0, quality=0)
    found = join(read(*rows))
    np.testing.assert_allclose(found.placed.x[:40], moments()[:40], atol=1e-3)
    assert found.figures["sentences without a position"] == 1


# -- clocks that turn over -------------------------------------------------------------------


def at_midnight(words, fixes):
    rows = []
    for word, fix, k in zip(words, fixes, range(99)):
        rows += [gga(fix, STEP * k, 0.0), f"M {word} 20 0.3"]
    return [*rows, gga(f"0000{len(fixes) - 2:02d}.00", STEP * len(fixes), 0.0)]


def test_both_clocks_pass_midnight(read):
    rows = at_midnight(["23:59:58.5", "23:59:59.5", "00:00:00.5"],
                       ["235958.00", "235959.00", "000000.00"])  # fmt: skip
    found = join(read(*rows))
    assert found.placed.x == pytest.approx([0.5, 1.5, 2.5])
    assert found.table.time.tolist() == [86398.5, 86399.5, 86400.5]


@pytest.mark.parametrize("instrument", ["23:59:60.5 00:00:00.5", "00:00:00.5 00:00:01.5"])
def test_a_leap_second_whether_the_instrument_shows_it_or_not(read, instrument):
    rows = at_midnight(["23:59:59.5", *instrument.split()], ["235959.00", "235960.00", "000000.00"])
    assert join(read(*rows)).placed.x == pytest.approx([0.5, 1.5, 2.5])


def test_local_time_of_the_next_day(read):
    rows = [gga(f"22300{k}.00", STEP * k, 0.0) for k in range(4)]
    rows[1:1] = ["M 00:30:00.5 20 0.3"]
    found = join(read(*rows), clock_shift=-7200.0)
    assert found.placed.x == pytest.approx([0.5])
    assert found.table.time.tolist() == [1800.5]
    apart = read(rows[1], positions=[rows[0], *rows[2:]])
    assert join(apart, clock_shift=-7200.0).placed.x == pytest.approx([0.5])


def test_a_stream_over_several_days_follows_the_dates(read):
    rows = []
    for day, date in enumerate(("140531", "150531", "180531")):
        for k in range(3):
            rows += [rmc(START + k, STEP * (10 * day + k), 0.0, date=date), f"M 09:00:0{k}.5 1 2"]
    found = join(read(*rows))
    assert found.placed.x[[0, 1, 3, 4, 6, 7]] == pytest.approx([0.5, 1.5, 10.5, 11.5, 20.5, 21.5])
    assert (found.table.time // 86400).tolist() == [0, 0, 0, 1, 1, 1, 4, 4, 4]


def test_dated_instruments_meet_dated_positions_in_another_file(read):
    positions = [rmc(START + k, STEP * k, 0.0, date="150531") for k in range(3)]
    recipe = "parted by: blanks; time: 1; channels: 2 = ec"
    found = join(read("2031-05-15T11:00:01.5+02:00 7", recipe=recipe, positions=positions),
                 clock_shift=-7200.0)  # fmt: skip
    assert found.placed.x == pytest.approx([1.5])
    with pytest.raises(ValueError, match="No reading can be placed: the instrument's clock"):
        join(read("2031-05-14T09:00:01.5 7", recipe=recipe, positions=positions))


def test_an_instrument_clock_that_falls_back_is_named(read):
    rows = walk()
    rows.insert(30, "M 09:00:03.00 20 0.3")
    found = join(read(*rows))
    assert "The instrument's clock falls back 1 time. Readings lie where it says." in found.warnings
    assert len(found.table.values) == 45


# -- parameters, and every line accounted for ------------------------------------------------


def test_clock_shifts_are_seconds_or_hours():
    assert parse_shift("+05:30") == 19800
    assert parse_shift("-0:00:18.5") == -18.5
    assert parse_shift(" \u22123600 ") == -3600
    for text in ("1h", "1:75", "--1", "1e3", "nan", "01:00:60"):
        with pytest.raises(ValueError, match=f"The clock shift is '{text}'. Give seconds, as in "):
            parse_shift(text)


def test_good_qualities_are_digits():
    assert parse_qualities("4;5 4") == (4, 5)
    for text, said in (("0", "hold '0'"), ("4,x", "hold 'x'"), (" ", "No fix quality is good")):
        with pytest.raises(ValueError, match=said):
            parse_qualities(text)


def test_options_out_of_bounds_are_refused():
    for more, said in (
        ({"clock": "own"}, "Clock 'own' is unknown: choose one of shared, found, arrival."),
        ({"longest_gap": 0.0}, "The longest gap is 0: give one above 0."),
        ({"course_window": np.nan}, "The window of the course is nan: give one above 0."),
    ):
        with pytest.raises(ValueError, match=said):
            JoinOptions(**more)
    with pytest.raises(ValueError, match="Treatment of unreadable values 'x' is unknown"):
        StreamFormat(bad_values="x")


rows_of_all_kinds = st.lists(
    st.one_of(
        st.builds(lambda k: gga(START + k, STEP * k, 0.0), st.integers(0, 99)),
        st.builds(lambda k: rmc(START + k, STEP * k, 0.0), st.integers(0, 99)),
        st.builds(lambda k: f"M {clock(START + k)} {k} 1", st.integers(0, 99)),
        st.builds(lambda k, n: f"M {clock(START + k)} {k} 1"[:n], st.integers(0, 99),
                  st.integers(0, 20)),
        st.builds(lambda k, n: gga(START + k, STEP * k, 0.0)[:n], st.integers(0, 99),
                  st.integers(0, 70)),
        st.text(st.characters(min_codepoint=1, max_codepoint=255, blacklist_characters="\n\r"),
                max_size=30),
        st.sampled_from(["", "# note", "$", "!", "M", "M ", "$GNGGA,,,,,,,,,,,,,,*7A"]),
    ),
    min_size=1, max_size=40,
)  # fmt: skip


@given(rows_of_all_kinds, st.sampled_from([50, 1 << 22]))
def test_every_line_is_accounted_for(tmp_path_factory, rows, size):
    path = tmp_path_factory.mktemp("any") / "s.txt"
    text = "\n".join([*rows, gga(START, 0.0, 0.0), "M 09:00:00 1 2", ""])
    path.write_bytes(text.encode("latin-1"))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(bytelines, "CHUNK", size)
        stream = read_stream([path], [], parse_recipe(RECIPE), StreamFormat(bad_values="null"))
    assert sum(stream.counts.values()) == len(rows) + 2
    assert stream.counts["readings"] == len(stream.table.values) == len(stream.place)
    whole = sum(row.startswith("M 09:") and len(row.split()) == 4 for row in rows) + 1
    assert stream.counts["readings"] >= whole
    found = join(stream)
    assert len(found.placed.x) == stream.counts["readings"]
    assert np.isfinite(found.placed.x[-1])


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused_in_our_words(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("any") / "s.txt"
    path.write_bytes(content)
    with pytest.raises(ValueError, match=r"s\.txt|No position was found"):
        read_stream([path], [], parse_recipe(RECIPE))
