import threading
from dataclasses import fields, replace

import numpy as np
import pytest
from invented_ground import (
    FOUR,
    TWO,
    along_a_line,
    channels,
    covered,
    covered_all,
    exact,
    grounds,
    lateral_errors,
    layer_means,
    read,
)
from lynchet.algorithms.ground import invertlayers
from lynchet.algorithms.ground.instrument import CoilPair, Instrument
from lynchet.algorithms.ground.inversion import together
from lynchet.algorithms.ground.inversion.fit import fit
from lynchet.algorithms.ground.inversion.layers import BAND, depth_of_investigation
from lynchet.algorithms.ground.inversion.options import InversionOptions
from lynchet.algorithms.ground.inversion.prior import Beliefs, covariance
from lynchet.algorithms.ground.invertlayers import invert_layers
from lynchet.algorithms.progress import Cancelled
from lynchet.algorithms.readings import NO_LINE, Qc, Readings
from scipy.stats import norm

SMOOTH = InversionOptions(noise=(0.2,))
FEW = InversionOptions(noise=(0.2,), method="few")
ARRAYS = ("conductivity", "low", "high", "thickness", "thin", "thick", "told", "resolution",
          "numbers", "misfit", "depth")  # fmt: skip
SEEDS = range(8)


def small(count=40, chosen=FOUR):
    return read(chosen, *grounds(count))


def same(one, other, **tolerance):
    for name in ARRAYS:
        np.testing.assert_allclose(getattr(one, name), getattr(other, name), **tolerance)


# How far the bounds hold


@pytest.mark.parametrize("chosen", [FOUR, TWO], ids=["four channels", "two channels"])
def test_bounds_hold_all_layers_of_nine_in_ten_grounds(chosen):
    sigma, thickness = grounds()
    found = invert_layers(read(chosen, sigma, thickness), chosen, SMOOTH)
    model = found.thickness[0]
    held = covered(found, layer_means(sigma, thickness, model))
    assert held.all(axis=1).mean() >= 0.9
    assert held.mean(axis=0).min() >= 0.95
    # Nor are they as wide as they like: what the readings told is in them.
    assert np.median(np.log(found.high / found.low), axis=0).min() < 2 * np.log(4)
    by_logarithm = layer_means(sigma, thickness, model, mean="log")
    assert covered(found, by_logarithm).all(axis=1).mean() >= 0.9


def test_bounds_hold_with_a_height_at_each_reading():
    sigma, thickness = grounds()
    height = np.random.default_rng(3).uniform(0.0, 0.5, len(sigma))
    found = invert_layers(read(FOUR, sigma, thickness, height), FOUR, SMOOTH, height)
    held = covered(found, layer_means(sigma, thickness, found.thickness[0]))
    assert held.all(axis=1).mean() >= 0.9
    wrong = invert_layers(read(FOUR, sigma, thickness, height), FOUR, SMOOTH)
    worse = covered(wrong, layer_means(sigma, thickness, found.thickness[0]))
    assert worse.all(axis=1).mean() < 0.6


@pytest.mark.parametrize("chosen", [FOUR, TWO], ids=["four channels", "two channels"])
def test_bounds_of_few_layers_hold_their_depths_too(chosen):
    sigma, thickness = grounds(layers=2, thin=0.3, thick=1.5)
    found = invert_layers(read(chosen, sigma, thickness), chosen, FEW)
    assert covered_all(found, sigma, thickness).all(axis=1).mean() >= 0.9


def drawn(beliefs, count=2000):
    """Grounds of what the inversion assumes, in the layers it seeks."""
    thickness = np.array([0.14, 0.19, 0.27, 0.37, 0.53])
    parts = covariance(np.concatenate([[0.0], np.cumsum(thickness)]), beliefs, 0.125)
    root = np.linalg.cholesky(sum(parts))
    sigma = 20 * np.exp(np.random.default_rng(8).normal(size=(count, 6)) @ root.T)
    return sigma, np.tile(thickness, (count, 1))


