import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.intake.sitegrid import Origin, SiteGrid, place_on_site_grid
from lynchet.algorithms.plan.effort import BASE, BATTERY, DOWNLOAD, EffortOptions, Legs, estimate
from lynchet.algorithms.plan.fewest_turns import Area, fewest_turns, frame_outline
from lynchet.algorithms.plan.pieces import Kept, uncut
from lynchet.algorithms.plan.planlines import Logging, planlines
from lynchet.algorithms.plan.resolution import Sought, judge, smallest_shown
from lynchet.algorithms.progress import Cancelled

SQUARE = Area("G1", 430_000.0, 5_900_000.0, 17.0, 20.0, 20.0)
OTHER = Area("G2", 430_100.0, 5_900_000.0, 200.0, 30.0, 10.0)
BY_HAND, UNKNOWN = Logging(), Sought()
FREE = EffortOptions(turn_time=0.0, grid_time=0.0, base_every=None, base_time=0.0, breaks=0.0)


def site_of(*areas, **how):
    return SiteGrid({area.name: area.origin for area in areas}, **how)


def plan(*areas, cut=uncut, options=FREE, logging=BY_HAND, sought=UNKNOWN, **how):
    return planlines(areas, site_of(*areas, **how), options, logging, sought, "m", cut)


def keep(*spans):
    """A cut that leaves spans ``(traverse, start, end)``, measured along the walk."""

    def cut(lines, progress):
        row = np.array([span[0] for span in spans])
        way = lines.ends[row, 1] - lines.ends[row, 0]
        share = np.array([span[1:] for span in spans]) / lines.length[row, np.newaxis]
        ends = lines.ends[row, np.newaxis, 0] + share[:, :, np.newaxis] * way[:, np.newaxis]
        return Kept(row, ends, lines.length)

    return cut


@settings(max_examples=60, deadline=None)
@given(
    bearing=st.floats(0, 360), length=st.floats(3, 80), width=st.floats(3, 60),
    separation=st.sampled_from([0.25, 0.5, 1.0, 2.0]), interval=st.sampled_from([0.125, 0.25, 0.4]),
    walking=st.sampled_from(["zigzag", "one_way"]), side=st.sampled_from(["right", "left"]),
    first_line=st.integers(-3, 5), first_offset=st.sampled_from([None, 0.0, 0.3]),
)  # fmt: skip
def test_readings_brought_in_later_lie_on_the_planned_lines(
    bearing, length, width, separation, interval, **how
):
    area = Area("A", 430_000.0, 5_900_000.0, bearing, length, width)
    site = site_of(area, separation=separation, interval=interval, **how)
    found = planlines([area], site)
    lines, counts = found.traverses, found.pieces.readings
    np.testing.assert_array_equal(lines.line, site.first_line + np.arange(len(counts)))
    line = np.repeat(lines.line, counts)
    number = np.concatenate([np.arange(1, count + 1.0) for count in counts])
    placed = place_on_site_grid(np.zeros(len(line), int), ("A",), line, number, None, site)
    start, end = (np.repeat(found.pieces.ends[:, k], counts, axis=0) for k in (0, 1))
    way = (end - start) / length
    step = np.column_stack([placed.x, placed.y]) - start
    along = np.sum(step * way, axis=1)
    off = np.abs(step[:, 0] * way[:, 1] - step[:, 1] * way[:, 0])
    assert off.max() < 1e-6
    # In the order walked, half an interval from the start, and none more would fit.
    np.testing.assert_allclose(along, (number - 0.5) * interval, rtol=0, atol=1e-6)
    assert (along < length + 1e-6).all()
    assert (along[np.cumsum(counts) - 1] > length - interval - 1e-5).all()
    np.testing.assert_allclose(placed.bearing, np.repeat(lines.bearing, counts))


def test_traverses_begin_half_a_separation_from_the_side_and_fill_the_width():
    found = plan(Area("", 0.0, 0.0, 0.0, 20.0, 5.0), separation=1.0, interval=0.5)
    np.testing.assert_allclose(found.pieces.ends[:, 0, 0], [0.5, 1.5, 2.5, 3.5, 4.5])
    np.testing.assert_allclose(found.pieces.ends[:, 0, 1], [0, 20, 0, 20, 0], atol=1e-12)
    np.testing.assert_allclose(found.pieces.ends[:, 1, 1], [20, 0, 20, 0, 20], atol=1e-12)
    assert found.traverses.bearing.tolist() == [0.0, 180.0, 0.0, 180.0, 0.0]
    assert found.warnings == ()


