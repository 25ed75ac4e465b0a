"""Every recorded curve as a small picture: an appendix of the dossier, and a page of its own to look at."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from validator import numbers
from validator.dossier.document import Block, Document, Figure, Section
from validator.dossier.figure_style import WIDTHS_MM
from validator.dossier.figures.small_curves import ACROSS, DOWN, SmallCurve, sheet_of_curves
from validator.dossier.sections.context import Context
from validator.dossier.sections.recordings import MOST_LISTED, curve_name, drawn_curve, signal_unit
from validator.dossier.wording import wording
from validator.evaluation.recordings import reductions

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from validator.dossier.sections.context import Item
    from validator.evaluation.recordings import Reduction
    from validator.evaluation.results import RecordingsRecord, ReducedCurve, Results
    from validator.study import Study


def every_curve(context: Context, *, most: int = MOST_LISTED) -> Section | None:
    """Sheets of small pictures for each analyte and configuration with at *most* so many curves."""
    blocks: list[Block | Section] = []
    for item in context.items():
        record = item.configuration.recordings
        if record is not None and len(record.curves) <= most:
            blocks.extend(_sheets(context, item, record))
    if not blocks:
        return None
    return Section(
        id="every-curve",
        title=context.say("recordings.every"),
        blocks=(context.say.paragraph("recordings.every_lead"), *blocks),
        numbering="appendix",
    )


def page_of_curves(study: Study, results: Results) -> Document | None:
    """A page of all curves of *study*, None where it has none."""
    context = Context(study, results, wording("en"))
    section = every_curve(context, most=len(study.recordings.runs) if study.recordings else 0)
    if section is None:
        return None
    return Document(
        title=study.study.title,
        identifier=study.study.id or study.folder.resolve().name,
        version=study.study.version or "",
        kind=context.say.text("recordings.every"),
        sections=(section,),
    )


def _sheets(context: Context, item: Item, record: RecordingsRecord) -> Iterator[Figure]:
    found = reductions(context.study, item.cell)
    pairs = list(zip(found, record.curves, strict=True))
    for first in range(0, len(pairs), ACROSS * DOWN):
        part = pairs[first : first + ACROSS * DOWN]
        last, count = first + len(part), len(pairs)
        where = {"first": first + 1, "last": last}
        yield Figure(
            id=item.id("every-curve", str(first + 1)),
            svg=sheet_of_curves([_small(context, item, one, reduced) for one, reduced in part]),
            caption=context.say("recordings.sheet", name=item.name, count=count, **where),
            alternative_text=context.say.text("recordings.sheet_alt", name=item.name, **where),
            width_mm=WIDTHS_MM["text"],
        )


def _small(context: Context, item: Item, one: Reduction, reduced: ReducedCurve) -> SmallCurve:
    drawn = drawn_curve(context, one)
    signal = numbers.quantity(numbers.value_only(reduced.signal, reduced.standard_error), signal_unit(item))
    level = "" if reduced.level is None else f"{numbers.as_given(reduced.level, item.analyte.unit)}: "
    return SmallCurve(
        curve=drawn,
        name=_short(curve_name(reduced, alone=False)),
        number=f"{level}{signal}",
        at=_reading(one, np.asarray(drawn.x), np.asarray(drawn.y)),
        marked=bool(reduced.settings),
    )


_LONGEST_NAME = 24


def _short(name: str) -> str:
    """The end of a long name, where files of one instrument differ."""
    return name if len(name) <= _LONGEST_NAME else f"…{name[1 - _LONGEST_NAME :]}"


def _reading(
    one: Reduction, x: NDArray[np.float64], y: NDArray[np.float64]
) -> tuple[float, float, float] | None:
    place = one.result.position
    if place is None:
        return None
    return place, float(np.interp(place, x, one.result.baseline)), float(np.interp(place, x, y))