@pytest.mark.parametrize(("level", "contrast", "least"), [(1.5, 1.5, 0.91), (2.5, 3.0, 0.84)])
def test_over_grounds_as_assumed_bounds_hold_nearly_as_often_as_they_say(level, contrast, least):
    """0.95 if the response were linear in the logarithms; the less, the wider the assumptions."""
    sigma, thickness = drawn(Beliefs(level, contrast))
    options = replace(
        SMOOTH, usual=20.0, level=level, contrast=contrast, thicknesses=tuple(thickness[0])
    )
    found = invert_layers(read(FOUR, sigma, thickness), FOUR, options)
    taken = np.isfinite(found.misfit)
    held = covered(found, sigma)[taken].all(axis=1).mean()
    assert least <= held <= 0.98
    # What is found departs from the truth as far as is said.
    factor = norm.ppf((1 + BAND ** (1 / 6)) / 2)
    sd = np.log(found.high / found.low) / 2 / factor
    away = (np.log(sigma / found.conductivity) / sd)[taken]
    np.testing.assert_allclose(away.std(axis=0), 1.0, atol=0.16)


def test_a_bad_value_counts_less():
    sigma, thickness = grounds(300)
    clean = invert_layers(read(FOUR, sigma, thickness), FOUR, SMOOTH)
    readings = read(FOUR, sigma, thickness)
    readings.values[:, 2] *= 2
    found = invert_layers(readings, FOUR, SMOOTH)
    moved = np.abs(np.log(found.conductivity / clean.conductivity)).mean()
    # As if the value's noise were the larger: with it as bad as it is, hardly a difference.
    noise = tuple(np.hypot(0.2, [0.0, 0.0, 10.0, 0.0]))
    without = invert_layers(readings, FOUR, replace(SMOOTH, noise=noise))
    ideal = np.abs(np.log(without.conductivity / clean.conductivity)).mean()
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("lynchet.algorithms.ground.inversion.fit.TUNING", 1e9)
        trusting = invert_layers(readings, FOUR, SMOOTH)
    trusted = np.abs(np.log(trusting.conductivity / clean.conductivity)).mean()
    assert ideal < moved < 0.85 * trusted
    assert np.median(found.misfit) > 2 * np.median(clean.misfit)


# Soundings together


def test_together_a_smooth_section_has_half_the_error():
    """Two layers; 0.5 mS/m noise, a calibration of 1 % in each channel."""
    errors = np.array([lateral_errors(start, along=5.0) for start in SEEDS])
    assert (errors[:, 1] / errors[:, 0]).mean() <= 0.5


def test_together_what_coils_cannot_see_stays():
    errors = np.array([lateral_errors(start, along=5.0, method="smooth") for start in SEEDS])
    assert 0.6 < (errors[:, 1] / errors[:, 0]).mean() < 0.95


def test_together_sharp_edges_come_out_worse():
    errors = np.array(
        [lateral_errors(start, along=10.0, noise=0.2, length=0.5, sharp=True) for start in SEEDS]
    )
    assert (errors[:, 1] / errors[:, 0]).mean() > 1.3


def lattice(lines=6, each=12, chosen=FOUR, interval=0.5, separation=1.0):
    """Readings over a slope from 15 to 30 mS/m under 0.5 m of topsoil."""
    x = np.tile(interval * np.arange(each), lines)
    y = np.repeat(separation * np.arange(lines), each)
    sigma = np.column_stack([np.full(len(x), 20.0), 15 + 15 * x / x.max()])
    clean = exact(chosen, sigma, [0.5])
    values = clean + 0.3 * np.random.default_rng(6).normal(size=clean.shape)
    return Readings.build(x=x, y=y, values=values, line=np.repeat(np.arange(lines), each))


TIED = InversionOptions(noise=(0.3,), along=1.0, across=2.0)


def test_without_likeness_each_reading_stands_alone():
    readings = lattice()
    whole = invert_layers(readings, FOUR, SMOOTH)
    for row in (0, 17, 71):
        alone = invert_layers(
            readings.take(np.array([row])), FOUR, replace(SMOOTH, usual=whole.figures["usual"])
        )
        np.testing.assert_allclose(alone.conductivity[0], whole.conductivity[row], rtol=1e-12)


@pytest.mark.parametrize("method", ["smooth", "few"])
def test_over_the_same_readings_lies_the_same_ground(method):
    readings = lattice()
    readings.values[:] = exact(FOUR, np.array([[15.0, 30.0]]), [0.6])
    found = invert_layers(readings, FOUR, replace(TIED, method=method))
    for name in ("conductivity", "thickness", "low", "high"):
        column = getattr(found, name)
        np.testing.assert_allclose(column, np.broadcast_to(column[:1], column.shape), rtol=1e-4)


