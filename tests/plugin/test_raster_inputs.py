"""Rasters and bands as a user gives them."""

import numpy as np
import pytest


@pytest.fixture
def raster(tmp_path):
    from osgeo import gdal, osr

    def make(transform=(430000, 0.5, 0, 5900020, 0, -0.5), bands=3):
        path = str(tmp_path / "raster.tif")
        made = gdal.GetDriverByName("GTiff").Create(path, 40, 30, bands, gdal.GDT_Float32)
        made.SetGeoTransform(transform)
        reference = osr.SpatialReference()
        reference.ImportFromEPSG(25831)
        made.SetProjection(reference.ExportToWkt())
        for band in range(1, bands + 1):
            cells = np.random.default_rng(band).normal(20, 1, (30, 40))
            made.GetRasterBand(band).WriteArray(cells)
        made = None
        return path

    return make


STEPS = {
    "smoothraster": {"METHOD": "low_pass", "SHORTEST": 3.0},
    "destriperaster": {"BEARING": 0.0, "SEPARATION": 0.5, "LENGTH": 5.0},
    "anomalies": {},
}


@pytest.mark.parametrize("step", STEPS)
def test_a_turned_raster_is_refused_and_nothing_written(run, raster, tmp_path, step):
    from qgis.core import QgsProcessingException

    turned = raster((430000, 0.47, 0.17, 5900020, 0.17, -0.47))
    target = tmp_path / ("out.gpkg" if step == "anomalies" else "out.tif")
    with pytest.raises(QgsProcessingException, match=r"is turned against the map's axes.*Warp"):
        run(step, INPUT=turned, OUTPUT=str(target), **STEPS[step])
    assert not target.exists()


@pytest.mark.parametrize("none", [None, "", []])
@pytest.mark.parametrize("step", ["smoothraster", "destriperaster"])
def test_no_band_chosen_is_every_band(run, raster, tmp_path, step, none):
    from osgeo import gdal

    out = run(step, INPUT=raster(), BANDS=none, OUTPUT=str(tmp_path / "out.tif"), **STEPS[step])
    made = gdal.Open(out["OUTPUT"])
    assert made.RasterCount == 3
