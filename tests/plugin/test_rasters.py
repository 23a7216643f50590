"""Steps from a raster to rasters."""

import json

import numpy as np
import pytest
from osgeo import gdal

CRS = "EPSG:25831"
NAMES, UNITS = ("ec_050", "ip_050"), ("mS/m", "ppt")
BEARING = 37.0


def values(path, band=1):
    dataset = gdal.Open(str(path))  # kept: a band dies with its dataset
    found = dataset.GetRasterBand(band)
    cells = found.ReadAsArray().astype(float)
    cells[cells == found.GetNoDataValue()] = np.nan
    return cells


def unit(path, band=1):
    dataset = gdal.Open(str(path))
    return dataset.GetRasterBand(band).GetUnitType()


@pytest.fixture
def bands():
    """Two channels striped 0.5 m apart along 37 degrees, with a gap."""
    rng = np.random.default_rng(3)
    x, y = np.meshgrid(np.arange(120) * 0.25, np.arange(100) * -0.25)
    across = x * np.cos(np.radians(BEARING)) - y * np.sin(np.radians(BEARING))
    ground = rng.normal(size=(2, 100, 120)) * 0.3
    found = 20.0 + ground + np.cos(2 * np.pi * across) * np.array([1.0, 0.5])[:, None, None]
    found[0, 30:40, 50:60] = np.nan
    return found


@pytest.fixture
def written(provider, bands, tmp_path):
    """Write bands as a raster with a history."""
    from lynchet.algorithms.gridding.frame import Frame
    from lynchet.plugin.history import Entry
    from lynchet.plugin.raster import write_geotiff
    from qgis.core import QgsCoordinateReferenceSystem

    def go(cells=bands, name="survey.tif", **figures):
        path = tmp_path / name
        count, rows, columns = cells.shape
        frame = Frame(429_999.875, 5_900_010.125, 0.25, 0.25, columns, rows)
        wkt = QgsCoordinateReferenceSystem(CRS).toWkt()
        line = Entry("lynchet:gridreadings", {}, figures, {"ec_050": "mS/m"}).line()
        write_geotiff(path, frame, cells, NAMES[:count], UNITS[:count], wkt, [line])
        return str(path)

    return go


@pytest.fixture
def survey(written):
    return written(traverse_separation=0.5)


def test_bands_come_out_with_their_names_units_cells_and_history(run, survey, bands, tmp_path):
    from lynchet.plugin.history import channel_units, entries, read_history
    from qgis.core import QgsRasterLayer

    out = str(tmp_path / "low.tif")
    found = run("smoothraster", INPUT=survey, SHORTEST=2.0, OUTPUT=out)
    before, after = gdal.Open(survey), gdal.Open(out)
    assert after.GetGeoTransform() == before.GetGeoTransform()
    assert after.RasterCount == 2
    for number in (1, 2):
        assert after.GetRasterBand(number).GetDescription() == NAMES[number - 1]
        assert after.GetRasterBand(number).GetUnitType() == UNITS[number - 1]
        assert np.array_equal(np.isnan(values(out, number)), np.isnan(bands[number - 1]))
    lines = read_history(QgsRasterLayer(out, "low"))
    assert [entry.step for entry in entries(lines)] == [
        "lynchet:gridreadings", "lynchet:smoothraster",
    ]  # fmt: skip
    last = entries(lines)[-1]
    assert last.parameters["SHORTEST"] == 2.0
    assert last.figures["ip_050"]["sigma_shortest"] == pytest.approx(0.3748, abs=1e-4)
    assert json.loads(found["FIGURES"]) == dict(last.figures)
    assert channel_units(lines)["ip_050"] == "ppt"
    told = [said for said in run.listener.said if "keeps half its amplitude" in said]
    assert told == [
        "A wave of 2 map units keeps half its amplitude, shorter ones keep less (Gaussian with a "
        "standard deviation of 0.375)."
    ]


def test_the_step_gives_what_the_science_gives(run, survey, bands, tmp_path):
    from lynchet.algorithms.gridding.frame import Frame
    from lynchet.algorithms.gridding.smoothraster import SmoothOptions, smoothraster

    out = str(tmp_path / "o.tif")
    run("smoothraster", INPUT=survey, BANDS=[2], METHOD="median", WINDOW=1.5, OUTPUT=out)
    assert gdal.Open(out).RasterCount == 1
    as_read = bands[1].astype(np.float32).astype(float)
    frame = Frame(0.0, 0.0, 0.25, 0.25, 120, 100)
    expected = smoothraster(as_read, frame, SmoothOptions("median", window=1.5)).values
    np.testing.assert_array_equal(values(out), expected.astype(np.float32))


