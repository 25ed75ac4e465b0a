"""Precision: repeatability, what changes between series, outliers, laboratories, dependence on the level."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph, Section, Table
from validator.dossier.inline import LineBreak, Strong, Symbol, Text
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    interval_text,
    open_caveats,
    refusals,
    row,
    section_of,
    value_text,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures import level_label, precision_figures
from validator.dossier.sections.pictures_of_comparisons import consistency_figure
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.errors import NotEstimable
from validator.evaluation.concentrations import SignalReader
from validator.evaluation.precision import grouped
from validator.evaluation.results import (
    ConsistencyRecord,
    EstimateRecord,
    LaboratoryRecord,
    LevelForm,
    NotAssessed,
    OutlierRecord,
    PrecisionRecord,
    RemovalRecord,
    value_of,
)
from validator.evaluation.rows import independent_values, kept, runs_of
from validator.statistics.horwitz import THOMPSON_LOWER, THOMPSON_UPPER
from validator.statistics.outliers import MOST_FOR_A_PAIR

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.document import Block, Row, Table
    from validator.dossier.inline import Content


CHARACTERISTICS = ("repeatability", "intermediate_precision", "reproducibility")


def precision(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with precision runs."""
    return section_of(context, "precision", lambda item: item.configuration.precision, _item)


