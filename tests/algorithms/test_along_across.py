"""Along and across: what holds for every layout of traverses."""

import numpy as np
import pytest
from invented import band
from lynchet.algorithms.gridding.gridreadings import (
    GriddingOptions,
    gridreadings,
    predict_readings,
)
from lynchet.algorithms.readings import NO_LINE, Readings

EAST, NORTH = 431000.0, 5530000.0


def placed(x, y, values, line, bearing=0.0, **more):
    """Readings of traverses along y, then turned."""
    angle = np.radians(bearing)
    return Readings.build(
        x=EAST + x * np.cos(angle) + y * np.sin(angle),
        y=NORTH + y * np.cos(angle) - x * np.sin(angle),
        values=values,
        line=line,
        **more,
    )


def layout(lines=14, count=60, wander=0.0, zigzag=False, seed=1):
    """Places across and along, traverse number, in walking order; half a metre and a quarter."""
    rng = np.random.default_rng(seed)
    line = np.repeat(np.arange(lines), count)
    y = np.tile(np.arange(count) * 0.25, (lines, 1))
    if zigzag:
        y[1::2] = y[1::2, ::-1]
    y = y.ravel()
    sway = rng.uniform(0, 6, lines)[line]
    x = 0.5 * line + wander * np.sin(y + sway)
    return x, y, line


def field(x, y):
    """Smooth ground."""
    return 20 + 3 * np.sin(x / 1.7 + 1) * np.cos(y / 2.3) + 0.4 * x


def predicted(readings, x, y, bearing=0.0, blanking=None, barriers=None, cell=None, **options):
    """What the method gives at places like those of `placed`."""
    angle = np.radians(bearing)
    chosen = GriddingOptions(
        "along_across",
        cell_size=cell,
        blanking_distance=blanking,
        barriers=barriers,
        method_options=options,
    )
    east = EAST + x * np.cos(angle) + y * np.sin(angle)
    return predict_readings(readings, chosen, east, NORTH + y * np.cos(angle) - x * np.sin(angle))[
        :, 0
    ]


def anywhere(low, high, bottom, top, count=3000, seed=9):
    """Places spread over a rectangle."""
    rng = np.random.default_rng(seed)
    return rng.uniform(low, high, count), rng.uniform(bottom, top, count)


def rms(difference):
    """Root mean square; every place has a value."""
    assert np.isfinite(difference).all()
    return float(np.sqrt(np.mean(difference**2)))


@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0, 135.0])
@pytest.mark.parametrize("wander", [0.0, 0.1])
def test_readings_are_taken_as_they_are(bearing, wander):
    x, y, line = layout(wander=wander, zigzag=True)
    values = np.random.default_rng(2).normal(20, 4, len(x))
    found = predicted(placed(x, y, values, line, bearing), x, y, bearing)
    # map coordinates are rounded to a nanometre, and neighbours differ by up to 16 in 0.25
    np.testing.assert_allclose(found, values, rtol=0, atol=1e-6)


@pytest.mark.parametrize("oblique", ["follow", "ignore"])
@pytest.mark.parametrize("bearing", [0.0, 37.0, 90.0])
@pytest.mark.parametrize("wander", [0.0, 0.1])
def test_a_plane_is_reproduced(bearing, wander, oblique):
    x, y, line = layout(wander=wander, zigzag=True)
    readings = placed(x, y, 12 + 0.7 * x - 1.3 * y, line, bearing)
    at = anywhere(0.1, 6.4, 0.0, 14.75)
    found = predicted(readings, *at, bearing, oblique=oblique)
    np.testing.assert_allclose(found, 12 + 0.7 * at[0] - 1.3 * at[1], rtol=0, atol=1e-8)


