"""The deciding limits once more in the unit that the study asks for beside the analyte's own."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from validator.dossier.document import Paragraph
from validator.dossier.sections.summary import limit_text
from validator.evaluation.results import DeclaredLimit, DetectionRecord, NotAssessed
from validator.study.conversion import factor

if TYPE_CHECKING:
    from validator.dossier.document import Block
    from validator.dossier.sections.context import Context, Item
    from validator.evaluation.results import Interval


def limits_in_other_unit(context: Context, item: Item, record: DetectionRecord) -> tuple[Block, ...]:
    """A sentence with the deciding limits in ``display_unit``, nothing where the study names none."""
    unit = item.analyte.display_unit
    if unit is None:
        return ()
    say = context.say
    by = factor(item.analyte.unit, unit, item.analyte.molar_mass)
    named = (
        ("detection.critical_level", record.critical_level),
        ("detection.detection_limit", record.detection_limit),
        ("detection.quantification_limit", record.quantification_limit),
    )
    limits = [
        f"{say.text(name)} {limit_text(_scaled(limit, by, unit))}"
        for name, limit in named
        if not isinstance(limit, NotAssessed)
    ]
    if not limits:
        return ()
    return (Paragraph(say("detection.other_unit", unit=unit, limits="; ".join(limits))),)


def _scaled(limit: DeclaredLimit, by: float, unit: str) -> DeclaredLimit:
    return replace(limit, value=limit.value * by, ci=_times(limit.ci, by), one_sided=None, unit=unit)


def _times(interval: Interval | None, by: float) -> Interval | None:
    if interval is None:
        return None
    lower, upper = interval
    return (None if lower is None else lower * by, None if upper is None else upper * by)
