"""What all records share: the record itself, a refusal, an estimate, a test."""

from __future__ import annotations

from functools import cache
from inspect import get_annotations
from typing import TYPE_CHECKING, Any, ClassVar, dataclass_transform, get_type_hints

from msgspec import Struct, StructMeta, structs
from pydantic_core import core_schema

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from pydantic import GetCoreSchemaHandler


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


class _KeywordsOnly(StructMeta):
    """Structs whose fields have names only, without saying so at each of them."""

    def __new__(
        mcs, name: str, bases: tuple[type, ...], namespace: dict[str, Any], *, frozen: bool = True
    ) -> _KeywordsOnly:
        return super().__new__(mcs, name, bases, namespace, kw_only=True, frozen=frozen)


@dataclass_transform(frozen_default=True, kw_only_default=True)
class Record(Struct, metaclass=_KeywordsOnly, frozen=True):
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

    @classmethod
    def __get_pydantic_core_schema__(
        cls, source: type[Record], handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        """How a record is read back: its keys, and no others."""
        ref = f"{cls.__module__}.{cls.__qualname__}"
        if cls in _BEING_DESCRIBED:  # a record may hold one of its own kind
            return core_schema.definition_reference_schema(ref)
        _BEING_DESCRIBED.append(cls)
        hints = get_type_hints(cls)
        keys = {
            one.name: core_schema.typed_dict_field(
                handler.generate_schema(hints[one.name]), required=one.required
            )
            for one in structs.fields(cls)
        }
        _BEING_DESCRIBED.remove(cls)
        return core_schema.no_info_after_validator_function(
            lambda found: cls(**found), core_schema.typed_dict_schema(keys, extra_behavior="forbid"), ref=ref
        )


_BEING_DESCRIBED: list[type[Record]] = []


@cache
def _plain_ones(kind: type[Record]) -> tuple[tuple[str, Callable[[Any], object]], ...]:
    """The fields of *kind* with a plain value, and what makes it."""
    annotations: dict[str, str] = {}
    for one in reversed(kind.__mro__):
        annotations |= get_annotations(one)
    kinds = ((name, annotations[name].removesuffix(" | None")) for name in kind.__struct_fields__)
    return tuple((name, PLAIN[one]) for name, one in kinds if one in PLAIN)


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

    def shifted(self, by: float) -> EstimateRecord:
        """The estimate and its bounds, moved."""

        def moved(ends: Interval | None) -> Interval | None:
            return None if ends is None else (_plus(ends[0], by), _plus(ends[1], by))

        return structs.replace(
            self, value=_plus(self.value, by), ci=moved(self.ci), one_sided=moved(self.one_sided)
        )


def _plus(value: float | None, by: float) -> float | None:
    return None if value is None else value + by


def value_of(figure: object) -> float | None:
    """The value of an estimate; none of a refusal or of what is absent."""
    return figure.value if isinstance(figure, EstimateRecord) else None


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
