"""Sections of a protocol: criteria, choices of data treatment, the design, and what the plan can show."""

from __future__ import annotations

from typing import TYPE_CHECKING

from msgspec import Struct

from validator import numbers
from validator.assessment.design import demands
from validator.dossier.document import Block, BulletList, Paragraph, Section, Table, identifier
from validator.dossier.inline import Outcome, Text
from validator.dossier.sections.context import percent_level, row
from validator.dossier.wording import Col, Mid, Num, table_of
from validator.sources import has_marks
from validator.statistics.detection import VARIANTS
from validator.statistics.detection.registry import QUANTIFICATION_ALIASES
from validator.statistics.proportion import proportion
from validator.study.models.plan import PLANNED_BLOCKS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from validator.dossier.document import Row
    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context
    from validator.dossier.wording import Wording
    from validator.evaluation.results import DesignFinding
    from validator.planning import Prediction, Protocol
    from validator.planning.outcomes import Chance, Width
    from validator.planning.power import Power
    from validator.statistics.interval import Estimate
    from validator.study.models.method import Analyte
    from validator.study.models.plan import PlannedBlock


FINEST = 1.0
"""Doubt in percent below which shares gain no further decimals."""


class Parts(Struct, frozen=True):
    """The protocol and the wording."""

    protocol: Protocol
    context: Context

    @property
    def say(self) -> Wording:
        """The wording."""
        return self.context.say

    def analyte(self, analyte_id: str) -> Analyte:
        """An analyte by its id."""
        return self.protocol.study.analyte(analyte_id)

    def block(self, name: str) -> str:
        """A data block as it is written."""
        return self.say.text(f"design.block.{name}")

    def at(self, chance: Chance, analyte_id: str) -> str:
        """The level that a criterion holds at, with what it is of."""
        return level_text(chance.key.level, chance.key.what, self.analyte(analyte_id).unit)

    def criterion(self, chance: Chance) -> str:
        """Characteristic and requirement."""
        return f"{self.context.characteristic(chance.key.characteristic)}: {chance.key.criterion}"

    def devices(self, configurations: tuple[str, ...]) -> str:
        """Names of configurations; a dash where the study names none."""
        names = [self.context.configuration_name(one) for one in configurations]
        return ", ".join(name for name in names if name) or numbers.MISSING


def variant_title(name: str) -> str:
    """The title of a limit variant; other names as they are."""
    variant = VARIANTS.get(QUANTIFICATION_ALIASES.get(name, name))
    return name if variant is None else variant.title


def level_text(level: float | None, what: str, unit: str) -> str:
    """``3 µg/L, canal water``; the name of a limit variant; a dash for neither."""
    what = variant_title(what)
    parts = [numbers.as_given(level, unit)] if level is not None else []
    return ", ".join([*parts, *([what] if what else [])]) or numbers.MISSING


def percent(estimate: Estimate) -> str:
    """A probability with its interval, ``93.2 (90.4 to 95.3) %``."""
    interval = estimate.interval
    if interval is None:
        return numbers.percent(100 * estimate.value)
    shown = numbers.with_interval(100 * estimate.value, 100 * interval.lower, 100 * interval.upper)
    return numbers.quantity(shown, "%")


def percent_interval(estimate: Estimate) -> str:
    """The interval of a probability, ``95.0 to 99.2 %``."""
    if estimate.interval is None:
        return numbers.MISSING
    lower, upper = (100 * end for end in (estimate.interval.lower, estimate.interval.upper))
    ends = (numbers.value_only(end, FINEST) for end in (lower, upper))
    return numbers.quantity(f" {numbers.TO} ".join(ends), "%")


def share(count: int, n: int) -> str:
    """A share in percent to the place that its binomial doubt leaves."""
    if not n:
        return numbers.MISSING
    doubt = proportion(count, n).standard_error or 0.0
    return numbers.quantity(numbers.value_only(100 * count / n, max(100 * doubt, FINEST)), "%")


UNBROKEN = "\N{WORD JOINER}"
"""Keeps a unit in one line where levels are listed."""

_CHOICES = (
    *("confidence", "errors", "model", "weighting", "replicates"),
    *("detection_limit", "quantification_limit", "rule"),
)