def test_data_grids_are_walked_in_order_each_with_a_bearing_and_numbers_of_its_own():
    found = plan(SQUARE, OTHER, separation=2.0, interval=0.5)
    assert found.traverses.line.tolist() == [*range(1, 11), *range(1, 6)]
    assert found.traverses.area.tolist() == [0] * 10 + [1] * 5
    assert found.traverses.bearing[[0, 1, 10, 11]].tolist() == [17.0, 197.0, 200.0, 20.0]
    assert found.figures["length"] == pytest.approx(10 * 20 + 5 * 30)


def test_pieces_keep_the_numbers_their_readings_would_have_on_the_whole_traverse():
    # Readings lie at 0.5, 1.5, ... from where each walk starts.
    found = plan(SQUARE, separation=10.0, interval=1.0,
                 cut=keep((1, 12.0, 20.0), (0, 0.0, 7.4), (1, 0.0, 5.5)))  # fmt: skip
    pieces = found.pieces
    assert pieces.traverse.tolist() == [0, 1, 1]
    assert pieces.number.tolist() == [1, 1, 2]
    assert pieces.first_reading.tolist() == [1, 1, 13]
    assert pieces.readings.tolist() == [7, 6, 8]
    np.testing.assert_allclose(pieces.start, [0, 0, 12], atol=1e-6)
    # The second traverse is walked back: its first piece begins at the far side.
    np.testing.assert_allclose(pieces.ends[1, 0], found.traverses.ends[1, 0], atol=1e-6)


def test_pieces_may_come_either_end_first():
    def backwards(lines, progress):
        kept = keep((0, 2.0, 9.0))(lines, progress)
        return Kept(kept.traverse, kept.ends[:, ::-1], kept.inside)

    found = plan(SQUARE, cut=backwards)
    np.testing.assert_allclose([found.pieces.start, found.pieces.end], [[2.0], [9.0]], atol=1e-6)


def test_short_pieces_are_left_out_and_count_as_lost():
    cut = keep((0, 0.0, 20.0), (1, 0.0, 0.7), (1, 10.0, 20.0))
    found = plan(SQUARE, separation=10.0, interval=0.25, cut=cut)
    assert found.pieces.number.tolist() == [1, 1]
    assert found.figures["lost_share"] == pytest.approx(0.25)
    assert "25 % of the traverses' length, and so" in found.messages[1]
    longer = plan(SQUARE, separation=10.0, interval=0.25, cut=cut, logging=Logging(shortest=0.5))
    assert longer.figures["pieces"] == 3


def test_a_traverse_lost_altogether_is_named():
    found = plan(SQUARE, separation=5.0, cut=keep((0, 0.0, 20.0), (3, 0.0, 20.0)))
    assert found.warnings == (
        "Nothing is left to walk of traverse 2 of data grid G1 and 1 more: avoided, or too short.",
    )


def test_a_strip_no_traverse_comes_near_is_told():
    found = plan(SQUARE, separation=3.0, interval=1.0)
    assert found.warnings == ()  # 6 traverses to 16.5, a seventh at 19.5
    found = plan(SQUARE, separation=3.0, interval=1.0, first_offset=0.0)
    assert len(found.traverses.line) == 7
    assert "Beyond the last traverse of data grid 'G1' a strip of 2 m is left" in found.warnings[0]


def test_a_last_traverse_near_the_next_area_is_told():
    assert plan(SQUARE, OTHER, separation=2.0, interval=1.0).warnings == ()
    found = plan(SQUARE, OTHER, separation=3.0, interval=1.0)
    assert found.warnings[1] == (
        "The last traverse of data grid 'G1' and the first of an area beside it are 2 m apart. "
        "Choose a separation that divides the width."
    )
    # Alone, the last traverse of an area is near to nothing.
    assert plan(SQUARE, separation=3.0, interval=1.0).warnings == ()


def test_areas_that_hold_one_traverse_alone_are_told():
    found = plan(SQUARE, OTHER, separation=15.0, interval=1.0)
    assert found.figures["traverses"] == 2
    assert found.warnings[1] == (
        "Only one traverse fits on data grid 'G1', 20 m across, with a separation of 15 m, and one "
        "each on 1 more area. Is the separation right?"
    )
    found = plan(SQUARE, separation=25.0, interval=1.0)
    assert found.warnings[0].startswith("Only one traverse fits on data grid 'G1', 20 m across")
    assert plan(SQUARE, separation=10.0, interval=1.0).warnings == ()


