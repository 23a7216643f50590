"""Easting and northing of a UTM zone to longitude and latitude, for the track's file."""

from __future__ import annotations

import numpy as np

# GRS 80, the ellipsoid of ETRS89.
AXIS = 6_378_137.0
FLATTENING = 1 / 298.257222101
SCALE = 0.9996
FALSE_EASTING = 500_000.0


def longitude_latitude(x, y, zone: int) -> tuple[np.ndarray, np.ndarray]:
    """Degrees from metres, northern hemisphere; good to a millimetre within the zone.

    The inverse of Krueger's series to the third order in the third flattening (L. Krueger, 1912,
    *Konforme Abbildung des Erdellipsoids in der Ebene*; coefficients from memory, checked against
    PROJ in the tests).
    """
    n = FLATTENING / (2 - FLATTENING)
    radius = AXIS / (1 + n) * (1 + n**2 / 4 + n**4 / 64)
    beta = (
        n / 2 - 2 * n**2 / 3 + 37 * n**3 / 96,
        n**2 / 48 + n**3 / 15,
        17 * n**3 / 480,
    )
    delta = (2 * n - 2 * n**2 / 3 - 2 * n**3, 7 * n**2 / 3 - 8 * n**3 / 5, 56 * n**3 / 15)
    xi = np.asarray(y) / (SCALE * radius)
    eta = (np.asarray(x) - FALSE_EASTING) / (SCALE * radius)
    xi_, eta_ = xi, eta
    for order, b in enumerate(beta, start=1):
        xi_ = xi_ - b * np.sin(2 * order * xi) * np.cosh(2 * order * eta)
        eta_ = eta_ - b * np.cos(2 * order * xi) * np.sinh(2 * order * eta)
    chi = np.arcsin(np.sin(xi_) / np.cosh(eta_))
    latitude = chi
    for order, d in enumerate(delta, start=1):
        latitude = latitude + d * np.sin(2 * order * chi)
    longitude = np.arctan2(np.sinh(eta_), np.cos(xi_))
    return np.degrees(longitude) + 6 * zone - 183, np.degrees(latitude)
