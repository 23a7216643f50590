import os
import threading

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lynchet.algorithms.ground import layeredresponse
from lynchet.algorithms.ground.instrument import CoilPair
from lynchet.algorithms.ground.layeredresponse import layered_jacobian, layered_response
from lynchet.algorithms.ground.low_induction import ORIENTATIONS
from lynchet.algorithms.progress import Cancelled

PAIRS = [
    CoilPair(0.5, "vertical", 10_000.0, 0.2),
    CoilPair(1.0, "horizontal", 30_000.0, 0.2),
    CoilPair(1.0, "vertical", 10_000.0, 0.1),
    CoilPair(1.1, "perpendicular", 30_000.0, 0.3),
]
SIGMA, THICKNESS, KAPPA = [15.0, 60.0, 8.0], [0.35, 0.8], [2e-3, 1e-4, 0.0]


def grounds(count, layers=4, start=0):
    rng = np.random.default_rng(start)
    sigma = np.exp(rng.uniform(0, 6, (count, layers)))
    kappa = rng.uniform(0, 0.01, (count, layers))
    return sigma, rng.uniform(0.1, 1.0, (count, layers - 1)), kappa, rng.uniform(0, 1, count)


def close(found, expected, rtol=1e-9):
    np.testing.assert_allclose(found, expected, rtol=rtol, atol=1e-15)


def test_one_row_a_ground_and_one_column_a_pair():
    assert layered_response(PAIRS, SIGMA, THICKNESS).shape == (1, 4)
    assert layered_response(PAIRS[:1], [[20.0], [30.0]]).shape == (2, 1)
    sigma, thickness, kappa, height = grounds(7)
    found = layered_response(PAIRS, sigma, thickness, kappa, height)
    assert found.shape == (7, 4)
    assert found.dtype == complex
    slopes = layered_jacobian(PAIRS, sigma, thickness, kappa, height)
    assert slopes.ratio.shape == (7, 4)
    assert slopes.by_conductivity.shape == (7, 4, 4)
    assert slopes.by_thickness.shape == (7, 4, 3)


def test_no_ground_gives_no_row():
    assert layered_response(PAIRS, np.empty((0, 3)), THICKNESS).shape == (0, 4)
    found = layered_jacobian(PAIRS, np.empty((0, 3)), THICKNESS)
    assert found.by_conductivity.shape == (0, 4, 3)


def test_nothing_changes_its_input():
    given_in = grounds(5)
    before = [array.copy() for array in given_in]
    layered_response(PAIRS, *given_in)
    layered_jacobian(PAIRS, *given_in)
    for array, copy in zip(given_in, before):
        np.testing.assert_array_equal(array, copy)


def test_uniform_ground_shows_a_positive_quadrature_part_to_every_pair():
    found = layered_response(PAIRS, [20.0])
    assert (found.imag > 0).all()
    assert (found.real > 0).all()


def test_ground_without_conductivity_or_susceptibility_shows_nothing():
    assert np.abs(layered_response(PAIRS, [0.0, 0.0], [0.5])).max() == 0


def test_pairs_may_come_in_any_order_and_of_any_frequency():
    sigma, thickness, kappa, height = grounds(6)
    order = [2, 3, 1, 0]
    found = layered_response([PAIRS[k] for k in order], sigma, thickness, kappa, height)
    together = layered_response(PAIRS, sigma, thickness, kappa, height)
    close(found, together[:, order])
    slopes = layered_jacobian([PAIRS[k] for k in order], sigma, thickness, kappa, height)
    expected = layered_jacobian(PAIRS, sigma, thickness, kappa, height)
    largest = np.abs(expected.by_conductivity).max()
    np.testing.assert_allclose(
        slopes.by_conductivity, expected.by_conductivity[:, order], rtol=1e-7, atol=1e-9 * largest
    )
    for column, pair in enumerate(PAIRS):
        close(layered_response([pair], sigma, thickness, kappa, height)[:, 0], together[:, column])


def test_the_same_pair_twice_reads_twice_the_same():
    found = layered_response([PAIRS[0], PAIRS[1], PAIRS[0]], SIGMA, THICKNESS)
    close(found[0, 0], found[0, 2], 1e-10)