def test_the_order_of_rows_and_lines_does_not_matter():
    readings = lattice()
    found = invert_layers(readings, FOUR, TIED)
    order = np.random.default_rng(1).permutation(len(readings))
    mixed = invert_layers(readings.take(order), FOUR, TIED)
    np.testing.assert_allclose(mixed.conductivity, found.conductivity[order], rtol=1e-6)
    other = invert_layers(replace(readings, line=-readings.line), FOUR, TIED)
    np.testing.assert_allclose(other.conductivity, found.conductivity, rtol=1e-6)


def test_the_way_walked_does_not_matter():
    readings = lattice()
    found = invert_layers(readings, FOUR, TIED)
    back = np.where(readings.line % 2 == 1, -readings.sequence, readings.sequence)
    zigzag = invert_layers(replace(readings, sequence=back), FOUR, TIED)
    np.testing.assert_allclose(zigzag.conductivity, found.conductivity, rtol=1e-6)


def test_map_units_are_made_metres():
    readings = lattice()
    found = invert_layers(readings, FOUR, TIED)
    feet = replace(readings, x=readings.x / 0.3048, y=readings.y / 0.3048)
    other = invert_layers(feet, FOUR, TIED, metre=1 / 0.3048)
    np.testing.assert_allclose(other.conductivity, found.conductivity, rtol=1e-6)


def test_many_readings_are_parted_between_traverses(monkeypatch):
    readings = lattice()
    monkeypatch.setattr(together, "TOGETHER", 25)
    found = invert_layers(readings, FOUR, TIED)
    usual = found.figures["usual"]
    for part in (slice(0, 24), slice(24, 48), slice(48, 72)):
        rows = np.arange(72)[part]
        alone = invert_layers(readings.take(rows), FOUR, replace(TIED, usual=usual))
        np.testing.assert_allclose(found.conductivity[rows], alone.conductivity, rtol=1e-6)


def test_a_traverse_longer_than_a_part_is_a_part(monkeypatch):
    readings = lattice()
    monkeypatch.setattr(together, "TOGETHER", 5)
    found = invert_layers(readings, FOUR, replace(TIED, across=0.0))
    monkeypatch.undo()
    whole = invert_layers(readings, FOUR, replace(TIED, across=0.0))
    np.testing.assert_allclose(found.conductivity, whole.conductivity, rtol=0.02)


def test_a_reading_of_no_traverse_is_inverted_too():
    readings = lattice()
    line = readings.line.copy()
    line[5] = NO_LINE
    found = invert_layers(replace(readings, line=line), FOUR, replace(TIED, across=0.0))
    usual = found.figures["usual"]
    options = replace(TIED, along=0.0, across=0.0, usual=usual)
    alone = invert_layers(readings.take(np.array([5])), FOUR, options)
    np.testing.assert_allclose(found.conductivity[5], alone.conductivity[0], rtol=1e-2)


def test_a_reading_without_a_place_stands_alone():
    readings = lattice()
    readings.x[[5, 40]] = np.nan
    usual = float(np.median(readings.values))
    found = invert_layers(readings, FOUR, replace(TIED, usual=usual))
    alone = invert_layers(
        readings.take(np.array([5, 40])), FOUR, InversionOptions(noise=(0.3,), usual=usual)
    )
    np.testing.assert_allclose(found.conductivity[[5, 40]], alone.conductivity, rtol=1e-2)
    assert np.isfinite(found.conductivity).all()


def test_bounds_are_never_narrower_for_standing_together():
    readings = lattice()
    alone = invert_layers(readings, FOUR, replace(TIED, along=0.0, across=0.0))
    together = invert_layers(readings, FOUR, TIED)
    ratio = np.log(together.high / together.low) / np.log(alone.high / alone.low)
    assert np.median(ratio) == pytest.approx(1.0, abs=0.1)


# Bad data


