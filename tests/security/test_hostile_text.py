"""Text of a study is text wherever it is printed: no markup, command, formula or request is made of it."""

from __future__ import annotations

import base64
import importlib
import io
import json
import re
import zipfile
from dataclasses import dataclass
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree as ET

import openpyxl
import pytest
from markdown_it import MarkdownIt
from pypdf import PdfReader
from pypdf.generic import ArrayObject, DictionaryObject, IndirectObject

from validator.dossier import build_document, dossier_pdf, render_html
from validator.dossier.journal import manuscript
from validator.evaluation.serialise import from_json, to_json

PLAIN = "Plain words"
PAGES = (
    '<img src="http://127.0.0.1:9/x.png" onerror="alert(1)">',
    "<img src='file:///etc/passwd'>",
    '"></p><script src="//127.0.0.1:9/x.js">alert(1)</script>',
    '</style><style>@import url("http://127.0.0.1:9/x.css"); *{background:url(file:///etc/passwd)}',
    '" style="background:url(http://127.0.0.1:9/)" onload="x()" x="',
    '<link rel="attachment" href="file:///etc/passwd"><a rel=attachment href=/etc/passwd>x</a>',
    '</text><image href="file:///etc/passwd"/><script>x()</script><text>',
    '<!DOCTYPE a [<!ENTITY b SYSTEM "file:///etc/passwd">]>&b;&#x3c;b&#x3e; ]]> <!-- x',
)
LANGUAGES = (
    r"\input{/etc/passwd}\immediate\write18{id}$x^2_3$%&~#{}\\ ^^5cinput",
    "{{ 7*7 }}{% include '/etc/passwd' %}{{ ''.__class__.__mro__ }}{name} {0} %s %(x)s",
    "[x](javascript:alert(1)) ![y](file:///etc/passwd) <b>z</b> `c` **b** | d | # e",
    "**bold** [[formulas]] [[caveat-1]] _x_ ~y~ a\u202ebc\u2066d\u200be",
)
CELLS = ('=HYPERLINK("http://127.0.0.1:9/","x")', "@SUM(1+1)*cmd|' /C calc'!A0")
TEXTS = {
    "pages": " ".join(PAGES),
    "pages, one by one": PAGES[2],
    "languages": " ".join(LANGUAGES),
    "cells": CELLS[0],
}
"""What is put into every text of a study."""


@dataclass(frozen=True)
class Case:
    """A study of one text, its judged results and its pages."""

    text: str
    study: object
    results: object
    pages: dict

    def manuscript(self, ending):
        return manuscript(self.study, self.results, Path(f"section{ending}")).text


def case_of(text, judged_with):
    study, results = judged_with(text)
    document = build_document(study, results)
    return Case(text, study, results, {medium: render_html(document, medium) for medium in ("print", "web")})


@pytest.fixture(scope="module", params=TEXTS)
def case(request, judged_with):
    return case_of(TEXTS[request.param], judged_with)


@pytest.fixture(scope="module")
def plain(judged_with):
    """The same study of plain words."""
    return case_of(PLAIN, judged_with)


class Elements(HTMLParser):
    """Tags with their attributes, and the text of a page."""

    def __init__(self, page):
        super().__init__()
        self.tags, self.addresses, self.words = set(), [], []
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.tags.add((tag, *sorted(name for name, _ in attrs)))
        self.addresses += [
            value for name, value in attrs if name in ("src", "href", "data", "action", "srcset")
        ]

    def handle_data(self, data):
        self.words.append(data)

    @property
    def text(self):
        return "".join("".join(self.words).split())


BREAKS = {("span", "class")}
"""A word too long for a line is put into an element that lets it break anywhere."""


@pytest.mark.parametrize("medium", ["print", "web"])
def test_pages_gain_no_element_and_no_address(case, plain, medium):
    """HTML of hostile text has the elements and attributes of plain words; addresses lead nowhere else."""
    page, usual = Elements(case.pages[medium]), Elements(plain.pages[medium])

    assert {tag for tag, *_ in page.tags} - {tag for tag, *_ in usual.tags} <= {"span"}
    assert attributes(page) - attributes(usual) <= BREAKS
    shipped = re.compile(r"#[\w.-]*|data:(image/(svg\+xml|png)|font/woff2);base64,[\w+/=]*|marks/[\w-]+\.svg")
    assert [address[:80] for address in page.addresses if not shipped.fullmatch(address)] == []
    assert "".join(case.text.split()) in page.text


def attributes(page):
    return {(tag, name) for tag, *names in page.tags for name in names}


def test_style_sheets_are_the_shipped_ones(case, plain):
    """No rule and no address of a style sheet comes from the study."""

    def sheets(page):
        return re.findall(r"<style>(.*?)</style>", page, re.DOTALL)

    assert sheets(case.pages["print"]) == sheets(plain.pages["print"])
    assert sheets(case.pages["web"]) == sheets(plain.pages["web"])


def test_figures_hold_text_as_text(case):
    """Every figure is well-formed SVG without scripts, pictures or addresses."""
    figures = [
        base64.b64decode(one)
        for one in re.findall(r"data:image/svg\+xml;base64,([\w+/=]+)", case.pages["print"])
    ]

    assert len(figures) > 5
    for figure in figures:
        for element in ET.fromstring(figure).iter():
            assert element.tag.rpartition("}")[2] not in ("script", "image", "foreignObject", "a", "iframe")
            for name, value in element.attrib.items():
                local = name.rpartition("}")[2]
                assert not local.startswith("on")
                assert local != "href" or value.startswith("#")
                assert "url(" not in value or "url(#" in value


