import re

import numpy as np
import pytest
from lynchet.algorithms.gridding import masked
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.smoothraster import METHODS, SmoothOptions, smoothraster
from lynchet.algorithms.progress import Cancelled

NAMES = {"low_pass": {"shortest": 6.0}, "high_pass": {"longest": 12.0}}
GIVEN = {
    **NAMES,
    "band_pass": {"shortest": 6.0, "longest": 12.0},
    "median": {"window": 4.0},
    "local_sigmas": {"window": 9.0},
}


def frame_of(values, width=1.0, height=1.0):
    return Frame(431_000.0, 1_200_000.0, width, height, values.shape[1], values.shape[0])


def filtered(values, method, width=1.0, height=1.0, **given):
    options = SmoothOptions(method, **(given or GIVEN[method]))
    return smoothraster(values, frame_of(values, width, height), options).values


@pytest.fixture
def holed():
    """Rough ground with gaps: single cells, a block, a corner cut off."""
    rng = np.random.default_rng(4)
    values = 20.0 + rng.normal(size=(70, 90)).cumsum(axis=0)
    values[rng.random(values.shape) < 0.05] = np.nan
    values[20:35, 40:60] = np.nan
    values[np.indices(values.shape).sum(axis=0) < 40] = np.nan
    return values


@pytest.mark.parametrize("method", METHODS)
def test_a_constant_stays_or_becomes_zero_to_the_last_bit(method, holed):
    values = np.where(np.isnan(holed), np.nan, 20.3)
    expected = 20.3 if method in ("low_pass", "median") else 0.0
    found = filtered(values, method)
    assert np.array_equal(found, np.where(np.isnan(values), np.nan, expected), equal_nan=True)


@pytest.mark.parametrize("method", METHODS)
def test_cells_without_data_stay_without_and_no_others_lose_theirs(method, holed):
    assert np.array_equal(np.isnan(filtered(holed, method)), np.isnan(holed))


@pytest.mark.parametrize("method", ["low_pass", "high_pass", "band_pass"])
def test_a_plane_is_the_grounds_at_edges_and_gaps_too(method, holed):
    y, x = np.indices(holed.shape)
    plane = np.where(np.isnan(holed), np.nan, 3.0 + 0.5 * x - 0.25 * y)
    expected = plane if method == "low_pass" else 0.0 * plane
    np.testing.assert_allclose(filtered(plane, method, 0.5, 0.25), expected, atol=1e-6)


def test_low_and_high_pass_add_up_to_the_raster(holed):
    low, high = (
        filtered(holed, method, **{name: 9.0})
        for method, name in (("low_pass", "shortest"), ("high_pass", "longest"))
    )
    np.testing.assert_allclose(low + high, holed, rtol=0, atol=1e-13)


def test_what_lies_in_a_gap_has_no_part(holed):
    again = holed.copy()
    again[20:35, 40:60] = np.nan
    beside = np.where(np.isnan(holed), 1e6, holed)
    beside[np.isnan(again)] = np.nan
    for method in METHODS:
        assert np.array_equal(filtered(beside, method), filtered(holed, method), equal_nan=True)


@pytest.mark.parametrize(("method", "name"), [("low_pass", "shortest"), ("high_pass", "longest")])
@pytest.mark.parametrize("length", [4.0, 7.0, 25.0, 60.0])
@pytest.mark.parametrize("across", [False, True])
def test_half_of_a_wave_of_the_wavelength_remains(method, name, length, across):
    # cells of 0.5 by 1: the raster's own unit is the map's, not the cell's
    cells = 0.5 if across else 1.0
    wave = np.cos(2 * np.pi * np.arange(400) * cells / length)
    values = np.tile(wave if across else wave[:, np.newaxis], (40, 1) if across else (1, 40))
    found = filtered(values, method, 0.5, 1.0, **{name: length})
    middle = (20, slice(150, 250)) if across else (slice(150, 250), 20)
    share = (found[middle] * values[middle]).sum() / (values[middle] ** 2).sum()
    assert share == pytest.approx(0.5, abs=0.004)  # a sampled Gaussian; exact for long waves


