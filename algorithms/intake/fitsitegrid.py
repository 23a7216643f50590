"""Fit the site grid to map coordinates: a shift and a turn, and a scale where it is allowed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from ..readings import FloatArray
from ..words import in_unit, plural
from .pegs.controlpoints import ComplexArray, ControlPoints
from .pegs.doubts import cautions, diagnosis, fits, times, units_behind
from .pegs.helmert import Transformation, fit

TOLERANCE = 0.1
"""Metres that a control point may lie off, unless told otherwise."""

NEAR_ONE = 0.01
"""Departure of a fitted scale from 1 beyond which it is no matter of tapes or map projections."""

FAR = 4.0
"""Reaches of the control points beyond which what is brought over is doubtful."""

ELSEWHERE = 100.0
"""Reaches of the control points beyond which a whole layer cannot be in the coordinates said."""


@dataclass(frozen=True, eq=False)
class SiteGridFit:
    """A fitted site grid: how it lies, how sure that is, and what each control point is off.

    Parameters
    ----------
    points
        The control points.
    transformation
        From the site grid to the map.
    scaled
        Whether the scale was fitted.
    residual
        Map place less fitted place of each point, ``(k,)``, east + i north, map units.
    standardised
        Length of each residual in units of what chance gives it, ``(k,)``; NaN where nothing is
        redundant.
    sigma
        Standard error of a coordinate of a control point, map units; NaN where unknown.
    figures, messages, warnings
        As of a `Correction`.
    """

    points: ControlPoints
    transformation: Transformation
    scaled: bool
    residual: ComplexArray
    standardised: FloatArray
    sigma: float
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    def error_at(self, site: npt.ArrayLike) -> FloatArray:
        """Standard error of the map place of places on the site grid, map units.

        The root of the sum of both coordinates' variances.
        """
        centre = self.points.site.mean()
        spread = float(np.sum(np.abs(self.points.site - centre) ** 2))
        off = np.abs(np.asarray(site, np.complex128) - centre) ** 2
        free = 2.0 if self.scaled else 1.0
        error: FloatArray = self.sigma * np.sqrt(2.0 / len(self.points) + free * off / spread)
        return error


def how_far(found: SiteGridFit, site: npt.ArrayLike) -> tuple[dict[str, float], tuple[str, ...]]:
    """How sure the fit is at places on the site grid, and a warning where they lie far off.

    Parameters
    ----------
    found
        The fit.
    site
        Places, x + iy, such as the corners of a layer.

    Returns
    -------
    figures, warnings
        The largest standard error of a place, and how far the furthest lies in units of the
        distance that the control points reach from their centre.

    Raises
    ------
    ValueError
        If all places lie so far off that they must be in other coordinates.
    """
    places = np.asarray(site, np.complex128)
    centre = found.points.site.mean()
    reach = float(np.abs(found.points.site - centre).max())
    far = float(np.abs(places - centre).max()) / reach
    middle = places.mean()
    nearest = float(np.abs(middle - centre) - np.abs(places - middle).max()) / reach
    if nearest > ELSEWHERE:
        raise ValueError(
            f"The layer lies {in_unit(nearest, '')} times as far from the control points' centre "
            "as they do: it is not in the coordinates that the direction needs, the site grid's "
            "for 'to_map' and the map's for 'to_site_grid'. Choose the other direction or another "
            "layer."
        )
    warnings: tuple[str, ...] = ()
    if far > FAR:
        warnings = (
            f"The layer reaches {in_unit(far, '')} times as far from the control points' "
            "centre as they do, and their errors grow as much. Is it in the coordinates said?",
        )
    return {"largest error in the layer": float(found.error_at(places).max())}, warnings


def fitsitegrid(
    points: ControlPoints,
    scaled: bool = False,
    tolerance: float = TOLERANCE,
    unit: str = "map units",
) -> SiteGridFit:
    """Fit the site grid to the map by its control points.

    Parameters
    ----------
    points
        Two control points or more.
    scaled
        Whether the scale is fitted too.
    tolerance
        How far a control point may lie off; with two points, how much their distance may differ.
    unit
        What a map unit is called in messages.

    Raises
    ------
    ValueError
        If the tolerance is not above 0, or a point lies off by more: with what is likely wrong.

    Notes
    -----
    With ``z`` the places on the site grid and ``w`` those on the map, both from their centres, the
    turn is ``b = sum(conj(z) w) / sum(|z|^2)``, of length 1 where the scale is held.
    """
    if not tolerance > 0:
        raise ValueError(f"The tolerance is {tolerance:g}: give a length above 0.")
    found, residual = fit(points.site, points.on_map, scaled)
    off = np.abs(residual)
    if not fits(residual, tolerance):
        raise ValueError(diagnosis(points, scaled, tolerance, unit))
    redundancy = 2 * len(points) - (4 if scaled else 3)
    sure = len(points) > 2
    sigma = float(np.sqrt(np.sum(off**2) / redundancy)) if sure else np.nan
    standard = _standardised(points.site, found.turn, scaled, residual, sigma)
    result = SiteGridFit(points, found, scaled, residual, standard, sigma)
    return _with_words(result, tolerance, unit)


def _standardised(
    site: ComplexArray, turn: complex, scaled: bool, residual: ComplexArray, sigma: float
) -> FloatArray:
    """Length of each residual by its own covariance: the shift, turn and scale take their parts.

    Of the variance of a coordinate, 1 / k goes to the shift, and a share that grows with the square
    of the distance from the centre to the turn (across the line to the centre) and to the scale
    (along it).
    """
    if np.isnan(sigma):
        return np.full(len(site), np.nan)
    if sigma == 0:
        return np.zeros(len(site))
    centred = site - site.mean()
    share = np.abs(centred) ** 2 / np.sum(np.abs(centred) ** 2)
    outwards = turn * centred
    size = np.abs(outwards)
    way = np.where(size > 0, outwards / np.where(size > 0, size, 1.0), 1.0)
    part = residual * np.conj(way)
    left = 1.0 - 1.0 / len(site)
    along = np.maximum(left - (share if scaled else 0.0), 1e-9)
    across = np.maximum(left - share, 1e-9)
    length: FloatArray = np.sqrt(part.real**2 / along + part.imag**2 / across) / sigma
    return length


def _with_words(found: SiteGridFit, tolerance: float, unit: str) -> SiteGridFit:
    """The fit with its figures and what is said about it."""
    points, how = found.points, found.transformation
    k, off = len(points), np.abs(found.residual)
    size = float(np.sqrt(np.sum(np.abs(points.site - points.site.mean()) ** 2)))
    turn_error = float(np.degrees(found.sigma / (size * how.scale)))
    centre = how.apply(points.site.mean())
    figures: dict[str, float | int | str] = {
        "control points": k,
        "east of the site grid's origin": round(how.shift.real, 4),
        "north of the site grid's origin": round(how.shift.imag, 4),
        "rotation": round(how.rotation, 6),
        "scale": round(how.scale, 8),
        "east of the points' centre": round(float(centre.real), 4),
        "north of the points' centre": round(float(centre.imag), 4),
        "largest residual": round(float(off.max()), 5),
        "sigma": found.sigma,
        "rotation error": turn_error,
        "shift error at the centre": float(found.sigma / np.sqrt(k)),
    }
    if found.scaled:
        figures["scale error"] = found.sigma / size
    for name, value in figures.items():
        if name.endswith("error") or name in ("sigma", "shift error at the centre"):
            figures[name] = float(f"{value:.3g}")
    messages = [
        f"The site grid's y axis points to {how.rotation:.4f} degrees clockwise from grid north; "
        f"its origin lies at {how.shift.real:.3f}, {how.shift.imag:.3f}"
        + (f"; a unit of it is {how.scale:.6f} map units." if found.scaled else ".")
    ]
    warnings = list(cautions(points, found.scaled, tolerance))
    if k > 2:
        worst = int(np.argmax(off))
        messages.append(
            f"{plural(k, 'control point')} fit with a standard error of a coordinate of "
            f"{in_unit(round(found.sigma, 4), unit)}; the worst, '{points.names[worst]}', is "
            f"{in_unit(round(float(off[worst]), 4), unit)} off. The rotation is known to "
            f"{round(turn_error, 4):.2g} degrees."
        )
    if found.scaled and abs(how.scale - 1.0) > NEAR_ONE:
        warnings.append(
            f"Distances on the map are {times(how.scale)} times those on the site grid"
            f"{units_behind(how.scale)}. Is that meant?"
        )
    return replace(found, figures=figures, messages=tuple(messages), warnings=tuple(warnings))
