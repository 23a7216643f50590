"""The invented site "Quillmere": where it lies, what is buried there, what coils would read.

Site coordinates: `u` across the traverses to the right, `v` along them, metres, from the corner of
data grid G1. The ground's response is computed on a plan of cells in site coordinates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from lynchet.algorithms.ground.bodies import Sphere, body_response, sphere_response
from lynchet.algorithms.ground.instrument import CoilPair, ratio_per_conductivity
from lynchet.algorithms.ground.low_induction import layered_conductivity
from scipy.ndimage import map_coordinates

EPSG = 25831
CORNER = (430_000.0, 5_900_000.0)
BEARING = 17.0
SIDE = 20.0
GRIDS = {"G1": (0.0, 0.0), "G2": (20.0, 0.0), "G3": (0.0, 20.0), "G4": (20.0, 20.0)}

HEIGHT = 0.05
SPACINGS = {"050": 0.5, "100": 1.0}
FREQUENCY = 10_000.0
CHANNELS = ("ec_050", "ip_050", "ec_100", "ip_100")
UNITS = ("mS/m", "ppt", "mS/m", "ppt")

CELL = 0.125
MARGIN = 12.0
LOW, HIGH = -MARGIN, 2 * SIDE + MARGIN
TOPSOIL = 0.3


@dataclass(frozen=True)
class Feature:
    """Something buried: rings in site coordinates, depths below the surface, contrasts.

    A ball's middle lies at the middle of its ring and of its depths; its contrasts are its own.
    """

    name: str
    kind: str
    width: float
    rings: tuple[np.ndarray, ...]
    top: float
    bottom: float
    conductivity: float
    susceptibility: float
    ball: Sphere | None = None

    @property
    def must_find(self) -> bool:
        """Whether a survey of this spacing should find it."""
        return self.width >= 1.0


def arc(centre, radius, start, end, count=96):
    """Points on a circle, angles in degrees from the `u` axis, counter-clockwise."""
    angle = np.radians(np.linspace(start, end, count))
    return np.column_stack([centre[0] + radius * np.cos(angle), centre[1] + radius * np.sin(angle)])


def closed(points):
    """The ring, its first point repeated at the end."""
    return np.vstack([points, points[:1]])


def box(u0, v0, u1, v1):
    """A rectangle as a closed ring."""
    return closed(np.array([[u0, v0], [u1, v0], [u1, v1], [u0, v1]], dtype=float))


def strip(start, end, width):
    """A straight strip as a closed ring."""
    start, end = np.array(start, float), np.array(end, float)
    along = (end - start) / np.hypot(*(end - start))
    side = np.array([along[1], -along[0]]) * width / 2
    return closed(np.array([start - side, end - side, end + side, start + side]))


def features() -> tuple[Feature, ...]:
    """Everything that is buried at Quillmere."""
    ring = (9.8, 9.4)
    # An entrance of some 2.4 m, towards the left and up.
    ditch = closed(np.vstack([arc(ring, 6.0, 152, 486), arc(ring, 4.5, 486, 152)]))
    pits = (
        (3.4, 29.0, 0.9),
        (5.9, 31.2, 0.7),
        (7.0, 27.6, 0.8),
        (9.6, 29.9, 0.65),
        (4.6, 25.6, 0.75),
    )
    return (
        Feature("ring ditch", "ditch", 1.5, (ditch,), 0.3, 1.1, 24.0, 0.004),
        Feature(
            "enclosure",
            "ditch",
            1.4,
            (box(21.3, 11.4, 35.1, 28.6), box(22.7, 12.8, 33.7, 27.2)[::-1]),
            0.3,
            1.2,
            26.0,
            0.003,
        ),
        *(
            Feature(
                f"pit {number}", "pit", 2 * radius, (arc((u, v), radius, 0, 360, 48),),
                0.28, 1.1, 38.0, 0.006,
            )
            for number, (u, v, radius) in enumerate(pits, start=1)
        ),
        Feature("hearth", "hearth", 1.7, (arc((28.4, 18.6), 0.85, 0, 360, 48),),
                0.2, 0.5, 7.0, 0.06),
        Feature("drain", "drain", 0.3, (strip((-8.0, 38.2), (48.0, 33.0), 0.3),),
                0.5, 0.8, -14.0, 0.0),
        # Its stump, a ball of hard iron: no first-order body.
        Feature("iron post", "post", 0.25, (box(14.9, 33.4, 15.15, 33.65),), 0.15, 0.35, 0.0, 0.0,
                Sphere(0.1, conductivity=1e10, permeability=20.0)),
    )  # fmt: skip


def beside(feature: Feature, pair: CoilPair, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Field ratio of a pair along `v` at places beside a buried ball, shape of `u`."""
    low, high = feature.rings[0].min(axis=0), feature.rings[0].max(axis=0)
    centre, depth = (low + high) / 2, (feature.top + feature.bottom) / 2
    return sphere_response(feature.ball, pair, centre[0] - u, centre[1] - v, depth)


