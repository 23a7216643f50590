"""Stacked profiles: offsets, sides, gaps, cuts and fills."""

import numpy as np
import pytest
from lynchet.algorithms.gridding.stackedprofiles import ProfileOptions, stackedprofiles
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import Qc, Readings

geometry = pytest.importorskip("shapely.geometry")

EAST, NORTH = 431000.0, 5530000.0


def survey(bearing=0.0, lines=6, length=41, values=None, wander=0.0, seed=0, **more):
    """Zigzag traverses half a metre apart, walked towards a bearing first."""
    rng = np.random.default_rng(seed)
    number = np.repeat(np.arange(lines), length)
    along = np.tile(np.arange(length) * 0.25, lines)
    along = np.where(number % 2, along.max() - along, along)
    across = number * 0.5 + rng.normal(0, wander, number.size)
    angle = np.radians(bearing)
    if values is None:
        values = 20 + np.sin(along) + rng.normal(0, 0.3, number.size)
    return Readings.build(
        x=EAST + along * np.sin(angle) + across * np.cos(angle),
        y=NORTH + along * np.cos(angle) - across * np.sin(angle),
        values=values,
        line=number,
        **more,
    )


def offsets(profile):
    return np.concatenate([a - b for a, b in zip(profile.stretches, profile.grounds)])


@pytest.mark.parametrize(
    ("bearing", "towards"), [(0, 90), (90, 0), (37, 127), (180, 90), (135, 45), (45, 135)]
)
@pytest.mark.parametrize("wander", [0.0, 0.05])
def test_all_profiles_lie_to_one_side_whichever_way_they_were_walked(bearing, towards, wander):
    drawn = stackedprofiles(survey(bearing, wander=wander)).profiles
    assert len(drawn) == 6
    sides = np.array([profile.bearing for profile in drawn])
    if bearing == 45:  # north-west and south-east are as near: either will do, but one for all
        sides = np.where(np.cos(np.radians(sides - towards)) < 0, sides + 180, sides)
        assert (np.cos(np.radians([p.bearing - drawn[0].bearing for p in drawn])) > 0.9).all()
    apart = (sides - towards + 180) % 360 - 180
    assert np.abs(apart).max() < (1e-6 if wander == 0 else 3)


@pytest.mark.parametrize("towards", [270.0, -90.0, 300.0])
def test_the_user_chooses_the_side(towards):
    drawn = stackedprofiles(survey(0), ProfileOptions(towards=towards)).profiles
    np.testing.assert_allclose([profile.bearing for profile in drawn], 270, atol=1e-6)


@pytest.mark.parametrize("towards", [0.0, 15.0, 180.0, 345.0])
def test_a_side_along_the_traverses_is_refused(towards):
    with pytest.raises(ValueError, match=r"lies to no side of them\. Give one near 90 or 270"):
        stackedprofiles(survey(0, wander=0.05), ProfileOptions(towards=towards))


def test_a_side_askew_of_the_traverses_is_one_for_all():
    readings = survey(0, wander=0.05)
    drawn = stackedprofiles(readings, ProfileOptions(towards=205.0)).profiles
    apart = np.array([(profile.bearing - 270 + 180) % 360 - 180 for profile in drawn])
    assert np.abs(apart).max() < 5


def test_a_reading_is_drawn_at_its_value_times_the_scale():
    readings = survey(0)
    drawn = stackedprofiles(readings, ProfileOptions(scale=(0.4,), base_value=(19.0,))).profiles
    for profile in drawn:
        rows = profile.traverse.rows
        expected = np.column_stack(
            [readings.x[rows] + 0.4 * (readings.values[rows, 0] - 19.0), readings.y[rows]]
        )
        corners = {tuple(np.round(corner, 6)) for corner in profile.stretches[0]}
        assert {tuple(np.round(corner, 6)) for corner in expected} <= corners


