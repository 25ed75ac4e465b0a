"""Comparison with another method: differences, lines through both, the samples one by one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph, Row, Section, Table
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    interval_text,
    open_caveats,
    percent_level,
    refusals,
    row,
    section_of,
    value_text,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.matrix import significance_text, t_text
from validator.dossier.sections.pictures_of_comparisons import comparison_figures
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.results import (
    BlandAltmanRecord,
    ComparedSample,
    ComparisonRecord,
    DemingRecord,
    EstimateRecord,
    NotAssessed,
    PairedRecord,
)

if TYPE_CHECKING:
    from validator.dossier.inline import Content

CHARACTERISTICS = ("method_comparison",)


def method_comparison(context: Context) -> Section | None:
    """One subsection for each analyte and configuration that was compared."""
    return section_of(
        context,
        "method_comparison",
        lambda item: item.configuration.comparison,
        _item,
        id="method-comparison",
        part_id="comparison",
    )


def _item(context: Context, item: Item, record: ComparisonRecord) -> tuple[Block, ...]:
    say = context.say
    blocks: list[Block] = [
        Paragraph(_done(context, item, record)),
        *judged(context, CHARACTERISTICS, item.cell),
        *_differences(context, item, record),
        *_lines(context, item, record),
        *_conclusion(context, item, record),
        *comparison_figures(context, item, record),
        *_replicates(context, item, record),
        _samples(context, item, record),
    ]
    if record.with_excluded is not None:
        text = estimate_text(record.with_excluded, item.analyte.unit)
        blocks.append(say.paragraph("method_comparison.with_excluded", with_=text))
    blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return tuple(blocks)


def _done(context: Context, item: Item, record: ComparisonRecord) -> Content:
    say = context.say
    found = [one.reference_method for one in record.samples if one.left_out is None]
    known = [value for value in found if value is not None]
    left_out = sum(one.left_out is not None for one in record.samples)
    return say(
        "method_comparison.done",
        n=record.n,
        lower=numbers.significant(min(known, default=None)),
        upper=numbers.significant(max(known, default=None), unit=item.analyte.unit),
        left_out=(
            say.text("method_comparison.left_out", count=left_out)
            if left_out
            else say.text("method_comparison.nothing_left_out")
        ),
    )


def _differences(context: Context, item: Item, record: ComparisonRecord) -> tuple[Block, ...]:
    say, unit = context.say, item.analyte.unit
    rows: list[Row] = []
    note_coverage = numbers.MISSING
    if isinstance(record.paired, PairedRecord):
        paired = record.paired
        rows.append(
            _line_of(
                say("method_comparison.mean_difference"), paired.mean_difference, unit, t_text(paired.test)
            )
        )
        if isinstance(paired.mean_difference_percent, EstimateRecord):
            rows.append(_line_of(say("method_comparison.mean_percent"), paired.mean_difference_percent, "%"))
        rows.append(
            row(
                say("method_comparison.sd"),
                numbers.significant(paired.sd, 2),
                numbers.MISSING,
                unit,
                numbers.MISSING,
            )
        )
    if isinstance(record.bland_altman, BlandAltmanRecord):
        limits = record.bland_altman
        note_coverage = percent_level(limits.coverage)
        rows.append(_line_of(say("method_comparison.lower_limit"), limits.lower, unit))
        rows.append(_line_of(say("method_comparison.upper_limit"), limits.upper, unit))
        if limits.proportional_bias is not None:
            rows.append(
                _line_of(
                    say("method_comparison.proportional"),
                    limits.proportional_bias,
                    "1",
                    t_text(limits.proportional_bias_test),
                )
            )
    refused = refusals(
        (say.text("method_comparison.mean_difference"), record.paired),
        (say.text("method_comparison.lower_limit"), record.bland_altman),
    )
    if not rows:
        return refused
    return (
        table_of(
            say,
            "method_comparison.differences",
            rows,
            Col("quantity", width=34),
            Num("value"),
            Col(say("method_comparison.interval", level=percent_level(item.record.confidence))),
            Mid("unit", width=8),
            Col("test"),
            id=item.id("differences-table"),
            name=item.name,
            coverage=note_coverage,
        ),
        *refused,
    )


def _line_of(name: Content, estimate: EstimateRecord, unit: str, test: str = numbers.MISSING) -> Row:
    return row(name, value_text(estimate), interval_text(estimate), unit, test)


def _lines(context: Context, item: Item, record: ComparisonRecord) -> tuple[Block, ...]:
    say = context.say
    lines = {name: getattr(record, name) for name in ("deming", "passing_bablok", "york")}
    refused = refusals(*((say.text(f"method_comparison.{name}"), line) for name, line in lines.items()))
    known = [
        (name, line) for name, line in lines.items() if line is not None and not isinstance(line, NotAssessed)
    ]
    if not known:
        return refused
    return (
        table_of(
            say,
            "method_comparison.lines",
            known,
            Col("line", lambda one: say(f"method_comparison.{one[0]}"), width=32),
            Col("slope", lambda one: estimate_text(one[1].slope)),
            Col("intercept", lambda one: estimate_text(one[1].intercept), item.analyte.unit),
            Col("remark", lambda one: _remark(context, record, one[0]), width=26),
            id=item.id("lines-table"),
            name=item.name,
        ),
        *refused,
    )


def _remark(context: Context, record: ComparisonRecord, name: str) -> Content:
    say = context.say
    if name == "deming" and isinstance(record.deming, DemingRecord):
        return say(
            "method_comparison.deming_remark",
            ratio=numbers.significant(record.deming.variance_ratio, 2),
            source=say.text(f"method_comparison.ratio_source.{record.deming.ratio_source}"),
        )
    if name == "york" and record.york is not None and not isinstance(record.york, NotAssessed):
        return say(
            "method_comparison.york_remark",
            chi=numbers.significant(record.york.chi_squared),
            nu=numbers.degrees_of_freedom(record.york.degrees_of_freedom),
            p=numbers.p_text(record.york.p),
        )
    if isinstance(record.passing_bablok, NotAssessed):
        return ""
    return say("method_comparison.passing_bablok_remark", p=numbers.p_text(record.passing_bablok.linearity_p))


def _conclusion(context: Context, item: Item, record: ComparisonRecord) -> tuple[Block, ...]:
    """What the tests amount to, in a sentence."""
    say = context.say
    if isinstance(record.paired, NotAssessed) or isinstance(record.deming, NotAssessed):
        return ()
    found = []
    if record.paired.test.p < context.study.analysis_for(item.cell.analyte).alpha:
        found.append(say.text("method_comparison.mean_part", test=t_text(record.paired.test)))
    if _leaves_out(record.deming.slope, 1.0):
        found.append(say.text("method_comparison.slope_part", slope=estimate_text(record.deming.slope)))
    if _leaves_out(record.deming.intercept, 0.0):
        text = estimate_text(record.deming.intercept)
        found.append(say.text("method_comparison.intercept_part", intercept=text))
    if found:
        return (
            say.paragraph("method_comparison.differs", what="; ".join(found)),
            *_equivalence(context, record),
        )
    if record.deming.slope.ci is None:
        return _equivalence(context, record)
    agrees = say.paragraph("method_comparison.agrees", test=t_text(record.paired.test))
    return (agrees, *_equivalence(context, record))


def _equivalence(context: Context, record: ComparisonRecord) -> tuple[Block, ...]:
    """Whether the mean difference is shown to lie within the bounds that the study states."""
    if isinstance(record.paired, NotAssessed) or record.paired.equivalence is None:
        return ()
    found = record.paired.equivalence
    key = "equivalent" if found.passes else "not_equivalent"
    return (
        context.say.paragraph(
            f"method_comparison.{key}",
            lower=numbers.as_given(found.lower),
            upper=numbers.as_given(found.upper),
            p=numbers.p_text(found.p),
        ),
    )


def _leaves_out(estimate: EstimateRecord, value: float) -> bool:
    if estimate.ci is None or estimate.ci[0] is None or estimate.ci[1] is None:
        return False
    return not estimate.ci[0] <= value <= estimate.ci[1]


def _replicates(context: Context, item: Item, record: ComparisonRecord) -> tuple[Block, ...]:
    found = record.replicates
    if found is None:
        return ()
    unit = item.analyte.unit
    return (
        context.say.paragraph(
            "method_comparison.replicates",
            this=numbers.significant(found.this_method, 2, unit),
            df_this=numbers.degrees_of_freedom(found.df_this),
            reference=numbers.significant(found.reference_method, 2, unit),
            df_reference=numbers.degrees_of_freedom(found.df_reference),
            test=significance_text("F", found.test.statistic, found.test.df, found.test.p),
        ),
    )


def _samples(context: Context, item: Item, record: ComparisonRecord) -> Table:
    say, unit = context.say, item.analyte.unit
    sd = None if isinstance(record.paired, NotAssessed) else record.paired.sd
    rows: list[Row] = []
    for one in record.samples:
        cells = (
            one.sample,
            numbers.significant(one.this_method, 4),
            numbers.significant(one.reference_method, 4),
            _difference(one, sd),
            numbers.counts(one.n_this, one.n_reference),
        )
        rows.append(row(*cells, kind="plain" if one.left_out is None else "struck"))
        if one.left_out is not None:
            note = say("method_comparison.left_out_note", reason=one.left_out)
            rows.append(row(note, *("" for _ in cells[1:]), kind="group"))
    notes = [say.text("method_comparison.samples_note")]
    if any(one.left_out is not None for one in record.samples):
        notes.append(say.text("method_comparison.struck_note"))
    return table_of(
        say,
        "method_comparison.samples",
        rows,
        Col("sample", width=30),
        Num("this", unit=unit),
        Num("reference", unit=unit),
        Num("difference", unit=unit),
        Mid("readings"),
        id=item.id("samples-table"),
        name=item.name,
        note=" ".join(notes),
    )


def _difference(sample: ComparedSample, sd: float | None) -> str:
    if sample.this_method is None or sample.reference_method is None:
        return numbers.MISSING
    return numbers.value_only(sample.this_method - sample.reference_method, sd)
