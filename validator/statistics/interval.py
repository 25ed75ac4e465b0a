"""The types every statistic returns: an interval, an estimate, a test."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from validator.errors import NotEstimable
from validator.records import EstimateRecord, SignificanceRecord, finite
from validator.records import Interval as Limits

Law: TypeAlias = Callable[[float], tuple[float, float]]
"""Lower and upper limit at a level of confidence: what is known of the doubt of an estimate."""


class Interval(Struct, frozen=True, eq=False):
    """Limits at a stated level of confidence; an open side is infinite.

    Attributes:
        lower, upper: limits in the unit of the estimate.
        level: level of confidence, 0 < level < 1.
        method: how it was found, in a few words ("Student t", "Fieller").
        law: what gives the limits at any level; None where the interval exists at its own level alone.
    """

    lower: float
    upper: float
    level: float
    method: str
    law: Law | None = None

    @classmethod
    def by(cls, law: Law, level: float, method: str) -> Interval:
        """The interval that *law* gives at *level*."""
        lower, upper = law(level)
        return cls(lower, upper, level, method, law)

    def at(self, level: float) -> Interval:
        """The interval at another level, by the same law.

        Raises:
            NotEstimable: as the statistic that made the interval.
            ValueError: an interval without a law.
        """
        if self.law is None:
            raise ValueError(f"the interval ({self.method}) exists at the level {self.level:g} alone")
        return Interval.by(self.law, level, self.method)

    @property
    def one_sided(self) -> Interval:
        """Both one-sided bounds at the level of the interval: they are the ends at 2·level - 1."""
        return self.at(2 * self.level - 1)

    def through(self, function: Callable[[float], float], method: str | None = None) -> Interval:
        """The interval of an increasing *function* of what is estimated."""
        law = self.law

        def moved(level: float) -> tuple[float, float]:
            assert law is not None
            lower, upper = law(level)
            return function(lower), function(upper)

        return Interval(
            function(self.lower), function(self.upper), self.level, method or self.method, law and moved
        )

    def __eq__(self, other: object) -> bool:
        """Whether the limits, their level and their method are the same; laws cannot be compared."""
        return isinstance(other, Interval) and self._told == other._told

    def __hash__(self) -> int:
        return hash(self._told)

    @property
    def _told(self) -> tuple[float, float, float, str]:
        return self.lower, self.upper, self.level, self.method

    @property
    def is_bounded(self) -> bool:
        """True when both limits are finite."""
        return math.isfinite(self.lower) and math.isfinite(self.upper)

    def scaled(self, factor: float) -> Interval:
        """The interval of the estimate multiplied by *factor* (sides swap when negative)."""
        law = self.law

        def finer(level: float) -> tuple[float, float]:
            assert law is not None
            lower, upper = law(level)
            return _ordered(lower * factor, upper * factor)

        return Interval(
            *_ordered(self.lower * factor, self.upper * factor), self.level, self.method, law and finer
        )

    def __contains__(self, value: float) -> bool:
        return self.lower <= value <= self.upper


def _ordered(one: float, other: float) -> tuple[float, float]:
    return (one, other) if one <= other else (other, one)


class Estimate(Struct, frozen=True, kw_only=True):
    """A value with what is known of its doubt; same unit throughout."""

    value: float
    standard_error: float | None = None
    interval: Interval | None = None
    degrees_of_freedom: float | None = None

    def scaled(self, factor: float) -> Estimate:
        """The estimate in a unit that is *factor* times finer."""
        return Estimate(
            value=self.value * factor,
            standard_error=None if self.standard_error is None else self.standard_error * abs(factor),
            interval=None if self.interval is None else self.interval.scaled(factor),
            degrees_of_freedom=self.degrees_of_freedom,
        )


class SignificanceTest(Struct, frozen=True, kw_only=True):
    """Outcome of a test of significance.

    Attributes:
        name: what was tested, by its usual name ("Mandel").
        statistic: the test statistic.
        df: its degrees of freedom, one or two (empty when the test has none).
        p: two-sided probability unless the name says otherwise; None where only a critical value exists.
        critical: critical value, where one was used; ``critical_level`` is its significance level.
    """

    name: str
    statistic: float
    df: tuple[float, ...] = ()
    p: float | None = None
    critical: float | None = None
    critical_level: float | None = None


def interval_record(interval: Interval | None) -> Limits | None:
    """Limits as a pair; an open side is None."""
    return None if interval is None else (finite(interval.lower), finite(interval.upper))


def estimate_record(estimate: Estimate, reason: str | None = None) -> EstimateRecord:
    """An estimate that may be judged as a record: with the two-sided interval and both one-sided bounds."""
    interval = estimate.interval
    record = two_sided_record(estimate, reason)
    return record if interval is None else replace(record, one_sided=interval_record(interval.one_sided))


def two_sided_record(estimate: Estimate, reason: str | None = None) -> EstimateRecord:
    """An estimate as a record, with the two-sided interval alone."""
    return EstimateRecord(
        value=finite(estimate.value),
        standard_error=finite(estimate.standard_error),
        ci=interval_record(estimate.interval),
        degrees_of_freedom=finite(estimate.degrees_of_freedom),
        reason=reason,
    )


def significance(test: SignificanceTest) -> SignificanceRecord:
    """A test as {statistic, df, p}; an F test has two degrees of freedom.

    Raises:
        NotEstimable: the statistic is infinite, for want of any scatter to test against.
    """
    if not math.isfinite(test.statistic):
        raise NotEstimable("the results show no variation", "results recorded with higher resolution")
    df = test.df[0] if len(test.df) == 1 else (test.df[0], test.df[1])
    return SignificanceRecord(statistic=test.statistic, df=df, p=probability(test))


def probability(test: SignificanceTest) -> float:
    """The p of a test that has one."""
    if test.p is None:
        raise ValueError(f"{test.name} has no p")
    return test.p
