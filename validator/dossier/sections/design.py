"""Study design: what was run, against what the chosen guidance asks."""

from __future__ import annotations

from typing import TYPE_CHECKING

from validator.dossier import numbers
from validator.dossier.document import Block, Column, Paragraph, Section, Table
from validator.dossier.inline import Content, Outcome
from validator.dossier.sections.context import Context, row
from validator.evaluation.rows import Cell, group_label, independent_values, kept, runs_of

if TYPE_CHECKING:
    from collections.abc import Iterable

    from validator.study.models.runs import Run

BLOCKS = (
    "calibration",
    "blanks",
    "low_level",
    "precision",
    "recovery",
    "interference",
    "standard_addition",
    "matrix_calibration",
    "comparison",
    "robustness",
    "stability",
    "carry_over",
    "repeated_use",
    "noise",
)


def design(context: Context) -> Section:
    """What was run and what was asked for."""
    say = context.say
    blocks: list[Block | Section] = [Paragraph(say("design.lead"), role="lead")]
    blocks.extend(_runs(context))
    blocks.extend(_requirements(context))
    return Section(id="design", title=say("design.title"), blocks=tuple(blocks))


def _runs(context: Context) -> tuple[Block, ...]:
    say = context.say
    rows = []
    for name in BLOCKS:
        for item in context.items():
            runs = runs_of(getattr(context.study, name), item.cell)
            if runs:
                rows.append(
                    row(say(f"design.block.{name}"), item.name, *_counts(context, name, item.cell, runs))
                )
    if not rows:
        return ()
    return (
        Table(
            id="runs",
            caption=say("design.runs"),
            columns=(
                Column(say.text("design.what"), width=20),
                Column(say.text("design.of"), width=22),
                Column(say.text("design.levels"), align="centre"),
                Column(say.text("design.preparations"), align="centre"),
                Column(say.text("design.readings"), align="centre"),
                Column(say.text("design.series"), align="centre"),
                Column(say.text("design.operators"), align="centre"),
                Column(say.text("design.devices"), align="centre"),
                Column(say.text("design.excluded"), align="centre"),
            ),
            rows=tuple(rows),
            note=say("design.runs_note"),
            size="small",
        ),
    )


def _counts(context: Context, name: str, cell: Cell, runs: tuple[Run, ...]) -> Iterable[Content]:
    counted = kept(runs)
    readings = sum(_readings(run) for run in counted)
    values = len(independent_values(counted)) if hasattr(runs[0], "values") else len(counted)
    yield _or_dash(_distinct(getattr(run, "level", None) for run in counted))
    yield numbers.count(values)
    yield numbers.count(readings)
    yield _or_dash(_distinct(group_label(run) for run in counted))
    yield _or_dash(_distinct(run.operator for run in counted))
    yield _or_dash(_distinct(run.device for run in counted))
    yield numbers.count(sum(_readings(run) for run in runs) - readings)


def _readings(run: Run) -> int:
    for name in ("readings", "values"):
        values = getattr(run, name, None)
        if values is not None:
            return len(values)
    return 1


def _distinct(labels: Iterable[object]) -> int:
    return len({label for label in labels if label is not None})


def _or_dash(count: int) -> str:
    return numbers.count(count) if count else numbers.MISSING


def _requirements(context: Context) -> tuple[Block, ...]:
    say, found = context.say, context.assessment.design
    if not found:
        return (Paragraph(say("design.no_guidance")),)
    rows = [
        row(
            one.requirement,
            context.analyte_name(one.analyte),
            _plain(one.required),
            _plain(one.provided),
            Outcome(one.outcome),
            one.source,
        )
        for one in found
    ]
    short = [one for one in found if one.outcome == "does not meet"]
    sentence = (
        say("design.short", names="; ".join(dict.fromkeys(one.requirement for one in short)))
        if short
        else say("design.sufficient")
    )
    return (
        Paragraph(sentence),
        Table(
            id="requirements",
            caption=say("design.requirements"),
            columns=(
                Column(say.text("design.requirement")),
                Column(say.text("design.analyte"), width=12),
                Column(say.text("design.required"), align="centre", width=8),
                Column(say.text("design.provided"), align="centre", width=8),
                Column(say.text("design.outcome"), width=15),
                Column(say.text("design.source"), width=28),
            ),
            rows=tuple(rows),
            size="small",
        ),
    )


def _plain(value: float | str | None) -> str:
    return value if isinstance(value, str) else numbers.as_given(value)
