"""A study whose every text is hostile, and a watch on what the process does meanwhile."""

from __future__ import annotations

import sys
from contextlib import contextmanager

import pytest

from validator import assess, evaluate, read_study

WATCHED = (
    "open",
    "socket.connect",
    "socket.getaddrinfo",
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.spawn",
)
_seen = []
_watching = [False]


def _hook(event, arguments):
    if _watching[0] and event in WATCHED:
        _seen.append((event, arguments))


sys.addaudithook(_hook)


@pytest.fixture
def watched():
    """Every opening of a file, connection and process that is begun within the context."""

    @contextmanager
    def watched():
        _seen.clear()
        _watching[0] = True
        events = []
        try:
            yield events
        finally:
            _watching[0] = False
            events.extend(_seen)

    return watched


def hostile(text):
    """A study that holds *text* wherever a study may hold one, in a form that reads."""
    return {
        "format": "validation-study/1",
        "study": {
            "title": text,
            "id": text,
            "version": text,
            "laboratory": text,
            "matrix": text,
            "intended_use": text,
            "people": [{"name": text, "role": "prepared"}],
            "references": [text],
            "hazards": [text],
        },
        "method": {
            "title": text,
            "principle": text,
            "procedure": text,
            "conditions": {text[:180]: text},
            "equipment": [text],
            "reagents": [text],
            "analytes": [
                {"id": text, "name": text, "unit": f"mg/L {text}", "signal": text, "signal_unit": text}
            ],
            "configurations": [
                {"id": "a", "name": text, "description": text, "active_area": {"value": 1, "unit": text}},
                {"id": "b", "name": f"{text} b"},
            ],
            "configuration": "a",
        },
        "criteria": [{"characteristic": "repeatability", "rsd_max": 5, "source": text, "note": text}],
        "calibration": {
            "runs": [
                {
                    "configuration": name,
                    "level": level,
                    "signals": [0.1 * level, 0.1 * level + 0.003],
                    "note": text,
                }
                for name in "ab"
                for level in range(1, 8)
            ]
            + [{"configuration": "a", "level": 3, "signal": 9, "excluded": text}]
        },
        "blanks": {"runs": [{"signals": [0.001 * k for k in range(11)], "series": text, "matrix": text}]},
        "precision": {
            "runs": [
                {"level": 5, "concentrations": [5, 5.1 + 0.01 * k], "series": f"{text} {k}"}
                | {"operator": text, "instrument": text, "device": text}
                for k in range(6)
            ]
        },
        "recovery": {"runs": [{"native": 1, "added": 2, "found": [2.9, 3.1, 3.0], "matrix": text}]},
        "interference": {
            "runs": [
                {
                    "interferent": text,
                    "ratio": 1,
                    "analyte_level": 5,
                    "found": [5, 5.1, 4.9],
                    "reference": [5, 5.05],
                }
            ]
        },
        "comparison": {
            "runs": [
                {"sample": f"{text} {k}", "this_method": k + 0.1, "reference_method": k + 0.05 * (k % 3)}
                for k in range(1, 9)
            ]
        },
        "robustness": {
            "design": "one_at_a_time",
            "factors": [{"name": text, "nominal": text, "low": text, "high": text, "unit": text}],
            "runs": [
                {"settings": [s], "result": r} for s, r in (("+", [5, 5.1]), ("-", [5, 4.9]), ("0", [5, 5]))
            ],
        },
        "stability": {
            "runs": [
                {"condition": text, "time": t, "time_unit": "d", "found": [5, 5.1]} for t in (0, 1, 2, 4)
            ]
        },
        "uncertainty": {
            "components": [{"name": text, "value": 1, "kind": "standard", "relative": True, "source": text}]
        },
    }


@pytest.fixture(scope="session")
def judged_with(folder_with):
    """The hostile study as read, and its judged results."""

    def judged_with(text, *, few_blocks=False):
        written = hostile(text)
        if few_blocks:
            kept = ("format", "study", "method", "calibration")
            written = {key: written[key] for key in kept}
        study = read_study(folder_with(written))
        return study, assess(study, evaluate(study))

    return judged_with


@pytest.fixture(scope="session")
def hostile_folder(folder_with):
    """The folder of a study whose every text is *text*."""
    return lambda text: folder_with(hostile(text))
