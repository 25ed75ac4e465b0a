"""Statistics' results to records of the results file: the one place where "no" becomes "not assessed"."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, TypeVar

from validator.errors import NotEstimable
from validator.evaluation.results import (
    Equivalence,
    EstimateRecord,
    FTest,
    NotAssessed,
    TestRecord,
    TTest,
)
from validator.statistics.interval import estimate_record, probability

if TYPE_CHECKING:
    from collections.abc import Callable

    from validator.statistics.equivalence import Equivalence as EquivalenceTests
    from validator.statistics.interval import Estimate, SignificanceTest

T = TypeVar("T")


def figure_record(figure: Estimate | NotEstimable) -> EstimateRecord | NotAssessed:
    """A figure that may say no."""
    return not_assessed(figure) if isinstance(figure, NotEstimable) else estimate_record(figure)


def not_assessed(refusal: NotEstimable) -> NotAssessed:
    """A statistic's refusal as the record of it."""
    return NotAssessed(not_assessed=refusal.reason, needs=refusal.needs)


def attempt(compute: Callable[[], T]) -> T | NotAssessed:
    """What *compute* yields, or the record of its refusal."""
    try:
        return compute()
    except NotEstimable as refusal:
        return not_assessed(refusal)


def test_record(test: SignificanceTest) -> TestRecord:
    """A test with all it carries."""
    return TestRecord(
        statistic=test.statistic,
        df=test.df or None,
        p=test.p,
        critical=test.critical,
        critical_level=test.critical_level,
    )


def equivalence_record(found: EquivalenceTests | None, *, shift: float = 0.0) -> Equivalence | None:
    """Two one-sided tests as a record; *shift* moves the bounds to the scale they were stated on."""
    if found is None:
        return None
    return Equivalence(lower=found.lower + shift, upper=found.upper + shift, passes=found.passes, p=found.p)


def f_test(test: SignificanceTest) -> FTest:
    """An F test as {f, df, p}.

    Raises:
        NotEstimable: the statistic is infinite, for want of any scatter to test against.
    """
    if not math.isfinite(test.statistic):
        raise NotEstimable("the results show no variation", "signals recorded with higher resolution")
    return FTest(f=test.statistic, df=(test.df[0], test.df[1]), p=probability(test))


def t_test(test: SignificanceTest) -> TTest:
    """A t test as {t, df, p}."""
    return TTest(t=test.statistic, df=test.df[0], p=probability(test))