def test_what_lies_outside_the_ground_to_walk_within_is_told_apart_from_what_is_avoided():
    def cut(lines, progress):
        kept = keep((0, 0.0, 8.0), (1, 0.0, 5.0))(lines, progress)
        return Kept(kept.traverse, kept.ends, np.array([10.0, 5.0]), np.array([10.0, 15.0]))

    found = plan(SQUARE, separation=10.0, interval=0.25, cut=cut)
    assert found.figures["outside_share"] == pytest.approx(25 / 40)
    assert found.figures["lost_share"] == pytest.approx(2 / 15)
    assert found.messages[1] == (
        "62 % of the traverses' length lies outside the ground to walk within, and is left out."
    )
    assert "outside_share" not in plan(SQUARE, separation=10.0).figures


def test_a_clock_places_readings_by_the_walking_speed():
    found = plan(SQUARE, separation=1.0, interval=0.125, options=EffortOptions(speed=1.2),
                 logging=Logging(rate=4.0))  # fmt: skip
    # 20 m at 0.3 m: at 0.15, 0.45, ... 19.95.
    assert set(found.pieces.readings.tolist()) == {67}
    assert found.warnings[0] == (
        "Readings come every 0.3 m, further apart than the 0.125 m asked for. Walk at most 0.5 m "
        "a second, or log faster."
    )
    slow = plan(SQUARE, interval=0.125, logging=Logging(rate=8.0))
    assert slow.warnings == ()


@pytest.mark.parametrize(
    ("areas", "how", "sentence"),
    [
        ([SQUARE, SQUARE], {}, "There are two data grids 'G1'. Give each a name of its own"),
        ([SQUARE], {"first_offset": 21.0}, "21 from the side, lies outside data grid 'G1', 20"),
        ([SQUARE], {"separation": 50.0}, "25 from the side, lies outside data grid 'G1'"),
        ([SQUARE], {"interval": 21.0}, "interval of 21 is longer than data grid 'G1', 20 long"),
        ([SQUARE], {"separation": 1e-5}, "gives 2,000,000 traverses: too many to walk"),
        ([Area("G", 0, 0, 0, 0, 5)], {}, "The length of data grid 'G' is 0: give a length"),
        ([Area("G", 0, 0, 0, 5, np.nan)], {}, "The width of data grid 'G' is nan"),
    ],
)  # fmt: skip
def test_what_cannot_be_walked_is_refused(areas, how, sentence):
    with pytest.raises(ValueError, match=sentence):
        plan(*areas, **how)


def test_nothing_left_is_refused():
    with pytest.raises(ValueError, match="Nothing is left to walk"):
        plan(SQUARE, cut=keep((0, 5.0, 5.1)))


def test_bad_figures_are_refused():
    for options, sentence in (
        ({"speed": 0.0}, "walking speed is 0: give a figure above 0"),
        ({"turn_time": -1.0}, "time of a turn is -1: give 0 or more"),
        ({"breaks": 100.0}, "breaks take 100 %: give 0 to below 100"),
        ({"battery": 0.0}, "time a battery lasts is 0"),
    ):
        with pytest.raises(ValueError, match=sentence):
            EffortOptions(**options)
    with pytest.raises(ValueError, match="logging rate is 0"):
        plan(SQUARE, logging=Logging(rate=0.0))
    with pytest.raises(ValueError, match="coil spacing is 0: give a length above 0"):
        plan(SQUARE, sought=Sought(coils=(1.0, 0.0)))


def test_it_can_be_cancelled():
    with pytest.raises(Cancelled):
        planlines([SQUARE], site_of(SQUARE), progress=lambda fraction: fraction < 0.5)


def test_two_runs_agree_and_progress_only_rises():
    seen = []
    site = site_of(SQUARE, OTHER)
    one = planlines([SQUARE, OTHER], site, progress=lambda f: seen.append(f) or True)
    two = planlines([SQUARE, OTHER], site)
    assert one.figures == two.figures
    assert one.pieces.ends.tobytes() == two.pieces.ends.tobytes()
    assert seen == sorted(seen)


# -- the bearing of an outline --------------------------------------------------------------


