"""Calibration: the line, its tests, its range, and how well it reads back its own standards."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Paragraph, Section, Table
from validator.dossier.inline import Text
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    interval_text,
    open_caveats,
    per_area_unit,
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
    CalibrationPoint,
    CalibrationRecord,
    ConfigurationRecord,
    EstimateRecord,
    FTest,
    Normality,
    NotAssessed,
    RunsTest,
    TestRecord,
    TTest,
)

if TYPE_CHECKING:
    from validator.dossier.inline import Content
    from validator.statistics.linearity import LinearRangeStep

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
    return (context.say.paragraph("calibration.rule", rule=rules[0]),)


def _item(context: Context, item: Item, found: ConfigurationRecord) -> tuple[Block, ...]:
    say, record = context.say, found.calibration
    blocks: list[Block] = []
    validated = item.cell.configuration == context.study.validated_configuration
    if not validated and not context.is_compact:
        blocks.append(say.paragraph("common.configuration_not_validated", role="small"))
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
        blocks.extend(_series(context, item, record))
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
        n=record.n,
        levels=record.levels,
        lower=numbers.as_given(span.lower),
        upper=numbers.as_given(span.upper, item.analyte.unit),
        nu=numbers.degrees_of_freedom(record.degrees_of_freedom),
        weighting=numbers.with_powers(record.weighting),
        reason=record.weighting_reason,
    )


def _coefficients(context: Context, item: Item, record: CalibrationRecord) -> Table:
    say = context.say
    unit, signal = slope_unit(item), item.analyte.signal_unit
    estimates = {"slope": (record.slope, unit), "intercept": (record.intercept, signal)}
    if record.quadratic is not None:
        estimates["quadratic"] = (record.quadratic, f"{unit}²")
    if record.sensitivity_per_area is not None:
        estimates["per_area"] = (record.sensitivity_per_area, per_area_unit(item, record))
    alone = {
        "residual_sd": (numbers.significant(record.residual_standard_deviation, 2), signal),
        "method_sd": (numbers.significant(record.method_standard_deviation, 2), item.analyte.unit),
        "method_sd_percent": (numbers.significant(record.method_standard_deviation_percent, 2), "%"),
        "r_squared": (numbers.correlation(record.r_squared), "1"),
    }
    if record.method_standard_deviation is None:
        alone = {
            "residual_sd_at_weight": alone["residual_sd"],
            **{
                f"residual_sd_{which}": (_scatter_at(record, end), signal)
                for which, end in (
                    ("lowest", record.working_range.lower),
                    ("highest", record.working_range.upper),
                )
            },
            "r_squared_weighted": alone["r_squared"],
        }
    dash = numbers.MISSING
    rows = [
        row(say(f"calibration.{name}"), value_text(one), _standard_error(one), interval_text(one), its_unit)
        for name, (one, its_unit) in estimates.items()
    ]
    rows += [
        row(say(f"calibration.{name}"), text, dash, dash, its_unit)
        for name, (text, its_unit) in alone.items()
    ]
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
    )


def _scatter_at(record: CalibrationRecord, level: float) -> str:
    """Standard deviation of a signal at *level*, by its weight."""
    weight = next(point.weight for point in record.points if point.level == level)
    return numbers.significant(record.residual_standard_deviation / math.sqrt(weight), 2)


def _standard_error(estimate: EstimateRecord) -> str:
    return numbers.significant(estimate.standard_error, 2)


Test = FTest | TTest | TestRecord | RunsTest | Normality | NotAssessed


def _tests(context: Context, item: Item, record: CalibrationRecord) -> Table:
    say, scatter = context.say, record.homoscedasticity
    tests: dict[str, Test] = {
        "lack_of_fit": record.lack_of_fit,
        "mandel": record.quadratic_test,
        "intercept": record.intercept_test,
        "brown_forsythe": scatter.brown_forsythe,
        "breusch_pagan": scatter.breusch_pagan,
        "variance_ratio": scatter.variance_ratio,
        "cochran": scatter.cochran,
        "runs": record.runs_test,
        "durbin_watson": record.durbin_watson,
        "normality": record.normality,
    }
    return table_of(
        say,
        "calibration.tests",
        tests.items(),
        Col("question", lambda one: say(f"calibration.test.{one[0]}"), width=44),
        Num("statistic", lambda one: _statistic(context, one[1])),
        Mid("df", lambda one: _degrees_of_freedom(one[1])),
        Num(Text("p"), lambda one: numbers.p_value(_p(one[1]))),
        Col("answer", lambda one: _answer(context, one[1]), width=24),
        id=item.id("tests"),
        alpha=numbers.as_given(context.study.analysis.alpha),
    )


def _p(test: Test) -> float | None:
    return None if isinstance(test, NotAssessed) else test.p


def _statistic(context: Context, test: Test) -> str:
    match test:
        case FTest():
            return numbers.significant(test.f)
        case TTest():
            return numbers.significant(test.t)
        case TestRecord():
            return numbers.significant(test.statistic)
        case Normality():
            return numbers.significant(test.shapiro_w)
        case RunsTest():
            expected = numbers.significant(test.expected)
            return context.say.text("calibration.runs_of", runs=test.runs, expected=expected)
        case NotAssessed():
            return numbers.MISSING


def _degrees_of_freedom(test: Test) -> str:
    match test:
        case TTest():
            return numbers.degrees_of_freedom(test.df)
        case FTest() | TestRecord():
            return numbers.degrees_of_freedom(*(test.df or ()))
        case _:
            return numbers.MISSING


def _answer(context: Context, test: Test) -> str:
    if isinstance(test, NotAssessed):
        return test.not_assessed
    if test.p is None:
        return numbers.MISSING
    is_significant = test.p < context.study.analysis.alpha
    return context.say.text("calibration.significant" if is_significant else "calibration.not_significant")


def _range(context: Context, item: Item, record: CalibrationRecord) -> Content:
    say, found = context.say, record.linear_range
    if isinstance(found, NotAssessed):
        if record.rejected_ranges:
            return say(
                "calibration.rejected_ranges",
                tries=len(record.rejected_ranges),
                least="; ".join(_rejected(one, item.analyte.unit) for one in _least_rejected(record)),
                needs=found.needs,
            )
        return say("calibration.no_range", reason=found.not_assessed, needs=found.needs)
    told = bool(_shared_rule(context))
    return say(
        "calibration.range_by_rule" if told else "calibration.range",
        lower=numbers.as_given(found.lower),
        upper=numbers.as_given(found.upper, item.analyte.unit),
        rule=found.rule,
        tries=len(found.path),
        line=_line_over(context, item, record),
    )


def _series(context: Context, item: Item, record: CalibrationRecord) -> tuple[Block, ...]:
    """The lines of the series by themselves, and whether they share one."""
    found = record.series
    if found is None:
        return ()
    say = context.say
    dash = numbers.MISSING
    return (
        table_of(
            say,
            "calibration.series",
            found.lines,
            Col("of_series", lambda one: one.series),
            Mid(Text("n"), lambda one: numbers.count(one.n)),
            Col("slope", lambda one: estimate_text(one.slope), slope_unit(item)),
            Col("intercept", lambda one: estimate_text(one.intercept), item.analyte.signal_unit),
            id=item.id("series-of-lines"),
            name=item.name,
            slopes=dash if found.slopes is None else numbers.p_text(found.slopes.p),
            intercepts=dash if found.intercepts is None else numbers.p_text(found.intercepts.p),
            rsd=numbers.percent(found.slope_rsd_percent, 2),
        ),
    )


def _least_rejected(record: CalibrationRecord) -> tuple[LinearRangeStep, ...]:
    """The widest set that was tried, and the one that misses least."""
    steps = record.rejected_ranges
    best = min(steps, key=lambda one: (len(one.failed), abs(one.worst_relative_error_percent)))
    return (steps[0],) if best == steps[0] else (steps[0], best)


def _rejected(one: LinearRangeStep, unit: str) -> str:
    ends = f"{numbers.as_given(one.lower)} {numbers.TO} {numbers.as_given(one.upper, unit)}"
    worst = numbers.percent(one.worst_relative_error_percent, 2)
    at = numbers.as_given(one.worst_level, unit)
    return f"{ends}: {', '.join(one.failed)}, {worst} at {at}"


def _line_over(context: Context, item: Item, record: CalibrationRecord) -> str:
    """The line over the linear range, where that is not the one reported."""
    found = record.linear_range
    if isinstance(found, NotAssessed) or found.fit is None or found.fit.n == record.n:
        return ""
    return context.say.text(
        "calibration.line_over_range",
        slope=estimate_text(found.fit.slope, slope_unit(item)),
        intercept=estimate_text(found.fit.intercept, item.analyte.signal_unit),
        s=numbers.significant(found.fit.residual_standard_deviation, 3, item.analyte.signal_unit),
        n=found.fit.n,
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
    points: dict[float, list[CalibrationPoint]] = {}
    for point in sorted(record.points, key=lambda one: one.level):
        points.setdefault(point.level, []).append(point)

    def found(level: float) -> float | None:
        values = [one.back_calculated for one in points[level] if one.back_calculated is not None]
        return sum(values) / len(values) if values else None

    def error(level: float) -> float | None:
        mean = found(level)
        return None if mean is None or level <= 0 else 100 * (mean / level - 1)

    def signal(level: float) -> float:
        return sum(one.signal for one in points[level]) / len(points[level])

    return table_of(
        context.say,
        "calibration.back_calculation",
        points,
        Num("level", lambda level: numbers.as_given(level), item.analyte.unit),
        Mid(Text("n"), lambda level: numbers.count(len(points[level]))),
        Num("mean_signal", lambda level: numbers.significant(signal(level), 4), item.analyte.signal_unit),
        Num("found", lambda level: numbers.significant(found(level), 4), item.analyte.unit),
        Num("deviation", lambda level: numbers.significant(error(level), 2), "%"),
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
            say.paragraph(
                "calibration.with_excluded",
                count=len(record.excluded),
                without=estimate_text(record.slope, unit),
                with_=estimate_text(record.with_excluded.slope, unit),
                sd=numbers.significant(record.residual_standard_deviation, 2),
                sd_with=numbers.significant(
                    record.with_excluded.residual_standard_deviation, 2, item.analyte.signal_unit
                ),
            )
        )
    if record.alternative_quadratic is not None:
        blocks.append(
            say.paragraph(
                "calibration.second_order",
                sd=numbers.significant(record.residual_standard_deviation, 2),
                sd_curve=numbers.significant(
                    record.alternative_quadratic.residual_standard_deviation, 2, item.analyte.signal_unit
                ),
            )
        )
    if record.repeated_readings is not None:
        blocks.append(
            say.paragraph(
                "calibration.readings",
                sd=numbers.significant(record.repeated_readings.sd, 2, item.analyte.signal_unit),
                preparations=record.repeated_readings.preparations,
            )
        )
    return tuple(blocks)
