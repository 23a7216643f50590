"""Smooth surfaces through block values, not bent by the few blocks that depart from them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.polynomial import legendre
from scipy.linalg import eigh, qr, solve_triangular
from scipy.ndimage import binary_dilation, gaussian_filter
from scipy.optimize import brentq, minimize_scalar

from ..progress import Progress, advance, keep_going
from ..readings import BoolArray, FloatArray
from .centres import BIWEIGHT, bisquare
from .windows import BATCH, MAD_TO_SIGMA, row_medians

LOSSES = ("tukey", "huber", "least_squares")
HUBER, CLEVELAND = 1.345, 6.0
"""Usual tuning: 95 % efficiency on Gaussian noise, in robust sigmas; Cleveland's in MADs."""

STEPS = 100
CLOSE = 1e-9


# -- polynomial ------------------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class Polynomial:
    """A polynomial in x and y: Legendre products of coordinates scaled to -1 ... 1.

    `middle` and `half` of the extent scale each axis; `table` holds the coefficients, ``(d+1,
    d+1)``; `weights` are those of the data at the end, ``(m,)``, and `sigma` their robust spread.
    """

    middle: tuple[float, float]
    half: tuple[float, float]
    table: FloatArray
    weights: FloatArray
    sigma: float

    def __call__(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Values at positions."""
        u = (x - self.middle[0]) / self.half[0]
        v = (y - self.middle[1]) / self.half[1]
        return np.asarray(legendre.legval2d(u, v, self.table), dtype=np.float64)


def terms(degree: int) -> int:
    """How many coefficients a polynomial of that degree in x and y has."""
    return (degree + 1) * (degree + 2) // 2


def fit_polynomial(
    x: FloatArray, y: FloatArray, values: FloatArray, degree: int, loss: str = "tukey"
) -> Polynomial:
    """Fit a polynomial of total degree `degree` by iteratively reweighted least squares.

    The spread of the residuals is 1.4826 times their median absolute value, estimated anew in
    each round. Tukey's weights start from Huber's fit.

    References
    ----------
    P. J. Huber (1964), *Robust estimation of a location parameter*, Annals of Mathematical
    Statistics 35, 73-101; A. E. Beaton and J. W. Tukey (1974), Technometrics 16, 147-185.

    Examples
    --------
    >>> x, y = np.arange(9.0), np.zeros(9)
    >>> values = np.where(x == 4, 99.0, 2 * x)
    >>> fit_polynomial(x, y, values, 1)(np.array([4.0]), np.zeros(1)).round(6).tolist()
    [8.0]
    """
    middle = tuple(float(axis.min() + axis.max()) / 2 for axis in (x, y))
    half = tuple(float(np.ptp(axis)) / 2 or 1.0 for axis in (x, y))
    u, v = (x - middle[0]) / half[0], (y - middle[1]) / half[1]
    kept = np.add.outer(np.arange(degree + 1), np.arange(degree + 1)) <= degree
    basis = legendre.legvander2d(u, v, [degree, degree])[:, kept.ravel()]
    weights: FloatArray = np.ones(len(values))
    smallest = CLOSE * (float(np.ptp(values)) or 1.0)
    found = np.linalg.lstsq(basis, values, rcond=None)[0]
    sigma = _sigma(values - basis @ found, smallest)
    for name in {"least_squares": (), "huber": ("huber",), "tukey": ("huber", "tukey")}[loss]:
        for _ in range(STEPS):
            weights = _weights((values - basis @ found) / sigma, name)
            root = np.sqrt(weights)
            last, found = found, np.linalg.lstsq(basis * root[:, None], values * root, None)[0]
            sigma = _sigma(values - basis @ found, smallest)
            if np.abs(basis @ (found - last)).max() <= CLOSE * max(sigma, smallest):
                break
    table = np.zeros((degree + 1, degree + 1))
    table[kept] = found
    return Polynomial((middle[0], middle[1]), (half[0], half[1]), table, weights, sigma)


def _sigma(residuals: FloatArray, smallest: float) -> float:
    return max(MAD_TO_SIGMA * float(np.median(np.abs(residuals))), smallest)


def _weights(z: FloatArray, loss: str) -> FloatArray:
    if loss == "huber":
        inside: FloatArray = HUBER / np.maximum(np.abs(z), HUBER)
        return inside
    return bisquare(z / BIWEIGHT)


# -- windows over blocks ---------------------------------------------------------------------


def near(table: FloatArray) -> BoolArray:
    """Where a table of blocks holds a value, or one of the eight blocks around does."""
    dilated: BoolArray = binary_dilation(np.isfinite(table), np.ones((3, 3), np.bool_))
    return dilated


def moving_median(table: FloatArray, radius: float, progress: Progress = keep_going) -> FloatArray:
    """Median of the blocks within `radius` blocks of each block, empty ones (NaN) ignored.

    Windows are cut off where the table ends. NaN where no value is `near`.

    Examples
    --------
    >>> moving_median(np.array([[1.0, 9.0, 3.0]]), 1.0).tolist()
    [[5.0, 3.0, 6.0]]
    """
    reach = int(radius + 1e-9)
    away = np.arange(-reach, reach + 1)
    row, column = np.nonzero(np.add.outer(away**2, away**2) <= radius**2 + 1e-9)
    padded = np.pad(table, reach, constant_values=np.nan)
    steps = row * padded.shape[1] + column
    rows, columns = np.nonzero(near(table))
    corner = rows * padded.shape[1] + columns
    found = np.full(table.shape, np.nan)
    batch = max(1, BATCH // len(steps))
    for start in range(0, len(corner), batch):
        advance(progress, start / len(corner))
        part = slice(start, start + batch)
        window = padded.ravel()[corner[part, np.newaxis] + steps]
        found[rows[part], columns[part]] = row_medians(window)
    return found


def gaussian_mean(table: FloatArray, sigma: float, rounds: int = 0) -> FloatArray:
    """Smooth a table of blocks by a Gaussian of `sigma` blocks, empty ones (NaN) left out.

    At each block, the value there of the plane that fits best under the Gaussian's weights
    (normalised convolution with a plane as its basis). Where all blocks around are filled, that
    is the plain weighted mean; at edges and gaps it does not lean inwards as the mean would. In
    each further round, blocks count by Tukey's weights of their residuals over 6 median absolute
    residuals. NaN where no value is `near`.

    References
    ----------
    H. Knutsson and C.-F. Westin (1993), *Normalized and differential convolution*, CVPR; W. S.
    Cleveland (1979), *Robust locally weighted regression*, JASA 74, 829-836, for the rounds.
    """
    held = np.isfinite(table)
    filled = np.where(held, table, 0.0)
    inside = near(table)
    weights = held.astype(np.float64)
    found, plain = _local_planes(filled, weights, sigma)
    for _ in range(rounds):
        residuals = np.abs((table - found)[held])
        middle = float(np.median(residuals))
        # Where most blocks lie on the surface, the rest do not count.
        weights[held] = bisquare(residuals / (CLEVELAND * middle)) if middle > 0 else residuals == 0
        better, share = _local_planes(filled, weights, sigma)
        # Where hardly anything counts (a feature wider than the Gaussian), the last round stays.
        found = np.where(share > 0.01 * plain, better, found)
    smooth: FloatArray = np.where(inside, found, np.nan)
    return smooth


def _local_planes(
    filled: FloatArray, weights: FloatArray, sigma: float
) -> tuple[FloatArray, FloatArray]:
    """Value of the best plane at each block, and the weight that it rests on."""
    up, right = np.indices(filled.shape, dtype=np.float64) / sigma

    def spread(cells: FloatArray) -> FloatArray:
        return np.asarray(gaussian_filter(cells, sigma, mode="constant"), dtype=np.float64)

    share = spread(weights)
    total = np.where(share > 0, share, 1.0)

    def mean(cells: FloatArray) -> FloatArray:
        return np.asarray(spread(weights * cells) / total, dtype=np.float64)

    east, north, value = mean(right), mean(up), mean(filled)
    # Spreads about the means; the little added keeps a single row of blocks from having none.
    along = mean(right**2) - east**2 + 1e-6
    across = mean(up**2) - north**2 + 1e-6
    both = mean(right * up) - east * north
    with_right = mean(right * filled) - east * value
    with_up = mean(up * filled) - north * value
    scale = along * across - both**2
    slope_right = (across * with_right - both * with_up) / scale
    slope_up = (along * with_up - both * with_right) / scale
    plane: FloatArray = value + slope_right * (right - east) + slope_up * (up - north)
    return plane, share


# -- thin-plate spline -----------------------------------------------------------------------


@dataclass(frozen=True, eq=False)
class ThinPlate:
    """A smoothing thin-plate spline on coordinates scaled by `middle` and `half`.

    `smoothing` is what is added to the kernel's diagonal, `freedom` the trace of the smoother,
    and `bent` tells that cross-validation asked for more freedom than allowed.
    """

    middle: tuple[float, float]
    half: float
    knots: FloatArray
    bends: FloatArray
    plane: FloatArray
    smoothing: float
    freedom: float
    bent: bool

    def __call__(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Values at positions, exact."""
        u = np.column_stack([(x - self.middle[0]), (y - self.middle[1])]) / self.half
        values: FloatArray = _kernel(u, self.knots) @ self.bends + _planes(u) @ self.plane
        return values


def fit_thin_plate(
    x: FloatArray,
    y: FloatArray,
    values: FloatArray,
    freedom: float | None = None,
    most_freedom: float = np.inf,
    robust: bool = True,
) -> ThinPlate:
    """Fit a smoothing thin-plate spline to a few hundred values.

    Parameters
    ----------
    freedom
        Degrees of freedom, 3 (a plane) to the number of values; None for generalised
        cross-validation with at most `most_freedom`.
    robust
        Draw in residuals beyond Huber's bound to it, and fit again until nothing moves.

    References
    ----------
    G. Wahba (1990), *Spline Models for Observational Data*, SIAM; P. Craven and G. Wahba (1979),
    *Smoothing noisy data with spline functions*, Numerische Mathematik 31, 377-403. Drawing in
    the residuals (pseudo-values), from memory: D. D. Cox (1983), *Asymptotics for M-type
    smoothing splines*, Annals of Statistics 11, 530-551.
    """
    middle = (float(x.min() + x.max()) / 2, float(y.min() + y.max()) / 2)
    half = max(float(np.ptp(x)), float(np.ptp(y))) / 2 or 1.0
    u = np.column_stack([x - middle[0], y - middle[1]]) / half
    # Columns that a plane cannot tell apart (readings all on one line) are left out by pivoting.
    q, r, order = qr(_planes(u), pivoting=True)
    rank = int(np.count_nonzero(np.abs(np.diag(r)) > 1e-9 * abs(r[0, 0])))
    flat, rest = q[:, :rank], q[:, rank:]
    kernel = _kernel(u, u)
    stiff, modes = eigh(rest.T @ kernel @ rest)
    stiff, modes = np.clip(stiff, 0.0, None), rest @ modes
    smallest = CLOSE * (float(np.ptp(values)) or 1.0)
    drawn, fitted = values, np.full(len(values), np.inf)
    for _ in range(STEPS if robust else 1):
        z = modes.T @ drawn
        smoothing, bent = _smoothing(stiff, z, rank, freedom, most_freedom)
        bends = modes @ (z / (stiff + smoothing))
        last, fitted = fitted, drawn - smoothing * bends
        sigma = _sigma(values - fitted, smallest)
        if np.abs(fitted - last).max() <= 1e-7 * sigma:
            break
        if robust:
            bound = HUBER * sigma
            drawn = fitted + np.clip(values - fitted, -bound, bound)
    plane = np.zeros(3)
    level = flat.T @ (fitted - kernel @ bends)
    plane[order[:rank]] = solve_triangular(r[:rank, :rank], level)
    found = rank + float(np.sum(stiff / (stiff + smoothing)))
    return ThinPlate(middle, half, u, bends, plane, smoothing, found, bent)


def _planes(u: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(len(u)), u])