def test_every_reading_comes_out_and_nothing_is_filled():
    readings = small()
    readings.values[3, 1] = np.nan
    readings.values[4, 0] = np.inf
    readings.values[5, 2] = -0.9
    readings.values[6, 3] = 1e6
    readings.qc[7] = Qc.EXCLUDED
    readings.qc[8] = Qc.OFF_SCALE
    readings.qc[9] = Qc.SPIKE | Qc.FILLED
    height = np.full(len(readings), 0.1)
    height[10] = np.nan
    found = invert_layers(readings, FOUR, SMOOTH, height)
    bad = [3, 4, 5, 6, 7, 8, 10]
    for name in ARRAYS:
        column = getattr(found, name)
        assert len(column) == len(readings)
        assert np.isnan(column[bad]).all(), name
        assert np.isfinite(np.delete(column, bad, axis=0)).all(), name
    assert found.figures["inverted"] == 33
    assert found.figures["left_out"] == 7
    assert found.warnings[:5] == (
        "2 readings without a reading in every channel: no layers there.",
        "2 readings flagged off scale or excluded: no layers there.",
        "1 reading without a height from 0 to 50 m: no layers there.",
        "1 reading with a quadrature well below 0, as metal or a wrong zero level give: no layers "
        "there.",
        "1 reading above what any uniform ground can give at that height: no layers there.",
    )
    good = np.setdiff1d(np.arange(40), bad)
    usual = replace(SMOOTH, usual=found.figures["usual"])
    alone = invert_layers(readings.take(good), FOUR, usual, height[good])
    for name in ARRAYS:
        np.testing.assert_allclose(getattr(found, name)[good], getattr(alone, name), rtol=1e-9)


def test_bad_readings_are_left_out_of_soundings_together():
    readings = lattice()
    readings.values[30] = np.nan
    found = invert_layers(readings, FOUR, TIED)
    assert np.isnan(found.conductivity[30]).all()
    assert np.isfinite(np.delete(found.conductivity, 30, axis=0)).all()


@pytest.mark.parametrize(
    ("spoil", "why"),
    [
        (lambda v: v * np.nan, "40 readings without a reading in every channel"),
        (
            lambda v: -v,
            "40 readings with a quadrature well below 0, as metal or a wrong zero level give",
        ),
        (lambda v: v + 1e6, "40 readings above what any uniform ground can give at that height"),
        (lambda v: v[:0], "there is none"),
    ],
)
def test_without_any_good_reading_it_says_so(spoil, why):
    readings = along_a_line(FOUR, spoil(small().values))
    with pytest.raises(ValueError, match="No reading can") as error:
        invert_layers(readings, FOUR, SMOOTH)
    assert str(error.value) == (
        f"No reading can be inverted: {why}. Check the channels, their units, the heights (in "
        "metres) and the instrument's description."
    )


def test_without_a_usual_ground_it_says_so():
    readings = small()
    readings.values[:30] = 0.0
    with pytest.raises(ValueError, match="usual conductivity"):
        invert_layers(readings, FOUR, SMOOTH)


def test_a_height_that_cannot_be_is_left_out():
    height = np.full(40, 0.1)
    height[3] = -0.1
    found = invert_layers(small(), FOUR, SMOOTH, height)
    assert np.flatnonzero(np.isnan(found.misfit)).tolist() == [3]
    assert "height" in found.warnings[0]


def test_metal_is_told_as_ill_fitted():
    readings = small()
    readings.values[2, 0] *= 30
    found = invert_layers(readings, FOUR, SMOOTH)
    assert found.figures["ill_fitted"] >= 1
    assert found.misfit[2] > 3
    assert "fit worse than 3 standard deviations: metal, zero levels, units" in found.warnings[-1]


def test_in_phase_channels_alone_are_refused():
    chosen = Instrument((CoilPair(1.0, in_phase="ip"),)).channels
    with pytest.raises(ValueError, match="from in-phase channels alone: add a quadrature channel"):
        invert_layers(along_a_line(chosen, small().values[:, :1]), chosen, SMOOTH)


def test_the_in_phase_part_helps_over_conductive_ground():
    pair = CoilPair(2.0, "vertical", 30_000.0, 0.2, quadrature="q", in_phase="p")
    chosen = Instrument((pair,)).channels
    sigma = np.full((1, 1), 300.0)
    from lynchet.algorithms.ground.layeredresponse import layered_response

    ratio = layered_response([pair], sigma)[0, 0]
    values = np.array([[ratio.imag / chosen[0].scale, ratio.real / chosen[1].scale]])
    options = InversionOptions(noise=(1.0, 0.1), relative=0.01, usual=100.0, layers=1)
    both = invert_layers(along_a_line(chosen, values), chosen, options)
    one = invert_layers(
        along_a_line(chosen[:1], values[:, :1]), chosen[:1], replace(options, noise=(1.0,))
    )
    assert both.conductivity[0, 0] == pytest.approx(300.0, rel=0.01)
    assert both.high[0, 0] / both.low[0, 0] < one.high[0, 0] / one.low[0, 0]


