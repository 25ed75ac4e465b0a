"""What is recorded of an example, and how: ``python tests/end_to_end/recording.py`` writes all records anew.

Look at the difference before it is kept: every line that changes is a finding that changed.
"""

from __future__ import annotations

import json
from pathlib import Path

from validator import assess, evaluate, read_study

EXAMPLES = Path(__file__).parents[2] / "example_studies"
RECORDED = Path(__file__).parent / "recorded"


def example_names():
    return sorted(path.parent.name for path in EXAMPLES.glob("*/study.yaml"))


def record(assessment):
    """Verdict, findings and caveats of an *assessment* as lines of JSON that are easy to compare."""
    return {
        "verdict": assessment.verdict,
        "findings": [
            [one.characteristic, one.analyte, one.level, one.what, one.source, one.outcome]
            for one in assessment.findings
        ],
        "caveats": [
            [one.severity, one.id, one.characteristic, one.analyte, one.configuration]
            for one in assessment.caveats
        ],
    }


def as_text(recorded):
    """One finding a line."""

    def listed(rows):
        lines = [f"  {json.dumps(row, ensure_ascii=False)}" for row in rows]
        return "[\n" + ",\n".join(lines) + "\n ]" if lines else "[]"

    return (
        "{\n"
        f' "verdict": {json.dumps(recorded["verdict"])},\n'
        f' "findings": {listed(recorded["findings"])},\n'
        f' "caveats": {listed(recorded["caveats"])}\n'
        "}\n"
    )


def main():
    for name in example_names():
        study = read_study(EXAMPLES / name)
        found = record(assess(study, evaluate(study)).assessment)
        (RECORDED / f"{name}.json").write_text(as_text(found), encoding="utf-8")


if __name__ == "__main__":
    main()
