"""The schema for editors says what the models say: it keeps step because it is made from them."""

from __future__ import annotations

import copy
import json
import re
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import HealthCheck, given, settings

from validator.errors import StudyError
from validator.guidance.loading import profile_names
from validator.resources import starters_folder
from validator.starting import schema_text
from validator.statistics.detection.registry import QUANTIFICATION_ALIASES, VARIANTS
from validator.study import Study, read_study
from validator.study.composing import compose
from validator.study.keys import known_keys
from validator.study.places import Scalar, plain
from validator.study.problems import Problems
from validator.study.schema import OF_CURVES, RUNS_OF_CURVES, key_descriptions, study_schema

from .test_fuzz import FILES, TREE, WHOLE, _mutated, mutations

EXAMPLES = Path(__file__).parents[2] / "example_studies"
STUDIES = sorted([*EXAMPLES.glob("*/study.yaml"), *starters_folder().glob("*/study.yaml")])
VALIDATOR = jsonschema.Draft202012Validator(json.loads(schema_text()))
"""As it is shipped; variants and profiles are named in it, though the reading room does not know them."""
READER = jsonschema.Draft202012Validator(study_schema())
"""As far as the models go."""


def as_json(value):
    match value:
        case Scalar():
            return value.value
        case dict():
            return {key: as_json(item) for key, item in value.items()}
        case list():
            return [as_json(item) for item in value]
        case _:
            return value


def complaints(text, validator=VALIDATOR):
    """Where the schema finds fault with a study; numbers and texts are told apart as the reader does."""
    root = compose(text, "study.yaml", Problems())
    return [error.json_path for error in validator.iter_errors(as_json(plain(root)))]


def test_it_is_a_schema():
    """By the rules of the dialect that it names (JSON Schema 2020-12, its meta-schema)."""
    jsonschema.Draft202012Validator.check_schema(VALIDATOR.schema)
    assert VALIDATOR.schema["$schema"] == jsonschema.Draft202012Validator.META_SCHEMA["$id"]
    json.dumps(VALIDATOR.schema, allow_nan=False)


@pytest.mark.parametrize("file", STUDIES, ids=lambda file: file.parent.name)
def test_studies_that_are_shipped_please_it(file):
    """No editor underlines anything in an example or a starter."""
    assert complaints(file.read_text(encoding="utf-8")) == []


def test_every_key_is_completed():
    """Every key that a model accepts is offered where the model stands, and no other is let pass."""
    for name, definition in VALIDATOR.schema["$defs"].items():
        assert definition.get("additionalProperties") is False, name
    assert list(VALIDATOR.schema["properties"]) == known_keys(Study, ())
    assert set(VALIDATOR.schema["$defs"]["Period"]["properties"]) == {"from", "to"}
    assert set(VALIDATOR.schema["$defs"]["CalibrationRun"]["properties"]) == set(
        known_keys(Study, ("calibration", "runs", 0))
    )


def test_every_key_is_described():
    """Beside each key an editor shows what it means; no description is left of a key that went."""
    written = key_descriptions()
    keys = {
        (table, key)
        for table, definition in {**VALIDATOR.schema["$defs"], "Study": VALIDATOR.schema}.items()
        for key in definition.get("properties", {})
    }
    shared = {(table, key) for table, key in keys if key not in written.get(table, {})}
    inherited = {key for table in RUNS_OF_CURVES for key in written.get(table, {})}

    for table, key in keys:
        definition = VALIDATOR.schema if table == "Study" else VALIDATOR.schema["$defs"][table]
        sentence = definition["properties"][key].get("description", "")
        assert re.fullmatch(r".{5,160}\.", sentence), (table, key)
    told_there = {key for table, key in shared if table in OF_CURVES and key in inherited}
    assert {key for _, key in shared} - told_there == set(written["everywhere"]) - told_there
    assert {
        (table, key) for table in set(written) - {"everywhere"} for key in written[table]
    } == keys - shared


def test_names_of_other_rooms_are_offered():
    """Variants of limits and shipped profiles are completed; a profile of one's own is let pass."""
    analysis = VALIDATOR.schema["$defs"]["Analysis"]["properties"]
    offered = {
        key: analysis[key]["anyOf"][0]["properties"]["variant"]["enum"]
        for key in ("detection_limit", "quantification_limit")
    }
    head = "format: validation-study/1\nmethod: {analytes: []}\nstudy: {title: t, guidance: [ours]}\n"

    assert offered["detection_limit"] == [one.id for one in VARIANTS.values() if "detection" in one.gives]
    assert set(QUANTIFICATION_ALIASES) < set(offered["quantification_limit"])
    assert all(f'"{name}"' in json.dumps(VALIDATOR.schema["$defs"]["Identity"]) for name in profile_names())
    assert complaints(head) == []


@pytest.mark.parametrize(
    ("wrong", "where"),
    [
        ("calibraton: {}\n", "$"),
        ("blanks: {runs: [{signal: 1, sinal: 2}]}\n", "$.blanks"),
        ("blanks: {runs: [{signal: x}]}\n", "$.blanks"),
        ("calibration: {runs: [{level: -1, signal: 1}]}\n", "$.calibration"),
        ("analysis: {confidence: 95}\n", "$.analysis.confidence"),
        ("calibration: {unit: mg/L}\n", "$.calibration"),
        ("calibration: {file: a.csv, runs: [{level: 1, signal: 1}]}\n", "$.calibration"),
        ("criteria: [{characteristic: beauty}]\n", "$.criteria[0].characteristic"),
        ("analysis: {detection_limit: {variant: blank_3z}}\n", "$.analysis.detection_limit"),
        ("analysis: {detection_limit: {variant: hubaux_vos_plus}}\n", "$.analysis.detection_limit"),
        ("uncertainty: {bias: from nowhere}\n", "$.uncertainty"),
        (
            "robustness: {design: youden, factors: [{name: t, low: 1, high: 2}], "
            "runs: [{settings: [2], result: 1}]}\n",
            "$.robustness",
        ),
        ("recordings: {kind: hologram, peaks: [], runs: []}\n", "$.recordings"),
    ],
)
def test_what_it_underlines(wrong, where):
    """Unknown keys, texts for numbers, signs, choices, and a block with neither runs nor file."""
    head = "format: validation-study/1\nstudy: {title: t}\nmethod: {analytes: [" + (
        "{id: zn, name: zinc, unit: mg/L, signal: current, signal_unit: A}]}\n"
    )
    assert complaints(head) == []

    assert complaints(head + wrong) == [where]


@given(mutations)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_it_forbids_nothing_that_is_read(write, mutations):
    """Whatever the reader accepts the schema accepts: a study that can be used shows no false alarm."""
    tree = copy.deepcopy(TREE)
    for path, action, value in mutations:
        tree = _mutated(tree, path, action, value)
    text = yaml.safe_dump(tree, allow_unicode=True)
    folder = write(head=text.encode("utf-8", "surrogatepass"), files=FILES)
    try:
        read_study(folder)
    except StudyError:
        return
    assert complaints(text, READER) == []


def test_the_whole_format_pleases_it():
    """The study that uses every block."""
    assert complaints(WHOLE) == []
