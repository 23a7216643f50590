"""What bending and stretching a surface costs, and the force with which it resists."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ...readings import BoolArray, FloatArray

Grid = npt.NDArray[np.floating[Any]]

SLAB = 48
"""Rows worked on at a time, so that what lies between stays in the processor's cache."""
STIFFEST = 3.25
"""No eigenvalue of the forces, each divided by the diagonal, is above this (3.2 for bending)."""


@dataclass(frozen=True, eq=False)
class Links:
    """Which neighbouring nodes see each other.

    Parameters
    ----------
    across
        Between a node and the one east of it, shape ``(rows, columns - 1)``.
    down
        Between a node and the one south of it, shape ``(rows - 1, columns)``.
    """

    across: BoolArray
    down: BoolArray

    @property
    def straight_across(self) -> BoolArray:
        """Three nodes in a row, shape ``(rows, columns - 2)``."""
        whole: BoolArray = self.across[:, 1:] & self.across[:, :-1]
        return whole

    @property
    def straight_down(self) -> BoolArray:
        """Three nodes in a column, shape ``(rows - 2, columns)``."""
        whole: BoolArray = self.down[1:] & self.down[:-1]
        return whole

    @property
    def squares(self) -> BoolArray:
        """Four nodes in a square, shape ``(rows - 1, columns - 1)``."""
        whole: BoolArray = self.across[1:] & self.across[:-1] & self.down[:, 1:] & self.down[:, :-1]
        return whole

    @property
    def turned(self) -> Links:
        """With rows for columns and columns for rows."""
        return Links(self.down.T, self.across.T)


class Energy:
    """Squared differences between the nodes of a grid, summed.

    ``bend * (xx**2 + 2 xy**2 + yy**2) + pull * (x**2 + y**2)``, the differences taken wherever all
    their nodes exist and see each other. Leaving out the others is what makes edges and barriers
    free: nothing bends the surface there. In the open the force is the Laplacian of the
    Laplacian, with 20 at its middle, less the Laplacian.

    Parameters
    ----------
    shape
        Rows and columns.
    bend, pull
        Weights of the second and of the first differences.
    squash
        Width of a cell over its height.
    links
        Which neighbours see each other; None for all.

    Examples
    --------
    >>> spike = np.zeros((5, 5)); spike[2, 2] = 1.0
    >>> Energy((5, 5), 1.0, 0.0).force(spike)[2].tolist()
    [1.0, -8.0, 20.0, -8.0, 1.0]
    """

    def __init__(
        self,
        shape: tuple[int, int],
        bend: float,
        pull: float,
        squash: float = 1.0,
        links: Links | None = None,
    ) -> None:
        self.shape = shape
        self.across = (bend, pull)
        self.down = (bend * squash**4, pull * squash**2)
        self.twist = 2.0 * bend * squash**2
        self.links = links
        self._whole = (links.straight_across, links.straight_down, links.squares) if links else None

    def force(self, surface: Grid, out: Grid | None = None) -> Grid:
        """Half the derivative of the energy by each node, in the surface's own precision."""
        rows = self.shape[0]
        out = np.empty_like(surface) if out is None else out
        for top in range(0, rows, SLAB):
            bottom = min(rows, top + SLAB)
            first, last = max(0, top - 2), min(rows, bottom + 2)
            out[top:bottom] = self._slab(surface[first:last], first, last)[
                top - first : bottom - first
            ]
        return out

    def _slab(self, surface: Grid, first: int, last: int) -> Grid:
        """The force on some rows; right but for two rows at a cut through the surface."""
        kind = surface.dtype.type
        (bend_x, pull_x), (bend_y, pull_y) = self.across, self.down
        x = surface[:, 1:] - surface[:, :-1]
        y = surface[1:] - surface[:-1]
        xy = x[1:] - x[:-1]
        xx = x[:, 1:] - x[:, :-1]
        yy = y[1:] - y[:-1]
        xy *= kind(self.twist)
        xx *= kind(bend_x)
        yy *= kind(bend_y)
        x *= kind(pull_x)
        y *= kind(pull_y)
        if self._whole is not None and self.links is not None:
            straight_across, straight_down, squares = self._whole
            x *= self.links.across[first:last]
            y *= self.links.down[first : last - 1]
            xx *= straight_across[first:last]
            yy *= straight_down[first : last - 2]
            xy *= squares[first : last - 1]
        # from here x and y hold the pull on the links
        x[:, 1:] += xx
        x[:, :-1] -= xx
        x[1:] += xy
        x[:-1] -= xy
        y[1:] += yy
        y[:-1] -= yy
        force = np.zeros_like(surface)
        force[:, 1:] += x
        force[:, :-1] -= x
        force[1:] += y
        force[:-1] -= y
        return force

    def diagonal(self) -> FloatArray:
        """Force on each node when it alone is moved by one."""
        rows, columns = self.shape
        links = self.links
        x, y, xx, yy, xy = (
            (links.across, links.down, *self._whole)
            if links is not None and self._whole is not None
            else (
                np.broadcast_to(np.True_, (max(rows - down, 0), max(columns - across, 0)))
                for down, across in ((0, 1), (1, 0), (0, 2), (2, 0), (1, 1))
            )
        )
        (bend_x, pull_x), (bend_y, pull_y) = self.across, self.down
        total: FloatArray = np.zeros(self.shape)
        for terms, weight, parts in (
            (x, pull_x, ((0, 0, 1), (0, 1, 1))),
            (y, pull_y, ((0, 0, 1), (1, 0, 1))),
            (xx, bend_x, ((0, 0, 1), (0, 1, 4), (0, 2, 1))),
            (yy, bend_y, ((0, 0, 1), (1, 0, 4), (2, 0, 1))),
            (xy, self.twist, ((0, 0, 1), (0, 1, 1), (1, 0, 1), (1, 1, 1))),
        ):
            for down, across, square in parts:
                part = total[down : down + terms.shape[0], across : across + terms.shape[1]]
                part += weight * square * terms
        return total