def test_noises_must_fit_the_channels():
    said = "2 noises for 4 channels: give one for all, or one each."
    with pytest.raises(ValueError, match=said):
        invert_layers(small(), FOUR, InversionOptions(noise=(1.0, 2.0)))


# Whole, repeatable, and stopped when asked


def test_nothing_changes_its_input():
    readings, height = lattice(), np.full(72, 0.1)
    readings.values[3, 1] = np.nan
    arrays = [getattr(readings, each.name) for each in fields(readings)]
    kept = [column.copy() if isinstance(column, np.ndarray) else column for column in arrays]
    invert_layers(readings, FOUR, TIED, height)
    for column, before in zip(arrays, kept):
        np.testing.assert_array_equal(column, before)
    assert (height == 0.1).all()


@pytest.mark.parametrize("options", [SMOOTH, FEW], ids=["smooth", "few"])
def test_the_same_numbers_whatever_the_chunks_and_threads(monkeypatch, options):
    readings = small(200)
    found = invert_layers(readings, FOUR, options)
    for size, cores in ((7, 1), (64, 2), (64, 5), (1000, 3)):
        monkeypatch.setattr(invertlayers, "CHUNK", size)
        monkeypatch.setattr("os.cpu_count", lambda cores=cores: cores)
        other = invert_layers(readings, FOUR, options)
        for name in ARRAYS:
            # The last digits depend on where in memory the arrays lie.
            np.testing.assert_allclose(
                getattr(other, name), getattr(found, name), rtol=1e-10, err_msg=name
            )


@pytest.mark.parametrize("options", [SMOOTH, TIED], ids=["each by itself", "together"])
def test_it_reports_and_stops_when_asked(options):
    readings = lattice(lines=60, each=100)
    told = []

    def listen(fraction):
        assert threading.current_thread() is threading.main_thread()
        told.append(fraction)
        return True

    invert_layers(readings, FOUR, options, progress=listen)
    assert told == sorted(told)
    assert len(told) > 5
    assert told[-1] == pytest.approx(1.0, abs=0.01)
    for place in (0.0, 0.3, 0.7):
        with pytest.raises(Cancelled):
            invert_layers(
                readings, FOUR, options, progress=lambda fraction, place=place: fraction < place
            )


def test_once_asked_to_stop_hardly_any_more_is_fitted(monkeypatch):
    readings = lattice(lines=60, each=100)
    fitted = []

    def counted(soundings, parting):
        fitted.append(len(soundings))
        return fit(soundings, parting)

    monkeypatch.setattr(invertlayers, "CHUNK", 50)
    monkeypatch.setattr(invertlayers, "fit", counted)
    with pytest.raises(Cancelled):
        invert_layers(readings, FOUR, SMOOTH, progress=lambda fraction: fraction < 0.2)
    assert sum(fitted) < 0.7 * len(readings)


# What is told


def test_figures_and_messages_say_what_was_done():
    readings = small()
    found = invert_layers(readings, FOUR, SMOOTH)
    assert found.figures["layers"] == 6
    assert found.figures["noise_v050"] == 0.2
    assert found.figures["misfit"] == np.median(found.misfit)
    assert found.figures["numbers_told"] == np.median(found.numbers)
    assert found.messages[0].startswith("40 readings inverted to 6 layers; noise: v050 0.2 mS/m,")
    assert "Many other grounds fit as well" in found.messages[1]
    assert len(found.messages) == 2 + 6 + 2
    # The usual ground is the median of what each value would make of uniform ground.
    assert found.figures["usual"] == pytest.approx(np.median(readings.values), rel=1e-6)


def test_noise_is_found_from_the_readings():
    """White noise of 0.7 mS/m on a slope: as second differences tell it."""
    values = exact(FOUR, np.column_stack([np.linspace(15, 30, 800)] * 2), [0.5])
    values = values + 0.7 * np.random.default_rng(5).normal(size=values.shape)
    found = invert_layers(along_a_line(FOUR, values), FOUR, InversionOptions())
    for channel in FOUR:
        assert found.figures[f"noise_{channel.field}"] == pytest.approx(0.7, rel=0.12)


