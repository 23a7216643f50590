"""What coil pairs read over layered ground: exact in the quasi-static limit.

The field ratio of a pair is an integral over the wavenumber of the ground's reflection
coefficient (see the room `response`). What is of first order in conductivity, and the
static images of susceptible layers, have closed forms; the rule of quadrature is given only the
rest, so that the low-induction-number limit holds to the last digits.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
import numpy.typing as npt

from ..progress import Progress, advance, keep_going, side_by_side
from ..readings import FloatArray
from ..words import plural
from .instrument import HEIGHTS, CoilPair
from .response.coupling import Coupling
from .response.quadrature import ComplexArray
from .response.reflection import Grounds

BATCH = 16_384
"""Wavenumbers times grounds worked on at a time: their arrays stay in the processor's cache."""

CONDUCTIVITIES = (0.0, 1e6)
"""What is believed, mS/m."""


@dataclass(frozen=True, eq=False)
class Jacobian:
    """Field ratios and how they change with the ground.

    Parameters
    ----------
    ratio
        Hs/Hp, shape ``(n, p)``, in-phase part real, quadrature part imaginary.
    by_conductivity
        Per mS/m of each layer, shape ``(n, p, L)``.
    by_thickness
        Per metre of each thickness, shape ``(n, p, L - 1)``; ``(n, p, 0)`` if left out.
    """

    ratio: ComplexArray
    by_conductivity: ComplexArray
    by_thickness: ComplexArray


def layered_response(
    pairs: Sequence[CoilPair],
    conductivity: npt.ArrayLike,
    thickness: npt.ArrayLike = (),
    susceptibility: npt.ArrayLike | None = None,
    height: npt.ArrayLike | None = None,
    accuracy: str = "fine",
    progress: Progress = keep_going,
) -> ComplexArray:
    """Field ratio of coil pairs over layered grounds.

    Parameters
    ----------
    pairs
        `p` coil pairs.
    conductivity
        mS/m from the top, shape ``(n, L)``, or ``(L,)`` for one ground.
    thickness
        Of all layers but the last, which goes on for ever, m, shape ``(n, L - 1)``, or
        ``(L - 1,)`` for all grounds.
    susceptibility
        SI, shaped like the conductivity; None for none.
    height
        Of the coils above the ground, m, a number or shape ``(n,)``; None for the pairs' own.
    accuracy
        ``"fine"`` or ``"quick"``: see `response.quadrature`.

    Returns
    -------
    array
        Hs/Hp of the secondary field, shape ``(n, p)``: in-phase part real, quadrature part
        imaginary; Hp is that of coplanar coils at the spacing. A ground that holds NaN gets NaN.

    Raises
    ------
    ValueError
        If the shapes do not agree, or a conductivity, thickness, susceptibility or height cannot
        be.

    References
    ----------
    S. H. Ward and G. W. Hohmann (1988), *Electromagnetic theory for geophysical applications*, in
    *Electromagnetic Methods in Applied Geophysics* 1, SEG.

    Examples
    --------
    >>> pair = CoilPair(1.0, frequency=10_000.0)
    >>> ratio = layered_response([pair], [15.0, 40.0, 20.0], [0.3, 0.8])
    >>> float(round(1e6 * ratio.imag[0, 0], 1)), float(round(1e6 * ratio.real[0, 0], 1))
    (543.7, 13.1)
    """
    survey = _Survey.of(pairs, conductivity, thickness, susceptibility, height)
    found = np.empty((survey.count, len(pairs)), complex)

    def work(rows: slice, coupling: Coupling) -> None:
        found[rows, coupling.columns] = coupling.ratio(*survey.part(rows, coupling)).T

    survey.run(Coupling.of(pairs, accuracy), work, progress)
    return found


def layered_jacobian(
    pairs: Sequence[CoilPair],
    conductivity: npt.ArrayLike,
    thickness: npt.ArrayLike = (),
    susceptibility: npt.ArrayLike | None = None,
    height: npt.ArrayLike | None = None,
    accuracy: str = "fine",
    progress: Progress = keep_going,
    thickness_too: bool = True,
) -> Jacobian:
    """Field ratio of coil pairs over layered grounds with its slopes; as `layered_response`.

    Slopes by thickness can be left out: without them it is quicker.
    """
    survey = _Survey.of(pairs, conductivity, thickness, susceptibility, height)
    shape, layers = (survey.count, len(pairs)), len(survey.grounds.conductivity)
    ratio = np.empty(shape, complex)
    by_conductivity = np.empty((*shape, layers), complex)
    by_thickness = np.empty((*shape, layers - 1 if thickness_too else 0), complex)

    def work(rows: slice, coupling: Coupling) -> None:
        found = coupling.jacobian(*survey.part(rows, coupling), thickness_too)
        ratio[rows, coupling.columns] = found[0].T
        by_conductivity[rows, coupling.columns] = 1e-3 * found[1].transpose(2, 1, 0)
        by_thickness[rows, coupling.columns] = found[2].transpose(2, 1, 0)

    survey.run(Coupling.of(pairs, accuracy), work, progress)
    return Jacobian(ratio, by_conductivity, by_thickness)


