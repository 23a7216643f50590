"""The transformation of places in the plane by a shift, a turn and a scale."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .controlpoints import ComplexArray


@dataclass(frozen=True)
class Transformation:
    """``map = shift + turn * site`` with places as complex numbers x + iy.

    `turn` holds the scale and the turn. `mirrored`: of the conjugate of `site`, as for
    left-handed axes.
    """

    shift: complex
    turn: complex
    mirrored: bool = False

    @property
    def scale(self) -> float:
        """Map units in a unit of the site grid."""
        return abs(self.turn)

    @property
    def rotation(self) -> float:
        """Bearing of the site grid's y axis, degrees clockwise from grid north, 0 to below 360."""
        return float(-np.degrees(np.angle(self.turn)) % 360.0) % 360.0

    def apply(self, site: npt.ArrayLike) -> ComplexArray:
        """Places on the map."""
        places = np.asarray(site, np.complex128)
        found: ComplexArray = self.shift + self.turn * (
            np.conj(places) if self.mirrored else places
        )
        return found

    def bearing(self, degrees: float) -> float:
        """A bearing on the site grid as one on the map, 0 to below 360."""
        return float((degrees + self.rotation) % 360.0) % 360.0

    def length(self, units: float) -> float:
        """A length on the site grid as one on the map."""
        return units * self.scale

    @property
    def inverse(self) -> Transformation:
        """From the map to the site grid. Only for what is not mirrored."""
        return Transformation(-self.shift / self.turn, 1.0 / self.turn)


def fit(
    site: ComplexArray, on_map: ComplexArray, scaled: bool = False, mirrored: bool = False
) -> tuple[Transformation, ComplexArray]:
    """Least-squares transformation and the residuals (map less fitted), in closed form.

    Parameters
    ----------
    site, on_map
        Places x + iy, shape ``(k,)``.
    scaled
        Whether the scale is free, else 1.
    mirrored
        Fit the mirror image of the site grid.

    References
    ----------
    The Helmert or four-parameter transformation of surveying textbooks; with the scale held, the
    orthogonal Procrustes problem in the plane: P. H. Schönemann (1966), Psychometrika 31, 1-10
    (from memory).

    Examples
    --------
    >>> found, residual = fit(np.array([0, 1j]), np.array([5, 6 + 0j]))
    >>> found.rotation, found.shift, bool(abs(residual).max() < 1e-12)
    (90.0, (5+0j), True)
    """
    from_centre = site - site.mean()
    if mirrored:
        from_centre = np.conj(from_centre)
    to_centre = on_map - on_map.mean()
    shared = complex(np.sum(np.conj(from_centre) * to_centre))
    size = float(np.sum(np.abs(from_centre) ** 2))
    turn = shared / size if scaled else (shared / abs(shared) if shared else 1.0 + 0j)
    centre = complex(np.conj(site.mean()) if mirrored else site.mean())
    shift = complex(on_map.mean()) - turn * centre
    return Transformation(shift, turn, mirrored), to_centre - turn * from_centre
