"""Comparison of configurations: figures of merit side by side, ratios with intervals."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Figure, Paragraph, Row, Section, Table
from validator.dossier.inline import Text
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    per_area_unit,
    percent_level,
    residual_text,
    row,
    slope_unit,
)
from validator.dossier.sections.matrix import significance_text, t_text
from validator.dossier.sections.pictures import paired, widths
from validator.dossier.sections.pictures_of_comparisons import forest_figure, overlay_figure
from validator.dossier.sections.summary import limit_text
from validator.dossier.wording import Col, Num, table_of
from validator.evaluation.results import ComparedConfiguration, FTest, NotAssessed, TTest, value_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.dossier.inline import Content


def configurations(context: Context) -> Section | None:
    """Nothing where the study has one configuration."""
    comparisons = context.results.comparison_of_configurations
    if not comparisons:
        return None
    say = context.say
    blocks: list[Block | Section] = [say.paragraph("configurations.lead", role="lead")]
    figures: list[Figure] = []
    for analyte, width in zip(comparisons, widths(len(comparisons)), strict=True):
        items = [item for item in context.items() if item.cell.analyte == analyte]
        blocks.extend(_table(context, analyte, items))
        figures.extend(overlay_figure(context, analyte, items, width=width))
        blocks.extend(Paragraph(sentence) for sentence in slope_sentences(context, analyte))
        blocks.extend(Paragraph(sentence) for sentence in _limit_sentences(context, analyte))
    blocks.extend(paired(figures))
    pairs = [
        (context.analyte_name(analyte), one)
        for analyte, comparison in comparisons.items()
        for one in comparison.compared
    ]
    blocks.append(_ratios(context, pairs))
    blocks.extend(forest_figure(context, pairs))
    return Section(id="configurations-compared", title=say("configurations.title"), blocks=tuple(blocks))


def _table(context: Context, analyte: str, items: list[Item]) -> tuple[Table, ...]:
    """The figures side by side, where there are any."""
    say = context.say
    rows = [
        _merit_row(context, "slope", items, lambda item: _slope(item)),
        _merit_row(context, "per_area", items, _per_area),
        _merit_row(context, "range", items, _range),
        _merit_row(context, "detection", items, lambda item: _limit(item, "detection_limit")),
        _merit_row(context, "quantification", items, lambda item: _limit(item, "quantification_limit")),
        _merit_row(context, "residual", items, _residual),
        _merit_row(context, "r", items, _r),
        _merit_row(context, "repeatability", items, lambda item: _rsd(item, "repeatability_rsd")),
        _merit_row(context, "intermediate", items, lambda item: _rsd(item, "intermediate_rsd")),
    ]
    shown = tuple(one for one in rows if any(cell != numbers.MISSING for cell in one.cells[1:]))
    if not shown:
        return ()
    table = table_of(
        say,
        "configurations.merit",
        shown,
        Col("figure", width=26),
        *(
            Col(Text(context.configuration_name(item.cell.configuration) or item.cell.configuration))
            for item in items
        ),
        id=f"merit-{items[0].id()}",
        name=context.analyte_name(analyte),
        level=percent_level(items[0].record.confidence),
        size="normal",
    )
    return (table,)


def _merit_row(context: Context, key: str, items: list[Item], text: Callable[[Item], str]) -> Row:
    return row(context.say(f"configurations.{key}"), *(text(item) for item in items))


def _slope(item: Item) -> str:
    record = item.configuration.calibration
    return (
        numbers.MISSING if isinstance(record, NotAssessed) else estimate_text(record.slope, slope_unit(item))
    )


def _per_area(item: Item) -> str:
    record = item.configuration.calibration
    if isinstance(record, NotAssessed) or record.sensitivity_per_area is None:
        return numbers.MISSING
    return estimate_text(record.sensitivity_per_area, per_area_unit(item, record))


def _range(item: Item) -> str:
    record = item.configuration.calibration
    if isinstance(record, NotAssessed) or isinstance(record.linear_range, NotAssessed):
        return numbers.MISSING
    found = record.linear_range
    return numbers.quantity(numbers.span(found.lower, found.upper), item.analyte.unit)


def _limit(item: Item, field: str) -> str:
    record = item.configuration.detection
    return numbers.MISSING if isinstance(record, NotAssessed) else limit_text(getattr(record, field))


def _residual(item: Item) -> str:
    record = item.configuration.calibration
    if isinstance(record, NotAssessed):
        return numbers.MISSING
    return residual_text(record, item.analyte.signal_unit)


def _r(item: Item) -> str:
    record = item.configuration.calibration
    if isinstance(record, NotAssessed):
        return numbers.MISSING
    return numbers.correlation(record.correlation)


def _rsd(item: Item, field: str) -> str:
    records = item.configuration.precision
    if isinstance(records, NotAssessed):
        return numbers.MISSING
    found = [value for record in records if (value := value_of(getattr(record, field))) is not None]
    return numbers.quantity(numbers.smallest_to_largest(found, 2), "%")


def slope_sentences(context: Context, analyte: str) -> tuple[Content, ...]:
    """Whether a difference in slope is real, in a sentence for each configuration."""
    say = context.say
    comparison = context.results.comparison_of_configurations[analyte]
    found: list[Content] = []
    for one in comparison.compared:
        if isinstance(one.slope_ratio, NotAssessed) or isinstance(one.slope_difference, NotAssessed):
            continue
        ratio = one.slope_ratio
        if not ratio.value or ratio.ci is None or None in ratio.ci:
            continue
        real = (one.adjusted_p or 0.0) < _significance(context, analyte)
        found.append(
            say(
                "configurations.real" if real else "configurations.not_real",
                reference=context.configuration_name(comparison.reference),
                configuration=context.configuration_name(one.configuration),
                analyte=context.analyte_name(analyte),
                gain=numbers.with_interval(1 / ratio.value, *_reciprocal(*ratio.ci)),
                test=t_text(one.slope_difference),
                pooled=_pooled_text(context, one.slope_difference_pooled),
            )
        )
    if isinstance(comparison.common_slope, FTest):
        test = comparison.common_slope
        found.append(
            say(
                "configurations.common_slope",
                analyte=context.analyte_name(analyte),
                count=len(comparison.compared) + 1,
                outcome=say.text(
                    "configurations.rejected"
                    if test.p < _significance(context, analyte)
                    else "configurations.kept"
                ),
                test=significance_text("F", test.f, test.df, test.p),
            )
        )
    return tuple(found)


def _significance(context: Context, analyte: str) -> float:
    """Level of the tests: what the study's level of confidence leaves."""
    return 1 - context.study.analysis_for(analyte).confidence


