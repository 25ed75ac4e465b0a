"""What the uncertainty means for results that are held against a legal limit or a specification."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Literal

from msgspec import Struct
from msgspec.structs import replace

from validator.evaluation.convert import attempt, finite
from validator.evaluation.results import (
    ConformityRecord,
    GlobalRiskRecord,
    ResultConformity,
)
from validator.statistics.conformity import (
    AcceptanceLimits,
    acceptance_limits,
    conformance_probability,
    decide,
    guard_band,
)
from validator.statistics.conformity_risks import global_risks

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from validator.statistics.uncertainty_budget import UncertaintyBudget
    from validator.study.models.method import Analyte
    from validator.study.models.uncertainty import Conformity

Doubt = tuple[float, float]
"""Standard uncertainty and its degrees of freedom."""


class Tolerance(Struct, frozen=True):
    """Limits that a result must keep; infinite on an open side."""

    name: Literal["legal limit", "specification"]
    lower: float
    upper: float

    @property
    def ends(self) -> tuple[float, ...]:
        """The limits that there are."""
        return tuple(end for end in (self.lower, self.upper) if math.isfinite(end))


def tolerances(analyte: Analyte) -> Iterator[Tolerance]:
    """The limits that results of the analyte are held against."""
    if analyte.legal_limit is not None:
        yield Tolerance("legal limit", -math.inf, analyte.legal_limit)
    specification = analyte.specification
    if specification is not None:
        lower = -math.inf if specification.lower is None else specification.lower
        upper = math.inf if specification.upper is None else specification.upper
        yield Tolerance("specification", lower, upper)


def conformity(
    analyte: Analyte,
    doubt_at: Callable[[float], Doubt | None],
    result: UncertaintyBudget | None,
    *,
    declared: Conformity | None,
    confidence: float,
    rule: Literal["simple", "guarded"],
) -> tuple[ConformityRecord, ...]:
    """One record for each kind of limit at which an uncertainty is known.

    Args:
        analyte: with its limits.
        doubt_at: standard uncertainty of a result at a level and its ν; None where it is not known.
        result: of the study's formula in the unit of the analyte; its uncertainty stands in where that at
            the limit is not known.
        declared: what the study says of risks and items.
        confidence: 1 − confidence is the largest risk where none is declared.
        rule: of decision.
    """
    max_risk = min(round(1 - confidence, 12), 0.5)
    if declared is not None and declared.max_risk is not None:
        max_risk = declared.max_risk
    found = []
    for tolerance in tolerances(analyte):
        doubts = [doubt for end in tolerance.ends if (doubt := doubt_at(end)) is not None]
        if not doubts and result is not None:
            doubts = [(result.standard_uncertainty, result.degrees_of_freedom)]
        if doubts:
            record = _record(tolerance, max(doubts), max_risk, declared)
            found.append(
                record
                if result is None or result.value is None
                else replace(record, result=_result(result, tolerance, max_risk, rule))
            )
    return tuple(found)


def _record(
    tolerance: Tolerance, doubt: Doubt, max_risk: float, declared: Conformity | None
) -> ConformityRecord:
    u, nu = doubt
    acceptance = attempt(
        lambda: acceptance_limits(
            u, lower=tolerance.lower, upper=tolerance.upper, max_risk=max_risk, degrees_of_freedom=nu
        )
    )
    one_sided = guard_band(u, max_risk=max_risk, degrees_of_freedom=nu)
    band = acceptance.guard_band if isinstance(acceptance, AcceptanceLimits) else None
    two_sided = len(tolerance.ends) == 2
    return ConformityRecord(
        limit=tolerance.name,
        lower=finite(tolerance.lower),
        upper=finite(tolerance.upper),
        standard_uncertainty=u,
        degrees_of_freedom=finite(nu),
        max_risk=max_risk,
        guard_factor=None if band is None else band / u,
        guard_band=band,
        acceptance=(finite(acceptance.lower), finite(acceptance.upper))
        if isinstance(acceptance, AcceptanceLimits)
        else acceptance,
        rejection_below=finite(tolerance.lower - one_sided),
        rejection_above=finite(tolerance.upper + one_sided),
        probability_at_limit=conformance_probability(
            tolerance.ends[-1], u, lower=tolerance.lower, upper=tolerance.upper, degrees_of_freedom=nu
        ),
        capability=(tolerance.upper - tolerance.lower) / (4 * u) if two_sided else None,
        global_risks=tuple(_global_risks(tolerance, u, band, declared)),
    )


def _global_risks(
    tolerance: Tolerance, u: float, band: float | None, declared: Conformity | None
) -> Iterator[GlobalRiskRecord]:
    if declared is None or declared.item_mean is None or declared.item_sd is None:
        return
    rules: list[tuple[Literal["simple", "guarded"], float | None]] = [("simple", 0.0), ("guarded", band)]
    for rule, width in rules:
        if width is None or not tolerance.lower + width < tolerance.upper - width:
            continue
        found = global_risks(
            mean=declared.item_mean,
            sd=declared.item_sd,
            standard_uncertainty=u,
            lower=tolerance.lower,
            upper=tolerance.upper,
            guard_band=width,
        )
        yield GlobalRiskRecord(
            rule=rule,
            consumers_risk=found.consumers_risk,
            producers_risk=found.producers_risk,
            conforming=found.conforming,
            accepted=found.accepted,
        )


def _result(
    result: UncertaintyBudget, tolerance: Tolerance, max_risk: float, rule: Literal["simple", "guarded"]
) -> ResultConformity:
    assert result.value is not None
    found = decide(
        result.value,
        result.standard_uncertainty,
        lower=tolerance.lower,
        upper=tolerance.upper,
        max_risk=max_risk,
        degrees_of_freedom=result.degrees_of_freedom,
        rule=rule,
    )
    return ResultConformity(
        value=result.value,
        outcome=found.outcome,
        rule=found.rule,
        conformance_probability=found.conformance_probability,
    )
