from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.ground.bodies import conductivity_kernel
from lynchet.algorithms.intake.placesensors import PlaceOptions, placesensors
from lynchet.algorithms.intake.walk.heading import travel_of
from lynchet.algorithms.intake.walk.resample import resampled
from lynchet.algorithms.intake.walk.spacings import spacings_of, unlike_names
from lynchet.algorithms.intake.walk.walked import never_falling, progress_of
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings
from scipy.optimize import curve_fit

INTERVAL, LENGTH, TURN = 0.125, 16.0, 17.0
ORIGIN = complex(430000, 5900000)
FEATURE = 3.2 + 8.1j  # on the site grid
DEPTH = 0.6
SPACINGS = {"ec_050": 0.5, "ec_100": 1.0}
TENTH = INTERVAL / 10


def turned(place):
    """Site grid to map: y points to a bearing of `TURN`."""
    return place * np.exp(-1j * np.radians(TURN)) + ORIGIN


def read(middle, ahead, spacing, feature=FEATURE):
    """What pairs read over a point-like body; places and unit vectors of travel are complex."""
    off = (middle - feature) / ahead
    return 20 + 500 * conductivity_kernel(-off.imag, off.real, DEPTH, spacing)


def zigzag(recorded_to_middle, jitter=0.0, lines=8, seed=0):
    """Traverses 1 apart walked to and fro; recorded positions as `recorded_to_middle` says.

    It takes a spacing and gives how far the midpoint lies (ahead, right) of the recorded position.
    """
    rng = np.random.default_rng(seed)
    u, v, line, way = [], [], [], []
    for number in range(lines):
        along = (np.arange(LENGTH / INTERVAL) + 0.5) * INTERVAL
        back = number % 2 == 1
        v.append(LENGTH - along if back else along)
        u.append(np.full(len(along), number + 0.5))
        line.append(np.full(len(along), number + 1))
        way.append(np.full(len(along), -1j if back else 1j))
    place, way = np.concatenate(u) + 1j * np.concatenate(v), np.concatenate(way)
    values = []
    for spacing in SPACINGS.values():
        ahead, right = recorded_to_middle(spacing)
        values.append(read(place + ahead * way - 1j * right * way, way, spacing))
    recorded = turned(
        place + jitter * (rng.normal(size=len(place)) + 1j * rng.normal(size=len(place)))
    )
    return Readings.build(
        x=recorded.real, y=recorded.imag, values=np.column_stack(values),
        channels=list(SPACINGS), units=["mS/m"] * 2, line=np.concatenate(line),
        time=np.arange(len(place)) * INTERVAL / 1.25,
    )  # fmt: skip


def on_site(found):
    """Back to the site grid."""
    return (found.x + 1j * found.y - ORIGIN) * np.exp(1j * np.radians(TURN))


def peaks(found, channel, columns=(2, 3)):
    """Where traverses near the feature show the middle of its response: the kernel fitted."""
    k = found.channels.index(channel)
    place = on_site(found)
    at = []
    for number in columns:
        rows = found.lines[number].rows
        v, ec = place[rows].imag, found.values[rows, k]
        rows = np.isfinite(ec)
        across = float(np.median(place[found.lines[number].rows].real)) - FEATURE.real

        def model(v, peak, high, base, across=across, spacing=SPACINGS[channel]):
            return base + high * conductivity_kernel(across + 0 * v, v - peak, DEPTH, spacing)

        at.append(curve_fit(model, v[rows], ec[rows], p0=(8.0, 500.0, 20.0))[0][0])
    return np.array(at)


def trailing(spacing):
    """The recorded position is the transmitter's."""
    return -spacing / 2, 0.0


def only(readings, channel):
    k = readings.channels.index(channel)
    return replace(readings, values=readings.values[:, [k]], channels=(channel,), units=("mS/m",))


# -- peaks of both directions come together ----------------------------------------------------


@pytest.mark.parametrize("channel", SPACINGS)
@pytest.mark.parametrize("jitter", [0.0, 0.02])
def test_both_directions_show_a_point_feature_at_one_place_after_moving(channel, jitter):
    before = only(zigzag(trailing, jitter), channel)
    spacing = SPACINGS[channel]
    apart = np.ptp(peaks(before, channel))
    assert apart == pytest.approx(spacing, abs=TENTH)
    found = placesensors(before, SPACINGS, PlaceOptions())
    after = peaks(found.readings, channel)
    assert np.ptp(after) < TENTH
    np.testing.assert_allclose(after, FEATURE.imag, atol=TENTH)
    np.testing.assert_array_equal(found.readings.values, before.values)


