"""What stands beside the precision of a level: laboratories, expectation, dependence on the level."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.inline import Symbol, Text
from validator.dossier.sections.context import Context, Item, row
from validator.dossier.sections.pictures import level_label
from validator.dossier.sections.pictures_of_comparisons import consistency_figure
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.results import (
    ConsistencyRecord,
    EstimateRecord,
    LaboratoryRecord,
    LevelForm,
    NotAssessed,
    PrecisionRecord,
    value_of,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Block, Row, Table
    from validator.dossier.inline import Content


def laboratories(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """The laboratories of each level, the figure of h and k, robust figures; nothing without laboratories."""
    say = context.say
    found = [(record, record.consistency) for record in records if record.consistency is not None]
    blocks: list[Block] = []
    for position, (record, consistency) in enumerate(found, start=1):
        blocks.append(_table(context, item, record, consistency, position))
        if consistency.reason:
            blocks.append(say.paragraph("interlaboratory.no_h", reason=consistency.reason))
    blocks.extend(consistency_figure(context, item, records))
    blocks.extend(_robust(context, item, records))
    return tuple(blocks)


def _table(
    context: Context, item: Item, record: PrecisionRecord, consistency: ConsistencyRecord, position: int
) -> Table:
    say, unit = context.say, item.analyte.unit
    h_5, h_1 = consistency.h_critical or (None, None)
    return table_of(
        say,
        "interlaboratory.laboratories",
        consistency.laboratories,
        Col("laboratory", lambda lab: lab.laboratory, width=24),
        Mid("n", lambda lab: numbers.count(lab.n)),
        Num("mean", lambda lab: numbers.significant(lab.mean, 4), unit),
        Num("sd", lambda lab: numbers.significant(lab.sd, 2), unit),
        Num("h", lambda lab: numbers.significant(lab.h, 3)),
        Num("k", lambda lab: numbers.significant(lab.k, 3)),
        Col("answer", lambda lab: _answer(context, lab, consistency), width=24),
        id=item.id("laboratories", str(position)),
        level=level_label(item, record.level),
        name=item.name,
        note=say("interlaboratory.note", h_5=numbers.significant(h_5), h_1=numbers.significant(h_1)),
    )


def _answer(context: Context, lab: LaboratoryRecord, consistency: ConsistencyRecord) -> str:
    """``h: beyond 1 %`` for each of h and k that stands out; else inside."""
    say = context.say
    parts = []
    for name, value, points in (
        ("h", lab.h, consistency.h_critical),
        ("k", lab.k, lab.k_critical),
    ):
        if value is None or points is None or abs(value) <= points[0]:
            continue
        key = "beyond_1" if abs(value) > points[1] else "beyond_5"
        parts.append(f"{name}: {say.text(f'interlaboratory.{key}')}")
    return "; ".join(parts) or say.text("interlaboratory.inside")


def _robust(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    unit = item.analyte.unit
    known = [
        (one, one.robust)
        for one in records
        if one.robust is not None and not isinstance(one.robust, NotAssessed)
    ]
    if not known:
        return ()
    return (
        table_of(
            context.say,
            "interlaboratory.robust",
            known,
            Num("level", lambda one: numbers.as_given(one[0].level), unit),
            Mid("robust_mean", lambda one: _pair(one[0].mean, one[1].mean, 4), unit),
            Mid("s_r", lambda one: _pair(one[0].repeatability_sd, one[1].repeatability_sd, 2), unit),
            Mid("s_l", lambda one: _pair(one[0].between_sd, one[1].between_sd, 2), unit),
            Mid("s_R", lambda one: _pair(one[0].reproducibility_sd, one[1].reproducibility_sd, 2), unit),
            id=item.id("robust"),
            name=item.name,
            note=context.say("interlaboratory.robust_note"),
        ),
    )


def _pair(usual: EstimateRecord | NotAssessed | None, robust: float | None, digits: int) -> str:
    return f"{numbers.significant(value_of(usual), digits)} / {numbers.significant(robust, digits)}"


def predicted(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """RSDs found beside those that the mass fraction lets one expect."""
    say = context.say
    known = [record for record in records if record.horwitz_rsd is not None]
    if not known:
        return ()
    between: tuple[Col[PrecisionRecord], ...] = (
        Num("found_R", lambda one: numbers.significant(value_of(one.reproducibility_rsd), 2), "%"),
        Num("horrat_R", lambda one: numbers.significant(one.horrat, 2)),
    )
    if all(record.horrat is None for record in known):
        between = ()
    assumed = next((one.mass_fraction_assumption for one in known if one.mass_fraction_assumption), None)
    return (
        table_of(
            say,
            "interlaboratory.predicted",
            known,
            Num("level", lambda one: numbers.as_given(one.level), item.analyte.unit),
            Mid("fraction", lambda one: numbers.significant(one.mass_fraction, 2)),
            Num("expected", lambda one: numbers.significant(one.thompson_rsd, 2), "%"),
            *between,
            Num("found_r", lambda one: numbers.significant(value_of(one.repeatability_rsd), 2), "%"),
            Num("horrat_r", lambda one: numbers.significant(one.horrat_repeatability, 2)),
            id=item.id("predicted"),
            name=item.name,
            note=say(
                "interlaboratory.predicted_note" if between else "interlaboratory.predicted_note_within",
                share=numbers.as_given(known[0].horrat_share),
                assumption=say.text("interlaboratory.assumed", what=assumed) if assumed else "",
            ),
        ),
    )


def dependence(context: Context, item: Item) -> tuple[Block, ...]:
    """Standard deviations against the level in three forms, where three levels or more were measured."""
    record = item.configuration.level_dependence
    if record is None:
        return ()
    say = context.say
    rows: list[Row] = []
    for name, forms in (("repeatability", record.repeatability), (record.total_of, record.total)):
        if isinstance(forms, NotAssessed):
            continue
        symbol = {"repeatability": "s_r", "intermediate": "s_I", "reproducibility": "s_R"}[name]
        rows.extend(
            row(
                say(f"interlaboratory.{name}"),
                say(f"interlaboratory.form_name.{form.form}"),
                _equation(form, symbol),
                numbers.percent(100 * form.relative_misfit, 2),
            )
            for form in forms
        )
    if not rows:
        return ()
    return (
        table_of(
            say,
            "interlaboratory.dependence",
            rows,
            Col("of", width=28),
            Col("form", width=20),
            Col("equation"),
            Mid("misfit"),
            id=item.id("dependence"),
            name=item.name,
            note=say("interlaboratory.dependence_note"),
        ),
    )


def _equation(form: LevelForm, symbol: str) -> Content:
    """The function with its figures: ``s_r = 0.02 + 0.031 m``."""
    letter, _, sub = symbol.partition("_")
    name, level = Symbol(letter, sub), Symbol("m")
    slope = numbers.significant(form.slope)
    match form.form:
        case "proportional":
            return (name, Text(f" = {slope} "), level)
        case "linear":
            return (name, Text(f" = {numbers.significant(form.intercept)}{_signed(form.slope)} "), level)
        case "power":
            factor = numbers.significant(10.0**form.intercept)
            return (name, Text(f" = {factor} "), Symbol("m", sup=slope))


def _signed(value: float) -> str:
    sign = numbers.MINUS if value < 0 else "+"
    return f" {sign} {numbers.significant(abs(value))}"
