import re
import sys
from pathlib import Path

import numpy as np
import pytest
from lynchet.algorithms.gridding import masked
from lynchet.algorithms.gridding.destriperaster import (
    DestripeOptions,
    destriperaster,
    find_bearing,
)
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import Readings
from scipy import ndimage

SAMPLE = Path(__file__).resolve().parents[2] / "sample_layers"
BEARINGS = [0.0, 90.0, 37.0, 127.0, 45.0, 135.0]
WAVES = (1.0, 1.4, 1.9, 2.7)
"""Lengths of waves across: traverses 0.5 m apart."""


def ground(seed=0, width=0.25, height=0.25, n=240):
    """Soil with a standard deviation of 1, noise of 0.1, a gap and a corner cut off."""
    rng = np.random.default_rng(seed)
    field = ndimage.gaussian_filter(rng.normal(size=(n, n)), (2 / height, 2 / width))
    field = field / field.std() + 0.1 * rng.normal(size=(n, n))
    field[60:90, 100:140] = np.nan
    field[:50, :60] = np.nan
    return field, Frame(430_000.0, 5_900_000.0, width, height, n, n)


def across(frame, bearing):
    """Distance of the cells to the right of a line along the bearing."""
    x, y = np.meshgrid(frame.centres_x - frame.west, frame.centres_y - frame.north)
    return x * np.cos(np.radians(bearing)) - y * np.sin(np.radians(bearing))


def stripes(frame, bearing, waves=WAVES):
    """Stripes with a standard deviation of 1."""
    away = across(frame, bearing)
    found = sum(np.cos(2 * np.pi * away / wave + wave) for wave in waves)
    return found / found.std()


def rms(values):
    return float(np.sqrt(np.nanmean(np.square(values))))


@pytest.mark.parametrize("bearing", BEARINGS)
def test_nine_tenths_of_the_stripes_go_and_the_ground_hardly_changes(bearing):
    field, frame = ground()
    striped = field + stripes(frame, bearing)
    found = destriperaster(striped, frame, DestripeOptions(0.5, bearing))
    assert rms(found.values - field) ** 2 < 0.06  # of 1
    clean = destriperaster(field, frame, DestripeOptions(0.5, bearing))
    assert rms(clean.removed) < 0.06  # of 1


@pytest.mark.parametrize("bearing", BEARINGS)
def test_the_bearing_is_found_in_the_spectrum(bearing):
    field, frame = ground()
    striped = field + 0.3 * stripes(frame, bearing)
    found = find_bearing(striped, frame, DestripeOptions(0.5))
    assert abs((found.bearing - bearing + 90) % 180 - 90) < 0.3
    by_itself = destriperaster(striped, frame, DestripeOptions(0.5))
    assert by_itself.figures["bearing"] == found.bearing
    assert by_itself.figures["strength"] == found.strength > 5


@pytest.mark.parametrize("seed", range(4))
def test_where_no_direction_stands_out_the_bearing_is_asked_for(seed):
    field, frame = ground(seed)
    with pytest.raises(ValueError, match="No direction stands out in the raster"):
        destriperaster(field, frame, DestripeOptions(0.5))


@pytest.mark.parametrize("wave", [2.0, 2.7, 4.0])
@pytest.mark.parametrize("bearing", [0.0, 37.0])
def test_even_stripes_of_half_the_grounds_height_are_found(wave, bearing):
    field, frame = ground()
    striped = 2.0 * field + np.sin(2 * np.pi * across(frame, bearing) / wave)
    found = destriperaster(striped, frame, DestripeOptions(0.5))
    assert abs((found.figures["bearing"] - bearing + 90) % 180 - 90) < 1.0


@pytest.mark.parametrize("wave", [2.0, 2.7])
@pytest.mark.parametrize("seed", range(2))
def test_even_stripes_on_soil_rough_at_all_scales_are_found(wave, seed):
    # A power-law spectrum, as soils and topography have (Mandelbrot 1982, from memory).
    _, frame = ground()
    down, right = np.fft.fftfreq(240)[:, np.newaxis], np.fft.rfftfreq(240)
    waves = np.hypot(down, right)
    waves[0, 0] = np.inf
    noise = np.random.default_rng(seed).normal(size=(240, 240))
    soil = np.fft.irfft2(np.fft.rfft2(noise) * waves**-1.5, (240, 240))
    soil *= 2.0 / soil.std()
    with pytest.raises(ValueError, match="No direction stands out"):
        destriperaster(soil, frame, DestripeOptions(0.5))
    striped = soil + np.sin(2 * np.pi * across(frame, 37.0) / wave)
    found = destriperaster(striped, frame, DestripeOptions(0.5))
    assert found.figures["bearing"] == pytest.approx(37.0, abs=1.0)


