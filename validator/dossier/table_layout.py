"""Where the parts of a table go: decimal points aligned, columns as wide as their text, all on the page.

The PDF engine would find widths by setting every cell twice more; computed here, from the widths of the
shipped face, a long dossier is laid out sooner and the same on every machine.
"""

from __future__ import annotations

import json
import math
import re
from functools import cache
from typing import TYPE_CHECKING, Literal

from msgspec import Struct

from validator.dossier.inline import Code, LineBreak, Outcome, Reference, Severity, pieces, plain
from validator.resources import templates_folder

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Alignment, Row, Table
    from validator.dossier.inline import Content, Inline


_LONG_TOKEN = 18
_OTHER_CHARACTER = 560
JOINER = "\N{WORD JOINER}"
UNIT_TO_STROKE = r"[^\W\d_]{1,4}(?:·[^\W\d_]{1,4})?/"
"""The beginning of a unit such as ``µg/L`` or ``µA·L/µg``."""
_STROKE = re.compile(rf"(?<![\w/.:]){UNIT_TO_STROKE}(?=[^\W\d_]{{1,4}}(?![\w/])|\()")
_BREAKS = re.compile(
    r"[ \n\u200b]|(?<=[-/])(?=[^\W\d])"
)  # after a hyphen a letter may begin a line, a digit not


def text_width(text: str) -> float:
    """Width of *text* on one line, in em."""
    widths = _advance_widths()
    return sum(widths.get(character, _OTHER_CHARACTER) for character in text) / 1000


def with_whole_units(text: str) -> str:
    """*text* whose units with a stroke are joined there: ``µg/L`` would otherwise end a line as ``µg/``."""
    return _STROKE.sub(f"\\g<0>{JOINER}", text)


def longest_word(text: str) -> float:
    """Width of the longest part of *text* that no line break may divide, in em."""
    words = [word.replace(JOINER, "") for word in _BREAKS.split(with_whole_units(text))]
    return max((text_width(word) for word in words if not is_long(word)), default=0.0)


def is_long(token: str) -> bool:
    """True for a word so long that it must be allowed to break anywhere."""
    return len(token) > _LONG_TOKEN


@cache
def _advance_widths() -> dict[str, int]:
    place = templates_folder() / "fonts" / "advance_widths.json"
    widths: dict[str, int] = json.loads(place.read_text(encoding="utf-8"))
    return widths


TypeSize = Literal["normal", "small", "tiny"]

UPRIGHT_PT, _LANDSCAPE_PT = 160 / 25.4 * 72, 223 / 25.4 * 72
SIZES_PT: dict[TypeSize, float] = {"normal": 8.6, "small": 7.6, "tiny": 6.6}  # the same in dossier.css
SPANNING = ("group", "remark")
"""Kinds of row whose first cell spans the table."""
_CELL_PADDING_EM = 0.5  # on each side, the same in dossier.css
_PADDING_EM = 2 * _CELL_PADDING_EM
_MOST_LINES = 8
_SHORT = 8
_MARK_EM = 1.4
_LABEL_EM = 5.0  # of a reference: its text is known only after counting
_CODE_EM = 9.0  # below this a hash becomes a column of single letters
_SEMIBOLD = 1.06
_SLACK = 1.02  # kerning and the slanted faces are not measured
_BREAK = "\N{ZERO WIDTH SPACE}"
_NUMBER = re.compile(
    r"(?P<head>[<>≤≥≈(\[ ]*[+\-−]?\d+)(?P<tail>(?:\.\d+)?[\s\d.,±×()\[\]+\-−–to⁰¹²³⁴⁵⁶⁷⁸⁹⁻∞<>≤≥%\u202f]*)"
)


class CellLayout(Struct, frozen=True):
    """A cell with the padding, in em, that puts its decimal point under the others of the column."""

    content: Content
    align: Alignment
    before: float = _CELL_PADDING_EM
    after: float = _CELL_PADDING_EM


