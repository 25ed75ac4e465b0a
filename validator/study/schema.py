"""A JSON Schema of the study description, made from the models: what editors complete and check by.

The models say in words what is wrong; a schema can say less, and never forbids what the models accept.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from msgspec import Struct
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue

from validator.characteristics.robustness.runs import SETTINGS, setting
from validator.study.blocks import result_blocks
from validator.study.keys import parts_of
from validator.study.models.base import NARROWED, WRITTEN_AS
from validator.study.models.method import LIMITS_OF_ANALYTE, LimitInUnit, in_unit_of_analyte
from validator.study.models.recordings import TARGETS
from validator.study.models.runs import Block
from validator.study.models.study import Study
from validator.study.models.uncertainty import BIAS_FROM, WITHIN_FROM, bias_in_words, within_in_words
from validator.yaml_loader import load

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from pydantic_core import core_schema

DIALECT = "https://json-schema.org/draft/2020-12/schema"
SCHEMA_FILE = "study.schema.json"
"""Name under which ``validator new`` puts the schema beside a study."""
_DESCRIPTIONS = Path(__file__).with_name("descriptions.yaml")
_EVERYWHERE = "everywhere"
OF_CURVES = ("RecordedRun", "CurveSet")
RUNS_OF_CURVES = (
    "RecordedRun",
    *(part.__name__ for one in TARGETS.values() for part in (one, one.one_row) if part),
)
"""A curve takes the keys of the runs that it becomes, and what they mean."""
_WORDS: Mapping[object, Sequence[object]] = {
    bias_in_words: tuple(BIAS_FROM),
    within_in_words: tuple(WITHIN_FROM),
    setting: (*SETTINGS, *sorted(set(SETTINGS.values()))),
}
"""Words that stand for something else, by the function that reads them."""
_BOTH = {"required": ["runs", "file"]}
_ONE = {"anyOf": [{"required": ["runs"]}, {"required": ["file"]}]}
"""Never both; neither only where the readings come from curves."""


class Names(Struct, frozen=True, kw_only=True):
    """Names that a study may use and that are given in other rooms; none where they are not to be checked.

    Attributes:
        detection_limits: ids of the variants of a detection limit.
        quantification_limits: ids of the variants of a quantification limit.
        profiles: ids of the shipped guidance profiles; a study may add its own.
    """

    detection_limits: Sequence[str] = ()
    quantification_limits: Sequence[str] = ()
    profiles: Sequence[str] = ()


def study_schema(names: Names | None = None) -> dict[str, Any]:
    """The schema of ``study.yaml``, ready to be written as JSON."""
    schema = Study.model_json_schema(schema_generator=_AsWritten)
    for key in LIMITS_OF_ANALYTE:
        limit = schema["$defs"]["Analyte"]["properties"][key]["anyOf"]
        schema["$defs"][LimitInUnit.__name__] = limit[0]
        limit[0] = {"$ref": f"#/$defs/{LimitInUnit.__name__}"}
    blocks = {block.__name__ for block in _blocks()}
    for name, definition in schema["$defs"].items():
        if name in blocks:
            definition["required"] = [key for key in definition.get("required", ()) if key != "runs"]
            definition["not"] = _BOTH
    schema["if"] = {"required": ["recordings"]}
    schema["else"] = {"properties": dict.fromkeys(result_blocks(), _ONE)}
    tidied = cast("dict[str, Any]", _tidy(schema))
    _describe(tidied)
    if names is not None:
        _name(tidied, names)
    return {"$schema": DIALECT, **tidied, "title": "validation study"}


def key_descriptions() -> Mapping[str, Mapping[str, str]]:
    """What keys mean: by table and key, those that mean the same in every table under ``everywhere``."""
    found: dict[str, dict[str, str]] = load(_DESCRIPTIONS.read_text(encoding="utf-8"))
    return found


def _describe(schema: dict[str, Any]) -> None:
    """Give every key the sentence that an editor shows beside it."""
    written = key_descriptions()
    for table, definition in {**schema["$defs"], Study.__name__: schema}.items():
        for key, value in definition.get("properties", {}).items():
            tables = [table, _EVERYWHERE, *(RUNS_OF_CURVES if table in OF_CURVES else ())]
            found = (written[one][key] for one in tables if key in written.get(one, {}))
            if sentence := next(found, None):
                value["description"] = sentence


def _name(schema: dict[str, Any], names: Names) -> None:
    """Offer names that stand in other rooms."""
    definitions = schema["$defs"]
    for table in ("Analysis", "AnalysisChoices"):
        for key, known in (
            ("detection_limit", names.detection_limits),
            ("quantification_limit", names.quantification_limits),
        ):
            described = definitions[table]["properties"][key]
            described["anyOf"] = [
                {
                    **definitions["LimitChoice"],
                    "properties": {
                        "variant": {
                            **definitions["LimitChoice"]["properties"]["variant"],
                            "enum": list(known),
                        }
                    },
                },
                {"type": "null"},
            ]
    profile = {"anyOf": [{"enum": list(names.profiles)}, {"type": ["string", "number"]}]}
    definitions["Identity"]["properties"]["guidance"]["anyOf"] = [
        profile,
        {"type": "array", "items": profile},
    ]


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
    if reading in _WORDS:
        words = {"enum": list(_WORDS[reading])}
        return words if reading is setting else {"anyOf": [words, inner]}
    if reading in WRITTEN_AS:
        return {**inner, **WRITTEN_AS[reading]}
    return {"anyOf": [inner["items"], inner]}  # a list, or its only value


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
