"""Sections, tables, figures, formulas and caveats are counted in reading order."""

from __future__ import annotations

import pytest

from validator.dossier.document import CaveatBlock, Column, Document, Formula, Section, Table, number
from validator.dossier.wording import words_for

WORDS = words_for("en", "frame")


def _table(name: str) -> Table:
    return Table(id=name, caption="c", columns=(Column("a"),), rows=())


def _document() -> Document:
    deep = Section(id="deep", title="Deep", blocks=(_table("t3"),))
    return Document(
        title="T",
        identifier="I",
        version="1",
        summary=(_table("t1"),),
        sections=(
            Section(
                id="preface",
                title="Preface",
                numbering="none",
                blocks=(Section(id="in", title="In", blocks=()),),
            ),
            Section(
                id="one", title="One", blocks=(_table("t2"), Section(id="sub", title="Sub", blocks=(deep,)))
            ),
            Section(
                id="two",
                title="Two",
                blocks=(
                    Formula(id="eq", latex="x", spoken="x"),
                    Formula(latex="y", spoken="y"),
                    CaveatBlock(severity="note", id="cav", title="t", text="x"),
                ),
            ),
            Section(
                id="app", title="App", numbering="appendix", blocks=(Section(id="a1", title="A1", blocks=()),)
            ),
            Section(id="app2", title="App 2", numbering="appendix", blocks=()),
        ),
    )


def test_numbers_follow_the_reading_order():
    """Inner sections extend the outer number, appendices have letters, an unnumbered section has none."""
    numbering = number(_document(), WORDS)

    assert dict(numbering.numbers) == {
        "preface": "",
        "in": "",
        "one": "1",
        "sub": "1.1",
        "deep": "1.1.1",
        "two": "2",
        "app": "A",
        "a1": "A.1",
        "app2": "B",
        "t1": "1",
        "t2": "2",
        "t3": "3",
        "eq": "1",
        "cav": "1",
    }


def test_references_say_what_they_point_to():
    """A label is the kind with its number, or the title where there is no number."""
    numbering = number(_document(), WORDS)

    labels = [numbering.label(target) for target in ("preface", "sub", "a1", "t2", "eq", "cav")]
    assert labels == ["Preface", "section 1.1", "appendix A.1", "Table 2", "equation (1)", "caveat 1"]


def test_contents_list_every_section_with_its_level():
    """The contents keep order, number and level."""
    entries = [(e.number, e.title, e.level) for e in number(_document(), WORDS).contents]

    assert entries[:4] == [("", "Preface", 1), ("", "In", 2), ("1", "One", 1), ("1.1", "Sub", 2)]


def test_a_reference_to_nothing_is_an_error():
    """A dangling reference stops the rendering and names its target."""
    with pytest.raises(ValueError, match="points to 'nowhere'"):
        number(_document(), WORDS).label("nowhere")


def test_more_appendices_than_letters():
    """After Z comes AA."""
    sections = tuple(Section(id=f"s{i}", title="t", numbering="appendix", blocks=()) for i in range(28))
    numbering = number(Document(title="T", identifier="I", version="1", sections=sections), WORDS)

    assert [numbering.numbers[f"s{i}"] for i in (0, 25, 26, 27)] == ["A", "Z", "AA", "AB"]
