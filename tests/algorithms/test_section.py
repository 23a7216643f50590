"""Sections: distances, gaps and the readings a line passes, on layouts reckoned by hand."""

from dataclasses import replace

import numpy as np
import pytest
from lynchet.algorithms.ground.instrument import CoilPair, Instrument
from lynchet.algorithms.ground.invertlayers import InversionOptions, invert_layers
from lynchet.algorithms.ground.low_induction import layered_conductivity
from lynchet.algorithms.ground.section import along_line, along_traverse, corridor, named_traverse
from lynchet.algorithms.ground.section_ground import (
    AT_MOST,
    BELOW_DEEPEST,
    BELOW_LAST,
    BELOW_SEEN,
    NARROWEST,
    colour_range,
    section_ground,
    shown_range,
)
from lynchet.algorithms.readings import Readings

FOOT = 1 / 0.3048
INSTRUMENT = Instrument(
    (CoilPair(0.5, frequency=100.0, quadrature="a"), CoilPair(1.0, frequency=100.0, quadrature="b"))
)


def plan(metre=1.0, turn=0.0, count=21, lines=5):
    """Traverses 0.5 m apart, readings 0.25 m apart, walked zigzag from 0 to 5 m."""
    along = np.arange(count) * 0.25
    y = np.concatenate([along if k % 2 == 0 else along[::-1] for k in range(lines)])
    x = np.repeat(np.arange(lines) * 0.5, count)
    place = (x + 1j * y) * np.exp(-1j * np.radians(turn)) * metre + complex(4e5, 5e6)
    return Readings.build(
        x=place.real, y=place.imag, values=np.zeros((count * lines, 1)),
        line=np.repeat(np.arange(lines) + 1, count), grid=["G 1"] * (count * lines),
    )  # fmt: skip


@pytest.mark.parametrize("metre", [1.0, FOOT])
@pytest.mark.parametrize("turn", [0.0, 30.0])
def test_distances_along_a_traverse_are_metres_from_its_start(metre, turn):
    readings = plan(metre, turn)
    for line in (1, 2):
        found = along_traverse(readings, readings.lines[line - 1], metre)
        np.testing.assert_allclose(found.middle, np.arange(21) * 0.25, atol=1e-6)
        np.testing.assert_allclose(found.right[:-1], found.left[1:], atol=1e-9)
        assert found.rows.tolist() == list(range(21 * (line - 1), 21 * line))
    # Line 1 to the north, or 30 degrees east of it; line 2 back.
    assert along_traverse(readings, readings.lines[0], metre).ends == (
        ("S", "N") if turn == 0 else ("SW", "NE")
    )
    assert found.ends == (("N", "S") if turn == 0 else ("NE", "SW"))


def test_a_reading_without_a_place_has_no_column_and_a_gap_stays_open():
    readings = plan(lines=1)
    readings.x[[3, 8, 9, 10]] = np.nan
    found = along_traverse(readings, readings.lines[0])
    assert 3 not in found.rows
    assert len(found.rows) == 17
    gaps = found.left[1:] - found.right[:-1]
    # Steps of 0.5 m are closed; the one of 1 m leaves half of it open.
    assert np.flatnonzero(gaps > 1e-9).tolist() == [6]
    assert gaps[6] == pytest.approx(0.5)


def test_jitter_sideways_does_not_lengthen_a_section():
    y = np.arange(81) * 0.25
    x = 0.03 * (-1.0) ** np.arange(81)
    readings = Readings.build(x=x, y=y, values=y)
    found = along_traverse(readings, readings.lines[0])
    assert found.middle[-1] == pytest.approx(20.0, abs=0.02)
    assert np.hypot(np.diff(x), np.diff(y)).sum() > 20.5


@pytest.mark.parametrize("metre", [1.0, FOOT])
def test_a_line_across_meets_each_traverse_for_half_a_separation_to_either_side(metre):
    readings = plan(metre)
    start, end = (complex(4e5, 5e6) + metre * z for z in (0 + 2.5j, 2 + 2.5j))
    vertices = np.array([[z.real, z.imag] for z in (start, end)])
    width, interval = corridor(readings)
    assert width == pytest.approx(0.5 * metre, rel=1e-5)
    found = along_line(readings, vertices, width, interval, metre)
    np.testing.assert_allclose(readings.x[found.rows], 4e5 + np.arange(5) * 0.5 * metre)
    np.testing.assert_allclose(readings.y[found.rows], 5e6 + 2.5 * metre)
    np.testing.assert_allclose(found.left, [0, 0.25, 0.75, 1.25, 1.75], atol=0.126)
    np.testing.assert_allclose(found.right, [0.25, 0.75, 1.25, 1.75, 2.0], atol=0.126)
    assert found.ends == ("W", "E")


