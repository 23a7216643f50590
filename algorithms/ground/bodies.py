"""What coil pairs read over local bodies: weak ones to first order, and a sphere of any contrast.

**Weak bodies, vertical dipoles.** A body is a plan shape between two depths whose conductivity or
susceptibility differs from the ground around it. To first order (Born) its response is the contrast
times the pair's sensitivity, added up over the body. The sensitivity at a point is the product of
the fields that the transmitter and the receiver, each taken for a transmitter, would set up there
in free space:

- quadrature part, from conductivity: the horizontal electric fields, ``E ~ r / R^3``;
- in-phase part, from susceptibility: the magnetic fields, ``H ~ (3 z r, 2 z^2 - r^2) / R^5``,

with ``r`` the horizontal offset from the coil, ``z`` the depth below it and ``R`` the distance.
Added up over a whole layer the first gives McNeill's relative response exactly, and both follow
from the reciprocity of two dipoles; see Ward and Hohmann (1988), *Electromagnetic theory for
geophysical applications*, in *Electromagnetic Methods in Applied Geophysics* 1, SEG (from memory).
Bodies do not act on each other, and the low-induction-number limit holds.

**A sphere, all orientations.** Metal and strongly magnetic things are beyond first order. A small
sphere in a field that hardly changes over it becomes a magnetic dipole, ``m = -2 pi a^3 (X + iY)
H`` with ``a`` its radius; by reciprocity the field ratio is the polarizability ``m / H`` times the
dot product of the two coils' free-space dipole fields at its centre. ``X + iY`` is exact for
uniform fields in the quasi-static limit: J. R. Wait (1951), *A conducting sphere in a time varying
magnetic field*, Geophysics 16, 666-672; F. S. Grant and G. F. West (1965), *Interpretation Theory
in Applied Geophysics*; Ward and Hohmann (1988) (all from memory). Left out: higher multipoles, of
the order of ``3 a^2 / (R_t R_r)`` of what is counted, with the distances of the centre from the two
coils; and what the ground around does to a conductor in it, little beside metal.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.signal import fftconvolve
from scipy.special import roots_legendre

from ..options import check_words
from ..readings import FloatArray
from .instrument import MU_0, CoilPair
from .low_induction import ORIENTATIONS, cumulative_susceptible
from .response.quadrature import ComplexArray

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
    return float(cumulative_susceptible(depth / spacing))


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


@dataclass(frozen=True)
class Sphere:
    """A ball of one stuff in the ground.

    Parameters
    ----------
    radius
        m, above 0.
    conductivity
        mS/m, 0 or more: iron some 1e10 (common practice, no source).
    permeability
        Relative, above 0: hard iron some 20, soft iron hundreds (common practice, no source);
        ``1 + kappa`` of susceptible stuff.

    Raises
    ------
    ValueError
        If a number is out of its range.
    """

    radius: float
    conductivity: float = 0.0
    permeability: float = 1.0

    def __post_init__(self) -> None:
        if not 0 < self.radius < math.inf:
            raise ValueError(f"The sphere's radius is {self.radius:g} m: give a length above 0.")
        if not 0 <= self.conductivity < math.inf:
            raise ValueError(
                f"The sphere's conductivity is {self.conductivity:g} mS/m: give 0 or more."
            )
        if not 0 < self.permeability < math.inf:
            raise ValueError(
                f"The sphere's relative permeability is {self.permeability:g}: give a number "
                "above 0, 1 for none of its own."
            )

    def induction_parameter(self, frequency: float) -> complex:
        """``alpha = a sqrt(i w mu sigma)``; frequency in Hz."""
        square = 2 * math.pi * frequency * MU_0 * self.permeability * self.conductivity * 1e-3
        return self.radius * math.sqrt(square / 2) * (1 + 1j)

    def polarizability(self, frequency: float) -> complex:
        """Magnetic dipole moment per uniform field around it, m^3; frequency in Hz.

        Examples
        --------
        >>> weak = Sphere(0.1, permeability=1 + 1e-6)  # all but its volume times susceptibility
        >>> round(weak.polarizability(10_000.0).real / 1e-6, 6)
        0.004189
        """
        function = response_function(self.induction_parameter(frequency), self.permeability)
        return -2 * math.pi * self.radius**3 * complex(function)


NEAR_ZERO = 3.0
"""Induction parameters below this in size go by the continued fraction: no digits cancel in it."""
FRACTION = 24
"""Its depth; twelve would do."""


def response_function(alpha: npt.ArrayLike, permeability: npt.ArrayLike = 1.0) -> ComplexArray:
    """``X + iY`` of a conductive and permeable sphere: its moment is ``-2 pi a^3 (X + iY) H``.

    With ``L`` the logarithmic slope of ``r i_1(k r)`` at the surface, ``i_1`` the modified
    spherical Bessel function::

        X + iY = (L - 2 mu) / (L + mu),  L = alpha^2 tanh(alpha) / (alpha - tanh(alpha)) - 1

    - No conductivity, or very low frequency: ``-2 (mu - 1) / (mu + 2)``.
    - Weak induction, ``mu = 1``: ``alpha^2 / 15``, all of it quadrature.
    - Strong induction: 1. Iron, a hand across and at some kilohertz, is well on its way there.

    Parameters
    ----------
    alpha
        `Sphere.induction_parameter`, any shape, real part 0 or more.
    permeability
        Relative, a shape that fits.

    Examples
    --------
    >>> response_function([0.0, 1e6 + 1e6j], 4.0).round(5).tolist()
    [(-1+0j), (0.99999+1e-05j)]
    """
    a, mu = np.broadcast_arrays(
        np.asarray(alpha, dtype=np.complex128), np.asarray(permeability, dtype=np.float64)
    )
    # Over 2, its value without currents: alpha i_2 / i_1.
    slope: ComplexArray = np.zeros(a.shape, complex)
    small = np.abs(a) < NEAR_ZERO
    square = a[small] ** 2
    below = np.zeros(square.shape, complex)
    for order in range(FRACTION, 0, -1):
        below = square / (2 * order + 3 + below)
    slope[small] = below
    large = a[~small]
    # tanh would do but for its overflow in some releases.
    faded = np.exp(-2 * large)
    tangent = (1 - faded) / (1 + faded)
    slope[~small] = large**2 * tangent / (large - tangent) - 3
    function: ComplexArray = (slope - 2 * (mu - 1)) / (slope + 2 + mu)
    return function


_AXES = {
    "vertical": ((0.0, 0.0, 1.0), (0.0, 0.0, 1.0)),
    "horizontal": ((1.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
    "perpendicular": ((0.0, 0.0, 1.0), (0.0, -1.0, 0.0)),
}
"""Transmitter's and receiver's dipole: right, ahead (from the one to the other), down. The signs
make the quadrature part of conductive ground positive."""


def dipole_coupling(
    x: npt.ArrayLike, y: npt.ArrayLike, depth: float, spacing: float, orientation: str = "vertical"
) -> FloatArray:
    """Hs/Hp per polarizability of a small dipole under the coils, 1/m^3.

    ``-4 pi s^3 h_t . h_r``, with the free-space fields of the two coils' unit dipoles; Hp is that
    of coplanar coils at the spacing.

    Parameters
    ----------
    x, y
        Offsets of the dipole from the pair's midpoint, m: to the right, and ahead from transmitter
        to receiver; shapes that fit each other.
    depth, spacing
        Depth below the coils and coil spacing, m, above 0.
    orientation
        One of `low_induction.ORIENTATIONS`.

    Raises
    ------
    ValueError
        If the orientation is unknown or a length not above 0.
    """
    check_words(("Orientation", orientation, ORIENTATIONS))
    if not (depth > 0 and spacing > 0):
        raise ValueError(
            f"The depth below the coils is {depth:g} m and the spacing {spacing:g} m: give lengths "
            "above 0."
        )
    right, ahead = np.broadcast_arrays(
        np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    )
    transmitter, receiver = _AXES[orientation]
    sent = _dipole_field(transmitter, right, ahead + spacing / 2, depth)
    heard = _dipole_field(receiver, right, ahead - spacing / 2, depth)
    coupling: FloatArray = -(spacing**3) / (4 * np.pi) * (sent * heard).sum(axis=0)
    return coupling


def _dipole_field(
    axis: tuple[float, float, float], right: FloatArray, ahead: FloatArray, down: float
) -> FloatArray:
    """``4 pi`` times the field of a unit dipole at offsets from it; parts first."""
    offset = np.stack([right, ahead, np.full(right.shape, down)])
    moment = np.reshape(axis, (3,) + (1,) * right.ndim)
    square = (offset**2).sum(axis=0)
    field: FloatArray = (3 * (moment * offset).sum(axis=0) * offset - square * moment) / square**2.5
    return field


def sphere_response(
    sphere: Sphere,
    pair: CoilPair,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    depth: float,
    azimuth: npt.ArrayLike = 0.0,
) -> ComplexArray:
    """Field ratio Hs/Hp of a coil pair beside a buried sphere.

    Parameters
    ----------
    sphere
        What is buried.
    pair
        The coils at their height above the ground.
    x, y
        Of the sphere's centre from the pair's midpoint, m, east and north; shapes that fit.
    depth
        Of the sphere's centre below the ground's surface, m.
    azimuth
        Direction from the transmitter to the receiver, degrees clockwise from north.

    Returns
    -------
    array
        In-phase part real, quadrature part imaginary. NaN where a place is NaN.

    Raises
    ------
    ValueError
        If the sphere would touch the plane of the coils.

    Examples
    --------
    >>> pair = CoilPair(1.0, frequency=10_000.0, height=0.05)
    >>> iron = Sphere(0.1, conductivity=1e10, permeability=100.0)
    >>> (1000 * sphere_response(iron, pair, 0.0, [0.0, 0.6], 0.3)).round(2).tolist()
    [(-14.68-3.91j), (-3.08-0.82j)]
    """
    below = depth + pair.height
    if not below > sphere.radius:
        raise ValueError(
            f"The sphere's centre is {below:g} m below the coils and its radius {sphere.radius:g} "
            "m: bury it deeper or carry the coils higher."
        )
    angle = np.radians(np.asarray(azimuth, dtype=np.float64))
    east, north = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    right = east * np.cos(angle) - north * np.sin(angle)
    ahead = east * np.sin(angle) + north * np.cos(angle)
    coupling = dipole_coupling(right, ahead, below, pair.spacing, pair.orientation)
    ratio: ComplexArray = np.complex128(sphere.polarizability(pair.frequency)) * coupling
    return ratio
