"""Kriging: what must hold whatever the variogram, and what the automatic choice must find."""

from dataclasses import replace

import numpy as np
import pytest
from lynchet.algorithms.gridding.frame import Frame
from lynchet.algorithms.gridding.gridreadings import GriddingOptions, gridreadings
from lynchet.algorithms.gridding.kriging.choice import Given
from lynchet.algorithms.gridding.kriging.models import MODELS, Variogram
from lynchet.algorithms.gridding.kriging.neighbours import Neighbours, evenly_spread
from lynchet.algorithms.gridding.kriging.trial import Trial, left_out_together
from lynchet.algorithms.gridding.method import Task
from lynchet.algorithms.gridding.methods import kriging
from lynchet.algorithms.readings import Readings


def task(xy, values, line=None, separation=None, bearing=None, **options):
    """A task for evaluating at any position; its frame does not matter."""
    values = np.asarray(values, dtype=float).reshape(len(xy), -1)
    return Task(
        xy=np.asarray(xy, dtype=float),
        values=values,
        line=np.full(len(xy), -1) if line is None else line,
        channels=tuple(f"c{number + 1}" for number in range(values.shape[1])),
        units=("mS/m",) * values.shape[1],
        frame=Frame(0.0, 0.0, 1.0, 1.0, 1, 1),
        wanted=np.ones((1, 1), dtype=bool),
        options=kriging.METHOD.checked(options),
        blanking_distance=0.5,
        separation=separation,
        bearing=bearing,
    )


def traverses(lines=12, length=48, separation=0.5, interval=0.125, bearing=0.0):
    """Positions along parallel traverses, and the traverse of each."""
    across = np.repeat(np.arange(lines) * separation, length)
    along = np.tile(np.arange(length) * interval, lines)
    place = (across + 1j * along) * np.exp(-1j * np.radians(bearing))
    return np.column_stack([place.real, place.imag]), np.repeat(np.arange(lines), length)


def drawn(xy, variogram, seed):
    """A random field with a variogram, at some positions."""
    rng = np.random.default_rng(seed)
    places = xy @ variogram.metric
    apart = np.hypot(*(places[:, None] - places[None]).transpose(2, 0, 1))
    covariance = variogram.sill * (1 - variogram.rise(apart))
    lower = np.linalg.cholesky(covariance + 1e-9 * variogram.sill * np.eye(len(xy)))
    noise = rng.normal(0, np.sqrt(variogram.nugget), len(xy))
    return lower @ rng.normal(size=len(xy)) + noise


SETTLED = {"nugget": 0.1, "sill": 2.0, "range": 3.0, "ratio": 1.0}


@pytest.mark.parametrize("model", MODELS)
@pytest.mark.parametrize("neighbourhood", ["balanced", "nearest"])
def test_a_level_is_added_unchanged_for_weights_add_up_to_one(model, neighbourhood):
    xy, line = traverses()
    values = np.random.default_rng(1).normal(size=len(xy))
    cells = np.random.default_rng(2).uniform(0.5, 5, (200, 2))
    options = {"model": model, **SETTLED, "neighbourhood": neighbourhood}
    plain = kriging.prepare(task(xy, values, line, 0.5, **options)).evaluate(cells)
    raised = kriging.prepare(task(xy, values + 1e4, line, 0.5, **options)).evaluate(cells)
    np.testing.assert_allclose(raised[:, 0] - 1e4, plain[:, 0], rtol=0, atol=1e-8)
    np.testing.assert_array_equal(raised[:, 1], plain[:, 1])


@pytest.mark.parametrize("model", MODELS)
def test_without_a_nugget_readings_are_kept_and_nothing_is_uncertain_there(model):
    xy, line = traverses()
    values = np.sin(xy[:, 0]) * np.cos(xy[:, 1])
    ready = kriging.prepare(task(xy, values, line, 0.5, model=model, **{**SETTLED, "nugget": 0.0}))
    found = ready.evaluate(xy)
    np.testing.assert_array_equal(found[:, 0], values)
    np.testing.assert_array_equal(found[:, 1], 0.0)
    beside = ready.evaluate(xy[:50] + 1e-4)  # and it does not jump
    assert np.abs(beside[:, 0] - values[:50]).max() < 0.02
    assert 0 < beside[:, 1].max() < 0.05


