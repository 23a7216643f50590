"""What a vertical-dipole pair reads over local bodies, to first order.

A body is a plan shape between two depths whose conductivity or susceptibility differs from the
ground around it. To first order (Born) its response is the contrast times the pair's sensitivity,
added up over the body. The sensitivity at a point is the product of the fields that the transmitter
and the receiver, each taken for a transmitter, would set up there in free space:

- quadrature part, from conductivity: the horizontal electric fields, ``E ~ r / R^3``;
- in-phase part, from susceptibility: the magnetic fields, ``H ~ (3 z r, 2 z^2 - r^2) / R^5``,

with ``r`` the horizontal offset from the coil, ``z`` the depth below it and ``R`` the distance.
Added up over a whole layer the first gives McNeill's relative response exactly, and both follow
from the reciprocity of two dipoles; see Ward and Hohmann (1988), *Electromagnetic theory for
geophysical applications*, in *Electromagnetic Methods in Applied Geophysics* 1, SEG (from memory).
Bodies do not act on each other, and the low-induction-number limit holds.
"""

from __future__ import annotations

import numpy as np
from scipy.signal import fftconvolve
from scipy.special import roots_legendre

from ..readings import FloatArray

NODES = 5
"""Depths at which a body is added up, by Gauss and Legendre."""


def conductivity_kernel(x: FloatArray, y: FloatArray, depth: float, spacing: float) -> FloatArray:
    """Sensitivity to conductivity per volume, a pair along `y` with its midpoint at the origin.

    Over a plane at `depth` it adds up to `relative_response(depth / spacing) / spacing`.

    Parameters
    ----------
    x, y
        Horizontal offsets from the midpoint, any one shape, map units.
    depth, spacing
        Depth below the coils and coil spacing, map units, above 0.
    """
    front, back = y - spacing / 2, y + spacing / 2
    reach_front = x**2 + front**2 + depth**2
    reach_back = x**2 + back**2 + depth**2
    shared = x**2 + front * back
    kernel: FloatArray = spacing / np.pi * shared / (reach_front * reach_back) ** 1.5
    return kernel


def susceptibility_kernel(x: FloatArray, y: FloatArray, depth: float, spacing: float) -> FloatArray:
    """In-phase part of Hs/Hp per susceptibility (SI) and volume; as `conductivity_kernel`.

    Positive over a whole half-space, where it adds up to 1/2 under coils on the surface.
    """
    front, back = y - spacing / 2, y + spacing / 2
    reach_front = x**2 + front**2 + depth**2
    reach_back = x**2 + back**2 + depth**2
    level = 9 * depth**2 * (x**2 + front * back)
    upright = (3 * depth**2 - reach_front) * (3 * depth**2 - reach_back)
    kernel: FloatArray = (
        -(spacing**3) / (4 * np.pi) * (level + upright) / (reach_front * reach_back) ** 2.5
    )
    return kernel


def susceptible_below(depth: float, spacing: float) -> float:
    """In-phase part of Hs/Hp per susceptibility of all ground below a depth under the coils.

    The closed form of `susceptibility_kernel` added up, by the Hankel transform of its spectrum.

    Examples
    --------
    >>> susceptible_below(0.0, 1.0)
    0.5
    """
    z = 2 * depth / spacing
    return float(0.5 * (1 - 2 * z**2) / (z**2 + 1) ** 2.5)


def body_response(
    plan: FloatArray, cell: float, top: float, bottom: float, spacing: float, kind: str
) -> FloatArray:
    """Response per unit of contrast over a plan of cells, a pair along the rows' axis (axis 0).

    Parameters
    ----------
    plan
        Share of each cell that the body covers, 0 to 1, shape ``(rows, columns)``.
    cell
        Side of a cell, map units.
    top, bottom
        Depths below the coils, map units, ``0 < top < bottom``.
    spacing
        Coil spacing, map units.
    kind
        ``"conductivity"`` (apparent conductivity per conductivity) or ``"susceptibility"``
        (in-phase part of Hs/Hp per susceptibility).

    Returns
    -------
    array
        Response with the pair's midpoint over each cell, shape ``(rows, columns)``.

    Raises
    ------
    ValueError
        If the depths are not in order or the kind is unknown.
    """
    if not 0 < top < bottom:
        raise ValueError(f"A body from {top:g} to {bottom:g} is none: give 0 < top < bottom.")
    kernels = {"conductivity": conductivity_kernel, "susceptibility": susceptibility_kernel}
    if kind not in kernels:
        raise ValueError(f"'{kind}' is unknown: choose conductivity or susceptibility.")
    reach = int(np.ceil(8 * max(spacing, bottom) / cell))
    offsets = np.arange(-reach, reach + 1) * cell
    x, y = np.meshgrid(offsets, offsets)
    nodes, weights = roots_legendre(NODES)
    depths = (top + bottom) / 2 + (bottom - top) / 2 * nodes
    total = np.zeros_like(x)
    for depth, weight in zip(depths, weights):
        total += weight * (bottom - top) / 2 * kernels[kind](x, y, float(depth), spacing)
    response: FloatArray = fftconvolve(plan, total * cell**2, mode="same")
    return response
