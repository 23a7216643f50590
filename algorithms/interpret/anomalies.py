"""Outline and measure what stands out from the background of a survey raster.

A region is drawn where the difference from the background is more than `extent` robust standard
deviations, and kept where it somewhere reaches `seed` of them: the low threshold finds how far an
anomaly goes, the high one whether it is worth drawing.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import ndimage

from ..gridding.frame import Frame
from ..options import check_words
from ..progress import Progress, advance, keep_going, portion
from ..readings import BoolArray, FloatArray, IntArray
from .background import Scatter, moving_median, robust_scatter
from .outline import outline_regions
from .regions import CORNERS, fill_holes, hysteresis
from .shape import Outline, smallest_rectangle

CAUTION = (
    "An anomaly is not proof of archaeology and the absence of one is not proof that nothing is "
    "there: only excavation decides, and nobody should dig without the permission of the landowner "
    "and of the heritage authority and a check for buried services."
)
"""What to say wherever anomalies are shown."""

BACKGROUNDS = ("global", "moving")
POLARITIES = ("both", "positive", "negative")

FEWEST_CELLS = 9
"""Cells with data below which a background means nothing."""

CROWDED = 0.25
"""Share of the cells above which anomalies are suspected of having become the background."""


@dataclass(frozen=True)
class AnomalyOptions:
    """What counts as an anomaly.

    Parameters
    ----------
    background
        ``"global"``: one median for the whole raster; ``"moving"``: the median of a window round
        each cell, for ground that changes across the site.
    window
        Side of the moving window, map units; at least twice the widest feature sought. Not used by
        the global background.
    extent
        Outlines run at this many robust standard deviations from the background; above 0.
    seed
        An anomaly must somewhere reach this many; no less than `extent`.
    polarity
        ``"both"``, or only the ``"positive"`` or ``"negative"`` anomalies.
    minimum_contrast
        An anomaly must also somewhere differ this much from the background, in the raster's units.
    smallest_area
        Outlines of a smaller area are left out, square map units.
    largest_filled_hole
        Holes up to this area are filled, square map units. A hole that holds a cell without data,
        or an anomaly of the other polarity, is never filled.

    Raises
    ------
    ValueError
        If a choice is unknown or a number out of its range.
    """

    background: str = "global"
    window: float = 20.0
    extent: float = 2.0
    seed: float = 4.0
    polarity: str = "both"
    minimum_contrast: float = 0.0
    smallest_area: float = 0.5
    largest_filled_hole: float = 0.5

    def __post_init__(self) -> None:
        check_words(
            ("Background", self.background, BACKGROUNDS), ("Polarity", self.polarity, POLARITIES)
        )
        if not self.extent > 0:
            raise ValueError(
                f"The extent threshold is {self.extent:g}: choose a number above 0, such as 2."
            )
        if not self.seed >= self.extent:
            raise ValueError(
                f"The seed threshold ({self.seed:g}) is below the extent threshold "
                f"({self.extent:g}): raise the seed or lower the extent."
            )
        for what, value in (
            ("minimum contrast", self.minimum_contrast),
            ("smallest area", self.smallest_area),
            ("largest filled hole", self.largest_filled_hole),
        ):
            if not value >= 0:
                raise ValueError(f"The {what} is {value:g}: choose 0 or more.")


@dataclass(frozen=True, eq=False)
class Anomaly:
    """One outlined anomaly. Values are in the raster's units, sizes in map units.

    Parameters
    ----------
    number
        1, 2, ... from the strongest `robust_z`, positive or negative, down; ties from the north
        west.
    polarity
        ``"positive"`` or ``"negative"``.
    outline
        Its polygon, see `lynchet.algorithms.interpret.outline`.
    cells
        Number of cells inside, those of filled holes included.
    area, perimeter
        Of the polygon: the area less the holes, the length of all rings.
    peak, peak_x, peak_y
        Value of the cell that differs most from its background, and that cell's centre.
    background, contrast, robust_z
        At that cell: the background, the value less the background, and that difference in robust
        standard deviations; the last two are below 0 for a negative anomaly.
    mean
        Mean value of the cells.
    integral
        Sum over the cells of (value - background) times the area of a cell.
    length, width, azimuth
        Sides of the smallest rectangle round the outline, and the direction of the long one,
        degrees clockwise from grid north, 0 <= azimuth < 180.
    """

    number: int
    polarity: str
    outline: Outline
    cells: int
    area: float
    perimeter: float
    peak: float
    peak_x: float
    peak_y: float
    background: float
    contrast: float
    robust_z: float
    mean: float
    integral: float
    length: float
    width: float
    azimuth: float

    @property
    def elongation(self) -> float:
        """Length over width, 1 or more."""
        return self.length / self.width


@dataclass(frozen=True, eq=False)
class AnomalyResult:
    """Anomalies and the background they stand out from.

    Parameters
    ----------
    anomalies
        By number.
    background
        A number for the global background, else one per cell, NaN for no data.
    scale
        Robust standard deviation of the differences from the background, in the raster's units.
    figures
        ``positive`` and ``negative``: numbers of anomalies; ``background``: the global background
        or the median of the moving one; ``scale``.
    messages, warnings
        Sentences for the user.
    """

    anomalies: tuple[Anomaly, ...]
    background: float | FloatArray
    scale: float
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def outline_anomalies(
    values: FloatArray,
    frame: Frame,
    options: AnomalyOptions | None = None,
    progress: Progress = keep_going,
) -> AnomalyResult:
    """Outline and measure the anomalies of a raster.

    Cells hang together over their corners (8-connected), holes do not. Where cells of both
    polarities meet crosswise in one square of four, each polarity joins its own pair and the two
    outlines cross there; everywhere else outlines are apart.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``, NaN for no data; row 0 is the northernmost.
    frame
        Where the cells lie.
    options
        What counts as an anomaly; its defaults if left out.
    progress
        Told how far the work is; stops it.

    Returns
    -------
    AnomalyResult

    Raises
    ------
    ValueError
        If there are too few cells with data, if all are alike, or if the moving window is too
        small.
    Cancelled
        If the user asked to stop.

    Examples
    --------
    A pit of 40 mS/m in soil of 20 give or take 1:

    >>> soil = 20.0 + (np.indices((20, 20)).sum(axis=0) % 3 - 1.0)
    >>> soil[8:11, 12:15] = 40.0
    >>> result = outline_anomalies(soil, Frame(0.0, 10.0, 0.5, 0.5, 20, 20))
    >>> [(a.number, a.polarity, a.cells, a.peak_x, a.peak_y) for a in result.anomalies]
    [(1, 'positive', 9, 6.25, 5.75)]
    """
    options = options or AnomalyOptions()
    values = np.asarray(values, dtype=np.float64)
    if values.shape != (frame.rows, frame.columns):
        raise ValueError(
            f"The values have shape {values.shape} where the frame has {frame.rows} rows and "
            f"{frame.columns} columns."
        )
    count = int(np.isfinite(values).sum())
    if not count:
        raise ValueError("The raster holds no data: choose another band or raster.")
    if count < FEWEST_CELLS:
        raise ValueError(
            f"Only {count} cells hold data: a background needs at least {FEWEST_CELLS}."
        )
    background: float | FloatArray
    if options.background == "moving":
        background = moving_median(values, frame, options.window, portion(progress, 0.0, 0.4))
    else:
        background = float(np.median(values[np.isfinite(values)]))
    residual = np.where(np.isfinite(values), values - background, np.nan)
    advance(progress, 0.4)
    scatter = robust_scatter(residual)
    advance(progress, 0.5)

    surface = _Surface(values, background, residual, scatter.sigma, frame)
    found: list[Anomaly] = []
    for i, (sign, mask) in enumerate(_masks(surface, options).items()):
        part = portion(progress, 0.5 + 0.25 * i, 0.75 + 0.25 * i)
        found += _measure(surface, mask, sign, options.extent, part)
    kept = [anomaly for anomaly in found if anomaly.area >= options.smallest_area]
    kept.sort(key=lambda a: (-abs(a.robust_z), -a.peak_y, a.peak_x))
    anomalies = tuple(replace(anomaly, number=i + 1) for i, anomaly in enumerate(kept))
    advance(progress, 1.0)
    positive = sum(anomaly.polarity == "positive" for anomaly in anomalies)
    figures = {
        "positive": positive,
        "negative": len(anomalies) - positive,
        "background": float(np.nanmedian(background)),
        "scale": scatter.sigma,
    }
    return AnomalyResult(
        anomalies,
        background,
        scatter.sigma,
        figures,
        _messages(figures, options, len(found) - len(kept)),
        _warnings(anomalies, count, scatter),
    )


@dataclass(frozen=True, eq=False)
class _Surface:
    """A raster, its background, the difference and that difference's robust deviation."""

    values: FloatArray
    background: float | FloatArray
    residual: FloatArray
    scale: float
    frame: Frame


