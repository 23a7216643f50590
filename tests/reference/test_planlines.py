"""Planning against Shapely, SciPy and published rules."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.ground.low_induction import EXPLORED, ORIENTATIONS, relative_response
from lynchet.algorithms.intake.sitegrid import SiteGrid
from lynchet.algorithms.plan.fewest_turns import Area, directions, fewest_turns, frame_outline
from lynchet.algorithms.plan.planlines import planlines
from lynchet.algorithms.plan.resolution import Sought, judge, layer_share, smallest_shown
from scipy.integrate import quad
from shapely.affinity import rotate
from shapely.geometry import CAP_STYLE, LineString, MultiPoint, Point

SITE = SiteGrid({"": Area("", 0, 0, 0, 1, 1).origin}, separation=0.5, interval=0.1)


def width_across(points, bearing):
    return np.ptp(points @ directions(bearing, "right")[1])


@settings(max_examples=25, deadline=None)
@given(count=st.integers(3, 40), seed=st.integers(0, 10_000), flatness=st.floats(0.02, 1.0))
def test_no_direction_of_shapely_makes_an_outline_narrower(count, seed, flatness):
    points = np.random.default_rng(seed).uniform(0, 1, (count, 2)) * [100, 100 * flatness]
    best = width_across(points, fewest_turns(points))
    cloud = MultiPoint(points)
    # Turned by b degrees counter-clockwise, what runs by bearing b runs north.
    turned = [rotate(cloud, b, origin=(0, 0)).bounds for b in np.arange(0, 180, 1.0)]
    narrowest = min(bounds[2] - bounds[0] for bounds in turned)
    assert best <= narrowest + 1e-9
    assert best >= narrowest - 100 * np.hypot(1, 1) * np.radians(1.0)
    # The smallest rectangle has a side on an edge of the hull too, but need not be the narrowest.
    ring = np.array(cloud.minimum_rotated_rectangle.exterior.coords)
    assert best <= np.hypot(*np.diff(ring, axis=0).T).min() + 1e-9


@pytest.mark.parametrize("bearing", [12.0, 75.5, 160.0])
def test_of_a_rectangle_it_is_the_long_side_of_shapelys_smallest_rectangle(bearing):
    corners = Area("", 3e5, 5e6, bearing, 70.0, 40.0).corners("right")
    ring = np.array(MultiPoint(corners).minimum_rotated_rectangle.exterior.coords)
    sides = np.diff(ring, axis=0)
    east, north = sides[np.argmax(np.hypot(*sides.T))]
    expected = np.degrees(np.arctan2(east, north)) % 180
    assert fewest_turns(corners) == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_a_disc_of_the_smallest_size_is_crossed_by_two_traverses_wherever_it_lies(seed):
    # Shannon (1949): two samples in the shortest wave; geometry by Shapely.
    rng = np.random.default_rng(seed)
    area = Area("", 0.0, 0.0, float(rng.uniform(0, 360)), 30.0, 30.0)
    site = SiteGrid({"": area.origin}, separation=0.75, interval=0.25)
    lines = [LineString(ends) for ends in planlines([area], site).pieces.ends]
    small = smallest_shown(0.75, 0.25).compact
    ahead, across = directions(area.bearing, "right")
    for along, beside in rng.uniform(3, 27, (60, 2)):
        centre = Point(*(along * ahead + beside * across))
        crossed = sum(line.distance(centre) <= small / 2 + 1e-9 for line in lines)
        assert crossed >= 2
    # One four-fifths the size is missed by the second somewhere.
    crossings = [
        sum(line.distance(Point(*(9 * ahead + x * across))) < 0.4 * small for line in lines)
        for x in np.linspace(9, 11, 81)
    ]
    assert min(crossings) == 1


@pytest.mark.parametrize("seed", range(3))
def test_every_place_of_an_outline_is_within_half_a_separation_of_a_traverse(seed):
    points = np.random.default_rng(seed).normal(0, 20, (30, 2))
    hull = MultiPoint(points).convex_hull
    outline = np.array(hull.exterior.coords)
    area = frame_outline("", outline, None, SITE)
    site = SiteGrid({"": area.origin}, separation=0.5, interval=0.1)
    ends = planlines([area], site).pieces.ends
    reached = MultiPoint([]).union(LineString(ends[0]).buffer(0.2501, cap_style=CAP_STYLE.flat))
    for pair in ends[1:]:
        reached = reached.union(LineString(pair).buffer(0.2501, cap_style=CAP_STYLE.flat))
    assert hull.difference(reached).area < 1e-6


@pytest.mark.parametrize("orientation", ORIENTATIONS)
@pytest.mark.parametrize(("top", "thickness"), [(0.0, 0.5), (0.3, 1.0), (2.0, 2.0)])
def test_the_share_of_a_layer_is_the_integral_of_the_relative_response(orientation, top, thickness):
    # McNeill (1980), TN-6: phi(z), integrated by SciPy's quadrature.
    spacing = 1.25
    expected, _ = quad(
        lambda z: float(relative_response(z, orientation)), top / spacing,
        (top + thickness) / spacing,
    )  # fmt: skip
    assert layer_share(top, thickness, spacing, orientation) == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("orientation", ORIENTATIONS)
def test_seven_tenths_of_the_response_come_from_above_the_depth_told(orientation):
    # TN-6's exploration depths, 1.5 and 0.75 coil spacings: R = 0.316 and 0.303 (from memory).
    assert layer_share(0.0, EXPLORED[orientation], 1.0, orientation) == pytest.approx(0.7, abs=0.02)


@pytest.mark.parametrize(
    ("separation", "interval"),
    [
        (1.0, 0.25),  # magnetometer, evaluation
        (0.5, 0.25),  # magnetometer, characterisation
    ],
)
def test_spacings_the_guidelines_recommend_pass_without_a_warning(separation, interval):
    # EAC Guidelines for the Use of Geophysics in Archaeology (2016); figures from memory.
    assert judge(separation, interval, (), Sought(), "m").warnings == ()
