"""Every example from its folder to its results file, twice, in this process and in others."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

from validator import assess, evaluate, read_study
from validator.evaluation.results import NotAssessed, Record
from validator.evaluation.serialise import from_json, to_json

HERE = Path(__file__).parent
ROOT = HERE.parents[1]

_spec = importlib.util.spec_from_file_location("recording", HERE / "recording.py")
recording = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(recording)

NAMES = recording.example_names()


@cache
def judged(name):
    study = read_study(recording.EXAMPLES / name)
    return study, assess(study, evaluate(study))


@pytest.mark.parametrize("name", NAMES)
def test_example_gives_its_recorded_findings(name):
    """Verdict, findings and caveats are those that were looked at when they were recorded."""
    recorded = json.loads((recording.RECORDED / f"{name}.json").read_text(encoding="utf-8"))

    _, results = judged(name)

    assert recording.record(results.assessment) == recorded


def test_every_record_belongs_to_an_example():
    """No record outlives its example."""
    assert sorted(path.stem for path in recording.RECORDED.iterdir()) == NAMES
    assert len(NAMES) >= 4


@pytest.mark.parametrize("name", NAMES)
def test_reading_the_results_file_gives_equal_results(name):
    """What was written is read back into equal objects, and written again it is the same text."""
    _, results = judged(name)
    text = to_json(results)

    again = from_json(text)

    assert again == results
    assert to_json(again) == text


@pytest.mark.parametrize("name", NAMES)
def test_the_results_file_keeps_its_contract(name):
    """Top keys in their order, no number that is not one, and never a place of this machine."""
    _, results = judged(name)
    text = to_json(results)

    def refuse(constant):
        raise AssertionError(constant)

    content = json.loads(text, parse_constant=refuse)

    keys = list(content)
    assert keys[:5] == ["format", "software", "study", "inputs", "analytes"]
    assert keys[-1] == "assessment"
    assert str(ROOT) not in text
    assert text.endswith("}\n")


@pytest.mark.parametrize(
    ("name", "answer"),
    [
        ("drinking_water_nitrate", "limits for routine control"),
        ("interlaboratory_moisture", "no intermediate precision"),
    ],
)
def test_the_clause_index_claims_control_limits_only_where_they_are_given(name, answer):
    """A trial between laboratories gives no intermediate precision, hence no chart of its own."""
    _, results = judged(name)

    assert [one.answer for one in results.assessment.clauses if one.clause == "7.7"] == [answer]


@pytest.mark.parametrize("name", NAMES)
def test_every_refusal_says_what_it_would_take(name):
    """Whatever was not assessed gives a reason and a remedy, as clauses without a full stop."""
    _, results = judged(name)

    found = list(refusals(results))

    assert found
    for refusal in found:
        for text in (refusal.not_assessed, refusal.needs):
            assert text.strip() == text != ""
            assert not text.endswith(".")


def refusals(value):
    """Every refusal in the results, however deep."""
    if isinstance(value, NotAssessed):
        yield value
    elif isinstance(value, tuple):
        for item in value:
            yield from refusals(item)
    elif isinstance(value, dict):
        for item in value.values():
            yield from refusals(item)
    elif isinstance(value, Record):
        for field in value.__struct_fields__:
            yield from refusals(getattr(value, field))


@pytest.mark.parametrize("name", NAMES)
def test_a_second_evaluation_gives_the_same_bytes(name):
    """Nothing remembers: reading and evaluating again gives the same file."""
    study = read_study(recording.EXAMPLES / name)

    assert to_json(assess(study, evaluate(study))) == to_json(judged(name)[1])


def test_another_process_gives_the_same_bytes(tmp_path):
    """Neither the order of hashes nor the working folder nor the locale decides anything."""
    code = (
        "import sys\n"
        "from validator.command_line import main\n"
        "for name in sys.argv[2:]:\n"
        "    status = main(['evaluate', f'{sys.argv[1]}/{name}', '--results', f'{name}.json'])\n"
        "    assert status in (0, 1), status\n"
    )
    other_seed = "0" if os.environ.get("PYTHONHASHSEED") == "31415" else "31415"
    environment = {
        **os.environ,
        "PYTHONHASHSEED": other_seed,
        "PYTHONPATH": str(ROOT),
        "LC_ALL": "C.UTF-8",
    }

    subprocess.run(
        [sys.executable, "-W", "error", "-c", code, str(recording.EXAMPLES), *NAMES],
        cwd=tmp_path,
        env=environment,
        check=True,
        capture_output=True,
    )

    for name in NAMES:
        assert (tmp_path / f"{name}.json").read_text(encoding="utf-8") == to_json(judged(name)[1]), name


@pytest.mark.parametrize("name", NAMES)
def test_the_command_prints_every_finding_and_the_verdict(command, name, tmp_path):
    """The command writes the results that the functions give; its status tells an unfit method."""
    _, results = judged(name)
    file = tmp_path / "results.json"

    done = command("evaluate", recording.EXAMPLES / name, "--results", file)

    assert file.read_text(encoding="utf-8") == to_json(results)
    assert done.err == ""
    assert done.status == (1 if results.assessment.verdict == "not fit" else 0)
    lines = done.out.splitlines()
    assert f"verdict: {results.assessment.verdict}" in lines
    assert len(lines) >= len(results.assessment.findings)


def test_always_succeed_turns_an_unfit_verdict_into_status_0(command, tmp_path):
    """A script that only wants the file is not stopped by the verdict."""
    name = "phosphate_in_seawater_unfit"
    file = tmp_path / "results.json"

    plain = command("evaluate", recording.EXAMPLES / name)
    always = command("evaluate", recording.EXAMPLES / name, "--results", file, "--always-succeed")

    assert (plain.status, always.status) == (1, 0)
    assert json.loads(file.read_text(encoding="utf-8"))["assessment"]["verdict"] == "not fit"


@pytest.mark.parametrize("name", NAMES)
def test_check_says_of_every_block_whether_it_can_be_assessed(command, name):
    """Reading only: status 0 whatever the verdict, the files that were read, and nothing written."""
    folder = recording.EXAMPLES / name
    before = sorted(path.name for path in folder.iterdir())

    done = command("check", folder)

    assert done.status == 0
    assert done.err == ""
    study, _ = judged(name)
    first, second, *rest = done.out.splitlines()
    assert first == study.study.title
    assert all(file.path in second for file in study.inputs)
    assert any("assessable" in line for line in rest)
    assert sorted(path.name for path in folder.iterdir()) == before


def test_a_study_is_named_by_its_folder_or_its_file(command, tmp_path):
    """The folder and the file in it are the same study."""
    folder = recording.EXAMPLES / NAMES[0]

    by_folder = command("evaluate", folder, "--results", tmp_path / "1.json")
    by_file = command("evaluate", folder / "study.yaml", "--results", tmp_path / "2.json")

    assert by_folder == by_file
    assert (tmp_path / "1.json").read_bytes() == (tmp_path / "2.json").read_bytes()