def test_a_plane_is_reproduced_where_traverses_end_unevenly_and_lie_unevenly():
    x, y, line = layout(lines=20)
    rng = np.random.default_rng(3)
    x = np.cumsum(rng.uniform(0.4, 0.6, 20))[line]
    kept = (y < 14.75 - rng.uniform(0, 1, 20)[line]) | np.isin(line, [0, 19])
    plane = 12 + 0.7 * x - 1.3 * y
    readings = placed(x[kept], y[kept], plane[kept], line[kept])
    at = anywhere(x.min(), x.max(), 0.0, 14.0)
    found = predicted(readings, *at)
    np.testing.assert_allclose(found, 12 + 0.7 * at[0] - 1.3 * at[1], rtol=0, atol=1e-8)


def test_zigzag_is_the_same_as_one_way():
    at = anywhere(0, 6.5, 0, 14.75)
    found = []
    for zigzag in (False, True):
        x, y, line = layout(zigzag=zigzag)
        found.append(predicted(placed(x, y, field(x, y), line), *at))
    np.testing.assert_allclose(found[0], found[1], rtol=0, atol=1e-12)


@pytest.mark.parametrize("wander", [0.0, 0.15])
@pytest.mark.parametrize("bearing", [0.0, 37.0])
def test_smooth_ground_comes_back_whether_or_not_the_traverses_wander(bearing, wander):
    x, y, line = layout(wander=wander)
    at = anywhere(0.5, 6.0, 0.2, 14.5)
    found = predicted(placed(x, y, field(x, y), line, bearing), *at, bearing)
    assert rms(found - field(*at)) < 0.03


@pytest.mark.parametrize("oblique", ["follow", "ignore"])
def test_a_cell_keeps_within_the_range_of_the_readings_around(oblique):
    x, y, line = layout()
    values = np.random.default_rng(4).normal(20, 4, len(x))
    at = anywhere(0, 6.5, 0, 14.75)
    found = predicted(placed(x, y, values, line), *at, oblique=oblique)
    table = values.reshape(14, 60)
    i = np.minimum((at[0] / 0.5).astype(int), 12)
    j = np.minimum((at[1] / 0.25).astype(int), 58)
    # a lean of 2 over half a metre reaches four readings further
    more = 4 if oblique == "follow" else 0
    for place, row, column in zip(found, i, j):
        near = table[row : row + 2, max(column - more, 0) : column + 2 + more]
        assert near.min() - 1e-12 <= place <= near.max() + 1e-12


def test_a_short_traverse_ends_without_a_step():
    x, y, line = layout()
    kept = (line != 6) | (y < 7)
    level = np.where(line == 6, 1.0, 0.0)  # a traverse read too high
    readings = placed(x[kept], y[kept], (field(x, y) + level)[kept], line[kept])
    along = np.linspace(5, 13, 1601)
    found = predicted(readings, np.full(1601, 3.0), along)
    assert np.abs(np.diff(found)).max() < 0.02
    assert rms((found - field(3.0, along))[along > 8.2]) < 0.15
    without = placed(x[line != 6], y[line != 6], field(x, y)[line != 6], line[line != 6])
    beyond = predicted(without, np.full(1601, 3.0), along)
    np.testing.assert_allclose(found[along > 8.2], beyond[along > 8.2], rtol=0, atol=0.05)


def test_in_a_wide_gap_the_neighbours_are_asked():
    x, y, line = layout()
    bank = 8 * np.exp(-0.5 * ((y - 7.5) / 0.5) ** 2)  # square across all traverses
    gap = (line == 6) & (y > 4) & (y < 11)
    readings = placed(x[~gap], y[~gap], (20 + bank)[~gap], line[~gap])
    along = np.linspace(4.5, 10.5, 200)
    found = predicted(readings, np.full(200, 3.0), along)
    assert rms(found - (20 + 8 * np.exp(-0.5 * ((along - 7.5) / 0.5) ** 2))) < 0.1


def test_a_missing_reading_or_two_are_bridged_along():
    x, y, line = layout()
    values = field(x, y)
    values[line == 5] += 2.0
    lost = (line == 5) & (y > 6.9) & (y < 7.3)
    readings = placed(x[~lost], y[~lost], values[~lost], line[~lost])
    assert rms(predicted(readings, x[lost], y[lost]) - values[lost]) < 0.05


