"""The sections of a dossier in order: by characteristic for few analytes, by analyte for many."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier.sections.by_analyte import by_analyte
from validator.dossier.sections.order import BEFORE_THE_MATRIX, BY_ANALYTE, CORE, SECTIONS
from validator.dossier.sections.overview import overview

if TYPE_CHECKING:
    from validator.dossier.document import Section
    from validator.dossier.sections.context import Context


def composed(context: Context) -> tuple[tuple[Section, ...], tuple[Section, ...]]:
    """The sections in order, and the appendices that belong to them."""
    built = {section: found for section in SECTIONS if (found := section(context)) is not None}
    context.sections_present.extend(built.values())
    if not context.is_compact:
        context.sections_printed.extend(built.values())
        return tuple(built.values()), ()
    turned, in_full = by_analyte(
        context,
        [found for section, found in built.items() if section in CORE],
        [found for section, found in built.items() if section in BY_ANALYTE],
    )
    before = [found for section, found in built.items() if section in BEFORE_THE_MATRIX]
    turned_over = (*BEFORE_THE_MATRIX, *CORE, *BY_ANALYTE)
    after = [found for section, found in built.items() if section not in turned_over]
    printed = (*before, overview(context), turned, *after)
    context.sections_printed.extend(printed)
    return printed, (in_full,)
