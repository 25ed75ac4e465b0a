"""The uncertainty budget: sensitivities, contributions, their combination, ν and coverage factor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from msgspec import Struct, structs

from validator.errors import NotEstimable
from validator.statistics.distributions import t_two_sided
from validator.statistics.input_quantity import (
    Distribution,
    Evaluation,
    Kind,
    checked_correlation,
    to_standard_uncertainty,
)
from validator.statistics.interval import Interval
from validator.statistics.measurement_model import normal_form
from validator.statistics.sample import Vector, effective_degrees_of_freedom

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from validator.statistics.input_quantity import InputQuantity
    from validator.statistics.measurement_model import FloatArray, MeasurementModel


class BudgetRow(Struct, frozen=True, kw_only=True):
    """One line of a budget.

    Attributes:
        name: what contributes.
        value: estimate of the input, or the figure that was stated; None where there is none.
        evaluation: "A" by statistics, "B" by other means.
        distribution: what the quantity is taken to follow.
        divisor: what the stated figure was divided by.
        standard_uncertainty: u of the input, in its own unit.
        sensitivity: c, change of the result for a change of the input by one.
        degrees_of_freedom: ν of u.
        share_percent: part of the variance of the result, set by :func:`combine`; correlated inputs share
            their covariance, so that a part may be negative and all parts still add up to 100.
        source: where the figure comes from.
    """

    name: str
    standard_uncertainty: float
    value: float | None = None
    evaluation: Evaluation = "B"
    distribution: Distribution = "normal"
    divisor: float = 1.0
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf
    share_percent: float | None = None
    source: str = ""

    @property
    def contribution(self) -> float:
        """|c|·u, in the unit of the result."""
        return abs(self.sensitivity) * self.standard_uncertainty


class UncertaintyBudget(Struct, frozen=True, kw_only=True):
    """A combined uncertainty and what it is made of.

    Attributes:
        value: the result, or None where the budget is for a method rather than for one result.
        standard_uncertainty: u_c.
        degrees_of_freedom: effective ν.
        coverage_factor: k.
        expanded_uncertainty: U = k·u_c.
        level: level of confidence that k stands for; None where k was fixed beforehand.
        interval: value ± U; None without a value or level.
        rows: the contributions, in the order given, each with its share.
        relative: uncertainties are in percent of the result, else in its unit.
        method: how it was combined, in a few words.
    """

    value: float | None
    standard_uncertainty: float
    degrees_of_freedom: float
    coverage_factor: float
    expanded_uncertainty: float
    level: float | None
    interval: Interval | None
    rows: tuple[BudgetRow, ...]
    relative: bool
    method: str

    @property
    def relative_standard_uncertainty_percent(self) -> float | None:
        """100·u_c/|value|; u_c itself where it is relative already, None where the value is 0 or absent."""
        if self.relative:
            return self.standard_uncertainty
        return 100 * self.standard_uncertainty / abs(self.value) if self.value else None


class Component(Struct, frozen=True, kw_only=True):
    """A contribution as it is stated in a study.

    Attributes:
        name: what contributes.
        stated: standard or expanded uncertainty, or half-width of a tolerance.
        kind: which of these it is.
        k: coverage factor of an expanded uncertainty.
        distribution: of a tolerance, rectangular unless named.
        coverage: share of the values within a tolerance with a normal distribution.
        relative: *stated* is in percent of the quantity, else in the unit of the quantity.
        sensitivity: c, change of the result for a change of the quantity by one; for a relative component
            the exponent with which the quantity enters the result.
        degrees_of_freedom: ν of the standard uncertainty.
        evaluation: "A" by statistics, "B" by other means.
        source: where the figure comes from.
    """

    name: str
    stated: float
    kind: Kind = "standard"
    k: float | None = None
    distribution: Distribution | None = None
    coverage: float = 0.95
    relative: bool = False
    sensitivity: float = 1.0
    degrees_of_freedom: float = math.inf
    evaluation: Evaluation = "B"
    source: str = ""


def component_rows(
    components: Sequence[Component], *, at: float | None = None, relative: bool = False
) -> tuple[BudgetRow, ...]:
    """Stated contributions as rows of a budget in the unit of the result, or in percent of it.

    A component that is stated the other way round is turned at the level *at*: percent × |at|/100 into the
    unit, unit × 100/|at| into percent.

    Args:
        components: what is stated.
        at: level of the result.
        relative: rows in percent of the result.

    Raises:
        NotEstimable: a component has to be turned and there is no level, or the level is 0.
        ValueError: a figure that cannot be converted.
    """
    return tuple(_row(component, at, relative) for component in components)


def _row(component: Component, at: float | None, relative: bool) -> BudgetRow:
    conversion = to_standard_uncertainty(
        component.stated,
        component.kind,
        k=component.k,
        distribution=component.distribution,
        coverage=component.coverage,
    )
    factor = 1.0
    if component.relative != relative:
        if not at:
            raise NotEstimable(
                f"'{component.name}' is {'relative' if component.relative else 'absolute'} and the budget is "
                f"{'relative' if relative else 'absolute'}",
                "a non-zero level of the result for conversion",
            )
        factor = abs(at) / 100 if component.relative else 100 / abs(at)
    return BudgetRow(
        name=component.name,
        value=component.stated,
        evaluation=component.evaluation,
        distribution=conversion.distribution,
        divisor=conversion.divisor,
        standard_uncertainty=conversion.standard_uncertainty,
        sensitivity=component.sensitivity * factor,
        degrees_of_freedom=component.degrees_of_freedom,
        source=component.source,
    )


def combine(
    rows: Sequence[BudgetRow],
    *,
    value: float | None = None,
    correlation: ArrayLike | None = None,
    level: float = 0.95,
    coverage_factor: float | None = None,
    relative: bool = False,
    method: str = "root sum of squares",
) -> UncertaintyBudget:
    r"""Combine contributions.

    .. math:: u_c^2 = \sum_i\sum_j c_i u_i\, r_{ij}\, c_j u_j, \qquad
        \nu = \frac{u_c^4}{\sum_g v_g^2/\nu_g}, \qquad U = k\,u_c,\; k = t_{(1+p)/2}(\nu)

    Inputs that are correlated with each other enter ν as one term g with their joint variance v_g: a linear
    combination of quantities read together n times has n − 1 degrees of freedom whatever the correlation.
    Where the ν of such inputs differ, the smallest is taken.

    Args:
        rows: contributions; their shares are set anew.
        value: the result.
        correlation: (rows, rows) correlations of the inputs, none by default.
        level: level of confidence p, used where k is not fixed.
        coverage_factor: fixed k, such as 2.
        relative: uncertainties are in percent of the result.
        method: said in the result.

    Raises:
        NotEstimable: all contributions are zero.
        ValueError: a correlation matrix that does not fit, a coverage factor that is not positive.

    References:
        JCGM 100:2008, 5.1.2 equation (10), 5.2.2 equation (16), G.4.1 equation (G.2b), 6.2.1 and G.6.4.
    """
    if coverage_factor is not None and coverage_factor <= 0:
        message = "a coverage factor is positive"
        raise ValueError(message)
    signed = np.array([row.sensitivity * row.standard_uncertainty for row in rows])
    scale = float(np.abs(signed).max()) if len(rows) else 0.0
    if scale == 0:
        raise NotEstimable(
            "all contributions are zero", "at least one contribution that changes the result in first order"
        )
    r = checked_correlation(correlation, len(rows))
    c = signed / scale
    parts = c * (r @ c)
    total = float(parts.sum())
    if total <= 16 * len(rows) ** 2 * float(np.finfo(np.float64).eps):
        raise NotEstimable("the correlated contributions cancel out", "correlations below 1 in magnitude")
    u = scale * math.sqrt(total)
    nu = effective_degrees_of_freedom(_independent_terms(rows, c, r))
    k = t_two_sided(level, nu) if coverage_factor is None else coverage_factor
    confidence = level if coverage_factor is None else None
    return UncertaintyBudget(
        value=value,
        standard_uncertainty=u,
        degrees_of_freedom=nu,
        coverage_factor=k,
        expanded_uncertainty=k * u,
        level=confidence,
        interval=_interval(value, k * u, confidence, relative),
        rows=tuple(
            structs.replace(row, share_percent=100 * float(part) / total)
            for row, part in zip(rows, parts, strict=True)
        ),
        relative=relative,
        method=method,
    )


def _interval(value: float | None, expanded: float, level: float | None, relative: bool) -> Interval | None:
    if value is None or level is None:
        return None
    half_width = expanded * abs(value) / 100 if relative else expanded
    return Interval(value - half_width, value + half_width, level, "Student t, Welch–Satterthwaite")


def _independent_terms(rows: Sequence[BudgetRow], c: Vector, r: Vector) -> list[tuple[float, float]]:
    """(joint variance, ν) of each set of inputs that are correlated with one another."""
    terms = []
    left = list(range(len(rows)))
    while left:
        members, frontier = [], [left[0]]
        while frontier:
            i = frontier.pop()
            members.append(i)
            left.remove(i)
            frontier += [j for j in left if r[i, j] != 0 and j not in frontier]
        own = c[members]
        variance = float(own @ r[np.ix_(members, members)] @ own)
        terms.append((variance, min(rows[i].degrees_of_freedom for i in members)))
    return terms


def propagate(
    model: MeasurementModel,
    quantities: Sequence[InputQuantity],
    *,
    correlation: ArrayLike | None = None,
    level: float = 0.95,
    coverage_factor: float | None = None,
) -> UncertaintyBudget:
    r"""Estimate, combined uncertainty and budget of a modelled result.

    .. math:: y = f(x), \qquad c_i = \partial f/\partial x_i, \qquad
        u_c^2(y) = \sum_i\sum_j c_i c_j\, r_{ij}\, u_i u_j

    Args:
        model: f.
        quantities: one for each name in the model.
        correlation: (quantities, quantities) in the order of *quantities*; uncorrelated by default.
        level: level of confidence of U where k is not fixed.
        coverage_factor: fixed k.

    Raises:
        NotEstimable: the model or a slope is no finite number at the estimates, or no input moves the result
            in first order.
        ValueError: quantities that do not match the names in the model, or are given twice.

    References:
        JCGM 100:2008, 5.1 and 5.2.
    """
    value, gradient = _gradient(model, quantities)
    rows = [
        BudgetRow(
            name=quantity.name,
            value=quantity.value,
            evaluation=quantity.evaluation,
            distribution=quantity.distribution,
            divisor=quantity.divisor,
            standard_uncertainty=quantity.standard_uncertainty,
            sensitivity=float(slope),
            degrees_of_freedom=quantity.degrees_of_freedom,
        )
        for quantity, slope in zip(quantities, gradient, strict=True)
    ]
    return combine(
        rows,
        value=value,
        correlation=correlation,
        level=level,
        coverage_factor=coverage_factor,
        method="law of propagation of uncertainty, first order",
    )


def _gradient(model: MeasurementModel, quantities: Sequence[InputQuantity]) -> tuple[float, FloatArray]:
    """Value of the model and its slopes in the order of *quantities*."""
    values = {quantity.name: quantity.value for quantity in quantities}
    if len(values) < len(quantities):
        message = "a quantity is given twice"
        raise ValueError(message)
    value, gradient = model.value_and_gradient(values)
    return value, gradient[[model.names.index(normal_form(name)) for name in values]]
