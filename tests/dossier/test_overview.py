"""``validator check``: what can be assessed, and what each chosen profile still misses."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest

from validator.resources import examples_folder

EXPECTED = Path(__file__).parent / "overviews"
"""What the command is to print, line for line."""

STUDY = """\
format: validation-study/1
study:
  title: Nitrate in well water
  guidance: {guidance}
method:{kind}
  analytes: [{{id: nitrate, name: nitrate, unit: mg/L, signal: absorbance, signal_unit: "1"}}]
criteria: {criteria}
calibration:
  runs:
    - {{level: 5, signals: [0.061, 0.063]}}
    - {{level: 10, signals: [0.121, 0.124]}}
    - {{level: 20, signals: [0.243, 0.239]}}
    - {{level: 40, signals: [0.480, 0.486]}}
precision:
  runs:
    - {{level: 20, series: D1, concentrations: [20.1, 19.8]}}
    - {{level: 20, series: D2, concentrations: [20.4, 20.2]}}
"""


@pytest.fixture
def overview(command, folder_with):
    """What the command prints for a study."""

    def overview(*, guidance, kind="", criteria="[]"):
        kind = f"\n  kind: {kind}" if kind else ""
        done = command("check", folder_with(STUDY.format(guidance=guidance, kind=kind, criteria=criteria)))
        assert (done.status, done.err) == (0, "")
        return done.out

    return overview


@pytest.fixture
def missing(overview):
    """What the command says after the list of what can be assessed."""
    return lambda **choices: overview(**choices).split("\n\n", 3)[3]


def expected(name):
    return (EXPECTED / f"{name}.txt").read_text(encoding="utf-8")


def test_the_whole_overview(overview):
    """Title, files, every part of the results with its readings or its reason; then each chosen document.

    What it asks for and was not measured, what is too little, the limits that nobody has set, and the rules
    that wait for the kind of method.
    """
    assert overview(guidance="[ich-q2r2-2023, iso-8466-1-din-32645]") == expected("two_documents")


def test_the_kind_of_method_decides_what_is_asked_for(missing):
    """For an identification only selectivity is asked for; linearity and limits of precision are not."""
    assert missing(guidance="[ich-q2r2-2023]", kind="identification") == expected("identification")


def test_a_limit_that_is_set_is_missed_no_more(missing):
    """A criterion of the study on intermediate precision speaks for repeatability too."""
    with_limit = missing(
        guidance="[ich-q2r2-2023]", criteria="[{characteristic: intermediate_precision, rsd_max: 5}]"
    )

    lines = with_limit.splitlines()
    title = lines.index("  limits to be set by the user and not yet set:")
    assert lines[title + 1 : title + 4] == [
        "    -  nitrate  Trueness  mean recovery  3.3.1§",
        "  requirements for specific kinds of method were not applied; "
        "state method: kind (assay, impurity_quantitative, impurity_limit, identification)",
        "",
    ]


def test_without_guidance_there_is_nothing_to_miss(missing):
    """The study is told that it has chosen none."""
    assert missing(guidance="[]") == "no guidance is named in the study (key study: guidance)\n"


def test_a_limit_that_waits_for_a_particular_of_the_study_is_named(missing):
    """The law limits the uncertainty at the legal limit: without one there is no place to look."""
    told = missing(guidance="[eu-water-monitoring-2009-90]").splitlines()

    title = told.index("  limits for which no result is available:")
    (line,) = [one for one in told[title:] if "Measurement uncertainty" in one]
    assert line.endswith("the study states no legal limit  required: the legal limit of the analyte")


def test_rules_for_a_kind_are_no_reason_to_say_that_nothing_is_missed(command, tmp_path):
    """Where a document has rules for kinds and the study states none, no more is said than is known."""
    folder = tmp_path / "tablets"
    shutil.copytree(examples_folder() / "tablet_assay_caffeine", folder)
    file = folder / "study.yaml"

    stated = command("check", folder).out
    file.write_text(re.sub(r"(?m)^  kind: assay.*\n", "", file.read_text(encoding="utf-8")), encoding="utf-8")
    silent = command("check", folder).out

    document = "ICH Q2(R2), step 4, 1 November 2023, file corrected 30 November 2023"
    assert f"{document}: no gaps\n" in stated
    assert f"{document}: no gaps in the requirements that apply to all kinds of method\n" in silent