def test_a_pond_keeps_what_its_shore_reads():
    x, y, line = layout()
    wet = np.hypot(x - 3.2, y - 7) < 2.6
    readings = placed(x[~wet], y[~wet], field(x, y)[~wet], line[~wet])
    grid = gridreadings(readings, GriddingOptions("along_across", 0.25))
    inside = grid.bands[0][np.isfinite(grid.bands[0])]
    assert np.isnan(grid.bands[0, 25:35, 10:16]).any()  # its middle is blank
    assert inside.min() >= np.float32(field(x, y)[~wet].min())
    assert inside.max() <= np.float32(field(x, y)[~wet].max())


def test_data_grids_of_two_bearings_are_each_drawn_from_their_own():
    x, y, line = layout(lines=20, count=40)
    # the second lies to the east, its traverses running west to east
    x, y, line = (np.concatenate(pair) for pair in ((x, y + 10.0), (y, x), (line, line + 100)))
    readings = placed(x, y, field(x, y), line)
    first, second = anywhere(0.3, 9.2, 0.3, 9.2), anywhere(10.3, 19.2, 0.3, 9.2)
    for at in (first, second):
        assert rms(predicted(readings, *at) - field(*at)) < 0.03
    messages = gridreadings(readings, GriddingOptions("along_across")).messages
    assert any("2 directions (bearings 0, 90)" in text for text in messages)
    assert not any("cross others" in text for text in messages)


def test_across_the_border_of_two_data_grids_traverses_go_on():
    x, y, line = layout(count=80, zigzag=True)
    whole = placed(x, y, field(x, y), line)
    parts = placed(x, y, field(x, y), np.where(y > 9.9, line, 13 - line), grid=np.where(
        y > 9.9, "B", "A").tolist())  # fmt: skip
    at = anywhere(0, 6.5, 8, 12)
    np.testing.assert_allclose(predicted(parts, *at), predicted(whole, *at), rtol=0, atol=1e-12)


def test_data_grids_whose_traverses_do_not_meet_join_without_a_rift():
    x, y, line = layout(count=80)
    x = np.where(y > 9.9, x + 0.25, x)
    number = np.where(y > 9.9, line + 100, line)
    at = anywhere(0.5, 6.2, 8.5, 11.5)
    found = predicted(placed(x, y, field(x, y), number), *at)
    assert rms(found - field(*at)) < 0.05


def test_tie_lines_do_not_disturb():
    x, y, line = layout()
    at = anywhere(0, 6.5, 0, 14.75)
    alone = predicted(placed(x, y, field(x, y), line), *at)
    tie = np.arange(0, 6.6, 0.25)
    readings = placed(
        np.concatenate([x, tie, tie]),
        np.concatenate([y, 0 * tie + 4.1, 0 * tie + 9.6]),
        np.concatenate([field(x, y), 0 * tie + 99, 0 * tie - 99]),
        np.concatenate([line, 0 * tie + 50, 0 * tie + 51]),
    )
    found = predicted(readings, *at)
    np.testing.assert_allclose(found, alone, rtol=0, atol=1e-9)
    messages = gridreadings(readings, GriddingOptions("along_across")).messages
    assert any("2 traverse(s) cross others" in text for text in messages)


def test_the_bearing_says_which_traverses_count_where_they_cross():
    x, y, line = layout(lines=20, count=40)
    both = placed(
        np.append(x, y + 0.1),
        np.append(y, x + 0.1),
        np.append(0 * x + 1, 0 * x + 5),
        np.append(line, line + 100),
    )
    east, north = anywhere(1, 8.5, 1, 8.5, 300)
    for bearing, level in ((0, 1.0), (20, 1.0), (90, 5.0), (-90, 5.0), (255, 5.0)):
        options = GriddingOptions("along_across", 0.25, 0.75, method_options={"bearing": bearing})
        found = predict_readings(both, options, EAST + east, NORTH + north)
        np.testing.assert_allclose(found, level, rtol=0, atol=1e-12)


