"""Choosing the variogram: the one that best foretells readings left out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.optimize import minimize

from ...progress import Progress, advance, keep_going, portion
from ...readings import FloatArray
from .empirical import empirical, fitted_to
from .judge import Judge
from .models import BOUNDED, MODELS, Variogram
from .trial import Trial

NUGGETS = (1e-7, 1e-3, 1e-2, 0.05, 0.2, 1.0)
"""Nuggets tried first, in shares of the sill."""
NO_NUGGET = 1e-6
"""A smaller share is none."""
EXPONENTS = (0.5, 1.0, 1.5, 1.85)
"""Powers of the distance tried first."""
RANGES = 5
"""Ranges tried first, from the reach of a neighbourhood to the longest."""
SHORTEST = 0.2
"""Shortest range, in reaches of a neighbourhood."""
LONGEST = 1.0
"""Longest range, in extents of the survey: a longer one makes no difference within it."""
FINALISTS = 3
"""Models whose figures are refined."""
FIRST_ROUNDS, ROUNDS = 20, 20
"""Variograms tried to refine one: by some of the readings left out, and the best one by all."""
COARSE = 3
"""Of so many left-out readings one serves for the first look."""
RATIOS = (1.5, 2.5)
BEARINGS = np.arange(0.0, 180.0, 22.5)
EVIDENT = 0.03
"""How much better the score must be for a direction to be evident: as much as 3 % less error
variance makes it."""
ENOUGH = 12
"""With fewer readings to predict, the variogram is fitted to the empirical one."""


@dataclass(frozen=True)
class Given:
    """What the user has settled; None for what is to be found."""

    model: str | None = None
    nugget: float | None = None
    sill: float | None = None
    range: float | None = None
    ratio: float | None = None
    bearing: float | None = None
    exponent: float | None = None

    @property
    def models(self) -> tuple[str, ...]:
        """Models to try."""
        return MODELS if self.model is None else (self.model,)

    def scaled(self, share: float) -> tuple[float, float]:
        """Nugget and sill whose quotient is as near a share as what is given allows."""
        if self.nugget is not None and self.sill is not None:
            return self.nugget, self.sill
        share = 0.0 if share < NO_NUGGET else share
        if self.nugget is not None:
            return self.nugget, self.nugget / max(share, NO_NUGGET) if self.nugget else 1.0
        sill = 1.0 if self.sill is None else self.sill
        return share * sill, sill


@dataclass(frozen=True)
class Chosen:
    """The variogram of one channel, and how it did.

    Parameters
    ----------
    variogram
        With a partial sill of 0 where all values are alike.
    error
        Root of the mean squared error at the readings predicted without their own traverse; None
        where there were too few.
    beyond
        Share of them whose error is more than three times its standard deviation: 0.003 of normal
        errors. None as above.
    """

    variogram: Variogram
    error: float | None = None
    beyond: float | None = None


def chosen(
    xy: FloatArray,
    values: FloatArray,
    given: Given,
    trials: tuple[Trial, ...],
    progress: Progress = keep_going,
) -> Chosen:
    """The variogram of one channel.

    Every model is tried with a few ranges and nuggets, and the best ones are refined; judged by
    how well they foretell readings left out, by whole traverses, by stretches and one by one, see
    `Judge`. That is the very task of gridding, which a curve through the empirical variogram only
    touches: the fit there is ruled by distances longer than the neighbourhood. What remains is
    the scale: it is such that the errors are as large as the variogram foretells.

    Parameters
    ----------
    xy, values
        Positions and one channel, shapes ``(n, 2)`` and ``(n,)``.
    given
        What is not to be found.
    trials
        The readings to predict, see `Judge`.

    References
    ----------
    J.-P. Chiles and P. Delfiner (2012), *Geostatistics*, 2nd ed., section 2.6 (choice by
    cross-validation; the standardised errors).
    """
    extent = max(float(np.hypot(*np.ptp(xy, axis=0))), 1e-6)
    if np.ptp(values) == 0.0:
        return Chosen(_plain(given, extent), 0.0, 0.0)
    if min(len(trial) for trial in trials) < ENOUGH:
        return Chosen(_by_empirical(xy, values, given, extent))
    if given.nugget is not None:
        trials = trials[:1]  # what is settled is not to be judged by what it fails to foretell
    judge = Judge(
        tuple(trial.off_iron(values) for trial in trials),
        values,
        not given.nugget and not given.sill,
    )
    best = _Search(judge, given, extent).best(progress)
    if judge.free:
        scale = judge.scale(best)
        best = replace(best, nugget=scale * best.nugget, sill=scale * best.sill)
    errors, foretold = trials[0].errors(best, values)
    beyond = np.mean(errors**2 > 9.0 * foretold * (best.nugget + best.sill))
    return Chosen(best, float(np.sqrt(np.mean(errors**2))), float(beyond))


def _plain(given: Given, extent: float) -> Variogram:
    """As given, and nothing for the rest."""
    return Variogram(
        given.model or "spherical",
        given.nugget or 0.0,
        given.sill or 0.0,
        given.range or extent,
        given.ratio or 1.0,
        given.bearing or 0.0,
        given.exponent or 1.0,
    )


def _by_empirical(xy: FloatArray, values: FloatArray, given: Given, extent: float) -> Variogram:
    """For a handful of readings: linear unless asked otherwise, fitted to their differences."""
    plain = _plain(replace(given, model=given.model or "linear"), extent)
    found = empirical(xy, values, cutoff=extent)
    fit = fitted_to(found, plain.model, plain.exponent)
    return replace(
        plain,
        nugget=fit.nugget if given.nugget is None else given.nugget,
        sill=fit.sill if given.sill is None else given.sill,
        range=fit.range if given.range is None else given.range,
    )


class _Try(NamedTuple):
    """A model with its range or exponent and its nugget's share of the sill, and its score."""

    score: float
    model: str
    shape: float
    share: float


