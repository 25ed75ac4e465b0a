"""Page one: the verdict, each requirement with figure and outcome, the gravest caveats."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from validator import numbers
from validator.assessment.verdict import GRAVITY
from validator.dossier.document import (
    Block,
    BulletList,
    KeyFacts,
    Signature,
    Signatures,
    Verdict,
)
from validator.dossier.inline import Content, Outcome, Reference, Severity, Text
from validator.dossier.sections.context import Context, Item, figure_text, percent_level, place_of, row
from validator.dossier.sections.judging import governing
from validator.dossier.wording import Col, Mid, table_of
from validator.evaluation.chosen_guidance import profiles_of
from validator.evaluation.results import (
    Caveat,
    DeclaredLimit,
    DesignFinding,
    Finding,
    NotAssessed,
    RangeRecord,
)
from validator.evaluation.rows import runs_of
from validator.statistics.detection import VARIANTS
from validator.statistics.detection.registry import QUANTIFICATION_ALIASES

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from validator.evaluation.results import Interval
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
    return context.say("overview.many", count=len(names), where=Reference("overview"))


def _period(context: Context) -> str:
    period = context.study.study.period
    return f"{period.start.isoformat()} to {period.end.isoformat()}" if period else ""


def deciding(context: Context) -> list[Finding]:
    """Findings that the verdict rests on."""
    return [one for one in context.assessment.findings if one.decides]


def _verdict(context: Context) -> Verdict:
    say, assessment = context.say, context.assessment
    if assessment.draft:
        sentence = say("summary.draft", reason=assessment.reason)
        return Verdict(verdict="not assessed", sentence=sentence)
    settles = say.text("summary.settles", what=assessment.settles) if assessment.settles else ""
    sentence = say("summary.verdict", use=context.use, reason=assessment.reason, settles=settles)
    return Verdict(verdict=assessment.verdict, sentence=sentence, points=tuple(_points(context)))


def _points(context: Context) -> Iterator[Content]:
    """What stands beside the verdict: restrictions, open points and how it was decided."""
    say, assessment, found = context.say, context.assessment, deciding(context)
    if assessment.purpose == "partial":
        yield say("summary.partial")
    if len({one.reason for one in assessment.analytes.values()}) > 1 and not context.is_compact:
        for name, one in assessment.analytes.items():
            verdict = say.text(f"frame.verdicts.{one.verdict}")
            yield say(
                "summary.points.analyte", name=context.analyte_name(name), verdict=verdict, reason=one.reason
            )
    conditions = dict.fromkeys(title for one in assessment.analytes.values() for title in one.conditions)
    if conditions:
        yield say("summary.points.conditions", names="; ".join(conditions))
    for outcome in ("does not meet", "inconclusive", "not assessed"):
        members = [one for one in found if one.outcome == outcome]
        if members:
            names = _open_names(context, members)
            yield say(f"summary.points.{outcome.replace(' ', '_')}", names=names)
    yield from _gaps(context)
    short = [one for one in assessment.design if one.outcome == "does not meet" and not one.recommended]
    if short:
        lacking = "; ".join(dict.fromkeys(_lacking(context, one) for one in short))
        yield say("summary.points.design", names=lacking)
    yield from _of_sources(context)
    yield from _of_data(context)
    plan = context.results.plan
    if plan is not None and not plan.kept:
        yield say("summary.points.plan", count=len(plan.differences))
    stops = sum(one.severity == "stop" for one in assessment.caveats)
    if stops:
        yield say("summary.points.stops", count=str(stops))
    yield say(f"summary.rule.{_rule(context)}")


def _of_data(context: Context) -> Iterator[Content]:
    """Results below a limit, and exclusions that make the verdict kinder."""
    say, assessment = context.say, context.assessment
    if context.results.censored:
        yield say("summary.points.censored", count=sum(context.results.censored.values()))
    beside = assessment.without_exclusions
    if beside is not None and GRAVITY.index(beside) > GRAVITY.index(assessment.verdict):
        yield say("summary.points.exclusions", verdict=say.text(f"frame.verdicts.{beside}"))


def _gaps(context: Context) -> Iterator[Content]:
    """What of the claim is not covered."""
    say, assessment = context.say, context.assessment
    gaps = [
        f"{gap} ({context.analyte_name(name)})" if context.has_several_analytes else gap
        for name, one in assessment.analytes.items()
        for gap in (one.range.not_covered if one.range else ())
    ]
    if gaps:
        yield say("summary.points.not_covered", names="; ".join(gaps))


def _of_sources(context: Context) -> Iterator[Content]:
    """Rules not compared with their text, rules set aside, and results without an interval."""
    say = context.say
    remembered: dict[str, set[str]] = {}
    for one in context.assessment.findings:
        if one.remembered:
            remembered.setdefault(one.document, set()).add(one.rule)
    for document, rules in remembered.items():
        verb = "was" if len(rules) == 1 else "were"
        yield say("summary.points.remembered", count=len(rules), document=document, verb=verb)
    bounds = [
        one
        for one in deciding(context)
        if one.interval is None and one.observed is not None and one.unit != "p"
    ]
    if bounds:
        names = "; ".join(dict.fromkeys(context.characteristic(one.characteristic) for one in bounds))
        yield say("summary.points.without_interval", names=names)
    aside = [
        say.text(
            "summary.points.aside",
            rule=one.rule,
            document=one.document,
            reason=one.reason,
            by=one.accepted_by,
            date=one.date.isoformat(),
        )
        for one in context.study.study.not_applicable
    ]
    if aside:
        yield say("summary.points.set_aside", names="; ".join(aside))


def _lacking(context: Context, finding: DesignFinding) -> str:
    """What the guidance asks of the design, and how much of it there is."""
    return context.say.text(
        "summary.points.lacking",
        requirement=finding.requirement,
        required=numbers.stated(finding.required),
        provided=numbers.stated(finding.provided),
    )


def _rule(context: Context) -> str:
    return context.study.analysis.decision_rule


def _open_names(context: Context, found: Sequence[Finding]) -> str:
    """What is open, each with what it would take where a page has room for that."""
    if context.is_compact:
        counted: dict[str, set[str | None]] = {}
        for one in found:
            counted.setdefault(context.characteristic(one.characteristic), set()).add(one.analyte)
        return "; ".join(
            context.say.text("overview.of_many", name=name, count=len(analytes))
            for name, analytes in counted.items()
        )
    hardest: dict[str, Finding] = {}
    for one in found:
        name = _finding_name(context, one)
        if name not in hardest or _effort(one) > _effort(hardest[name]):
            hardest[name] = one
    if len(hardest) > FEW_OPEN:
        return "; ".join(hardest)
    return "; ".join(
        name if not one.needs or one.outcome == "does not meet" else f"{name} ({one.needs})"
        for name, one in hardest.items()
    )


def _effort(finding: Finding) -> float:
    """How much more data a finding would take; beyond all numbers where more data is no remedy."""
    return math.inf if finding.further is None else finding.further


def _finding_name(context: Context, finding: Finding) -> str:
    name = context.characteristic(finding.characteristic)
    return f"{name}, {context.analyte_name(finding.analyte)}" if context.has_several_analytes else name


def _claims(context: Context) -> tuple[Block, ...]:
    """What is claimed of each analyte, and what of it the evidence covers."""
    say = context.say
    if context.is_compact:
        return (say.paragraph("overview.claims", count=len(context.results.analytes)),)
    items = list(context.validated_items())
    told = [_claim(context, item) for item in items]
    rows = [
        row(
            say.text(f"summary.claims.{name}"),
            *(one[name] for one in told),
            kind="total" if name == "validated" else "plain",
        )
        for name in told[0]
        if any(one[name] != numbers.MISSING for one in told)
    ]
    if not rows:
        return ()
    return (
        table_of(
            say,
            "summary.claims.caption",
            rows,
            Col("quantity"),
            *(Col(Text(item.analyte.name), unit=item.analyte.unit) for item in items),
            id="claims",
            note=say("summary.claims.note", level=percent_level(context.study.analysis.confidence)),
        ),
    )


def limits_are_claimed(context: Context, item: Item) -> bool:
    """True when a limit matters: declared, asked for, or blanks measured."""
    detection = item.configuration.detection
    declared = not isinstance(detection, NotAssessed) and detection.declared_by == "study"
    asked = context.findings_on(("detection_limit", "quantification_limit"), item.cell)
    return declared or bool(asked) or bool(runs_of(context.study.blanks, item.cell))


def _claim(context: Context, item: Item) -> dict[str, str]:
    """The ranges, the limits and how they were found, in the unit of the analyte."""
    verdict = context.assessment.analytes.get(item.cell.analyte)
    reach = verdict.range if verdict is not None and verdict.range is not None else RangeRecord()
    calibration, detection = item.configuration.calibration, item.configuration.detection
    told = {
        name: _span(getattr(reach, name))
        for name in ("claimed", "calibrated", "linear", "precision", "trueness")
    }
    limits: tuple[DeclaredLimit | NotAssessed, ...] = ()
    if not isinstance(detection, NotAssessed) and limits_are_claimed(context, item):
        limits = (detection.detection_limit, detection.quantification_limit)
    told["detection"], told["quantification"] = map(limit_bracketed, limits or (None, None))
    told["working"] = numbers.limit(reach.working_quantification_limit) if limits else numbers.MISSING
    told["validated"] = _span(reach.validated)
    told["variant"] = variants_of(*limits)
    points = numbers.MISSING
    if not isinstance(calibration, NotAssessed):
        points = f"{calibration.n} / {calibration.levels}"
    told["points"] = points
    return told


def _span(ends: Interval | None) -> str:
    if ends is None or ends[0] is None or ends[1] is None:
        return numbers.MISSING
    return f"{numbers.end_of_range(ends[0])} {numbers.TO} {numbers.end_of_range(ends[1])}"


def limit_bracketed(limit: DeclaredLimit | NotAssessed | None) -> str:
    """A declared limit with its interval in brackets, for a column that names the unit."""
    if limit is None or isinstance(limit, NotAssessed):
        return numbers.MISSING
    value = numbers.limit(limit.value)
    ends = limit.ci
    return value if ends is None else f"{value} [{numbers.limit(ends[0])}, {numbers.limit(ends[1])}]"


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
    return numbers.quantity(numbers.limit_and_interval(limit.value, limit.ci), limit.unit)


def variant_title(limit: DeclaredLimit) -> str:
    """The variant by which a limit was declared, as the reader knows it."""
    name = QUANTIFICATION_ALIASES.get(limit.variant, limit.variant)
    return VARIANTS[name].title if name in VARIANTS else limit.variant


def _table(context: Context) -> tuple[Block, ...]:
    say, found = context.say, deciding(context)
    if not found:
        return (say.paragraph("summary.no_criteria"),)
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
        table_of(
            say,
            "summary.table.caption",
            rows,
            Col("characteristic", width=22),
            Col("requirement", width=20),
            Col("result"),
            Mid("n", width=5),
            Mid("met", width=6),
            Col("outcome", width=15),
            id="verdict-table",
            note=say("summary.table.note"),
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
        return (say.paragraph("summary.no_caveats", role="small"),)
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
        say.paragraph("summary.gravest", role="small"),
        BulletList(items),
        *((say.paragraph("summary.more_caveats", count=str(rest), role="small"),) if rest > 0 else ()),
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
