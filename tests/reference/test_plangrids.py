"""The plan: against shapely's areas and rectangles, PROJ's factors and Pythagoras."""

import math

import numpy as np
import pytest
from lynchet.algorithms.plan.cover import cell_shares, outline_edges
from lynchet.algorithms.plan.plangrids import GridOptions, lay_out
from lynchet.algorithms.plan.stakes import GroundScale, place_stakes, tape_checks
from shapely.affinity import rotate, translate
from shapely.geometry import MultiPolygon, Polygon, box
from shapely.ops import unary_union

EAST, NORTH = 430000.0, 5900000.0


def field(seed, east=EAST, north=NORTH):
    """Two parts, one with a hole, as shapely's union of random boxes."""
    rng = np.random.default_rng(seed)
    boxes = [
        rotate(box(0, 0, *rng.uniform(20, 60, 2)), rng.uniform(0, 90)).buffer(0) for _ in range(4)
    ]
    moved = [translate(one, *rng.uniform(0, 50, 2)) for one in boxes]
    hole = rotate(box(20, 20, 45, 30), rng.uniform(0, 90))
    apart = translate(rotate(box(0, 0, 35, 22), 20), 140, 30)
    shape = unary_union([unary_union(moved).difference(hole), apart])
    return translate(shape, east, north)


def polygons(shape):
    parts = shape.geoms if isinstance(shape, MultiPolygon) else [shape]
    return [[np.array(ring.coords) for ring in (part.exterior, *part.interiors)] for part in parts]


@pytest.mark.parametrize("seed", range(5))
def test_shares_of_cells_are_shapelys_intersections(seed):
    shape = translate(field(seed, 0, 0), 40, 60)
    scaled = [[ring / 9.0 for ring in rings] for rings in polygons(shape)]
    shares = cell_shares(outline_edges(scaled), 30, 30)
    expected = [
        [shape.intersection(box(9 * c, 9 * r, 9 * c + 9, 9 * r + 9)).area / 81 for c in range(30)]
        for r in range(30)
    ]
    np.testing.assert_allclose(shares, expected, atol=1e-12)
    assert np.count_nonzero((shares > 0) & (shares < 1)) > 0


