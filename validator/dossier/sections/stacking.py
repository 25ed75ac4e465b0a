"""Tables of the same columns, one for each of many analytes, set under each other as one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from validator.dossier.document import Column, Row, Table
from validator.dossier.inline import plain
from validator.dossier.measuring import text_width
from validator.dossier.table_layout import SIZES_PT, UPRIGHT_PT

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

MOST_PANELS = 3
_PADDING_EM = 1.3


class Stacked(Struct, frozen=True):
    """A table and what it is about."""

    table: Table
    name: str

    @property
    def kind(self) -> tuple[str, ...]:
        """Which table it is, and its columns: tables of one kind go together."""
        heads = (plain(column.header) for column in self.table.columns)
        return (self.table.id.partition("--")[0], *heads)


def stacked(tables: Iterable[Stacked]) -> tuple[Table, ...]:
    """One table for each kind, a heading over what is about one thing; short rows go on side by side."""
    kinds: dict[tuple[str, ...], list[Stacked]] = {}
    for one in tables:
        kinds.setdefault(one.kind, []).append(one)
    return tuple(_together(position, members) for position, members in enumerate(kinds.values(), start=1))


def _together(position: int, members: Sequence[Stacked]) -> Table:
    first = members[0].table
    units = [{member.table.columns[at].unit for member in members} for at in range(len(first.columns))]
    columns = tuple(
        replace(column, unit=column.unit if len(units[at]) == 1 else "", width=None, align="text")
        for at, column in enumerate(first.columns)
    )
    plain_rows = all(one.kind == "plain" for member in members for one in member.table.rows)
    panels = _panels(columns, members) if plain_rows else 1
    rows: list[Row] = []
    for member in members:
        heading = member.name
        own = {
            column.unit: None
            for at, column in enumerate(member.table.columns)
            if len(units[at]) > 1 and column.unit
        }
        if own:
            heading += f" ({', '.join(own)})"
        rows.append(Row((heading, *("" for _ in range(panels * len(columns) - 1))), "group"))
        rows.extend(member.table.rows if panels == 1 else _beside(member.table.rows, panels, len(columns)))
    return Table(
        id=f"in-full-{position}",
        caption=plain(first.caption).replace(f", {members[0].name}", ""),
        columns=tuple(
            replace(column, starts_panel=panel > 0 and at == 0)
            for panel in range(panels)
            for at, column in enumerate(columns)
        ),
        rows=tuple(rows),
        note=first.note,
        size="tiny",
    )


def _panels(columns: Sequence[Column], members: Sequence[Stacked]) -> int:
    """How many rows fit side by side without breaking a cell."""
    widths = [
        max(
            text_width(f"{plain(column.header)} {column.unit}"),
            *(text_width(plain(one.cells[at])) for member in members for one in member.table.rows),
        )
        + _PADDING_EM
        for at, column in enumerate(columns)
    ]
    return max(1, min(MOST_PANELS, int(UPRIGHT_PT / SIZES_PT["tiny"] // sum(widths))))


def _beside(rows: Sequence[Row], panels: int, columns: int) -> Iterable[Row]:
    for start in range(0, len(rows), panels):
        cells = [cell for one in rows[start : start + panels] for cell in one.cells]
        yield Row((*cells, *("" for _ in range(panels * columns - len(cells)))))
