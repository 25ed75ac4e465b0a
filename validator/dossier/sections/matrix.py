"""Matrix: slopes in matrix, standard additions, blanks beside the quantification limit."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.document import Block, Figure, Paragraph, Section
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    open_caveats,
    percent_level,
    refusals,
    section_of,
    slope_unit,
)
from validator.dossier.sections.judging import judged
from validator.dossier.sections.pictures import paired
from validator.dossier.sections.pictures_of_comparisons import additions_figure, matrix_figure
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.evaluation.results import (
    AdditionLinearity,
    ConfigurationRecord,
    FTest,
    MatrixEffectRecord,
    NotAssessed,
    SignificanceRecord,
    StandardAdditionRecord,
    TTest,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.dossier.figure_style import Width
    from validator.dossier.inline import Content

CHARACTERISTICS = ("matrix_effect",)


def matrix(context: Context) -> Section | None:
    """One subsection for each analyte and configuration with something to say on the matrix."""
    return section_of(context, "matrix", lambda item: item.configuration, _item)


def _item(context: Context, item: Item, found: ConfigurationRecord) -> tuple[Block, ...]:
    blocks: list[Block] = []
    effects, additions = found.matrix_effect, found.standard_addition
    figures: list[Figure] = []
    both = not isinstance(effects, NotAssessed) and not isinstance(additions, NotAssessed)
    width: Width = "half" if both else "text"
    if not isinstance(effects, NotAssessed):
        blocks.extend(judged(context, CHARACTERISTICS, item.cell))
        blocks.extend(_effects(context, item, effects))
        figures.extend(matrix_figure(context, item, effects, width=width))
    if not isinstance(additions, NotAssessed):
        blocks.extend(_additions(context, item, additions))
        figures.extend(additions_figure(context, item, additions, width=width))
    blocks.extend(paired(figures))
    blocks.extend(_blanks(context, item))
    if blocks:
        blocks.extend(open_caveats(context, CHARACTERISTICS, item.cell))
    return tuple(blocks)


def _effects(context: Context, item: Item, records: Sequence[MatrixEffectRecord]) -> tuple[Block, ...]:
    say, level = context.say, percent_level(item.record.confidence)
    return (
        table_of(
            say,
            "matrix.slopes",
            records,
            Col("matrix", lambda record: record.matrix, width=16),
            Col("source", lambda record: say(f"matrix.from_{record.source.replace(' ', '_')}"), width=14),
            Mid("n", lambda record: numbers.counts(record.n, record.levels)),
            Col("slope", lambda record: estimate_text(record.slope), slope_unit(item)),
            Col("ratio", lambda record: estimate_text(record.slope_ratio)),
            Col("effect", lambda record: estimate_text(record.effect_percent), "%"),
            Col("difference", lambda record: _tests(record)),
            id=item.id("matrix-table"),
            name=item.name,
            level=level,
        ),
        *(Paragraph(text) for record in records if (text := _sentence(context, item, record))),
        *refusals(*((record.matrix, record.effect_percent) for record in records)),
        *(
            Paragraph(_excluded(context, record.matrix, len(record.excluded), record.with_excluded, "%"))
            for record in records
            if record.excluded
        ),
    )


def _tests(record: MatrixEffectRecord) -> str:
    """Welch's test of equal slopes, and the pooled one where there is one."""
    welch, pooled = t_text(record.slope_difference), t_text(record.slope_difference_pooled)
    return welch if pooled == numbers.MISSING else f"{welch} ({pooled})"


def t_text(test: TTest | SignificanceRecord | NotAssessed | None) -> str:
    """``t = 2.1, ν = 12, p = 0.04``; a dash where there is no test."""
    if test is None or isinstance(test, NotAssessed):
        return numbers.MISSING
    return significance_text("t", test.t if isinstance(test, TTest) else test.statistic, test.df, test.p)


def significance_text(name: str, statistic: float, df: float | tuple[float | None, ...], p: float) -> str:
    """A test by the name of its statistic, with its degrees of freedom and p."""
    nu = numbers.degrees_of_freedom(*(df if isinstance(df, tuple) else (df,)))
    return f"{name} = {numbers.significant(statistic)}, ν = {nu}, {numbers.p_text(p)}"


def _sentence(context: Context, item: Item, record: MatrixEffectRecord) -> Content:
    """Whether the slope in matrix differs, and what the data can exclude."""
    effect, test = record.effect_percent, record.slope_difference
    if isinstance(effect, NotAssessed) or isinstance(test, NotAssessed) or effect.ci is None:
        return ""
    lower, upper = effect.ci
    if lower is None or upper is None:
        return ""
    if test.p < 1 - context.study.analysis_for(item.cell.analyte).confidence:
        return context.say(
            "matrix.differs",
            matrix=record.matrix,
            test=t_text(test),
            effect=numbers.percent(effect.value, 2),
        )
    reach = numbers.percent(max(abs(lower), abs(upper)), 2)
    return context.say("matrix.does_not_differ", matrix=record.matrix, test=t_text(test), reach=reach)


def _excluded(context: Context, what: str, count: int, beside: object, unit: str) -> Content:
    text = estimate_text(beside, unit) if not isinstance(beside, NotAssessed) else beside.not_assessed  # type: ignore[arg-type]
    return context.say("matrix.with_excluded", what=what, count=count, with_=text)


def _additions(context: Context, item: Item, records: Sequence[StandardAdditionRecord]) -> tuple[Block, ...]:
    say, unit = context.say, item.analyte.unit
    return (
        table_of(
            say,
            "matrix.additions",
            records,
            Col("sample", lambda record: record.sample, width=14),
            Mid("portions", lambda record: numbers.counts(record.n, record.additions)),
            Col("content", lambda record: estimate_text(record.concentration), unit),
            Num("reference", lambda record: numbers.as_given(record.reference), unit),
            Col("reference_difference", lambda record: estimate_text(record.difference), unit),
            Num("p", lambda record: numbers.p_value(record.p_reference)),
            Col("ratio", lambda record: estimate_text(record.slope_ratio)),
            Mid("linearity", lambda record: _linearity(record.linearity)),
            Num("extrapolation", lambda record: numbers.significant(record.extrapolation, 2)),
            id=item.id("additions-table"),
            name=item.name,
            level=percent_level(item.record.confidence),
        ),
        *refusals(*((record.sample, record.concentration) for record in records)),
        *(
            Paragraph(_excluded(context, record.sample, len(record.excluded), record.with_excluded, unit))
            for record in records
            if record.excluded
        ),
    )


def _linearity(tests: AdditionLinearity | NotAssessed) -> str:
    if isinstance(tests, NotAssessed):
        return numbers.MISSING
    return f"{_p(tests.lack_of_fit)} / {_p(tests.quadratic_test)}"


def _p(test: FTest | NotAssessed) -> str:
    return numbers.MISSING if isinstance(test, NotAssessed) else numbers.p_value(test.p)


def _blanks(context: Context, item: Item) -> tuple[Block, ...]:
    record = item.configuration.blank_response
    if record is None or item.cell.configuration != context.study.validated_configuration:
        return ()
    say = context.say
    return (
        say.paragraph(
            "matrix.blanks_censored" if record.censored else "matrix.blanks",
            n=record.n,
            kind=say.text(f"matrix.kind.{record.kind}"),
            censored=record.censored,
            mean=estimate_text(record.percent_of_limit, "%"),
            largest=numbers.percent(record.largest_percent, 2),
        ),
    )