@pytest.mark.parametrize("smooth", [0.0, 0.5, 1.0, 8.0])
@pytest.mark.parametrize("size", [(40, 40), (60, 60), (80, 80), (60, 240)])
def test_no_direction_stands_out_in_rough_ground(size, smooth):
    frame = Frame(430_000.0, 5_900_000.0, 0.25, 0.25, size[1], size[0])
    for seed in range(5):
        noise = np.random.default_rng(seed).normal(size=size)
        field = ndimage.gaussian_filter(noise, smooth)
        field = field / field.std() + 0.1 * np.random.default_rng(seed + 100).normal(size=size)
        field[:15, :15] = np.nan
        assert not find_bearing(field, frame, DestripeOptions(0.5)).stands_out


def test_a_bearing_that_shows_but_weakly_is_doubted():
    field, frame = ground()
    weak, strong, even = (
        destriperaster(field + height * stripes(frame, 37.0, waves), frame, DestripeOptions(0.5))
        for height, waves in ((0.1, WAVES), (2.0, np.arange(0.9, 4.0, 0.05)), (0.5, (2.0,)))
    )
    assert strong.figures["strength"] > 10 > weak.figures["strength"]
    doubt = "shows but weakly in the spectrum"
    assert not any(doubt in sentence for sentence in strong.warnings)
    assert [doubt in sentence for sentence in weak.warnings] == [True]
    assert "the grain of the ground" in weak.warnings[0]
    assert any(doubt in sentence for sentence in even.warnings)


def test_a_bearing_given_against_the_stripes_is_doubted():
    field, frame = ground()
    striped = field + 2.0 * stripes(frame, 37.0, np.arange(0.9, 4.0, 0.05))
    doubt = "and not along the bearing used"
    for given, doubted in ((127.0, True), (487.0, True), (37.0, False), (217.0, False)):
        found = destriperaster(striped, frame, DestripeOptions(0.5, given))
        assert any(doubt in sentence for sentence in found.warnings) == doubted
        assert any(f"{doubt}, 127: check" in sentence for sentence in found.warnings) == doubted
        assert found.figures["bearing"] == given % 180
        assert f"Stripes along {given % 180:g} degrees" in found.messages[0]
    assert not destriperaster(field, frame, DestripeOptions(0.5, 127.0)).warnings


def test_lengths_beyond_the_raster_are_told():
    field, frame = ground()
    found = destriperaster(field, frame, DestripeOptions(61.0, 0.0, length=90.0))
    assert found.warnings[:2] == (
        "The traverse separation, 61 map units, is more than the raster's longer side, 60: check "
        "it.",
        "The length of stripes, 90 map units, is more than the raster's longer side, 60: check it.",
    )
    assert not destriperaster(field, frame, DestripeOptions(0.5, 0.0, length=60.0)).warnings
    assert not destriperaster(field, frame, DestripeOptions(4.0, 0.0)).warnings  # length not given


def test_cells_need_not_be_square():
    field, frame = ground(width=0.25, height=0.15)
    found = destriperaster(field + stripes(frame, 37.0), frame, DestripeOptions(0.5))
    assert found.figures["bearing"] == pytest.approx(37.0, abs=0.3)
    assert rms(found.values - field) ** 2 < 0.04


def test_the_two_rasters_add_up_to_the_input_in_the_digits_of_a_raster():
    field, frame = ground()
    field += 20.0
    found = destriperaster(field, frame, DestripeOptions(0.5, 37.0))
    assert np.array_equal(np.isnan(found.values), np.isnan(field))
    assert np.array_equal(np.isnan(found.removed), np.isnan(field))
    total = found.values.astype(np.float32) + found.removed.astype(np.float32)
    np.testing.assert_allclose(total, field.astype(np.float32), rtol=0, atol=4e-6)


@pytest.mark.parametrize("wave", [30.0, 12.0, 4.0, 1.0])
def test_broad_change_across_is_the_grounds(wave):
    _, frame = ground()
    options = DestripeOptions(0.5, 37.0, limit=0.0)
    field = np.cos(2 * np.pi * across(frame, 37.0) / wave)
    middle = (slice(60, -60), slice(60, -60))
    removed = destriperaster(field, frame, options).removed[middle]
    share = (removed * field[middle]).sum() / (field[middle] ** 2).sum()
    # The low pass leaves half of 4 m, the default 8 separations; a pass keeps 78 % of 1 m.
    expected = (1 - 2 ** -((4.0 / wave) ** 2)) * (
        1 - (1 - np.exp(-2 * (np.pi * 0.1125 / wave) ** 2)) ** 3
    )
    assert share == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("length", [5.0, 10.0])
