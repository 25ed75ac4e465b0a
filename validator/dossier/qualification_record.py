"""The software verification record: what the published cases gave here, as document, PDF and JSON."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from validator import numbers
from validator.dossier.console import aligned
from validator.dossier.document import (
    BulletList,
    Document,
    KeyFacts,
    Paragraph,
    Section,
    Signature,
    Signatures,
    identifier,
)
from validator.dossier.html import render_html
from validator.dossier.inline import Outcome, plain
from validator.dossier.pdf import Attachment, write_pdf
from validator.dossier.sections.context import row
from validator.dossier.wording import Col, Mid, table_of, wording

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator

    from validator.dossier.document import Block, Row
    from validator.dossier.html import Paper
    from validator.dossier.inline import Content
    from validator.dossier.wording import Wording
    from validator.qualification import CaseResult, FigureResult, Qualification

RECORD_FILE = "qualification.json"
"""Name under which the record carries its figures."""

_FURTHER_DIGITS = 3
_MOST_DIGITS = 15


def build_qualification_record(
    qualification: Qualification, made: dt.datetime, *, language: str = "en"
) -> Document:
    """The document of *qualification*, made at that moment."""
    say = wording(language)
    here = qualification.installation
    return Document(
        title=say.text("qualification.title", version=here.version),
        identifier=here.computer,
        version=here.version,
        kind=say.text("qualification.kind"),
        language=language,
        key_facts=_key_facts(say, qualification, made),
        summary=_summary(say, qualification),
        sections=(
            _how(say, qualification),
            _cases(say, qualification),
            _points(say, "not_covered"),
            _points(say, "remains"),
        ),
        keywords=(say.text("qualification.keyword"),),
        subject=say.text("qualification.subject"),
        date=made.date().isoformat(),
    )


def record_json(qualification: Qualification, made: dt.datetime, *, language: str = "en") -> str:
    """The record as JSON: the same cases at full precision, and the same lists of what is left out."""
    say = wording(language)
    figures = qualification.plain()
    record = {
        "format": figures.pop("format"),
        "made": made.isoformat(timespec="seconds"),
        **figures,
        "not_covered": [plain(one) for one in _listed(say, "not_covered")],
        "remains_for_the_laboratory": [plain(one) for one in _listed(say, "remains")],
    }
    return json.dumps(record, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def record_pdf(qualification: Qualification, made: dt.datetime, *, paper: Paper = "a4") -> bytes:
    """The record as PDF that carries its JSON.

    Raises:
        EnvironmentProblem: the PDF engine cannot be loaded.
    """
    attachment = Attachment(
        name=RECORD_FILE,
        content=record_json(qualification, made).encode("utf-8"),
        mime_type="application/json",
        relationship="Data",
        description="published cases: every figure at full precision",
    )
    page = render_html(build_qualification_record(qualification, made), medium="print", paper=paper)
    return write_pdf(page, attachments=[attachment], date=made)


def cases_table(qualification: Qualification, *, language: str = "en") -> str:
    """What ``qualify`` prints: a line for each case, every figure that does not agree, and the outcome."""
    say = wording(language)
    lines = aligned(
        [
            (
                "+" if one.agrees else "-",
                one.case.id,
                say.text(f"qualification.area.{one.case.area}"),
                _confirmed(say, one),
            )
            for one in qualification.cases
        ]
    )
    for result in qualification.failed:
        lines.append("")
        lines.append(f"{result.case.id}: {result.case.title}")
        if result.problem:
            lines.append(f"  {say.text('qualification.cases.problem', problem=result.problem)}")
        lines.extend(
            f"  {one.name}: {say.text('qualification.cases.published')} {one.published}, "
            f"{say.text('qualification.cases.obtained')} {_obtained(one)}"
            for one in result.figures
            if not one.agrees
        )
    return "\n".join([*lines, "", _outcome(say, qualification)])


def _key_facts(say: Wording, qualification: Qualification, made: dt.datetime) -> KeyFacts:
    here = qualification.installation
    facts: list[tuple[str, Content]] = [
        (say.text("qualification.facts.made"), made.isoformat(" ", timespec="minutes")),
        (say.text("qualification.facts.computer"), here.computer),
        (say.text("qualification.facts.system"), here.system),
        (say.text("qualification.facts.machine"), here.machine),
        (say.text("qualification.facts.bits"), numbers.count(here.significand_bits)),
        (say.text("qualification.facts.python"), here.python),
    ]
    facts.extend(
        (say.text("qualification.facts.package", name=name), version)
        for name, version in here.packages.items()
    )
    return KeyFacts(tuple(facts))


def _summary(say: Wording, qualification: Qualification) -> tuple[Block, ...]:
    areas = tuple(dict.fromkeys(one.case.area for one in qualification.cases))
    rows = [
        _area_row(
            say,
            say.text(f"qualification.area.{area}"),
            tuple(one for one in qualification.cases if one.case.area == area),
        )
        for area in areas
    ]
    rows.append(_area_row(say, say.text("qualification.overview.whole"), qualification.cases, kind="total"))
    return (
        Paragraph(_outcome(say, qualification), role="lead"),
        say.paragraph("qualification.lead"),
        table_of(
            say,
            "qualification.overview.caption",
            rows,
            Col("area"),
            Mid("cases", width=12),
            Mid("figures", width=12),
            Mid("agree", width=18),
            Col("outcome", width=20),
            id="overview",
            size="normal",
        ),
        Signatures(
            tuple(
                Signature(role=say.text(f"qualification.role.{role}")) for role in ("performed", "released")
            )
        ),
    )


def _area_row(say: Wording, name: str, cases: tuple[CaseResult, ...], kind: str = "plain") -> Row:
    return row(
        name,
        numbers.count(len(cases)),
        numbers.count(sum(len(one.figures) for one in cases)),
        numbers.count(sum(one.agrees for one in cases)),
        _mark(say, all(one.agrees for one in cases)),
        kind=kind,
    )


def _how(say: Wording, qualification: Qualification) -> Section:
    whole = say.text("qualification.area.whole")
    return Section(
        id="how",
        title=say("qualification.how.title"),
        blocks=(
            say.paragraph("qualification.how.agreement"),
            say.paragraph("qualification.how.formulas", whole=whole),
            say.paragraph("qualification.how.memory"),
            say.paragraph(
                "qualification.how.fingerprint", fingerprint=qualification.installation.fingerprint
            ),
        ),
        new_page=True,
    )


def _cases(say: Wording, qualification: Qualification) -> Section:
    areas = tuple(dict.fromkeys(one.case.area for one in qualification.cases))
    return Section(
        id="cases",
        title=say("qualification.cases.title"),
        blocks=tuple(
            Section(
                id=identifier("area", area),
                title=say(f"qualification.area.{area}"),
                blocks=tuple(
                    block for one in qualification.cases if one.case.area == area for block in _case(say, one)
                ),
            )
            for area in areas
        ),
    )


def _case(say: Wording, result: CaseResult) -> Iterator[Block]:
    case = result.case
    yield table_of(
        say,
        "qualification.cases.caption",
        result.figures,
        Col("figure", lambda one: one.name),
        Col("published", lambda one: one.published.replace("-", numbers.MINUS), width=20),
        Col("obtained", lambda one: _obtained(one), width=23),
        Col("allowed", lambda one: numbers.significant(one.allowed, 2), width=15),
        Col("outcome", lambda one: _mark(say, one.agrees), width=17),
        id=identifier("case", case.id),
        title=case.title,
        note=_source(say, result),
    )
    if result.problem:
        yield say.paragraph("qualification.cases.problem", problem=result.problem)


def _source(say: Wording, result: CaseResult) -> Content:
    case = result.case
    parts = [
        say.text("qualification.cases.source", source=case.source, confirmed=_confirmed(say, result)),
        *(
            say.text(
                "qualification.cases.because",
                figure=name if name in case.published else say.text("qualification.cases.every"),
                because=tolerance.because,
            )
            for name, tolerance in case.tolerance.items()
        ),
    ]
    return " ".join(parts)


def _points(say: Wording, name: str) -> Section:
    return Section(
        id=identifier(name),
        title=say(f"qualification.{name}.title"),
        blocks=(say.paragraph(f"qualification.{name}.lead"), BulletList(_listed(say, name))),
    )


def _listed(say: Wording, name: str) -> tuple[Content, ...]:
    prefix = f"qualification.{name}.point."
    return tuple(say(key) for key in say.entries if key.startswith(prefix))


def _outcome(say: Wording, qualification: Qualification) -> str:
    cases = numbers.count(len(qualification.cases))
    if qualification.agrees:
        figures = numbers.count(sum(len(one.figures) for one in qualification.cases))
        return say.text("qualification.passed", cases=cases, figures=figures)
    names = ", ".join(one.case.id for one in qualification.failed)
    failed = numbers.count(len(qualification.failed))
    return say.text("qualification.failed", failed=failed, cases=cases, names=names)


def _confirmed(say: Wording, result: CaseResult) -> str:
    return say.text(f"qualification.cases.{result.case.confirmed}")


def _obtained(figure: FigureResult) -> str:
    """Ours with a few digits more than printed, so that the difference shows."""
    mantissa = figure.published.upper().partition("E")[0]
    printed = len(mantissa.replace("-", "").replace(".", "").lstrip("0"))
    return numbers.significant(figure.obtained, min(max(printed, 1) + _FURTHER_DIGITS, _MOST_DIGITS))


def _mark(say: Wording, agrees: bool) -> Outcome:
    label = say.text(f"qualification.cases.{'agrees' if agrees else 'disagrees'}")
    return Outcome("meets" if agrees else "does not meet", label)