def _reciprocal(lower: float | None, upper: float | None) -> tuple[float | None, float | None]:
    """Ends of 1/x for x in an interval; open where it holds 0."""
    if not lower or not upper or lower < 0 < upper:
        return None, None
    return 1 / upper, 1 / lower


def _pooled_text(context: Context, test: TTest | NotAssessed | None) -> str:
    say = context.say
    if isinstance(test, TTest):
        return say.text("configurations.pooled", test=t_text(test))
    reason = numbers.MISSING if test is None else test.not_assessed
    return say.text("configurations.not_pooled", reason=reason)


def _limit_sentences(context: Context, analyte: str) -> tuple[Content, ...]:
    """Whether a detection limit is really another, in a sentence for each configuration."""
    comparison = context.results.comparison_of_configurations[analyte]
    found: list[Content] = []
    for one in comparison.compared:
        ratio = one.detection_limit_ratio
        if isinstance(ratio, NotAssessed) or ratio.value is None or ratio.ci is None:
            continue
        lower, upper = ratio.ci
        differs = (lower is not None and lower > 1) or (upper is not None and upper < 1)
        found.append(
            context.say(
                "configurations.limit_differs" if differs else "configurations.limit_does_not_differ",
                reference=context.configuration_name(comparison.reference),
                configuration=context.configuration_name(one.configuration),
                analyte=context.analyte_name(analyte),
                ratio=numbers.with_interval(ratio.value, lower, upper),
            )
        )
    return tuple(found)


def _gain(context: Context, analyte: str, one: ComparedConfiguration) -> str:
    found = one.signal_gain
    if isinstance(found, NotAssessed):
        return numbers.MISSING
    unit = next(item.unit for item in context.study.method.analytes if item.name == analyte)
    level = numbers.as_given(found.level, unit)
    return f"{estimate_text(found.gain)} at {level}"


def _t_text(test: TTest | NotAssessed) -> str:
    if isinstance(test, NotAssessed):
        return numbers.MISSING
    return f"t = {numbers.significant(test.t)}, ν = {numbers.degrees_of_freedom(test.df)}"


def _ratios(context: Context, pairs: list[tuple[str, ComparedConfiguration]]) -> Table:
    say = context.say
    return table_of(
        say,
        "configurations.ratios",
        pairs,
        Col("configuration", lambda one: context.configuration_name(one[1].configuration), width=20),
        Col("analyte", lambda one: one[0], width=12),
        Col("slope_ratio", lambda one: estimate_text(one[1].slope_ratio)),
        Col("difference", lambda one: _t_text(one[1].slope_difference)),
        Num(Text("p"), lambda one: numbers.p_value(one[1].adjusted_p)),
        Col("limit_ratio", lambda one: estimate_text(one[1].detection_limit_ratio)),
        Col("gain", lambda one: _gain(context, *one)),
        id="ratios",
        adjustment=pairs[0][1].adjustment if pairs else "",
    )