def test_half_of_what_changes_over_twice_the_length_goes(length):
    frame = Frame(0.0, 0.0, 0.25, 0.25, 400, 400)
    x, y = np.meshgrid(frame.centres_x, frame.centres_y)
    field = np.cos(2 * np.pi * x / 1.0) * np.cos(2 * np.pi * y / (2 * length))
    options = DestripeOptions(0.5, 0.0, length=length, limit=0.0)
    middle = (slice(150, 250), slice(150, 250))
    removed = destriperaster(field, frame, options).removed[middle]
    share = (removed * field[middle]).sum() / (field[middle] ** 2).sum()
    g = 1 - 0.5 ** (1 / 3)
    # What the weights of a pass, 0.45 cells wide, make of a wave of four cells.
    cells = np.arange(-6, 7)
    weights = np.exp(-0.5 * (cells / 0.45) ** 2)
    narrow = (weights * np.cos(np.pi * cells / 2)).sum() / weights.sum()
    assert share == pytest.approx(1 - (1 - g * narrow) ** 3, abs=0.005)
    assert 1 - (1 - g) ** 3 == pytest.approx(0.5)


def test_a_short_ditch_along_the_traverses_loses_no_more_than_a_stripes_height():
    field, frame = ground()
    striped = 0.1 * field + 0.3 * stripes(frame, 0.0)
    away = np.abs(across(frame, 0.0) - 40.0) < 0.5
    ditch = np.where(away & (np.arange(240)[:, np.newaxis] > 120), 6.0, 0.0)
    ditch[200:] = 0.0  # 20 m long
    with_ditch = destriperaster(striped + ditch, frame, DestripeOptions(0.5, 0.0))
    without = destriperaster(striped, frame, DestripeOptions(0.5, 0.0))
    taken = (with_ditch.removed - without.removed)[ditch > 0].mean() / 6.0
    unlimited = destriperaster(striped + ditch, frame, DestripeOptions(0.5, 0.0, limit=0.0))
    taken_without_limit = (unlimited.removed - without.removed)[ditch > 0].mean() / 6.0
    assert taken < 0.12
    assert taken_without_limit > 0.4


@pytest.fixture(scope="module")
def quillmere():
    """The sample survey, clean and with offsets of its traverses, gridded; and the ditch's sides.

    All that is wrong with the second is noise and each traverse's offset.
    """
    sys.path.insert(0, str(SAMPLE))
    import walk
    from quillmere import BEARING, CORNER, GRIDS, to_map

    walked, _ = walk.survey()
    parts = [walked[grid] for grid in GRIDS]

    def of(pick):
        return np.concatenate([pick(part) for part in parts])

    x, y = to_map(of(lambda part: part.u), of(lambda part: part.v))
    grid = np.repeat(list(GRIDS), [len(part.u) for part in parts])
    clean = of(lambda part: part.clean)
    noise, offsets = of(lambda part: part.noise), of(lambda part: part.offsets)
    rasters = {}
    for name, values in (
        ("clean", clean), ("noisy", clean + noise), ("striped", clean + noise + offsets),
    ):  # fmt: skip
        readings = Readings.build(
            x=x, y=y, values=values, line=of(lambda part: part.line), grid=grid
        )
        gridded = gridreadings(readings, GriddingOptions("inverse_distance", cell_size=0.25))
        rasters[name] = gridded.bands.astype(float)
    frame = gridded.frame
    east, north = np.meshgrid(frame.centres_x - CORNER[0], frame.centres_y - CORNER[1])
    bearing = np.radians(BEARING)
    along = east * np.sin(bearing) + north * np.cos(bearing)
    aside = east * np.cos(bearing) - north * np.sin(bearing)
    in_length = (along > 12.8) & (along < 27.2)
    sides = [
        (in_length & (np.abs(aside - middle) < 0.5),
         in_length & (np.abs(np.abs(aside - middle) - 2.0) < 0.5))
        for middle in (22.0, 34.4)
    ]  # fmt: skip
    assert gridded.figures["traverse_bearing"] == 17.0
    return rasters, frame, sides


@pytest.mark.parametrize(("channel", "less"), [(0, 0.65), (1, 0.6), (2, 0.65), (3, 0.75)])
def test_the_sample_surveys_stripes_go_and_its_clean_field_stays(quillmere, channel, less):
    rasters, frame, _ = quillmere
    clean, noisy, striped = (rasters[name][channel] for name in ("clean", "noisy", "striped"))
    found = destriperaster(striped, frame, DestripeOptions(0.5))
    assert found.figures["bearing"] == pytest.approx(17.0, abs=0.3)
    assert rms(found.values - clean) < less * rms(striped - clean)
    untouched = destriperaster(noisy, frame, DestripeOptions(0.5, 17.0))
    assert rms(untouched.removed) < 0.13 * rms(striped - clean)


