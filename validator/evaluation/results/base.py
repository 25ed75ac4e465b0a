"""What all records share: the record itself, a refusal, an estimate, a test."""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict


class Record(BaseModel):
    """Parent of everything in the results file."""

    model_config = ConfigDict(frozen=True, extra="forbid")
    always: ClassVar[tuple[str, ...]] = ()


class NotAssessed(Record):
    """A part that could not be assessed, why, and what it would take."""

    not_assessed: str
    needs: str


Interval = tuple[float | None, float | None]
"""Lower and upper limit; ``None`` is an open side."""


class EstimateRecord(Record):
    """A figure with its doubt; ``reason`` says why there is none.

    ``one_sided`` holds the lower and the upper one-sided bound, each at the study's level of confidence:
    a limit on one side is judged by one of them.
    """

    always: ClassVar[tuple[str, ...]] = ("value",)
    value: float | None
    standard_error: float | None = None
    ci: Interval | None = None
    one_sided: Interval | None = None
    degrees_of_freedom: float | None = None
    reason: str | None = None


class TestRecord(Record):
    """A test of significance."""

    __test__ = False  # pytest: not a test class
    statistic: float
    df: tuple[float, ...] | None = None
    p: float | None = None
    critical: float | None = None
    critical_level: float | None = None


class FTest(Record):
    """An F test as printed: statistic, the two degrees of freedom, p."""

    f: float
    df: tuple[float, float]
    p: float


class TTest(Record):
    """A t test as printed."""

    t: float
    df: float
    p: float


class ExcludedPoint(Record):
    """A datum that the study excludes, with its recorded cause."""

    level: float | None = None
    signal: float | None = None
    value: float | None = None
    place: str
    cause: str
