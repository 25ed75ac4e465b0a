"""Caveats on the study as a whole: many tests, traceability, digits, files."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING

from scipy import special

from validator import numbers
from validator.assessment.asked import is_limited, not_set
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.evaluation.results import Record
from validator.evaluation.rows import kept

if TYPE_CHECKING:
    from collections.abc import Iterator

MANY = 10
"""Tests of significance from which a chance finding is to be expected (customary)."""
FEW_CHANGES = 5
"""So many changed declarations are named in the caveat; all of them stand in the comparison with the plan."""
_BESIDE = ("with_excluded", "alternative_quadratic", "equivalence", "analysis_of_variance")
"""Parts of the results that repeat others for comparison, or where a small p is nothing against a method."""


def many_tests(subject: Subject) -> Trigger:
    """Many tests, and no more of them significant than chance alone may give."""
    if subject.cell.analyte != subject.study.analyte_ids[0]:
        return
    alpha = subject.choices.alpha
    found = [
        p
        for one in subject.results.analytes.values()
        for record in one.configurations.values()
        for p in _tests_of(record)
    ]
    significant = sum(p < alpha for p in found)
    if len(found) <= MANY or not significant or _chance(significant, len(found), alpha) < alpha:
        return
    yield Raised(
        id="many_tests",
        case="many",
        values={
            "tests": numbers.count(len(found)),
            "alpha": numbers.as_given(100 * alpha),
            "significant": f"{numbers.count(significant)} {'is' if significant == 1 else 'are'}",
            "expected": numbers.significant(len(found) * alpha, 2),
        },
        whole_study=True,
    )


def _tests_of(record: Record) -> Iterator[float]:
    """Probabilities of the tests in a record, however deep."""
    for name in record.__struct_fields__:
        value = getattr(record, name)
        if name in ("p", "p_bias") and isinstance(value, float):
            yield value
        if name in _BESIDE:
            continue
        for one in value if isinstance(value, tuple) else (value,):
            if isinstance(one, Record):
                yield from _tests_of(one)


def _chance(found: int, tests: int, alpha: float) -> float:
    """Probability that at least *found* of *tests* independent tests are significant by chance."""
    return float(special.bdtrc(found - 1, tests, alpha))


def data_not_traceable(subject: Subject) -> Trigger:
    """The study names no version, dates, people or procedure."""
    identity, method = subject.study.study, subject.study.method
    named = {
        "an identifier": identity.id,
        "a version": identity.version,
        "the period of the work": identity.period,
        "the people": identity.people,
        "the written procedure": method.procedure,
    }
    missing = [name for name, value in named.items() if not value]
    if missing:
        yield Raised(
            id="data_not_traceable", case="missing", values={"missing": ", ".join(missing)}, whole_study=True
        )


def plan_departed(subject: Subject) -> Trigger:
    """What was declared or done otherwise than the recorded plan says; or a plan without a record."""
    plan = subject.results.plan
    if plan is None or subject.cell.analyte != subject.study.analyte_ids[0]:
        return
    declared = [one for one in plan.differences if one.what == "declaration"]
    done = len(plan.differences) - len(declared)
    if declared:
        shown = [f"{one.subject}: {one.planned or 'absent'}, now {one.done or 'absent'}" for one in declared]
        yield Raised(
            id="plan_departed",
            case="declarations",
            values={"changes": "; ".join(shown[:FEW_CHANGES]) + (", …" if len(shown) > FEW_CHANGES else "")},
            whole_study=True,
        )
    if done:
        counts = numbers.counted(done, "planned count differs", "planned counts differ")
        yield Raised(id="plan_departed", case="runs", values={"counts": counts}, whole_study=True)
    if not plan.recorded:
        yield Raised(id="plan_departed", case="not_recorded", values={}, whole_study=True)


def false_digits(subject: Subject) -> Trigger:
    """A certified value is written to more places than its uncertainty supports."""
    for run in kept(subject.runs("recovery")):
        value, uncertainty = getattr(run, "reference", None), getattr(run, "reference_uncertainty", None)
        if isinstance(value, float) and isinstance(uncertainty, float) and _is_finer(value, uncertainty):
            yield Raised(
                id="false_digits",
                case="declared_value",
                values={
                    "value": subject.level(value),
                    "uncertainty": subject.unit(uncertainty, 2),
                    "field": "recovery, reference",
                },
            )
            return


def _is_finer(value: float, uncertainty: float) -> bool:
    """True when *value* has a digit below the second significant digit of *uncertainty*."""
    if uncertainty <= 0:
        return False
    last = Decimal(repr(uncertainty)).adjusted() - 1
    exponent = Decimal(repr(value)).normalize().as_tuple().exponent
    return isinstance(exponent, int) and exponent < last


def guidance_no_longer_current(subject: Subject) -> Trigger:
    """A chosen document was superseded, or was no longer valid when the work ended."""
    period = subject.study.study.period
    for profile in subject.profiles:
        if profile.superseded_by is not None:
            yield Raised(
                id="guidance_no_longer_current",
                case="superseded",
                values={"document": profile.name, "successor": profile.superseded_by},
                whole_study=True,
            )
        if profile.valid_until is not None and period is not None and period.end > profile.valid_until:
            yield Raised(
                id="guidance_no_longer_current",
                case="expired",
                values={
                    "document": profile.name,
                    "valid": profile.valid_until.isoformat(),
                    "end": period.end.isoformat(),
                },
                whole_study=True,
            )


def file_read_with_doubt(subject: Subject) -> Trigger:
    """A file left open how to read it, or lacks values that it seems to hold."""
    if subject.cell.analyte != subject.study.analyte_ids[0]:
        return
    for file in subject.study.inputs:
        for remark in file.remarks:
            if remark.is_certain:
                continue
            yield Raised(
                id="file_read_with_doubt",
                case="values_missing" if remark.values_missing else "taken",
                values={"file": file.path, "remark": remark.text},
                whole_study=True,
            )


_NAMES = ("repeatability", "recovery", "quantification_limit")


def acceptance_limits_not_set(subject: Subject) -> Trigger:
    """A characteristic was measured and nothing limits it."""
    measured = [name for name in _NAMES if _is_measured(subject, name)]
    open_ones = [name for name in measured if not is_limited(name, subject.cell.analyte, subject.findings)]
    left_to_user = {
        one.rule.characteristic: one.rule.cite().text
        for profile in reversed(subject.profiles)
        for one in reversed(not_set(subject.study, profile, subject.findings, (subject.cell.analyte,)))
    }
    for name in open_ones:
        if name in left_to_user:
            yield Raised(
                id="acceptance_limits_not_set_beforehand",
                case="missing",
                values={"characteristic": name.replace("_", " "), "document": left_to_user[name]},
                characteristic=name,
            )
    silent = [name for name in open_ones if name not in left_to_user]
    if silent:
        yield Raised(
            id="acceptance_limits_not_set_beforehand",
            case="no_guidance",
            values={"characteristic": listed([name.replace("_", " ") for name in silent])},
            characteristic=silent[0],
        )


def _is_measured(subject: Subject, characteristic: str) -> bool:
    match characteristic:
        case "repeatability":
            return any(record.n > 1 for record in subject.precision)
        case "recovery":
            return any(record.n > 0 for record in subject.recovery)
        case _:
            return subject.quantification_limit is not None


def conformity_without_decision_rule(subject: Subject) -> Trigger:
    """Criteria are judged and no decision rule is declared."""
    if subject.cell.analyte != subject.study.analyte_ids[0]:
        return
    criteria = {
        (one.characteristic, one.criterion, one.source) for one in subject.all_findings if one.decides
    }
    if criteria and not subject.study.analysis.declared("decision_rule"):
        yield Raised(
            id="conformity_without_decision_rule",
            case="no_rule",
            values={
                "criteria": numbers.counted(len(criteria), "criterion is", "criteria are"),
                "rule": subject.study.analysis.decision_rule,
            },
            whole_study=True,
        )


TRIGGERS = (
    many_tests,
    data_not_traceable,
    plan_departed,
    false_digits,
    guidance_no_longer_current,
    file_read_with_doubt,
    acceptance_limits_not_set,
    conformity_without_decision_rule,
)
