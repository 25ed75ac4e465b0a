"""What all records share: the record itself, a refusal, an estimate, a test."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar, dataclass_transform

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable


def _floats(values: Iterable[float | None]) -> tuple[float | None, ...]:
    return tuple(None if value is None else float(value) for value in values)


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
}
"""What makes a plain value of a field, by its annotation."""


@dataclass_transform(frozen_default=True, kw_only_default=True)
class Record:
    """Parent of everything in the results file: its subclasses are frozen dataclasses.

    Not pydantic models: what fills them is checked by types, and a model's schema costs every command the
    time to build it. Reading a file back checks it (``serialise.from_json``).
    """

    __pydantic_config__: ClassVar[dict[str, str]] = {"extra": "forbid"}
    always: ClassVar[tuple[str, ...]] = ()
    names: ClassVar[tuple[str, ...]] = ()
    """The fields in the order of the file."""

    _plain: ClassVar[tuple[tuple[str, Callable[[Any], object]], ...]] = ()

    def __init_subclass__(cls) -> None:
        dataclass(frozen=True, kw_only=True)(cls)
        own = fields(cls)  # type: ignore[arg-type]  # made one just now
        cls.names = tuple(field.name for field in own)
        kinds = ((field.name, str(field.type).removesuffix(" | None")) for field in own)
        cls._plain = tuple((name, PLAIN[kind]) for name, kind in kinds if kind in PLAIN)

    def __post_init__(self) -> None:
        """Numbers become plain ones: the file does not tell whether numpy handed one over."""
        for name, plain in self._plain:
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, plain(value))


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


class SignificanceRecord(Record):
    """A test of significance with its degrees of freedom, two for an F test, and p."""

    statistic: float
    df: float | Interval
    p: float


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
