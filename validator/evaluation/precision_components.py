"""Precision of one laboratory at one level, from one grouping factor or from several."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.evaluation.convert import figure_record, not_assessed
from validator.evaluation.results import (
    AnalysisOfVarianceRecord,
    EstimateRecord,
    NotAssessed,
    PrecisionRecord,
    VarianceComponentRecord,
)
from validator.statistics.interval import Estimate, estimate_record
from validator.statistics.nested import ComponentsResult, crossed, nested
from validator.statistics.precision import (
    PrecisionResult,
    critical_difference,
    from_layout,
    one_way,
)
from validator.statistics.precision_intervals import holding, relative_standard_deviation
from validator.statistics.variance_components import one_way_layout

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.evaluation.factors import Grouping
    from validator.statistics.precision_intervals import Figure

FEW_PEOPLE = 2
"""With so few operators, instruments or devices they are those of the laboratory, not a sample of many."""

FEWEST_TIMES = 3
"""Days or series from which the doubt of what changes with time can be seen."""

OVER_GROUPS = "; confidence interval based on {groups} groups (the two levels of {factor} in the laboratory)"

SUM_OF_SEVERAL = "sum of several variance components, see the table of components"


def within_laboratory(
    level: float, results: Sequence[float], grouping: Grouping, confidence: float
) -> PrecisionRecord:
    """Repeatability and intermediate precision from *results* and how they are grouped.

    Raises:
        NotEstimable: fewer than two results.
    """
    plain = _one_factor(level, results, grouping, confidence)
    if grouping.analysis == "one way":
        return plain
    try:
        return _several_factors(plain, results, grouping, confidence)
    except NotEstimable:
        # too little data to split: the finest groups are what intermediate conditions mean
        return plain


def split_within(
    record: PrecisionRecord, results: Sequence[float], grouping: Grouping, confidence: float
) -> PrecisionRecord:
    """*record* over laboratories, its scatter split further by days or series within them.

    Repeatability is then that within a day, the intermediate precision that of one laboratory (ISO
    5725-3:1994, 7 and Annex C: fully nested experiment; from memory).

    Raises:
        NotEstimable: the data cannot carry the split.
    """
    found = _analysed(results, grouping, confidence)
    between = found.components[0].sd
    intermediate = _of_variance(sum(one.variance for one in found.components[1:]))
    mean = found.mean.value
    return replace(
        record,
        repeatability_sd=figure_record(found.repeatability_sd),
        repeatability_rsd=figure_record(found.repeatability_rsd),
        between_sd=figure_record(between),
        intermediate_sd=estimate_record(intermediate),
        intermediate_rsd=figure_record(relative_standard_deviation(intermediate, mean)),
        reproducibility_sd=figure_record(found.intermediate_sd),
        reproducibility_rsd=figure_record(found.intermediate_rsd),
        arrangement="nested",
        components=_components(found),
        method=f"{grouping.name}: {found.method}",
        **_limits(found.repeatability_sd, intermediate),
        reproducibility_limit=critical_difference(found.intermediate_sd),
        reproducibility_limit_exact=critical_difference(found.intermediate_sd, exact=True),
    )


def _one_factor(
    level: float, results: Sequence[float], grouping: Grouping, confidence: float
) -> PrecisionRecord:
    layout = one_way_layout(_groups(results, grouping))
    found = from_layout(layout, level=confidence)
    return PrecisionRecord(
        level=level,
        n=found.n,
        groups=found.groups,
        factor=grouping.name,
        mean=estimate_record(found.mean),
        repeatability_sd=figure_record(found.repeatability_sd),
        repeatability_rsd=figure_record(found.repeatability_rsd),
        between_sd=figure_record(found.between_sd),
        intermediate_sd=figure_record(found.intermediate_sd),
        intermediate_rsd=figure_record(found.intermediate_rsd),
        analysis_of_variance=_analysis_of_variance(found),
        method=found.method,
        **_limits(found.repeatability_sd, found.intermediate_sd),
    )


def _several_factors(
    plain: PrecisionRecord, results: Sequence[float], grouping: Grouping, confidence: float
) -> PrecisionRecord:
    found = _analysed(results, grouping, confidence)
    intermediate, method = found.intermediate_sd, found.method
    few = _few(grouping)
    if few is not None:
        groups = _groups(results, grouping)
        intermediate = _with_doubt_of(intermediate, one_way(groups, level=confidence))
        method += OVER_GROUPS.format(groups=plain.groups, factor=few)
    mean = found.mean.value
    return replace(
        plain,
        mean=estimate_record(found.mean),
        repeatability_sd=figure_record(found.repeatability_sd),
        repeatability_rsd=figure_record(found.repeatability_rsd),
        between_sd=_between(found),
        intermediate_sd=figure_record(intermediate),
        intermediate_rsd=figure_record(relative_standard_deviation(intermediate, mean)),
        analysis_of_variance=None,
        arrangement="crossed" if grouping.analysis == "crossed" else "nested",
        components=_components(found),
        method=method,
        **_limits(found.repeatability_sd, intermediate),
    )


def _between(found: ComponentsResult) -> EstimateRecord | NotAssessed:
    """What all factors add together; not to be had where the innermost one takes the residual along."""
    if isinstance(found.repeatability_sd, NotEstimable):
        return not_assessed(found.repeatability_sd)
    together = _of_variance(sum(one.variance for one in found.components[:-1]))
    return estimate_record(together, reason=SUM_OF_SEVERAL)


def _analysed(results: Sequence[float], grouping: Grouping, confidence: float) -> ComponentsResult:
    factors = {one.name: one.labels for one in grouping.factors}
    compute = crossed if grouping.analysis == "crossed" else nested
    return compute(results, factors, level=confidence)


def _groups(results: Sequence[float], grouping: Grouping) -> list[list[float]]:
    found: dict[str, list[float]] = {}
    for label, result in zip(grouping.labels, results, strict=True):
        found.setdefault(label, []).append(result)
    return list(found.values())


def _few(grouping: Grouping) -> str | None:
    """The operator, instrument or device of which there are two, where time alone shows enough."""
    times = [one.levels for one in grouping.factors if one.name in grouping.time]
    if not times or min(times) < FEWEST_TIMES:
        return None
    few = (one.name for one in grouping.factors if one.name not in grouping.time)
    named = {one.name: one.levels for one in grouping.factors}
    return next((name for name in few if named[name] == FEW_PEOPLE), None)


def _with_doubt_of(figure: Figure, groups: PrecisionResult) -> Figure:
    """*figure* with the relative doubt of the groups' total, the factor with two levels being held."""
    other = groups.intermediate_sd
    if isinstance(figure, NotEstimable) or isinstance(other, NotEstimable) or other.interval is None:
        return figure
    return replace(
        figure,
        standard_error=other.standard_error,
        interval=holding(figure.value, other.interval),
        degrees_of_freedom=other.degrees_of_freedom,
    )


