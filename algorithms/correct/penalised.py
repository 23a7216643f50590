"""Penalised robust least squares, how strongly to penalise chosen by cross-validation."""

from __future__ import annotations

import numpy as np
from scipy.linalg import solve
from scipy.sparse import csr_matrix, diags
from scipy.sparse.linalg import splu

from ..progress import Progress, advance
from ..readings import FloatArray
from .windows import MAD_TO_SIGMA

FOLDS = 5

DENSE = 1500
"""Coefficients up to which the equations are solved as a full matrix."""

TRIALS = 10.0 ** np.arange(-3.0, 6.1)
"""Smoothness tried, relative to the crossings' own weight."""

OUTLYING = 1.5

ROUNDS, FEW_ROUNDS = 12, 4


def by_cross_validation(
    relation: csr_matrix,
    difference: FloatArray,
    held: csr_matrix,
    unit: float,
    progress: Progress,
) -> float:
    """The smoothness that predicts crossings left out best; ties go to the smoother."""
    folds = min(FOLDS, len(difference))
    fold = np.arange(len(difference)) % folds
    errors = []
    for number, trial in enumerate(TRIALS):
        advance(progress, number / len(TRIALS))
        # Bad crossings are bad whichever are left out: one weighting serves all folds.
        _, weight = solve_robustly(relation, difference, held, trial * unit, FEW_ROUNDS)
        left = np.empty(len(difference))
        for one in range(folds):
            out = fold == one
            found = _weighted(relation[~out], difference[~out], held, trial * unit, weight[~out])
            left[out] = difference[out] - relation[out] @ found
        errors.append(_mean_held(left))
    best = np.min(errors)
    return float(TRIALS[np.flatnonzero(np.array(errors) <= best * (1 + 1e-6))[-1]])


def _mean_held(rest: FloatArray) -> float:
    """Mean of Huber's cost, so that a few bad crossings do not choose."""
    spread = max(spread_about_zero(rest), 1e-12)
    off = np.abs(rest) / spread
    held = np.minimum(off, OUTLYING)
    return float(np.mean(held * (2 * off - held))) * spread**2


def solve_robustly(
    relation: csr_matrix,
    difference: FloatArray,
    held: csr_matrix,
    strength: float,
    rounds: int = ROUNDS,
) -> tuple[FloatArray, FloatArray]:
    """Penalised robust least squares by reweighting: coefficients and weights."""
    weight = np.ones(len(difference))
    found = np.zeros(relation.shape[1])
    for _ in range(rounds):
        new = _weighted(relation, difference, held, strength, weight)
        settled = np.abs(new - found).max() <= 1e-9 * max(np.abs(new).max(), 1e-12)
        found = new
        rest = np.abs(difference - relation @ found)
        reach = OUTLYING * max(spread_about_zero(rest), 1e-12)
        weight = np.minimum(1.0, reach / np.maximum(rest, 1e-300))
        if settled:
            break
    return found, weight


def _weighted(
    relation: csr_matrix,
    difference: FloatArray,
    held: csr_matrix,
    strength: float,
    weight: FloatArray,
) -> FloatArray:
    """Penalised weighted least squares."""
    size = relation.shape[1]
    weighted = relation.copy()
    weighted.data = weighted.data * np.repeat(weight, np.diff(relation.indptr))
    # A faint pull to 0 fixes what differences leave open.
    faint = 1e-8 * max(float((relation.data**2).sum()) / size, 1e-12)
    normal = relation.T @ weighted + strength * held + diags(np.full(size, faint))
    right = weighted.T @ difference
    if size <= DENSE:
        # Crossings tie all times to all others: with few coefficients nothing is sparse.
        return np.asarray(solve(normal.toarray(), right, assume_a="pos"), np.float64)
    return np.asarray(splu(normal.tocsc()).solve(right), np.float64)


def spread_about_zero(rest: FloatArray) -> float:
    """Robust standard deviation of differences about 0."""
    return MAD_TO_SIGMA * float(np.median(np.abs(rest)))
