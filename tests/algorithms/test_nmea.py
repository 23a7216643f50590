"""Sentences of NMEA 0183 and the time base of their fixes."""

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from invented_stream import gga, rmc, sentence, text_lines
from lynchet.algorithms.intake.stream.fixes import fixes_of
from lynchet.algorithms.intake.stream.nmea import (
    BROKEN,
    NO_DAY,
    NO_POSITION,
    OTHER,
    POSITION,
    checksum,
    parse_sentences,
    sentence_starts,
)

# Worked examples of the format that go round in handbooks and guides; from memory.
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"


def parse(*sentences, **more):
    return parse_sentences(text_lines(*sentences), **more)


def test_the_well_known_examples():
    said = parse(GGA, RMC)
    assert said.kind.tolist() == [POSITION, POSITION]
    assert said.latitude.tolist() == [48 + 7.038 / 60] * 2
    assert said.longitude.tolist() == [11 + 31 / 60] * 2
    assert said.clock.tolist() == [12 * 3600 + 35 * 60 + 19] * 2
    assert (said.quality[0], said.hdop[0], said.height[0]) == (1, 0.9, 545.4)
    assert said.day.tolist() == [NO_DAY, date(1994, 3, 23).toordinal()]
    assert said.full.tolist() == [True, False]


def test_a_checksum_is_all_characters_between_dollar_and_star_by_exclusive_or():
    assert checksum(GGA[1:-3]) == "47"
    assert checksum(RMC[1:-3]) == "6A"


def test_south_and_west_are_negative_and_any_talker_will_do():
    said = parse(gga(1.0, -70.5, -33.25, talker="GA"), rmc(1.0, -70.5, -33.25, talker="BD"))
    assert said.latitude == pytest.approx([-33.25] * 2)
    assert said.longitude == pytest.approx([-70.5] * 2)


@pytest.mark.parametrize(
    "broken",
    [
        GGA.replace("*47", "*48"), GGA[:-1], GGA[:-3], GGA[:40], GGA + "1", "$", "$*00",
        sentence("GPGGA,123519,4807.038,N"), sentence("GPRMC,123519,A,4807.038,N,01131.000,E"),
        sentence(GGA[1:-3].replace("4807", "4867")), sentence(GGA[1:-3].replace("4807", "9107")),
        sentence(GGA[1:-3].replace("01131", "18131")), sentence(GGA[1:-3].replace("N", "X")),
        sentence(GGA[1:-3].replace("123519", "126019")), sentence(GGA[1:-3].replace("E,1", "E,x")),
        sentence(GGA[1:-3].replace("123519", "123560")), sentence(GGA[1:-3].replace("0.9", "0..9")),
        sentence(RMC[1:-3].replace(",A,", ",B,")), sentence(RMC[1:-3].replace("230394", "310294")),
        sentence(GGA[1:-3].replace("4807.038", "48-7.038")),
    ],
)  # fmt: skip
def test_what_is_cut_or_garbled_is_broken(broken):
    assert parse(GGA, broken).kind.tolist() == [POSITION, BROKEN]


@pytest.mark.parametrize(
    "empty",
    [
        sentence("GPGGA,123519,,,,,0,00,,,M,,M,,"),
        gga(1.0, 2.0, 53.0, quality=0),
        sentence("GPGGA,,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,"),
        sentence("GPRMC,123519,V,,,,,,,230394,,"),
        sentence("GPRMC,,V,,,,,,,,,,N"),
        sentence(RMC[1:-3].replace(",A,", ",V,")),
        sentence(RMC[1:-3] + ",N"),
    ],
)
def test_a_receiver_without_a_fix_tells_no_position(empty):
    assert parse(empty).kind.tolist() == [NO_POSITION]


def test_other_sentences_are_neither_used_nor_broken():
    others = [sentence(body) for body in (
        "GPVTG,054.7,T,034.4,M,005.5,N,010.2,K", "PGGA,1,2", "PGRMC,1", "GPGSV,3,1,11", "GPGGAX,1",
    )]  # fmt: skip
    assert parse(*others, "!AIVDM,1*" + checksum("AIVDM,1")).kind.tolist() == [OTHER] * 6


