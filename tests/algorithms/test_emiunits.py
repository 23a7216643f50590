"""What a conversion of channels does with offsets, heights, faults and forms."""

import numpy as np
import pytest
from lynchet.algorithms.ground.conversion.apparent import half_space, solve
from lynchet.algorithms.ground.conversion.forms import named_numbers
from lynchet.algorithms.ground.conversion.told import Told
from lynchet.algorithms.ground.conversion.zero_level import ZeroLevel
from lynchet.algorithms.ground.emiunits import EmiUnitsOptions, emiunits
from lynchet.algorithms.ground.instrument import CoilPair, Instrument
from lynchet.algorithms.ground.layeredresponse import layered_response
from lynchet.algorithms.ground.response.halfspace import halfspace_ratio
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import Qc, Readings

PAIR = CoilPair(1.0, frequency=10_000.0, height=0.1, quadrature="ec", in_phase="ip")
ONE = Instrument((PAIR,))
RULE = 1e-3 * 2 * np.pi * 1e4 * 4e-7 * np.pi / 4
"""Field ratio per mS/m of the pair, by McNeill (1980)."""


def readings(ec, ip=None, units=("mS/m", "ppt"), **more):
    ip = np.zeros(len(ec)) if ip is None else ip
    n = len(ec)
    return Readings.build(
        x=np.arange(n), y=np.zeros(n), values=np.column_stack([ec, ip]),
        channels=["ec", "ip"], units=units, **more,
    )  # fmt: skip


def over(conductivity, susceptibility=0.0, pair=PAIR):
    """What the instrument shows over uniform ground: mS/m by the rule, and ppt."""
    ground = np.atleast_1d(np.asarray(conductivity, float))[:, np.newaxis]
    ratio = layered_response([pair], ground, susceptibility=np.full_like(ground, susceptibility))
    return ratio.imag[:, 0] / RULE, 1e3 * ratio.real[:, 0]


def converted(ec, ip=None, options=None, **more):
    return emiunits(readings(ec, ip), ONE, options, **more)


def test_what_is_shown_over_uniform_ground_becomes_its_conductivity():
    ground = np.array([2.0, 20.0, 200.0, 2000.0])
    found = converted(*over(ground))
    np.testing.assert_allclose(found.readings.values[:, 0], ground, rtol=1e-8)
    assert found.readings.units == ("mS/m", "ppt")
    assert found.forms == {"ec": "exact", "ip": "ppt"}
    # The rule with the height counted, McNeill (1980).
    share = 1 / np.sqrt(4 * 0.1**2 + 1)
    error = over(ground)[0] / share / ground - 1
    assert found.figures["ec largest error by low induction numbers"] == pytest.approx(
        error[3], rel=1e-5
    )
    off = np.mean(np.abs(error) > 0.05)
    assert found.figures["ec share off by low induction numbers"] == pytest.approx(off)


def test_a_channel_left_as_it_is_keeps_its_last_bit():
    ec, ip = over([20.0, 31.7])
    found = converted(ec, ip, EmiUnitsOptions(quadrature_to="unchanged"))
    assert (found.readings.values == np.column_stack([ec, ip])).all()
    assert found.readings.units == ("mS/m", "ppt")


@pytest.mark.parametrize(("form", "scale"), [("ratio", 1.0), ("ppt", 1e3), ("ppm", 1e6)])
def test_field_ratios_differ_by_powers_of_ten(form, scale):
    options = EmiUnitsOptions(quadrature_to=form, in_phase_to=form)
    found = converted([20.0], [0.5], options).readings
    assert found.values[0, 0] == pytest.approx(20 * RULE * scale, rel=1e-14)
    assert found.values[0, 1] == pytest.approx(0.5e-3 * scale, rel=1e-14)
    assert found.units == (form, form)


def test_the_height_is_taken_out_at_low_induction_numbers():
    found = converted([20.0], None, EmiUnitsOptions(quadrature_to="low_induction_lifted"))
    # McNeill (1980): 1 / sqrt(4 z^2 + 1) from below z = h / s.
    assert found.readings.values[0, 0] == pytest.approx(20 * np.sqrt(4 * 0.01 + 1), rel=1e-12)


