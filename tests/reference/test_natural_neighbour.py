"""Natural neighbour weights against their definition in exact fractions, and SciPy's Voronoi."""

from fractions import Fraction

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from lynchet.algorithms.gridding.mesh import strips
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods import method_named, natural_neighbour, triangulation
from lynchet.algorithms.readings import Readings
from scipy.interpolate import griddata
from scipy.spatial import ConvexHull, Delaunay, Voronoi
from shapely.geometry import Polygon


def task(method, xy, values=None, bearing=None, **options):
    """A task for evaluating a method at any position; its frame does not matter."""
    values = np.eye(len(xy)) if values is None else values
    return Task(
        xy=xy,
        values=values,
        line=np.full(len(xy), -1),
        channels=("c1",) * values.shape[1],
        units=("",) * values.shape[1],
        frame=Frame(0.0, 0.0, 1.0, 1.0, 1, 1),
        wanted=np.ones((1, 1), dtype=bool),
        options=method_named(method).checked(options),
        blanking_distance=0.5,
        bearing=bearing,
    )


def weights(xy, cells, bearing=None):
    """Shares of all readings in each cell: what becomes of a 1 at one reading and 0 elsewhere."""
    return natural_neighbour.prepare(task("natural_neighbour", xy, bearing=bearing)).evaluate(cells)


def layout(name):
    """Sets of positions as surveys have them, and the worst of them."""
    rng = np.random.default_rng(5)
    even = np.stack(np.meshgrid(np.arange(5) * 0.5, np.arange(9) * 0.125), axis=-1).reshape(-1, 2)
    turn = np.array([[np.cos(0.3), -np.sin(0.3)], [np.sin(0.3), np.cos(0.3)]])
    return {
        "scattered": lambda: rng.uniform(0, 3, (40, 2)),
        "lattice": lambda: np.stack(np.meshgrid(np.arange(6.0), np.arange(6.0)), -1).reshape(-1, 2),
        "traverses": lambda: even + rng.normal(0, 0.02, even.shape),
        "even traverses": lambda: even,
        "turned traverses": lambda: (even @ turn + (431000.0, 5530000.0)) - (430999.0, 5529999.0),
        "far apart": lambda: even * (8.0, 1.0) + rng.normal(0, 0.01, even.shape),
        "near doubles": lambda: np.concatenate([even, even[::4] + 2e-6]),
        "ring": lambda: np.column_stack([f(np.arange(24) * np.pi / 12) for f in (np.cos, np.sin)]),
    }[name]()


LAYOUTS = [
    "scattered",
    "lattice",
    "traverses",
    "even traverses",
    "turned traverses",
    "far apart",
    "near doubles",
    "ring",
]


def cells_among(xy, count, rng):
    """Positions between readings: anywhere, on lines between two, and close by a reading."""
    a, b, c = (xy[rng.integers(0, len(xy), count)] for _ in range(3))
    share = rng.dirichlet((1, 1, 1), count)[:, :, np.newaxis]
    anywhere = share[:, 0] * a + share[:, 1] * b + share[:, 2] * c
    halfway = (a + b) / 2
    close = a + (anywhere - a) * 1e-5
    cells = np.concatenate([anywhere, halfway, close])
    apart = np.hypot(*(cells[:, np.newaxis] - xy).T).min(axis=0)
    return cells[apart > 1e-7]


def nearer_to(polygon, p, q):
    """The part of a convex polygon that is nearer to p than to q."""
    kept = []
    excess = [
        (x - p[0]) ** 2 + (y - p[1]) ** 2 - (x - q[0]) ** 2 - (y - q[1]) ** 2 for x, y in polygon
    ]
    for k in range(len(polygon)):
        (x0, y0), (x1, y1), e0, e1 = polygon[k - 1], polygon[k], excess[k - 1], excess[k]
        if e0 * e1 < 0:
            share = e0 / (e0 - e1)
            kept.append((x0 + share * (x1 - x0), y0 + share * (y1 - y0)))
        if e1 <= 0:
            kept.append((x1, y1))
    return kept


def area(polygon):
    return sum(
        polygon[k - 1][0] * polygon[k][1] - polygon[k][0] * polygon[k - 1][1]
        for k in range(len(polygon))
    )