class _Search:
    """Variograms tried on one channel."""

    def __init__(self, judge: Judge, given: Given, extent: float) -> None:
        self.given, self.whole = given, judge
        many = min(len(trial) for trial in judge.trials) >= COARSE * 100
        self.coarse = judge.every(COARSE) if many else judge
        offsets = judge.trials[0].offsets
        reach = float(np.hypot(offsets[..., 0], offsets[..., 1]).mean())
        self.reach = max(reach, 1e-9)
        self.longest = max(LONGEST * extent, self.reach)

    def variogram(self, model: str, shape: float, share: float) -> Variogram:
        """Of a range or, for the model 'power', an exponent, and the nugget's share."""
        nugget, sill = self.given.scaled(share)
        power = model == "power"
        given = self.given
        range_ = given.range
        if range_ is None:
            range_ = shape if model in BOUNDED else self.reach
        exponent = given.exponent if given.exponent is not None else shape if power else 1.0
        return Variogram(
            model, nugget, sill, range_, given.ratio or 1.0, given.bearing or 0.0, exponent
        )

    def shapes(self, model: str) -> list[float]:
        """Ranges or exponents to try first."""
        if model == "power":
            return list(EXPONENTS) if self.given.exponent is None else [self.given.exponent]
        if model == "linear" or self.given.range is not None:
            return [self.given.range or self.reach]
        return [float(r) for r in np.geomspace(self.reach, self.longest, RANGES)]

    @property
    def shares(self) -> tuple[float, ...]:
        """Nuggets to try first."""
        nugget, sill = self.given.nugget, self.given.sill
        if nugget == 0.0 or (nugget is not None and sill is not None):
            return (0.0,)
        return NUGGETS

    def best(self, progress: Progress) -> Variogram:
        """The best of all."""
        first = []
        models = self.given.models
        for number, model in enumerate(models):
            tried = []
            for shape in self.shapes(model):
                advance(progress, 0.4 * number / len(models))
                start = _Try(np.inf, model, shape, self.nugget(model, shape))
                tried.append(self.again(self.coarse, start))
            first.append(min(tried))
        finalists = []
        for number, entry in enumerate(sorted(first)[:FINALISTS]):
            part = portion(progress, 0.4 + 0.1 * number, 0.5 + 0.1 * number)
            finalists.append(self.refined(self.coarse, entry, FIRST_ROUNDS, part))
        winner = min(self.again(self.whole, entry) for entry in finalists)
        last = self.refined(self.whole, winner, ROUNDS, portion(progress, 0.7, 0.9))
        variogram = self.variogram(last.model, last.shape, last.share)
        if self.given.ratio is None:
            variogram = self.directed(last.score, variogram, portion(progress, 0.9, 1.0))
        return variogram

    def nugget(self, model: str, shape: float) -> float:
        """The nugget's share that the close readings ask for, of those tried first."""
        shares = self.shares
        if len(shares) == 1:
            return shares[0]
        return min(
            shares, key=lambda share: self.coarse.noise_score(self.variogram(model, shape, share))
        )

    def again(self, judge: Judge, entry: _Try) -> _Try:
        """The same, judged anew."""
        return entry._replace(
            score=judge.score(self.variogram(entry.model, entry.shape, entry.share))
        )

    def refined(self, judge: Judge, entry: _Try, rounds: int, progress: Progress) -> _Try:
        """The best near a first try."""
        _, model, shape, share = entry
        free_shape, free_share = len(self.shapes(model)) > 1, len(self.shares) > 1
        power = model == "power"

        def figures(at: FloatArray) -> tuple[float, float]:
            new_shape, new_share = shape, share
            if free_shape and power:
                new_shape = float(np.clip(at[0], 0.05, 1.98))
            elif free_shape:
                new_shape = float(np.clip(np.exp(at[0]), SHORTEST * self.reach, self.longest))
            if free_share:
                new_share = float(np.exp(min(at[-1], np.log(100.0))))
            return new_shape, new_share

        start, step = [], []
        if free_shape:
            start.append(shape if power else np.log(shape))
            step.append(-0.15 if power else -0.4)
        if free_share:
            start.append(np.log(share))
            step.append(-0.7)
        score, at = _descent(
            lambda at: judge.score(self.variogram(model, *figures(at))),
            start,
            step,
            rounds,
            progress,
        )
        return _Try(score, model, *figures(at))

    def directed(self, score: float, plain: Variogram, progress: Progress) -> Variogram:
        """The variogram with the direction the ground has, if it evidently has one."""
        given = self.given.bearing
        bearings = BEARINGS if given is None else [given]
        tried = []
        for bearing in bearings:
            for ratio in RATIOS if given is None else (*RATIOS, *(1.0 / r for r in RATIOS)):
                advance(progress, 0.0)
                turned = replace(plain, ratio=ratio, bearing=float(bearing))
                tried.append((self.coarse.score(turned), ratio, float(bearing)))
        found = min(tried)
        if found[0] > self.coarse.score(plain) - EVIDENT:
            return plain

        def variogram(at: FloatArray) -> Variogram:
            return replace(
                plain,
                ratio=float(np.exp(np.clip(at[0], -2.3, 2.3))),
                bearing=found[2] if given is not None else float(at[1] * 30.0 % 180.0),
                range=float(
                    np.clip(plain.range * np.exp(at[-1]), SHORTEST * self.reach, self.longest)
                ),
            )

        start, step = [float(np.log(found[1])), found[2] / 30.0, 0.0], [0.3, 0.4, 0.3]
        if given is not None:
            del start[1], step[1]
        if self.given.range is not None:
            return replace(plain, ratio=found[1], bearing=found[2])
        lower, at = _descent(
            lambda at: self.whole.score(variogram(at)), start, step, 2 * ROUNDS, progress
        )
        turned = variogram(at)
        if lower > score - EVIDENT:
            return plain
        if turned.ratio < 1.0:  # the longer range is named
            turned = replace(
                turned,
                ratio=1.0 / turned.ratio,
                bearing=(turned.bearing + 90.0) % 180.0,
                range=turned.range / turned.ratio,
            )
        return turned


def _descent(
    score: Callable[[FloatArray], float],
    start: list[float],
    step: list[float],
    rounds: int,
    progress: Progress,
) -> tuple[float, FloatArray]:
    """The lowest score downhill from a start, and where."""
    at = np.array(start, dtype=float)
    if not len(at):
        return score(at), at

    def watched(at: FloatArray) -> float:
        advance(progress, 0.5)
        return score(at)

    found = minimize(
        watched,
        at,
        method="Nelder-Mead",
        options={
            "initial_simplex": np.vstack([at, at + np.diag(step)]),
            "maxfev": rounds,
            "xatol": 0.02,
            "fatol": 1e-4,
        },
    )
    return float(found.fun), found.x
