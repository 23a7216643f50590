"""Remove the regional trend: the slow change of the ground that features stand on."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import map_coordinates

from ..options import check_words
from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, Correction, FloatArray, IntArray, Readings
from .trend_blocks import Lattice, block_means, block_medians, size_for
from .trend_surfaces import (
    LOSSES,
    fit_polynomial,
    fit_thin_plate,
    gaussian_mean,
    moving_median,
    terms,
)

METHODS = ("polynomial", "moving_median", "gaussian", "thin_plate")
SCOPES = ("survey", "each_grid")
MOST_DEGREE = 4
BLOCKS = 2500
"""Blocks that a plane or polynomial is fitted to."""

KNOTS = 400
"""Blocks that a spline is fitted to."""

MOST_FREEDOM = 30.0
"""Degrees of freedom that cross-validation may ask for: features are no noise, and draw it in."""

ACROSS = 9
"""Blocks across a window."""

CELLS = 1_000_000
"""Blocks that a window may be moved over; bounds time and memory."""

FWHM = 2.0 * np.sqrt(2.0 * np.log(2.0))
"""Width of a Gaussian at half of its height, in sigmas."""


@dataclass(frozen=True)
class RemoveTrendOptions:
    """What counts as the regional trend.

    Parameters
    ----------
    method
        ``"polynomial"`` in x and y; ``"moving_median"`` or ``"gaussian"`` mean over a `width`;
        ``"thin_plate"``, a smoothing spline.
    degree
        Of the polynomial, 0 to 4.
    loss
        How blocks that depart from the trend count: ``"tukey"`` leaves them out, ``"huber"`` lets
        them count less, ``"least_squares"`` lets all count in full. The Gaussian takes the first
        two for Tukey's, the spline for Huber's; the moving median needs none.
    width
        Of the moving median's round window, or of the Gaussian at half of its height; map units.
    freedom
        Degrees of freedom of the spline, 3 or more; None for generalised cross-validation.
    scope
        One trend for the whole ``"survey"``, or ``"each_grid"`` by itself.
    keep_level
        Take the median off the trend first, so that values stay near the ground's level.

    Raises
    ------
    ValueError
        If a word is unknown or a number out of its range.
    """

    method: str = "polynomial"
    degree: int = 1
    loss: str = "tukey"
    width: float | None = None
    freedom: float | None = None
    scope: str = "survey"
    keep_level: bool = True

    def __post_init__(self) -> None:
        check_words(
            ("Method", self.method, METHODS),
            ("Robustness", self.loss, LOSSES),
            ("Scope", self.scope, SCOPES),
        )
        if not 0 <= self.degree <= MOST_DEGREE:
            raise ValueError(f"The degree is {self.degree}: choose 0 to {MOST_DEGREE}.")
        if self.width is not None and not self.width > 0:
            raise ValueError(f"The width is {self.width:g}: choose a length above 0.")
        if self.width is None and self.method in ("moving_median", "gaussian"):
            raise ValueError(
                f"'{self.method}' needs a width: give several times the width of the widest "
                "feature to keep."
            )
        if self.freedom is not None and not self.freedom >= 3:
            raise ValueError(
                f"The degrees of freedom are {self.freedom:g}: choose 3, a plane, or more."
            )


@dataclass(frozen=True, eq=False)
class TrendCorrection(Correction):
    """A `Correction` with the trend found, ``(n, c)``, its level included; NaN where unknown."""

    trend: FloatArray = field(default_factory=lambda: np.empty((0, 0)))


@dataclass(frozen=True, eq=False)
class Fit:
    """The trend at positions, with what the spline found out about itself."""

    trend: FloatArray
    freedom: float | None = None
    bent: bool = False


def removetrend(
    readings: Readings,
    options: RemoveTrendOptions | None = None,
    progress: Progress = keep_going,
) -> TrendCorrection:
    """Take a smooth trend off every channel, drawn so that features bend it little.

    The trend is fitted to medians of square blocks, so that places read more densely count no
    more. A robust plane is taken out first and put back into the trend: a plane is removed whole
    by every method, up to the edges.

    Missing, off-scale and excluded readings do not inform the trend, but it is taken off them.
    Readings without a position are left as they are.

    Raises
    ------
    ValueError
        If no reading has a position, no channel and data grid holds enough of them, or the window
        is too narrow for the extent of the survey.

    References
    ----------
    J. C. Davis (2002), *Statistics and Data Analysis in Geology*, 3rd edition, Wiley, for trend
    surfaces. The methods' own sources stand with them in `trend_surfaces`.

    Examples
    --------
    >>> x, y = np.divmod(np.arange(100.0), 10)
    >>> found = removetrend(Readings.build(x=x, y=y, values=20 + x - 2 * y))
    >>> bool(np.allclose(found.readings.values, 15.5)), found.trend[:2, 0].round(6).tolist()
    (True, [20.0, 18.0])
    """
    options = options or RemoveTrendOptions()
    placed = np.isfinite(readings.x) & np.isfinite(readings.y)
    if not placed.any():
        raise ValueError("No reading has a position, and a trend is one over the ground.")
    usable = readings.usable & placed[:, np.newaxis]
    values = readings.values.copy()
    trend = np.full(values.shape, np.nan)
    groups = _groups(readings, placed, options.scope)
    figures: dict[str, float | int | str] = {}
    messages: list[str] = []
    warnings: list[str] = []
    jobs = len(groups) * len(readings.channels)
    for k, (channel, unit) in enumerate(zip(readings.channels, readings.units)):
        bent = False
        for number, (name, rows) in enumerate(groups):
            advance(progress, (k * len(groups) + number) / jobs)
            fit = fit_trend(
                readings.x[rows], readings.y[rows], readings.values[rows, k], usable[rows, k],
                options,
            )  # fmt: skip
            if fit is None:
                warnings.append(f"{channel}: {name} holds too few readings and was left as it is.")
                continue
            trend[rows, k] = fit.trend
            level = np.nanmedian(fit.trend[usable[rows, k]]) if options.keep_level else 0.0
            known = rows[np.isfinite(fit.trend)]
            values[known, k] -= trend[known, k] - level
            bent |= fit.bent
            if fit.freedom is not None and options.scope == "survey":
                figures[f"freedom {channel}"] = float(f"{fit.freedom:.3g}")
        there = trend[usable[:, k], k]
        there = there[np.isfinite(there)]
        if not len(there):
            continue
        figures[f"trend {channel}"] = float(f"{np.ptp(there):.4g}")
        level = max(float(np.abs(there).max(initial=0.0)), 1e-300)
        messages.append(
            f"{channel}: a trend over {np.ptp(there):.3g}{' ' + unit if unit else ''} was removed."
            if np.ptp(there) > 1e-9 * level
            else f"{channel}: no trend; left as it is."
        )
        if bent:
            warnings.append(
                f"{channel}: cross-validation asked for the bendiest spline allowed, which may "
                "follow features. Give the degrees of freedom."
            )
    if not messages:
        raise ValueError(
            "There are too few readings with a position and a value for a trend. Choose a lower "
            "degree, or the whole survey as the scope."
        )
    bare = int((np.isfinite(readings.values) & ~np.isfinite(trend)).any(axis=1).sum())
    if bare:
        warnings.append(f"{bare:,} readings lie where no trend is known and were left as they are.")
    return TrendCorrection(
        readings.with_values(values), figures, tuple(messages), tuple(warnings), trend=trend
    )


def _groups(readings: Readings, placed: BoolArray, scope: str) -> list[tuple[str, IntArray]]:
    """Name and rows, with a position, of what has a trend of its own."""
    if scope == "survey":
        return [("the survey", np.flatnonzero(placed))]
    return [
        (
            f"data grid {readings.grid_names[code]}" if readings.grid_names[code] else "no grid",
            np.flatnonzero(placed & (readings.grid == code)),
        )
        for code in np.unique(readings.grid[placed])
    ]


def fit_trend(
    x: FloatArray,
    y: FloatArray,
    values: FloatArray,
    usable: BoolArray,
    options: RemoveTrendOptions,
    progress: Progress = keep_going,
) -> Fit | None:
    """Fit the trend of one channel, at every position; None where too few readings are usable.

    Parameters
    ----------
    x, y, values
        Shape ``(n,)``; every position must be known.
    usable
        Which values inform the trend, ``(n,)``.

    Raises
    ------
    ValueError
        If the window is too narrow for the extent.
    """
    x, y = x - (x.min() + x.max()) / 2, y - (y.min() + y.max()) / 2  # digits for the differences
    degree = options.degree if options.method == "polynomial" else 1
    lattice = Lattice.over(x, y, size_for(x, y, BLOCKS))
    cells = lattice.cells(x[usable], y[usable])
    held = np.bincount(cells, minlength=lattice.rows * lattice.columns).astype(np.float64)
    full = held > 0
    if np.count_nonzero(full) < 2 * terms(degree):
        return None
    # Means of a plane lie on it, whatever the places: medians of what is left then do, too.
    east, north, mean = (
        block_means(cells, column[usable], held)[full] for column in (x, y, values)
    )
    plane = fit_polynomial(east, north, mean, min(degree, 1), "huber")
    rest = np.where(usable, values - plane(x, y), np.nan)
    if options.method == "polynomial":
        medians = block_medians(cells, rest[usable], len(held))[full]
        surface = fit_polynomial(east, north, medians, degree, options.loss)
        return Fit(plane(x, y) + surface(x, y))
    if options.method == "thin_plate":
        spline = _spline(x, y, rest, options)
        return Fit(plane(x, y) + spline.trend, spline.freedom, spline.bent)
    return Fit(plane(x, y) + _moved(x, y, rest, options, progress))


def _moved(
    x: FloatArray, y: FloatArray, rest: FloatArray, options: RemoveTrendOptions, progress: Progress
) -> FloatArray:
    """Moving median or Gaussian mean, drawn bilinearly between blocks."""
    width = float(options.width or 0.0)
    finest = size_for(x, y, CELLS)
    if 3 * finest > width:
        raise ValueError(
            f"The width of {width:g} is too narrow for a survey of {np.ptp(x):.0f} by "
            f"{np.ptp(y):.0f} map units. Choose at least {3 * finest:.3g}, or data grid by data "
            "grid."
        )
    lattice = Lattice.over(x, y, max(width / ACROSS, finest))
    medians = block_medians(lattice.cells(x, y), rest, lattice.rows * lattice.columns)
    table = medians.reshape(lattice.shape)
    across = width / lattice.size
    if options.method == "gaussian":
        smooth = gaussian_mean(table, across / FWHM, 0 if options.loss == "least_squares" else 3)
    else:
        smooth = moving_median(table, across / 2, progress)
    return lattice.between(smooth, x, y)


def _spline(x: FloatArray, y: FloatArray, rest: FloatArray, options: RemoveTrendOptions) -> Fit:
    """Thin-plate spline through block medians, drawn as a cubic on a lattice four times finer."""
    lattice = Lattice.over(x, y, size_for(x, y, KNOTS))
    usable = np.isfinite(rest)
    cells = lattice.cells(x[usable], y[usable])
    held = np.bincount(cells, minlength=lattice.rows * lattice.columns).astype(np.float64)
    full = held > 0
    east, north = (block_means(cells, axis[usable], held)[full] for axis in (x, y))
    medians = block_medians(cells, rest[usable], len(held))[full]
    robust = options.loss != "least_squares"
    spline = fit_thin_plate(east, north, medians, options.freedom, MOST_FREEDOM, robust)
    # Two blocks of margin keep the cubic's ends off the survey.
    fine = Lattice(
        lattice.x0 - lattice.size,
        lattice.y0 - lattice.size,
        lattice.size / 4,
        4 * lattice.rows + 5,
        4 * lattice.columns + 5,
    )
    nodes = spline(*fine.centres()).reshape(fine.shape)
    trend = map_coordinates(nodes, fine.places(x, y), order=3, mode="nearest")
    return Fit(np.asarray(trend, dtype=np.float64), spline.freedom, spline.bent)