@pytest.mark.parametrize("places", ["first_channel", "as_recorded"])
@pytest.mark.parametrize("jitter", [0.0, 0.02])
def test_both_directions_of_all_channels_come_together_on_common_places(places, jitter):
    before = zigzag(trailing, jitter)
    found = placesensors(before, SPACINGS, PlaceOptions(method="common", places=places)).readings
    for channel in SPACINGS:
        np.testing.assert_allclose(peaks(found, channel), FEATURE.imag, atol=TENTH)
    if places == "as_recorded":
        np.testing.assert_array_equal(found.x, before.x)
    else:
        np.testing.assert_array_equal(found.values[:, 0], before.values[:, 0])


def track(radius, antenna):
    """A walk round a circle; the recorded point is `antenna` ahead of the transmitter."""
    angle = np.arange(0, 1.9 * np.pi, INTERVAL / radius)
    way = 1j * np.exp(1j * angle)
    front = radius * np.exp(1j * angle) - antenna * way
    feature = radius * np.exp(2j) - 0.15
    values = [read(front - s / 2 * way, way, s, feature) for s in SPACINGS.values()]
    place = turned(radius * np.exp(1j * angle))
    return feature, Readings.build(
        x=place.real, y=place.imag, values=np.column_stack(values), channels=list(SPACINGS)
    )


@pytest.mark.parametrize("radius", [4.0, 10.0])
@pytest.mark.parametrize("channel", SPACINGS)
def test_a_curved_track_lies_at_the_true_midpoints(radius, channel):
    feature, before = track(radius, 0.3)
    spacing = SPACINGS[channel]
    options = PlaceOptions(ahead=0.3)
    place = on_site(placesensors(only(before, channel), SPACINGS, options).readings)
    angle = np.arange(0, 1.9 * np.pi, INTERVAL / radius)
    true = radius * np.exp(1j * angle) - (0.3 + spacing / 2) * 1j * np.exp(1j * angle)
    assert np.abs(place - true)[12:-12].max() < TENTH  # of the window's inside
    assert np.abs(place - true).max() < 0.1 * (spacing / 2 + 0.3)  # at the ends the arc's chord
    # Between the coils a point-like conductor shows negative: least where the midpoint is over it.
    ec = before.values[:, list(SPACINGS).index(channel)]
    least = place[np.argmin(ec)]
    assert abs(np.angle(least / feature)) * radius < INTERVAL
    assert abs(least - feature) < 0.3


def test_common_places_on_a_curved_track_agree_with_reading_there():
    feature, before = track(10.0, 0.0)
    found = placesensors(before, SPACINGS, PlaceOptions(method="common")).readings
    angle = np.arange(0, 1.9 * np.pi, INTERVAL / 10.0)
    way = 1j * np.exp(1j * angle)
    true = read(10.0 * np.exp(1j * angle) - 0.25 * way, way, 1.0, feature)
    off = np.abs(found.values[:, 1] - true)
    assert np.nanmax(off) < 0.02 * np.ptp(true)
    assert np.isnan(found.values[:2, 1]).sum() == 0
    assert np.isnan(found.values[-2:, 1]).all()


# -- geometry ----------------------------------------------------------------------------------


@settings(max_examples=30, deadline=None)
@given(
    st.floats(-2, 2), st.floats(-2, 2), st.floats(-1, 1), st.sampled_from(["map_units", "seconds"])
)  # fmt: skip
def test_offsets_and_lag_add_up_along_and_across_the_direction(ahead, right, lag, unit):
    before = only(zigzag(trailing, lines=2), "ec_100")
    options = PlaceOptions(ahead=ahead, right=right, lag=lag, lag_unit=unit)
    found = placesensors(before, SPACINGS, options)
    forward = -ahead - 0.5 - lag * (1.25 if unit == "seconds" else 1.0)
    moved = on_site(found.readings) - on_site(before)
    half = len(moved) // 2
    np.testing.assert_allclose(moved[:half], -right + 1j * forward, atol=1e-6)
    np.testing.assert_allclose(moved[half:], right - 1j * forward, atol=1e-6)
    np.testing.assert_allclose(found.moved_ahead, forward, atol=1e-6)
    np.testing.assert_allclose(found.along(np.full(2 * half, 3.0)), 3 + forward, atol=1e-6)
    np.testing.assert_allclose(found.bearing, np.repeat([TURN, TURN + 180], half), atol=1e-4)
    assert not (found.readings.qc & Qc.DOUBTFUL_POSITION).any()


