"""Candidates in the order of their errors, and what to say of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from ..check.lines import robust_spread
from ..readings import BoolArray, FloatArray, IntArray, Readings
from ..words import in_unit, plural
from .candidates import Candidate
from .errors import CHANCE, WORSE, Judge, Score, pooled, root_mean_square

ALL = "all"
"""What all channels together are called."""

PERFECT = 1e-6
"""Share of a channel's spread below which errors are rounding noise."""


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
    """

    candidate: Candidate
    rank: int
    scores: tuple[Score, ...] = ()
    why: str = ""

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
    """

    rows: IntArray
    errors: FloatArray
    counted: BoolArray
    spread: FloatArray


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
    scale = np.full(len(tested.spread), np.nan)

    def errors(k: int, c: int | None) -> FloatArray:
        if c is None:
            return pooled(tested.errors[k], tested.counted, scale)
        own: FloatArray = tested.errors[k][tested.counted[:, c], c]
        return own

    # In shares of its spread a channel with one strong feature would decide alone.
    for c in np.flatnonzero(np.isfinite(tested.spread)).tolist():
        least = min(root_mean_square(errors(k, c)) for k in range(len(candidates)))
        scale[c] = max(least, PERFECT * tested.spread[c])

    overall = [float(np.mean(errors(k, None) ** 2)) for k in range(len(candidates))]
    order = sorted(range(len(candidates)), key=lambda k: (overall[k], k))
    standings = []
    for rank, k in enumerate(order, start=1):
        scores = [
            judge.score(errors(k, c), errors(order[0], c) if rank > 1 else None)
            for c, judge in judges
        ]
        relative = root_mean_square(np.array([score.relative for score in scores[:-1]]))
        scores[-1] = replace(scores[-1], relative=relative)
        standings.append(Standing(candidates[k], rank, tuple(scores)))
    return standings, order


def told(
    standings: tuple[Standing, ...],
    tested: Tested,
    traverses: tuple[str, ...],
    readings: Readings,
    trials: Trials,
) -> GriddingComparison:
    """The result with its figures and words."""
    ranked = [standing for standing in standings if standing.rank]
    counts = int(tested.counted.any(axis=1).sum())
    unknown = len(tested.rows) - counts - trials.beyond - trials.beside - trials.made_up
    figures: dict[str, float | int | str] = {
        "winner": ranked[0].candidate.text,
        "methods_ranked": len(ranked),
        "methods_refused": len(standings) - len(ranked),
        "traverses": len(traverses),
        "readings_left_out": len(tested.rows),
        "readings_counted": counts,
        "beyond_others": trials.beyond,
        "beside_another": trials.beside,
        "spikes_and_filled": trials.made_up,
        "without_a_value": unknown,
        "cell_size": trials.cell_size,
        "blanking_distance": trials.blanking_distance,
    }
    for standing in ranked:
        figures[f"error {standing.candidate.text}"] = _rounded(standing.overall.rmse)
    for score in ranked[0].scores[:-1]:
        figures[f"rmse {score.channel}"] = _rounded(score.rmse)
    if len(ranked) > 1:
        second = ranked[1].overall
        figures["second_more"] = _rounded(second.more)
        figures["second_more_typically"] = _rounded(second.typical)
        figures["first_better"] = _rounded(second.first_better)
        figures["chance"] = _rounded(second.chance)
    messages = [*_what_was_done(trials, len(traverses), len(tested.rows), counts, unknown)]
    messages += [_line_of(standing) for standing in ranked]
    messages += _verdict(ranked, traverses)
    warnings = [
        f"'{standing.candidate.text}' could not be ranked. {standing.why}"
        for standing in standings
        if not standing.rank
    ]
    for c, channel in enumerate(readings.channels):
        if np.isnan(tested.spread[c]):
            reading = "reads the same everywhere" if tested.counted[:, c].any() else "has no value"
            warnings.append(f"Channel {channel} {reading} where it could be tested: left out.")
    return GriddingComparison(
        standings, traverses, tested, figures, tuple(messages), tuple(warnings)
    )


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")


