"""The sample survey: made the same every time, with its faults in it, and its scorer."""

import subprocess
import sys

import numpy as np
import pytest
from host import ROOT

SAMPLE = ROOT / "sample_layers"
sys.path.append(str(SAMPLE))

import score  # noqa: E402


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("quillmere")
    script = SAMPLE / "make_quillmere.py"
    subprocess.run([sys.executable, str(script), "--out", str(folder)], check=True, timeout=120)
    return folder


@pytest.fixture(scope="module")
def day():
    import walk

    return walk.survey()


SUFFIXES = (".csv", ".geojson", ".txt", ".json")
DATA = sorted(path.relative_to(SAMPLE) for path in SAMPLE.rglob("*") if path.suffix in SUFFIXES)


def test_there_is_data():
    assert len(DATA) == 35


@pytest.mark.parametrize("name", DATA, ids=str)
def test_the_generator_makes_the_very_bytes_that_are_here(made, name):
    assert (made / name).read_bytes() == (SAMPLE / name).read_bytes()


def test_it_is_small_enough():
    assert sum((SAMPLE / name).stat().st_size for name in DATA) < 8e6


def test_recorded_is_the_sum_of_the_clean_field_and_every_fault(day):
    for part in day[0].values():
        faults = part.lag + part.noise + part.carry + part.drift + part.offsets + part.spikes
        known = ~part.missing
        np.testing.assert_allclose(part.recorded[known], (part.clean + faults)[known])
        assert np.isnan(part.recorded[part.missing]).all()


@pytest.mark.parametrize("channel", range(4))
def test_every_fault_stands_out_of_the_noise(day, channel):
    part = day[0]["G1"]
    noise = part.noise[:, channel].std()
    lines = part.offsets[:: len(part.line) // 40, channel]
    assert lines.std() > 2 * noise
    assert np.ptp(part.drift[:, channel]) > 2 * noise
    spiked = part.spikes[:, channel] != 0
    assert 0.004 < spiked.mean() < 0.01
    assert np.abs(part.spikes[spiked, channel]).min() > 10 * noise


def test_base_readings_drift_as_the_field_does(day):
    import walk

    walked, visits = day
    values = np.array([value.mean(axis=0) for _, _, _, _, value in visits])
    times = np.array([time.mean() for _, time, *_ in visits])
    zero = np.where((times > walked["G3"].time[0] - 60)[:, None], walk.REZERO, 0.0)
    expected = walk.drift_at(times) + zero
    assert np.abs((values - values[0]) - (expected - expected[0])).max() < 0.2


def test_the_zigzag_lag_pushes_opposite_passes_apart(day):
    part = day[0]["G1"]
    forward, back = part.line % 2 == 1, part.line % 2 == 0
    with np.errstate(divide="ignore", invalid="ignore"):  # where one traverse ends at the next
        slope = np.gradient(part.clean[:, 0], part.v)
    late = part.lag[:, 0]
    usable = np.isfinite(slope) & (np.abs(slope) > 0.5) & (np.abs(slope) < 20)
    assert np.median(late[usable & forward] / slope[usable & forward]) == pytest.approx(
        -0.12, abs=0.02
    )
    assert np.median(late[usable & back] / slope[usable & back]) == pytest.approx(0.12, abs=0.02)


def test_the_other_loggers_hold_the_very_readings(made):
    words = [
        row.split(",")[4]
        for number in range(1, 5)
        for row in (made / f"quillmere_g{number}.csv").read_text("utf-8").splitlines()[3:]
    ]
    marked = (made / "quillmere_marked.csv").read_text("utf-8").splitlines()[1:]
    assert [row.split(",")[3] for row in marked] == words
    stream = (made / "quillmere_stream.txt").read_text("ascii").splitlines()
    spoken = [row.split()[2] for row in stream if row.startswith("M ")]
    assert ["" if word == "-" else word for word in spoken] == words
    cells = [
        cell
        for number in range(1, 5)
        for cell in (made / "data_grids" / f"quillmere_g{number}_ec_050.txt").read_text().split()
    ]
    assert ["" if cell == "-9999" else cell for cell in cells] == words


def test_the_tracks_coils_trail_its_antenna(made):
    truth = np.genfromtxt(made / "truth" / "track.csv", delimiter=",", skip_header=1)
    near, far = truth[:, 1:3], truth[:, 3:5]
    np.testing.assert_allclose(np.hypot(*(near - far).T), 0.25, atol=2e-3)


def test_the_parallel_ditch_covers_less_than_half_of_any_traverse(day):
    import quillmere

    ditch = next(f for f in quillmere.features() if f.name == "enclosure")
    part = day[0]["G2"]
    share = [
        quillmere.covered(ditch, part.u[part.line == k], part.v[part.line == k]).mean()
        for k in range(1, 41)
    ]
    assert 0.3 < max(share) < 0.45


def test_longitudes_and_latitudes_agree_with_proj():
    # Independent library: PROJ, through GDAL's bindings or pyproj where one of them is there.
    osr = pytest.importorskip("osgeo.osr")
    import utm

    plane, degrees = osr.SpatialReference(), osr.SpatialReference()
    plane.ImportFromEPSG(25831)
    degrees.ImportFromEPSG(4326)
    for reference in (plane, degrees):
        reference.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    transform = osr.CoordinateTransformation(plane, degrees)
    x = np.array([430_000.0, 429_950.0, 500_000.0, 250_000.0])
    y = np.array([5_900_000.0, 5_900_060.0, 5_000_000.0, 6_600_000.0])
    expected = np.array(transform.TransformPoints(np.column_stack([x, y]).tolist()))[:, :2]
    found = np.column_stack(utm.longitude_latitude(x, y, 31))
    # 1e-8 degrees is about a millimetre.
    np.testing.assert_allclose(found, expected, rtol=0, atol=1e-8)


# -- the scorer ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def truth():
    return score.load_truth()


def square(x, y, side):
    return [np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side], [x, y]])]