def _kernel(a: FloatArray, b: FloatArray) -> FloatArray:
    square = (a[:, :1] - b[:, 0]) ** 2 + (a[:, 1:] - b[:, 1]) ** 2
    kernel: FloatArray = square * np.log(np.where(square > 0, square, 1.0)) / 2
    return kernel


def _smoothing(
    stiff: FloatArray, z: FloatArray, rank: int, freedom: float | None, most: float
) -> tuple[float, bool]:
    """The smoothing that gives `freedom`, or the least cross-validation score within `most`."""
    top = float(stiff.max(initial=0.0)) or 1.0

    def freedom_of(log: float) -> float:
        return rank + float(np.sum(stiff / (stiff + np.exp(log))))

    low, high = np.log(top) - 40.0, np.log(top) + 40.0
    if freedom is not None:
        wanted = min(max(freedom, freedom_of(high)), freedom_of(low))
        return _solve(lambda log: freedom_of(log) - wanted, low, high), False

    def score(log: float) -> float:
        left = np.exp(log) / (stiff + np.exp(log))
        return float(np.sum((left * z) ** 2) / max(np.sum(left), 1e-300) ** 2)

    if freedom_of(low) > most:
        low = np.log(_solve(lambda log: freedom_of(log) - most, low, high))
    logs = np.linspace(low, high, 400)
    best = int(np.argmin([score(log) for log in logs]))
    around = (logs[max(best - 1, 0)], logs[min(best + 1, 399)])
    found = minimize_scalar(score, bounds=around, method="bounded").x
    return float(np.exp(found)), best == 0 and np.isfinite(most)


def _solve(function: Callable[[float], float], low: float, high: float) -> float:
    if function(low) <= 0:
        return float(np.exp(low))
    if function(high) >= 0:
        return float(np.exp(high))
    return float(np.exp(brentq(function, low, high, xtol=1e-12)))
