"""DOCX as its library opens it: headings, tables, captions, formulas, and text that is only text."""

from __future__ import annotations

import datetime as dt
import io
import sys
import zipfile

import docx
import pytest
from lxml import etree

from validator.dossier.document import Table
from validator.dossier.inline import plain
from validator.dossier.journal import to_word
from validator.dossier.journal.word import MATH, office_math
from validator.errors import EnvironmentProblem
from validator.statistics.detection import VARIANTS


@pytest.fixture(scope="module")
def content(rich):
    return to_word(rich.document)


@pytest.fixture(scope="module")
def opened(content):
    return docx.Document(io.BytesIO(content))


def read_back(table):
    return [[cell.text for cell in row.cells] for row in table.rows]


def test_the_tables_are_read_back_as_they_were_built(opened, rich):
    """Every cell of every table, heads with their units, in the style of a table."""
    tables = [block for block in rich.document.elements() if isinstance(block, Table)]

    assert len(opened.tables) == len(tables) == 2
    for read, table in zip(opened.tables, tables, strict=True):
        shown = read_back(read)
        assert shown[0] == [plain(column.header) for column in table.columns]
        assert [row[1:] for row in shown[1:]] == [
            [plain(cell) for cell in row.cells[1:]] for row in table.rows
        ]
        assert read.style.name == "Table Grid"
        assert read.rows[0]._tr.trPr.xpath("w:tblHeader")


def test_headings_and_captions_have_their_styles(opened, rich):
    """A reader's outline and list of tables find them; captions count on by a field."""
    headings = [
        (p.style.name, p.text) for p in opened.paragraphs if p.style.name.startswith(("Title", "Head"))
    ]
    assert headings == [
        ("Title", rich.study.study.title),
        ("Heading 1", "Validation of the method"),
        ("Heading 1", "Results of the validation"),
        ("Heading 2", "cadmium, bismuth-film sensor"),
        ("Heading 2", "zinc, bismuth-film sensor"),
        ("Heading 2", "Comparison of configurations and acceptance criteria"),
        ("Heading 1", "Limitations"),
    ]
    captions = [p for p in opened.paragraphs if p.style.name == "Caption"]
    fields = [p._p.xpath("w:fldSimple/@w:instr") for p in captions]
    assert fields == [["SEQ Table \\* ARABIC"]] * 2
    assert captions[0]._p.xpath("string(.)") == "Table 1. Figures of merit, cadmium"


def test_symbols_have_their_subscripts(opened):
    """The residual standard deviation is an italic s with a lowered index."""
    runs = [run for p in opened.paragraphs for run in p.runs if run.text == "y/x"]

    assert runs
    assert all(run.font.subscript for run in runs)


def test_the_same_document_gives_the_same_bytes(content, rich):
    """No date of the clock enters the file; its properties name the study."""
    assert to_word(rich.document) == content
    properties = docx.Document(io.BytesIO(content)).core_properties
    assert properties.title == rich.study.study.title
    assert properties.author == rich.study.study.people[0].name
    assert properties.created == properties.modified
    assert properties.created.replace(tzinfo=None) == dt.datetime.combine(
        rich.study.study.period.end, dt.time()
    )
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        assert {entry.date_time[:3] for entry in package.infolist()} == {(2000, 1, 1)}


def test_hostile_text_is_text(hostile):
    """Every sign is in a run of text: no field, link, picture or macro comes from a study."""
    content = to_word(hostile.document)
    file = docx.Document(io.BytesIO(content))

    assert file.paragraphs[0].text == hostile.study.study.title
    whole = file.element.body.xpath("string(.)")
    assert whole.count(hostile.study.study.title[6:]) >= 6
    assert set(file.element.body.xpath("//w:fldSimple/@w:instr")) == {"SEQ Table \\* ARABIC"}
    assert not file.element.body.xpath("//w:instrText | //w:hyperlink | //w:drawing | //w:object")
    with zipfile.ZipFile(io.BytesIO(content)) as package:
        assert not [name for name in package.namelist() if "vba" in name.lower() or "embed" in name.lower()]


@pytest.mark.parametrize("name", sorted(VARIANTS))
def test_every_formula_becomes_an_editable_equation(name):
    """Each variant's formula keeps its letters in order and has no empty part."""
    root = etree.fromstring(office_math(VARIANTS[name].formula))

    assert root.tag == f"{{{MATH}}}oMath"
    letters = "".join(root.itertext())
    assert "=" in letters
    assert "\\" not in letters
    for part in ("num", "den", "e", "sub", "sup"):
        assert all("".join(one.itertext()).strip() for one in root.iter(f"{{{MATH}}}{part}")), part


def test_an_equation_is_built_as_it_is_read():
    """A fraction of a sum over a root, an index and a bar."""
    root = etree.fromstring(office_math(r"\frac{\bar y_B + 3 s_B}{\sqrt{n}}"))

    (fraction,) = root.findall(f"{{{MATH}}}f")
    above, below = fraction
    assert "".join(above.itertext()) == "yB+3sB"
    assert [child.tag.rpartition("}")[2] for child in above] == ["sSub", "r", "r", "sSub"]
    assert above.find(f".//{{{MATH}}}bar/{{{MATH}}}barPr/{{{MATH}}}pos").get(f"{{{MATH}}}val") == "top"
    assert "".join(below.find(f"{{{MATH}}}rad/{{{MATH}}}e").itertext()) == "n"


def test_what_has_no_counterpart_is_an_error_not_a_gap():
    """A matrix is no part of any formula here; it would be dropped in silence otherwise."""
    with pytest.raises(ValueError, match="no counterpart of <mtable>"):
        office_math(r"\begin{matrix} a & b \end{matrix}")


@pytest.mark.parametrize("missing", ["docx", "latex2mathml.converter"])
def test_without_the_library_the_way_to_it_is_said(monkeypatch, hostile, missing):
    """Exit 3 of the command rests on this error and its sentence."""
    monkeypatch.setitem(sys.modules, missing, None)

    with pytest.raises(EnvironmentProblem, match=r"pip install 'validator\[word\]'"):
        to_word(hostile.document)
