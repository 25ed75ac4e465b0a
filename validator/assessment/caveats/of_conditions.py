"""Caveats on interference, robustness, stability, carry-over, and on the study as a whole."""

from __future__ import annotations

from validator.assessment.caveats.raising import Raised, Subject, Trigger
from validator.dossier import numbers
from validator.evaluation.results import InterferenceRecord, NotAssessed
from validator.evaluation.rows import kept
from validator.evaluation.selectivity import interference_limit

FEW_TESTS = 10


def _interference(subject: Subject) -> tuple[InterferenceRecord, ...]:
    found = subject.record.interference
    return () if isinstance(found, NotAssessed) else found


def interference_test_cannot_decide(subject: Subject) -> Trigger:
    """The interval of the change is wider than the tolerance, or too few results."""
    limit = interference_limit(subject.study, subject.cell)
    records = _interference(subject)
    few = [record for record in records if record.n < 3]
    if few:
        yield Raised(
            id="interference_test_cannot_decide",
            case="few_replicates",
            values={
                "interferent": ", ".join(dict.fromkeys(record.interferent for record in few)),
                "n": numbers.count(min(record.n for record in few)),
            },
        )
    for record in records:
        if record.ci is None or record.ci[0] is None or record.ci[1] is None:
            continue
        half = (record.ci[1] - record.ci[0]) / 2
        if half > limit:
            yield Raised(
                id="interference_test_cannot_decide",
                case="scatter",
                values={
                    "interferent": record.interferent,
                    "width": numbers.significant(half, 2),
                    "tolerance": numbers.as_given(limit),
                },
            )
            break
    by_name: dict[str, set[float | None]] = {}
    for record in records:
        by_name.setdefault(record.interferent, set()).add(record.ratio or record.interferent_level)
    single = [name for name, amounts in by_name.items() if len(amounts) == 1]
    if single:
        yield Raised(
            id="interference_test_cannot_decide",
            case="one_ratio",
            values={"interferent": ", ".join(single)},
        )


def robustness_missing(subject: Subject) -> Trigger:
    """A characteristic that chosen guidance asks for, without data."""
    asked = any(
        "robustness" in {one.value for one in profile.characteristics()} for profile in subject.profiles
    )
    factors = getattr(subject.study.robustness, "factors", ())
    if asked and not subject.runs("robustness"):
        yield Raised(id="robustness_missing_or_narrow", case="missing", whole_study=True)
    elif 0 < len(factors) < 3:
        yield Raised(
            id="robustness_missing_or_narrow",
            case="few_factors",
            values={"factors": numbers.count(len(factors))},
            whole_study=True,
        )


def stability_from_few_points(subject: Subject) -> Trigger:
    """Fewer than three points in time."""
    by_condition: dict[str, set[float]] = {}
    for run in kept(subject.runs("stability")):
        by_condition.setdefault(str(getattr(run, "condition", "")), set()).add(getattr(run, "time", 0.0))
    fewest = min((len(times) for times in by_condition.values()), default=3)
    if fewest < 3:
        yield Raised(
            id="stability_claim_beyond_test", case="few_points", values={"points": numbers.count(fewest)}
        )


def many_tests(subject: Subject) -> Trigger:
    """More than ten tests of significance without adjustment, over the whole study."""
    if subject.cell.analyte != subject.study.analyte_ids[0]:
        return
    count = sum(
        _tests_of(record)
        for one in subject.results.analytes.values()
        for record in one.configurations.values()
    )
    if count > FEW_TESTS:
        alpha = subject.choices.alpha
        yield Raised(
            id="many_tests",
            case="many",
            values={
                "tests": numbers.count(count),
                "alpha": numbers.as_given(100 * alpha),
                "expected": numbers.significant(count * alpha, 2),
            },
            whole_study=True,
        )


def _tests_of(record: object) -> int:
    """Tests with a p in a record, however deep."""
    count = 0
    fields = getattr(type(record), "model_fields", {})
    for name in fields:
        value = getattr(record, name)
        if name in ("p", "p_bias") and isinstance(value, float):
            count += 1
        for one in value if isinstance(value, tuple) else (value,):
            if hasattr(type(one), "model_fields"):
                count += _tests_of(one)
    return count


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


def conformity_without_decision_rule(subject: Subject) -> Trigger:
    """Criteria are judged and no decision rule is declared."""
    if subject.study.criteria and not subject.study.analysis.declared("decision_rule"):
        yield Raised(
            id="conformity_without_decision_rule",
            case="no_rule",
            values={
                "criteria": numbers.count(len(subject.study.criteria)),
                "rule": subject.study.analysis.decision_rule,
            },
            whole_study=True,
        )


TRIGGERS = (
    interference_test_cannot_decide,
    robustness_missing,
    stability_from_few_points,
    many_tests,
    data_not_traceable,
    conformity_without_decision_rule,
)
