"""Results and criteria to findings, design sufficiency, caveats and verdict."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.caveats import raised_caveats
from validator.assessment.clauses import clause_index
from validator.assessment.design import design_findings
from validator.assessment.guidance_findings import guidance_findings
from validator.assessment.judging import Limit
from validator.assessment.own_criteria import own_findings
from validator.assessment.reach import reach
from validator.assessment.verdict import Grounds, held_back, verdict_of_study, verdict_on
from validator.characteristics.order import CHARACTERISTICS
from validator.evaluation import evaluate
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.results import (
    AnalyteVerdict,
    Assessment,
    Caveat,
    DesignFinding,
    Finding,
    Results,
)
from validator.evaluation.rows import Cell
from validator.study.censored import censored, with_numbers, without_exclusions

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from validator.evaluation.results import Finding
    from validator.guidance import Profile
    from validator.study import Study


def with_censored(
    study: Study, findings: Sequence[Finding], judge: Callable[[Study], Sequence[Finding]]
) -> tuple[Finding, ...]:
    """The *findings*, which have results below a limit at that limit, held against those that have them at 0.

    Met or not met only where both agree; a standard deviation is not assessed.
    """
    runs = list(censored(study))
    if not runs:
        return tuple(findings)
    others = dict(_keyed(judge(with_numbers(study, "zero"))))
    return tuple(_combined(study, one, others.get(key)) for key, one in _keyed(findings))


def _combined(study: Study, finding: Finding, other: Finding | None) -> Finding:
    deviation_in = CHARACTERISTICS[finding.characteristic].deviation_in
    if deviation_in:
        n = sum(
            _is_of(run.analyte, finding.analyte)
            and (finding.level is None or getattr(run, "level", None) == finding.level)
            for block in deviation_in
            for _, run in censored(study, block)
        )
        if n:
            return replace(
                finding,
                outcome="not assessed",
                observed=None,
                interval=None,
                margin=None,
                reason=f"{_results(n)} reported as less than a limit; a standard deviation is not assessed",
                needs="measured values",
                further=None,
                further_likely=None,
            )
    settled = ("inconclusive", "not assessed")
    if other is None or other.outcome == finding.outcome or finding.outcome in settled:
        return finding
    limit = Limit(finding.lower, finding.upper)
    if finding.outcome == "does not meet" and other.observed is not None and not limit.holds(other.observed):
        return finding  # without an interval where all results are 0
    at_zero = "no result" if other.observed is None else f"{other.observed:.4g}"
    at_bound = "no result" if finding.observed is None else f"{finding.observed:.4g}"
    return replace(
        finding,
        outcome="inconclusive",
        reason="results are reported as less than a limit, and the outcome depends on their values: "
        f"{at_zero} with 0 in their place, {at_bound} with their limits",
        needs="measured values in place of the results reported as less than a limit",
    )


def _is_of(analyte: str | None, other: str | None) -> bool:
    return analyte is None or other is None or analyte == other


def _results(n: int) -> str:
    return "1 result is" if n == 1 else f"{n} results are"


def _keyed(findings: Sequence[Finding]) -> Iterator[tuple[tuple[object, ...], Finding]]:
    seen: Counter[tuple[object, ...]] = Counter()
    for one in findings:
        level = None if one.level is None else round(one.level, 9)
        key = (one.characteristic, one.analyte, one.configuration, level, one.what, one.criterion, one.source)
        seen[key] += 1
        yield (*key, seen[key]), one


MOST_NAMED = 3
"""Placeholders that the reason names; ``check`` lists all of them."""


def assess(study: Study, results: Results) -> Results:
    """The *results* with their assessment added.

    Raises:
        GuidanceError: the study names a guidance profile that is unknown or malformed.
    """
    return assess_against(study, results, profiles_of(study))


def assess_against(
    study: Study, results: Results, profiles: Sequence[Profile], *, alternatives: bool = True
) -> Results:
    """As ``assess``, against *profiles* read beforehand, for whoever judges many studies.

    With *alternatives* results below a limit are tried at 0 too, and exclusions are tried both ways.
    """

    def judge(other: Study) -> tuple[Finding, ...]:
        return _findings(other, evaluate(other.with_shortest_simulation()), profiles)

    findings = _findings(study, results, profiles)
    if alternatives:
        findings = with_censored(study, findings, judge)
    plain = with_numbers(study, "bound")
    design = design_findings(plain, profiles)
    other = without_exclusions(study)
    restored = None if other is None else (other, evaluate(other))
    caveats = raised_caveats(plain, results, profiles, findings, design, restored)
    findings = held_back(findings, caveats)
    verdicts = {
        analyte: verdict_on(_grounds(study, results, analyte, findings, design, caveats))
        for analyte in study.analyte_ids
    }
    if study.left_open:
        verdicts = {analyte: _draft(study, one) for analyte, one in verdicts.items()}
    word, reason, settles = verdict_of_study(verdicts, {one.id: one.name for one in study.method.analytes})
    again = assess_against(*restored, profiles).assessment if restored and alternatives else None
    assessment = Assessment(
        verdict=word,
        reason=reason,
        settles=settles,
        draft=bool(study.left_open),
        purpose=study.study.purpose,
        analytes=verdicts,
        without_exclusions=None if again is None else again.verdict,
        clauses=clause_index(study, results, profiles, findings, design),
        findings=findings,
        design=design,
        caveats=caveats,
    )
    return replace(results, assessment=assessment)


def _findings(study: Study, results: Results, profiles: Sequence[Profile]) -> tuple[Finding, ...]:
    return own_findings(study, results) + guidance_findings(study, results, profiles)


def _draft(study: Study, verdict: AnalyteVerdict) -> AnalyteVerdict:
    """No verdict, because fields of the study are still placeholders."""
    fields = [one.field for one in study.left_open]
    named = ", ".join(fields[:MOST_NAMED]) + (", …" if len(fields) > MOST_NAMED else "")
    return AnalyteVerdict(
        verdict="not assessed",
        reason=f"Fields of the study are still placeholders ({len(fields)}): {named}.",
        settles="Replace the placeholders by what was done.",
        range=verdict.range,
    )


def _grounds(
    study: Study,
    results: Results,
    analyte: str,
    findings: Sequence[Finding],
    design: Sequence[DesignFinding],
    caveats: Sequence[Caveat],
) -> Grounds:
    """What speaks of the *analyte* in the configuration that is validated."""
    cell = Cell(analyte, study.validated_configuration)
    own = [one for one in findings if one.analyte == analyte]
    return Grounds(
        study=study,
        analyte=analyte,
        findings=own,
        design=[one for one in design if one.analyte in (None, analyte)],
        caveats=[
            one
            for one in caveats
            if one.analyte in (None, analyte) and one.configuration in (None, cell.configuration)
        ],
        reach=reach(study, results, cell, own),
    )