def small_truth():
    features = (
        score.Planted("pit", "pit", 2.0, True, tuple(square(0, 0, 2))),
        score.Planted("drain", "drain", 0.3, False, tuple(square(30, 0, 2))),
    )
    clean = np.arange(8.0).reshape(2, 4)
    return score.Truth({("G", 1, 1): 0, ("G", 1, 2): 1}, clean, clean + 1, features)


def test_readings_are_scored_by_their_keys_not_their_order():
    truth = small_truth()
    values = truth.clean[::-1] + 3.0
    found = score.score_readings(truth, [("G", 1, 2), ("G", 1, 1)], values)["ec_050"]
    assert found.to_clean == 3.0
    assert found.faults == 2.0
    assert found.to_clean_level == 0.0


def test_missing_readings_do_not_count():
    truth = small_truth()
    values = truth.clean + np.array([[1.0], [np.nan]])
    keys = [("G", 1, 1), ("G", 1, 2)]
    assert score.score_readings(truth, keys, values)["ip_100"].to_clean == 1.0


def test_a_feature_is_found_when_a_quarter_is_covered():
    truth = small_truth()
    assert score.score_anomalies(truth, [square(0, 0, 1.1)]).found == ("pit",)
    assert score.score_anomalies(truth, [square(-3, -3, 3.5)]).found == ()


def test_an_anomaly_far_from_everything_is_false_and_one_beside_a_feature_is_not():
    truth = small_truth()
    found = score.score_anomalies(truth, [square(10, 10, 1), square(2.5, 0, 1)])
    assert found.false == (0,)
    assert found.missed == ("pit",)


def test_features_that_need_not_be_found_are_not_missed():
    assert score.score_anomalies(small_truth(), []).missed == ("pit",)


def test_the_truth_scores_itself_perfectly(truth):
    found = score.score_anomalies(truth, [planted.rings for planted in truth.planted])
    assert found.missed == ()
    assert found.false == ()
    keys = list(truth.row_of)
    assert score.score_readings(truth, keys, truth.clean)["ec_100"].to_clean == 0.0


def test_only_the_scorer_and_the_generator_know_the_truth():
    for folder in ("algorithms", "plugin"):
        for path in (ROOT / folder).rglob("*.py"):
            assert "truth" not in path.read_text("utf-8").lower()
