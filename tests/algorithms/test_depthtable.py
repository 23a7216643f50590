"""What a depth table holds, says and refuses; the grounds and names it shares with other steps."""

import numpy as np
import pytest
from lynchet.algorithms.ground.depth.sensitivity import (
    Curve,
    exact_curves,
    in_phase_curve,
    low_curve,
)
from lynchet.algorithms.ground.depth.weighing import weigh, weighing_text
from lynchet.algorithms.ground.depthtable import DepthOptions, depthtable, table_depths
from lynchet.algorithms.ground.grounds.departure import BATCH, departures, low_response
from lynchet.algorithms.ground.grounds.modelled import Layered, model_channels, with_channels
from lynchet.algorithms.ground.grounds.typed import TypedGround, typed_ground
from lynchet.algorithms.ground.instrument import (
    CoilPair,
    Instrument,
    ratio_per_conductivity,
)
from lynchet.algorithms.ground.layeredresponse import layered_jacobian
from lynchet.algorithms.ground.low_induction import layered_conductivity
from lynchet.algorithms.ground.pair_names import pair_labels
from lynchet.algorithms.progress import Cancelled

ONE = Instrument((CoilPair(1.0),))
DEPTHS = np.linspace(0, 6, 121)


def test_a_share_is_found_between_the_rows():
    # Below z^2 of a layer that ends at 1 m: half comes from above sqrt(1/2).
    depth = np.array([0.0, 0.5, 1.0])
    curve = Curve(depth, 2 * depth, depth**2, 1.0)
    assert curve.depth_of(0.5) == pytest.approx(np.sqrt(0.5), abs=1e-9)
    assert np.isnan(curve.depth_of(1.5))


def test_no_share_comes_from_above_where_layers_cancel_each_other():
    # Vertical dipoles over a very good conductor: B = 2.
    found = depthtable(ONE, DepthOptions(TypedGround((1e5,))))
    one = found.pairs[0]
    assert one.induction == pytest.approx(2.0, abs=0.02)
    assert np.isnan(one.depth_exact)
    assert np.isnan(one.exact.above).all()
    assert np.isfinite(one.exact.change).all()
    assert (one.exact.change < 0).any()
    assert (one.exact.change > 0).any()
    assert found.figures["pairs"]["1 m vertical"]["depth exact"] != 70
    assert any("no share comes from above any depth" in said for said in found.warnings)
    assert any("no such depth" in said for said in found.messages)


def test_a_whole_that_is_a_loss_is_not_shared_out():
    # All but all layers take away: shares would look like those of a gain.
    (curve,) = exact_curves([CoilPair(1.0)], TypedGround((25_300.0,)), DEPTHS)
    assert curve.whole < 0
    assert not curve.shared


def test_a_small_gain_that_is_left_of_a_large_one_is_not_shared_out():
    # B = 1: a third of what some layers add is taken back by others.
    pair = CoilPair(1.0, height=0.3)
    (curve,) = exact_curves([pair], TypedGround((25_300.0,)), DEPTHS)
    assert curve.whole > 0
    assert not curve.shared


def test_a_little_that_is_taken_back_does_no_harm():
    # B = 0.3: as far as 2 % more than the whole from above some depth.
    (curve,) = exact_curves([CoilPair(1.0)], TypedGround((2280.0,)), DEPTHS)
    assert 1.0 < curve.above.max() < 1.05
    assert 0.8 < curve.depth_of(0.7) < 0.9


def test_layers_add_up_to_what_the_engine_gives_for_them():
    pair, ground = CoilPair(1.0, height=0.1), TypedGround((5.0, 400.0, 20.0), (0.4, 0.6))
    (curve,) = exact_curves([pair], ground, [0.0, 0.4, 1.0])
    slopes = layered_jacobian([pair], [ground.conductivity], ground.thickness).by_conductivity
    expected = slopes.imag[0, 0] / (1e-3 * ratio_per_conductivity(pair))
    assert np.diff([*curve.total, curve.whole]) == pytest.approx(expected, rel=1e-6)


def test_induction_numbers_that_are_not_small_are_told():
    assert not depthtable(ONE, DepthOptions(TypedGround((20.0,)))).warnings
    found = depthtable(ONE, DepthOptions(TypedGround((200.0,))))
    assert found.warnings[0].startswith(
        "Exact and low-induction readings of '1 m vertical' differ by 9 % (B = 0.089; coils on "
        "the ground): "
    )
    assert found.pairs[0].departure < -0.05


def test_perpendicular_coils_on_the_ground_have_no_in_phase_whole():
    curve = in_phase_curve(CoilPair(1.0, "perpendicular"), DEPTHS)
    assert curve.whole == 0
    assert np.isnan(curve.above).all()
    assert in_phase_curve(CoilPair(1.0, "perpendicular", height=0.1), DEPTHS).shared


