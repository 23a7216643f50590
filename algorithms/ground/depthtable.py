"""Tabulate what each depth of the ground adds to what the coil pairs of an instrument read."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

import numpy as np
import numpy.typing as npt

from ..progress import Progress, keep_going, portion
from ..readings import FloatArray
from ..words import in_unit, plural
from .depth.sensitivity import Curve, exact_curves, in_phase_curve, low_curve, turning_depth
from .depth.weighing import weighing_text
from .grounds.departure import DEPARTURE, departures
from .grounds.typed import TypedGround
from .instrument import NO_LONGER_LOW, CoilPair, Instrument, induction_number
from .low_induction import cumulative_response
from .pair_names import pair_labels

DEPTH_IN_SPACINGS = 4.0
"""Widest coil spacings that the table reaches down to unless told otherwise."""

FARTHEST = 10.0
"""Spacing and height of the widest pair, taken so many times, below which the table does not go of
itself to hold the depths of the share."""

ROWS = 40
"""Depths that the table has at least unless told otherwise."""

MOST_ROWS = 1000

RULE_OF_THUMB = {"vertical": 1.5, "horizontal": 0.75}
"""Spacings above which some 70 % of the response comes from, coils on the ground: McNeill (1980).
No such rule is published for perpendicular coils."""

RULE_SHARE = 70.0

USUAL_GROUND = TypedGround((20.0,))
"""Loam, about (common practice, no source)."""


@dataclass(frozen=True)
class DepthOptions:
    """What to tabulate.

    Parameters
    ----------
    ground
        Over which the exact response is worked out.
    share
        Of the response, whose depth is looked for, %.
    max_depth
        m; None: `DEPTH_IN_SPACINGS`, and further where the depths of the share lie deeper.
    depth_step
        m; None: a round figure that gives some `ROWS` rows.
    """

    ground: TypedGround = USUAL_GROUND
    share: float = 70.0
    max_depth: float | None = None
    depth_step: float | None = None


@dataclass(frozen=True, eq=False)
class PairTable:
    """One coil pair.

    Parameters
    ----------
    label
        What it is called.
    pair
        Itself.
    low, exact, in_phase
        Its curves, at the depths of the table and many between and below.
    depth_low, depth_exact
        From above which the share comes, m; NaN where there is none.
    rule
        The same by the rule of thumb, coils on the ground, m; NaN where there is none.
    turn
        Depth at which the in-phase part of susceptible layers changes sign, m; NaN if nowhere.
    induction
        Induction number over the ground.
    reading_low, reading_exact
        Apparent conductivity of the ground, mS/m.
    """

    label: str
    pair: CoilPair
    low: Curve
    exact: Curve
    in_phase: Curve
    depth_low: float
    depth_exact: float
    rule: float
    turn: float
    induction: float
    reading_low: float
    reading_exact: float

    @property
    def departure(self) -> float:
        """How far the exact reading lies from that at low induction numbers, a share of it."""
        return self.reading_exact / self.reading_low - 1 if self.reading_low else 0.0

    @property
    def kept(self) -> float:
        """Share of what coils on the ground would read, over uniform ground, that lifting left."""
        return float(cumulative_response(self.pair.height / self.pair.spacing, self.orientation))

    @property
    def orientation(self) -> str:
        """Of its dipoles."""
        return self.pair.orientation


@dataclass(frozen=True, eq=False)
class DepthTable:
    """What each depth adds, by coil pair, with words for the user.

    Parameters
    ----------
    depth
        m, shape ``(m,)``.
    pairs
        One a coil pair.
    options
        What was asked, filled in.
    """

    depth: FloatArray
    pairs: tuple[PairTable, ...]
    options: DepthOptions
    figures: dict[str, object] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()


def depthtable(
    instrument: Instrument, options: DepthOptions | None = None, progress: Progress = keep_going
) -> DepthTable:
    """Tabulate relative and cumulative response with depth below the surface.

    Raises
    ------
    ValueError
        If the share, the depths or the ground cannot be.

    References
    ----------
    J. D. McNeill (1980), *Electromagnetic terrain conductivity measurement at low induction
    numbers*, Technical Note TN-6.

    Examples
    --------
    >>> found = depthtable(Instrument((CoilPair(1.0), CoilPair(1.0, "horizontal"))))
    >>> [round(one.depth_low, 2) for one in found.pairs]
    [1.59, 0.76]
    >>> [round(one.depth_exact, 2) for one in found.pairs]
    [1.43, 0.71]
    """
    options = options or DepthOptions()
    share = options.share / 100
    if not 0 < share < 1:
        raise ValueError(f"The share is {options.share:g} %; give more than 0 and less than 100 %.")
    pairs, ground = instrument.pairs, options.ground
    widest = max(pair.spacing for pair in pairs)
    closest = min(pair.spacing for pair in pairs)
    # Dense enough for depths to be found, whatever the table's own step and end.
    fine = np.concatenate([[0.0], np.geomspace(1e-3 * closest, 1e3 * widest, 300)])
    deepest = 0.0
    if options.max_depth is None:
        first = exact_curves(pairs, ground, fine, portion(progress, 0.0, 0.4))
        deepest = max((d for d in (c.depth_of(share) for c in first) if d == d), default=0.0)
    depth = table_depths(instrument, options, deepest)
    every = np.unique(np.concatenate([depth, fine]))
    exact = exact_curves(pairs, ground, every, portion(progress, 0.4, 0.8))
    found = departures(
        pairs, ground.conductivity, ground.thickness, progress=portion(progress, 0.8, 1.0)
    )
    lows = [low_curve(pair, every) for pair in pairs]
    tables = []
    for number, (pair, label) in enumerate(zip(pairs, pair_labels(pairs))):
        low, in_phase = lows[number], in_phase_curve(pair, every)
        reading = float(found.low[0, number])
        mean = reading / low.whole
        tables.append(
            PairTable(
                label,
                pair,
                low,
                exact[number],
                in_phase,
                low.depth_of(share),
                exact[number].depth_of(share),
                RULE_OF_THUMB.get(pair.orientation, np.nan) * pair.spacing,
                turning_depth(pair),
                induction_number(pair, mean),
                reading,
                float(found.exact[0, number]),
            )
        )
    compared = weighing_text(
        [one.label for one in tables],
        exact if all(curve.shared for curve in exact) else lows,
        float(depth[-1]),
    )
    return DepthTable(
        depth,
        tuple(tables),
        options,
        _figures(tables, options, depth),
        (*_messages(tables, options, depth), *compared),
        tuple(_warnings(tables, options)),
    )


def table_depths(instrument: Instrument, options: DepthOptions, held: float = 0.0) -> FloatArray:
    """Depths of the table, m, from 0.

    Parameters
    ----------
    held
        Depth to hold besides those of the share at low induction numbers, m.

    Raises
    ------
    ValueError
        If they cannot be, or are too many.

    Examples
    --------
    >>> float(table_depths(Instrument((CoilPair(1.0),)), DepthOptions()).max())
    4.0
    """
    deepest = options.max_depth
    if deepest is None:
        deepest = _usual_depth(instrument, options.share / 100, held)
    if not (0 < deepest < inf):
        raise ValueError(f"The greatest depth is {deepest:g} m; give a depth above 0 m.")
    step = options.depth_step
    if step is None:
        step = _round_down(deepest / ROWS)
    if not step > 0:
        raise ValueError(f"The step of depth is {step:g} m; give a step above 0 m.")
    if step > deepest:
        raise ValueError(
            f"The step of {step:g} m is more than the greatest depth, {deepest:g} m. Make it less."
        )
    rows = int(np.floor(deepest / step + 1e-9)) + 1
    if rows > MOST_ROWS:
        raise ValueError(
            f"A step of {step:g} m to {deepest:g} m gives {rows:,} depths; at most {MOST_ROWS:,} "
            "are tabled. Choose a longer step."
        )
    depths: FloatArray = np.round(step * np.arange(rows), 9)
    return depths


def _usual_depth(instrument: Instrument, share: float, held: float) -> float:
    """Some widest spacings, m; more, and round, where depths of the share lie deeper."""
    usual = DEPTH_IN_SPACINGS * max(pair.spacing for pair in instrument.pairs)
    reach = max(pair.spacing + pair.height for pair in instrument.pairs)
    depth = np.concatenate([[0.0], np.geomspace(1e-3 * reach, FARTHEST * reach, 100)])
    lows = [low_curve(pair, depth).depth_of(share) for pair in instrument.pairs]
    wanted = max([held, *(low for low in lows if low == low)])
    if wanted <= usual:
        return usual
    wanted = min(1.1 * wanted, FARTHEST * reach)
    unit = _round_down(wanted / 10)
    return float(np.ceil(round(wanted / unit, 6)) * unit)


def _round_down(value: float) -> float:
    """The next smaller of 1, 2 and 5 with noughts."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(unit * power for unit in (5, 2, 1) if unit * power <= value * (1 + 1e-9)))