def test_the_base_is_the_median_of_the_survey_or_of_each_traverse():
    number = np.repeat(np.arange(6), 41)
    readings = survey(values=20.0 + number + np.tile(np.linspace(-1, 1, 41), 6))
    whole = stackedprofiles(readings, ProfileOptions(scale=(1.0,))).profiles
    assert {profile.base for profile in whole} == {float(np.median(readings.values))}
    own = stackedprofiles(readings, ProfileOptions((1.0,), "traverse_median")).profiles
    assert [round(profile.base, 9) for profile in own] == [20, 21, 22, 23, 24, 25]


def test_the_scale_found_keeps_ordinary_readings_within_a_separation():
    readings = survey(values=np.random.default_rng(1).normal(20, 3, 246))
    found = stackedprofiles(readings)
    away = np.abs(readings.values - np.median(readings.values)) * found.profiles[0].scale
    assert np.percentile(away, 95) == pytest.approx(0.5, rel=0.06)
    assert np.percentile(away, 95) <= 0.5
    assert any("map units high" in text for text in found.messages)


def test_fills_hold_the_area_between_profile_and_traverse():
    # the area under straight pieces, by the trapezoidal rule and by shapely
    readings = survey(37.0)
    for clip in (None, 0.3):
        drawn = stackedprofiles(readings, ProfileOptions((0.7,), clip=clip)).profiles
        for profile in drawn:
            angle = np.radians(profile.bearing)
            along, height = [], []
            for ground, top in zip(profile.grounds, profile.stretches):
                along.append(np.hypot(*(ground - ground[0]).T))
                height.append((top - ground) @ [np.sin(angle), np.cos(angle)])
            along, height = np.concatenate(along), np.concatenate(height)
            step, mean = np.diff(along), (height[1:] + height[:-1]) / 2
            rings = [geometry.Polygon(ring) for ring in (*profile.above, *profile.below)]
            assert all(ring.is_valid for ring in rings)
            above = sum(geometry.Polygon(ring).area for ring in profile.above)
            below = sum(geometry.Polygon(ring).area for ring in profile.below)
            assert above == pytest.approx(np.sum(step * np.maximum(mean, 0)), rel=1e-6)
            assert below == pytest.approx(-np.sum(step * np.minimum(mean, 0)), rel=1e-6)


def test_a_clipped_profile_is_the_profile_cut_by_a_strip():
    # against shapely's intersection of the uncut profile with the strip
    readings = survey(0, lines=2)
    plain = stackedprofiles(readings, ProfileOptions((1.0,), base_value=(20.0,))).profiles[0]
    cut = stackedprofiles(readings, ProfileOptions((1.0,), base_value=(20.0,), clip=0.6))
    x = readings.x[plain.traverse.rows[0]]
    strip = geometry.box(x - 0.6, NORTH - 1, x + 0.6, NORTH + 20)
    inside = geometry.LineString(plain.stretches[0]).intersection(strip)
    ours = geometry.LineString(cut.profiles[0].stretches[0])
    assert inside.length < geometry.LineString(plain.stretches[0]).length
    assert ours.buffer(1e-6).contains(inside)
    expected = np.sum(np.abs(readings.values[plain.traverse.rows, 0] - 20) > 0.6)
    assert cut.profiles[0].clipped == expected > 0
    assert cut.figures["readings_clipped"] >= expected
    assert np.hypot(*offsets(cut.profiles[0]).T).max() <= 0.6 + 1e-9


def test_a_gap_is_not_bridged_and_a_lone_reading_is_told():
    readings = survey(lines=2)
    values = readings.values.copy()
    values[10:20] = np.nan
    values[25:30] = np.nan
    values[31:37] = np.nan
    found = stackedprofiles(readings.with_values(values))
    first = found.profiles[0]
    assert len(first.stretches) == 3
    assert first.readings == 10 + 5 + 4
    assert any("1 reading stands alone" in text for text in found.warnings)
    for ground in first.grounds:
        assert np.diff(ground[:, 1]).max() < 0.26
    # a missing reading ends a stretch however long a gap may be
    wide = stackedprofiles(readings.with_values(values), ProfileOptions(gap=50.0)).profiles[0]
    assert len(wide.stretches) == 3