def test_a_height_left_in_is_spoken_of():
    high = Instrument((CoilPair(1.0, height=0.5, quadrature="ec", in_phase="ip"),))
    shown = readings([1e3 * 20 * RULE], units=("ppt", "ppt"))
    options = EmiUnitsOptions("ppt", "low_induction")
    found = emiunits(shown, high, options)
    assert found.readings.values[0, 0] == pytest.approx(20, rel=1e-12)
    assert any("0.5 m up read 70.7 %" in said for said in found.warnings)
    found = emiunits(shown, high, EmiUnitsOptions("ppt", "low_induction_lifted"))
    assert not any("0.5 m up" in said for said in found.warnings)
    assert any("those of the ground" in said for said in found.messages)


def test_each_reading_may_have_a_height():
    heights = np.linspace(0, 0.3, 40)
    ground = np.full((40, 1), 30.0)
    ratio = layered_response([PAIR], ground, height=heights)[:, 0]
    shown = ratio.imag / RULE
    heights[3] = np.nan
    found = converted(shown, height=heights)
    expected = np.where(np.arange(40) == 3, np.nan, 30.0)
    np.testing.assert_allclose(found.readings.values[:, 0], expected, rtol=1e-9)
    assert found.figures["ec without a height"] == 1
    assert "ec: 1 reading without a height is NULL now." in found.warnings


def test_readings_no_ground_gives_are_null_and_counted():
    most = half_space("vertical", 0.1).most / RULE
    found = converted([20.0, 0.99 * most, 1.01 * most, np.nan])
    assert np.isfinite(found.readings.values[:, 0]).tolist() == [True, True, False, False]
    assert found.figures["ec without a ground"] == 1
    assert any("1 reading is NULL now: no uniform ground" in said for said in found.warnings)


def test_readings_below_zero_stay_below_zero():
    ec = np.array([-30.0, -0.5, 0.0, 0.5, 30.0])
    found = converted(ec)
    values = found.readings.values[:, 0]
    np.testing.assert_allclose(values, -values[::-1], atol=1e-12)
    assert (np.diff(values) > 0).all()
    assert found.figures["ec below 0"] == 2
    assert any("2 readings (40 %) below 0" in said for said in found.warnings)


def test_susceptibility_with_the_conductive_ground_taken_off():
    ec, ip = over([100.0, 400.0], 0.002)
    both = EmiUnitsOptions(in_phase_to="susceptibility", subtract_conductive=True)
    found = converted(ec, ip, both).readings
    # What the two do to each other is left out.
    np.testing.assert_allclose(found.values[:, 1], 200.0, rtol=0.01)
    assert found.units == ("mS/m", "1e-5 SI")
    alone = EmiUnitsOptions(in_phase_to="susceptibility")
    assert (converted(ec, ip, alone).readings.values[:, 1] > [220, 400]).all()


def test_conductive_ground_alone_reads_no_susceptibility():
    options = EmiUnitsOptions("low_induction", "unchanged", subtract_conductive=True)
    ec, ip = over([50.0, 1000.0])
    found = converted(ec, ip, options).readings
    assert (found.values[:, 0] == ec).all()
    assert np.abs(found.values[:, 1]).max() < 1e-6 * ip.max()


def test_an_offset_is_taken_off_in_the_unit_that_is_read():
    ec, ip = over([20.0, 40.0])
    zero = ZeroLevel(offsets={"ec": 3.0, "ip": -0.2})
    found = converted(ec + 3, ip - 0.2, zero=zero).readings.values
    np.testing.assert_allclose(found, np.column_stack([[20.0, 40.0], ip]), rtol=1e-8)


