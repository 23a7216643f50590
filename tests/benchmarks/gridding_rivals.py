"""What gridding is scored beside: general-purpose libraries and programs, each at its best.

Whatever a rival has to set is tried over a short list, and the table keeps what scored best: that
favours it, for ours choose by themselves. Programs that give rasters work in the traverses' own
system on cells whose centres are the readings' places, so that no error is one of sampling.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable

import numpy as np

from .gridding_fields import Field

Predict = Callable[[Field, np.ndarray, np.ndarray], np.ndarray]
LARGE = 3000
"""Readings above which a dense solve works on windows of the field, and on pairs of readings."""
WINDOW, MARGIN = 10, 4
"""Side of a window and what it takes in around it, in traverse separations."""


def places(field: Field, rows: np.ndarray) -> np.ndarray:
    """Positions of some rows from the survey's corner, separations apart: numbers near 1."""
    r = field.readings
    xy = np.column_stack([r.x - r.x.min(), r.y - r.y.min()]) / field.separation
    return xy[rows]


def by_scipy(kind: str) -> Predict:
    """Linear or cubic (Clough and Tocher) over triangles: what `griddata` runs."""
    from scipy.interpolate import CloughTocher2DInterpolator, LinearNDInterpolator

    make = {"linear": LinearNDInterpolator, "cubic": CloughTocher2DInterpolator}[kind]

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        surface = make(places(field, ~left_out), field.readings.values[~left_out])
        return surface(places(field, asked))

    return predict


def by_rbf(kernel: str, smoothing: float, neighbours: int) -> Predict:
    """SciPy's radial basis functions over the nearest readings."""
    from scipy.interpolate import RBFInterpolator

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        surface = RBFInterpolator(
            places(field, ~left_out), field.readings.values[~left_out],
            neighbors=neighbours, kernel=kernel, smoothing=smoothing,
        )  # fmt: skip
        return surface(places(field, asked))

    return predict


Solve = Callable[[np.ndarray, np.ndarray, np.ndarray], np.ndarray]
"""From positions, values of one channel and positions to values there."""


