"""Limits in the unit that a study asks for beside its own."""

from __future__ import annotations

import re

import pytest

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

    (sentence,) = re.findall(r"The same in [^<]*", page)
    limit = results.analytes["x"].configurations["default"].detection.detection_limit.value
    shown = float(re.search(r"Detection limit ([\d.]+)", sentence)[1])
    assert unit in sentence
    assert shown == pytest.approx(limit * factor, rel=0.02)


def test_without_another_unit_nothing_is_added(judged, described):
    """Who asks for none is shown none."""
    page = render_html(build_document(*judged(described(**blanks_and_standards()))))

    assert "The same in" not in page
