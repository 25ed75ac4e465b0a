"""How far a source was consulted: a mark after it, and one explanation in each document."""

from __future__ import annotations

import re

import pytest

from validator import assess, evaluate, read_study
from validator.dossier import build_document, render_html
from validator.dossier.console import explained
from validator.dossier.sections.context import Context
from validator.dossier.wording import wording
from validator.resources import examples_folder
from validator.sources import MARKS, marked

KEY = wording("en").text("common.source_marks")


@pytest.fixture(scope="module")
def judged():
    study = read_study(examples_folder() / "irrigation_water_cadmium_zinc").with_shortest_simulation()
    return study, assess(study, evaluate(study))


@pytest.fixture(scope="module")
def page(judged):
    html = re.sub(
        r"<style.*?</style>", "", render_html(build_document(*judged), medium="print"), flags=re.DOTALL
    )
    return " ".join(re.sub(r"<[^>]*>", " ", html).split())


def test_the_marks_of_a_dossier_are_explained_once(page):
    """Among the references; no source repeats the explanation in words."""
    assert page.count(KEY) == 1
    assert page.rpartition("References")[2].count(KEY) == 1
    assert all(f"{mark}:" in KEY for mark in MARKS.values())
    assert not re.search("from memory|seen in|as quoted", page)


def test_every_source_of_a_caveat_has_the_mark_of_its_status(judged, page):
    """The results hold the text without the mark, and the status beside it."""
    sources = {one for caveat in judged[1].assessment.caveats for one in caveat.sources}

    assert {"memory", "quotation"} <= {one.status for one in sources}
    for one in sources:
        assert marked(one.text, one.status) in page
        assert not any(mark in one.text for mark in MARKS.values())


def test_a_list_on_the_terminal_explains_its_marks_at_its_foot(judged):
    """Where it has any."""
    context = Context(*judged, wording("en"))

    assert explained("- linearity, A 3†", context) == f"- linearity, A 3†\n\n{KEY}"
    assert explained("- linearity, A 3", context) == "- linearity, A 3"