@pytest.mark.parametrize(
    "call", [layered_response, lambda *a, **k: layered_jacobian(*a, **k).ratio]
)
def test_grounds_at_once_are_grounds_one_by_one(call):
    sigma, thickness, kappa, height = grounds(9)
    together = call(PAIRS, sigma, thickness, kappa, height)
    for row in range(9):
        lifted = [
            CoilPair(pair.spacing, pair.orientation, pair.frequency, height[row]) for pair in PAIRS
        ]
        alone = call(lifted, sigma[row], thickness[row], kappa[row : row + 1])
        close(together[row], alone[0], 1e-8)


def test_one_height_for_all_stands_in_place_of_the_pairs_own():
    lifted = [CoilPair(pair.spacing, pair.orientation, pair.frequency, 0.45) for pair in PAIRS]
    expected = layered_response(lifted, SIGMA, THICKNESS)
    close(layered_response(PAIRS, SIGMA, THICKNESS, height=0.45), expected, 1e-12)
    rows = [SIGMA] * 3
    close(layered_response(PAIRS, rows, THICKNESS, height=0.45)[2], expected[0], 1e-12)
    close(layered_response(PAIRS, rows, THICKNESS, height=[0.45] * 3)[2], expected[0])


def test_thicknesses_shared_are_thicknesses_of_each():
    sigma, _, kappa, _ = grounds(5, 3)
    shared = layered_response(PAIRS, sigma, THICKNESS, kappa)
    close(layered_response(PAIRS, sigma, np.tile(THICKNESS, (5, 1)), kappa), shared)
    slopes = layered_jacobian(PAIRS, sigma, THICKNESS, kappa).by_thickness
    each = layered_jacobian(PAIRS, sigma, np.tile(THICKNESS, (5, 1)), kappa).by_thickness
    np.testing.assert_allclose(slopes, each, rtol=1e-7, atol=1e-9 * np.abs(each).max())


@settings(max_examples=20)
@given(st.integers(0, 2**31), st.integers(0, 3), st.floats(0.05, 0.95), st.booleans())
def test_a_layer_parted_in_two_is_the_same_layer(start, layer, share, susceptible):
    sigma, thickness, kappa, _ = grounds(1, start=start)
    kappa = kappa if susceptible else None
    whole = layered_response(PAIRS, sigma, thickness, kappa)
    if layer < 3:
        both = [share * thickness[0, layer], (1 - share) * thickness[0, layer]]
    else:
        both = [share]
    parted = np.r_[thickness[0, :layer], both, thickness[0, layer + 1 :]]
    twice = kappa if kappa is None else np.insert(kappa, layer, kappa[:, layer], axis=1)
    found = layered_response(PAIRS, np.insert(sigma, layer, sigma[:, layer], axis=1), parted, twice)
    close(found, whole, 1e-8)


def test_the_slopes_of_a_parted_layer_add_up_to_its_own():
    whole = layered_jacobian(PAIRS, SIGMA, THICKNESS, [KAPPA])
    parted = layered_jacobian(
        PAIRS, [15.0, 60.0, 60.0, 8.0], [0.35, 0.3, 0.5], [[2e-3, 1e-4, 1e-4, 0.0]]
    )
    found = parted.by_conductivity[0]
    np.testing.assert_allclose(found[:, 1] + found[:, 2], whole.by_conductivity[0, :, 1], rtol=1e-7)
    # Where the parts meet nothing changes.
    largest = np.abs(whole.by_thickness).max()
    np.testing.assert_allclose(
        parted.by_thickness[0, :, 1], parted.by_thickness[0, :, 2], atol=1e-9 * largest
    )


def test_a_layer_of_no_thickness_is_none():
    expected = layered_response(PAIRS, SIGMA, THICKNESS, [KAPPA])
    for at in range(3):
        sigma, kappa = np.insert(SIGMA, at, 700.0), np.insert(KAPPA, at, 0.04)
        thickness = np.insert(THICKNESS, at, 0.0)
        close(layered_response(PAIRS, sigma, thickness, [kappa]), expected, 1e-8)
        slopes = layered_jacobian(PAIRS, sigma, thickness, [kappa])
        largest = np.abs(slopes.by_conductivity).max()
        assert np.abs(slopes.by_conductivity[0, :, at]).max() < 1e-9 * largest


