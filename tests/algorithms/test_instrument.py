"""The instrument's description: read strictly, written so that it reads back the same."""

import json
import re
import textwrap

import numpy as np
import pytest
from host import ROOT
from hypothesis import given
from hypothesis import strategies as st
from lynchet.algorithms.ground.bodies import susceptibility_kernel
from lynchet.algorithms.ground.instrument import (
    FREQUENCIES,
    HEIGHTS,
    ORIENTATIONS,
    SCALES,
    SPACINGS,
    CoilPair,
    Instrument,
)
from lynchet.algorithms.ground.instrument_text import (
    ORIENTATION_WORDS,
    PAIR_KEYS,
    TOP_KEYS,
    instrument_text,
    orientation_of,
    parse_instrument,
)

GOOD = {
    "name": "two spacings",
    "quadrature_unit": "mS/m",
    "in_phase_unit": "ppt",
    "orientation": "vertical",
    "frequency_hz": 10000,
    "height_m": 0.05,
    "pairs": [
        {"spacing_m": 0.5, "quadrature_field": "ec_050", "in_phase_field": "ip_050"},
        {"spacing_m": 1.0, "quadrature_field": "ec_100", "in_phase_field": "ip_100"},
    ],
}


def described(top=(), pair=(), without=()):
    """The good description with keys changed, as text; `pair` is its last."""
    said = {**GOOD, "pairs": [dict(one) for one in GOOD["pairs"]], **dict(top)}
    said["pairs"][-1].update(dict(pair))
    for key in without:
        said.get("pairs", [{}])[-1].pop(key, None)
        said.pop(key, None)
    return json.dumps(said)


def refusal(text):
    with pytest.raises(ValueError) as caught:  # noqa: PT011
        parse_instrument(text, "coils.json")
    return str(caught.value)


def test_what_all_pairs_share_stands_once():
    found = parse_instrument(json.dumps(GOOD))
    assert found == Instrument(
        (
            CoilPair(0.5, "vertical", 10_000.0, 0.05, "", "ec_050", "ip_050"),
            CoilPair(1.0, "vertical", 10_000.0, 0.05, "", "ec_100", "ip_100"),
        ),
        "two spacings",
    )
    assert [channel.unit for channel in found.channels] == ["mS/m", "ppt"] * 2


def test_a_pair_may_say_otherwise():
    own = {"orientation": "horizontal", "frequency_hz": 3e4, "height_m": 1, "name": "upright"}
    first, second = parse_instrument(described(pair=own)).pairs
    assert (first.orientation, first.frequency, first.height) == ("vertical", 1e4, 0.05)
    assert (second.orientation, second.frequency, second.height) == ("horizontal", 3e4, 1.0)
    assert second.label == "upright"


def test_units_and_name_have_defaults_and_fields_may_be_absent():
    text = described(without=("name", "quadrature_unit", "in_phase_unit", "in_phase_field"))
    found = parse_instrument(text)
    assert (found.name, found.quadrature_unit, found.in_phase_unit) == ("instrument", "mS/m", "ppt")
    assert [channel.field for channel in found.channels] == ["ec_050", "ip_050", "ec_100"]


def test_orientations_may_be_told_by_the_coils():
    # Vertical dipoles are horizontal coplanar coils: McNeill (1980), TN-6.
    assert orientation_of("Horizontal-coplanar") == "vertical"
    assert orientation_of("vertical  coplanar") == "horizontal"
    found = parse_instrument(described(pair={"orientation": "vertical coplanar"}))
    assert found.pairs[1].orientation == "horizontal"
    assert set(ORIENTATION_WORDS.values()) == set(ORIENTATIONS)


def test_a_byte_order_mark_is_no_mistake():
    assert parse_instrument("\ufeff" + json.dumps(GOOD)) == parse_instrument(json.dumps(GOOD))


