"""Precision split over several factors: day, operator, instrument, device; nested or crossed.

Nested: each level of the inner factor occurs with one level of the outer only (runs within days).
Crossed: every operator uses every instrument.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import student
from validator.statistics.factor_components import (
    REPEATABILITY,
    ComponentParts,
    VarianceComponent,
    from_likelihood,
    from_mean_squares,
)
from validator.statistics.factorial_tables import (
    Stage,
    coded,
    crossed_table,
    nested_table,
    paired,
)
from validator.statistics.precision_intervals import Figure, relative_standard_deviation
from validator.statistics.unweighted_means import crossed_total_terms, nested_total_terms
from validator.statistics.variance_components import FloatArray, checked_readings, differences_from_one

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from validator.statistics.interval import Estimate, Interval


class ComponentsResult(Struct, frozen=True, kw_only=True):
    """Precision from several factors. Standard deviations in the unit of the data, RSDs in percent.

    Attributes:
        n: number of readings.
        mean: arithmetic mean of all readings; its interval is approximate.
        components: outermost factor first, the residual last.
        repeatability_sd, repeatability_rsd: the residual; not estimable without replicates in the cells.
        intermediate_sd, intermediate_rsd: root of the sum of all components.
        intermediate_satterthwaite: its interval by Satterthwaite.
        design: "nested" or "crossed".
        balanced: by analysis of variance, else by restricted maximum likelihood.
        level: level of confidence of the intervals.
        method: how it was computed, in a sentence.
    """

    n: int
    mean: Estimate
    components: tuple[VarianceComponent, ...]
    repeatability_sd: Figure
    repeatability_rsd: Figure
    intermediate_sd: Figure
    intermediate_rsd: Figure
    intermediate_satterthwaite: Interval | None
    design: str
    balanced: bool
    level: float
    method: str


def is_nested_in(inner: Sequence[object], outer: Sequence[object]) -> bool:
    """True when every level of *inner* occurs with a single level of *outer*."""
    home: dict[object, object] = {}
    return all(home.setdefault(label, place) == place for label, place in zip(inner, outer, strict=True))


def nested(
    values: Sequence[float] | FloatArray,
    factors: Mapping[str, Sequence[object]],
    *,
    level: float = 0.95,
) -> ComponentsResult:
    r"""Fully nested random factors, outermost first; labels need be unique only within the outer level.

    Balanced: with m_k readings per level of stage k and MS_{K+1} the residual mean square,

    .. math:: s_k^2 = \max(0, (MS_k - MS_{k+1})/m_k), \qquad s_I^2 = \sum_k s_k^2 + s_r^2

    Unbalanced: restricted maximum likelihood. Where every level of the innermost factor holds a single
    reading, that factor takes the residual along and repeatability cannot be told. A factor that does
    not vary within the one outside it is named together with it; one held at a single level is left out.

    Args:
        values: readings, shape (N,).
        factors: for each factor its label at every reading, outermost first.
        level: level of confidence.

    Raises:
        NotEstimable: no factor with two levels, no degree of freedom for the residual, or no scatter.

    References:
        ISO 5725-3:1994, Annexes B and C (fully nested experiments; from memory).
    """
    y = checked_readings(values)
    stages: list[Stage] = []
    codes = np.zeros(len(y), dtype=np.intp)
    for name, labels in factors.items():
        codes = paired(codes, coded(labels))
        stage = Stage(name=name, codes=codes)
        if stage.levels == 1:
            continue
        if stages and stage.levels == stages[-1].levels:
            stages[-1] = Stage(name=f"{stages[-1].name} with {name}", codes=codes)
        else:
            stages.append(stage)
    if not stages:
        raise NotEstimable("no factor has two levels", "at least 2 levels of one factor")
    single = stages[-1].levels == len(y)
    last = f"{stages[-1].name} with {REPEATABILITY}" if single else REPEATABILITY
    model = stages[:-1] if single else stages
    mean_df = stages[0].levels - 1
    if all(stage.is_balanced for stage in stages):
        parts = from_mean_squares(nested_table(y, model, last), level)
    else:
        terms = nested_total_terms(y, [stage.codes for stage in model])
        parts = from_likelihood(y, model, last, terms, level)
    return _result(y, model, parts, single=single, mean_df=mean_df, design="nested", level=level)


def crossed(
    values: Sequence[float] | FloatArray,
    factors: Mapping[str, Sequence[object]],
    *,
    level: float = 0.95,
) -> ComponentsResult:
    r"""Two crossed random factors A (a levels) and B (b levels) with interaction, n readings per cell.

    .. math::
        s_{AB}^2 = (MS_{AB} - MS_E)/n, \quad s_A^2 = (MS_A - MS_{AB})/bn, \quad s_B^2 = (MS_B - MS_{AB})/an

    negative ones set to zero; s_I² is the sum of all and of s_r² = MS_E. Unbalanced or incomplete
    layouts by restricted maximum likelihood. With single readings the interaction takes the residual
    along and repeatability cannot be told.

    Args:
        values: readings, shape (N,).
        factors: two factors, each with its label at every reading.
        level: level of confidence.

    Raises:
        NotEstimable: a factor with one level, factors that are nested, or no scatter.
        ValueError: not exactly two factors.

    References:
        S.R. Searle, G. Casella, C.E. McCulloch, Variance Components (1992), ch. 4 (from memory).
    """
    y = checked_readings(values)
    (name_a, labels_a), (name_b, labels_b) = factors.items()
    a, b = Stage(name=name_a, codes=coded(labels_a)), Stage(name=name_b, codes=coded(labels_b))
    cells = Stage(name=f"{name_a}:{name_b}", codes=paired(a.codes, b.codes))
    for stage, other in ((a, b), (b, a)):
        if stage.levels == 1:
            raise NotEstimable(f"{stage.name} has one level", f"at least 2 levels of {stage.name}")
        if cells.levels == stage.levels:
            raise NotEstimable(
                f"each {stage.name} occurs with only one {other.name}",
                f"each {stage.name} together with at least 2 levels of {other.name}",
            )
    single = cells.levels == len(y)
    last = f"{cells.name} with {REPEATABILITY}" if single else REPEATABILITY
    model = [a, b] if single else [a, b, cells]
    complete = cells.levels == a.levels * b.levels
    if complete and cells.is_balanced:
        parts = from_mean_squares(crossed_table(y, a, b, cells, last), level)
    else:
        parts = from_likelihood(y, model, last, crossed_total_terms(y, a, b, cells), level)
    mean_df = min(a.levels, b.levels) - 1
    return _result(y, model, parts, single=single, mean_df=mean_df, design="crossed", level=level)


def _result(
    y: FloatArray,
    model: Sequence[Stage],
    parts: ComponentParts,
    *,
    single: bool,
    mean_df: int,
    design: str,
    level: float,
) -> ComponentsResult:
    mean = _mean(y, model, parts.components, mean_df, level)
    repeatability: Figure = parts.components[-1].sd
    if single:
        repeatability = NotEstimable(
            "every combination of factors has a single reading", "replicates under identical conditions"
        )
    return ComponentsResult(
        n=len(y),
        mean=mean,
        components=parts.components,
        repeatability_sd=repeatability,
        repeatability_rsd=relative_standard_deviation(repeatability, mean.value),
        intermediate_sd=parts.total,
        intermediate_rsd=relative_standard_deviation(parts.total, mean.value),
        intermediate_satterthwaite=parts.satterthwaite,
        design=design,
        balanced=parts.balanced,
        level=level,
        method=f"{design} random factors, " + parts.method,
    )


def _mean(
    y: FloatArray,
    model: Sequence[Stage],
    components: Sequence[VarianceComponent],
    nu: int,
    level: float,
) -> Estimate:
    """Arithmetic mean; u² = Σ s_k²·Σ_l(n_kl/N)² + s_r²/N, MS_1/N for a balanced nested layout."""
    differences, origin = differences_from_one(y)
    value = origin + float(differences.mean())
    u2 = components[-1].variance / len(y)
    for stage, component in zip(model, components, strict=False):
        u2 += component.variance * float(np.sum((stage.counts / len(y)) ** 2))
    return student(value, math.sqrt(u2), nu, level, "Student t over the outer levels")
