"""Traverse separation, reading interval and direction, on surveys laid out with known ones."""

import numpy as np
import pytest
from lynchet.algorithms.gridding.spacing import (
    measure,
    neat_at_least,
    neat_near,
    reading_interval,
    suggest_cell_size,
    traverse_bearing,
    traverse_separation,
)
from lynchet.algorithms.readings import NO_LINE, Readings

EAST, NORTH = 431000.0, 5530000.0


def laid_out(separation=0.5, interval=0.125, lines=12, length=80, bearing=0.0, noise=0.0, **more):
    """Zigzag traverses of a bearing, side by side."""
    number = np.repeat(np.arange(lines), length)
    step = np.tile(np.arange(length), lines)
    along = np.where(number % 2 == 0, step, length - 1 - step) * interval
    across = number * separation
    angle = np.radians(bearing)
    jitter = np.random.default_rng(5).normal(0, noise, (2, lines * length))
    return Readings.build(
        x=EAST + across * np.cos(angle) + along * np.sin(angle) + jitter[0],
        y=NORTH - across * np.sin(angle) + along * np.cos(angle) + jitter[1],
        values=np.zeros(lines * length),
        **{"line": number, **more},
    )


def joined(first, *others):
    parts = (first, *others)
    return Readings.build(
        x=np.concatenate([p.x for p in parts]),
        y=np.concatenate([p.y for p in parts]),
        values=np.concatenate([p.values for p in parts]),
        line=np.concatenate([p.line + 1000 * k for k, p in enumerate(parts)]),
    )


@pytest.mark.parametrize("bearing", [0, 37, 90, 164])
@pytest.mark.parametrize(("separation", "interval"), [(0.5, 0.125), (1.0, 0.25), (2.0, 2.5)])
def test_a_laid_out_survey_shows_its_spacing(separation, interval, bearing):
    survey = laid_out(separation, interval, bearing=bearing)
    assert traverse_separation(survey) == pytest.approx(separation, rel=1e-5)
    assert reading_interval(survey) == pytest.approx(interval, rel=1e-5)
    assert traverse_bearing(survey) == pytest.approx(bearing, abs=1e-5)


def test_position_noise_of_a_few_centimetres_leaves_the_spacing():
    survey = laid_out(noise=0.02)
    assert traverse_separation(survey) == pytest.approx(0.5, rel=0.1)
    assert reading_interval(survey) == pytest.approx(0.125, rel=0.1)
    assert traverse_bearing(survey) % 179.0 == pytest.approx(0.0, abs=1.5)


def test_a_tie_line_does_not_change_the_separation():
    along = np.arange(0, 5.5, 0.125)
    tie = Readings.build(x=EAST + along, y=np.full(44, NORTH + 5), values=np.zeros(44))
    assert traverse_separation(joined(laid_out(), tie)) == pytest.approx(0.5, rel=1e-5)


def test_a_repeated_traverse_does_not_change_the_separation():
    repeat = laid_out(lines=1)
    assert traverse_separation(joined(laid_out(), repeat)) == pytest.approx(0.5, rel=1e-5)


def test_a_missing_traverse_does_not_change_the_separation():
    survey = laid_out()
    x = np.where(survey.line > 5, survey.x + 0.5, survey.x)
    gap = Readings.build(x=x, y=survey.y, values=survey.values, line=survey.line)
    assert traverse_separation(gap) == pytest.approx(0.5, rel=1e-5)


def test_traverses_far_apart_for_their_interval_are_still_measured():
    assert traverse_separation(laid_out(50.0, 0.1, lines=3, length=700)) == pytest.approx(50.0)


def test_a_free_track_shows_the_separation_of_its_passes():
    track = laid_out(line=np.zeros(960))
    assert traverse_separation(track) == pytest.approx(0.5, rel=1e-5)
    assert reading_interval(track) == pytest.approx(0.125, rel=1e-5)


@pytest.mark.parametrize("line", [np.full(960, NO_LINE), np.zeros(960)])
def test_readings_in_no_order_count_as_spread_evenly(line):
    survey = laid_out(1.0, 1.0, lines=24, length=40)
    order = np.random.default_rng(3).permutation(960)
    heap = Readings.build(x=survey.x[order], y=survey.y[order], values=np.zeros(960), line=line)
    # outline 23 by 39, 960 readings
    assert traverse_separation(heap) == pytest.approx(np.sqrt(23 * 39 / 960), rel=1e-5)
    assert reading_interval(heap) == pytest.approx(1.0)
    assert traverse_bearing(heap) is None


def test_traverses_of_two_directions_have_no_common_bearing():
    assert traverse_bearing(joined(laid_out(), laid_out(bearing=90))) is None


def test_unplaced_readings_do_not_count():
    survey = laid_out()
    x = survey.x.copy()
    x[::7] = np.nan
    holed = Readings.build(x=x, y=survey.y, values=survey.values, line=survey.line)
    assert traverse_separation(holed) == pytest.approx(0.5, rel=1e-5)


@pytest.mark.parametrize(
    ("separation", "interval", "size"),
    [(0.5, 0.125, 0.25), (1.0, 0.25, 0.5), (1.0, 0.125, 0.5), (2.0, 0.5, 1.0), (0.25, 0.25, 0.25)],
)
def test_half_the_traverse_separation_is_suggested(separation, interval, size):
    # common practice, no source
    assert suggest_cell_size(laid_out(separation, interval)) == size


def test_no_cell_finer_than_the_readings_is_suggested():
    assert suggest_cell_size(laid_out(0.5, 0.3)) == 0.5


def test_the_default_blanking_distance_bridges_one_missing_traverse_and_no_more_than_two():
    blanking = measure(laid_out(0.5, 0.125)).blanking_distance
    assert 1.0 * 0.5 < blanking < 2.0 * 0.5


def test_one_traverse_has_no_separation():
    with pytest.raises(ValueError, match="no second traverse beside the first"):
        suggest_cell_size(laid_out(lines=1))
    with pytest.raises(ValueError, match="no second traverse"):
        suggest_cell_size(laid_out(lines=1, noise=0.02))


def test_one_reading_has_no_spacing():
    one = laid_out(lines=1, length=1)
    with pytest.raises(ValueError, match="give a cell size and a blanking distance"):
        traverse_separation(one)
    with pytest.raises(ValueError, match=r"show 1 position\(s\)"):
        reading_interval(one)
    assert traverse_bearing(one) is None


def test_the_explanation_names_the_figures():
    assert measure(laid_out()).explanation == (
        "Measured traverse separation 0.5, reading interval 0.125: suggested cell size 0.25 "
        "(half the separation, not finer than the interval, as a neat figure)."
    )


def test_neat_figures():
    assert [neat_near(v) for v in (0.09, 0.13, 0.24, 0.4, 0.8, 3.9, 70)] == [
        0.1, 0.1, 0.25, 0.5, 1.0, 5.0, 50.0,
    ]  # fmt: skip
    assert [neat_at_least(v) for v in (0.25, 0.2501, 0.9, 11)] == [0.25, 0.5, 1.0, 20.0]