def test_a_line_between_two_traverses_has_no_gap_and_one_beyond_them_ends_with_them():
    readings = plan()
    line = np.array([[4e5 + 0.25, 5e6], [4e5 + 0.25, 5e6 + 5]])
    found = along_line(readings, line, *corridor(readings))
    assert found.left[0] == 0
    assert found.right[-1] == 5
    np.testing.assert_allclose(found.left[1:], found.right[:-1])
    beyond = np.array([[4e5 + 1, 5e6 + 2], [4e5 + 1, 5e6 + 9]])
    found = along_line(readings, beyond, *corridor(readings))
    assert found.right[-1] == pytest.approx(3.0, abs=0.3)


def test_a_wider_corridor_reaches_further():
    readings = plan(lines=2)
    beside = np.array([[4e5 + 1.5, 5e6], [4e5 + 1.5, 5e6 + 5]])
    with pytest.raises(ValueError, match=r"No reading lies within 0\.25 m of the drawn line"):
        along_line(readings, beside, *corridor(readings))
    found = along_line(readings, beside, *corridor(readings, 2.2))
    assert set(readings.line[found.rows]) == {2}


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        ("", "'' names no traverse: give its number"),
        ("west", "'west' names no traverse"),
        ("9", "There is no traverse '9'. There are: A 1, A 2, B 1."),
        ("C 1", "There is no traverse 'C 1'"),
        ("1", "2 traverses have the number 1: give the data grid too, one of A 1, B 1"),
    ],
)
def test_traverses_that_are_not_there_or_twice_are_refused(text, sentence):
    readings = Readings.build(
        x=np.arange(3), y=np.zeros(3), values=np.zeros(3), line=[1, 2, 1], grid=["A", "A", "B"]
    )
    with pytest.raises(ValueError, match=sentence):
        named_traverse(readings, text)


def test_lines_of_no_use_are_refused():
    readings = plan(lines=1)
    with pytest.raises(ValueError, match="show no traverse separation"):
        corridor(readings)
    with pytest.raises(ValueError, match="has no length"):
        along_line(readings, np.full((2, 2), 4e5), 1.0, 0.25)
    readings.x[:] = np.nan
    with pytest.raises(ValueError, match="lie in one place or in none"):
        along_traverse(readings, readings.lines[0])
    with pytest.raises(ValueError, match="lie in one place or in none"):
        corridor(readings, 1.0)


@pytest.fixture
def inverted():
    """Two layers, the upper thicker from reading to reading, by McNeill's closed forms."""
    thick = np.linspace(0.2, 0.6, 21)
    values = np.column_stack(
        [layered_conductivity([10.0, 40.0], [t], s) for t in thick for s in (0.5, 1.0)]
    ).reshape(21, 2)
    values[4] = np.nan
    readings = Readings.build(
        x=np.zeros(21), y=np.arange(21) * 0.25, values=values, channels=["a", "b"]
    )
    found = invert_layers(
        readings, INSTRUMENT.channels, InversionOptions(thicknesses=(0.3, 0.5), noise=(0.1,))
    )
    return readings, found


def test_what_the_layers_would_read_follows_from_them(inverted):
    readings, found = inverted
    section = along_traverse(readings, readings.lines[0])
    ground = section_ground(section, readings, INSTRUMENT.channels, found)
    # McNeill (1980) again, to what the induction number (under 0.004) leaves of it.
    known = np.flatnonzero(np.isfinite(ground.misfit))
    expected = [
        [layered_conductivity(found.conductivity[row], [0.3, 0.5], s) for s in (0.5, 1.0)]
        for row in section.rows[known]
    ]
    np.testing.assert_allclose(ground.computed[known], expected, rtol=8e-3)
    residual = (ground.observed - ground.computed)[known]
    sd = np.hypot(0.1, InversionOptions().relative * ground.observed[known])
    misfit = np.sqrt(((residual / sd) ** 2).mean(axis=1))
    np.testing.assert_allclose(ground.misfit[known], misfit, atol=0.02)