def test_a_layer_of_air_is_height():
    lifted = [CoilPair(pair.spacing, pair.orientation, pair.frequency, 0.5) for pair in PAIRS]
    expected = layered_response(lifted, SIGMA, THICKNESS, [KAPPA])
    lower = [CoilPair(pair.spacing, pair.orientation, pair.frequency, 0.1) for pair in PAIRS]
    found = layered_response(lower, [0.0, *SIGMA], [0.4, *THICKNESS], [[0.0, *KAPPA]])
    close(found, expected, 1e-8)
    by_air = layered_jacobian(lower, [0.0, *SIGMA], [0.4, *THICKNESS], [[0.0, *KAPPA]])
    step = 1e-4
    higher, nearer = (
        layered_response(PAIRS, SIGMA, THICKNESS, [KAPPA], height=0.5 + sign * step)[0]
        for sign in (1, -1)
    )
    # The air's thickness is the height: the same slope.
    expected = (higher - nearer) / (2 * step)
    largest = np.abs(expected).max()
    np.testing.assert_allclose(by_air.by_thickness[0, :, 0], expected, atol=1e-6 * largest)


def test_a_very_thick_layer_hides_what_is_below_it():
    top = layered_response(PAIRS, [30.0], height=0.2)
    # More than ten skin depths.
    far = layered_response(PAIRS, [30.0, 900.0], [500.0], height=0.2)
    close(far, top, 1e-8)


def test_susceptibility_of_0_is_none():
    expected = layered_response(PAIRS, SIGMA, THICKNESS)
    close(layered_response(PAIRS, SIGMA, THICKNESS, [[0.0] * 3]), expected, 1e-10)


def test_coils_change_places_with_their_scale():
    # The induction number and all lengths over the spacing are what counts.
    for orientation in ORIENTATIONS:
        one = CoilPair(0.5, orientation, 40_000.0, 0.2)
        other = CoilPair(2.0, orientation, 2_500.0, 0.8)
        found = layered_response([one], SIGMA, THICKNESS, [KAPPA])
        close(layered_response([other], SIGMA, 4 * np.array(THICKNESS), [KAPPA]), found)


def test_a_ground_with_a_gap_has_no_answer_and_spoils_no_other():
    sigma, thickness, kappa, height = grounds(8)
    whole = layered_response(PAIRS, sigma, thickness, kappa, height)
    sigma[1, 2] = thickness[3, 0] = kappa[4, 3] = height[6] = np.nan
    found = layered_response(PAIRS, sigma, thickness, kappa, height)
    slopes = layered_jacobian(PAIRS, sigma, thickness, kappa, height)
    gone = [1, 3, 4, 6]
    kept = [0, 2, 5, 7]
    assert np.isnan(found[gone]).all()
    assert np.isnan(slopes.ratio[gone]).all()
    close(found[kept], whole[kept], 1e-12)
    assert np.isfinite(slopes.by_conductivity[kept]).all()


def test_as_many_cores_as_there_are_give_the_same_bytes(monkeypatch):
    given_in = grounds(700)
    monkeypatch.setattr(layeredresponse, "BATCH", 16_384)
    found = []
    for cores in (1, 2, 5):
        monkeypatch.setattr(os, "cpu_count", lambda cores=cores: cores)
        found.append(layered_jacobian(PAIRS, *given_in))
    for other in found[1:]:
        assert other.ratio.tobytes() == found[0].ratio.tobytes()
        assert other.by_conductivity.tobytes() == found[0].by_conductivity.tobytes()
        assert other.by_thickness.tobytes() == found[0].by_thickness.tobytes()


def test_batches_do_not_show(monkeypatch):
    given_in = grounds(60)
    whole = layered_response(PAIRS, *given_in)
    monkeypatch.setattr(layeredresponse, "BATCH", 1_000)
    close(layered_response(PAIRS, *given_in), whole, 1e-10)


@pytest.mark.parametrize("cores", [1, 2])
@pytest.mark.parametrize("call", [layered_response, layered_jacobian])
def test_work_reports_and_stops_when_asked(monkeypatch, call, cores):
    monkeypatch.setattr(os, "cpu_count", lambda: cores)
    given_in = grounds(1_500)
    seen = []
    call(PAIRS, *given_in, progress=lambda fraction: seen.append(fraction) or True)
    assert seen
    assert seen == sorted(seen)
    assert 0 <= seen[0] <= seen[-1] <= 1
    with pytest.raises(Cancelled):
        call(PAIRS, *given_in, progress=lambda fraction: False)


