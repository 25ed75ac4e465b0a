"""Calibration: the line, its tests, its range, and how well it reads back its own standards."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph, Row, Section, Table
from validator.dossier.inline import Text
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
    slope_unit,
    value_text,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures import calibration_figures
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.results import (
    CalibrationRecord,
    ConfigurationRecord,
    EstimateRecord,
    FTest,
    NotAssessed,
    TestRecord,
)

if TYPE_CHECKING:
    from validator.dossier.inline import Content

CHARACTERISTICS = ("lack_of_fit", "linearity", "residual_pattern", "working_range", "sensitivity")


def calibration(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with calibration runs."""
    if context.study.calibration is None:
        return None
    return section_of(
        context, "calibration", lambda item: item.configuration, _item, before=_shared_rule(context)
    )


def _rules(context: Context) -> dict[str, None]:
    """The rules by which linear ranges were found."""
    found = (
        item.configuration.calibration.linear_range
        for item in context.items()
        if not isinstance(item.configuration.calibration, NotAssessed)
    )
    return dict.fromkeys(one.rule for one in found if not isinstance(one, NotAssessed))


def _shared_rule(context: Context) -> tuple[Block, ...]:
    """The rule of the linear range, said once where several ranges follow it."""
    rules, items = list(_rules(context)), list(context.items())
    if len(rules) != 1 or len(items) == 1:
        return ()
    return (Paragraph(context.say("calibration.rule", rule=rules[0])),)


def _item(context: Context, item: Item, found: ConfigurationRecord) -> tuple[Block, ...]:
    say, record = context.say, found.calibration
    blocks: list[Block] = []
    validated = item.cell.configuration == context.study.validated_configuration
    if not validated and not context.is_compact:
        blocks.append(Paragraph(say("common.configuration_not_validated"), role="small"))
    if isinstance(record, NotAssessed):
        blocks.extend(refusals((say("calibration.title"), record)))
    else:
        if not context.is_compact:
            blocks.append(Paragraph(_done(context, item, record)))
        blocks.append(_coefficients(context, item, record))
        blocks.extend(calibration_figures(context, item, record))
        if validated:
            blocks.extend(judged(context, CHARACTERISTICS, item.cell))
        blocks.append(_tests(context, item, record))
        if not context.is_compact:
            blocks.append(Paragraph(_range(context, item, record)))
        blocks.extend(_weighting(context, item, record))
        blocks.append(_back_calculation(context, item, record))
        blocks.extend(_beside(context, item, record))
        blocks.extend(open_caveats(context, (*CHARACTERISTICS, "calibration"), item.cell))
    return tuple(blocks)


def _done(context: Context, item: Item, record: CalibrationRecord) -> Content:
    say = context.say
    span = record.working_range
    return say(
        "calibration.done",
        model=say(f"names.model.{record.model}"),
        n=numbers.count(record.n),
        levels=numbers.count(record.levels),
        lower=numbers.as_given(span.lower),
        upper=numbers.quantity(numbers.as_given(span.upper), item.analyte.unit),
        nu=numbers.degrees_of_freedom(record.degrees_of_freedom),
        weighting=numbers.with_powers(record.weighting),
        reason=record.weighting_reason,
    )


def _coefficients(context: Context, item: Item, record: CalibrationRecord) -> Table:
    say = context.say
    unit, signal = slope_unit(item), item.analyte.signal_unit
    rows = [
        _estimate_row(say("calibration.slope"), record.slope, unit),
        _estimate_row(say("calibration.intercept"), record.intercept, signal),
    ]
    if record.quadratic is not None:
        rows.append(_estimate_row(say("calibration.quadratic"), record.quadratic, f"{unit}²"))
    rows.extend(
        (
            row(
                say("calibration.residual_sd"),
                numbers.significant(record.residual_standard_deviation, 2),
                numbers.MISSING,
                numbers.MISSING,
                signal,
            ),
            row(
                say("calibration.method_sd"),
                numbers.significant(record.method_standard_deviation, 2),
                numbers.MISSING,
                numbers.MISSING,
                item.analyte.unit,
            ),
            row(
                say("calibration.method_sd_percent"),
                numbers.significant(record.method_standard_deviation_percent, 2),
                numbers.MISSING,
                numbers.MISSING,
                "%",
            ),
            row(
                say("calibration.r_squared"),
                _near_one(record.r_squared),
                numbers.MISSING,
                numbers.MISSING,
                "1",
            ),
        )
    )
    return table_of(
        say,
        "calibration.coefficients",
        rows,
        Col("quantity", width=34),
        Num("value"),
        Num("standard_error"),
        Col(say("calibration.interval", level=percent_level(item.record.confidence))),
        Col("unit", width=14),
        id=item.id("coefficients"),
        name=item.name,
        note=say("calibration.r_note"),
    )


