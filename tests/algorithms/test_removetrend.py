import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.correct.removetrend import RemoveTrendOptions, removetrend
from lynchet.algorithms.correct.trend_blocks import Lattice, size_for
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings

WAYS = (
    {"method": "polynomial", "degree": 1},
    {"method": "polynomial", "degree": 3, "loss": "huber"},
    {"method": "polynomial", "degree": 2, "loss": "least_squares"},
    {"method": "moving_median", "width": 8.0},
    {"method": "gaussian", "width": 8.0},
    {"method": "thin_plate"},
    {"method": "thin_plate", "freedom": 8.0},
)
each_way = pytest.mark.parametrize("way", WAYS, ids=lambda way: "-".join(map(str, way.values())))


def field(nx=24, ny=40, step=(0.5, 0.25)):
    x, y = np.meshgrid(430000 + np.arange(nx) * step[0], 5900000 + np.arange(ny) * step[1])
    return x.T.ravel(), y.T.ravel()


def survey(values=None, **fields):
    x, y = field()
    if values is None:
        values = np.random.default_rng(0).normal(20, 0.3, len(x))
    return Readings.build(x=x, y=y, values=values, **fields)


def without(readings, **way):
    return removetrend(readings, RemoveTrendOptions(**way))


@each_way
def test_a_plane_is_removed_whole_up_to_the_edges(way):
    x, y = field()
    plane = 20 + 0.3 * (x - 430000) - 0.7 * (y - 5900000)
    found = without(survey(plane), **way)
    np.testing.assert_allclose(found.trend[:, 0], plane, rtol=0, atol=1e-6)
    np.testing.assert_allclose(found.readings.values[:, 0], np.median(plane), rtol=0, atol=1e-6)


def test_degree_nought_removes_a_constant_and_no_slope():
    x, _ = field()
    slope = 0.5 * (x - 430000)
    flat = without(survey(np.full(len(x), 7.0)), degree=0, keep_level=False)
    np.testing.assert_allclose(flat.readings.values, 0, atol=1e-12)
    kept = without(survey(slope), degree=0).readings.values[:, 0]
    np.testing.assert_allclose(kept, slope, atol=1e-9)


@pytest.mark.parametrize(
    "way", [{"degree": 1}, {"degree": 4}, {"degree": 2, "loss": "huber"}], ids=str
)
def test_a_bowl_is_removed_by_a_degree_that_holds_it(way):
    x, _ = field()
    bowl = 20 + 0.05 * (x - 430004) ** 2
    left = np.ptp(without(survey(bowl), **way).readings.values)
    assert (left > 1) if way["degree"] == 1 else (left < 0.02)


@pytest.mark.parametrize(
    "way",
    [WAYS[0], {"degree": 2}, {"method": "moving_median", "width": 12.0}, {"method": "gaussian",
     "width": 6.0}],
    ids=str,
)  # fmt: skip
def test_a_ditch_keeps_its_strength_and_does_not_bend_the_trend(way):
    x, y = field()
    ditch = np.where(np.abs(x - 430005) < 0.6, 6.0, 0.0)
    noise = np.random.default_rng(1).normal(0, 0.1, len(x))
    ground = 20 + 0.2 * (y - 5900000)
    found = without(survey(ground + ditch + noise), **way)
    assert np.abs(found.trend[:, 0] - ground).max() < 0.25
    inside = (
        found.readings.values[ditch > 0, 0].mean() - found.readings.values[ditch == 0, 0].mean()
    )
    assert inside == pytest.approx(6.0, abs=0.1)


def test_least_squares_is_bent_by_the_ditch_that_the_others_leave_out():
    x, _ = field()
    ditch = np.where(x < 430001.6, 6.0, 0.0)
    tilt = lambda loss: np.ptp(without(survey(ditch), loss=loss).trend)  # noqa: E731
    assert tilt("tukey") < 1e-6 < 3 < tilt("least_squares")


def test_each_data_grid_has_a_trend_of_its_own_and_keeps_its_level():
    x, _ = field()
    grid = np.where(x < 430006, "A", "B")
    east = x - 430000
    values = np.where(grid == "A", 10 + 0.5 * east, 50 - 0.5 * east)
    found = without(survey(values, grid=grid), scope="each_grid")
    for name in "AB":
        mine = grid == name
        np.testing.assert_allclose(
            found.readings.values[mine, 0], np.median(values[mine]), atol=1e-6
        )
    together = without(survey(values, grid=grid)).readings.values
    assert np.ptp(together) > 1


