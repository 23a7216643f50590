"""Low-induction-number responses over layered ground: closed forms.

Depths are normalised by the coil spacing. "Vertical" and "horizontal" speak of the dipoles, as the
trade does: vertical dipoles are horizontal coplanar coils. The perpendicular form follows in the
same way from the transform of ``exp(-2 z g)`` with the Bessel function J1.

References
----------
J. D. McNeill (1980), *Electromagnetic terrain conductivity measurement at low induction numbers*,
Technical Note TN-6.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from ..options import check_words
from ..readings import FloatArray

ORIENTATIONS = ("vertical", "horizontal", "perpendicular")
"""What the dipoles are: both vertical (horizontal coplanar coils), both horizontal and across the
line between them (vertical coplanar coils), or the transmitter's vertical and the receiver's
horizontal along that line (perpendicular coils)."""

EXPLORED = {"vertical": 1.5, "horizontal": 0.75, "perpendicular": 0.5}
"""Depth over spacing from above which some 70 % of the response comes, coils on the surface:
McNeill (1980) for vertical and horizontal dipoles; by `cumulative_response` for perpendicular
ones."""


def cumulative_response(depth: npt.ArrayLike, orientation: str = "vertical") -> FloatArray:
    """Share of the response that comes from below a normalised depth, coils on the surface.

    Parameters
    ----------
    depth
        Depth over coil spacing, 0 or more, any shape.
    orientation
        One of `ORIENTATIONS`.

    Raises
    ------
    ValueError
        If the orientation is unknown.

    Examples
    --------
    >>> cumulative_response([0.0, 1.5]).round(3).tolist()
    [1.0, 0.316]
    >>> cumulative_response(0.75, "horizontal").round(3).item()
    0.303
    """
    z = np.asarray(depth, dtype=np.float64)
    if orientation == "vertical":
        vertical: FloatArray = 1 / np.sqrt(4 * z**2 + 1)
        return vertical
    if orientation == "horizontal":
        # The same as sqrt(4 z^2 + 1) - 2 z, without the loss of digits at depth.
        horizontal: FloatArray = 1 / (np.sqrt(4 * z**2 + 1) + 2 * z)
        return horizontal
    check_words(("Orientation", orientation, ORIENTATIONS))
    # The same as 1 - 2 z / sqrt(4 z^2 + 1), without the loss of digits at depth.
    root = np.sqrt(4 * z**2 + 1)
    perpendicular: FloatArray = 1 / (root * (root + 2 * z))
    return perpendicular


def depth_below_which(share: npt.ArrayLike, orientation: str = "vertical") -> FloatArray:
    """Normalised depth below which a share of the response comes from: `cumulative_response` back.

    Parameters
    ----------
    share
        0 to 1, any shape; 0 gives infinity.

    Examples
    --------
    >>> depth_below_which(0.3).round(3).item(), depth_below_which(0.3, "horizontal").round(3).item()
    (1.59, 0.758)
    """
    check_words(("Orientation", orientation, ORIENTATIONS))
    below = np.asarray(share, dtype=np.float64)
    found: FloatArray
    with np.errstate(divide="ignore"):
        if orientation == "vertical":
            found = np.sqrt(1 / below**2 - 1) / 2
        elif orientation == "horizontal":
            found = (1 / below - below) / 4
        else:
            found = (1 - below) / (2 * np.sqrt(below * (2 - below)))
    return found


def relative_response(depth: npt.ArrayLike, orientation: str = "vertical") -> FloatArray:
    """Response of a thin layer at a normalised depth, per unit of normalised thickness.

    The falling slope of `cumulative_response`; same parameters.

    Examples
    --------
    >>> relative_response(0.0).item(), relative_response(0.0, "horizontal").item()
    (0.0, 2.0)
    """
    z = np.asarray(depth, dtype=np.float64)
    if orientation == "vertical":
        vertical: FloatArray = 4 * z / (4 * z**2 + 1) ** 1.5
        return vertical
    if orientation == "horizontal":
        # The same as 2 - 4 z / sqrt(4 z^2 + 1), without the loss of digits at depth.
        root = np.sqrt(4 * z**2 + 1)
        horizontal: FloatArray = 2 / (root * (root + 2 * z))
        return horizontal
    check_words(("Orientation", orientation, ORIENTATIONS))
    perpendicular: FloatArray = 2 / (4 * z**2 + 1) ** 1.5
    return perpendicular


def cumulative_susceptible(depth: npt.ArrayLike, orientation: str = "vertical") -> FloatArray:
    """In-phase part of Hs/Hp, per susceptibility (SI), of all ground below a normalised depth.

    In the static limit, to first order: half of an image of the transmitter. Same parameters as
    `cumulative_response`.

    Examples
    --------
    >>> [float(cumulative_susceptible(0.0, orientation)) for orientation in ORIENTATIONS]
    [0.5, -0.5, 0.0]
    """
    check_words(("Orientation", orientation, ORIENTATIONS))
    z = 2 * np.asarray(depth, dtype=np.float64)
    reach = z**2 + 1
    found: FloatArray
    if orientation == "vertical":
        found = 0.5 * (1 - 2 * z**2) / reach**2.5
    elif orientation == "horizontal":
        found = -0.5 / reach**1.5
    else:
        found = -1.5 * z / reach**2.5 + 0.0
    return found


def relative_susceptible(depth: npt.ArrayLike, orientation: str = "vertical") -> FloatArray:
    """In-phase response of a thin susceptible layer, per unit of normalised thickness.

    The falling slope of `cumulative_susceptible`; same parameters.

    Examples
    --------
    >>> [float(relative_susceptible(0.0, orientation)) for orientation in ORIENTATIONS]
    [0.0, 0.0, 3.0]
    """
    check_words(("Orientation", orientation, ORIENTATIONS))
    z = 2 * np.asarray(depth, dtype=np.float64)
    reach = z**2 + 1
    found: FloatArray
    if orientation == "vertical":
        found = z * (9 - 6 * z**2) / reach**3.5
    elif orientation == "horizontal":
        found = 0.0 - 3 * z / reach**2.5
    else:
        found = 3 * (1 - 4 * z**2) / reach**3.5
    return found


def layered_conductivity(
    conductivities: Sequence[npt.ArrayLike],
    thicknesses: Sequence[npt.ArrayLike],
    spacing: float,
    orientation: str = "vertical",
    height: float = 0.0,
) -> FloatArray:
    """Apparent conductivity of layered ground, the coils at a height above it.

    Parameters
    ----------
    conductivities
        Of the layers from the top, mS/m; each a number or an array of one common shape.
    thicknesses
        Of all layers but the last, which goes on for ever, map units.
    spacing, height
        Map units.

    Raises
    ------
    ValueError
        If the numbers of layers do not fit, the spacing is not above 0 or a thickness or the
        height is below 0.

    Examples
    --------
    >>> layered_conductivity([20.0, 20.0], [0.5], 1.0).item()
    20.0
    """
    if len(thicknesses) != len(conductivities) - 1:
        raise ValueError(
            f"{len(conductivities)} layers need {len(conductivities) - 1} thicknesses, not "
            f"{len(thicknesses)}: the last layer has none."
        )
    if not spacing > 0:
        raise ValueError(f"The coil spacing is {spacing:g}: give a length above 0.")
    if height < 0 or any((np.asarray(thickness) < 0).any() for thickness in thicknesses):
        raise ValueError("A thickness or the height is below 0: give 0 or more.")
    top = np.asarray(height, dtype=np.float64)
    total: FloatArray = np.asarray(conductivities[0]) * cumulative_response(
        top / spacing, orientation
    )
    for above, below, thickness in zip(conductivities, conductivities[1:], thicknesses):
        top = top + np.asarray(thickness)
        step = np.asarray(below, dtype=np.float64) - np.asarray(above)
        total = total + step * cumulative_response(top / spacing, orientation)
    return total
