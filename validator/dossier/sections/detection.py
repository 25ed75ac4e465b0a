"""Limits: the declared ones, every other side by side, and those of residue control."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import (
    Block,
    NotAssessedItem,
    NotAssessedList,
    Paragraph,
    Section,
    Table,
)
from validator.dossier.inline import Text
from validator.dossier.sections.context import Context, Item, open_caveats, refusals, section_of
from validator.dossier.sections.judging import judged
from validator.dossier.sections.other_unit import limits_in_other_unit
from validator.dossier.sections.pictures import deciding_ids, limits_figure
from validator.dossier.sections.summary import limit_text
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.results import (
    ConfigurationRecord,
    DetectionRecord,
    LimitValue,
    LimitVariant,
    NotAssessed,
    ResidueLimitRecord,
)
from validator.evaluation.rows import runs_of
from validator.statistics.detection import VARIANTS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.inline import Content
    from validator.evaluation.results import EstimateRecord


CHARACTERISTICS = ("detection_limit", "quantification_limit")


def detection(context: Context) -> Section | None:
    """One subsection for each analyte and configuration for which any limit can be had."""
    return section_of(
        context,
        "detection",
        lambda item: None if _is_bare(context, item) else item.configuration,
        _item,
        id="limits",
    )


def _is_bare(context: Context, item: Item) -> bool:
    """True when neither a calibration nor blanks nor low-level samples speak of limits."""
    measured = any(
        runs_of(getattr(context.study, name), item.cell) for name in ("blanks", "low_level", "noise")
    )
    return isinstance(item.configuration.calibration, NotAssessed) and not measured


def _item(context: Context, item: Item, found: ConfigurationRecord) -> tuple[Block, ...]:
    say, record = context.say, found.detection
    blocks: list[Block] = []
    if item.cell.configuration != context.study.validated_configuration and not context.is_compact:
        blocks.append(say.paragraph("common.configuration_not_validated", role="small"))
    if isinstance(record, NotAssessed):
        return (*blocks, *refusals((say("detection.title"), record)))
    if not context.is_compact:
        blocks.append(Paragraph(_declared(context, item, record)))
    blocks.extend(limits_in_other_unit(context, item, record))
    if item.cell.configuration == context.study.validated_configuration:
        blocks.extend(judged(context, CHARACTERISTICS, item.cell))
    blocks.append(_table(context, item, record))
    if item.cell.configuration == context.study.validated_configuration:
        blocks.extend(limits_figure(context, item, record))
    if not context.is_compact:
        blocks.extend(_why(context, item, record))
    if item.cell.configuration == context.study.validated_configuration:
        blocks.extend(_refused(record))
    blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return tuple(blocks)


def _declared(context: Context, item: Item, record: DetectionRecord) -> Content:
    say = context.say
    parts = []
    for name, limit in (
        ("critical_level", record.critical_level),
        ("detection_limit", record.detection_limit),
        ("quantification_limit", record.quantification_limit),
    ):
        text = (
            say.text("detection.none", reason=limit.not_assessed)
            if isinstance(limit, NotAssessed)
            else limit_text(limit)
        )
        parts.append(f"{say.text(f'detection.{name}')} {text}")
    return say("detection.declared", by=record.declared_in, limits="; ".join(parts))


def _shown(record: DetectionRecord) -> dict[str, LimitVariant]:
    return {name: one for name, one in record.variants.items() if isinstance(one, LimitVariant)}


def _table(context: Context, item: Item, record: DetectionRecord) -> Table:
    say, unit = context.say, item.analyte.unit
    declared = deciding_ids(record)
    return table_of(
        say,
        "detection.variants",
        _shown(record).items(),
        Col("variant", lambda one: VARIANTS[one[0]].title),
        Col("critical_level", lambda one: _limit(one[1].critical_level), unit),
        Col("detection_limit", lambda one: _limit(one[1].detection_limit), unit),
        Col("quantification_limit", lambda one: _limit(one[1].quantification_limit), unit),
        Col("sigma_from", lambda one: one[1].sigma_source or numbers.MISSING),
        Num("sigma", lambda one: numbers.significant(one[1].sigma_concentration, 2), unit),
        Num(
            Text("k"),
            lambda one: numbers.significant(one[1].k if one[1].k is not None else one[1].quantification_k, 3),
        ),
        Mid(Text("ν"), lambda one: numbers.degrees_of_freedom(one[1].degrees_of_freedom)),
        id=item.id("variants"),
        name=item.name,
        kind=lambda one: "declared" if one[0] in declared else "plain",
    )


def _limit(limit: LimitValue | None) -> str:
    if limit is None:
        return numbers.MISSING
    value = numbers.limit(limit.value)
    if limit.ci is None:
        return value
    return f"{value} ({numbers.limit(limit.ci[0])} to {numbers.limit(limit.ci[1])})"


def _why(context: Context, item: Item, record: DetectionRecord) -> tuple[Block, ...]:
    """Why the variants differ, in this study's numbers: what each sigma contains."""
    say = context.say
    found = {
        name: one.detection_limit.value
        for name, one in _shown(record).items()
        if one.detection_limit is not None
    }
    if len(found) < 2:
        return ()
    smallest, largest = min(found, key=lambda name: found[name]), max(found, key=lambda name: found[name])
    if smallest == largest or found[smallest] <= 0:
        return ()
    low, high = record.variants[smallest], record.variants[largest]
    return (
        say.paragraph(
            "detection.why",
            ratio=numbers.significant(found[largest] / found[smallest], 2),
            smallest=VARIANTS[smallest].title,
            low=numbers.limit(found[smallest], item.analyte.unit),
            low_sigma=_sigma(context, item, low),
            low_contains=VARIANTS[smallest].sigma_contains,
            largest=VARIANTS[largest].title,
            high=numbers.limit(found[largest], item.analyte.unit),
            high_sigma=_sigma(context, item, high),
            high_contains=VARIANTS[largest].sigma_contains,
        ),
    )