def in_windows(solve: Solve) -> Predict:
    """A dense solve, on the whole field or, where that is too large, window by window.

    Windows take in what lies around them, so that their edges cannot be seen; there, readings are
    taken in pairs first (the means of two that follow each other on a traverse).
    """

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        near, values = places(field, ~left_out), field.readings.values[~left_out]
        at, own = places(field, asked), np.column_stack([field.across, field.along])
        given, asked = own[~left_out] / field.separation, own[asked] / field.separation
        step = np.inf
        if len(near) > LARGE:
            step = WINDOW
            near, values, given = (paired(part, field, ~left_out) for part in (near, values, given))
        found = np.full((len(at), values.shape[1]), np.nan)
        tile = np.zeros(asked.shape, int) if np.isinf(step) else (asked // step).astype(int)
        for corner in np.unique(tile, axis=0):
            here = (tile == corner).all(axis=1)
            low = np.where(np.isinf(step), -np.inf, corner * step if step < np.inf else 0) - MARGIN
            high = low + step + 2 * MARGIN if step < np.inf else np.inf
            around = ((given >= low) & (given <= high)).all(axis=1)
            for k in range(values.shape[1]):
                found[here, k] = solve(near[around], values[around, k], at[here])
        return found

    return predict


def paired(rows: np.ndarray, field: Field, kept: np.ndarray) -> np.ndarray:
    """Means of the rows of readings that lie in one stretch of two intervals of a traverse."""
    stretch = np.floor((field.along[kept] - field.along.min()) / (2 * field.interval) + 1e-6)
    keys = np.column_stack([field.traverse[kept], stretch])
    _, group = np.unique(keys, axis=0, return_inverse=True)
    group = group.ravel()
    total = np.zeros((group.max() + 1, rows.shape[1]))
    np.add.at(total, group, rows)
    return total / np.bincount(group)[:, np.newaxis]


def by_verde(damping: float | None) -> Solve:
    """A biharmonic spline over a plane, by verde."""
    import verde

    def solve(near: np.ndarray, values: np.ndarray, at: np.ndarray) -> np.ndarray:
        chain = verde.Chain([("trend", verde.Trend(1)), ("spline", verde.Spline(damping=damping))])
        return chain.fit(tuple(near.T), values).predict(tuple(at.T))

    return solve


def by_neighbours(count: int) -> Predict:
    """verde's mean of the nearest readings."""
    import verde

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        near, at = places(field, ~left_out), tuple(places(field, asked).T)
        values = field.readings.values[~left_out]
        return np.column_stack(
            [verde.KNeighbors(count).fit(tuple(near.T), one).predict(at) for one in values.T]
        )

    return predict


def by_pykrige(model: str) -> Solve:
    """Ordinary kriging by pykrige, which fits the variogram."""
    from pykrige.ok import OrdinaryKriging

    def solve(near: np.ndarray, values: np.ndarray, at: np.ndarray) -> np.ndarray:
        kriging = OrdinaryKriging(
            *near.T, values, variogram_model=model, nlags=20, weight=True,
        )  # fmt: skip
        found = [
            kriging.execute("points", *part.T)[0]
            for part in np.array_split(at, max(1, len(at) // 2000))
        ]
        return np.ma.filled(np.ma.concatenate(found), np.nan)

    return solve


def raster_frame(field: Field) -> tuple[np.ndarray, np.ndarray]:
    """Column and row of each reading on cells whose centres are the readings' places."""
    across = (field.across - field.across.min()) / field.interval
    along = (field.along - field.along.min()) / field.interval
    return np.round(across).astype(int), np.round(along).astype(int)


def by_gdal(algorithm: str) -> Predict:
    """GDAL's grid program."""
    from osgeo import gdal, ogr

    gdal.UseExceptions()

    def points(x: np.ndarray, y: np.ndarray, values: np.ndarray) -> gdal.Dataset:
        source = gdal.GetDriverByName("Memory").Create("", 0, 0, 0, gdal.GDT_Unknown)
        layer = source.CreateLayer("readings", geom_type=ogr.wkbPoint25D)
        for place in zip(x.tolist(), y.tolist(), values.tolist()):
            point = ogr.Geometry(ogr.wkbPoint25D)
            point.AddPoint(*place)
            feature = ogr.Feature(layer.GetLayerDefn())
            feature.SetGeometryDirectly(point)
            layer.CreateFeature(feature)
        return source

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        # A raster of just the positions asked for: every fifth traverse, some of its readings.
        own = np.column_stack([field.across, field.along])
        low, high = own[asked].min(axis=0), own[asked].max(axis=0)
        step = np.array([np.ptp(np.unique(field.traverse[asked])[:2]) * field.separation,
                         field.every * field.interval])  # fmt: skip
        width, height = (np.round((high - low) / step).astype(int) + 1).tolist()
        column, row = np.round((own[asked] - low) / step).astype(int).T
        west, south = low - step / 2
        east, north = high + step / 2
        values = field.readings.values
        found = np.full((asked.sum(), values.shape[1]), np.nan)
        for k in range(values.shape[1]):
            raster = gdal.Grid(
                "", points(*own[~left_out].T, values[~left_out, k]), format="MEM",
                outputType=gdal.GDT_Float64, width=width, height=height,
                outputBounds=[west, north, east, south],
                algorithm=algorithm.format(radius=5 * field.separation),
            )  # fmt: skip
            cells = raster.ReadAsArray()
            if raster.GetGeoTransform()[5] < 0:
                cells = cells[::-1]
            found[:, k] = cells[row, column]
        return np.where(found <= -9999, np.nan, found)

    return predict


def by_surface(tension: float) -> Predict:
    """Continuous curvature splines in tension by GMT's `surface`, after `blockmedian`."""

    def predict(field: Field, left_out: np.ndarray, asked: np.ndarray) -> np.ndarray:
        column, row = raster_frame(field)
        region = f"-R0/{column.max()}/0/{row.max()}"
        values = field.readings.values
        found = np.full((asked.sum(), values.shape[1]), np.nan)
        with tempfile.TemporaryDirectory() as folder:

            def gmt(*arguments, given: np.ndarray) -> np.ndarray | bytes:
                return subprocess.run(
                    ["gmt", *arguments], input=_table(given), cwd=folder, check=True,
                    stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                ).stdout  # fmt: skip

            for k in range(values.shape[1]):
                given = np.column_stack([column, row, values[:, k]])[~left_out]
                blocks = gmt("blockmedian", region, "-I1", given=given)
                gmt(
                    "surface", region, "-I1", f"-T{tension:g}", "-Gsurface.nc", "-C0.01%",
                    given=blocks,
                )  # fmt: skip
                at = np.column_stack([column, row])[asked]
                out = gmt("grdtrack", "-Gsurface.nc", given=at)
                found[:, k] = np.array(out.split(), float).reshape(-1, 3)[:, 2]
        return found

    return predict


def _table(rows: np.ndarray | bytes) -> bytes:
    """Rows as GMT reads them."""
    if isinstance(rows, bytes):
        return rows
    return "\n".join(" ".join(f"{cell:.9g}" for cell in row) for row in rows).encode()


SLOW = ("verde Spline", "pykrige", "GMT surface")
"""Rivals that a quick run leaves out."""


def all_rivals() -> list[tuple[str, str, Predict]]:
    """Name, setting and predictor of every rival but the host's own."""
    rivals: list[tuple[str, str, Predict]] = []
    for damping in (1e-8, 1e-4):
        rivals.append(("verde Spline", f"damping {damping:g}", in_windows(by_verde(damping))))
    for model in ("spherical", "exponential", "power"):
        rivals.append(("pykrige", model, in_windows(by_pykrige(model))))
    for tension in (0.0, 0.25, 0.35):
        rivals.append(("GMT surface", f"tension {tension:g}", by_surface(tension)))
    for kernel, smoothing in (("thin_plate_spline", 0), ("thin_plate_spline", 0.1), ("cubic", 0),
                              ("quintic", 0), ("linear", 0)):  # fmt: skip
        rivals.append(("SciPy RBF", f"{kernel} {smoothing}", by_rbf(kernel, smoothing, 60)))
    for power, count in ((1, 16), (2, 16), (4, 16), (4, 40)):
        rivals.append(("GDAL grid, invdistnn", f"power {power}, {count}", by_gdal(
            f"invdistnn:power={power}:radius={{radius}}:max_points={count}:nodata=-9999"
        )))  # fmt: skip
    rivals.append(("GDAL grid, linear", "", by_gdal("linear:radius=0:nodata=-9999")))
    for kind in ("linear", "cubic"):
        rivals.append((f"SciPy griddata, {kind}", "", by_scipy(kind)))
    for count in (5, 10, 20):
        rivals.append(("verde KNeighbors", f"{count}", by_neighbours(count)))
    return rivals
