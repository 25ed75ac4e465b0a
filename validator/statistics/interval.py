"""The types every statistic returns: an interval, an estimate, a test."""

from __future__ import annotations

import math

from msgspec import Struct


class Interval(Struct, frozen=True):
    """Limits at a stated level of confidence; an open side is infinite.

    Attributes:
        lower, upper: limits in the unit of the estimate.
        level: level of confidence, 0 < level < 1.
        method: how it was found, in a few words ("Student t", "Fieller").
    """

    lower: float
    upper: float
    level: float
    method: str

    @property
    def is_bounded(self) -> bool:
        """True when both limits are finite."""
        return math.isfinite(self.lower) and math.isfinite(self.upper)

    def scaled(self, factor: float) -> Interval:
        """The interval of the estimate multiplied by *factor* (sides swap when negative)."""
        ends = sorted((self.lower * factor, self.upper * factor))
        return Interval(ends[0], ends[1], self.level, self.method)

    def __contains__(self, value: float) -> bool:
        return self.lower <= value <= self.upper


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