def exact_weights(xy, cell):
    """Sibson's definition, in exact arithmetic: whose ground the cell would take, and how much."""
    near = np.argsort(np.hypot(*(xy - cell).T))  # soon leaves nothing of the ground of others
    points = [tuple(map(Fraction, point)) for point in xy[near].tolist()]
    here = tuple(map(Fraction, cell.tolist()))
    far = Fraction(10) ** 30
    ground = [(-far, -far), (far, -far), (far, far), (-far, far)]
    for point in points:
        ground = nearer_to(ground, here, point)
    taken = []
    for mine in points:
        piece = ground
        for other in points:
            piece = nearer_to(piece, mine, other) if piece and other != mine else piece
        taken.append(area(piece))
    shares = np.empty(len(xy))
    shares[near] = [float(part / sum(taken)) for part in taken]
    return shares


@pytest.mark.parametrize("name", LAYOUTS)
def test_weights_are_the_ground_a_cell_would_take_from_each_reading(name):
    xy = layout(name)
    cells = cells_among(xy, 5, np.random.default_rng(6))
    ours = weights(xy, cells)
    # nearer to the outline rounding decides where that runs
    sides = ConvexHull(xy).equations
    inside = (cells @ sides[:, :2].T + sides[:, 2]).max(axis=1) < -1e-6
    assert inside.sum() >= 8
    for cell, row in zip(cells[inside], ours[inside]):
        np.testing.assert_allclose(row, exact_weights(xy, cell), rtol=0, atol=1e-9)