def test_local_sigmas_are_in_local_sigmas(run, survey, tmp_path):
    out = str(tmp_path / "o.tif")
    run("smoothraster", INPUT=survey, METHOD="local_sigmas", WINDOW=5.0, OUTPUT=out)
    assert unit(out, 2) == "local sigmas"


def test_stripes_are_found_taken_and_kept_beside(run, survey, bands, tmp_path):
    out, removed = str(tmp_path / "o.tif"), str(tmp_path / "r.tif")
    found = run("destriperaster", INPUT=survey, OUTPUT=out, REMOVED=removed)
    assert found["REMOVED"] == removed
    for number in (1, 2):
        total = values(out, number) + values(removed, number)
        np.testing.assert_allclose(total, bands[number - 1], rtol=0, atol=4e-6)
        assert unit(removed, number) == UNITS[number - 1]
    figures = json.loads(found["FIGURES"])["ec_050"]
    assert figures["bearing"] == pytest.approx(BEARING, abs=0.5)
    assert figures["removed_rms"] == pytest.approx(np.sqrt(0.5), rel=0.15)
    said = run.listener.said
    assert any("degrees (from the spectrum: " in line for line in said)
    assert any("0.5 map units apart (from the raster's history)" in line for line in said)
    assert any(line.startswith("ec_050: removed ") and "% of the variance" in line for line in said)


def test_a_bearing_given_goes_before_the_history_and_that_before_the_spectrum(
    run, written, tmp_path
):
    survey = written(traverse_separation=0.5, traverse_bearing=120.0)
    out = str(tmp_path / "o.tif")

    def bearing(**given):
        found = run("destriperaster", INPUT=survey, OUTPUT=out, **given)
        return json.loads(found["FIGURES"])["ec_050"]["bearing"]

    assert bearing() == 120.0
    assert bearing(BEARING=10.0) == 10.0
    assert any("along 10 degrees (as given)" in line for line in run.listener.said)


def test_bearings_are_told_as_those_of_an_axis(run, survey, tmp_path):
    found = run("destriperaster", INPUT=survey, BEARING=397.0, OUTPUT=str(tmp_path / "o.tif"))
    assert any("run along 37 degrees (as given)" in line for line in run.listener.said)
    assert not any("397" in line for line in run.listener.said)
    assert json.loads(found["FIGURES"])["ec_050"]["bearing"] == 37.0


def test_a_bearing_weak_in_the_spectrum_is_warned_of_and_a_strong_one_is_not(
    run, written, bands, tmp_path
):
    x, y = np.meshgrid(np.arange(120) * 0.25, np.arange(100) * -0.25)
    traverse = np.floor((x * np.cos(np.radians(BEARING)) - y * np.sin(np.radians(BEARING))) / 0.5)
    offsets = np.random.default_rng(7).normal(size=200)[traverse.astype(int) + 20]
    for height, doubted in ((0.0, True), (5.0, False)):  # waves of one length, offsets
        survey = written(bands[:1] + height * offsets, traverse_separation=0.5)
        run("destriperaster", INPUT=survey, OUTPUT=str(tmp_path / "o.tif"))
        doubt = [line for line in run.listener.said if "shows but weakly in the spectrum" in line]
        assert len(doubt) == doubted
        run.listener.said.clear()


def test_a_raster_in_degrees_is_sent_to_the_step_for_rasters(run, tmp_path):
    from osgeo import osr
    from qgis.core import QgsProcessingException

    path = str(tmp_path / "world.tif")
    dataset = gdal.GetDriverByName("GTiff").Create(path, 20, 20, 1, gdal.GDT_Float32)
    dataset.SetGeoTransform((1.0, 1e-5, 0.0, 52.0, 0.0, -1e-5))
    system = osr.SpatialReference()
    system.ImportFromEPSG(4326)
    dataset.SetProjection(system.ExportToWkt())
    dataset = None
    for step in ("smoothraster", "destriperaster"):
        with pytest.raises(QgsProcessingException, match="is in degrees") as wrong:
            run(step, INPUT=path, OUTPUT=str(tmp_path / "o.tif"))
        assert "Run 'Warp (reproject)' (gdal:warpreproject) first." in str(wrong.value)
        assert "reprojectlayer" not in str(wrong.value)


def test_grid_readings_tells_the_rasters_that_follow_its_bearing(run, point_layer, tmp_path):
    rng = np.random.default_rng(0)
    line, place = np.repeat(np.arange(20), 40), np.tile(np.arange(40) * 0.25, 20)
    layer = point_layer(
        x=(430_000 + 0.5 * line).tolist(), y=(5_900_000 + place).tolist(), line=line.tolist(),
        ec_050=(20 + rng.normal(size=20)[line]).tolist(),
    )  # fmt: skip
    raster = run("gridreadings", INPUT=layer, CELL_SIZE=0.25, OUTPUT=str(tmp_path / "m.tif"))
    run("destriperaster", INPUT=raster["OUTPUT"], OUTPUT=str(tmp_path / "o.tif"))
    assert (
        "Traverses run along 0 degrees (from the raster's history), 0.5 map units apart (from the "
        "raster's history)."
    ) in run.listener.said