def test_an_antenna_in_front_and_to_the_right_leaves_the_coils_behind_and_to_the_left():
    y = np.arange(0, 20, 0.25)
    before = Readings.build(x=0 * y, y=y, values=y, channels=["ec"])
    found = placesensors(before, {"ec": 0.0}, PlaceOptions(ahead=1.0, right=0.5)).readings
    np.testing.assert_allclose(found.y, y - 1.0, atol=1e-9)
    np.testing.assert_allclose(found.x, -0.5, atol=1e-9)


def test_an_offset_of_many_metres_is_asked_about_in_any_unit():
    before = only(zigzag(trailing, lines=2), "ec_100")
    for options, sentence in (
        (PlaceOptions(ahead=100.0), "is told to lie 100 map units ahead of the transmitter"),
        (PlaceOptions(right=-30.0), "lie 30 map units to the left of the transmitter: metres, not"),
        (PlaceOptions(ahead=60.0), None),
    ):
        metre = 1 / 0.3048 if sentence is None else 1.0
        said = placesensors(before, SPACINGS, replace(options, metre=metre)).warnings
        assert [sentence in word for word in said] == [True] if sentence else said == ()


def test_spacings_far_from_their_names_are_asked_about():
    assert unlike_names({"ec_050": 0.5, "ip_050": 1.2, "ec_100": 0.0, "upper": 19.0}) == ()
    (said,) = unlike_names({"ec_050": 0.5, "ec_010": 10.0})
    assert said.startswith("'ec_010' is told to have a coil spacing of 10 m, and its name says")
    assert len(unlike_names({"ec_100": 0.1, "ec_050": 0.006})) == 2


def test_a_lag_in_seconds_goes_with_the_local_speed():
    y = np.concatenate([np.arange(0, 20, 0.1), np.arange(20, 60, 0.2)])
    before = Readings.build(x=0 * y, y=y, values=y, channels=["ec_100"], time=np.arange(400) * 0.1)
    found = placesensors(before, {"ec_100": 0.0}, PlaceOptions(lag=0.5)).readings
    back = before.y - found.y
    np.testing.assert_allclose(back[:185], 0.5, atol=1e-9)
    np.testing.assert_allclose(back[215:], 1.0, atol=1e-9)


def test_spacings_are_metres_on_a_map_in_feet():
    before = only(zigzag(trailing, lines=2), "ec_100")
    found = placesensors(before, SPACINGS, PlaceOptions(metre=1 / 0.3048))
    np.testing.assert_allclose(found.moved_ahead, -0.5 / 0.3048)


def test_a_reading_without_direction_stays_and_is_doubtful():
    before = only(zigzag(trailing, lines=3), "ec_100")
    line, x = before.line.copy(), before.x.copy()
    line[5], line[-1] = NO_LINE, 99
    x[7] = np.nan
    found = placesensors(replace(before, line=line, x=x), SPACINGS)
    assert (found.readings.x[[5, -1]] == x[[5, -1]]).all()
    assert (found.readings.y[[5, -1]] == before.y[[5, -1]]).all()
    assert np.isnan(found.readings.x[7])
    assert np.isnan(found.bearing[[5, 7, -1]]).all()
    assert np.flatnonzero(found.readings.qc).tolist() == [5, len(x) - 1]
    assert found.figures["without direction"] == 2
    assert "want of a direction (bit 16 in qc): 2 readings of no traverse" in found.warnings[0]


def test_standing_still_is_placed_by_the_direction_before_and_said():
    y = np.concatenate([np.arange(0, 10, 0.25), np.full(200, 10.0), np.arange(10, 20, 0.25)])
    y[40:240] += np.random.default_rng(0).normal(0, 0.02, 200)
    before = Readings.build(x=0 * y, y=y, values=y, channels=["ec_100"])
    found = placesensors(before, SPACINGS)
    assert (found.readings.qc[60:220] == 16).all()
    np.testing.assert_allclose(found.readings.y[60:220], y[60:220] - 0.5, atol=0.01)
    assert found.figures["direction doubtful"] == np.count_nonzero(found.readings.qc)
    assert found.warnings[0].startswith("Placed by the direction before")