def test_weights_agree_with_areas_of_scipys_voronoi_cells():
    rng = np.random.default_rng(7)
    xy = rng.uniform(0, 10, (400, 2))
    plain = Voronoi(xy)

    def polygon(voronoi, number):
        region = voronoi.regions[voronoi.point_region[number]]
        return None if -1 in region else Polygon(voronoi.vertices[region])

    before = [polygon(plain, number) for number in range(len(xy))]
    cells = rng.uniform(3, 7, (60, 2))
    for cell, row in zip(cells, weights(xy, cells)):
        mine = polygon(Voronoi(np.vstack([xy, cell])), len(xy))
        taken = [mine.intersection(other).area if other else 0.0 for other in before]
        assert sum(taken) == pytest.approx(mine.area, rel=1e-9)
        np.testing.assert_allclose(row, np.array(taken) / mine.area, rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", LAYOUTS)
def test_weights_are_centred_on_their_cell(name):
    """Sibson (1980), A vector identity for the Dirichlet tessellation, Math. Proc. Cambridge
    Philosophical Society 87, 151-155: the sum of weight times position is the cell's position."""
    xy = layout(name)
    cells = cells_among(xy, 2000, np.random.default_rng(8))
    ours = weights(xy, cells)
    inside = np.isfinite(ours[:, 0])
    assert inside.mean() > 0.9
    ours, cells = ours[inside], cells[inside]
    assert ours.min() >= 0
    np.testing.assert_allclose(ours.sum(axis=1), 1.0, rtol=0, atol=1e-14)
    # corners of the outline less high than a thousandth of a millimetre count as straight
    atol = 1e-6 if name == "near doubles" else 1e-9
    np.testing.assert_allclose(ours @ xy, cells, rtol=0, atol=atol)


def test_a_plane_in_large_map_coordinates_is_reproduced():
    rng = np.random.default_rng(12)
    x, y = 431000 + rng.uniform(0, 20, 900), 5530000 + rng.uniform(0, 20, 900)
    readings = Readings.build(x=x, y=y, values=3 * (x - 431000) - 2 * (y - 5530000))
    grid = gridreadings(readings, GriddingOptions("natural_neighbour", 0.25, 5.0))
    east, north = np.meshgrid(grid.frame.centres_x - 431000, grid.frame.centres_y - 5530000)
    held = np.isfinite(grid.bands[0])
    assert held.mean() > 0.8
    plane = (3 * east - 2 * north)[held]
    np.testing.assert_allclose(grid.bands[0][held], plane, rtol=0, atol=1e-5)


def franke(x, y):
    """The test function of R. Franke (1982), Scattered data interpolation, Math. Comp. 38."""
    return (
        0.75 * np.exp(-((9 * x - 2) ** 2 + (9 * y - 2) ** 2) / 4)
        + 0.75 * np.exp(-((9 * x + 1) ** 2) / 49 - (9 * y + 1) / 10)
        + 0.5 * np.exp(-((9 * x - 7) ** 2 + (9 * y - 3) ** 2) / 4)
        - 0.2 * np.exp(-((9 * x - 4) ** 2) - (9 * y - 7) ** 2)
    )


def misses_of_left_out_traverses(noise):
    """Errors (RMS) of natural neighbour, triangulation, and SciPy's linear and cubic, on Franke's
    function along 21 traverses, predicted for each from the others."""
    rng = np.random.default_rng(3)
    across, along = np.meshgrid(np.linspace(0, 1, 21), np.linspace(0, 1, 81), indexing="ij")
    line = np.repeat(np.arange(21), 81)
    xy = np.column_stack([across.ravel(), along.ravel()]) + rng.normal(0, 0.002, (1701, 2))
    truth = franke(*xy.T)
    read = truth + rng.normal(0, noise, 1701)
    errors = []
    for left_out in range(1, 20):
        out = line == left_out
        found = [
            method.prepare(
                task(method.METHOD.id, xy[~out], read[~out, np.newaxis] - read.min())
            ).evaluate(xy[out])[:, 0]
            + read.min()
            for method in (natural_neighbour, triangulation)
        ]
        found += [griddata(xy[~out], read[~out], xy[out], kind) for kind in ("linear", "cubic")]
        errors.append(np.array(found) - truth[out])
    return np.sqrt(np.nanmean(np.concatenate(errors, axis=1) ** 2, axis=1))


def test_left_out_traverses_are_foretold_as_by_scipy_and_better_where_there_is_noise():
    natural, triangles, linear, cubic = misses_of_left_out_traverses(0.0)
    assert triangles == pytest.approx(linear, rel=1e-3)
    assert natural == pytest.approx(linear, rel=0.1)
    natural, triangles, linear, cubic = misses_of_left_out_traverses(0.05)
    assert triangles == pytest.approx(linear, rel=1e-2)
    assert natural < 0.7 * linear < 0.7 * cubic


@pytest.mark.parametrize("name", ["scattered", "traverses", "even", "turned", "heap", "two fields"])
def test_triangles_found_strip_by_strip_are_those_of_scipy(name, monkeypatch):
    monkeypatch.setattr(strips, "FEWEST", 300)
    rng = np.random.default_rng(9)
    even = np.stack(np.meshgrid(np.arange(20) * 0.5, np.arange(90) * 0.125), -1).reshape(-1, 2)
    even = even @ np.array([[1.0, 1e-5], [0.0, 1.0]])  # slanted, as there are no ties to compare
    turn = np.array([[np.cos(0.3), -np.sin(0.3)], [np.sin(0.3), np.cos(0.3)]])
    noisy = even + rng.normal(0, 0.02, even.shape)
    xy = {
        "scattered": rng.uniform(0, 9, (2000, 2)),
        "traverses": noisy,
        "even": even,
        "turned": even @ turn,
        "heap": rng.normal(size=(2000, 2)),
        "two fields": np.concatenate([noisy, noisy + (300.0, 7.0)]),
    }[name]
    sizes = []
    monkeypatch.setattr(strips, "Delaunay", lambda xy: sizes.append(len(xy)) or Delaunay(xy))
    corners, beside = strips.triangles(xy)
    assert len(sizes) > 4
    assert max(sizes) < len(xy)  # never all at once
    scipys = Delaunay(xy)
    ours = {frozenset(row) for row in corners.tolist()}
    assert len(ours) == len(corners)
    if name in ("even", "turned"):  # slivers of the straight outline may differ by rounding
        theirs = {frozenset(row) for row in scipys.simplices.tolist()}
        assert len(ours & theirs) > 0.97 * len(theirs)
    else:
        assert ours == {frozenset(row) for row in scipys.simplices.tolist()}
    assert (beside < 0).sum() == 2 * len(xy) - 2 - len(corners)
    triangle, k = np.nonzero(beside >= 0)
    other = beside[triangle, k]
    facing = (beside[other] == triangle[:, np.newaxis]).argmax(axis=1)
    for here, there in ((1, 2), (2, 1)):  # across each edge the other triangle on it
        np.testing.assert_array_equal(
            corners[triangle, (k + here) % 3], corners[other, (facing + there) % 3]
        )


def test_where_seams_do_not_fit_the_whole_is_triangulated_at_once(monkeypatch):
    monkeypatch.setattr(strips, "FEWEST", 300)
    monkeypatch.setattr(strips, "_between", lambda corners, *_: np.ones(len(corners), dtype=bool))
    xy = np.random.default_rng(10).uniform(0, 9, (2000, 2))
    lines = np.column_stack([np.repeat(np.arange(6) * 99.0, 333), np.tile(xy[:333, 1], 6)])
    for positions in (xy, lines):  # of the second each strip is a single line
        corners, beside = strips.triangles(positions)
        np.testing.assert_array_equal(corners, Delaunay(positions).simplices)
        np.testing.assert_array_equal(beside, Delaunay(positions).neighbors)
