"""Purpose and method: scope, principle, conditions, configurations, hazards."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    DefinitionList,
    SafetyNotice,
    Section,
)
from validator.dossier.sections.context import Context, row
from validator.dossier.sections.other_unit import limits_as_stated
from validator.dossier.wording import Col, table_of
from validator.study.models.method import LIMITS_OF_ANALYTE

if TYPE_CHECKING:
    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context


def purpose(context: Context) -> Section:
    """What the method is for and how it works."""
    say = context.say
    identity, method = context.study.study, context.study.method
    blocks: list[Block | Section] = [
        say.paragraph(
            "purpose.lead",
            analytes=_named(context),
            matrix=identity.matrix or say.text("purpose.matrix_not_stated"),
            use=context.use,
            role="lead",
        )
    ]
    described = [
        (say("purpose.principle"), method.principle),
        (say("purpose.procedure"), method.procedure),
    ]
    present = tuple((term, text) for term, text in described if text)
    if present:
        blocks.append(DefinitionList(present))
    blocks.extend(_analytes(context))
    blocks.extend(limits_as_stated(context))
    blocks.extend(_conditions(context))
    for name, items in (("equipment", method.equipment), ("reagents", method.reagents)):
        if items:
            blocks.append(say.paragraph(f"purpose.{name}"))
            blocks.append(BulletList(items))
    blocks.extend(_configurations(context))
    blocks.append(
        SafetyNotice(say("purpose.safety"), cautions(context)),
    )
    blocks.append(say.paragraph("purpose.responsibility", role="small"))
    return Section(id="purpose", title=say("purpose.title"), blocks=tuple(blocks), new_page=True)


def _named(context: Context) -> str:
    names = [one.name for one in context.study.method.analytes]
    return context.say.text("purpose.many", count=len(names)) if context.is_compact else ", ".join(names)


def _analytes(context: Context) -> tuple[Block, ...]:
    say = context.say
    rows = []
    for one in context.study.method.analytes:
        limits = [
            *(
                say.text(f"purpose.{key}", limit=numbers.as_given(level, one.unit))
                for key in LIMITS_OF_ANALYTE
                if (level := getattr(one, key))
            ),
            say.text(f"purpose.{one.status}") if one.status else "",
            say.text(
                "purpose.specification",
                lower=_or_open(one.specification.lower),
                upper=_or_open(one.specification.upper),
            )
            if one.specification
            else "",
        ]
        signal = f"{one.signal} ({one.signal_unit})" if one.signal_unit != "1" else one.signal
        rows.append(
            row(one.name, one.unit, signal, "; ".join(text for text in limits if text) or numbers.MISSING)
        )
    return (
        table_of(
            say,
            "purpose.analytes",
            rows,
            Col("analyte"),
            Col("unit"),
            Col("signal"),
            Col("limits"),
            id="analytes",
            size="normal",
        ),
    )


def _or_open(value: float | None) -> str:
    return numbers.as_given(value)


def _conditions(context: Context) -> tuple[Block, ...]:
    conditions = context.study.method.conditions
    if not conditions:
        return ()
    say = context.say
    return (
        table_of(
            say,
            "purpose.conditions",
            conditions.items(),
            Col("condition", lambda one: one[0], width=40),
            Col("value", lambda one: one[1]),
            id="conditions",
            size="normal",
        ),
    )


def _configurations(context: Context) -> tuple[Block, ...]:
    configurations = context.study.method.configurations
    if not configurations:
        return ()
    say = context.say
    validated = context.study.validated_configuration
    return (
        table_of(
            say,
            "purpose.configurations",
            configurations,
            Col("configuration", lambda one: one.name, width=24),
            Col("description", lambda one: one.description or numbers.MISSING),
            Col(
                "area",
                lambda one: (
                    numbers.as_given(one.active_area.value, one.active_area.unit)
                    if one.active_area
                    else numbers.MISSING
                ),
                width=16,
            ),
            Col(
                "role",
                lambda one: say.text("purpose.validated" if one.id == validated else "purpose.compared"),
                width=16,
            ),
            id="configurations",
            size="normal",
            kind=lambda one: "declared" if one.id == validated else "plain",
        ),
    )


_WORDS: dict[str, tuple[str, ...]] = {
    "toxic_metals": (
        "cadmium", "mercury", "arsenic", "thallium", "chromium", "nickel", "antimony", "beryllium",
        "selenium", "toxic metal", "heavy metal", "bismuth", "zinc", "copper",
    ),
    "mercury": ("mercury",),
    "acids": (
        "acid", "hydrochloric", "nitric", "sulfuric", "sulphuric", "perchloric", "phosphoric",
        "acetate buffer", "hno3", "hcl", "h2so4",
    ),
    "bases": ("hydroxide", "naoh", "koh", "ammonia"),
    "solvents": (
        "solvent", "methanol", "acetonitrile", "ethanol", "acetone", "hexane", "toluene", "chloroform",
        "dichloromethane", "isopropanol",
    ),
    "pressure": (
        "pressur", "gas cylinder", "autoclave", "liquid chromatograph", "hplc", "nitrogen purge", "argon",
    ),
    "electrical": ("voltammetr", "potentiostat", "high voltage", "electrophores", "spark"),
    "radiation": ("ultraviolet", "uv", "laser", "x-ray", "photometr"),
}  # fmt: skip
"""Words in the study that call for a caution; a caution too many is better than one too few."""


def hazards_of(context: Context) -> tuple[str, ...]:
    """Known kinds of hazard that the study mentions, in a fixed order."""
    text = _text(context)
    return tuple(
        kind
        for kind, words in _WORDS.items()
        if any(re.search(rf"\b{re.escape(word)}", text) for word in words)
    )


def _text(context: Context) -> str:
    study, method = context.study.study, context.study.method
    parts = [
        *study.hazards,
        method.title or "",
        method.principle or "",
        method.procedure or "",
        *method.reagents,
        *method.equipment,
        *method.conditions,
        *method.conditions.values(),
        *(analyte.name for analyte in method.analytes),
        *(configuration.name for configuration in method.configurations),
    ]
    if context.study.interference is not None:
        parts.extend(run.interferent for run in context.study.interference.runs)
    return " ".join(parts).lower().replace("_", " ")


def cautions(context: Context) -> tuple[Content, ...]:
    """Cautions for the kinds of hazard mentioned, the study's own words, and what always holds."""
    say = context.say
    named = tuple(say(f"hazards.{kind}") for kind in hazards_of(context))
    own = tuple(say("hazards.own", text=text) for text in context.study.study.hazards if not _is_key(text))
    return (*named, *own, say("hazards.always"))


def _is_key(text: str) -> bool:
    return text.lower().replace("_", " ") in {"toxic metals", "mercury", "acids", "solvents", "bases"}