def test_the_standard_deviation_grows_away_from_the_readings():
    xy, line = traverses()
    ready = kriging.prepare(
        task(xy, xy[:, 0], line, 0.5, model="exponential", **{**SETTLED, "nugget": 0.0})
    )
    away = np.column_stack([5.5 + np.linspace(0, 6, 30), np.full(30, 3.0)])
    deviation = ready.evaluate(away)[:, 1]
    assert np.all(np.diff(deviation) > -0.02)  # other neighbours, now and then
    # beyond the range there is the mean alone: the scatter, and what is unknown of the mean
    assert np.sqrt(2.0) < deviation[-1] < 1.2 * np.sqrt(2.0)


@pytest.mark.parametrize("turn", [37.0, 90.0])
def test_a_turned_survey_gives_the_same_values_at_turned_positions(turn):
    xy, line = traverses()
    field = drawn(xy, Variogram("matern_3_2", 0.02, 1.0, 3.0), 4)
    cells = np.random.default_rng(6).uniform(0.5, 5, (200, 2))
    angle = np.radians(turn)
    clockwise = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]])
    settled = {"model": "matern_3_2", **SETTLED, "ratio": 2.0}
    plain = kriging.prepare(task(xy, field, line, 0.5, 0.0, **settled)).evaluate(cells)
    turned = kriging.prepare(task(xy @ clockwise, field, line, 0.5, turn, **settled)).evaluate(
        cells @ clockwise
    )
    np.testing.assert_allclose(turned, plain, rtol=0, atol=1e-9)


def test_most_readings_of_a_balanced_neighbourhood_are_spread_over_traverses():
    xy, line = traverses(interval=0.05, length=120)
    cells = np.random.default_rng(7).uniform(1.5, 4.0, (50, 2))
    even = evenly_spread(xy, line, 0.5)
    balanced = line[Neighbours(xy, even, 24, np.eye(2)).nearest(cells)]
    nearest = line[Neighbours(xy, None, 24, np.eye(2)).nearest(cells)]
    assert min(len(set(row)) for row in balanced) >= 4
    assert np.mean([len(set(row)) for row in nearest]) < 2.5
    assert all(len(set(row)) == 24 for row in Neighbours(xy, even, 24, np.eye(2)).nearest(cells))


def test_readings_are_predicted_without_their_own_traverse():
    xy, line = traverses()
    neighbours = Neighbours(xy, evenly_spread(xy, line, 0.5), 16, np.eye(2))
    trial = Trial(neighbours, left_out_together(xy, line, 0.5), 100)
    assert len(trial) > 70  # less those at the rim
    assert not trial.hidden.any()
    assert np.all(line[trial.near] != line[trial.rows][:, np.newaxis])


def test_variograms_are_judged_from_a_gap_to_the_next_reading():
    xy, line = traverses()
    given = task(xy, xy[:, 0], line, 0.5)
    trials = kriging._trials(given, kriging._neighbours(given, Given()))
    nearest = [np.hypot(*trial.offsets.transpose(2, 0, 1)).min(axis=1) for trial in trials]
    np.testing.assert_allclose(nearest[0], 0.5)  # the next traverse
    assert 0.15 < nearest[1].mean() < 0.3  # the ends of a stretch of 0.5 left out
    np.testing.assert_allclose(nearest[2], 0.125)


def test_the_noise_and_the_scatter_of_a_drawn_field_are_found():
    xy, line = traverses(16, 60)
    true = Variogram("exponential", 0.1, 1.0, 4.0)
    found = [
        kriging.prepare(task(xy, drawn(xy, true, seed), line, 0.5, 0.0, model="exponential"))
        for seed in range(4)
    ]
    nugget = [ready.figures["c1 nugget"] for ready in found]
    slope = np.mean([ready.figures["c1 sill"] / ready.figures["c1 range"] for ready in found])
    assert np.mean(nugget) == pytest.approx(0.1, rel=0.3)
    assert slope == pytest.approx(true.sill / true.range, rel=0.3)  # near the origin all counts