ADVICE = (
    "write how the dipoles stand: vertical (coils flat, horizontal coplanar), horizontal (coils "
    "upright, vertical coplanar) or perpendicular."
)
PAIR = "Pair 2 of coils.json"
METRES = "write metres, 0.05 to 40"
MISTAKES = {
    "an empty file": (" \n", "coils.json is empty. Choose an instrument description."),
    "no JSON": (
        '{"name": "x"\n "pairs": []}',
        "coils.json is no JSON: at line 2, column 2: Expecting ',' delimiter. Correct it there.",
    ),
    "a decimal comma": (
        '{"height_m": 0,5, "pairs": []}',
        "coils.json is no JSON: at line 1, column 16: Expecting property name enclosed in double "
        "quotes. Write numbers with a decimal point.",
    ),
    "half a character": (
        described({"name": "\ud800"}),
        "coils.json holds half a character (\\ud800 to \\udfff). Correct it.",
    ),
    "a hundred thousand brackets": (
        "[" * 100_000,
        "coils.json is nested too deeply. Write words and values only.",
    ),
    "a list": (
        "[]",
        "coils.json holds a list and no instrument: write braces round all of it, with the coil "
        "pairs under 'pairs'.",
    ),
    "a number": ("12", "coils.json holds 12 and no instrument: write braces round all of it, "),
    "null": ("null", "coils.json holds null and no instrument: "),
    "no pairs": (
        described(without=("pairs",)),
        "coils.json has no 'pairs': write a list of coil pairs, such as "
        '"pairs": [{"spacing_m": 1}].',
    ),
    "empty pairs": (
        '{"pairs": []}', "coils.json: 'pairs' is empty; write at least one coil pair."),
    "one pair without brackets": (
        '{"pairs": {"spacing_m": 1}}',
        "coils.json: 'pairs' is a group in braces; write a list of coil pairs in square brackets, "
        "each in braces.",
    ),
    "a pair that is a number": (
        '{"pairs": [{"spacing_m": 1}, 1.50]}',
        'Pair 2 of coils.json is 1.50; write it in braces, such as {"spacing_m": 1}.',
    ),
    "an unknown key": (
        described({"colour": "red"}),
        "coils.json says 'colour', which is no key of an instrument description. The keys are: "
        "name, quadrature_unit, in_phase_unit, orientation, frequency_hz, height_m, pairs.",
    ),
    "a key without its unit": (
        described(pair={"Spacing": 1}),
        PAIR + " says 'Spacing', which is no key of a pair. Is 'spacing_m' meant? The keys are: "
        "name, spacing_m, orientation, frequency_hz, height_m, quadrature_field, in_phase_field.",
    ),
    "a key with a line end": (described({"a\nb": 1}), "coils.json says 'a?b', which is no key of"),
    "a key twice": (
        '{"height_m": 0, "height_m": 0, "pairs": []}',
        "coils.json says 'height_m' twice. Say it once.",
    ),
    "a key twice in a pair": (
        '{"pairs": [{"spacing_m": 1}, {"name": "a", "spacing_m": 1, "spacing_m": 2}]}',
        PAIR + " says 'spacing_m' twice. Say it once.",
    ),
    "no spacing": (described(without=("spacing_m",)), PAIR + " has no 'spacing_m': write it."),
    **{
        f"no {key}": (
            described(without=(key,)),
            f"Pair 1 of coils.json has no '{key}', and none stands above the pairs: write it in "
            "one of the two places.",
        )
        for key in ("orientation", "frequency_hz", "height_m")
    },
    "a number in quotes": (
        described(pair={"spacing_m": "1,0"}),
        PAIR + ": 'spacing_m' is '1,0'; write a number of metres with a decimal point without "
        "quotation marks, 0.05 to 40.",
    ),
    **{
        f"a spacing that is {value}": (
            described(pair={"spacing_m": value}),
            f"{PAIR}: 'spacing_m' is {shown}; write a number of metres with a decimal point, "
            "0.05 to 40.",
        )
        for value, shown in ((True, "true"), (None, "null"), ([1], "a list"))
    },
    **{
        f"a spacing of {value}": (
            described(pair={"spacing_m": 77}).replace("77", value),
            f"{PAIR}: 'spacing_m' is {value}; {METRES}.",
        )
        for value in ("NaN", "Infinity", "-Infinity", "0", "-1", "1e999", "0.04", "-100")
    },
    **{
        f"a spacing of {value} cm": (
            described(pair={"spacing_m": value}),
            f"{PAIR}: 'spacing_m' is {value}; {METRES} ({value} cm is {metres}).",
        )
        for value, metres in ((100, "1"), (50, "0.5"), (150.5, "1.505"))
    },
    "a frequency of 0": (
        described({"frequency_hz": 0}),
        "coils.json: 'frequency_hz' is 0; write hertz, 100 to 1000000.",
    ),
    "a frequency in kilohertz": (
        described(pair={"frequency_hz": 10}),
        PAIR + ": 'frequency_hz' is 10; write hertz, 100 to 1000000 (10 kHz is 10000).",
    ),
    "a height below ground": (
        described(pair={"height_m": -0.1}), PAIR + ": 'height_m' is -0.1; write metres, 0 to 50."),
    "a height in centimetres": (
        described({"height_m": 100}),
        "coils.json: 'height_m' is 100; write metres, 0 to 50 (100 cm is 1).",
    ),
    "an unused height that is wrong": (
        json.dumps({**GOOD, "height_m": "low", "pairs": [{"spacing_m": 1, "height_m": 0}]}),
        "coils.json: 'height_m' is 'low'; write a number of metres with a decimal point without ",
    ),
    "an unknown orientation": (
        described({"orientation": "upright"}),
        f"coils.json: 'orientation' is 'upright'; {ADVICE}",
    ),
    "an orientation that is a number": (
        described(pair={"orientation": 90}), f"{PAIR}: 'orientation' is 90; {ADVICE}"),
    "an unknown unit": (
        described({"in_phase_unit": "mS/m"}),
        "coils.json: 'in_phase_unit' is 'mS/m'; write ratio, ppt or ppm.",
    ),
    "a unit of conductivity with a prefix of its own": (
        described({"quadrature_unit": "S/m"}),
        "coils.json: 'quadrature_unit' is 'S/m'; write mS/m, ratio, ppt or ppm.",
    ),
    "a field for two channels": (
        described(pair={"in_phase_field": "ec_050"}),
        PAIR + ": 'in_phase_field' is 'ec_050', which is 'quadrature_field' of pair 1 already; "
        "write a field of its own for each.",
    ),
    "a field that is null": (
        described(pair={"in_phase_field": None}),
        PAIR + ": 'in_phase_field' is null; write a text in quotation marks, or leave the key out.",
    ),
    "a name that is a number": (
        described({"name": 7}),
        "coils.json: 'name' is 7; write a text in quotation marks, or leave the key out.",
    ),
    "a name of two lines": (
        described({"name": "a\nb"}),
        "coils.json: 'name' is 'a?b', which holds a line end or another control character. Write "
        "it in one line.",
    ),
    "a very long value": (
        described({"orientation": "x" * 1000}),
        f"coils.json: 'orientation' is '{'x' * 40}...'; {ADVICE}",
    ),
}  # fmt: skip