def criteria(parts: Parts) -> Section:
    """The criteria with their sources, and the choices that decide how they are judged."""
    say = parts.say
    blocks: list[Block | Section] = [
        say.paragraph(f"decision.lead.{parts.protocol.study.analysis.decision_rule}", role="lead")
    ]
    rows = tuple(_criteria_rows(parts))
    if rows:
        blocks.append(
            table_of(
                say,
                "planning.criteria.caption",
                rows,
                Col("characteristic", width=16),
                Col("of", width=11),
                Col("at", width=24),
                Col("requirement", width=20),
                Col("runs", width=9),
                Col("source"),
                id="criteria",
                note=say("planning.criteria.note"),
            )
        )
        unanswered = tuple(_unanswered(parts))
        if unanswered:
            blocks.append(BulletList(unanswered))
    else:
        blocks.append(say.paragraph("planning.criteria.nothing"))
    blocks.append(_choices(parts))
    sources = [one.cited for one in parts.context.assessment.findings]
    sources += [one.cited for one in parts.protocol.design]
    if has_marks("".join(sources)):
        blocks.append(say.paragraph("common.source_marks"))
    return Section(id="criteria-declared", title=say("planning.criteria.title"), blocks=tuple(blocks))


def _criteria_rows(parts: Parts) -> Iterator[Row]:
    for prediction in parts.protocol.predictions:
        groups: dict[tuple[str, str, str, bool], list[str]] = {}
        for chance in (*prediction.chances, *prediction.unanswered):
            key = chance.key
            group = (key.characteristic, key.criterion, key.source, chance.is_answered)
            groups.setdefault(group, []).append(parts.at(chance, prediction.analyte))
        for (characteristic, criterion, source, is_answered), at in groups.items():
            yield row(
                parts.context.characteristic(characteristic),
                parts.analyte(prediction.analyte).name,
                "; ".join(at).replace("/", f"/{UNBROKEN}"),
                criterion,
                parts.say.text(f"planning.criteria.{'with' if is_answered else 'without'}_runs"),
                source,
            )


def _unanswered(parts: Parts) -> Iterator[Content]:
    """Why no planned run answers a criterion, and what would."""
    for prediction in parts.protocol.predictions:
        for chance in prediction.unanswered:
            yield parts.say(
                "planning.criteria.unanswered",
                criterion=parts.criterion(chance),
                name=parts.analyte(prediction.analyte).name,
                at=parts.at(chance, prediction.analyte),
                reason=chance.reason or numbers.MISSING,
                needs=chance.needs or numbers.MISSING,
            )


def _choices(parts: Parts) -> Table:
    say = parts.say
    study = parts.protocol.study
    of_analytes = [_choices_of(parts, one.id) for one in study.method.analytes]
    return table_of(
        say,
        "planning.criteria.choices",
        (
            row(say.text(f"planning.criteria.{name}"), *(one[name] for one in of_analytes))
            for name in _CHOICES
        ),
        Col("choice", width=36),
        *(Col(Text(one.name)) for one in study.method.analytes),
        id="choices",
        size="normal",
    )


def _choices_of(parts: Parts, analyte: str) -> dict[str, str]:
    choices = parts.protocol.study.analysis_for(analyte)
    silent = parts.say.text("planning.criteria.not_declared")
    detection, quantification = choices.detection_limit, choices.quantification_limit
    return {
        "confidence": percent_level(choices.confidence),
        "errors": f"{numbers.as_given(choices.alpha)}; {numbers.as_given(choices.beta)}",
        "model": parts.say.text(f"names.model.{choices.calibration.model}"),
        "weighting": numbers.with_powers(choices.calibration.weighting),
        "replicates": numbers.count(choices.calibration.replicates_for_sample),
        "detection_limit": variant_title(detection.variant) if detection else silent,
        "quantification_limit": variant_title(quantification.variant) if quantification else silent,
        "rule": choices.decision_rule,
    }


def design(parts: Parts) -> Section:
    """The planned runs, and what the chosen guidance asks of them."""
    say = parts.say
    blocks: list[Block | Section] = [
        say.paragraph("planning.design.lead", role="lead"),
        table_of(
            say,
            "planning.design.caption",
            _planned_rows(parts),
            Col("block", width=14),
            Col("analyte", width=11),
            Col("levels"),
            Mid("series", width=8),
            Mid("replicates", width=12),
            Mid("total", width=8),
            Col("with", width=18),
            id="planned",
        ),
    ]
    blocks.extend(_requirements(parts))
    return Section(id="design", title=say("planning.design.title"), blocks=tuple(blocks))


