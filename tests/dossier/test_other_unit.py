"""Limits in the unit that a study asks for beside its own."""

from __future__ import annotations

import re

import pytest

import validator
from validator.dossier import build_document, render_html


def blanks_and_standards():
    return {
        "calibration": {"runs": [{"level": x, "signals": [0.1 * x, 0.1 * x + 0.002]} for x in range(1, 8)]},
        "blanks": {"runs": [{"signals": [0.001 * k for k in (1, 4, 2, 5, 3, 0, 6, 2, 4, 3)]}]},
    }


@pytest.mark.parametrize(("unit", "factor"), [("µmol/L", 1000 / 62.0), ("µg/L", 1000.0)])
def test_limits_are_shown_in_the_other_unit_too(judged, described, unit, factor):
    """The deciding limits stand in both units, one the multiple of the other."""
    analyte = {
        "id": "x",
        "name": "nitrate",
        "unit": "mg/L",
        "signal": "A",
        "signal_unit": "1",
        "molar_mass": 62.0,
    }
    study, results = judged(described(analytes=[{**analyte, "display_unit": unit}], **blanks_and_standards()))
    page = render_html(build_document(study, results))

    (sentence,) = re.findall(rf"In {unit}: [^<]*", page)
    limit = results.analytes["x"].configurations["default"].detection.detection_limit.value
    shown = float(re.search(r"Detection limit ([\d.]+)", sentence)[1])
    assert unit in sentence
    assert shown == pytest.approx(limit * factor, rel=0.02)


def test_without_another_unit_nothing_is_added(judged, described):
    """Who asks for none is shown none."""
    page = render_html(build_document(*judged(described(**blanks_and_standards()))))

    assert re.search(r"In [^ :<]+: Detection limit", page) is None


STATED = """\
format: validation-study/1
study: {title: Nitrate in water, matrix: water}
method:
  analytes:
    - id: no3
      name: nitrate
      unit: mg/L
      signal: A
      signal_unit: "1"
      molar_mass: 62.0
      legal_limit: {value: 0.8, unit: mmol/L}
      specification: {lower: 10, upper: 500, unit: µmol/L}
criteria:
  - {characteristic: detection_limit, max: 16, unit: µmol/L}
  - {characteristic: recovery, min: 90}
calibration:
  runs: [{level: 1, signal: 0.1}, {level: 2, signal: 0.2}]
"""


def test_limits_are_shown_as_they_were_stated(command, folder_with, tmp_path):
    """What the study wrote and what became of it stand side by side, in ``check`` and in the dossier."""
    folder = folder_with(STATED)
    said = [
        "legal limit, nitrate: stated as ≤ 0.8 mmol/L, converted to 49.6 mg/L",
        "specification, nitrate: stated as ≥ 10 µmol/L, converted to 0.62 mg/L",
        "specification, nitrate: stated as ≤ 500 µmol/L, converted to 31 mg/L",
        "Detection limit, nitrate: stated as ≤ 16 µmol/L, converted to 0.992 mg/L",
    ]

    done = command("check", folder)
    study = validator.read_study(folder)
    page = render_html(build_document(study, validator.assess(study, validator.evaluate(study))))
    text = " ".join(re.sub("<[^>]*>", "", page).split())

    assert [" ".join(line.split()) for line in done.out.splitlines() if "converted to" in line] == said
    assert "; ".join(said) + ". Molar mass of nitrate: 62 g/mol." in text


def test_a_study_in_its_own_units_says_nothing_of_them(command, folder_with):
    """Nothing is turned, so nothing is told."""
    own = re.sub(r"\{value: 0.8, unit: mmol/L\}", "50", STATED)
    own = own.replace(", unit: µmol/L", "")

    assert "converted to" not in command("check", folder_with(own)).out
