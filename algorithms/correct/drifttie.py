"""Correct drift from tie lines: where lines cross, the ground is one and the readings differ."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..options import check_words
from ..progress import Progress, keep_going, portion
from ..readings import BoolArray, FloatArray, IntArray, Readings, Traverse
from ..words import in_unit
from .crossings import Crossings, find_crossings
from .curves import Curves
from .driftbase import DriftCorrection, DriftCurve
from .linked import linked_sets
from .penalised import by_cross_validation, solve_robustly, spread_about_zero
from .windows import Walk

MODELS = ("one_curve", "each_line")
SHAPES = ("cubic", "linear")
LEVELS = ("mean", "start", "ties")
MOST = 20_000
"""Corners of all curves together: more are surely a slip."""

FEWEST = 4
"""Crossings below which no drift can be fitted."""

DRAWN = 400


@dataclass(frozen=True)
class DriftTieOptions:
    """How drift is drawn through the differences at crossings.

    Parameters
    ----------
    model
        ``"one_curve"``, the instrument's drift as one curve in time for the whole survey;
        ``"each_line"``, a drift of its own for every line, in time along it.
    shape
        ``"cubic"``, a smooth curve (B-spline); ``"linear"``, straight pieces.
    knots
        Time between the corners of the curve, seconds.
    smoothness
        How strongly bends (or, line by line, any change) are held down, from 0 for not at all, 1
        for as much as one crossing in each corner counts; None for what predicts crossings left
        out best.
    pause
        A pause in the survey longer than this starts a new curve, seconds; 0 for never. For an
        instrument set to zero or switched off in the pauses.
    level
        What stays where it is: the ``"mean"`` of the survey, the ``"start"``, or the mean of the
        ``"ties"``.

    Raises
    ------
    ValueError
        If a word is unknown or a number out of range.
    """

    model: str = "one_curve"
    shape: str = "cubic"
    knots: float = 300.0
    smoothness: float | None = None
    pause: float = 0.0
    level: str = "mean"

    def __post_init__(self) -> None:
        check_words(
            ("Model", self.model, MODELS),
            ("Shape", self.shape, SHAPES),
            ("Level", self.level, LEVELS),
        )
        if not self.knots > 0:
            raise ValueError(f"The time between corners is {self.knots:g} s: give more than 0.")
        if self.smoothness is not None and not self.smoothness >= 0:
            raise ValueError(f"The smoothness is {self.smoothness:g}: give 0 or more.")
        if not self.pause >= 0:
            raise ValueError(f"The pause is {self.pause:g} s: give 0 or more.")


def drifttie(
    readings: Readings,
    ties: BoolArray | None = None,
    options: DriftTieOptions | None = None,
    progress: Progress = keep_going,
) -> DriftCorrection:
    """Take off the drift that differences at the crossings of lines show.

    At a crossing the readings of both lines are interpolated; what they differ by is the drift at
    the one time less that at the other, and noise. Drift is a curve with corners at even times
    (a penalised B-spline), fitted to all crossings by robust least squares; what holds down its
    bends is chosen so that crossings left out are predicted best (`FOLDS`-fold cross-validation).

    Only differences are known: a general level is chosen (`DriftTieOptions.level`), and of lines
    that cross nothing, nothing is known; they are left as they are and named.

    Parameters
    ----------
    readings
        Traverses and tie lines, with times.
    ties
        Which of `Readings.lines` are tie lines, ``(l,)``; None to compare every line with every
        other.

    Raises
    ------
    ValueError
        If a reading has no time or too few lines cross.

    References
    ----------
    P. H. C. Eilers and B. D. Marx (1996), *Flexible smoothing with B-splines and penalties*,
    Statistical Science 11, 89-121; P. J. Huber (1964), *Robust estimation of a location
    parameter*, Annals of Mathematical Statistics 35, 73-101.
    """
    options = options or DriftTieOptions()
    lines = readings.lines
    walk = Walk.of(readings)
    rows, owner = walk.rows, walk.number
    _check(readings, rows, ties)
    everything = np.ones(len(lines), np.bool_)
    crossings = (
        find_crossings(readings, everything, everything, portion(progress, 0.0, 0.3))
        if ties is None
        else find_crossings(readings, ties, None, portion(progress, 0.0, 0.3))
    )
    if len(crossings) < FEWEST:
        raise ValueError(
            f"Lines cross {len(crossings)} times; {FEWEST} crossings or more are needed. Check "
            "which lines are tie lines, and that they run over the traverses."
        )
    curves, piece = _pieces(readings, walk, options)
    values = readings.values.copy()
    c = values.shape[1]
    figures: dict[str, float | int | str] = {"crossings": len(crossings)}
    messages, drawn = [], []
    known = readings.usable
    columns, shares = curves.weights(piece[rows], readings.time[rows])
    label = _islands(crossings, piece, rows, owner, options)
    for k, (name, unit) in enumerate(zip(readings.channels, readings.units)):
        part = portion(progress, 0.3 + 0.7 * k / c, 0.3 + 0.7 * (k + 1) / c)
        column = np.where(known[:, k], readings.values[:, k], np.nan)
        at = crossings.at(column)
        sure: BoolArray = np.asarray(np.isfinite(at).all(axis=1))
        if sure.sum() < FEWEST:
            raise ValueError(f"'{name}' was read at {int(sure.sum())} crossings only.")
        used = crossings.take(sure)
        drift, chosen, difference = _fit(
            used, at[sure], readings.time, piece, curves, options, part
        )
        whole: FloatArray = np.zeros(len(readings))
        whole[rows] = (shares * drift[columns]).sum(axis=1)
        whole = _levelled(whole, readings.time, rows, owner, label, ties, options)
        values[:, k] -= whole
        before, after = (spread_about_zero(part) for part in difference)
        figures[f"crossings differ {name} before"] = float(f"{before:.4g}")
        figures[f"crossings differ {name} after"] = float(f"{after:.4g}")
        figures[f"drift {name}"] = float(f"{np.ptp(whole[rows]):.4g}")
        figures[f"smoothness {name}"] = float(f"{chosen:.3g}")
        messages.append(
            f"{name}: at {len(used)} crossings the readings differed by {in_unit(before, unit)} "
            f"and differ by {after:.3g} now; drift over {in_unit(np.ptp(whole[rows]), unit)}."
        )
        drawn.append(_drawn(readings, rows, used, at[sure], whole, name, unit))
    warnings = _warnings(lines, label)
    figures["lines without crossing"] = int(len(lines) - len(np.unique(crossings.line)))
    return DriftCorrection(
        readings.with_values(values), figures, tuple(messages), warnings, tuple(drawn)
    )


def _check(readings: Readings, rows: IntArray, ties: BoolArray | None) -> None:
    if not readings.lines:
        raise ValueError("No reading belongs to a traverse. Choose the traverse number field.")
    if ties is not None and not (ties.any() and (~ties).any()):
        which = "Every" if ties.all() else "No"
        raise ValueError(f"{which} line is a tie line. Choose what marks tie lines.")
    untimed = np.sort(rows[~np.isfinite(readings.time[rows])])
    if len(untimed):
        raise ValueError(
            f"{len(untimed):,} readings have no time, the first of them reading {untimed[0] + 1}: "
            "their drift is unknown. Fill in the time, or leave them out."
        )
    if np.ptp(readings.time[rows]) == 0.0:
        raise ValueError("All readings have the same time, which tells no drift. Check the time.")


def _pieces(readings: Readings, walk: Walk, options: DriftTieOptions) -> tuple[Curves, IntArray]:
    """The curves, and the piece of every reading, ``(n,)``."""
    time = readings.time
    piece = np.zeros(len(readings), np.int64)
    if options.model == "each_line":
        piece[walk.rows] = walk.number
    elif options.pause > 0:
        order = np.argsort(time, kind="stable")
        piece[order] = np.cumsum(np.diff(time[order], prepend=time[order[0]]) > options.pause)
    inside = walk.rows
    count = int(piece[inside].max()) + 1
    start, end = np.full(count, np.inf), np.full(count, -np.inf)
    np.minimum.at(start, piece[inside], time[inside])
    np.maximum.at(end, piece[inside], time[inside])
    start[~np.isfinite(start)], end[~np.isfinite(end)] = 0.0, 0.0
    degree = 3 if options.shape == "cubic" else 1
    stretches = np.maximum(np.ceil((end - start) / options.knots), 1).astype(np.int64)
    if stretches.sum() > MOST:
        raise ValueError(
            f"Corners every {options.knots:g} s make {int(stretches.sum()):,} of them. Choose a "
            "longer time between corners."
        )
    sizes = stretches + degree
    if options.model == "each_line":
        sizes[end - start < options.knots] = 1  # too short to bend: one number
    first = np.concatenate([[0], np.cumsum(sizes)]).astype(np.int64)
    order_held = 1 if options.model == "each_line" else 2
    return Curves(start, end, first, degree, order_held), piece


def _fit(
    crossings: Crossings,
    at: FloatArray,
    time: FloatArray,
    piece: IntArray,
    curves: Curves,
    options: DriftTieOptions,
    progress: Progress,
) -> tuple[FloatArray, float, tuple[FloatArray, FloatArray]]:
    """Coefficients, the smoothness chosen, and the differences before and after."""
    when = crossings.at(time)
    design = [curves.design(piece[crossings.before[:, s]], when[:, s]) for s in (0, 1)]
    relation = (design[0] - design[1]).tocsr()
    difference = at[:, 0] - at[:, 1]
    penalty = curves.penalty()
    held = (penalty.T @ penalty).tocsc()
    # In units in which 1 weighs as much as a crossing in each corner.
    unit = len(difference) / curves.size
    chosen = options.smoothness
    if chosen is None:
        chosen = by_cross_validation(relation, difference, held, unit, progress)
    found, _ = solve_robustly(relation, difference, held, chosen * unit)
    return found, float(chosen), (difference, difference - relation @ found)


def _islands(
    crossings: Crossings, piece: IntArray, rows: IntArray, owner: IntArray, options: DriftTieOptions
) -> IntArray:
    """Set of linked lines that each line belongs to, ``(l,)``; -1 where it crosses nothing.

    Lines are linked by a crossing, and by a curve that they share.
    """
    count = int(owner.max()) + 1
    i, j = crossings.line[:, 0], crossings.line[:, 1]
    if options.model == "one_curve":
        # Every line is linked to the first line of each of its pieces.
        pairs = np.unique(np.column_stack([piece[rows], owner]), axis=0)
        head = pairs[np.searchsorted(pairs[:, 0], pairs[:, 0], "left"), 1]
        i, j = np.concatenate([i, head]), np.concatenate([j, pairs[:, 1]])
    label = linked_sets(i, j, count)
    crossed = np.unique(label[np.unique(crossings.line)])
    label[~np.isin(label, crossed)] = -1
    return label


def _levelled(
    drift: FloatArray,
    time: FloatArray,
    rows: IntArray,
    owner: IntArray,
    label: IntArray,
    ties: BoolArray | None,
    options: DriftTieOptions,
) -> FloatArray:
    """Drift with the general level of each set of linked lines taken off it."""
    levelled = drift.copy()
    whose = label[owner]
    levelled[rows[whose < 0]] = 0.0
    for one in np.unique(whose[whose >= 0]):
        some = rows[whose == one]
        level = float(np.mean(drift[some]))
        if options.level == "start":
            level = float(drift[some[np.argmin(time[some])]])
        if options.level == "ties" and ties is not None:
            held = rows[(whose == one) & ties[owner]]
            level = float(np.mean(drift[held])) if len(held) else level
        levelled[some] -= level
    return levelled.round(9)


def _drawn(
    readings: Readings,
    rows: IntArray,
    crossings: Crossings,
    at: FloatArray,
    drift: FloatArray,
    name: str,
    unit: str,
) -> DriftCurve:
    """The drift at the crossings, as each shows it, and as it was taken off, in order of time."""
    when, taken = crossings.at(readings.time), crossings.at(drift)
    seen = np.concatenate([at[:, 0] - at[:, 1] + taken[:, 1], at[:, 1] - at[:, 0] + taken[:, 0]])
    time = np.concatenate([when[:, 0], when[:, 1]])
    order = np.argsort(time, kind="stable")
    every = -(-len(order) // DRAWN)
    inside = rows[np.argsort(readings.time[rows], kind="stable")]
    inside = inside[:: -(-len(inside) // (4 * DRAWN))]
    dots = order[::every]
    return DriftCurve(
        name, unit, 0, time[dots], seen[dots], np.zeros(len(dots)),
        readings.time[inside], drift[inside], 0.0,
    )  # fmt: skip


def _warnings(lines: tuple[Traverse, ...], label: IntArray) -> tuple[str, ...]:
    found = []
    alone = [lines[number].name for number in np.flatnonzero(label < 0)]
    if alone:
        shown = ", ".join(alone[:5]) + (" and others" if len(alone) > 5 else "")
        count = "1 line crosses" if len(alone) == 1 else f"{len(alone)} lines cross"
        found.append(f"{count} no other and stay as they are: {shown}.")
    sets = len(np.unique(label[label >= 0]))
    if sets > 1:
        found.append(
            f"The lines fall into {sets} sets that do not cross each other; nothing is known of "
            "the level of one against another."
        )
    return tuple(found)