# -- resampling --------------------------------------------------------------------------------


def test_no_value_is_told_beyond_the_last_midpoint_of_a_traverse():
    before = zigzag(trailing, lines=2)
    found = placesensors(before, SPACINGS, PlaceOptions(method="common", places="as_recorded"))
    ec = found.readings.values.reshape(2, -1, 2)
    # The recorded positions lie ahead of the midpoints: the last 0.25 and 0.5 are not reached.
    assert np.isnan(ec[:, -2:, 0]).all()
    assert np.isnan(ec[:, -4:, 1]).all()
    assert np.isnan(ec).sum() == 2 * (2 + 4)
    assert (found.figures["beyond ec_050"], found.figures["beyond ec_100"]) == (4, 8)
    assert any("ec_100: 8 places beyond the first or last" in said for said in found.warnings)


def test_a_missing_reading_stays_missing_at_about_its_place():
    before = zigzag(trailing, lines=2)
    before.values[40, 1] = np.nan
    found = placesensors(before, SPACINGS, PlaceOptions(method="common")).readings
    # 0.25 behind the first channel's midpoint: two readings earlier.
    assert np.flatnonzero(np.isnan(found.values[:126, 1])).tolist() == [38]


def test_a_barred_reading_keeps_its_value_and_does_not_spread():
    before = zigzag(trailing, lines=2)
    values, qc = before.values.copy(), before.qc.copy()
    values[40, 1], qc[40] = 999.0, Qc.OFF_SCALE
    marked = replace(before, values=values, qc=qc)
    found = placesensors(marked, SPACINGS, PlaceOptions(method="common")).readings
    assert found.values[40, 1] == 999.0
    assert np.isnan(found.values[38, 1])
    assert np.nanmax(np.delete(found.values[:, 1], 40)) < 900
    assert (found.qc == qc).all()


def test_a_gap_longer_than_the_limit_is_not_bridged():
    before = zigzag(trailing, lines=1)
    before = before.take(np.delete(np.arange(128), np.arange(60, 70)))
    options = PlaceOptions(method="common", places="as_recorded")
    found = placesensors(before, SPACINGS, options)
    # The midpoint was 0.5 behind: four readings before the gap lie over what was not read.
    assert found.figures["gaps ec_100"] == 4
    assert np.flatnonzero(np.isnan(found.readings.values[:110, 1])).tolist() == [56, 57, 58, 59]
    bridged = placesensors(before, SPACINGS, replace(options, gap=2.0))
    assert bridged.figures["gaps ec_100"] == 0
    assert np.isfinite(bridged.readings.values[56:60, 1]).all()


def test_traverses_do_not_inform_each_other():
    before = zigzag(trailing, lines=4)
    values = before.values.copy()
    values[before.line == 2] += 1000
    alone = placesensors(before, SPACINGS, PlaceOptions(method="common")).readings
    beside = placesensors(replace(before, values=values), SPACINGS, PlaceOptions(method="common"))
    same = before.line != 2
    np.testing.assert_array_equal(alone.values[same], beside.readings.values[same])


def test_resampling_keeps_between_the_values_it_lies_between():
    rng = np.random.default_rng(4)
    place = np.cumsum(rng.uniform(0.05, 0.2, 200))
    values = rng.choice([0.0, 0.0, 5.0], 200)
    ones = np.ones(200, bool)
    found = resampled(np.zeros(200, int), place, values, ones, place + 0.07, 9.0).values
    left = np.searchsorted(place, place + 0.07, side="right") - 1
    inside = np.isfinite(found)
    low = np.minimum(values[left], values[np.minimum(left + 1, 199)])
    high = np.maximum(values[left], values[np.minimum(left + 1, 199)])
    assert inside.sum() >= 198
    assert (found[inside] >= low[inside] - 1e-12).all()
    assert (found[inside] <= high[inside] + 1e-12).all()