def test_what_was_removed_is_written_only_where_it_is_asked_for(run, survey, tmp_path):
    found = run("destriperaster", INPUT=survey, BEARING=0.0, OUTPUT=str(tmp_path / "o.tif"))
    assert "REMOVED" not in found
    assert sorted(path.name for path in tmp_path.iterdir()) == ["o.tif", "survey.tif"]


def test_two_runs_write_the_same_bytes(run, survey, tmp_path):
    written = []
    for name in ("a.tif", "b.tif"):
        run("destriperaster", INPUT=survey, OUTPUT=str(tmp_path / name))
        written.append((tmp_path / name).read_bytes())
    assert written[0] == written[1]


def test_a_band_without_data_stays_empty_and_is_told(run, written, bands, tmp_path):
    bands[1] = np.nan
    out = str(tmp_path / "o.tif")
    survey = written(bands, traverse_separation=0.5)
    for step in ("smoothraster", "destriperaster"):
        run(step, INPUT=survey, OUTPUT=out)
        assert "Band ip_050 holds no data and stays empty." in run.listener.said
        assert np.isfinite(values(out, 1)).any()
        assert np.isnan(values(out, 2)).all()


BAD = {
    "no data": (
        "smoothraster", {"EMPTY": True}, "Raster 'survey' holds no data: choose another.",
    ),
    "a wave too short": (
        "smoothraster", {"SHORTEST": 0.6},
        "Band ec_050: the wavelength of 0.6 map units is under 4 cells of 0.25: give 1 or more.",
    ),
    "a length of 0": (
        "smoothraster", {"WINDOW": 0.0}, "'Width of the window' is 0; it must be above 0.",
    ),
    "no such band": (
        "smoothraster", {"BANDS": "7"},
        "'Bands' names band 7; raster 'survey' has bands 1 to 2.",
    ),
    "no separation": (
        "destriperaster", {"FIGURES": {}},
        "The history of raster 'survey' does not tell how far apart its traverses are. Give the "
        "'Traverse separation'.",
    ),
    "no stripes": (
        "destriperaster", {"NOISE": True},
        "No direction stands out in the raster, so it is not known where stripes run: give the "
        "bearing of the traverses, or leave the raster as it is if you see no stripes.",
    ),
    "one file for both": (
        "destriperaster", {"REMOVED": "o.tif"},
        "'Raster without stripes' and 'What was removed' would both be written to 'o.tif'. Choose "
        "a file for each.",
    ),
    "a picture for a raster": (
        "destriperaster", {"REMOVED": "o.png"},
        "'What was removed' is 'o.png'; a raster is written as GeoTIFF: name it .tif.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_told_and_writes_nothing(run, written, bands, tmp_path, case):
    from qgis.core import QgsProcessingException

    step, given, sentence = BAD[case]
    given = dict(given)
    if given.pop("EMPTY", False):
        bands[:] = np.nan
    if given.pop("NOISE", False):
        bands[:] = np.random.default_rng(1).normal(size=bands.shape)
    survey = written(bands, **given.pop("FIGURES", {"traverse_separation": 0.5}))
    if "REMOVED" in given:
        given["REMOVED"] = str(tmp_path / given["REMOVED"])
    with pytest.raises(QgsProcessingException) as wrong:
        run(step, INPUT=survey, OUTPUT=str(tmp_path / "o.tif"), **given)
    assert sentence in str(wrong.value)
    assert [path.name for path in tmp_path.iterdir()] == ["survey.tif"]


def test_where_the_second_raster_cannot_be_written_there_is_no_first(
    run, survey, tmp_path, monkeypatch
):
    from lynchet.plugin.gridding import raster_step
    from qgis.core import QgsProcessingException

    write = raster_step.write_geotiff

    def full(path, *rest):
        if path.name == "r.tif":
            raise ValueError("The disk is full.")
        write(path, *rest)

    monkeypatch.setattr(raster_step, "write_geotiff", full)
    with pytest.raises(QgsProcessingException, match="The disk is full"):
        run(
            "destriperaster", INPUT=survey, OUTPUT=str(tmp_path / "o.tif"),
            REMOVED=str(tmp_path / "r.tif"),
        )  # fmt: skip
    assert [path.name for path in tmp_path.iterdir()] == ["survey.tif"]