def _everything(pdf):
    """Every dictionary of a PDF."""
    reader = PdfReader(io.BytesIO(pdf))
    for number in range(1, len(reader.xref_objStm) + len(reader.xref.get(0, ())) + 10):
        found = reader.get_object(IndirectObject(number, 0, reader))
        stack = [found]
        while stack:
            one = stack.pop()
            if isinstance(one, DictionaryObject):
                yield one
                stack += [
                    value for value in one.values() if isinstance(value, DictionaryObject | ArrayObject)
                ]
            elif isinstance(one, ArrayObject):
                stack += [value for value in one if isinstance(value, DictionaryObject | ArrayObject)]


def test_the_pdf_asks_for_nothing(judged_with, watched):
    """Rendering opens no connection, no process and no file of the host; the PDF holds no action."""
    study, results = judged_with(f"{PAGES[1]}{PAGES[3]}", few_blocks=True)
    page = render_html(build_document(study, results))
    importlib.import_module("weasyprint")  # it asks the system for its libraries, once

    with watched() as events:
        pdf = dossier_pdf(page, study, results)

    assert [event for event, _ in events if event != "open"] == []
    opened = [str(arguments[0]) for event, arguments in events if event == "open"]
    assert [path for path in opened if "passwd" in path] == []
    keys = {(key, str(one[key])) for one in _everything(pdf) for key in ("/S", "/Type") if key in one}
    assert not keys & {
        ("/S", f"/{action}") for action in ("URI", "JavaScript", "Launch", "SubmitForm", "GoToR")
    }
    names = [str(one["/UF"]) for one in _everything(pdf) if "/UF" in one]
    assert set(names) == {"study.yaml", "results.json"}


ESCAPES = (
    *("textbackslash", "textasciicircum", "textasciitilde", "textless", "textgreater", "textbar", "symbol"),
    *("textasciigrave", "kern", "allowbreak", "hspace", "linebreak", "discretionary"),
    *("ifdefined", "Umathcode", "else", "fi"),
)
"""Commands that stand for a sign, or for a place where a line may break, or ask which engine reads them."""


def test_latex_holds_no_command_of_the_study(case, plain):
    """Every backslash in the manuscript is ours: signs of the study are printed, not obeyed."""
    tex = case.manuscript(".tex")
    ours = set(re.findall(r"\\[A-Za-z]+", plain.manuscript(".tex"))) | {rf"\{name}" for name in ESCAPES}

    assert set(re.findall(r"\\[A-Za-z]+", tex)) - ours == set()
    assert "^^" not in tex


def test_markdown_holds_no_markup_of_the_study(case):
    """A Markdown reader (CommonMark) finds no HTML, link or picture but the section's own."""
    tokens = MarkdownIt("commonmark", {"html": True}).enable("table").parse(case.manuscript(".md"))

    inner = [child for token in tokens for child in token.children or ()]
    html = [token.content for token in [*tokens, *inner] if token.type in ("html_inline", "html_block")]
    assert {one.strip("</>") for one in html} <= {"sub", "sup"}
    addresses = [str(token.attrs.get("href") or token.attrs.get("src")) for token in inner if token.attrs]
    assert [one for one in addresses if not re.fullmatch(r"[\w./-]+\.(svg|png|pdf)", one)] == []


def test_word_file_is_well_formed_and_asks_for_nothing(case):
    """Every part is XML, no relation leads out of the file, no field computes anything of the study."""
    with zipfile.ZipFile(io.BytesIO(case.manuscript(".docx"))) as archive:
        parts = {name: archive.read(name) for name in archive.namelist()}

    for name, part in parts.items():
        if name.endswith((".xml", ".rels")):
            assert b"<!DOCTYPE" not in part
            root = ET.fromstring(part)
            assert not [one for one in root.iter() if one.get("TargetMode") == "External"]
    instructions = re.findall(rb"<w:(?:instrText|fldSimple)[^>]*>", parts["word/document.xml"])
    assert not [one for one in instructions if b"INCLUDE" in one or b"DDE" in one or b"HYPERLINK" in one]


def test_results_are_what_was_written(case):
    """The results file is JSON whatever the study says, and reads back."""
    written = to_json(case.results)

    assert json.loads(written)["study"]["title"] == case.text.strip()
    assert from_json(written) == case.results


@pytest.mark.parametrize("text", CELLS)
def test_spreadsheets_compute_nothing_of_the_study(command, hostile_folder, tmp_path, text):
    """In the summary of many studies no cell is a formula, as a workbook or as a text file."""
    studies = hostile_folder(text)

    for ending in ("xlsx", "csv"):
        file = tmp_path / f"summary.{ending}"
        done = command("batch", studies, "--output", tmp_path / ending, "--summary", file, "--workers", 1)
        assert done.status in (0, 1), done.err
    book = openpyxl.load_workbook(tmp_path / "summary.xlsx")
    cells = [cell for sheet in book for row in sheet.iter_rows() for cell in row]
    assert any(text in str(cell.value) for cell in cells)
    assert [cell for cell in cells if cell.data_type == "f"] == []
    lines = (tmp_path / "summary.csv").read_text(encoding="utf-8-sig")
    assert text[:6] in lines
    assert not re.search(r'(^|,)"?[=@]', lines, re.MULTILINE)
