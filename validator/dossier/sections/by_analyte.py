"""Many analytes: a compact section for each, and an appendix with the tables that it leaves out.

The sections of the characteristics are built as for few analytes, without pictures, and turned over: what
they say of an analyte goes to that analyte.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING

from msgspec import Struct
from msgspec.structs import replace

from validator import numbers
from validator.dossier.document import (
    Block,
    BulletList,
    Column,
    Figure,
    FigurePair,
    Findings,
    NotAssessedItem,
    NotAssessedList,
    Paragraph,
    Row,
    Section,
    Table,
)
from validator.dossier.inline import Outcome, Reference, plain
from validator.dossier.sections.context import MOST_LISTED, estimate_text, residual_text, row, slope_unit
from validator.dossier.sections.judging import WORST_FIRST, governing, told_together
from validator.dossier.sections.pictures import calibration_and_residuals, level_label, recovery_label
from validator.dossier.sections.summary import (
    deciding,
    limit_text,
    limit_value,
    limits_are_claimed,
    variants_of,
)
from validator.dossier.table_layout import SIZES_PT, UPRIGHT_PT, text_width
from validator.dossier.wording import Col, Mid, table_of
from validator.evaluation.results import CalibrationRecord, DetectionRecord, NotAssessed, value_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from validator.dossier.document import Alignment
    from validator.dossier.inline import Content
    from validator.dossier.sections.context import Context, Item
    from validator.evaluation.results import Finding, PrecisionRecord


def by_analyte(
    context: Context, core: Sequence[Section], others: Sequence[Section]
) -> tuple[Section, Section]:
    """The section with a subsection for each analyte, and the appendix of what they leave out.

    *core* are the sections whose figures the compact table gives; *others* are taken over as they are.
    """
    say = context.say
    own: dict[str, list[Block | Section]] = defaultdict(list)
    tables: list[Stacked] = []
    refused: dict[NotAssessedItem, dict[str, None]] = {}
    for section in core:
        for item, part in _parts(context, section):
            for block in part.blocks:
                if isinstance(block, Table):
                    tables.append(Stacked(block, item.name))
                elif isinstance(block, NotAssessedList):
                    for one in block.items:
                        refused.setdefault(one, {})[item.name] = None
                elif not isinstance(block, (Findings, BulletList, Figure, FigurePair)):
                    own[item.cell.analyte].append(block)
    for section in others:
        for item, part in _parts(context, section):
            own[item.cell.analyte].append(_moved(context, section, item, part))
    subsections = [_analyte(context, item, own[item.cell.analyte]) for item in context.validated_items()]
    return (
        Section(
            id="by-analyte",
            title=say("overview.by_analyte"),
            blocks=(say.paragraph("overview.by_analyte_lead", role="lead"), *subsections),
            new_page=True,
        ),
        Section(
            id="in-full",
            title=say("overview.in_full"),
            blocks=(say.paragraph("overview.in_full_lead"), *stacked(tables), *_refused(context, refused)),
            numbering="appendix",
            new_page=True,
        ),
    )


def _refused(
    context: Context, refused: Mapping[NotAssessedItem, Mapping[str, None]]
) -> tuple[NotAssessedList, ...]:
    """What could not be assessed, each once, with the analytes where it does not hold for all."""
    every = {item.name for item in context.items()}
    found = []
    for one, names in refused.items():
        of = context.named_or_counted(names, MOST_LISTED, counted="analytes", apart=", ")
        found.append(one if set(names) == every else replace(one, what=f"{plain(one.what)} ({of})"))
    return (NotAssessedList(tuple(found)),) if found else ()


def _parts(context: Context, section: Section) -> Iterator[tuple[Item, Section]]:
    """The subsections of a characteristic with the item each is about."""
    of_ids = {item.id(""): item for item in context.items()}
    for part in section.blocks:
        if isinstance(part, Section):
            item = of_ids.get(part.id[part.id.index("--") :])
            if item is not None:
                yield item, part


def _moved(context: Context, section: Section, item: Item, part: Section) -> Section:
    """A subsection of a characteristic as one of its analyte."""
    title = plain(section.title)
    if item.cell.configuration != context.study.validated_configuration:
        title += f", {context.configuration_name(item.cell.configuration)}"
    kept = tuple(block for block in part.blocks if not isinstance(block, (Findings, BulletList)))
    return Section(id=part.id, title=title, blocks=kept, numbering="none")


# --- the section of one analyte ----------------------------------------------------------------------


def _analyte(context: Context, item: Item, own: Sequence[Block | Section]) -> Section:
    say, calibration = context.say, item.configuration.calibration
    blocks: list[Block | Section] = []
    if isinstance(calibration, CalibrationRecord):
        blocks.append(calibration_and_residuals(context, item, calibration))
    rows = tuple(_rows(context, item))
    blocks.append(
        table_of(
            say,
            "overview.figures",
            rows,
            Col("characteristic"),
            Col("result"),
            Mid("n"),
            Col("requirement"),
            Col("outcome"),
            id=item.id("figures"),
            name=item.name,
        )
        if rows
        else say.paragraph("overview.nothing")
    )
    blocks.extend(_caveats(context, item))
    return Section(id=section_id(item), title=item.name, blocks=(*blocks, *own))


def _caveats(context: Context, item: Item) -> tuple[Block, ...]:
    """References to every caveat on this analyte."""
    found = dict.fromkeys(
        context.caveat_id(one) for one in context.assessment.caveats if one.analyte == item.cell.analyte
    )
    if not found:
        return ()
    pieces: list[Content] = [context.say.text("overview.caveats")]
    for target in found:
        pieces.extend((" " if len(pieces) == 1 else ", ", Reference(target)))
    return (Paragraph(tuple(pieces), role="small"),)  # type: ignore[arg-type]


def _rows(context: Context, item: Item) -> Iterator[Row]:
    """Every figure of the analyte with what was asked of it; then what was asked beyond these."""
    findings = [one for one in context.assessment.findings if one.analyte == item.cell.analyte]
    findings = [one for one in findings if one.configuration in (None, item.cell.configuration)]
    used: list[Finding] = []

    def line(name: Content, text: str, n: Content, asked: Sequence[Finding]) -> Row:
        used.extend(asked)
        deciding = [one for one in asked if one.decides]
        if not deciding:
            return row(name, text, n, numbers.MISSING, numbers.MISSING)
        worst = governing(deciding)
        requirements = "; ".join(dict.fromkeys(one.criterion for one in deciding))
        return row(name, text, n, requirements, Outcome(worst.outcome))

    def of(*characteristics: str, observed: float | None = None) -> list[Finding]:
        return [
            one
            for one in findings
            if one.characteristic in characteristics and (observed is None or one.observed == observed)
        ]

    for name, text, n, asked in _figures(context, item, of):
        yield line(name, text, n, asked)
    left = [one for one in findings if not any(one is other for other in used)]
    for told in told_together(context, left):
        title, _, requirement = plain(told.requirement).partition(": ")
        yield row(title, plain(told.statement), numbers.MISSING, requirement, Outcome(told.outcome))


def _figures(
    context: Context, item: Item, of: Callable[..., list[Finding]]
) -> Iterator[tuple[Content, str, Content, list[Finding]]]:
    configuration = item.configuration
    if isinstance(configuration.calibration, CalibrationRecord):
        yield from _of_calibration(context, item, configuration.calibration, of)
    if isinstance(configuration.detection, DetectionRecord):
        for name in ("detection_limit", "quantification_limit"):
            limit = getattr(configuration.detection, name)
            yield context.characteristic(name), limit_text(limit), numbers.MISSING, of(name)
    for precision in configuration.precision if not isinstance(configuration.precision, NotAssessed) else ():
        level = level_label(item, precision.level)
        for name, field in (
            ("repeatability", precision.repeatability_rsd),
            ("intermediate_precision", precision.intermediate_rsd),
            ("reproducibility", precision.reproducibility_rsd),
        ):
            text = estimate_text(field, "%")
            if text != numbers.MISSING:
                named = context.say.text(
                    "overview.at_level", characteristic=context.characteristic(name), level=level
                )
                value = None if isinstance(field, NotAssessed) or field is None else field.value
                yield named, text, numbers.counts(precision.n, precision.groups), of(name, observed=value)
    for recovery in configuration.recovery if not isinstance(configuration.recovery, NotAssessed) else ():
        mean = recovery.mean_recovery
        named = context.say.text(
            "overview.at_level",
            characteristic=context.characteristic("recovery"),
            level=recovery_label(context, item, recovery),
        )
        asked = of("recovery", "trueness", observed=mean.value)
        yield named, estimate_text(mean, "%"), numbers.counts(recovery.n, recovery.series), asked


def _of_calibration(
    context: Context, item: Item, record: CalibrationRecord, of: Callable[..., list[Finding]]
) -> Iterator[tuple[Content, str, Content, list[Finding]]]:
    say, n = context.say, numbers.counts(record.n, record.levels)
    signal, unit = item.analyte.signal_unit, item.analyte.unit
    yield say.text("overview.slope"), estimate_text(record.slope, slope_unit(item)), n, of("sensitivity")
    yield say.text("overview.intercept"), estimate_text(record.intercept, signal), n, []
    scatter = residual_text(record, signal)
    yield say.text("overview.residual_sd"), scatter, n, []
    if not isinstance(record.lack_of_fit, NotAssessed):
        text = numbers.p_text(record.lack_of_fit.p)
        yield context.characteristic("lack_of_fit"), text, n, of("lack_of_fit")
    if not isinstance(record.linear_range, NotAssessed):
        ends = (numbers.as_given(end) for end in (record.linear_range.lower, record.linear_range.upper))
        text = numbers.quantity(f" {numbers.TO} ".join(ends), unit)
        yield say.text("overview.linear_range"), text, numbers.MISSING, of("working_range")


MOST_PANELS = 3
_PADDING_EM = 1.3


class Stacked(Struct, frozen=True):
    """A table and what it is about."""

    table: Table
    name: str

    @property
    def kind(self) -> tuple[str, ...]:
        """Which table it is, and its columns: tables of one kind go together."""
        heads = (plain(column.header) for column in self.table.columns)
        return (self.table.id.partition("--")[0], *heads)


def stacked(tables: Iterable[Stacked]) -> tuple[Table, ...]:
    """One table for each kind, a heading over what is about one thing; short rows go on side by side."""
    kinds: dict[tuple[str, ...], list[Stacked]] = {}
    for one in tables:
        kinds.setdefault(one.kind, []).append(one)
    return tuple(_together(position, members) for position, members in enumerate(kinds.values(), start=1))


def _together(position: int, members: Sequence[Stacked]) -> Table:
    first = members[0].table
    units = [{member.table.columns[at].unit for member in members} for at in range(len(first.columns))]
    columns = tuple(
        replace(column, unit=column.unit if len(units[at]) == 1 else "", width=None, align="text")
        for at, column in enumerate(first.columns)
    )
    plain_rows = all(one.kind == "plain" for member in members for one in member.table.rows)
    panels = _panels(columns, members) if plain_rows else 1
    rows: list[Row] = []
    for member in members:
        heading = member.name
        own = {
            column.unit: None
            for at, column in enumerate(member.table.columns)
            if len(units[at]) > 1 and column.unit
        }
        if own:
            heading += f" ({', '.join(own)})"
        rows.append(Row((heading, *("" for _ in range(panels * len(columns) - 1))), "group"))
        rows.extend(member.table.rows if panels == 1 else _beside(member.table.rows, panels, len(columns)))
    return Table(
        id=f"in-full-{position}",
        caption=plain(first.caption).replace(f", {members[0].name}", ""),
        columns=tuple(
            replace(column, starts_panel=panel > 0 and at == 0)
            for panel in range(panels)
            for at, column in enumerate(columns)
        ),
        rows=tuple(rows),
        note=first.note,
        size="tiny",
    )


def _panels(columns: Sequence[Column], members: Sequence[Stacked]) -> int:
    """How many rows fit side by side without breaking a cell."""
    widths = [
        max(
            text_width(f"{plain(column.header)} {column.unit}"),
            *(text_width(plain(one.cells[at])) for member in members for one in member.table.rows),
        )
        + _PADDING_EM
        for at, column in enumerate(columns)
    ]
    return max(1, min(MOST_PANELS, int(UPRIGHT_PT / SIZES_PT["tiny"] // sum(widths))))


def _beside(rows: Sequence[Row], panels: int, columns: int) -> Iterable[Row]:
    for start in range(0, len(rows), panels):
        cells = [cell for one in rows[start : start + panels] for cell in one.cells]
        yield Row((*cells, *("" for _ in range(panels * columns - len(cells)))))


def overview(context: Context) -> Section:
    """The matrix of all analytes, each linked to its own section."""
    say, items = context.say, list(context.validated_items())
    units = {item.analyte.unit for item in items}
    unit = units.pop() if len(units) == 1 else ""
    shown: list[tuple[Column, list[Content]]] = [
        (Column(say.text("overview.analyte")), [Reference(section_id(item), item.name) for item in items])
    ]
    if not unit:
        shown.append((Column(say.text("overview.unit")), [item.analyte.unit for item in items]))
    for name, cell, column_unit, align in _CELLS:
        cells: list[Content] = [cell(context, item) for item in items]
        if any(one != numbers.MISSING for one in cells):
            head = unit if column_unit == "level" else column_unit
            shown.append((Column(say.text(f"overview.{name}"), unit=head, align=align), cells))
    shown.append((Column(say.text("overview.outcome")), [_outcome(context, item) for item in items]))
    table = Table(
        id="all-analytes",
        caption=say("overview.caption", count=len(items)),
        columns=tuple(column for column, _ in shown),
        rows=tuple(Row(cells) for cells in zip(*(cells for _, cells in shown), strict=True)),
        note=say("overview.note"),
        size="small",
    )
    return Section(
        id="overview",
        title=say("overview.title"),
        blocks=(say.paragraph("overview.lead", role="lead"), table),
        new_page=True,
    )


def section_id(item: Item) -> str:
    """The id of the compact section of an analyte."""
    return item.id("analyte")


def _range(_: Context, item: Item) -> str:
    calibration = item.configuration.calibration
    if isinstance(calibration, NotAssessed):
        return numbers.MISSING
    span = calibration.working_range
    return numbers.span(span.lower, span.upper)


def _limit(context: Context, item: Item, which: str) -> str:
    detection = item.configuration.detection
    if isinstance(detection, NotAssessed) or not limits_are_claimed(context, item):
        return numbers.MISSING
    return limit_value(getattr(detection, which))


def _variants(context: Context, item: Item) -> str:
    detection = item.configuration.detection
    if isinstance(detection, NotAssessed) or not limits_are_claimed(context, item):
        return numbers.MISSING
    return variants_of(detection.detection_limit, detection.quantification_limit)


def _largest(item: Item, figure: Callable[[PrecisionRecord], object]) -> str:
    """The largest of the levels."""
    records = item.configuration.precision
    found = [] if isinstance(records, NotAssessed) else [value_of(figure(record)) for record in records]
    return numbers.significant(max((one for one in found if one is not None), default=None), 2)


def _recovery(_: Context, item: Item) -> str:
    records = item.configuration.recovery
    means = [] if isinstance(records, NotAssessed) else [value_of(record.mean_recovery) for record in records]
    known = sorted(one for one in means if one is not None)
    if not known:
        return numbers.MISSING
    ends = [numbers.significant(one) for one in (known[0], known[-1])]
    return ends[0] if ends[0] == ends[1] else f"{ends[0]} {numbers.TO} {ends[1]}"


def _uncertainty(_: Context, item: Item) -> str:
    record = item.configuration.uncertainty
    levels = () if isinstance(record, NotAssessed) else record.levels
    found = (one.budget.expanded_percent for one in levels)
    return numbers.significant(max((one for one in found if one is not None), default=None), 2)


def _lack_of_fit(_: Context, item: Item) -> str:
    calibration = item.configuration.calibration
    if isinstance(calibration, NotAssessed) or isinstance(calibration.lack_of_fit, NotAssessed):
        return numbers.MISSING
    return numbers.p_value(calibration.lack_of_fit.p)


def _outcome(context: Context, item: Item) -> Content:
    """The worst of what decides on this analyte."""
    found = {
        one.outcome
        for one in deciding(context)
        if one.analyte == item.cell.analyte and one.configuration in (None, item.cell.configuration)
    }
    worst = next((one for one in WORST_FIRST if one in found), None)
    return Outcome(worst) if worst else numbers.MISSING


_CELLS: tuple[tuple[str, Callable[[Context, Item], str], str, Alignment], ...] = (
    ("range", _range, "level", "text"),
    ("lack_of_fit", _lack_of_fit, "", "decimal"),
    ("detection", lambda context, item: _limit(context, item, "detection_limit"), "level", "decimal"),
    (
        "quantification",
        lambda context, item: _limit(context, item, "quantification_limit"),
        "level",
        "decimal",
    ),
    ("repeatability", lambda _, item: _largest(item, lambda one: one.repeatability_rsd), "%", "decimal"),
    ("intermediate", lambda _, item: _largest(item, lambda one: one.intermediate_rsd), "%", "decimal"),
    ("reproducibility", lambda _, item: _largest(item, lambda one: one.reproducibility_rsd), "%", "decimal"),
    ("recovery", _recovery, "%", "text"),
    ("uncertainty", _uncertainty, "%", "decimal"),
    ("variant", _variants, "", "text"),
)