def test_a_known_point_sets_the_zero_level_in_the_unit_that_is_made():
    ec, ip = over([20.0, 22.0, 24.0, 60.0, 80.0], 0.001)
    zero = ZeroLevel(known={"ec": 22.0, "ip": 100.0}, place=(1.0, 0.0), radius=1.2)
    options = EmiUnitsOptions(in_phase_to="susceptibility", subtract_conductive=True)
    found = converted(ec + 5, ip + 0.7, options, zero=zero)
    np.testing.assert_allclose(found.readings.values[:, 0], [20, 22, 24, 60, 80], rtol=1e-3)
    np.testing.assert_allclose(found.readings.values[:, 1], 100.0, rtol=2e-3)
    assert found.figures["ec readings at the point"] == 3
    assert found.figures["ec offset"] == pytest.approx(5.0, abs=0.03)
    assert found.figures["ip offset"] == pytest.approx(0.7, rel=1e-2)
    assert found.figures["ec spread at the point"] == pytest.approx(
        1.4826 * np.median(np.abs(ec[:3] - ec[1])), rel=1e-5
    )
    assert not any("arbitrary" in said for said in found.warnings)


def test_what_is_flagged_informs_no_zero_level_and_no_figure():
    ec, _ = over([20.0, 20.0, 20.0, 20.0])
    ec[2] = 5000.0
    qc = [0, 0, int(Qc.EXCLUDED), 0]
    zero = ZeroLevel(known={"ec": 20.0}, place=(2.0, 0.0), radius=1.5)
    found = emiunits(readings(ec, qc=qc), ONE, zero=zero)
    assert found.figures["ec readings at the point"] == 2
    assert found.figures["ec offset"] == pytest.approx(0, abs=1e-6)
    assert found.figures["ec largest error by low induction numbers"] > -0.05
    assert any("only 2 readings at the known point" in said for said in found.warnings)


def test_an_in_phase_zero_level_that_was_not_set_is_spoken_of():
    found = converted([20.0], [0.5], EmiUnitsOptions(in_phase_to="susceptibility"))
    assert any("zero level of an in-phase channel is arbitrary" in said for said in found.warnings)
    found = converted(
        [20.0], [0.5], EmiUnitsOptions(in_phase_to="susceptibility"),
        zero=ZeroLevel(offsets={"ip": 0.0}),
    )  # fmt: skip
    assert not found.warnings


def test_a_centimetre_that_matters_is_spoken_of():
    near = Instrument((CoilPair(0.5, height=0.15, quadrature="ec", in_phase="ip"),))
    options = EmiUnitsOptions(in_phase_to="susceptibility")
    found = emiunits(readings([20.0], [0.5]), near, options)
    # (1 - 2 z^2) / (z^2 + 1)^2.5 with z = 2 h / s: its change from h to h + 1 cm.
    shares = [(1 - 2 * z**2) / (z**2 + 1) ** 2.5 for z in (0.5999, 0.6001)]
    slope = abs(shares[1] - shares[0]) / 0.0002 * 2 * 0.01 / 0.5
    change = slope / ((1 - 0.72) / 1.36**2.5)
    assert found.figures["ip change by a centimetre of height"] == pytest.approx(change, rel=1e-4)
    assert any("a centimetre of height changes" in said for said in found.warnings)


def test_what_the_history_tells_is_what_is_converted():
    values = converted(*over([20.0])).readings.values[:, 0]
    found = converted(values, told=Told({"ec": "exact"}))
    assert (found.readings.values[:, 0] == values).all()
    found = converted(values, None, EmiUnitsOptions("low_induction"), told=Told({"ec": "exact"}))
    assert any("may be converted twice" in said for said in found.warnings)


def test_there_and_back():
    ec, ip = over([3.0, 30.0, 300.0], 0.003)
    there = converted(ec, ip, EmiUnitsOptions(in_phase_to="susceptibility"))
    back = emiunits(
        there.readings, ONE, EmiUnitsOptions("recorded", "low_induction", "recorded", "ppt"),
        told=Told(there.forms),
    )  # fmt: skip
    np.testing.assert_allclose(back.readings.values, np.column_stack([ec, ip]), rtol=1e-9)
    assert back.readings.units == ("mS/m", "ppt")