@pytest.mark.parametrize("noise", [0.05, 0.3])
def test_the_noise_of_smooth_ground_is_found_in_every_survey(noise):
    xy, line = traverses(16, 60)
    true = Variogram("matern_3_2", noise, 1.0, 3.0)
    found = [
        kriging.prepare(task(xy, drawn(xy, true, seed), line, 0.5, 0.0)).figures["c1 nugget"]
        for seed in range(4)
    ]
    assert np.mean(found) == pytest.approx(noise, rel=0.3)
    assert min(found) > 0.5 * noise
    assert max(found) < 2.1 * noise


@pytest.mark.parametrize(
    "true",
    [
        Variogram("exponential", 0.1, 1.0, 4.0),
        Variogram("matern_3_2", 0.05, 1.0, 3.0),
        Variogram("gaussian", 0.05, 1.0, 2.0),
    ],
    ids=lambda true: true.model,
)
def test_the_standard_deviation_is_as_large_as_the_errors_are(true):
    """At readings and between them, half way between traverses, where a traverse is missing."""
    xy, line = traverses(17, 60)
    missing = line == 8
    inner = (xy[:, 1] > 0.5) & (xy[:, 1] < 6.9)
    asked = np.flatnonzero(inner & (line > 1) & (line < 15) & ~missing)[::4]
    places = (xy[asked] + [0.0, 0.0625], xy[asked] + [0.25, 0.0], xy[missing & inner])
    ratios = []
    for seed in range(4):
        ground = drawn(np.vstack([xy, *places]), replace(true, nugget=0.0), seed)
        noise = np.random.default_rng(seed).normal(0, np.sqrt(true.nugget), len(xy))
        read = (ground[: len(xy)] + noise)[~missing]
        found = kriging.prepare(task(xy[~missing], read, line[~missing], 0.5, 0.0)).evaluate(
            np.vstack(places)
        )
        squares = ((found[:, 0] - ground[len(xy) :]) / found[:, 1]) ** 2
        parts = np.split(squares, np.cumsum([len(part) for part in places])[:-1])
        ratios.append([part.mean() for part in parts])
    near, half, gap = np.mean(ratios, axis=0)
    assert 0.6 < near < 1.6
    assert 0.6 < half < 1.6
    assert 0.4 < gap < 1.8  # one gap a survey, and few ranges long
    assert np.max(ratios) < 4.0


def test_readings_ten_times_as_large_have_ten_times_the_standard_deviation():
    xy, line = traverses(10, 40)
    field = drawn(xy, Variogram("spherical", 0.1, 1.0, 3.0), 3)
    cells = np.random.default_rng(6).uniform(0.5, 4, (50, 2))
    given = {"model": "spherical", "ratio": 1.0}
    once, tenfold = (
        kriging.prepare(task(xy, values - values.min(), line, 0.5, **given)).evaluate(cells)
        for values in (field, 10 * field)
    )
    np.testing.assert_allclose(tenfold, 10 * once, rtol=1e-6)


def test_errors_beyond_three_standard_deviations_are_counted():
    xy, line = traverses(16, 60)
    true = Variogram("matern_3_2", 0.05, 1.0, 3.0)
    half = {"model": true.model, "nugget": 0.05 / 4, "sill": 0.25, "range": 3.0, "ratio": 1.0}
    found = [
        kriging.prepare(task(xy, drawn(xy, true, seed), line, 0.5, **half)).figures
        for seed in range(6)
    ]
    # normal errors of twice the standard deviation foretold: beyond 1.5 of their own
    share = np.mean([figures["c1 beyond_3_sd"] for figures in found])
    assert share == pytest.approx(0.134, abs=0.03)