class RowLayout(Struct, frozen=True):
    """A row of laid-out cells."""

    kind: str
    cells: tuple[CellLayout, ...]


class TableLayout(Struct, frozen=True):
    """A table ready for a template.

    Attributes:
        rows: the rows with aligned cells.
        widths: of the columns, in percent of the table.
        size: the type size that lets the table fit.
        landscape: it needs a page of its own, turned.
        crowded: even there numbers have to wrap.
        short: few rows, which stay together on a page.
    """

    rows: tuple[RowLayout, ...]
    widths: tuple[float, ...]
    size: TypeSize
    landscape: bool
    crowded: bool
    short: bool


class _Need(Struct, frozen=True):
    """Width of a column in em: below *least* a word would be cut, beyond *most* nothing is gained.

    *cells* are the widths of its cells on one line.
    """

    least: float
    most: float
    cells: tuple[float, ...]


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
    needs = [_need(table, position) for position in range(len(table.columns))]
    size, landscape, crowded = _fit(sum(need.least for need in needs), table.size)
    available = (_LANDSCAPE_PT if landscape else UPRIGHT_PT) / SIZES_PT[size]
    widths = _share(needs, [column.width for column in table.columns], available)
    percents = tuple(round(100 * width / sum(widths), 2) for width in widths)
    return TableLayout(
        rows=_breakable(rows) if crowded else rows,
        widths=percents,
        size=size,
        landscape=landscape,
        crowded=crowded,
        short=len(rows) <= _SHORT,
    )


def _column(cells: Sequence[Content], align: Alignment) -> list[CellLayout]:
    if align != "decimal":
        return [CellLayout(cell, align) for cell in cells]
    split = [_NUMBER.fullmatch(plain(cell)) for cell in cells]
    heads = [text_width(number["head"]) if number else 0.0 for number in split]
    tails = [text_width(number["tail"]) if number else 0.0 for number in split]
    widest_head, widest_tail = max(heads, default=0.0), max(tails, default=0.0)
    return [
        CellLayout(
            cell,
            "decimal",
            round(_CELL_PADDING_EM + widest_head - head, 3),
            round(_CELL_PADDING_EM + widest_tail - tail, 3),
        )
        if number
        else CellLayout(cell, "centre")
        for cell, number, head, tail in zip(cells, split, heads, tails, strict=True)
    ]


def _need(table: Table, position: int) -> _Need:
    column = table.columns[position]
    header, unit = plain(column.header), column.unit
    least = [_SEMIBOLD * longest_word(header), longest_word(unit)]
    heads, tails, cells = [0.0], [0.0], []
    for row in table.rows:
        content = "" if row.kind in SPANNING else row.cells[position]
        number = _NUMBER.fullmatch(plain(content)) if column.align == "decimal" else None
        word, whole = _widths_of(content, row)
        if number is not None:
            heads.append(text_width(number["head"]))
            tails.append(text_width(number["tail"]))
            word = whole
        least.append(word)
        cells.append(whole)
    least.append(max(heads) + max(tails))
    title = _SEMIBOLD * text_width(header) + (text_width(f" {unit}") if unit else 0.0)
    return _Need(
        _SLACK * max(least) + _PADDING_EM,
        _SLACK * max(*least, *cells, title) + _PADDING_EM,
        tuple(_SLACK * cell + _PADDING_EM for cell in cells),
    )


def _widths_of(content: Content, row: Row) -> tuple[float, float]:
    """Width of the longest word of a cell, and of the cell on one line."""
    bold = _SEMIBOLD if row.kind in ("declared", "total") else 1.0
    parts = [_piece_widths(piece) for piece in pieces(content)]
    words = max((word for word, _ in parts), default=0.0)
    return bold * words, bold * sum(whole for _, whole in parts)