@pytest.mark.parametrize("length", [5.0, 10.0, 20.0, 40.0])
def test_a_band_pass_weakens_waves_as_it_says(length):
    wave = np.tile(np.cos(2 * np.pi * np.arange(600) / length), (30, 1))
    found = filtered(wave, "band_pass", shortest=8.0, longest=32.0)[15, 250:350]
    share = (found * wave[15, 250:350]).sum() / (wave[15, 250:350] ** 2).sum()
    assert share == pytest.approx(2 ** -((8 / length) ** 2) - 2 ** -((32 / length) ** 2), abs=0.002)


def test_a_median_keeps_an_edge_and_takes_out_single_cells():
    values = np.where(np.arange(40) < 20, 10.0, 30.0) * np.ones((30, 1))
    spiked = values.copy()
    spiked[7, 5] = spiked[20, 30] = 500.0
    assert np.array_equal(filtered(spiked, "median", window=4.0), values)


def test_faint_features_in_quiet_ground_come_up_to_strong_ones_in_restless_ground():
    rng = np.random.default_rng(2)
    values = rng.normal(size=(60, 200)) * np.where(np.arange(200) < 100, 0.2, 4.0)
    values[28:32, 48:52] += 1.0
    values[28:32, 148:152] += 20.0
    found = filtered(values, "local_sigmas", window=30.0)
    faint, strong = found[28:32, 48:52].mean(), found[28:32, 148:152].mean()
    assert faint == pytest.approx(5.0, abs=0.8)
    assert strong == pytest.approx(5.0, abs=0.8)
    assert filtered(values * 7 + 90, "local_sigmas", window=30.0) == pytest.approx(found)


@pytest.mark.parametrize("window", [20.0, 40.0])
def test_a_slope_is_nothing_in_local_sigmas_up_to_the_edge(window, holed):
    y, x = np.indices((100, 120))
    plane = 3.0 + 0.5 * x - 0.25 * y
    assert not filtered(plane, "local_sigmas", window=window).any()
    noise = np.random.default_rng(5).normal(size=plane.shape)
    found = filtered(plane + noise, "local_sigmas", window=window)
    # What noise alone gives, about 0 with a standard deviation of 1: in the middle and at the rim.
    for part in (found[30:70, 30:90], found[:3], found[-3:], found[:, :3], found[:, -3:]):
        assert abs(part.mean()) < 0.2
        assert part.std() == pytest.approx(1.0, abs=0.1)
    corners = found[np.ix_([0, 1, 2, -3, -2, -1], [0, 1, 2, -3, -2, -1])]
    assert abs(corners.mean()) < 0.4
    assert np.abs(found).max() < 5.5


def test_strong_features_do_not_tilt_the_level_nor_widen_the_spread_beside_them():
    noise = np.random.default_rng(5).normal(size=(100, 100))
    strong = noise.copy()
    strong[40:60, 55:65] += 50.0
    before, after = (filtered(values, "local_sigmas", window=40.0) for values in (noise, strong))
    beside = (slice(40, 60), slice(30, 50))
    assert after[beside].std() == pytest.approx(before[beside].std(), rel=0.25)
    assert abs((after - before)[beside].mean()) < 0.35


def test_wide_windows_with_hardly_any_data_still_tell_the_level_of_what_there_is():
    values = np.full((90, 90), np.nan)
    values[20, 21] = 4.0  # whose place no thinned window about may hold
    values[70:, 70:] = np.random.default_rng(1).normal(size=(20, 20))
    found = filtered(values, "local_sigmas", window=40.0)
    assert np.array_equal(np.isnan(found), np.isnan(values))
    assert found[20, 21] == 0.0
    assert filtered(values, "median", window=40.0)[20, 21] == pytest.approx(4.0)


@pytest.mark.parametrize("method", METHODS)
def test_a_length_beyond_the_raster_is_told(method, holed):
    given = {"longest": 200.0} if method == "band_pass" else dict.fromkeys(GIVEN[method], 91.0)
    found = smoothraster(holed, frame_of(holed), SmoothOptions(method, **given))
    (length,) = given.values()
    (warned,) = found.warnings
    assert f"{length:g} map units, is more than the raster's longer side, 90: check it." in warned
    at_most = smoothraster(holed, frame_of(holed), SmoothOptions(method, **GIVEN[method]))
    assert at_most.warnings == ()
    small = holed[40:60, 40:60]
    assert smoothraster(small, frame_of(small), SmoothOptions(method)).warnings == ()