def _figures(
    tables: list[PairTable], options: DepthOptions, depth: npt.NDArray[np.float64]
) -> dict[str, object]:
    return {
        "share": options.share,
        "ground": options.ground.text,
        "depths": len(depth),
        "pairs": {
            one.label: {
                "depth low": _tidy(one.depth_low),
                "depth exact": _tidy(one.depth_exact),
                "rule of thumb": _tidy(one.rule),
                "in-phase turns at": _tidy(one.turn),
                "kept of the surface": _tidy(one.kept),
                "induction number": _tidy(one.induction),
                "reads low": _tidy(one.reading_low),
                "reads exact": _tidy(one.reading_exact),
                "departure": _tidy(one.departure),
            }
            for one in tables
        },
    }


def _tidy(value: float) -> float:
    return float(f"{value:.4g}")


def _messages(
    tables: list[PairTable], options: DepthOptions, depth: npt.NDArray[np.float64]
) -> list[str]:
    share = f"{options.share:g} %"
    said = [
        f"Depths are below the ground surface; 'exact' is for {options.ground.text}. "
        f"{plural(len(depth), 'depth')} to {depth[-1]:g} m."
    ]
    for one in tables:
        exact = (
            f"{in_unit(one.depth_exact, 'm')} exact"
            if one.depth_exact == one.depth_exact
            else "exact: no such depth, layers cancel each other"
        )
        known = one.rule == one.rule and options.share == RULE_SHARE
        rule = f"; rule of thumb for coils on the ground {in_unit(one.rule, 'm')}" if known else ""
        said.append(
            f"'{one.label}', {one.pair.height:g} m above the ground: {share} of the response comes "
            f"from above {in_unit(one.depth_low, 'm')} at low induction numbers, {exact}{rule}."
        )
    lifted = [f"'{one.label}' {100 * one.kept:.0f} %" for one in tables if one.pair.height > 0]
    if lifted:
        said.append(
            "Shares are of what the ground gives. Of what coils on uniform ground would read, "
            f"lifting leaves {', '.join(lifted)}."
        )
    for one in tables:
        if one.turn == one.turn:
            lower = "lowers" if one.orientation == "vertical" else "raises"
            raised = "raises" if lower == "lowers" else "lowers"
            said.append(
                f"In-phase, '{one.label}': susceptible ground above {in_unit(one.turn, 'm')} "
                f"{raised} the reading, deeper ground {lower} it; sums from above may pass 100 % "
                "or begin below 0 %."
            )
    return said


def _warnings(tables: list[PairTable], options: DepthOptions) -> list[str]:
    found = []
    for one in tables:
        if abs(one.departure) > DEPARTURE:
            height = f"coils {one.pair.height:g} m up" if one.pair.height else "coils on the ground"
            low = "" if one.induction < NO_LONGER_LOW else ", an induction number that is not low"
            found.append(
                f"Exact and low-induction readings of '{one.label}' differ by "
                f"{100 * abs(one.departure):.0f} % (B = {one.induction:.2g}{low}; {height}): "
                f"{in_unit(one.reading_exact, 'mS/m')} and {in_unit(one.reading_low, 'mS/m')}. Go "
                "by the exact columns."
            )
        if not one.exact.shared:
            found.append(
                f"'{one.label}': over this ground some layers raise the quadrature part and others "
                "lower it, so that no share comes from above any depth. The exact "
                "shares are left NULL; 'change_exact' holds what each layer does."
            )
        if not one.in_phase.shared:
            found.append(
                f"In-phase, '{one.label}': shallow and deep susceptible ground cancel each other "
                "at this height. The in-phase shares are left NULL; 'change_in_phase' holds what "
                "each layer does."
            )
    return found
