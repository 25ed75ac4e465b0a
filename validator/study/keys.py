"""What the models know about keys: which are accepted where, and what they hold."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, get_args, get_origin

from pydantic import AfterValidator, BaseModel, BeforeValidator, PlainValidator

from validator.study.models.base import SIMPLE_CHECKS
from validator.study.models.runs import Block, Run

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from pydantic.fields import FieldInfo

    from validator.study.places import Loc

Kind = Literal["number", "whole", "text", "word"]
"""What a field holds, as a reader of many rows needs to know it; a word is anything that is looked up."""


def parts_of(annotation: object) -> Iterator[object]:
    """The annotation and everything it is made of."""
    yield annotation
    for argument in get_args(annotation):
        yield from parts_of(argument)


def records_in(annotation: object) -> Iterator[type[BaseModel]]:
    """The models that a field of this annotation holds."""
    for part in parts_of(annotation):
        if get_origin(part) is None and isinstance(part, type) and issubclass(part, BaseModel):
            yield part


def kind_of(field: FieldInfo) -> Kind:
    """The kind of value that *field* holds."""
    checks = set(_checks(field))
    simple = (kind for kind, known in SIMPLE_CHECKS.items() if checks and checks <= known)
    return next(simple, "word")


def _checks(field: FieldInfo) -> Iterator[Callable[..., object]]:
    """Every function that has a say on a value of *field*."""
    for part in (*field.metadata, *parts_of(field.annotation)):
        if isinstance(part, BeforeValidator | AfterValidator | PlainValidator):
            yield part.func


def known_keys(model: type[BaseModel], loc: Loc) -> list[str]:
    """The keys that the record at *loc* below *model* accepts, as they are written."""
    record: type[BaseModel] | None = model
    for step in loc:
        if record is None:
            return []
        fields = _by_key(record)
        # a position in a list and a label that keys a table of records lead to the same record
        if step in fields:
            record = next(records_in(record.model_fields[fields[str(step)]].annotation), None)
    if record is None:
        return []
    keys = _by_key(record)
    return specific_first(keys) if issubclass(record, Run | Block) else list(keys)


def specific_first(keys: Iterable[str]) -> list[str]:
    """The keys in the order in which they help: those that every run or block has come last."""
    common = {**Run.model_fields, **Block.model_fields}
    keys = list(keys)
    return [key for key in keys if key not in common] + [key for key in keys if key in common]


def _by_key(record: type[BaseModel]) -> dict[str, str]:
    return {field.alias or name: name for name, field in record.model_fields.items()}
