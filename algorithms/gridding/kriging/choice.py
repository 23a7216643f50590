"""Choosing the variogram: the one that predicts left-out traverses best."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import minimize

from ...progress import Progress, advance, keep_going
from ...readings import FloatArray
from .empirical import empirical, fitted_to
from .models import BOUNDED, MODELS, Variogram
from .trial import Trial

NUGGETS = (1e-7, 1e-3, 1e-2, 0.05, 0.2, 1.0)
"""Nuggets tried first, in shares of the sill."""
NO_NUGGET = 1e-6
"""A smaller share is none."""
EXPONENTS = (0.5, 1.0, 1.5, 1.85)
"""Powers of the distance tried first."""
RANGES = 6
"""Ranges tried first, from a few spacings of the readings to twice the extent."""
FINALISTS = 2
"""Models whose figures are refined."""
ROUNDS = 36
"""Variograms tried to refine one."""
COARSE = 3
"""Of so many left-out readings one serves for the first look."""
RATIOS = (1.5, 2.5)
BEARINGS = np.arange(0.0, 180.0, 22.5)
EVIDENT = 0.03
"""Share of the mean squared error that a direction must take off to be evident."""
WILD = 10.0
"""Errors beyond this many times their usual size no longer count by their square."""
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


def chosen(
    xy: FloatArray,
    values: FloatArray,
    given: Given,
    trial: Trial,
    progress: Progress = keep_going,
) -> tuple[Variogram, float | None]:
    """The variogram of one channel.

    Every model is tried with a few ranges and nuggets, and the best ones are refined; judged by
    the mean squared error at readings predicted without their own traverse. That is the very
    task of gridding, which a curve through the empirical variogram only touches: the fit there
    is ruled by distances longer than the neighbourhood. What remains is the scale, which no
    prediction depends on: it is such that the errors are as large as the variogram foretells.

    Parameters
    ----------
    xy, values
        Positions and one channel, shapes ``(n, 2)`` and ``(n,)``.
    given
        What is not to be found.
    trial
        The readings to predict.

    Returns
    -------
    variogram
        With a partial sill of 0 where all values are alike.
    error
        Root of the mean squared error at the readings predicted; None where there were too few.

    References
    ----------
    J.-P. Chiles and P. Delfiner (2012), *Geostatistics*, 2nd ed., section 2.6 (choice by
    cross-validation; the standardised errors).
    """
    extent = max(float(np.hypot(*np.ptp(xy, axis=0))), 1e-6)
    if np.ptp(values) == 0.0:
        return _plain(given, extent), 0.0
    if len(trial) < ENOUGH:
        return _by_empirical(xy, values, given, extent), None
    search = _Search(trial, values, given, extent)
    best = search.best(progress)
    errors, foretold = trial.errors(best, values)
    if not given.nugget and not given.sill:
        scale = float(np.mean(errors**2 / np.maximum(foretold, 1e-12)))
        scale /= best.nugget + best.sill
        best = replace(best, nugget=scale * best.nugget, sill=scale * best.sill)
    return best, float(np.sqrt(np.mean(errors**2)))


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


class _Search:
    """Variograms tried on one channel."""

    def __init__(self, trial: Trial, values: FloatArray, given: Given, extent: float) -> None:
        self.given, self.values, self.extent = given, values, extent
        self.whole = trial
        self.coarse = trial.every(COARSE) if len(trial) >= COARSE * 100 else trial
        reach = np.hypot(trial.offsets[..., 0], trial.offsets[..., 1]).mean()
        self.reach = float(max(reach, 1e-9))
        usual = np.abs(values[trial.near].mean(axis=1) - values[trial.rows])
        self.wild = WILD * 1.4826 * float(np.median(usual)) or np.inf
        self.tried = 0

    def loss(self, trial: Trial, variogram: Variogram) -> float:
        """Mean squared error, of wild errors less."""
        off = np.abs(trial.errors(variogram, self.values)[0])
        near = np.minimum(off, self.wild)
        return float(np.mean(near * (2.0 * off - near)))

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
        longest = 2.0 * max(self.extent, self.reach)
        return [float(r) for r in np.geomspace(self.reach, longest, RANGES)]

    @property
    def shares(self) -> tuple[float, ...]:
        """Nuggets to try first."""
        nugget, sill = self.given.nugget, self.given.sill
        if nugget == 0.0 or (nugget is not None and sill is not None):
            return (0.0,)
        return NUGGETS

    def best(self, progress: Progress) -> Variogram:
        """The best of all."""
        models = self.given.models
        first: list[tuple[float, str, float, float]] = []
        for number, model in enumerate(models):
            tried = []
            for shape in self.shapes(model):
                advance(progress, 0.5 * number / len(models))
                for share in self.shares:
                    variogram = self.variogram(model, shape, share)
                    tried.append((self.loss(self.coarse, variogram), model, shape, share))
            first.append(min(tried))
        first.sort()
        finalists = [self.refined(*entry[1:], progress=progress) for entry in first[:FINALISTS]]
        loss, variogram = min(finalists, key=lambda entry: entry[0])
        if self.given.ratio is None:
            variogram = self.directed(loss, variogram, progress)
        return variogram

    def refined(
        self, model: str, shape: float, share: float, progress: Progress
    ) -> tuple[float, Variogram]:
        """The best near a first try, and its loss."""
        free_shape, free_share = len(self.shapes(model)) > 1, len(self.shares) > 1
        power = model == "power"

        def variogram(at: FloatArray) -> Variogram:
            new_shape, new_share = shape, share
            if free_shape:
                new_shape = (
                    float(np.clip(at[0], 0.05, 1.98))
                    if power
                    else float(
                        np.exp(np.clip(at[0], np.log(0.2 * self.reach), np.log(8.0 * self.extent)))
                    )
                )
            if free_share:
                new_share = float(np.exp(min(at[-1], np.log(100.0))))
            return self.variogram(model, new_shape, new_share)

        start, step = [], []
        if free_shape:
            start.append(shape if power else np.log(shape))
            step.append(0.15 if power else 0.5)
        if free_share:
            start.append(np.log(share))
            step.append(-1.0)
        return self._descent(variogram, start, step, progress)

    def _descent(
        self,
        variogram: Callable[[FloatArray], Variogram],
        start: list[float],
        step: list[float],
        progress: Progress,
    ) -> tuple[float, Variogram]:
        """The lowest loss downhill from a start, all readings counting."""
        at = np.array(start, dtype=float)
        if not len(at):
            return self.loss(self.whole, variogram(at)), variogram(at)

        def loss(at: FloatArray) -> float:
            advance(progress, 0.6)
            return self.loss(self.whole, variogram(at))

        corners = np.vstack([at, at + np.diag(step)])
        found = minimize(
            loss,
            at,
            method="Nelder-Mead",
            options={
                "initial_simplex": corners,
                "maxfev": ROUNDS,
                "xatol": 0.02,
                "fatol": 1e-4 * self.loss(self.whole, variogram(at)),
            },
        )
        return float(found.fun), variogram(found.x)

    def directed(self, loss: float, plain: Variogram, progress: Progress) -> Variogram:
        """The variogram with the direction the ground has, if it evidently has one."""
        given = self.given.bearing
        bearings = BEARINGS if given is None else [given]
        tried = []
        for bearing in bearings:
            for ratio in RATIOS if given is None else (*RATIOS, *(1.0 / r for r in RATIOS)):
                advance(progress, 0.8)
                turned = replace(plain, ratio=ratio, bearing=float(bearing))
                tried.append((self.loss(self.coarse, turned), ratio, float(bearing)))
        found = min(tried)
        if found[0] > (1.0 - EVIDENT) * self.loss(self.coarse, plain):
            return plain

        def variogram(at: FloatArray) -> Variogram:
            return replace(
                plain,
                ratio=float(np.exp(np.clip(at[0], -2.3, 2.3))),
                bearing=found[2] if given is not None else float(at[1] * 30.0 % 180.0),
                range=plain.range * float(np.exp(at[-1])),
            )

        start, step = [float(np.log(found[1])), found[2] / 30.0, 0.0], [0.3, 0.4, 0.3]
        if given is not None:
            del start[1], step[1]
        if self.given.range is not None:
            return replace(plain, ratio=found[1], bearing=found[2])
        lower, turned = self._descent(variogram, start, step, progress)
        if lower > (1.0 - EVIDENT) * loss:
            return plain
        if turned.ratio < 1.0:  # the longer range is named
            turned = replace(
                turned,
                ratio=1.0 / turned.ratio,
                bearing=(turned.bearing + 90.0) % 180.0,
                range=turned.range / turned.ratio,
            )
        return turned
