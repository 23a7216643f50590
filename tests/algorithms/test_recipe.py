"""The reading recipe: two ways of writing it, and one sentence for each mistake."""

import json
import re
import textwrap

import pytest
from host import ROOT
from hypothesis import given
from hypothesis import strategies as st
from lynchet.algorithms.intake.stream.recipe import WORDS, parse_recipe, read_recipe

SHORT = "begins: M; parted by: blanks; time: 2; line: 5; mark: 6; channels: 3 = ec [mS/m], 4 = ip"
LONG = """{"begins": "M", "parted by": "blanks", "time": 2, "line": "5", "mark": 6,
 "channels": ["3 = ec [mS/m]", "4 = ip"]}"""


def test_json_and_the_short_form_say_the_same():
    short, long = parse_recipe(SHORT), parse_recipe(LONG)
    assert short == long
    assert [(c.name, c.unit, c.place.part) for c in short.channels] == [
        ("ec", "mS/m", 2), ("ip", "", 3),
    ]  # fmt: skip
    assert (short.time.part, short.line.part, short.mark.part) == (1, 4, 5)


def test_line_ends_part_words_as_semicolons_do():
    assert parse_recipe(SHORT.replace("; ", "\n")) == parse_recipe(SHORT)


def test_columns_are_counted_from_one_and_end_inclusive():
    place = parse_recipe("parted by: columns; channels: 3-8 = ec").channels[0].place
    assert (place.first, place.last) == (2, 8)


def test_a_part_of_a_pattern_names_its_channel():
    recipe = parse_recipe('{"pattern": "(?P<ec>.*)/(?P<b>.*)", "channels": ["ec [mS/m]", "b=ip"]}')
    assert [(c.name, c.place.group) for c in recipe.channels] == [("ec", "ec"), ("ip", "b")]


def test_words_for_no_reading_add_to_the_usual_ones():
    recipe = parse_recipe('{"parted by": "|", "channels": "1 = ec", "no reading": [-9999, "off"]}')
    assert {"off", "-9999", "na", ""} <= recipe.no_reading
    assert recipe.codes == (-9999.0,)


MISTAKES = {
    "": "The recipe is empty. Say how instrument lines are written.",
    "begins M": "The recipe says 'begins M' without a colon. Write 'word: value', parted by",
    "begin: M; parted by: comma": "says 'begin', which is no word of a recipe. The words are: beg",
    "time: 1; time: 2": "The recipe says 'time' twice. Say it once.",
    '{"time": 1, "time": 2}': "The recipe says 'time' twice. Say it once.",
    '{"time": 1': "The recipe is no JSON: at line 1, column 11: Expecting ',' delimiter.",
    "channels: 1 = ec": "must say one of the two: 'parted by' (blanks, comma, semicolon, tab, col",
    "parted by: comma; pattern: (?P<a>.); channels: a": "must say one of the two: 'parted by'",
    "parted by: x; channels: 1 = ec": "'parted by' is 'x'; write blanks, comma, semicolon, tab, ",
    "parted by: comma; channels: 1 = ec; decimal: comma": "the comma cannot both part the line",
    "parted by: tab; channels: 1 = ec; decimal: dot": "'decimal' is 'dot'; write point or comma.",
    "parted by: tab": "The recipe names no channel. Add 'channels', as in '3 = ec_050 [mS/m]'.",
    "parted by: tab; channels: ec": "'ec' is no channel. Write where it stands, its name and its",
    "parted by: tab; channels: 1 = ec, 2 = ec": "names channel 'ec' twice. Name each once.",
    "parted by: tab; channels: a = ec": "'channels' is 'a'; write the number of the part of the",
    "parted by: tab; time: 0; channels: 1 = ec": "'time' is '0'; write the number of the part",
    "parted by: tab; parts: 2; channels: 3 = ec": "lines of 2 'parts' have no part 3, which is as",
    "parted by: tab; parts: x; channels: 3 = ec": "'parts' is 'x'; write how many parts a line",
    "parted by: columns; channels: 3 = ec": "'channels' is '3'; write the first and last column",
    "parted by: columns; channels: 9-3 = ec": "'channels' is '9-3'; write the first and last col",
    "parted by: tab; time in: hours; channels: 3 = ec": "'time in' is 'hours'; write seconds or mi",
    "parted by: tab; stamp: 1; channels: 3 = ec": "'stamp' is '1'; write which part of what stands",
    "parted by: tab; time: 1; stamp: 0; channels: 3 = ec": "'stamp' is '0'; write which part of",
    "pattern: (; channels: a": "'pattern' is no regular expression: missing ), unterminated subp",
    "pattern: (?P<a>.); channels: b = ec": "'channels' is 'b', which the pattern does not name. I",
    '{"time": [1], "parted by": "tab", "channels": "1 = ec"}': "'time' must be one text.",
    '{"parted by": "tab", "channels": [1.5, {}]}': "'channels' must be texts such as",
    '{"parted by": "tab", "begins": "\\ud800", "channels": "1 = ec"}': "holds half a character",
}


@pytest.mark.parametrize("text", MISTAKES)
def test_each_mistake_has_one_clear_sentence(text):
    with pytest.raises(ValueError) as refusal:  # noqa: PT011
        parse_recipe(text)
    said = str(refusal.value)
    assert MISTAKES[text] in said
    assert said.startswith("The recipe")
    assert said.endswith(".")


@pytest.mark.parametrize("text", [SHORT, LONG, SHORT.replace("; ", "\n")])
def test_a_recipes_own_text_is_json_that_says_the_same(text):
    recipe = parse_recipe(text)
    assert set(json.loads(recipe.text)) <= set(WORDS)
    assert parse_recipe(recipe.text) == recipe
    assert parse_recipe(recipe.text).text == recipe.text


def test_a_recipe_file_is_named_in_its_mistakes(tmp_path):
    (tmp_path / "recipe.json").write_text("time 2")
    with pytest.raises(ValueError, match=r"^recipe\.json says 'time 2' without a colon"):
        read_recipe(tmp_path / "recipe.json")
    (tmp_path / "recipe.json").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ValueError, match=r"^recipe\.json is no text in UTF-8"):
        read_recipe(tmp_path / "recipe.json")
    with pytest.raises(ValueError, match="There is no file"):
        read_recipe(tmp_path / "none.json")


@given(st.text(max_size=80) | st.lists(st.sampled_from(
    ["parted by: ", "tab", ";", "channels: ", "1 = ec", "pattern: ", "(?P<a>", "{", '"', "\\", ":"]
)).map("".join))  # fmt: skip
def test_any_text_is_a_recipe_or_refused_in_our_words(text):
    said = "The recipe is good."
    try:
        parse_recipe(text)
    except ValueError as wrong:
        said = str(wrong)
    assert said.startswith("The recipe")


def test_the_examples_of_the_guide_are_recipes():
    page = (ROOT / "docs" / "steps" / "importstream.md").read_text("utf-8")
    block = re.findall(r"(?:^    .*\n)+", page[page.index("**The recipe.**") :], re.MULTILINE)
    first, second = (parse_recipe(textwrap.dedent(text)) for text in block)
    assert (first.begins, first.time.part, len(first.channels)) == ("M", 1, 2)
    assert second.pattern.fullmatch(b"09:00:44,5 <21,89/0,365> gate")["ec"] == b"21,89"
    assert [word for word in WORDS if f"`{word}`" not in page] == []
