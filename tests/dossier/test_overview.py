"""``validator check``: what can be assessed, and what each chosen profile still misses."""

from __future__ import annotations

import pytest

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
def missing(command, folder_with):
    """What the command says after the list of what can be assessed."""

    def missing(*, guidance, kind="", criteria="[]"):
        kind = f"\n  kind: {kind}" if kind else ""
        done = command("check", folder_with(STUDY.format(guidance=guidance, kind=kind, criteria=criteria)))
        assert (done.status, done.err) == (0, "")
        return done.out.partition("\n\n")[2].partition("\n\n")[2]

    return missing


def test_the_whole_overview(command, folder_with):
    """Title, files, every part of the results with its readings or its reason, then the guidance."""
    folder = folder_with(STUDY.format(guidance="[iso-8466-1-din-32645]", kind="", criteria="[]"))

    assert command("check", folder).out == "?"


def test_every_profile_has_its_own_list(missing):
    """What is asked for and not measured, what is too little, and the limits nobody has set, by document."""
    assert missing(guidance="[ich-q2r2-2023, iso-8466-1-din-32645]") == "?"


def test_the_kind_of_method_decides_what_is_asked_for(missing):
    """For an identification only selectivity is asked for, and no rule waits for the kind any more."""
    assert missing(guidance="[ich-q2r2-2023]", kind="identification") == "?"


def test_a_limit_that_is_set_is_missed_no_more(missing):
    """A criterion of the study on intermediate precision speaks for repeatability too."""
    with_limit = missing(
        guidance="[ich-q2r2-2023]", criteria="[{characteristic: intermediate_precision, rsd_max: 5}]"
    )

    assert "standard deviation" not in with_limit
    assert "mean recovery" in with_limit


def test_without_guidance_there_is_nothing_to_miss(missing):
    """The study is told that it has chosen none."""
    assert missing(guidance="[]") == "no guidance is chosen (study.guidance)\n"