def test_channels_of_no_instrument_are_left():
    more = Readings.build(
        x=[0], y=[0], values=[[20.0, 7.0]], channels=["ec", "soil"], units=["mS/m", ""]
    )
    found = emiunits(more, ONE)
    assert found.readings.values[0, 1] == 7.0
    assert found.messages[0].startswith("Left as they are, being no channels of the instrument")


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (
            lambda: emiunits(readings([1.0], units=("ppt", "ppt")), ONE),
            "Channel 'ec' is in ppt by the layer, but in mS/m by the instrument description",
        ),
        (
            lambda: emiunits(Readings.build(x=[0], y=[0], values=[1.0]), ONE),
            "None of the channels c1 is one of instrument: it has ec, ip",
        ),
        (
            lambda: emiunits(
                Readings.build(x=[0], y=[0], values=[1.0], channels=["ip"]), ONE,
                EmiUnitsOptions(subtract_conductive=True),
            ),
            "To take the conductive ground off 'ip', the quadrature part",
        ),
        (
            lambda: emiunits(
                Readings.build(x=[0], y=[0], values=[1.0], channels=["ip"]),
                Instrument((CoilPair(1.0, "perpendicular", in_phase="ip"),)),
                EmiUnitsOptions(in_phase_to="susceptibility"),
            ),
            "'ip': perpendicular dipoles 0 m up and 1 m apart read nothing",
        ),
        (
            lambda: converted([20.0, 20.0], height=[0.1, -0.2]),
            "The height of reading 2 is -0.2 m",
        ),
        (lambda: converted([20.0], height=[0.1, 0.2]), "1 readings need as many heights, not 2"),
        (
            lambda: converted([20.0], zero=ZeroLevel(known={"ec": 5.0}, place=(50, 50))),
            "of 'ec' lies within 1 m of the known point; the nearest is 70.7 m away",
        ),
        (
            lambda: converted([20.0], zero=ZeroLevel(known={"ec": 1e6}, place=(0, 0))),
            "The known value of 'ec' is 1,000,000 mS/m, which the coils cannot read",
        ),
        (lambda: converted([20.0], zero=ZeroLevel(offsets={"em": 1.0})), "names 'em', which is no"),
        (lambda: ZeroLevel({"ec": 1.0}, {"ec": 2.0}, (0, 0)), "has an offset and a known value"),
        (lambda: ZeroLevel(known={"ec": 2.0}), "Known values are given without the known point"),
        (lambda: ZeroLevel(place=(0, 0)), "A known point is given without known values"),
        (lambda: ZeroLevel(radius=0.0), "The radius is 0"),
        (lambda: EmiUnitsOptions(quadrature_to="S/m"), "Quadrature form 'S/m' is unknown"),
        (lambda: named_numbers("ec 2", "Offsets"), "'Offsets' holds 'ec 2'; write a channel"),
        (lambda: named_numbers("ec = 2,5", "Offsets"), "'Offsets' holds 'ec = 2,5'"),
        (lambda: named_numbers("ec=1;ec=2", "Offsets"), "'Offsets' names channel 'ec' twice"),
        (lambda: halfspace_ratio([-1.0]), "The electrical size is -1"),
        (lambda: halfspace_ratio([1.0], "oblique"), "Orientation 'oblique' is unknown"),
    ],
)  # fmt: skip
def test_what_cannot_be(call, sentence):
    with pytest.raises(ValueError, match=sentence):
        call()


def test_a_choice_of_form_outweighs_the_layers_unit():
    found = emiunits(
        readings([0.4], units=("mS/m", "ppt")), ONE, EmiUnitsOptions("ppt", "low_induction")
    )
    assert found.readings.values[0, 0] == pytest.approx(0.4e-3 / RULE)
    assert any("the choice counts" in said for said in found.warnings)


