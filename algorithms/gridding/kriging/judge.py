"""How well a variogram foretells what was read: the score that variograms are chosen by."""

from __future__ import annotations

import numpy as np

from ...readings import FloatArray
from .models import Variogram
from .trial import Trial

WEIGHTS = (0.93, 0.03, 0.04)
"""Of the trials. The lesser two are enough to settle the nugget and how smooth the ground is from
one reading to the next, which the first hardly depends on; the rest is then chosen for what
gridding has to do."""
TAILS = 6.0
"""Degrees of freedom of Student's distribution, which the errors are taken to follow: bodies in
the ground make large ones commoner than the normal distribution has them, and so does iron."""
NORMAL = 0.766
"""Squared scale that suits normal errors of variance 1 best, at so many degrees of freedom."""
LEAST = 1e-3
"""Variance beside that of the gaps, in shares of it, that is not worth telling from none."""
ROUNDING = 1e-10
"""A smaller variance, in shares of nugget and sill together, is rounding noise."""
ROUNDS = 12
"""Steps towards the scale: enough for a hundredth of it and better."""


class Judge:
    """Judges variograms on one channel.

    Parameters
    ----------
    trials
        Readings to predict, from far to near: without their own traverse, which is what the gaps
        between traverses ask for; without a stretch of it, from as far off as cells between
        traverses are; and each from all the others. Along the traverses these are so near that
        what is left is the noise of the readings; the nearer ones may be left out.
    values
        One channel of all readings, shape ``(n,)``.
    free
        Whether the variogram's scale is still to be found, so that only its shape is judged.

    References
    ----------
    T. Gneiting and A. E. Raftery (2007), *Strictly proper scoring rules, prediction, and
    estimation*, Journal of the American Statistical Association 102, 359-378: the logarithmic
    score, which is best where both the values and the variances foretold are right. K. L. Lange,
    R. J. A. Little and J. M. G. Taylor (1989), *Robust statistical modeling using the t
    distribution*, the same journal 84, 881-896.
    """

    def __init__(self, trials: tuple[Trial, ...], values: FloatArray, free: bool) -> None:
        self.trials, self.values, self.free = trials, values, free
        sizes = [len(trial) for trial in trials]
        weights = np.array(WEIGHTS[: len(trials)])
        self._weights = np.repeat(weights / weights.sum() / sizes, sizes)

    def every(self, step: int) -> Judge:
        """The same by every so many of the readings alone."""
        return Judge(tuple(trial.every(step) for trial in self.trials), self.values, self.free)

    def score(self, variogram: Variogram) -> float:
        """Less is better: the mean of minus twice the logarithm of the density foretold."""
        squares, variance = (np.concatenate(part) for part in zip(*self._each(variogram)))
        return self._of(squares, variance, self._weights, variogram)

    def noise_score(self, variogram: Variogram) -> float:
        """The same by the close readings alone, which take the least time."""
        error, variance = self._foretold(self.trials[-1], variogram)
        weights = np.full(len(error), 1.0 / len(error))
        return self._of(error**2 / variance, variance, weights, variogram)

    def _of(
        self, squares: FloatArray, variance: FloatArray, weights: FloatArray, variogram: Variogram
    ) -> float:
        if self.free:
            scale = scale_of(squares, weights)
        else:
            scale = NORMAL * (variogram.nugget + variogram.sill)
        tails = float(weights @ np.log1p(squares / (TAILS * scale)))
        return float(np.log(scale) + weights @ np.log(variance)) + (TAILS + 1.0) * tails

    def scale(self, variogram: Variogram) -> float:
        """What nugget and sill are to be multiplied by for errors as large as foretold.

        In whichever trial asks for the most.
        """
        asked = [float(np.mean(squares)) for squares, _ in self._each(variogram)]
        return max(asked) / (variogram.nugget + variogram.sill)

    def _each(self, variogram: Variogram) -> list[tuple[FloatArray, FloatArray]]:
        """Standardised squared errors, and variances foretold, of each trial."""
        found = [self._foretold(trial, variogram) for trial in self.trials]
        least = LEAST * float(np.mean(found[0][1]))
        return [(error**2 / (variance + least), variance + least) for error, variance in found]

    def _foretold(self, trial: Trial, variogram: Variogram) -> tuple[FloatArray, FloatArray]:
        error, variance = trial.errors(variogram, self.values)
        return error, np.maximum(variance, ROUNDING)


def scale_of(squares: FloatArray, weights: FloatArray) -> float:
    """Squared scale of Student's distribution that suits squared errors best.

    Examples
    --------
    Errors alike in size are those of no distribution with tails:

    >>> round(scale_of(np.full(4, 9.0), np.full(4, 0.25)), 6)
    9.0
    """
    usual: float = float(weights @ squares)
    for _ in range(ROUNDS):
        if usual <= 1e-300:
            return 1e-300
        usual = (TAILS + 1.0) * float(weights @ (squares / (TAILS + squares / usual)))
    return max(usual, 1e-300)
