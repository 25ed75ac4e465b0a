"""What has been said once in a section is referred to, not said again."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.dossier.document import Block, Section, Table
from validator.dossier.inline import Reference, plain

if TYPE_CHECKING:
    from validator.dossier.sections.context import Context

SHORT = 60
"""Characters of a note that costs no more than the reference to it."""


def notes_once(context: Context, section: Section) -> Section:
    """*section* with each table's note given at the first table that carries it."""
    return _walked(context, section, {})


def _walked(context: Context, section: Section, seen: dict[str, str]) -> Section:
    blocks: list[Block | Section] = []
    for block in section.blocks:
        match block:
            case Section():
                blocks.append(_walked(context, block, seen))
            case Table():
                blocks.append(_noted(context, block, seen))
            case _:
                blocks.append(block)
    return replace(section, blocks=tuple(blocks))


def _noted(context: Context, table: Table, seen: dict[str, str]) -> Table:
    note = plain(table.note)
    if len(note) <= SHORT or seen.setdefault(note, table.id) == table.id:
        return table
    return replace(table, note=context.say("common.as_under", table=Reference(seen[note])))