def test_a_reading_without_layers_stays_empty_and_the_floor_lies_below_what_is_seen(inverted):
    readings, found = inverted
    section = along_traverse(readings, readings.lines[0])
    ground = section_ground(section, readings, INSTRUMENT.channels, found)
    assert np.isnan(ground.conductivity[4]).all()
    assert np.isnan(ground.bottoms[4]).all()
    assert np.isnan(ground.computed[4]).all()
    assert ground.tops[0].tolist() == pytest.approx([0.0, 0.3, 0.8])
    usual = np.nanmedian(found.depth)
    assert ground.floor == pytest.approx(
        max(BELOW_LAST * 0.8, BELOW_SEEN * usual,
            min(BELOW_DEEPEST * np.nanmax(found.depth), AT_MOST * usual))
    )  # fmt: skip
    np.testing.assert_allclose(
        ground.factor[0], found.high[0] / found.conductivity[0], rtol=1e-9
    )  # fmt: skip
    only = along_traverse(readings.take(np.arange(3, 6)), readings.take(np.arange(3, 6)).lines[0])
    nothing = type(only)(only.name, np.array([4]), only.left[:1], only.right[:1], only.ends)
    with pytest.raises(ValueError, match="None of the readings along the section"):
        section_ground(nothing, readings, INSTRUMENT.channels, found)


def test_a_section_holds_its_depths_of_investigation_but_no_wild_ones(inverted):
    readings, found = inverted
    section = along_traverse(readings, readings.lines[0])
    depth = np.where(np.isfinite(found.depth), 2.0, np.nan)
    depth[7] = 2.6
    ground = section_ground(section, readings, INSTRUMENT.channels, replace(found, depth=depth))
    assert ground.floor == pytest.approx(2.6 * BELOW_DEEPEST)
    depth[7] = 50.0
    ground = section_ground(section, readings, INSTRUMENT.channels, replace(found, depth=depth))
    assert ground.floor == pytest.approx(2.0 * AT_MOST)
    # What fits badly does not deepen it at all.
    misfit = np.where(np.arange(21) == 7, 9.0, found.misfit)
    ground = section_ground(
        section, readings, INSTRUMENT.channels, replace(found, depth=depth, misfit=misfit)
    )
    assert ground.floor == pytest.approx(2.0 * BELOW_SEEN)


def test_within_the_bounds_of_an_interface_nothing_is_surer_than_they_are(inverted):
    readings, found = inverted
    section = along_traverse(readings, readings.lines[0])
    fixed = section_ground(section, readings, INSTRUMENT.channels, found)
    assert not fixed.free
    assert np.bincount(fixed.cells()[0], minlength=21).tolist() == [3] * 4 + [0] + [3] * 16
    # One interface at 0.3 m, between 0.1 and 0.9 m: a factor of 3 either way.
    two = replace(
        found, **{name: getattr(found, name)[:, :2] for name in ("conductivity", "low", "high")},
        thickness=found.thickness[:, :1], thin=found.thickness[:, :1] / 3,
        thick=found.thickness[:, :1] * 3,
    )  # fmt: skip
    two = replace(two, low=two.conductivity / 1.5, high=two.conductivity * 1.5)
    ground = section_ground(section, readings, INSTRUMENT.channels, two)
    assert ground.free
    column, top, bottom, conductivity, factor = ground.cells()
    first = column == 0
    assert top[first].tolist() == pytest.approx([0.0, 0.1, 0.3, 0.9])
    assert bottom[first].tolist() == pytest.approx([0.1, 0.3, 0.9, ground.floor])
    assert factor[first].tolist() == pytest.approx([1.5, 3.0, 3.0, 1.5])
    assert conductivity[first].tolist() == pytest.approx(np.repeat(two.conductivity[0], 2))


def test_colours_span_the_survey_and_never_less_than_a_contrast(inverted):
    _, found = inverted
    low, high = colour_range(found)
    assert (low, high) == tuple(np.nanpercentile(found.conductivity, [1, 99]))
    even = np.linspace(23.6, 26.3, 63).reshape(21, 3)
    low, high = colour_range(replace(found, conductivity=even))
    assert high / low == pytest.approx(NARROWEST)
    assert np.sqrt(low * high) == pytest.approx(np.sqrt(23.6 * 26.3), rel=1e-2)


def test_an_axis_shows_a_ditch_whole_and_is_not_flattened_by_metal():
    soil = 20 + np.random.default_rng(5).normal(0, 0.3, 200)
    ditch = np.where(np.arange(200) // 4 == 20, soil + 15, soil)
    assert shown_range(ditch) == (ditch.min(), ditch.max())
    low, high = shown_range(np.append(soil, [1500.0, -900.0, np.nan]))
    assert 35 < high < 50
    assert -5 < low < 5


def test_a_section_takes_the_name_it_is_given():
    readings = plan(lines=1)
    assert along_traverse(readings, readings.lines[0]).name == "line 1 of grid G 1"
    assert along_traverse(readings, readings.lines[0], name="the track").name == "the track"
