"""A JSON Schema of the study description, made from the models: what editors complete and check by.

The models say in words what is wrong; a schema can say less, and never forbids what the models accept.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from validator.study.keys import parts_of
from validator.study.models.base import NARROWED, WRITTEN_AS
from validator.study.models.method import LimitInUnit, in_unit_of_analyte
from validator.study.models.runs import Block
from validator.study.models.study import Study

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic_core import core_schema

DIALECT = "https://json-schema.org/draft/2020-12/schema"
SCHEMA_FILE = "study.schema.json"
"""Name under which ``validator new`` puts the schema beside a study."""
_ONE_OF_BOTH = [{"required": ["runs"]}, {"required": ["file"]}]


def study_schema() -> dict[str, Any]:
    """The schema of ``study.yaml``, ready to be written as JSON."""
    schema = Study.model_json_schema(schema_generator=_AsWritten)
    blocks = {block.__name__ for block in _blocks()}
    for name, definition in schema["$defs"].items():
        if name in blocks:
            definition["required"] = [key for key in definition.get("required", ()) if key != "runs"]
            definition["oneOf"] = _ONE_OF_BOTH
    tidied = cast("dict[str, Any]", _tidy(schema))
    return {"$schema": DIALECT, **tidied, "title": "validation study"}


def _blocks() -> Iterator[type[Block]]:
    for field in Study.model_fields.values():
        yield from (
            part for part in parts_of(field.annotation) if isinstance(part, type) and issubclass(part, Block)
        )


class _AsWritten(GenerateJsonSchema):
    """Describes what may be written, not what it becomes."""

    def function_before_schema(self, schema: core_schema.BeforeValidatorFunctionSchema) -> JsonSchemaValue:
        inner = self.generate_inner(schema["schema"])
        return _as_written(schema["function"]["function"], inner)

    def function_plain_schema(self, schema: core_schema.PlainValidatorFunctionSchema) -> JsonSchemaValue:
        return _as_written(schema["function"]["function"], {})

    def function_wrap_schema(self, schema: core_schema.WrapValidatorFunctionSchema) -> JsonSchemaValue:
        inner = self.generate_inner(schema["schema"])
        if schema["function"]["function"] is in_unit_of_analyte:
            return {"anyOf": [LimitInUnit.model_json_schema(schema_generator=_AsWritten), inner]}
        return inner

    def function_after_schema(self, schema: core_schema.AfterValidatorFunctionSchema) -> JsonSchemaValue:
        inner = self.generate_inner(schema["schema"])
        return {**inner, **NARROWED.get(schema["function"]["function"], {})}


def _as_written(reading: object, inner: JsonSchemaValue) -> JsonSchemaValue:
    """What the function *reading* accepts before it hands on what *inner* describes."""
    if reading in WRITTEN_AS:
        return {**inner, **WRITTEN_AS[reading]}
    if inner.get("type") == "array" and "items" in inner:
        return {"anyOf": [inner["items"], inner]}
    return {"anyOf": [{"type": "string"}, inner]}  # a word that stands for a table


def _tidy(value: object) -> object:
    """Without the titles and empty defaults that only repeat the keys; descriptions in one line."""
    if isinstance(value, list):
        return [_tidy(item) for item in value]
    if not isinstance(value, dict):
        return value
    tidied = {
        key: " ".join(str(item).split("\n\n")[0].replace("``", "").split())
        if key == "description" and isinstance(item, str)
        else _tidy(item)
        for key, item in value.items()
        if not (key == "title" and isinstance(item, str))
        and not (key == "default" and item in (None, "", [], {}))
    }
    if "properties" in value:
        tidied["properties"] = {key: _tidy(item) for key, item in value["properties"].items()}
    return tidied
