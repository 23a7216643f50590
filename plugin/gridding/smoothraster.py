"""The step "Filter a survey raster"."""

from __future__ import annotations

from ...algorithms.gridding.smoothraster import METHODS, SmoothOptions, smoothraster
from ..outputs import RasterOutput
from ..parameters import Choice, Number
from ..styles import style_survey_raster
from .raster_step import RASTER, RasterStep


class SmoothRaster(RasterStep):
    """Raster to filtered raster."""

    identifier = "smoothraster"
    title = "Filter a survey raster"
    stage = "gridding"
    summary = (
        "Smooths a raster, takes the broad change of the ground off it, keeps what lies between "
        "two sizes, or brings up faint features where the ground is quiet."
    )
    advice = (
        "low_pass: a Gaussian mean, for noise. high_pass: the raster less its low pass, for the "
        "slow change of the soil; values come to lie about zero. band_pass: both. They are set by "
        "wavelengths, of which half the amplitude remains: a ditch is about half a wave, so that "
        "ditches 2 m wide make waves of 4 m.",
        "median: takes out single cells and stripes narrower than 0.4 of the window's width, and "
        "keeps edges. local_sigmas: how far each cell lies from the level of its window, the "
        "window's slope taken off, in robust standard deviations: faint features in quiet ground "
        "come out as strongly as strong ones in restless ground, and so does noise. No longer a "
        "measurement.",
        "Cells without data stay without, and nothing of them or of the edge gets into their "
        "neighbours. Filter to look, measure on the raster as it was: a filter changes the height "
        "and width of every anomaly, and a high pass draws a rim of the other sign about each.",
    )
    words = (
        "smooth", "smoothing", "low-pass", "high-pass", "band-pass", "Gaussian", "median",
        "normalise", "contrast", "residual", "regional", "denoise", "filter", "wavelength",
    )  # fmt: skip
    parameters = (
        *RASTER,
        Choice(
            "METHOD",
            "Filter",
            "What to keep; see above.",
            default="low_pass",
            options=METHODS,
        ),
        Number(
            "SHORTEST",
            "Shortest wavelength",
            "For 'low_pass' and 'band_pass': half of a wave this long remains, less of shorter "
            "ones. Twice the width of the narrowest feature to keep, or less. Empty: 8 cells.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "LONGEST",
            "Longest wavelength",
            "For 'high_pass' and 'band_pass': half of a wave this long remains, less of longer "
            "ones. At least four times the width of the widest feature to keep. Empty: 80 cells.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        Number(
            "WINDOW",
            "Width of the window",
            "For 'median' and 'local_sigmas': diameter of a round window. For 'local_sigmas' "
            "several times the width of the widest feature. Empty: 5 and 40 cells.",
            optional=True,
            minimum=1e-6,
            distance_of="INPUT",
        ),
        RasterOutput("OUTPUT", "Filtered raster", style=style_survey_raster),
    )

    def prepared(self, task, progress):
        """See `RasterStep.prepared`."""
        return task.options(SmoothOptions)

    def filtered(self, task, band, shared, progress):
        """See `RasterStep.filtered`."""
        found = smoothraster(band.values, band.frame, shared, progress)
        return found, {"OUTPUT": found.values}

    def unit(self, task, band):
        """See `RasterStep.unit`."""
        return "local sigmas" if task["METHOD"] == "local_sigmas" else band.unit
