"""What the commands print on a terminal: plain tables of what was found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.inline import plain
from validator.dossier.sections.context import Context, figure_text
from validator.dossier.sections.decision import level_of
from validator.dossier.sections.summary import requirement_of
from validator.dossier.wording import wording
from validator.evaluation.results import ConfigurationRecord, NotAssessed, Results
from validator.evaluation.rows import runs_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.study import Study

MARKS = {"meets": "+", "does not meet": "-", "inconclusive": "?", "not assessed": "."}
_BLOCK_OF = {"detection": "calibration and blanks", "matrix_effect": "matrix_calibration"}


def findings_table(study: Study, results: Results, *, language: str = "en") -> str:
    """Every finding in a line, then the verdict and the open caveats."""
    context = Context(study, results, wording(language))
    assessment = context.assessment
    rows = [
        (
            MARKS[one.outcome],
            context.title_of(one.analyte, one.configuration),
            f"{context.characteristic(one.characteristic)}: {requirement_of([one])}",
            level_of(context, one),
            figure_text(one),
            one.outcome + ("" if one.decides and one.superseded_by is None else " (does not decide)"),
        )
        for one in assessment.findings
    ]
    lines = aligned(rows) if rows else [plain(context.say("summary.no_criteria"))]
    for caveat in assessment.caveats:
        lines.append(f"[{caveat.severity}] {context.caveat_heading(caveat)}: {caveat.because}")
    lines.append("")
    lines.append(f"verdict: {assessment.verdict}")
    return "\n".join(lines)


def overview(study: Study, results: Results, *, language: str = "en") -> str:
    """What can be assessed and what cannot, and why; then what the chosen guidance still misses."""
    context = Context(study, results, wording(language))
    files = ", ".join(one.path for one in results.inputs)
    remarks = [f"  {one.path}: {remark}" for one in results.inputs for remark in one.remarks or ()]
    lines = [f"{study.study.title}", f"readable: {files}", *remarks, ""]
    for item in context.items():
        lines.append(item.name)
        rows = [
            _overview_row(context, item.cell, name, item.configuration)
            for name in ConfigurationRecord.model_fields
        ]
        lines.extend(f"  {line}" for line in aligned(rows))
        lines.append("")
    lines.extend(_missing(context))
    return "\n".join(lines).rstrip("\n")


def _overview_row(context: Context, cell: object, name: str, record: ConfigurationRecord) -> tuple[str, ...]:
    value = getattr(record, name)
    title = context.say.maybe(f"names.block.{name}", name.replace("_", " "))
    if isinstance(value, NotAssessed):
        return (".", title, f"not assessable: {value.not_assessed}", f"needs: {value.needs}")
    runs = runs_of(getattr(context.study, name, None), cell)  # type: ignore[arg-type]
    count = sum(len(getattr(run, "values", ())) or 1 for run in runs)
    return ("+", title, "assessable", f"{numbers.count(count)} readings" if count else "")


def _missing(context: Context) -> list[str]:
    short = [one for one in context.assessment.design if one.outcome != "meets"]
    if not context.study.study.guidance:
        return ["no guidance is chosen (study.guidance)"]
    if not short:
        return ["the chosen guidance misses nothing in the design of what was measured"]
    lines = ["still missing for the chosen guidance:"]
    rows = [
        (
            "?" if one.recommended else "-",
            context.analyte_name(one.analyte),
            one.requirement,
            f"asked {_plain(one.required)}, given {_plain(one.provided)}",
            one.source,
        )
        for one in short
    ]
    return lines + [f"  {line}" for line in aligned(rows)]


def _plain(value: float | str | None) -> str:
    if value is None:
        return "nothing"
    return value if isinstance(value, str) else numbers.as_given(value)


def aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """Rows of cells as lines whose columns stand one under the other."""
    if not rows:
        return []
    widths = [max(len(one[column]) for one in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(cell.ljust(width) for cell, width in zip(one, widths, strict=True)).rstrip() for one in rows
    ]
