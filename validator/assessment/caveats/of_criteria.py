"""Caveats on limits that were not fixed beforehand, and on the rule by which they decide."""

from __future__ import annotations

from validator import numbers
from validator.assessment.asked import is_limited, not_set
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed

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


TRIGGERS = (acceptance_limits_not_set, conformity_without_decision_rule)
