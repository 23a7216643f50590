"""Streams: against pynmea2, an independent parser of sentences, pyproj and `numpy.interp`."""

import numpy as np
import pynmea2
import pytest
from host import ROOT
from invented_stream import text_lines
from lynchet.algorithms.intake.importstream import JoinOptions, place_stream
from lynchet.algorithms.intake.stream.lines import read_stream
from lynchet.algorithms.intake.stream.nmea import BROKEN, POSITION, parse_sentences
from lynchet.algorithms.intake.stream.recipe import parse_recipe
from pyproj import Transformer

STREAM = ROOT / "sample_layers" / "quillmere_stream.txt"
RECIPE = (
    "begins: M; parted by: blanks; time: 2; channels: 3 = ec_050 [mS/m], 4 = ip_050 [ppt], "
    "5 = ec_100 [mS/m], 6 = ip_100 [ppt]"
)


@pytest.fixture(scope="module")
def stream():
    return read_stream([STREAM], [], parse_recipe(RECIPE))


def theirs(row):
    """A sentence read by pynmea2; None where it refuses it or it has no position."""
    try:
        return pynmea2.parse(row, check=True)
    except pynmea2.ParseError:
        return None


@pytest.fixture(scope="module")
def sentences():
    return [row for row in STREAM.read_text("ascii").splitlines() if row[0] == "$"]


def test_sentences_say_what_pynmea2_reads_in_them(sentences):
    ours = parse_sentences(text_lines(*sentences))
    parsed = [theirs(row) for row in sentences]
    assert [one is None for one in parsed] == (ours.kind == BROKEN).tolist()
    good = [one for one in parsed if one is not None]
    kept = ours.take(ours.kind == POSITION)
    np.testing.assert_allclose(kept.latitude, [m.latitude for m in good], rtol=0, atol=1e-12)
    np.testing.assert_allclose(kept.longitude, [m.longitude for m in good], rtol=0, atol=1e-12)
    clock = [m.timestamp.hour * 3600 + m.timestamp.minute * 60 + m.timestamp.second
             + m.timestamp.microsecond / 1e6 for m in good]  # fmt: skip
    np.testing.assert_allclose(kept.clock, clock, rtol=0, atol=1e-6)
    full = [m.sentence_type == "GGA" for m in good]
    assert kept.full.tolist() == full
    gga = [m for m in good if m.sentence_type == "GGA"]
    assert kept.quality[kept.full].tolist() == [m.gps_qual for m in gga]
    np.testing.assert_allclose(kept.hdop[kept.full], [float(m.horizontal_dil) for m in gga])
    np.testing.assert_allclose(kept.height[kept.full], [m.altitude for m in gga])
    days = [m.datestamp.toordinal() for m in good if m.sentence_type == "RMC"]
    assert kept.day[~kept.full].tolist() == days


@pytest.mark.parametrize(
    "row",
    [
        "$GPGGA,184353.07,1929.045,S,02410.506,E,1,04,2.6,100.00,M,-33.9,M,,0000*6D",
        "$GNRMC,001031.00,A,4404.13993,N,12118.86023,W,0.146,,100117,,,A*7B",
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    ],
)
def test_examples_of_handbooks_and_guides(row):
    # The examples are from memory; pynmea2 says whether they are whole.
    ours, other = parse_sentences(text_lines(row)), theirs(row)
    assert ours.kind.tolist() == [POSITION]
    assert ours.latitude[0] == pytest.approx(other.latitude, abs=1e-12)
    assert ours.longitude[0] == pytest.approx(other.longitude, abs=1e-12)


def test_readings_lie_where_interpolation_by_numpy_puts_them(stream, sentences):
    known = [m for m in map(theirs, sentences) if m is not None and m.sentence_type == "GGA"]
    to_map = Transformer.from_crs("EPSG:4326", "EPSG:25831", always_xy=True)
    x, y = to_map.transform([m.longitude for m in known], [m.latitude for m in known])
    time = [m.timestamp.hour * 3600 + m.timestamp.minute * 60 + m.timestamp.second for m in known]
    rows = [row.split() for row in STREAM.read_text("ascii").splitlines() if row[0] == "M"]
    taken = [sum(float(p) * f for p, f in zip(row[1].split(":"), (3600, 60, 1))) for row in rows]
    latency = 0.3
    at = np.array(taken) - 3600 + latency
    fixes = stream.fixes
    ours_x, ours_y = to_map.transform(fixes.longitude, fixes.latitude)
    found = place_stream(
        stream, np.array(ours_x), np.array(ours_y),
        JoinOptions(clock_shift=-3600, latency=latency, longest_gap=1e9),
    ).placed  # fmt: skip
    assert np.isfinite(found.x).all()
    np.testing.assert_allclose(found.x, np.interp(at, time, x), rtol=0, atol=1e-6)
    np.testing.assert_allclose(found.y, np.interp(at, time, y), rtol=0, atol=1e-6)
    values = [[np.nan if w == "-" else float(w) for w in row[2:]] for row in rows]
    np.testing.assert_array_equal(stream.table.values, values)