@pytest.mark.parametrize("mistake", MISTAKES)
def test_each_mistake_has_one_clear_sentence(mistake):
    text, sentence = MISTAKES[mistake]
    said = refusal(text)
    assert said == sentence if sentence.endswith(".") else said.startswith(sentence)
    assert said.endswith(".")
    assert "\n" not in said


coil_pair = st.builds(
    CoilPair,
    spacing=st.floats(*SPACINGS),
    orientation=st.sampled_from(ORIENTATIONS),
    frequency=st.floats(*FREQUENCIES) | st.sampled_from([1000.0, 9000.0]),
    height=st.floats(*HEIGHTS) | st.just(0.0),
    name=st.text(st.characters(exclude_categories=["C", "Z"])),
)
instrument = st.builds(
    lambda pairs, fields, name, first, second: Instrument(
        tuple(
            CoilPair(p.spacing, p.orientation, p.frequency, p.height, p.name, *fields[2 * k :][:2])
            for k, p in enumerate(pairs)
        ),
        name,
        first,
        second,
    ),
    st.lists(coil_pair, min_size=1, max_size=4),
    st.lists(
        st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1),
        min_size=8, max_size=8, unique=True,
    ),
    st.text(st.characters(exclude_categories=["C", "Z"]), min_size=1),
    st.sampled_from(["mS/m", *SCALES]),
    st.sampled_from(list(SCALES)),
)  # fmt: skip


@given(instrument)
def test_a_description_reads_back_exactly(made):
    text = instrument_text(made)
    assert parse_instrument(text) == made
    assert instrument_text(parse_instrument(text)) == text


word = st.sampled_from([*TOP_KEYS, *PAIR_KEYS, "vertical", "ppt", "spacing", ""])
number = st.floats() | st.integers() | st.sampled_from([0.5, 1, 100, 10_000])
value = st.recursive(
    st.none() | st.booleans() | number | word | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(word, inner, max_size=6),
    max_leaves=12,
)
pair_like = st.dictionaries(st.sampled_from(PAIR_KEYS), number | word, max_size=7)
json_like = st.fixed_dictionaries(
    {"pairs": st.lists(pair_like, max_size=3) | value},
    optional={key: value for key in TOP_KEYS if key != "pairs"},
) | value  # fmt: skip