def test_inputs_are_left_alone_and_work_is_cancelled():
    before = readings(*over([20.0, 30.0]))
    kept = before.values.copy()
    emiunits(before, ONE, zero=ZeroLevel(offsets={"ec": 1.0}))
    assert (before.values == kept).all()
    with pytest.raises(Cancelled):
        emiunits(before, ONE, progress=lambda done: False)


def test_the_solver_says_where_a_curve_does_not_reach():
    one = np.ones(2)
    found = solve(lambda x, _: (x, np.ones_like(x)), np.array([0.5, 2.0]), 0 * one, one, 0 * one)
    assert found[0] == pytest.approx(0.5)
    assert np.isnan(found[1])


def said(found, words):
    return [one for one in (*found.messages, *found.warnings) if words in one]


def test_what_no_history_tells_is_said():
    found = converted([20.0], [0.5])
    assert said(found, "No history tells what ec, ip are in: taken as the instrument description")
    found = converted([20.0], [0.5], told=Told({"ec": "", "ip": ""}))
    assert not said(found, "No history")
    chosen = EmiUnitsOptions("low_induction", in_phase_from="ppt")
    assert not said(converted([20.0], [0.5], chosen), "No history")


def test_values_beyond_belief_are_spoken_of():
    options = EmiUnitsOptions(in_phase_to="susceptibility")
    # 40 x 1e-5 SI, taken for ppt: by the magnetic image kappa / (2 + kappa), half a field's share.
    found = converted([20.0], [40.0], options)
    assert found.readings.values[0, 1] > 5000
    assert said(found, "ground hardly passes 5,000 x 1e-5 SI: a wrong unit")
    assert not said(converted([20.0], [2.0], options), "hardly")
    assert said(converted([20.0], [150.0]), "ip: the median is 150 ppt of the field")
    assert not said(converted([20.0], [90.0]), "hardly")
    lifted = EmiUnitsOptions(quadrature_to="low_induction_lifted")
    assert said(converted([6000.0], None, lifted), "and ground hardly passes 5,000 mS/m")
    assert not said(converted([4000.0], None, lifted), "hardly")


def test_conversion_after_reference_to_a_temperature_is_spoken_of():
    told = Told({"ec": "", "ip": ""}, referred={"ec": 25.0})
    for form in ("exact", "ppm"):
        found = converted([20.0], None, EmiUnitsOptions(quadrature_to=form), told=told)
        assert said(found, "ec: by the history its values were referred to 25 °C")
    # What is a factor too may come after it; what is left alone is not spoilt.
    for form in ("low_induction_lifted", "unchanged"):
        found = converted([20.0], None, EmiUnitsOptions(quadrature_to=form), told=told)
        assert not said(found, "were referred")
    subtract = EmiUnitsOptions(quadrature_to="unchanged", subtract_conductive=True)
    assert said(converted([20.0], None, subtract, told=told), "referred to 25 °C")


def test_heights_of_many_spacings_are_spoken_of():
    low, high = (
        Instrument((CoilPair(0.5, height=up, quadrature="ec", in_phase="ip"),)) for up in (0.9, 5)
    )
    ppm = EmiUnitsOptions(quadrature_to="ppm")
    assert not said(emiunits(readings([20.0]), low, ppm), "in metres")
    told = said(emiunits(readings([20.0]), high, ppm), "in metres")
    assert told == [
        "The coils of the pair 0.5 m vertical are 5 m up, 10 times their spacing of 0.5 m: are "
        "you sure that the height is in metres?"
    ]
    heights = [0.1, 0.1, 0.1, 12.0, np.nan]
    found = emiunits(readings([20.0] * 5), low, ppm, height=heights)
    assert said(found, "m up in 25 % of the readings, at most 12 m: are you sure")