def test_ground_without_spread_counts_as_a_tenth_of_the_usual_spread():
    values = np.random.default_rng(2).normal(size=(60, 90))
    values[:, :30] = 0.0
    values[30, 10] = 1.0
    found = filtered(values, "local_sigmas", window=15.0)
    assert 8.0 < found[30, 10] < 20.0  # 1 over a tenth of something like 1


@pytest.mark.parametrize("method", METHODS)
def test_tiles_leave_no_seam(method, holed, monkeypatch):
    whole = filtered(holed, method)
    monkeypatch.setattr(masked, "TILE", 16)
    np.testing.assert_allclose(filtered(holed, method), whole, rtol=0, atol=1e-9)


@pytest.mark.parametrize("method", METHODS)
def test_two_runs_give_the_same_bytes_and_the_input_is_left(method, holed):
    before = holed.copy()
    assert filtered(holed, method).tobytes() == filtered(holed, method).tobytes()
    assert np.array_equal(before, holed, equal_nan=True)


@pytest.mark.parametrize("method", METHODS)
def test_a_raster_turned_by_a_right_angle_gives_the_result_turned(method, holed):
    whole = filtered(holed, method, 0.5, 1.0, **GIVEN[method])
    turned = filtered(np.rot90(holed).copy(), method, 1.0, 0.5, **GIVEN[method])
    np.testing.assert_allclose(turned, np.rot90(whole), rtol=0, atol=1e-9)


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("shape", [(1, 1), (1, 40), (40, 1), (3, 3)])
def test_small_rasters_are_filtered_like_others(method, shape):
    values = np.arange(float(np.prod(shape))).reshape(shape)
    found = filtered(values, method)
    assert np.isfinite(found).all()
    if method == "low_pass":
        np.testing.assert_allclose(found, values, atol=1e-6)


@pytest.mark.parametrize("method", METHODS)
def test_the_work_can_be_stopped(method, holed):
    with pytest.raises(Cancelled):
        smoothraster(
            holed, frame_of(holed), SmoothOptions(method, **GIVEN[method]), lambda done: False
        )


@pytest.mark.parametrize("method", METHODS)
def test_lengths_not_given_follow_from_the_cells(method, holed):
    cells = {"shortest": 8, "longest": 80, "window": 5 if method == "median" else 40}
    given = {name: 0.5 * cells[name] for name in GIVEN[method]}
    frame = frame_of(holed, 0.25, 0.5)
    bare = smoothraster(holed, frame, SmoothOptions(method))
    asked = smoothraster(holed, frame, SmoothOptions(method, **given))
    assert np.array_equal(bare.values, asked.values, equal_nan=True)
    assert {name: bare.figures[name] for name in given} == given


BAD = {
    "an unknown filter": (
        {"method": "sharpen"},
        "Filter 'sharpen' is unknown: choose one of low_pass, high_pass, band_pass, median, "
        "local_sigmas.",
    ),
    "a length below 0": (
        {"shortest": -1.0}, "The shortest wavelength is -1: give a length above 0.",
    ),
    "a wave too short": (
        {"shortest": 3.0},
        "The wavelength of 3 map units is under 4 cells of 1: give 4 or more.",
    ),
    "a window too small": (
        {"method": "median", "window": 1.5},
        "The window of 1.5 map units holds no neighbours among cells of 1: make it 2 or wider.",
    ),
    "a band the wrong way round": (
        {"method": "band_pass", "shortest": 9.0, "longest": 5.0},
        "The shortest wavelength (9) is not below the longest (5): a band pass keeps what lies "
        "between them.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_options_are_told_in_one_sentence(case, holed):
    given, sentence = BAD[case]
    with pytest.raises(ValueError, match=f"^{re.escape(sentence)}$"):
        smoothraster(holed, frame_of(holed), SmoothOptions(**given))


def test_a_raster_without_data_or_spread_is_told():
    with pytest.raises(ValueError, match="holds no data: choose another"):
        filtered(np.full((5, 5), np.nan), "low_pass")
    flat = np.zeros((40, 40))
    flat[5, 5] = 1.0
    with pytest.raises(ValueError, match="more than half of the cells hold one value"):
        filtered(flat, "local_sigmas")