def _sigma(context: Context, item: Item, variant: LimitVariant | NotAssessed) -> str:
    if isinstance(variant, NotAssessed) or variant.sigma_concentration is None:
        return context.say.text("detection.no_sigma")
    return numbers.significant(variant.sigma_concentration, 2, item.analyte.unit)


def _refused(record: DetectionRecord) -> tuple[Block, ...]:
    items = tuple(
        NotAssessedItem(VARIANTS[name].title, one.not_assessed, one.needs)
        for name, one in record.variants.items()
        if isinstance(one, NotAssessed)
    )
    return (NotAssessedList(items),) if items else ()


CHARACTERISTICS_OF_DECISION_LIMITS = ("decision_limit", "detection_capability")


_Limit = tuple[Item, str, ResidueLimitRecord]


def decision_limits(context: Context) -> Section | None:
    """What the study asks for, by analyte; why a limit could not be assessed."""
    say = context.say
    known: list[_Limit] = []
    told: list[Block] = []
    for item in context.validated_items():
        told.extend(judged(context, CHARACTERISTICS_OF_DECISION_LIMITS, item.cell))
        refused = []
        for name in CHARACTERISTICS_OF_DECISION_LIMITS:
            found = getattr(item.configuration, name)
            if isinstance(found, ResidueLimitRecord):
                known.append((item, name, found))
            elif isinstance(found, NotAssessed):
                title = context.characteristic(name)
                refused.append((f"{item.name}: {title}" if context.has_several_analytes else title, found))
        told.extend(refusals(*refused))
        told.extend(open_caveats(context, CHARACTERISTICS_OF_DECISION_LIMITS, item.cell))
    if not known and not told:
        return None
    return Section(
        id="decision-limits",
        title=say("decision_limits.title"),
        blocks=(
            say.paragraph("decision_limits.lead", role="lead"),
            *((_table_of_decision_limits(context, known),) if known else ()),
            *told,
        ),
    )


def _table_of_decision_limits(context: Context, known: Sequence[_Limit]) -> Table:
    say = context.say

    def base(record: ResidueLimitRecord) -> str:
        return say.text(f"decision_limits.{record.base_is}", level=numbers.as_given(record.base))

    def limit(value: EstimateRecord) -> str:
        return numbers.with_interval(value.value, *(value.ci or (None, None)))

    of: tuple[Col[_Limit], ...] = (Col("analyte", lambda one: one[0].name),)
    return table_of(
        say,
        "decision_limits.table",
        known,
        *(of if context.has_several_analytes else ()),
        Col("quantity", lambda one: say.text(f"decision_limits.{one[1]}"), width=20),
        Col("base", lambda one: base(one[2]), width=18),
        Num("factor", lambda one: numbers.as_given(one[2].factor)),
        Num("reproducibility", lambda one: numbers.significant(one[2].reproducibility_sd, 2)),
        Num("bias", lambda one: numbers.significant(math.hypot(one[2].bias, one[2].bias_uncertainty), 2)),
        Num("u", lambda one: numbers.significant(one[2].standard_uncertainty, 2)),
        Col("limit", lambda one: limit(one[2].value)),
        Col("unit", lambda one: one[0].analyte.unit),
        id="decision-limits-table",
    )
