"""Page one: the verdict, each requirement with figure and outcome, the gravest caveats."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

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
from validator.dossier.sections.context import Context, Item, figure_text, place_of, row
from validator.evaluation.results import DeclaredLimit, Finding, NotAssessed
from validator.evaluation.rows import runs_of

if TYPE_CHECKING:
    from collections.abc import Sequence

ROLES = ("prepared", "reviewed", "approved")
GRAVEST = 3
FEW_OPEN = 4
"""Up to so many open points of one kind, page one says what each would take."""
_WORST_FIRST = ("does not meet", "inconclusive", "not assessed", "meets")


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
        (say.text("summary.analytes"), ", ".join(one.name for one in context.study.method.analytes)),
    ]
    optional = (
        ("matrix", identity.matrix),
        ("method", context.study.method.title),
        ("configuration", context.configuration_name(context.study.validated_configuration)),
        ("laboratory", identity.laboratory),
        ("guidance", ", ".join(identity.guidance)),
        ("period", _period(context)),
    )
    facts.extend((say.text(f"summary.{name}"), value) for name, value in optional if value)
    return KeyFacts(tuple(facts))


def _period(context: Context) -> str:
    period = context.study.study.period
    return f"{period.start.isoformat()} to {period.end.isoformat()}" if period else ""


def deciding(context: Context) -> list[Finding]:
    """Findings that the verdict rests on."""
    return [one for one in context.assessment.findings if one.decides and one.superseded_by is None]


def _verdict(context: Context) -> Verdict:
    say, found = context.say, deciding(context)
    counted = {outcome: sum(one.outcome == outcome for one in found) for outcome in _WORST_FIRST}
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
        points.append(
            say("summary.points.design", names="; ".join(dict.fromkeys(one.requirement for one in short)))
        )
    plan = context.results.plan
    if plan is not None and not plan.kept:
        many = len(plan.differences)
        key = "summary.points.plan" if many > 1 else "summary.points.plan_once"
        points.append(say(key, count=str(many)))
    stops = sum(one.severity == "stop" for one in context.assessment.caveats)
    if stops:
        points.append(say("summary.points.stops", count=str(stops)))
    points.append(say(f"summary.rule.{_rule(context)}"))
    return Verdict(verdict=context.assessment.verdict, sentence=sentence, points=tuple(points))


def _rule(context: Context) -> str:
    return context.study.analysis.decision_rule


def _open_names(context: Context, found: Sequence[Finding]) -> str:
    """What is open, each with what it would take where a page has room for that."""
    hardest: dict[str, Finding] = {}
    for one in found:
        name = _finding_name(context, one)
        if name not in hardest or _effort(one) > _effort(hardest[name]):
            hardest[name] = one
    if len(hardest) > FEW_OPEN:
        return "; ".join(hardest)
    return "; ".join(
        name if not one.needs else f"{name} ({_take(one.needs)})" for name, one in hardest.items()
    )


def _effort(finding: Finding) -> float:
    """How much more data a finding would take; beyond all numbers where more data is no remedy."""
    return math.inf if finding.further is None else finding.further


def _take(needs: str) -> str:
    """What it would take, without the reservations that the decision section gives."""
    return needs.partition(", if the figure stays")[0].partition(": the figure")[0]


def _finding_name(context: Context, finding: Finding) -> str:
    name = context.characteristic(finding.characteristic)
    return f"{name}, {context.analyte_name(finding.analyte)}" if context.has_several_analytes else name


def _claims(context: Context) -> tuple[Block, ...]:
    """Range and limits of each analyte: what the method is said to do."""
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
                Column(say.text("summary.claims.analyte"), width=18),
                Column(say.text("summary.claims.range")),
                Column(say.text("summary.claims.detection")),
                Column(say.text("summary.claims.quantification")),
                Column(say.text("summary.claims.points"), align="centre", width=12),
            ),
            rows=tuple(rows),
            note=say("summary.claims.note"),
        ),
    )


def limits_are_claimed(context: Context, item: Item) -> bool:
    """True when a limit matters: declared, asked for, or blanks measured."""
    detection = item.configuration.detection
    declared = not isinstance(detection, NotAssessed) and detection.declared_by == "study"
    asked = context.findings_on(("detection_limit", "quantification_limit"), item.cell)
    return declared or bool(asked) or bool(runs_of(context.study.blanks, item.cell))


def _claim(context: Context, item: Item) -> tuple[str, str, str, str]:
    calibration, detection = item.configuration.calibration, item.configuration.detection
    unit = item.analyte.unit
    if isinstance(calibration, NotAssessed):
        reach, points = numbers.MISSING, numbers.MISSING
    else:
        span = calibration.working_range
        reach = numbers.quantity(
            f"{numbers.as_given(span.lower)} {numbers.TO} {numbers.as_given(span.upper)}", unit
        )
        points = f"{calibration.n} / {calibration.levels}"
    if isinstance(detection, NotAssessed) or not limits_are_claimed(context, item):
        return reach, numbers.MISSING, numbers.MISSING, points
    return (
        reach,
        limit_text(detection.detection_limit),
        limit_text(detection.quantification_limit),
        points,
    )


def limit_text(limit: DeclaredLimit | NotAssessed) -> str:
    """A declared limit with interval, unit and variant."""
    if isinstance(limit, NotAssessed):
        return numbers.MISSING
    value = numbers.limit(limit.value)
    if limit.ci is None:
        return f"{numbers.quantity(value, limit.unit)} [{limit.variant}]"
    lower, upper = limit.ci
    span = f"{value} ({numbers.limit(lower)} {numbers.TO} {numbers.limit(upper)})"
    return f"{numbers.quantity(span, limit.unit)} [{limit.variant}]"


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
                requirement_of(members if len({one.criterion for one in members}) == 1 else [worst]),
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


def requirement_of(members: Sequence[Finding]) -> str:
    """The requirement the members share, without what tells them apart."""
    return members[0].criterion.split(" in presence of ")[0]


def governing(members: Sequence[Finding]) -> Finding:
    """The finding that decides for its group: worst outcome first, then the least favourable figure."""
    outcome = next(one for one in _WORST_FIRST if any(member.outcome == one for member in members))
    return max((member for member in members if member.outcome == outcome), key=_strain)


def _strain(finding: Finding) -> float:
    """How close the far end of the interval comes to the limit, as a share of it."""
    if finding.observed is None or finding.limit is None:
        return 0.0
    low, high = finding.interval or (finding.observed, finding.observed)
    ends = [finding.observed if end is None else end for end in (low, high)]
    if isinstance(finding.limit, tuple):
        lower, upper = finding.limit
        if lower is None or upper is None:
            return 0.0
        middle, half = (lower + upper) / 2, (upper - lower) / 2
        return max(abs(end - middle) for end in ends) / half if half else 0.0
    if finding.criterion.startswith(("p ≥", "≥", "correlation")):
        return finding.limit / finding.observed if finding.observed else 0.0
    return max(ends) / finding.limit if finding.limit else 0.0


def _gravest(context: Context) -> tuple[Block, ...]:
    say, caveats = context.say, context.assessment.caveats
    if not caveats:
        return (Paragraph(say("summary.no_caveats"), role="small"),)
    items = tuple(
        (
            Severity(caveat.severity),
            Text(f" {context.caveat_heading(caveat)}: {caveat.because} "),
            Reference(context.caveat_id(caveat)),
        )
        for caveat in caveats[:GRAVEST]
    )
    rest = len(caveats) - GRAVEST
    return (
        Paragraph(say("summary.gravest"), role="small"),
        BulletList(items),
        *((Paragraph(say("summary.more_caveats", count=str(rest)), role="small"),) if rest > 0 else ()),
    )


def signatures(context: Context) -> Signatures:
    """Places to sign, for those whom the study names."""
    people: dict[str, str] = {person.role: person.name for person in context.study.study.people}
    return Signatures(
        tuple(
            Signature(role=context.say.text(f"summary.role.{role}"), name=people.get(role, ""))
            for role in ROLES
        )
    )
