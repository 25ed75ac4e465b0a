"""Results to ``results.json`` and back: the one place that knows the file."""

from __future__ import annotations

import json
import math
from functools import cache
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

import msgspec

from validator.evaluation.results import NotAssessed, Record, Results


def plain(value: object) -> object:
    """*value* as dictionaries, lists and scalars, in the key order of the contract."""
    if isinstance(value, Record):
        pairs = ((name, getattr(value, name)) for name in value.__struct_fields__)
        return {name: plain(item) for name, item in pairs if item is not None or name in value.always}
    if isinstance(value, dict):
        return {key: plain(item) for key, item in value.items()}
    if isinstance(value, (tuple, list)):
        return [plain(item) for item in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def to_json(results: Results) -> str:
    """The text of ``results.json``: full double precision, never NaN, ending in a newline."""
    return json.dumps(plain(results), ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def from_json(text: str | bytes) -> Results:
    """Read ``results.json`` back into equal objects.

    Raises:
        msgspec.ValidationError: the text is not a results file of this format; the message says where.
        msgspec.DecodeError: the text is no JSON (the parent of the other).
    """
    results: Results = _read(msgspec.json.decode(text), Results, "$")
    return results


def _read(content: object, kind: Any, place: str) -> Any:  # noqa: ANN401
    """*content* as *kind*; a record and its refusal stand in one place and differ by their keys alone."""
    if get_origin(kind) in (Union, UnionType):
        refused = isinstance(content, dict) and "not_assessed" in content
        kinds = [one for one in get_args(kind) if one is not NoneType and (one is NotAssessed) == refused]
        if content is None and NoneType in get_args(kind):
            return None
        if len(kinds) == 1:
            return _read(content, kinds[0], place)
    if isinstance(kind, type) and issubclass(kind, Record):
        return _record(_converted(content, dict, place), kind, place)
    if get_origin(kind) is dict:
        entries = _converted(content, dict, place).items()
        return {key: _read(one, get_args(kind)[1], f"{place}.{key}") for key, one in entries}
    if get_origin(kind) is tuple and get_args(kind)[-1] is Ellipsis:
        listed = enumerate(_converted(content, list, place))
        return tuple(_read(one, get_args(kind)[0], f"{place}[{at}]") for at, one in listed)
    return _converted(content, kind, place)


def _record(content: dict[str, object], kind: type[Record], place: str) -> Record:
    hints = _hints(kind)
    if strange := content.keys() - kind.__struct_fields__:
        raise msgspec.ValidationError(f"{place}: unknown key '{min(strange)}'")
    missing = {one.name for one in msgspec.structs.fields(kind) if one.required} - content.keys()
    if missing:
        raise msgspec.ValidationError(f"{place}: key '{min(missing)}' is missing")
    return kind(**{key: _read(one, hints[key], f"{place}.{key}") for key, one in content.items()})


def _converted(content: object, kind: Any, place: str) -> Any:  # noqa: ANN401
    try:
        return msgspec.convert(content, kind)
    except msgspec.ValidationError as error:
        raise msgspec.ValidationError(f"{place}: {error}") from error


_hints = cache(get_type_hints)
