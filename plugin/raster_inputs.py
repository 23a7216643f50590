"""The rasters that a step reads, and their bands, as parameter records."""

from __future__ import annotations

import re
from dataclasses import dataclass

from osgeo import gdal
from qgis.core import QgsProcessingParameterBand, QgsProcessingParameterRasterLayer

from .parameters import Parameter
from .source import crs_problem

gdal.UseExceptions()


@dataclass(frozen=True)
class Raster(Parameter):
    """A raster layer."""

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterRasterLayer(self.name, label, self.default, self.optional)

    def value(self, task):
        """The host's raster layer."""
        return task.step.parameterAsRasterLayer(task.parameters, self.name, task.context)

    def problem(self, task):
        """See `Parameter.problem`."""
        layer = task[self.name]
        if layer is None or not layer.isValid():
            return f"'{task.parameters.get(self.name)}' for '{self.label}' is not a raster layer."
        if _rotated(layer.source()):
            return (
                f"Raster '{layer.name()}' is turned against the map's axes, so that its cells "
                "cannot be worked on as they are. Run 'Warp (reproject)' (gdal:warpreproject) "
                "first."
            )
        return crs_problem(
            layer.crs(),
            f"Raster '{layer.name()}'",
            "Run 'Warp (reproject)' (gdal:warpreproject) first.",
        )


def _rotated(source: str) -> bool:
    """Whether the cells of a file run askew of the map, which the host hides by resampling them."""
    try:
        dataset = gdal.Open(source)
        _, width, shear_x, _, shear_y, height = dataset.GetGeoTransform()
    except (RuntimeError, AttributeError):
        return False  # no file of its own
    return max(abs(shear_x), abs(shear_y)) > 1e-6 * max(abs(width), abs(height))


@dataclass(frozen=True)
class Band(Parameter):
    """A band of the raster named by `of`."""

    of: str = "INPUT"
    default: object = 1

    def make(self, label):
        """See `Parameter.make`."""
        # Optional to the host, which before 3.30 lets no default stand in for a band left out.
        return QgsProcessingParameterBand(self.name, label, self.default, self.of, True)

    def value(self, task) -> int:
        """The band's number, from 1."""
        if not self.given(task):
            return self.default
        return task.step.parameterAsInt(task.parameters, self.name, task.context)

    def problem(self, task):
        """See `Parameter.problem`."""
        raster, band = task[self.of], self.value(task)
        if raster is not None and not 1 <= band <= raster.bandCount():
            return (
                f"'{self.label}' is {band}; raster '{raster.name()}' has bands 1 to "
                f"{raster.bandCount()}."
            )
        return None


@dataclass(frozen=True)
class Bands(Parameter):
    """Bands of the raster named by `of`; all of them where none is chosen."""

    of: str = "INPUT"
    optional: bool = True

    def make(self, label):
        """See `Parameter.make`."""
        return QgsProcessingParameterBand(self.name, label, self.default, self.of, True, True)

    def value(self, task) -> tuple[int, ...]:
        """The bands' numbers, from 1, in the order given.

        Raises
        ------
        ValueError
            If one is no number.
        """
        if task.parameters.get(self.name) in (None, "", []):
            return tuple(range(1, task[self.of].bandCount() + 1))
        raw = task.parameters[self.name]
        words = raw if isinstance(raw, (list, tuple)) else re.split(r"[;,\s]+", str(raw).strip())
        try:
            return tuple(dict.fromkeys(int(word) for word in words))
        except ValueError:
            raise ValueError(
                f"'{self.label}' is '{raw}'; give the numbers of bands, such as 1;3."
            ) from None

    def problem(self, task):
        """See `Parameter.problem`."""
        raster = task[self.of]
        if raster is None or not raster.isValid():
            return None  # the raster's own problem
        try:
            wrong = [band for band in self.value(task) if not 1 <= band <= raster.bandCount()]
        except ValueError as words:
            return str(words)
        if wrong:
            return (
                f"'{self.label}' names band {wrong[0]}; raster '{raster.name()}' has bands 1 to "
                f"{raster.bandCount()}."
            )
        return None
