"""Units beside the analyte's own: limits as they were stated, and deciding limits as they are to be shown."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator import numbers
from validator.dossier.sections.summary import limit_text
from validator.evaluation.results import DeclaredLimit, DetectionRecord, NotAssessed
from validator.study.conversion import factor
from validator.study.models.method import LIMITS_OF_ANALYTE
from validator.study.stated import stated_limits

if TYPE_CHECKING:
    from validator.dossier.document import Block
    from validator.dossier.sections.context import Context, Item
    from validator.evaluation.results import Interval
    from validator.study.stated import StatedLimit


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
    return (say.paragraph("detection.other_unit", unit=unit, limits="; ".join(limits)),)


def limits_as_stated(context: Context) -> tuple[Block, ...]:
    """A sentence on limits that the study states in another unit, nothing where it does so nowhere."""
    limits = stated_limits(context.study)
    if not limits:
        return ()
    say = context.say
    shown = "; ".join(stated_text(context, one) for one in limits)
    masses = {
        say.text("purpose.molar_mass", name=one.analyte.name, mass=numbers.as_given(one.analyte.molar_mass))
        for one in limits
        if one.analyte.molar_mass is not None and "mol" in one.unit + one.analyte.unit
    }
    return (say.paragraph("purpose.stated", limits=shown, masses=" ".join(["", *sorted(masses)])),)


def stated_text(context: Context, limit: StatedLimit) -> str:
    """``legal limit, nitrate: ≤ 0.8 mmol/L, used as 49.6 mg/L``."""
    say = context.say
    named = limit.of in (*LIMITS_OF_ANALYTE, "specification")
    of = say.text(f"purpose.stated_{limit.of}") if named else context.characteristic(limit.of)
    sign = {"min": "≥", "max": "≤"}[limit.bound]
    return say.text(
        "purpose.stated_limit",
        of=of,
        name=limit.analyte.name,
        written=f"{sign} {numbers.quantity(limit.written, limit.unit)}",
        value=numbers.as_given(limit.value, limit.analyte.unit),
    )


def _scaled(limit: DeclaredLimit, by: float, unit: str) -> DeclaredLimit:
    return replace(limit, value=limit.value * by, ci=_times(limit.ci, by), one_sided=None, unit=unit)


def _times(interval: Interval | None, by: float) -> Interval | None:
    if interval is None:
        return None
    lower, upper = interval
    return (None if lower is None else lower * by, None if upper is None else upper * by)