def _planned_rows(parts: Parts) -> Iterator[Row]:
    study = parts.protocol.study
    for name in PLANNED_BLOCKS:
        for analyte in study.method.analytes:
            plan: PlannedBlock | None = getattr(parts.protocol.plan.for_analyte(analyte.id), name)
            if plan is None:
                continue
            configurations = plan.configurations or (study.validated_configuration,)
            yield row(
                parts.block(name),
                analyte.name,
                _materials(parts, plan, analyte.unit),
                numbers.count(plan.series),
                numbers.count(plan.replicates),
                numbers.count(plan.preparations * len(configurations)),
                parts.devices(configurations),
            )


def _materials(parts: Parts, plan: PlannedBlock, unit: str) -> str:
    say = parts.say
    by_matrix: dict[str | None, list[str]] = {}
    references = []
    for material in plan.materials:
        if material.level is None:
            return say.text("planning.design.blank")
        if material.is_reference:
            references.append(numbers.as_given(material.level))
        else:
            by_matrix.setdefault(material.matrix, []).append(numbers.as_given(material.level))
    texts = [numbers.quantity(", ".join(levels), unit) for levels in list(by_matrix.values())[:1]]
    matrices = [matrix for matrix in by_matrix if matrix is not None]
    if texts and matrices:
        texts = [say.text("planning.design.materials", levels=texts[0], matrices=", ".join(matrices))]
    if references:
        values = numbers.quantity(", ".join(references), unit)
        texts.append(say.text("planning.design.references", values=values))
    return "; ".join(texts)


def _requirements(parts: Parts) -> tuple[Block, ...]:
    say, context = parts.say, parts.context
    asked = demands(parts.protocol.design)
    if not asked:
        return (say.paragraph("planning.design.none"),)
    held = [one.strictest for one in asked if one.provided is not None]
    other = [context.characteristic(one.characteristic) for one in asked if one.provided is None]
    short = [one.strictest.requirement for one in asked if one.is_short]
    blocks: list[Block] = []
    if held:
        sentence = (
            say("planning.design.short", names="; ".join(dict.fromkeys(short)))
            if short
            else say("planning.design.sufficient")
        )
        blocks += [Paragraph(sentence), _requirements_table(parts, held)]
    if other:
        blocks.append(
            say.paragraph("planning.design.not_planned", names=", ".join(dict.fromkeys(other)).lower())
        )
    return tuple(blocks)


def _requirements_table(parts: Parts, found: list[DesignFinding]) -> Table:
    say = parts.say
    return table_of(
        say,
        "planning.design.requirements",
        found,
        Col("requirement", lambda one: one.requirement),
        Col("analyte", lambda one: parts.context.analyte_name(one.analyte), width=12),
        Mid("asked", lambda one: numbers.stated(one.required), width=8),
        Mid("planned", lambda one: numbers.stated(one.provided), width=9),
        Col("outcome", lambda one: Outcome(one.outcome), width=15),
        Col("source", lambda one: one.cited, width=28),
        id="requirements",
    )


def expected(parts: Parts) -> Section:
    """The assumptions, and for each analyte what follows from them."""
    say = parts.say
    blocks: list[Block | Section] = [_assumed(parts)]
    for prediction in parts.protocol.predictions:
        name = parts.analyte(prediction.analyte).name
        inner: list[Block | Section] = [_widths(parts, prediction)]
        if prediction.chances:
            inner.append(_chances(parts, prediction))
        if prediction.all_met is not None:
            inner.append(say.paragraph("planning.expected.all_met", probability=percent(prediction.all_met)))
        inner.extend(
            say.paragraph("planning.expected.stop", share=percent(stop.share), title=stop.title)
            for stop in prediction.stops
        )
        if prediction.powers:
            inner.append(_powers(parts, prediction))
        blocks.append(
            Section(
                id=identifier("expected", prediction.analyte),
                title=say("planning.expected.of_analyte", name=name),
                blocks=tuple(inner),
            )
        )
    return Section(id="expected", title=say("planning.expected.title"), blocks=tuple(blocks))