@pytest.mark.parametrize("aside", [0.0, 0.02, 0.06])
def test_a_repeated_traverse_counts_by_the_mean_and_blows_nothing_up(aside):
    x, y, line = layout()
    again = np.arange(60) * 0.25 + 0.03
    readings = placed(
        np.append(x, np.full(60, 3.0 + aside)),
        np.append(y, again),
        np.append(field(x, y), field(3.0 + aside, again) + 1.0),
        np.append(line, np.full(60, 99)),
    )
    along = np.linspace(0.3, 14, 400)
    found = predicted(readings, np.full(400, 3.0 + aside / 2), along)
    assert rms(found - field(3.0 + aside / 2, along) - 0.5) < 0.06
    at = anywhere(0, 6.5, 0.5, 14)
    error = predicted(readings, *at) - field(*at)
    assert error.min() > -0.2
    assert error.max() < 0.7
    messages = gridreadings(readings, GriddingOptions("along_across")).messages
    assert any("1 traverse(s) repeat others" in text for text in messages)


def test_a_traverse_walked_many_times_hides_no_neighbour():
    x, y, line = layout()
    keep = np.append(np.arange(len(x)), np.tile(np.flatnonzero(line == 6), 6))
    number = np.append(line, 50 + np.repeat(np.arange(6), 60))
    aside = np.append(np.zeros(len(x)), np.repeat(np.linspace(-0.03, 0.03, 6), 60))
    readings = placed(x[keep] + aside, y[keep], field(x, y)[keep], number)
    at = anywhere(2.0, 4.0, 1, 14)
    assert rms(predicted(readings, *at) - field(*at)) < 0.05


def test_a_single_traverse_keeps_its_value_to_either_side():
    y = np.arange(40) * 0.25
    readings = placed(0 * y, y, field(0, y), 0 * y)
    for aside in (-0.2, 0.0, 0.3):
        found = predicted(readings, 0 * y + aside, y, cell=0.25, blanking=0.5)
        np.testing.assert_allclose(found, field(0, y), rtol=0, atol=1e-9)


def test_barriers_are_not_crossed_along_nor_across():
    x, y, line = layout()
    # a wall along the traverses between 2.5 and 3.0, and one square across at 7.1
    beyond = (x > 2.7) * 10.0 + (y > 7.1) * 100.0
    walls = np.array([[[2.7, -2.0], [2.7, 20.0]], [[-2.0, 7.1], [10.0, 7.1]]])
    readings = placed(x, y, beyond, line)
    at = anywhere(0, 6.5, 0, 14.75)
    found = predicted(readings, *at, barriers=walls + (EAST, NORTH))
    np.testing.assert_allclose(found, (at[0] > 2.7) * 10.0 + (at[1] > 7.1) * 100.0, atol=1e-9)
    assert np.abs(predicted(readings, *at) - found).max() > 20  # without them all is blurred


def test_a_single_reading_beyond_a_barrier_serves_its_side():
    x, y, line = layout()
    far = y > 14.6  # the last reading of each traverse
    walls = np.array([[[-2.0, 14.6], [10.0, 14.6]]]) + (EAST, NORTH)
    at = anywhere(0, 6.5, 13.5, 14.75, 400)
    found = predicted(placed(x, y, far * 50.0, line), *at, barriers=walls)
    np.testing.assert_allclose(found, (at[1] > 14.6) * 50.0, rtol=0, atol=1e-9)


def left_out(values, wanted, **options):
    """RMS error at every third traverse of those of `invented`, each left out in its turn."""
    errors = []
    x, y = np.meshgrid(np.arange(40) * 0.5, np.arange(160) * 0.125, indexing="ij")
    line = np.repeat(np.arange(40), 160).reshape(40, 160)
    for number in range(3, 37, 3):
        kept = line != number
        readings = placed(x[kept], y[kept], values[kept], line[kept])
        errors.append(predicted(readings, x[number], y[number], **options) - wanted[number])
    return rms(np.concatenate(errors))


