r"""Estimates with their intervals from a one-way layout, balanced or not.

Unbalanced layouts enter with the mean square of the unweighted group means and the harmonic mean n_h of
the group sizes: that pair is independent whatever the sizes, and for balanced layouts it is MS_B and n.

References:
    R.K. Burdick, F.A. Graybill, Confidence Intervals on Variance Components (1992), ch. 4 (from memory;
    coverage is checked by simulation in the tests).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from validator.errors import NotEstimable
from validator.statistics.distributions import standard_deviation_interval, student
from validator.statistics.interval import Estimate, Interval
from validator.statistics.precision_intervals import (
    MeanSquareTerm,
    between_component_interval,
    holding,
    modified_large_sample_interval,
    satterthwaite_degrees_of_freedom,
    satterthwaite_interval,
)

if TYPE_CHECKING:
    from validator.statistics.variance_components import OneWayLayout


def mean_over_groups(layout: OneWayLayout, level: float) -> Estimate:
    """Arithmetic mean with u² = Σ(n_i/N)²·s²(ȳ_i): MS_B/N when balanced, on the safe side when not."""
    share = layout.counts / layout.n
    u = math.sqrt(float(np.dot(share, share)) * layout.variance_of_means)
    return student(layout.mean, u, layout.df_between, level, "Student t over groups")


def total_terms(layout: OneWayLayout) -> tuple[MeanSquareTerm, MeanSquareTerm]:
    """The sum of both components as mean squares: S_m²/n_h + (1 - 1/n_h)·MS_W.

    Raises:
        NotEstimable: no group holds two readings.
    """
    if layout.ms_within is None:
        raise NotEstimable("every group has a single reading", "groups with at least 2 readings")
    n_h = layout.harmonic_mean
    return (
        MeanSquareTerm(
            coefficient=1 / n_h,
            mean_square=n_h * layout.variance_of_means,
            degrees_of_freedom=layout.df_between,
        ),
        MeanSquareTerm(
            coefficient=1 - 1 / n_h, mean_square=layout.ms_within, degrees_of_freedom=layout.df_within
        ),
    )


def repeatability_estimate(layout: OneWayLayout, variance: float, level: float) -> Estimate:
    """The root of a within-group *variance* with the chi-squared interval of MS_W."""
    _, within = total_terms(layout)
    s, nu = math.sqrt(variance), layout.df_within
    return Estimate(
        value=s,
        standard_error=s / math.sqrt(2 * nu),
        interval=holding(s, standard_deviation_interval(math.sqrt(within.mean_square), nu, level)),
        degrees_of_freedom=nu,
    )


def between_estimate(layout: OneWayLayout, variance: float, level: float) -> Estimate:
    """The root of a between-group *variance* with its modified large-sample interval."""
    means, within = total_terms(layout)
    s = math.sqrt(variance)
    interval = between_component_interval(
        ms_between=means.mean_square,
        ms_within=within.mean_square,
        nu_between=means.degrees_of_freedom,
        nu_within=within.degrees_of_freedom,
        readings_per_group=1 / means.coefficient,
        level=level,
    )
    return Estimate(value=s, interval=holding(s, interval))


def total_estimate(layout: OneWayLayout, variance: float, level: float) -> tuple[Estimate, Interval]:
    """The root of the total *variance* with its modified large-sample interval; beside it Satterthwaite's."""
    terms = total_terms(layout)
    s, nu = math.sqrt(variance), satterthwaite_degrees_of_freedom(terms)
    estimate = Estimate(
        value=s,
        standard_error=s / math.sqrt(2 * nu),
        interval=holding(s, modified_large_sample_interval(terms, level)),
        degrees_of_freedom=nu,
    )
    return estimate, holding(s, satterthwaite_interval(terms, level))