def test_the_mode_of_rmc_tells_its_quality():
    modes = "ADRFEN"
    said = parse(*(rmc(1.0, 2.0, 53.0, mode=mode) for mode in modes))
    assert said.quality.tolist() == [1, 2, 4, 5, 6, 0]
    assert parse(sentence(RMC[1:-3])).quality.tolist() == [1]


def test_sentences_without_a_checksum_are_taken_only_when_asked():
    bare = [GGA[:-3], RMC[:-3], GGA[:30]]
    assert parse(*bare).kind.tolist() == [BROKEN] * 3
    assert parse(*bare, without_checksum=True).kind.tolist() == [POSITION, POSITION, BROKEN]
    wrong = GGA.replace("*47", "*48")
    assert parse(wrong, without_checksum=True).kind.tolist() == [BROKEN]


def test_a_sentence_may_stand_behind_something_else():
    said = parse("09:00:44.56," + GGA, "123456 " + RMC, "x " + GGA.replace("*47", "*48"))
    assert said.kind.tolist() == [POSITION, POSITION, BROKEN]
    assert said.latitude[:2].tolist() == [48 + 7.038 / 60] * 2


def test_where_a_sentence_begins_and_whether_that_is_sure():
    rows = ["$", "a $b", "a, $GNGGA,1", "!AIVDM", "no", "$GP $GNGGA,", "a $GP", "a $GNGGA", "$$,",
            "a $100,", "a $GN-GA,", "a $PABC123,", "a $ABCDEFGHIJ,", "a $GN,GA"]  # fmt: skip
    start, sure = sentence_starts(text_lines(*rows))
    begins = np.cumsum([0, *(len(row) + 1 for row in rows[:-1])])
    assert (start - begins).tolist() == [0, 2, 3, 0, 2, 0, 2, 2, 0, 2, 2, 2, 2, 2]
    assert np.flatnonzero(sure).tolist() == [0, 2, 3, 5, 8, 11]


def test_sentences_of_other_talkers_are_others():
    said = parse(gga(1.0, 2.0, 53.0), gga(1.0, 2.0, 53.0, talker="GP"), talker="GP")
    assert said.kind.tolist() == [OTHER, POSITION]


def test_a_small_letter_in_a_checksum_will_do():
    assert parse(RMC.replace("*6A", "*6a")).kind.tolist() == [POSITION]


# -- the time base ---------------------------------------------------------------------------


def fixes(*sentences):
    said = parse(*sentences)
    assert (said.kind == POSITION).all()
    return fixes_of(said)


def at(*words, **more):
    return [gga(word, 2.0, 53.0, **more) for word in words]


def test_midnight_passes_without_a_date():
    assert fixes(*at("235959.50", "000000.50", "000001.00")).time.tolist() == [
        86399.5, 86400.5, 86401.0,
    ]  # fmt: skip


def test_a_late_sentence_at_midnight_is_of_the_day_before():
    found = fixes(*at("235959.00", "000000.00", "235959.50", "000000.50"))
    assert found.time.tolist() == [86399.0, 86399.5, 86400.0, 86400.5]
    assert found.backward.tolist() == [3]


def test_dates_tell_days_apart_and_a_gga_goes_with_the_date_beside():
    found = fixes(
        gga("235959.00", 2.0, 53.0), rmc("235959.00", 2.0, 53.0, date="140531"),
        gga("000000.00", 2.1, 53.0), rmc("000000.00", 2.1, 53.0, date="150531"),
        rmc("090000.00", 2.2, 53.0, date="170531"), gga("090001.00", 2.3, 53.0),
    )  # fmt: skip
    assert found.time.tolist() == [86399.0, 86400.0, 3 * 86400 + 32400, 3 * 86400 + 32401]
    assert found.repeated == 0