def _item(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    blocks: list[Block] = []
    if not context.is_compact:
        blocks.extend(Paragraph(_done(context, item, record)) for record in records[:1])
    blocks.extend(judged(context, CHARACTERISTICS, item.cell))
    blocks.append(_table(context, item, records))
    blocks.extend(precision_figures(context, item, records, _groups(context, item, records)))
    blocks.extend(laboratories(context, item, records))
    blocks.extend(_duplicates(context, item))
    blocks.extend(_components(context, item, records))
    blocks.extend(outliers(context, item, records))
    blocks.extend(without_suspects(context, item, records))
    blocks.extend(dependence(context, item))
    blocks.extend(predicted(context, item, records))
    blocks.extend(_beside(context, item, records))
    blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return tuple(blocks)


def _done(context: Context, item: Item, record: PrecisionRecord) -> Content:
    say = context.say
    key = "done" if record.factor else "done_ungrouped"
    arrangement = () if record.arrangement is None else (" ", *say(f"precision.{record.arrangement}"))
    done = say(
        f"precision.{key}",
        factor=record.factor or "",
        groups=record.groups,
        n=record.n,
        level=level_label(item, record.level),
        method=record.method,
    )
    return (*done, *arrangement)


def _groups(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> list[list[list[float]]]:
    """Single results by group for each level, as the figure shows them."""
    calibration = item.configuration.calibration
    reader = SignalReader(
        None if isinstance(calibration, NotAssessed) else calibration.function_at(item.record.confidence)
    )
    runs = kept(runs_of(context.study.precision, item.cell))
    found: list[list[list[float]]] = []
    for record in records:
        values = independent_values([run for run in runs if getattr(run, "level", None) == record.level])
        _, groups = grouped(values)
        try:
            found.append([reader.concentrations(members) for members in groups.values()])
        except NotEstimable:
            found.append([])
    return found


def _table(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> Table:
    say, unit = context.say, item.analyte.unit
    over_laboratories = any(record.factor == "laboratory" for record in records)
    wide = "R" if over_laboratories else "i"
    return table_of(
        say,
        "precision.table",
        records,
        Num("level", lambda one: numbers.as_given(one.level), unit),
        Mid("n", lambda one: numbers.counts(one.n, one.groups)),
        Num("mean", lambda one: value_text(one.mean), unit),
        Num("s_r", lambda one: _sd(one.repeatability_sd), unit),
        Col("rsd_r", lambda one: _rsd(one.repeatability_rsd), "%"),
        Num("s_b", lambda one: _sd(one.between_sd), unit),
        Num(f"s_{wide}", lambda one: _sd(one.reproducibility_sd or one.intermediate_sd), unit),
        Col(f"rsd_{wide}", lambda one: _rsd(one.reproducibility_rsd or one.intermediate_rsd), "%"),
        Num("r", lambda one: numbers.significant(one.repeatability_limit, 2), unit),
        *(
            [Num("R", lambda one: numbers.significant(one.reproducibility_limit, 2), unit)]
            if over_laboratories
            else []
        ),
        id=item.id("precision-table"),
        name=item.name,
        note=say("precision.note_laboratories" if over_laboratories else "precision.note"),
    )


def _sd(figure: EstimateRecord | NotAssessed | None) -> str:
    if figure is None or isinstance(figure, NotAssessed):
        return numbers.MISSING
    return numbers.significant(figure.value, 2) if figure.value else numbers.as_given(figure.value)


def _rsd(figure: EstimateRecord | NotAssessed | None) -> str:
    if figure is None or isinstance(figure, NotAssessed) or figure.value is None:
        return numbers.MISSING
    if figure.ci is None:
        return numbers.significant(figure.value, 2)
    return f"{value_text(figure)} ({interval_text(figure)})"


def _duplicates(context: Context, item: Item) -> tuple[Block, ...]:
    """Repeatability over samples measured twice each."""
    found = item.configuration.duplicates
    if found is None:
        return ()
    return (
        context.say.paragraph(
            "precision.duplicates",
            pairs=found.pairs,
            sd=estimate_text(_estimate(found.repeatability_sd), item.analyte.unit),
            rsd=estimate_text(_estimate(found.repeatability_rsd), "%"),
        ),
    )


def _components(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """What each of several factors adds, by level."""
    say = context.say
    rows = [(record, part) for record in records for part in record.components]
    if not rows:
        return ()
    return (
        table_of(
            say,
            "precision.components",
            rows,
            Num("level", lambda one: numbers.as_given(one[0].level), item.analyte.unit),
            Col("factor", lambda one: one[1].factor),
            Mid("factor_levels", lambda one: numbers.count(one[1].levels)),
            Num("component_sd", lambda one: _sd(one[1].sd), item.analyte.unit),
            Num("share", lambda one: numbers.significant(one[1].share_percent, 2)),
            id=item.id("precision-components"),
            name=item.name,
        ),
    )


def _beside(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    say = context.say
    return tuple(
        say.paragraph(
            "precision.with_excluded",
            level=level_label(item, record.level),
            count=len(record.excluded),
            without=estimate_text(_estimate(record.repeatability_rsd), "%"),
            with_=estimate_text(_estimate(record.with_excluded.repeatability_rsd), "%"),
        )
        for record in records
        if record.with_excluded is not None
    )


def _estimate(figure: EstimateRecord | NotAssessed) -> EstimateRecord | None:
    return None if isinstance(figure, NotAssessed) else figure


MOST_NAMED = 2
"""Values beyond which the group they belong to is named in their place."""
LEVELS_BESIDE = 3
"""Levels that stand beside each other in one table."""


def outliers(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """The tests by level: levels beside each other where they are few."""
    tested = [record for record in records if record.outlier_tests]
    if not tested:
        return ()
    by_level = [{test.test: test for test in record.outlier_tests} for record in tested]
    once = sum(len(found) for found in by_level) == sum(len(record.outlier_tests) for record in tested)
    beside = len(tested) <= LEVELS_BESIDE and once
    table = (
        _levels_beside(context, item, tested, by_level) if beside else _levels_below(context, item, tested)
    )
    without_pair = [one for one in tested if one.n > MOST_FOR_A_PAIR]
    blocks: tuple[Block, ...] = (table,)
    return (
        (*blocks, context.say.paragraph("precision.no_pair", most=MOST_FOR_A_PAIR))
        if without_pair
        else blocks
    )


def _levels_beside(
    context: Context,
    item: Item,
    records: Sequence[PrecisionRecord],
    by_level: Sequence[dict[str, OutlierRecord]],
) -> Table:
    say = context.say
    tests = dict.fromkeys(test.test for record in records for test in record.outlier_tests)
    return table_of(
        say,
        "precision.outliers",
        (row(name, *(_in_a_cell(context, found.get(name)) for found in by_level)) for name in tests),
        Col("test"),
        *(Col(Text(level_label(item, record.level))) for record in records),
        id=item.id("outliers"),
        name=item.name,
        note=(*say("precision.outliers_cell"), " ", *say("precision.outliers_note")),
    )


def _in_a_cell(context: Context, test: OutlierRecord | None) -> Content:
    """``2.43 / 2.65, p = 0.14: 3.510 (P5)``, and in bold what stands out."""
    if test is None:
        return numbers.MISSING
    found = f"{numbers.significant(test.statistic)} / {numbers.significant(test.critical)}"
    if test.p is not None:
        p = numbers.p_value(test.p)
        found += f", p {p}" if p.startswith(("<", ">")) else f", p = {p}"
    text = f"{found}: {_suspect(test)}"
    return (text, LineBreak(), Strong(_answer(context, test))) if test.flagged else text


def _levels_below(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> Table:
    say = context.say
    rows = [(record, test) for record in records for test in record.outlier_tests]
    return table_of(
        say,
        "precision.outliers",
        rows,
        Num("level", lambda one: numbers.as_given(one[0].level), item.analyte.unit),
        Col("test", lambda one: one[1].test, width=34),
        Num("statistic", lambda one: numbers.significant(one[1].statistic)),
        Num("critical", lambda one: numbers.significant(one[1].critical)),
        Num(Text("p"), lambda one: numbers.p_value(one[1].p)),
        Col("suspect", lambda one: _suspect(one[1])),
        Col("answer", lambda one: _answer(context, one[1]), width=14),
        id=item.id("outliers"),
        name=item.name,
        size="tiny",
    )


def _answer(context: Context, test: OutlierRecord) -> str:
    return context.say.text(f"precision.{test.grade or ('flagged' if test.flagged else 'not_flagged')}")


def _suspect(test: OutlierRecord) -> str:
    """The value in question with the group it belongs to."""
    value = numbers.significant(test.suspect, 4)
    return value if test.suspect_group is None else f"{value} ({test.suspect_group})"


def without_suspects(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """What the figures would be without each suspect; tests that name the same one are told together."""
    found = []
    for record in records:
        by_suspect: dict[tuple[float, ...], list[OutlierRecord]] = {}
        for test in record.outlier_tests:
            if isinstance(test.without, RemovalRecord):
                by_suspect.setdefault(tuple(sorted(test.without.removed)), []).append(test)
        found += [_without_one(context, item, record, tests) for tests in by_suspect.values()]
    return tuple(Paragraph(text) for text in found)


def _without_one(
    context: Context, item: Item, record: PrecisionRecord, tests: Sequence[OutlierRecord]
) -> Content:
    say, without = context.say, tests[0].without
    assert isinstance(without, RemovalRecord)
    removed = ", ".join(numbers.significant(value, 4) for value in without.removed)
    group = tests[0].suspect_group if len(without.removed) > MOST_NAMED else None
    values = {
        "suspect": removed if group is None else group,
        "level": level_label(item, record.level),
        "tests": ", ".join(dict.fromkeys(test.test.partition(",")[0] for test in tests)),
        "repeatability": numbers.percent(without.repeatability_rsd, 2),
        "repeatability_now": numbers.percent(value_of(record.repeatability_rsd), 2),
    }
    over_laboratories = record.reproducibility_rsd is not None
    wide = record.reproducibility_rsd if over_laboratories else record.intermediate_rsd
    after = without.reproducibility_rsd if over_laboratories else without.intermediate_rsd
    if value_of(wide) is None and after is None:
        return say("precision.without_suspect_repeatability", **values)
    return say(
        "precision.without_suspect",
        **values,
        wide=say.text(f"precision.wide_{'reproducibility' if over_laboratories else 'intermediate'}"),
        wide_without=numbers.percent(after, 2),
        wide_now=numbers.percent(value_of(wide), 2),
    )


def laboratories(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """The laboratories of each level, the figure of h and k, robust figures; nothing without laboratories."""
    say = context.say
    found = [(record, record.consistency) for record in records if record.consistency is not None]
    blocks: list[Block] = []
    for position, (record, consistency) in enumerate(found, start=1):
        blocks.append(_of_laboratories(context, item, record, consistency, position))
        if consistency.reason:
            blocks.append(say.paragraph("interlaboratory.no_h", reason=consistency.reason))
    blocks.extend(consistency_figure(context, item, records))
    blocks.extend(_robust(context, item, records))
    return tuple(blocks)


def _of_laboratories(
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
        Col("answer", lambda lab: _beyond(context, lab, consistency), width=24),
        id=item.id("laboratories", str(position)),
        level=level_label(item, record.level),
        name=item.name,
        h_5=numbers.significant(h_5),
        h_1=numbers.significant(h_1),
    )


def _beyond(context: Context, lab: LaboratoryRecord, consistency: ConsistencyRecord) -> str:
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
        ),
    )


def _pair(usual: EstimateRecord | NotAssessed | None, robust: float | None, digits: int) -> str:
    return f"{numbers.significant(value_of(usual), digits)} / {numbers.significant(robust, digits)}"


def predicted(context: Context, item: Item, records: Sequence[PrecisionRecord]) -> tuple[Block, ...]:
    """RSDs found beside those that the mass fraction lets one expect."""
    say = context.say
    known = [record for record in records if record.horwitz_rsd is not None]
    if not known:
        return refusals(*((say("interlaboratory.prediction"), one.mass_fraction) for one in records[:1]))
    between: tuple[Col[PrecisionRecord], ...] = (
        Num("found_R", lambda one: numbers.significant(value_of(one.reproducibility_rsd), 2), "%"),
        Mid("horrat_R", lambda one: _ratio(one, one.horrat, one.horrat_horwitz)),
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
            Mid("fraction", lambda one: numbers.significant(_fraction(one), 2)),
            Num("expected", lambda one: numbers.significant(one.thompson_rsd, 2), "%"),
            *between,
            Num("found_r", lambda one: numbers.significant(value_of(one.repeatability_rsd), 2), "%"),
            Mid(
                "horrat_r",
                lambda one: _ratio(one, one.horrat_repeatability, one.horrat_repeatability_horwitz),
            ),
            id=item.id("predicted"),
            name=item.name,
            note=say(
                "interlaboratory.predicted_note" if between else "interlaboratory.predicted_note_within",
                share=numbers.as_given(known[0].horrat_share),
                range=say.text("interlaboratory.predicted_range"),
                assumption=say.text("interlaboratory.assumed", what=assumed) if assumed else "",
            ),
        ),
    )


def _fraction(record: PrecisionRecord) -> float | None:
    return None if isinstance(record.mass_fraction, NotAssessed) else record.mass_fraction


def _ratio(record: PrecisionRecord, thompson: float | None, horwitz: float | None) -> str:
    """The ratio to Thompson's prediction, and that to Horwitz' where the two differ."""
    text = numbers.significant(thompson, 2)
    fraction = _fraction(record)
    if fraction is None or horwitz is None or THOMPSON_LOWER <= fraction <= THOMPSON_UPPER:
        return text
    return f"{text} / {numbers.significant(horwitz, 2)}"


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