def _piece_widths(piece: Inline) -> tuple[float, float]:
    text = plain(piece)
    match piece:
        case LineBreak():
            return 0.0, 0.0
        case Code():
            return min(_CODE_EM, text_width(text)), text_width(text)
        case Outcome() | Severity():
            width = _MARK_EM + _SEMIBOLD * text_width(text)  # mark and word stay together
            return width, width
        case Reference() if not piece.text:
            return _LABEL_EM, _LABEL_EM
        case _:
            return longest_word(text), text_width(text)


def _fit(needed_em: float, wanted: TypeSize) -> tuple[TypeSize, bool, bool]:
    """Size, landscape, crowded: the least drastic way to fit, smaller type before a turned page."""
    sizes = list(SIZES_PT)
    for width_pt, landscape in ((UPRIGHT_PT, False), (_LANDSCAPE_PT, True)):
        for size in sizes[sizes.index(wanted) :]:
            if needed_em * SIZES_PT[size] <= width_pt:
                return size, landscape, False
    return sizes[-1], True, True


def _share(needs: Sequence[_Need], wishes: Sequence[float | None], available: float) -> list[float]:
    """Widths in em that add up to *available*; wishes (percent) are met where the others still fit."""
    wished = {
        position: max(need.least, available * wish / 100)
        for position, (need, wish) in enumerate(zip(needs, wishes, strict=True))
        if wish is not None
    }
    others = [position for position in range(len(needs)) if position not in wished]
    left = available - sum(wished.values())
    if wished and (not others or left < sum(needs[position].least for position in others)):
        return _share(needs, [None] * len(needs), available)
    found = _shortest([needs[position] for position in others], left)
    widths = wished | dict(zip(others, found, strict=True))
    return [widths[position] for position in range(len(needs))]


def _shortest(needs: Sequence[_Need], available: float) -> list[float]:
    """The widths that make the table shortest, tried with one to several lines in every cell."""
    most, least = sum(need.most for need in needs), sum(need.least for need in needs)
    if most <= available or available <= least:
        whole = [need.most if most <= available else need.least for need in needs]
        return [width * available / sum(whole) for width in whole]
    tries = [_in_lines(needs, available, lines) for lines in range(1, _MOST_LINES + 1)]
    return min(tries, key=lambda widths: _height(needs, widths))


def _in_lines(needs: Sequence[_Need], available: float, lines: int) -> list[float]:
    """Every column may break into *lines*; what is left keeps the narrowest columns from breaking at all."""
    widths = [max(need.least, need.most / lines) for need in needs]
    left = available - sum(widths)
    if left < 0:
        excess = sum(width - need.least for width, need in zip(widths, needs, strict=True))
        shrink = 1 + left / excess
        return [need.least + (width - need.least) * shrink for width, need in zip(widths, needs, strict=True)]
    for position in sorted(range(len(needs)), key=lambda one: needs[one].most):
        gain = min(left, needs[position].most - widths[position])
        widths[position] += gain
        left -= gain
    return widths


def _height(needs: Sequence[_Need], widths: Sequence[float]) -> int:
    """Lines of all rows together."""
    rows = zip(*(need.cells for need in needs), strict=True)
    room = [width - _PADDING_EM for width in widths]
    return sum(
        max(math.ceil((cell - _PADDING_EM) / space - 1e-9) for cell, space in zip(row, room, strict=True))
        for row in rows
    )


def _breakable(rows: tuple[RowLayout, ...]) -> tuple[RowLayout, ...]:
    """Numbers of a crowded table may break before what follows the value, and are no longer aligned."""
    return tuple(RowLayout(row.kind, tuple(_breakable_cell(cell) for cell in row.cells)) for row in rows)


def _breakable_cell(cell: CellLayout) -> CellLayout:
    if not isinstance(cell.content, str) or cell.align != "decimal":
        return cell
    return CellLayout(re.sub(r" (?=[±×(]|to )", f"{_BREAK} ", cell.content), "centre")
