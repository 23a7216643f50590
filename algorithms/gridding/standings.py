"""Candidates in the order of their errors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..check.lines import robust_spread
from ..readings import BoolArray, FloatArray, IntArray
from .candidates import Candidate
from .errors import MAE, MEASURES, RMSE, Judge, Score, excess, measured_by, pooled

ALL = "all"
"""What all channels together are called."""


@dataclass(frozen=True, eq=False)
class Standing:
    """How one candidate fared.

    Parameters
    ----------
    candidate
        Which.
    rank
        From 1, the best; 0 where it could not be ranked.
    scores
        A `Score` a channel and, last, one for all together.
    why
        Where it could not be ranked, why not.
    same_as
        The candidate placed before it that predicts the same; the last digits aside.
    """

    candidate: Candidate
    rank: int
    scores: tuple[Score, ...] = ()
    why: str = ""
    same_as: Candidate | None = None

    @property
    def overall(self) -> Score:
        """The score of all channels together."""
        return self.scores[-1]


@dataclass(frozen=True, eq=False)
class Tested:
    """The readings left out, in the order of the survey's rows.

    Parameters
    ----------
    rows
        Of the survey, shape ``(m,)``.
    errors
        Predicted less measured, by ranked candidate, reading and channel, shape ``(k, m, c)``;
        NaN where there is no value.
    counted
        Which of them count, shape ``(m, c)``: the same for all candidates.
    spread
        Robust spread of each channel over the readings that count, shape ``(c,)``; NaN for a
        channel without any.
    precision
        Errors of each channel that are those of arithmetic alone, shape ``(c,)``.
    measure
        What the candidates are ranked by: one of `lynchet.algorithms.gridding.errors.MEASURES`.
    """

    rows: IntArray
    errors: FloatArray
    counted: BoolArray
    spread: FloatArray
    precision: FloatArray
    measure: str = MAE


@dataclass(frozen=True, eq=False)
class GriddingComparison:
    """What a comparison gives back.

    Parameters
    ----------
    standings
        The ranked candidates, the best first, then those that could not be ranked.
    traverses
        Names of the traverses by the number that `Score.worst` gives.
    tested
        The readings left out and their errors.
    figures, messages, warnings
        As in `lynchet.algorithms.readings.Correction`.
    """

    standings: tuple[Standing, ...]
    traverses: tuple[str, ...]
    tested: Tested
    figures: Mapping[str, float | int | str] = field(default_factory=dict)
    messages: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def ranked(self) -> tuple[Standing, ...]:
        """Those that could be ranked, the best first."""
        return tuple(standing for standing in self.standings if standing.rank)


@dataclass(frozen=True)
class Trials:
    """What was left out and tested, in counts.

    Parameters
    ----------
    folds, turns
        Every how many-th traverse was left out, and how many times some were.
    grids
        Data grids tested.
    pieces, side
        Squares of ground tested and their side, map units; 0 for the whole survey.
    survey
        Usable readings of the whole survey.
    beyond, beside, made_up
        Readings left out that do not count: beyond those kept, beside another traverse, spikes
        or filled gaps.
    cell_size, blanking_distance
        What all methods were given.
    """

    folds: int
    turns: int
    grids: int
    pieces: int
    side: float
    survey: int
    beyond: int
    beside: int
    made_up: int
    cell_size: float
    blanking_distance: float


def spreads(measured: FloatArray, counted: BoolArray) -> FloatArray:
    """Robust spread by channel; the standard deviation where half of the values are one."""
    spread: FloatArray = np.full(measured.shape[1], np.nan)
    for c in range(measured.shape[1]):
        values = measured[counted[:, c], c]
        if len(values) and np.ptp(values) > 0:
            spread[c] = robust_spread(values) or float(np.std(values))
    return spread


def rank_by_error(
    candidates: Sequence[Candidate], tested: Tested, judges: Sequence[tuple[int | None, Judge]]
) -> tuple[list[Standing], list[int]]:
    """Standings in order of the error in all channels, and which candidate each is."""
    shares = {measure: _Shares.of(tested, measure) for measure in MEASURES}
    chosen = shares[tested.measure]

    def errors(k: int, c: int | None) -> FloatArray:
        if c is None:
            return pooled(tested.errors[k], tested.counted, chosen.scale)
        own: FloatArray = tested.errors[k][tested.counted[:, c], c]
        return own

    # Those that differ in their last digits alone keep the order they are given in.
    order = sorted(range(len(candidates)), key=lambda k: (float(f"{chosen.overall[k]:.9g}"), k))
    best = order[0]
    standings: list[Standing] = []
    for rank, k in enumerate(order, start=1):
        scores = []
        alike = [j for j in order[: rank - 1] if _predict_alike(tested, j, k)]
        for c, judge in judges:
            own = replace(judge, floor=chosen.floor) if c is None else judge
            score = own.score(errors(k, c), errors(best, c) if rank > 1 else None)
            scores.append(replace(score, same=best in alike))
        scores[-1] = replace(
            scores[-1],
            mae=float(shares[MAE].overall[k]),
            rmse=float(shares[RMSE].overall[k]),
            relative=measured_by(RMSE, np.array([score.relative for score in scores[:-1]])),
            more=excess(float(chosen.overall[k]), float(chosen.overall[best])),
            exact=all(score.exact for score in scores[:-1]),
        )
        same_as = candidates[alike[0]] if alike else None
        standings.append(Standing(candidates[k], rank, tuple(scores), same_as=same_as))
    return standings, order


@dataclass(frozen=True, eq=False)
class _Shares:
    """Errors by one measure in shares of the least that any candidate has.

    In shares of its spread a channel with one strong feature would decide alone.

    Parameters
    ----------
    scale
        The least by channel, shape ``(c,)``; NaN for a channel that cannot be judged.
    overall
        By candidate, all channels together, shape ``(k,)``: each reading weighs alike.
    floor
        What errors of arithmetic alone come to.
    """

    scale: FloatArray
    overall: FloatArray
    floor: float

    @classmethod
    def of(cls, tested: Tested, measure: str) -> _Shares:
        kept = np.flatnonzero(np.isfinite(tested.spread))
        floor = tested.precision[kept]
        size = np.array(
            [
                [measured_by(measure, errors[tested.counted[:, c], c]) for c in kept]
                for errors in tested.errors
            ]
        )
        size = np.maximum(size, floor)
        least = size.min(axis=0)
        weights = tested.counted[:, kept].sum(axis=0)

        def together(shares: FloatArray) -> FloatArray:
            power = 1 if measure == MAE else 2
            mean = np.average(shares**power, axis=-1, weights=weights)
            return np.asarray(mean ** (1 / power))

        scale = np.full(len(tested.spread), np.nan)
        scale[kept] = least
        return cls(scale, together(size / least), float(together(floor / least)))


def _predict_alike(tested: Tested, one: int, other: int) -> bool:
    """Whether two candidates differ nowhere by more than arithmetic does."""
    apart = np.abs(tested.errors[one] - tested.errors[other])
    return bool(np.all((apart <= tested.precision) | ~tested.counted))