def test_without_keeping_the_level_values_lie_about_zero():
    readings = survey()
    centred = without(readings, keep_level=False).readings.values
    kept = without(readings).readings.values
    assert abs(np.median(centred)) < 0.02
    assert np.median(kept) == pytest.approx(20, abs=0.02)


@each_way
def test_off_scale_and_excluded_readings_do_not_inform_but_are_shifted(way):
    x, y = field()
    plane = 20 + 0.3 * (x - 430000)
    values, qc = plane.copy(), np.zeros(len(x), int)
    bad = np.flatnonzero((x < 430003) & (y < 5900004))
    values[bad] += 500
    qc[bad[::2]], qc[bad[1::2]] = Qc.OFF_SCALE, Qc.EXCLUDED
    found = without(survey(values, qc=qc), **way)
    known = np.isfinite(found.trend[:, 0])
    np.testing.assert_allclose(found.trend[known, 0], plane[known], atol=1e-6)
    np.testing.assert_allclose(
        (values - found.readings.values[:, 0])[known],
        (plane - np.median(plane[qc == 0]))[known],
        atol=1e-6,
    )
    assert known.mean() > 0.9


def test_readings_without_a_position_are_left_with_a_warning():
    readings = survey()
    readings.x[5] = np.nan
    found = without(readings)
    assert found.readings.values[5, 0] == readings.values[5, 0]
    assert np.isnan(found.trend[5, 0])
    assert found.warnings == ("1 readings lie where no trend is known and were left as they are.",)


def test_readings_of_no_traverse_are_corrected_like_the_others():
    x, _ = field()
    line = np.where(np.arange(len(x)) < 50, NO_LINE, 1)
    found = without(survey(x - 430000, line=line)).readings.values
    assert np.ptp(found) < 1e-6


def test_a_data_grid_with_too_few_readings_is_left_with_a_warning():
    x, _ = field()
    grid = np.where(np.arange(len(x)) < 4, "tiny", "A")
    readings = survey(x - 430000, grid=grid)
    found = without(readings, scope="each_grid")
    np.testing.assert_array_equal(found.readings.values[:4], readings.values[:4])
    assert found.warnings[0] == "c1: data grid tiny holds too few readings and was left as it is."


def test_one_traverse_has_a_trend_along_itself():
    along = np.arange(200) * 0.125
    values = 20 + 0.3 * along
    for bearing in (0.0, 0.3, 1.0, np.pi / 2):
        x, y = along * np.sin(bearing), along * np.cos(bearing)
        for way in WAYS:
            found = without(Readings.build(x=x, y=y, values=values), **way)
            assert np.ptp(found.readings.values) < 1e-5


@each_way
def test_gaps_stay_gaps_and_channels_go_their_own_way(way):
    x, y = field()
    first, second = 20 + 0.3 * (x - 430000), 5 - 0.2 * (y - 5900000)
    values = np.column_stack([first, second])
    values[::7, 0] = np.nan
    found = without(survey(values), **way)
    np.testing.assert_array_equal(np.isnan(found.readings.values), np.isnan(values))
    assert (np.nanmax(found.readings.values, axis=0) - np.nanmin(found.readings.values, axis=0)
            < 1e-5).all()  # fmt: skip


def test_a_moving_median_keeps_what_fills_less_than_half_of_its_window():
    x, y = np.meshgrid(np.arange(60.0), np.arange(60.0))
    x, y = x.ravel(), y.ravel()
    # 13 blocks of the 69 in the window.
    pit = np.where(np.hypot(x - 30, y - 30) <= 2, 8.0, 0.0)
    found = removetrend(
        Readings.build(x=x, y=y, values=20 + pit),
        RemoveTrendOptions("moving_median", width=9.0),
    )
    np.testing.assert_allclose(found.readings.values[:, 0], 20 + pit, atol=1e-6)


@each_way
@given(st.integers(0, 2**32 - 1), st.floats(-500, 500), st.sampled_from([0.25, 3.0, 1000.0]))
@settings(max_examples=8, deadline=None)
def test_adding_scaling_and_row_order_go_through(way, seed, lift, by):
    rng = np.random.default_rng(seed)
    x, y = field(16, 16)
    values = rng.normal(20, 1, len(x)) + rng.uniform(-1, 1) * (x - 430000)
    values[rng.choice(len(x), 30)] += 15
    values[rng.choice(len(x), 10)] = np.nan
    readings = Readings.build(x=x, y=y, values=values)
    before = readings.values.copy()
    found = without(readings, **way)
    np.testing.assert_array_equal(readings.values, before)
    for name in ("x", "y", "line", "sequence", "grid", "time", "qc"):
        assert getattr(found.readings, name) is getattr(readings, name)
    lifted = without(readings.with_values(before + lift), **way)
    np.testing.assert_allclose(lifted.readings.values, found.readings.values + lift, atol=1e-4)
    scaled = without(readings.with_values(before * by), **way)
    np.testing.assert_allclose(
        scaled.readings.values, found.readings.values * by, rtol=0, atol=1e-4 * by
    )
    order = rng.permutation(len(x))
    shuffled = without(readings.take(order), **way)
    np.testing.assert_allclose(
        shuffled.readings.values, found.readings.values[order], rtol=0, atol=1e-4
    )


