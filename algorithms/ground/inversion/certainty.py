"""What the readings told and what they could not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ...readings import FloatArray
from .fit import Fitted, Parting, cost_of
from .soundings import Soundings

NEARLY = 4.0
"""Growth of what is made least up to which a ground fits nearly as well: 2 standard deviations."""


@dataclass(frozen=True, eq=False)
class Certainty:
    """Of `n` soundings with `k` unknowns.

    Parameters
    ----------
    sd
        Standard deviation of the unknowns (logarithms) after the readings, shape ``(n, k)``.
    told
        Share of each unknown's own variance (without the level that a sounding's layers share)
        that the readings would take away if that level were known, 0 to 1, ``(n, k)``.
    resolution
        Diagonal of the resolution matrix, ``(n, k)``: how much an unknown's value is its own.
    numbers
        How many independent numbers the readings told, ``(n,)``: the matrix' trace.
    """

    sd: FloatArray
    told: FloatArray
    resolution: FloatArray
    numbers: FloatArray


def certainty(soundings: Soundings, fitted: Fitted, parting: Parting) -> Certainty:
    """The linear posterior about fitted grounds, each sounding on its own.

    Where thicknesses are sought the response bends so much that the ground around is looked at too:
    see `bent_sd`.
    """
    spread, solved = _gain(fitted, parting.covariance)
    before = np.diag(parting.covariance)
    taken = np.clip(np.einsum("npk,npk->nk", spread, solved), 0.0, before)
    resolution = np.einsum("npk,npk->nk", solved, fitted.slopes)
    own = np.einsum("npk,npk->nk", *_gain(fitted, parting.own)) / np.diag(parting.own)
    sd = np.sqrt(before - taken)
    if parting.free:
        sd = np.maximum(sd, bent_sd(soundings, fitted, parting))
    return Certainty(
        sd=sd,
        told=np.clip(own, 0.0, 1.0),
        resolution=resolution,
        numbers=resolution.sum(axis=1),
    )


def bent_sd(soundings: Soundings, fitted: Fitted, parting: Parting) -> FloatArray:
    """The largest standard deviations found about grounds that fit nearly as well, ``(n, k)``.

    Looked at are those a standard deviation away along each axis of the posterior, to both sides,
    if what is made least grows by less than `NEARLY` there.
    """
    spread, solved = _gain(fitted, parting.covariance)
    after = parting.covariance - spread.transpose(0, 2, 1) @ solved
    sizes, axes = np.linalg.eigh(after)
    least = cost_of(soundings, parting, fitted.unknowns, fitted.values)
    before = np.diag(parting.covariance)
    found = np.zeros_like(fitted.unknowns)
    for k in range(sizes.shape[1]):
        away = np.sqrt(np.maximum(sizes[:, k, np.newaxis], 0.0)) * axes[:, :, k]
        for side in (away, -away):
            unknowns = fitted.unknowns + side
            values, slopes = parting.slopes(soundings, unknowns)
            there = Fitted(unknowns, values, slopes, fitted.sd)
            taken = np.einsum("npk,npk->nk", *_gain(there, parting.covariance))
            sd = np.sqrt(np.clip(before - taken, 0.0, before))
            near = cost_of(soundings, parting, unknowns, values) < least + NEARLY
            found = np.where(near[:, np.newaxis], np.maximum(found, sd), found)
    return found


def _gain(fitted: Fitted, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Covariance of readings and unknowns, and what of a reading goes to each, ``(n, p, k)``."""
    spread: FloatArray = fitted.slopes @ covariance
    readings: FloatArray = spread @ fitted.slopes.transpose(0, 2, 1)
    readings[:, np.arange(readings.shape[1]), np.arange(readings.shape[1])] += fitted.sd**2
    solved = np.asarray(np.linalg.solve(readings, spread), np.float64)
    return spread, solved
