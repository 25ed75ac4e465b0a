"""What was found, as a manuscript says it: figures with their intervals, tests, outcomes, conditions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator import numbers
from validator.characteristics.order import PACKAGES
from validator.dossier.document import Block, Paragraph, Section
from validator.dossier.journal.methods import joined
from validator.dossier.sections.configurations import slope_sentences
from validator.dossier.sections.context import (
    Context,
    Item,
    estimate_text,
    percent_level,
    residual_text,
    slope_unit,
)
from validator.dossier.sections.pictures import interferent_label, level_label
from validator.dossier.sections.summary import deciding, limits_are_claimed
from validator.evaluation.results import (
    CalibrationRecord,
    DeclaredLimit,
    EstimateRecord,
    FTest,
    LevelUncertaintyRecord,
    NotAssessed,
)
from validator.evaluation.selectivity import interference_limit

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.dossier.inline import Content
    from validator.evaluation.results import Finding, PrecisionRecord


_OPEN = ("does not meet", "inconclusive", "not assessed")
_SPREADS = (
    ("repeatability", "repeatability_rsd"),
    ("intermediate_precision", "intermediate_rsd"),
    ("reproducibility", "reproducibility_rsd"),
)


def results_found(context: Context) -> tuple[Block | Section, ...]:
    """What was found for each analyte as validated, then for the configurations and the criteria."""
    items = tuple(context.validated_items())
    found: list[Block | Section] = []
    for item in items:
        paragraphs = tuple(_paragraphs(context, item))
        if len(items) > 1:
            section = Section(
                id=item.id("journal-found"), title=item.name, blocks=paragraphs, numbering="none"
            )
            found.append(section)
        else:
            found.extend(paragraphs)
    whole = (*_compared(context), Paragraph(joined(_criteria(context))))
    if len(items) < 2:
        return (*found, *whole)
    title = context.say.text("journal.together")
    return (*found, Section(id="journal-together", title=title, blocks=whole, numbering="none"))


def _paragraphs(context: Context, item: Item) -> Iterator[Block]:
    for part in (_line_and_limits, _precision, _recovery, _interference, further):
        sentences = tuple(part(context, item))
        if sentences:
            yield Paragraph(joined(sentences))


def _line_and_limits(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.calibration
    if isinstance(record, NotAssessed):
        yield context.say("journal.found_no_calibration", reason=record.not_assessed)
    else:
        yield from _calibration(context, item, record)
    if limits_are_claimed(context, item):
        yield from _limits(context, item)


# --- calibration and limits ----------------------------------------------------------------------------


def _calibration(context: Context, item: Item, record: CalibrationRecord) -> Iterator[Content]:
    say = context.say
    yield say(
        "journal.found_calibration",
        slope=estimate_text(record.slope, slope_unit(item)),
        intercept=estimate_text(record.intercept, item.analyte.signal_unit),
        sd=residual_text(record, item.analyte.signal_unit),
        r_squared=numbers.correlation(record.r_squared),
    )
    for key, test in (("found_lack_of_fit", record.lack_of_fit), ("found_bend", record.quadratic_test)):
        if not isinstance(test, NotAssessed):
            yield say(f"journal.{key}", significance=_significance(context, item, test.p), test=_f_text(test))
    scatter = record.homoscedasticity.breusch_pagan
    if not isinstance(scatter, NotAssessed) and scatter.p is not None:
        nu = numbers.degrees_of_freedom(*(scatter.df or ()))
        yield say(
            "journal.found_scatter",
            significance=_significance(context, item, scatter.p),
            test=f"χ²({nu}) = {numbers.significant(scatter.statistic)}, {numbers.p_text(scatter.p)}",
        )
    if not isinstance(record.linear_range, NotAssessed):
        yield say(
            "journal.found_range",
            lower=numbers.as_given(record.linear_range.lower),
            upper=level_label(item, record.linear_range.upper),
        )


def _significance(context: Context, item: Item, p: float) -> str:
    alpha = context.study.analysis_for(item.cell.analyte).alpha
    return context.say.text(f"journal.{'significant' if p < alpha else 'not_significant'}")


def _f_text(test: FTest) -> str:
    return (
        f"F({numbers.degrees_of_freedom(*test.df)}) = {numbers.significant(test.f)}, {numbers.p_text(test.p)}"
    )


def _limits(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.detection
    if isinstance(record, NotAssessed):
        return
    for name in ("detection_limit", "quantification_limit"):
        limit: DeclaredLimit | NotAssessed = getattr(record, name)
        if isinstance(limit, NotAssessed):
            yield context.say(f"journal.found_no_limit.{name}", reason=limit.not_assessed)
        else:
            figure = numbers.quantity(numbers.limit_and_interval(limit.value, limit.ci), limit.unit)
            yield context.say(f"journal.found_limit.{name}", limit=figure)


# --- runs ----------------------------------------------------------------------------------------------


def _precision(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.precision
    if isinstance(records, NotAssessed):
        return
    for characteristic, field in _SPREADS:
        figures = [
            _at(context, estimate_text(figure, "%", digits=2), level_label(item, record.level))
            for record in records
            if (figure := _known(record, field)) is not None
        ]
        if figures:
            yield context.say(
                "journal.found_precision",
                kind=context.characteristic(characteristic),
                figures="; ".join(figures),
            )


def _known(record: PrecisionRecord, field: str) -> EstimateRecord | None:
    figure: EstimateRecord | NotAssessed | None = getattr(record, field)
    return None if figure is None or isinstance(figure, NotAssessed) or figure.value is None else figure


def _at(context: Context, figure: str, level: str) -> str:
    return context.say.text("journal.at", figure=figure, level=level)


def _recovery(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.recovery
    if isinstance(records, NotAssessed):
        return
    figures = [
        _at(
            context,
            estimate_text(record.mean_recovery, "%"),
            level_label(item, record.level) + (f" ({record.matrix})" if record.matrix else ""),
        )
        for record in records
        if record.mean_recovery.value is not None
    ]
    if figures:
        yield context.say("journal.found_recovery", figures="; ".join(figures))


def _interference(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.interference
    if isinstance(records, NotAssessed):
        return
    say = context.say
    yield say(
        "journal.found_interference",
        tests=len(records),
        inside=sum(one.interferes_guarded == "no" for one in records),
        limit=numbers.percent(interference_limit(context.study, item.cell), 2),
    )
    beyond = [interferent_label(one) for one in records if one.interferes_guarded == "yes"]
    undecided = [interferent_label(one) for one in records if one.interferes_guarded not in ("yes", "no")]
    if beyond:
        yield say("journal.found_beyond", names="; ".join(beyond))
    if undecided:
        yield say("journal.found_undecided", names="; ".join(undecided))


# --- the whole -----------------------------------------------------------------------------------------


def _compared(context: Context) -> Iterator[Block]:
    for analyte, comparison in context.results.comparison_of_configurations.items():
        sentences: list[Content] = list(slope_sentences(context, analyte))
        sentences.extend(
            context.say(
                "journal.found_limit_ratio",
                configuration=context.configuration_name(one.configuration),
                analyte=context.analyte_name(analyte),
                ratio=estimate_text(one.detection_limit_ratio),
                reference=context.configuration_name(comparison.reference),
            )
            for one in comparison.compared
            if not isinstance(one.detection_limit_ratio, NotAssessed)
        )
        if sentences:
            yield Paragraph(joined(sentences))


def _criteria(context: Context) -> Iterator[Content]:
    say, found = context.say, deciding(context)
    word = context.verdict_word
    if not found:
        yield say("journal.no_criteria")
        return
    yield say(
        "journal.criteria",
        met=sum(one.outcome == "meets" for one in found),
        all=len(found),
        verdict=f"{word[:1].lower()}{word[1:]}",
    )
    for outcome in _OPEN:
        members = [one for one in found if one.outcome == outcome]
        if members:
            yield say(f"journal.open.{outcome.replace(' ', '_')}", names=_names(context, members))


def _names(context: Context, findings: Sequence[Finding]) -> str:
    names = dict.fromkeys(
        f"{context.characteristic(one.characteristic)} ({context.analyte_name(one.analyte)})"
        if context.has_several_analytes and one.analyte
        else context.characteristic(one.characteristic)
        for one in findings
    )
    return "; ".join(names)


def further(context: Context, item: Item) -> Iterator[Content]:
    """Sentences on the characteristics that few methods are validated for; none for what is not assessed."""
    yield from _matrix(context, item)
    yield from _additions(context, item)
    yield from _methods(context, item)
    for one in PACKAGES:
        if not isinstance(found := item.configuration.of(one.name), NotAssessed):
            yield from one.part("telling").sentences(context, found)
    yield from _devices(context, item)
    yield from _uncertainty(context, item)
    yield from _accuracy(context, item)


def _matrix(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.matrix_effect
    for record in () if isinstance(records, NotAssessed) else records:
        if not isinstance(record.slope_ratio, NotAssessed):
            ratio = estimate_text(record.slope_ratio)
            yield context.say("journal.found_matrix", matrix=record.matrix, ratio=ratio)


def _additions(context: Context, item: Item) -> Iterator[Content]:
    records = item.configuration.standard_addition
    for record in () if isinstance(records, NotAssessed) else records:
        if not isinstance(record.concentration, NotAssessed):
            content = estimate_text(record.concentration, item.analyte.unit)
            yield context.say("journal.found_addition", sample=record.sample, content=content)


def _methods(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.comparison
    if isinstance(record, NotAssessed) or isinstance(record.paired, NotAssessed):
        return
    yield context.say(
        "journal.found_methods",
        n=record.n,
        difference=estimate_text(record.paired.mean_difference, item.analyte.unit),
    )


def _devices(context: Context, item: Item) -> Iterator[Content]:
    used = item.configuration.repeated_use
    if not isinstance(used, NotAssessed) and not isinstance(used.rsd, NotAssessed):
        yield context.say(
            "journal.found_uses",
            devices=used.devices,
            n=used.n,
            rsd=estimate_text(used.rsd, "%", digits=2),
        )
    records = item.configuration.device_to_device
    for record in () if isinstance(records, NotAssessed) else records:
        if not isinstance(record.device_rsd, NotAssessed):
            rsd = estimate_text(record.device_rsd, "%", digits=2)
            yield context.say("journal.found_devices", devices=record.devices, rsd=rsd)


def _uncertainty(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.uncertainty
    if not isinstance(record, NotAssessed) and record.levels:
        figures = "; ".join(_expanded(context, item, one) for one in record.levels)
        yield context.say("journal.found_uncertainty", figures=figures)


def _expanded(context: Context, item: Item, one: LevelUncertaintyRecord) -> str:
    budget = one.budget
    if budget.expanded_percent is not None:
        figure = numbers.percent(budget.expanded_percent, 2)
    else:
        unit = "%" if budget.relative else item.analyte.unit
        figure = numbers.significant(budget.expanded_uncertainty, 2, unit)
    factor = numbers.significant(budget.coverage_factor, 2)
    if one.level is None:
        return context.say.text("journal.uncertainty_anywhere", figure=figure, factor=factor)
    level = level_label(item, one.level)
    return context.say.text("journal.uncertainty_at", figure=figure, level=level, factor=factor)


def _accuracy(context: Context, item: Item) -> Iterator[Content]:
    record = item.configuration.accuracy_profile
    if isinstance(record, NotAssessed):
        return
    named = {
        "accepted": numbers.as_given(record.acceptance_percent, "%"),
        "share": percent_level(record.beta),
        "interval": record.decided_by,
    }
    if record.valid_range is None:
        yield context.say("journal.found_no_accuracy", **named)
        return
    lower, upper = record.valid_range
    reach = numbers.significant(upper, unit=item.analyte.unit)
    ends = {"lower": numbers.significant(lower), "upper": reach}
    yield context.say("journal.found_accuracy", **named, **ends)
