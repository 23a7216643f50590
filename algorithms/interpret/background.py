"""Robust background and scatter of a raster: what an anomaly stands out from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from ..gridding.frame import Frame
from ..progress import Progress, advance, keep_going
from ..readings import FloatArray, IntArray

SIGMA_OF_MAD = 1.482602218505602
"""Standard deviation of a normal distribution over its median absolute deviation: 1/Phi^-1(3/4)."""

SIGMA_OF_MEAN_DEVIATION = float(np.sqrt(np.pi / 2))
"""Standard deviation of a normal distribution over its mean absolute deviation."""

BATCH = 4_000_000
"""Values sorted at a time."""


@dataclass(frozen=True)
class Scatter:
    """A robust standard deviation.

    Parameters
    ----------
    sigma
        In the units of the values.
    from_mean
        Whether it had to be taken from the mean absolute deviation.
    """

    sigma: float
    from_mean: bool = False


def robust_scatter(values: FloatArray) -> Scatter:
    """Standard deviation that a few strong anomalies do not stretch.

    1.4826 times the median absolute deviation from the median. Where more than half the values are
    equal that is zero; the mean absolute deviation times 1.2533 then stands in for it (Iglewicz &
    Hoaglin 1993, from memory), which strong anomalies do stretch.

    Parameters
    ----------
    values
        Any shape, NaN for no data.

    Raises
    ------
    ValueError
        If no value differs from the others by more than rounding, or none is finite.

    Examples
    --------
    >>> round(robust_scatter(np.array([1.0, 2.0, 3.0, 4.0, 100.0])).sigma, 4)
    1.4826
    >>> robust_scatter(np.array([5.0, 5.0, 5.0, 5.0, 6.0])).from_mean
    True
    """
    known = values[np.isfinite(values)]
    if not known.size:
        raise ValueError("The raster holds no data: choose another band or raster.")
    rounding = 8 * np.finfo(np.float64).eps * float(np.max(np.abs(known)))
    deviation = np.abs(known - np.median(known))
    sigma = SIGMA_OF_MAD * float(np.median(deviation))
    if sigma > rounding:
        return Scatter(sigma)
    sigma = SIGMA_OF_MEAN_DEVIATION * float(np.mean(deviation))
    if sigma > rounding:
        return Scatter(sigma, from_mean=True)
    raise ValueError("All cells hold the same value: nothing stands out from the background.")


def moving_median(
    values: FloatArray, frame: Frame, window: float, progress: Progress = keep_going
) -> FloatArray:
    """Median over a window that moves with the cell: a background that follows the soil.

    The exact median of the cells with data is taken in windows centred on a lattice of cells, a
    quarter of the window apart (every cell when the window is small), and interpolated linearly
    between them. Cells without data take no part and get no background; every cell with data lies
    within all the windows it is interpolated from, so none of them is empty. At the edge of the
    data the window is cut, not mirrored, so on sloping ground the background lags at the edge by a
    quarter of the window: remove the trend first.

    Choose the window at least twice as wide as the widest feature sought: a feature that fills
    more than half of its window becomes background.

    Parameters
    ----------
    values
        Shape ``(rows, columns)``, NaN for no data.
    frame
        Where the cells lie.
    window
        Side of the square window, map units; rounded to an odd number of cells each way.

    Returns
    -------
    array
        Shape ``(rows, columns)``, NaN where `values` is.

    Raises
    ------
    ValueError
        If the window is not three cells wide.
    Cancelled
        If the user asked to stop.
    """
    half_row = _half_width(window, frame.cell_height, frame.rows)
    half_column = _half_width(window, frame.cell_width, frame.columns)
    node_rows, node_columns = _nodes(frame.rows, half_row), _nodes(frame.columns, half_column)
    medians = np.empty((len(node_rows), len(node_columns)))
    for i, row in enumerate(node_rows):
        advance(progress, 0.9 * i / len(node_rows))
        strip = values[max(row - half_row, 0) : row + half_row + 1]
        medians[i] = _strip_medians(strip, node_columns, half_column)

    # Across first, then down a batch of rows at a time, to hold no second full raster.
    at_columns = _between(medians.T, node_columns, np.arange(frame.columns)).T
    background = np.empty_like(values)
    step = max(1, BATCH // frame.columns)
    for start in range(0, frame.rows, step):
        advance(progress, 0.9 + 0.1 * start / frame.rows)
        rows = np.arange(start, min(start + step, frame.rows))
        background[rows] = _between(at_columns, node_rows, rows)
    background[~np.isfinite(values)] = np.nan
    return background


def _half_width(window: float, cell: float, cells: int) -> int:
    """Cells from the middle of the window to its edge; never more than the raster has."""
    half = round((window / cell - 1) / 2)
    if half < 1:
        raise ValueError(
            f"The background window of {window:g} map units is under three cells of {cell:g}: "
            "choose a window at least twice as wide as the widest feature sought."
        )
    return min(half, cells)


def _nodes(cells: int, half: int) -> IntArray:
    """Rows or columns where the median is taken: half a half-width apart, and the last one."""
    nodes = np.arange(0, cells, max(1, half // 2))
    with_last: IntArray = np.unique(np.append(nodes, cells - 1)).astype(np.int64)
    return with_last


def _strip_medians(strip: FloatArray, nodes: IntArray, half: int) -> FloatArray:
    """Median of the strip's cells within `half` columns of each node, NaN where there are none."""
    edge = np.full((len(strip), half), np.nan)
    windows = sliding_window_view(np.hstack([edge, strip, edge]), 2 * half + 1, axis=1)
    size = len(strip) * (2 * half + 1)
    step = max(1, BATCH // size)
    parts = []
    for start in range(0, len(nodes), step):
        chosen = windows[:, nodes[start : start + step]]
        parts.append(median_of_known(chosen.transpose(1, 0, 2).reshape(-1, size)))
    return np.concatenate(parts)


def median_of_known(table: FloatArray) -> FloatArray:
    """Median of each row's finite values, NaN for a row without any.

    Examples
    --------
    >>> median_of_known(np.array([[3.0, 1.0, 2.0], [5.0, np.nan, 6.0]]))
    array([2. , 5.5])
    """
    width = table.shape[1]
    known = np.isfinite(table).sum(axis=1)
    result = np.full(len(table), np.nan)
    whole = known == width
    if whole.any():
        result[whole] = np.median(table[whole], axis=1)
    part = np.flatnonzero(~whole & (known > 0))
    if len(part):
        rows = table[part]
        ordered = np.sort(np.where(np.isfinite(rows), rows, np.inf), axis=1)
        here = np.arange(len(part))
        count = known[part]
        result[part] = 0.5 * (ordered[here, (count - 1) // 2] + ordered[here, count // 2])
    return result


def _between(table: FloatArray, nodes: IntArray, wanted: IntArray) -> FloatArray:
    """Rows of a table known at `nodes`, interpolated linearly at `wanted`."""
    if len(nodes) == 1:
        return np.repeat(table, len(wanted), axis=0)
    low = np.clip(np.searchsorted(nodes, wanted, side="right") - 1, 0, len(nodes) - 2)
    weight = ((wanted - nodes[low]) / (nodes[low + 1] - nodes[low]))[:, np.newaxis]
    mixed: FloatArray = (1.0 - weight) * table[low] + weight * table[low + 1]
    return mixed