def _near_one(value: float) -> str:
    """r² is read by its distance from one: two figures of that distance."""
    return numbers.value_only(value, 1 - value) if 0 < value < 1 else numbers.significant(value)


def _estimate_row(name: Content, estimate: EstimateRecord, unit: str) -> Row:
    return row(
        name,
        value_text(estimate),
        numbers.significant(estimate.standard_error, 2),
        interval_text(estimate),
        unit,
    )


def _tests(context: Context, item: Item, record: CalibrationRecord) -> Table:
    say = context.say
    alpha = context.study.analysis.alpha
    scatter = record.homoscedasticity
    rows = [
        _f_row(say("calibration.test.lack_of_fit"), record.lack_of_fit, context),
        _f_row(say("calibration.test.mandel"), record.quadratic_test, context),
        _t_row(context, record),
        _test_row(say("calibration.test.brown_forsythe"), scatter.brown_forsythe, context),
        _test_row(say("calibration.test.breusch_pagan"), scatter.breusch_pagan, context),
        _test_row(say("calibration.test.variance_ratio"), scatter.variance_ratio, context),
        _test_row(say("calibration.test.cochran"), scatter.cochran, context),
        _runs_row(context, record),
        _test_row(say("calibration.test.durbin_watson"), record.durbin_watson, context),
        _normality_row(context, record),
    ]
    return table_of(
        say,
        "calibration.tests",
        rows,
        Col("question", width=44),
        Num("statistic"),
        Mid("df"),
        Num(Text("p")),
        Col("answer", width=24),
        id=item.id("tests"),
        note=say("calibration.tests_note", alpha=numbers.as_given(alpha)),
    )


def _answer(context: Context, p: float | None) -> str:
    if p is None:
        return numbers.MISSING
    alpha = context.study.analysis.alpha
    return context.say.text("calibration.significant" if p < alpha else "calibration.not_significant")


def _f_row(name: Content, test: FTest | NotAssessed, context: Context) -> Row:
    if isinstance(test, NotAssessed):
        return _refused_row(name, test)
    return row(
        name,
        numbers.significant(test.f),
        numbers.degrees_of_freedom(*test.df),
        numbers.p_value(test.p),
        _answer(context, test.p),
    )


def _t_row(context: Context, record: CalibrationRecord) -> Row:
    name, test = context.say("calibration.test.intercept"), record.intercept_test
    if isinstance(test, NotAssessed):
        return _refused_row(name, test)
    return row(
        name,
        numbers.significant(test.t),
        numbers.degrees_of_freedom(test.df),
        numbers.p_value(test.p),
        _answer(context, test.p),
    )


def _test_row(name: Content, test: TestRecord | NotAssessed, context: Context) -> Row:
    if isinstance(test, NotAssessed):
        return _refused_row(name, test)
    return row(
        name,
        numbers.significant(test.statistic),
        numbers.degrees_of_freedom(*(test.df or ())),
        numbers.p_value(test.p),
        _answer(context, test.p),
    )


def _runs_row(context: Context, record: CalibrationRecord) -> Row:
    name, test = context.say("calibration.test.runs"), record.runs_test
    if isinstance(test, NotAssessed):
        return _refused_row(name, test)
    return row(
        name,
        context.say.text(
            "calibration.runs_of", runs=numbers.count(test.runs), expected=numbers.significant(test.expected)
        ),
        numbers.MISSING,
        numbers.p_value(test.p),
        _answer(context, test.p),
    )


def _normality_row(context: Context, record: CalibrationRecord) -> Row:
    name, test = context.say("calibration.test.normality"), record.normality
    if isinstance(test, NotAssessed):
        return _refused_row(name, test)
    return row(
        name,
        numbers.significant(test.shapiro_w),
        numbers.MISSING,
        numbers.p_value(test.p),
        _answer(context, test.p),
    )