def _assumed(parts: Parts) -> Table:
    def given(value: float | None, unit: str) -> str:
        return numbers.as_given(value, unit)

    analyte = parts.analyte
    return table_of(
        parts.say,
        "planning.expected.assumed",
        [(analyte(one.analyte), one.assumed) for one in parts.protocol.predictions],
        Col("analyte", lambda one: one[0].name),
        Col("slope", lambda one: given(one[1].slope, _per(one[0].signal_unit, one[0].unit))),
        Col("intercept", lambda one: given(one[1].intercept, one[0].signal_unit)),
        Col("signal_sd", lambda one: given(one[1].signal_sd, one[0].signal_unit)),
        Col("signal_rsd", lambda one: given(one[1].signal_rsd_percent, "%")),
        Col("between", lambda one: given(one[1].between_series_rsd_percent, "%")),
        Col("recovery", lambda one: given(one[1].recovery_percent, "%")),
        id="assumed",
    )


def _per(signal: str, level: str) -> str:
    return f"{signal}/({level})" if "/" in level else f"{signal}/{level}"


def _widths(parts: Parts, prediction: Prediction) -> Table:
    say, analyte = parts.say, parts.analyte(prediction.analyte)
    units = {
        "slope": _per(analyte.signal_unit, analyte.unit),
        "intercept": analyte.signal_unit,
        "detection_limit": analyte.unit,
        "quantification_limit": analyte.unit,
    }
    return table_of(
        say,
        "planning.expected.widths",
        prediction.widths,
        Col("figure", lambda one: say.text(f"planning.expected.name.{one.key.figure}"), width=20),
        Col("at", lambda one: level_text(one.key.level, one.key.what, analyte.unit), width=20),
        Col("unit", lambda one: units.get(one.key.figure, "%"), width=10),
        Num("typical", lambda one: numbers.significant(one.typical)),
        Col("half", _half_width),
        Col("range", _range),
        Num("closed", lambda one: share(one.closed, one.n), width=9),
        id=identifier("widths", prediction.analyte),
        name=analyte.name,
        level=percent_level(parts.protocol.study.analysis_for(prediction.analyte).confidence),
    )


def _half_width(width: Width) -> str:
    half = width.half_width
    if half is None:
        return numbers.MISSING
    ends = (half.interval.lower, half.interval.upper) if half.interval else (None, None)
    return numbers.with_interval(half.value, *ends)


def _range(width: Width) -> str:
    if width.low is None:
        return numbers.MISSING
    return f"{numbers.significant(width.low, 2)} {numbers.TO} {numbers.significant(width.high, 2)}"


def _chances(parts: Parts, prediction: Prediction) -> Table:
    return table_of(
        parts.say,
        "planning.expected.chances",
        prediction.chances,
        Col("criterion", lambda one: parts.criterion(one)),
        Col("at", lambda one: parts.at(one, prediction.analyte), width=21),
        Num("meets", lambda one: share(one.meets, one.n), width=9),
        Num("open", lambda one: share(one.open + one.unanswered, one.n), width=11),
        Num("fails", lambda one: share(one.fails, one.n), width=9),
        Col("simulation", lambda one: percent_interval(one.probability), width=15),
        id=identifier("chances", prediction.analyte),
        name=parts.analyte(prediction.analyte).name,
        count=prediction.simulations,
    )


def _powers(parts: Parts, prediction: Prediction) -> Table:
    say, analyte = parts.say, parts.analyte(prediction.analyte)
    return table_of(
        say,
        "planning.expected.powers",
        prediction.powers,
        Col("test", lambda one: say.text(f"planning.expected.test_name.{one.test}"), width=26),
        Col("at", lambda one: level_text(one.level, one.what, analyte.unit), width=20),
        Col("departure", lambda one: _departure(say, one), width=16),
        Col("false_alarms", lambda one: percent(one.false_alarms)),
        Col("power", lambda one: percent(one.power)),
        id=identifier("powers", prediction.analyte),
        name=analyte.name,
        alpha=numbers.as_given(prediction.powers[0].alpha),
    )


def _departure(say: Wording, one: Power) -> str:
    kind = "bias" if one.test == "bias" else "curvature"
    departure = numbers.as_given(one.departure_percent, "%")
    return say.text(f"planning.expected.{kind}", percent=departure)
