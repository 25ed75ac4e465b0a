"""Page one: the verdict, each requirement with figure and outcome, the gravest caveats."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator.assessment.guidance_findings import profiles_of
from validator.dossier import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    Column,
    KeyFacts,
    Paragraph,
    Signature,
    Signatures,
    Table,
    Verdict,
)
from validator.dossier.inline import Content, Outcome, Reference, Severity, Text
from validator.dossier.sections.context import Context, Item, figure_text, percent_level, place_of, row
from validator.dossier.sections.judging import WORST_FIRST, governing
from validator.evaluation.results import Caveat, DeclaredLimit, DesignFinding, Finding, NotAssessed
from validator.evaluation.rows import runs_of
from validator.statistics.detection import VARIANTS
from validator.statistics.detection.registry import QUANTIFICATION_ALIASES

if TYPE_CHECKING:
    from collections.abc import Sequence

    from validator.guidance import Profile

ROLES = ("prepared", "reviewed", "approved")
GRAVEST = 3
FEW_OPEN = 4
"""Up to so many open points of one kind, page one says what each would take."""


def summary(context: Context) -> tuple[Block, ...]:
    """The blocks of page one, after the title block."""
    return (
        _verdict(context),
        *_claims(context),
        *_table(context),
        *_gravest(context),
        signatures(context),
    )


def key_facts(context: Context) -> KeyFacts:
    """Particulars of the study for the title block."""
    say, identity = context.say, context.study.study
    facts: list[tuple[str, Content]] = [
        (say.text("summary.analytes"), _analytes(context)),
    ]
    optional = (
        ("matrix", identity.matrix),
        ("method", context.study.method.title),
        ("configuration", context.configuration_name(context.study.validated_configuration)),
        ("laboratory", identity.laboratory),
        ("guidance", "; ".join(_guidance(context, one) for one in profiles_of(context.study))),
        ("period", _period(context)),
    )
    facts.extend((say.text(f"summary.{name}"), value) for name, value in optional if value)
    return KeyFacts(tuple(facts))


def _guidance(context: Context, profile: Profile) -> str:
    """A document by its name, and what took its place where it was superseded."""
    if profile.superseded_by is None:
        return profile.name
    return context.say.text("summary.superseded", name=profile.name, successor=profile.superseded_by)


def _analytes(context: Context) -> Content:
    """Their names; of many, their number and where they stand."""
    names = [one.name for one in context.study.method.analytes]
    if not context.is_compact:
        return ", ".join(names)
    return context.say("overview.many", count=str(len(names)), where=Reference("overview"))


def _period(context: Context) -> str:
    period = context.study.study.period
    return f"{period.start.isoformat()} to {period.end.isoformat()}" if period else ""


def deciding(context: Context) -> list[Finding]:
    """Findings that the verdict rests on."""
    return [one for one in context.assessment.findings if one.decides]


def _verdict(context: Context) -> Verdict:
    say, found = context.say, deciding(context)
    if context.assessment.draft:
        count = str(len(context.study.left_open))
        return Verdict(verdict="not assessed", sentence=say("summary.verdict.draft", count=count))
    counted = {outcome: sum(one.outcome == outcome for one in found) for outcome in WORST_FIRST}
    undecided = context.assessment.verdict == "not assessed" and counted["inconclusive"]
    key = "undecided" if undecided else context.assessment.verdict.replace(" ", "_")
    sentence = say(f"summary.verdict.{key}", use=context.use, met=str(counted["meets"]), all=str(len(found)))
    points: list[Content] = []
    for outcome in ("does not meet", "inconclusive", "not assessed"):
        if counted[outcome]:
            names = _open_names(context, [one for one in found if one.outcome == outcome])
            points.append(say(f"summary.points.{outcome.replace(' ', '_')}", names=names))
    short = [
        one for one in context.assessment.design if one.outcome == "does not meet" and not one.recommended
    ]
    if short:
        lacking = "; ".join(dict.fromkeys(_lacking(context, one) for one in short))
        points.append(say("summary.points.design", names=lacking))
    plan = context.results.plan
    if plan is not None and not plan.kept:
        points.append(say("summary.points.plan", count=str(len(plan.differences))))
    stops = sum(one.severity == "stop" for one in context.assessment.caveats)
    if stops:
        points.append(say("summary.points.stops", count=str(stops)))
    points.append(say(f"summary.rule.{_rule(context)}"))
    return Verdict(verdict=context.assessment.verdict, sentence=sentence, points=tuple(points))


def _lacking(context: Context, finding: DesignFinding) -> str:
    """What the guidance asks of the design, and how much of it there is."""
    return context.say.text(
        "summary.points.lacking",
        requirement=finding.requirement,
        required=_amount(finding.required),
        provided=_amount(finding.provided),
    )


def _amount(value: float | str | None) -> str:
    return value if isinstance(value, str) else numbers.as_given(value)


def _rule(context: Context) -> str:
    return context.study.analysis.decision_rule


def _open_names(context: Context, found: Sequence[Finding]) -> str:
    """What is open, each with what it would take where a page has room for that."""
    if context.is_compact:
        counted: dict[str, set[str | None]] = {}
        for one in found:
            counted.setdefault(context.characteristic(one.characteristic), set()).add(one.analyte)
        return "; ".join(
            context.say.text("overview.of_many", name=name, count=str(len(analytes)))
            for name, analytes in counted.items()
        )
    hardest: dict[str, Finding] = {}
    for one in found:
        name = _finding_name(context, one)
        if name not in hardest or _effort(one) > _effort(hardest[name]):
            hardest[name] = one
    if len(hardest) > FEW_OPEN:
        return "; ".join(hardest)
    return "; ".join(name if not one.needs else f"{name} ({one.needs})" for name, one in hardest.items())


def _effort(finding: Finding) -> float:
    """How much more data a finding would take; beyond all numbers where more data is no remedy."""
    return math.inf if finding.further is None else finding.further


def _finding_name(context: Context, finding: Finding) -> str:
    name = context.characteristic(finding.characteristic)
    return f"{name}, {context.analyte_name(finding.analyte)}" if context.has_several_analytes else name


def _claims(context: Context) -> tuple[Block, ...]:
    """Range and limits of each analyte: what the method is said to do."""
    if context.is_compact:
        return (Paragraph(context.say("overview.claims", count=str(len(context.results.analytes)))),)
    rows = []
    for item in context.validated_items():
        cells = _claim(context, item)
        if any(cell != numbers.MISSING for cell in cells):
            rows.append(row(item.analyte.name, *cells))
    if not rows:
        return ()
    say = context.say
    return (
        Table(
            id="claims",
            caption=say("summary.claims.caption"),
            columns=(
                Column(say.text("summary.claims.analyte")),
                Column(say.text("summary.claims.range")),
                Column(say.text("summary.claims.detection")),
                Column(say.text("summary.claims.quantification")),
                Column(say.text("summary.claims.variant")),
                Column(say.text("summary.claims.points"), align="centre"),
            ),
            rows=tuple(rows),
            note=say("summary.claims.note", level=percent_level(context.study.analysis.confidence)),
            size="small",
        ),
    )


def limits_are_claimed(context: Context, item: Item) -> bool:
    """True when a limit matters: declared, asked for, or blanks measured."""
    detection = item.configuration.detection
    declared = not isinstance(detection, NotAssessed) and detection.declared_by == "study"
    asked = context.findings_on(("detection_limit", "quantification_limit"), item.cell)
    return declared or bool(asked) or bool(runs_of(context.study.blanks, item.cell))


def _claim(context: Context, item: Item) -> tuple[str, ...]:
    """Range, limits, the variants that declare them, points and levels."""
    calibration, detection = item.configuration.calibration, item.configuration.detection
    if isinstance(calibration, NotAssessed):
        reach, points = numbers.MISSING, numbers.MISSING
    else:
        span = calibration.working_range
        reach = numbers.quantity(
            f"{numbers.as_given(span.lower)} {numbers.TO} {numbers.as_given(span.upper)}", item.analyte.unit
        )
        points = f"{calibration.n} / {calibration.levels}"
    if isinstance(detection, NotAssessed) or not limits_are_claimed(context, item):
        return reach, numbers.MISSING, numbers.MISSING, numbers.MISSING, points
    limits = (detection.detection_limit, detection.quantification_limit)
    return (reach, *(limit_figure(one) for one in limits), variants_of(*limits), points)


def variants_of(*limits: DeclaredLimit | NotAssessed) -> str:
    """Titles of the variants by which *limits* were declared, each once."""
    titles = (variant_title(one) for one in limits if not isinstance(one, NotAssessed))
    return "; ".join(dict.fromkeys(titles)) or numbers.MISSING


def limit_text(limit: DeclaredLimit | NotAssessed) -> str:
    """A declared limit with interval, unit and variant."""
    if isinstance(limit, NotAssessed):
        return numbers.MISSING
    return f"{limit_figure(limit)} [{variant_title(limit)}]"


def limit_value(limit: DeclaredLimit | NotAssessed) -> str:
    """A declared limit alone, for a column that names the unit."""
    return numbers.MISSING if isinstance(limit, NotAssessed) else numbers.limit(limit.value)


def limit_figure(limit: DeclaredLimit | NotAssessed) -> str:
    """A declared limit with interval and unit."""
    if isinstance(limit, NotAssessed):
        return numbers.MISSING
    value = numbers.limit(limit.value)
    if limit.ci is None:
        return numbers.quantity(value, limit.unit)
    lower, upper = limit.ci
    span = f"{value} ({numbers.limit(lower)} {numbers.TO} {numbers.limit(upper)})"
    return numbers.quantity(span, limit.unit)


def variant_title(limit: DeclaredLimit) -> str:
    """The variant by which a limit was declared, as the reader knows it."""
    name = QUANTIFICATION_ALIASES.get(limit.variant, limit.variant)
    return VARIANTS[name].title if name in VARIANTS else limit.variant


def _table(context: Context) -> tuple[Block, ...]:
    say, found = context.say, deciding(context)
    if not found:
        return (Paragraph(say("summary.no_criteria")),)
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in found:
        groups.setdefault((finding.characteristic, finding.source), []).append(finding)
    rows = []
    for members in groups.values():
        worst = governing(members)
        rows.append(
            row(
                context.characteristic(worst.characteristic),
                worst.criterion,
                figure_text(worst) + _where(context, worst, members),
                numbers.count(worst.n),
                f"{sum(one.outcome == 'meets' for one in members)}/{len(members)}",
                Outcome(worst.outcome),
            )
        )
    return (
        Table(
            id="verdict-table",
            caption=say("summary.table.caption"),
            columns=(
                Column(say.text("summary.table.characteristic"), width=22),
                Column(say.text("summary.table.requirement"), width=20),
                Column(say.text("summary.table.result")),
                Column(say.text("summary.table.n"), align="centre", width=5),
                Column(say.text("summary.table.met"), align="centre", width=6),
                Column(say.text("summary.table.outcome"), width=15),
            ),
            rows=tuple(rows),
            note=say("summary.table.note"),
            size="small",
        ),
    )


def _where(context: Context, finding: Finding, members: Sequence[Finding]) -> str:
    """Where the least favourable of several findings stands: level or substance, and analyte."""
    if len(members) == 1:
        return ""
    parts = [place] if (place := place_of(context, finding)) else []
    if context.has_several_analytes:
        parts.append(context.analyte_name(finding.analyte))
    return f" ({', '.join(parts)})" if parts else ""


def _gravest(context: Context) -> tuple[Block, ...]:
    say, groups = context.say, context.caveat_groups()
    if not groups:
        return (Paragraph(say("summary.no_caveats"), role="small"),)
    items = tuple(
        (
            Severity(group[0].severity),
            Text(f" {context.caveat_heading(group)}: {_raised(group)} "),
            Reference(context.caveat_id(group[0])),
        )
        for group in groups[:GRAVEST]
    )
    rest = len(groups) - GRAVEST
    return (
        Paragraph(say("summary.gravest"), role="small"),
        BulletList(items),
        *((Paragraph(say("summary.more_caveats", count=str(rest)), role="small"),) if rest > 0 else ()),
    )


def _raised(group: Sequence[Caveat]) -> str:
    """What raised the first of a group; the others stand in the section of caveats."""
    first, *others = dict.fromkeys(one.because for one in group)
    return f"{first} …" if others else first


def signatures(context: Context) -> Signatures:
    """Places to sign, for those whom the study names."""
    people: dict[str, str] = {person.role: person.name for person in context.study.study.people}
    return Signatures(
        tuple(
            Signature(role=context.say.text(f"summary.role.{role}"), name=people.get(role, ""))
            for role in ROLES
        )
    )
