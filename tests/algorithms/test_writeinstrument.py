"""An instrument from a few lists."""

import numpy as np
import pytest
from lynchet.algorithms.ground.instrument import CoilPair, Instrument, induction_number
from lynchet.algorithms.ground.instrument_text import ORIENTATION_ADVICE
from lynchet.algorithms.ground.writeinstrument import Described, coil_pairs, pair_lines


def test_patterns_make_fields_from_spacings():
    made = coil_pairs(Described(spacing=(0.32, 0.29, 10.0)))
    assert [pair.quadrature for pair in made] == ["ec_032", "ec_029", "ec_1000"]
    made = coil_pairs(Described((0.325,), quadrature=("ec_{pair}",), in_phase=("ip",)))
    assert (made[0].quadrature, made[0].in_phase) == ("ec_1", "ip")
    made = coil_pairs(
        Described(
            spacing=(1, 1), orientation=("vertical", "horizontal"), height=(0.1, 1.0),
            quadrature=("q{pair}_{orientation}",), in_phase=("", "i2"), name=("flat", "upright"),
        )
    )  # fmt: skip
    assert [pair.quadrature for pair in made] == ["q1_vertical", "q2_horizontal"]
    assert [pair.in_phase for pair in made] == ["", "i2"]
    assert [pair.height for pair in made] == [0.1, 1.0]
    assert [pair.label for pair in made] == ["flat", "upright"]


LISTS = {
    "no spacing": ({"spacing": ()}, "No coil spacing is given: give one a coil pair, in metres."),
    "three frequencies": (
        {"frequency": (1e4,) * 3},
        "The frequencies are 3 for 2 coil pairs: give one for all, or one a pair.",
    ),
    "no height": (
        {"height": ()},
        "The heights are 0 for 2 coil pairs: give one for all, or one a pair.",
    ),
    "one name": ({"name": ("a",)}, "One name is given for 2 coil pairs: give each its own, or no"),
    "centimetres": (
        {"spacing": (0.5, 100)},
        "Coil pair 2: the coil spacing is 100 m: give 0.05 to 40 m (100 cm is 1).",
    ),
    "NaN": ({"height": (np.nan,)}, "Coil pair 1: the height is nan m: give 0 to 50 m."),
    "an unknown orientation": (
        {"orientation": ("up",)},
        f"Orientation 'up' is unknown: {ORIENTATION_ADVICE}.",
    ),
    "one field for two pairs": (
        {"quadrature": ("ec",)},
        "The quadrature fields are 1 for 2 coil pairs: give one a pair, or one pattern for all "
        "such as ec_{cm}.",
    ),
    "an unknown placeholder": (
        {"in_phase": ("ip_{spacing}",)},
        "The in-phase fields hold '{spacing}', which is no placeholder: there are {cm}, "
        "{orientation}, {pair}.",
    ),
    "no whole centimetres": (
        {"spacing": (0.5, 0.325)},
        "The quadrature fields hold {cm}, but coil pair 2 is 0.325 m, no whole number of "
        "centimetres: list the fields, or use {pair}.",
    ),
    "a brace not closed": (
        {"quadrature": ("ec_{cm",)},
        "The quadrature fields hold 'ec_{cm', in which a brace is not closed or not opened: write "
        "placeholders such as {cm}.",
    ),
    "a brace not opened": (
        {"in_phase": ("ip_050", "ip_cm}")},
        "The in-phase fields hold 'ip_cm}', in which a brace is not closed or not opened: write "
        "placeholders such as {cm}.",
    ),
    "one spacing twice": (
        {"spacing": (1, 1), "orientation": ("vertical", "horizontal")},
        "Coil pairs 1 and 2 would both have field 'ec_100': list a field for each, or add "
        "{orientation} or {pair} to the pattern.",
    ),
    "one field for both parts": (
        {"in_phase": ("ec_{cm}",)},
        "Both parts of coil pair 1 would have field 'ec_050': give each its own.",
    ),
}


@pytest.mark.parametrize("mistake", LISTS)
def test_each_mistake_in_a_list_has_one_clear_sentence(mistake):
    asked, sentence = LISTS[mistake]
    with pytest.raises(ValueError) as caught:  # noqa: PT011
        coil_pairs(Described(**asked))
    said = str(caught.value)
    assert said == sentence if sentence.endswith(".") else said.startswith(sentence)


def test_pairs_are_told_with_their_induction_number():
    # s sqrt(omega mu_0 sigma / 2) by hand: 10 m, 10 kHz, 0.02 S/m.
    number = 10 * np.sqrt(2 * np.pi * 1e4 * 4e-7 * np.pi * 0.02 / 2)
    assert induction_number(CoilPair(10.0), 20.0) == pytest.approx(number, rel=1e-12)
    said, hints = pair_lines(Instrument(coil_pairs(Described(spacing=(1.0, 10.0)))))
    assert said[1] == (
        "Pair 2: 10 m, vertical dipoles, 10,000 Hz, 0.05 m above ground; quadrature in 'ec_1000' "
        "(mS/m), in-phase in 'ip_1000' (ppt); induction number 0.28 at 20 mS/m."
    )
    assert len(hints) == 1
    assert hints[0].startswith("Pair 2: an induction number of 0.28 at 20 mS/m is not low.")
