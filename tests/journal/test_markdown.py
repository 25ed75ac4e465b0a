"""Markdown as a parser of CommonMark with tables reads it: our structure, and the study's text as text."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from validator.dossier.document import Column, Document, Paragraph, Row, Section, Table
from validator.dossier.inline import plain
from validator.dossier.journal import to_markdown

OURS = {"<sub>", "</sub>", "<sup>", "</sup>"}
TEXT = st.text(
    st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]) | st.sampled_from("\\`*_{}[]<>#|$~&-+=.!1")
)


def parsed(text):
    return MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"]).parse(text)


def pieces(tokens):
    """Tokens with those inside them, in reading order."""
    for token in tokens:
        yield token
        yield from token.children or ()


def cells(text):
    """The texts of the cells of each table."""
    tokens, tables = parsed(text), []
    for index, token in enumerate(tokens):
        if token.type == "table_open":
            tables.append([])
        elif token.type == "tr_open":
            tables[-1].append([])
        elif token.type in ("th_open", "td_open"):
            inner = tokens[index + 1].children or ()
            tables[-1][-1].append("".join(child.content for child in inner if child.type.startswith("text")))
    return tables


def document(*blocks):
    return Document(
        title="T",
        identifier="",
        version="",
        sections=(Section(id="s", title="S", blocks=blocks, numbering="none"),),
    )


def test_headings_tables_formulas_and_lists_are_read_as_such(rich):
    """Two tables with the cells of the model, headings in order, the formula between dollar signs."""
    text = to_markdown(rich.document)
    tokens = parsed(text)

    headings = [tokens[i + 1].content for i, token in enumerate(tokens) if token.type == "heading_open"]
    assert headings == [
        rich.study.study.title,
        "Validation of the method",
        "Results of the validation",
        "cadmium, bismuth-film sensor",
        "zinc, bismuth-film sensor",
        "Comparison of configurations and acceptance criteria",
        "Limitations",
    ]
    tables = [block for block in rich.document.elements() if isinstance(block, Table)]
    found = cells(text)
    assert len(found) == len(tables) == 2
    for read, table in zip(found, tables, strict=True):
        assert [row[1:] for row in read[1:]] == [
            [plain(cell) for cell in row.cells[1:]] for row in table.rows
        ]
    assert text.count("\n$$\n") == 2
    assert r"\tag{1}" in text
    assert "equation (1)" in text


def test_hostile_text_is_text(hostile):
    """No HTML, link, emphasis or table cell comes from what a study says; the text is there as written."""
    text = to_markdown(hostile.document)
    tokens = list(pieces(parsed(text)))

    html = {token.content for token in tokens if token.type.startswith("html")}
    assert html <= OURS
    assert not any(
        token.type in ("link_open", "image", "code_inline", "fence", "code_block") for token in tokens
    )
    shown = "".join(token.content for token in tokens if token.type.startswith("text"))
    assert shown.count(hostile.study.study.title[6:]) >= 6
    for read in cells(text):
        assert {len(row) for row in read} == {len(read[0])}


@given(TEXT)
@settings(max_examples=200, deadline=None)
def test_any_text_comes_back_from_a_paragraph(text):
    """Whatever is written is read as that text, trimmed at its ends, and as nothing else."""
    expected = text.strip(" \t")
    tokens = parsed(to_markdown(document(Paragraph(text))))[6:]

    if not expected.strip():
        return
    assert [token.type for token in tokens][:3] == ["paragraph_open", "inline", "paragraph_close"]
    children = tokens[1].children
    assert {child.type for child in children} <= {"text", "text_special"}
    assert "".join(child.content for child in children).strip() == expected.strip()


@given(TEXT)
@settings(max_examples=200, deadline=None)
def test_any_text_comes_back_from_a_cell(text):
    """A table keeps its shape and the text its signs, pipes and backslashes included."""
    table = Table(
        id="t",
        caption="c",
        columns=(Column("a"), Column("b")),
        rows=(Row((text, "end")), Row(("x", text))),
    )

    (read,) = cells(to_markdown(document(table)))

    assert [[cell.strip() for cell in row] for row in read] == [
        ["a", "b"],
        [text.strip(), "end"],
        ["x", text.strip()],
    ]


@pytest.mark.parametrize(
    "opening", ["# a", "- a", "+ a", "1. a", "2) a", "    a", "> a", "---", "===", ": a", "\ta"]
)
def test_no_text_opens_a_block(opening):
    """Headings, lists, quotes, rules and code start with signs that are escaped at the start of a line."""
    tokens = parsed(to_markdown(document(Paragraph(opening), Paragraph("end"))))[6:]

    kinds = [token.type for token in tokens]
    assert kinds == ["paragraph_open", "inline", "paragraph_close"] * 2
    assert "".join(child.content for child in tokens[1].children) == opening.strip()
