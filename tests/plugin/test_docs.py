"""The guide keeps up with the steps."""

import re

import pytest
from host import ROOT

from docs import END, START, STEPS, parameter_table

PAGES = sorted((ROOT / "docs").rglob("*.md")) + [ROOT / "README.md", ROOT / "DEVELOPERS.md"]


def steps():
    from lynchet.plugin.provider import STEPS as found

    return found


def test_every_step_has_a_page_with_its_parameters_as_they_are(provider):
    for step in steps():
        text = (STEPS / f"{step.identifier}.md").read_text("utf-8")
        table = text.split(START)[1].split(END)[0]
        assert parameter_table(step) in table, f"{step.identifier}: run make docs"
        assert f"`lynchet:{step.identifier}`" in text
        assert "**Source.**" in text


def test_every_step_is_listed(provider):
    index = (STEPS / "README.md").read_text("utf-8")
    for step in steps():
        assert f"]({step.identifier}.md)" in index


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_links_and_pictures_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#]+)\)", page.read_text("utf-8")):
        assert (page.parent / target).exists(), target


def test_every_step_says_what_it_is_in_the_hosts_help(provider):
    for step in provider.algorithms():
        if step.group() == "Ready-made models":
            continue
        assert step.shortDescription()
        assert step.tags()
        for record in step.parameters:
            assert record.help or record.name in ("OUTPUT",), (step.name(), record.name)
