"""Variance components of several factors, from mean squares where balanced, else from the likelihood."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct

from validator.errors import NotEstimable
from validator.statistics.distributions import standard_deviation_interval
from validator.statistics.factorial_tables import MeanSquareLine, Stage, joined, total_terms
from validator.statistics.interval import Estimate, Interval
from validator.statistics.precision_intervals import (
    Figure,
    MeanSquareTerm,
    between_component_interval,
    holding,
    modified_large_sample_interval,
    satterthwaite_degrees_of_freedom,
    satterthwaite_interval,
    standard_deviation,
)
from validator.statistics.reml import reml
from validator.statistics.variance_components import FloatArray, differences_from_one

if TYPE_CHECKING:
    from collections.abc import Sequence

REPEATABILITY = "repeatability"


class VarianceComponent(Struct, frozen=True, kw_only=True):
    """What one factor adds.

    Attributes:
        factor: its name; ``day:operator`` is an interaction, ``repeatability`` the residual.
        levels: number of levels; for the residual the number of cells.
        sd: standard deviation of the component, in the unit of the data; zero when clipped.
        variance: its square.
        share_percent: part of the total variance.
        mean_square, degrees_of_freedom: of the analysis of variance; None by likelihood.
        clipped: the component came out negative and was set to zero.
    """

    factor: str
    levels: int
    sd: Figure
    variance: float
    share_percent: float
    mean_square: float | None
    degrees_of_freedom: int | None
    clipped: bool


class ComponentParts(Struct, frozen=True, kw_only=True):
    """All components (the residual last), their sum, and how they were found."""

    components: tuple[VarianceComponent, ...]
    total: Figure
    satterthwaite: Interval | None
    balanced: bool
    method: str


def from_mean_squares(table: Sequence[MeanSquareLine], level: float) -> ComponentParts:
    """Components s_k² = max(0, (MS_k - MS_error)/m_k); modified large-sample interval of the total."""
    residual = table[-1]
    if residual.mean_square <= 1e-28 * max(line.mean_square for line in table):
        raise NotEstimable(
            "readings under identical conditions do not differ; their variation is below the resolution",
            "readings recorded with higher resolution",
        )
    variances = [
        max(0.0, (line.mean_square - table[line.error].mean_square) / line.per_level) for line in table[:-1]
    ]
    total = sum(variances) + residual.mean_square
    components = [
        _component(line, _between(line, table[line.error], math.sqrt(variance), level), variance, total)
        for line, variance in zip(table[:-1], variances, strict=True)
    ]
    within = standard_deviation(residual.mean_square, residual.degrees_of_freedom, level)
    components.append(_component(residual, within, residual.mean_square, total))
    terms = total_terms(table)
    s = math.sqrt(total)
    clipped = [component.factor for component in components if component.clipped]
    nu = satterthwaite_degrees_of_freedom(terms)
    return ComponentParts(
        components=tuple(components),
        total=Estimate(
            value=s,
            standard_error=s / math.sqrt(2 * nu),
            interval=holding(s, modified_large_sample_interval(terms, level)),
            degrees_of_freedom=nu,
        ),
        satterthwaite=holding(s, satterthwaite_interval(terms, level)),
        balanced=True,
        method="balanced analysis of variance" + _said(clipped),
    )


def from_likelihood(
    y: FloatArray, stages: Sequence[Stage], last: str, terms: Sequence[MeanSquareTerm] | None, level: float
) -> ComponentParts:
    r"""Components by REML, their sum with the interval of *terms*, mean squares of unweighted means.

    Without *terms* (crossed factors that empty cells confound) the sum T has ν = 2T²/u²(T), u² from the
    information matrix: too short an interval when few levels dominate, and its name says where it comes from.
    Repeatability has the chi-squared interval of the pooled scatter within the cells.
    """
    fit = reml(y, [stage.codes for stage in stages])
    total = float(fit.components.sum()) + fit.residual
    u2 = np.diagonal(fit.covariance)
    components = [
        _component(stage, _with_error(variance, error), variance, total)
        for stage, variance, error in zip(stages, fit.components.tolist(), u2[:-1].tolist(), strict=True)
    ]
    cells = joined(stages, last)
    residual = _pooled(y, cells, fit.residual, float(u2[-1]), level)
    components.append(_component(cells, residual, fit.residual, total))
    s = math.sqrt(total)
    if terms is None:
        nu = 2 * total**2 / float(fit.covariance.sum())
        interval = satterthwaite = standard_deviation_interval(
            s, nu, level, "Satterthwaite, information matrix"
        )
    else:
        nu = satterthwaite_degrees_of_freedom(terms, total)
        interval = holding(s, modified_large_sample_interval(terms, level))
        satterthwaite = standard_deviation_interval(s, nu, level, "Satterthwaite")
    clipped = [component.factor for component in components if component.clipped]
    return ComponentParts(
        components=tuple(components),
        total=Estimate(
            value=s, standard_error=s / math.sqrt(2 * nu), interval=interval, degrees_of_freedom=nu
        ),
        satterthwaite=satterthwaite,
        balanced=False,
        method="unbalanced, restricted maximum likelihood" + _said(clipped),
    )


def _between(line: MeanSquareLine, error: MeanSquareLine, s: float, level: float) -> Estimate:
    interval = between_component_interval(
        ms_between=line.mean_square,
        ms_within=error.mean_square,
        nu_between=line.degrees_of_freedom,
        nu_within=error.degrees_of_freedom,
        readings_per_group=line.per_level,
        level=level,
    )
    return Estimate(value=s, interval=holding(s, interval))


def _component(
    source: MeanSquareLine | Stage, sd: Figure, variance: float, total: float
) -> VarianceComponent:
    line = source if isinstance(source, MeanSquareLine) else None
    return VarianceComponent(
        factor=source.name,
        levels=source.levels,
        sd=sd,
        variance=variance,
        share_percent=100 * variance / total,
        mean_square=line.mean_square if line else None,
        degrees_of_freedom=line.degrees_of_freedom if line else None,
        clipped=variance == 0,
    )


def _with_error(variance: float, squared_error: float) -> Estimate:
    """Root of a variance, standard error by the delta method; none on the boundary."""
    s = math.sqrt(variance)
    return Estimate(value=s, standard_error=math.sqrt(squared_error) / (2 * s) if s > 0 else None)


def _pooled(y: FloatArray, cells: Stage, variance: float, squared_error: float, level: float) -> Estimate:
    """The residual: REML estimate with the chi-squared interval of the pooled scatter within the cells."""
    s, df = math.sqrt(variance), len(y) - cells.levels
    if df == 0:
        return _with_error(variance, squared_error)
    differences, _ = differences_from_one(y)
    residuals = differences - cells.means(differences)
    pooled = math.sqrt(float(residuals @ residuals) / df)
    return Estimate(
        value=s,
        standard_error=s / math.sqrt(2 * df),
        interval=holding(s, standard_deviation_interval(pooled, df, level)),
        degrees_of_freedom=df,
    )


def _said(clipped: Sequence[str]) -> str:
    return f"; negative and set to zero: {', '.join(clipped)}" if clipped else ""
