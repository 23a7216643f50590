"""Rasters: bands of any raster layer to arrays, arrays to GeoTIFF."""

from __future__ import annotations

import os
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from osgeo import gdal
from qgis.core import Qgis, QgsRasterLayer

from ..algorithms.gridding.frame import Frame
from ..algorithms.progress import Progress, advance, keep_going
from .history import RASTER_DOMAIN, raster_items

gdal.UseExceptions()

NO_DATA = float(np.finfo(np.float32).min)
_ROWS = 512


@dataclass(frozen=True, eq=False)
class RasterBand:
    """A band as an array, shape ``(rows, columns)``, float64 with NaN for no data."""

    values: np.ndarray
    frame: Frame
    name: str
    unit: str


def read_band(layer: QgsRasterLayer, band: int, progress: Progress = keep_going) -> RasterBand:
    """Read one band of any raster layer the host can show.

    Raises
    ------
    ValueError
        If the layer has no cells of its own, as a web map has none.
    """
    provider = layer.dataProvider().clone()  # the map may be drawing with the layer's own
    columns, rows = layer.width(), layer.height()
    if columns <= 0 or rows <= 0:
        raise ValueError(f"Raster '{layer.name()}' has no cells of its own. Save it as a raster.")
    extent = layer.extent()
    height = extent.height() / rows
    values = np.empty((rows, columns))
    for top in range(0, rows, _ROWS):
        advance(progress, top / rows)
        count = min(_ROWS, rows - top)
        part = type(extent)(
            extent.xMinimum(),
            extent.yMaximum() - (top + count) * height,
            extent.xMaximum(),
            extent.yMaximum() - top * height,
        )
        block = provider.block(band, part, columns, count)
        gap = block.noDataValue() if block.hasNoDataValue() else None
        block.convert(Qgis.DataType.Float64)
        cells = np.frombuffer(block.data(), dtype=np.float64).reshape(count, columns).copy()
        if gap is not None:
            cells[cells == gap] = np.nan
        values[top : top + count] = cells
    values[~np.isfinite(values)] = np.nan
    frame = Frame(
        extent.xMinimum(), extent.yMaximum(), extent.width() / columns, height, columns, rows
    )
    name, unit = _band_words(layer, band)
    return RasterBand(values, frame, name, unit)


def _band_words(layer: QgsRasterLayer, band: int) -> tuple[str, str]:
    try:
        dataset = gdal.Open(layer.source())  # kept: a band dies with its dataset
        found = dataset.GetRasterBand(band)
        return found.GetDescription() or f"band {band}", found.GetUnitType() or ""
    except (RuntimeError, AttributeError):
        return f"band {band}", ""


def write_geotiff(
    path: Path,
    frame: Frame,
    bands: np.ndarray,
    names: Sequence[str],
    units: Sequence[str],
    crs_wkt: str,
    lines: Sequence[str],
) -> None:
    """Write bands, shape ``(bands, rows, columns)`` with NaN for no data, as one GeoTIFF.

    The file appears whole or not at all: it is written under another name and moved.

    Raises
    ------
    ValueError
        If it cannot be written there.
    """
    count, rows, columns = bands.shape
    part = path.with_name(f".{path.stem}.part.tif")
    options = [
        "TILED=YES",
        "COMPRESS=DEFLATE",
        "PREDICTOR=3",
        "BIGTIFF=IF_SAFER",
        "NUM_THREADS=ALL_CPUS",
    ]
    try:
        driver = gdal.GetDriverByName("GTiff")
        dataset = driver.Create(str(part), columns, rows, count, gdal.GDT_Float32, options)
        dataset.SetGeoTransform(
            (frame.west, frame.cell_width, 0.0, frame.north, 0.0, -frame.cell_height)
        )
        dataset.SetProjection(crs_wkt)
        dataset.SetMetadata(raster_items(lines), RASTER_DOMAIN)
        for number, (cells, name, unit) in enumerate(zip(bands, names, units), start=1):
            band = dataset.GetRasterBand(number)
            band.SetNoDataValue(NO_DATA)
            band.SetDescription(name)
            band.SetUnitType(unit)
            band.WriteArray(np.where(np.isnan(cells), NO_DATA, cells).astype(np.float32))
        dataset.FlushCache()
        band = dataset = None
        os.replace(part, path)
    except (RuntimeError, OSError, AttributeError) as wrong:
        raise ValueError(
            f"The raster cannot be written to '{path}' ({wrong}). Choose another file or folder."
        ) from wrong
    finally:
        band = dataset = None
        with suppress(OSError):  # nothing there, or a folder that is none
            part.unlink()
