"""Tables are aligned on the decimal point and always fit the page."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from validator.dossier.document import Column, Row, Table
from validator.dossier.inline import Code, Outcome
from validator.dossier.table_layout import lay_out, longest_word, text_width


def _column(*cells, align="decimal"):
    table = Table(
        id="t", caption="c", columns=(Column("x", "", align),), rows=tuple(Row((cell,)) for cell in cells)
    )
    return [row.cells[0] for row in lay_out(table).rows]


@pytest.mark.parametrize(
    "other", ["1.25", "104", "−0.5", "< 0.001", "12.346 ± 0.012", "(1.2 ± 0.1) × 10⁻⁶", "0.1 (0.0 to 0.3)"]
)
def test_decimal_points_stand_under_each_other(other):
    """Whatever comes before the point, padding and text up to it have the same width in every row."""
    cells = _column("12.3", other)

    before = [
        cell.before + text_width(cell.content.partition(".")[0]) for cell in cells if "." in cell.content
    ]
    assert max(before) - min(before) < 0.002
    totals = [cell.before + text_width(cell.content) + cell.after for cell in cells]
    assert max(totals) - min(totals) < 0.004


def test_whole_numbers_end_where_the_point_would_stand():
    """A number without decimals is aligned on its last digit."""
    whole, fraction = _column("104", "1.25")

    assert whole.before + text_width("104") == pytest.approx(fraction.before + text_width("1"), abs=0.002)


def test_words_in_a_column_of_numbers_are_centred():
    """A sentence among numbers neither shifts them nor is shifted."""
    cells = _column("1.5", "not assessed: two levels only", "–", Outcome("meets"))

    assert [cell.align for cell in cells] == ["decimal", "centre", "centre", "centre"]
    assert (cells[0].before, cells[0].after) == (0.5, 0.5)


def test_type_shrinks_then_the_page_turns_then_numbers_wrap():
    """The least drastic way to fit is taken: each step only when the one before does not do."""
    met = []
    for columns in range(1, 40):
        table = Table(
            id="t",
            caption="c",
            columns=tuple(Column("x", "", "decimal") for _ in range(columns)),
            rows=(Row(("12.346 ± 0.012",) * columns),),
        )
        layout = lay_out(table)
        step = (layout.size, layout.landscape, layout.crowded)
        if step not in met:
            met.append(step)

    assert met == [
        ("normal", False, False),
        ("small", False, False),
        ("tiny", False, False),
        ("normal", True, False),
        ("small", True, False),
        ("tiny", True, False),
        ("tiny", True, True),
    ]


def _widths(*columns, rows):
    """Widths of the columns in em of the type size that was chosen, and that size."""
    layout = lay_out(Table(id="t", caption="c", columns=columns, rows=tuple(map(Row, rows))))
    assert layout.size == "normal"
    assert sum(layout.widths) == pytest.approx(100, abs=0.05)
    return [width / 100 * 160 / 25.4 * 72 / 8.6 for width in layout.widths]


def test_columns_share_the_whole_width():
    """More text gets more room, and nothing is left over."""
    widths = _widths(Column("a"), Column("b"), rows=[("short", "a much longer sentence")])

    assert widths[1] > 2 * widths[0]


def test_one_long_column_breaks_before_all_the_short_ones():
    """Where not everything fits on a line, the widest column takes the lines and the others stay whole."""
    remark = "pump failed: the flow was below 0.4 mL/min for the whole of the second deposition " * 2
    rows = [("calibration.csv row 12", "cadmium", "2024-05-14", ""), ("a", "zinc", "2024-05-14", remark)]
    widths = _widths(Column("Place"), Column("Analyte"), Column("Date"), Column("Remark"), rows=rows)

    for width, cells in zip(widths[:3], list(zip(*rows, strict=True))[:3], strict=True):
        assert width >= 1 + max(text_width(cell) for cell in cells)


def test_a_unit_with_a_stroke_is_one_word():
    """No line ends within it, so a column must hold it; other strokes are places to break."""
    assert longest_word("0.28 µA·L/µg") == text_width("µA·L/µg")
    assert longest_word("preparations/levels") < text_width("preparations/levels")


def test_no_column_is_narrower_than_its_longest_word():
    """Words are cut only in the last resort."""
    rows = [("electrochemically", "a " * 300, "b " * 300, "voltammetric")]
    widths = _widths(Column("a"), Column("b"), Column("c"), Column("d"), rows=rows)

    assert widths[0] >= 1 + longest_word("electrochemically")
    assert widths[3] >= 1 + longest_word("voltammetric")


def test_a_wished_width_is_met_where_it_can_be():
    """A share in percent holds unless the other columns would be cut."""
    whole = 160 / 25.4 * 72 / 8.6
    wide = ("w" * 9,) * 5

    assert _widths(Column("a", width=40), Column("b"), rows=[("x", "y")])[0] == pytest.approx(
        0.4 * whole, rel=0.01
    )
    assert _widths(Column("a", width=90), *[Column("b")] * 5, rows=[("x", *wide)])[0] < 0.3 * whole


def test_a_date_is_not_broken():
    """A hyphen before a digit is no place for a new line, one before a letter is."""
    assert longest_word("2024-05-14") == pytest.approx(text_width("2024-05-14"))
    assert longest_word("bismuth-film") == pytest.approx(text_width("bismuth-"))


def test_the_wanted_size_is_kept_where_it_fits():
    """A small table is not set larger than asked for."""
    table = Table(id="t", caption="c", columns=(Column("x"),), rows=(), size="small")

    assert lay_out(table).size == "small"


def test_hashes_do_not_widen_a_table():
    """A hash may break anywhere, so it asks for no width."""
    table = Table(id="t", caption="c", columns=(Column("x"),), rows=(Row((Code("f" * 400),)),))

    assert lay_out(table).size == "normal"


@given(st.lists(st.lists(st.text(max_size=30), min_size=3, max_size=3), max_size=6))
@settings(max_examples=150, deadline=None)
def test_any_text_can_be_laid_out(rows):
    """No content of a cell fails, and none is changed unless the table is crowded."""
    table = Table(
        id="t",
        caption="c",
        columns=(Column("a"), Column("b", "", "decimal"), Column("c", "", "centre")),
        rows=tuple(Row(tuple(row)) for row in rows),
    )
    layout = lay_out(table)

    assert [[cell.content for cell in row.cells] for row in layout.rows] == rows
