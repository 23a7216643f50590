"""The forms that channels of coil pairs come in, and the way between each and the field ratio.

Quadrature part:

- ``ratio``, ``ppt``, ``ppm``: Hs/Hp itself.
- ``low_induction``: apparent conductivity by McNeill's rule, ``4 Q / (w mu_0 s^2)``, as if the
  coils lay on the surface; what instruments show, mS/m.
- ``low_induction_lifted``: that over the share of the response that the height leaves.
- ``exact``: conductivity of the uniform ground that gives the quadrature part at the height.

In-phase part: ``ratio``, ``ppt``, ``ppm``, or ``susceptibility``: that of the uniform ground that
gives the in-phase part at the height in the static limit. With the image of the transmitter in
such ground, ``kappa / (2 + kappa)``, it is ``I = 2 C kappa / (2 + kappa)``, ``C`` of
`cumulative_susceptible`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...options import check_words
from ...progress import Progress, keep_going
from ...readings import FloatArray
from ...words import in_unit
from ..instrument import CONDUCTIVITY, SCALES, CoilPair, ratio_per_conductivity
from ..low_induction import cumulative_response, cumulative_susceptible, relative_susceptible
from .apparent import exact_conductivity, exact_ratio

SUSCEPTIBILITY = "1e-5 SI"
"""Unit of volume susceptibility, as the trade writes it."""

QUADRATURE_FORMS = (*SCALES, "low_induction", "low_induction_lifted", "exact")
IN_PHASE_FORMS = (*SCALES, "susceptibility")
FORMS = {"quadrature": QUADRATURE_FORMS, "in_phase": IN_PHASE_FORMS}

LIFTED = ("low_induction_lifted", "exact", "susceptibility")
"""Forms for which the height counts."""

LEAST = 0.02
"""In-phase part per susceptibility (0.5 at most) below which it tells nothing of it."""

WORDS = {
    "ratio": "plain field ratio",
    "ppt": "field ratio in ppt",
    "ppm": "field ratio in ppm",
    "low_induction": "conductivity at low induction numbers, coils counted as on the surface",
    "low_induction_lifted": "conductivity at low induction numbers, referred to the ground",
    "exact": "exact apparent conductivity",
    "susceptibility": "apparent susceptibility",
}


def unit_of(form: str) -> str:
    """Unit of a form.

    Examples
    --------
    >>> [unit_of(form) for form in ("ppm", "exact", "susceptibility")]
    ['ppm', 'mS/m', '1e-5 SI']
    """
    check_words(("Form", form, {*QUADRATURE_FORMS, *IN_PHASE_FORMS}))
    if form in SCALES:
        return form
    return SUSCEPTIBILITY if form == "susceptibility" else CONDUCTIVITY


def shown(value: float, form: str) -> str:
    """A figure in the unit of a form, for messages.

    Examples
    --------
    >>> shown(35.4, "susceptibility"), shown(20.0, "exact")
    ('35.4 x 1e-5 SI', '20 mS/m')
    """
    return in_unit(value, unit_of(form))


@dataclass(frozen=True, eq=False)
class Lifted:
    """A pair with its coils at a height over every reading.

    Parameters
    ----------
    pair
        The coils.
    height
        m, shape ``(n,)``; NaN where unknown.
    """

    pair: CoilPair
    height: FloatArray

    @property
    def share(self) -> FloatArray:
        """Share of the quadrature part that the height leaves, low induction numbers, ``(n,)``."""
        return cumulative_response(self.height / self.pair.spacing, self.pair.orientation)

    @property
    def in_phase_share(self) -> FloatArray:
        """In-phase part per susceptibility (SI), ``(n,)``."""
        return cumulative_susceptible(self.height / self.pair.spacing, self.pair.orientation)

    @property
    def in_phase_by_centimetre(self) -> FloatArray:
        """Share by which a centimetre of height changes the in-phase part, ``(n,)``."""
        pair = self.pair
        slope = relative_susceptible(self.height / pair.spacing, pair.orientation) / pair.spacing
        with np.errstate(divide="ignore", invalid="ignore"):
            change: FloatArray = np.abs(0.01 * slope / self.in_phase_share)
        return change

    def to_ratio(
        self, values: FloatArray, form: str, progress: Progress = keep_going
    ) -> FloatArray:
        """The part of Hs/Hp that values of a form stand for, ``(n,)``; NaN where for none."""
        if form in SCALES:
            return values * SCALES[form]
        if form == "exact":
            return exact_ratio(self.pair, values, self.height, progress).imag
        if form == "susceptibility":
            kappa = np.where(values > -1e5, 1e-5 * values, np.nan)
            image: FloatArray = self._in_phase_share() * 2 * kappa / (2 + kappa)
            return image
        found: FloatArray = values * 1e-3 * ratio_per_conductivity(self.pair)
        return found * self.share if form == "low_induction_lifted" else found

    def of_ratio(self, ratio: FloatArray, form: str, progress: Progress = keep_going) -> FloatArray:
        """A part of Hs/Hp in a form, ``(n,)``; NaN where there is none.

        Examples
        --------
        >>> coils = Lifted(CoilPair(1.0, frequency=10_000.0), np.array([0.0]))
        >>> coils.of_ratio(np.array([4e-4]), "low_induction").round(3).tolist()
        [20.264]
        """
        if form in SCALES:
            return ratio / SCALES[form]
        if form == "exact":
            return exact_conductivity(self.pair, ratio, self.height, progress)
        if form == "susceptibility":
            # From that of no permeability at all to that of an endless one.
            share = ratio / self._in_phase_share()
            share = np.where(np.abs(share) < 2, share, np.nan)
            return 1e5 * 2 * share / (2 - share)
        found: FloatArray = ratio / (1e-3 * ratio_per_conductivity(self.pair))
        return found / self.share if form == "low_induction_lifted" else found

    def _in_phase_share(self) -> FloatArray:
        """The same as `in_phase_share`, NaN where it is too small to divide by."""
        share = self.in_phase_share
        found: FloatArray = np.where(np.abs(share) >= LEAST, share, np.nan)
        return found


def named_numbers(text: str, what: str) -> dict[str, float]:
    """Numbers by channel, as written: ``ec_050 = 2.5; ip_050 = -0.3``.

    Parameters
    ----------
    text
        As the user wrote it; may be empty.
    what
        What it is called in messages.

    Raises
    ------
    ValueError
        If a part is no name and number, or a name stands there twice.

    Examples
    --------
    >>> named_numbers("ec_050 = 2.5; ip_050 = -0.3", "Offsets")
    {'ec_050': 2.5, 'ip_050': -0.3}
    """
    found: dict[str, float] = {}
    for part in text.replace("\n", ";").split(";"):
        if not part.strip():
            continue
        name, _, number = (word.strip() for word in part.rpartition("="))
        try:
            value = float(number)
        except ValueError:
            value = np.nan
        if not name or not np.isfinite(value):
            raise ValueError(
                f"'{what}' holds '{part.strip()}'; write a channel and a number, such as "
                "ec_050 = 2.5, several separated by semicolons, with a decimal point."
            )
        if name in found:
            raise ValueError(f"'{what}' names channel '{name}' twice. Name it once.")
        found[name] = value
    return found