def _refused_row(name: Content, refusal: NotAssessed) -> Row:
    return row(name, numbers.MISSING, numbers.MISSING, numbers.MISSING, refusal.not_assessed)


def _range(context: Context, item: Item, record: CalibrationRecord) -> Content:
    say, found = context.say, record.linear_range
    if isinstance(found, NotAssessed):
        return say("calibration.no_range", reason=found.not_assessed, needs=found.needs)
    told = bool(_shared_rule(context))
    return say(
        "calibration.range_by_rule" if told else "calibration.range",
        lower=numbers.as_given(found.lower),
        upper=numbers.quantity(numbers.as_given(found.upper), item.analyte.unit),
        rule=found.rule,
        tries=numbers.count(len(found.path)),
    )


def _weighting(context: Context, item: Item, record: CalibrationRecord) -> tuple[Block, ...]:
    if not record.weighting_path:
        return ()
    say = context.say
    return (
        table_of(
            say,
            "calibration.weighting",
            record.weighting_path,
            Col("step", lambda step: numbers.with_powers(step.test), width=46),
            Num("statistic", lambda step: numbers.significant(step.statistic)),
            Num(Text("p"), lambda step: numbers.p_value(step.p)),
            Col("decision", lambda step: numbers.with_powers(step.decision or numbers.MISSING)),
            id=item.id("weighting"),
        ),
    )


def _back_calculation(context: Context, item: Item, record: CalibrationRecord) -> Table:
    say = context.say
    by_level: dict[float, list[float]] = {}
    signals: dict[float, list[float]] = {}
    for point in record.points:
        signals.setdefault(point.level, []).append(point.signal)
        if point.back_calculated is not None:
            by_level.setdefault(point.level, []).append(point.back_calculated)
    rows = []
    for level in sorted(signals):
        found = by_level.get(level, [])
        mean = sum(found) / len(found) if found else None
        error = 100 * (mean / level - 1) if mean is not None and level > 0 else None
        rows.append(
            row(
                numbers.as_given(level),
                numbers.count(len(signals[level])),
                numbers.significant(sum(signals[level]) / len(signals[level]), 4),
                numbers.significant(mean, 4),
                numbers.significant(error, 2),
            )
        )
    return table_of(
        say,
        "calibration.back_calculation",
        rows,
        Num("level", unit=item.analyte.unit),
        Mid(Text("n")),
        Num("mean_signal", unit=item.analyte.signal_unit),
        Num("found", unit=item.analyte.unit),
        Num("deviation", unit="%"),
        id=item.id("back-calculation"),
        name=item.name,
    )


def _beside(context: Context, item: Item, record: CalibrationRecord) -> tuple[Block, ...]:
    """Results with and without exclusions; a second-order function where the line bends."""
    say = context.say
    blocks: list[Block] = []
    unit = slope_unit(item)
    if record.with_excluded is not None:
        blocks.append(
            Paragraph(
                say(
                    "calibration.with_excluded",
                    count=numbers.count(len(record.excluded)),
                    without=estimate_text(record.slope, unit),
                    with_=estimate_text(record.with_excluded.slope, unit),
                    sd=numbers.significant(record.residual_standard_deviation, 2),
                    sd_with=numbers.quantity(
                        numbers.significant(record.with_excluded.residual_standard_deviation, 2),
                        item.analyte.signal_unit,
                    ),
                )
            )
        )
    if record.alternative_quadratic is not None:
        blocks.append(
            Paragraph(
                say(
                    "calibration.second_order",
                    sd=numbers.significant(record.residual_standard_deviation, 2),
                    sd_curve=numbers.quantity(
                        numbers.significant(record.alternative_quadratic.residual_standard_deviation, 2),
                        item.analyte.signal_unit,
                    ),
                )
            )
        )
    if record.repeated_readings is not None:
        blocks.append(
            Paragraph(
                say(
                    "calibration.readings",
                    sd=numbers.quantity(
                        numbers.significant(record.repeated_readings.sd, 2), item.analyte.signal_unit
                    ),
                    preparations=numbers.count(record.repeated_readings.preparations),
                )
            )
        )
    return tuple(blocks)
