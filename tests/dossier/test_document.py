"""The document model refuses at construction what would otherwise show only on paper."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.dossier.document import (
    Column,
    Document,
    Figure,
    Formula,
    PageBreak,
    Paragraph,
    Row,
    Section,
    Table,
    identifier,
)
from validator.dossier.inline import (
    Code,
    Emphasis,
    Outcome,
    Reference,
    Strong,
    Symbol,
    Text,
    WebLink,
    pieces,
    plain,
    rich,
)


def test_a_row_has_a_cell_for_every_column():
    """A missing cell is an error that names the table."""
    with pytest.raises(ValueError, match="table t: a row of 1 cells for 2 columns"):
        Table(id="t", caption="c", columns=(Column("a"), Column("b")), rows=(Row(("1",)),))


def test_a_figure_has_alternative_text():
    """A figure that nobody described cannot be built, nor a formula that cannot be spoken."""
    with pytest.raises(ValueError, match="figure f has no alternative text"):
        Figure(id="f", svg="<svg/>", caption="c", alternative_text=" ")
    with pytest.raises(ValueError, match="no spoken form"):
        Formula(latex="x", spoken="")


def test_an_id_is_used_once():
    """Two blocks with one id are found, however deep they stand."""
    inner = Section(id="twice", title="Inner", blocks=())
    outer = Section(
        id="outer", title="Outer", blocks=(Section(id="middle", title="M", blocks=(inner,)), inner)
    )
    with pytest.raises(ValueError, match="'twice' is used twice"):
        Document(title="T", identifier="I", version="1", sections=(outer,))


def test_blocks_without_id_may_repeat():
    """Only ids are counted, not blocks."""
    Document(title="T", identifier="I", version="1", summary=(PageBreak(), PageBreak(), Paragraph("a")))


@given(
    st.lists(st.text(min_size=1), min_size=1, max_size=3),
    st.lists(st.text(min_size=1), min_size=1, max_size=3),
)
@settings(max_examples=200, deadline=None)
def test_identifiers_are_valid_and_distinct(one, other):
    """Any names of a study give an id, and different names a different one."""
    first = identifier("tab", *one)
    Section(id=first, title="t", blocks=())
    assert (first == identifier("tab", *other)) == (one == other)


def test_rich_text_reads_our_markup():
    """Each mark becomes its piece; numbers with stars and braces of LaTeX style do not."""
    assert rich(
        "of **{n}** *independent* levels, `{f}`, $s_{y/x}$, $R^2$, [[tab]] or [[tab|here]]", n="8", f="a.csv"
    ) == (
        Text("of "),
        Strong("8"),
        Text(" "),
        Emphasis("independent"),
        Text(" levels, "),
        Code("a.csv"),
        Text(", "),
        Symbol("s", "y/x"),
        Text(", "),
        Symbol("R", "", "2"),
        Text(", "),
        Reference("tab"),
        Text(" or "),
        Reference("tab", "here"),
    )
    assert rich("2*3 and 4*5") == (Text("2*3 and 4*5"),)


def test_rich_text_takes_typed_values():
    """A value may itself be a piece or several."""
    assert rich("it {o}: {w}", o=Outcome("meets"), w=("a", Strong("b"))) == (
        Text("it "),
        Outcome("meets"),
        Text(": "),
        Text("a"),
        Strong("b"),
    )
    with pytest.raises(KeyError, match="missing"):
        rich("{missing}")


@given(st.text())
@settings(max_examples=300, deadline=None)
def test_values_are_never_read_as_markup(text):
    """What a user wrote comes out as he wrote it."""
    assert plain(rich("{v}", v=text)) == text
    assert plain(rich("**{v}**", v=text)) == text
    assert all(isinstance(piece, Text) for piece in rich("{v}", v=text))


def test_plain_text_of_every_piece():
    """Markup has a form in plain text."""
    content = (
        "a ",
        Strong("b"),
        Symbol("s", "r"),
        Symbol("R", "", "2"),
        Reference("t", "Table 1"),
        Outcome("meets"),
    )
    assert plain(content) == "a bs_rR^2Table 1meets"
    assert pieces("a") == (Text("a"),)


def test_links_lead_to_web_addresses_only():
    """A script or a file cannot be linked."""
    for address in ("javascript:alert(1)", "file:///etc/hostname", "//host/x", "data:text/html,x"):
        with pytest.raises(ValueError, match="not a web address"):
            WebLink(address)