def test_in_phase_shares_may_pass_the_whole_but_not_by_far():
    shared = []
    for height in np.linspace(0, 1, 41):
        curve = in_phase_curve(CoilPair(1.0, height=height), DEPTHS)
        if curve.shared:
            assert np.abs(curve.above).max() <= 2.0
        shared.append(curve.shared)
    # Called off only about the height at which near and far cancel, 0.354 spacings.
    assert 0 < shared.count(False) < 15
    assert not shared[14]
    assert max(in_phase_curve(CoilPair(1.0), DEPTHS).above) > 1.1


def test_a_layered_ground_with_layers_alike_is_uniform():
    pairs = [CoilPair(0.5, height=0.1), CoilPair(1.0, "horizontal", 5000.0)]
    plain = exact_curves(pairs, TypedGround((40.0,)), DEPTHS)
    cut = exact_curves(pairs, TypedGround((40.0, 40.0, 40.0), (0.31, 0.7)), DEPTHS)
    for one, other in zip(plain, cut):
        np.testing.assert_allclose(one.total, other.total, atol=1e-8)
        np.testing.assert_allclose(one.change, other.change, atol=1e-5)


def test_curves_cross_where_each_weighs_as_much():
    # 4 z / (4 z^2 + 1)^1.5 per spacing: equal where (16 d^2 + 1) = 4^(2/3) (4 d^2 + 1).
    curves = [low_curve(CoilPair(s), np.linspace(0, 6, 1201)) for s in (0.5, 1.0)]
    expected = np.sqrt((4 ** (2 / 3) - 1) / (16 - 4 * 4 ** (2 / 3)))
    found = weigh(*curves, 6.0)
    assert found.depths == pytest.approx([expected], abs=2e-5)
    assert found.first == (True, False)
    assert weigh(curves[0], curves[0], 6.0) is None
    assert weighing_text("ba", curves[::-1], 6.0) == [
        "A thin layer weighs more in 'a' than in 'b' down to 0.507 m, and more in 'b' below."
    ]
    assert weighing_text(["a", "b"], curves, 0.4) == [
        "A thin layer weighs more in 'a' than in 'b' at all depths of the table."
    ]


def test_curves_that_cross_twice_are_told_so():
    curves = [
        low_curve(pair, DEPTHS) for pair in (CoilPair(1.0, "horizontal"), CoilPair(0.4, "vertical"))
    ]
    (said,) = weighing_text(["wide", "narrow"], curves, 6.0)
    assert said.startswith("A thin layer weighs more in 'wide' than in 'narrow' down to ")
    assert ", more in 'narrow' to " in said
    assert said.endswith(", and more in 'wide' below.")


def test_the_table_reaches_four_spacings_in_round_steps():
    depths = table_depths(Instrument((CoilPair(0.5), CoilPair(1.0))), DepthOptions())
    assert depths.tolist() == pytest.approx([0.1 * k for k in range(41)])
    depths = table_depths(ONE, DepthOptions(max_depth=1.0, depth_step=0.3))
    assert depths.tolist() == pytest.approx([0, 0.3, 0.6, 0.9])


@pytest.mark.parametrize(
    ("options", "sentence"),
    [
        ({"max_depth": 0.0}, "The greatest depth is 0 m; give a depth above 0 m"),
        ({"depth_step": 0.0}, "The step of depth is 0 m; give a step above 0 m"),
        ({"depth_step": 9.0}, "The step of 9 m is more than the greatest depth, 4 m"),
        ({"depth_step": 0.001}, "gives 4,001 depths; at most 1,000"),
        ({"share": 100.0}, "The share is 100 %; give more than 0 and less than 100 %"),
    ],
)
def test_tables_that_cannot_be(options, sentence):
    with pytest.raises(ValueError, match=sentence):
        depthtable(ONE, DepthOptions(**options))


@pytest.mark.parametrize(
    ("numbers", "sentence"),
    [
        (([],), "No conductivity is given"),
        (([1, 2, 3], [1]), "3 conductivities need 2 thicknesses, not 1"),
        (([1], [1]), "1 conductivity needs no thickness, not 1"),
        (([1, 2], [1], [0.1]), "1 susceptibility is given for 2 conductivities"),
        (([1, -2], [1]), "The conductivity of layer 2 is -2; give 0 to 1,000,000 mS/m"),
        (([1, float("nan")], [1]), "The conductivity of layer 2 is nan"),
        (([1, 2], [-1]), "The thickness of layer 1 is -1; give 0 m or more"),
        (([1, 2], [1], [0, 500]), "The susceptibility of layer 2 is 500; give -0.1 to 100"),
    ],
)
def test_typed_grounds_that_cannot_be(numbers, sentence):
    with pytest.raises(ValueError, match=sentence):
        typed_ground(*numbers)