def put_into(text, place, put):
    place %= len(text) + 1
    return text[:place] + put + text[place:]


mangled = st.builds(
    put_into,
    json_like.map(json.dumps),
    st.integers(0, 400),
    st.sampled_from(["", "{", "}", '"', ",", "\\", "\ud800", "[", "9" * 5000, "\0", "0,5"]),
)


@given(mangled | st.text() | st.text('{}[]",:\\0.5ae\n'))
def test_any_text_is_an_instrument_or_refused_in_our_words(text):
    try:
        found = parse_instrument(text, "coils.json")
    except ValueError as wrong:
        said = str(wrong)
        assert re.match(r"(Pair \d+ of )?coils\.json", said)
        assert said.endswith(".")
        assert "\n" not in said
    else:
        assert parse_instrument(instrument_text(found)).pairs == found.pairs


# -- the guide and the sample ------------------------------------------------------------------


def test_the_examples_of_the_guide_are_descriptions():
    page = (ROOT / "docs" / "instruments.md").read_text("utf-8")
    blocks = [textwrap.dedent(text) for text in re.findall(r"(?:^    .*\n)+", page, re.MULTILINE)]
    found = [parse_instrument(text) for text in blocks if text.startswith("{")]
    assert [len(one.pairs) for one in found] == [2, 4, 3]
    assert {pair.orientation for pair in found[1].pairs} == {"vertical", "horizontal"}
    assert found[2].pairs[2].orientation == "perpendicular"
    assert found[2].quadrature_unit == "ppt"
    assert [key for key in (*TOP_KEYS, *PAIR_KEYS) if f"`{key}`" not in page] == []


def test_the_samples_instrument_has_the_samples_channels():
    path = ROOT / "sample_layers" / "quillmere_instrument.json"
    found = parse_instrument(path.read_text("utf-8"), path.name)
    header = (ROOT / "sample_layers" / "quillmere_g1.csv").read_text("utf-8").splitlines()[2]
    assert [f"{channel.field} [{channel.unit}]" for channel in found.channels] == [
        title for title in header.split(",") if "[" in title
    ]
    assert [(p.spacing, p.orientation, p.frequency, p.height) for p in found.pairs] == [
        (0.5, "vertical", 1e4, 0.05),
        (1.0, "vertical", 1e4, 0.05),
    ]


def dipole_field(moment, offset):
    """Of a unit dipole, times 4 pi."""
    far = np.linalg.norm(offset)
    return 3 * offset * (moment @ offset) / far**5 - moment / far**3


def small_susceptible_thing(orientation, depth):
    """In-phase part that something small under the midpoint gives, spacing 1, any positive unit.

    By reciprocity: both coils' fields at the thing, over the transmitter's at the receiver.
    """
    x, y, up = np.eye(3)
    coils = {"vertical": (up, up), "horizontal": (y, y), "perpendicular": (up, x)}
    sender, receiver = coils[orientation]
    below = -depth * up
    both = dipole_field(sender, below + x / 2) @ dipole_field(receiver, below - x / 2)
    return both / (dipole_field(sender, x) @ sender)


def test_the_guides_check_of_the_sign_holds():
    depths = np.linspace(0.01, 3, 3000)
    vertical = np.array([small_susceptible_thing("vertical", depth) for depth in depths])
    assert depths[vertical > 0][[0, -1]] == pytest.approx([0.14, 0.89], abs=0.005)
    assert all(small_susceptible_thing("horizontal", depth) < 0 for depth in depths)
    assert small_susceptible_thing("perpendicular", 0.5) == pytest.approx(0, abs=1e-12)
    # The sample's own physics has this sign.
    kernel = [susceptibility_kernel(np.zeros(1), np.zeros(1), depth, 1.0)[0] for depth in depths]
    assert (np.array(kernel) > 0).tolist() == (vertical > 0).tolist()


def test_the_guides_effect_of_height_is_mcneills():
    # TN-6: of uniform ground, what lies below z spacings gives 1/sqrt(4z^2 + 1), or
    # sqrt(4z^2 + 1) - 2z with horizontal dipoles.
    left = [1 / np.sqrt(4 * 0.2**2 + 1), np.sqrt(4 * 0.2**2 + 1) - 2 * 0.2]
    page = (ROOT / "docs" / "steps" / "writeinstrument.md").read_text("utf-8")
    told = re.search(r"take (\d+) % off the reading\s+of vertical dipoles, and (\d+) %", page)
    assert [round(100 * (1 - share)) for share in left] == [int(text) for text in told.groups()]
