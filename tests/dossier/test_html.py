"""The page escapes everything, says every outcome in words, and on the web needs nothing from outside."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.dossier import document as model
from validator.dossier import html
from validator.dossier.document import (
    CaveatBlock,
    Column,
    Document,
    Figure,
    Finding,
    Findings,
    KeyFacts,
    Paragraph,
    Row,
    Section,
    Table,
    Verdict,
)
from validator.dossier.html import render_html
from validator.dossier.inline import Code, Emphasis, Outcome, Reference, Strong
from validator.dossier.wording import words_for


class _Page(HTMLParser):
    """Elements, attributes and text of a page."""

    VOID = frozenset({"meta", "link", "img", "br", "col"})

    def __init__(self, source: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.text = ""
        self.feed(source)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if "style" not in self.open:
            self.text += data

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.elements if name == tag]


def _page(*blocks, medium="print") -> _Page:
    return _Page(render_html(_document(*blocks), medium))


def _document(*blocks) -> Document:
    return Document(title="T", identifier="I", version="1", summary=blocks)


@pytest.fixture(scope="module")
def web(document) -> str:
    return render_html(document, "web")


def test_every_element_is_closed_and_every_id_unique(document, web):
    """Both forms of the sample are well nested and hold no id twice."""
    for source in (render_html(document), web):
        page = _Page(source)
        ids = [attributes["id"] for _, attributes in page.elements if "id" in attributes]
        assert page.open == []
        assert len(ids) == len(set(ids))


def test_every_link_inside_the_document_has_its_target(web):
    """References lead somewhere."""
    page = _Page(web)
    ids = {attributes["id"] for _, attributes in page.elements if "id" in attributes}
    links = [a["href"] for a in page.all("a")]

    assert {link[1:] for link in links if link.startswith("#")} <= ids
    assert [link for link in links if not link.startswith("#")] == ["https://www.eurachem.org"]


def test_the_web_page_asks_no_server_for_anything(web):
    """No script, no style sheet, font or picture from outside: the page is one file."""
    page = _Page(web)

    assert page.all("script") == page.all("link") == page.all("iframe") == []
    assert all(img["src"].startswith("data:image/svg+xml;base64,") for img in page.all("img"))
    sheets = "".join(re.findall(r"<style>(.*?)</style>", web, re.DOTALL))
    assert {address[:5] for address in re.findall(r"url\(([^)]*)\)", sheets)} == {"data:"}
    assert "@import" not in sheets


def test_pictures_on_the_web_carry_their_face():
    """Inside an image a browser lends no face of the page, so the picture has its own."""
    svg = '<svg xmlns="http://www.w3.org/2000/svg"><text style="font-weight: 600">a</text></svg>'
    block = Figure(id="f", svg=svg, caption="c", alternative_text="a")

    sizes = {m: len(_page(block, medium=m).all("img")[0]["src"]) for m in ("print", "web")}
    assert sizes["print"] < 500
    assert sizes["web"] > 30_000


def test_every_picture_has_alternative_text(web):
    """Figures and formulas are described."""
    assert all(img["alt"].strip() for img in _Page(web).all("img"))


def test_outcomes_and_severities_are_words(web):
    """Every mark is followed by its word: nothing is said by shape or colour alone."""
    words = words_for("en", "frame")
    shown = [
        *words["outcomes"].values(),
        *words["severities"].values(),
        words["verdicts"]["fit under conditions"],
    ]

    marks = re.findall(r'<span class="mark ([\w-]+)"></span>([^<]*)', web)
    assert {text.strip() for _, text in marks if text.strip()} >= set(shown)
    text = _Page(web).text
    assert all(
        word in text for word in (*shown, words["row_kinds"]["declared"], words["row_kinds"]["excluded"])
    )


def test_the_language_is_declared_and_known():
    """The page carries its language; one without a catalogue is refused with the list of those there are."""
    assert _page(Paragraph("a")).all("html")[0]["lang"] == "en"
    with pytest.raises(ValueError, match="no wording in the language 'xx'; there is en"):
        render_html(Document(title="T", identifier="I", version="1", language="xx"))


@given(st.text(alphabet=st.characters(exclude_categories=["Cs"]), max_size=40))
@settings(max_examples=60, deadline=None)
def test_whatever_a_user_wrote_stays_text(text):
    """Text of a study in any place of any block opens no element and no attribute."""
    plain, hostile = (
        _page(
            KeyFacts(((value, value),)),
            Paragraph((value, Strong(value), Emphasis(value), Code(value))),
            Table(id="t", caption=value, columns=(Column(value, value),), rows=(Row((value,)),), note=value),
            Figure(id="f", svg="<svg/>", caption=value, alternative_text=f"a{value}"),
            Verdict(verdict="fit", sentence=value),
            Findings((Finding(outcome="meets", statement=value, requirement=value, source=value),)),
            CaveatBlock(severity="note", title=value, text=value),
        )
        for value in ("a", f"a{text}")
    )

    def shape(page: _Page) -> list[tuple[str, list[str]]]:
        # a long word is wrapped in a span of its own
        return [(tag, sorted(a)) for tag, a in page.elements if (tag, a.get("class")) != ("span", "long")]

    assert shape(hostile) == shape(plain)


def test_hostile_names_end_up_in_text_and_attributes_only_as_text():
    """Script tags, quotes and template braces are printed as they were written."""
    hostile = '</style><script>alert("x")</script> {{ 7*7 }} {% raw %} \' onload="x'
    document = Document(title=hostile, identifier=hostile, version="1", summary=(Paragraph(hostile),))
    page = _Page(render_html(document))

    assert page.all("script") == []
    assert page.all("body")[0]["data-identity"] == hostile
    assert page.text.count(hostile) == 4  # as title and identifier of the properties, heading, paragraph


def test_characters_no_page_can_show_become_the_replacement_sign():
    """Control characters and lone surrogates do not reach the renderer."""
    assert "a\ufffdb\ufffdc" in _page(Paragraph("a\x00b\ud800c")).text


def test_numbers_do_not_break_at_their_signs():
    """Value and uncertainty, power of ten and comparison stay on a line."""
    text = _page(Paragraph("It is 1.2 ± 0.3, 2 × 10⁻⁶ and < 5.")).text

    assert "1.2\u00a0±\u00a00.3" in text
    assert "2\u00a0×\u00a010⁻⁶" in text
    assert "<\u00a05" in text


@pytest.mark.parametrize(
    ("text", "bound"),
    [
        ("the lowest standard is 3 µg/L.", "the lowest standard is 3~µg/L."),
        ("0.28 µA·L/µg and 4 mg/(L·d)", "0.28~µA·L/µg and 4~mg/(L·d)"),
        ("a loss of 10 % at use 28 by", "a loss of 10~% at use 28 by"),
        ("6 found / added, 12 samples and/or 3 spikes", "6 found / added, 12 samples and/or 3 spikes"),
    ],
)
def test_a_number_keeps_to_the_line_of_its_unit(text, bound):
    """The space between them does not break."""
    assert bound.replace("~", "\u00a0") in _page(Paragraph(text)).text


def test_a_dangling_reference_stops_the_rendering():
    """A link to nothing is found before anything is printed."""
    with pytest.raises(ValueError, match="points to 'nowhere'"):
        _page(Paragraph(Reference("nowhere")))


def test_a_block_kind_without_template_is_an_error():
    """Every kind of block of the model has its template."""
    kinds = set(model.Block.__args__) | {Section}

    assert set(html._TEMPLATES) == kinds


def test_outcome_labels_may_be_replaced():
    """A table may say "yes" where the mark says that it meets."""
    assert "yes" in _page(Paragraph(Outcome("meets", "yes"))).text


@pytest.mark.parametrize(("version", "foot"), [("1.2", "·  version 1.2"), ("", "")])
def test_the_foot_of_a_page_names_a_version_only_where_there_is_one(version, foot):
    """Otherwise the word would stand there with nothing behind it."""
    page = _Page(render_html(Document(title="t", identifier="i", version=version)))

    assert page.all("body")[0]["data-version"] == foot


@pytest.mark.parametrize(("draft", "banners"), [("DRAFT", 1), ("", 0)])
def test_a_draft_says_so_on_the_page_and_in_the_head_of_every_printed_page(draft, banners):
    """A finished dossier has neither banner nor running head."""
    made = Document(title="A", identifier="B", version="1", draft=draft)

    web, printed = render_html(made, "web"), render_html(made, "print")

    assert web.count('<p class="draft-banner">DRAFT</p>') == banners
    assert f'data-draft="{draft}"' in printed
    assert "@top-center { content: string(draft)" in printed