def test_iron_in_one_place_does_not_make_all_the_ground_doubtful():
    xy, line = traverses(16, 60)
    true = Variogram("matern_3_2", 0.05, 1.0, 3.0)
    field = drawn(xy, true, 2)
    iron = 60 * np.exp(-0.5 * np.sum((xy - [3.5, 4.0]) ** 2, axis=1) / 0.1**2)
    assert 3 <= (iron > 1).sum() < 0.01 * len(xy)
    plain, spoilt = (
        kriging.prepare(task(xy, values - values.min(), line, 0.5, 0.0))
        for values in (field, field + iron)
    )
    # the noise is taken for somewhat more, not for the iron's own
    assert 0.03 < spoilt.figures["c1 nugget"] < 0.13
    away = np.array([[1.25, 1.5], [6.25, 2.0], [1.75, 6.5]])
    ratio = spoilt.evaluate(away)[:, 1] / plain.evaluate(away)[:, 1]
    assert ratio.min() > 0.6
    assert ratio.max() < 2.5
    assert spoilt.figures["c1 beyond_3_sd"] > 2 * plain.figures["c1 beyond_3_sd"]
    assert f"{100 * spoilt.figures['c1 beyond_3_sd']:.1f} % of them" in spoilt.messages[0]


def test_a_nugget_of_0_is_no_reason_to_doubt_the_gaps():
    xy, line = traverses(16, 60)
    field = drawn(xy, Variogram("matern_3_2", 0.05, 1.0, 3.0), 5)
    beside = xy[480:500] + [0.25, 0.0]
    deviation = [
        kriging.prepare(task(xy, field, line, 0.5, 0.0, **given)).evaluate(beside)[:, 1].mean()
        for given in ({}, {"nugget": 0.0})
    ]
    assert deviation[1] < 2.0 * deviation[0]


def test_a_range_that_the_survey_is_too_small_to_show_is_called_so():
    xy, line = traverses(16, 60)
    slope = xy @ [2.0, -1.0] + drawn(xy, Variogram("exponential", 0.01, 0.01, 2.0), 1)
    given = {"model": "exponential"}
    ready = kriging.prepare(task(xy, slope - slope.min(), line, 0.5, 0.0, **given))
    assert ready.figures["c1 range"] <= np.hypot(*np.ptp(xy, axis=0)) * (1 + 1e-9)
    assert "too small to show where the variogram levels out" in ready.messages[0]
    short = drawn(xy, Variogram("exponential", 0.1, 1.0, 2.0), 1)
    ready = kriging.prepare(task(xy, short, line, 0.5, 0.0, **given))
    assert "too small" not in ready.messages[0]


def test_an_evident_grain_is_found_and_none_is_made_up():
    xy, line = traverses(16, 60)
    grained = Variogram("matern_3_2", 0.01, 1.0, 8.0, 4.0, 60.0)
    figures = kriging.prepare(task(xy, drawn(xy, grained, 3), line, 0.5, 0.0)).figures
    assert 2.0 < figures["c1 ratio"] < 8.0
    assert abs((figures["c1 bearing"] - 60 + 90) % 180 - 90) < 15
    plain = Variogram("matern_3_2", 0.01, 1.0, 3.0)
    assert "c1 ratio" not in kriging.prepare(
        task(xy, drawn(xy, plain, 3), line, 0.5, 0.0)
    ).figures  # fmt: skip


def test_what_is_given_is_kept():
    xy, line = traverses()
    field = drawn(xy, Variogram("spherical", 0.1, 1.0, 3.0), 2)
    for given in ({"nugget": 0.25}, {"nugget": 0.0}, {"sill": 3.0}, {"range": 2.0}, SETTLED):
        figures = kriging.prepare(task(xy, field, line, 0.5, 0.0, **given)).figures
        for name, value in given.items():
            if name != "ratio" and figures["c1 model"] not in ("linear", "power"):
                assert figures[f"c1 {name}"] == pytest.approx(value), given