@pytest.mark.parametrize(
    ("seed", "bearing", "width"), [(0, 17.0, None), (1, 203.0, 12.5), (2, None, 10.0)]
)
def test_shares_and_areas_of_the_data_grids_are_shapelys(seed, bearing, width):
    shape = field(seed)
    plan = lay_out(polygons(shape), GridOptions(bearing=bearing, width=width, least_share=0.0))
    squares = [Polygon(ring) for ring in plan.corners]
    inside = np.array([square.intersection(shape).area for square in squares])
    # Eastings and northings of millions of metres leave shapely 8 digits of an area.
    np.testing.assert_allclose(plan.area, inside, atol=1e-4)
    assert plan.outline_area == pytest.approx(shape.area, rel=1e-9)
    covered = unary_union([square.buffer(1e-6) for square in squares])
    # Slivers of a millionth of a data grid do not count, four square centimetres here.
    assert shape.difference(covered).area < 5e-4
    assert covered.area == pytest.approx(sum(s.area for s in squares), rel=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_no_two_data_grids_overlap(seed):
    plan = lay_out(polygons(field(seed)), GridOptions(bearing=40.0 * seed, width=15.0))
    squares = [Polygon(ring) for ring in plan.corners]
    for number, one in enumerate(squares):
        assert one.is_valid
        assert one.area == pytest.approx(300.0, abs=1e-4)
        for other in squares[:number]:
            assert one.intersection(other).area < 1e-5


@pytest.mark.parametrize("turn", [0.0, 3.3, 28.9, 44.0, 61.7, 89.0])
def test_best_fit_of_a_rectangle_is_shapelys_smallest_rectangle(turn):
    here = rotate(box(0, 0, 60, 100), -turn, origin=(0, 0))
    shape = translate(here, EAST, NORTH)
    plan = lay_out(polygons(shape), GridOptions(least_share=0.0))
    # Not of the shape on the map: with large coordinates GEOS 3.13 is off by a thousandth.
    corners = np.array(here.minimum_rotated_rectangle.exterior.coords)
    side = corners[1] - corners[0]
    azimuth = math.degrees(math.atan2(side[0], side[1]))
    assert (plan.lattice.bearing - azimuth + 45) % 90 - 45 == pytest.approx(0.0, abs=1e-5)
    assert len(plan) == 15
    assert unary_union([Polygon(r) for r in plan.corners]).symmetric_difference(shape).area < 0.01


def test_diagonals_are_pythagorass():
    # 3-4-5, the surveyor's own triangle, and 20 times the root of 2.
    for width, expected in ((15.0, 25.0), (20.0, 28.284)):
        plan = lay_out(polygons(field(1)), GridOptions(width=width, bearing=9.0))
        checks = tape_checks(plan, place_stakes(plan), GroundScale())
        found = {
            round(float(length), 3)
            for what, length in zip(checks.what, checks.expected) if what == "diagonal"
        }  # fmt: skip
        assert found == {expected}


def test_distances_between_stakes_are_those_of_their_coordinates():
    plan = lay_out(polygons(field(4)), GridOptions(bearing=71.0, width=12.0))
    stakes = place_stakes(plan)
    checks = tape_checks(plan, stakes, GroundScale())
    for start, end, expected in zip(checks.start, checks.end, checks.expected):
        step = (stakes.x[end - 1] - stakes.x[start - 1], stakes.y[end - 1] - stakes.y[start - 1])
        assert math.hypot(*step) == pytest.approx(expected, abs=1e-7)


# -- what needs the host -----------------------------------------------------------------------


def plan_at(east, north, bearing):
    """One data grid with its middle at a place."""
    shape = translate(rotate(box(-10, -10, 10, 10), -bearing, origin=(0, 0)), east, north)
    return lay_out(polygons(shape), GridOptions(bearing=bearing))


@pytest.mark.parametrize(
    ("crs", "east", "north", "bearing"),
    [
        ("EPSG:25831", 430000.0, 5900000.0, 17.0),  # UTM, metres, inside the standard lines
        ("EPSG:25831", 760000.0, 4700000.0, 200.0),  # and outside of them
        ("EPSG:2263", 1000000.0, 200000.0, 45.0),  # Lambert's cone, US survey feet
        ("EPSG:3857", 500000.0, 7000000.0, 300.0),  # web Mercator: far too long, and not conformal
        ("EPSG:3035", 3000000.0, 1800000.0, 25.0),  # equal area: not the same in all directions
    ],
)
def test_ground_scale_is_projs(qgis_app, crs, east, north, bearing):
    pyproj = pytest.importorskip("pyproj")
    from lynchet.plugin.plan.ground import measured_scale
    from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingContext

    plan = plan_at(east, north, bearing)
    scale = measured_scale(plan, QgsCoordinateReferenceSystem(crs), 0.0, QgsProcessingContext())
    system = pyproj.CRS(crs)
    lon, lat = pyproj.Proj(crs)(east, north, inverse=True)
    factors = pyproj.Proj(crs).get_factors(lon, lat)
    if crs in ("EPSG:25831", "EPSG:2263"):  # conformal: one factor whatever the direction
        assert 1 / scale.along == pytest.approx(factors.meridional_scale, rel=2e-7)
        assert 1 / scale.across == pytest.approx(factors.parallel_scale, rel=2e-7)
        assert scale.map_ppm == pytest.approx(1e6 * (factors.areal_scale**0.5 - 1), abs=0.2)
    to_degrees = pyproj.Transformer.from_crs(system, system.geodetic_crs, always_xy=True)
    geod = system.get_geod()
    metres = system.axis_info[0].unit_conversion_factor
    for row, column in ((0, 50), (50, 0), (50, 50), (-50, 50), (20, -45)):
        ends = plan.lattice.corner(
            [0.5 - row / 2, 0.5 + row / 2], [0.5 - column / 2, 0.5 + column / 2]
        )
        lons, lats = to_degrees.transform(ends[:, 0], ends[:, 1])
        expected = geod.line_length(lons, lats) / metres
        found = scale.ground(np.array(20.0 * row), np.array(20.0 * column))
        assert found == pytest.approx(expected, rel=2e-7)


def test_ground_scale_of_utm_is_0_9996_at_its_central_meridian(qgis_app):
    """The factor of the transverse Mercator system's own definition (EPSG method 9807, k0)."""
    from lynchet.plugin.plan.ground import measured_scale
    from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingContext

    crs = QgsCoordinateReferenceSystem("EPSG:25831")
    scale = measured_scale(plan_at(500000.0, 5900000.0, 0.0), crs, 0.0, QgsProcessingContext())
    assert scale.map_ppm == pytest.approx(-400.0, abs=0.1)


@pytest.mark.parametrize(
    ("crs", "east", "north"),
    [("EPSG:25831", 430000.0, 5900000.0), ("EPSG:2263", 1000000.0, 200000.0)],
)
def test_degrees_of_the_stakes_are_projs(qgis_app, crs, east, north):
    pyproj = pytest.importorskip("pyproj")
    from lynchet.plugin.plan.stakes import described
    from qgis.core import QgsCoordinateReferenceSystem, QgsProcessingContext

    stakes = place_stakes(plan_at(east, north, 17.0))
    system = QgsCoordinateReferenceSystem(crs)
    found = described(stakes, np.ones(len(stakes), bool), system, QgsProcessingContext())
    # On the system's own ellipsoid: between ETRS89 or NAD83 and WGS 84 both take no shift.
    lon, lat = pyproj.Proj(crs)(stakes.x, stakes.y, inverse=True)
    np.testing.assert_allclose([[s.lon, s.lat] for s in found], np.column_stack([lon, lat]),
                               rtol=0, atol=6e-9)  # fmt: skip
