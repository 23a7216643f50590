"""How layered ground reflects the field of a loop: the reflection coefficient and its slopes.

Layer by layer from below, in the quasi-static limit (no displacement currents), with the time
factor ``exp(i w t)``::

    u_j^2 = g^2 + i w mu_j sigma_j,  y_j = u_j / mu_j
    rho_j = (y_(j-1) - y_j) / (y_(j-1) + y_j)
    R_j   = (rho_j + R_(j+1) e_j) / (1 + rho_j R_(j+1) e_j),  e_j = exp(-2 u_j t_j)

with ``g`` the wavenumber, ``mu_j`` relative in ``y_j``, and ``y = g`` for the air on top. See
S. H. Ward and G. W. Hohmann (1988), *Electromagnetic theory for geophysical applications*, in
*Electromagnetic Methods in Applied Geophysics* 1, SEG. The slopes follow by the chain rule, from
above.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import FloatArray
from ..instrument import MU_0
from .quadrature import ComplexArray

REACHED = 20.0
"""A wavenumber times a depth beyond which nothing comes back from there: exp(-40) of it."""


@dataclass(frozen=True, eq=False)
class Grounds:
    """Layered grounds, layers first, as the recursion wants them.

    Parameters
    ----------
    conductivity
        S/m, shape ``(L, n)``.
    thickness
        m, shape ``(L - 1, n)``, or ``(L - 1, 1)`` where all grounds share it.
    susceptibility
        SI, shape ``(L, n)``, or None where no layer has any.
    """

    conductivity: FloatArray
    thickness: FloatArray
    susceptibility: FloatArray | None = None

    @property
    def tops(self) -> FloatArray:
        """Depth of the top of each layer, m, shape ``(L, n)`` or ``(L, 1)``."""
        surface = np.zeros((1, self.thickness.shape[1]))
        tops: FloatArray = np.concatenate([surface, np.cumsum(self.thickness, axis=0)])
        return tops


def reflection(grounds: Grounds, nodes: FloatArray, omega: float) -> ComplexArray:
    """The reflection coefficient at the surface, shape ``(m, n)``.

    Parameters
    ----------
    grounds
        `n` grounds of `L` layers.
    nodes
        Wavenumbers, 1/m, shape ``(m,)``.
    omega
        Angular frequency, 1/s.
    """
    return _Recursion.through(grounds, nodes, omega).found


def reflection_slopes(
    grounds: Grounds, nodes: FloatArray, omega: float, thickness_too: bool = True
) -> tuple[ComplexArray, ComplexArray, ComplexArray]:
    """The reflection coefficient and how it changes with the ground; as `reflection`.

    Returns
    -------
    tuple
        The coefficient, shape ``(m, n)``; its slopes by conductivity, per S/m, shape
        ``(L, m, n)``, and by thickness, per m, ``(L - 1, m, n)``, ``(0, m, n)`` if not wanted.
    """
    way = _Recursion.through(grounds, nodes, omega)
    g, u, y, mu = nodes[:, np.newaxis], way.u, way.y, way.mu
    count = len(u)
    by_rho: list[ComplexArray] = []
    by_path: list[ComplexArray] = []
    reaching: ComplexArray = np.ones((len(nodes), 1), complex)
    for j in range(count - 1):
        near = len(way.carried[j])
        onward = reaching[:near] / (1 + way.rho[j][:near] * way.carried[j]) ** 2
        mine = np.broadcast_to(reaching, way.rho[j].shape).copy()
        mine[:near] = onward * (1 - way.carried[j] ** 2)
        by_rho.append(mine)
        onward = onward * (1 - way.rho[j][:near] ** 2)
        by_path.append(onward * way.carried[j])
        reaching = onward * way.path[j]
    by_rho.append(reaching)

    by_conductivity = np.zeros((count, *way.found.shape), complex)
    by_thickness = np.zeros((count - 1 if thickness_too else 0, *way.found.shape), complex)
    for j in range(count):
        far = len(u[j])
        by_y = by_rho[j] * ((y[j - 1][:far] if j else g) / way.both[j])
        if j < count - 1:
            near = len(way.carried[j])
            by_y[:near] -= by_rho[j + 1] * (y[j + 1] / way.both[j + 1])
            if thickness_too:
                np.multiply(by_path[j], -2 * u[j][:near], out=by_thickness[j, :near])
            along = by_path[j] * grounds.thickness[j]
            by_y[:near] += along if mu is None else along * mu[j]
        # -2 from the slope of rho by y and of the path by u; 1 / (2 u) from that of u by u^2.
        np.multiply(by_y, -1j * omega * MU_0 / u[j], out=by_conductivity[j, :far])
    return way.found, by_conductivity, by_thickness


@dataclass(frozen=True, eq=False)
class _Recursion:
    """What the recursion meets on its way up; lists by layer, their arrays ``(m_j, n)``.

    Of the `m` wavenumbers, ascending, only the first ``m_j`` reach down to layer `j`.
    """

    u: list[ComplexArray]
    y: list[ComplexArray]
    mu: FloatArray | None
    both: list[ComplexArray]
    rho: list[ComplexArray]
    path: list[ComplexArray]
    carried: list[ComplexArray]
    found: ComplexArray

    @classmethod
    def through(cls, grounds: Grounds, nodes: FloatArray, omega: float) -> _Recursion:
        """Go through the layers; parameters as `reflection`."""
        count = len(grounds.conductivity)
        mu = None if grounds.susceptibility is None else 1 + grounds.susceptibility
        with np.errstate(divide="ignore"):
            reached = np.searchsorted(nodes, REACHED / grounds.tops.min(axis=1), side="right")
        g = [nodes[:far, np.newaxis] for far in reached.tolist()]
        u = [
            root(g[j] ** 2, omega * MU_0 * (sigma if mu is None else sigma * mu[j]))
            for j, sigma in enumerate(grounds.conductivity)
        ]
        y = u if mu is None else [u[j] / mu[j] for j in range(count)]
        both = [((y[j - 1][: len(y[j])] if j else g[0]) + y[j]) ** 2 for j in range(count)]
        rho = [_difference(grounds, j, g[j], omega) / both[j] for j in range(count)]
        path = [decay(-2 * grounds.thickness[j], u[j][: len(u[j + 1])]) for j in range(count - 1)]
        found = rho[-1]
        carried: list[ComplexArray] = []
        for j in range(count - 2, -1, -1):
            back = found * path[j]
            near = len(back)
            found = rho[j].copy()
            found[:near] = (rho[j][:near] + back) / (1 + rho[j][:near] * back)
            carried.insert(0, back)
        return cls(u, y, mu, both, rho, path, carried, found)


def root(real: FloatArray, imaginary: FloatArray) -> ComplexArray:
    """The square root of ``real + i imaginary``, both 0 or more: NumPy's own is far slower.

    Examples
    --------
    >>> root(np.array([3.0]), np.array([4.0])).tolist()
    [(2+1j)]
    """
    found = np.empty(np.broadcast(real, imaginary).shape, complex)
    found.real = np.sqrt((np.sqrt(real**2 + imaginary**2) + real) / 2)
    found.imag = imaginary / (2 * found.real)
    return found


def decay(factor: FloatArray, exponent: ComplexArray) -> ComplexArray:
    """``exp(factor exponent)`` with a real factor of 0 or less: NumPy's own is far slower."""
    size = np.exp(factor * exponent.real)
    angle = factor * exponent.imag
    found = np.empty(size.shape, complex)
    np.multiply(size, np.cos(angle), out=found.real)
    np.multiply(size, np.sin(angle), out=found.imag)
    return found


def _difference(grounds: Grounds, j: int, g: FloatArray, omega: float) -> ComplexArray:
    """``y_(j-1)^2 - y_j^2``, without the loss of digits that the roots would bring."""
    sigma, kappa = grounds.conductivity, grounds.susceptibility
    above = sigma[j - 1] if j else np.zeros(1)
    found: ComplexArray
    if kappa is None:
        found = 1j * omega * MU_0 * (above - sigma[j])
        return found
    lower, upper = kappa[j], kappa[j - 1] if j else np.zeros(1)
    contrast = (lower - upper) * (2 + lower + upper) / ((1 + lower) * (1 + upper)) ** 2
    found = g**2 * contrast
    found = found + 1j * omega * MU_0 * (above / (1 + upper) - sigma[j] / (1 + lower))
    return found