def _of_variance(variance: float) -> Estimate:
    return Estimate(value=max(0.0, variance) ** 0.5)


def _components(found: ComponentsResult) -> tuple[VarianceComponentRecord, ...]:
    return tuple(
        VarianceComponentRecord(
            factor=one.factor,
            levels=one.levels,
            sd=figure_record(one.sd),
            share_percent=one.share_percent,
            mean_square=one.mean_square,
            degrees_of_freedom=one.degrees_of_freedom,
        )
        for one in found.components
    )


def _analysis_of_variance(found: PrecisionResult) -> AnalysisOfVarianceRecord | None:
    if found.ms_between is None or found.ms_within is None or found.f is None or found.p is None:
        return None
    return AnalysisOfVarianceRecord(
        ms_between=found.ms_between,
        df_between=found.df_between,
        ms_within=found.ms_within,
        df_within=found.df_within,
        f=found.f,
        p=found.p,
    )


def _limits(repeatability: Figure, intermediate: Figure) -> dict[str, Any]:
    return {
        "repeatability_limit": critical_difference(repeatability),
        "repeatability_limit_exact": critical_difference(repeatability, exact=True),
        "intermediate_limit": critical_difference(intermediate),
        "intermediate_limit_exact": critical_difference(intermediate, exact=True),
    }
