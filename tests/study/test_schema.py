"""The schema for editors says what the models say: it keeps step because it is made from them."""

from __future__ import annotations

import copy
import json
from pathlib import Path

import jsonschema
import pytest
import yaml
from hypothesis import HealthCheck, given, settings

from validator.errors import StudyError
from validator.resources import starters_folder
from validator.study import Study, read_study
from validator.study.composing import compose
from validator.study.keys import known_keys
from validator.study.places import plain
from validator.study.problems import Problems
from validator.study.scalars import Scalar
from validator.study.schema import study_schema

from .test_fuzz import FILES, TREE, WHOLE, _mutated, mutations

EXAMPLES = Path(__file__).parents[2] / "example_studies"
STUDIES = sorted([*EXAMPLES.glob("*/study.yaml"), *starters_folder().glob("*/study.yaml")])
VALIDATOR = jsonschema.Draft202012Validator(study_schema())


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


def complaints(text):
    """Where the schema finds fault with a study; numbers and texts are told apart as the reader does."""
    root = compose(text, "study.yaml", Problems())
    return [error.json_path for error in VALIDATOR.iter_errors(as_json(plain(root)))]


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
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
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
    assert complaints(text) == []


def test_the_whole_format_pleases_it():
    """The study that uses every block."""
    assert complaints(WHOLE) == []