def test_what_the_sample_surveys_parallel_ditch_loses(quillmere):
    rasters, frame, sides = quillmere
    lost = {}
    for name, limit in (("by default", 2.0), ("without limit", 0.0)):
        options = DestripeOptions(0.5, 17.0, limit=limit)
        taken, alone = (
            destriperaster(raster, frame, options).removed
            for raster in (rasters["striped"][0], (rasters["striped"] - rasters["noisy"])[0])
        )
        lost[name] = [
            (_contrast(taken, *side) - _contrast(alone, *side))
            / _contrast(rasters["clean"][0], *side)
            for side in sides
        ]
    assert max(lost["by default"]) < 0.28  # the guide says about a quarter
    assert min(lost["without limit"]) > 0.28


def _contrast(values, inside, beside):
    return np.nanmean(values[inside]) - np.nanmean(values[beside])


def test_tiles_leave_no_seam(monkeypatch):
    field, frame = ground()
    options = DestripeOptions(0.5, 37.0, length=4.0)
    whole = destriperaster(field, frame, options).removed
    monkeypatch.setattr(masked, "TILE", 60)
    found = destriperaster(field, frame, options).removed
    np.testing.assert_allclose(found, whole, rtol=0, atol=1e-5)


def test_two_runs_give_the_same_bytes_and_the_input_is_left():
    field, frame = ground()
    before = field.copy()
    first, second = (destriperaster(field, frame, DestripeOptions(0.5, 37.0)) for _ in range(2))
    assert first.values.tobytes() == second.values.tobytes()
    assert np.array_equal(before, field, equal_nan=True)


def test_the_work_can_be_stopped_anywhere():
    field, frame = ground()
    for last in (0.0, 0.1, 0.5):
        with pytest.raises(Cancelled):
            destriperaster(field, frame, DestripeOptions(0.5, 37.0), lambda done: done < last)  # noqa: B023


def test_what_was_removed_is_told():
    field, frame = ground()
    found = destriperaster(field + 20.0 * stripes(frame, 0.0), frame, DestripeOptions(0.5, 0.0))
    share = np.nanvar(found.removed) / np.nanvar(field + 20.0 * stripes(frame, 0.0))
    assert found.figures["removed_share"] == pytest.approx(share)
    assert f"Removed {100 * share:.3g} % of the variance" in found.messages[1]
    assert "weakened" in found.messages[2]
    assert found.warnings[0].startswith("More than 50% of the raster's variance was removed")
    assert not destriperaster(field, frame, DestripeOptions(0.5, 0.0)).warnings


BAD = {
    "a separation of 0": (
        {"separation": 0.0}, "The traverse separation is 0: give a distance above 0.",
    ),
    "stripes shorter than they are apart": (
        {"separation": 0.5, "length": 0.3},
        "The length of stripes is 0.3: give at least the traverse separation (0.5).",
    ),
    "waves too short": (
        {"separation": 0.5, "widest": 2.0},
        "The longest wave across is 2 traverse separations: give 4 or more, as two traverses make "
        "the shortest wave there is.",
    ),
    "a limit below 0": (
        {"separation": 0.5, "limit": -1.0}, "The limit is -1: give 0 or more.",
    ),
    "no bearing": (
        {"separation": 0.5, "bearing": np.inf},
        "The bearing is inf: give degrees from grid north.",
    ),
    "cells too wide": (
        {"separation": 0.2, "bearing": 0.0},
        "Cells of 0.25 are wider than the traverse separation of 0.2 and cannot show its stripes: "
        "correct the separation, or grid the readings finer.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_options_are_told_in_one_sentence(case):
    given, sentence = BAD[case]
    field, frame = ground()
    with pytest.raises(ValueError, match=f"^{re.escape(sentence)}$"):
        destriperaster(field, frame, DestripeOptions(**given))


def test_a_raster_without_data_or_too_small_is_told():
    frame = Frame(0.0, 0.0, 0.25, 0.25, 5, 5)
    with pytest.raises(ValueError, match="holds no data: choose another"):
        destriperaster(np.full((5, 5), np.nan), frame, DestripeOptions(0.5, 0.0))
    values = np.random.default_rng(0).normal(size=(5, 5))
    with pytest.raises(ValueError, match="too small to show stripes"):
        destriperaster(values, frame, DestripeOptions(0.5))
    assert np.isfinite(destriperaster(values, frame, DestripeOptions(0.5, 0.0)).values).all()