def test_work_is_cancelled():
    with pytest.raises(Cancelled):
        depthtable(ONE, progress=lambda fraction: False)


def test_low_response_is_the_sum_of_layers_whatever_the_batches():
    rng = np.random.default_rng(3)
    n = BATCH + 5
    sigma, thick = rng.uniform(5, 50, (n, 3)), rng.uniform(0.1, 1, (n, 2))
    height = rng.uniform(0, 0.5, n)
    pair = CoilPair(1.0, "horizontal")
    found = departures([pair], sigma[-7:], thick[-7:], height[-7:]).low
    many = low_response([pair], sigma, thick, height=height).imag[-7:]
    scale = 1e-3 * 2 * np.pi * 1e4 * 4e-7 * np.pi / 4
    np.testing.assert_allclose(many / scale, found)
    for row in range(7):
        expected = layered_conductivity(
            sigma[row - 7], thick[row - 7], 1.0, "horizontal", height[row - 7]
        )
        assert found[row, 0] == pytest.approx(expected)


def test_channels_of_pairs_that_name_none_are_told_apart():
    pairs = (CoilPair(1.0), CoilPair(1.0, frequency=5e3), CoilPair(0.5, name="Near (H)"))
    names = [channel.field for channel in with_channels(Instrument(pairs)).channels]
    assert names == [
        "ec_100_vertical_1", "ip_100_vertical_1", "ec_100_vertical_2", "ip_100_vertical_2",
        "ec_near_h", "ip_near_h",
    ]  # fmt: skip
    ratio = Instrument(pairs, quadrature_unit="ppm")
    assert with_channels(ratio, "m_").channels[0].field == "m_q_100_vertical_1"
    same = (CoilPair(1.0), CoilPair(1.0))
    assert pair_labels(same) == ("1 m vertical, 10 kHz (1)", "1 m vertical, 10 kHz (2)")


def test_a_ground_that_lacks_a_number_reads_nothing():
    nan = float("nan")
    grounds = Layered(
        np.array([[20.0, 30.0], [nan, 30.0], [20.0, 30.0], [20.0, 30.0], [20.0, 30.0]]),
        np.array([[0.5], [0.5], [nan], [0.5], [0.5]]),
        np.array([[0.0, 1e-3]] * 3 + [[0.0, nan]] + [[0.0, 1e-3]]),
        np.array([0.0, 0.0, 0.0, 0.0, nan]),
    )
    found = model_channels(ONE, grounds)
    assert np.isfinite(found.values[0]).all()
    assert np.isnan(found.values[1:]).all()
    assert found.figures["incomplete"] == 4
    assert found.warnings[0].startswith("4 features lack a number of the ground: NULL in ec_100")


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ({"conductivity": [[20, -3]]}, "Feature 1 of layer 'g': field 's2' is -3 where a cond"),
        ({"thickness": [[-0.1]]}, "field 'd' is -0.1 where a thickness is needed; give 0 m or"),
        ({"thickness": [[np.inf]]}, "field 'd' is inf where a thickness"),
        ({"susceptibility": [[0, -2]]}, "the susceptibility of layer 2 is -2"),
        ({"height": [60.0]}, "the height of layer 1 is 60 where a height is needed; give 0 to 50"),
        ({"conductivity": [[np.nan, 3]]}, "No feature of layer 'g' has all the numbers"),
    ],
)
def test_grounds_that_cannot_be_name_feature_and_field(change, sentence):
    grounds = {
        "conductivity": [[20, 30]],
        "thickness": [[0.5]],
        "susceptibility": None,
        "height": None,
        **change,
    }
    arrays = {
        name: None if value is None else np.array(value, dtype=float)
        for name, value in grounds.items()
    }
    names = {"conductivity": ("s1", "s2"), "thickness": ("d",)}
    with pytest.raises(ValueError, match=sentence):
        model_channels(ONE, Layered(**arrays, names=names, source="layer 'g'"))


def test_susceptibility_in_another_unit_and_large_induction_numbers_are_told():
    grounds = Layered(np.array([[500.0]]), np.empty((1, 0)), np.array([[50.0]]))
    said = model_channels(ONE, grounds, "low_induction").warnings
    assert said[0].startswith("Exact conductivities differ by up to 15 % from these at low")
    assert said[1].startswith("Susceptibilities reach 50 (SI)")
    with pytest.raises(ValueError, match="Method 'quick' is unknown"):
        model_channels(ONE, grounds, "quick")
