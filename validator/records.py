"""What all records share: the record itself, a refusal, an estimate, a test."""

from __future__ import annotations

import math
from functools import cache
from inspect import get_annotations
from typing import TYPE_CHECKING, Any, ClassVar

from msgspec import Struct, structs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable


def _floats(values: Iterable[float | None]) -> tuple[float | None, ...]:
    return tuple(None if value is None else float(value) for value in values)


def _rows(values: Iterable[Iterable[float]]) -> tuple[tuple[float | None, ...], ...]:
    return tuple(_floats(row) for row in values)


def _float_or(value: float | str | Interval) -> object:
    if isinstance(value, str):
        return value
    return _floats(value) if isinstance(value, tuple) else float(value)


PLAIN: dict[str, Callable[[Any], object]] = {
    "float": float,
    "int": int,
    "bool": bool,
    "float | str": _float_or,
    "float | Interval": _float_or,
    "Interval": _floats,
    "tuple[float, float]": _floats,
    "tuple[float, ...]": _floats,
    "tuple[tuple[float, ...], ...]": _rows,
}
"""What makes a plain value of a field, by its annotation."""


class Record(Struct, frozen=True, kw_only=True):
    """Parent of everything in the results file.

    Not pydantic models: what fills them is checked by types, and a model's schema costs every command the
    time to build it. Reading a file back checks it (``serialise.from_json``).
    """

    always: ClassVar[tuple[str, ...]] = ()

    def __post_init__(self) -> None:
        """Numbers become plain ones: the file does not tell whether numpy handed one over."""
        for name, plain in _plain_ones(type(self)):
            value = getattr(self, name)
            if value is not None and type(value) is not plain:  # numpy's own are of other types
                structs.force_setattr(self, name, plain(value))


@cache
def _plain_ones(kind: type[Record]) -> tuple[tuple[str, Callable[[Any], object]], ...]:
    """The fields of *kind* with a plain value, and what makes it."""
    annotations: dict[str, str] = {}
    for one in reversed(kind.__mro__):
        annotations |= get_annotations(one)
    kinds = ((name, str(annotations[name]).removesuffix(" | None")) for name in kind.__struct_fields__)
    return tuple((name, PLAIN[one]) for name, one in kinds if one in PLAIN)


class NotAssessed(Record, frozen=True, kw_only=True):
    """A part that could not be assessed, why, and what it would take."""

    not_assessed: str
    needs: str


Interval = tuple[float | None, float | None]
"""Lower and upper limit; ``None`` is an open side."""


class EstimateRecord(Record, frozen=True, kw_only=True):
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

    def shifted(self, by: float) -> EstimateRecord:
        """The estimate and its bounds, moved."""

        def moved(ends: Interval | None) -> Interval | None:
            return None if ends is None else (_plus(ends[0], by), _plus(ends[1], by))

        return structs.replace(
            self, value=_plus(self.value, by), ci=moved(self.ci), one_sided=moved(self.one_sided)
        )

    def scaled(self, factor: float) -> EstimateRecord:
        """The estimate and its bounds times a positive *factor*."""

        def times(value: float | None) -> float | None:
            return None if value is None else value * factor

        def stretched(ends: Interval | None) -> Interval | None:
            return None if ends is None else (times(ends[0]), times(ends[1]))

        return structs.replace(
            self,
            value=times(self.value),
            standard_error=times(self.standard_error),
            ci=stretched(self.ci),
            one_sided=stretched(self.one_sided),
        )


def _plus(value: float | None, by: float) -> float | None:
    return None if value is None else value + by


def finite(value: float | None) -> float | None:
    """*value*, or None where it is infinite: JSON knows no infinity, an open side is ``null``."""
    return None if value is None or not math.isfinite(value) else float(value)


def value_of(figure: object) -> float | None:
    """The value of an estimate; none of a refusal or of what is absent."""
    return figure.value if isinstance(figure, EstimateRecord) else None


class TestRecord(Record, frozen=True, kw_only=True):
    """A test of significance."""

    __test__ = False  # pytest: not a test class
    statistic: float
    df: tuple[float, ...] | None = None
    p: float | None = None
    critical: float | None = None
    critical_level: float | None = None


class SignificanceRecord(Record, frozen=True, kw_only=True):
    """A test of significance with its degrees of freedom, two for an F test, and p."""

    statistic: float
    df: float | Interval
    p: float


class FTest(Record, frozen=True, kw_only=True):
    """An F test as printed: statistic, the two degrees of freedom, p."""

    f: float
    df: tuple[float, float]
    p: float


class TTest(Record, frozen=True, kw_only=True):
    """A t test as printed."""

    t: float
    df: float
    p: float


class Range(Record, frozen=True, kw_only=True):
    """An interval of levels."""

    lower: float
    upper: float


class ExcludedPoint(Record, frozen=True, kw_only=True):
    """A datum that the study excludes, with its recorded cause."""

    level: float | None = None
    signal: float | None = None
    value: float | None = None
    place: str
    cause: str


class Equivalence(Record, frozen=True, kw_only=True):
    """Two one-sided tests against stated bounds, in percent; ``p`` is the larger of the two."""

    lower: float
    upper: float
    passes: bool
    p: float | None = None
