"""What to say of gridding methods compared."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..readings import Readings
from ..words import in_unit, plural
from .errors import CHANCE, MAE, RMSE, SAME, WORSE
from .standings import GriddingComparison, Standing, Tested, Trials

MANY_TIMES = 100.0
"""Ratios above this are not told more closely."""

NAMES = {MAE: "mean absolute error", RMSE: "root mean square error"}
"""Of the measures ranked by, in words."""


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
        "ranked_by": tested.measure,
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
        figures[f"error {standing.candidate.text}"] = _rounded(standing.overall.by(tested.measure))
    for score in ranked[0].scores[:-1]:
        figures[f"mae {score.channel}"] = _rounded(score.mae)
        figures[f"rmse {score.channel}"] = _rounded(score.rmse)
    if len(ranked) > 1:
        second = ranked[1].overall
        figures["second_more"] = _rounded(second.more)
        figures["second_more_typically"] = _rounded(second.typical)
        figures["first_better"] = _rounded(second.first_better)
        figures["chance"] = _rounded(second.chance)
    messages = [*_what_was_done(trials, len(traverses), len(tested.rows), counts, unknown)]
    messages += [_line_of(standing, tested.measure) for standing in ranked]
    messages += _verdict(ranked, traverses, tested.measure)
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
        (trials.beyond, "do not lie between traverses kept, such as the outermost"),
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


def _line_of(standing: Standing, measure: str) -> str:
    """A candidate's errors in one sentence."""
    each = ", ".join(
        f"{score.channel} " + ("none" if score.exact else in_unit(score.by(measure), score.unit))
        for score in standing.scores[:-1]
    )
    against = standing.overall.by(measure)
    times = f"{against:.3f}" if against <= MANY_TIMES else f"more than {MANY_TIMES:.0f}"
    line = (
        f"{standing.rank}. {standing.candidate.text}: {NAMES[measure]} {each}; {times} times the "
        "least."
    )
    if standing.same_as is not None:
        line += f" It predicts the same as '{standing.same_as.text}'."
    return line


def _verdict(ranked: Sequence[Standing], traverses: tuple[str, ...], measure: str) -> list[str]:
    """Whether the first is better by more than chance, and by the other measure too."""
    first = ranked[0]
    name = first.candidate.text
    others = [standing for standing in ranked[1:] if standing.overall.verdict != SAME]
    said = []
    if first.overall.exact:
        said.append(f"'{name}' predicts the readings left out exactly.")
    if others:
        said.append(_lead(first, others[0], measure))
        equal = [
            f"'{standing.candidate.text}'"
            for standing in others
            if standing.overall.verdict == CHANCE
        ]
        if equal:
            said.append(
                f"No more than chance sets '{name}' apart from "
                f"{', '.join(equal)}: choose among them by their looks and their speed."
            )
        said += _other_firsts(ranked, measure)
    elif len(ranked) > 1:
        said.append("All methods predict the same: choose by their looks and their speed.")
    else:
        said.append("Only one method could be tested: there is nothing to compare it with.")
    if not first.overall.exact:
        said.append(
            f"'{name}' errs most on {traverses[first.overall.worst]}: look there for stripes, "
            "lag or a strong feature."
        )
    said.append(
        "A traverse left out doubles the gap: errors of the raster itself are smaller. The order "
        "is what counts."
    )
    return said


def _other_firsts(ranked: Sequence[Standing], measure: str) -> list[str]:
    """Which come first by the other measure, and in single channels."""
    said = []
    best = _first_by(ranked, -1, RMSE if measure == MAE else MAE)
    if best is not ranked[0]:
        by = (
            "By root mean square, which a few large errors over strong features rule,"
            if measure == MAE
            else "By the mean absolute error, which strong features rule less,"
        )
        said.append(f"{by} '{best.candidate.text}' would come first.")
    channels = ranked[0].scores[:-1]
    for place, score in enumerate(channels):
        best = _first_by(ranked, place, measure)
        if best is not ranked[0] and len(channels) > 1:
            said.append(f"For {score.channel} by itself '{best.candidate.text}' comes first.")
    return said


def _first_by(ranked: Sequence[Standing], place: int, measure: str) -> Standing:
    """The best by a measure in one channel; the one placed first where that one is as good."""

    def size(standing: Standing) -> float:
        score = standing.scores[place]
        return 0.0 if score.exact else score.by(measure)

    return min((one for one in ranked if not one.overall.same), key=size)


def _lead(first: Standing, second: Standing, measure: str) -> str:
    """By how much the first leads, and whether that is more than chance."""
    one, other, score = first.candidate.text, second.candidate.text, second.overall
    nearer = (
        f"'{one}' is nearer on {100 * score.first_better:.0f} % of the traverses, "
        f"p = {_probability(score.chance)}"
    )
    how = f"'{other}' errs {_more(score.more)} '{one}'"
    if score.verdict == CHANCE:
        return f"{how}, which is within chance ({nearer})."
    if score.verdict == WORSE:
        return f"{how}, which is more than chance ({nearer})."
    return (
        f"{how} by its {NAMES[measure]}. That lead comes of a few traverses, over strong features "
        f"perhaps: on a typical one '{other}' errs {-100 * score.typical:.2g} % less, which is "
        f"more than chance ({nearer}). Look at the map of where each is nearer."
    )


def _more(share: float) -> str:
    """An excess in words that go before what is exceeded.

    Examples
    --------
    >>> _more(0.0), _more(0.0141), _more(2.4), _more(30623.8)
    ('as much as', '1.4 % more than', '3.4 times as much as', 'more than 100 times as much as')
    """
    if share < 5e-4:
        return "as much as"
    if share < 1:
        return f"{100 * share:.2g} % more than"
    if share < MANY_TIMES - 1:
        return f"{1 + share:.2g} times as much as"
    return f"more than {MANY_TIMES:.0f} times as much as"


def _probability(chance: float) -> str:
    """A probability as it is quoted.

    Examples
    --------
    >>> _probability(0.2345), _probability(0.00001)
    ('0.23', 'under 0.001')
    """
    return "under 0.001" if chance < 0.001 else f"{chance:.2g}"
