"""What the findings would be with 0 in the place of results below a limit."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from msgspec.structs import replace

from validator.assessment.judging import Limit
from validator.characteristics.order import CHARACTERISTICS
from validator.study.censored import censored, with_numbers

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from validator.evaluation.results import Finding
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
        reason=(
            "results are reported as less than a limit, and the outcome depends on their values: "
            f"{at_zero} with 0 in their place, {at_bound} with their limits"
        ),
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
