"""Results to their file and back: nothing is lost, nothing is rounded, nothing is not a number."""

from __future__ import annotations

import json
import math

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from validator.evaluation.results import EstimateRecord, NotAssessed, Record
from validator.evaluation.serialise import from_json, plain, to_json


@pytest.fixture(scope="module")
def results(judged, described):
    """Results of a small study with figures, refusals and open sides."""
    line = [{"level": x, "signal": 0.1 * x + 0.003 * (-1) ** x} for x in range(1, 9)]
    _, results = judged(
        described(
            calibration={"runs": line},
            precision={"runs": [{"level": 5, "concentrations": [5.0, 5.1, 4.8]}]},
            interference={
                "runs": [
                    {
                        "interferent": "µ-oxo dimer",
                        "ratio": 1,
                        "analyte_level": 5,
                        "found": [1, 1.2],
                        "reference": [-1, 0.9],
                    }
                ]
            },
            criteria=[{"characteristic": "repeatability", "rsd_max": 5}],
        )
    )
    return results


def test_what_was_written_is_read_back(results):
    """Equal objects, and the same text when they are written again."""
    text = to_json(results)

    assert from_json(text) == results
    assert from_json(text.encode()) == results
    assert to_json(from_json(text)) == text


def test_every_number_keeps_its_last_digit(results):
    """Numbers are written at full double precision."""
    slope = results.analytes["x"].configurations["default"].calibration.slope.value

    assert repr(slope) in to_json(results)


def test_text_is_written_as_it_is(results):
    """UTF-8 without escapes: µ is readable in the file."""
    assert "µ-oxo dimer" in to_json(results)


def test_an_open_side_is_null(results):
    """An infinite end of an interval is null in the file and None in the record."""
    (entry,) = results.analytes["x"].configurations["default"].interference

    assert entry.ci == (None, None)
    written = json.loads(to_json(results))["analytes"]["x"]["configurations"]["default"]["interference"][0]
    assert written["ci"] == [None, None]


def test_keys_stand_in_the_order_of_the_contract(results):
    """The order is that of the records, whatever order they were filled in."""
    content = json.loads(to_json(results))

    assert list(content) == [
        "format",
        "software",
        "study",
        "inputs",
        "analytes",
        "comparison_of_configurations",
        "censored",
        "assessment",
    ]
    assert content["format"] == "validation-results/2"
    record = content["analytes"]["x"]["configurations"]["default"]
    assert list(record)[:5] == ["calibration", "detection", "precision", "recovery", "interference"]
    line = record["calibration"]
    assert list(line)[:8] == [
        *("model", "weighting", "weighting_reason", "n", "levels", "degrees_of_freedom"),
        *("slope", "intercept"),
    ]
    assert list(line["slope"]) == ["value", "standard_error", "ci", "one_sided", "degrees_of_freedom"]
    finding = content["assessment"]["findings"][0]
    assert list(finding)[:12] == [
        *("characteristic", "analyte", "configuration", "level", "criterion", "source", "source_status"),
        *("observed", "lower", "upper", "interval", "outcome"),
    ]


def test_what_is_none_is_left_out_unless_it_must_stand():
    """An absent key is None; a value that may be missing is written as null beside its reason."""

    class Example(Record, frozen=True, kw_only=True):
        always = ("value",)
        value: float | None = None
        note: str | None = None

    assert plain(Example()) == {"value": None}
    assert plain(EstimateRecord(value=None, reason="too few")) == {"value": None, "reason": "too few"}
    assert plain(NotAssessed(not_assessed="a", needs="b")) == {"not_assessed": "a", "needs": "b"}


@given(st.floats())
def test_no_number_is_written_that_is_none(value):
    """Not-a-number and infinities become null, every other number stays what it is."""
    written = plain({"figure": value, "pair": (value, [value])})

    expected = value if math.isfinite(value) else None
    assert written == {"figure": expected, "pair": [expected, [expected]]}
    assert "NaN" not in json.dumps(written, allow_nan=False)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda content: content.update(format="validation-results/1"), r"\$\.format: "),
        (lambda content: content.update(extra=1), r"\$: unknown key 'extra'"),
        (lambda content: content["analytes"]["x"].pop("unit"), r"\$\.analytes\.x: key 'unit' is missing"),
        (lambda content: default(content).update(precision="good"), r"default\.precision: Expected"),
        (lambda content: default(content).update(precision=None), r"default\.precision: Expected"),
        (
            lambda content: default(content)["precision"][0].update(n=3.5),
            r"precision\[0\]\.n: Expected `int`",
        ),
        (
            lambda content: default(content)["precision"][0].update(n="3"),
            r"precision\[0\]\.n: Expected `int`",
        ),
        (lambda content: default(content)["recovery"].update(n=1), r"recovery: unknown key 'n'"),
        (lambda content: content["assessment"].update(verdict="perfect"), r"assessment\.verdict: Invalid"),
    ],
)
def test_another_file_is_refused(results, spoil, said):
    """A file that is not of this format is not read as if it were; the refusal says where."""
    content = json.loads(to_json(results))
    spoil(content)

    with pytest.raises(msgspec.ValidationError, match=said):
        from_json(json.dumps(content))


def default(content):
    return content["analytes"]["x"]["configurations"]["default"]


def test_text_that_is_no_json_is_refused():
    """Half a file is no file."""
    with pytest.raises(msgspec.DecodeError):
        from_json('{"format": ')
