"""How a surface slopes at its nodes."""

from __future__ import annotations

import numpy as np

from .energy import Grid, Links


def slope(surface: Grid, axis: int, links: Links | None = None) -> Grid:
    """Rise for each node along an axis, from the neighbours on both sides.

    At an edge or a barrier the side that is left serves. Smoothed across the axis (1, 2, 1), so
    that noise from node to node does not count as slope.

    Parameters
    ----------
    surface
        Shape ``(rows, columns)``.
    axis
        0 for the slope to the south, 1 for that to the east.
    links
        Which neighbours see each other; None for all.

    Examples
    --------
    >>> slope(np.outer([1.0, 2.0, 4.0], [1.0, 1.0]), 0).tolist()
    [[1.0, 1.0], [1.5, 1.5], [2.0, 2.0]]
    """
    if axis == 0:
        return slope(surface.T, 1, links.turned if links else None).T
    rise = np.zeros(surface.shape, dtype=surface.dtype)
    if surface.shape[1] > 1:
        if links is None:
            np.subtract(surface[:, 2:], surface[:, :-2], out=rise[:, 1:-1])
            rise[:, 1:-1] *= 0.5
            rise[:, 0] = surface[:, 1] - surface[:, 0]
            rise[:, -1] = surface[:, -1] - surface[:, -2]
        else:
            step = (surface[:, 1:] - surface[:, :-1]) * links.across
            rise[:, 1:] += step
            rise[:, :-1] += step
            both = np.zeros(surface.shape, dtype=bool)
            both[:, 1:-1] = links.straight_across
            rise[both] *= 0.5
    change = rise[1:] - rise[:-1]
    change *= 0.25
    if links is not None:
        change *= links.down
    rise[:-1] += change
    rise[1:] -= change
    return rise