def _masks(surface: _Surface, options: AnomalyOptions) -> dict[int, BoolArray]:
    """Cells of the anomalies wanted, by sign (1 or -1), small holes filled."""
    low = options.extent * surface.scale
    high = max(options.seed * surface.scale, options.minimum_contrast)
    signs = {"both": (1, -1), "positive": (1,), "negative": (-1,)}[options.polarity]
    masks = {sign: hysteresis(sign * surface.residual, low, high) for sign in signs}
    missing = np.isnan(surface.residual)
    most = options.largest_filled_hole / surface.frame.cell_area
    return {
        sign: fill_holes(mask, most, missing | masks.get(-sign, missing))
        for sign, mask in masks.items()
    }


def _measure(
    surface: _Surface, mask: BoolArray, sign: int, extent: float, progress: Progress
) -> list[Anomaly]:
    """Outline and measure the regions of one polarity; numbers are given later."""
    labels, count = ndimage.label(mask, structure=CORNERS)
    outlines = outline_regions(
        labels, sign * surface.residual, extent * surface.scale, surface.frame
    )
    advance(progress, 0.3)
    # Only the cells inside matter from here on, by region.
    cells = np.flatnonzero(mask)
    region = labels.ravel()[cells] - 1
    value, residual = surface.values.ravel()[cells], surface.residual.ravel()[cells]
    size = np.bincount(region, minlength=count)
    mean = np.bincount(region, weights=value, minlength=count) / size
    total = np.bincount(region, weights=residual, minlength=count)
    peaks = _peaks(region, sign * residual)
    row, column = np.divmod(cells[peaks], surface.frame.columns)
    x, y = surface.frame.centres_x[column], surface.frame.centres_y[row]
    background = np.broadcast_to(surface.background, surface.values.shape)[row, column]
    found = []
    for i, outline in enumerate(outlines):
        if i % 256 == 0:
            advance(progress, 0.4 + 0.6 * i / count)
        rectangle = smallest_rectangle(outline.outer)
        contrast = float(residual[peaks[i]])
        found.append(
            Anomaly(
                number=0,
                polarity="positive" if sign > 0 else "negative",
                outline=outline,
                cells=int(size[i]),
                area=outline.area,
                perimeter=outline.perimeter,
                peak=float(value[peaks[i]]),
                peak_x=float(x[i]),
                peak_y=float(y[i]),
                background=float(background[i]),
                contrast=contrast,
                robust_z=contrast / surface.scale,
                mean=float(mean[i]),
                integral=float(total[i]) * surface.frame.cell_area,
                length=rectangle.length,
                width=rectangle.width,
                azimuth=rectangle.azimuth,
            )
        )
    return found


