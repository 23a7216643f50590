"""Inverse distance: a mean of the nearest readings, weighted by closeness."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix

from ...progress import Progress, keep_going
from ...readings import FloatArray, IntArray
from ..barriers import Barriers
from ..method import Method, Option, Surface, Task
from ..search import search_tree

TOUCHING = 1e-9
"""Distance, in search lengths, below which a cell centre counts as being at a reading."""
SIGHTS = 1 << 16
"""Lines of sight tried at a time."""


def prepare(task: Task, progress: Progress = keep_going) -> Surface:
    """Build the neighbour search.

    A cell takes the mean of its nearest readings inside the ellipse, weighted by
    ``distance ** -power``, the distance counted in search lengths. Each value is therefore
    between the lowest and the highest of the readings used, and a cell centre at a reading takes
    that reading. A reading behind a barrier does not count: the next one in view takes its place.

    References
    ----------
    D. Shepard (1968), *A two-dimensional interpolation function for irregularly-spaced data*,
    Proceedings of the 23rd ACM National Conference, 517-524.
    """
    along, across, bearing = search_ellipse(task)
    nearest = _Nearest(task, along, across, bearing)
    count, power = nearest.count, task.number("power")
    highest = task.values.max(axis=0)

    def evaluate(cells: FloatArray) -> FloatArray:
        distance, near = nearest(cells)
        weights = closeness(distance, power)
        rows = np.arange(0, len(cells) * count + 1, count)
        shape = (len(cells), len(task.xy))
        total = csr_matrix((weights.ravel(), near.ravel(), rows), shape=shape) @ task.values
        with np.errstate(invalid="ignore"):
            values: FloatArray = total / weights.sum(axis=1, keepdims=True)
        np.minimum(values, highest, out=values)
        return values

    figures = {"search_along": along, "search_across": across}
    if along != across:
        figures["bearing"] = round(bearing, 2)
    return Surface(evaluate, figures=figures)


class _Nearest:
    """The readings that count for a cell: the nearest ones inside the ellipse that it can see."""

    def __init__(self, task: Task, along: float, across: float, bearing: float) -> None:
        self.count = min(int(task.number("neighbours")), len(task.xy))
        self._xy, self._barriers = task.xy, task.barriers
        self._turn: FloatArray | None = None
        self._radius = across
        places = task.xy
        if along != across:  # to where the ellipse is the unit circle
            east, north = np.sin(np.radians(bearing)), np.cos(np.radians(bearing))
            self._turn = np.array([[east / along, north / across], [north / along, -east / across]])
            self._radius = 1.0
            places = task.xy @ self._turn
        self._tree = search_tree(places)

    def __call__(self, cells: FloatArray) -> tuple[FloatArray, IntArray]:
        """Distances in search lengths, rising, and rows of the readings, shape ``(m, count)``.

        Where there are fewer, the distance is infinite and the row any.
        """
        if self._barriers is None:
            return self._closest(cells, self.count)
        return self._visible(cells, self.count, self._barriers)

    def _closest(self, cells: FloatArray, count: int) -> tuple[FloatArray, IntArray]:
        """The nearest so many, seen or not."""
        distance, near = self._tree.query(
            cells if self._turn is None else cells @ self._turn,
            k=count,
            distance_upper_bound=np.nextafter(self._radius, np.inf),
        )
        distance, near = distance.reshape(len(cells), count), near.reshape(len(cells), count)
        distance /= self._radius
        np.minimum(near, len(self._xy) - 1, out=near)
        return distance, near

    def _visible(
        self, cells: FloatArray, among: int, barriers: Barriers
    ) -> tuple[FloatArray, IntArray]:
        """The nearest in view, looked for among so many; where these are too few, among more."""
        distance: FloatArray = np.empty((len(cells), self.count))
        near: IntArray = np.empty((len(cells), self.count), dtype=np.int64)
        step = max(1, SIGHTS // among)
        for start in range(0, len(cells), step):
            part = slice(start, start + step)
            apart, rows = self._closest(cells[part], among)
            found = np.isfinite(apart)
            some = np.flatnonzero(found[:, 0])
            targets = np.where(found, rows, rows[:, :1])[some]
            hidden = barriers.hide_among(cells[part][some], self._xy, targets)
            some, hidden = some[hidden.any(axis=1)], hidden[hidden.any(axis=1)]
            apart[some] = np.where(hidden, np.inf, apart[some])
            order = np.argsort(apart[some], axis=1, kind="stable")
            apart[some] = np.take_along_axis(apart[some], order, axis=1)
            rows[some] = np.take_along_axis(rows[some], order, axis=1)
            distance[part], near[part] = apart[:, : self.count], rows[:, : self.count]
            short = some[found[some, -1] & np.isinf(apart[some, self.count - 1])] + start
            if len(short) and among < len(self._xy):
                more = min(2 * among, len(self._xy))
                distance[short], near[short] = self._visible(cells[short], more, barriers)
        return distance, near


def closeness(distance: FloatArray, power: float) -> FloatArray:
    """Weights of neighbours in order of their distance, the nearest weighing 1.

    Parameters
    ----------
    distance
        Shape ``(m, k)``, rising along each row, infinite for no neighbour.
    power
        Power of the distance.

    Returns
    -------
    array
        Shape ``(m, k)``, 0 for no neighbour. A neighbour at no distance leaves the others 0.

    Examples
    --------
    >>> closeness(np.array([[1.0, 2.0, np.inf], [0.0, 2.0, 3.0]]), 2.0)
    array([[1.  , 0.25, 0.  ],
           [1.  , 0.  , 0.  ]])
    """
    nearest = distance[:, :1]
    apart = np.isfinite(nearest) & (nearest > TOUCHING)
    weights: FloatArray = np.maximum(distance, TOUCHING)
    np.divide(np.where(apart, nearest, 0.0), weights, out=weights)
    if power == 2.0:
        weights *= weights
    else:
        weights **= power
    weights[:, 0] = np.isfinite(nearest[:, 0])
    return weights


def search_ellipse(task: Task) -> tuple[float, float, float]:
    """Search lengths along and across the traverses, and their bearing.

    Raises
    ------
    ValueError
        If the lengths differ but the traverses have no common direction.
    """
    given = task.options
    along, across, bearing = given["search_along"], given["search_across"], given["bearing"]
    across = float(across or along or 2.0 * task.blanking_distance)
    along = float(along or across)
    if bearing is None and along != across:
        bearing = task.bearing
        if bearing is None:
            raise ValueError(
                "The search lengths along and across differ, but the traverses have no common "
                "direction. Give the bearing of the traverses, or make the two lengths equal."
            )
    return along, across, float(bearing or 0.0)


METHOD = Method(
    id="inverse_distance",
    title="Inverse distance",
    help=(
        "Each cell takes the mean of the nearest readings, the closer ones weighing more. It "
        "keeps within the range of the readings, works for any layout, down to a single "
        "traverse, and is fast. Values at the readings are kept, so that noise and steps between "
        "traverses stay visible. Lengthen the search along or across the traverses to favour "
        "readings in that direction."
    ),
    options=(
        Option(
            "power",
            "Power of the distance",
            2.0,
            help="A higher power draws each cell closer to its nearest reading; a lower one "
            "smooths more.",
            minimum=0.1,
            maximum=20.0,
        ),
        Option(
            "neighbours",
            "Number of readings per cell",
            12,
            help="The nearest readings that count for a cell, no more than this.",
            minimum=1,
            maximum=1000,
            whole=True,
        ),
        Option(
            "search_along",
            "Search radius along the traverses",
            None,
            unit="map units",
            help="Readings further away along the traverse do not count, and distances along it "
            "are measured against this length. Empty: the same as across.",
            minimum=1e-6,
        ),
        Option(
            "search_across",
            "Search radius across the traverses",
            None,
            unit="map units",
            help="Readings further away across the traverses do not count. Empty: the same as "
            "along or, where neither is given, twice the blanking distance.",
            minimum=1e-6,
        ),
        Option(
            "bearing",
            "Bearing of the traverses",
            None,
            unit="degrees",
            help="Clockwise from grid north; matters only where the two search radii differ. "
            "Empty: measured from the traverses.",
            minimum=-360.0,
            maximum=360.0,
        ),
    ),
    prepare=prepare,
)
