"""Results to ``results.json`` and back: the one place that knows the file."""

from __future__ import annotations

import json
import math

from pydantic import TypeAdapter

from validator.evaluation.results import Record, Results


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
        pydantic.ValidationError: the text is not a results file of this format.
    """
    # built here, not with the module: only what reads results back pays for it
    return TypeAdapter(Results).validate_json(text)