def test_noise_has_a_floor_where_readings_are_too_good():
    values = exact(FOUR, np.full((50, 1), 20.0), ())
    found = invert_layers(along_a_line(FOUR, values), FOUR, InversionOptions())
    assert found.figures["noise_v100"] == pytest.approx(invertlayers.FLOOR * values[0, 2])
    with pytest.raises(ValueError, match="cannot be found, for all readings are 0: give it"):
        invert_layers(along_a_line(FOUR, 0 * values), FOUR, InversionOptions())


def test_heights_are_allowed_for_in_the_usual_ground():
    chosen = channels(height=0.5)
    values = exact(chosen, np.full((30, 1), 25.0), ())
    found = invert_layers(along_a_line(chosen, values), chosen, SMOOTH)
    assert found.figures["usual"] == pytest.approx(25.0, rel=0.05)
    np.testing.assert_allclose(found.conductivity, 25.0, rtol=0.05)


def test_uniform_ground_is_found_uniform():
    for options in (SMOOTH, FEW, replace(SMOOTH, layers=1), replace(SMOOTH, layers=30)):
        values = exact(FOUR, np.full((5, 1), 33.0), ())
        found = invert_layers(along_a_line(FOUR, values), FOUR, options)
        np.testing.assert_allclose(found.conductivity, 33.0, rtol=0.02)


def test_depth_of_investigation_over_uniform_ground_is_the_trades():
    """Vertical dipoles at 1 m: 70 % of the response from above 1.5 m (McNeill 1980, TN-6)."""
    values = exact(FOUR, np.full((3, 1), 0.1), ())
    options = replace(SMOOTH, layers=30, noise=(1e-3,))
    found = invert_layers(along_a_line(FOUR, values), FOUR, options)
    np.testing.assert_allclose(found.depth, np.sqrt(1 / 0.3**2 - 1) / 2, rtol=0.02)


def test_depth_of_investigation_does_not_depend_on_how_the_ground_is_cut():
    """Vertical dipoles at 1 m over uniform ground: 1.59 m at low induction numbers (TN-6)."""
    pairs, height = [CoilPair(1.0)], np.array([[0.2]])
    expected = None
    for thickness in ([], [0.1], [0.5], [3.0], [0.2, 0.4, 0.6, 5.0]):
        tops = (np.concatenate([[0.0], np.cumsum(thickness)]) + 0.2) / 1.0
        below = 1 / np.sqrt(4 * tops**2 + 1)
        share = below - np.append(below[1:], 0.0)
        found = depth_of_investigation(
            pairs, share[np.newaxis, np.newaxis], np.array([thickness]).reshape(1, -1), height
        )
        expected = found if expected is None else expected
        np.testing.assert_allclose(found, expected, rtol=1e-9)
    left = 0.3 / np.sqrt(4 * 0.2**2 + 1)
    np.testing.assert_allclose(expected, np.sqrt(1 / left**2 - 1) / 2 - 0.2)


def test_given_thicknesses_are_kept():
    options = replace(SMOOTH, thicknesses=(0.25, 0.5))
    found = invert_layers(small(), FOUR, options)
    assert found.conductivity.shape == (40, 3)
    for name in ("thickness", "thin", "thick"):
        np.testing.assert_array_equal(getattr(found, name), np.tile([0.25, 0.5], (40, 1)))


def test_susceptible_ground_is_allowed_for():
    from lynchet.algorithms.ground.layeredresponse import layered_response

    pairs = [channel.pair for channel in FOUR]
    sigma, kappa = np.full((1, 1), 20.0), np.full((1, 1), 0.5)
    values = layered_response(pairs, sigma, susceptibility=kappa).imag
    values = values / [channel.scale for channel in FOUR]
    found = invert_layers(along_a_line(FOUR, values), FOUR, replace(SMOOTH, susceptibility=0.5))
    np.testing.assert_allclose(found.conductivity, 20.0, rtol=0.02)
    without = invert_layers(along_a_line(FOUR, values), FOUR, SMOOTH)
    assert abs(without.conductivity[0, 0] - 20.0) > 1.0