def _peaks(region: IntArray, height: FloatArray) -> IntArray:
    """Index of the highest cell of each region, the first of equals."""
    order = np.lexsort((-height, region))
    peaks: IntArray = order[np.flatnonzero(np.diff(region[order], prepend=-1))]
    return peaks


def _messages(
    figures: Mapping[str, float | int | str], options: AnomalyOptions, left_out: int
) -> tuple[str, ...]:
    """What was found, and what it does not mean."""
    scale = float(figures["scale"])
    high = max(options.seed * scale, options.minimum_contrast)
    kind = "median of the moving background" if options.background == "moving" else "background"
    small = f"Left out {left_out} outlines smaller than {options.smallest_area:g} square map units."
    return (
        f"The {kind} is {figures['background']:.4g} and the robust standard deviation {scale:.4g}.",
        f"Outlines run at {options.extent * scale:.4g} from the background; each anomaly somewhere "
        f"reaches {high:.4g}.",
        f"Outlined {figures['positive']} positive and {figures['negative']} negative anomalies.",
        *([small] if left_out else []),
        CAUTION,
    )


def _warnings(anomalies: tuple[Anomaly, ...], count: int, scatter: Scatter) -> tuple[str, ...]:
    """What makes the result doubtful."""
    warnings = []
    if scatter.from_mean:
        warnings.append(
            "More than half of the cells do not differ from their background, so the scatter was "
            "taken from the mean deviation, which strong anomalies enlarge: check the thresholds."
        )
    share = sum(anomaly.cells for anomaly in anomalies) / count
    if share > CROWDED:
        warnings.append(
            f"Anomalies cover {share:.0%} of the cells: raise the extent threshold, or take a "
            "moving background if the ground changes across the site."
        )
    return tuple(warnings)
