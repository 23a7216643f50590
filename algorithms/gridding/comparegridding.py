"""Compare gridding methods: predict traverses that are left out, and measure the errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..progress import Progress, advance, keep_going, portion
from ..readings import BoolArray, FloatArray, IntArray, Qc, Readings, Traverse
from .candidates import Candidate, distinct
from .errors import MAE, MEASURES, Judge, precisions
from .folds import informing, told_by_others, traverses_across, windows
from .gridreadings import GriddingOptions, predict_readings, sizes
from .standings import (
    ALL,
    GriddingComparison,
    Standing,
    Tested,
    Trials,
    rank_by_error,
    spreads,
)
from .verdicts import told

FEWEST = 4
"""Traverses without which nothing can be left out and predicted."""

PREDICTED = 0.5
"""Share of the readings left out that a candidate must have values for, to be ranked at all."""


@dataclass(frozen=True)
class CompareOptions:
    """How to compare.

    Parameters
    ----------
    rank_by
        What the order is made by: mean absolute error, 'mae', or root mean square error, 'rmse'.
    folds
        Every how many-th traverse is left out at a time; each is left out once.
    most
        A survey with more readings than this is tested on pieces of it.
    cell_size, blanking_distance, barriers, block, workers
        As in `lynchet.algorithms.gridding.gridreadings.GriddingOptions`, the same for all.
    """

    rank_by: str = MAE
    folds: int = 3
    most: int = 30_000
    cell_size: float | None = None
    blanking_distance: float | None = None
    barriers: FloatArray | None = None
    block: float | None = None
    workers: int = -1


def comparegridding(
    readings: Readings,
    candidates: Sequence[Candidate],
    options: CompareOptions = CompareOptions(),
    progress: Progress = keep_going,
) -> GriddingComparison:
    """Leave whole traverses out, predict their readings from the others, and rank by the errors.

    Single readings left out would have their neighbours along the traverse a few hands away, and
    every method would look good. Every `CompareOptions.folds`-th traverse across the ground is
    left out at a time, until each has been once. A reading counts if it lies among those kept,
    no other traverse passes beside it, it is no spike or filled gap, and every ranked candidate
    has a value for it.

    Raises
    ------
    ValueError
        If there is nothing to compare, too few traverses, or no candidate that takes the
        readings.

    References
    ----------
    M. Stone (1974), *Cross-validatory choice and assessment of statistical predictions*, J. R.
    Statist. Soc. B 36, 111-147; D. R. Roberts et al. (2017), *Cross-validation strategies for
    data with temporal, spatial, hierarchical, or phylogenetic structure*, Ecography 40, 913-929,
    for leaving out blocks of what is alike.

    Examples
    --------
    >>> east, north = np.meshgrid(np.arange(9.0), np.arange(0, 9, 0.25), indexing="ij")
    >>> r = Readings.build(x=east.ravel(), y=north.ravel(), values=(east**2 + north).ravel(),
    ...                    line=np.repeat(range(9), 36))
    >>> found = comparegridding(r, [Candidate("inverse_distance"), Candidate("triangulation")])
    >>> [(standing.candidate.text, round(standing.scores[0].rmse, 1)) for standing in found.ranked]
    [('triangulation', 1.0), ('inverse_distance', 1.1)]
    """
    candidates = distinct(candidates)
    if not candidates:
        raise ValueError("No gridding method is chosen. Choose two or more to compare.")
    if options.folds < 2:
        raise ValueError(f"Every traverse would be left out at once. Give folds of 2 or more, "
                         f"not {options.folds}.")  # fmt: skip
    if options.rank_by not in MEASURES:
        raise ValueError(f"Candidates can be ranked by {' or '.join(MEASURES)}, not by "
                         f"'{options.rank_by}'.")  # fmt: skip
    trial = _Trial(readings, candidates, options)
    trial.run(progress)
    return trial.judged()


class _Trial:
    """The predictions of all candidates on all folds of all pieces of ground."""

    def __init__(
        self, readings: Readings, candidates: tuple[Candidate, ...], options: CompareOptions
    ) -> None:
        self.readings, self.candidates, self.options = readings, candidates, options
        self.informs = informing(readings)
        everywhere = traverses_across(readings)
        if len(everywhere) < FEWEST:
            raise ValueError(_too_few(len(everywhere)))
        # Measured once: a survey that lacks traverses would look more widely walked.
        self.gridding = GriddingOptions(
            cell_size=options.cell_size,
            blanking_distance=options.blanking_distance,
            barriers=options.barriers,
            block=options.block,
            workers=options.workers,
        )
        cell_size, blanking, spacing = sizes(readings, self.gridding)
        self.cell_size, self.blanking = cell_size, blanking
        # A raster may hold data no further out; a traverse left out is one separation away.
        self.reach = max(blanking, spacing.blanking_distance if spacing else 0.0)
        self.separation = max(spacing.separation, spacing.interval) if spacing else blanking
        self.pieces, self.side = windows(readings, spacing, options.most)
        self.grids = {name: number for number, name in enumerate(readings.grid_names)}
        self.refused: dict[int, str] = {}
        self._divide(everywhere)

    def _divide(self, everywhere: Sequence[Traverse]) -> None:
        """Number the traverses of each piece, and the fold each is left out in."""
        size = len(self.readings)
        self.traverse: IntArray = np.full(size, -1, dtype=np.int64)
        self.fold: IntArray = np.full(size, -1, dtype=np.int64)
        names: list[str] = []
        run: list[int] = []
        pieces = []
        for piece, rows in enumerate(self.pieces):
            own = traverses_across(self.readings.take(rows))
            if len(own) < FEWEST:
                continue
            pieces.append(rows)
            for number, traverse in enumerate(own):
                self.traverse[rows[traverse.rows]] = len(names)
                self.fold[rows[traverse.rows]] = number % self.options.folds
                names.append(traverse.name)
                run.append(piece * len(self.grids) + self.grids[traverse.grid])
        if not pieces:
            raise ValueError(
                f"The pieces of {self.side:.3g} map units to test on hold fewer than {FEWEST} "
                "traverses each. Raise the most readings to test on."
            )
        self.pieces, self.names, self.run_of = pieces, tuple(names), np.array(run)

    def run(self, progress: Progress) -> None:
        """Predict what is left out, fold by fold and candidate by candidate."""
        self.rows: IntArray = np.flatnonzero(self.fold >= 0)
        channels = len(self.readings.channels)
        place = np.full(len(self.readings), -1)
        place[self.rows] = np.arange(len(self.rows))
        self.found = np.full((len(self.candidates), len(self.rows), channels), np.nan)
        self.among: BoolArray = np.zeros((len(self.rows), channels), dtype=np.bool_)
        self.near: BoolArray = self.among.copy()
        folds = [
            (piece, np.unique(self.fold[piece][self.fold[piece] >= 0])) for piece in self.pieces
        ]
        jobs = len(self.candidates) * sum(len(numbers) for _, numbers in folds)
        done = 0
        for piece, numbers in folds:
            for number in numbers:
                left = piece[self.fold[piece] == number]
                kept = piece[self.fold[piece] != number]
                self._place(left, kept, place[left])
                for k, candidate in enumerate(self.candidates):
                    if k not in self.refused:
                        part = portion(progress, done / jobs, (done + 1) / jobs)
                        self._predict(k, candidate, left, kept, place[left], part)
                    done += 1
                    advance(progress, done / jobs)

    def _place(self, left: IntArray, kept: IntArray, at: IntArray) -> None:
        """Tell which readings left out lie among those kept, channel by channel."""
        xy = np.column_stack([self.readings.x, self.readings.y])
        xy -= xy[left[0]]
        seen: dict[bytes, tuple[BoolArray, BoolArray]] = {}
        for channel in range(len(self.readings.channels)):
            serves = self.informs[kept, channel]
            key = serves.tobytes()
            if key not in seen:
                seen[key] = told_by_others(xy[kept[serves]], xy[left], self.reach, self.separation)
            informs = self.informs[left, channel]
            self.among[at, channel] = seen[key][0] & informs
            self.near[at, channel] = seen[key][1] & informs

    def _predict(
        self,
        k: int,
        candidate: Candidate,
        left: IntArray,
        kept: IntArray,
        at: IntArray,
        progress: Progress,
    ) -> None:
        """One candidate's values where readings are left out; or why it cannot tell any."""
        gridding = GriddingOptions(
            method=candidate.method,
            cell_size=self.cell_size,
            blanking_distance=self.blanking,
            barriers=self.options.barriers,
            block=self.options.block,
            method_options=candidate.options,
            workers=self.options.workers,
        )
        readings = self.readings
        try:
            self.found[k, at] = predict_readings(
                readings.take(kept), gridding, readings.x[left], readings.y[left], progress
            )
        except ValueError as wrong:
            self.refused[k] = str(wrong)

    def judged(self) -> GriddingComparison:
        """Figures, ranks and words from the predictions."""
        measured = (self.readings.qc[self.rows] & int(Qc.SPIKE | Qc.FILLED)) == 0
        testable = self.among & ~self.near & measured[:, np.newaxis]
        if not testable.any():
            raise ValueError(
                "No reading of a traverse left out lies among those of the others: there is "
                "nothing to compare with. Check the traverse number field."
            )
        known = np.isfinite(self.found)
        for k in range(len(self.candidates)):
            if k not in self.refused:
                share = float(known[k][testable].mean())
                if share < PREDICTED:
                    self.refused[k] = (
                        f"It has a value for only {100 * share:.0f} % of the readings left out: it "
                        "does not reach across the gap that a traverse leaves."
                    )
        taken = [k for k in range(len(self.candidates)) if k not in self.refused]
        if not taken:
            said = dict.fromkeys(self.refused.values())
            raise ValueError(f"No method could be tested. {' '.join(said)}")
        counted = testable & known[taken].all(axis=0)
        values = self.readings.values[self.rows]
        tested = Tested(
            self.rows,
            self.found[taken] - values,
            counted,
            spreads(values, counted),
            precisions(values, counted),
            self.options.rank_by,
        )
        judges = self._judges(tested)
        if not judges:
            raise ValueError(
                "Every channel reads the same everywhere it could be tested: there is nothing to "
                "compare. Choose other channels."
            )
        standings, order = rank_by_error([self.candidates[k] for k in taken], tested, judges)
        tested = replace(tested, errors=tested.errors[order])
        standings += [
            Standing(self.candidates[k], 0, why=why) for k, why in sorted(self.refused.items())
        ]
        outside = (self.informs[self.rows] & ~self.among).any(axis=1)
        shown = counted.any(axis=1)
        trials = Trials(
            folds=self.options.folds,
            turns=len(np.unique(self.fold[self.rows])),
            grids=len(np.unique(self.run_of % len(self.grids))),
            pieces=len(self.pieces) if self.side else 0,
            side=self.side,
            survey=int(self.informs.any(axis=1).sum()),
            beyond=int((outside & ~shown).sum()),
            made_up=int((~measured & ~outside & ~shown).sum()),
            beside=int((measured & self.near.any(axis=1) & ~outside & ~shown).sum()),
            cell_size=self.cell_size,
            blanking_distance=self.blanking,
        )
        return told(tuple(standings), tested, self.names, self.readings, trials)

    def _judges(self, tested: Tested) -> list[tuple[int | None, Judge]]:
        """A judge a channel that can be judged, and one for all of them."""
        found: list[tuple[int | None, Judge]] = []
        numbers = self.traverse[tested.rows]
        for c, (channel, unit) in enumerate(zip(self.readings.channels, self.readings.units)):
            spread = float(tested.spread[c])
            if spread == spread:
                own = numbers[tested.counted[:, c]]
                floor = float(tested.precision[c])
                judge = Judge(channel, unit, spread, own, self.run_of, tested.measure, floor)
                found.append((c, judge))
        if found:
            every = np.concatenate([judge.traverse for _, judge in found])
            found.append((None, Judge(ALL, "", 1.0, every, self.run_of, tested.measure)))
        return found


def _too_few(count: int) -> str:
    """What to say of a survey with too few traverses."""
    if count < 2:
        return (
            "The readings are not told apart by traverses, and whole traverses are left out in "
            "turn. Choose the traverse number field or, for a free track, run 'Split a track into "
            "traverses' (lynchet:splitlines) first."
        )
    return (
        f"There are only {count} traverses with usable readings, and comparing takes {FEWEST} or "
        "more, as they are left out in turn. Choose another field of traverse numbers or a larger "
        "survey."
    )