def test_repeated_places_count_as_their_mean():
    place = np.array([0.0, 1.0, 1.0, 2.0])
    values = np.array([0.0, 2.0, 4.0, 6.0])
    found = resampled(np.zeros(4, int), place, values, place > -1, place + 0.0, 5.0).values
    assert found.tolist() == [0.0, 3.0, 3.0, 6.0]


def test_jitter_does_not_lengthen_the_way_made():
    rng = np.random.default_rng(5)
    y = np.arange(400) * 0.05 + rng.normal(0, 0.03, 400)
    x = rng.normal(0, 0.03, 400)
    way = progress_of(x, y, travel_of(x, y, 2.0))
    assert np.sum(np.hypot(np.diff(x), np.diff(y))) > 25
    assert way[-1] == pytest.approx(399 * 0.05, abs=0.2)
    assert (np.diff(way) >= 0).all()


def test_standing_about_is_no_way_made():
    rng = np.random.default_rng(6)
    y = np.concatenate([np.arange(0, 10, 0.25), np.full(500, 10.0), np.arange(10, 20, 0.25)])
    jitter = rng.normal(0, 0.02, (2, len(y)))
    way = progress_of(jitter[0], y + jitter[1], travel_of(jitter[0], y + jitter[1], 2.0))
    assert np.sum(np.hypot(*np.diff([jitter[0], y + jitter[1]]))) > 35
    assert way[-1] == pytest.approx(19.75, abs=0.3)


def test_places_are_put_in_order_where_a_lag_overtakes_the_walk():
    numbers, place = np.array([0, 0, 0, 0, 1, 1]), np.array([0.0, 2.0, 1.0, 3.0, 5.0, 4.0])
    assert never_falling(numbers, place).tolist() == [0, 2, 2, 3, 5, 5]
    # Setting off fast: a lag of 2 s is 1, then 6 behind.
    y = np.concatenate([np.arange(0, 20, 0.1), np.arange(20, 60, 0.6)])
    before = Readings.build(
        x=0 * y, y=y, values=np.column_stack([y, y]), channels=list(SPACINGS),
        time=np.arange(len(y)) * 0.2,
    )  # fmt: skip
    options = PlaceOptions(method="common", places="as_recorded", lag=2.0, gap=9.0)
    found = placesensors(before, SPACINGS, options).readings.values[:, 1]
    np.testing.assert_allclose(found[20:120], y[20:120] + 1.5, atol=1e-9)
    np.testing.assert_allclose(found[210:-12], y[210:-12] + 6.5, atol=1e-9)
    assert np.nanmin(np.diff(found)) >= -1e-9


# -- the whole ---------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["move", "common"])
def test_input_is_untouched_and_two_runs_agree(method):
    before = zigzag(trailing, 0.02)
    if method == "move":
        before = only(before, "ec_100")
    kept = [before.x.copy(), before.values.copy(), before.qc.copy()]
    one, two = (placesensors(before, SPACINGS, PlaceOptions(method=method)) for _ in range(2))
    for part, copy in zip((before.x, before.values, before.qc), kept):
        np.testing.assert_array_equal(part, copy)
    assert one.readings.values.tobytes() == two.readings.values.tobytes()
    assert one.readings.x.tobytes() == two.readings.x.tobytes()
    assert (one.figures, one.messages) == (two.figures, two.messages)


@settings(max_examples=15, deadline=None)
@given(st.floats(0, 360), st.integers(0, 100))
def test_turning_the_map_and_mixing_the_rows_change_nothing(turn, seed):
    before = zigzag(trailing, 0.02, lines=3)
    before = replace(before, sequence=np.arange(len(before), dtype=float))
    plain = placesensors(before, SPACINGS, PlaceOptions(method="common")).readings
    place = (before.x + 1j * before.y - ORIGIN) * np.exp(-1j * np.radians(turn))
    rows = np.random.default_rng(seed).permutation(len(before))
    other = replace(before, x=place.real, y=place.imag).take(rows)
    found = placesensors(other, SPACINGS, PlaceOptions(method="common")).readings
    np.testing.assert_allclose(found.values, plain.values[rows], atol=1e-6)
    back = (found.x + 1j * found.y) * np.exp(1j * np.radians(turn)) + ORIGIN
    np.testing.assert_allclose(back, (plain.x + 1j * plain.y)[rows], atol=1e-6)


def test_cancelling_stops():
    with pytest.raises(Cancelled):
        placesensors(zigzag(trailing), SPACINGS, PlaceOptions(method="common"), lambda done: False)


