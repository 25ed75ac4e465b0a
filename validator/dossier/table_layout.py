"""Where the parts of a table go: decimal points under each other, type small enough to fit the page.

Widths are in units of the type size (em), taken from the shipped face, so that the result is the same in the
PDF and on the web and needs no measuring by the renderer.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

from validator.dossier.inline import Code, LineBreak, Outcome, Severity, pieces, plain
from validator.resources import templates_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Row, Table
    from validator.dossier.inline import Content

TypeSize = Literal["normal", "small", "tiny"]

_UPRIGHT_PT, _LANDSCAPE_PT = 160 / 25.4 * 72, 223 / 25.4 * 72
_SIZES_PT: dict[TypeSize, float] = {"normal": 8.6, "small": 7.6, "tiny": 6.6}  # the same in dossier.css
_CELL_PADDING_EM = 1.0
_MARK_EM = 1.4
_LONG_TOKEN = 18
_BREAK = "\N{ZERO WIDTH SPACE}"
_NUMBER = re.compile(
    r"(?P<head>[<>≤≥≈(\[ ]*[+\-−]?\d+)(?P<tail>(?:\.\d+)?[\s\d.,±×()\[\]+\-−–to⁰¹²³⁴⁵⁶⁷⁸⁹⁻∞<>≤≥%\u202f]*)"
)


@dataclass(frozen=True, slots=True)
class CellLayout:
    """A cell with the padding, in em, that puts its decimal point under the others of the column."""

    content: Content
    align: Literal["text", "decimal", "centre"]
    before: float = 0.0
    after: float = 0.0


@dataclass(frozen=True, slots=True)
class RowLayout:
    """A row of laid-out cells."""

    kind: str
    cells: tuple[CellLayout, ...]


@dataclass(frozen=True, slots=True)
class TableLayout:
    """A table ready for a template.

    Attributes:
        rows: the rows with aligned cells.
        size: the type size that lets the table fit.
        landscape: it needs a page of its own, turned.
        crowded: even there numbers have to wrap.
    """

    rows: tuple[RowLayout, ...]
    size: TypeSize
    landscape: bool
    crowded: bool


def lay_out(table: Table) -> TableLayout:
    """Align and size *table* for the text width of 160 mm."""
    columns = [
        _column([row.cells[position] for row in table.rows], column.align)
        for position, column in enumerate(table.columns)
    ]
    rows = tuple(
        RowLayout(row.kind, tuple(column[index] for column in columns))
        for index, row in enumerate(table.rows)
    )
    needed = sum(_needed_width(table, position) for position in range(len(table.columns)))
    size, landscape, crowded = _fit(needed, table.size)
    return TableLayout(_breakable(rows) if crowded else rows, size, landscape, crowded)


def text_width(text: str) -> float:
    """Width of *text* in the figure face, in em."""
    widths = _advance_widths()
    return sum(widths.get(character, 560) for character in text) / 1000


def is_long(token: str) -> bool:
    """True for a word so long that it must be allowed to break anywhere."""
    return len(token) > _LONG_TOKEN


def _column(cells: Sequence[Content], align: Literal["text", "decimal", "centre"]) -> list[CellLayout]:
    if align != "decimal":
        return [CellLayout(cell, align) for cell in cells]
    split = [_NUMBER.fullmatch(plain(cell)) for cell in cells]
    heads = [text_width(number["head"]) if number else 0.0 for number in split]
    tails = [text_width(number["tail"]) if number else 0.0 for number in split]
    widest_head, widest_tail = max(heads, default=0.0), max(tails, default=0.0)
    return [
        CellLayout(cell, "decimal", round(widest_head - head, 3), round(widest_tail - tail, 3))
        if number
        else CellLayout(cell, "centre")
        for cell, number, head, tail in zip(cells, split, heads, tails, strict=True)
    ]


def _needed_width(table: Table, position: int) -> float:
    column = table.columns[position]
    header = f"{plain(column.header)} {column.unit}"
    cells = (_cell_width(row, position, column.align) for row in table.rows if row.kind != "group")
    return max(_longest_word(header), *cells, 0.0) + _CELL_PADDING_EM


def _cell_width(row: Row, position: int, align: str) -> float:
    content = row.cells[position]
    if align == "decimal" and _NUMBER.fullmatch(plain(content)):
        return text_width(plain(content))
    marks = (_MARK_EM for piece in pieces(content) if isinstance(piece, (Outcome, Severity)))
    words = (
        0.0 if isinstance(piece, (Code, LineBreak)) else _longest_word(plain(piece))
        for piece in pieces(content)
    )
    return max(words, default=0.0) + sum(marks)


def _longest_word(text: str) -> float:
    return max(
        (text_width(word) for word in re.split(r"[ \u200b/-]", text) if not is_long(word)), default=0.0
    )


def _fit(needed_em: float, wanted: TypeSize) -> tuple[TypeSize, bool, bool]:
    """Size, landscape, crowded: the least drastic way to fit, smaller type before a turned page."""
    sizes = list(_SIZES_PT)
    for width_pt, landscape in ((_UPRIGHT_PT, False), (_LANDSCAPE_PT, True)):
        for size in sizes[sizes.index(wanted) :]:
            if needed_em * _SIZES_PT[size] <= width_pt:
                return size, landscape, False
    return sizes[-1], True, True


def _breakable(rows: tuple[RowLayout, ...]) -> tuple[RowLayout, ...]:
    """Numbers of a crowded table may break before what follows the value, and are no longer aligned."""
    return tuple(
        RowLayout(
            row.kind,
            tuple(
                CellLayout(re.sub(r" (?=[±×(]|to )", f"{_BREAK} ", cell.content), "centre")
                if isinstance(cell.content, str) and cell.align == "decimal"
                else cell
                for cell in row.cells
            ),
        )
        for row in rows
    )


@cache
def _advance_widths() -> dict[str, int]:
    widths: dict[str, int] = json.loads(
        (templates_folder() / "fonts" / "advance_widths.json").read_text("utf-8")
    )
    return widths
