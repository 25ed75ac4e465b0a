"""Robustness: effects of settings changed on purpose."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph, Table
from validator.dossier.sections.context import (
    Context,
    Item,
    interval_text,
    percent_level,
    value_text,
)
from validator.dossier.sections.pictures_of_comparisons import effects_figure
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.sources import Source

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.characteristics.robustness.results import FactorEffectRecord, RobustnessRecord
    from validator.dossier.inline import Content


def blocks(context: Context, item: Item, record: RobustnessRecord) -> tuple[Block, ...]:
    """The design, the effects with what must be kept, and the figure."""
    say = context.say
    found: list[Block] = [
        Paragraph(_done(context, item, record)),
        _table(context, item, record),
        *_control(context, record),
        *effects_figure(context, item, record, [_label(context, one) for one in record.effects]),
    ]
    if record.orthogonal is False:
        found.append(say.paragraph("robustness.not_orthogonal"))
    return (*found, *_beside(context, record))


def _done(context: Context, item: Item, record: RobustnessRecord) -> Content:
    say = context.say
    unit = item.analyte.unit
    return say(
        "robustness.done",
        design=say.text(f"robustness.design.{record.design}"),
        factors=len({one.factor for one in record.effects}),
        runs=record.runs,
        results=record.results,
        mean=numbers.quantity(numbers.value_only(record.mean, record.standard_error), unit),
        error=say.text(
            f"robustness.error.{record.error_source}",
            u=numbers.significant(record.standard_error, 2, unit),
            nu=numbers.degrees_of_freedom(record.degrees_of_freedom),
            reason=record.reason or "",
        ),
    )


def _label(context: Context, effect: FactorEffectRecord) -> str:
    if effect.setting is None:
        return effect.factor
    return context.say.text(f"robustness.setting.{effect.setting}", factor=effect.factor)


def _table(context: Context, item: Item, record: RobustnessRecord) -> Table:
    say, level = context.say, percent_level(item.record.confidence)
    alpha = 1 - item.record.confidence
    tested = sum(one.p is not None for one in record.effects)
    note = (
        say("robustness.note_one_at_a_time")
        if record.design == "one_at_a_time"
        else say(
            "robustness.note",
            count=tested,
            alpha=numbers.as_given(round(alpha, 6)),
            expected=round(100 * (1 - (1 - alpha) ** tested)),
        )
    )
    return table_of(
        say,
        "robustness.table",
        record.effects,
        Col("factor", lambda one: _label(context, one), width=24),
        Mid("low", lambda one: _setting(one.low, one.unit)),
        Mid("nominal", lambda one: _setting(one.nominal, one.unit)),
        Mid("high", lambda one: _setting(one.high, one.unit)),
        Num("effect", lambda one: value_text(one.effect_percent), "%"),
        Col(say("robustness.interval", level=level), lambda one: interval_text(one.effect_percent), "%"),
        Num("t", lambda one: numbers.significant(one.t)),
        Num("p", lambda one: numbers.p_value(one.p if one.p_adjusted is None else one.p_adjusted)),
        Col("answer", lambda one: _answer(context, record, one), width=14),
        id=item.id("effects-table"),
        name=item.name,
        note=note,
    )


def _setting(setting: str | None, unit: str | None) -> str:
    """A setting as it was written, with a proper minus sign."""
    if setting is None:
        return numbers.MISSING
    negative = setting.startswith("-") and setting[1:2].isdigit()
    return numbers.quantity(numbers.MINUS + setting[1:] if negative else setting, unit or "")


def _answer(context: Context, record: RobustnessRecord, effect: FactorEffectRecord) -> Content:
    say = context.say
    if effect.beyond_allowed:
        return say("robustness.beyond_allowed", allowed=numbers.as_given(record.allowed_percent))
    if effect.significant is None:
        return say("robustness.not_told")
    return say("robustness.beyond_chance" if effect.significant else "robustness.not_beyond_chance")


def _control(context: Context, record: RobustnessRecord) -> tuple[Block, ...]:
    """The settings that must be kept, with the range inside which the effect is chance."""
    say = context.say
    if record.standard_error is None and record.allowed_percent is None:
        return ()
    if not record.to_control:
        limit = "limit_chance" if record.allowed_percent is None else "limit_allowed"
        text = say.text(f"robustness.{limit}")
        return (say.paragraph("robustness.nothing_to_control", limit=text),)
    effects = {one.factor: one for one in record.effects}
    names = [_range(context, effects[name]) for name in record.to_control]
    blocks = [say.paragraph("robustness.control", factors="; ".join(names))]
    if any(effects[name].controlled_range is not None for name in record.to_control):
        blocks.append(say.paragraph("robustness.control_note", role="small"))
    return tuple(blocks)


def _range(context: Context, effect: FactorEffectRecord) -> str:
    reach = effect.controlled_range
    if reach is None:
        return effect.factor
    half = (reach.upper - reach.lower) / 2
    return context.say.text(
        "robustness.control_range",
        factor=effect.factor,
        lower=numbers.value_only(reach.lower, half),
        upper=numbers.value_only(reach.upper, half),
        unit=f"{numbers.UNIT_SPACE}{effect.unit}" if effect.unit else "",
    )


def _beside(context: Context, record: RobustnessRecord) -> tuple[Block, ...]:
    beside = record.with_excluded
    if beside is None:
        return ()
    largest = max(beside.effects, key=lambda one: abs(one.effect_percent.value or 0.0))
    return (
        context.say.paragraph(
            "robustness.with_excluded",
            count=len(record.excluded),
            with_=numbers.percent(largest.effect_percent.value, 2),
            factor=_label(context, largest),
        ),
    )


def sentences(context: Context, record: RobustnessRecord) -> Iterator[Content]:
    """What must be controlled, in a manuscript."""
    named = {"count": numbers.count(len({effect.factor for effect in record.effects}))}
    named["design"] = context.say.maybe(f"robustness.design.{record.design}", record.design)
    if record.to_control:
        yield context.say("journal.found_robust", names="; ".join(record.to_control), **named)
    elif record.standard_error is not None or record.allowed_percent is not None:
        yield context.say("journal.found_robust_none", **named)


FORMULAS = {
    "effects": (
        r"E_k = \bar y_{k+} - \bar y_{k-}, \quad u_E = \frac{2 s}{\sqrt N}, \quad "
        r"|E_k| > t_{1-\alpha/2,\nu}\, u_E",
        "effect of a factor, its standard error, and when it is beyond chance",
        (
            Source("W. J. Youden, E. H. Steiner, Statistical Manual of the AOAC (1975) 33", "memory"),
            Source("Y. Vander Heyden et al., J. Pharm. Biomed. Anal. 24 (2001) 723", "memory"),
        ),
    ),
    "one_at_a_time": (
        r"E = \bar y_{changed} - \bar y_{nominal}, \quad u_E = s_p\sqrt{\frac1{n_{changed}} + "
        r"\frac1{n_{nominal}}}",
        "effect of a changed setting against the nominal procedure, with the pooled standard deviation",
        (Source("NIST/SEMATECH e-Handbook, 1.3.5.3 and 7.4.7.3", "seen"),),
    ),
}


def formulas_of(records: Sequence[RobustnessRecord]) -> tuple[str, ...]:
    """Those of the designs that were used."""
    return tuple(sorted({"one_at_a_time" if one.design == "one_at_a_time" else "effects" for one in records}))
