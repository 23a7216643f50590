import numpy as np
import pytest
from osgeo import gdal, osr

CRS = "EPSG:25831"


@pytest.fixture
def bands():
    rng = np.random.default_rng(3)
    values = rng.normal(20, 3, (2, 7, 11)).astype(np.float32)
    values[0, 2, 3] = np.nan
    return values


@pytest.fixture
def written(provider, bands, tmp_path):
    from lynchet.algorithms.gridding.frame import Frame
    from lynchet.plugin.raster import write_geotiff
    from qgis.core import QgsCoordinateReferenceSystem

    path = tmp_path / "survey.tif"
    frame = Frame(429999.875, 5900010.125, 0.25, 0.5, 11, 7)
    wkt = QgsCoordinateReferenceSystem(CRS).toWkt()
    write_geotiff(path, frame, bands, ("ec_050", "ip_050"), ("mS/m", "ppt"), wkt, ["one", "two"])
    return path, frame


def test_geotiff_is_as_the_conventions_say(written, bands):
    path, _ = written
    found = gdal.Open(str(path))
    assert found.GetGeoTransform() == (429999.875, 0.25, 0, 5900010.125, 0, -0.5)
    reference = osr.SpatialReference(wkt=found.GetProjection())
    assert reference.GetAuthorityCode(None) == "25831"
    band = found.GetRasterBand(2)
    assert (band.GetDescription(), band.GetUnitType()) == ("ip_050", "ppt")
    assert band.DataType == gdal.GDT_Float32
    assert found.GetMetadata("IMAGE_STRUCTURE")["COMPRESSION"] == "DEFLATE"
    assert band.GetBlockSize() != [11, 1]
    np.testing.assert_array_equal(band.ReadAsArray(), bands[1])
    first = found.GetRasterBand(1)
    assert first.ReadAsArray()[2, 3] == first.GetNoDataValue()


def test_a_band_comes_back_with_its_cells_gaps_place_and_name(written, bands):
    from lynchet.plugin.raster import read_band
    from qgis.core import QgsRasterLayer

    path, frame = written
    band = read_band(QgsRasterLayer(str(path), "survey"), 1)
    np.testing.assert_array_equal(band.values, bands[0].astype(float))
    assert band.frame == frame
    assert (band.name, band.unit) == ("ec_050", "mS/m")


def test_the_history_is_read_back(written):
    from lynchet.plugin.history import read_history
    from qgis.core import QgsRasterLayer

    assert read_history(QgsRasterLayer(str(written[0]), "survey")) == ["one", "two"]


def test_a_raster_that_cannot_be_written_leaves_nothing(provider, bands, tmp_path):
    from lynchet.algorithms.gridding.frame import Frame
    from lynchet.plugin.raster import write_geotiff

    (tmp_path / "file").write_text("not a folder")
    with pytest.raises(ValueError, match="cannot be written"):
        write_geotiff(
            tmp_path / "file" / "x.tif", Frame(0, 0, 1, 1, 11, 7), bands, "ab", "ab", "", []
        )
    assert [path.name for path in tmp_path.iterdir()] == ["file"]


def test_two_runs_write_the_same_bytes(written, bands, tmp_path):
    from lynchet.plugin.raster import write_geotiff
    from qgis.core import QgsCoordinateReferenceSystem

    path, frame = written
    again = tmp_path / "again.tif"
    wkt = QgsCoordinateReferenceSystem(CRS).toWkt()
    write_geotiff(again, frame, bands, ("ec_050", "ip_050"), ("mS/m", "ppt"), wkt, ["one", "two"])
    assert again.read_bytes() == path.read_bytes()