@pytest.mark.parametrize("bearing", [0.0, 17.0, 90.0, 133.0, 179.0])
def test_a_long_field_is_walked_along(bearing):
    field = Area("", 430_000.0, 5_900_000.0, bearing, 90.0, 30.0).corners("right")
    assert fewest_turns(field) == pytest.approx(bearing, abs=1e-6)


def test_of_two_directions_equally_good_the_one_nearest_to_north_by_the_clock_is_taken():
    for bearing in (0.0, 17.0, 107.0, 287.0):
        square = Area("", 0.0, 0.0, bearing, 20.0, 20.0).corners("right")
        assert fewest_turns(square) == pytest.approx(bearing % 90.0, abs=1e-9)


def test_an_outline_without_width_is_refused():
    flat = np.array([[0.0, 0.0], [5.0, 5.0], [9.0, 9.0]])
    with pytest.raises(ValueError, match="outline has no width"):
        fewest_turns(flat)
    site = SiteGrid({"": Origin(0, 0)})
    with pytest.raises(ValueError, match="outline has no width"):
        frame_outline("", flat, 45.0, site)


@pytest.mark.parametrize("side", ["right", "left"])
@pytest.mark.parametrize("bearing", [None, 33.0, 250.0])
def test_the_frame_holds_the_outline_evenly(side, bearing):
    rng = np.random.default_rng(3)
    outline = rng.uniform(0, 40, (12, 2)) + [430_000, 5_900_000]
    site = SiteGrid({"": Origin(0, 0)}, separation=2.0, interval=0.3, side=side)
    frame = frame_outline("A", outline, bearing, site)
    corners = frame.corners(side)
    along, across = corners[1] - corners[0], corners[3] - corners[0]
    t = (outline - corners[0]) @ along / frame.length
    s = (outline - corners[0]) @ across / frame.width
    assert t.min() == pytest.approx(frame.length - t.max(), abs=1e-6)
    assert s.min() == pytest.approx(frame.width - s.max(), abs=1e-6)
    assert 0 <= t.min() < 0.15
    assert 0 <= s.min() < 1.0
    assert frame.width / 2.0 == pytest.approx(round(frame.width / 2.0))


def test_with_a_first_offset_the_frame_begins_where_the_outline_does():
    box = np.array([[0.0, 0.0], [9.0, 0.0], [9.0, 20.0], [0.0, 20.0]])
    site = SiteGrid({"": Origin(0, 0)}, separation=2.0, first_offset=0.25)
    frame = frame_outline("A", box, 0.0, site)
    assert (frame.x, frame.width) == (pytest.approx(0.0), pytest.approx(9.0))


# -- effort ---------------------------------------------------------------------------------


def test_hours_are_those_counted_by_hand():
    options = EffortOptions(speed=0.8, turn_time=12.0, grid_time=15.0, base_every=None,
                            base_time=4.0, breaks=25.0)  # fmt: skip
    found = plan(SQUARE, OTHER, separation=1.0, options=options).effort
    walking = (20 * 20 + 10 * 30) / 0.8
    turning = (19 + 9) * (1.0 / 0.8 + 12.0)
    rest = 3 * 4 * 60 + 15 * 60
    assert found.hours == pytest.approx((walking + turning + rest) / 0.75 / 3600)
    assert found.shares["breaks"] == pytest.approx(0.25 * found.hours)
    assert found.count(BASE) == 2
    assert sum(found.shares.values()) == pytest.approx(found.hours)
    # The second data grid begins after the first, the move and two base checks.
    begins = (400 / 0.8 + 19 * (1 / 0.8 + 12) + 15 * 60 + 2 * 240) / 0.75 / 60
    assert found.minutes[20] == pytest.approx(begins)


def strips(count):
    """Small areas side by side, each walked in two minutes or so at 1 m a second."""
    return [Area(f"S{k}", 2.0 * k, 0.0, 0.0, 60.0, 2.0) for k in range(count)]


def test_base_checks_by_interval_are_not_tied_to_areas():
    how = {"grid_time": 0.0, "base_time": 3.0, "turn_time": 0.0, "breaks": 0.0}
    by_area = plan(*strips(35), options=EffortOptions(**how)).effort
    assert [k for k, stop in enumerate(by_area.stops) if stop] == list(range(0, 70, 2))
    by_time = plan(*strips(35), options=EffortOptions(base_at="interval", **how)).effort
    starts = [k for k, stop in enumerate(by_time.stops) if stop == BASE]
    # 60 s a traverse and 1 s over to the next in the same area: 29 in half an hour.
    assert starts == [0, 29, 58]
    assert by_time.count(BASE) == 3
    assert by_area.hours - by_time.hours == pytest.approx(32 * 3 / 60)


