"""The step "Suppress stripes in a raster"."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...algorithms.gridding.destriperaster import (
    DestripeOptions,
    checked_bearing,
    destriperaster,
    doubts_about,
    find_bearing,
)
from ...algorithms.progress import portion
from ..history import entries, read_history
from ..outputs import RasterOutput
from ..parameters import Number
from ..raster import read_band
from ..styles import style_survey_raster
from .raster_step import RASTER, RasterStep


@dataclass(frozen=True)
class _Known:
    """A figure and where it is from."""

    value: float
    source: str


class DestripeRaster(RasterStep):
    """Raster to a raster without stripes, and the stripes."""

    identifier = "destriperaster"
    title = "Suppress stripes in a raster"
    stage = "gridding"
    summary = (
        "Takes off a raster what is constant along the traverses and narrow across them, and "
        "writes what was taken beside it."
    )
    advice = (
        "For rasters whose readings are lost, and for stripes that levelling left. Where there are "
        "readings, level the traverses first (lynchet:levellines): it knows where each traverse "
        "begins and ends.",
        "What is real and runs along the traverses, such as a ditch, drain or old boundary, is "
        "weakened as well. Always look at the raster of what was removed: stripes run on over the "
        "whole data grid and are of one height; something short or higher is the ground's.",
        "Works along one bearing: run it again for data grids walked in another.",
    )
    words = (
        "destripe", "destriping", "stripes", "striping", "decorrugation", "Fourier", "directional",
        "filter", "wedge", "notch", "levelling", "line noise", "zigzag",
    )  # fmt: skip
    parameters = (
        *RASTER,
        Number(
            "BEARING",
            "Bearing of the traverses",
            "Clockwise from grid north. Empty: as the raster's history says, or else as its "
            "spectrum shows.",
            unit="degrees",
            optional=True,
        ),
        Number(
            "SEPARATION",
            "Traverse separation",
            "Empty: as the raster's history says.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "LENGTH",
            "Length of stripes",
            "What stays the same along the traverses for this long or longer is taken; shorter "
            "features are weakened less, the shorter the less. No more than the length of the "
            "traverses; as much, where ditches run along them. Empty: 20 traverse separations.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "WIDEST",
            "Longest wave across",
            "Change across the traverses in longer waves than this is left to the ground. 8 "
            "touches bands of up to four traverses.",
            unit="traverse separations",
            default=8.0,
            minimum=4.0,
            advanced=True,
        ),
        Number(
            "LIMIT",
            "Highest stripe",
            "No stripe counts as higher than this many robust standard deviations of all of them, "
            "so that a ditch along the traverses loses no more than a stripe's height. Raise it "
            "where few traverses are off by much. 0: no limit.",
            unit="robust sigmas",
            default=2.0,
            minimum=0.0,
            advanced=True,
        ),
        RasterOutput("OUTPUT", "Raster without stripes", style=style_survey_raster),
        RasterOutput(
            "REMOVED",
            "What was removed",
            "The two rasters add up to the input.",
            optional=True,
            style=style_survey_raster,
        ),
    )

    def problem(self, task):
        """See `Step.problem`."""
        if self._separation(task) is None:
            return (
                f"The history of raster '{task['INPUT'].name()}' does not tell how far apart its "
                "traverses are. Give the 'Traverse separation'."
            )
        return None

    def prepared(self, task, progress):
        """Bearing and separation: given, from the history, or from the band most striped."""
        separation = self._separation(task)
        asked = task.options(DestripeOptions, separation=separation.value, bearing=None)
        bearing = _known(task, "BEARING", "traverse_bearing")
        if bearing is None:
            bearing = self._from_spectrum(task, asked, progress)
        task.say(
            f"Traverses run along {bearing.value % 180.0:g} degrees ({bearing.source}), "
            f"{separation.value:g} map units apart ({separation.source})."
        )
        return task.options(DestripeOptions, separation=separation.value, bearing=bearing.value)

    def filtered(self, task, band, shared, progress):
        """See `RasterStep.filtered`."""
        found = destriperaster(band.values, band.frame, shared, progress)
        return found, {"OUTPUT": found.values, "REMOVED": found.removed}

    def _separation(self, task) -> _Known | None:
        return _known(task, "SEPARATION", "traverse_separation")

    def _from_spectrum(self, task, asked, progress) -> _Known:
        """The bearing of the band in which it shows best."""
        found = []
        count = len(task["BANDS"])
        for place, number in enumerate(task["BANDS"]):
            part = portion(progress, place / count, (place + 1) / count)
            band = read_band(task["INPUT"], number, portion(part, 0.0, 0.2))
            if np.isfinite(band.values).any():
                of = find_bearing(band.values, band.frame, asked, portion(part, 0.2, 1.0))
                found.append(of)
        if not found:
            raise ValueError(f"Raster '{task['INPUT'].name()}' holds no data: choose another.")
        best = checked_bearing(max(found, key=lambda one: (one.strength, one.sharpness)))
        for sentence in doubts_about(best):
            task.warn(sentence)
        return _Known(
            best.bearing,
            f"from the spectrum: {best.strength:.3g} times the energy of other directions",
        )


def _known(task, parameter: str, figure: str) -> _Known | None:
    """A figure as given or as the latest word of the raster's history has it."""
    if task[parameter] is not None:
        return _Known(task[parameter], "as given")
    for entry in reversed(entries(read_history(task["INPUT"]))):
        value = entry.figures.get(figure)
        if isinstance(value, (int, float)):
            return _Known(float(value), "from the raster's history")
    return None