def _what_was_done(
    trials: Trials, traverses: int, left_out: int, counts: int, unknown: int
) -> list[str]:
    """How readings were left out, and which of them do not count."""
    said = []
    if trials.pieces:
        squares = plural(trials.pieces, "square")
        said.append(
            f"Tested on {squares} of {trials.side:.3g} map units with {left_out:,} of "
            f"{trials.survey:,} readings. Raise the most readings to test on more of the survey."
        )
    said.append(
        f"{plural(traverses, 'traverse')} of {plural(trials.grids, 'data grid')} left out in "
        f"{trials.turns} turns, every {_ordinal(trials.folds)} at a time, and predicted from the "
        "others."
    )
    reasons = [
        (trials.beyond, "lie beyond the others, such as the outermost traverses"),
        (trials.beside, "lie beside another traverse, such as a repeat"),
        (trials.made_up, "are marked as spikes or filled gaps"),
        (unknown, "lie where some method has no value"),
    ]
    shown = "; ".join(f"{count:,} {what}" for count, what in reasons if count)
    said.append(f"{counts:,} of {left_out:,} readings count" + (f": {shown}." if shown else "."))
    return said


def _ordinal(number: int) -> str:
    """A number's place.

    Examples
    --------
    >>> [_ordinal(number) for number in (2, 3, 4, 11, 22)]
    ['2nd', '3rd', '4th', '11th', '22nd']
    """
    ending = {1: "st", 2: "nd", 3: "rd"}.get(number % 10, "th")
    return f"{number}{'th' if 10 <= number % 100 <= 20 else ending}"


def _line_of(standing: Standing) -> str:
    """A candidate's errors in one sentence."""
    each = ", ".join(
        f"{score.channel} {in_unit(score.rmse, score.unit)}" for score in standing.scores[:-1]
    )
    return (
        f"{standing.rank}. {standing.candidate.text}: RMSE {each}; "
        f"{standing.overall.rmse:.3f} times the least."
    )


def _verdict(ranked: Sequence[Standing], traverses: tuple[str, ...]) -> list[str]:
    """Whether the first is better by more than chance, and by other measures too."""
    first = ranked[0]
    said = []
    if len(ranked) > 1:
        said.append(_lead(first, ranked[1]))
        equal = [
            f"'{standing.candidate.text}'"
            for standing in ranked[1:]
            if standing.overall.verdict == CHANCE
        ]
        if equal:
            said.append(
                f"No more than chance sets '{first.candidate.text}' apart from "
                f"{', '.join(equal)}: choose among them by their looks and their speed."
            )
        by_median = min(ranked, key=lambda standing: standing.overall.median)
        if by_median is not first:
            said.append(
                f"By the median error, which a few strong features do not rule, "
                f"'{by_median.candidate.text}' comes first."
            )
        for place, score in enumerate(first.scores[:-1]):
            best = min(ranked, key=lambda standing, c=place: standing.scores[c].rmse)  # type: ignore[misc]
            if best is not first and len(first.scores) > 2:
                said.append(f"For {score.channel} by itself '{best.candidate.text}' comes first.")
    else:
        said.append("Only one method could be tested: there is nothing to compare it with.")
    worst = first.overall
    said.append(
        f"'{first.candidate.text}' errs most on {traverses[worst.worst]}: look there for stripes, "
        "lag or a strong feature."
    )
    said.append(
        "A traverse left out doubles the gap: errors of the raster itself are smaller. The order "
        "is what counts."
    )
    return said


def _lead(first: Standing, second: Standing) -> str:
    """By how much the first leads, and whether that is more than chance."""
    one, other, score = first.candidate.text, second.candidate.text, second.overall
    nearer = (
        f"'{one}' is nearer on {100 * score.first_better:.0f} % of the traverses, "
        f"p = {_probability(score.chance)}"
    )
    how = f"'{other}' errs {100 * score.more:.2g} % more than '{one}'"
    if score.verdict == CHANCE:
        return f"{how}, which is within chance ({nearer})."
    if score.verdict == WORSE:
        return f"{how}, which is more than chance ({nearer})."
    return (
        f"{how} by RMSE, which strong features rule, yet {-100 * score.typical:.2g} % less on a "
        f"typical traverse, which is more than chance ({nearer}). Look at where each is nearer, "
        "and choose by what you look for."
    )


def _probability(chance: float) -> str:
    """A probability as it is quoted.

    Examples
    --------
    >>> _probability(0.2345), _probability(0.00001)
    ('0.23', 'under 0.001')
    """
    return "under 0.001" if chance < 0.001 else f"{chance:.2g}"