def test_base_checks_by_interval_want_an_interval():
    with pytest.raises(ValueError, match="need the longest time between two of them"):
        EffortOptions(base_at="interval", base_every=None)
    with pytest.raises(
        ValueError, match="Place of base checks 'x' is unknown: choose one of areas"
    ):
        EffortOptions(base_at="x")


def test_hours_are_broken_down_in_one_sentence():
    found = plan(*strips(35), separation=0.5, interval=0.25, options=EffortOptions())
    told = next(text for text in found.messages if "in the field" in text)
    assert told == (
        "About 9.09 hours in the field, 2 days of 6 hours: 2.3 h walking, 18 min turning, 1.8 h "
        "base checks, 2.8 h moving between areas, 1.8 h breaks. Ground, weather and people decide."
    )
    assert sum(found.figures["hours_of"].values()) == pytest.approx(found.figures["hours"])


def test_one_way_walks_back_empty_handed():
    zigzag = plan(SQUARE, separation=1.0).effort
    one_way = plan(SQUARE, separation=1.0, walking="one_way").effort
    back = 19 * (np.hypot(20.0, 1.0) - 1.0) / 3600
    assert one_way.hours - zigzag.hours == pytest.approx(back)


def test_the_way_round_an_obstacle_takes_time():
    cut = keep((0, 0.0, 5.0), (0, 8.0, 20.0))
    found = plan(SQUARE, separation=10.0, cut=cut, options=EffortOptions(base_time=0.0)).effort
    slower = 1 / 0.8
    np.testing.assert_allclose(found.minutes, [0.0, (5 + 3 + 10) / 60 * slower], atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(
    seed=st.integers(0, 999), base_every=st.floats(4, 60), capacity=st.integers(300, 3000),
    battery=st.floats(0.2, 3.0), breaks=st.floats(0, 50),
)  # fmt: skip
def test_stops_come_in_time_and_not_before(seed, base_every, capacity, battery, breaks):
    rng = np.random.default_rng(seed)
    count = 60
    area = np.sort(rng.integers(0, 3, count))
    x = np.arange(count, dtype=float)
    ends = np.stack([np.column_stack([x, 0 * x]), np.column_stack([x, rng.uniform(5, 99, count)])],
                    axis=1)  # fmt: skip
    legs = Legs(area, np.arange(count), ends, rng.integers(10, 300, count), ("t",) * count)
    options = EffortOptions(base_every=base_every, capacity=capacity, battery=battery,
                            base_time=0.0, turn_time=0.0, grid_time=0.0, breaks=breaks)  # fmt: skip
    found = estimate(legs, options)
    slower = 1 / (1 - breaks / 100)
    walk = np.hypot(*(ends[:, 1] - ends[:, 0]).T) / 60 * slower
    fresh = np.diff(area, prepend=-1) != 0
    over = np.hypot(*(ends[1:, 0] - ends[:-1, 1]).T) / 60 * slower
    begin = found.minutes - np.where(fresh, 0.0, np.append(0.0, over))  # stops come before a turn
    end = found.minutes + walk

    def spans(stop):
        at = [k for k, stops in enumerate(found.stops) if stop in stops.split("; ")]
        return list(zip(at, [*at[1:], count])), set(at)

    for first, after in spans(BASE)[0]:
        assert end[after - 1] - begin[first] <= max(base_every, found.longest) + 1e-6
        if after < count and not fresh[after]:
            assert end[after] - begin[first] > base_every - 1e-6
    held = 0
    loaded = spans(DOWNLOAD)[1]
    for k, readings in enumerate(legs.readings):
        assert (k in loaded) == (held + readings > capacity)
        held = readings if k in loaded else held + readings
        assert held <= capacity
    batteries, changes = spans(BATTERY)
    assert found.batteries == len(changes) + 1
    for first, after in [(0, min([*changes, count])), *batteries]:
        assert end[after - 1] - begin[first] <= battery * 60 + 1e-6
        assert after == count or end[after] - begin[first] > battery * 60 - 1e-6


def test_a_traverse_no_stop_can_help_is_refused():
    with pytest.raises(ValueError, match=r"Traverse 1 of data grid G1 alone takes 80 readings, and "
                       "the logger holds 79"):  # fmt: skip
        plan(SQUARE, interval=0.25, options=EffortOptions(capacity=79))
    with pytest.raises(ValueError, match=r"alone takes .* hours, and a battery lasts 0.005 hours"):
        plan(SQUARE, options=EffortOptions(battery=0.005))


def test_traverses_longer_than_the_time_between_base_checks_are_told():
    found = plan(SQUARE, options=EffortOptions(base_every=0.1))
    assert "longer than the 0.1 minutes between base checks" in found.warnings[0]


def test_downloads_and_batteries_are_told():
    found = plan(SQUARE, interval=0.25, options=EffortOptions(capacity=900, battery=0.2))
    assert found.figures["downloads"] == 1
    told = " ".join(found.messages)
    assert (
        "The logger holds 900 of 1,600 readings: download before traverse 12 of data grid G1, and "
        "at the end of every day." in told
    )
    assert f"{found.figures['batteries']} batteries of 0.2 hours" in told


# -- what the spacing shows -----------------------------------------------------------------


def test_the_verdict_is_two_traverses_and_three_readings():
    small = smallest_shown(1.0, 0.25)
    assert (small.compact, small.across, small.along) == (2.0, 0.75, 2.0)
    sparse = smallest_shown(0.5, 0.5)
    assert (sparse.compact, sparse.across, sparse.along) == (1.5, 1.5, 1.0)


def warnings(separation=1.0, interval=0.25, bearings=(0.0,), **sought):
    return judge(separation, interval, bearings, Sought(**sought), "m").warnings


def test_a_feature_that_may_be_missed_is_told_with_the_spacing_it_needs():
    assert warnings(feature_size=2.0) == ()
    (told,) = warnings(feature_size=0.9)
    assert told.startswith("A feature 0.9 m across may be missed.")
    assert "walk at most 0.45 m apart and read at least every 0.3 m" in told
    assert warnings(separation=0.45, interval=0.2, feature_size=0.9) == ()


def test_readings_sparser_than_half_the_separation_are_told():
    assert warnings(1.0, 0.5) == ()
    assert "less than twice as dense as the traverses" in warnings(1.0, 0.51)[0]


@pytest.mark.parametrize(("bearing", "told"), [(17, True), (197, True), (350, True), (107, False),
                                               (48, False), (46.9, True)])  # fmt: skip
def test_traverses_along_known_features_are_told(bearing, told):
    found = warnings(bearings=(bearing,), feature_bearing=17.0)
    assert bool(found) is told
    if told:
        assert "bearing 107°" in found[0]


def test_a_feature_too_deep_for_the_coils_is_told():
    assert warnings(feature_size=2.0, feature_depth=0.3, coils=(0.5, 1.0)) == ()
    (told,) = warnings(feature_size=2.0, feature_depth=4.5, coils=(0.5, 1.0))
    assert told.startswith("A feature of 2 m at 4.5 m may not show although traverses cross it")
    # One pair of coils that sees it is enough.
    assert warnings(feature_size=2.0, feature_depth=2.0, coils=(0.5, 4.0)) == ()


def test_coils_further_apart_than_anybody_carries_are_told():
    (told,) = warnings(feature_size=50.0, feature_depth=30.0, coils=(50.0, 100.0))
    assert told == (
        "Nobody carries coils 100 m apart along traverses. Lengths are in m: correct them if "
        "another unit was meant."
    )
    assert warnings(coils=(10.0,)) == ()
    # 32.8 ft are 10 m.
    assert warnings(coils=(32.8,), metre=3.2808) == ()
    assert warnings(coils=(33.0,), metre=3.2808) != ()


def test_a_depth_many_times_the_widest_coil_spacing_is_told():
    told = warnings(feature_size=2.0, feature_depth=30.0, coils=(0.5, 1.0))[-1]
    assert told == (
        "The depth of 30 m is more than 5 times the widest coil spacing, 1 m. Lengths are in m: "
        "correct them if another unit was meant."
    )
    assert not any("5 times" in told for told in
                   warnings(feature_size=2.0, feature_depth=5.0, coils=(0.5, 1.0)))  # fmt: skip


def test_every_verdict_warns_that_no_anomaly_is_no_proof():
    assert "No anomaly is no proof" in judge(1.0, 0.25, (), Sought(), "m").messages[-1]