@dataclass(frozen=True, eq=False)
class _Survey:
    """Grounds and heights, checked; no heights: the pairs' own."""

    grounds: Grounds
    height: FloatArray | None

    @classmethod
    def of(
        cls,
        pairs: Sequence[CoilPair],
        conductivity: npt.ArrayLike,
        thickness: npt.ArrayLike,
        susceptibility: npt.ArrayLike | None,
        height: npt.ArrayLike | None,
    ) -> _Survey:
        """What was given, as the recursions want it.

        Raises
        ------
        ValueError
            As `layered_response`.
        """
        if not len(pairs):
            raise ValueError("There is no coil pair: give at least one.")
        sigma, thick = (_table(values) for values in (conductivity, thickness))
        count, layers = sigma.shape
        if not layers:
            raise ValueError("The ground has no layer: give at least one conductivity.")
        if thick.shape[1] != layers - 1:
            raise ValueError(
                f"{plural(layers, 'layer')} need {plural(layers - 1, 'thickness', 'thicknesses')}, "
                f"not {thick.shape[1]}: the last layer has none."
            )
        _fits(count, len(thick), "thicknesses")
        low, high = CONDUCTIVITIES
        _check("conductivity", sigma, (sigma < low) | (sigma > high), f"{low:g} to {high:g} mS/m")
        _check("thickness", thick, (thick < 0) | np.isinf(thick), "0 m or more")
        kappa = None
        if susceptibility is not None:
            kappa = _table(susceptibility)
            if kappa.shape != sigma.shape:
                raise ValueError(
                    f"Conductivities of {plural(count, 'ground')} of {plural(layers, 'layer')} "
                    f"need as many susceptibilities, not {len(kappa)} of {kappa.shape[1]}."
                )
            _check("susceptibility", kappa, (kappa <= -1) | (kappa > 1e6), "above -1 (SI)")
        lifted = None
        if height is not None:
            lifted = np.atleast_1d(np.asarray(height, dtype=np.float64))
            _fits(count, lifted.size, "heights")
            outside = (lifted < HEIGHTS[0]) | (lifted > HEIGHTS[1])
            bounds = f"{HEIGHTS[0]:g} to {HEIGHTS[1]:g} m"
            _check("height", lifted[:, np.newaxis], outside[:, np.newaxis], bounds)
        return cls(Grounds(1e-3 * sigma.T, thick.T, None if kappa is None else kappa.T), lifted)

    @property
    def count(self) -> int:
        """How many grounds."""
        return self.grounds.conductivity.shape[1]

    def part(self, rows: slice, coupling: Coupling) -> tuple[Grounds, FloatArray]:
        """Some grounds, and the coils' heights over them as `Coupling` wants them."""
        grounds = self.grounds
        thick, kappa = grounds.thickness, grounds.susceptibility
        chosen = replace(
            grounds,
            conductivity=np.ascontiguousarray(grounds.conductivity[:, rows]),
            thickness=thick if thick.shape[1] == 1 else np.ascontiguousarray(thick[:, rows]),
            susceptibility=None if kappa is None else np.ascontiguousarray(kappa[:, rows]),
        )
        if self.height is None:
            return chosen, np.array([[pair.height] for pair in coupling.pairs])
        if self.height.size == 1:
            return chosen, np.full((len(coupling.pairs), 1), self.height[0])
        return chosen, self.height[np.newaxis, rows]

    def run(
        self,
        couplings: Sequence[Coupling],
        work: Callable[[slice, Coupling], None],
        progress: Progress,
    ) -> None:
        """Work through the grounds in batches, on every core."""
        nodes = max(len(coupling.rule.nodes) for coupling in couplings)
        size = max(1, BATCH // nodes)
        batches = [slice(at, at + size) for at in range(0, self.count, size)]

        def share(mine: list[slice], progress: Progress) -> None:
            for done, rows in enumerate(mine):
                advance(progress, done / len(mine))
                # A ground that holds NaN gets NaN, without a word of NumPy's.
                with np.errstate(invalid="ignore"):
                    for coupling in couplings:
                        work(rows, coupling)

        cores = min(os.cpu_count() or 1, len(batches))
        if cores == 1:
            share(batches, progress)
            return
        shares = [batches[core::cores] for core in range(cores)]
        side_by_side([partial(share, mine) for mine in shares], progress)


def _table(values: npt.ArrayLike) -> FloatArray:
    """Numbers as grounds in rows and layers in columns."""
    found = np.atleast_2d(np.asarray(values, dtype=np.float64))
    if found.ndim > 2:
        raise ValueError("Grounds are a table: one row a ground, one column a layer.")
    return found


def _fits(count: int, given: int, what: str) -> None:
    """Refuse numbers that are neither one for all grounds nor one each."""
    if given not in (1, count):
        raise ValueError(
            f"{plural(count, 'ground')} cannot have {given} {what}: give one for all, or one each."
        )


def _check(what: str, values: FloatArray, wrong: npt.NDArray[np.bool_], bounds: str) -> None:
    """Refuse the first value that cannot be; grounds in rows."""
    bad = np.argwhere(wrong)
    if len(bad):
        ground, layer = bad[0]
        parts = [f"of layer {layer + 1}"] if what != "height" else []
        parts += [f"of ground {ground + 1}"] if len(values) > 1 else []
        raise ValueError(
            f"The {' '.join([what, *parts])} is {values[ground, layer]:g}: give {bounds}."
        )
