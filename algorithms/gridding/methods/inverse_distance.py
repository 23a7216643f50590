"""Inverse distance: a mean of the nearest readings, weighted by closeness."""

from __future__ import annotations

import numpy as np
from scipy.sparse import csr_matrix
from scipy.spatial import cKDTree

from ...progress import Progress, keep_going
from ...readings import FloatArray
from ..method import Method, Option, Surface, Task

TOUCHING = 1e-9
"""Distance, in search lengths, below which a cell centre counts as being at a reading."""


def prepare(task: Task, progress: Progress = keep_going) -> Surface:
    """Build the neighbour search, in coordinates where the search ellipse is the unit circle.

    A cell takes the mean of its nearest readings inside the ellipse, weighted by
    ``distance ** -power``, the distance counted in search lengths. Each value is therefore
    between the lowest and the highest of the readings used, and a cell centre at a reading takes
    that reading.

    References
    ----------
    D. Shepard (1968), *A two-dimensional interpolation function for irregularly-spaced data*,
    Proceedings of the 23rd ACM National Conference, 517-524.
    """
    along, across, bearing = search_ellipse(task)
    angle = np.radians(bearing)
    turn = np.array(
        [
            [np.sin(angle) / along, np.cos(angle) / across],
            [np.cos(angle) / along, -np.sin(angle) / across],
        ]
    )
    tree = cKDTree(task.xy @ turn)
    count = min(int(task.number("neighbours")), len(task.xy))
    power = task.number("power")
    highest = task.values.max(axis=0)

    def evaluate(cells: FloatArray) -> FloatArray:
        distance, near = tree.query(
            cells @ turn,
            k=count,
            distance_upper_bound=np.nextafter(1.0, 2.0),
            workers=task.workers,
        )
        weights = closeness(distance.reshape(len(cells), count), power)
        near = np.minimum(near, len(task.xy) - 1)  # beyond the ellipse: weight 0
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
    weights: FloatArray = np.where(apart, nearest, 0.0) / np.maximum(distance, TOUCHING)
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