@pytest.mark.parametrize(
    ("shown", "up", "sentence"),
    [
        # 600 mS/m by the rule, less than 1/20 of it left 10 spacings up: no ground gives so much.
        (6000.0, 10.0, r"no uniform ground gives them. Check the height first, 10 m or 10 times"),
        (60_000.0, 0.1, r"no uniform ground gives them. Check its unit, its zero level and the"),
        (20.0, np.nan, r"Channel 'ec' would lose every reading: none has a height"),
    ],
)
def test_a_channel_that_would_lose_every_reading_is_refused(shown, up, sentence):
    with pytest.raises(ValueError, match=sentence):
        converted([shown, shown], height=[up, up])


def test_what_is_not_converted_is_said():
    assert said(converted([20.0], None, EmiUnitsOptions(quadrature_to="unchanged")), "Nothing was")
    found = converted([20.0], told=Told({"ec": "exact"}))
    assert said(found, "ec: already exact apparent conductivity; left as it is.")
    assert said(found, "Nothing was converted")
    found = converted([20.0], told=Told({"ec": "exact"}), zero=ZeroLevel({"ec": 2.0}))
    assert said(found, "ec: already exact apparent conductivity; not converted again.")
    assert not said(found, "Nothing was converted")
    assert not said(converted([20.0]), "already")


def test_an_offset_in_another_unit_than_before_is_spoken_of():
    zero = ZeroLevel({"ec": 2.0})
    ppt = Told({"ec": "ppt", "ip": ""}, {"ec": "mS/m"})
    in_ppt = readings([0.4], units=("ppt", "ppt"))
    found = emiunits(in_ppt, ONE, told=ppt, zero=zero)
    assert said(found, "ec: the history says that its zero level was set once before.")
    assert said(found, "ec: the offset of 2 is taken in ppt, which the channel is in now, not in "
                "mS/m as the time before.")  # fmt: skip
    assert found.figures["ec offset unit"] == "ppt"
    found = emiunits(in_ppt, ONE, told=Told({"ec": "ppt"}), zero=zero)
    assert said(found, "not in mS/m as the instrument shows")
    assert not said(converted([20.0], zero=zero), "which the channel is in now")


@pytest.mark.parametrize("back", [False, True])
def test_the_parts_of_a_change_add_up(back):
    ec, _ = over([30.0])
    # McNeill (1980): the height leaves 1 / sqrt(4 z^2 + 1); the rest is the rule's error.
    height = ec[0] * (np.sqrt(4 * 0.1**2 + 1) - 1)
    rule = 30.0 - ec[0] - height
    if back:
        options = EmiUnitsOptions("exact", "low_induction")
        (told,) = said(converted([30.0], None, options), "the median goes")
        parts = f": {-rule:+.3g} by what the rule for low induction numbers misses, "
        assert told.endswith(f"{parts}{-height:+.3g} by the height.")
        return
    (told,) = said(converted(ec + 2, zero=ZeroLevel({"ec": 2.0})), "the median goes")
    assert told.endswith(
        f": -2 by the zero level, {height:+.3g} by the height, {rule:+.3g} by what the rule for "
        "low induction numbers misses."
    )


@pytest.mark.parametrize(
    ("form", "spoken"),
    [("exact", True), ("low_induction_lifted", True), ("ppm", False), ("unchanged", False)],
)
def test_the_rules_error_is_told_where_it_counts(form, spoken):
    found = converted([200.0], None, EmiUnitsOptions(quadrature_to=form))
    assert bool(said(found, "the height counted, is off by")) == spoken
    shown = readings([1.0], units=("ppt", "ppt"))
    for subtract in (False, True):
        options = EmiUnitsOptions("ppt", "low_induction", subtract_conductive=subtract)
        assert not said(emiunits(shown, ONE, options), "is off by")


def test_words_fit_their_number():
    most = half_space("vertical", 0.1).most / RULE
    one, two = (converted([20.0, *[1.01 * most] * count]) for count in (1, 2))
    assert said(one, "1 reading is NULL now: no uniform ground gives it, for")
    assert said(two, "2 readings are NULL now: no uniform ground gives them, for")
    found = converted([20.0], [0.5], EmiUnitsOptions(in_phase_to="ppm"))
    assert said(found, "ip: from field ratio in ppt to field ratio in ppm;")