def covered(feature: Feature, u: np.ndarray, v: np.ndarray) -> np.ndarray:
    """Whether points lie in a feature (even-odd rule over its rings), shape of `u`."""
    inside = np.zeros(u.shape, bool)
    for ring in feature.rings:
        (x0, y0), (x1, y1) = ring[:-1].T[:, :, None], ring[1:].T[:, :, None]
        flat_u, flat_v = u.ravel(), v.ravel()
        straddle = (y0 > flat_v) != (y1 > flat_v)
        with np.errstate(divide="ignore", invalid="ignore"):
            crossing = x0 + (flat_v - y0) * (x1 - x0) / (y1 - y0)
        inside ^= ((straddle & (flat_u < crossing)).sum(axis=0) % 2 == 1).reshape(u.shape)
    return inside


def plan_of(feature: Feature) -> np.ndarray:
    """Share of each cell that a feature covers, shape ``(rows along v, columns along u)``."""
    fine = 4
    axis = np.arange(LOW, HIGH, CELL / fine) + CELL / fine / 2
    ring = np.vstack(feature.rings)
    share = np.zeros((len(axis), len(axis)))
    u_in = np.flatnonzero((axis > ring[:, 0].min() - CELL) & (axis < ring[:, 0].max() + CELL))
    v_in = np.flatnonzero((axis > ring[:, 1].min() - CELL) & (axis < ring[:, 1].max() + CELL))
    u, v = np.meshgrid(axis[u_in], axis[v_in])
    share[np.ix_(v_in, u_in)] = covered(feature, u, v)
    n = len(axis) // fine
    return share.reshape(n, fine, n, fine).mean(axis=(1, 3))


def soil(u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Conductivity of topsoil and subsoil, mS/m: gentle waves of the invented field."""
    top = 15 + 1.2 * np.sin(u / 9.0 + 0.5) * np.cos(v / 13.0) + 0.03 * u
    sub = 23 + 2.4 * np.cos(u / 15.0 - v / 11.0) + 0.06 * v + 1.1 * np.sin((u + 2 * v) / 8.0)
    return top, sub


@dataclass(frozen=True)
class Ground:
    """What the four channels read over the clean ground, on the plan of cells."""

    maps: dict[str, np.ndarray]

    @classmethod
    def of_quillmere(cls) -> Ground:
        """Compute the maps; some seconds."""
        axis = np.arange(LOW, HIGH, CELL) + CELL / 2
        u, v = np.meshgrid(axis, axis)
        top, sub = soil(u, v)
        buried = [(feature, plan_of(feature)) for feature in features()]
        maps = {}
        for name, spacing in SPACINGS.items():
            ec = layered_conductivity([top, sub], [TOPSOIL], spacing, height=HEIGHT)
            # Topsoil is a little more magnetic than subsoil; a plain half-space will do.
            ip = np.full(u.shape, 0.35)
            pair = CoilPair(spacing, frequency=FREQUENCY, height=HEIGHT)
            for feature, plan in buried:
                if feature.ball:
                    ratio = beside(feature, pair, u, v)
                    ec = ec + 1000 * ratio.imag / ratio_per_conductivity(pair)
                    ip = ip + 1000 * ratio.real
                    continue
                depths = (feature.top + HEIGHT, feature.bottom + HEIGHT)
                ec = ec + feature.conductivity * body_response(
                    plan, CELL, *depths, spacing, "conductivity"
                )
                if feature.susceptibility:
                    ip = ip + 1000 * feature.susceptibility * body_response(
                        plan, CELL, *depths, spacing, "susceptibility"
                    )
            maps[f"ec_{name}"], maps[f"ip_{name}"] = ec, ip
        return cls(maps)

    def read(self, u: np.ndarray, v: np.ndarray) -> np.ndarray:
        """Values of the four channels at site positions, shape ``(n, 4)``."""
        at = np.stack([(v - LOW) / CELL - 0.5, (u - LOW) / CELL - 0.5])
        return np.stack(
            [map_coordinates(self.maps[name], at, order=1, mode="nearest") for name in CHANNELS],
            axis=1,
        )


def to_map(u: np.ndarray, v: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Site coordinates to easting and northing."""
    angle = np.radians(BEARING)
    x = CORNER[0] + u * np.cos(angle) + v * np.sin(angle)
    y = CORNER[1] - u * np.sin(angle) + v * np.cos(angle)
    return x, y