def test_a_single_missing_reading_ends_a_stretch():
    values = survey(lines=2).values.copy()
    values[[10, 30]] = np.nan
    found = stackedprofiles(survey(lines=2).with_values(values))
    assert len(found.profiles[0].stretches) == 3


def test_a_channel_read_at_every_second_place_is_drawn_in_one():
    values = survey(lines=2).values.copy()
    values[1::2] = np.nan
    found = stackedprofiles(survey(lines=2).with_values(values), ProfileOptions(scale=(1.0,)))
    assert [len(profile.stretches) for profile in found.profiles] == [1, 1]


def test_a_long_step_ends_a_stretch_and_a_longer_gap_does_not():
    readings = survey(lines=2)
    kept = ~np.isin(np.arange(82), np.arange(10, 20))
    fewer = Readings.build(
        x=readings.x[kept], y=readings.y[kept], values=readings.values[kept],
        line=readings.line[kept],
    )  # fmt: skip
    assert len(stackedprofiles(fewer).profiles[0].stretches) == 2
    assert len(stackedprofiles(fewer, ProfileOptions(gap=5.0)).profiles[0].stretches) == 1


def test_excluded_and_unplaced_readings_are_not_drawn():
    qc = np.zeros(82)
    qc[5] = Qc.EXCLUDED
    readings = survey(lines=2, qc=qc)
    values = readings.values.copy()
    values[5] = 1e6
    assert stackedprofiles(readings.with_values(values)).profiles[0].highest < 100


def test_channels_have_their_own_scales_and_bases():
    values = np.column_stack([survey().values[:, 0], 100 * survey().values[:, 0]])
    readings = survey(values=values, channels=("a", "b"), units=("mS/m", ""))
    found = stackedprofiles(readings)
    scale = {profile.channel: profile.scale for profile in found.profiles}
    assert scale[0] == pytest.approx(100 * scale[1], rel=0.06)
    given = stackedprofiles(readings, ProfileOptions(scale=(0.5, 0.005))).profiles
    assert {profile.scale for profile in given} == {0.5, 0.005}


def test_a_channel_without_readings_is_named():
    values = np.column_stack([survey().values[:, 0], np.full(246, np.nan)])
    found = stackedprofiles(survey(values=values, channels=("a", "b")))
    assert any("Channel b has no two usable readings" in text for text in found.warnings)


def test_a_constant_lies_on_its_traverse():
    found = stackedprofiles(survey(values=np.full(246, 7.0)))
    assert np.abs(np.concatenate([offsets(p) for p in found.profiles])).max() == 0
    assert not any(profile.above or profile.below for profile in found.profiles)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (ProfileOptions(scale=(0.0,)), "The scale is 0. Give a scale above 0"),
        (ProfileOptions(scale=(1.0, 2.0)), "2 figures are given for the scale of 1 channel"),
        (ProfileOptions(base="mean"), "Base 'mean' is unknown"),
        (ProfileOptions(clip=-1.0), "limit of clipping is -1"),
        (ProfileOptions(gap=0.0), "gap is 0"),
        (ProfileOptions(base_value=(np.nan,)), "base value is no number"),
    ],
)
def test_options_that_cannot_be_drawn_by_are_refused(options, words):
    with pytest.raises(ValueError, match=words):
        stackedprofiles(survey(), options)


def test_one_traverse_needs_a_scale():
    with pytest.raises(ValueError, match=r"no second traverse.*Give a scale"):
        stackedprofiles(survey(lines=1))
    assert len(stackedprofiles(survey(lines=1), ProfileOptions(scale=(1.0,))).profiles) == 1


def test_readings_that_all_stand_alone_are_refused():
    with pytest.raises(ValueError, match="no traverse has two usable readings next to"):
        stackedprofiles(survey(), ProfileOptions(scale=(1.0,), gap=0.1))


def test_the_user_can_cancel():
    with pytest.raises(Cancelled):
        stackedprofiles(survey(), progress=lambda done: done > 0.5)
