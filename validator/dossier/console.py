"""What the commands print on a terminal: plain tables of what was found."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.asked import not_measured, not_set, waiting_for_kind
from validator.assessment.design import counter_name
from validator.assessment.guidance_findings import guidance_findings
from validator.assessment.own_criteria import own_findings
from validator.characteristics.order import FIGURES
from validator.dossier.inline import plain
from validator.dossier.sections.context import Context, Item, estimate_text, figure_text, remarks_on_files
from validator.dossier.sections.decision import level_of
from validator.dossier.sections.other_unit import stated_text
from validator.dossier.sections.summary import limit_text
from validator.dossier.wording import sentence, wording
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.results import (
    ConfigurationRecord,
    DeclaredLimit,
    EstimateRecord,
    NotAssessed,
    Results,
)
from validator.evaluation.rows import runs_of
from validator.sources import has_marks
from validator.study.blocks import data_blocks
from validator.study.models.base import few
from validator.study.models.runs import Block
from validator.study.stated import stated_limits

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.rows import Cell
    from validator.guidance import Profile
    from validator.study import Study

WIDE = 10_000
MOST_FILES_NAMED = 15
"""Columns where no terminal limits them."""

MARKS = {"meets": "+", "does not meet": "-", "inconclusive": "?", "not assessed": "."}
_BLOCK_OF = {"detection": "blanks", "matrix_effect": "matrix_calibration"}
"""The block whose readings are counted beside a part of the results, where the names differ."""


def findings_table(study: Study, results: Results, *, width: int = WIDE, language: str = "en") -> str:
    """The results, every finding with its reason, the open caveats, then the verdict of each analyte."""
    context = Context(study, results, wording(language))
    assessment = context.assessment
    lines = _figures(context, width)
    rows, below = [], []
    for one in assessment.findings:
        source = f" [{one.document}, {one.clause}]" if one.document else ""
        rows.append(
            (
                MARKS[one.outcome],
                context.title_of(one.analyte, one.configuration),
                f"{context.characteristic(one.characteristic)}: {one.criterion}{source}",
                level_of(context, one),
                figure_text(one),
                one.outcome + ("" if one.decides else f" (for information: {one.informs})"),
            )
        )
        open_one = one.outcome in ("inconclusive", "not assessed") or (
            one.outcome == "does not meet" and one.reason
        )
        below.append([_reason(one.reason, one.needs)] if open_one else [])
    lines += aligned(rows, width, below) if rows else [plain(context.say("summary.no_criteria"))]
    lines.append("")
    for caveat in assessment.caveats:
        text = f"[{caveat.severity}] {context.caveat_heading((caveat,))}: {caveat.because} {caveat.remedy}"
        lines.extend(wrapped(text, width, "  "))
    lines.append("")
    if context.results.censored:
        told = ", ".join(f"{name} {count}" for name, count in context.results.censored.items())
        lines.extend(
            wrapped(
                f"results reported as less than a limit (tried at 0 and at the limit): {told}", width, "  "
            )
        )
    lines.extend(_verdicts(context, width))
    return "\n".join(lines)


def _reason(reason: str | None, needs: str | None) -> str:
    return "; required: ".join(part for part in (reason, needs) if part)


def _verdicts(context: Context, width: int) -> list[str]:
    """The verdict of each analyte where there are several, and that of the study last."""
    assessment = context.assessment
    lines: list[str] = []
    if len(assessment.analytes) > 1:
        for analyte, one in assessment.analytes.items():
            name = context.analyte_name(analyte)
            text = f"{name}: {one.verdict}. {one.reason}{_settles(context, one.settles)}"
            lines.extend(wrapped(text, width, "  "))
    word = "draft, no verdict" if assessment.draft else f"verdict: {assessment.verdict}"
    if len(assessment.analytes) == 1 or assessment.draft:
        text = f"{assessment.reason}{_settles(context, assessment.settles)}"
        lines.extend(wrapped(text, width, "  "))
    return [line for line in lines if line] + [word]


def _settles(context: Context, what: str) -> str:
    return f" {plain(context.say('summary.settles', what=what)).strip()}" if what else ""


def _figures(context: Context, width: int) -> list[str]:
    """The results that a first look asks for, of every configuration, with a criterion or without."""
    lines: list[str] = []
    for item in context.items():
        rows = list(_figures_of(context, item))
        if rows:
            lines.append(item.name)
            lines.extend(f"  {line}" for line in aligned(rows, width - 2))
            lines.append("")
    return lines


def _figures_of(context: Context, item: Item) -> Iterator[tuple[str, ...]]:
    record, unit = item.configuration, item.analyte.unit
    if not isinstance(record.calibration, NotAssessed):
        line = record.calibration
        yield ("Slope", "", estimate_text(line.slope, f"{item.analyte.signal_unit}/({unit})"))
        yield ("Correlation coefficient", "", numbers.correlation(line.correlation))
    if not isinstance(record.detection, NotAssessed):
        for name in ("detection_limit", "quantification_limit"):
            limit = getattr(record.detection, name)
            if isinstance(limit, DeclaredLimit):
                yield (context.characteristic(name), "", limit_text(limit))
    for one in () if isinstance(record.precision, NotAssessed) else record.precision:
        level = numbers.as_given(one.level, unit) if one.level is not None else ""
        for name in ("repeatability", "intermediate", "reproducibility"):
            found = getattr(one, f"{name}_rsd")
            if isinstance(found, EstimateRecord) and found.value is not None:
                yield (f"RSD, {name}", level, estimate_text(found, "%"))
    for entry in () if isinstance(record.recovery, NotAssessed) else record.recovery:
        level = numbers.as_given(entry.level, unit)
        where = f"{level}, {entry.matrix}" if entry.matrix else level
        yield ("Recovery", where, estimate_text(entry.mean_recovery, "%"))


def overview(study: Study, results: Results, *, width: int = WIDE, language: str = "en") -> str:
    """What can be assessed and what cannot, and why; then what the chosen guidance still misses."""
    context = Context(study, results, wording(language))
    paths = [one.path for one in results.inputs]
    files = ", ".join(paths) if len(paths) <= MOST_FILES_NAMED else few(paths)
    remarks = [f"  {line}" for line in remarks_on_files(results.inputs)]
    stated = [f"  {stated_text(context, one)}" for one in stated_limits(study)]
    left_open = [f"  {one.file}:{one.line}: {one.field} has not been filled in" for one in study.left_open]
    lines = [f"{study.study.title}", f"readable: {files}", *remarks, *stated, *left_open, ""]
    lines.extend(f"  {line}" for line in aligned(_rows_read(study), width - 2))
    lines.append("")
    for item in context.items():
        lines.append(item.name)
        rows = [
            _overview_row(context, item.cell, name, item.configuration)
            for name in ConfigurationRecord.__struct_fields__
            if getattr(item.configuration, name) not in (None, ())
        ]
        lines.extend(f"  {line}" for line in aligned(rows, width - 2))
        lines.append("")
    lines.extend(_unanswered(context, width))
    lines.extend(_missing(context, width))
    return explained("\n".join(lines).rstrip("\n"), context)


def _rows_read(study: Study) -> list[tuple[str, ...]]:
    """For each data block, how many rows were read and not read, and how many runs are excluded."""
    rows: list[tuple[str, ...]] = []
    for name, _, _ in data_blocks():
        block = getattr(study, name)
        if block is None:
            continue
        tables = [one for file in study.inputs for one in file.tables if one.block == name]
        excluded = sum(run.excluded is not None for run in block.runs)
        from_curves = study.recordings is not None and name in {run.into for run in study.recordings.runs}
        read, skipped = "from recordings" if from_curves else "in the study file", ""
        if tables:
            read = f"{numbers.count(sum(one.read for one in tables))} rows read"
            skipped = f"{numbers.count(sum(one.skipped for one in tables))} not read"
        runs = f"{numbers.count(len(block.runs))} {'run' if len(block.runs) == 1 else 'runs'}"
        rows.append((name, read, skipped, runs, f"{numbers.count(excluded)} excluded"))
    return rows


def _unanswered(context: Context, width: int) -> list[str]:
    """Criteria of the study that no result answers, and why."""
    rows = [
        (
            "-",
            context.title_of(one.analyte, one.configuration),
            f"{context.characteristic(one.characteristic)}: {one.criterion}",
            one.reason or "",
        )
        for one in own_findings(context.study, context.results)
        if one.outcome == "not assessed"
    ]
    if not rows:
        return []
    return ["acceptance criteria without results:", *(f"  {line}" for line in aligned(rows, width - 2)), ""]


def explained(text: str, context: Context) -> str:
    """*text* with the meaning of the marks of its sources at its foot, if it has any."""
    return f"{text}\n\n{context.say.text('common.source_marks')}" if has_marks(text) else text


def _overview_row(context: Context, cell: Cell, name: str, record: ConfigurationRecord) -> tuple[str, ...]:
    value = getattr(record, name)
    title = context.say.maybe(f"names.block.{name}", context.characteristic(name))
    title = sentence(title)
    if isinstance(value, NotAssessed):
        return (".", title, f"cannot be assessed: {value.not_assessed}", f"required: {value.needs}")
    block = getattr(context.study, _BLOCK_OF.get(name, name), None)
    runs = runs_of(block if isinstance(block, Block) else None, cell)
    count = sum(len(getattr(run, "values", getattr(run, "sequence", ()))) or 1 for run in runs)
    readings = "reading" if count == 1 else "readings"
    return ("+", title, "assessable", f"{numbers.count(count)} {readings}" if count else "")


def _missing(context: Context, width: int) -> list[str]:
    """What each chosen profile asks for and the study does not give."""
    profiles = profiles_of(context.study)
    if not profiles:
        return ["no guidance is named in the study (key study: guidance)"]
    lines: list[str] = []
    for profile in profiles:
        parts = [
            ("required but not measured", _not_measured(context, profile)),
            ("design below the required minimum", _short(context, profile, recommended=False)),
            ("design below the recommended or customary number", _short(context, profile, recommended=True)),
            ("limits to be set by the user and not yet set", _not_set(context, profile)),
            ("limits for which no result is available", _not_held(context, profile)),
        ]
        open_ones = [(title, rows) for title, rows in parts if rows]
        kinds = ", ".join(waiting_for_kind(context.study, profile))
        nothing = "no gaps in the requirements that apply to all kinds of method" if kinds else "no gaps"
        lines.append(f"{profile.name}: {'gaps' if open_ones else nothing}")
        for title, rows in open_ones:
            lines.append(f"  {title}:")
            lines.extend(f"    {line}" for line in aligned(rows, width - 4))
        if kinds:
            lines.append(
                f"  requirements for specific kinds of method were not applied; state method: kind ({kinds})"
            )
        lines.append("")
    return lines


def _not_measured(context: Context, profile: Profile) -> list[tuple[str, ...]]:
    return [
        (
            "-",
            context.analyte_name(one.analyte),
            context.characteristic(one.characteristic),
            one.refusal.not_assessed,
            f"required: {one.refusal.needs}",
        )
        for one in not_measured(context.study, context.results, profile)
    ]


def _short(context: Context, profile: Profile, *, recommended: bool) -> list[tuple[str, ...]]:
    """Counts below what the profile asks, where something was measured."""
    return [
        (
            "?" if recommended else "-",
            context.analyte_name(one.analyte),
            f"{context.characteristic(one.characteristic)}: {counter_name(one.counter)}",
            f"required {_plain(one.required)}, provided {_plain(one.provided)}",
            one.cited.removeprefix(f"{profile.name}, "),
        )
        for one in context.assessment.design
        if one.profile == profile.id and one.recommended is recommended and one.outcome == "does not meet"
    ]


def _not_set(context: Context, profile: Profile) -> list[tuple[str, ...]]:
    return [
        (
            "-",
            context.analyte_name(one.analyte),
            context.characteristic(one.rule.characteristic),
            FIGURES[one.figure].meaning,
            one.rule.cite().marked.removeprefix(f"{profile.name}, "),
        )
        for one in not_set(context.study, profile, context.assessment.findings)
    ]


def _not_held(context: Context, profile: Profile) -> list[tuple[str, ...]]:
    """Limits that would decide and cannot be looked at, though the characteristic was measured."""
    unmeasured = {
        (one.analyte, one.characteristic) for one in not_measured(context.study, context.results, profile)
    }
    rows = [
        (
            "-",
            context.analyte_name(one.analyte),
            context.characteristic(one.characteristic),
            one.reason or "",
            f"required: {one.needs}" if one.needs else "",
        )
        for one in guidance_findings(context.study, context.results, [profile])
        if one.decides
        and one.outcome == "not assessed"
        and (one.analyte, one.characteristic) not in unmeasured
    ]
    return list(dict.fromkeys(rows))


def _plain(value: float | str | None) -> str:
    return "nothing" if value is None else numbers.stated(value)


def aligned(
    rows: Sequence[tuple[str, ...]], width: int = WIDE, below: Sequence[Sequence[str]] = ()
) -> list[str]:
    """Rows of cells as lines whose columns stand one under the other, each with the texts *below* it.

    Where the columns do not fit into *width*, the cells of a row follow one another and are wrapped.
    """
    if not rows:
        return []
    widths = [max(len(one[column]) for one in rows) for column in range(len(rows[0]))]
    fits = sum(widths) + 2 * (len(widths) - 1) <= width
    lines: list[str] = []
    for at, one in enumerate(rows):
        if fits:
            lines.append("  ".join(cell.ljust(size) for cell, size in zip(one, widths, strict=True)).rstrip())
        else:
            lines.extend(wrapped("  ".join(cell for cell in one if cell), width, "    "))
        for text in below[at] if below else ():
            lines.extend(f"     {line}" for line in wrapped(text, width - 5, "  "))
    return lines


def wrapped(text: str, width: int, indent: str) -> list[str]:
    """*text* in lines of *width*, those after the first indented."""
    return textwrap.wrap(text, max(width, 40), subsequent_indent=indent, break_on_hyphens=False) or [text]
