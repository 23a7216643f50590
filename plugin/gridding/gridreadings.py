"""The step "Grid readings"."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from osgeo import gdal

from ...algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from ...algorithms.gridding.method import Method, Option
from ...algorithms.gridding.methods import method_named, methods
from ..ground.layer_fields import layer_depths
from ..outputs import RasterOutput
from ..parameters import Choice, Number, Parameter, Toggle
from ..raster import write_geotiff
from ..readings_step import READINGS, ReadingsStep
from ..styles import style_survey_raster
from .barriers import BARRIERS, read_barriers


def parameter_name(method: Method, option: Option) -> str:
    """The parameter that sets a method's option."""
    return f"{method.id}_{option.name}".upper()


def parameter_for(method: Method, option: Option) -> Parameter:
    """A method's option as a parameter of the step."""
    words = {
        "name": parameter_name(method, option),
        "label": f"{method.title}: {option.label[0].lower()}{option.label[1:]}",
        "help": option.help,
        "default": option.default,
        "optional": option.default is None,
        "advanced": True,
    }
    if option.choices:
        return Choice(**words, options=option.choices)
    return Number(
        **words,
        unit=option.unit,
        minimum=option.minimum,
        maximum=option.maximum,
        whole=option.whole,
    )


DEPTH = "DEPTH"
"""Metadata item of a band that tells between what depths it lies, where it is a layer's."""

DEFAULTS = GriddingOptions()
METHODS = methods()
OPTIONS = tuple(
    parameter_for(method, option) for method in METHODS.values() for option in method.options
)
CELL_SIZE = Number(
    "CELL_SIZE",
    "Cell size",
    "Empty: about half the traverse separation, not finer than the reading interval, "
    "rounded to a neat figure.",
    optional=True,
    minimum=1e-6,
    distance_of="INPUT",
)
BLANKING_DISTANCE = Number(
    "BLANKING_DISTANCE",
    "Blanking distance",
    "Cells further than this from every reading hold no data. Empty: from the traverse separation.",
    optional=True,
    minimum=1e-6,
    distance_of="INPUT",
)
BLOCK = Number(
    "BLOCK",
    "Thinning length",
    "Readings on this length of one traverse count as one, by their median. Empty: a cell's "
    "size, where readings lie four times as close as the cells are wide, else no thinning. "
    "0: never.",
    optional=True,
    advanced=True,
    minimum=0,
    distance_of="INPUT",
)


def tell_idle(task, chosen: Method) -> None:
    """Warn of options that were set for another method than the one chosen."""
    for method in METHODS.values():
        for option in method.options:
            name = parameter_name(method, option)
            given = task.parameters.get(name)
            default = (None, "", option.default, str(option.default))
            if method.id != chosen.id and given not in default:
                task.warn(
                    f"'{task.step.parameter(name).label}' is set, but the method is {chosen.id}: "
                    "it does not count."
                )


class GridReadings(ReadingsStep):
    """Readings to a raster, a band per channel."""

    identifier = "gridreadings"
    title = "Grid readings"
    stage = "gridding"
    summary = "Interpolates the channels of a readings layer to the bands of one raster."
    advice = (
        "Readings lie close along a traverse and far apart across: a cell of about half the "
        "traverse separation shows what was measured, and a finer one invents detail. Cells "
        "further from any reading than the blanking distance hold no data. Cell centres lie on "
        "multiples of the cell size, so that rasters of one site overlay exactly.",
        *(f"{method.id}: {method.help}" for method in METHODS.values()),
    )
    words = ("interpolate", "interpolation", "raster", "image", "map", "IDW", "TIN", "plot")
    parameters = (
        *READINGS,
        Choice(
            "METHOD",
            "Method",
            "How values between the readings are found; see above.",
            default=DEFAULTS.method,
            options=tuple(METHODS),
        ),
        CELL_SIZE,
        BLANKING_DISTANCE,
        Toggle(
            "BEYOND_HULL",
            "Fill beyond the outline",
            "Also fills cells outside the outline of the readings (their convex hull), as far as "
            "the blanking distance, by methods that can: natural_neighbour and triangulation "
            "cannot.",
            advanced=True,
        ),
        BARRIERS,
        BLOCK,
        *OPTIONS,
        RasterOutput("OUTPUT", "Survey raster", style=style_survey_raster),
    )

    def work(self, task):
        readings = self.read(task)
        method = method_named(task["METHOD"])
        tell_idle(task, method)
        found = gridreadings(
            readings,
            GriddingOptions(
                method=method.id,
                cell_size=task["CELL_SIZE"],
                blanking_distance=task["BLANKING_DISTANCE"],
                beyond_hull=task["BEYOND_HULL"],
                barriers=read_barriers(task, task["INPUT"].crs),
                block=task["BLOCK"],
                method_options={
                    option.name: task[parameter_name(method, option)] for option in method.options
                },
            ),
            task.part(0.2, 0.9),
        )
        units = dict(zip(found.channels, found.units))
        path = task["OUTPUT"]
        write_geotiff(
            path,
            found.frame,
            found.bands,
            found.channels,
            found.units,
            task["INPUT"].crs.toWkt(),
            [*self.lines(task), self.entry(task, found.figures, units)],
        )
        self.tell_depths(task, path, found.channels)
        self.show(task, str(path), self.parameter("OUTPUT").style)
        return {"OUTPUT": str(path), "FIGURES": self.report(task, found)}

    def tell_depths(self, task, path: Path, channels: Sequence[str]) -> None:
        """Say of bands that are inverted layers how deep they lie, here and in the raster."""
        depths = layer_depths(self.lines(task))
        told = {k: depths[name] for k, name in enumerate(channels, start=1) if name in depths}
        if not told:
            return
        try:
            dataset = gdal.OpenEx(str(path), gdal.OF_RASTER | gdal.OF_UPDATE)
            for band, words in told.items():
                dataset.GetRasterBand(band).SetMetadataItem(DEPTH, words)
                task.say(f"{channels[band - 1]}: {words}")
            dataset.FlushCache()
        except RuntimeError as wrong:
            raise ValueError(
                f"The depths of the bands cannot be written to '{path}' ({wrong})."
            ) from wrong
        finally:
            dataset = None