def test_a_leap_second_counts():
    found = fixes(*at("235959.00", "235960.00", "235960.50", "000000.00", "000001.00"))
    assert found.time.tolist() == [86399.0, 86400.0, 86400.5, 86401.0, 86402.0]
    assert found.leaps == 1


def test_a_second_60_at_any_other_time_is_broken():
    assert parse(*at("120060.00")).kind.tolist() == [BROKEN]


def test_a_moment_told_twice_is_one_fix_and_gga_comes_first():
    found = fixes(rmc("090000.00", 2.5, 53.0), *at("090000.00", "090000.00", "090001.00"))
    assert found.time.tolist() == [32400.0, 32401.0]
    assert found.longitude.tolist() == [2.0, 2.0]
    assert found.repeated == 1


def test_a_gga_without_a_fix_outdoes_an_rmc_but_not_another_gga():
    no = at("090001.00", quality=0)
    told = fixes_of(parse(*at("090000.00"), rmc("090001.00", 2.5, 53.0), *no))
    assert (told.time.tolist(), told.denied) == ([32400.0], 1)
    told = fixes_of(parse(*no, *at("090001.00"), rmc("090001.00", 2.5, 53.0)))
    assert (told.time.tolist(), told.denied) == ([32401.0], 0)
    told = fixes_of(parse(*no, *at("090000.00")))
    assert (told.time.tolist(), told.denied) == ([32400.0], 0)


def test_a_receiver_without_a_fix_tells_no_days():
    # Before its first fix a receiver may count from anywhere.
    wild = at("220000.00", "130000.00", quality=0)
    rows = [*at("090000.00"), *wild, *at("090001.00")]
    assert fixes_of(parse(*rows)).time.tolist() == [32400.0, 32401.0]


def test_places_apart_are_measured_on_a_sphere_also_over_the_date_line():
    told = fixes_of(parse(gga("090000.00", 179.9999, 60.0), rmc("090000.00", -179.9999, 60.0)))
    # 0.0002 degrees of the parallel of 60 degrees, half the equator's 40,030 km.
    assert told.farthest == pytest.approx(40_030_174 / 2 * 0.0002 / 360, rel=1e-3)
    assert told.apart.tolist() == [2]


# -- an independent formatter, and garbage ---------------------------------------------------

places = st.tuples(
    st.integers(0, 86_399_99),
    st.integers(-179_9999999, 179_9999999),
    st.integers(-89_9999999, 89_9999999),
    st.sampled_from([1, 2, 4, 5, 6, 7, 8]),
)  # fmt: skip


@given(st.lists(places, min_size=1, max_size=20))
def test_any_fix_comes_back_to_the_last_digit_written(rows):
    said = parse(*(
        gga(clock / 100, lon / 1e7, lat / 1e7, quality=quality) for clock, lon, lat, quality in rows
    ))  # fmt: skip
    clock, lon, lat, quality = (np.array(column) for column in zip(*rows))
    assert (said.kind == POSITION).all()
    np.testing.assert_allclose(said.clock, clock / 100, rtol=0, atol=1e-9)
    # Seven decimals of a minute are 1.7e-9 degrees.
    np.testing.assert_allclose(said.longitude, lon / 1e7, rtol=0, atol=1e-9)
    np.testing.assert_allclose(said.latitude, lat / 1e7, rtol=0, atol=1e-9)
    assert said.quality.tolist() == quality.tolist()


@given(st.lists(st.binary(max_size=90), min_size=1, max_size=20))
def test_any_bytes_behind_a_dollar_are_some_kind_of_sentence(rows):
    rows = [b"$" + row.replace(b"\n", b" ") for row in rows]
    said = parse(*rows)
    assert np.isin(said.kind, [POSITION, NO_POSITION, OTHER, BROKEN]).all()


@given(st.integers(0, len(GGA) - 1), st.integers(1, 255))
def test_one_changed_character_is_never_taken(place, change):
    changed = bytearray(GGA.encode())
    changed[place] ^= change
    if changed[place] != ord("\n"):
        assert parse(bytes(changed)).kind[0] != POSITION
