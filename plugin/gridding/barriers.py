"""Lines that interpolation must not cross, from a layer."""

from __future__ import annotations

import numpy as np

from ..areas import geometries_in
from ..inputs import Lines
from ..source import LayerSource

BARRIERS = Lines(
    "BARRIERS",
    "Barriers",
    "Lines, or outlines of areas, that interpolation must not cross: a standing wall, a bank, the "
    "edge of ground of another kind. Readings beyond one do not count for the cells before it.",
    optional=True,
    advanced=True,
)


def read_barriers(task, crs) -> np.ndarray | None:
    """The segments of the layer of barriers, shape ``(s, 2, 2)``, in a system; None without one.

    Raises
    ------
    ValueError
        If a line has no place in the system, or the layer holds none.
    """
    layer: LayerSource | None = task["BARRIERS"]
    if layer is None:
        return None
    segments = [np.empty((0, 2, 2))]
    for geometry in geometries_in(layer, crs, task):
        for part in geometry.constParts():
            rings = (
                [part]
                if not hasattr(part, "exteriorRing")
                else [part.exteriorRing(), *map(part.interiorRing, range(part.numInteriorRings()))]
            )
            for ring in rings:
                line = np.array([(point.x(), point.y()) for point in ring.points()])
                segments.append(np.stack([line[:-1], line[1:]], axis=1))
    found = np.concatenate(segments)
    if not len(found):
        raise ValueError(
            f"Layer '{layer.name}' for 'Barriers' holds no line. Draw one, or leave it empty."
        )
    return found