@pytest.mark.parametrize(("angle", "gain"), [(30, 0.75), (45, 0.75), (60, 0.9)])
def test_an_oblique_ditch_is_followed(angle, gain):
    rng = np.random.default_rng(5)
    ditch = 20 + band(rng, angle, 0.4, 4.0)
    noisy = ditch + rng.normal(0, 0.1, ditch.shape)
    straight = left_out(noisy, ditch, oblique="ignore")
    assert left_out(noisy, ditch, oblique="follow") < gain * straight


def test_following_does_no_harm_where_nothing_runs_obliquely():
    rng = np.random.default_rng(6)
    for values in (rng.normal(20, 1, (40, 160)), 20 + band(rng, 0, 0.5, 4.0)):
        straight = left_out(values, values, oblique="ignore")
        assert left_out(values, values, oblique="follow") < 1.02 * straight


def test_smoothing_calms_noise_and_leaves_planes():
    x, y, line = layout()
    noise = np.random.default_rng(7).normal(0, 0.5, len(x))
    at = anywhere(0.2, 6.3, 0.5, 14.2)
    rough, calm = (
        rms(predicted(placed(x, y, field(x, y) + noise, line), *at, smoothing=s) - field(*at))
        for s in (0.0, 0.9)
    )
    assert calm < 0.7 * rough
    plane = predicted(placed(x, y, 3 * x - y, line), *at, smoothing=1.0)
    np.testing.assert_allclose(plane, 3 * at[0] - at[1], rtol=0, atol=1e-9)


def meander():
    """One line of satellite positions wandering about."""
    t = np.arange(600) * 0.02
    return 20 * np.sin(1.3 * t), 20 * np.cos(0.9 * t + 1) + 2 * t


@pytest.mark.parametrize("lines", ["one", "unsplit zigzag"])
def test_a_track_without_traverses_is_refused(lines):
    x, y = meander() if lines == "one" else layout(zigzag=True)[:2]
    readings = placed(x, y, x, 0 * x)
    with pytest.raises(ValueError, match=r"lie on no traverse or .*lynchet:splitlines.*Inverse"):
        gridreadings(readings, GriddingOptions("along_across", 0.5, 1.0))


def test_readings_on_no_traverse_are_refused_or_left_out_with_a_warning():
    x, y, line = layout()
    loose = placed(x, y, field(x, y), np.full(len(x), NO_LINE))
    with pytest.raises(ValueError, match=r"None of the readings of c1 belongs to a traverse"):
        gridreadings(loose, GriddingOptions("along_across", 0.25, 0.75))
    some = placed(
        np.append(x, [1.1, 2.2]), np.append(y, [3.3, 4.4]), np.append(field(x, y), [900, -900]),
        np.append(line, [NO_LINE, 77]),
    )  # fmt: skip
    grid = gridreadings(some, GriddingOptions("along_across"))
    assert any("2 reading(s) do not count: 1 lie on no traverse, 1 on 1 line" in text
               for text in grid.warnings)  # fmt: skip
    assert np.nanmax(grid.bands) < 40


def test_a_line_that_turns_back_is_left_out():
    x, y, line = layout()
    t = np.linspace(0, 2 * np.pi, 50)
    readings = placed(
        np.append(x, 3.01 + np.sin(t)), np.append(y, 7 + 2 * np.cos(t)),
        np.append(field(x, y), np.full(50, 500.0)), np.append(line, np.full(50, 80)),
    )  # fmt: skip
    grid = gridreadings(readings, GriddingOptions("along_across", 0.25))
    assert np.nanmax(grid.bands) < 40
    assert any("49 on 1 line(s)" in text for text in grid.warnings)
