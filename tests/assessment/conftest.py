"""Small studies from YAML text, and the caveats that they raise."""

from __future__ import annotations

import re
from functools import cache

import pytest

from validator.guidance import caveat_texts

SAID = {
    "title": "A study for a test",
    "id": "S-1",
    "version": '"1"',
    "period": "{from: 2025-01-13, to: 2025-02-28}",
    "people": "[{name: A. Nother, role: prepared}]",
}
"""What a traceable study says of itself."""


def _flow(entries):
    return "{" + ", ".join(f"{key}: {value}" for key, value in entries.items() if value) + "}"


def study_text(parts):
    """A study of one analyte, x in mg/L by a signal without unit.

    The entries ``study``, ``method`` and ``analyte`` of *parts* are YAML by key, added to what stands there
    or, where empty, left out; every other entry is a block of the study as YAML.
    """
    analyte = {"id": "x", "name": "analyte x", "unit": "mg/L", "signal": "signal", "signal_unit": '"1"'}
    method = {"procedure": "P-1", "analytes": f"[{_flow(analyte | parts.get('analyte', {}))}]"}
    blocks = {
        "format": "validation-study/1",
        "study": _flow(SAID | parts.get("study", {})),
        "method": _flow(method | parts.get("method", {})),
        "analysis": "{decision_rule: guarded}",
        **{name: text for name, text in parts.items() if name not in ("study", "method", "analyte")},
    }
    return "".join(f"{name}: {text}\n" for name, text in blocks.items() if text)


@pytest.fixture(scope="session")
def study_from_parts(study_of):
    """The study that the parts describe, as read."""
    return lambda parts: study_of(study_text(parts))


@pytest.fixture(scope="session")
def caveats_of(judged):
    """Every caveat of a study given by its parts; a study that several tests share is judged once."""

    @cache
    def of_text(text):
        return judged(text)[1].assessment.caveats

    return lambda parts: of_text(study_text(parts))


@pytest.fixture(scope="session")
def sentences(caveats_of):
    """The sentences, with their severity, that a study raises for one case of one caveat: ``id:case``."""

    def sentences(parts, which):
        name, _, case = which.partition(":")
        text = caveat_texts()[name].cases[case]
        severity = text.severity or caveat_texts()[name].severity
        pattern = ".+".join(re.escape(piece) for piece in re.split(r"\{\w+\}", text.because))
        return [
            one.because.replace("\N{NARROW NO-BREAK SPACE}", " ")
            for one in caveats_of(parts)
            if one.id == name and one.severity == severity and re.fullmatch(pattern, one.because)
        ]

    return sentences