def test_a_reading_behind_a_barrier_does_not_count():
    xy, line = traverses(bearing=0.0)
    values = np.where(xy[:, 0] > 2.75, 100.0, 7.0) + xy[:, 1]
    readings = Readings.build(x=xy[:, 0], y=xy[:, 1], values=values, line=line)
    wall = np.array([[[2.75, -5.0], [2.75, 20.0]]])
    options = {"model": "linear", "nugget": 0.0, "ratio": 1.0}
    grid = gridreadings(
        readings, GriddingOptions("kriging", 0.25, 0.75, barriers=wall, method_options=options)
    )
    x, y = np.meshgrid(grid.frame.centres_x, grid.frame.centres_y)
    held = np.isfinite(grid.bands[0])
    side = np.where(x > 2.75, 100.0, 7.0)
    inner = held & (np.abs(x - 2.75) > 0.05) & (y > 0.5) & (y < 5.4)
    assert inner.sum() > 300
    assert np.abs(grid.bands[0] - side - y)[inner].max() < 0.3


def test_cells_that_see_too_few_readings_stay_empty():
    xy, line = traverses(lines=4, length=8)
    readings = Readings.build(x=xy[:, 0], y=xy[:, 1], values=xy[:, 1], line=line)
    pen = np.array([[[0.6, -1], [0.6, 2]], [[0.9, -1], [0.9, 2]]], dtype=float)
    options = {**SETTLED, "model": "linear", "fewest": 3}
    grid = gridreadings(
        readings, GriddingOptions("kriging", 0.125, 0.75, barriers=pen, method_options=options)
    )
    column = np.argmin(np.abs(grid.frame.centres_x - 0.75))
    assert np.isnan(grid.bands[0, 3:-3, column]).all()
    assert np.isfinite(grid.bands[0, 3:-3, column + 3]).all()


LAYOUTS = {
    "one reading": np.array([[1.0, 2.0]]),
    "two readings": np.array([[1.0, 2.0], [1.5, 2.0]]),
    "five readings": np.array([[0, 0], [1, 0], [0, 1], [1, 1], [0.4, 0.6]], dtype=float),
    "a single line": np.column_stack([np.arange(60) * 0.25, np.arange(60) * 0.1]),
    "nearly the same place": np.repeat(np.arange(20.0), 2)[:, None] * [1, 0.5]
    + np.tile([0.0, 2e-6], 20)[:, None],
}


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("model", ["fitted", "gaussian", "power"])
def test_any_layout_is_kriged_within_reason(layout, model):
    xy = LAYOUTS[layout]
    values = np.random.default_rng(3).normal(size=len(xy))
    found = kriging.prepare(task(xy, values, np.zeros(len(xy), dtype=int), model=model)).evaluate(
        np.vstack([xy + 0.01, xy + [0.1, 0.2]])
    )
    assert np.isfinite(found[:, 0]).all()
    assert np.abs(found[:, 0]).max() < 10 * np.abs(values).max()
    assert np.isfinite(found[:, 1]).all() == (len(xy) > 1)


def test_a_level_field_is_level_and_certain():
    xy, line = traverses()
    found = kriging.prepare(task(xy, np.zeros(len(xy)), line, 0.5, 0.0)).evaluate(xy + 0.05)
    assert np.unique(found).tolist() == [0.0]


def test_a_ratio_needs_a_direction():
    xy, line = traverses()
    with pytest.raises(ValueError, match="Give the bearing of the longer range"):
        kriging.prepare(task(xy, xy[:, 0], line, 0.5, ratio=2.0))


def test_bands_figures_and_messages_name_the_channel():
    xy, line = traverses()
    values = np.column_stack([xy[:, 0], np.random.default_rng(4).normal(size=len(xy))])
    readings = Readings.build(
        x=xy[:, 0], y=xy[:, 1], values=values, line=line,
        channels=("ec_050", "ip_050"), units=("mS/m", "ppt"),
    )  # fmt: skip
    grid = gridreadings(readings, GriddingOptions("kriging", 0.25))
    assert grid.channels == ("ec_050", "ip_050", "ec_050 kriging sd", "ip_050 kriging sd")
    assert grid.units == ("mS/m", "ppt", "mS/m", "ppt")
    assert any(
        text.startswith("ip_050: ") and "nugget" in text and "(ppt)²" in text
        for text in grid.messages
    )
    assert grid.figures["ip_050 model"] in MODELS