@each_way
def test_the_trend_is_what_was_taken_off(way):
    readings = survey()
    found = without(readings, **way, keep_level=False)
    taken = readings.values - found.readings.values
    np.testing.assert_allclose(found.trend, taken, atol=1e-12)


def test_a_window_too_narrow_for_the_survey_is_refused():
    x = np.linspace(0, 9000, 100)
    with pytest.raises(
        ValueError,
        match=r"The width of 5 is too narrow for a survey of 9000 by 9000 map units\. Choose at "
        r"least 27,",
    ):
        without(Readings.build(x=x, y=x, values=x), method="moving_median", width=5.0)


def test_a_survey_without_positions_or_with_too_few_readings_is_refused():
    with pytest.raises(ValueError, match="No reading has a position"):
        without(Readings.build(x=[np.nan], y=[0.0], values=[1.0]))
    with pytest.raises(ValueError, match="There are too few readings with a position and a value"):
        without(Readings.build(x=range(5), y=range(5), values=range(5)))


def test_figures_and_messages_tell_what_was_removed():
    x, _ = field()
    found = without(survey(20 + 2 * (x - 430000), units=["mS/m"], channels=["ec"]))
    assert found.figures == {"trend ec": 23.0}
    assert found.messages == ("ec: a trend over 23 mS/m was removed.",)
    found = without(survey(), method="thin_plate", freedom=5)
    assert found.figures["freedom c1"] == 5.0


def test_a_spline_that_would_follow_features_is_warned_of():
    x, y = field()
    waves = np.sin(x - 430000) * np.sin(y - 5900000)
    assert "bendiest spline allowed" in without(survey(waves), method="thin_plate").warnings[0]
    assert not without(survey(waves), method="thin_plate", freedom=10).warnings


def test_it_can_be_cancelled():
    with pytest.raises(Cancelled):
        removetrend(survey(), progress=lambda fraction: False)


def test_blocks_lie_centred_on_a_regular_field_of_their_own_spacing():
    x, y = np.meshgrid(np.arange(7) * 0.1, np.arange(4) * 0.1)
    lattice = Lattice.over(x.ravel(), y.ravel(), 0.1)
    assert lattice.shape == (6, 9)
    cells = lattice.cells(x.ravel(), y.ravel())
    assert len(set(cells.tolist())) == 28
    east, north = lattice.centres()
    np.testing.assert_allclose(east[cells], x.ravel(), atol=1e-12)
    np.testing.assert_allclose(north[cells], y.ravel(), atol=1e-12)


@given(st.integers(0, 2**32 - 1), st.integers(4, 500))
@settings(max_examples=30)
def test_blocks_are_not_many_more_than_asked_for(seed, most):
    rng = np.random.default_rng(seed)
    x, y = rng.uniform(0, rng.uniform(0, 100), 50), rng.uniform(0, rng.uniform(0, 100), 50)
    lattice = Lattice.over(x, y, size_for(x, y, most))
    inner = (lattice.rows - 2) * (lattice.columns - 2)
    assert inner <= 2.5 * most + 3


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"method": "plane"}, "Method 'plane' is unknown: choose one of polynomial, moving_median"),
        ({"degree": 5}, "The degree is 5: choose 0 to 4."),
        ({"loss": "none"}, "Robustness 'none' is unknown"),
        ({"scope": "line"}, "Scope 'line' is unknown: choose one of survey, each_grid."),
        ({"method": "gaussian"}, "'gaussian' needs a width: give several times the width"),
        ({"width": 0.0}, "The width is 0: choose a length above 0."),
        ({"freedom": 2.0}, "The degrees of freedom are 2: choose 3, a plane, or more."),
    ],
)
def test_options_that_cannot_be(options, sentence):
    with pytest.raises(ValueError, match=sentence):
        RemoveTrendOptions(**options)
