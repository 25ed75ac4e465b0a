"""Caveats on results that were left out."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Literal

from validator import numbers
from validator.assessment.caveats.raising import Raised, Subject, Trigger, listed
from validator.characteristics.order import ORDER
from validator.study.blocks import result_blocks

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.results import PrecisionRecord
    from validator.guidance import Practice
    from validator.study.models.runs import Run

MOST_LEFT_OUT = 2 / 9
"""Share that may be left out with cause in a collaborative study (AOAC, Appendix D; from memory)."""

_WORDS = """
cochran dixon grubbs hampel huber mandel student
test tests tested statistic statistics statistical statistically significant significance
outlier outliers outlying straggler stragglers alpha level percent critical
sigma sd rsd standard deviation deviations deviate deviates deviated deviating deviant
residual residuals mean median line fit fits fitting range limit limits interval confidence
value values result results reading readings replicate replicates point points datum data
signal signals peak area height absorbance current concentration recovery run
too very high higher highest low lower lowest far large larger small smaller extreme extremely bad
suspect suspected suspicious implausible unlikely obviously clearly probably outside beyond
removed rejected excluded discarded omitted dropped left out wrong strange odd
a an and as at be by did do does for from in is it its not of on or other others p q t g
rest seems than that the their this to was were when which with
"""
_STATISTICAL = frozenset(_WORDS.split())
"""Words of a cause that names nothing but a statistical judgement."""


def _about() -> Iterator[tuple[str, str]]:
    """Each data block with the characteristic that its excluded results weigh on, in the order of a study."""
    about = {block: one.name for one in ORDER for block in one.excluded_in}
    yield from ((name, about[name]) for name in result_blocks() if name in about)


def exclusion_without_cause(subject: Subject) -> Trigger:
    """Results left out for a statistical reason only, or too many of them."""
    for block, characteristic in _about():
        runs = subject.runs(block)
        left_out = [run for run in runs if run.excluded]
        if not left_out:
            continue
        total, count = _results(runs), _results(left_out)
        shares = {"block": block, "total": numbers.counted(total, "result")}
        by_grade: dict[str, list[Run]] = {}
        for run in left_out:
            if is_statistical(run.excluded or ""):
                by_grade.setdefault(_grade(subject, run), []).append(run)
        without = by_grade.get("none", [])
        forbidding = _forbidding(subject, characteristic)
        if without:
            yield Raised(
                id="exclusion_without_cause",
                case="no_cause" if forbidding is None else "forbidden",
                values={
                    **shares,
                    "excluded": numbers.count(_results(without)),
                    "cause": listed([f"'{run.excluded}'" for run in without]),
                    **({} if forbidding is None else {"document": forbidding.cite().text}),
                },
                characteristic=characteristic,
            )
        elif _is_collaborative(runs) and count > MOST_LEFT_OUT * total:
            yield Raised(
                id="exclusion_without_cause",
                case="many",
                values={**shares, "excluded": numbers.count(count)},
                characteristic=characteristic,
            )
        if by_grade.get("straggler"):
            yield Raised(
                id="exclusion_without_cause",
                case="straggler",
                values={
                    "laboratory": listed(
                        [str(getattr(run, "laboratory", "")) for run in by_grade["straggler"]]
                    )
                },
                characteristic="reproducibility",
            )


def _is_collaborative(runs: Sequence[Run]) -> bool:
    """True for results of several laboratories, of which the share that may be excluded is limited."""
    return len({getattr(run, "laboratory", None) for run in runs} - {None}) > 1


def _forbidding(subject: Subject, characteristic: str) -> Practice | None:
    """The rule of a chosen document that allows no exclusion by a statistical test."""
    rules = (rule for profile in subject.profiles for rule in profile.practices)
    return next((rule for rule in rules if characteristic in rule.no_statistical_exclusion), None)


def _results(runs: Sequence[Run]) -> int:
    return sum(len(getattr(run, "values", ())) or 1 for run in runs)


def is_statistical(cause: str) -> bool:
    """True when the cause names no technical reason, only that the result was unlike the others."""
    return not set(re.findall(r"[^\W\d_]+", cause.casefold())) - _STATISTICAL


def _grade(subject: Subject, run: Run) -> Literal["outlier", "straggler", "none"]:
    """What the outlier tests of an interlaboratory trial say of a laboratory that was left out.

    There a statistical outlier may be discarded, a straggler may not (ISO 5725-2:1994, 7.3.2 and 7.3.3; from
    memory). Within one laboratory a test alone is never a cause.
    """
    laboratory = getattr(run, "laboratory", None)
    record = _record_of(subject, run)
    if laboratory is None or record is None or record.with_excluded is None:
        return "none"
    grades = {
        test.grade
        for test in record.with_excluded.outlier_tests
        if test.flagged and laboratory in (test.suspect_group or "").split(", ")
    }
    return "outlier" if "outlier" in grades else "straggler" if "straggler" in grades else "none"


def _record_of(subject: Subject, run: Run) -> PrecisionRecord | None:
    level = getattr(run, "level", None)
    return next(
        (one for one in subject.precision if one.factor == "laboratory" and one.level == level),
        None,
    )


TRIGGERS = (exclusion_without_cause,)