def test_a_survey_without_a_direction_comes_through():
    before = Readings.build(x=[1.0], y=[2.0], values=[[3.0, 4.0]], channels=list(SPACINGS))
    for places in ("first_channel", "as_recorded"):
        found = placesensors(before, SPACINGS, PlaceOptions(method="common", places=places))
        assert found.readings.x.tolist() == [1.0]
        assert found.readings.values.tolist() == [[3.0, 4.0]]
        assert found.readings.qc.tolist() == [16]


# -- what cannot be ----------------------------------------------------------------------------


def test_spacings_come_from_the_text_or_the_name():
    names = ["ec_050", "ip_050", "ec_100", "ec1000_118"]
    assert list(spacings_of("", names).values()) == [0.5, 0.5, 1.0, 1.18]
    assert spacings_of("ec_100 = 1.2;\n upper=0", ["ec_100", "upper"]) == {
        "ec_100": 1.2,
        "upper": 0,
    }
    assert spacings_of("a = b = 0.5, ec_100 = 2", ["a = b"], ["ec_100"]) == {
        "a = b": 0.5,
        "ec_100": 2.0,
    }


@pytest.mark.parametrize(
    ("text", "channels", "sentence"),
    [
        ("", ["ec"], "Nothing tells the coil spacing of channel 'ec'. Give it in metres, such as"),
        ("", ["ec_1050"], "Nothing tells the coil spacing of channel 'ec_1050'"),
        ("", ["ec_000"], "Nothing tells the coil spacing of channel 'ec_000'"),
        ("ec 0.5", ["ec"], "The coil spacings hold 'ec 0.5'. Write the channel, an equals sign"),
        ("ec = 0,5", ["ec"], "The coil spacings hold '5'"),
        ("ec = -1", ["ec"], "The coil spacings hold 'ec = -1'"),
        ("ec = inf", ["ec"], "The coil spacings hold 'ec = inf'"),
        (
            "ec_050 = 50",
            ["ec_050"],
            "The coil spacing of 'ec_050' is told as 50 m. Give it in metres, not centimetres: at "
            "most 20.",
        ),
        ("ec = 1, ec = 2", ["ec"], "The coil spacing of 'ec' is given twice."),
        ("ce = 1", ["ec"], "The coil spacings name 'ce', which is no channel. There are: ec."),
    ],
)
def test_spacings_that_cannot_be_read_are_refused(text, channels, sentence):
    with pytest.raises(ValueError, match=sentence.replace(".", r"\.")):
        spacings_of(text, channels)


@pytest.mark.parametrize(
    ("given", "sentence"),
    [
        ({"method": "shift"}, "Method 'shift' is unknown: choose one of move, common."),
        ({"places": "there"}, "Choice of places 'there' is unknown"),
        ({"lag_unit": "feet"}, "Unit of the lag 'feet' is unknown"),
        ({"window": 0.0}, "The window of the direction is 0: give a length above 0."),
        ({"gap": -1.0}, "The longest gap is -1: give a length above 0."),
        ({"method": "common", "places": "as_recorded", "right": -0.4},
         "The coils pass 0.4 map units beside the recorded positions"),
    ],
)  # fmt: skip
def test_options_that_cannot_be_are_refused(given, sentence):
    with pytest.raises(ValueError, match=sentence):
        PlaceOptions(**given)


def test_points_cannot_go_to_two_midpoints():
    sentence = r"several midpoints: ec_050 \(0.5 m\); ec_100 \(1 m\)\. Points can be moved to one"
    with pytest.raises(ValueError, match=sentence):
        placesensors(zigzag(trailing), SPACINGS)


def test_a_lag_in_seconds_needs_times():
    before = only(zigzag(trailing, lines=2), "ec_100")
    time = np.where(before.line == 2, 7.0, before.time)
    with pytest.raises(ValueError, match=r"The readings of line 2 have no times that rise"):
        placesensors(replace(before, time=time), SPACINGS, PlaceOptions(lag=0.1))
    with pytest.raises(ValueError, match=r"The readings of line 1 have no times that rise"):
        placesensors(replace(before, time=time * np.nan), SPACINGS, PlaceOptions(lag=0.1))
    placesensors(replace(before, time=time), SPACINGS, PlaceOptions(lag=0.1, lag_unit="map_units"))