def test_no_more_than_a_batch_is_done_after_the_stop(monkeypatch):
    monkeypatch.setattr(os, "cpu_count", lambda: 1)
    done = []
    ratio = layeredresponse.Coupling.ratio

    def counted(self, grounds, height):
        done.append(grounds.conductivity.shape[1])
        return ratio(self, grounds, height)

    monkeypatch.setattr(layeredresponse.Coupling, "ratio", counted)
    calls = []
    with pytest.raises(Cancelled):
        layered_response(
            PAIRS[:1], *grounds(5_000), progress=lambda part: calls.append(part) or len(calls) < 4
        )
    assert len(done) == 3
    assert sum(done) < 1_000


def test_progress_is_reported_from_the_callers_thread_only():
    # The host's feedback belongs to the thread that called.
    threads = set()

    def report(fraction):
        threads.add(threading.get_ident())
        return True

    layered_response(PAIRS, *grounds(2_000), progress=report)
    assert threads == {threading.get_ident()}


@pytest.mark.parametrize("accuracy", ["fine", "quick"])
def test_quick_and_fine_tell_much_the_same(accuracy):
    sigma, thickness, kappa, height = grounds(50)
    found = layered_response(PAIRS, sigma, thickness, kappa, height, accuracy=accuracy)
    fine = layered_response(PAIRS, sigma, thickness, kappa, height)
    assert np.max(np.abs(found - fine) / np.abs(fine)) < 1e-3


BAD = [
    (
        {"conductivity": [], "thickness": []},
        "The ground has no layer: give at least one conductivity.",
    ),
    (
        {"conductivity": [[SIGMA]]},
        "Grounds are a table: one row a ground, one column a layer.",
    ),
    ({"thickness": [0.3, np.inf]}, "The thickness of layer 2 is inf: give 0 m or more."),
    (
        {"accuracy": "rough"},
        "Accuracy 'rough' is unknown: choose one of fine, quick.",
    ),
    ({"pairs": []}, "There is no coil pair: give at least one."),
    (
        {"thickness": [0.3]},
        "3 layers need 2 thicknesses, not 1: the last layer has none.",
    ),
    (
        {"thickness": [0.3, 0.2, 0.4]},
        "3 layers need 2 thicknesses, not 3: the last layer has none.",
    ),
    (
        {"conductivity": [SIGMA] * 3, "thickness": [THICKNESS] * 2},
        "3 grounds cannot have 2 thicknesses: give one for all, or one each.",
    ),
    (
        {"conductivity": [15.0, -1.0, 8.0]},
        "The conductivity of layer 2 is -1: give 0 to 1e+06 mS/m.",
    ),
    (
        {"conductivity": [SIGMA, [15.0, 60.0, 2e6]]},
        "The conductivity of layer 3 of ground 2 is 2e+06: give 0 to 1e+06 mS/m.",
    ),
    (
        {"conductivity": [np.inf, 60.0, 8.0]},
        "The conductivity of layer 1 is inf: give 0 to 1e+06 mS/m.",
    ),
    ({"thickness": [0.3, -0.1]}, "The thickness of layer 2 is -0.1: give 0 m or more."),
    (
        {"susceptibility": [[0.0, -1.0, 0.0]]},
        "The susceptibility of layer 2 is -1: give above -1 (SI).",
    ),
    (
        {"susceptibility": [0.0, 1e-3]},
        "Conductivities of 1 ground of 3 layers need as many susceptibilities, not 1 of 2.",
    ),
    ({"height": -0.1}, "The height is -0.1: give 0 to 50 m."),
    ({"height": 60.0}, "The height is 60: give 0 to 50 m."),
    (
        {"conductivity": [SIGMA] * 2, "height": [0.1, -2.0]},
        "The height of ground 2 is -2: give 0 to 50 m.",
    ),
    ({"height": [0.1, 0.2]}, "1 ground cannot have 2 heights: give one for all, or one each."),
]


@pytest.mark.parametrize("call", [layered_response, layered_jacobian])
@pytest.mark.parametrize(("changed", "sentence"), BAD)
def test_what_cannot_be_is_refused_in_one_sentence(call, changed, sentence):
    options = {"pairs": PAIRS, "conductivity": SIGMA, "thickness": THICKNESS, **changed}
    with pytest.raises(ValueError, match=r"give|need|cannot|table|choose") as refused:
        call(**options)
    assert str(refused.value) == sentence
